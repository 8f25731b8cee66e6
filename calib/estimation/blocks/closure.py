"""Rods: the distance of a rod's two ball centres is its length, at every position."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from calib.estimation.blocks.base import Array, RowBlock, Slots, slots_of
from calib.estimation.blocks.expected import Priors
from calib.estimation.unknowns import Layout, Motions
from calib.linkage.rotations import skew
from calib.rig.model import FRAME, approach_pairs


@dataclass(frozen=True)
class BallPlace:
    """A rod point carried by its body: where its ball is at a position, in the board frame."""

    index: int  # in State.points
    body: str
    slots: Slots

    @classmethod
    def of(cls, layout: Layout, motions: Motions, point: str, position: str) -> BallPlace:
        body = layout.rig.points[point].body
        carried = () if body == FRAME else motions.derivative(body, position)[1]
        return cls(layout.points.index(point), body, slots_of(layout.point(point), carried))

    def now(self, m: Motions, position: str) -> Array:
        """Ball centre (3,) mm."""
        return m.point(self.index, self.body, position)

    def derivative(self, m: Motions, position: str) -> Array:
        """Derivative (3, slots) of ``now``: a body's twist (w, v) moves the ball by v + w x ball."""
        if self.body == FRAME:
            return np.eye(3)
        r, _ = m.motion(self.body, position)
        g, _ = m.derivative(self.body, position)
        return np.concatenate([r, g[3:] - skew(self.now(m, position)) @ g[:3]], axis=1)


@dataclass(frozen=True)
class Closure(RowBlock):
    """Ball distance less rod length, mm over ``sd`` mm: one row for a rod at a position.

    The closure equation of a spatial four-bar with two balls (RSSR), |b - a| = l.
    """

    position: str
    a: BallPlace
    b: BallPlace
    rod: int  # in State.rods
    sd: float

    kind = "closure"
    robust = True

    def residual(self, m: Motions) -> Array:
        d = self.b.now(m, self.position) - self.a.now(m, self.position)
        return np.array([(np.sqrt(d @ d) - m.state.rods[self.rod]) / self.sd])

    def jacobian(self, m: Motions) -> Array:
        d = self.b.now(m, self.position) - self.a.now(m, self.position)
        u = d / np.sqrt(d @ d)
        ja, jb = self.a.derivative(m, self.position), self.b.derivative(m, self.position)
        return np.concatenate([-u @ ja, u @ jb, [-1.0]])[None] / self.sd

    def error_mm(self, m: Motions) -> float:
        """Closure error at the position, mm; positive where the rod would have to be longer."""
        return float(self.residual(m)[0] * self.sd)


def closure_blocks(layout: Layout, motions: Motions, priors: Priors, left_out: Collection[str] = ()) -> list[Closure]:
    """A row for each rod and position, without the rods ``left_out``; ``motions`` at any state.

    Where a position was approached from both sides the row is wide, so as not to hide the play looked for.
    """
    approached = {p for both in approach_pairs(layout.positions).values() for p in both}
    out = []
    for i, name in enumerate(layout.rods):
        if name in left_out:
            continue
        rod = layout.rig.rods[name]
        for pos in layout.positions:
            a, b = (BallPlace.of(layout, motions, p, pos) for p in (rod.a, rod.b))
            sd = priors.approached_sd if pos in approached else priors.rod_play_sd
            out.append(Closure(slots_of(a.slots, b.slots, layout.rod(name)), name, pos, a, b, i, sd))
    return out
