"""One protocol of progress from the first photo to the report; what a callback raises stops the work, nothing stays."""

from __future__ import annotations

import multiprocessing
import os
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

import calib.report.folder as folder
from calib import UserError, for_photos, measure, write_results
from calib.rig.reader import load_rig
from capture import Board, read_shoot
from tests.moorhen import SAMPLE


class Enough(Exception):
    """What a caller raises who wants to stop."""


class Told:
    """Notes what it is told and stops at ``stop``."""

    def __init__(self, stop: str = "", at: int = 0) -> None:
        self.calls: list[tuple[str, int, int]] = []
        self.stop, self.at = stop, at

    def __call__(self, what: str, done: int, of: int) -> None:
        self.calls.append((what, done, of))
        if what == self.stop and done >= self.at:
            raise Enough(what)


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six grey photos without a board."""
    source = tmp_path_factory.mktemp("photos")
    for k in range(6):
        (source / "ahead").mkdir(exist_ok=True)
        cv2.imwrite(str(source / "ahead" / f"{k}.png"), np.full((200, 300), 100 + k, np.uint8))
    return source


@pytest.mark.parametrize("workers", [1, 2])
def test_reading_photos_tells_and_stops(photos: Path, workers: int) -> None:
    told = Told("reading photos", 2)
    with pytest.raises(Enough) as caught:
        read_shoot(photos, {60}, Board.for_paper("A4"), workers=workers, progress=for_photos(told))
    assert told.calls == [("reading photos", 1, 6), ("reading photos", 2, 6)]
    until = time.monotonic() + 10
    while multiprocessing.active_children() and time.monotonic() < until:
        time.sleep(0.02)
    assert not multiprocessing.active_children(), f"still at work after {caught.value}"


def test_reading_photos_tells_of_all(photos: Path) -> None:
    told = Told()
    with pytest.raises(UserError, match="None of the 6 photos"):
        read_shoot(photos, {60}, Board.for_paper("A4"), workers=1, progress=for_photos(told))
    assert told.calls == [("reading photos", k, 6) for k in range(1, 7)]


@pytest.mark.parametrize("error", [Enough("now"), KeyboardInterrupt(), OSError("gone"), UserError("mine")])
def test_stopped_writing_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def write(results: object, here: Path, progress: Any, *_: object) -> None:
        (here / "figures.csv").write_text("half")
        progress("drawing plots", 2, 4)

    def stop(what: str, done: int, of: int) -> None:
        raise error

    monkeypatch.setattr(folder, "_write", write)
    with pytest.raises(type(error)) as caught:
        write_results(SimpleNamespace(), tmp_path / "out", progress=stop)  # type: ignore[arg-type]
    assert caught.value is error and os.listdir(tmp_path) == []


def test_measuring_tells_what_comes_and_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Told("estimating pivots, rods and angles")
    monkeypatch.setattr("calib.run.second_look", lambda rig, obs, look: (obs, None))
    monkeypatch.setattr("calib.run.estimate", lambda *_, **__: pytest.fail("went on"))
    with pytest.raises(Enough):
        measure(load_rig(SAMPLE), SimpleNamespace(photos=()), progress=told)  # type: ignore[arg-type]
    assert told.calls == [("estimating pivots, rods and angles", 0, 3)]
