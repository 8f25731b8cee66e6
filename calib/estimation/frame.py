"""Where straight ahead, level and the origin are when no drawing says so.

What speaks of it is put into one small least-squares problem for the motion from the board to the frame, with how far
each can be believed: the left of a hand-built vehicle mirrors its right, the front hubs stand a wheel's radius above
the ground with the origin under their middle, so does the rear hub, the board lies about level, tags on the floor and
on the centre line are where they say, and so are places that the file gives. The covariance goes into the estimate.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.linkage.rotations import perpendiculars, rotation
from calib.uncertainty import K95, differences, each, standard

Array = NDArray[np.float64]
ALIKE_MM, ALIKE_DEG = 5.0, 1.5  # 95 %: left against right of a hand-built vehicle (common practice, no source)
BOARD_DEG = 10.0  # 95 %: how level a board is that somebody clamped on by eye (common practice, no source)
BOARD_TIPPED = np.deg2rad(30.0)  # from the kingpins, beyond which a board was not meant to lie level
CASTER_DEG, CASTER_U95 = 10.0, 15.0  # of kingpins, where nothing else says what is level (common practice, no source)
HUB_MM = 3.0  # 95 %: a hub above the ground against the radius (tyre pressure, load)
PIN_MM = 60.0  # 95 %: the middle of a kingpin's part against its wheel's radius (common practice, no source)
ROBUST = 3.0  # standard uncertainties from which a row loses weight
DEFINED_MM = 0.02  # the origin's own place under the hubs
MIRROR = np.diag([1.0, -1.0, 1.0])


@dataclass(frozen=True)
class FrameRule:
    """The motion from board to frame that the rules give: R (3, 3), t (3,) mm.

    ``whiten`` (6, 6) makes unit errors of a turn (rad) applied after R and a shift (mm) of t.
    """

    R: Array
    t: Array
    whiten: Array
    said: tuple[str, ...] = ()  # what it rests on, a sentence each

    @property
    def turn_u95(self) -> Array:
        """95 % half-widths (3,), deg: roll about x, pitch about y, heading about z."""
        root = np.linalg.inv(self.whiten)[:3]
        return np.asarray(np.rad2deg(K95 * np.linalg.norm(root, axis=1)), float)


@dataclass(frozen=True)
class Line:
    """A hinge in the board frame: a point of it near its part, and its direction (sign of no account)."""

    point: Array
    axis: Array


Rows = Callable[[Array, Array], Array]  # residuals in standard units of a motion (R, t)


def alike_points(left: Array, right: Array) -> Rows:
    """The left one mirrored is where the right one is."""
    sd = standard(ALIKE_MM) * np.sqrt(2)
    return lambda R, t: (MIRROR @ (R @ left + t) - (R @ right + t)) / sd


def alike_lines(left: Line, right: Line) -> Rows:
    """The left hinge mirrored lies along the right one."""
    mm, rad = standard(ALIKE_MM) * np.sqrt(2), standard(np.deg2rad(ALIKE_DEG)) * np.sqrt(2)

    def rows(R: Array, t: Array) -> Array:
        p, d = MIRROR @ (R @ left.point + t), MIRROR @ R @ left.axis
        q, e = R @ right.point + t, R @ right.axis
        across = perpendiculars(e)
        return np.concatenate([across.T @ d / rad, across.T @ (p - q) / mm])

    return rows


def at_place(point: Array, place: Sequence[float], u95: float) -> Rows:
    """A point is where the file has it."""
    return lambda R, t: (R @ point + t - np.asarray(place)) / standard(u95)


def through_place(line: Line, place: Sequence[float], u95: float) -> Rows:
    """A hinge passes where the file has it."""
    def rows(R: Array, t: Array) -> Array:
        return perpendiculars(R @ line.axis).T @ (R @ line.point + t - np.asarray(place)) / standard(u95)

    return rows


def along(axis: Array, direction: Sequence[float], u95_rad: float) -> Rows:
    """A direction is the one the file has."""
    across = perpendiculars(np.asarray(direction, float))
    return lambda R, t: across.T @ R @ axis / standard(u95_rad)


def in_plane(point: Array, k: int, value: float, u95: float) -> Rows:
    """Coordinate ``k`` of a point is ``value``."""
    return lambda R, t: np.array([(R[k] @ point + t[k] - value) / standard(u95)])


def middle_at_zero(points: Sequence[Array]) -> Rows:
    """The middle of some points has x = 0: the origin's own definition."""
    return lambda R, t: np.array([np.mean([R[0] @ p + t[0] for p in points]) / DEFINED_MM])


def level_board(normal: Array, u95_rad: float) -> Rows:
    """The board's normal points up."""
    return lambda R, t: (R @ normal)[:2] / standard(u95_rad)


def leaning_back(axes: Sequence[Array]) -> Rows:
    """The kingpins, pointing up, lean back as they usually do."""
    mean = np.sum(axes, axis=0)
    mean = mean / np.linalg.norm(mean)

    def rows(R: Array, t: Array) -> Array:
        d = R @ mean
        return np.array([(np.arctan2(-d[0], d[2]) - np.deg2rad(CASTER_DEG)) / standard(np.deg2rad(CASTER_U95))])

    return rows


def settle(rows: Sequence[Rows], R: Array, t: Array, said: Sequence[str] = ()) -> FrameRule | None:
    """The motion that suits all rows best, from a rough one; None where they leave some of it open.

    The covariance is widened where the rows disagree by more than they say (Birge, 1932).
    """
    from scipy.optimize import least_squares  # here, as few shoots need it and it takes long to load

    def residual(x: Array, start: Array = R) -> Array:
        r = rotation(x[:3]) @ start
        return np.concatenate([f(r, 100 * x[3:]) for f in rows])  # shifts in dm, to be of the turns' size

    x0 = np.concatenate([np.zeros(3), np.asarray(t) / 100])
    found = least_squares(residual, x0, loss="cauchy", f_scale=ROBUST).x
    at = rotation(found[:3]) @ R
    e, j = differences(each(lambda x: residual(x, at)), np.concatenate([np.zeros(3), found[3:]]), 1e-5)
    j = j / np.sqrt(1 + (e / ROBUST) ** 2)[:, None]
    if np.linalg.eigvalsh(j.T @ j)[0] < 1.0:  # worse than a radian or a decimetre
        return None
    dof = len(e) - 6
    widen = max(1.0, float(np.sum(np.minimum(np.abs(e), ROBUST) ** 2)) / dof) if dof > 0 else 1.0
    root = np.linalg.qr(j, mode="r") / np.sqrt(widen) / np.array([1.0, 1.0, 1.0, 100.0, 100.0, 100.0])
    return FrameRule(at, 100 * found[3:], root, tuple(said))


def rough(left: Array, up: Array, right: Array) -> Array | None:
    """Rotation (3, 3) with y from the right to the left and z as near ``up`` as that allows; None where it is open."""
    y = np.asarray(left, float) - right
    if np.linalg.norm(y) < 20.0:
        return None
    y = y / np.linalg.norm(y)
    z = up - y * (y @ up)
    if np.linalg.norm(z) < 0.2 * np.linalg.norm(up):
        return None
    z = z / np.linalg.norm(z)
    return np.stack([np.cross(y, z), y, z])
