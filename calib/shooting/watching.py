"""A folder that a phone syncs to: photos are judged as they appear, in words for a terminal.

The folder is only read. Photos lie in folders named after the positions, or all in one: then each belongs to the
position set when it came, and goes into a list that the other commands read.
"""

from __future__ import annotations

import csv
import os
import queue
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from calib.rig.model import Rig
from calib.shooting.known import Knowing, Known, in_words
from calib.shooting.seen import tag_places
from calib.shooting.session import ShootSession, Taken, Verdict, why_not
from calib.shooting.store import ASIDE
from calib.shooting.wanted import USUAL_PHOTOS, wanted
from capture.errors import UserError
from capture.judging import Judged, judge
from capture.kept import KeptCorners
from capture.photos import is_photo, list_shoot
from capture.targets import Board

EVERY = 1.0  # s from one look at the folder to the next
WORDS = {"good": "GOOD  ", "poor": "USABLE", "again": "AGAIN "}
NOT_WHOLE = frozenset({"cut_short", "empty", "damaged"})  # what a file still being written looks like


@dataclass(frozen=True)
class _File:
    """How a file was at one look."""

    size: int
    changed: int  # ns


@dataclass
class _Judged:
    file: _File
    sha256: str
    whole: bool
    name: str = ""  # in the session; "" where it does not count


