"""Fonts for names in any script: letters that the usual font lacks are taken from another one of the machine."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

USUAL = "DejaVu Sans"
BLANK = "____"  # for letters that no font has: room to write them
_NOT_THOSE = re.compile(r"emoji|last ?resort", re.IGNORECASE)  # pictures, and boxes for every letter there is


def fonts_for(said: str) -> list[str]:
    """Font families that together have the letters of a text, the usual one first."""
    return [USUAL, *_others(_missing(said))]


def legible(said: str) -> str:
    """The text with a blank to write on for each run of letters that no font of this machine has."""
    left = _missing(said) - _letters_of(_others(_missing(said)))
    return re.sub(f"[{re.escape(''.join(sorted(left)))}]+", BLANK, said) if left else said


def _missing(said: str) -> frozenset[str]:
    if said.isascii():  # a page is nearly all of it
        return frozenset()
    return frozenset(c for c in said if not c.isspace() and ord(c) not in _charmap(_usual_file()))


@cache
def _others(missing: frozenset[str]) -> tuple[str, ...]:
    """Families that have what is missing, the one that has most of it first."""
    out: list[str] = []
    left = {ord(c) for c in missing}
    found = {name: left & _charmap(file) for name, file in _installed()} if left else {}
    while left and found:
        name = max(found, key=lambda n: len(found[n] & left))
        if not found[name] & left:
            break
        out.append(name)
        left -= found[name]
    return tuple(out)


def _letters_of(families: tuple[str, ...]) -> frozenset[str]:
    return frozenset(chr(c) for name, file in _installed() if name in families for c in _charmap(file))


def _installed() -> Iterator[tuple[str, str]]:
    """Upright fonts by family and file, the first of each family."""
    from matplotlib.font_manager import fontManager

    files: dict[str, str] = {}
    for f in fontManager.ttflist:
        if f.style == "normal" and f.name != USUAL and not _NOT_THOSE.search(f.name) and str(f.weight) in (
                "400", "normal", "regular"):
            files.setdefault(f.name, f.fname)
    yield from files.items()


@cache
def _usual_file() -> str:
    from matplotlib.font_manager import findfont

    return findfont(USUAL)


@cache
def _charmap(file: str) -> frozenset[int]:
    """Codes of the letters in a font file; none where it cannot be read."""
    from matplotlib.font_manager import get_font

    try:
        return frozenset(get_font(file).get_charmap())
    except (OSError, RuntimeError):
        return frozenset()
