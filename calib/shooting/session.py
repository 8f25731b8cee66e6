"""A shoot while it goes on, as plain data: photos in, verdicts and what is still wanted out. No files, no network."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.planning.predict import LEAST_SEEN
from calib.planning.views import View
from calib.shooting.seen import as_planned, board_turn, is_repeat, view_in, views_done
from calib.shooting.wanted import Ask, Wanted
from capture.judging import Judged
from capture.observations import Observations
from capture.shoot import gathered
from capture.targets import Board

GOOD, POOR, AGAIN = "good", "poor", "again"
FEW_OF_BOARD = 0.5  # of the board's tags: fewer hold the camera's place badly
ZOOMED = 0.03  # relative difference in focal length that no autofocus makes


@dataclass(frozen=True)
class Taken:
    """One photo that is stored, and what it shows. ``phone``: who sent it; "" after a restart."""

    name: str  # position/file
    number: int
    position: str
    sha256: str
    judged: Judged
    phone: str = ""
    places: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)  # of the part tags on the board, mm


@dataclass(frozen=True)
class Verdict:
    """What to tell who took a photo: one word, and short lines, the gravest first. ``counts``: towards those wanted."""

    word: str  # GOOD, POOR or AGAIN
    lines: tuple[str, ...]
    counts: bool


@dataclass(frozen=True)
class Standing:
    """How far one position is."""

    ask: Ask
    photos: int
    good: int  # that count towards the number asked for
    views: tuple[bool, ...]  # asked for, there or not
    few: Mapping[str, int]  # tags seen too rarely, and in how many photos
    todo: str  # the next thing to do, "" when done
    stand: View | None = None  # where to do it, where it is a certain place

    @property
    def done(self) -> bool:
        """Whether all that was asked for is there."""
        return not self.todo


@dataclass(frozen=True)
class ShootSession:
    """All photos of a shoot so far, in the order taken, and what is wanted. Nothing in it changes: ``with_photo``."""

    wanted: Wanted
    photos: tuple[Taken, ...] = ()

    def with_photo(self, photo: Taken) -> ShootSession:
        """The session with one more."""
        return replace(self, photos=tuple(sorted((*self.photos, photo), key=lambda t: t.number)))

    def without(self, name: str) -> ShootSession:
        """The session without one; KeyError for one that it does not hold."""
        if name not in {t.name for t in self.photos}:
            raise KeyError(name)
        return replace(self, photos=tuple(t for t in self.photos if t.name != name))

    def twin(self, sha256: str) -> Taken | None:
        """The photo with these bytes; None where it is new."""
        return next((t for t in self.photos if t.sha256 == sha256), None)

    @cached_property
    def turn(self) -> NDArray[np.float64]:
        """Board to vehicle axes, from the tags; as planned where they do not tell yet."""
        found = board_turn(self.wanted.rig, [t.places for t in self.photos])
        return as_planned() if found is None else found

    def views(self, position: str) -> list[View]:
        """From where the position's photos were taken."""
        return [view_in(self.turn, t.judged.view.direction) for t in self.photos
                if t.position == position and t.judged.view is not None]

    @property
    def phones(self) -> int:
        """From how many phones photos came."""
        return len({t.phone for t in self.photos if t.phone})

    def verdict(self, photo: Taken) -> Verdict:
        """What one of the photos is worth beside those before it."""
        earlier = [t for t in self.photos if t.number < photo.number]
        return verdict(self.wanted, photo, earlier)

    def standing(self, position: str) -> Standing:
        """How far a position is; KeyError for one that is not asked for."""
        return self._standings[position]

    def standings(self) -> list[Standing]:
        """Every position, in order."""
        return list(self._standings.values())

    @cached_property
    def _standings(self) -> dict[str, Standing]:
        """Worked out once for this state, however often it is asked for."""
        return {a.position: self._standing(a) for a in self.wanted.asks}

    def _standing(self, ask: Ask) -> Standing:
        position = ask.position
        mine = [t for t in self.photos if t.position == position]
        good = sum(self.verdict(t).counts for t in mine)
        taken = self.views(position)
        few = few_tags(self.wanted, ask, mine)
        return Standing(ask, len(mine), good, views_done(ask.views, taken), few, *self._todo(ask, good, taken, few))

    def observations(self) -> Observations:
        """The table of corners of all photos so far, as ``read_shoot`` would give it. UserError with fewer than two."""
        return gathered([t.judged.outcome for t in sorted(self.photos, key=lambda t: t.name)], "the shoot")

    def _todo(self, ask: Ask, good: int, taken: Sequence[View], few: Mapping[str, int]) -> tuple[str, View | None]:
        """What to do next, and where to stand for it."""
        if good < ask.photos:
            left = [v for v, there in zip(ask.views, views_done(ask.views, taken), strict=True) if not there]
            return (f"Stand {left[0].words}", left[0]) if left else ("One more, from a new side", None)
        if not few:
            return "", None
        tag = min(few, key=lambda t: few[t])
        view = self.wanted.view_of(tag, ask.position, taken)
        where = f". Stand {view.words}" if view else ""
        return f"Get tag {self.wanted.rig.tags[tag].code} in{where}", view


