"""Small rotation helpers that work on stacks of vectors."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capture.shapes import of_shape

Array = NDArray[np.float64]


def skew(v: Array) -> Array:
    """Cross-product matrices, (..., 3) to (..., 3, 3), so that ``skew(a) @ b == cross(a, b)``."""
    v = np.asarray(v, float)
    if v.shape != (3,):
        v = of_shape("vector", v, (3,), stack=True)
    if v.ndim == 1:  # written out: single ones are wanted very often
        x, y, z = v.tolist()
        return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    out = np.zeros(v.shape[:-1] + (3, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def cross(a: Array, b: Array) -> Array:
    """Cross products of vectors (..., 3) and (..., 3), stacks broadcast; several times faster than np.cross."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    x = ay * bz - az * by
    out = np.empty((*np.shape(x), 3))
    out[..., 0], out[..., 1], out[..., 2] = x, az * bx - ax * bz, ax * by - ay * bx
    return out


def dot(a: Array, b: Array) -> Array:
    """Scalar products of vectors (..., 3) and (..., 3), stacks broadcast, without a loop of three for each."""
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2])


def unit(v: ArrayLike) -> Array:
    """Brought to unit length, (..., 3)."""
    a = np.asarray(v, float)
    return np.asarray(a / np.sqrt(dot(a, a))[..., None])


def rotation(vector: ArrayLike) -> Array:
    """Rotation matrices of rotation vectors (rad), (..., 3) to (..., 3, 3); Rodrigues' formula.

    Raises ValueError for another shape.

    >>> rotation([0, 0, np.pi / 2]).round(9) @ [1, 0, 0]
    array([0., 1., 0.])
    """
    v = np.asarray(vector, float)
    if v.shape != (3,):
        v = of_shape("rotation vector", v, (3,), stack=True)
    if v.ndim == 1:  # written out: single ones are wanted very often
        x, y, z = (float(u) for u in v)
        one = math.sqrt(x * x + y * y + z * z)
        a = math.sin(one) / one if one > 1e-8 else 1.0
        b = 2 * (math.sin(one / 2) / one) ** 2 if one > 1e-8 else 0.5
        return np.array([[1 - b * (y * y + z * z), b * x * y - a * z, b * x * z + a * y],
                         [b * x * y + a * z, 1 - b * (x * x + z * z), b * y * z - a * x],
                         [b * x * z - a * y, b * y * z + a * x, 1 - b * (x * x + y * y)]])
    angle2 = np.sum(v * v, axis=-1)[..., None, None]
    angle = np.sqrt(angle2)
    k = skew(v)
    # np.sinc keeps both factors exact through zero
    return np.eye(3) + np.sinc(angle / np.pi) * k + 0.5 * np.sinc(angle / (2 * np.pi)) ** 2 * (k @ k)


def about(axis: Array, angle: float | Array) -> Array:
    """Rotation about a unit ``axis`` (3,) by ``angle`` (rad, any shape), (..., 3, 3)."""
    n = np.asarray(axis, float)
    if n.shape[-1:] != (3,):
        n = of_shape("axis", n, (3,), stack=True)
    return rotation(np.asarray(angle, float)[..., None] * n)


def rotation_vector(r: ArrayLike) -> Array:
    """Rotation vector (3,) in rad of one rotation matrix (3, 3), angle in 0..pi.

    By the quaternion's largest part (Shepperd 1978), so that it is exact for small turns and through half a turn.
    Raises ValueError for another shape.

    >>> rotation_vector(rotation([0.1, -0.2, 0.3])).round(9)
    array([ 0.1, -0.2,  0.3])
    """
    m = np.asarray(r, float)
    if m.shape != (3, 3):
        m = of_shape("rotation matrix", m, (3, 3))
    (a, b, c), (d, e, f), (g, h, i) = m.tolist()
    squares = (1 + a + e + i, 1 + a - e - i, 1 - a + e - i, 1 - a - e + i)  # 4 w^2, 4 x^2, 4 y^2, 4 z^2
    k = squares.index(max(squares))
    w, x, y, z = ((squares[0], h - f, c - g, d - b), (h - f, squares[1], b + d, c + g),
                  (c - g, b + d, squares[2], f + h), (d - b, c + g, f + h, squares[3]))[k]
    s = math.sqrt(x * x + y * y + z * z)
    if s == 0:
        return np.zeros(3)
    if w < 0:
        w, s = -w, -s
    turn = 2 * math.atan2(abs(s), w) / s
    return np.array([turn * x, turn * y, turn * z])


def perpendiculars(axis: Array) -> Array:
    """Two unit vectors square to ``axis`` (3,) and to each other, as columns (3, 2)."""
    if len(axis) != 3:
        of_shape("axis", axis, (3,))
    x, y, z = (float(v) for v in axis)
    smallest = min(abs(x), abs(y), abs(z))
    # cross product with the coordinate axis it leans on least, written out: this is called very often
    if abs(x) == smallest:
        p = (0.0, z, -y)
    elif abs(y) == smallest:
        p = (-z, 0.0, x)
    else:
        p = (y, -x, 0.0)
    n = (p[0] ** 2 + p[1] ** 2 + p[2] ** 2) ** 0.5
    px, py, pz = p[0] / n, p[1] / n, p[2] / n
    return np.array([[px, y * pz - z * py], [py, z * px - x * pz], [pz, x * py - y * px]])


def rigid_fit(src: Array, dst: Array, weights: Array | None = None) -> tuple[Array, Array]:
    """Rotation R (..., 3, 3) and shift t (..., 3) with least weighted |R src + t - dst|^2; src, dst (..., n, 3).

    Kabsch (1976) by singular values; reflections are excluded.
    Raises ValueError where the shapes do not fit each other.
    """
    src = of_shape("source points", src, ("n", 3), stack=True)
    dst = of_shape("destination points", dst, ("n", 3), stack=True)
    if src.shape[-2:] != dst.shape[-2:] or not src.shape[-2]:
        raise ValueError(f"a rigid fit needs as many source as destination points, got {src.shape} and {dst.shape}")
    w = np.ones(src.shape[:-1]) if weights is None else np.asarray(weights, float)
    if w.shape[-1:] != src.shape[-2:-1]:
        raise ValueError(f"a rigid fit needs one weight a point, got {w.shape} for points {src.shape}")
    w = (w / w.sum(axis=-1, keepdims=True))[..., None]
    a, b = np.sum(w * src, axis=-2), np.sum(w * dst, axis=-2)
    u, _, vt = np.linalg.svd((dst - b[..., None, :]).swapaxes(-1, -2) @ ((src - a[..., None, :]) * w))
    u[..., -1] *= np.linalg.det(u @ vt)[..., None]
    r = u @ vt
    return r, b - (r @ a[..., None])[..., 0]
