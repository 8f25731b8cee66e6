"""Pages to print with words that flow: text that can be selected, set in one size, and broken into pages.

Page frame: points, y down from the sheet's upper edge.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from capture.targets import PAPERS_MM

if TYPE_CHECKING:  # a process that draws nothing has no need of it
    from matplotlib.figure import Figure

MM = 72.0 / 25.4
EDGE = 15.0 * MM
INK, FAINT = "#1f2328", "#8a8f94"
Draw = Callable[["Page", float], None]  # at the upper edge


@dataclass
class Page:
    """One page being drawn."""

    figure: Figure
    width: float
    height: float

    def text(self, x: float, y: float, said: str, size: float, bold: bool = False, colour: str = INK) -> None:
        """One line with its base line at y."""
        self.figure.text(x / self.width, 1 - y / self.height, said, fontsize=size, color=colour, parse_math=False,
                         fontweight="bold" if bold else "normal", va="baseline", ha="left")

    def box(self, x: float, y: float, wide: float, high: float, filled: bool = False) -> None:
        """A rectangle with its upper left corner at x, y."""
        from matplotlib.patches import Rectangle

        self.figure.add_artist(Rectangle((x / self.width, 1 - (y + high) / self.height), wide / self.width,
                                         high / self.height, fill=filled, facecolor=INK, edgecolor=INK,
                                         linewidth=0 if filled else 0.8))


Pieces = list[tuple[float, Draw]]


@dataclass
class Flow:
    """What stands below what: heights and how each is drawn, at one size of text."""

    size: float
    width: float  # of the column of text
    pieces: Pieces = field(default_factory=list)

    @property
    def line(self) -> float:
        """From one base line to the next."""
        return 1.3 * self.size

    def space(self, lines: float) -> None:
        """Room between pieces."""
        self.pieces.append((lines * self.line, lambda page, y: None))

    def words(self, said: str, scale: float = 1.0, bold: bool = False, colour: str = INK, indent: float = 0.0,
              tick: bool = False) -> None:
        """A paragraph; with a box before it to tick."""
        size, said = self.size * scale, said.replace("+/-", "\u00b1")
        lines = wrapped(said, size, self.width - indent, bold)

        def draw(page: Page, y: float) -> None:
            if tick:
                page.box(EDGE, y + 0.32 * size, 0.8 * size, 0.8 * size)
            for k, line in enumerate(lines):
                page.text(EDGE + indent, y + (1.02 + 1.3 * k) * size, line, size, bold, colour)
        self.pieces.append((1.3 * size * len(lines), draw))

    @property
    def height(self) -> float:
        """Of all pieces."""
        return sum(h for h, _ in self.pieces)


@cache
def _word_width(word: str, bold: bool) -> float:
    """Of a word set in a size of 100, points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", size=100, weight="bold" if bold else "normal")
    return float(text_to_path.get_text_width_height_descent(word, font, ismath=False)[0])


def wrapped(said: str, size: float, width: float, bold: bool = False) -> list[str]:
    """The text in lines no wider than ``width`` points; a word that is wider is broken."""
    lines, now, blank = [""], 0.0, _word_width("a b", bold) - _word_width("ab", bold)
    for word in (piece for w in said.split() for piece in _broken(w, size, width, bold)):
        wide = _word_width(word, bold) * size / 100
        gap = blank * size / 100 if lines[-1] else 0.0
        if lines[-1] and now + gap + wide > width:
            lines.append(word)
            now = wide
        else:
            lines[-1] += (" " if lines[-1] else "") + word
            now += gap + wide
    return lines


def _broken(word: str, size: float, width: float, bold: bool) -> list[str]:
    """A word in pieces that are narrow enough."""
    if len(word) < 2 or _word_width(word, bold) * size / 100 <= width:
        return [word]
    half = len(word) // 2
    return [*_broken(word[:half], size, width, bold), *_broken(word[half:], size, width, bold)]


def room(paper: str) -> tuple[float, float]:
    """Width and height between the edges of a sheet, points."""
    wide, high = PAPERS_MM[paper]
    return wide * MM - 2 * EDGE, high * MM - 2 * EDGE


def paged(pieces: Pieces, high: float) -> list[Pieces]:
    """The pieces page by page."""
    pages: list[Pieces] = [[]]
    for piece in pieces:
        if sum(h for h, _ in pages[-1]) + piece[0] > high:
            pages.append([])
        pages[-1].append(piece)
    return pages


def write_pages(to: Path | IO[bytes], pages: Sequence[Pieces], title: str, paper: str) -> None:
    """Write a PDF; ``to``: a path or an open binary file."""
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    from calib.report.plots import blank

    wide, high = (x * MM for x in PAPERS_MM[paper])
    # embedded as outlines with their letters, so that a reader can search and copy the text
    settings: dict[str, Any] = {"pdf.fonttype": 42, "font.family": "DejaVu Sans"}
    with matplotlib.rc_context(settings), PdfPages(to,  # type: ignore[arg-type]
                                                   metadata={"Title": title, "CreationDate": None}) as pdf:
        for pieces in pages:
            page = Page(blank(figsize=(wide / 72, high / 72)), wide, high)
            y = EDGE
            for tall, draw in pieces:
                draw(page, y)
                y += tall
            pdf.savefig(page.figure)
