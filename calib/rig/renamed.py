"""Keys of a rig file that have a new name: for this release both are read, the old one with a note."""

from __future__ import annotations

from typing import Any

from calib.rig.errors import Errors, KeyPath, dotted

# section and key as they were -> key as it is; in "targets" the key is the figure's own name
RENAMED: dict[tuple[str, str], str] = {
    ("points", "swing"): "misalignment",
    ("targets", "bump_steer_lean"): "roll_steer",
}


def with_new_names(data: dict[str, Any], errors: Errors) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The file's data with every old key under its new name, and a note for each old name read.

    A table that gives both names goes to ``errors``: which of the two is meant is not for the reader to say.
    """
    out, notes = dict(data), list[str]()
    for (section, old), new in RENAMED.items():
        tables = out.get(section)
        if not isinstance(tables, dict):
            continue
        if section == "targets":
            out[section] = _moved(tables, old, new, (section,), errors, notes)
        else:
            out[section] = {name: _moved(t, old, new, (section, name), errors, notes) if isinstance(t, dict) else t
                            for name, t in tables.items()}
    return out, tuple(dict.fromkeys(notes))


def _moved(table: dict[str, Any], old: str, new: str, path: KeyPath, errors: Errors,
           notes: list[str]) -> dict[str, Any]:
    if old not in table:
        return table
    if new in table:
        errors.add((*path, old), f'read both "{old}" and "{new}", the old and the new name of one key; allowed: '
                                 f'"{new}" alone')
        return {k: v for k, v in table.items() if k != old}
    errors.rename((*path, new), (*path, old))
    notes.append(f'{errors.file}: "{dotted((*path, old))}" is now called "{new}"; the old name is read for this '
                 "release only: change it in the file.")
    return {new if k == old else k: v for k, v in table.items()}
