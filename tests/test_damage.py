"""Damage to what is on the disk: results that are cut, altered or unfinished, and a disk that is full."""

from __future__ import annotations

import csv
import errno
import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest

from calib.cli import main
from calib.report.confirm import load_before, load_sheet
from calib.report.record import append_record, read_record, record_path
from calib.report.whole import MANIFEST, appearing, check_whole, seal
from capture.csvcells import safe_cells
from capture.errors import UserError
from capture.photos import list_shoot
from tests.moorhen import SAMPLE

HEAD = "name,label,design,measured,u95,unit,target,tolerance,verdict,says,from_photos\n"


@pytest.fixture
def results(tmp_path: Path) -> Path:
    """A small sealed result folder: one tolerance met, one limit broken."""
    with appearing(tmp_path / "out") as made:
        (made.here / "fit.json").write_text(json.dumps({"vehicle": "Moorhen", "findings": []}))
        (made.here / "figures.csv").write_text(HEAD + "toe,toe,0,0.1,0.05,deg,0,0.5,met,toe: met.,1.0\n"
                                               "lock,lock,22,19,0.05,deg,22,1,not met,lock: not met.,1.0\n")
        (made.here / "limits.csv").write_text("kept,text\nTrue,fine\nFalse,left_rod goes over centre\n")
        (made.here / "proposals.json").write_text(json.dumps({"proposals": []}))
        (made.here / "curves.csv").write_text("lever_deg,left_asbuilt_deg\n0,0\n")
        (made.here / "travel").mkdir()
        (made.here / "travel" / "ratio.svg").write_text("<svg/>")
    return made.final


def test_every_cut_of_every_file_is_refused(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    load_sheet(results)
    load_before(results)
    tried = 0
    for path in sorted(p for p in results.rglob("*") if p.is_file()):
        whole = path.read_bytes()
        for n in range(len(whole)) if path.suffix == ".csv" else (0, len(whole) // 2, len(whole) - 2):
            path.write_bytes(whole[:n])
            for load in (load_sheet, load_before):
                with pytest.raises(UserError, match=path.name):
                    load(results)
            tried += 1
        path.unlink()
        assert main(["sheet", str(results)]) == 2
        said = capsys.readouterr()
        assert said.out == "" and said.err.count("\n") == 1 and path.name in said.err
        path.write_bytes(whole)
    assert tried > 250
    assert main(["sheet", str(results)]) == 0


def test_a_word_cut_short_is_not_a_kept_limit(results: Path) -> None:
    """Even where somebody sealed the folder again."""
    (results / "limits.csv").write_text("kept,text\nFals,left_rod goes over centre\n")
    seal(results)
    with pytest.raises(UserError, match="True or False"):
        load_sheet(results)
    (results / "limits.csv").write_text("kept,text\nFalse,left_rod goes over centre\n")
    seal(results)
    assert load_sheet(results)[0].broken


def test_full_disk_leaves_nothing_and_says_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="No space left"), appearing(tmp_path / "out") as made:
        (made.here / "figures.csv").write_text("name\n")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("stop", [KeyboardInterrupt, SystemExit])
def test_interruption_leaves_nothing(tmp_path: Path, stop: type[BaseException]) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(stop), appearing(tmp_path / "out") as made:
        (made.here / "figures.csv").write_text("name\n")
        raise stop
    assert [p.name for p in tmp_path.iterdir()] == ["out"] and not list((tmp_path / "out").iterdir())


def test_a_mistake_keeps_what_was_made_but_unsealed(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError) as caught, appearing(tmp_path / "out") as made:
        (made.here / "figures.csv").write_text("name\n")
        raise ZeroDivisionError
    assert "out-unfinished" in caught.value.__notes__[0]
    assert [p.name for p in tmp_path.iterdir()] == ["out-unfinished"]
    with pytest.raises(UserError, match=MANIFEST):
        check_whole(tmp_path / "out-unfinished")


def test_two_runs_at_once_do_not_mix(tmp_path: Path) -> None:
    with appearing(tmp_path / "out") as one, appearing(tmp_path / "out") as two:
        (one.here / "a").write_text("one")
        (two.here / "a").write_text("two")
    assert {one.final.name, two.final.name} == {"out", "out-2"}
    assert (one.final / "a").read_text() == "one" and (two.final / "a").read_text() == "two"


BUSY = """
import sys, time
from pathlib import Path
from calib.second_process import SecondProcess
from tests.test_second_process import waits_for
if __name__ == "__main__":
    with SecondProcess(2) as second:
        tasks = [second.start(waits_for, Path("never")) for _ in range(2)]
        second.would_leave(Path(sys.argv[1]))
        print(*second._pool._processes, flush=True)
        time.sleep(60)
"""


def alive(pid: int) -> bool:
    """Whether a process runs still; one that only waits to be collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
@pytest.mark.parametrize("after", [0.0, 2.0])
def test_other_processes_end_with_a_killed_one(tmp_path: Path, after: float) -> None:
    """Killed while they start, and while they work; what it had begun to write goes with it."""
    begun, scratch = tmp_path / "begun", tmp_path / "scratch"
    begun.mkdir()
    scratch.mkdir()
    (tmp_path / "busy.py").write_text(BUSY)
    first = subprocess.Popen([sys.executable, str(tmp_path / "busy.py"), str(begun)], stdout=subprocess.PIPE, text=True,
                             env={**os.environ, "PYTHONPATH": str(SAMPLE.parents[1]), "TMPDIR": str(scratch)})
    assert first.stdout is not None
    others = [int(x) for x in first.stdout.readline().split()]
    assert len(others) == 2 and all(alive(pid) for pid in others)
    time.sleep(after)
    first.kill()
    first.wait()
    until = time.monotonic() + 60
    while any(alive(pid) for pid in others) and time.monotonic() < until:
        time.sleep(0.05)
    assert not any(alive(pid) for pid in others)
    assert not begun.exists() and list(scratch.iterdir()) == []


def interruptible() -> None:
    """A shell's background job ignores the keyboard and hands that on; a run from a terminal does not."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
# from the keyboard to all processes at once: where it comes while one of them still starts decides what CPython says
@pytest.mark.parametrize("stop", [pytest.param(signal.SIGINT, marks=pytest.mark.slow), signal.SIGTERM])
def test_a_run_that_is_stopped_leaves_nothing(tmp_path: Path, stop: signal.Signals) -> None:
    out, scratch = tmp_path / "out", tmp_path / "scratch"
    scratch.mkdir()
    command = [sys.executable, "-m", "calib.cli", "run", str(SAMPLE), str(SAMPLE.parent / "before"), "--out", str(out),
               "--workers", "2"]
    run = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, cwd=SAMPLE.parents[1], start_new_session=True,
                           env={**os.environ, "TMPDIR": str(scratch)}, preexec_fn=interruptible)
    assert run.stderr is not None and run.stderr.readline().startswith("reading photos")
    time.sleep(1)  # well into it
    os.killpg(run.pid, stop) if stop is signal.SIGINT else run.send_signal(stop)  # the keyboard reaches all of them
    said = run.communicate(timeout=60)[1]
    # CPython itself ends by the signal where it came inside an exec, as of a dataclass; shells say 130 to both
    assert run.returncode in (130, -signal.SIGINT)
    assert said.splitlines()[-1] == "rigtrue: stopped." and "Traceback" not in said
    assert [p.name for p in tmp_path.iterdir()] == ["scratch"] and list(scratch.iterdir()) == []


