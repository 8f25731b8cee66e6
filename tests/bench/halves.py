"""Disjoint halves of real photos: does the lens of one half lie within the stated intervals of the other's?

Every set is split at random into two halves that share no corner, each is estimated alone as in a run (outliers put
aside, corner covariances scaled by the residuals and by what neighbours share), and the difference of each lens term
is held against its stated 95 %. The halves share the lens prior, which is wide against what the photos say.
Neighbouring corners make a group, as those of a tag do in a run (CELLS); groups strewn over the picture hide what
neighbours share, and one shift and slope cannot stand for a wave of the lens over the whole of it.

chessboard: halves of the photos; phone_grid: halves of the tags in all photos; charuco: halves of the corners.
Sources of the photos: ``tests/test_chessboard_photos.py``, ``test_phone_grid_photos.py``, ``test_charuco_photos.py``.

Measured with 20 splits, where the aim is at least 0.90 inside (in brackets: difference over stated, RMS):

| | inside | corner sd px, grey noise alone | seen and used |
|---|---|---|---|
| chessboard | 0.98 (0.94) | 0.007 | 0.058 |
| phone_grid | 0.98 (0.72) | 0.020 | 0.185 |
| charuco | 0.99 (0.45) | 0.020 | 0.171 |

Before, with groups strewn over the picture and each photo's focal length and centre held to a usual size: 0.81 (1.51),
0.76 (1.93; focal length 0.20), 1.00. Most of that was the strewn groups (with neighbours grouped 0.91 and 0.90), the
rest the phone's stabiliser, which moves the centre by some 40 px: see ``estimation/repeat.py``. Without photos being
asked whether they disagree (``estimation/clustered.py``) 0.93 (1.07), 0.96 (0.92), 0.99. Charuco's two views hardly
tell the lens: the shared prior holds it.
Run: python -m tests.bench.halves [splits, default 20]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.estimation.camera import LENS
from calib.estimation.fitted import shared_covariance
from calib.uncertainty import K95
from capture.corners import refine_checker
from tests import test_charuco_photos as charuco
from tests import test_chessboard_photos as chessboard
from tests import test_phone_grid_photos as phone
from tests.board_fit import as_in_a_run

Array = NDArray[np.float64]


class Photo(NamedTuple):
    """Corners of one photo: mm on the board (n, 2), px (n, 2), covariance (n, 2, 2), and what is split as one."""

    xy: Array
    uv: Array
    cov: Array
    unit: NDArray[np.int_]


class Estimated(NamedTuple):
    """Lens (9,), its covariance (9, 9), corner sd px per axis by grey noise alone and as the residuals show it."""

    lens: Array
    cov: Array
    noise_px: float
    seen_px: float


class RealSet(NamedTuple):
    """Photos of one board by one camera: how to get them, picture (width, height) px, mm of neighbours (``CELLS``)."""

    photos: Callable[[], list[Photo]]
    size: tuple[int, int]
    cell: float


def chessboard_photos() -> list[Photo]:
    out = []
    for k, path in enumerate(sorted(chessboard.PHOTOS.glob("left*.jpg"))):
        gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        assert gray is not None
        grid = chessboard.corners()[k].reshape(chessboard.ROWS, chessboard.COLUMNS, 2)
        s = max((refine_checker(gray, grid, black) for black in (True, False)), key=lambda s: s.ok.sum())
        out.append(Photo(chessboard.flat()[s.ok], s.uv[s.ok], s.cov[s.ok], np.full(s.ok.sum(), k)))
    return out


def phone_photos() -> list[Photo]:
    return [Photo(v.xy, v.uv, v.cov, v.code) for v in phone.views()]


def charuco_photos() -> list[Photo]:
    views = [charuco.view(name) for name in charuco.COUNTS]
    return [Photo(v.xy, v.saddles.uv, v.saddles.cov, np.rint(v.xy @ [1, 10] / charuco.SQUARE).astype(int))
            for v in views]


def estimated(photos: Sequence[Photo], size: tuple[int, int], cell: float) -> Estimated:
    """As in a run; ``cell`` mm of neighbours that share errors."""
    solved = as_in_a_run([(p.xy, p.uv) for p in photos], [p.cov for p in photos], size, cell)
    noise = float(np.sqrt(np.mean([np.trace(c) / 2 for p in photos for c in p.cov])))
    return Estimated(solved.state.lens, shared_covariance(solved.problem, solved.state)[:9, :9], noise,
                     noise * solved.sigma)


def halves(photos: Sequence[Photo], rng: np.random.Generator) -> tuple[list[Photo], list[Photo]]:
    """Whole units (photos, tags or corners) on either side."""
    units = rng.permutation(np.unique(np.concatenate([p.unit for p in photos])))
    first = set(units[:len(units) // 2].tolist())
    out: tuple[list[Photo], list[Photo]] = ([], [])
    for p in photos:
        mine = np.array([u in first for u in p.unit.tolist()])
        for half, part in zip(out, (mine, ~mine), strict=True):
            if part.any():
                half.append(Photo(*(v[part] for v in p)))
    return out


SETS = {"chessboard": RealSet(chessboard_photos, chessboard.SIZE, 3 * chessboard.SQUARE),
        "phone_grid": RealSet(phone_photos, phone.SIZE, phone.CELL),
        "charuco": RealSet(charuco_photos, (640, 480), 2 * charuco.SQUARE)}


def differences(of: RealSet, splits: int) -> tuple[Array, list[Estimated]]:
    """Differences of the lens between halves over their stated standard uncertainty (splits, 9), and all halves."""
    photos, rng = of.photos(), np.random.default_rng(0)
    z, each = [], []
    for _ in range(splits):
        a, b = (estimated(h, of.size, of.cell) for h in halves(photos, rng))
        z.append((a.lens - b.lens) / np.sqrt(np.diag(a.cov) + np.diag(b.cov)))
        each += [a, b]
    return np.array(z), each


def show(name: str, splits: int) -> None:
    z, each = differences(SETS[name], splits)
    inside = np.abs(z) < K95
    terms = "  ".join(f"{t} {s:.2f}" for t, s in zip(LENS, inside.mean(axis=0), strict=True))
    print(f"{name:<11} inside {inside.mean():.2f}  RMS of difference over stated {np.sqrt(np.mean(z**2)):.2f}  "
          f"corner sd {np.median([e.noise_px for e in each]):.3f} px by grey noise, "
          f"{np.median([e.seen_px for e in each]):.3f} seen and used  [{terms}]", flush=True)


def main(splits: int) -> None:
    for name in SETS:
        show(name, splits)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
