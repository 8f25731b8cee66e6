"""The questions as a PDF, to fill in beside the rig with a pencil.

Page frame: origin at the sheet's upper left corner, x right, y down, millimetres.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from calib.describe.questions import SECTIONS, UNITS, Question, asked
from calib.describe.sketches import SKETCHES
from calib.rig.starter import LAYOUTS
from capture.errors import UserError
from capture.targets import PAPERS_MM

EDGE = 16.0  # mm
FOOT = 14.0
BOX = 42.0  # mm, where the answer is written
LINE = {9.0: 4.4, 7.5: 3.6, 7.0: 3.1}  # mm from line to line, by size in points
WIDTH_OF = {9.0: 1.78, 7.5: 1.45}  # mm a character takes, rather too much than too little
CAUTION = ("A steering failure injures: whoever loosens something to measure tightens it again, and checks every "
           "locknut before the vehicle is moved.")


@dataclass(frozen=True)
class _Text:
    """One line of text, ``dx`` from the left edge, ``dy`` under the top of its block."""

    dx: float
    dy: float
    text: str
    size: float
    weight: str = "normal"
    colour: str = "black"
    mono: bool = False


@dataclass(frozen=True)
class _Block:
    """What stays together on a page; ``box``: the unit behind a line to write on."""

    height: float
    texts: tuple[_Text, ...]
    box: str | None = None
    keep: bool = False  # with the next one


def write_worksheet(path: Path, layout: str, paper: str = "A4") -> None:
    """The questions of a layout, in the order and with the numbers of the terminal, to ``path``.

    Raises UserError where the file exists or cannot be written.
    """
    from matplotlib.backends.backend_pdf import PdfPages

    if path.exists():
        raise UserError(f"{path} already exists and is not overwritten; choose another name.", "exists", str(path))
    try:
        with PdfPages(path, metadata={"Title": f"Measuring sheet, {layout}", "CreationDate": None}) as pdf:
            pages = _paged(list(_blocks(layout, paper)), PAPERS_MM[paper][1])
            for number, page in enumerate(pages, 1):
                pdf.savefig(_drawn(page, paper, f"rigtrue measuring sheet, {layout}: page {number} of {len(pages)}"))
    except OSError as e:
        raise UserError(f"{path}: cannot be written ({e.strerror}); name a folder that exists.", "cannot_write",
                        str(path)) from None


def _wrapped(text: str, dx: float, dy: float, width: float, size: float, **how: str) -> list[_Text]:
    lines = textwrap.wrap(text, int(width / WIDTH_OF[size]))
    return [_Text(dx, dy + LINE[size] * i, line, size, **how) for i, line in enumerate(lines)]  # type: ignore[arg-type]


def _blocks(layout: str, paper: str) -> Iterator[_Block]:
    wide = PAPERS_MM[paper][0] - 2 * EDGE
    head = [_Text(0, 6, "Measuring sheet", 15, "bold"), _Text(0, 12.5, LAYOUTS[layout].capitalize() + ".", 9)]
    head += [_Text(0, 21, "Vehicle ______________________     Measured by ______________________     Date "
                          "______________", 9)]
    head += _wrapped("Write each length with its unit where it is not mm: 7/8 in. Then: rigtrue new --ask, the same "
                     f"questions under the same numbers. {CAUTION}", 0, 28, wide, 7.5)
    yield _Block(38, tuple(head))
    section = sketch = ""
    for number, q in enumerate(asked(layout), 1):
        if q.section != section:
            lines = _wrapped(SECTIONS[q.section], 0, 11.5, wide, 7.5, colour="0.25")
            yield _Block(12 + LINE[7.5] * len(lines), (_Text(0, 7, q.section, 11, "bold"), *lines), keep=True)
        if q.sketch and (q.sketch != sketch or q.section != section):
            drawn = SKETCHES[q.sketch].strip("\n").splitlines()
            yield _Block(3 + LINE[7.0] * len(drawn), tuple(
                _Text(8, 3 + LINE[7.0] * i, line, 7.0, mono=True) for i, line in enumerate(drawn)), keep=True)
        section, sketch = q.section, q.sketch
        yield _question(number, q, wide)


def _question(number: int, q: Question, wide: float) -> _Block:
    room = wide - 9 - BOX - 4
    ask = _wrapped(q.ask, 9, 4.6, room, 9.0)
    below = 4.6 + LINE[9.0] * len(ask)
    unit = UNITS[q.kind] or " / ".join(q.choices)
    how = _wrapped(q.how + (f" Usual: {q.default}." if q.default and not q.choices else ""), 9, below - 0.4, room, 7.5,
                   colour="0.3")
    return _Block(below + LINE[7.5] * len(how) + 0.6, (_Text(0, 4.6, str(number), 9.0, "bold"), *ask, *how), box=unit)


def _paged(blocks: list[_Block], high: float) -> list[list[tuple[float, _Block]]]:
    """Blocks with their places from the top, page by page; a heading stays with what it heads."""
    pages: list[list[tuple[float, _Block]]] = [[]]
    y = EDGE
    for i, b in enumerate(blocks):
        together = b.height
        while blocks[i].keep:
            i += 1
            together += blocks[i].height
        if y + together > high - FOOT and pages[-1]:
            pages.append([])
            y = EDGE
        pages[-1].append((y, b))
        y += b.height
    return pages


def _drawn(page: list[tuple[float, _Block]], paper: str, foot: str):
    from matplotlib.figure import Figure

    wide, high = PAPERS_MM[paper]
    figure = Figure(figsize=(wide / 25.4, high / 25.4))

    def write(x: float, y: float, t: _Text, align: str = "left") -> None:
        figure.text(x / wide, 1 - y / high, t.text, size=t.size, weight=t.weight, color=t.colour, ha=align,
                    va="baseline", family="monospace" if t.mono else "sans-serif", parse_math=False)

    for top, block in page:
        for t in block.texts:
            write(EDGE + t.dx, top + t.dy, t)
        if block.box is not None:
            _line_to_write_on(figure, wide, high, top + 4.9, block.box, write)
    write(EDGE, high - 8, _Text(0, 0, foot, 7.5, colour="0.3"))
    return figure


def _line_to_write_on(figure, wide: float, high: float, y: float, unit: str, write) -> None:
    from matplotlib.lines import Line2D

    right = wide - EDGE
    left = right - BOX
    if "/" in unit:  # words to put a ring round
        write(right, y - 0.3, _Text(0, 0, unit, 9.0), "right")
        return
    room = 7.0 if unit else 0.0
    figure.add_artist(Line2D([left / wide, (right - room) / wide], [1 - y / high] * 2, color="black", linewidth=0.6))
    write(right, y - 0.3, _Text(0, 0, unit, 9.0), "right")