class Watch:
    """A shoot in a folder that somebody else fills. ``lines()`` looks once and gives what there is to say.

    >>> import shutil, tempfile
    >>> from calib import load_rig
    >>> folder = Path(tempfile.mkdtemp())
    >>> watch = Watch(load_rig("sample_data/rig.toml"), folder)
    >>> (folder / "ahead").mkdir()
    >>> _ = shutil.copy("sample_data/before/ahead/IMG_0042.jpg", folder / "ahead")
    >>> list(watch.lines())  # it may still be being written
    []
    >>> next(watch.lines())
    'GOOD   ahead/IMG_0042.jpg: New angle. Part tags 9 of 12. Not seen: 61, 62, 67...'
    """

    def __init__(self, rig: Rig, folder: str | Path, photos: int = USUAL_PHOTOS, kept: KeptCorners | None = None,
                 at: str = "", listed: Path | None = None) -> None:
        """``at``: the position of photos that lie straight in the folder; they are entered in the CSV ``listed``, and
        those entered there before keep their position.

        UserError where the folder is none, ``at`` is no position, or the list cannot be read or begun.
        """
        self.rig, self.folder, self.kept, self.listed = rig, Path(folder).absolute(), kept, listed
        self.session, self.known = ShootSession(wanted(rig, photos)), Known(0)
        self.positions = [a.position for a in self.session.wanted.asks]
        self.at = ""
        self._board, self._codes = Board.for_paper(rig.board.paper), frozenset(rig.tag_by_code())
        self._knowing, self._due, self._number = Knowing(rig), "", 0
        self._before: dict[Path, _File] = {}
        self._done: dict[Path, _Judged] = {}
        self._said: set[str] = set()
        self._entered: dict[Path, str] = {}  # in the list
        self._came: dict[Path, str] = {}  # the position set when a file was first seen
        self._old: set[Path] = set()
        if not self.folder.is_dir():
            raise UserError(f"{folder} is no folder: name the one that the phone's photos come to.", "no_folder",
                            str(folder))
        if at:
            self.go_to(at)
            self._begin_list()
            self._old = {p for p in self._files(self.folder) if p not in self._entered}

    def go_to(self, position: str) -> str:
        """Photos that come from now on belong to this position; what to do there. UserError where it is none."""
        found = [p for p in self.positions if p.casefold() == position.strip().casefold()]
        if not found:
            raise UserError(f"{position.strip()} is no position of this shoot; they are {', '.join(self.positions)}.",
                            "no_position", position)
        self._found()  # what is there by now belongs to the position before
        self.at = found[0]
        return f"Now {self.at}. {self.session.wanted.ask(self.at).do}"

    def lines(self) -> Iterator[str]:
        """Look at the folder once, and say what came, went and changed, and what is wanted and known then."""
        if not self.folder.is_dir():  # a drive that is off: nothing is gone for that
            yield from self._once(f"{self.folder} cannot be reached: waiting for it")
            return
        now = self._found()
        for path in [p for p in self._done if p not in now]:
            yield from self._gone(path, "is gone" + (": no longer counted" if self._done[path].name else "")
                                  + self._in_list(path))
        fresh = [p for p, f in now.items() if (p not in self._done or self._done[p].file != f)
                 and f.size and self._before.get(p) == f]
        waiting = any(p not in self._done or self._done[p].file != f for p, f in now.items() if p not in fresh)
        self._before = now
        for path in sorted(fresh, key=lambda p: (now[p].changed, p.name)):
            if path in self._done:
                yield from self._gone(path, "was changed: looked at again" if self._done[path].whole else "")
            yield from self._look_at(path, now[path])
        if not waiting and not fresh and self._due:
            yield from self._work_out()

    @property
    def left_out(self) -> int:
        """How many photos lay in the folder before and are in no list."""
        return len(self._old)

    def lead(self) -> str:
        """What is wanted next."""
        left = [s for s in self.session.standings() if not s.done]
        if not left:
            return "All positions done."
        stand = next((s for s in left if s.ask.position == self.at), left[0])
        return f"Next {stand.ask.position}. {stand.ask.do} {stand.todo}."

    def _found(self) -> dict[Path, _File]:
        paths = [p for place in self._places() for p in self._files(place)]
        out = {}
        for path in paths:
            try:
                s = path.stat()
            except OSError:  # gone between two calls
                continue
            out[path] = _File(s.st_size, s.st_mtime_ns)
            self._came.setdefault(path, self.at)
        return out

    def _places(self) -> list[Path]:
        return [*((self.folder,) if self.at else ()), *(self.folder / p for p in self.positions)]

    def _files(self, place: Path) -> list[Path]:
        try:
            return [p for p in sorted(place.iterdir()) if is_photo(p) and p not in self._old]
        except OSError:
            return []

    def _look_at(self, path: Path, file: _File) -> Iterator[str]:
        flat = path.parent == self.folder
        position = (self._entered.get(path) or self._came[path]) if flat else path.parent.name
        name = f"{position}/{path.name}"
        try:
            data = path.read_bytes()
        except OSError as err:  # held by who writes it, or gone: the next look tells
            yield from self._once(f"{name} cannot be read yet ({err.strerror or err})")
            return
        if len(data) != file.size:
            return
        judged = judge(data, name, position, self._codes, self._board, self.kept)
        sha256 = judged.outcome.sha256
        self._done[path] = _Judged(file, sha256, judged.outcome.code not in NOT_WHOLE)
        if judged.outcome.code:
            later = " If it is still coming it is looked at again." if judged.outcome.code in NOT_WHOLE else ""
            yield f"{WORDS['again']} {name}: {why_not(judged)}.{later}"
            return
        if (twin := self.session.twin(sha256)) is not None:
            yield f"{name} is the same photo as {twin.name}: counted once"
            return
        self._number += 1
        photo = Taken(name, self._number, position, sha256, judged, "", tag_places(judged, self.rig))
        self.session = self.session.with_photo(photo)
        self._done[path].name, self._due = name, "soon"
        if flat and path not in self._entered:
            self._enter(path, position)
        yield f"{WORDS[(said := self.session.verdict(photo)).word]} {name}: {self._told(judged, said, position)}"
        stand = self.session.standing(position)
        yield f"       {position}: {stand.good} of {stand.ask.photos}. {stand.todo or 'Done'}."
        if stand.done:
            yield f"       {self.lead()}"

    def _told(self, judged: Judged, said: Verdict, position: str) -> str:
        """The verdict, and what it was reached from."""
        info, ask = judged.info, self.session.wanted.ask(position)
        parts = list(said.lines)
        if missing := sorted(c for t in ask.tags if (c := self.rig.tags[t].code) not in judged.corners):
            parts.append(f"Not seen: {', '.join(map(str, missing))}")
        if info is not None:
            parts.append(f"Board {sum(c in judged.corners for c in self._board.ids)} of {len(self._board.ids)}")
            parts.append(f"Edges {info.sharpness_px:.1f} px")
            if not judged.exposure and not judged.glare:
                parts.append("Light good")
            parts.append(f"{info.camera or 'Camera not named'}, {info.width} x {info.height}, "
                         + (f"zoom {info.digital_zoom:.1f}x" if info.digital_zoom != 1.0 else "no zoom"))
        return ". ".join(parts)

    def _once(self, text: str) -> Iterator[str]:
        if text not in self._said:
            self._said.add(text)
            yield text

    def _gone(self, path: Path, words: str) -> Iterator[str]:
        was = self._done.pop(path)
        if was.name:
            self.session, self._due = self.session.without(was.name), "soon"
            for other in [p for p, d in self._done.items() if d.sha256 == was.sha256]:  # its copy counts from now on
                del self._done[other]
        if words:
            yield f"{was.name or path.name} {words}"

    def _work_out(self) -> Iterator[str]:
        """What is known so far: quickly first, and from nothing when there is time."""
        try:
            obs = self.session.observations()
            now = self._knowing.soon(obs) if self._due == "soon" else self._knowing.whole(obs)
        except UserError as err:
            now = Known(len(self.session.photos), trouble=str(err))
        self._due = "whole" if now.went_on else ""
        before, self.known = self.known, now
        if _comparable(now) != _comparable(before):
            yield from in_words(now, all(s.done for s in self.session.standings()))

    # --- the list of photos that lie in one folder ------------------------------------------------------------

    def _begin_list(self) -> None:
        """Take up the list that is there, or begin it."""
        if self.listed is None:
            return
        if self.listed.is_file():
            try:
                rows = list_shoot(self.listed)
            except UserError as err:
                if err.code != "no_photos":
                    raise
                rows = []
            self._entered = {Path(os.path.abspath(path)): position for path, position, _ in rows}
            if odd := sorted({p for p in self._entered.values() if p not in self.positions}):
                raise UserError(f"{self.listed} names {odd[0]}, which is no position of the rig file; correct it or "
                                "name another list.", "no_position", odd[0])
            return
        with self.listed.open("x", encoding="utf-8", newline="") as f:
            f.write("photo,position\n")

    def _enter(self, path: Path, position: str) -> None:
        self._entered[path] = position
        if self.listed is not None:
            with self.listed.open("a", encoding="utf-8", newline="") as f:
                csv.writer(f, lineterminator="\n").writerow(
                    [Path(os.path.relpath(path, self.listed.absolute().parent)).as_posix(), position])

    def _in_list(self, path: Path) -> str:
        return f"; take its line out of {self.listed}" if self.listed and path in self._entered else ""


