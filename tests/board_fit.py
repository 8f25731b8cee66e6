"""One estimate of lens and poses from photos of one flat board with known points: what outside checks fit with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation.arrange import Arranged
from calib.estimation.blocks.corners import Corners
from calib.estimation.blocks.expected import Priors
from calib.estimation.bundle import PARTS, Options, make_priors, solve
from calib.estimation.camera import LENS, project
from calib.estimation.coldstart import ColdStart
from calib.estimation.equations import RigProblem
from calib.estimation.fitted import Solved
from calib.estimation.solver import inverse_of, minimise
from calib.estimation.start import photo_poses
from calib.estimation.unknowns import BOW_N, Layout, State
from calib.progress import ESTIMATING, Steps, quiet
from calib.rig.model import Rig
from capture.observations import COLUMNS, Observations

Array = NDArray[np.float64]
TIGHT, WIDE = 1e-9, 1e6  # as good as held, far too wide to matter
GROUP = 32


@dataclass(frozen=True)
class BoardFit:
    """State, covariance of the lens (9, 9), residuals (n, 2) px of every view in turn, degrees of freedom."""

    state: State
    cov: Array
    residuals: Array
    dof: int

    @property
    def rms(self) -> float:
        """px, of the distances."""
        return float(np.sqrt(np.mean(np.sum(self.residuals**2, axis=1))))

    @property
    def sd(self) -> float:
        """px along one axis, of a corner as the residuals show it."""
        return float(np.sqrt(np.sum(self.residuals**2) / self.dof))

    def predicted(self, view: int, xy: Array) -> Array:
        """(n, 2) px of points (n, 2) mm on the board in one view."""
        s = self.state
        camera = np.c_[xy, np.zeros(len(xy))] @ s.photo_R[view].T + s.photo_t[view]
        return project(camera, s.lens, s.df[view], s.dc[view])


class BoardProblem(NamedTuple):
    """What the estimate works on: photos of a bare board, and where it starts."""

    layout: Layout
    corners: Corners
    state: State


def board_corners(views: Sequence[tuple[Array, Array]], whiten: Sequence[Array] | None, cell: float) -> Corners:
    """Corners of the views as the estimate takes them; see ``board_problem``."""
    parts = [(k, part) for k, (xy, _) in enumerate(views) for part in _neighbours(xy, cell)]
    flat, uv = np.zeros((len(parts), GROUP, 2)), np.zeros((len(parts), GROUP, 2))
    weight, seen = np.tile(np.eye(2), (len(parts), GROUP, 1, 1)), np.zeros((len(parts), GROUP), bool)
    for g, (k, part) in enumerate(parts):
        m = len(views[k][0][part])
        flat[g, :m], uv[g, :m], seen[g, :m] = views[k][0][part], views[k][1][part], True
        if whiten is not None:
            weight[g, :m] = whiten[k][part]
    return Corners(np.array([k for k, _ in parts]), np.full(len(parts), -1), np.arange(len(parts)), flat, uv, weight,
                   seen)


def board_problem(views: Sequence[tuple[Array, Array]], size: tuple[int, int],
                  whiten: Sequence[Array] | None = None, cell: float = np.inf) -> BoardProblem:
    """From views of (n, 2) mm on the board and (n, 2) px; size (width, height) px.

    ``whiten`` (n, 2, 2) a view makes each corner's residual one of unit covariance; the identity where not given.
    ``cell`` (mm): corners of one square of this size make a group, as those of one tag do.
    """
    n = len(views)
    corners = board_corners(views, whiten, cell)
    start = photo_poses(corners, n, size, None)
    names = tuple(f"photo {k}" for k in range(n))
    rig = Rig("board", 1000.0, {}, {}, {}, {}, {}, {})
    layout = Layout(rig, (), (), (), (), ("here",), (), "here", names, ("here",) * n)
    state = State(start.lens, 1.0, np.zeros(BOW_N), np.eye(3), np.zeros(3), np.zeros((0, 3, 3)), np.zeros((0, 3)),
                  np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros(0), start.R, start.t,
                  np.zeros(n), np.zeros((n, 2)))
    return BoardProblem(layout, corners, state)


def _neighbours(xy: Array, cell: float) -> list[NDArray[np.intp]]:
    """Indices of the corners (n, 2) mm of each cell, at most GROUP together."""
    if not len(xy):
        return []
    where = np.floor((xy - xy.min(axis=0) + 1e-6) / cell)
    _, of = np.unique(where, axis=0, return_inverse=True)
    cells = [np.flatnonzero(of.ravel() == c) for c in range(int(of.max()) + 1)]
    return [c[a:a + GROUP] for c in cells for a in range(0, len(c), GROUP)]


def as_in_a_run(views: Sequence[tuple[Array, Array]], covs: Sequence[Array], size: tuple[int, int],
                cell: float) -> Solved:
    """As a run estimates, from the priors of photos without EXIF; ``covs`` (n, 2, 2) px^2 of each view's corners."""
    whiten = [np.linalg.inv(np.linalg.cholesky(c)) for c in covs]
    layout, corners, state = board_problem(views, size, whiten, cell)
    priors = make_priors(layout.rig, size, float(state.lens[0]))
    solved, _ = solve(Arranged(Observations(pd.DataFrame(columns=COLUMNS), ()), layout, corners),
                      ColdStart(state, corners, priors, [], {}), Options(), Steps(quiet, ESTIMATING, PARTS))
    return solved


def fit_board(views: Sequence[tuple[Array, Array]], size: tuple[int, int], free: Sequence[str] = LENS,
              df_sd: float = TIGHT, dc_sd: float = TIGHT) -> BoardFit:
    """Lens terms ``free`` and every pose from views of (n, 2) mm on the board and (n, 2) px; size (width, height).

    The board's scale and bow are held. ``df_sd`` (relative) and ``dc_sd`` (px) free each photo's own focal length
    and principal point. Every corner counts alike: its covariance is the identity.
    """
    n = len(views)
    layout, corners, state = board_problem(views, size)
    lens_sd = np.array([WIDE if name in free else TIGHT for name in LENS])
    priors = Priors(state.lens.copy(), lens_sd, df_sd=df_sd, dc_sd=dc_sd, scale=1.0, scale_sd=TIGHT, bow_sd=TIGHT,
                    stretch_sd=TIGHT)
    problem = RigProblem(layout, corners, priors)
    sol = minimise(problem, state, max_iterations=200, rtol=1e-16)
    assert sol.converged
    r = problem.corner_residuals(sol.state)[corners.seen]
    dof = r.size - len(free) - 6 * n - (3 * n if df_sd > TIGHT else 0)
    cov = inverse_of(problem.information(sol.state)) * float(np.sum(r * r)) / dof
    return BoardFit(sol.state, cov[:9, :9], r, dof)
