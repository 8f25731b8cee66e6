"""Printed targets as vector PDF at true scale: the marker board, the part tags and a page of advice.

Page frame: origin at the sheet's lower left corner, x right, y up, millimetres.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.textpath import TextPath
from numpy.typing import NDArray
from pypdf import PdfReader, PdfWriter
from pypdf.generic import NameObject

from capture.errors import UserError
from capture.tagart import tag_cells, tag_outline, tag_rectangles, tag_texture
from capture.targets import (
    BOARD_GRIDS,
    BOARD_IDS,
    CELLS,
    PAPERS_MM,
    PART_IDS,
    SCALE_BAR_MM,
    Board,
)

__all__ = [
    "PrintTag", "board_offset", "print_targets", "tag_cells", "tag_outline", "tag_rectangles", "tag_texture",
]

SHORT_BAR_MM = 120.0  # inner tick of the board's bars, for calipers that open to 150 mm
PAGE_BAR_MM = 100.0  # bar on the part tag and advice pages
SMALLEST_TAG_MM = 10.0

_EDGE = 8.0  # mm kept free at the sheet's edge for the printer's grip
_TICK_W, _TICK_H = 0.25, 4.0
_GAP = 2.0  # between cut lines
_LABEL_H = 9.5  # strip for the name, inside the cut line so that cut tags do not get mixed up
_HEAD_H = 22.0
_GREY = "0.35"
_FAINT = "0.6"
_MM_PT = 72.0 / 25.4


@dataclass(frozen=True)
class PrintTag:
    """A part tag to print. ``size_mm`` is the outer edge of the checker ring, before printer error."""

    name: str
    code: int
    size_mm: float
    note: str = ""  # printed under the name
    on_bolt: bool = False  # its middle goes on a bolt's axis: print centring ticks outside the white margin


# --- the sheets --------------------------------------------------------------------------------------------


def print_targets(tags: Sequence[PrintTag], paper: str, out: FilePath,
                  board_first_id: int = 0) -> list[FilePath]:
    """Write ``board.pdf``, ``tags.pdf`` (where there are tags) and ``advice.pdf`` into the folder ``out``.

    ``paper`` is "A4", "A3" or "Letter"; codes on the board count up from ``board_first_id``. Returns the
    paths written. UserError for an unknown paper, a code that is out of range or used twice, a tag that does
    not fit the paper, or a file that is already there: nothing is overwritten, and nothing is written before
    all is known to be well.
    """
    if paper not in PAPERS_MM:
        raise UserError(f"paper {paper!r} is not known; choose one of {', '.join(PAPERS_MM)}.", "unknown_paper", paper)
    _check_board_ids(paper, board_first_id)
    _check_tags(tags, paper)
    sheets: dict[str, list[_Draw]] = {"board.pdf": [_board_sheet(Board.for_paper(paper, board_first_id))]}
    if tags:
        sheets["tags.pdf"] = _tag_sheets(tags, paper)
    sheets["advice.pdf"] = [_advice_sheet(paper)]
    paths = [out / name for name in sheets]
    for path in paths:
        if path.exists():
            raise UserError(f"{path} is already there and is not overwritten; move it away or name another "
                            "output folder.", "exists", str(path))
    contents = [_pdf(paper, draws) for draws in sheets.values()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        for path, content in zip(paths, contents, strict=True):
            with path.open("xb") as f:
                f.write(content)
    except OSError as e:
        raise UserError(f"cannot write the prints into {out} ({e.strerror}); name another folder.",
                        "cannot_write", str(out)) from e
    return paths


def board_offset(paper: str) -> NDArray[np.float64]:
    """Where the board's grid centre lies on its sheet, (2,) mm from the lower left corner."""
    board = Board.for_paper(paper)
    width, height = PAPERS_MM[paper]
    grid_w = (board.columns - 1) * board.pitch_mm + board.tag_mm
    grid_h = (board.rows - 1) * board.pitch_mm + board.tag_mm
    spare_w, spare_h = width - grid_w, height - grid_h
    left = max(spare_w - 20.0, spare_w / 2 + 3.5)  # the upright bar stands left of the grid
    top = min(12.0, 0.22 * spare_h)  # Letter: 6 mm, so that the text below keeps 5 mm from the edge
    return np.array([left + grid_w / 2, height - top - grid_h / 2])


_Draw = Callable[[Axes], None]


def _check_board_ids(paper: str, first: int) -> None:
    columns, rows = BOARD_GRIDS[paper]
    last_first = BOARD_IDS.stop - columns * rows
    if not BOARD_IDS.start <= first <= last_first:
        raise UserError(f"the board's first code is {first}, but on {paper} it can be {BOARD_IDS.start} to "
                        f"{last_first}; part tags have the codes from {PART_IDS.start} on.",
                        "out_of_range", "board_first_id")


