"""Damage to what is on the disk: results that are cut, altered or unfinished, and a disk that is full."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from calib.cli import main
from calib.report.confirm import load_before, load_sheet
from calib.report.whole import MANIFEST, appearing, check_whole, seal
from capture.errors import UserError

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
