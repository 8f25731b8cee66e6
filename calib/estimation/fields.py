"""What shifts whole patches of a picture: a hand that moves while the rows are read, a lens of more than five terms.

Both are smooth, so that over one tag they are a shift and a slope: six numbers a group, (du, dv, du/dx, du/dy, dv/dx,
dv/dy) with x, y in units of REACH px from the group's middle. They are taken at the corners as seen and at the depth
of the start, which changes them by less than a thousandth.

Hand: the rows are read one after another, so a camera that turns by w and drifts by d from the first to the last row
sees a point X moved by (w x X + d) (row / rows - 1/2) (rolling shutter with a linear motion in each picture: Hedborg,
Forssen, Felsberg and Ringaby, Rolling shutter bundle adjustment, CVPR 2012, whose model takes six more unknowns too).
Lens: products of cosines over the picture, the lowest ones, u and v each, smaller the finer they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.estimation.unknowns import HAND_N, LENS_WAVES

Array = NDArray[np.float64]
REACH = 100.0  # px
WAVES = tuple((i, j) for i in range(6) for j in range(5) if i or j)  # half waves over width and height
FINE = 3.0  # half waves over the width beyond which a lens has less and less


@dataclass(frozen=True)
class Fields:
    """Shift and slope of each group by the lens' waves and by its photo's hand."""

    apart: Array  # (g, 32, 2) corners from the group's middle, REACH px; zero where not seen
    lens: Array  # (g, 6, LENS_WAVES)
    hand: Array  # (g, 6, HAND_N)

    def shift(self, waves: Array, hand: Array) -> Array:
        """Shift (g, 32, 2), px, of every corner; ``waves`` (LENS_WAVES,), ``hand`` (g, HAND_N) of its photo."""
        a = self.lens @ waves + (self.hand @ hand[:, :, None])[..., 0]
        x, y = self.apart[..., 0], self.apart[..., 1]
        return np.stack([a[:, None, 0] + a[:, None, 2] * x + a[:, None, 3] * y,
                         a[:, None, 1] + a[:, None, 4] * x + a[:, None, 5] * y], axis=-1)


def fields(uv: Array, seen: NDArray[np.bool_], depth: Array, focal: float, size: tuple[float, float]) -> Fields:
    """Fields of corners ``uv`` (g, 32, 2) px at ``depth`` (g,) mm in pictures of ``size`` (width, height) px."""
    n = np.maximum(seen.sum(axis=1), 1)[:, None]
    middle = np.sum(uv * seen[..., None], axis=1) / n
    apart = np.where(seen[..., None], uv - middle[:, None], 0.0) / REACH
    return Fields(apart, _patch(middle, _Lens(focal, size).at),
                  _patch(middle, lambda p: _hand(p, depth, focal, size)))


def wave_sizes() -> Array:
    """Expected size (LENS_WAVES,) of each wave over that of the coarsest."""
    k2 = np.array([i * i + (j / 0.75) ** 2 for i, j in WAVES])
    return np.tile(1 / (1 + k2 / FINE**2), 2)


def _patch(middle: Array, field: Callable[[Array], Array]) -> Array:
    """Shift and slope (g, 6, m) of a field (points (g, 2) to (g, 2, m)) at the middles."""
    out = [field(middle)]
    for step in (np.array([REACH / 2, 0]), np.array([0, REACH / 2])):
        out.append(field(middle + step) - field(middle - step))
    at, dx, dy = out
    return np.stack([at[:, 0], at[:, 1], dx[:, 0], dy[:, 0], dx[:, 1], dy[:, 1]], axis=1)


class _Lens:
    """The waves less what the five terms, the focal length and the photos' poses can do, so that each is told apart."""

    def __init__(self, focal: float, size: tuple[float, float]) -> None:
        self.focal, self.size = focal, np.asarray(size)
        grid = np.stack(np.meshgrid(*(np.linspace(0, n - 1, 16) for n in size)), axis=-1).reshape(-1, 2)
        known, waves = self._known(grid), self._waves(grid)
        self.taken = np.linalg.lstsq(known.reshape(-1, known.shape[2]), waves.reshape(-1, LENS_WAVES), rcond=None)[0]

    def at(self, p: Array) -> Array:
        """Shift (n, 2, LENS_WAVES) by each wave at points (n, 2) px."""
        return self._waves(p) - self._known(p) @ self.taken

    def _waves(self, p: Array) -> Array:
        i, j = np.array(WAVES).T
        x, y = ((p + 0.5) / self.size).T
        each = np.cos(np.pi * x[:, None] * i) * np.cos(np.pi * y[:, None] * j)
        out = np.zeros((len(p), 2, LENS_WAVES))
        out[:, 0, :len(WAVES)], out[:, 1, len(WAVES):] = each, each
        return out

    def _known(self, p: Array) -> Array:
        """Shift and turn, focal length, aspect, tilts, and OpenCV's k1, k2, k3, p1, p2, (n, 2, 12)."""
        x, y = ((p - (self.size - 1) / 2) / self.focal).T
        r2, one, zero = x * x + y * y, np.ones_like(x), np.zeros_like(x)
        u = [one, zero, -y, x, zero, x * x, x * y, x * r2, x * r2**2, x * r2**3, 2 * x * y, r2 + 2 * x * x]
        v = [zero, one, x, y, y, x * y, y * y, y * r2, y * r2**2, y * r2**3, r2 + 2 * y * y, 2 * x * y]
        return np.stack([np.stack(u, axis=1), np.stack(v, axis=1)], axis=1)


def _hand(p: Array, depth: Array, focal: float, size: tuple[float, float]) -> Array:
    w, h = size
    x, y = (p[:, 0] - (w - 1) / 2) / focal, (p[:, 1] - (h - 1) / 2) / focal
    one, zero, near = np.ones_like(x), np.zeros_like(x), 1 / depth
    u = np.stack([-x * y, one + x * x, -y, near, zero, -x * near], axis=1)
    v = np.stack([-one - y * y, x * y, x, zero, near, -y * near], axis=1)
    when = p[:, 1] / (h - 1) - 0.5
    assert u.shape[1] == HAND_N
    return focal * when[:, None, None] * np.stack([u, v], axis=1)
