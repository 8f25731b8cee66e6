"""Where a tag is black: the checker ring of ``capture.targets`` and the 36h11 code in its middle.

One place for the printer and for anything else that needs a tag's picture.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.errors import UserError
from capture.targets import CELLS, CODE_SHARE, PART_IDS, cell_is_black

LATTICE = 3 * CELLS  # a tag edge in steps of 2/60: ring cells are 3 steps, the code's modules 2
_CODE = slice(LATTICE // 2 - round(LATTICE * CODE_SHARE) // 2, LATTICE // 2 + round(LATTICE * CODE_SHARE) // 2)


def tag_cells(code: int) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """The tag as a (30, 30) grid, row 0 at the top, True where it prints black, and the (31,) grid edges.

    Edges are fractions of the tag edge from its middle, -0.5 to 0.5; grid column c spans edges[c] to
    edges[c + 1] in x, grid row r spans -edges[r + 1] to -edges[r] in y (y up). UserError for a code outside
    36h11 (0..586).
    """
    if not 0 <= code < PART_IDS.stop:
        raise UserError(f"code {code} is not in the 36h11 family; use 0 to {PART_IDS.stop - 1}.",
                        "out_of_range", str(code))
    ring = np.array([[cell_is_black(r, c) for c in range(CELLS)] for r in range(CELLS)])
    grid = np.repeat(np.repeat(ring, LATTICE // CELLS, axis=0), LATTICE // CELLS, axis=1)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    modules = family.generateImageMarker(code, 8, borderBits=1) == 0
    grid[_CODE, _CODE] = np.repeat(np.repeat(modules, 2, axis=0), 2, axis=1)
    return grid, np.linspace(-0.5, 0.5, LATTICE + 1)


def tag_rectangles(code: int, size_mm: float) -> list[tuple[float, float, float, float]]:
    """Black of the tag as rectangles (x0, y0, x1, y1) mm in the tag frame (y up); none overlap."""
    grid, edges = tag_cells(code)
    open_runs: dict[tuple[int, int], int] = {}  # (first, past last column) -> top row
    boxes = []
    for r in range(LATTICE + 1):
        runs = set(_runs(grid[r])) if r < LATTICE else set()
        for run in [k for k in open_runs if k not in runs]:
            boxes.append((run[0], open_runs.pop(run), run[1], r))
        for run in sorted(runs):
            open_runs.setdefault(run, r)
    s = size_mm
    return [(float(edges[a] * s), float(-edges[bottom] * s), float(edges[b] * s), float(-edges[top] * s))
            for a, top, b, bottom in boxes]


def tag_texture(code: int, px_per_step: int = 2) -> NDArray[np.uint8]:
    """The tag as an image, 0 black and 255 white, 30 * px_per_step pixels square, no margin.

    In pixel coordinates (centres at integers) the tag's edge runs from -0.5 to 30 * px_per_step - 0.5.
    """
    grid, _ = tag_cells(code)
    image = np.where(grid, 0, 255).astype(np.uint8)
    return np.repeat(np.repeat(image, px_per_step, axis=0), px_per_step, axis=1)


def tag_outline(code: int, size_mm: float) -> list[NDArray[np.float64]]:
    """Closed outlines of the tag's black, each (k, 2) mm in the tag frame, black on the left as one walks.

    Cells that share a side are one outline, so a viewer has no seam to show; cells that touch at a corner
    stay apart. Fill by the non-zero rule.
    """
    grid, edges = tag_cells(code)
    black = np.pad(grid, 1)
    steps: dict[tuple[int, int], list[tuple[int, int]]] = {}  # lattice corner (col, row) -> next corners
    for r, c in zip(*np.nonzero(grid), strict=True):
        r, c = int(r), int(c)
        if not black[r + 2, c + 1]:
            steps.setdefault((c, r + 1), []).append((c + 1, r + 1))
        if not black[r + 1, c + 2]:
            steps.setdefault((c + 1, r + 1), []).append((c + 1, r))
        if not black[r, c + 1]:
            steps.setdefault((c + 1, r), []).append((c, r))
        if not black[r + 1, c]:
            steps.setdefault((c, r), []).append((c, r + 1))
    loops = []
    while steps:
        start = min(steps)
        corner, loop, heading = start, [], (0, 0)
        while True:
            ways = steps[corner]
            # where four cells meet at a corner, turn left: that keeps to the cell being walked round
            left = (corner[0] + heading[1], corner[1] - heading[0])
            ahead = left if left in ways else ways[0]
            ways.remove(ahead)
            if not ways:
                del steps[corner]
            turn = (ahead[0] - corner[0], ahead[1] - corner[1])
            if turn != heading:
                loop.append(corner)
            corner, heading = ahead, turn
            if corner == start:
                break
        ij = np.array(loop)
        loops.append(np.stack([edges[ij[:, 0]], -edges[ij[:, 1]]], axis=1) * size_mm)
    return loops


def _runs(row: NDArray[np.bool_]) -> list[tuple[int, int]]:
    change = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True)]
