"""Two result folders set against each other: every number of every table, to the last digit written."""

from __future__ import annotations

import csv
import json
import math
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from calib.report.inputs import FILE
from calib.report.whole import MANIFEST
from capture.errors import UserError

ENDINGS = (".csv", ".json", ".toml")
CLOCK = (("fit.json", "seconds"),)  # how long it took, which is no result
OWN = (FILE, MANIFEST)  # of one run: when, where, and hashes of pictures


class Sameness(NamedTuple):
    """``numbers`` compared in ``files``; a sentence for each file that ``differs``."""

    files: int
    numbers: int
    differs: tuple[str, ...]


def sameness(then: Path, now: Path) -> Sameness:
    """Every CSV, JSON and TOML of both folders, number by number, text by text. UserError where one cannot be read."""
    files = {f: _tables(f) for f in (then, now)}
    said, numbers = [], 0
    for name in sorted(files[then] | files[now]):
        missing = [f for f in (then, now) if name not in files[f]]
        if missing:
            said.append(f"{name}: only in {now if missing[0] is then else then}.")
            continue
        a, b = (dict(values(f / name)) for f in (then, now))
        for file, key in CLOCK:
            for read in (a, b) if file == name else ():
                read.pop((key,), None)
        numbers += sum(isinstance(v, float) for v in a.values())
        if line := _difference(name, a, b):
            said.append(line)
    return Sameness(len(files[then] & files[now]), numbers, tuple(said))


def _tables(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*")
            if p.suffix in ENDINGS and p.is_file() and p.name not in OWN}


Place = tuple[Any, ...]


def _difference(name: str, a: dict[Place, Any], b: dict[Place, Any]) -> str:
    """What differs between two files; nothing where all is the same."""
    off = [k for k in a if k in b and not _same(a[k], b[k])]
    lone = [k for k in (a.keys() ^ b.keys())]
    if not off and not lone:
        return ""
    counted = [k for k in off if isinstance(a[k], float) and isinstance(b[k], float)]
    if not counted:
        first = min([*off, *lone], key=str)
        return (f"{name}: {len(off) + len(lone)} entries differ, first {_spot(first)}: {_shown(a.get(first))} then, "
                f"{_shown(b.get(first))} now.")
    most = max(counted, key=lambda k: _gap(a[k], b[k]))
    return (f"{name}: {len(off) + len(lone)} of {len(a)} entries differ, most {_spot(most)}: {a[most]!r} then, "
            f"{b[most]!r} now.")


def _gap(x: float, y: float) -> float:
    """How far two numbers are apart, relative to their size."""
    gap = abs(x - y) / max(abs(x), abs(y), 1e-300)
    return gap if math.isfinite(gap) else math.inf


def _same(x: Any, y: Any) -> bool:
    return bool(x == y or (x != x and y != y))


def _spot(place: Place) -> str:
    return " ".join(map(str, place))


def _shown(v: Any) -> str:
    return "nothing" if v is None else repr(v)[:60]


def values(path: Path) -> Iterator[tuple[Place, Any]]:
    """Every value in a CSV, JSON or TOML file with its place; numbers as floats. UserError where it cannot be read."""
    try:
        text = path.read_text(encoding="utf-8")
        if path.suffix == ".csv":
            yield from _cells(text)
        else:
            yield from _leaves(json.loads(text) if path.suffix == ".json" else tomllib.loads(text), ())
    except (OSError, ValueError, csv.Error) as e:
        raise UserError(f"{path} cannot be read; it is damaged, or was changed since.", "unreadable", str(path)) from e


def _cells(text: str) -> Iterator[tuple[Place, Any]]:
    rows = csv.reader(text.splitlines(keepends=True))
    head = next(rows, [])
    yield ("columns",), tuple(head)
    for k, row in enumerate(rows, 2):
        for c, cell in enumerate(row):
            try:
                value: Any = float(cell)
            except ValueError:
                value = cell.replace("\r\n", "\n")
            yield ("line", k, head[c] if c < len(head) else c), value


def _leaves(v: Any, at: Place) -> Iterator[tuple[Place, Any]]:
    if isinstance(v, dict):
        for k, x in v.items():
            yield from _leaves(x, (*at, k))
    elif isinstance(v, list):
        yield (*at, "length"), str(len(v))
        for k, x in enumerate(v):
            yield from _leaves(x, (*at, k))
    elif isinstance(v, int | float) and not isinstance(v, bool):
        yield at, float(v)
    else:
        yield at, v
