"""Expected values: lens, print, board bow, joint angles, the alignment where nothing is drawn, and each photo's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from calib.estimation.blocks.base import Array, RowBlock, slots_of
from calib.estimation.frame import FrameRule
from calib.estimation.solver import Normal
from calib.estimation.unknowns import BOW_N, LENS_N, Layout, Motions, State
from calib.linkage.rotations import rotation_vector, skew

DF_SD = 0.003  # relative focal change of one photo, from phone autofocus and stabilised lenses
DC_SD = 0.002  # principal-point change of one photo over the picture's width


@dataclass(frozen=True)
class Spread:
    """How a joint repeats from position to position: standard deviations per axis, mm and rad."""

    mm: float
    rad: float

    @property
    def six(self) -> Array:
        """(6,) of a turn and a shift."""
        return np.array([self.rad] * 3 + [self.mm] * 3)


@dataclass(frozen=True)
class Looseness:
    """How parts repeat on their hinges, and all parts against the board."""

    hinges: Mapping[str, Spread] = field(default_factory=dict)  # by body
    board: Spread = Spread(0.15, 0.3e-3)
    hand: Spread = Spread(0.4, 0.45e-3)  # from the first row to the last: 15 mm/s and 1 deg/s in 25 ms
    lens_px: float = 0.2  # the coarsest of the lens' waves
    usual: Spread = Spread(0.1, 1e-3)  # of a hinge that is not named

    def hinge(self, body: str) -> Spread:
        return self.hinges.get(body, self.usual)


@dataclass(frozen=True)
class Priors:
    """Expected values with standard uncertainties; see ``calib.estimation.bundle`` for where they come from."""

    lens: Array  # (9,)
    lens_sd: Array  # (9,)
    df_sd: float
    dc_sd: float
    scale: float
    scale_sd: float
    bow_sd: float
    stretch_sd: float = 0.001  # print scale along the sheet over that across it, about 1
    scale_along: float | None = None  # print scale along the sheet by its own bar, where that was measured
    scale_along_sd: float = 1.0
    rod_play_sd: float = 0.05  # mm, closure of a rod at one position
    approached_sd: float = 1.0  # mm, the same where a position was approached from both sides to see play
    angle_sd: float = 2.0  # rad, only keeps an unseen joint from being free
    hole_sd: Mapping[str, float] = field(default_factory=dict)  # mm by point: doubt which hole it is drawn in
    loose: Looseness = Looseness()  # where the layout is loose
    lock_sd: float = np.deg2rad(0.1)  # rad, how well a lean lock holds upright; common practice, no source
    frame: FrameRule | None = None  # where the frame is where no drawing says so

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the pictures, px, whose middle the principal point is expected in."""
        return 2 * float(self.lens[2]) + 1, 2 * float(self.lens[3]) + 1


@dataclass(frozen=True)
class _Expected(RowBlock):
    """Unknowns near their expected values, each over its own standard uncertainty, in its own unit."""

    value: Array  # (k,)
    sd: Array  # (k,)

    kind = "prior"

    def now(self, s: State) -> Array:
        """The unknowns (k,) at a state."""
        raise NotImplementedError

    def residual(self, m: Motions) -> Array:
        return (self.now(m.state) - self.value) / self.sd

    def jacobian(self, m: Motions) -> Array:
        return np.diag(1 / self.sd)


@dataclass(frozen=True)
class LensPrior(_Expected):
    """Focal length (px), aspect, principal point (px) and distortion terms: nine rows, wide."""

    def now(self, s: State) -> Array:
        return s.lens


@dataclass(frozen=True)
class PrintScale(_Expected):
    """Print scale across the sheet, by the bar or a printer's usual: one row."""

    def now(self, s: State) -> Array:
        return np.array([s.scale])


@dataclass(frozen=True)
class PrintStretch(_Expected):
    """Print scale along the sheet over that across it, about 1: one row."""

    def now(self, s: State) -> Array:
        return np.array([s.stretch])


@dataclass(frozen=True)
class BoardBow(_Expected):
    """The board is flat within its bow: a row for each of its terms, mm at 100 mm."""

    def now(self, s: State) -> Array:
        return s.bow


@dataclass(frozen=True)
class JointAngles(_Expected):
    """All joint angles near zero, rad: wide, to hold a joint that was not seen; narrow for a locked lean joint."""

    def now(self, s: State) -> Array:
        return s.angles


@dataclass(frozen=True)
class BarAlong(RowBlock):
    """Print scale along the sheet by its own bar, scale times stretch: one row."""

    value: float
    sd: float

    kind = "prior"

    def residual(self, m: Motions) -> Array:
        return np.array([(m.state.print_scale[1] - self.value) / self.sd])

    def jacobian(self, m: Motions) -> Array:
        return np.array([[m.state.stretch, m.state.scale]]) / self.sd


