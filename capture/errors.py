"""The one error type a user sees: a clear sentence, exit code 2."""

from __future__ import annotations


class UserError(Exception):
    """Bad input: what is wrong, in which file or photo, and what to do. Never a traceback for the user."""
