"""The same shoot as a person would measure it with OpenCV by hand, beside the tool: time, and how wrong steer is.

By hand: ArUco's detectMarkers (family 36h11) at full size, with its defaults and cornerSubPix after, with its sub-pixel
and with its tag refinement of the four corners of each code; calibrateCamera on the board's codes (OpenCV's five-term
lens); solvePnP (for squares) of every tag in every photo; a tag's turn at a lever position is the mean over its photos,
without those that took the square the wrong way; a hinge's axis is the common axis of its tags' turns. No drawing, no
closures, no weights. Steer is given as what both ways tell alike: each upright's turn about its kingpin from straight
ahead, against the angle that the photos were drawn with. Both on one core, from the files on; the tool's comparison
and report are left out of its time. The print's true scale is known to both from the measured bar. The photos are drawn
without hand, play and lens residue, which the tool's estimate would look for and the script would not.

Measured (42 photos of 12 megapixels; busy machine, so the times count beside each other only):

| way | tags | processor s | RMS deg | worst deg |
|---|---|---|---|---|
| rigtrue, photos to angles | 861 | 21 | 0.0002 | 0.0003 |
| defaults, then cornerSubPix | 790 | 11 | 0.33 | 0.53 |
| sub-pixel corners | 790 | 12 | 0.26 | 0.39 |
| tag refinement | 788 | 276 | 0.17 | 0.32 |

Run: python -m tests.bench.by_hand [FOLDER of the 12-megapixel photos]
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.estimation.bundle import estimate, second_look
from calib.rig.model import Rig
from calib.rig.reader import load_rig
from capture.hidden import look_again
from capture.photos import list_shoot
from capture.shoot import read_shoot
from capture.targets import Board, code_corners
from tests.bench.phone_photos import make, shoot
from tests.render.truth import Truth

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
Array = NDArray[np.float64]
WRONG_WAY = np.radians(10.0)
REFINEMENTS = {"its defaults, then cornerSubPix": cv2.aruco.CORNER_REFINE_NONE,
               "its sub-pixel corners": cv2.aruco.CORNER_REFINE_SUBPIX,
               "its tag refinement": cv2.aruco.CORNER_REFINE_APRILTAG}


class Measured(NamedTuple):
    """Turn (rad) of each upright by (upright, position), tags read, and seconds of processor time."""

    turns: Mapping[tuple[str, str], float]
    tags: int
    seconds: float


def detected(path: Path, refinement: int) -> tuple[dict[int, Array], tuple[int, int]]:
    """Corners (4, 2) px of each code in a photo, and its size."""
    grey = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
    assert grey is not None
    how = cv2.aruco.DetectorParameters()
    how.cornerRefinementMethod = refinement
    corners, ids, _ = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), how).detectMarkers(grey)
    out = {}
    for code, quad in zip(np.ravel(ids) if ids is not None else (), corners, strict=True):
        q = np.ascontiguousarray(quad.reshape(4, 1, 2), np.float32)
        if refinement == cv2.aruco.CORNER_REFINE_NONE:
            edge = float(np.linalg.norm(q[0, 0] - q[2, 0])) / np.sqrt(2)
            half = max(2, round(0.04 * edge))  # the code's white margin is 1/16 of its edge: no window beyond it
            q = cv2.cornerSubPix(grey, q, (half, half), (-1, -1),
                                 (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001))
        out[int(code)] = np.asarray(q, float).reshape(4, 2)
    return out, (grey.shape[1], grey.shape[0])


def by_hand(folder: Path, rig: Rig, refinement: int) -> Measured:
    """All steps, file to turns."""
    began = time.process_time()
    board = Board.for_paper(rig.board.paper)
    scale = (rig.board.bar_measured or rig.board.bar_nominal) / rig.board.bar_nominal
    flat = {c: (m + code_corners(board.tag_mm)) * scale for c, m in board.tag_centres().items()}
    photos = [(position, *detected(path, refinement)) for path, position, _ in list_shoot(folder)]
    on_board = [[c for c in seen if c in flat] for _, seen, _ in photos]
    objects = [np.float32([[*p, 0] for c in cs for p in flat[c]]) for cs in on_board]
    pixels = [np.float32(np.concatenate([seen[c] for c in cs])) for cs, (_, seen, _) in
              zip(on_board, photos, strict=True)]
    _, k, lens, rv, _ = cv2.calibrateCamera(objects, pixels, photos[0][2], None, None)
    poses: dict[tuple[str, str], list[Rotation]] = defaultdict(list)
    by_code = {t.code: t for t in rig.tags.values()}
    for (position, seen, _), r in zip(photos, rv, strict=True):
        to_board = Rotation.from_rotvec(np.ravel(r)).inv()
        for code, quad in seen.items():
            if code not in by_code:
                continue
            size = code_corners(by_code[code].size) * scale
            ok, tr, _ = cv2.solvePnP(np.float32([[*p, 0] for p in size]), np.float32(quad), k, lens,
                                      flags=cv2.SOLVEPNP_IPPE_SQUARE)
            if ok:
                poses[by_code[code].name, position].append(to_board * Rotation.from_rotvec(np.ravel(tr)))
    mean = {key: agreed(found) for key, found in poses.items()}
    turns = {}
    for upright in {w.upright for w in rig.wheels.values()}:
        turns |= hinge(rig, upright, mean)
    return Measured(turns, sum(len(seen) for _, seen, _ in photos), time.process_time() - began)


def agreed(found: list[Rotation]) -> Rotation:
    """The mean of the turns near the one that most agree with: a square seen from afar may be taken the wrong way."""
    apart = np.array([[(a * b.inv()).magnitude() for b in found] for a in found])
    middle = int(np.argmin(np.median(apart, axis=1)))
    return Rotation.concatenate([r for r, a in zip(found, apart[middle], strict=True) if a < WRONG_WAY]).mean()


def hinge(rig: Rig, body: str, mean: Mapping[tuple[str, str], Rotation]) -> dict[tuple[str, str], float]:
    """Turns of one part at each position: its tags' turns from straight ahead about their common axis, averaged."""
    spun = {p for p in rig.spin_positions}
    vectors: dict[str, list[Array]] = defaultdict(list)
    for (tag, position), r in mean.items():
        ahead = mean.get((tag, rig.straight_ahead))
        if rig.tags[tag].body == body and ahead is not None and position != rig.straight_ahead and position not in spun:
            vectors[position].append((r * ahead.inv()).as_rotvec())
    every = np.array([v for vs in vectors.values() for v in vs])
    axis = np.linalg.eigh(every.T @ every)[1][:, -1]
    return {(body, p): float(np.mean(vs, axis=0) @ axis) for p, vs in vectors.items()}