def _check_tags(tags: Sequence[PrintTag], paper: str) -> None:
    width, height = PAPERS_MM[paper]
    seen: dict[int, str] = {}
    for tag in tags:
        if tag.code not in PART_IDS:
            raise UserError(f"tag {tag.name!r} has code {tag.code}; part tags take codes {PART_IDS.start} to "
                            f"{PART_IDS.stop - 1}, the lower ones belong to the board.", "out_of_range", tag.name)
        if tag.code in seen:
            raise UserError(f"tags {seen[tag.code]!r} and {tag.name!r} both have code {tag.code}; "
                            "give one of them another.", "code_twice", tag.name)
        seen[tag.code] = tag.name
        if not (math.isfinite(tag.size_mm) and tag.size_mm >= SMALLEST_TAG_MM):
            raise UserError(f"tag {tag.name!r} has size {tag.size_mm:g} mm; a phone cannot read less than "
                            f"{SMALLEST_TAG_MM:g} mm, make it larger.", "out_of_range", tag.name)
        block_w, block_h = _block_size(tag)
        if block_w > width - 2 * _EDGE or block_h > height - 2 * _EDGE - _HEAD_H:
            raise UserError(f"tag {tag.name!r} of {tag.size_mm:g} mm does not fit {paper} with its margin; "
                            "make it smaller or take larger paper.", "out_of_range", tag.name)


def _pdf(paper: str, draws: Sequence[_Draw]) -> bytes:
    width, height = PAPERS_MM[paper]
    held = io.BytesIO()
    info = {"Creator": "rigtrue", "Producer": None, "CreationDate": None}
    with matplotlib.rc_context({"pdf.fonttype": 3, "font.family": "DejaVu Sans"}):
        with PdfPages(held, metadata=info) as pages:
            for draw in draws:
                fig = Figure(figsize=(width / 25.4, height / 25.4))
                ax = fig.add_axes((0.0, 0.0, 1.0, 1.0))
                ax.set_xlim(0, width)
                ax.set_ylim(0, height)
                ax.axis("off")
                draw(ax)
                pages.savefig(fig)
    return _asking_for_true_scale(held.getvalue())


def _asking_for_true_scale(pdf: bytes) -> bytes:
    """The PDF with /PrintScaling /None among its viewer preferences (ISO 32000-1, 12.2).

    A viewer's print dialog then starts at 100 %. Matplotlib's own PDF writer cannot say so.
    """
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pdf)))
    writer.create_viewer_preferences()[NameObject("/PrintScaling")] = NameObject("/None")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _fill(ax: Axes, loops: Sequence[NDArray[np.float64]], colour: str = "black") -> None:
    whole = Outline.make_compound_path(*[Outline(np.vstack([p, p[:1]]), closed=True) for p in loops])
    ax.add_patch(PathPatch(whole, facecolor=colour, edgecolor="none", linewidth=0))


def _box(x0: float, y0: float, x1: float, y1: float) -> NDArray[np.float64]:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _text(ax: Axes, x: float, y: float, text: str, pt: float, width: float | None = None,
          colour: str = "black", weight: str = "normal", turn: float = 0.0) -> None:
    """Text with its baseline's left end at x, y; made smaller where it would be wider than ``width`` mm."""
    if width is not None and text:
        taken = TextPath((0, 0), text, size=pt, usetex=False).get_extents().width / _MM_PT
        pt *= min(1.0, width / (taken * (1.12 if weight == "bold" else 1.0)))
    ax.text(x, y, text, fontsize=pt, color=colour, fontweight=weight, rotation=turn, rotation_mode="anchor",
            ha="left", va="baseline", parse_math=False)


def _scale_bar(ax: Axes, x: float, y: float, length: float, inner: float | None = None,
               upright: bool = False) -> None:
    """A bar from x, y: end ticks' outer edges ``length`` apart, the inner tick's far edge at ``inner``."""
    h = _TICK_H / 2
    boxes = [_box(0, -h, _TICK_W, h), _box(length - _TICK_W, -h, length, h),
             _box(_TICK_W, -_TICK_W / 2, length - _TICK_W, _TICK_W / 2)]
    if inner is not None:
        boxes.append(_box(inner - _TICK_W, -h, inner, h))
    if upright:
        boxes = [b[::-1, ::-1] for b in boxes]
    # one path, because viewers snap a lone rectangle to whole dots
    _fill(ax, [b + [x, y] for b in boxes])


