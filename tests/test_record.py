"""The vehicle's record: one folder beside the rig file, wherever the results go; what a result was made from."""

from __future__ import annotations

import csv
import json
import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest

from calib.cli import main
from calib.report.history import history_plot, over_shoots, shoots
from calib.report.inputs import changed_versions, check_photos, given, keep_inputs, read_inputs
from calib.report.record import append_record, folder_name, home_of, keep_entry, read_record, record_path, so_far
from calib.report.same import sameness
from calib.trust import UNTRUSTED
from capture.errors import UserError

ROWS = pd.DataFrame([{"name": "toe", "measured": 0.1, "u95": 0.05, "unit": "deg", "target": 0.0, "tolerance": 0.5,
                      "verdict": "met"}])


@pytest.fixture(autouse=True)
def no_other_home(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RIGTRUE_RECORD", raising=False)


def test_another_home_may_be_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert home_of(tmp_path / "car" / "rig.toml") == tmp_path / "car"
    monkeypatch.setenv("RIGTRUE_RECORD", str(tmp_path / "all"))
    assert home_of(tmp_path / "car" / "rig.toml") == tmp_path / "all"


@pytest.fixture
def result(tmp_path: Path) -> Path:
    """A result folder's inputs, from a rig file and three photos that are only bytes."""
    (tmp_path / "car").mkdir()
    (tmp_path / "car" / "rig.toml").write_bytes(b"name = 'Moorhen'\nx = 1\n")
    for k, position in enumerate(("-10", "0", "10")):
        (tmp_path / "photos" / position).mkdir(parents=True)
        (tmp_path / "photos" / position / "a.jpg").write_bytes(bytes([k]) * 100)
    out = tmp_path / "elsewhere" / "out"
    out.mkdir(parents=True)
    keep_inputs(given("run", tmp_path / "car" / "rig.toml", tmp_path / "photos", workers=2), out)
    return out


def test_names_without_latin_letters_do_not_collide() -> None:
    names = ["\u041b\u0438\u0441\u0430", "\u0412\u043e\u043b\u043a", "\u30ab\u30e2\u30e1", "\u30ab\u30e9\u30b9",
             "\u05d0\u05d1", "\u0939\u093f\u0930\u0928", "\u0939\u0940\u0930\u0928", "\u2603", "\u2602", "!!", "C++",
             "C#", "Moorhen", "M\u00f6wen", "Mowen", "x" * 60, "x" * 61, "\u2603 Moorhen"]
    made = [folder_name(n) for n in names]
    assert len({m.casefold() for m in made}) == len(names)
    assert all(len(f"record-{m}".encode()) < 255 for m in made)
    assert folder_name("Mo\u0308wen") == folder_name("M\u00f6wen"), "the same name, typed on another system"


def test_the_record_lies_beside_the_rig_file(tmp_path: Path, result: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path / "car")
    first = keep_entry(Path("rig.toml"), "Moorhen", "measured", result, ROWS)
    second = keep_entry(tmp_path / "car" / "rig.toml", "Moorhen", "confirmed", result, ROWS, {"toe": (0.02, 0.1)},
                        ("link: one hole in", "rod: two turns"), "/out/before", 2)
    assert first == second == record_path(tmp_path / "car", "Moorhen").parent
    table = read_record(first / "record.csv")
    assert list(table["event"]) == ["measured", "confirmed"] and set(table["results"]) == {str(result)}
    entries = [first / e for e in table["entry"]]
    assert len(set(entries)) == 2
    for e in entries:
        assert (e / "rig.toml").read_bytes() == (tmp_path / "car" / "rig.toml").read_bytes()
        assert set(json.loads((e / "inputs.json").read_text())["photos"]["files"]) == {"-10/a.jpg", "0/a.jpg",
                                                                                       "10/a.jpg"}
    with (first / "adjusted.csv").open(newline="", encoding="utf-8") as f:
        said = list(csv.DictReader(f))
    assert [(s["proposal"], s["change"]) for s in said] == [("2", "link: one hole in"), ("2", "rod: two turns")]


def test_runs_at_once_each_keep_an_entry(tmp_path: Path, result: Path) -> None:
    rig = tmp_path / "car" / "rig.toml"
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda _: keep_entry(rig, "Moorhen", "measured", result, ROWS), range(12)))
    record = record_path(tmp_path / "car", "Moorhen")
    table = read_record(record)
    assert len(table) == len(set(table["entry"])) == 12
    assert {p.name for p in record.parent.iterdir() if p.is_dir()} == set(table["entry"])


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="a folder can be closed to us")
def test_record_in_a_closed_folder(tmp_path: Path, result: Path) -> None:
    (tmp_path / "car").chmod(0o500)
    try:
        with pytest.raises(UserError, match="Cannot write the record .*The results themselves are whole"):
            keep_entry(tmp_path / "car" / "rig.toml", "Moorhen", "measured", result, ROWS)
    finally:
        (tmp_path / "car").chmod(0o700)


