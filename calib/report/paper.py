"""Pages to print with words that flow: text that can be selected, set in one size, and broken into pages.

Page frame: points, y down from the sheet's upper edge.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from calib.report.letters import USUAL, fonts_for
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
    foreign: bool = False  # has letters that the usual font lacks

    def text(self, x: float, y: float, said: str, size: float, bold: bool = False, colour: str = INK) -> None:
        """One line with its base line at y."""
        fonts = fonts_for(said)
        self.foreign = self.foreign or len(fonts) > 1
        self.figure.text(x / self.width, 1 - y / self.height, said, fontsize=size, color=colour, parse_math=False,
                         fontweight=_weight(bold, fonts), fontfamily=fonts, va="baseline", ha="left")

    def box(self, x: float, y: float, wide: float, high: float, filled: bool = False) -> None:
        """A rectangle with its upper left corner at x, y."""
        from matplotlib.patches import Rectangle

        self.figure.add_artist(Rectangle((x / self.width, 1 - (y + high) / self.height), wide / self.width,
                                         high / self.height, fill=filled, facecolor=INK, edgecolor=INK,
                                         linewidth=0 if filled else 0.8))

    def middle(self, x: float, y: float, said: str, size: float, colour: str = INK) -> None:
        """Few bold letters with their middle at x, y."""
        self.figure.text(x / self.width, 1 - (y + 0.365 * size) / self.height, said, fontsize=size, color=colour,
                         parse_math=False, fontweight="bold", fontfamily=USUAL, va="baseline",
                         ha="center")  # 0.73: height of a capital

    def shape(self, points: Sequence[tuple[float, float]], line: float = 0.0, colour: str = INK,
              filled: str | None = None) -> None:
        """A polygon, closed where it is ``filled`` with a colour; ``line``: width of its edge."""
        from matplotlib.patches import Polygon

        self.figure.add_artist(Polygon([(x / self.width, 1 - y / self.height) for x, y in points],
                                       closed=filled is not None, fill=filled is not None, facecolor=filled,
                                       edgecolor=colour, linewidth=line, transform=self.figure.transFigure))

    def disc(self, x: float, y: float, radius: float, said: str, size: float, colour: str = INK) -> None:
        """A white disc with its middle at x, y, and few letters in it."""
        from matplotlib.patches import Ellipse

        self.figure.add_artist(Ellipse((x / self.width, 1 - y / self.height), 2 * radius / self.width,
                                       2 * radius / self.height, facecolor="white", edgecolor=colour, linewidth=1.0,
                                       transform=self.figure.transFigure))
        self.middle(x, y, said, size, colour)


@dataclass(frozen=True)
class Piece:
    """What stays together on a page: its height, how it is drawn, and what heads it where it begins a page."""

    height: float
    draw: Draw
    again: Piece | None = None

    def under(self, head: Piece) -> Piece:
        """With a head that stays with it."""
        def draw(page: Page, y: float) -> None:
            head.draw(page, y)
            self.draw(page, y + head.height)
        return Piece(head.height + self.height, draw)


Pieces = list[Piece]


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
        self.add(lines * self.line, lambda page, y: None)

    def add(self, height: float, draw: Draw) -> None:
        """One more piece."""
        self.pieces.append(Piece(height, draw))

    def words(self, said: str, scale: float = 1.0, bold: bool = False, colour: str = INK, indent: float = 0.0,
              tick: bool = False, dot: bool = False) -> None:
        """A paragraph; with a box before it to tick, or with a dot."""
        size, said = self.size * scale, said.replace("+/-", "\u00b1")
        lines = wrapped(said, size, self.width - indent, bold)

        def draw(page: Page, y: float) -> None:
            if tick:
                page.box(EDGE, y + 0.32 * size, 0.8 * size, 0.8 * size)
            if dot:
                page.text(EDGE, y + 1.02 * size, "\u2022", size, bold, colour)
            for k, line in enumerate(lines):
                page.text(EDGE + indent, y + (1.02 + 1.3 * k) * size, line, size, bold, colour)
        self.add(1.3 * size * len(lines), draw)

    @property
    def height(self) -> float:
        """Of all pieces."""
        return sum(p.height for p in self.pieces)


def _weight(bold: bool, fonts: Sequence[str]) -> str:
    return "bold" if bold and len(fonts) == 1 else "normal"  # other fonts are often there in one weight only


@cache
def _word_width(word: str, bold: bool) -> float:
    """Of a word set in a size of 100, points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    fonts = fonts_for(word)
    font = FontProperties(family=fonts, size=100, weight=_weight(bold, fonts))
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