def _board_sheet(board: Board) -> _Draw:
    def draw(ax: Axes) -> None:
        width, _ = PAPERS_MM[board.paper]
        centre = board_offset(board.paper)
        for code, at in board.tag_centres().items():
            _fill(ax, [p + centre + at for p in tag_outline(code, board.tag_mm)])
        grid_left = centre[0] - (board.columns - 1) / 2 * board.pitch_mm - board.tag_mm / 2
        grid_foot = centre[1] - (board.rows - 1) / 2 * board.pitch_mm - board.tag_mm / 2
        bar_y = grid_foot - 4.0 - _TICK_H / 2
        bar = SCALE_BAR_MM
        _scale_bar(ax, grid_left, bar_y, bar, SHORT_BAR_MM)
        _text(ax, grid_left + SHORT_BAR_MM + 1.0, bar_y + 0.7, f"{SHORT_BAR_MM:g}", 6, colour=_GREY)
        _text(ax, grid_left + bar + 1.0, bar_y - 0.8, f"{bar:g}", 6, width=7.0, colour=_GREY)
        # The sheet moves through a printer along its length: the upright bar shows whether both ways agree.
        side_x = grid_left - 6.5
        _scale_bar(ax, side_x, centre[1] - bar / 2, bar, SHORT_BAR_MM, upright=True)
        _text(ax, side_x - 0.6, centre[1] + bar / 2 + 1.2, f"{bar:g}", 6, colour=_GREY, turn=90)
        lines = [
            (f"rigtrue marker board, {board.paper}, codes {board.ids[0]} to {board.ids[-1]}. PRINT AT 100 %: "
             "no “fit to page”, no shrinking, no mirror image.", "bold"),
            (f"Measure the {bar:g} mm bar above with calipers, tick outer edge to tick outer edge, and enter "
             "the reading in rig.toml:  [board] scale_bar = ...", "normal"),
            (f"Calipers too short? Measure to the {SHORT_BAR_MM:g} mm tick, far edge, and multiply by "
             f"{bar / SHORT_BAR_MM:g}. The upright bar at the left must agree within 0.2 mm.", "normal"),
        ]
        for k, (line, weight) in enumerate(lines):
            _text(ax, grid_left, bar_y - _TICK_H / 2 - 2.6 - 2.9 * k, line, 6.5,
                  width=width - grid_left - _EDGE, weight=weight)
    return draw


def _tag_margin(tag: PrintTag) -> float:
    """White between ring and cut line, mm: one cell, and room for the centring ticks where wanted."""
    return tag.size_mm / CELLS + (4.0 if tag.on_bolt else 1.0)


def _block_size(tag: PrintTag) -> tuple[float, float]:
    edge = tag.size_mm + 2 * _tag_margin(tag)
    return edge, edge + _LABEL_H


def _tag_sheets(tags: Sequence[PrintTag], paper: str) -> list[_Draw]:
    pages = _pack(tags, paper)
    return [_tag_sheet(placed, paper, k + 1, len(pages)) for k, placed in enumerate(pages)]


def _pack(tags: Sequence[PrintTag], paper: str) -> list[list[tuple[PrintTag, float, float]]]:
    """Rows of blocks, largest first: per page the tags with their block's upper left corner (x, y), mm."""
    width, height = PAPERS_MM[paper]
    pages: list[list[tuple[PrintTag, float, float]]] = [[]]
    x, y, row_h = _EDGE, height - _EDGE - _HEAD_H, 0.0
    for tag in sorted(tags, key=lambda t: -_block_size(t)[1]):  # stable: the given order within one size
        w, h = _block_size(tag)
        if x + w > width - _EDGE:
            x, y, row_h = _EDGE, y - row_h - _GAP, 0.0
        if y - h < _EDGE:
            pages.append([])
            x, y, row_h = _EDGE, height - _EDGE - _HEAD_H, 0.0
        pages[-1].append((tag, x, y))
        x, row_h = x + w + _GAP, max(row_h, h)
    return pages