def verdict(wanted: Wanted, photo: Taken, earlier: Sequence[Taken]) -> Verdict:
    """Judge one photo beside the ``earlier`` ones of the shoot."""
    judged = photo.judged
    if judged.info is None:
        return Verdict(AGAIN, (why_not(judged),), False)
    board = Board.for_paper(wanted.rig.board.paper)
    ask = wanted.ask(photo.position)
    bad, poor, plain = [], [], []
    on_board = sum(c in judged.corners for c in board.ids)
    if judged.view is None or on_board < FEW_OF_BOARD * len(board.ids):
        bad.append(f"Board half hidden: {on_board} of {len(board.ids)}")
    bad += _other_camera(photo, earlier)
    if judged.blurred:
        bad.append("Blurred. Hold still")
    codes = {wanted.rig.tags[t].code for t in ask.tags}
    seen = codes & judged.corners.keys()
    if codes and not seen:
        bad.append("No part tags")
    if judged.exposure:
        poor.append({"dark": "Too dark", "bright": "Too bright"}[judged.exposure])
    if shiny := sorted(set(judged.glare) & (codes | set(board.ids))):
        poor.append(f"Glare on {_some(shiny)}")
    here = [t.judged.view.direction for t in earlier if t.position == photo.position and t.judged.view is not None]
    again = judged.view is not None and is_repeat(judged.view.direction, here)
    if again:
        poor.append("Same spot as before. Move on")
    elif judged.view is not None:
        plain.append("New angle")
    plain.append(f"Part tags {len(seen)} of {len(codes)}")
    word = AGAIN if bad else POOR if poor else GOOD
    return Verdict(word, (*bad, *poor, *plain), not bad and not again)


def few_tags(wanted: Wanted, ask: Ask, photos: Sequence[Taken]) -> dict[str, int]:
    """Tags that too few of a position's photos show, and how many do."""
    seen = Counter(c for t in photos for c in t.judged.corners)
    return {t: seen[wanted.rig.tags[t].code] for t in ask.tags
            if seen[wanted.rig.tags[t].code] < LEAST_SEEN}


_WHY = {"cut_short": "Photo cut short. Take it again", "damaged": "Photo damaged. Take it again",
        "empty": "Photo empty. Take it again", "too_large": "Too many pixels. Use 12 to 50 megapixels",
        "not_a_picture": "Not a photo"}


def why_not(judged: Judged) -> str:
    """In a few words, why a photo cannot be used."""
    return _WHY.get(judged.outcome.code) or ("No board seen" if judged.outcome.reason.startswith("No board")
                                             else judged.outcome.reason)


def _other_camera(photo: Taken, earlier: Sequence[Taken]) -> list[str]:
    """Whether it is another camera or zoom than most photos before it."""
    infos = [t.judged.info for t in earlier if t.judged.info is not None]
    me = photo.judged.info
    if not infos or me is None:
        return []
    camera = Counter(i.camera for i in infos).most_common(1)[0][0]
    size = Counter(frozenset((i.width, i.height)) for i in infos).most_common(1)[0][0]
    if me.camera != camera:
        return ["Other camera. Use one only"]
    if frozenset((me.width, me.height)) != size:
        return ["Other picture size. Zoom or setting?"]
    focal = [i.focal_px_guess for i in infos if i.focal_px_guess]
    zoomed = me.focal_px_guess and focal and abs(me.focal_px_guess / float(np.median(focal)) - 1) > ZOOMED
    if zoomed or me.digital_zoom != Counter(i.digital_zoom for i in infos).most_common(1)[0][0]:
        return ["Zoomed. Back to 1x"]
    return []


def _some(codes: Sequence[int]) -> str:
    return ", ".join(map(str, codes[:3])) + (" and more" if len(codes) > 3 else "")

