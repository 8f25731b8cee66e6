"""Try mutants: change a copy of the tree, run the tests that should notice, put the file back."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tests.bench.mutants.changes import Mutant, mutants

PARTS = ("calib", "capture", "tests", "README.md", "DEVELOPERS.md", "pyproject.toml")
LINKED = ("sample_data",)  # only read
KNOWN = Path(__file__).with_name("known.toml")
Key = tuple[str, str, str]  # function, source text before and after


@dataclass(frozen=True)
class Candidate:
    """A mutant of a file, the street it belongs to and the tests that should notice, quickest first."""

    street: str
    path: str
    mutant: Mutant
    tests: tuple[str, ...]

    @property
    def name(self) -> str:
        return hashlib.sha1("\n".join((self.path, *self.mutant.key)).encode()).hexdigest()[:10]


def candidates(root: Path, street: str, modules: Sequence[str], tests: Sequence[str]) -> list[Candidate]:
    """All mutants of the modules that the patterns name. ValueError where a pattern names no file."""
    files = [p for pattern in modules for p in _named(root, pattern)]
    checks = tuple(dict.fromkeys(str(p.relative_to(root)) for pattern in tests for p in _named(root, pattern)))
    return [Candidate(street, str(p.relative_to(root)), m, checks)
            for p in dict.fromkeys(files) for m in mutants(p.read_text(encoding="utf-8"))]


def _named(root: Path, pattern: str) -> list[Path]:
    found = sorted(p for p in root.glob(pattern) if p.name != "__init__.py")
    if not found:
        raise ValueError(f"mutants: {pattern} names no file")
    return found


def sample(of: Sequence[Candidate], count: int, seed: int) -> list[Candidate]:
    """Some of them, each line of code at most once; the same for the same seed and code."""
    rng = random.Random(seed)
    out: dict[tuple[str, int], Candidate] = {}
    for c in rng.sample(list(of), len(of)):
        if len(out) == count:
            break
        out.setdefault((c.path, c.mutant.line), c)
    return list(out.values())


@dataclass(frozen=True)
class Known:
    """Why a mutant that no test notices is no fault: "equivalent", or "chosen" with its effect on numbers shown."""

    fate: str
    why: str


def known_mutants(path: Path = KNOWN) -> Mapping[Key, Known]:
    """Mutants that are known to be no fault, by function and source text. ValueError where one stands twice."""
    with path.open("rb") as f:
        data = tomllib.load(f)
    out: dict[Key, Known] = {}
    for table, fate, reason in (("mutant", "equivalent", "why"), ("chosen", "chosen", "effect")):
        for e in data.get(table, []):
            key = (e["within"], e["was"], e["now"])
            if key in out:
                raise ValueError(f"{path.name}: {key} stands twice")
            out[key] = Known(fate, e[reason])
    return out


class Tree:
    """A copy of the project to try mutants in."""

    def __init__(self, root: Path, to: Path) -> None:
        self.root = to
        for part in PARTS:
            if (root / part).is_dir():
                shutil.copytree(root / part, to / part, ignore=shutil.ignore_patterns("__pycache__"))
            elif (root / part).exists():
                shutil.copy(root / part, to / part)
        for part in LINKED:
            if (root / part).exists():
                (to / part).symlink_to((root / part).resolve())

    def passes(self, tests: Sequence[str], seconds: float) -> bool | None:
        """Whether the tests pass; None where they took longer. RuntimeError where there was nothing to run."""
        keep = {**os.environ, "PYTHONPATH": str(self.root), "PYTHONHASHSEED": "0"}
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
        try:
            done = subprocess.run(command, cwd=self.root, env=keep, timeout=seconds, check=False,
                                  stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        except subprocess.TimeoutExpired:
            return None
        if done.returncode in (4, 5):
            raise RuntimeError(f"no tests were run: {done.stdout.decode(errors='replace')[-500:]}")
        return done.returncode == 0

    def survives(self, c: Candidate, seconds: float) -> bool:
        """Whether all tests pass with the mutant in place; a test that hangs has noticed it."""
        file = self.root / c.path
        source = file.read_text(encoding="utf-8")
        changed = c.mutant.apply(source)
        try:
            compile(changed, c.path, "exec")
            self._write(file, changed)
            return self.passes(c.tests, seconds) is True
        finally:
            self._write(file, source)

    def _write(self, file: Path, text: str) -> None:
        for old in file.parent.glob(f"__pycache__/{file.stem}.*"):
            old.unlink()  # same size and second: Python would take it for the present one
        file.write_text(text, encoding="utf-8")


class Fast(Protocol):
    """A quicker way for mutants within functions, see ``live``."""

    def code(self, c: Candidate) -> Callable[[], None] | None: ...

    def passes(self, tests: Sequence[str], seconds: float, change: Callable[[], None] | None = None) -> bool | None: ...


def tried(tree: Tree, of: Sequence[Candidate], known: Mapping[Key, Known],
          seconds: float = 600.0, fast: Fast | None = None, trust: bool = False) -> Iterator[tuple[Candidate, str]]:
    """Each candidate with "killed", "alive" or, where it is alive and known to be no fault, "equivalent" or "chosen".

    Without ``trust`` the tests are first seen to pass as the code is; else RuntimeError.
    """
    sound: dict[tuple[str, ...], bool | None] = {}
    for c in of:
        if c.tests not in sound and not trust:
            sound[c.tests] = (fast or tree).passes(c.tests, seconds)
        if not sound.get(c.tests, trust):
            raise RuntimeError(f"{c.street}: its tests do not pass as the code is, so they show nothing")
        change = fast.code(c) if fast else None
        alive = (fast.passes(c.tests, seconds, change) is True) if fast and change else tree.survives(c, seconds)
        yield c, "killed" if not alive else known[c.mutant.key].fate if c.mutant.key in known else "alive"