def test_a_file_in_the_records_place_is_one_sentence(tmp_path: Path, result: Path) -> None:
    record_path(tmp_path / "car", "Moorhen").parent.write_text("mine")
    with pytest.raises(UserError, match="Cannot write the record .*The results themselves are whole") as caught:
        keep_entry(tmp_path / "car" / "rig.toml", "Moorhen", "measured", result, ROWS)
    assert str(caught.value).count(". ") == 1
    assert record_path(tmp_path / "car", "Moorhen").parent.read_text() == "mine"


def test_inputs_are_read_back_whatever_the_line_endings(tmp_path: Path, result: Path) -> None:
    told = read_inputs(result)
    assert told.command == "run" and told.options == {"workers": 2} and told.versions["numpy"]
    check_photos(told, told.source)
    (result / "rig.toml").write_bytes(told.rig.read_bytes().replace(b"\n", b"\r\n"))
    read_inputs(result)
    (result / "rig.toml").write_bytes(b"name = 'Moorhen'\nx = 2\n")
    with pytest.raises(UserError, match="was changed since"):
        read_inputs(result)


def test_photos_must_be_the_very_ones(tmp_path: Path, result: Path) -> None:
    told = read_inputs(result)
    moved = tmp_path / "moved"
    shutil.copytree(tmp_path / "photos", moved)
    check_photos(told, moved)
    one = moved / "0" / "a.jpg"
    data = bytearray(one.read_bytes())
    data[50] ^= 1
    one.write_bytes(data)
    with pytest.raises(UserError, match="0/a.jpg in .* is not the file it was then"):
        check_photos(told, moved)
    one.unlink()
    with pytest.raises(UserError, match="0/a.jpg in .* is missing"):
        check_photos(told, moved)
    shutil.copytree(tmp_path / "photos", moved, dirs_exist_ok=True)
    assert check_photos(told, moved) == 0
    (moved / "0" / "b.jpg").write_bytes(b"new")
    (moved / "later").mkdir()
    (moved / "later" / "a.jpg").write_bytes(b"new")
    assert check_photos(told, moved) == 2, "those are left alone, and counted"
    with pytest.raises(UserError, match="--photos"):
        check_photos(told, tmp_path / "gone")


def test_again_refuses_other_photos_before_it_reads_any(tmp_path: Path, result: Path,
                                                        capsys: pytest.CaptureFixture[str]) -> None:
    one = tmp_path / "photos" / "0" / "a.jpg"
    one.write_bytes(one.read_bytes()[:-1] + b"x")
    assert main(["again", str(result)]) == 2
    assert "0/a.jpg" in capsys.readouterr().err
    one.unlink()
    assert main(["again", str(result)]) == 2
    assert "missing" in capsys.readouterr().err
    assert main(["again", str(tmp_path / "car")]) == 2
    assert "inputs.json" in capsys.readouterr().err
    assert sorted(p.name for p in result.parent.iterdir()) == ["out"]


def test_an_edited_rig_file_is_said_and_another_line_ending_is_not(tmp_path: Path, result: Path) -> None:
    told, rig = read_inputs(result), tmp_path / "car" / "rig.toml"
    assert told.rig_changed() == ""
    rig.write_bytes(rig.read_bytes().replace(b"\n", b"\r\n"))
    assert told.rig_changed() == ""
    rig.write_bytes(b"name = 'Moorhen'\nx = 2\n")
    assert "was edited since; the copy kept" in told.rig_changed()
    rig.unlink()
    assert "not there any more; the copy kept" in told.rig_changed()


def test_versions_then_and_now(result: Path) -> None:
    told = read_inputs(result)
    assert changed_versions(told) == []
    old = replace(told, versions={**told.versions, "numpy": "1.0"})
    assert changed_versions(old) == [f"numpy 1.0, now {told.versions['numpy']}"]


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path]:
    """Two result folders that say the same, but for how long it took and when."""
    for name, seconds in (("a", 1.0), ("b", 2.0)):
        d = tmp_path / name
        d.mkdir()
        (d / "t.csv").write_bytes(b"name,x\n=1,0.1\nahead,nan\n" if name == "a" else
                                  b"name,x\r\n=1,0.1\r\nahead,nan\r\n")
        (d / "fit.json").write_text(json.dumps({"seconds": seconds, "f": [1.5, None, True], "n": "x"}))
        (d / "r.toml").write_text("[a]\nx = [1, 2.5]\n")
        (d / "inputs.json").write_text(json.dumps({"when": seconds}))
    return tmp_path / "a", tmp_path / "b"


