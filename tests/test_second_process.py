"""Work in a second process: the same files as without one, and nothing lost or left waiting where it fails."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import struct
import subprocess
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from calib.cli import main
from calib.second_process import SecondProcess, Task
from capture.errors import UserError
from capture.workers import end_now
from tests.bench.estimate import shoot
from tests.moorhen import SAMPLE

SAID = "The picture cannot be drawn; free some room on the disk."


def two_files(folder: Path, text: str) -> int:
    """Writes one file in the folder and one below it; the process it was done by."""
    (folder / "sub").mkdir()
    (folder / "a.txt").write_text(text)
    (folder / "sub" / "b.txt").write_text(text[::-1])
    return os.getpid()


def refuses(folder: Path, *_: Any) -> None:
    """Bad input found only while drawing."""
    raise UserError(SAID)


def mistaken(folder: Path, *_: Any) -> None:
    """A mistake in the program."""
    (folder / "half.txt").write_text("half")
    raise ZeroDivisionError("no photo left")


def ended(folder: Path, parent: int) -> int:
    """As when the system ends the second process, short of memory; in the first it goes through."""
    if os.getpid() != parent:
        os._exit(1)
    return two_files(folder, "made here")


def slow_to_end(folder: Path, late: Path) -> None:
    """Done at once, but its process, left to itself, ends ``late``: the file is there from then on."""
    threading.Timer(10.0, late.touch).start()


def waits_for(folder: Path, go: Path) -> None:
    """Keeps its process busy until ``go`` exists."""
    while not go.exists():
        time.sleep(0.01)


def half_an_answer(said: Path) -> None:
    """What a process leaves that is ended while it writes: a length, and not all of what it announced."""
    frame = sys._getframe()
    while "result_queue" not in frame.f_locals and frame.f_back is not None:
        frame = frame.f_back
    os.write(frame.f_locals["result_queue"]._writer.fileno(), struct.pack("!i", 1000) + b"x")
    said.touch()
    time.sleep(60)


def files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder by its relative name."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_same_files_from_either_process(tmp_path: Path) -> None:
    by: dict[str, int] = {}
    with SecondProcess(1) as pool:
        for name, task in (("there", pool.start(two_files, "stop")), ("here", Task(two_files, "stop")),
                           ("none", SecondProcess(0).start(two_files, "stop"))):
            (tmp_path / name).mkdir()
            by[name] = task.into(tmp_path / name)
    assert by["there"] != os.getpid() == by["here"] == by["none"]
    assert files(tmp_path / "there") == {"a.txt": b"stop", "sub/b.txt": b"pots"}
    assert files(tmp_path / "there") == files(tmp_path / "here") == files(tmp_path / "none")


def test_what_waits_is_done_here_and_once(tmp_path: Path) -> None:
    go, out = tmp_path / "go", tmp_path / "out"
    out.mkdir()
    with SecondProcess(1) as pool:
        first, second = pool.start(waits_for, go), pool.start(two_files, "x")
        assert second.into(out, here=True) == os.getpid()
        assert not pool.withdrawn(second)
        go.touch()
        first.into(out)
    assert set(files(out)) == {"a.txt", "sub/b.txt"}


def test_failures_are_raised_here_and_the_next_work_is_done(tmp_path: Path) -> None:
    with SecondProcess(1) as pool:
        bad, worse, good = pool.start(refuses), pool.start(mistaken), pool.start(two_files, "x")
        with pytest.raises(UserError, match="^" + SAID):
            bad.into(tmp_path)
        with pytest.raises(ZeroDivisionError, match="^no photo left$"):
            worse.into(tmp_path)
        assert good.into(tmp_path) != os.getpid()
    assert set(files(tmp_path)) == {"a.txt", "sub/b.txt"}


def test_nobody_waits_for_a_process_whose_work_is_done(tmp_path: Path) -> None:
    with SecondProcess(1) as pool:
        pool.start(slow_to_end, tmp_path / "late").into(tmp_path)
    for _ in range(6000):  # the pool's own thread collects it too: who comes second is told nothing for a moment
        if not multiprocessing.active_children():
            break
        time.sleep(0.01)
    assert not multiprocessing.active_children() and not (tmp_path / "late").exists()


def test_process_ended_from_outside_loses_no_work(tmp_path: Path) -> None:
    with SecondProcess(1) as pool:
        tasks = [pool.start(ended, os.getpid()) for _ in range(3)]  # two of them still wait when it ends
        for k, task in enumerate(tasks):
            (tmp_path / str(k)).mkdir()
            assert task.into(tmp_path / str(k)) == os.getpid()
            assert files(tmp_path / str(k))["a.txt"] == b"made here"


def test_a_process_ended_in_the_middle_of_an_answer_keeps_nobody_waiting(tmp_path: Path) -> None:
    pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
    pool.submit(half_an_answer, tmp_path / "said")
    until = time.monotonic() + 60
    while not (tmp_path / "said").exists():
        assert time.monotonic() < until
        time.sleep(0.02)
    reader = pool._executor_manager_thread
    assert reader is not None
    end_now(pool)
    reader.join(20)
    assert not reader.is_alive()


def test_what_was_given_up_before_the_end_raises_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading thread that wakes late finds the ended process and the cancelled work at once."""
    at_once, said = multiprocessing.connection.wait, []
    late = threading.Event()

    def wakes_late(ends: list[Any], timeout: float | None = None) -> list[Any]:
        ready = at_once(ends, timeout)
        if not late.is_set():
            return ready
        time.sleep(0.2)
        return at_once(ends, 0)

    monkeypatch.setattr("multiprocessing.connection.wait", wakes_late)
    monkeypatch.setattr(threading, "excepthook", lambda args: said.append(args.exc_type))
    pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
    results = pool.map(time.sleep, [0.0, *[20.0] * 20])
    next(results)
    reader = pool._executor_manager_thread
    assert reader is not None
    late.set()
    results.close()  # type: ignore[attr-defined]  # cancels what was not begun, as leaving a loop over it does
    end_now(pool)
    reader.join(20)
    assert not reader.is_alive() and said == []


