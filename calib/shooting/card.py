"""The shoot on paper, for who has neither the phone page nor the laptop at hand: a card to tick, photo by photo.

Page frame: points, y down from the sheet's upper edge.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from calib.findings import spoken
from calib.planning.predict import ShootPlan
from calib.planning.stands import LETTERS, Stand, stands
from calib.planning.words import rare
from calib.report.letters import BLANK, legible
from calib.report.paper import (
    EDGE,
    INK,
    MM,
    Flow,
    Page,
    Piece,
    Pieces,
    paged,
    paper_for,
    room,
    shortened,
    text_width,
    wrapped,
    write_pages,
)
from calib.rig.model import Rig
from calib.shooting.around import RING, Outline, Point, outline, places
from calib.shooting.rules import EACH_TAG, cautions, rules
from calib.shooting.wanted import Ask, Wanted, wanted_from
from capture.errors import UserError

LARGEST, SMALLEST, STEP = 10.5, 9.0, 0.25  # size of the text, points: to be read at arm's length
MANY = 9.5  # where one page does not hold it
BOX, APART = 6.5 * MM, 8.6 * MM  # tick boxes
MARK = 9.0  # points, size of the numbers in boxes and sketch
GREY = "#5a6067"  # readable in a grey print too
WIDE = 62.0 * MM  # of the sketch
UNIT = WIDE / (2 * (RING + 17.0))  # points for one unit of the sketch's ring
DISC = 13.0  # radius of a mark, units of the ring
CORNER = 112.0  # where "front" stands, units over the middle: above all that is on its side of the ring
LETTER_RING = 60.0  # those for wheels turned by hand stand inside the others
TAGS = 17.0 * MM  # column of the tags
NAME_LINES = 2  # of the vehicle's name


@dataclass(frozen=True)
class Row:
    """One position: its folder, what to do, the mark of each photo's stand, and which list of tags it should show."""

    position: str
    do: str
    marks: tuple[str, ...]
    tags: str


@dataclass(frozen=True)
class Card:
    """What stands on the card. ``tags``: lists of tags that positions have in common, each (name, what is in it)."""

    vehicle: str
    stands: tuple[Stand, ...]
    rows: tuple[Row, ...]
    tags: tuple[tuple[str, tuple[str, ...]], ...]
    rules: tuple[str, ...]
    cautions: tuple[str, ...]
    outline: Outline
    notes: tuple[str, ...] = ()

    @property
    def blanks(self) -> bool:
        """Whether letters were left out that no font of this machine has."""
        said = [self.vehicle, *(r.position for r in self.rows), *(t for _, tags in self.tags for t in tags)]
        return any(BLANK in s for s in said)

    @property
    def photos(self) -> int:
        """All photos of the shoot."""
        return sum(len(r.marks) for r in self.rows)


def shoot_card(rig: Rig, path: str | Path, plan: ShootPlan | None = None) -> Card:
    """Write the card of a shoot, to print and tick photo by photo, as a PDF, on the paper of the rig's board.

    ``plan``: as ``plan_shoot`` gives it; without one, as where a rig has no drawing, it asks for photos from all round.
    UserError where the file exists or cannot be written, or no path for a .pdf.
    """
    want = wanted_from(rig, None) if plan is None else wanted_from(rig, plan.stage, plan.asked)
    card = card_of(want, () if plan is None else rare(plan))
    write_card(card, Path(path), paper_for(rig.board.paper))
    return card


def card_of(wanted: Wanted, notes: Sequence[str] = ()) -> Card:
    """The card of a shoot; ``notes``: what its plan says of tags that are hard to see."""
    rig = wanted.rig
    spun = set(rig.spin_positions)
    at_levers = next(a.views for a in wanted.asks if a.position not in spun)
    around = stands(wanted.stage, at_levers, bool(spun))
    names = _lists(wanted.asks)
    rows = [Row(legible(a.position), a.do, tuple(s.mark for s in around if (s.mark in LETTERS) == (a.position in spun)),
                names.get(a.tags, "")) for a in wanted.asks]
    codes = {t: tag.code for t, tag in rig.tags.items()}
    tags = [(name, tuple(f"{codes[t]} {legible(spoken(t))}" for t in sorted(ts, key=codes.__getitem__)))
            for ts, name in names.items()]
    return Card(legible(rig.name), tuple(around), tuple(rows), tuple(tags), tuple(rules(rig)), tuple(cautions(rig)),
                outline(rig), tuple(notes))


def _lists(asks: Sequence[Ask]) -> dict[tuple[str, ...], str]:
    """A name for each set of tags that positions ask for."""
    names = (f"T{k}" for k in count(1))
    return {tags: next(names) for tags in dict.fromkeys(a.tags for a in asks) if tags}


