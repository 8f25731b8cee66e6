"""The command line: every mistake ends as one sentence and exit code 2; nothing is ever overwritten."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image

from calib.cli import main
from calib.report.whole import free_path, seal
from calib.terminal import Shown
from tests.card_pdf import read, rows
from tests.moorhen import SAMPLE

TOP = Path(__file__).parents[1]


def fails(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    """Run a command that must end with exit code 2 and one sentence on stderr; that sentence."""
    assert main(list(args)) == 2
    said = capsys.readouterr()
    assert "Traceback" not in said.err and said.out == ""
    assert said.err.startswith("rigtrue: ") and said.err.strip()[-1] in ".;)"
    return said.err


@pytest.fixture
def rig(tmp_path: Path) -> str:
    """A copy of the sample rig file."""
    return str(shutil.copy(SAMPLE, tmp_path / "rig.toml"))


@pytest.mark.parametrize("command", ["check", "print", "plan"])
def test_missing_rig_file(capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str) -> None:
    assert main([command, str(tmp_path / "none.toml")]) == 2
    said = capsys.readouterr()
    assert "none.toml" in said.err and "Traceback" not in said.err and said.out == ""


def test_broken_rig_file_names_the_key(capsys: pytest.CaptureFixture[str], rig: str) -> None:
    text = Path(rig).read_text(encoding="utf-8")
    Path(rig).write_text(text.replace("wheelbase = 1240", 'wheelbase = "long"'), encoding="utf-8")
    assert main(["check", rig]) == 2
    said = capsys.readouterr()
    assert "wheelbase" in said.err and "Traceback" not in said.err


def test_empty_photo_folder(capsys: pytest.CaptureFixture[str], rig: str, tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    assert "photos" in fails(capsys, "run", rig, str(tmp_path / "photos"), "--out", str(tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_missing_photo_folder(capsys: pytest.CaptureFixture[str], rig: str, tmp_path: Path) -> None:
    fails(capsys, "run", rig, str(tmp_path / "nowhere"), "--out", str(tmp_path / "out"))
    fails(capsys, "observe", rig, str(tmp_path / "nowhere"), "--out", str(tmp_path / "o.csv"))
    assert list(tmp_path.iterdir()) == [Path(rig)]


def test_out_below_a_file_is_refused_before_any_photo_is_read(capsys: pytest.CaptureFixture[str], rig: str,
                                                              tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine")
    said = fails(capsys, "run", rig, str(tmp_path / "nowhere"), "--out", str(tmp_path / "taken" / "out"))
    assert "taken" in said and (tmp_path / "taken").read_text() == "mine"


def test_photos_without_a_board(capsys: pytest.CaptureFixture[str], rig: str, tmp_path: Path) -> None:
    for k in range(2):
        path = tmp_path / "photos" / "ahead" / f"{k}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.new("L", (640, 480), 90 + k).save(path)
    assert main(["run", rig, str(tmp_path / "photos"), "--out", str(tmp_path / "out"), "--workers", "1"]) == 2
    said = capsys.readouterr()
    assert "rigtrue: " in said.err and "Traceback" not in said.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("args", [[], ["measure"], ["run", "rig.toml"], ["run", "a", "b", "--workers", "0"],
                                  ["run", "a", "b", "--workers", "two"], ["print", "a", "--paper", "A7"]])
def test_wrong_arguments_end_with_two(capsys: pytest.CaptureFixture[str], args: list[str]) -> None:
    assert main(args) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_help_and_version_end_with_zero(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0 and main(["run", "--help"]) == 0 and main(["--version"]) == 0
    said = capsys.readouterr().out
    for word in ("new", "check", "print", "plan", "observe", "run", "confirm", "sheet"):
        assert word in said


def test_new_then_check_and_nothing_overwritten(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    assert main(["new", str(path)]) == 0
    first = path.read_bytes()
    assert "already exists" in (capsys.readouterr() and fails(capsys, "new", str(path)))
    assert path.read_bytes() == first
    assert main(["check", str(path)]) == 0
    said = capsys.readouterr().out
    assert "ratio" in said and "toggle" in said and (tmp_path / "mine_check.svg").exists()
    assert "reads well" in said
    assert main(["check", str(path)]) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine.toml", "mine_check.svg"]  # drawn afresh in its place


def test_new_into_a_missing_folder(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert "does not exist" in fails(capsys, "new", str(tmp_path / "no" / "rig.toml"))


def test_check_prints_the_figures_of_the_design(capsys: pytest.CaptureFixture[str], rig: str) -> None:
    assert main(["check", rig]) == 0
    rows = [re.split(r"\s{2,}", line.strip()) for line in capsys.readouterr().out.splitlines()]
    said = {r[0]: r[1].split() for r in rows if len(r) > 1}
    # reference: the drawing itself says 10 deg caster, 8 deg kingpin inclination; the projected angles of the
    # axis (-0.1736, -0.1392, 0.975) are atan(0.1736/0.975) = 10.10 and atan(0.1392/0.975) = 8.13 deg (ISO 8855)
    assert float(said["caster"][0]) == pytest.approx(10.10, abs=0.01)
    assert float(said["kingpin inclination"][0]) == pytest.approx(8.13, abs=0.01)


def test_plan_says_what_is_enough_and_draws_where_to_stand(capsys: pytest.CaptureFixture[str], rig: str,
                                                           ) -> None:
    assert "must end in .svg or .png" in fails(capsys, "plan", rig, "--picture", "map.pdf")
    card = Path(rig).with_name("card.pdf")
    assert "must end in .pdf" in fails(capsys, "plan", rig, "--card", "card.svg")
    assert main(["plan", rig, "--card", str(card)]) == 0
    said = capsys.readouterr().out
    assert f"{sum(map(len, rows(*read(card)[:2])))} in all" in said  # a box on the card for each photo
    assert "already exists" in fails(capsys, "plan", rig, "--card", str(card))
    for words in ("Enough to judge toe", "What would help: name two positions", "Stick the tags like this",
                  "rig_shoot.svg"):
        assert words in said
    picture = Path(rig).with_name("rig_shoot.svg")
    assert "where to stand" in picture.read_text(encoding="utf-8") or picture.stat().st_size > 20_000


def test_print_refuses_another_paper_than_the_rig_file(capsys: pytest.CaptureFixture[str], rig: str,
                                                       tmp_path: Path) -> None:
    assert "paper" in fails(capsys, "print", rig, "--paper", "A3", "--out", str(tmp_path / "print"))
    assert main(["print", rig, "--paper", "A4", "--out", str(tmp_path / "print")]) == 0
    assert (tmp_path / "print" / "board.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("name, content", [("fit.json", "{"), ("figures.csv", "name\ntoe\n"), ("fit.json", "[1]")])
def test_damaged_result_folder(capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str, content: str) -> None:
    (tmp_path / "fit.json").write_text(json.dumps({"vehicle": "x", "findings": []}))
    (tmp_path / "limits.csv").write_text("kept,text\n")
    (tmp_path / "figures.csv").write_text("name,label,design,measured,u95,unit,target,tolerance,verdict,says,"
                                          "from_photos\n")
    assert main(["sheet", str(tmp_path)]) == 2  # no manifest: the run did not finish
    seal(tmp_path)
    capsys.readouterr()
    assert main(["sheet", str(tmp_path)]) == 0
    capsys.readouterr()
    (tmp_path / name).write_text(content)
    assert name in fails(capsys, "sheet", str(tmp_path))
    seal(tmp_path)  # damaged before it was sealed
    assert name in fails(capsys, "sheet", str(tmp_path))


def test_no_result_folder(capsys: pytest.CaptureFixture[str], rig: str, tmp_path: Path) -> None:
    fails(capsys, "sheet", str(tmp_path))
    fails(capsys, "sheet", str(tmp_path / "none"))
    fails(capsys, "confirm", rig, str(tmp_path), str(tmp_path), "--out", str(tmp_path / "out2"))
    assert not (tmp_path / "out2").exists()


def test_free_path_counts_up(tmp_path: Path) -> None:
    assert free_path(tmp_path / "out") == tmp_path / "out"
    (tmp_path / "out").mkdir()
    assert free_path(tmp_path / "out") == tmp_path / "out"  # empty: nothing to lose
    (tmp_path / "out" / "x").touch()
    (tmp_path / "out-2").touch()
    assert free_path(tmp_path / "out") == tmp_path / "out-3"
    (tmp_path / "a.svg").touch()
    assert free_path(tmp_path / "a.svg") == tmp_path / "a-2.svg"


def test_progress_off_a_terminal_is_plain_lines() -> None:
    out = io.StringIO()
    shown = Shown(out, tick=1000.0)
    for k in range(1, 4):
        shown("reading photos", k, 3)
    shown("estimating", 0, 2)
    shown.tick = -1.0
    shown("estimating", 1, 2)
    shown("estimating", 2, 2)
    assert out.getvalue() == "reading photos\nestimating\nestimating: 1 of 2\n"


def test_progress_on_a_terminal_is_a_bar_that_moves() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    out = Terminal()
    shown = Shown(out)
    for k in range(4):
        shown("reading photos", k, 3)
    shown("a", 0, 1)
    first, *rest = out.getvalue().split("\r")[1:]
    assert first.rstrip() == f"reading photos [{24 * '.'}] 0/3"
    assert [r.count("#") for r in rest] == [8, 16, 24, 0]
    assert out.getvalue().count("\n") == 1, "a line ends where its step does"
    assert len(rest[-1]) >= len(rest[0]), "what stood there before is wiped"


def test_run_as_a_module() -> None:
    done = subprocess.run([sys.executable, "-m", "calib.cli", "sheet", "/nowhere/at/all"], cwd=TOP, text=True,
                          capture_output=True, timeout=60)
    assert done.returncode == 2 and done.stdout == "" and len(done.stderr.splitlines()) == 1


def test_sheet_of_a_folder(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "fit.json").write_text(json.dumps({"vehicle": "Moorhen", "findings": [
        {"code": "tag_slipped", "item": "a", "text": "Tag a slipped.", "serious": True}]}))
    pd.DataFrame([{"name": "toe", "label": "toe", "design": 0, "measured": 0.1, "u95": 0.05, "unit": "deg", "target": 0,
                   "tolerance": 0.5, "verdict": "met", "says": "toe: met.", "from_photos": 1.0},
                  {"name": "camber", "label": "camber", "design": 0, "measured": 0.1, "u95": 0.05, "unit": "deg",
                   "target": None, "tolerance": None, "verdict": "", "says": "", "from_photos": 1.0},
                  {"name": "lock", "label": "lock", "design": 22, "measured": 19, "u95": 0.05, "unit": "deg",
                   "target": 22, "tolerance": 1, "verdict": "not met", "says": "lock: not met.", "from_photos": 1.0},
                  ]).to_csv(tmp_path / "figures.csv", index=False)
    (tmp_path / "limits.csv").write_text("kept,text\nTrue,fine\nFalse,left_rod goes over centre\n")
    seal(tmp_path)
    assert main(["sheet", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "[met]" in said and "[NOT MET]" in said and "Tag a slipped." in said and "left rod goes over" in said
    assert "camber" not in said and "qualified person" in said and "fine" not in said
