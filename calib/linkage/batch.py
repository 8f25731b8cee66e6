"""Many variants of one linkage at once, in closed form: what the adjustment search and the bands run on.

A rig whose rods each bring in one more body (lever, crank, uprights, second lever) is a chain of loops of two
hinges and two ball joints. Each loop has a closed form: with ``p`` the driving ball's place and the driven
ball at c + u cos(t) + v sin(t) on its hinge circle, |c + u cos t + v sin t - p| = L gives
A cos t + B sin t = C, A = 2 u.(c - p), B = 2 v.(c - p), C = L^2 - |c - p|^2 - |u|^2
(e.g. McCarthy and Soh, Geometric Design of Linkages, 2nd ed., spatial RSSR linkage; section from memory).
With p on a hinge circle too, A, B and C are each one number and one times cosine and sine of the driving angle, and
cos t and sin t follow without the angle: (A C - B s) / h and (B C + A s) / h, h = A^2 + B^2, s = +-sqrt(h - C^2).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage.columns import about, dot
from calib.rig.model import FRAME, Rig
from calib.rig.parameters import Kind, ParameterName

Array = NDArray[np.float64]
Turn = tuple[Array, Array]  # cosine and sine of an angle


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
            out = np.empty((3, m)).T  # columns: see calib.linkage.columns
            out[:] = np.asarray(v, float).reshape(-1, 3)
            return out

        self.pivot = {n: fill(b.pivot) for n, b in rig.bodies.items()}
        self.axis = {n: fill(b.axis) for n, b in rig.bodies.items()}
        self.hole = {n: fill(p.xyz) for n, p in rig.points.items()}
        self.bolt = {n: fill(p.bolt) for n, p in rig.points.items() if p.bolt is not None}
        self.length = {n: np.array(np.broadcast_to(np.ravel(r.length), (m,)), float) for n, r in rig.rods.items()}
        self.spin = {n: fill(w.spin) for n, w in rig.wheels.items()}

    def take(self, rows: NDArray[np.intp]) -> Batch:
        """The variants at ``rows`` (n,), in that order, to be changed apart from these."""
        def taken(vectors: Mapping[str, Array]) -> dict[str, Array]:
            return {n: v.T[:, rows].T for n, v in vectors.items()}

        out = copy(self)
        out.m = len(rows)
        out.pivot, out.axis, out.hole, out.bolt, out.spin = map(taken, (self.pivot, self.axis, self.hole, self.bolt,
                                                                        self.spin))
        out.length = {n: x[rows] for n, x in self.length.items()}
        return out

    def set(self, name: str, values: ArrayLike) -> None:
        """Set a named parameter (see calib.rig.parameters), values (m,). A hole not in use has no effect."""
        n = ParameterName.parse(name)
        if n.of_hole_in_use(self.rig):
            self.put(n, values)

    def put(self, n: ParameterName, values: ArrayLike, rows: slice = slice(None)) -> None:
        """Set a parameter of some variants; that of a hole is the one in use there."""
        if n.kind is Kind.LENGTH:
            self.length[n.owner][rows] = values
        elif n.kind not in (Kind.CENTRE, Kind.TRAVEL):  # these move no heading
            vectors = {Kind.PIVOT: self.pivot, Kind.AXIS: self.axis, Kind.HOLE: self.hole, Kind.SPIN: self.spin}
            vectors[n.kind][n.owner][rows, n.component] = values

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
        by = np.broadcast_to(angle, (self.m,))
        self.hole[point] = self.pivot[b] + _around(self.hole[point] - self.pivot[b], self.axis[b], by)
        if point in self.bolt:
            self.bolt[point] = _around(self.bolt[point], self.axis[b], by)

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

    def turned(self, driver: Array) -> dict[str, Turn]:
        """Cosine and sine of every body's joint angle, (m, k), over driver angles (k,) rad, increasing about zero.

        NaN where rods cannot reach, and beyond such a place as seen from zero.
        """
        d = np.atleast_1d(np.asarray(driver, float))
        zero, shape = int(np.argmin(np.abs(d))), (len(d), self.m)
        still = held(self.rig)
        out = {n: (np.ones((1, 1)), np.zeros((1, 1))) for n in still}
        out[self.rig.driver] = np.cos(d)[:, None], np.sin(d)[:, None]
        for s, own in zip(self.steps, self._loops(still).transpose(1, 0, 2), strict=True):
            a, b, c, branch = own[:3], own[3:6], own[6:9], own[9]
            cos, sin = out[self.rig.points[s.known].body]
            A, B, C = (x[0] + x[1] * cos + x[2] * sin for x in (a, b, c))
            size = A * A + B * B
            with np.errstate(invalid="ignore", divide="ignore"):
                bow = branch * np.sqrt(size - C * C)
                out[s.body] = _connected((A * C - B * bow) / size, (B * C + A * bow) / size, zero)
        return {n: (np.broadcast_to(c, shape).T, np.broadcast_to(s, shape).T) for n, (c, s) in out.items()}

    def _loops(self, still: Collection[str]) -> Array:
        """What each step's loop makes of its driving angle, (10, steps, m).

        Three each (for one, its cosine and its sine) of A, B and C, and the side of the dead line it was assembled on.
        """
        def column(vectors: Iterable[Array]) -> Array:
            return np.array([v.T for v in vectors]).swapaxes(0, 1)

        steps, points = self.steps, self.rig.points
        if not steps:
            return np.empty((10, 0, self.m))
        known, new = (column(self.hole[n] for n in names) for names in zip(*((s.known, s.new) for s in steps),
                                                                           strict=True))
        here = column(self.pivot[s.body] for s in steps)
        along, u, v = about(new - here, column(self.axis[s.body] for s in steps))
        carriers = [points[s.known].body for s in steps]
        moved = [i for i, n in enumerate(carriers) if n not in still]
        rest, U, V = known.copy(), np.zeros(known.shape), np.zeros(known.shape)
        if moved:
            there = column(self.pivot[carriers[i]] for i in moved)
            stay, U[:, moved], V[:, moved] = about(known[:, moved] - there,
                                                   column(self.axis[carriers[i]] for i in moved))
            rest[:, moved] = there + stay
        c = here + along
        w = c - rest
        length = np.array([self.length[s.rod] for s in steps])
        side = -np.sign(dot(v, c - known))
        return np.array([2 * dot(u, w), -2 * dot(u, U), -2 * dot(u, V), 2 * dot(v, w), -2 * dot(v, U), -2 * dot(v, V),
                         length * length - dot(w, w) - dot(U, U) - dot(u, u), 2 * dot(w, U), 2 * dot(w, V),
                         np.where(side == 0, 1.0, side)])

    def angles(self, driver: Array) -> dict[str, Array]:
        """Joint angles of every body, (m, k) rad in -pi..pi, over driver angles (k,); see ``turned``."""
        return {n: np.arctan2(s, c) if n != self.rig.driver else np.broadcast_to(driver, s.shape)
                for n, (c, s) in self.turned(driver).items()}

    def headings(self, turned: Mapping[str, Turn]) -> dict[str, Array]:
        """Ground heading of each wheel by side, (m, k) rad, left positive (ISO 8855), with the bodies ``turned``."""
        out = {}
        for side, w in self.rig.wheels.items():
            cos, sin = (x.T for x in turned[w.upright])
            x, y, _ = zip(*about(self.spin[side].T, self.axis[w.upright].T), strict=True)
            out[side] = np.arctan2(-(x[0] + x[1] * cos + x[2] * sin), y[0] + y[1] * cos + y[2] * sin).T
        return out


def _connected(cos: Array, sin: Array, zero: int) -> Turn:
    """NaN beyond the first NaN on either side of row ``zero`` (k, m): such a pose cannot be reached from there."""
    ok = np.isfinite(cos)
    if ok.all():
        return cos, sin
    ok[zero:] = np.logical_and.accumulate(ok[zero:], axis=0)
    ok[:zero + 1] = np.logical_and.accumulate(ok[zero::-1], axis=0)[::-1]
    return np.where(ok, cos, np.nan), np.where(ok, sin, np.nan)


def _around(v: Array, axis: Array, angle: Array) -> Array:
    """Vectors (m, 3) turned about axes (m, 3) by angle (m,) rad."""
    still, u, w = about(v.T, axis.T)
    return np.asarray(still + u * np.cos(angle) + w * np.sin(angle)).T
