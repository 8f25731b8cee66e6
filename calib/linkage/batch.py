"""Many variants of one linkage at once, in closed form: what the adjustment search and the bands run on.

A rig whose rods each bring in one more body (lever, crank, uprights, second lever) is a chain of loops of two
hinges and two ball joints. Each loop has a closed form: with ``p`` the driving ball's place and the driven
ball at c + u cos(t) + v sin(t) on its hinge circle, |c + u cos t + v sin t - p| = L gives
A cos t + B sin t = C, A = 2 u.(c - p), B = 2 v.(c - p), C = L^2 - |c - p|^2 - |u|^2
(e.g. McCarthy and Soh, Geometric Design of Linkages, 2nd ed., spatial RSSR linkage; section from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage.rotations import cross, dot
from calib.rig.model import FRAME, Rig
from calib.rig.parameters import Kind, ParameterName

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Step:
    """One loop: ``rod`` from ``known`` (a point already placed) to ``new`` on the body it brings in."""

    rod: str
    known: str
    new: str
    body: str


def loop_order(rig: Rig) -> tuple[tuple[Step, ...], tuple[str, ...]] | None:
    """Loops in solving order and the rods left over, or None where the rig is no such chain.

    None: a moving body hangs on another moving body (wheels turned by hand apart), or an upright is not
    reached. A lean joint is held straight and counts as frame.
    """
    still = held(rig)
    if any(b.parent not in still and b.role != "wheel" for b in rig.bodies.values()):
        return None
    known, steps, rest = {*still, rig.driver}, [], list(rig.rods.values())
    left_over: list[str] = []
    while rest:
        for rod in rest:
            a, b = rig.points[rod.a], rig.points[rod.b]
            if a.body in known and b.body in known:
                left_over.append(rod.name)
            elif a.body in known:
                steps.append(Step(rod.name, a.name, b.name, b.body))
                known.add(b.body)
            elif b.body in known:
                steps.append(Step(rod.name, b.name, a.name, a.body))
                known.add(a.body)
            else:
                continue
            rest.remove(rod)
            break
        else:
            break
    if any(w.upright not in known for w in rig.wheels.values()):
        return None
    return tuple(steps), tuple(left_over)


def held(rig: Rig) -> set[str]:
    """The frame and the lean joints, which stand straight here."""
    return {FRAME} | {n for n, b in rig.bodies.items() if b.role == "lean" and n != rig.driver}


class Batch:
    """``m`` variants of ``rig``; every geometric value starts as the rig's and is set by name or directly.

    ``rig`` may be ``m`` variants ``stacked`` already.
    """

    def __init__(self, rig: Rig, m: int) -> None:
        made = loop_order(rig)
        if made is None:
            raise ValueError("not a chain of simple loops")
        self.rig, self.m = rig, m
        self.steps, self.left_over = made

        def fill(v: ArrayLike) -> Array:
            out = np.empty((m, 3))
            out[:] = np.asarray(v, float).reshape(-1, 3)
            return out

        self.pivot = {n: fill(b.pivot) for n, b in rig.bodies.items()}
        self.axis = {n: fill(b.axis) for n, b in rig.bodies.items()}
        self.hole = {n: fill(p.xyz) for n, p in rig.points.items()}
        self.bolt = {n: fill(p.bolt) for n, p in rig.points.items() if p.bolt is not None}
        self.length = {n: np.array(np.broadcast_to(np.ravel(r.length), (m,)), float) for n, r in rig.rods.items()}
        self.spin = {n: fill(w.spin) for n, w in rig.wheels.items()}

    def set(self, name: str, values: Array) -> None:
        """Set a named parameter (see calib.rig.parameters), values (m,). A hole not in use has no effect."""
        n = ParameterName.parse(name)
        if n.kind is Kind.LENGTH:
            self.length[n.owner] = np.broadcast_to(values, (self.m,)).astype(float)
        elif n.kind not in (Kind.CENTRE, Kind.TRAVEL) and n.of_hole_in_use(self.rig):  # these move no heading
            vectors = {Kind.PIVOT: self.pivot, Kind.AXIS: self.axis, Kind.HOLE: self.hole, Kind.SPIN: self.spin}
            vectors[n.kind][n.owner][:, n.component] = values

    def shift(self, bodies: Sequence[str], by: Array) -> None:
        """Move bodies with their holes, by (m, 3) mm."""
        for n in bodies:
            self.pivot[n] = self.pivot[n] + by
        for p in self.rig.points.values():
            if p.body in bodies:
                self.hole[p.name] = self.hole[p.name] + by

    def lengthen(self, rod: str, mm: ArrayLike) -> None:
        """Make a rod longer, by mm (m,)."""
        self.length[rod] = self.length[rod] + mm

    def clock(self, point: str, angle: ArrayLike) -> None:
        """Turn a point with its bolt about its body's axis, by angle (m,) rad."""
        b = self.rig.points[point].body
        by = np.broadcast_to(angle, (self.m,))[:, None]
        self.hole[point] = turn(self.hole[point], self.pivot[b], self.axis[b], by)[:, 0]
        if point in self.bolt:
            self.bolt[point] = turn(self.bolt[point], np.zeros(3), self.axis[b], by)[:, 0]

    def as_rig(self) -> Rig:
        """The variants as one rig whose vectors are (m, 1, 3) arrays, as ``stacked`` makes it."""
        def column(v: Array) -> Any:
            return v[:, None]

        rig = self.rig
        return replace(
            rig, bodies={n: replace(b, pivot=column(self.pivot[n]), axis=column(self.axis[n]))
                         for n, b in rig.bodies.items()},
            points={n: replace(p, holes={p.use: column(self.hole[n])},
                               bolt=column(self.bolt[n]) if n in self.bolt else None)
                    for n, p in rig.points.items()},
            rods={n: replace(r, length=column(self.length[n])) for n, r in rig.rods.items()})

    def angles(self, driver: Array) -> dict[str, Array]:
        """Joint angles of every body, (m, k) rad, over driver angles (k,) rad in increasing order about zero.

        NaN where rods cannot reach, and beyond such a place as seen from zero.
        """
        d = np.broadcast_to(np.atleast_1d(driver), (self.m, np.shape(driver)[-1] if np.ndim(driver) else 1))
        out: dict[str, Array] = {n: np.zeros(d.shape) for n in held(self.rig)}
        out[self.rig.driver] = np.array(d, float)
        for s in self.steps:
            p0 = self.hole[s.known]
            kb = self.rig.points[s.known].body
            p = turn(p0, self.pivot[kb], self.axis[kb], out[kb]) if kb != FRAME else p0[:, None, :]
            k = unit(self.axis[s.body])
            arm = self.hole[s.new] - self.pivot[s.body]
            along = dot(arm, k)[:, None] * k
            u, c = arm - along, self.pivot[s.body] + along
            v = cross(k, u)
            w = c[:, None, :] - p
            A, B = 2 * dot(u[:, None], w), 2 * dot(v[:, None], w)
            C = self.length[s.rod][:, None] ** 2 - dot(w, w) - dot(u, u)[:, None]
            branch = -np.sign(dot(v, c - p0))[:, None]  # the side of the dead line it was assembled on
            branch = np.where(branch == 0, 1.0, branch)
            with np.errstate(invalid="ignore", divide="ignore"):
                t = np.arctan2(B, A) + branch * np.arccos(C / np.hypot(A, B))
            out[s.body] = _connected((t + np.pi) % (2 * np.pi) - np.pi, int(np.argmin(np.abs(d[0]))))
        return out

    def headings(self, angles: Mapping[str, Array]) -> dict[str, Array]:
        """Ground heading of each wheel by side, (m, k) rad, left positive (ISO 8855), from joint angles."""
        out = {}
        for side, w in self.rig.wheels.items():
            s = turn(self.spin[side], np.zeros(3), self.axis[w.upright], angles[w.upright])
            out[side] = np.arctan2(-s[..., 0], s[..., 1])
        return out


