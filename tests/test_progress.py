"""One protocol of progress from the first photo to the report; what a callback raises stops the work, nothing stays."""

from __future__ import annotations

import multiprocessing
import os
import time
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

import calib.report.folder as folder
from calib import Fit, Rig, UserError, estimate, for_photos, load_rig, measure, propose, write_results
from calib.progress import ESTIMATING, SEARCHING, Steps
from capture import Board, Observations, read_shoot
from tests.bench.estimate import shoot
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


class Steady(Told):
    """Also sees to it that no step goes back, that none comes past its end, and that each comes to it."""

    def check(self, *whats: str) -> None:
        assert list(dict.fromkeys(w for w, _, _ in self.calls)) == list(whats)
        for what in whats:
            mine = [(done, of) for w, done, of in self.calls if w == what]
            assert all(a[0] < b[0] for a, b in pairwise(mine)), (what, mine)
            assert mine[0][0] == 0 and all(done < of for done, of in mine[:-1]) and mine[-1][0] == mine[-1][1]


@pytest.fixture(scope="module")
def shot() -> tuple[Rig, Observations]:
    return shoot(2, seed=11)


EARLY: list[tuple[object, object]] = []  # what the estimate told of photos and residuals


@pytest.fixture(scope="module")
def fitted(shot: tuple[Rig, Observations]) -> tuple[Fit, Steady]:
    told = Steady()
    return estimate(*shot, progress=told, fitted=lambda *x: EARLY.append(x)), told


def test_the_estimate_tells_its_steps(fitted: tuple[Fit, Steady]) -> None:
    _, told = fitted
    told.check(ESTIMATING)
    assert len(told.calls) >= 8


def test_photos_and_residuals_are_told_once_and_as_the_fit_has_them(fitted: tuple[Fit, Steady]) -> None:
    fit, _ = fitted
    assert len(EARLY) == 1 and EARLY[0][0] is fit.photos and EARLY[0][1] is fit.residuals


# all but the first two mean something of their own inside the work, but not where somebody wants to stop
ERRORS = [Enough("now"), KeyboardInterrupt(), np.linalg.LinAlgError("mine"), UserError("mine"), ValueError("mine")]


@pytest.mark.parametrize("error", ERRORS, ids=lambda e: type(e).__name__)
def test_the_estimate_stops(shot: tuple[Rig, Observations], error: BaseException) -> None:
    def stop(what: str, done: int, of: int) -> None:
        if done == 2:
            raise error

    with pytest.raises(type(error)) as caught:
        estimate(*shot, progress=stop)
    assert caught.value is error


def test_the_search_tells_its_steps(shot: tuple[Rig, Observations], fitted: tuple[Fit, Steady]) -> None:
    told = Steady()
    proposals = propose(shot[0], fitted[0].as_built, progress=told)
    told.check(SEARCHING)
    assert told.calls[0][2] == proposals.combinations + 1
    assert told.calls[-1][1] > proposals.combinations + 50, "settings looked at one by one are counted too"
    assert len(told.calls) >= 5


@pytest.mark.parametrize("error", ERRORS, ids=lambda e: type(e).__name__)
def test_measuring_stops_in_the_search(monkeypatch: pytest.MonkeyPatch, shot: tuple[Rig, Observations],
                                       fitted: tuple[Fit, Steady], error: BaseException) -> None:
    """Also by an error that without a callback would only mean that there is no adjustment."""
    rig, obs = shot
    monkeypatch.setattr("calib.run.second_look", lambda rig, obs, look: (obs, None))
    monkeypatch.setattr("calib.run.estimate", lambda *_, **__: fitted[0])
    told = Steady()

    def stop(what: str, done: int, of: int) -> None:
        told(what, done, of)
        if what == SEARCHING and done:
            raise error

    with pytest.raises(type(error)) as caught:
        measure(rig, obs, progress=stop)
    assert caught.value is error and told.calls[-1][:2] == (SEARCHING, told.calls[-2][2] - 1)


def test_measuring_stops_before_it_begins(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Told("looking once more for hidden tags")
    monkeypatch.setattr("calib.run.second_look", lambda *_: pytest.fail("went on"))
    with pytest.raises(Enough):
        measure(load_rig(SAMPLE), SimpleNamespace(photos=()), progress=told)  # type: ignore[arg-type]
    assert told.calls == [("looking once more for hidden tags", 0, 1)]


def test_steps_never_say_that_all_is_through_before_it_is() -> None:
    told = Told()
    steps = Steps(told, "sawing", 2)
    for _ in range(3):
        steps.next()
    steps.end()
    assert [(done, of) for _, done, of in told.calls] == [(0, 2), (1, 2), (2, 3), (3, 4), (4, 4)]