def write_card(card: Card, path: Path, paper: str = "A4") -> None:
    """Write the card as a PDF. ``paper``: A4 or Letter. UserError where the file exists or cannot be written."""
    need_free(path)
    held = io.BytesIO()
    write_pages(held, card_pages(card, paper), f"Shoot card: {card.vehicle}", paper)
    try:
        with path.open("xb") as f:
            f.write(held.getvalue())
    except OSError as e:
        raise UserError(f"{path}: cannot be written ({e.strerror}); name a folder that exists.", "cannot_write",
                        str(path)) from None


def need_free(path: Path) -> None:
    """UserError where a card cannot be written to ``path``: it is no .pdf, or there is one."""
    if path.suffix.lower() != ".pdf":
        raise UserError(f"--card {path} must end in .pdf.", "wrong_ending", "--card")
    if path.exists():
        raise UserError(f"{path} already exists and is not overwritten; choose another name.", "exists", str(path))


def card_pages(card: Card, paper: str) -> list[Pieces]:
    """The card page by page: one in the largest text that fits, more where the smallest does not."""
    wide, high = room(paper)
    size = LARGEST
    while (flow := _flow(card, size, wide)).height > high - _foot_room(size) and size > SMALLEST:
        size -= STEP
    if flow.height <= high - _foot_room(size):
        return [[*flow.pieces, _foot(card, size, wide, 1, 1)]]
    pages = paged(_flow(card, MANY, wide).pieces, high - _foot_room(MANY))
    return [[*p, _foot(card, MANY, wide, k, len(pages))] for k, p in enumerate(pages, 1)]


def _flow(card: Card, size: float, width: float) -> _CardFlow:
    out = _CardFlow(size, width)
    for line in shortened(f"Shoot card: {card.vehicle}", 1.5 * size, width, NAME_LINES, bold=True):
        out.words(line, 1.5, bold=True)
    out.blanks((("Date", 0.2), ("Mileage", 0.2), ("By", 0.22), ("Remark", 0.38)))
    out.space(0.3)
    for said in card.rules:
        out.point(said)
    for said in card.cautions:
        out.point(said, bold=True)
    out.space(0.35)
    out.around(card)
    out.space(0.35)
    out.table(card)
    out.space(0.4)
    for k, (name, tags) in enumerate(card.tags):
        out.words(("" if k else f"Tags to be seen. {EACH_TAG} ") + f"{name}: {'; '.join(tags)}.")
    for said in card.notes:
        out.words(said)
    return out


class _CardFlow(Flow):
    """What stands below what on the card."""

    def point(self, said: str, bold: bool = False) -> None:
        """One rule, with a dot before it."""
        self.words(said, bold=bold, indent=0.9 * self.size, dot=True)

    def blanks(self, columns: Sequence[tuple[str, float]]) -> None:
        """Lines to write on, side by side; ``columns``: what for, and its share of the width."""
        high, gap = 2.0 * self.line, self.size

        def draw(page: Page, y: float) -> None:
            x, base = EDGE, y + high - 0.3 * self.line
            for said, share in columns:
                wide = share * self.width
                page.text(x, base, said, self.size, colour=GREY)
                from_ = x + text_width(said, self.size) + 0.4 * gap
                page.box(from_, base + 1.5, x + wide - gap - from_, 0.6, filled=True)
                x += wide
        self.add(high, draw)

    def around(self, card: Card) -> None:
        """The sketch, and beside it what each place to stand is."""
        left, size = EDGE + WIDE + 5 * MM, self.size
        width = self.width - WIDE - 5 * MM
        lines = self._stands(card, width)
        above, below = _reach(card)
        high = max(above + below, sum(h for h, _, _, _ in lines))

        def draw(page: Page, y: float) -> None:
            _sketch(page, EDGE + WIDE / 2, y + (high - above - below) / 2 + above, card)
            for tall, mark, said, bold in lines:
                if mark:
                    page.disc(left + 2.2 * MM, y + 0.6 * size, 2.2 * MM, mark, MARK)
                for k, line in enumerate(said):
                    page.text(left + (6.5 * MM if mark else 0), y + (1.02 + 1.3 * k) * size, line, size, bold)
                y += tall
        self.add(high, draw)

    def _stands(self, card: Card, width: float) -> list[tuple[float, str, list[str], bool]]:
        """(height, mark, lines, bold) of each line beside the sketch."""
        told = " (distances from the board)" if any(s.off is not None for s in card.stands) else ""
        heads = (f"Where to stand{told}", "Where wheels are turned by hand")
        out: list[tuple[float, str, list[str], bool]] = []
        for head, some in zip(heads, ([s for s in card.stands if s.mark not in LETTERS],
                                      [s for s in card.stands if s.mark in LETTERS]), strict=True):
            if some:
                lines = wrapped(head, self.size, width, bold=True)
                out.append((self.line * len(lines) + 1.5, "", lines, True))
            for s in some:
                lines = wrapped(stand_words(s), self.size, width - 6.5 * MM)
                out.append((max(self.line * len(lines), 4.6 * MM) + 0.8, s.mark, lines, False))
        return out

    def table(self, card: Card) -> None:
        """A row for each position; the head comes again on every page."""
        boxes = APART * max(len(r.marks) for r in card.rows)
        room_for_words = self.width - boxes - TAGS - self.size
        head = self._head(boxes)
        for k, row in enumerate(card.rows):
            piece = self._row(row, room_for_words, boxes)
            self.pieces.append(Piece(piece.height, piece.draw, again=head) if k else piece.under(head))

    def _head(self, boxes: float) -> Piece:
        high, size = 1.6 * self.line, self.size

        def draw(page: Page, y: float) -> None:
            for x, said in ((EDGE, "Position (folder)"),
                            (EDGE + self.width - TAGS - boxes, "Photos"), (EDGE + self.width - TAGS, "Tags")):
                page.text(x, y + size, said, size, bold=True)
            page.box(EDGE, y + high - 2.5, self.width, 0.9, filled=True)
        return Piece(high, draw)

    def _row(self, row: Row, width: float, boxes: float) -> Piece:
        size = self.size
        name = wrapped(row.position, 1.1 * size, width, bold=True)
        do = wrapped(row.do, size, width)
        words = 1.43 * size * len(name) + 1.3 * size * len(do)
        high = max(words, BOX) + 1.5 * MM

        def draw(page: Page, y: float) -> None:
            base = y + 0.3 * MM
            for line in name:
                page.text(EDGE, base + 1.12 * size, line, 1.1 * size, bold=True)
                base += 1.43 * size
            for line in do:
                page.text(EDGE, base + size, line, size)
                base += 1.3 * size
            top, left = y + (high - BOX) / 2 - 0.3, EDGE + self.width - TAGS - boxes
            for k, mark in enumerate(row.marks):
                page.box(left + k * APART, top, BOX, BOX)
                page.middle(left + k * APART + BOX / 2, top + BOX / 2, mark, MARK, GREY)
            page.text(EDGE + self.width - TAGS, top + BOX / 2 + 0.36 * size, row.tags, size, bold=True)
            page.box(EDGE, y + high - 0.6, self.width, 0.4, filled=True)
        return Piece(high, draw)