def test_every_number_is_compared(two: tuple[Path, Path]) -> None:
    a, b = two
    assert sameness(a, b) == (3, 5, ())
    for name, was, now, said in (("t.csv", b"0.1", b"0.10000001", "line 2 x: 0.1 then, 0.10000001 now"),
                                 ("t.csv", b"ahead", b"back", "line 3 name"),
                                 ("fit.json", b"1.5", b"1.5000000000000002", "f 0: 1.5 then, 1.5000000000000002 now"),
                                 ("fit.json", b"null", b"0.0", "f 1: nothing then, 0.0 now"),
                                 ("fit.json", b"true", b"false", "f 2"), ("r.toml", b"2.5", b"2.5, 3", "length")):
        text = (b / name).read_bytes()
        (b / name).write_bytes(text.replace(was, now))
        (line,) = sameness(a, b).differs
        assert line.startswith(name) and said in line
        (b / name).write_bytes(text)
    (b / "more.csv").write_text("x\n1\n")
    assert sameness(a, b).differs == (f"more.csv: only in {b}.",)


# --- history ------------------------------------------------------------------------------------------------


def shot(folder: Path, day: int, event: str, value: float, predicted: float | None = None) -> None:
    told = None if predicted is None else {"toe": (predicted, 0.2)}
    append_record(folder, "Moorhen", event, f"/out/{day}", ROWS.assign(measured=value), told, datetime(2030, 5, day))


def test_history_shows_before_predicted_and_after(tmp_path: Path) -> None:
    shot(tmp_path, 9, "confirmed", 0.2, 0.1)  # written in another order than shot
    shot(tmp_path, 2, "measured", 1.2)
    table = so_far(tmp_path / "rig.toml", "Moorhen")
    assert list(shoots(table)["event"]) == ["measured", "confirmed"] and list(over_shoots(table)["value"]) == [1.2, 0.2]
    ax = history_plot(table).axes[0]
    lines = {str(line.get_label()): line.get_xydata().tolist() for line in ax.lines}
    assert lines["measured, \u00b1 95 %"] == [[1.0, 1.2], [2.0, 0.2]]
    dashed = [line.get_xydata().tolist() for line in ax.lines if line.get_linestyle() == "--"]
    assert [[1.0, 1.2], [pytest.approx(1.82), 0.1]] in dashed, "from before to predicted"
    fields = [c.get_paths()[0].get_extents() for c in ax.collections if c.get_label() == "tolerance"]
    assert [(f.y0, f.y1) for f in fields] == [(-0.5, 0.5)] * 2
    bars = [line[:, 1].tolist() for c in ax.collections if hasattr(c, "get_segments") for line in c.get_segments()]
    assert bars == [pytest.approx(b) for b in ([1.15, 1.25], [0.15, 0.25], [-0.1, 0.3])]


def test_history_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = tmp_path / "rig.toml"
    shutil.copy(Path(__file__).parents[1] / "sample_data" / "rig.toml", rig)
    assert main(["history", str(rig)]) == 2
    assert "no record" in capsys.readouterr().err
    for day in (2, 9):
        append_record(tmp_path, "Moorhen (invented)", "measured", f"/out/{day}", ROWS, when=datetime(2030, 5, day))
    assert main(["history", str(rig)]) == 0
    assert "2. 2030-05-09" in capsys.readouterr().out
    assert (tmp_path / "rig_history.svg").stat().st_size > 5000
    assert list(pd.read_csv(tmp_path / "rig_history.csv")["shoot"]) == [1, 2]
    assert main(["history", str(rig), "--out", str(tmp_path / "x.pdf")]) == 2


def test_what_is_not_to_be_trusted_yet_counts_as_nothing_met(tmp_path: Path) -> None:
    shot(tmp_path, 2, "measured", 0.1)
    append_record(tmp_path, "Moorhen", "measured", "/out/9", ROWS.assign(doubt="open: a tag slipped"),
                  when=datetime(2030, 5, 9))
    table = so_far(tmp_path / "rig.toml", "Moorhen")
    assert list(table["verdict"]) == ["met", f"met: {UNTRUSTED}"] and list(shoots(table)["met"]) == [1, 0]
    labels = history_plot(table).axes[0].get_legend_handles_labels()[1]
    assert "met" in labels and "not known yet" in labels
