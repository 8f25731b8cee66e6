"""Repeatability: each part stands near its hinge and all parts near the board, anew at every position."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.estimation.blocks.base import Array, RowBlock, slots_of
from calib.estimation.blocks.expected import Priors, Spread
from calib.estimation.fields import wave_sizes
from calib.estimation.unknowns import Layout, Motions
from calib.linkage.rotations import perpendiculars


@dataclass(frozen=True)
class OffHinge(RowBlock):
    """How a part stands off its hinge at one position: six rows, tilt (its part along the axis is none) and shift."""

    index: int  # in State.off
    body: int  # in State.axis_d
    sd: Spread

    kind = "loose"
    robust = True

    def residual(self, m: Motions) -> Array:
        return m.state.off[self.index] / self.sd.six

    def jacobian(self, m: Motions) -> Array:
        out = np.zeros((6, 5))
        out[:3, :2] = perpendiculars(m.state.axis_d[self.body])
        out[3:, 2:] = np.eye(3)
        return out / self.sd.six[:, None]


@dataclass(frozen=True)
class OffBoard(RowBlock):
    """How all parts together stand off the board at one position: six rows, turn and shift."""

    index: int  # in State.flex
    sd: Spread

    kind = "loose"
    robust = True

    def residual(self, m: Motions) -> Array:
        return m.state.flex[self.index] / self.sd.six

    def jacobian(self, m: Motions) -> Array:
        return np.diag(1 / self.sd.six)


@dataclass(frozen=True)
class LensWaves(RowBlock):
    """What the lens does beyond its five terms is small: a row for each wave, px."""

    sd: Array

    kind = "loose"

    def residual(self, m: Motions) -> Array:
        return m.state.waves / self.sd

    def jacobian(self, m: Motions) -> Array:
        return np.diag(1 / self.sd)


def loose_blocks(layout: Layout, p: Priors) -> list[RowBlock]:
    """A block for each part and position and one for each position's board; none in a layout that is not loose."""
    out: list[RowBlock] = [OffHinge(slots_of(layout.off(b, pos)), f"{b}|{pos}", k, layout.bodies.index(b),
                                    p.loose.hinge(b)) for k, (b, pos) in enumerate(layout.off_keys)]
    out += [OffBoard(slots_of(layout.flex(pos)), pos, k, p.loose.board) for k, pos in enumerate(layout.flex_keys)]
    if layout.fields:
        out.append(LensWaves(slots_of(layout.waves), "lens", p.loose.lens_px * wave_sizes()))
    return out