def row(name: str = "toe", verdict: str = "met") -> pd.DataFrame:
    """One judged figure, as the record takes it."""
    return pd.DataFrame([{"name": name, "measured": 0.1, "u95": 0.05, "unit": "deg", "target": 0.0, "tolerance": 0.5,
                          "verdict": verdict}])


def test_two_runs_at_once_keep_all_rows_of_one_record(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda k: append_record(tmp_path, "Moorhen", "measured", f"out-{k}", row()), range(40)))
    table = read_record(record_path(tmp_path, "Moorhen"))
    assert sorted(table["results"]) == sorted(f"out-{k}" for k in range(40)) and (table["figure"] == "toe").all()


def test_record_without_its_last_newline(tmp_path: Path) -> None:
    path = append_record(tmp_path, "Moorhen", "measured", "a", row())
    path.write_bytes(path.read_bytes().rstrip())
    append_record(tmp_path, "Moorhen", "measured", "b", row())
    assert list(read_record(path)["results"]) == ["a", "b"]


@pytest.mark.parametrize("content", [None, b"\x00\xff\x80binary", b"some,other,table\n1,2,3\n", b"\n"])
def test_what_is_no_record_is_left_alone(tmp_path: Path, content: bytes | None) -> None:
    path = record_path(tmp_path, "Moorhen")
    path.parent.mkdir()
    path.mkdir() if content is None else path.write_bytes(content)
    with pytest.raises(UserError, match="record") as caught:
        append_record(tmp_path, "Moorhen", "measured", "out", row())
    assert str(path) in str(caught.value) and (content is None or path.read_bytes() == content)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device that is always full is not here")
def test_record_on_a_full_disk(tmp_path: Path) -> None:
    record_path(tmp_path, "Moorhen").parent.mkdir()
    record_path(tmp_path, "Moorhen").symlink_to("/dev/full")
    with pytest.raises(UserError, match="No space left"):
        append_record(tmp_path, "Moorhen", "measured", "out", row())
    done = subprocess.run([sys.executable, "-m", "calib.cli", "new", "/dev/full/rig.toml"], cwd=SAMPLE.parents[1],
                          text=True, capture_output=True)
    assert done.returncode == 2 and done.stderr.count("\n") == 1


def test_full_disk_under_a_picture_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                   capsys: pytest.CaptureFixture[str]) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "rig_check.svg")

    monkeypatch.setattr("calib.rig.drawing.draw_rig", full)
    assert main(["check", str(SAMPLE), "--picture", str(tmp_path / "x.svg")]) == 2
    said = capsys.readouterr().err.splitlines()
    assert "No space left" in said[-1] and "mistake in the program" not in said[-1]


@pytest.mark.skipif(sys.platform != "linux", reason="file names that are no text")
def test_photo_name_that_is_not_text(tmp_path: Path) -> None:
    (tmp_path / "ahead").mkdir()
    with open(os.fsencode(tmp_path / "ahead") + b"/\xff\xfe.jpg", "wb"):
        pass
    with pytest.raises(UserError, match="rename") as caught:
        list_shoot(tmp_path)
    str(caught.value).encode("utf-8")


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_runs_in_a_spreadsheet(tmp_path: Path, text: str) -> None:
    """The first characters are those of OWASP's page "CSV Injection"."""
    table = pd.DataFrame({"position": [text, "-10", "ahead"], "u": [-1.5, 2.0, 3.0]})
    said = list(safe_cells(table)["position"])
    assert said == ["'" + text, "-10", "ahead"] and list(safe_cells(table)["u"]) == [-1.5, 2.0, 3.0]
    path = append_record(tmp_path, text, "measured", text, row(text))
    with path.open(newline="", encoding="utf-8") as f:
        cells = list(csv.reader(f))[1]
    assert cells[1] == cells[3] == cells[4] == "'" + text
    kept = safe_cells(table[["u"]])
    assert kept.equals(table[["u"]])
