"""The camera model and its derivatives: pinhole with OpenCV's five distortion terms.

u = f (1 + df) xd + cx + dcx,  v = f aspect (1 + df) yd + cy + dcy, with the distorted xd, yd of OpenCV's
calib3d model (k1, k2, p1, p2, k3). df, dcx, dcy belong to one photo; the rest is shared by all.
Pixel centres at integers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capture.shapes import of_shape

Array = NDArray[np.float64]

LENS = ("f", "aspect", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


def project(x_cam: ArrayLike, lens: ArrayLike, df: Array | float = 0.0, dc: Array | None = None) -> Array:
    """Pixels (..., 2) of camera-frame points (..., 3) mm. ``lens`` (9,) in LENS order. ValueError for other shapes.

    >>> project([100.0, -50.0, 1000.0], [3000, 1, 2000, 1500, 0, 0, 0, 0, 0])
    array([2300., 1350.])
    """
    x_cam, lens = _checked(x_cam, lens)
    return project_terms(x_cam, lens, df, dc)[0]


def _checked(x_cam: ArrayLike, lens: ArrayLike) -> tuple[Array, Array]:
    return of_shape("points in the camera frame", x_cam, (3,), stack=True), of_shape("lens", lens, (len(LENS),))


def project_terms(x_cam: Array, lens: Array, df: Array | float, dc: Array | None,
                  ) -> tuple[Array, tuple[Array, Array, Array, Array, Array, Array, Array, Array]]:
    """Pixels (..., 2), and x, y, z, r^2, radial factor, distorted x, y and focal length that led to them."""
    f, aspect, cx, cy, k1, k2, p1, p2, k3 = lens
    z = x_cam[..., 2]
    x, y = x_cam[..., 0] / z, x_cam[..., 1] / z
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    fu = f * (1 + np.asarray(df, float))
    uv = np.stack([fu * xd + cx, fu * aspect * yd + cy], axis=-1)
    if dc is not None:
        uv = uv + dc
    return uv, (x, y, z, r2, radial, xd, yd, fu)


def project_with_derivatives(x_cam: Array, lens: Array, df: Array, dc: Array) -> tuple[Array, Array, Array, Array]:
    """Pixels and their derivatives.

    Parameters: ``x_cam`` (..., 3) mm; ``lens`` (9,); ``df`` broadcastable to (...); ``dc`` to (..., 2).
    Returns ``uv`` (..., 2); d uv / d x_cam (..., 2, 3); d uv / d lens (..., 2, 9);
    d uv / d (df, dcx, dcy) (..., 2, 3). ValueError for other shapes.
    """
    x_cam, lens = _checked(x_cam, lens)
    f, aspect = lens[:2]
    uv, terms = project_terms(x_cam, lens, df, dc)
    d_x = _by_place(uv.shape, terms, lens)
    x, y, _, r2, _, xd, yd, fu = terms
    fv = fu * aspect
    lens_d = np.zeros(uv.shape + (9,))
    lens_d[..., 0, 0], lens_d[..., 1, 0] = fu / f * xd, fv / f * yd
    lens_d[..., 1, 1] = fu * yd
    lens_d[..., 0, 2] = lens_d[..., 1, 3] = 1.0
    lens_d[..., 0, 4], lens_d[..., 1, 4] = fu * x * r2, fv * y * r2
    lens_d[..., 0, 5], lens_d[..., 1, 5] = fu * x * r2**2, fv * y * r2**2
    lens_d[..., 0, 6], lens_d[..., 1, 6] = fu * 2 * x * y, fv * (r2 + 2 * y * y)
    lens_d[..., 0, 7], lens_d[..., 1, 7] = fu * (r2 + 2 * x * x), fv * 2 * x * y
    lens_d[..., 0, 8], lens_d[..., 1, 8] = fu * x * r2**3, fv * y * r2**3
    own = np.zeros(uv.shape + (3,))
    own[..., 0, 0], own[..., 1, 0] = f * xd, f * aspect * yd
    own[..., 0, 1] = own[..., 1, 2] = 1.0
    return uv, d_x, lens_d, own


def project_with_slopes(x_cam: Array, lens: Array, df: Array, dc: Array) -> tuple[Array, Array]:
    """``uv`` and d uv / d x_cam alone, as of ``project_with_derivatives``."""
    x_cam, lens = _checked(x_cam, lens)
    uv, terms = project_terms(x_cam, lens, df, dc)
    return uv, _by_place(uv.shape, terms, lens)


def _by_place(shape: tuple[int, ...], terms: tuple[Array, ...], lens: Array) -> Array:
    """d uv / d x_cam (..., 2, 3) of pixels of a ``shape`` (..., 2), from what ``project_terms`` gives."""
    _, aspect, _, _, k1, k2, p1, p2, k3 = lens
    x, y, z, r2, radial, _, _, fu = terms
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))  # d radial / d r2, doubled: times x or y
    dxdx = radial + x * x * slope + 2 * p1 * y + 6 * p2 * x
    dxdy = x * y * slope + 2 * p1 * x + 2 * p2 * y
    dydy = radial + y * y * slope + 6 * p1 * y + 2 * p2 * x
    fv = fu * aspect
    d_x = np.empty(shape + (3,))
    d_x[..., 0, 0], d_x[..., 0, 1] = fu * dxdx / z, fu * dxdy / z
    d_x[..., 1, 0], d_x[..., 1, 1] = fv * dxdy / z, fv * dydy / z
    d_x[..., 0, 2] = -(d_x[..., 0, 0] * x + d_x[..., 0, 1] * y)
    d_x[..., 1, 2] = -(d_x[..., 1, 0] * x + d_x[..., 1, 1] * y)
    return d_x


def camera_matrix(lens: Array) -> Array:
    """OpenCV's 3 x 3 camera matrix."""
    return np.array([[lens[0], 0, lens[2]], [0, lens[0] * lens[1], lens[3]], [0, 0, 1.0]])


def undistort(uv: Array, lens: Array) -> Array:
    """Normalised image coordinates (n, 2) of pixels (n, 2), by OpenCV's fixed-point iteration.

    ValueError for other shapes.
    """
    import cv2

    if len(uv) == 0:
        return np.zeros((0, 2))
    uv, lens = of_shape("pixels", uv, ("n", 2)), of_shape("lens", lens, (len(LENS),))
    k, d = camera_matrix(lens), np.ascontiguousarray(lens[4:9])
    out = cv2.undistortPoints(np.ascontiguousarray(uv, float)[:, None], k, d)
    return np.asarray(out, float).reshape(-1, 2)
