"""What if all bolt-tag offsets were wrong alike? One unknown that the estimate does not carry, asked after the fact.

A ball lies ``offset`` below its tag, and who mismeasures one bolt head mismeasures all. At the minimum one more unknown
is put to the normal equations (a test parameter: Foerstner and Wrobel, Photogrammetric Computer Vision, 2016, sections
4.6.4 and 4.6.5, from memory): its own value and uncertainty say what closures and drawing know of it, and the step of
all else that goes with it says what such a mistake would do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.ball import BallUnderTag
from calib.estimation.blocks.base import weight
from calib.estimation.equations import RigProblem
from calib.estimation.unknowns import State

Array = NDArray[np.float64]


class CommonOffset(NamedTuple):
    """A common error of all bolt-tag offsets as this shoot sees it: mm, and what 1 mm more does to the unknowns."""

    mm: float  # to be added to every offset of the rig file
    sd: float
    step: Array  # (n,) of the shared unknowns


def common_offset(problem: RigProblem, s: State, cov: Array) -> CommonOffset | None:
    """At a minimum with covariance ``cov`` (n, n) of the shared unknowns; None with fewer than two bolt tags.

    To first order: the unknowns' covariance stays what it is without this one.
    """
    rows = [r for r in problem.rows(s) if isinstance(r.block, BallUnderTag)]
    if len(rows) < 2:
        return None
    own, pull, cross = 0.0, 0.0, np.zeros(len(cov))
    for row in rows:
        ball = row.block
        assert isinstance(ball, BallUnderTag)
        along = np.array([0.0, 0.0, 1.0]) / ball.sd
        w = weight(ball, row.r, problem.prior_scale)[0]
        own += w * float(along @ along)
        pull += w * float(along @ row.r)
        np.add.at(cross, np.asarray(row.slots), w * row.J.T @ along)
    step = -cov @ cross
    information = own + float(cross @ step)
    if information <= 1e-12 * own:
        return CommonOffset(0.0, np.inf, step)
    return CommonOffset(-pull / information, float(1 / np.sqrt(information)), step)