def stand_words(s: Stand) -> str:
    """As "front left, phone high: 1.3 m up, 1.2 m away, turned upright"."""
    if s.up is None or s.off is None:
        return s.view.words
    return f"{s.view.words}: {s.up:.1f} m up, {s.off:.1f} m away" + (", turned upright" if s.upright else "")


def _sketch(page: Page, x: float, y: float, card: Card) -> None:
    """Vehicle and places to stand round it, its middle at x, y."""
    def at(p: Point, by: Point = (0.0, 0.0)) -> Point:
        return x + (p[0] + by[0]) * UNIT, y + (p[1] + by[1]) * UNIT

    drawn = card.outline
    if drawn.spine is not None:
        page.shape([at(p) for p in drawn.spine], 3.0, GREY)
        nose = drawn.spine[0]
        page.shape([at(nose, by) for by in ((-8, -14), (0, -30), (8, -14))], 0.0, INK, INK)
    for ends in drawn.axles:
        page.shape([at(p) for p in ends], 2.0, GREY)
    for middle, half in drawn.wheels:
        page.shape([at(middle, (i * 4, j * half)) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))], 0.0, INK, INK)
    if drawn.spine is not None:
        page.text(*at((-RING - DISC, 8.0 - CORNER)), "\u25b2 front", MARK)
    for mark, p in _marks(card):
        page.disc(*at(p), DISC * UNIT, mark, MARK)


def _marks(card: Card) -> list[tuple[str, Point]]:
    """Each mark and where it is drawn."""
    out: list[tuple[str, Point]] = []
    for letters, ring in ((False, RING), (True, LETTER_RING)):
        some = [s for s in card.stands if (s.mark in LETTERS) is letters]
        out += zip((s.mark for s in some), places([s.view for s in some], ring), strict=True)
    return out


def _reach(card: Card) -> tuple[float, float]:
    """How far the sketch goes up and down from its middle, points."""
    ys = [p[1] + k * DISC for _, p in _marks(card) for k in (-1, 1)]
    ys += [m[1] + k * half for m, half in card.outline.wheels for k in (-1, 1)]
    ys += [] if card.outline.spine is None else [-CORNER - 8.0]
    return -min(ys) * UNIT, max(ys) * UNIT


def _foot(card: Card, size: float, width: float, page: int, of: int) -> Piece:
    """Whose card it is and which page."""
    (name,) = shortened(card.vehicle, size, 0.6 * width, 1)
    said = f"{name}: shoot card, page {page} of {of}; {card.photos} photos"

    def draw(sheet: Page, y: float) -> None:
        sheet.text(EDGE, sheet.height - EDGE, said, size, colour=GREY)
    return Piece(0.0, draw)


def _foot_room(size: float) -> float:
    return 1.6 * size
