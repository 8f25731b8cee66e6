"""Levenberg-Marquardt on normal equations whose private blocks are eliminated first (Schur complement).

A problem has shared unknowns and, for each photo, a small private block. The solver knows nothing of
photos: it takes what ``Problem.linearise`` gives. With no private blocks it is plain Levenberg-Marquardt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.linalg.lapack import dpotrf, dpotri

Array = NDArray[np.float64]


@dataclass
class Normal:
    """Normal equations at one state: cost = sum of squared weighted residuals / 2; gradient g = J^T r."""

    cost: float
    shared: Array  # (s, s)
    g_shared: Array  # (s,)
    cross: Array  # (p, s, k)
    private: Array  # (p, k, k)
    g_private: Array  # (p, k)

    @classmethod
    def zeros(cls, shared: int, private: int, k: int) -> Normal:
        """Nothing observed yet: ``shared`` unknowns, ``private`` blocks of ``k``."""
        return cls(0.0, np.zeros((shared, shared)), np.zeros(shared), np.zeros((private, shared, k)),
                   np.zeros((private, k, k)), np.zeros((private, k)))


class Reduced(NamedTuple):
    """Normal equations of the shared unknowns alone."""

    matrix: Array  # (s, s) Schur complement
    rhs: Array  # (s,)
    inverse: Array  # (p, k, k) of the private blocks


class Step(NamedTuple):
    """An undamped step from a state, and the equations it came from."""

    state: Any  # after it
    cov: Array  # (s, s) of the shared unknowns, before it
    normal: Normal
    reduced: Reduced


class Problem(Protocol):
    """What can be minimised."""

    def linearise(self, state: Any) -> Normal: ...

    def cost(self, state: Any) -> float: ...

    def retract(self, state: Any, d_shared: Array, d_private: Array) -> Any: ...


@dataclass
class Solution:
    """Where the solver stopped."""

    state: Any
    cost: float
    iterations: int
    converged: bool


def reduced_system(n: Normal, damping: float = 0.0) -> Reduced:
    """The private unknowns eliminated, with Marquardt damping."""
    private = n.private
    shared = n.shared
    if damping:
        shared = shared + damping * np.diag(np.diag(shared))
        if private.size:
            private = private + damping * private * np.eye(private.shape[-1])
    if not private.size:
        return Reduced(shared, -n.g_shared, private)
    root: Array = np.asarray(np.linalg.inv(np.linalg.cholesky(private)), float)  # root^T root is the inverse
    turned = root.transpose(0, 2, 1)
    flat = np.moveaxis(n.cross @ turned, 1, 0).reshape(len(shared), -1)
    own = (root @ n.g_private[:, :, None]).ravel()
    # a product of an array with itself takes half the work
    return Reduced(shared - flat @ flat.T, -(n.g_shared - flat @ own), turned @ root)


def whole_step(problem: Problem, state: Any) -> Step:
    """One step of Gauss and Newton, for a state near enough to the minimum to need no damping."""
    n = problem.linearise(state)
    reduced = reduced_system(n)
    cov = inverse_of(reduced.matrix)
    shared = cov @ reduced.rhs
    own = np.einsum("pij,pj->pi", reduced.inverse, -n.g_private - np.einsum("psk,s->pk", n.cross, shared))
    return Step(problem.retract(state, shared, own), cov, n, reduced)


def inverse_of(information: Array) -> Array:
    """Inverse (n, n) of a positive definite matrix whose unknowns have units of very different size."""
    scale = 1 / np.sqrt(np.diag(information))
    even = information * scale[:, None] * scale[None, :]
    root, trouble = dpotrf(even, clean=0)
    if trouble:  # rounding may spoil one that is hardly positive definite
        inverse = np.linalg.inv(even)
    else:
        upper, _ = dpotri(root)  # from the root at two thirds of the work
        inverse = np.triu(upper) + np.triu(upper, 1).T
    return np.asarray(inverse * scale[:, None] * scale[None, :], float)


def minimise(problem: Problem, state: Any, *, max_iterations: int = 60, rtol: float = 1e-10,
             damping: float = 1e-4) -> Solution:
    """Minimise a problem from ``state``.

    Stops when the predicted fall of the cost is below ``rtol`` of the cost. Damping follows Nielsen (1999).
    Raises numpy.linalg.LinAlgError where the equations stay singular however much they are damped.
    """
    n = problem.linearise(state)
    grow = 2.0
    converged = False
    it = 0
    while it < max_iterations:
        it += 1
        try:
            reduced, rhs, inverse = reduced_system(n, damping)
            scale = 1.0 / np.sqrt(np.maximum(np.diag(reduced), 1e-300))
            even = reduced * scale[:, None] * scale[None, :]
            root = cho_factor(even, check_finite=False)  # raises where the equations are not those of a minimum
            ds = scale * np.asarray(cho_solve(root, scale * rhs, check_finite=False), float)
        except np.linalg.LinAlgError:
            if damping > 1e8:
                raise
            damping = max(damping, 1e-12) * 10
            continue
        if n.private.size:
            dp = np.einsum("pij,pj->pi", inverse, -n.g_private - np.einsum("psk,s->pk", n.cross, ds))
        else:
            dp = np.zeros_like(n.g_private)
        slope = float(n.g_shared @ ds + np.sum(n.g_private * dp))
        predicted = -slope / 2  # model fall without the damping term's share
        candidate = problem.retract(state, ds, dp)
        cost = problem.cost(candidate)
        small = predicted <= rtol * max(n.cost, 1e-300)
        if np.isfinite(cost) and cost <= n.cost * (1 + 1e-14):
            ratio = (n.cost - cost) / max(predicted, 1e-300)
            state = candidate
            if small:
                return Solution(state, cost, it, True)
            n = problem.linearise(state)
            damping = max(damping * max(1 / 5, 1 - (2 * ratio - 1) ** 3), 1e-14)
            grow = 2.0
        else:
            damping = max(damping, 1e-14) * grow
            grow *= 2
        if small:
            converged = True
            break
        if damping > 1e12:
            converged = True  # no step lowers the cost any more: rounding floor
            break
    return Solution(state, n.cost, it, converged)


@dataclass
class DenseProblem:
    """Plain residual function with its Jacobian, for use of the same solver without private blocks.

    ``residuals(x)`` gives (m,), ``jacobian(x)`` gives (m, n), x (n,).
    """

    residuals: Any
    jacobian: Any

    def linearise(self, state: Array) -> Normal:
        r, j = self.residuals(state), self.jacobian(state)
        return Normal(float(r @ r) / 2, j.T @ j, j.T @ r, np.zeros((0, len(state), 0)), np.zeros((0, 0, 0)),
                      np.zeros((0, 0)))

    def cost(self, state: Array) -> float:
        r = self.residuals(state)
        return float(r @ r) / 2

    def retract(self, state: Array, d_shared: Array, d_private: Array) -> Array:
        return state + d_shared
