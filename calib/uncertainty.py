"""Uncertainty in one place: the 95 % factor, slopes by central differences, propagation (GUM, JCGM 100, 5.2.2)."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

K95 = 1.959964  # half-width of a 95 % interval in standard deviations, normal


Number = TypeVar("Number", float, NDArray[np.float64])


def standard(u95: Number) -> Number:
    """Standard uncertainty of what is stated as plus or minus ``u95`` at 95 %, such as a builder's tolerance."""
    return u95 / K95


def half_width(slopes: ArrayLike, cov: Array) -> Array:
    """95 % half-widths (...) of values with slopes (..., n) against quantities of covariance (n, n)."""
    g = np.asarray(slopes, float)
    return np.asarray(K95 * np.sqrt(np.maximum(np.sum((g @ cov) * g, axis=-1), 0.0)))


def share_beside(slopes: ArrayLike, cov: Array, part: Array) -> list[float | None]:
    """Share of each value's variance that is not ``part`` of the covariance's doing, 0..1; None for no variance.

    ``slopes`` (o, n), ``cov`` and ``part`` (n, n): what of it comes from one source, such as the drawing.
    """
    g = np.atleast_2d(np.asarray(slopes, float))
    whole, its = (np.sum((g @ c) * g, axis=-1) for c in (cov, part))
    return [float(np.clip(1 - p / w, 0.0, 1.0)) if w > 0 else None for w, p in zip(whole, its, strict=True)]


def own_half_widths(cov: Array) -> Array:
    """95 % half-widths (n,) of the quantities of a covariance (n, n) themselves."""
    return np.asarray(K95 * np.sqrt(np.maximum(np.diag(cov), 0.0)))


def joint(first: Array, cross: Array, second: Array) -> Array:
    """Covariance (n + m, n + m) of two sets of quantities: (n, n), (n, m) between them, (m, m)."""
    return np.block([[first, cross], [cross.T, second]])


def block_diag(*parts: Array) -> Array:
    """Covariance of sets of quantities that have nothing to do with each other."""
    from scipy.linalg import block_diag as diagonal  # here: reading a rig file needs no scipy
    return np.asarray(diagonal(*parts), float)


def differences(of: Callable[[Array], Array], at: ArrayLike, step: ArrayLike) -> tuple[Array, Array]:
    """Values (o,) and central-difference slopes (o, n) of ``of`` at ``at`` (n,); ``step`` (n,) or one for all.

    ``of`` takes many places at once: (m, n) -> (m, o). See ``each`` for a function of one place.
    """
    x = np.asarray(at, float)
    h = np.broadcast_to(np.asarray(step, float), x.shape)
    return from_nudged(of(nudged(x, h)), h)


def nudged(x: Array, h: Array) -> Array:
    """Places (2 n + 1, n) that central differences about ``x`` (n,) with steps ``h`` (n,) ask for: x itself first."""
    return np.concatenate([x[None], x + np.diag(h), x - np.diag(h)])


def from_nudged(y: Array, h: Array) -> tuple[Array, Array]:
    """Values (o,) and slopes (o, n) from those (2 n + 1, o) at the places of ``nudged``."""
    n = len(h)
    return y[0], ((y[1:n + 1] - y[n + 1:]) / (2 * h[:, None])).T


def each(of: Callable[[Array], ArrayLike]) -> Callable[[Array], Array]:
    """A function of one place (n,) -> (o,) or a number, made one of many: (m, n) -> (m, o)."""
    return lambda rows: np.stack([np.atleast_1d(np.asarray(of(x), float)) for x in rows])