@dataclass(frozen=True)
class AlignmentHeld(RowBlock):
    """With nothing to align to a drawing the board frame is the frame: six rows, rad and mm, nothing pulls on them.

    The derivative is that at the board frame itself, where they hold it.
    """

    kind = "prior"

    def residual(self, m: Motions) -> Array:
        return np.concatenate([rotation_vector(m.state.align_R), m.state.align_t])

    def jacobian(self, m: Motions) -> Array:
        return np.eye(6)


@dataclass(frozen=True)
class FrameRuled(RowBlock):
    """The alignment near what rules of thumb give, with their covariance: six rows, where no drawing says it.

    The turn off the rule's is w, rotation(w) = R R_rule'; a step d of R changes it by (I - [w]/2 + c [w]^2) d,
    c = 1/|w|^2 - (1 + cos |w|) / (2 |w| sin |w|), the inverse of the left Jacobian of SO(3) (Barfoot, 2017, State
    Estimation for Robotics, eq. 7.77; from memory).
    """

    rule: FrameRule

    kind = "drawing"  # not from the photos

    def _turn(self, m: Motions) -> Array:
        return rotation_vector(m.state.align_R @ self.rule.R.T)

    def residual(self, m: Motions) -> Array:
        return self.rule.whiten @ np.concatenate([self._turn(m), m.state.align_t - self.rule.t])

    def jacobian(self, m: Motions) -> Array:
        w = self._turn(m)
        k, out, a = skew(w), np.eye(6), float(np.linalg.norm(w))
        c = 1 / 12 if a < 1e-3 else 1 / a**2 - (1 + np.cos(a)) / (2 * a * np.sin(a))
        out[:3, :3] += -k / 2 + c * k @ k
        return self.rule.whiten @ out


@dataclass(frozen=True)
class PhotoPrior:
    """Each photo's own focal (relative) and principal-point change (px) near zero, and its hand: private rows."""

    df_sd: float
    dc_sd: float
    hand: Spread = Looseness.hand  # how far the hand moves in a picture, where the state has it

    kind = "prior"

    def cost(self, s: State) -> float:
        """Sum of squares."""
        return float(np.sum((s.df / self.df_sd) ** 2) + np.sum((s.dc / self.dc_sd) ** 2)
                     + np.sum((s.hand / self.hand.six) ** 2))

    def add_to(self, n: Normal, s: State) -> float:
        """Add the rows to the normal equations; returns their cost (twice)."""
        for k, sd in ((6, self.df_sd), (7, self.dc_sd), (8, self.dc_sd)):
            n.private[:, k, k] += 1 / sd**2
        n.g_private[:, 6] += s.df / self.df_sd**2
        n.g_private[:, 7:9] += s.dc / self.dc_sd**2
        if len(s.hand):
            own = np.arange(9, 15)
            n.private[:, own, own] += 1 / self.hand.six**2
            n.g_private[:, own] += s.hand / self.hand.six**2
        return self.cost(s)


def expected_blocks(layout: Layout, p: Priors) -> list[RowBlock]:
    """All that is expected of shared unknowns before any photo."""
    one = np.ones(1)
    out: list[RowBlock] = [
        LensPrior(slots_of(range(LENS_N)), "lens", p.lens, p.lens_sd),
        PrintScale(slots_of(layout.scale), "print scale", p.scale * one, p.scale_sd * one),
        PrintStretch(slots_of(layout.stretch), "print stretch", one, p.stretch_sd * one),
        BoardBow(slots_of(layout.bow), "board bow", np.zeros(BOW_N), p.bow_sd * np.ones(BOW_N))]
    if p.scale_along is not None:
        out.append(BarAlong(slots_of(layout.scale, layout.stretch), "print scale along", p.scale_along,
                            p.scale_along_sd))
    if p.frame is not None:
        out.append(FrameRuled(slots_of(layout.align), "frame", p.frame))
    if not layout.bodies:
        out.append(AlignmentHeld(slots_of(layout.align), "alignment"))
    if layout.angle_keys:
        sd = np.array([_angle_sd(layout, p, b, pos) for b, pos in layout.angle_keys])
        out.append(JointAngles(slots_of(layout.angles), "angles", np.zeros(len(sd)), sd))
    return out


def _angle_sd(layout: Layout, p: Priors, body: str, position: str) -> float:
    held = layout.rig.bodies[body].locked and position not in layout.rig.lean_positions
    return p.lock_sd if held else p.angle_sd
