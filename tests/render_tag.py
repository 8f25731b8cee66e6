"""Exactly area-sampled pictures of tags for the capture tests: texture lookups, 8 x 8 samples a pixel or more."""

from __future__ import annotations

import functools
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.targets import CELLS, CODE_SHARE, cell_is_black

TEXELS = 60  # per cell: every edge of ring and code falls between texels


@functools.cache
def texture(code: int, gain_texels: int = 0, margin_texels: int = TEXELS) -> NDArray[np.uint8]:
    """Print of a tag: 1 white, 0 black, (n, n), margin included. Positive gain: white grows into black."""
    n = CELLS * TEXELS
    img = np.ones((n, n), np.uint8)
    for r in range(CELLS):
        for c in range(CELLS):
            if cell_is_black(r, c):
                img[r * TEXELS:(r + 1) * TEXELS, c * TEXELS:(c + 1) * TEXELS] = 0
    side = round(n * CODE_SHARE)
    marker = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11),
                                           code, 8)
    a = (n - side) // 2
    img[a:a + side, a:a + side] = np.kron(marker > 127, np.ones((side // 8, side // 8), np.uint8))
    img = np.pad(img, margin_texels, constant_values=1)
    if gain_texels:
        k = 2 * abs(gain_texels) + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))
        img = np.asarray(cv2.dilate(img, kernel) if gain_texels > 0 else cv2.erode(img, kernel), np.uint8)
    return img


def tag_homography(size_mm: float, centre: NDArray[np.float64], rotation: NDArray[np.float64], focal: float,
                   principal: tuple[float, float]) -> NDArray[np.float64]:
    """Tag plane (cells, x right, y up) to pixels. Camera frame: x right, y down, z forward; centre (3,) mm."""
    k = np.array([[focal, 0, principal[0]], [0, focal, principal[1]], [0, 0, 1.0]])
    h = k @ np.stack([rotation[:, 0] * size_mm / CELLS, rotation[:, 1] * size_mm / CELLS, centre], axis=1)
    return h / h[2, 2]


def facing(tilt_deg: float, about_deg: float = 0.0, roll_deg: float = 0.0) -> NDArray[np.float64]:
    """Rotation tag to camera: upright tag facing the camera, rolled in its plane, then tilted about an image axis."""
    base = np.diag([1.0, -1.0, -1.0])
    r = np.radians(roll_deg)
    roll = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1.0]])
    a = np.radians(about_deg)
    axis = np.array([np.cos(a), np.sin(a), 0.0]) * np.radians(tilt_deg)
    return cv2.Rodrigues(axis)[0] @ base @ roll


def paint(canvas: NDArray[np.float32], homography: NDArray[np.float64], code: int, white: float = 200.0,
          black: float = 40.0, gain_texels: int = 0, margin_texels: int = TEXELS, samples: int = 8) -> None:
    """Draw a tag (with its paper margin) into a float canvas by averaging ``samples``^2 points a pixel."""
    img = texture(code, gain_texels, margin_texels)
    half = CELLS / 2 + margin_texels / TEXELS
    box = np.array([[-half, -half, 1], [half, -half, 1], [half, half, 1], [-half, half, 1]]) @ homography.T
    uv = box[:, :2] / box[:, 2:]
    u0, v0 = np.maximum(np.floor(uv.min(axis=0)).astype(int) - 1, 0)
    u1 = min(int(np.ceil(uv[:, 0].max())) + 2, canvas.shape[1])
    v1 = min(int(np.ceil(uv[:, 1].max())) + 2, canvas.shape[0])
    if u1 <= u0 or v1 <= v0:
        return
    back = np.linalg.inv(homography)
    sub = (np.arange(samples) + 0.5) / samples - 0.5
    uu = (np.arange(u0, u1)[:, None] + sub).ravel()
    vv = (np.arange(v0, v1)[:, None] + sub).ravel()
    n = img.shape[0]
    patch = canvas[v0:v1, u0:u1]
    rows_at_once = max(1, 2_000_000 // (len(uu) * samples)) * samples
    for start in range(0, len(vv), rows_at_once):
        v = vv[start:start + rows_at_once, None]
        u = uu[None]
        w = back[2, 0] * u + back[2, 1] * v + back[2, 2]
        x = (back[0, 0] * u + back[0, 1] * v + back[0, 2]) / w
        y = (back[1, 0] * u + back[1, 1] * v + back[1, 2]) / w
        col = np.floor((x + half) * TEXELS).astype(int)
        row = np.floor((half - y) * TEXELS).astype(int)
        on = (col >= 0) & (col < n) & (row >= 0) & (row < n)
        ink = img[np.clip(row, 0, n - 1), np.clip(col, 0, n - 1)]
        shape = (u.shape[1] // samples, samples)
        tone = np.where(on, np.where(ink == 1, white, black), 0).reshape(-1, samples, *shape).mean(axis=(1, 3))
        cover = on.reshape(-1, samples, *shape).mean(axis=(1, 3))
        lines = slice(start // samples, start // samples + len(tone))
        patch[lines] = patch[lines] * (1 - cover) + tone


def expose(canvas: NDArray[np.float32], blur: float, noise: float, rng: np.random.Generator,
           jpeg: int | None = None, motion: float = 0.0) -> NDArray[np.uint8]:
    """Lens blur (sigma px), motion blur along u (px), noise (sigma grey), rounding and, if asked, JPEG."""
    img: NDArray[Any] = canvas
    if blur > 0:
        img = np.asarray(cv2.GaussianBlur(img, (0, 0), blur))
    if motion > 0:
        n = int(np.ceil(motion)) | 1
        kernel = np.zeros(n + 2)
        offs = np.arange(n + 2) - (n + 1) / 2
        kernel[:] = np.clip(motion / 2 - np.abs(offs) + 0.5, 0, 1)
        img = np.asarray(cv2.filter2D(img, -1, (kernel / kernel.sum())[None]))
    img = img + rng.normal(0, noise, img.shape) if noise > 0 else img
    out = np.clip(np.rint(img), 0, 255).astype(np.uint8)
    if jpeg is not None:
        data = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, jpeg])[1]
        out = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)
    return out
