"""One photo judged by itself, from its bytes: what it shows, whether it is sharp and well lit, and from where."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.corners import project
from capture.detection import Tag, find_tags
from capture.errors import UserError
from capture.kept import KeptCorners
from capture.observations import PhotoInfo
from capture.photos import PhotoMeta, decode_photo
from capture.shoot import Outcome, examined, outcome_before
from capture.targets import CELLS, Board, cell_is_black

F64 = NDArray[np.float64]
USUAL_FOCAL = 0.78  # of the longer side, where the file says nothing: a phone's main lens
SOFT = 1.7  # edge blur (sigma, px of a picture 4,000 px wide) from which corners lose much
WHITE, CLIPPED, MOST_CLIPPED = 60, 254, 0.7  # grey levels; share of white cells without drawing, over which too bright
GLARE, WASHED = 225, 0.25  # grey level and share of a tag's black cells above it, from which glare is named
LEAST_FOR_POSE = 24  # board corners


class View(NamedTuple):
    """Where the camera stood: pose of the board, x_cam = R @ x_board + t (mm, nominal print), and lens used."""

    R: F64
    t: F64
    f: float

    @property
    def direction(self) -> F64:
        """Unit vector (3,) from the board's middle to the camera, board axes."""
        eye = -self.R.T @ self.t
        return np.asarray(eye / np.linalg.norm(eye))


@dataclass(frozen=True)
class Judged:
    """One photo. ``outcome``: its corners, or why it cannot be used."""

    outcome: Outcome
    corners: Mapping[int, int]  # corners used of every tag wanted, by code
    view: View | None = None
    blurred: bool = False
    exposure: str = ""  # "dark", "bright" or ""
    glare: tuple[int, ...] = ()  # codes of tags with a reflection on them

    @property
    def info(self) -> PhotoInfo | None:
        """What is known of the photo; None where it cannot be used."""
        return self.outcome.info


def judge(data: bytes, name: str, position: str, part_codes: Collection[int], board: Board,
          kept: KeptCorners | None = None) -> Judged:
    """Judge one photo, given as its file's bytes. Nothing is raised for a bad photo: ``outcome.reason`` says why.

    ``name`` is what sentences call it; corners of tags on ``board`` and of ``part_codes`` count. ``kept``: where what
    photos show is kept, so that one judged before need not be read again.

    >>> judge(b"no picture", "x.jpg", "ahead", {60}, Board.for_paper("A4")).outcome.code
    'not_a_picture'
    """
    if kept is not None:
        sha256 = hashlib.sha256(data).hexdigest()
        before, lit = outcome_before(kept, sha256, position, name, part_codes, board), kept.get(_lit(sha256, board))
        if before is not None and lit is not None:
            return _judged(before, lit[0]["exposure"], tuple(lit[0]["glare"]), board)
    try:
        gray, meta = decode_photo(data, name)
    except UserError as err:
        return Judged(Outcome(name, reason=str(err), code=err.code), {})
    tags = find_tags(gray, None, board)
    return judged(gray, meta, name, position, part_codes, board, tags, kept)


def judged(gray: NDArray[np.uint8], meta: PhotoMeta, name: str, position: str, part_codes: Collection[int],
           board: Board, tags: dict[int, Tag], kept: KeptCorners | None = None) -> Judged:
    """The same for pixels (H, W) whose tags are known; ``tags`` as ``find_tags`` gives them for all codes."""
    outcome = examined(gray, meta, position, name, part_codes, board, tags, kept=kept)
    exposure, glare = light(gray, tags)
    if kept is not None and meta.sha256:
        kept.put(_lit(meta.sha256, board), {"exposure": exposure, "glare": glare}, {})
    return _judged(outcome, exposure, glare, board)


def _lit(sha256: str, board: Board) -> str:
    """The key of what is kept of a photo's light: its tags are looked for by the board's layout."""
    return f"light {sha256} {board}"