def _tag_sheet(placed: Sequence[tuple[PrintTag, float, float]], paper: str, page: int, of: int) -> _Draw:
    def draw(ax: Axes) -> None:
        lines = ["Print at 100 % with the same printer, settings and paper as the board. Cut along the "
                 "dashed line: the white round the checks has to stay."]
        if any(tag.on_bolt for tag, _, _ in placed):
            lines.append("Ticks round a tag show its middle: carry them over the plate's edge to the back; "
                         "where the lines cross, the bolt's axis goes.")
        _page_head(ax, paper, f"Part tags, page {page} of {of}", lines)
        for tag, x, top in placed:
            w, h = _block_size(tag)
            m = _tag_margin(tag)
            middle = np.array([x + w / 2, top - w / 2])
            _fill(ax, [p + middle for p in tag_outline(tag.code, tag.size_mm)])
            cut = _box(x, top - h, x + w, top)
            ax.plot(*np.vstack([cut, cut[:1]]).T, color=_FAINT, linewidth=0.5, linestyle=(0, (5, 3)))
            if tag.on_bolt:
                near, far = w / 2 - 3.5, w / 2 - 0.5
                for dx, dy in ((1, 0), (0, 1), (-1, 0), (0, -1)):
                    ax.plot(middle[0] + np.array([near, far]) * dx, middle[1] + np.array([near, far]) * dy,
                            color=_FAINT, linewidth=0.4)
            label_y = top - h + 7.2
            wide = w - 2 * min(m, 4.0)
            left = x + w / 2 - wide / 2
            _text(ax, left, label_y, tag.name, 8, width=wide, weight="bold")
            _text(ax, left, label_y - 3.1, f"code {tag.code}   {tag.size_mm:g} mm", 6.5, colour=_GREY)
            _text(ax, left, label_y - 5.8, tag.note, 6, width=wide, colour=_GREY)
    return draw


def _page_head(ax: Axes, paper: str, title: str, lines: Sequence[str]) -> None:
    width, height = PAPERS_MM[paper]
    top = height - _EDGE
    _text(ax, _EDGE, top - 4.0, title, 11, weight="bold")
    for k, line in enumerate(lines):
        _text(ax, _EDGE, top - 8.6 - 3.2 * k, line, 7, width=width - 2 * _EDGE)
    bar_y = top - 17.0
    _scale_bar(ax, _EDGE, bar_y, PAGE_BAR_MM)
    _text(ax, _EDGE + PAGE_BAR_MM + 2.0, bar_y - 0.8,
          f"{PAGE_BAR_MM:g} mm, outer edges. Off by the same share as the board's bar: good. "
          "Otherwise print again.", 6.5, width=width - 2 * _EDGE - PAGE_BAR_MM - 2.0)


BEFORE_RIDING = ("Take tags and plates off before anyone rides: a plate that jams a rod takes the steering away, and a "
                 "steering failure injures.")
_ADVICE: list[tuple[str, str]] = [
    ("Printing", """
Scale 100 %, also called “actual size”. Never “fit to page”: check the bars before you cut anything.

Plain matt paper, 100 g/m² or heavier. Gloss paper, lamination and clear tape throw back the sky and wash out
the corners. A laser print is crisper than an ink print; let ink dry flat.

Black and white only, best quality, no toner saving. A mirrored print (transfer setting) cannot be read.

Board and tags from one printer, in one sitting, fed in the same direction: they share one scale.

Printers are often off by up to 1 %. That does no harm once the bar's reading is in rig.toml.
"""),
    ("The board", """
Glue the whole sheet with spray adhesive or double-sided film on flat stiff material at least 4 mm thick:
float glass, aluminium composite or sound plywood. Smooth it from the middle outwards, no bubbles.

Lay a steel rule across both diagonals: a gap of more than 0.3 mm means a bent board, and a bent board bends
every measurement.

Measure the bar after gluing, because paper grows as it takes up moisture. Then enter the reading in rig.toml.

Clamp the board to the frame near the steering, where every photo can see it. It must not shift against the
frame from the first photo to the last.
"""),
    ("The part tags", """
Glue each tag on a flat plate of its own size (2 mm aluminium or similar), then fix the plate to its part so
that it cannot creep: clamp, screw or epoxy. Foam tape gives way.

The name in the strip says which part it belongs on. Which way up it sits does not matter.

A bolt tag goes on a rod end's bolt head, its middle on the bolt's axis within 0.3 mm and its face square to
the axis. Measure with calipers from the paper to the ball's centre: that is “offset” in rig.toml.

Keep tags dry and clean, and wipe off chain oil at once. Print a wrinkled or wet tag again.

Nothing may rub: move the steering slowly through its whole travel and watch every plate.
"""),
    ("Before riding", BEFORE_RIDING),
]


def _advice_sheet(paper: str) -> _Draw:
    def draw(ax: Axes) -> None:
        _page_head(ax, paper, "Before you print and glue",
                   ["A bent, glossy or rescaled print spoils the measurement before the first photo."])
        y = PAPERS_MM[paper][1] - _EDGE - _HEAD_H - 6.0
        for heading, points in _ADVICE:
            _text(ax, _EDGE, y, heading, 11, weight="bold")
            y -= 6.2
            for point in points.strip().split("\n\n"):
                ax.plot([_EDGE + 1.2], [y + 1.1], "k.", markersize=3)
                for line in textwrap.wrap(" ".join(point.split()), 100):
                    _text(ax, _EDGE + 4.0, y, line, 9.5)
                    y -= 4.7
                y -= 1.6
            y -= 3.4
    return draw