def test_run_keeps_its_results_where_pictures_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                   capfd: pytest.CaptureFixture[str]) -> None:
    says = "rigtrue: stopped by a mistake in the program (ZeroDivisionError: no photo left); "
    rig, obs = shoot(2, seed=11)
    out = tmp_path / "out"
    monkeypatch.setattr("calib.job.found", lambda *_: (rig, obs))
    monkeypatch.setattr("calib.run.draw_comparison", mistaken)
    monkeypatch.setattr("calib.run.propose", _no_proposal)  # the longest part, of no concern here
    assert main(["run", str(SAMPLE), str(tmp_path), "--out", str(out), "--workers", "2"]) == 1
    said = capfd.readouterr().err
    assert [line for line in said.splitlines() if line.startswith("rigtrue: ")][-1].startswith(says)
    assert said.count(says) == 1 and "Traceback" not in said
    assert not out.exists()
    made = set(files(tmp_path / "out-unfinished"))
    assert str(tmp_path / "out-unfinished") in said
    assert {"as_built.toml", "figures.csv", "observations.csv", "residuals.csv", "residuals.svg",
            "photo_quality.svg"} <= made
    assert any(name.startswith("travel") and name.endswith(".svg") for name in made)
    assert not made & {"steer.svg", "report.html", "half.txt", "manifest.json"}


def test_the_measuring_process_does_not_load_matplotlib() -> None:
    said = subprocess.run([sys.executable, "-c", "import sys, calib.run; print('matplotlib' in sys.modules)"],
                          check=True, capture_output=True, text=True, cwd=SAMPLE.parents[1])
    assert said.stdout.strip() == "False"


def _no_proposal(*_: Any, **__: Any) -> None:
    raise ValueError("none wanted")
