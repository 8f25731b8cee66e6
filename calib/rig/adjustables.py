"""What a builder can adjust, each kind described once: range, step, error of setting, work, effect, words.

A setting is either a hole, chosen by name, or a move, an amount added to how the part stands now (mm or rad). Search,
chances, proposals, the work list and confirm ask an adjustable for what they need and know no kind by name. A new
kind is one class here and one line in ``moves_of``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.rig.model import Rig, Vec
from calib.rig.schema import LEAST_ENGAGEMENT

Array = NDArray[np.float64]


class Geometry(Protocol):
    """What a move may do to a rig, or to many variants of one at once: amounts (m,) for m variants."""

    def lengthen(self, rod: str, mm: Array) -> None:
        """Make a rod longer."""

    def shift(self, bodies: Sequence[str], by: Array) -> None:
        """Move bodies with their holes, by (m, 3) mm."""


@dataclass(frozen=True)
class SettingErrors:
    """How far a setting made with care may be off what was meant; half-widths of rectangular distributions.

    Common practice, no source; the distribution as JCGM 100, 4.3.7.
    """

    clamp: float = 0.5  # steps of a clamp
    screw: float = 1.0 / 6.0  # turns of a screwed end
    seat: float = 0.2  # mm by which a ball may sit beside its hole's middle


RECTANGLE = float(np.sqrt(3.0))  # half-width over standard deviation of a rectangular distribution

HOLE_WORK = 1.0
ROD_WORK = 1.0
LEVER_ROD_WORK = 0.4  # resetting a lever's own rod is part of setting straight ahead
SLIDE_WORK = 2.0  # a lever assembly takes its rods and the chain line along


@dataclass(frozen=True)
class Move:
    """An adjustable with an amount. ``low`` to ``high`` and ``step`` in ``unit`` from how it stands now.

    ``setting_sd``: standard deviation of setting it. ``work``: in changes. ``solved``: its amount is solved for
    together with the others; otherwise places over its range are tried one by one.
    """

    name: str
    low: float
    high: float
    step: float
    setting_sd: float
    work: float
    per_turn: float | None = None

    kind: ClassVar[str] = ""
    unit: ClassVar[str] = "mm"
    solved: ClassVar[bool] = True
    nudge: ClassVar[float] = 0.05  # step of numerical slopes
    stride: ClassVar[float] = 15.0  # longest step while solving

    def on(self, g: Geometry, rig: Rig, amount: Array) -> None:
        """Carry the move out, amount (m,)."""
        raise NotImplementedError

    def states(self, rig: Rig, amount: float) -> tuple[str, str]:
        """Before and after, as shown."""
        raise NotImplementedError

    def way(self, rig: Rig, amount: float) -> str:
        """The direction in one word or two."""
        raise NotImplementedError

    def whole(self, amount: float) -> tuple[float, ...]:
        """Whole steps on either side of ``amount`` that lie in the range."""
        return self.steps(int(np.floor(amount / self.step)), int(np.ceil(amount / self.step)))

    def steps(self, first: int, last: int) -> tuple[float, ...]:
        """Amounts of whole steps ``first`` to ``last`` that lie in the range; none at all is no move."""
        ks = [k for k in range(first, last + 1) if k == 0 or self.low - 1e-9 <= k * self.step <= self.high + 1e-9]
        return tuple(k * self.step for k in ks) or (0.0,)


@dataclass(frozen=True)
class RodLength(Move):
    """The length of a rod, by its thread or its clamp."""

    kind: ClassVar[str] = "rod"

    def on(self, g: Geometry, rig: Rig, amount: Array) -> None:
        g.lengthen(self.name, amount)

    def states(self, rig: Rig, amount: float) -> tuple[str, str]:
        length = rig.rods[self.name].length
        return f"{length:.2f}", f"{length + amount:.2f}"

    def way(self, rig: Rig, amount: float) -> str:
        return "lengthen" if amount > 0 else "shorten"


@dataclass(frozen=True)
class SlidePlace(Move):
    """The place of a group of parts along the frame."""

    kind: ClassVar[str] = "slide"
    solved: ClassVar[bool] = False

    def on(self, g: Geometry, rig: Rig, amount: Array) -> None:
        s = rig.slides[self.name]
        d = np.asarray(s.direction, float) / np.linalg.norm(s.direction)
        g.shift(s.bodies, np.reshape(amount, (-1, 1)) * d)

    def states(self, rig: Rig, amount: float) -> tuple[str, str]:
        return "0", f"{amount:+g}"

    def way(self, rig: Rig, amount: float) -> str:
        return "forward" if amount * rig.slides[self.name].direction[0] > 0 else "backward"


def moves_of(rig: Rig, errors: SettingErrors | None = None) -> dict[str, Move]:
    """Every move the rig allows, by name; rods first, in the rig's order."""
    e = errors or SettingErrors()
    out: dict[str, Move] = {n: m for n in rig.rods if (m := _rod(rig, n, e)) is not None}
    for n, s in rig.slides.items():
        out[n] = SlidePlace(n, s.range[0], s.range[1], s.step, e.clamp * s.step / RECTANGLE, SLIDE_WORK)
    return out


