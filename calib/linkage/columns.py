"""Vectors kept as columns, (3, ...): sums over the three run along memory, which short last axes do not.

For what runs over many variants and positions; elsewhere ``rotations`` has the same for (..., 3).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