def shortened(said: str, size: float, width: float, lines: int, bold: bool = False) -> list[str]:
    """The text in so many lines at most; what is left out is shown by dots."""
    out = wrapped(said, size, width, bold)
    if len(out) <= lines:
        return out
    last = out[lines - 1]
    while last and len(wrapped(last + "\u2026", size, width, bold)) > 1:
        last = last[:-1].rstrip()
    return [*out[:lines - 1], last + "\u2026"]


def text_width(said: str, size: float, bold: bool = False) -> float:
    """Of one line, points."""
    return _word_width(said, bold) * size / 100


def _broken(word: str, size: float, width: float, bold: bool) -> list[str]:
    """A word in pieces that are narrow enough."""
    if len(word) < 2 or _word_width(word, bold) * size / 100 <= width:
        return [word]
    half = len(word) // 2
    return [*_broken(word[:half], size, width, bold), *_broken(word[half:], size, width, bold)]


def paper_for(board: str) -> str:
    """The paper for pages to read, from that of the rig file's board: an A3 board's pages are A4."""
    return "Letter" if board == "Letter" else "A4"


def room(paper: str) -> tuple[float, float]:
    """Width and height between the edges of a sheet, points."""
    wide, high = PAPERS_MM[paper]
    return wide * MM - 2 * EDGE, high * MM - 2 * EDGE


def paged(pieces: Pieces, high: float) -> list[Pieces]:
    """The pieces page by page; what has a head gets it on every page that it begins."""
    pages: list[Pieces] = [[]]
    for piece in pieces:
        if sum(p.height for p in pages[-1]) + piece.height > high:
            pages.append([] if piece.again is None else [piece.again])
        pages[-1].append(piece)
    return pages


def write_pages(to: Path | IO[bytes], pages: Sequence[Pieces], title: str, paper: str) -> None:
    """Write a PDF; ``to``: a path or an open binary file."""
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    wide, high = (x * MM for x in PAPERS_MM[paper])
    drawn = [_drawn(pieces, wide, high) for pieces in pages]
    # embedded with their letters, so that a reader can search and copy the text; as outlines (3) where a font may be of
    # a kind that 42 is not made for
    settings: Any = {"pdf.fonttype": 3 if any(p.foreign for p in drawn) else 42, "font.family": USUAL}
    with (matplotlib.rc_context(settings), _letters_alone(),
          PdfPages(to, metadata={"Title": title, "CreationDate": None}) as pdf):  # type: ignore[arg-type]
        for page in drawn:
            pdf.savefig(page.figure)


@contextmanager
def _letters_alone() -> Iterator[None]:
    """Fonts are embedded without their rules for setting letters, which lie set already: most time went into those."""
    from fontTools.subset import Options

    usual = Options._drop_tables_default
    Options._drop_tables_default = [*usual, "GDEF", "GPOS", "GSUB", "MATH"]
    try:
        yield
    finally:
        Options._drop_tables_default = usual


def _drawn(pieces: Pieces, wide: float, high: float) -> Page:
    from calib.report.plots import blank

    page = Page(blank(figsize=(wide / 72, high / 72)), wide, high)
    y = EDGE
    for piece in pieces:
        piece.draw(page, y)
        y += piece.height
    return page
