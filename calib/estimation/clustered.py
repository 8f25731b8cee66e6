"""Whether photos disagree by more than their corners' covariances allow: a variance clustered on photos.

What a photo says of the shared unknowns, its pose projected out, must scatter from photo to photo as the normal
equations promise. With photo i's rows X_i (whitened, less what its own unknowns take up), residuals e_i and M the
covariance of the shared unknowns, a quantity c has the clustered variance

    sum_i (c' M X_i' A_i e_i)^2,  A_i = (I - X_i M X_i')^(-1/2)

(bias-reduced linearisation: Bell and McCaffrey, Survey Methodology 28, 2002; with a cluster's own unknowns absorbed:
Pustejovsky and Tipton, Journal of Business and Economic Statistics 36, 2018, section 3). A_i is of the rank of the
shared unknowns and is formed there. Under the stated covariances the sum's expectation is what M promises of corners;
its spread gives Satterthwaite's degrees of freedom (same papers), with which few photos count for little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from calib.estimation.blocks.corners import CornerBlock, Corners
from calib.estimation.equations import RigProblem
from calib.estimation.solver import Normal, inverse_of, reduced_system
from calib.estimation.unknowns import LENS_N, Motions, State
from calib.uncertainty import K95

Array = NDArray[np.float64]
THIN = 1e-9  # of a photo's largest information: directions of which it says no more than this are left out
FULL = 1e-6  # of a direction's information that other photos must hold, for it to be judged by


class Clustered(NamedTuple):
    """Clustered over stated variance of quantities taken together, and its degrees of freedom."""

    ratio: float
    dof: float

    @property
    def factor(self) -> float:
        """On standard uncertainties, so that the usual 95 % factor holds Student's; never less than 1."""
        if self.dof <= 0:
            return 1.0
        return max(1.0, float(np.sqrt(self.ratio) * stdtrit(self.dof, 0.975)) / K95)


class _Share(NamedTuple):
    """One photo: rows X (r, m) of full rank over the unknowns (m,) it touches, what is left over along them (r,)."""

    of: NDArray[np.intp]
    rows: Array
    left: Array


def of_the_photos(problem: RigProblem, s: State) -> Clustered:
    """Of the lens and the joint angles together."""
    angles = problem.layout.angles
    return photo_clustered(problem, s, [*range(LENS_N), *range(angles.start, angles.stop)])


def photo_clustered(problem: RigProblem, s: State, quantities: Sequence[int]) -> Clustered:
    """Of the shared unknowns ``quantities``, each counted by its own stated variance; 1 where photos are too few."""
    n = problem.linearise(s)
    reduced = reduced_system(n)
    cov = inverse_of(reduced.matrix)
    by = cov[:, list(quantities)] / np.sqrt(np.diag(cov)[list(quantities)])  # (n, k)
    found = 0.0
    motions = problem.motions(s)
    every = (_share(problem, motions, n, reduced.inverse, i) for i in range(len(problem.layout.photos)))
    shares = [share for share in every if share is not None]
    if len(shares) < 2:
        return Clustered(1.0, 0.0)
    # spread S = blocks of own_i - P' M P over all photos' pulls P: its trace and that of S S are all that is asked for,
    # and both follow from products as large as the unknowns, not as the photos
    every_pull, expected, squares = np.zeros_like(cov), 0.0, 0.0
    for of, x, left in shares:
        value, vector = np.linalg.eigh(np.eye(len(x)) - x @ cov[np.ix_(of, of)] @ x.T)
        held = value > FULL
        adjusted = (vector[:, held] / np.sqrt(value[held])) @ (vector[:, held].T @ (x @ by[of]))  # (r, k)
        found += float(np.sum((adjusted.T @ left) ** 2))
        pull, own = x.T @ adjusted, adjusted.T @ adjusted
        every_pull[np.ix_(of, of)] += pull @ pull.T
        expected += float(np.trace(own))
        squares += float(np.sum(own * own) - 2 * np.sum(own * (pull.T @ cov[np.ix_(of, of)] @ pull)))
    taken = cov @ every_pull
    expected -= float(np.trace(taken))
    squares += float(np.sum(taken * taken.T))
    return Clustered(found / expected, expected**2 / squares)


def _share(problem: RigProblem, motions: Motions, whole: Normal, inverse: Array, photo: int) -> _Share | None:
    """A photo's share of the shared unknowns; None where it says nothing of them."""
    c = problem.corners
    mine = c.photo == photo
    weights = None if problem.weights is None else problem.weights[mine]
    block = CornerBlock(problem.layout, some_corners(c, mine), problem.robust_scale, weights)
    one = Normal.zeros(problem.layout.size, len(problem.layout.photos), problem.layout.private)
    block.add_to(one, motions)
    of = np.flatnonzero(np.diag(one.shared) > 0)
    if not len(of):
        return None
    back = whole.cross[photo][of] @ inverse[photo]  # what the photo's own unknowns take up, (m, private)
    cross, private = one.cross[photo][of], one.private[photo]
    gram = one.shared[np.ix_(of, of)] - cross @ back.T - back @ cross.T + back @ private @ back.T
    pull = one.g_shared[of] - back @ one.g_private[photo]
    size = np.sqrt(np.diag(one.shared)[of])
    value, vector = np.linalg.eigh(gram / np.outer(size, size))
    told = value > THIN * float(value[-1])
    root = np.sqrt(value[told])
    return _Share(of, (root[:, None] * vector[:, told].T) * size, (vector[:, told].T @ (pull / size)) / root)


def some_corners(c: Corners, mine: NDArray[np.bool_]) -> Corners:
    """The groups of corners that are ``mine`` (g,)."""
    own = None if c.fields is None else replace(c.fields, apart=c.fields.apart[mine], lens=c.fields.lens[mine],
                                                hand=c.fields.hand[mine])
    return Corners(c.photo[mine], c.tag[mine], c.code[mine], c.flat[mine], c.uv[mine], c.whiten[mine], c.seen[mine],
                   own)