def _connected(t: Array, i0: int) -> Array:
    """NaN beyond the first NaN on either side of column ``i0``: such a pose cannot be reached from there."""
    ok = np.isfinite(t)
    ok[:, i0:] = np.logical_and.accumulate(ok[:, i0:], axis=1)
    ok[:, :i0 + 1] = np.logical_and.accumulate(ok[:, i0::-1], axis=1)[:, ::-1]
    return np.where(ok, t, np.nan)


def unit(v: Array) -> Array:
    """Rows brought to unit length."""
    return v / np.sqrt(dot(v, v))[..., None]


def turn(p: Array, pivot: Array, axis: Array, angle: Array) -> Array:
    """Points (m, 3) turned about their hinges (m, 3) by angle (m, k) rad (Rodrigues): (m, k, 3)."""
    k = unit(axis)
    r = p - pivot
    along = dot(r, k)[..., None] * k
    u, still = r - along, pivot + along
    v, c, s = cross(k, u), np.cos(angle), np.sin(angle)
    out = np.empty((3, *np.broadcast_shapes((len(still), 1), angle.shape)))  # columns: short last axes are slow
    for j in range(3):
        out[j] = still[:, None, j] + u[:, None, j] * c + v[:, None, j] * s
    return out.transpose(1, 2, 0)
