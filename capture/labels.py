"""Folder names and the positions that a rig file names: small letters or capitals count as one, slips are refused."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from capture.errors import UserError

Listed = tuple[Path, str, str]  # path, position, name
ALIKE = 0.75  # of two labels, from which one is taken for a slip of the other (difflib's ratio)


def as_named(listed: Sequence[Listed], positions: Sequence[str], source: str) -> tuple[list[Listed], list[str]]:
    """Photos under the labels that the rig file has for them, and notes on labels that it has not.

    "Push1" is "push1" on every system. UserError for a label that is hardly another one, but a named one mistyped.
    """
    if not positions:
        return list(listed), []
    by_folded = {p.casefold(): p for p in positions}
    new: dict[str, str] = {}
    notes = []
    for label in dict.fromkeys(label for _, label, _ in listed):
        new[label] = label if label in positions else by_folded.get(label.strip().casefold(), label)
        if new[label] in positions:
            continue
        close = get_close_matches(label.casefold(), by_folded, 1, ALIKE)
        if close:
            meant = by_folded[close[0]]
            raise UserError(f'"{label}" in {source} is no position that the rig file names: did you mean "{meant}"? '
                            "Rename it, or add it to positions in the rig file.", "unknown_position", label)
        notes.append(f'"{label}" is no position that the rig file names: its photos count as one more lever position. '
                     "If they are none, move them out of the shoot's folder.")
    return [(path, new[label], name) for path, label, name in listed], notes