def by_tool(folder: Path, rig: Rig) -> Measured:
    """The tool's reading and estimate, one process."""
    began = time.process_time()
    obs = read_shoot(folder, set(rig.tag_by_code()), Board.for_paper(rig.board.paper), workers=1)
    ready = second_look(rig, obs, look_again)
    fit = estimate(rig, ready.obs, started=ready.started)
    uprights = {w.upright for w in rig.wheels.values()}
    turns = {k: a for k, a in fit.joint_angles.items() if k[0] in uprights and k[1] != rig.straight_ahead
             and k[1] not in rig.spin_positions}
    tags = len(ready.obs.table.groupby(["photo", "tag"]))
    return Measured(turns, tags, time.process_time() - began)


def wrong(m: Measured, truth: Truth) -> tuple[float, float]:
    """RMS and largest error of the turns, deg; a hinge fitted without a drawing has an axis of either sign."""
    errors = []
    for body in {b for b, _ in m.turns}:
        got = {p: a for (b, p), a in m.turns.items() if b == body}
        true = np.array([truth.angles[body, p] for p in got])
        value = np.array(list(got.values()))
        errors += list(value * np.sign(value @ true) - true)
    e = np.degrees(errors)
    return float(np.sqrt(np.mean(e**2))), float(np.abs(e).max())


def side_by_side(folder: Path, truth: Truth, rig: Rig) -> None:
    """Print the table of one shoot; every way in the same process, one after another."""
    cv2.setNumThreads(1)
    ways: dict[str, Callable[[], Measured]] = {"rigtrue, photos to angles": lambda: by_tool(folder, rig)}
    ways |= {f"by hand, {n}": lambda r=r: by_hand(folder, rig, r) for n, r in REFINEMENTS.items()}  # type: ignore[misc]
    print(f"\n{'':42}{'tags':>6}{'processor s':>13}{'RMS deg':>10}{'worst deg':>11}{'to the tool':>20}")
    first: tuple[float, float] | None = None
    for name, way in ways.items():
        m = way()
        rms, worst = wrong(m, truth)
        first = first or (m.seconds, rms)
        print(f"{name:42}{m.tags:6}{m.seconds:13.1f}{rms:10.4f}{worst:11.4f}"
              f"{m.seconds / first[0]:9.1f} x time{rms / first[1]:7.1f} x", flush=True)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.gettempdir()) / "rigtrue_phone_photos"
    make(folder)
    side_by_side(folder, shoot(), load_rig(SAMPLE / "rig.toml"))


if __name__ == "__main__":
    main()
