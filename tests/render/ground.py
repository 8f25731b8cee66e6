"""Wheels on the ground without calib: scipy rotations, places searched round the rim, three contacts by root finder."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.optimize import brentq, root
from scipy.spatial.transform import Rotation

WheelNow = tuple[np.ndarray, np.ndarray, float, float]  # middle, spin, radius, width of the tyre


def lowest(wheel: WheelNow, up: np.ndarray) -> np.ndarray:
    """The lowest place of a wheel by search round its rim, the rim's round tyre hung below."""
    centre, spin, radius, tyre = wheel
    a = np.cross(spin, [0.3, 0.1, 1.0])
    a /= np.linalg.norm(a)
    b = np.cross(spin, a)

    def rim(t: float) -> np.ndarray:
        return centre + (radius - tyre / 2) * (a * np.cos(t) + b * np.sin(t))

    grid = np.linspace(0, 2 * np.pi, 73)
    t0 = grid[np.argmin([rim(t) @ up for t in grid])]
    # the height goes with the cosine, so its slope changes sign at the lowest place
    t = brentq(lambda t: (b * np.cos(t) - a * np.sin(t)) @ up, t0 - 0.3, t0 + 0.3, xtol=1e-14)
    return np.asarray(rim(t) - tyre / 2 * up)


def heading(spin: np.ndarray) -> float:
    """Heading of a wheel on level ground, left positive."""
    return float(np.arctan2(-spin[0], spin[1]))


def headings_on_three(wheels: Mapping[str, WheelNow]) -> dict[str, float]:
    """Headings of the front wheels from the rear one's ("rear") with all three on one flat ground, rad.

    The frame is raised, pitched and rolled until the lowest place of every wheel is at height zero.
    """
    z = np.array([0.0, 0.0, 1.0])

    def pose(q: np.ndarray) -> Rotation:
        return Rotation.from_euler("yx", q[1:])

    def heights(q: np.ndarray) -> list[float]:
        r = pose(q)
        return [float(lowest((r.apply(c), r.apply(s), R, t), z)[2] + q[0]) for c, s, R, t in wheels.values()]

    q = root(heights, np.zeros(3), tol=1e-12).x
    if np.max(np.abs(heights(q))) > 1e-7:
        raise ValueError("the wheels do not stand on one ground")
    h = {n: heading(pose(q).apply(s)) for n, (_, s, _, _) in wheels.items()}
    return {s: h[s] - h["rear"] for s in ("left", "right")}
