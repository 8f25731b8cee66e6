"""Lens and photo poses from the board alone, which no tag on a part can bend."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.corners import Corners
from calib.estimation.blocks.expected import Priors
from calib.estimation.equations import RigProblem
from calib.estimation.solver import minimise
from calib.estimation.start import PhotoPoses
from calib.estimation.unknowns import BOW_N, Layout, State

Array = NDArray[np.float64]


def calibrate_on_board(layout: Layout, corners: Corners, photos: PhotoPoses, priors: Priors,
                       max_iterations: int = 25, robust_scale: float | None = 10.0) -> State:
    """Lens and photo poses from the board's corners alone, by the same equations and solver."""
    on_board = corners.tag < 0
    only = Corners(*(getattr(corners, f.name)[on_board] for f in fields(Corners) if f.name != "fields"))
    rig = replace(layout.rig, bodies={}, points={}, rods={}, wheels={}, tags={})
    plain = Layout(rig, (), (), (), (), layout.positions, (), layout.reference, layout.photos,
                   layout.photo_positions)
    n = len(layout.photos)
    none = np.zeros((0, 3))
    state = State(photos.lens.copy(), priors.scale, np.zeros(BOW_N), np.eye(3), np.zeros(3), np.zeros((0, 3, 3)),
                  none, none, none, none, np.zeros(0), np.zeros(0), photos.R, photos.t, np.zeros(n), np.zeros((n, 2)))
    problem = RigProblem(plain, only, priors, robust_scale=robust_scale)
    solved: State = minimise(problem, state, max_iterations=max_iterations, rtol=1e-4).state
    return solved
