"""An invented phone camera: pinhole with five distortion terms, its own code beside calib.estimation.camera.

Model and signs as in OpenCV's calib3d chapter (k1, k2, p1, p2, k3). Pixel centres at integers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Residue:
    """What a lens does beyond its five terms: two plane waves over the picture, the same in every photo.

    A pixel is shifted by ``size`` sin(wave . (u, v) + phase) in each direction; ``wave`` (2, 2) rad/px, a row for u
    and one for v.
    """

    size: float  # px
    wave: Array
    phase: Array  # (2,) rad

    def shift(self, uv: Array) -> Array:
        """Shift (..., 2), px, of pixels (..., 2)."""
        return self.size * np.sin(np.asarray(uv, float) @ self.wave.T + self.phase)


@dataclass(frozen=True)
class Sweep:
    """A hand that moves while the rows are read one after another, counted from the middle row.

    A camera-frame point moves by (turn x point + drift) times the time; rad/s, mm/s, camera axes.
    """

    seconds: float  # from the first row to the last
    turn: Array  # (3,)
    drift: Array  # (3,)


@dataclass(frozen=True)
class Lens:
    """A phone's lens at its usual focus; px."""

    f: float
    aspect: float
    cx: float
    cy: float
    dist: Array  # (5,) k1 k2 p1 p2 k3
    width: int
    height: int
    residue: Residue | None = None


@dataclass(frozen=True)
class Camera:
    """One photo's camera: x_cam = R x_frame + t (mm); ``df`` relative focal change, ``dc`` (2,) px."""

    lens: Lens
    R: Array
    t: Array
    df: float
    dc: Array
    sweep: Sweep | None = None

    @property
    def centre(self) -> Array:
        """(3,) mm in frame axes."""
        return -self.R.T @ self.t

    @property
    def fx(self) -> float:
        return self.lens.f * (1 + self.df)

    @property
    def fy(self) -> float:
        return self.fx * self.lens.aspect

    def project(self, x: Array) -> Array:
        """Pixels (..., 2) of frame points (..., 3)."""
        c = np.asarray(x, float) @ self.R.T + self.t
        uv = self._seen(c)
        if self.sweep is not None:
            rate = np.cross(self.sweep.turn, c) + self.sweep.drift
            for _ in range(3):  # the row tells the time, the time moves the row by a pixel: settled to 1e-6 px
                when = self.sweep.seconds * (uv[..., 1:] / (self.lens.height - 1) - 0.5)
                uv = self._seen(c + when * rate)
        return uv

    def _seen(self, c: Array) -> Array:
        """Pixels (..., 2) of camera-frame points (..., 3)."""
        xn, yn = c[..., 0] / c[..., 2], c[..., 1] / c[..., 2]
        xd, yd = _distort(xn, yn, self.lens.dist)
        uv = np.stack([self.fx * xd + self.lens.cx + self.dc[0],
                       self.fy * yd + self.lens.cy + self.dc[1]], axis=-1)
        return uv if self.lens.residue is None else uv + self.lens.residue.shift(uv)

    def sight(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Origins and directions (..., 3), camera axes, of what pixels saw as their row was read; z of directions 1."""
        x, y = self.normalised(u, v)
        d = np.stack([x, y, np.ones_like(x)], axis=-1)
        if self.sweep is None:
            return np.zeros_like(d), d
        # a point c was seen at (1 + when [turn]) c + when drift: both are taken back, row by row
        when = self.sweep.seconds * (np.broadcast_to(np.asarray(v, float), x.shape) / (self.lens.height - 1) - 0.5)
        turn = np.cross(self.sweep.turn, np.eye(3))  # [turn] transposed, for rows of vectors
        back = np.linalg.inv(np.eye(3) + when[..., None, None] * turn)
        origin = -when[..., None] * (self.sweep.drift @ back)
        d = np.einsum("...j,...jk->...k", d, back)
        return origin - d * (origin[..., 2:] / d[..., 2:]), d / d[..., 2:]

    def normalised(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Undistorted x/z, y/z of pixels as the lens saw them; Newton steps until exact to rounding."""
        if self.lens.residue is not None:
            seen = np.stack(np.broadcast_arrays(np.asarray(u, float), np.asarray(v, float)), axis=-1)
            uv = seen.copy()
            for _ in range(6):
                uv = seen - self.lens.residue.shift(uv)
            u, v = uv[..., 0], uv[..., 1]
        xd = (np.asarray(u, float) - self.lens.cx - self.dc[0]) / self.fx
        yd = (np.asarray(v, float) - self.lens.cy - self.dc[1]) / self.fy
        x, y = xd.copy(), yd.copy()
        k1, k2, p1, p2, k3 = self.lens.dist
        for _ in range(8):
            ex, ey = _distort(x, y, self.lens.dist)
            ex, ey = ex - xd, ey - yd
            r2 = x * x + y * y
            rad = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
            slope = 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))
            a = rad + x * x * slope + 2 * p1 * y + 6 * p2 * x
            b = x * y * slope + 2 * p1 * x + 2 * p2 * y
            d = rad + y * y * slope + 6 * p1 * y + 2 * p2 * x
            det = a * d - b * b
            x, y = x - (d * ex - b * ey) / det, y - (a * ey - b * ex) / det
            if max(np.abs(ex).max(), np.abs(ey).max()) < 1e-13:
                break
        return x, y

    def rays(self, u: Array, v: Array) -> Array:
        """Unit directions (..., 3) in frame axes of pixels, from the centre; ValueError with a moving hand."""
        if self.sweep is not None:
            raise ValueError("with a moving hand each row has its own centre: see sight()")
        d = self.sight(u, v)[1]
        return (d / np.linalg.norm(d, axis=-1, keepdims=True)) @ self.R


def _distort(x: Array, y: Array, dist: Array) -> tuple[Array, Array]:
    k1, k2, p1, p2, k3 = dist
    r2 = x * x + y * y
    rad = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (x * rad + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * rad + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y)


def look_at(eye: Array, target: Array, roll: float = 0.0, orientation: int = 1) -> tuple[Array, Array]:
    """(R, t) of a camera at ``eye`` aimed at ``target``; ``roll`` rad about the view.

    ``orientation`` is the EXIF value that turns the stored picture upright: 1, 3, 6 or 8.
    """
    z = np.asarray(target, float) - eye
    z /= np.linalg.norm(z)
    up = np.array([0.0, 0.0, 1.0]) if abs(z[2]) < 0.98 else np.array([1.0, 0.0, 0.0])
    up = up - z * (up @ z)
    up /= np.linalg.norm(up)
    right = np.cross(z, up)
    up, right = up * np.cos(roll) + right * np.sin(roll), right * np.cos(roll) - up * np.sin(roll)
    x = {1: right, 3: -right, 6: -up, 8: up}[orientation]
    R = np.stack([x, np.cross(z, x), z])
    return R, -R @ eye
