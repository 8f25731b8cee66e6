"""The one least-squares problem: the sum of its blocks of rows, for the solver.

What each kind of row says stands in ``calib.estimation.blocks``: corners, closures of the rods, balls under bolt-head
tags, the drawing, measured references, and what is expected of lens, print and photos before any of them.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.ball import ball_blocks
from calib.estimation.blocks.base import Row, RowBlock, weight
from calib.estimation.blocks.closure import closure_blocks
from calib.estimation.blocks.corners import CornerBlock, Corners
from calib.estimation.blocks.drawing import drawing_blocks
from calib.estimation.blocks.expected import PhotoPrior, Priors, expected_blocks
from calib.estimation.blocks.loose import loose_blocks
from calib.estimation.blocks.references import reference_blocks
from calib.estimation.solver import Normal, reduced_system
from calib.estimation.unknowns import Layout, Motions, State, retract
from calib.rig.model import Rig

Array = NDArray[np.float64]
KINDS = ("corner", "closure", "ball", "drawing", "reference", "prior", "loose")
HELD = 1e15  # information on a photo pose that is known


def row_blocks(layout: Layout, motions: Motions, priors: Priors, closure_off: Collection[str] = (),
               drawing_scale: float = 1.0) -> list[RowBlock]:
    """Every block over shared unknowns but the corners; ``motions`` at any state. New kinds of rows join here."""
    return [*expected_blocks(layout, priors), *closure_blocks(layout, motions, priors, closure_off),
            *ball_blocks(layout), *drawing_blocks(layout, drawing_scale, priors.hole_sd), *reference_blocks(layout),
            *loose_blocks(layout, priors)]


@dataclass
class RigProblem:
    """The problem handed to the solver. ``robust_scale`` None means plain least squares."""

    layout: Layout
    corners: Corners
    priors: Priors
    robust_scale: float | None = None
    prior_scale: float = 3.0  # drawing and closure rows lose weight beyond this many standard uncertainties
    weights: Array | None = field(default=None)  # (g, 32) extra corner weights, 0 = put aside
    closure_off: frozenset[str] = frozenset()  # rods whose closure is not used
    drawing_scale: float = 1.0  # on the standard uncertainties of the drawing's rows; see calib.estimation.drawn
    poses_held: bool = False  # photo poses known (camera on a stand): they do not move

    def __post_init__(self) -> None:
        self.corner_block = CornerBlock(self.layout, self.corners, self.robust_scale, self.weights)
        self.photo_block = PhotoPrior(self.priors.df_sd, self.priors.dc_sd, self.priors.loose.hand)
        self._blocks: list[RowBlock] | None = None
        self._motions: Motions | None = None
        self._information: tuple[State, Array] | None = None

    @property
    def rig(self) -> Rig:
        """The design whose dimensions the drawing's rows hold."""
        return self.layout.rig

    def motions(self, s: State) -> Motions:
        """Body motions at a state; kept until another state is asked for."""
        if self._motions is None or self._motions.state is not s:
            self._motions = Motions(self.layout, s)
        return self._motions

    def blocks(self, s: State) -> list[RowBlock]:
        """All blocks but the corners and the photos' own; the same at every state."""
        if self._blocks is None:
            self._blocks = row_blocks(self.layout, self.motions(s), self.priors, self.closure_off,
                                      self.drawing_scale)
        return self._blocks

    def rows(self, s: State) -> list[Row]:
        """All blocks but the corners and the photos' own, with residual and derivative at a state."""
        m = self.motions(s)
        return [Row(b, b.residual(m), b.jacobian(m)) for b in self.blocks(s)]

    def information(self, s: State) -> Array:
        """Information (n, n) on the shared unknowns at a state, photos eliminated; kept until another is asked for."""
        if self._information is None or self._information[0] is not s:
            self._information = (s, reduced_system(self.linearise(s)).matrix)
        return self._information[1]

    def corner_residuals(self, s: State) -> Array:
        """Pixel residuals observed minus predicted, (g, 32, 2); zero where not seen."""
        return -self.corner_block.view(self.motions(s)).gap

    def normalised(self, residual: Array) -> Array:
        """Length of each corner residual in standard units, (g, 32)."""
        w = (self.corners.whiten @ residual[..., None])[..., 0]
        return np.sqrt(w[..., 0] ** 2 + w[..., 1] ** 2)

    # -- for the solver -----------------------------------------------------------------------------------
    def cost(self, s: State) -> float:
        m = self.motions(s)
        total = self.corner_block.cost(m) + self.photo_block.cost(s)
        total += sum(weight(b, b.residual(m), self.prior_scale)[1] for b in self.blocks(s))
        return total / 2 if np.isfinite(total) else float("inf")

    def retract(self, s: State, d_shared: Array, d_private: Array) -> State:
        return retract(self.layout, s, d_shared, d_private)

    def linearise(self, s: State, parts: Collection[str] = KINDS) -> Normal:
        """Normal equations, optionally of some kinds of rows only (to tell photos from drawing)."""
        m = self.motions(s)
        n = Normal.zeros(self.layout.size, len(self.layout.photos), self.layout.private)
        cost = 0.0
        if self.corner_block.kind in parts:
            cost += self.corner_block.add_to(n, m)
        for block in self.blocks(s):
            if block.kind in parts:
                cost += block.add_to(n, m, self.prior_scale)
        if self.photo_block.kind in parts:
            cost += self.photo_block.add_to(n, s)
        if self.poses_held:
            n.private[:, range(6), range(6)] += HELD
            n.g_private[:, :6] = 0
        n.cost = cost / 2
        return n
