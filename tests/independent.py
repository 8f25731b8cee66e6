"""A steering linkage solved without ``calib.linkage``: loop closure by Newton from the assembled pose, many at once.

Used to check advice that was worked out in closed form. Only the plain data of ``calib.rig.model`` is read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.rig.model import FRAME, Rig

Array = NDArray[np.float64]


def rotated(x: Array, pivot: Array, axis: Array, angle: Array) -> Array:
    """Places x turned about the line through pivot along axis (any length), right-handed; (m, 3) and (m,)."""
    k = axis / np.sqrt((axis**2).sum(-1, keepdims=True))
    r, c, s = x - pivot, np.cos(angle)[:, None], np.sin(angle)[:, None]
    kxr = np.stack([k[:, 1] * r[:, 2] - k[:, 2] * r[:, 1], k[:, 2] * r[:, 0] - k[:, 0] * r[:, 2],
                    k[:, 0] * r[:, 1] - k[:, 1] * r[:, 0]], axis=1)
    return pivot + r * c + kxr * s + k * ((k * r).sum(-1, keepdims=True)) * (1 - c)


@dataclass
class Many:
    """``m`` variants of a rig: places by name, (m, 3), and rod lengths, (m,)."""

    rig: Rig
    pivot: dict[str, Array]
    axis: dict[str, Array]
    ball: dict[str, Array]
    spin: dict[str, Array]
    rod: dict[str, Array]

    @classmethod
    def of(cls, rig: Rig, m: int, holes: Mapping[str, str] | None = None) -> Many:
        """``m`` times the rig, with other holes in use."""
        def rows(v: Sequence[float]) -> Array:
            return np.tile(np.asarray(v, float), (m, 1))

        use = {n: p.use for n, p in rig.points.items()} | dict(holes or {})
        return cls(rig, {n: rows(b.pivot) for n, b in rig.bodies.items()},
                   {n: rows(b.axis) for n, b in rig.bodies.items()},
                   {n: rows(p.holes[use[n]]) for n, p in rig.points.items()},
                   {s: rows(w.spin) for s, w in rig.wheels.items()},
                   {n: np.full(m, r.length) for n, r in rig.rods.items()})

    def add(self, name: str, by: Array, holes: Mapping[str, str]) -> None:
        """Add (m,) to a named parameter ("left_tie.length", "crank.pivot.x", "left_lever.rod@C.x", "left.spin.x")."""
        head, _, last = name.rpartition(".")
        if last == "length":
            self.rod[head] = self.rod[head] + by
            return
        k = "xyz".index(last)
        if "@" in head:
            point, hole = head.split("@")
            if holes.get(point, self.rig.points[point].use) == hole:
                self.ball[point][:, k] += by
            return
        owner, _, what = head.rpartition(".")
        if what != "centre":
            getattr(self, what)[owner][:, k] += by

    def _order(self) -> list[tuple[str, str, str, str]]:
        """(rod, placed point, new point, new body), each rod bringing in one more body."""
        known, out = {FRAME, self.rig.driver}, []
        while True:
            for r in self.rig.rods.values():
                a, b = self.rig.points[r.a], self.rig.points[r.b]
                if (a.body in known) != (b.body in known):
                    if b.body in known:
                        a, b = b, a
                    out.append((r.name, a.name, b.name, b.body))
                    known.add(b.body)
                    break
            else:
                return out

    def headings(self, driver: Array) -> tuple[Array, Array]:
        """Left and right wheel heading, (m, k) rad, over driver angles (k,) with zero among them; NaN unreached."""
        m, k = len(next(iter(self.rod.values()))), len(driver)
        zero = int(np.argmin(np.abs(driver)))
        left, right = np.full((m, k), np.nan), np.full((m, k), np.nan)
        order = self._order()
        for way in (range(zero, k), range(zero, -1, -1)):
            angle = {b: np.zeros(m) for *_, b in order}
            for j in way:
                angle = self._pose(driver[j], angle, order)
                left[:, j], right[:, j] = self._heading("left", angle), self._heading("right", angle)
        return left, right

    def _pose(self, d: float, start: Mapping[str, Array], order: Sequence[tuple[str, str, str, str]],
              steps: int = 8) -> dict[str, Array]:
        now: dict[str, Array] = {self.rig.driver: np.full_like(next(iter(start.values())), d)}
        for rod, old, new, body in order:
            q = self._place(old, now)
            x = start[body].copy()
            c, k = self.pivot[body], self.axis[body]
            k = k / np.sqrt((k**2).sum(-1, keepdims=True))
            for _ in range(steps):  # Newton on |ball - q|^2 = L^2, slope 2 (ball - q) . (k x (ball - c))
                p = rotated(self.ball[new], c, k, x)
                gap, tangent = p - q, np.cross(k, p - c)
                f = (gap**2).sum(-1) - self.rod[rod] ** 2
                with np.errstate(all="ignore"):
                    step = np.clip(f / (2 * (gap * tangent).sum(-1)), -0.3, 0.3)
                x = x - step
                if np.nanmax(np.abs(step), initial=0.0) < 1e-11:
                    break
            p = rotated(self.ball[new], c, k, x)
            miss = np.abs(np.sqrt(((p - q) ** 2).sum(-1)) - self.rod[rod])
            now[body] = np.where(miss < 1e-6, x, np.nan)
        return now

    def _place(self, point: str, angle: Mapping[str, Array]) -> Array:
        body = self.rig.points[point].body
        if body == FRAME:
            return self.ball[point]
        return rotated(self.ball[point], self.pivot[body], self.axis[body], angle[body])

    def _heading(self, side: str, angle: Mapping[str, Array]) -> Array:
        up = self.rig.wheels[side].upright
        s = rotated(self.spin[side], np.zeros(3), self.axis[up], angle[up])
        return np.arctan2(-s[:, 0], s[:, 1])
