"""Try mutants of functions in forked copies of one process that has everything loaded: nothing is written to disk.

The code of the one function that changes is exchanged in the fork, wherever it has been imported to.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest

from tests.bench.mutants.trial import Candidate

OPTIONS = ("-x", "-q", "-p", "no:cacheprovider", "-p", "no:warnings")


class Live:
    """A process with the tests loaded. Only where the system can fork."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.loaded: set[str] = set()

    def code(self, c: Candidate) -> Callable[[], None] | None:
        """What puts the mutant in place in a process; None where it is not within the body of a function."""
        source = (self.root / c.path).read_text(encoding="utf-8")
        module = importlib.import_module(".".join(Path(c.path).with_suffix("").parts))
        outer = _function(module, c.mutant.within)
        if outer is None:
            return None
        name, function = outer
        old, new = (_code(compile(s, c.path, "exec"), name) for s in (source, c.mutant.apply(source)))
        if old is None or new is None or old == new:
            return None

        def put() -> None:
            function.__code__ = new.replace(co_filename=function.__code__.co_filename)

        return put

    def passes(self, tests: Sequence[str], seconds: float, change: Callable[[], None] | None = None) -> bool | None:
        """Whether the tests pass after ``change``; None where they took longer. RuntimeError if nothing was run."""
        wanted = [str(self.root / t) for t in tests]
        if not self.loaded >= set(wanted):
            with _silent():
                pytest.main(["--collect-only", *OPTIONS[1:], *wanted])
            self.loaded |= set(wanted)
        child = os.fork()
        if not child:
            os.setsid()
            code = 99
            try:
                with _silent():
                    if change is not None:
                        change()
                    os.chdir(self.root)
                    code = int(pytest.main([*OPTIONS, *wanted]))
            finally:
                os._exit(code)
        code = _wait(child, seconds)
        if code in (4, 5):
            raise RuntimeError(f"no tests were run of {', '.join(tests)}")
        return None if code is None else code == 0


def _wait(child: int, seconds: float) -> int | None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """Nothing written to the terminal, by this process or those it starts."""
    sys.stdout.flush()
    kept = os.dup(1), os.dup(2)
    with open(os.devnull, "w") as nowhere:
        for k in (1, 2):
            os.dup2(nowhere.fileno(), k)
        try:
            yield
        finally:
            sys.stdout.flush()
            for k, old in zip((1, 2), kept, strict=True):
                os.dup2(old, k)
                os.close(old)


def _function(module: Any, within: str) -> tuple[str, FunctionType] | None:
    """The outermost function of a dotted name, and the part of the name that leads to it."""
    found, parts = module, within.split(".") if within else []
    for k, part in enumerate(parts):
        found = vars(found).get(part)
        found = getattr(found, "__func__", getattr(found, "fget", found))  # static and class methods, properties
        found = getattr(found, "__wrapped__", found)  # cached ones
        if isinstance(found, FunctionType):
            return ".".join(parts[:k + 1]), found
        if not isinstance(found, type):
            return None
    return None


def _code(of: CodeType, name: str) -> CodeType | None:
    for part in name.split("."):
        inner = [c for c in of.co_consts if isinstance(c, CodeType) and c.co_name == part]
        if len(inner) != 1:
            return None
        of = inner[0]
    return of