def watched(watch: Watch, typed: TextIO | None = None, every: float = EVERY) -> Iterator[str]:
    """Lines to show, without an end; positions are ``typed`` meanwhile, a line each."""
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()

    def hear(source: TextIO) -> None:
        for line in source:
            lines.put(line)

    if typed is not None:
        threading.Thread(target=hear, args=(typed,), daemon=True).start()
    while True:
        while not lines.empty():
            said = lines.get().strip()
            try:
                yield watch.go_to(said) if said else watch.lead()
            except UserError as err:
                yield str(err)
        yield from watch.lines()
        time.sleep(every)


def strays(folder: Path, positions: Sequence[str]) -> list[str]:
    """Sentences on photos that lie where no position is."""
    out = []
    loose = sum(map(is_photo, folder.iterdir()))
    if loose:
        out.append(f"{loose} photos lie straight in {folder}: move them into folders named after their positions, or "
                   "say with --at to which position those belong that come from now on.")
    for place in sorted(folder.iterdir()):
        if place.is_dir() and place.name not in (*positions, ASIDE) and any(map(is_photo, place.iterdir())):
            out.append(f"The folder {place.name} is no position of the rig file ({', '.join(positions)}): left out.")
    return out


def _comparable(k: Known) -> tuple[object, ...]:
    """What of it would be told."""
    return (tuple((f.label, f.text, f.outcome) for f in k.figures), k.noticed, k.trouble, k.enough)

