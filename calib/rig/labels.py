"""Places for text labels on a drawing, so that they cover neither each other nor what they name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_DEGREES = (45, 135, -45, -135, 90, -90, 0, 180, 20, 160, -20, -160, 70, 110, -70, -110)
_DIRECTIONS = [math.radians(a) for a in _DEGREES]
_DISTANCES = (9.0, 16.0, 26.0, 40.0, 58.0, 80.0, 105.0)


@dataclass(frozen=True)
class Box:
    """An upright rectangle; same length unit as the drawing (pixels)."""

    x0: float
    y0: float
    x1: float
    y1: float

    def overlap(self, other: Box) -> float:
        """Shared area."""
        w = min(self.x1, other.x1) - max(self.x0, other.x0)
        h = min(self.y1, other.y1) - max(self.y0, other.y0)
        return w * h if w > 0 and h > 0 else 0.0

    def inside(self, segments: Array) -> float:
        """Summed length of segments (n, 2, 2) within the box (Liang-Barsky clipping)."""
        if len(segments) == 0:
            return 0.0
        start, step = segments[:, 0], segments[:, 1] - segments[:, 0]
        t0, t1 = np.zeros(len(segments)), np.ones(len(segments))
        for k, (lo, hi) in enumerate(((self.x0, self.x1), (self.y0, self.y1))):
            p, d = start[:, k], step[:, k]
            flat = np.abs(d) < 1e-12
            safe = np.where(flat, 1.0, d)
            a, b = (lo - p) / safe, (hi - p) / safe
            near, far = np.minimum(a, b), np.maximum(a, b)
            outside = flat & ((p < lo) | (p > hi))
            t0 = np.maximum(t0, np.where(flat, np.where(outside, 2.0, 0.0), near))
            t1 = np.minimum(t1, np.where(flat, 1.0, far))
        return float(np.sum(np.clip(t1 - t0, 0.0, None) * np.linalg.norm(step, axis=1)))


def place_labels(
    anchors: Sequence[tuple[float, float]],
    sizes: Sequence[tuple[float, float]],
    bounds: Box,
    segments: Array,
) -> list[Box]:
    """A box for each label of the given (width, height), near its anchor, within ``bounds`` where it can be.

    Greedy: labels are set in turn, each where it covers the least of earlier labels, anchors and ``segments``
    (n, 2, 2), nearer places first. Pixels, or any one unit in which a letter is about 8 high.
    """
    dots = [Box(x - 4, y - 4, x + 4, y + 4) for x, y in anchors]
    out: list[Box] = []
    lines = segments.reshape(-1, 2, 2)
    for (x, y), (w, h) in zip(anchors, sizes, strict=True):
        best, best_cost = None, math.inf
        for distance in _DISTANCES:
            for angle in _DIRECTIONS:
                box = _box_at(x, y, w, h, angle, distance)
                cost = 1.2 * distance + _outside(box, bounds)
                cost += sum(8.0 * box.overlap(b) for b in out) + sum(3.0 * box.overlap(d) for d in dots)
                if cost >= best_cost:
                    continue
                cost += 6.0 * box.inside(lines)
                lead = leader((x, y), box)
                cost += sum(60.0 for b in out if b.inside(lead[None]) > 0)
                if cost < best_cost:
                    best, best_cost = box, cost
        assert best is not None
        out.append(best)
        lines = np.concatenate([lines, leader((x, y), best)[None]])
    return out


def leader(anchor: tuple[float, float], box: Box) -> Array:
    """The line from an anchor to the nearest place on its label's edge, (2, 2)."""
    x = min(max(anchor[0], box.x0), box.x1)
    y = min(max(anchor[1], box.y0), box.y1)
    return np.array([anchor, (x, y)], float)


def _box_at(x: float, y: float, w: float, h: float, angle: float, distance: float) -> Box:
    """The label whose edge is ``distance`` from the anchor in the given direction."""
    c, s = math.cos(angle), math.sin(angle)
    cx = x + c * distance + w / 2 * max(-1.0, min(1.0, 1.6 * c))
    cy = y + s * distance + h / 2 * max(-1.0, min(1.0, 1.6 * s))
    return Box(cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2)


def _outside(box: Box, bounds: Box) -> float:
    over = (max(bounds.x0 - box.x0, 0) + max(box.x1 - bounds.x1, 0)
            + max(bounds.y0 - box.y0, 0) + max(box.y1 - bounds.y1, 0))
    return 200.0 * over
