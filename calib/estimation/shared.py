"""Errors that the corners of one tag share in one photo, told from the noise of single corners.

Within a group (photo and tag) a shift and a slope are fitted to what the estimate leaves over. Their mean square over
that of the rest says how many times too certain independent corners would be; degrees of freedom are counted for what
the estimate has taken up already, so that it stays right with few groups; the aim is that of Bell and McCaffrey's
correction for few clusters (Survey Methodology 28, 2002), the way is simpler: one share taken up for all groups.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.estimation.equations import RigProblem
from calib.estimation.fields import REACH
from calib.estimation.unknowns import State

Array = NDArray[np.float64]
PATCH = 6  # shift 2, slopes 4
MOST = 0.6  # share of the patches' freedom that the estimate may have taken up, at most, to be told by


def shared_ratio(problem: RigProblem, s: State, used: NDArray[np.bool_]) -> float:
    """Variance of what a tag's corners share in a photo over that of independent corners; about 1 for sound ones."""
    c = problem.corners
    r = np.einsum("gnij,gnj->gni", c.whiten, problem.corner_residuals(s)) * used[..., None]
    n = used.sum(axis=1)
    big = n >= 8
    if not big.any():
        return 1.0
    r, use = r[big], used[big]
    middle = np.sum(c.uv[big] * use[..., None], axis=1) / n[big, None]
    apart = (c.uv[big] - middle[:, None]) / REACH
    terms = np.stack([np.ones_like(apart[..., 0]), apart[..., 0], apart[..., 1]], axis=-1)  # (g, 32, 3)
    a = np.einsum("gnij,gnk->gnijk", c.whiten[big] * use[..., None, None], terms)
    a = a.reshape(len(r), -1, PATCH)
    r = r.reshape(len(r), -1)
    pull = np.einsum("gmk,gm->gk", a, r)
    square = np.einsum("gmk,gml->gkl", a, a)
    fitted = np.einsum("gk,gk->g", pull, np.linalg.solve(square, pull[..., None])[..., 0])
    free = PATCH * len(r)
    pairs = len({(t, problem.layout.photo_positions[p]) for t, p in zip(c.tag[big], c.photo[big], strict=True)
                 if t >= 0})
    taken = min(problem.layout.private * len(problem.layout.photos) + PATCH * pairs, MOST * free)
    within = (float(np.sum(r**2)) - float(fitted.sum())) / max(2 * int(n[big].sum()) - free, 1)
    return float(fitted.sum()) / (free - taken) / max(within, 1e-12)
