"""Shoots without images: true saddle corners plus noise, for the statistics of the estimate."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from capture.observations import COLUMNS, Observations, PhotoInfo
from capture.targets import CELLS, CODE_SHARE, saddle_points
from tests.render.truth import Shot, Truth

Array = NDArray[np.float64]
MOST_TILT = np.deg2rad(75.0)
LEAST_CELL_PX = 2.0


def visible(uv: Array, normal: Array, centre: Array, eye: Array, width: int, height: int) -> bool:
    """Whether a tag faces the camera, lies in the picture and its code cells are large enough.

    ``uv`` (32, 2) saddle pixels; ``normal``, ``centre``, ``eye`` (3,) in frame axes.
    """
    to = eye - centre
    if normal @ to < np.cos(MOST_TILT) * np.linalg.norm(to):
        return False
    if (uv < 8).any() or (uv[:, 0] > width - 9).any() or (uv[:, 1] > height - 9).any():
        return False
    return code_cell_px(uv) >= LEAST_CELL_PX


def code_cell_px(uv: Array) -> float:
    """The shorter side of a code cell in the picture, px, from the saddle pixels (32, 2)."""
    across, down = uv[8] - uv[0], uv[24] - uv[0]
    ring = np.array([np.linalg.norm(across), np.linalg.norm(down)]) / 8
    sheared = abs(across[0] * down[1] - across[1] * down[0]) / 64 / ring.max()  # height of a skewed cell
    return float(min(ring.min(), sheared)) * CELLS * CODE_SHARE / 8


def true_corners(truth: Truth, shot: Shot) -> dict[int, Array]:
    """Code to (32, 2) true saddle pixels of every tag that faces the camera; parts hide nothing here."""
    out: dict[int, Array] = {}
    eye, lens = shot.camera.centre, truth.lens
    board_normal = truth.board_pose[0][:, 2]
    for code, xy in truth.board.saddles().items():
        x = truth.board_points(xy)
        uv = shot.camera.project(x)
        if visible(uv, board_normal, x.mean(axis=0), eye, lens.width, lens.height):
            out[code] = uv
    for name, tag in truth.rig.tags.items():
        R, t = truth.tag_pose(name, shot.position)
        uv = shot.camera.project(truth.tag_saddles(name, shot.position))
        if visible(uv, R[:, 2], t, eye, lens.width, lens.height):
            out[tag.code] = uv
    return out


def focal_guess(truth: Truth) -> float:
    """What a whole-millimetre 35-mm-equivalent focal length in EXIF would say, px."""
    w, h = truth.lens.width, truth.lens.height
    f35 = round(truth.lens.f / np.hypot(w, h) * np.hypot(36.0, 24.0))
    return float(f35 * np.hypot(w, h) / np.hypot(36.0, 24.0))


def simulate_observations(truth: Truth, sigma_px: float, rng: np.random.Generator, *, missed: float = 0.05,
                          corner_missed: float = 0.02, outliers: float = 0.0,
                          outlier_px: float = 3.0) -> Observations:
    """Corner table of a shoot.

    Noise is normal with a standard deviation of ``sigma_px`` times a factor of 0.8..1.5 that differs from
    tag to tag and is stated in the covariance. ``missed``: share of tags not found in a photo;
    ``corner_missed``: share of single corners; ``outliers``: share of corners thrown off by about
    ``outlier_px``. Positions and photo names as in the truth.
    """
    n = len(saddle_points(60.0))
    frames, photos = [], []
    for shot in truth.shots:
        found = 0
        for code, uv in true_corners(truth, shot).items():
            if rng.random() < missed:
                continue
            found += 1
            s = sigma_px * rng.uniform(0.8, 1.5)
            seen = uv + rng.normal(0, s, uv.shape)
            wild = rng.random(n) < outliers
            seen[wild] += rng.normal(0, outlier_px, (int(wild.sum()), 2))
            keep = np.flatnonzero(rng.random(n) >= corner_missed)
            frames.append(pd.DataFrame({
                "photo": shot.name, "position": shot.position, "tag": code, "corner": keep,
                "u": seen[keep, 0], "v": seen[keep, 1], "cuu": s * s, "cuv": 0.0, "cvv": s * s}))
        photos.append(PhotoInfo(shot.name, shot.position, truth.lens.width, truth.lens.height,
                                focal_guess(truth), "Example EX-1", sharpness_px=0.8, tags_found=found))
    table = pd.concat(frames, ignore_index=True)[COLUMNS]
    return Observations(table, tuple(photos))
