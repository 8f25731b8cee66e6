"""What the commands show in a terminal: how far they are, lists under their titles, what a run found in short."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from calib.report.contents import Results
    from capture.observations import Observations

WIDTH = 24  # of the bar, characters
ROOM = 79  # of a line, so that a longer one before it is wiped


class Shown:
    """Progress as steps tell it: a bar that redraws on a terminal; elsewhere a line as a step begins, and now and then.

    >>> show = Shown(sys.stdout)
    >>> show("reading photos", 1, 36)
    reading photos
    """

    def __init__(self, out: TextIO | None = None, tick: float = 10.0) -> None:
        self.out, self.tick = out or sys.stderr, tick
        self.live = self.out.isatty()
        self.what, self.last = "", time.monotonic()

    def __call__(self, what: str, done: int, of: int) -> None:
        """Say that ``done`` of ``of`` parts of ``what`` are through."""
        if self.live:
            self._bar(what, done, of)
        elif what != self.what:
            self._line(what)
        elif done < of and time.monotonic() - self.last > self.tick:
            self._line(f"{what}: {done} of {of}")
        self.what = what

    def _bar(self, what: str, done: int, of: int) -> None:
        full = min(WIDTH, WIDTH * done // max(of, 1))
        said = f"{what} [{'#' * full}{'.' * (WIDTH - full)}] {done}/{of}"
        self.out.write(f"\r{said:<{ROOM}}" + ("" if done < of else "\n"))
        self.out.flush()

    def _line(self, text: str) -> None:
        self.last = time.monotonic()
        print(text, file=self.out, flush=True)


def say(text: str) -> None:
    """A line for whoever looks on, apart from what the command gives."""
    print(text, file=sys.stderr, flush=True)


def show(title: str, lines: Sequence[str]) -> None:
    """A list under its title; nothing where it is empty."""
    if lines:
        print(title)
    for line in lines:
        print(f"  {line}")


def show_noticed(obs: Observations, findings: Sequence[Mapping[str, Any]]) -> None:
    """Photos that were not used, and what was noticed, what must be settled first."""
    from calib.findings import in_order
    from capture.observations import aside_lines

    show("Photos not used:", aside_lines(obs.set_aside))
    show("Noticed:", [f"{'to settle: ' if f['serious'] else ''}{f['text']}" for f in in_order(findings)])


def show_summary(results: Results, folder: Path) -> None:
    """What a run found, and what to do about it."""
    sheet = results.sheet()
    print(sheet.headline)
    for line in sheet.lines:
        print(f"  {line.text}")
    for broken in sheet.broken:
        print(f"  limit broken: {broken}")
    show_noticed(results.observations, results.findings)
    show("Work list:", results.work_lines())
    if any(p["changes"] for p in results.work["proposals"][:1]):
        print("  After every change: locknuts and clamps tight, thread engaged 1.5 diameters, stop to stop by hand; "
              "a steering failure injures.")
    if sheet.go:
        print(f"This judges geometry only; before riding go through the checks: rigtrue sheet {folder}")
    print(f"Report: {folder / 'report.html'}")
