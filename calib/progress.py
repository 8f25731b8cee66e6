"""How a long step tells whoever waits for it how far it is: one protocol from the first photo to the report.

>>> def show(what: str, done: int, of: int) -> None:
...     print(f"{what}: {done} of {of}")
>>> for_photos(show)(3, 36, "ahead/IMG_3.jpg")
reading photos: 3 of 36
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

READING = "reading photos"
ESTIMATING = "estimating pivots, rods and angles"
SEARCHING = "searching for the adjustment"


class Progress(Protocol):
    """Called in the caller's own process and thread: ``done`` of ``of`` parts are through, and ``what`` goes on.

    Each step named by ``what`` counts its own parts; ``of`` may grow where more turn out to be needed.

    Whatever it raises stops the step and comes out of it as it was raised; processes it started are ended, and no file
    is left half-written.
    """

    def __call__(self, what: str, done: int, of: int) -> None: ...


class Steps:
    """Counts one part of a step after another for those who do the work; ``of`` grows where more turn out to be needed.

    >>> steps = Steps(lambda what, done, of: print(f"{what}: {done} of {of}"), "sawing", 2)
    sawing: 0 of 2
    >>> steps.next(); steps.more(1); steps.next()
    sawing: 1 of 2
    sawing: 2 of 3
    >>> steps.end()
    sawing: 3 of 3
    """

    def __init__(self, progress: Progress, what: str, of: int) -> None:
        self._progress, self.what, self.done, self.of = progress, what, 0, of
        self._tell()

    def next(self, parts: int = 1) -> None:
        """So many more are through."""
        self.done += parts
        self.of = max(self.of, self.done + 1)  # the end is told by ``end`` alone
        self._tell()

    def more(self, parts: int) -> None:
        """So many more are needed than was thought."""
        self.of += parts

    def end(self) -> None:
        """All is through."""
        self.done = self.of
        self._tell()

    def _tell(self) -> None:
        self._progress(self.what, self.done, self.of)


def quiet(what: str, done: int, of: int) -> None:
    """Tells nobody."""


def for_photos(progress: Progress) -> Callable[[int, int, str], None]:
    """The same as ``capture.read_shoot`` calls it, which knows the photo's name too."""
    return lambda done, of, name: progress(READING, done, of)


class _Stopped(BaseException):
    """Carries what a callback raised past everything that deals with mistakes of the program."""

    def __init__(self, error: BaseException) -> None:
        super().__init__(error)
        self.error = error


@contextmanager
def stoppable(progress: Progress) -> Iterator[Progress]:
    """The progress for use inside the block; what it raises ends the block like an interruption, and then comes out."""

    def told(what: str, done: int, of: int) -> None:
        try:
            progress(what, done, of)
        except BaseException as e:
            raise _Stopped(e) from e

    try:
        yield told
    except _Stopped as stop:
        raise stop.error from None