def _rod(rig: Rig, name: str, e: SettingErrors) -> RodLength | None:
    r = rig.rods[name]
    if r.adjuster == "fixed" or r.longest <= r.shortest:
        return None
    off = e.screw * r.per_turn if r.adjuster == "screw" and r.per_turn else e.clamp * r.step
    low, high = min(r.shortest - r.length, 0.0), max(usable_longest(rig, name) - r.length, 0.0)
    return RodLength(name, low, high, r.step, off / RECTANGLE, LEVER_ROD_WORK if _at_lever(rig, name) else ROD_WORK,
                     r.per_turn if r.adjuster == "screw" else None)


def usable_longest(rig: Rig, name: str) -> float:
    """Longest setting that keeps the thread engaged and the tubes overlapping, mm, from the present length.

    A screwed rod keeps 1.5 diameters engaged at each end (common practice, no source), a clamp its least overlap.
    """
    r, spare = rig.rods[name], np.inf
    if r.engaged_now is not None and r.thread is not None and r.thread.diameter is not None:
        spare = (r.engaged_now - LEAST_ENGAGEMENT * r.thread.diameter) * r.thread.ends
    if r.overlap is not None and r.overlap_now is not None:
        spare = min(spare, r.overlap_now - r.overlap)
    return float(min(r.longest, r.length + max(spare, 0.0)))


def _at_lever(rig: Rig, rod: str) -> bool:
    bodies = {rig.points[p].body for p in (rig.rods[rod].a, rig.rods[rod].b)}
    return any(b in rig.bodies and rig.bodies[b].role == "lever" for b in bodies)


@dataclass(frozen=True)
class HoleChoice:
    """A ball's hole among several, chosen by name."""

    point: str
    holes: tuple[str, ...]
    now: str
    seat_sd: float  # mm along each axis, where it is moved
    work: float = HOLE_WORK


def choices_of(rig: Rig, errors: SettingErrors | None = None) -> dict[str, HoleChoice]:
    """Every point with more than one hole, by name."""
    e = errors or SettingErrors()
    return {n: HoleChoice(n, tuple(p.holes), p.use, e.seat / RECTANGLE) for n, p in rig.points.items()
            if len(p.holes) > 1}


class OneRig:
    """A Geometry that is one rig; ``done`` gives the moved rig."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.bodies, self.points, self.rods = dict(rig.bodies), dict(rig.points), dict(rig.rods)

    def lengthen(self, rod: str, mm: ArrayLike) -> None:
        """Make a rod longer."""
        r = self.rods[rod]
        self.rods[rod] = replace(r, length=r.length + float(np.ravel(mm)[0]))

    def shift(self, bodies: Sequence[str], by: ArrayLike) -> None:
        """Move bodies with all their holes."""
        d = np.reshape(by, (-1, 3))[0]
        for b in bodies:
            self.bodies[b] = replace(self.bodies[b], pivot=_vec(np.asarray(self.bodies[b].pivot) + d))
        for n, p in self.points.items():
            if p.body in bodies:
                self.points[n] = replace(p, holes={h: _vec(np.asarray(v) + d) for h, v in p.holes.items()})

    def done(self) -> Rig:
        """The rig as moved."""
        return replace(self.rig, bodies=self.bodies, points=self.points, rods=self.rods)


def adjusted(rig: Rig, holes: Mapping[str, str], moves: Mapping[str, float]) -> Rig:
    """The rig with holes (by point) in use and moves (amount by name) carried out."""
    points = {**rig.points, **{n: replace(rig.points[n], use=h) for n, h in holes.items()}}
    g = OneRig(replace(rig, points=points))
    known = moves_of(rig) if any(n not in rig.rods for n in moves) else {}
    for name, amount in moves.items():
        if name in rig.rods:  # any rod, also one that a builder cannot adjust
            g.lengthen(name, np.array([amount]))
        else:
            known[name].on(g, rig, np.array([amount]))
    return g.done()


def _vec(v: Array) -> Vec:
    return (float(v[0]), float(v[1]), float(v[2]))
