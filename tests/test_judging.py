"""One photo judged from its bytes: seen, sharp, lit, and from where; rendered truth."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from capture.corners import project
from capture.judging import Judged, judge
from capture.kept import KeptCorners
from capture.targets import Board
from tests.render_tag import facing
from tests.test_detection import DISTANCE, PARTS, clutter, photo

BOARD = Board.for_paper("A4")


def looked(gray: np.ndarray, codes: set[int] | None = None) -> Judged:
    ok, data = cv2.imencode(".png", np.asarray(gray, np.uint8))
    assert ok
    return judge(data.tobytes(), "a.png", "ahead", set(PARTS) if codes is None else codes, BOARD)


@pytest.fixture(scope="module")
def scene() -> tuple[np.ndarray, dict[int, np.ndarray]]:
    return photo(1)


def test_a_good_photo(scene) -> None:
    """All tags with their corners, no complaint, and the camera where the picture was drawn from."""
    good = looked(scene[0])
    assert good.info is not None and good.outcome.reason == ""
    assert set(good.corners) == {*BOARD.ids, *PARTS} and min(good.corners.values()) >= 24
    assert (good.blurred, good.exposure, good.glare) == (False, "", ())
    assert good.view is not None
    centre = good.view.R @ np.zeros(3) + good.view.t
    assert np.linalg.norm(centre) == pytest.approx(np.hypot(DISTANCE, 130.0), rel=0.08)  # 7 % off: focal length guessed


@pytest.mark.parametrize("tilt", [15.0, 45.0])
def test_the_cameras_direction_in_the_boards_axes(tilt: float) -> None:
    """From the turn that the picture was drawn with; the focal length is guessed 6 % short, so within 4 deg."""
    rng = np.random.default_rng(4)
    clutter(rng)
    turn = facing(tilt, rng.uniform(0, 360), rng.uniform(-15, 15))
    seen = looked(photo(4, parts={}, tilt=tilt)[0])
    assert seen.view is not None
    to_camera = turn.T @ -np.array([-130.0, 0, DISTANCE]) / np.hypot(130.0, DISTANCE)
    assert np.degrees(np.arccos(min(1.0, seen.view.direction @ to_camera))) < 4


def test_a_photo_judged_before_is_not_read_again(scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With all there is to say of it, for other tags too; another byte is another photo, a spoilt entry is none."""
    gray = scene[0].copy()
    code = 60
    patch = project(scene[1][code], np.array([[-5.0, -3], [5, -3], [5, -5], [-5, -5]]))
    cv2.fillConvexPoly(gray, np.rint(patch).astype(np.int32), 255)
    data, kept = cv2.imencode(".png", gray)[1].tobytes(), KeptCorners(tmp_path)
    plain = judge(data, "a.png", "ahead", set(PARTS), BOARD)
    assert plain.glare and repr(judge(data, "a.png", "ahead", set(PARTS), BOARD, kept)) == repr(plain)
    some = judge(data, "b.png", "push1", {code}, BOARD)

    def never(*_: object) -> None:
        raise AssertionError("read again")

    monkeypatch.setattr("capture.judging.decode_photo", never)
    assert repr(judge(data, "a.png", "ahead", set(PARTS), BOARD, kept)) == repr(plain)
    assert repr(judge(data, "b.png", "push1", {code}, BOARD, kept)) == repr(some)
    with pytest.raises(AssertionError):
        judge(data + b"\0", "a.png", "ahead", set(PARTS), BOARD, kept)
    for path in tmp_path.rglob("*.kept"):
        path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(AssertionError):
        judge(data, "a.png", "ahead", set(PARTS), BOARD, kept)


def test_blur_dark_and_bright_are_told(scene) -> None:
    gray = scene[0]
    assert looked(cv2.GaussianBlur(gray, (0, 0), 2.0)).blurred
    assert looked(gray * 0.15).exposure == "dark"
    assert looked(np.clip(gray * 3.0, 0, 255)).exposure == "bright"


def test_glare_is_named_on_its_tag_alone(scene) -> None:
    """A white patch over a quarter and more of one tag's ring."""
    gray, truth = scene
    spoilt = gray.copy()
    patch = project(truth[60], np.array([[-5.0, -3], [5, -3], [5, -5], [-5, -5]]))
    cv2.fillConvexPoly(spoilt, np.rint(patch).astype(np.int32), 255)
    assert looked(spoilt).glare == (60,)


def test_reasons_not_exceptions(scene) -> None:
    assert judge(b"", "a.jpg", "ahead", set(), BOARD).outcome.code == "empty"
    assert judge(b"\xff\xd8\xff\xe0 cut", "a.jpg", "ahead", set(), BOARD).outcome.code == "cut_short"
    bare = looked(photo(2, board=None)[0])
    assert bare.info is None and "No board" in bare.outcome.reason and bare.view is None
