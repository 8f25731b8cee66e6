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
from calib.report.inputs import given, keep_inputs
from calib.report.record import COLUMNS
from calib.report.same import Sameness
from capture import Board, KeptCorners, UserError, read_shoot
from capture.files import digest
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
        assert job.found(SAMPLE, Path("photos"), 1, hashed=hashed)[1] is read  # type: ignore[comparison-overlap]
    with pytest.raises(UserError, match="b in photos was changed while it was being read") as caught:
        job.found(SAMPLE, Path("photos"), 1, hashed={"a": "1", "b": "9", "c": "3"})
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
