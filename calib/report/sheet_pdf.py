"""The go / no-go sheet as a PDF: one page, set smaller where there is much to say, with text that can be selected."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calib.report.paper import EDGE, FAINT, INK, Flow, Page, Pieces, paged, room, wrapped, write_pages
from calib.report.sheet import CHECKS, MET, MOST_WARNINGS, NOT_MET, RULES, TRIAL, WARNING, Sheet

LARGEST, SMALLEST, STEP = 9.5, 6.5, 0.25  # size of the text, points; below that it cannot be read at the vehicle
COLUMNS = (("figure", 0.44), ("wanted", 0.18), ("measured, 95 %", 0.23), ("verdict", 0.15))  # shares of the width
COLOUR = {MET: "#00674a", NOT_MET: "#a23b00"}


class _Flow(Flow):
    """What stands below what on the sheet."""

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

        def draw(page: Page, y: float) -> None:
            for x, cell, b, colour in zip(starts, lines, bold, colours, strict=True):
                for k, line in enumerate(cell):
                    page.text(EDGE + x, y + (1.02 + 1.3 * k) * size, line, size, b, colour)
            page.box(EDGE, y + high - 0.4, self.width, 0.25, filled=True)
        self.add(high, draw)

    def signatures(self, who: str) -> None:
        """A line to sign on."""
        high = 3.1 * self.line

        def draw(page: Page, y: float) -> None:
            base = y + high - self.line
            for x, share, said in ((0.0, 0.36, who), (0.39, 0.18, "Date"), (0.60, 0.40, "Signature")):
                page.box(EDGE + x * self.width, base, share * self.width, 0.5, filled=True)
                page.text(EDGE + x * self.width, base + 0.9 * self.size, said, 0.85 * self.size)
        self.add(high, draw)


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


def sheet_pages(sheet: Sheet, title: str, lead: str, paper: str) -> list[Pieces]:
    """The sheet's pieces page by page: one page in the largest text that fits, more where the smallest does not."""
    wide, high = room(paper)
    size = LARGEST
    while (flow := _flow(sheet, title, lead, size, wide)).height > high and size > SMALLEST:
        size -= STEP
    return paged(flow.pieces, high)


def draw_sheet(folder: Path, sheet: Sheet, title: str, lead: str, paper: str) -> None:
    """Write sheet.pdf into ``folder``. ``paper``: A4 or Letter."""
    write_pages(folder / "sheet.pdf", sheet_pages(sheet, title, lead, paper), title, paper)
