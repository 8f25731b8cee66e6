"""Printed tags drawn with exact edges through a distorted camera, for statistics of finding and refining.

Every pixel box is sampled finely in tag coordinates with box-filtered cell edges, blurred there as a lens
would before the sensor, and only then averaged to pixels. Pixel centres at integers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.targets import CELLS, cell_is_black
from tests.render.camera import Camera

Array = NDArray[np.float64]
Height = Callable[[Array, Array], Array]  # mm over the sheet's plane at x, y mm
FINE = 4  # samples a pixel each way, each with its own box-filtered footprint
LATTICE = 30  # every edge of the layout lies on this division of the tag's edge
BLACK, WHITE = 14.0, 205.0  # grey levels of ink and paper
PAPER_CELLS = 1.0  # white margin round the tag, ring cells


@cache
def lattice(code: int) -> NDArray[np.float32]:
    """Ink of a tag, (32, 32) 1 black 0 white, row 0 at the top: 30 x 30 lattice cells with a white rim."""
    ink = np.zeros((LATTICE, LATTICE), np.float32)
    n = LATTICE // CELLS
    for r in range(CELLS):
        for c in range(CELLS):
            if cell_is_black(r, c):
                ink[r * n:(r + 1) * n, c * n:(c + 1) * n] = 1
    tiles = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11).generateImageMarker(
        code, 8, borderBits=1)
    # the code is 32/60 of the edge: 16 lattice cells, two for each of its 8 cells
    ink[7:23, 7:23] = np.kron((np.asarray(tiles) < 128).astype(np.float32), np.ones((2, 2), np.float32))
    return np.pad(ink, 1)


def ink_at(code: int, x: Array, y: Array, wx: Array | float, wy: Array | float) -> Array:
    """Share of ink at tag coordinates x right, y up (in tag edges, centre 0), box-filtered over wx by wy."""
    ink = lattice(code)
    col, cf = _step(x * LATTICE + LATTICE / 2 + 1, np.asarray(wx) * LATTICE)
    row, rf = _step(LATTICE / 2 - y * LATTICE + 1, np.asarray(wy) * LATTICE)
    upper = ink[row, col] * (1 - cf) + ink[row, col + 1] * cf
    lower = ink[row + 1, col] * (1 - cf) + ink[row + 1, col + 1] * cf
    return upper * (1 - rf) + lower * rf


def _step(a: Array, width: Array) -> tuple[NDArray[np.intp], Array]:
    """Cell left of the nearest edge, and the share of a box of ``width`` about ``a`` beyond it."""
    edge = np.clip(np.rint(a), 1, LATTICE + 1)
    share = np.clip((a - edge) / np.minimum(width, 1.0) + 0.5, 0.0, 1.0)
    return edge.astype(np.intp) - 1, share


def plane_coordinates(camera: Camera, R: Array, t: Array, u: Array, v: Array,
                      height: Height | None = None) -> tuple[Array, Array]:
    """Where pixel rays meet a printed sheet: x, y mm in its frame; ``height`` of the paper over it. nan: never."""
    origin, d = camera.sight(u, v)
    Rc, tc = camera.R @ R, camera.R @ t + camera.t  # sheet to camera
    o, d = (origin - tc) @ Rc, d @ Rc
    with np.errstate(divide="ignore", invalid="ignore"):
        z: Array | float = 0.0
        for _ in range(1 if height is None else 4):
            s = (z - o[..., 2]) / d[..., 2]
            x, y = o[..., 0] + s * d[..., 0], o[..., 1] + s * d[..., 1]
            if height is not None:
                z = height(x, y)
    bad = ~(s > 0)
    return np.where(bad, np.nan, x), np.where(bad, np.nan, y)


def pixel_box(uv: Array, size: tuple[int, int], rim: int) -> tuple[int, int, int, int] | None:
    """Pixel bounds u0, v0, u1, v1 (exclusive) about points, with a rim; None outside the picture."""
    u0, v0 = np.floor(uv.min(axis=0)).astype(int) - rim
    u1, v1 = np.ceil(uv.max(axis=0)).astype(int) + rim + 1
    u0, v0, u1, v1 = max(u0, 0), max(v0, 0), min(u1, size[0]), min(v1, size[1])
    return (int(u0), int(v0), int(u1), int(v1)) if u1 - u0 > 2 and v1 - v0 > 2 else None


def tag_outline(edge: float, R: Array, t: Array, margin: float = PAPER_CELLS) -> Array:
    """(8, 3) frame places round a tag's paper: corners and edge middles."""
    h = edge * (0.5 + margin / CELLS)
    xy = np.array([[-h, h], [0, h], [h, h], [h, 0], [h, -h], [0, -h], [-h, -h], [-h, 0]])
    return np.column_stack([xy, np.zeros(8)]) @ R.T + t