def _judged(outcome: Outcome, exposure: str, glare: tuple[int, ...], board: Board) -> Judged:
    if outcome.info is None or outcome.rows is None:
        return Judged(outcome, {}, exposure=exposure, glare=glare)
    codes, counts = np.unique(outcome.rows[:, 0].astype(int), return_counts=True)
    width = max(outcome.info.width, outcome.info.height)
    blurred = outcome.info.sharpness_px > SOFT * max(width / 4000, 0.6)
    return Judged(outcome, {int(c): int(n) for c, n in zip(codes, counts, strict=True)}, view_of(outcome, board),
                  bool(blurred), exposure, glare)


def light(gray: NDArray[np.uint8], tags: Mapping[int, Tag]) -> tuple[str, tuple[int, ...]]:
    """How the tags are lit, "dark", "bright" or "", and codes of those with a reflection on them."""
    black, white = _cells()
    whites, glare = [], []
    for code, tag in tags.items():
        w, b = (_at(gray, project(tag.H, cells)) for cells in (white, black))
        if len(w) < len(white) // 2 or len(b) < len(black) // 2:
            continue
        whites.append(w)
        if np.mean(b >= GLARE) > WASHED:
            glare.append(code)
    if not whites:
        return "", ()
    levels = np.concatenate(whites)
    exposure = "dark" if np.median(levels) < WHITE else "bright" if np.mean(levels >= CLIPPED) > MOST_CLIPPED else ""
    return exposure, tuple(sorted(map(int, glare)))


def view_of(outcome: Outcome, board: Board) -> View | None:
    """The camera's place from the board's corners, without lens distortion; None where they are too few."""
    if outcome.info is None or outcome.rows is None:
        return None
    places = board.saddles()
    rows = outcome.rows[np.isin(outcome.rows[:, 0], list(places))]
    if len(rows) < LEAST_FOR_POSE:
        return None
    info = outcome.info
    f = info.focal_px_guess or USUAL_FOCAL * max(info.width, info.height)
    flat = np.array([places[int(c)][int(k)] for c, k in rows[:, :2]])
    pose = plane_pose(flat, rows[:, 2:4], info, f)
    return None if pose is None else View(*pose, float(f))


def plane_pose(flat: F64, uv: F64, photo: PhotoInfo, f: float) -> tuple[F64, F64] | None:
    """Pose (R, t) in the camera of a plane: ``flat`` (n, 2) mm on it seen at ``uv`` (n, 2) px; None if there is none.

    ``f`` px: a lens without distortion. A plane has two poses that fit almost as well; the better one (IPPE).
    """
    camera = np.array([[f, 0, (photo.width - 1) / 2], [0, f, (photo.height - 1) / 2], [0, 0, 1.0]])
    found, turns, shifts, _ = cv2.solvePnPGeneric(np.column_stack([flat, np.zeros(len(flat))]), uv.copy(), camera, None,
                                                  flags=cv2.SOLVEPNP_IPPE)
    if not found:
        return None
    return np.asarray(cv2.Rodrigues(turns[0])[0], float), np.asarray(shifts[0], float).ravel()


def _cells() -> tuple[F64, F64]:
    """Middles of a tag's black and white ring cells, (n, 2) in cells from its centre, y up."""
    black, white = list[tuple[float, float]](), list[tuple[float, float]]()
    for row in range(CELLS):
        for col in range(CELLS):
            if min(row, col, CELLS - 1 - row, CELLS - 1 - col) < 2:
                at = (col + 0.5 - CELLS / 2, CELLS / 2 - row - 0.5)
                (black if cell_is_black(row, col) else white).append(at)
    return np.array(black), np.array(white)


def _at(gray: NDArray[np.uint8], uv: F64) -> NDArray[np.uint8]:
    """Grey levels at the nearest pixels to (n, 2), those inside the picture."""
    xy = np.rint(uv).astype(int)
    inside = ((xy >= 0) & (xy < np.array(gray.shape[::-1]))).all(axis=1)
    return np.asarray(gray[xy[inside, 1], xy[inside, 0]])
