"""A grid of 36h11 tags on a monitor, photographed with a phone: this project's corners and lens on a real phone.

Every tag corner is a saddle, since black squares stand at the crossings. OpenCV reads the tags in the photo at half
size and says roughly where they are; a homography through them gives each corner's first place, and
``refine_saddles`` in the full photo its place. Lens: five distortion terms for all photos, focal length and
principal point of each photo freed (sd 2 % and 50 px), as a phone's focusing and stabilising move them.
Not known in mm: a tag's side counts as 30 mm.

Measured with OpenCV 5.0 on the three photos, 432 corners:

| | RMS of the distances, px | corner sd seen, px per axis | stated |
|---|---|---|---|
| our corners, each photo's focal length and centre freed | 0.319 | 0.230 (0.241, 0.212, 0.237 by photo) | 0.020 |
| the same, held | 0.766 | | |
| OpenCV's refinement of the same corners (11 px), freed | 0.374 | 0.270 | |
| half of the tags predicts the other: ours, OpenCV's | 0.334, 0.393 | | |

So the stated sd, which is grey noise alone, is 12 times too small here: the monitor's raster and moire repeat in
no other photo and are no noise of the camera. An interval from such photos must come from the residuals.

Source: github.com/powei-lin/aprilgrid, example/data/001.jpg to 003.jpg at commit 9fd1f3f; BSD 3-clause,
Copyright (c) 2023 Powei Lin. Taken with a Pixel 7 Pro, 3072 x 4080 px.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calib.estimation.fitted import shared_covariance
from calib.uncertainty import K95
from capture.corners import local_axes, project, refine_saddles
from tests.board_fit import BoardFit, as_in_a_run, fit_board

Array = NDArray[np.float64]
PHOTOS = Path(__file__).resolve().parents[1].parent / "shared" / "data" / "phone_grid"
pytestmark = pytest.mark.skipif(not PHOTOS.is_dir(), reason=f"the phone grid photos are not at {PHOTOS}")
NAMES = ("001.jpg", "002.jpg", "003.jpg")
SIZE = (3072, 4080)
SIDE, PITCH, PER_ROW = 30.0, 1.3, 6  # the notes beside the photos: gap 0.3 of a side, codes row by row from below
CELL = 2 * PITCH * SIDE  # four tags are neighbours whose corners share errors
SQUARE = 0.3 * SIDE  # the black squares at the crossings: how far a corner's surroundings are a plain saddle
OWN = {"df_sd": 0.02, "dc_sd": 50.0}


@dataclass(frozen=True)
class View:
    """One photo: code (n,), place on the grid (n, 2) mm, refined px (n, 2), stated covariance, OpenCV's px (n, 2)."""

    code: NDArray[np.int_]
    xy: Array
    uv: Array
    cov: Array
    subpix: Array

    @property
    def half(self) -> NDArray[np.bool_]:
        """The tags of one colour, were the grid a chessboard."""
        return (self.code // PER_ROW + self.code % PER_ROW) % 2 == 0


def _tags(gray: NDArray[np.uint8]) -> tuple[NDArray[np.int_], Array]:
    """Codes (n,) and rough corners (n, 4, 2) px, clockwise from upper left."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    found, ids, _ = detector.detectMarkers(cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    rough = (np.array(found, float).reshape(-1, 4, 2) + 0.5) * 2 - 0.5
    return np.asarray(ids).ravel().astype(int), np.roll(rough, 2, axis=1)  # OpenCV counts from lower right


@cache
def views() -> tuple[View, ...]:
    out = []
    for name in NAMES:
        gray = cv2.imread(str(PHOTOS / name), cv2.IMREAD_GRAYSCALE)
        assert gray is not None and gray.shape == SIZE[::-1]
        code, rough = _tags(np.asarray(gray, np.uint8))
        upper_left_first = np.array([[0, 1], [1, 1], [1, 0], [0, 0]])
        xy = SIDE * (PITCH * np.stack([code % PER_ROW, code // PER_ROW], 1)[:, None] + upper_left_first)
        xy = xy.reshape(-1, 2)
        sign = np.tile([-1, 1, -1, 1], len(code))
        # some of the detector's corners lie a black square off; most agree on a plane
        plane, _ = cv2.findHomography(xy, rough.reshape(-1, 2), cv2.RANSAC, 6.0)
        for _ in range(2):
            s = refine_saddles(gray, project(plane, xy), local_axes(plane, xy, SQUARE), sign)
            plane, _ = cv2.findHomography(xy[s.ok], s.uv[s.ok], cv2.RANSAC, 4.0)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-6)
        start = s.uv[s.ok].astype(np.float32).reshape(-1, 1, 2)
        subpix = np.asarray(cv2.cornerSubPix(gray, start.copy(), (11, 11), (-1, -1), stop), float).reshape(-1, 2)
        out.append(View(np.repeat(code, 4)[s.ok], xy[s.ok], s.uv[s.ok], s.cov[s.ok], subpix))
    return tuple(out)


@cache
def freed() -> BoardFit:
    return fit_board([(v.xy, v.uv) for v in views()], SIZE, **OWN)


def half_predictions(places: list[Array]) -> float:
    """RMS px of corners of one half of the tags from where the other half's lens and poses put them, both ways."""
    pairs = list(zip(views(), places, strict=True))
    off = []
    for way in (True, False):
        fit = fit_board([(v.xy[v.half == way], p[v.half == way]) for v, p in pairs], SIZE, **OWN)
        off += [fit.predicted(k, v.xy[v.half != way]) - p[v.half != way] for k, (v, p) in enumerate(pairs)]
    return float(np.sqrt(np.mean(np.sum(np.concatenate(off) ** 2, axis=1))))


def stated_sd() -> float:
    """px along one axis, root mean square over all corners."""
    return float(np.sqrt(np.mean([np.trace(c) / 2 for v in views() for c in v.cov])))


def test_every_corner_is_found() -> None:
    assert [len(v.uv) for v in views()] == [4 * 36] * 3


def test_five_terms_fit_a_phone_whose_focus_moves() -> None:
    """A corner taken a black square off, or tags in another order, would give tens of px."""
    held = fit_board([(v.xy, v.uv) for v in views()], SIZE)
    assert 0.25 < freed().rms < 0.37
    assert 0.65 < held.rms < 0.85  # the notes: 0.76
    f, aspect = freed().state.lens[:2]
    assert aspect == pytest.approx(1.0, abs=0.002)
    assert 0.85 * SIZE[0] < f < SIZE[0]


def test_half_of_the_tags_predicts_the_other() -> None:
    """As well as through OpenCV's refinement of the same corners, and hardly worse than the fit itself."""
    ours, subpix = half_predictions([v.uv for v in views()]), half_predictions([v.subpix for v in views()])
    assert ours < 0.40
    assert ours < 0.92 * subpix  # measured 0.85
    assert freed().rms * 0.95 < ours < freed().rms * 1.3


def test_corners_are_where_opencv_sees_them() -> None:
    """A shift common to all corners would hide in the principal point: half a pixel would show here."""
    for v in views():
        assert np.abs(np.mean(v.uv - v.subpix, axis=0)).max() < 0.2  # measured 0.12, where the monitor's raster beats


def test_stated_sd_is_what_noise_alone_does() -> None:
    """Stated is grey noise alone; seen adds raster, moire and lens, which the estimate adds from its residuals."""
    assert 0.01 < stated_sd() < 0.05
    assert 0.15 < freed().sd < 0.30
    assert 5 < freed().sd / stated_sd() < 20


def test_the_focal_length_is_the_makers() -> None:
    """24 mm for a 35 mm film (EXIF of the photos, +/- 0.5 mm): 2833 +/- 59 px over the diagonal of 43.27 mm.

    The stabiliser moves the picture by about 1 % of its width from photo to photo. Held to the usual 0.2 % that
    went into a hand that moves, and the focal length came out at 2544 px.
    """
    solved = as_in_a_run([(v.xy, v.uv) for v in views()], [v.cov for v in views()], SIZE, CELL)
    exif = 24.0 / np.hypot(36, 24) * np.hypot(*SIZE)
    sd = float(np.sqrt(shared_covariance(solved.problem, solved.state)[0, 0]))
    assert sd < 80  # 53 before the photos are asked whether they disagree
    assert solved.state.lens[0] == pytest.approx(exif, abs=59 + K95 * sd)  # measured 2857 +/- 85
    assert 20 < solved.problem.priors.dc_sd < 60  # px
    assert solved.problem.priors.loose.hand.mm < 0.1


def test_lenses_of_halves_agree_within_what_they_state() -> None:
    """Halves of the tags; no interval so wide that anything would lie inside; the corner sd used is the one seen."""
    from tests.bench.halves import SETS, differences

    z, each = differences(SETS["phone_grid"], 1)
    assert np.mean(np.abs(z) < K95) >= 0.75  # 20 splits in the bench: 0.98
    assert 0.3 < np.sqrt(np.mean(z**2)) < 1.4
    for e in each:
        assert e.noise_px < 0.03 and 0.15 < e.seen_px < 0.3