def tag_ink(camera: Camera, code: int, edge: float, R: Array, t: Array, box: tuple[int, int, int, int], *,
            centre: Sequence[float] = (0.0, 0.0), height: Height | None = None,
            gain_mm: float = 0.0) -> tuple[Array, Array]:
    """Ink and paper shares, each (rows * FINE, columns * FINE), over a pixel box.

    ``edge`` printed tag edge in mm; ``R``, ``t`` the tag's (or its sheet's) pose in the frame, ``centre`` the
    tag's middle on the sheet in mm; ``gain_mm`` white growing into black over every edge.
    """
    u0, v0, u1, v1 = box
    # one pixel more all round, so that the fine samples lie between known ones
    u, v = np.meshgrid(np.arange(u0 - 1.0, u1 + 1.0), np.arange(v0 - 1.0, v1 + 1.0))
    x, y = plane_coordinates(camera, R, t, u, v, height)
    x, y = (x - centre[0]) / edge, (y - centre[1]) / edge
    x, y = np.nan_to_num(x, nan=9.0), np.nan_to_num(y, nan=9.0)
    wx = np.maximum((np.abs(np.gradient(x, axis=0)) + np.abs(np.gradient(x, axis=1))) / FINE, 1e-9)
    wy = np.maximum((np.abs(np.gradient(y, axis=0)) + np.abs(np.gradient(y, axis=1))) / FINE, 1e-9)
    fx, fy, fwx, fwy = (_finer(a) for a in (x, y, wx, wy))
    ink = ink_at(code, fx, fy, fwx, fwy)
    if gain_mm:
        g = gain_mm / edge
        pick = np.minimum if g > 0 else np.maximum
        for sx, sy in ((g, g), (g, -g), (-g, g), (-g, -g)):
            ink = pick(ink, ink_at(code, fx + sx, fy + sy, fwx, fwy))
    reach = 0.5 + PAPER_CELLS / CELLS
    paper = np.clip((reach - np.abs(fx)) / fwx + 0.5, 0, 1)
    paper = paper * np.clip((reach - np.abs(fy)) / fwy + 0.5, 0, 1)
    return ink, paper


def _finer(a: Array) -> Array:
    """A map with a one-pixel rim, sampled FINE times a pixel without the rim; sample centres kept."""
    h, w = a.shape
    big = np.asarray(cv2.resize(a, (w * FINE, h * FINE), interpolation=cv2.INTER_LINEAR), float)
    return big[FINE:-FINE, FINE:-FINE]


def blurred_to_pixels(fine: Array, blur: float) -> Array:
    """Blur (sigma in pixels) at the fine samples, then average to pixels."""
    if blur > 0:
        fine = np.asarray(cv2.GaussianBlur(fine, (0, 0), blur * FINE, borderType=cv2.BORDER_REPLICATE), float)
    h, w = fine.shape
    return fine.reshape(h // FINE, FINE, w // FINE, FINE).mean(axis=(1, 3))


def render_tags(camera: Camera, tags: Sequence[tuple[int, float, Array, Array]], size: tuple[int, int],
                blur: float = 0.8, noise: float = 2.0, rng: np.random.Generator | None = None,
                gain_mm: float = 0.0, background: float = 110.0,
                height: Height | None = None) -> NDArray[np.uint8]:
    """Grey picture of tags on a plain background.

    Parameters: ``tags`` rows of (code, printed edge mm, R, t) with R, t tag to frame; ``size`` (width,
    height); ``blur`` lens blur sigma px; ``noise`` grey sigma (none where 0 or without ``rng``);
    ``gain_mm`` white growing into black over each edge. Later tags cover earlier ones.
    Returns (height, width) uint8.
    """
    image = np.full((size[1], size[0]), background, float)
    rim = int(np.ceil(4 * blur)) + 2
    for code, edge, R, t in tags:
        box = pixel_box(camera.project(tag_outline(edge, R, t)), size, rim)
        if box is None:
            continue
        ink, paper = tag_ink(camera, code, edge, R, t, box, height=height, gain_mm=gain_mm)
        tone = blurred_to_pixels(paper * (WHITE + (BLACK - WHITE) * ink), blur)
        cover = blurred_to_pixels(paper, blur)
        u0, v0, u1, v1 = box
        image[v0:v1, u0:u1] = image[v0:v1, u0:u1] * (1 - cover) + tone
    if rng is not None and noise > 0:
        image += rng.normal(0, noise, image.shape)
    return np.clip(np.rint(image), 0, 255).astype(np.uint8)
