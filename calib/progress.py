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


class Progress(Protocol):
    """Called in the caller's own process and thread: ``done`` of ``of`` parts are through, and ``what`` goes on.

    Whatever it raises stops the step and comes out of it as it was raised; processes it started are ended, and no file
    is left half-written.
    """

    def __call__(self, what: str, done: int, of: int) -> None: ...


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
