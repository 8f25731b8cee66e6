"""A shoot in a folder: photos are stored as they come, judged, counted; what is known so far is worked out.

``Shoot`` is what a script and the phone page use alike. All that it knows is in the folder: opened again it goes on.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from calib.progress import Progress, quiet
from calib.rig.model import Rig
from calib.shooting.known import Knowing, Known
from calib.shooting.seen import tag_places
from calib.shooting.session import AGAIN, ShootSession, Taken, Verdict, why_not
from calib.shooting.store import Kept, keep, next_number, part_file, prepare, put_aside, stored, write_part
from calib.shooting.wanted import USUAL_PHOTOS, wanted
from capture.errors import UserError
from capture.judging import Judged, judge
from capture.kept import KeptCorners
from capture.shoot import Outcome
from capture.targets import Board

PerPhoto = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Answer:
    """What came of one photo: its name in the shoot, "" where it was not kept, and the verdict on it."""

    name: str
    verdict: Verdict
    again: bool = False  # the same bytes were there already


class Shoot:
    """A shoot that goes on. ``session`` is its state as plain data, a new one after each photo.

    >>> import tempfile
    >>> from pathlib import Path
    >>> from calib import load_rig
    >>> rig = load_rig("sample_data/rig.toml")
    >>> photo = Path("sample_data/before/ahead/IMG_0042.jpg").read_bytes()
    >>> shoot = Shoot.open(rig, tempfile.mkdtemp())
    >>> shoot.add(photo, "ahead").verdict.word, shoot.session.standing("ahead").good
    ('good', 1)
    >>> shoot.add(photo, "ahead").again, shoot.undo(), shoot.session.standing("ahead").good
    (True, 'ahead/001-...jpg', 0)
    """

    def __init__(self, rig: Rig, folder: Path, session: ShootSession, waiting: tuple[Kept, ...] = (),
                 corners: KeptCorners | None = None) -> None:
        self.rig, self.folder, self.session, self.corners = rig, folder, session, corners
        self.waiting = list(waiting)  # stored before, not looked at yet
        self.board = Board.for_paper(rig.board.paper)
        self.codes = frozenset(rig.tag_by_code())
        self._kept: dict[str, Kept] = {}
        self._next = next_number(folder)
        self._knowing = Knowing(rig)

    @classmethod
    def open(cls, rig: Rig, folder: str | Path, photos: int = USUAL_PHOTOS, progress: PerPhoto | None = None,
             look: bool = True, corners: KeptCorners | None = None) -> Shoot:
        """Begin a shoot in ``folder``, or go on with the one that is there; ``photos`` at each lever position.

        ``progress(done, all, name)`` is called as photos that are there are read (see ``calib.for_photos``); with
        ``look`` False they stay in ``waiting``. ``corners``: where what photos show is kept, so that those read before
        are not read again.
        UserError where the folder cannot be written or the rig file names no positions.
        """
        folder = Path(folder).absolute()
        want = wanted(rig, photos)
        labels = [a.position for a in want.asks]
        prepare(folder, labels)
        out = cls(rig, folder, ShootSession(want), tuple(stored(folder, labels)), corners)
        while look and out.waiting:
            kept = out.waiting[0]
            out.take(kept, out.judge(kept))
            if progress is not None:
                progress(len(out.session.photos), len(out.session.photos) + len(out.waiting), kept.name)
        return out

    def add(self, data: bytes, position: str, phone: str = "") -> Answer:
        """Store one photo, given as its file's bytes, judge it and count it. UserError where it cannot be stored.

        KeyError for a position that is not asked for.
        """
        self.session.wanted.ask(position)
        part = self.part()
        try:
            sha256 = write_part(part, data)
            if (twin := self.session.twin(sha256)) is not None:
                return self.twin_answer(twin)
            kept = self.store(part, position, sha256)
        finally:
            part.unlink(missing_ok=True)
        return self.take(kept, self.judge(kept), phone)

    def part(self) -> Path:
        """A fresh file for an upload on its way, for ``store``; not made yet."""
        return part_file(self.folder, secrets.token_hex(8))

    def store(self, part: Path, position: str, sha256: str, number: int | None = None) -> Kept:
        """Give a whole upload its place."""
        return keep(part, self.folder, position, sha256, self.number() if number is None else number)

    def number(self) -> int:
        """The next photo's number."""
        self._next += 1
        return self._next - 1

    def judge(self, kept: Kept) -> Judged:
        """Look at a stored photo."""
        return self.judging(kept)()

    def judging(self, kept: Kept) -> Callable[[], Judged]:
        """The same as a piece of work that another process can do, for ``take``."""
        return partial(judge_file, kept, self.codes, self.board, self.corners)

    def unreadable(self, kept: Kept) -> Judged:
        """What is judged of a photo that nobody could look at, as one that ends the process which tries."""
        return Judged(Outcome(kept.name, reason=f"{kept.name} could not be read.", code="unreadable"), {})

    def take(self, kept: Kept, judged: Judged, phone: str = "") -> Answer:
        """Count a stored photo that was looked at; what is no photo at all is put aside."""
        self.waiting = [k for k in self.waiting if k != kept]
        if judged.outcome.code:
            put_aside(kept, self.folder)
            return Answer("", Verdict(AGAIN, (why_not(judged),), False))
        number = kept.number or self.number()
        photo = Taken(kept.name, number, kept.position, kept.sha256, judged, phone, tag_places(judged, self.rig))
        self._kept[kept.name] = kept
        self.session = self.session.with_photo(photo)
        return Answer(kept.name, self.session.verdict(photo))

    def twin_answer(self, twin: Taken) -> Answer:
        """What is said of a photo that is there already."""
        said = self.session.verdict(twin)
        return Answer(twin.name, Verdict(said.word, (f"Already there, in {twin.position}", *said.lines), False), True)

    def undo(self, name: str = "") -> str:
        """Put the last photo aside; its name. ``name``: only if it is this one.

        UserError where there is none, or another came meanwhile.
        """
        if not self.session.photos:
            raise UserError("No photo to undo.", "nothing_to_undo")
        last = self.session.photos[-1]
        if name and last.name != name:
            raise UserError("Another photo came meanwhile. Look again.", "not_the_last", last.name)
        put_aside(self._kept.pop(last.name), self.folder)
        self.session = self.session.without(last.name)
        return last.name

    def known(self, soon: bool = False, progress: Progress = quiet) -> Known:
        """What the photos so far tell of the figures with a tolerance; takes seconds.

        ``soon``: from what was known before, where the photos since go with that: much quicker, but what is odd in
        them is not looked for, so that it never says that they are enough. ``progress``: see ``calib.Progress``.
        """
        try:
            obs = self.session.observations()
        except UserError as err:
            return Known(len(self.session.photos), trouble=str(err))
        return self._knowing.soon(obs, progress) if soon else self._knowing.whole(obs, progress)


def judge_file(kept: Kept, codes: frozenset[int], board: Board, corners: KeptCorners | None = None) -> Judged:
    """What one stored photo shows."""
    return judge(kept.path.read_bytes(), kept.name, kept.position, codes, board, corners)
