"""Messages about a rig file: mistakes are collected, and each names the file, the line and the key."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from typing import Any

KeyPath = tuple[str, ...]


class Errors:
    """Collects mistakes; each line names file, line and key."""

    def __init__(self, file: str, lines: Mapping[KeyPath, int]) -> None:
        self.file, self.lines = file, dict(lines)
        self.texts: list[str] = []
        self.keys: list[str] = []  # the key each text is about
        self.found = 0  # mistakes met, those too that are named elsewhere already
        self.copies: dict[KeyPath, KeyPath] = {}  # what was copied from elsewhere in the file
        self.origins: dict[KeyPath, KeyPath | None] = {}  # what was not written but follows from something else

    def add(self, path: KeyPath, text: str) -> None:
        self.found += 1
        path = self.written(path)
        source = self.origin(path)
        if source != path:
            key = dotted(source)
            if any(k == key or k.startswith(key + ".") for k in self.keys):
                return  # named where it was written
            text += f" (it follows from {key})"
        where = self.file
        for n in range(len(source), 0, -1):
            if source[:n] in self.lines:
                where += f", line {self.lines[source[:n]]}"
                break
        line = f"{where}: {dotted(path)}: {text}"
        if line not in self.texts:
            self.texts.append(line)
            self.keys.append(dotted(path))

    def follows(self, path: KeyPath, source: KeyPath, but: Iterable[str] = ()) -> None:
        """What stands at ``path`` follows from ``source``, all but the keys that are given there."""
        self.origins[path] = source
        self.origins |= {(*path, key): None for key in but}

    def copied(self, path: KeyPath, source: KeyPath) -> None:
        """What stands at ``path`` is what stands at ``source``: a mistake in it is named there."""
        self.copies[path] = source

    def written(self, path: KeyPath) -> KeyPath:
        """The key that a copied value was written under."""
        for n in range(len(path), 0, -1):
            if path[:n] in self.copies:
                return self.copies[path[:n]] + path[n:]
        return path

    def origin(self, path: KeyPath) -> KeyPath:
        """Where what stands at ``path`` was written."""
        for _ in range(len(self.origins) + 1):
            n = next((n for n in range(len(path), 0, -1) if path[:n] in self.origins), 0)
            source = self.origins[path[:n]] if n else None
            if source is None:
                break
            path = source + path[n:]
        return path

    def rename(self, path: KeyPath, read_as: KeyPath) -> None:
        """Messages about ``path`` point at the line where the key stands under the name ``read_as``."""
        if read_as in self.lines:
            self.lines[path] = self.lines[read_as]

    def bad(self, path: KeyPath, read: object, allowed: str) -> None:
        self.add(path, f"read {shown(read)}; allowed: {allowed}")


def dotted(path: KeyPath) -> str:
    return ".".join(p if re.fullmatch(r"[\w-]+", p) else f'"{p}"' for p in path)


def shown(value: object) -> str:
    """A value as it stands in the file, cut to a readable length."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(v) for v in value) + "]"
    elif isinstance(value, dict):
        text = "a table of " + (", ".join(map(str, value)) or "nothing")
    else:
        text = f"{value:.10g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 70 else text[:67] + "..."


def nearest(name: str, known: Iterable[str]) -> str:
    """'; did you mean "pivot"?' or an empty text."""
    close = difflib.get_close_matches(name, list(known), 1, 0.5)
    return f'; did you mean "{close[0]}"?' if close else ""


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line of each header and key, for messages only: tomllib does not tell, so this scans the text."""
    out: dict[KeyPath, int] = {}
    head: KeyPath = ()
    for number, line in enumerate(text.splitlines(), 1):
        m = re.match(r"\s*(\[[^\[\]]+\])\s*(#.*)?$", line)
        key = re.match(r"\s*((?:[\w-]+|\"[^\"]*\")(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"))*)\s*=", line)
        try:
            if m is not None:
                head = _path_in(tomllib.loads(m[1]))
                out.setdefault(head, number)
            elif key is not None:
                out.setdefault(head + _path_in(tomllib.loads(key[1] + " = 0")), number)
        except tomllib.TOMLDecodeError:
            continue
    return out


def _path_in(nested: Any) -> KeyPath:
    path: list[str] = []
    while isinstance(nested, dict) and nested:
        name, nested = next(iter(nested.items()))
        path.append(name)
    return tuple(path)
