"""Vectors kept as columns, (3, ...): sums over the three run along memory, which short last axes do not.

For what runs over many variants and positions; elsewhere ``rotations`` has the same for (..., 3).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def dot(a: Array, b: Array) -> Array:
    """Scalar products, (3, ...) each, to (...)."""
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def cross(a: Array, b: Array) -> Array:
    """Vector products, (3, ...) each."""
    x = a[1] * b[2] - a[2] * b[1]
    out = np.empty((3, *x.shape))
    out[0], out[1], out[2] = x, a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    return out


def unit(v: Array) -> Array:
    """Brought to unit length."""
    return np.asarray(v / np.sqrt(dot(v, v)))


def about(v: Array, axis: Array) -> tuple[Array, Array, Array]:
    """v split for a turn t about an ``axis`` (3, ...) of any length: turned, it is still + u cos t + w sin t."""
    k = unit(axis)
    still = dot(v, k) * k
    u = v - still
    return still, u, cross(k, u)


def column(v: ArrayLike) -> Array:
    """A vector (..., 3) as columns (3, ...)."""
    a = np.asarray(v, float)
    return a.transpose(-1, *range(a.ndim - 1))


def vectors(columns: Array, at: int = 0) -> Array:
    """Columns, the three on axis ``at``, as vectors (..., 3)."""
    axes = [i for i in range(columns.ndim) if i != at]
    return columns.transpose(*axes, at)


def stacked(columns: Sequence[Array], rank: int = 0) -> Array:
    """Columns (3, ...) as (3, n, ...), after the n broadcast to no less than ``rank`` axes."""
    return beside(columns, 1, rank).swapaxes(0, 1)


def beside(arrays: Sequence[Array], own: int = 0, rank: int = 0) -> Array:
    """Arrays as one (n, ...): what follows their ``own`` first axes is broadcast, to no less than ``rank`` axes.

    The last axis but one, of variants, runs along memory: they are often many, positions few.
    """
    rank = max([rank, *(a.ndim - own for a in arrays)])
    wide = [a if a.ndim == rank + own else a.reshape(*a.shape[:own], *[1] * (rank + own - a.ndim), *a.shape[own:])
            for a in arrays]
    shapes = {a.shape for a in wide}
    out = empty((len(wide), *(np.broadcast_shapes(*shapes) if len(shapes) > 1 else shapes.pop())), rank)
    for i, a in enumerate(wide):
        out[i] = a
    return out


def empty(shape: Sequence[int], rank: int) -> Array:
    """Room for an array whose last ``rank`` axes lie in memory as those of ``beside``."""
    return np.empty(shape) if rank < 2 else np.empty((*shape[:-2], shape[-1], shape[-2])).swapaxes(-1, -2)


def picked(arrays: Array, which: Sequence[int], rank: int) -> Array:
    """Some of (n, ...) made by ``beside``, as it would make them."""
    if rank < 2:
        return arrays[list(which)]
    return np.take(arrays.swapaxes(-1, -2), which, axis=0).swapaxes(-1, -2)
