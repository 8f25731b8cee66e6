"""The one error type a user sees: a clear sentence, exit code 2."""

from __future__ import annotations

from collections.abc import Sequence


class UserError(Exception):
    """Bad input: what is wrong, in which file or photo, and what to do. Never a traceback for the user.

    ``code``: short name of what is wrong, for scripts. ``item``: the file, photo, position, tag, part or key it is
    about, empty where it is about no single one. ``reasons``: findings that led to it, each with a code of its own.
    """

    def __init__(self, text: str, code: str = "bad_input", item: str = "", reasons: Sequence[object] = ()) -> None:
        super().__init__(text)
        self.code, self.item, self.reasons = code, item, tuple(reasons)

    def __reduce__(self) -> tuple[type[UserError], tuple[str, str, str, tuple[object, ...]]]:
        return type(self), (str(self), self.code, self.item, self.reasons)  # as from another process
