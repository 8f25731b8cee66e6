"""The go / no-go sheet as a PDF: one page, set smaller where there is much to say, with text that can be selected.

Page frame: points, y down from the sheet's upper edge.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.report.sheet import CHECKS, MET, MOST_WARNINGS, NOT_MET, RULES, TRIAL, WARNING, Sheet
from capture.targets import PAPERS_MM

if TYPE_CHECKING:  # a process that draws nothing has no need of it
    from matplotlib.figure import Figure

MM = 72.0 / 25.4
EDGE = 15.0 * MM
LARGEST, SMALLEST, STEP = 9.5, 6.5, 0.25  # size of the text, points; below that it cannot be read at the vehicle
COLUMNS = (("figure", 0.44), ("wanted", 0.18), ("measured, 95 %", 0.23), ("verdict", 0.15))  # shares of the width
INK, FAINT = "#1f2328", "#8a8f94"
COLOUR = {MET: "#00674a", NOT_MET: "#a23b00"}
Draw = Callable[["_Page", float], None]  # at the upper edge


@dataclass
class _Page:
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


@dataclass
class _Flow:
    """What stands below what: heights and how each is drawn, at one size of text."""

    size: float
    width: float  # of the column of text
    pieces: list[tuple[float, Draw]] = field(default_factory=list)

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

        def draw(page: _Page, y: float) -> None:
            if tick:
                page.box(EDGE, y + 0.32 * size, 0.8 * size, 0.8 * size)
            for k, line in enumerate(lines):
                page.text(EDGE + indent, y + (1.02 + 1.3 * k) * size, line, size, bold, colour)
        self.pieces.append((1.3 * size * len(lines), draw))

    def row(self, cells: Sequence[str], bold: Sequence[bool], colours: Sequence[str]) -> None:
        """A line of the table, with a rule below it."""
        size = 0.97 * self.size
        at, starts = 0.0, []
        for _, share in COLUMNS:
            starts.append(at * self.width)
            at += share
        lines = [[line for part in c.split("\n") for line in wrapped(part, size, share * self.width - size, b)]
                 for c, (_, share), b in zip(cells, COLUMNS, bold, strict=True)]
        high = 1.3 * size * max(map(len, lines)) + 0.25 * size

        def draw(page: _Page, y: float) -> None:
            for x, cell, b, colour in zip(starts, lines, bold, colours, strict=True):
                for k, line in enumerate(cell):
                    page.text(EDGE + x, y + (1.02 + 1.3 * k) * size, line, size, b, colour)
            page.box(EDGE, y + high - 0.4, self.width, 0.25, filled=True)
        self.pieces.append((high, draw))

    def signatures(self, who: str) -> None:
        """A line to sign on."""
        high = 3.1 * self.line

        def draw(page: _Page, y: float) -> None:
            base = y + high - self.line
            for x, share, said in ((0.0, 0.36, who), (0.39, 0.18, "Date"), (0.60, 0.40, "Signature")):
                page.box(EDGE + x * self.width, base, share * self.width, 0.5, filled=True)
                page.text(EDGE + x * self.width, base + 0.9 * self.size, said, 0.85 * self.size)
        self.pieces.append((high, draw))

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


def _flow(sheet: Sheet, title: str, lead: str, size: float, width: float) -> _Flow:
    """The whole sheet at one size of text."""
    out = _Flow(size, width)
    out.words(title, 1.5, bold=True)
    out.words(lead, 0.9, colour=FAINT)
    out.space(0.3)
    out.words(sheet.word, 1.35, bold=True, colour=COLOUR[MET if sheet.go else NOT_MET])
    out.words(sheet.headline)
    out.space(0.3)
    if sheet.lines:
        out.row([h for h, _ in COLUMNS], [True] * 4, [INK] * 4)
    for x in sheet.lines:
        measured = f"{x.measured}\n{x.doubt}" if x.doubt else x.measured
        out.row([x.name, x.wanted, measured, x.verdict], [False, False, False, x.verdict == NOT_MET],
                [INK, INK, INK, COLOUR.get(x.verdict, INK)])
    for n in sheet.notes:
        out.words(n, 0.9)
    more = len(sheet.warnings) - MOST_WARNINGS
    settle = [*sheet.warnings[:MOST_WARNINGS], *([f"{more} more, under Findings in the report."] if more > 0 else [])]
    for head, items in (("Limits broken", sheet.broken), ("Settle first", settle), ("Not as drawn", sheet.remarks)):
        if items:
            out.space(0.35)
            out.words(head, bold=True)
        for item in items:
            out.words("\u2022 " + item, indent=0.6 * size)
    for head, items in (("Check by hand, and tick", CHECKS), ("Then the trial, step by step", TRIAL),
                        ("Before the road", RULES)):
        out.space(0.4)
        out.words(head, bold=True)
        for item in items:
            out.space(0.08)
            out.words(item, indent=1.7 * size, tick=True)
    out.space(0.4)
    out.words(WARNING, bold=True)
    for who in ("Checked by", "Inspected by"):
        out.signatures(who)
    return out


def sheet_pages(sheet: Sheet, title: str, lead: str, paper: str) -> list[list[tuple[float, Draw]]]:
    """The sheet's pieces page by page: one page in the largest text that fits, more where the smallest does not."""
    wide, high = (x * MM for x in PAPERS_MM[paper])
    room = high - 2 * EDGE
    size = LARGEST
    while (flow := _flow(sheet, title, lead, size, wide - 2 * EDGE)).height > room and size > SMALLEST:
        size -= STEP
    pages: list[list[tuple[float, Draw]]] = [[]]
    for piece in flow.pieces:
        if sum(h for h, _ in pages[-1]) + piece[0] > room:
            pages.append([])
        pages[-1].append(piece)
    return pages


def draw_sheet(folder: Path, sheet: Sheet, title: str, lead: str, paper: str) -> None:
    """Write sheet.pdf into ``folder``. ``paper``: A4 or Letter."""
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    from calib.report.plots import blank

    wide, high = (x * MM for x in PAPERS_MM[paper])
    # embedded as outlines with their letters, so that a reader can search and copy the text
    settings: dict[str, Any] = {"pdf.fonttype": 42, "font.family": "DejaVu Sans"}
    with matplotlib.rc_context(settings), PdfPages(folder / "sheet.pdf",  # type: ignore[arg-type]
                                                   metadata={"Title": title, "CreationDate": None}) as pdf:
        for pieces in sheet_pages(sheet, title, lead, paper):
            page = _Page(blank(figsize=(wide / 72, high / 72)), wide, high)
            y = EDGE
            for tall, draw in pieces:
                draw(page, y)
                y += tall
            pdf.savefig(page.figure)
