"""The job in one call: what is read and what is left alone, what changed meanwhile, and what is said of it."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

import calib.job as job
import capture.shoot
from calib import commands
from calib.cli import main
from calib.job import Again, Done
from calib.report.history import History
from calib.report.inputs import check_before, given, keep_inputs, read_inputs
from calib.report.record import COLUMNS, append_record, read_record, record_path
from calib.report.same import Sameness
from calib.terminal import show_summary
from capture import Board, KeptCorners, UserError, read_shoot
from capture.files import digest
from capture.workers import Readers
from tests.bench.estimate import shoot
from tests.moorhen import SAMPLE

BOARD = Board.for_paper("A4")


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    """Three grey photos without a board."""
    source = tmp_path / "photos"
    (source / "ahead").mkdir(parents=True)
    for k in range(3):
        cv2.imwrite(str(source / "ahead" / f"{k}.png"), np.full((200, 300), 100 + k, np.uint8))
    return source


@pytest.fixture
def result(tmp_path: Path, photos: Path) -> Path:
    """What a result folder says of its inputs."""
    shutil.copy(SAMPLE, tmp_path / "rig.toml")
    out = tmp_path / "out"
    out.mkdir()
    keep_inputs(given("run", tmp_path / "rig.toml", photos, workers=1), out)
    return out


def test_only_the_photos_named_are_read(photos: Path) -> None:
    (photos / "psuh1").mkdir()  # would be refused: nearly a position's name
    shutil.copy(photos / "ahead" / "0.png", photos / "psuh1" / "a.png")
    seen: list[str] = []
    with pytest.raises(UserError, match="None of the 2 photos"):
        read_shoot(photos, {60}, BOARD, workers=1, progress=lambda done, of, name: seen.append(name),
                   positions=("ahead", "push1"), only={"ahead/0.png", "ahead/2.png"})
    assert seen == ["ahead/0.png", "ahead/2.png"]


def test_a_photo_hashed_before_is_not_hashed_again(photos: Path, tmp_path: Path,
                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Path] = []
    real = capture.shoot.hashes
    monkeypatch.setattr(capture.shoot, "hashes", lambda paths: real(asked.extend(p := list(paths)) or p))
    hashed = {f"ahead/{k}.png": digest(photos / "ahead" / f"{k}.png") for k in (0, 1)} | {"ahead/1.png": ""}
    with pytest.raises(UserError, match="None of the 3 photos"):
        read_shoot(photos, {60}, BOARD, workers=1, kept=KeptCorners(tmp_path / "kept"), hashed=hashed)
    assert [p.name for p in asked] == ["1.png", "2.png"], "one that could not be read then, and one that is new"


def test_a_photo_changed_between_hashing_and_reading_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    read = SimpleNamespace(photos=[SimpleNamespace(name=n, sha256=s) for n, s in (("a", "1"), ("b", "2"), ("c", "3"))])
    monkeypatch.setattr(job, "corners_of", lambda *_: read)
    for hashed in ({}, {"a": "1", "b": ""}, {"a": "1", "b": "2", "c": "3"}):
        assert job.found(SAMPLE, Path("photos"), Readers(1), hashed=hashed)[1] is read  # type: ignore[comparison-overlap]
    with pytest.raises(UserError, match="b in photos was changed while it was being read") as caught:
        job.found(SAMPLE, Path("photos"), Readers(1), hashed={"a": "1", "b": "9", "c": "3"})
    assert caught.value.item == "b"


def test_again_uses_the_photos_of_then_and_says_how_many_others_there_are(
        result: Path, photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def made(inputs: Any, out: Path, before: Any, kept: Any, *_: Any, only: Any, recorded: bool) -> Done:
        asked.update(inputs=inputs, out=out, kept=kept, only=set(only), recorded=recorded)
        return Done(None, result)  # type: ignore[arg-type]

    asked: dict[str, Any] = {}
    monkeypatch.setattr(job, "_made", made)
    then = {f"ahead/{k}.png": digest(photos / "ahead" / f"{k}.png") for k in range(3)}
    for more, told in ((0, []), (1, ["1 photo in"]), (2, ["2 photos in"])):
        if more:
            cv2.imwrite(str(photos / "ahead" / f"new{more}.png"), np.full((200, 300), more, np.uint8))
        said: list[str] = []
        assert job.run_again(result, said=said.append).same
        assert [s[:len(t)] for s, t in zip(said, told, strict=True)] == told and all("left out" in s for s in said)
        assert asked["only"] == set(then) and dict(asked["inputs"].hashes) == then
        assert asked["kept"] is None and not asked["recorded"] and asked["out"] == result.with_name("out-again")
    (photos / "ahead" / "1.png").unlink()
    with pytest.raises(UserError, match="ahead/1.png in .* is missing"):
        job.run_again(result)


@pytest.mark.parametrize(("differs", "code"), [((), 0), (("fit.json: 1 of 9 entries differ.",), 1)])
def test_again_in_the_terminal(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], differs: Any,
                               code: int) -> None:
    monkeypatch.setattr(job, "run_again", lambda *_, **__: Again(Path("x"), Sameness(3, 70, differs), ("numpy 1",)))
    assert main(["again", "out"]) == code
    said = capsys.readouterr().out
    assert "70 numbers in 3 files" in said and ("The same to the digit" in said) is not bool(differs)
    assert all(line in said for line in differs) and ("numpy 1" in said) is bool(differs)


def test_what_could_not_enter_the_record_is_said_after_what_was_found(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(commands, "show_summary", lambda results, folder: print("all of it"))
    trouble = UserError("Cannot write the record.", "cannot_write", "x")
    monkeypatch.setattr(job, "run_shoot", lambda *_, **__: Done(None, Path("out"), unrecorded=trouble))  # type: ignore
    assert main(["run", "rig.toml", "photos"]) == 2
    said = capsys.readouterr()
    assert said.out == "all of it\n" and "Cannot write the record." in said.err


def test_outcomes_are_told_as_predicted_or_not(monkeypatch: pytest.MonkeyPatch,
                                               capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(commands, "show_summary", lambda *_: None)
    outcomes = [SimpleNamespace(name=n, before=(1.0, 0.1), predicted=(0.5, 0.1), after=(0.5, 0.1), unit="deg",
                                verdict="met", as_predicted=p) for n, p in (("toe", True), ("ratio", False),
                                                                            ("lock", None))]
    done = Done(None, Path("out"), Path("record"), tuple(outcomes), ("because",))  # type: ignore[arg-type]
    assert commands._told(done, argparse.Namespace(command="confirm")) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.rpartition("met")[2] for line in lines[1:4]] == [", as predicted", ", not as predicted", ""]
    assert lines[4:] == ["  because", "Record of this vehicle: record"]


def test_a_figure_over_the_shoots(tmp_path: Path) -> None:
    import pandas as pd

    rows = [dict.fromkeys(COLUMNS, float("nan")) | {"when": f"2026-0{k}-01T10:00:00", "event": "measured", "results": r,
            "figure": f, "value": v, "verdict": "met"} for k, r, f, v in ((2, "b", "toe", 0.2), (1, "a", "toe", 0.1),
                                                                       (1, "a", "ratio", 1.0))]
    past = History("Pipit", pd.DataFrame(rows))
    assert list(past.figure("toe")["value"]) == [0.1, 0.2] and list(past.figure("toe")["shoot"]) == [1, 2]
    assert past.lines()[0].startswith("1. 2026-01-01 10:00:00 measured: 2 of 2")
    with pytest.raises(KeyError, match="judged 'camber'; judged are ratio, toe"):
        past.figure("camber")


@pytest.mark.parametrize(("error", "code", "said"), [
    (MemoryError(), 1, "ran out of memory; use --workers 1"),
    (KeyboardInterrupt(), 130, "rigtrue: stopped."),
    (OSError(28, "No space left on device", "out/a.csv"), 2, "(out/a.csv): No space left on device; check the disk"),
    (OSError("odd"), 2, "cannot be read or written: odd; check"),
    (ZeroDivisionError("no photo"), 1, "a mistake in the program (ZeroDivisionError: no photo); nothing of yours"),
])
def test_whatever_ends_a_command_is_one_sentence(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
                                                 error: BaseException, code: int, said: str) -> None:
    def ends(args: argparse.Namespace) -> int:
        """Show."""
        raise error

    monkeypatch.delenv("RIGTRUE_DEBUG", raising=False)
    monkeypatch.setattr(commands, "cmd_sheet", ends)
    assert main(["sheet", "out"]) == code
    err = capsys.readouterr().err
    assert said in err and len(err.splitlines()) == 1
    if isinstance(error, ZeroDivisionError):
        monkeypatch.setenv("RIGTRUE_DEBUG", "1")
        with pytest.raises(ZeroDivisionError):
            main(["sheet", "out"])


@pytest.mark.parametrize("words", [["confirm", "r", "b", "p", "--proposal", "-1"], ["shoot", "r", "p", "--port", "80"],
                                   ["run", "r", "p", "--workers", "0"], ["plan"], ["again", "x", "--workers", "many"]])
def test_words_that_make_no_sense_are_refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    assert "usage: rigtrue" in capsys.readouterr().err


def test_the_result_before_must_be_the_one_it_was_confirmed_against(result: Path, photos: Path) -> None:
    then, late = result.with_name("then"), result.with_name("late")
    then.mkdir()
    for name in ("figures.csv", "curves.csv", "proposals.json", "as_built.toml"):
        (then / name).write_bytes(name.encode() + b"\n")
    late.mkdir()
    keep_inputs(given("confirm", result.parent / "rig.toml", photos, then, 2), late)
    told = read_inputs(late)
    assert (told.before, told.proposal) == (then.absolute(), 2)
    check_before(told, then)
    (then / "curves.csv").write_bytes(b"curves.csv\r\n")
    check_before(told, then)  # other line endings
    for harm in (lambda p: p.write_bytes(b"curves.csv 2\n"), Path.unlink):
        harm(then / "curves.csv")
        with pytest.raises(UserError, match="not the result, or not as it was"):
            check_before(told, then)
    with pytest.raises(UserError, match="say where it is now: --before"):
        check_before(told, result / "gone")
    (late / "inputs.json").write_text("{}")
    with pytest.raises(UserError, match="cannot be read; put the folder back"):
        read_inputs(late)


def test_a_record_that_is_something_else_is_left_alone(tmp_path: Path) -> None:
    import pandas as pd

    path = record_path(tmp_path, "Pipit")
    path.parent.mkdir()
    path.write_bytes(b"when,what\r\n1,2\r\n")
    rows = pd.DataFrame([{"name": "toe", "measured": 0.1, "u95": 0.05, "unit": "deg", "target": 0.0, "tolerance": 0.5,
                          "verdict": "met"}])
    with pytest.raises(UserError, match="is not a record kept by rigtrue; move it away"):
        append_record(tmp_path, "Pipit", "measured", "out", rows)
    with pytest.raises(UserError, match="is not a record kept by rigtrue"):
        read_record(path)
    assert path.read_bytes() == b"when,what\r\n1,2\r\n"
    path.write_bytes(b'"')
    with pytest.raises(UserError, match="Cannot read the record"):
        read_record(path)
    path.unlink()
    append_record(tmp_path, "Pipit", "measured", "out", rows)
    path.write_bytes(path.read_bytes().rstrip())  # as an editor leaves it
    append_record(tmp_path, "Pipit", "confirmed", "out", rows)
    assert list(read_record(path)["event"]) == ["measured", "confirmed"]


def test_what_a_run_found_in_short(capsys: pytest.CaptureFixture[str]) -> None:
    finding = {"code": "tag_slipped", "item": "a", "text": "Tag a slipped.", "serious": True}
    note = {"code": "note", "item": "", "text": "Small.", "serious": False}
    sheet = SimpleNamespace(headline="Go", lines=[SimpleNamespace(text="toe met")], broken=["rod too short"], go=True)
    results: Any = SimpleNamespace(sheet=lambda: sheet, observations=SimpleNamespace(set_aside=()),
                                   findings=(note, finding), work={"proposals": [{"changes": ["x"]}]},
                                   work_lines=lambda: ["1. rod: one turn longer"])
    show_summary(results, Path("out"))
    lines = capsys.readouterr().out.splitlines()
    assert lines[:3] == ["Go", "  toe met", "  limit broken: rod too short"]
    assert lines[3:6] == ["Noticed:", "  to settle: Tag a slipped.", "  Small."]
    assert any("a steering failure injures" in s for s in lines) and "rigtrue sheet out" in lines[-2]
    sheet.go, results.work = False, {"proposals": []}
    show_summary(results, Path("out"))
    assert "rigtrue sheet" not in (said := capsys.readouterr().out) and "injures" not in said


def test_observe_writes_corners_and_print_the_sheets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                     capsys: pytest.CaptureFixture[str]) -> None:
    rig, obs = shoot(2, seed=3)
    monkeypatch.setattr(job, "found", lambda *_, **__: (rig, obs))
    assert main(["observe", str(SAMPLE), "photos", "--out", str(tmp_path / "corners.csv")]) == 0
    lines = (tmp_path / "corners.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == len(obs.table) + 1
    assert f"{len(obs.table)} corners in {len(obs.photos)}" in capsys.readouterr().out
    assert main(["print", str(SAMPLE), "--out", str(tmp_path / "print")]) == 0
    made = [Path(s.removeprefix("Wrote ")) for s in capsys.readouterr().out.splitlines() if s.startswith("Wrote ")]
    assert len(made) >= 2 and all(p.read_bytes().startswith(b"%PDF") for p in made)
    assert main(["print", str(SAMPLE), "--paper", "A3", "--out", str(tmp_path / "other")]) == 2
    assert "make the two agree" in capsys.readouterr().err and not (tmp_path / "other").exists()


def test_shoot_and_watch_end_with_how_far_it_is_and_what_comes_next(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("uvicorn")
    pytest.importorskip("segno")

    def ended(*_: Any, **__: Any) -> Any:
        raise KeyboardInterrupt

    asked: dict[str, Any] = {}
    monkeypatch.setattr("calib.phone.serve.server", lambda shoot, token, _: asked.update(shoot=shoot, token=token)
                        or SimpleNamespace(run=ended))
    folder = tmp_path / "photos"
    assert main(["shoot", str(SAMPLE), str(folder), "--address", "127.0.0.1", "--no-cache"]) == 0
    said = capsys.readouterr().out
    n = len(asked["shoot"].session.wanted.asks)
    assert asked["token"] in said and f"0 photos in {folder}; 0 of {n} positions done" in said
    assert said.endswith(f"rigtrue run {SAMPLE} {folder}\n")
    monkeypatch.setattr("calib.shooting.watching.watched", ended)
    assert main(["watch", str(SAMPLE), str(folder), "--at", "ahead", "--no-cache"]) == 0
    said = capsys.readouterr().out
    assert f"0 photos; 0 of {n} positions done" in said and "Positions: " in said
    assert said.endswith(f"rigtrue run {SAMPLE} {folder}.csv\n"), "with the list, which says where each photo belongs"


def test_a_confirmation_stands_where_the_record_cannot_be_written(tmp_path: Path, photos: Path,
                                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    """Moves are said, a name that was taken too, and what was measured is handed on all the same."""
    def unrecorded(*_: Any) -> Path:
        raise UserError("Cannot write the record.", "cannot_write", "x")

    given_on: dict[str, Any] = {}
    before = SimpleNamespace(outcomes=lambda figures: [figures])
    results = SimpleNamespace(figures="figures", fit=SimpleNamespace(as_built=None))
    monkeypatch.setattr("calib.report.confirm.load_before", lambda folder, proposal: before)
    monkeypatch.setattr("calib.report.confirm.after_changes", lambda rig, b, shot: (f"{rig} moved", ["rod: moved."]))
    monkeypatch.setattr(job, "found", lambda *_: ("rig", SimpleNamespace(photos=())))
    monkeypatch.setattr("calib.run.measure", lambda rig, obs, **k: given_on.update(k) or results)
    monkeypatch.setattr("calib.report.folder.history", lambda *_: None)
    monkeypatch.setattr("calib.report.folder.write_results", lambda r, out, **k: given_on.update(k) or
                        out.absolute().with_name(f"{out.name}-2"))
    monkeypatch.setattr("calib.report.folder.record_results", unrecorded)
    monkeypatch.setattr("calib.report.misses.explain", lambda *_: ["because"])
    said: list[str] = []
    done = job.confirm_shoot(SAMPLE, tmp_path / "then", photos, tmp_path / "out", 2, workers=1, said=said.append)
    assert given_on["stands"] == "rig moved" and given_on["before"] is before
    assert (given_on["inputs"].command, given_on["inputs"].proposal) == ("confirm", 2)
    assert done.folder == tmp_path / "out-2" and done.record is None
    assert str(done.unrecorded) == "Cannot write the record."
    assert (done.outcomes, done.explained) == (("figures",), ("because",))
    assert said[0] == "rod: moved." and "already holds something" in said[1]
