"""Layout of the printed targets: plain geometry that printing, detection and the estimate share.

Part target (a "tag"): a square of 10 x 10 cells. The two outer rings of cells are a checker pattern whose
inner lattice gives 32 saddle corners; the middle 6 x 6 cells are white and carry one 36h11 code, 32/60 of
the tag edge wide (black border included), with a white margin of 2/60 all round.

Tag frame: origin at the tag centre, x right and y up as the print is read, z out of the paper towards the
viewer. Millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.shapes import one_number

CELLS = 10
CODE_SHARE = 32.0 / 60.0  # code edge (black square) over tag edge
SADDLES = 4 * (CELLS - 2)
BOARD_IDS = range(0, 60)  # codes 0..59 are for boards, part tags count from 60: they cannot collide
PART_IDS = range(60, 587)

PAPERS_MM: dict[str, tuple[float, float]] = {  # portrait width, height; ISO 216 and ANSI/ASME Y14.1
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (215.9, 279.4),
}
BOARD_GRIDS: dict[str, tuple[int, int]] = {"A4": (3, 4), "A3": (4, 6), "Letter": (3, 4)}
BOARD_TAG_MM = 60.0
BOARD_PITCH_MM = 64.0
SCALE_BAR_MM = 180.0
PART_TAG_MM = 60.0


def saddle_points(size_mm: float) -> NDArray[np.float64]:
    """Saddle corners of a tag, (32, 2) mm in the tag frame, clockwise as read, first one upper left.

    They lie on the square one cell inside the tag's edge, spaced one cell apart. Raises ValueError where the
    size is not one length above zero.

    >>> saddle_points(60.0)[[0, 8, 16, 24]]  # the four corners of the ring
    array([[-24.,  24.],
           [ 24.,  24.],
           [ 24., -24.],
           [-24., -24.]])
    """
    size_mm = one_number("the tag's edge", size_mm)
    if not 0 < size_mm < np.inf:
        raise ValueError(f"the tag's edge must be a length above zero (mm), got {size_mm:g}")
    cell = size_mm / CELLS
    half = (CELLS / 2 - 1) * cell
    run = np.arange(CELLS - 2) * cell
    edge = np.full(CELLS - 2, half)
    top = np.stack([-half + run, edge], axis=1)
    right = np.stack([edge, half - run], axis=1)
    bottom = np.stack([half - run, -edge], axis=1)
    left = np.stack([-edge, -half + run], axis=1)
    return np.concatenate([top, right, bottom, left])


def saddle_signs() -> NDArray[np.int8]:
    """(32,) +1 where the cell up-right of the saddle is black, -1 where it is white.

    Cell (row r from the top, column c from the left) of the ring is black when r + c is even; the saddle
    at lattice column i (1..9) and row j (1..9) has the cell (j - 1, i) up-right of it.
    """
    pts = saddle_points(float(CELLS))
    col = np.rint(pts[:, 0] + CELLS / 2).astype(int)
    row = np.rint(CELLS / 2 - pts[:, 1]).astype(int)
    return np.where((row - 1 + col) % 2 == 0, 1, -1).astype(np.int8)


def cell_is_black(row: int, col: int) -> bool:
    """Whether ring cell (row from top, col from left, 0..9) prints black; the middle 6 x 6 is never black."""
    in_middle = 2 <= row <= CELLS - 3 and 2 <= col <= CELLS - 3
    return not in_middle and (row + col) % 2 == 0


def code_corners(size_mm: float) -> NDArray[np.float64]:
    """Corners of the code's black square, (4, 2) mm, clockwise from upper left (OpenCV's marker order)."""
    h = size_mm * CODE_SHARE / 2
    return np.array([[-h, h], [h, h], [h, -h], [-h, -h]])


@dataclass(frozen=True)
class Board:
    """A sheet of tags with known places. Board frame: origin at the sheet's grid centre, z out of the paper."""

    paper: str = "A4"
    columns: int = 3
    rows: int = 4
    tag_mm: float = BOARD_TAG_MM
    pitch_mm: float = BOARD_PITCH_MM
    first_id: int = 0

    @classmethod
    def for_paper(cls, paper: str, first_id: int = 0) -> Board:
        """The board printed on ``paper`` ("A4", "A3", "Letter"); KeyError for another name.

        >>> board = Board.for_paper("A4")
        >>> len(board.ids), board.tag_centres()[0]
        (12, array([-64.,  96.]))
        """
        columns, rows = BOARD_GRIDS[paper]
        return cls(paper, columns, rows, first_id=first_id)

    @property
    def ids(self) -> list[int]:
        """Codes on the board, row by row from the upper left."""
        return list(range(self.first_id, self.first_id + self.columns * self.rows))

    def tag_centres(self) -> dict[int, NDArray[np.float64]]:
        """Code to tag centre, (2,) mm in the board frame (x right, y up as the print is read)."""
        out = {}
        for k, code in enumerate(self.ids):
            r, c = divmod(k, self.columns)
            out[code] = np.array([(c - (self.columns - 1) / 2) * self.pitch_mm,
                                  ((self.rows - 1) / 2 - r) * self.pitch_mm])
        return out

    def saddles(self) -> dict[int, NDArray[np.float64]]:
        """Code to saddle corners, (32, 2) mm in the board frame, nominal print scale."""
        pts = saddle_points(self.tag_mm)
        return {code: centre + pts for code, centre in self.tag_centres().items()}
