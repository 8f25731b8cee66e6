"""What no rig file holds: refused at once and in one sentence, before anything is made of it."""

from __future__ import annotations

import tomllib
import unicodedata
from typing import Any

from capture.errors import UserError

# far beyond any rig, and small enough that all else takes well below two seconds
MOST_CHARACTERS = 300_000
LONGEST_LINE = 2_000
MOST_NAMES = 300  # in one table: bodies, points, rods
DEEPEST = 12
LARGEST_INTEGER = 10**15
_CONTROL = ("Cc", "Cs", "Zl", "Zp")  # Unicode categories: controls, halves of pairs, separators of lines


def toml_data(text: str, file: str) -> dict[str, Any]:
    """The data of a TOML text. UserError where it is no TOML, or larger or deeper than any rig."""
    if len(text) > MOST_CHARACTERS:
        raise _refused(file, f"is longer than {MOST_CHARACTERS:,} characters", "is it the right file?")
    for number, line in enumerate(text.splitlines(), 1):
        if len(line) > LONGEST_LINE:
            raise _refused(f"{file}, line {number}", f"is longer than {LONGEST_LINE:,} characters", "shorten the line")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise UserError(f"{file}: not valid TOML: {exc}; correct that line first", "not_toml", file) from None
    except RecursionError:
        raise _refused(file, "nests brackets deeper than any rig does", "correct the brackets") from None
    except ValueError as exc:  # such as a date that is none
        raise UserError(f"{file}: holds a value that is none ({exc}); correct it first", "not_toml", file) from None
    _check(data, file)
    return data


def _check(data: dict[str, Any], file: str) -> None:
    left: list[tuple[object, int, str]] = [(data, 0, "")]
    while left:
        value, depth, key = left.pop()
        if depth > DEEPEST:
            raise _refused(f"{file}: {key[:60]}", "nests deeper than any rig does", "correct the brackets or dots")
        if isinstance(value, dict):
            if len(value) > MOST_NAMES:
                raise _refused(f"{file}: {key[:60] or 'the file'}", f"holds {len(value)} names, more than {MOST_NAMES}",
                               "take out what is no part of the rig")
            for name, inner in value.items():
                left += [(name, depth, key or name), (inner, depth + 1, f"{key}.{name}" if key else name)]
        elif isinstance(value, list):
            left += [(inner, depth + 1, key) for inner in value]
        elif isinstance(value, str):
            odd = next((c for c in value if c not in "\n\t" and unicodedata.category(c) in _CONTROL), "")
            if odd:
                raise _refused(f"{file}: {_plain(key)[:60]}", f"holds the control character U+{ord(odd):04X}",
                               "delete it")
        elif isinstance(value, int) and abs(value) > LARGEST_INTEGER:
            raise _refused(f"{file}: {key[:60]}", "holds a number larger than any size", "correct it")


def _plain(key: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in key)


def _refused(where: str, what: str, do: str) -> UserError:
    return UserError(f"{where} {what}; {do}", "rig_file", where)
