"""From where photos were taken, in the vehicle's own axes: the board may be clamped either way round.

The board's corners give the camera's place on the board. How the board sits on the vehicle is found from the part tags,
whose places on the board are laid on the drawn ones; roughly, which is enough to say "from the front left".
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from calib.planning.places import board_pose
from calib.planning.views import View
from calib.rig.model import Rig, Tag
from calib.shooting.wanted import towards
from capture.judging import Judged, plane_pose
from capture.targets import saddle_points

Array = NDArray[np.float64]
LEAST_TAGS, LEAST_SADDLES = 3, 12
MISFIT = 150.0  # mm RMS of the tags' places on the drawn ones, over which the turn is not believed
FLAT = 0.05  # of the longest spread of the tags: less across says that they stand in a line
BOLT, PART = 1.0, 0.2  # weights: a part's tag may sit anywhere near its hinge
SAME_SPOT = 12.0  # deg between two photos' directions, below which the second is a repeat
AS_ASKED = 32.0  # deg from a view asked for, within which a photo counts as it


def tag_places(judged: Judged, rig: Rig) -> dict[str, Array]:
    """Middles (3,) of the part tags of one photo in board axes, mm; a few per cent off, as the lens is guessed."""
    info, rows, view = judged.info, judged.outcome.rows, judged.view
    if info is None or rows is None or view is None:
        return {}
    out = {}
    for code, tag in rig.tag_by_code().items():
        mine = rows[rows[:, 0] == code]
        if len(mine) < LEAST_SADDLES:
            continue
        flat = saddle_points(tag.size)[mine[:, 1].astype(int)]
        pose = plane_pose(flat, mine[:, 2:4], info, view.f)
        if pose is not None:
            out[tag.name] = np.asarray(view.R.T @ (pose[1] - view.t))
    return out


def board_turn(rig: Rig, places: Iterable[Mapping[str, Array]]) -> Array | None:
    """Rotation (3, 3) from board to frame axes that lays the tags' places on the drawn ones; None: not known yet.

    The turn of least weighted squares (Kabsch 1976).
    """
    pooled: dict[str, list[Array]] = {}
    for photo in places:
        for name, at in photo.items():
            pooled.setdefault(name, []).append(at)
    drawn = {n: d for n in pooled if (d := _drawn(rig, rig.tags[n])) is not None}
    if len(drawn) < LEAST_TAGS:
        return None
    names = list(drawn)
    a = np.array([np.median(pooled[n], axis=0) for n in names])
    b = np.array([drawn[n] for n in names])
    w = np.array([BOLT if rig.tags[n].centres_on else PART for n in names])[:, None]
    a, b = (x - (w * x).sum(axis=0) / w.sum() for x in (a, b))
    u, s, vt = np.linalg.svd((w * a).T @ b)
    spread = np.linalg.svd(np.sqrt(w) * b, compute_uv=False)
    if spread[1] < FLAT * spread[0]:
        return None
    turn = (u @ np.diag([1, 1, np.sign(np.linalg.det(u @ vt))]) @ vt).T
    misfit = np.sqrt((w * (a @ turn.T - b)**2).sum() / w.sum())
    return np.asarray(turn) if misfit < MISFIT else None


def as_planned() -> Array:
    """The turn of a board that is clamped as the plan has it: level, its long side along the vehicle."""
    return np.asarray(board_pose(np.zeros(3))[0])


def view_in(turn: Array, direction: Array) -> View:
    """A direction (3,) in board axes as azimuth and elevation on the vehicle."""
    d = turn @ direction
    return View(float(np.degrees(np.arctan2(d[1], d[0]))), float(np.degrees(np.arcsin(np.clip(d[2], -1, 1)))))


def apart(a: Array, b: Array) -> float:
    """Angle between two unit vectors, deg."""
    return float(np.degrees(np.arccos(np.clip(a @ b, -1, 1))))


def is_repeat(direction: Array, earlier: Sequence[Array]) -> bool:
    """Whether a photo was taken from where one was taken already."""
    return any(apart(direction, d) < SAME_SPOT for d in earlier)


def views_done(asked: Sequence[View], taken: Sequence[View]) -> tuple[bool, ...]:
    """Which of the views asked for are there: nearest pairs first, each photo for one view."""
    done = [False] * len(asked)
    pairs = sorted((apart(towards(a), towards(t)), i, j) for i, a in enumerate(asked) for j, t in enumerate(taken))
    used = set()
    for off, i, j in pairs:
        if off <= AS_ASKED and not done[i] and j not in used:
            done[i] = True
            used.add(j)
    return tuple(done)


def _drawn(rig: Rig, tag: Tag) -> Array | None:
    """About where a tag is in the drawing; None where that is anywhere."""
    if tag.centres_on:
        return np.asarray(rig.points[tag.centres_on].xyz, float)
    if tag.place is not None:
        return np.asarray(tag.place, float)
    body = rig.bodies.get(tag.body)
    return None if body is None or body.role == "wheel" else np.asarray(body.pivot, float)
