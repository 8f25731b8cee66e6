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

    def clock(self, point: str, angle: Array) -> None:
        """Turn a point with its bolt about its body's axis, rad."""


@dataclass(frozen=True)
class SettingErrors:
    """How far a setting made with care may be off what was meant; half-widths of rectangular distributions.

    Common practice, no source; the distribution as JCGM 100, 4.3.7.
    """

    clamp: float = 0.5  # steps of a clamp
    screw: float = 1.0 / 6.0  # turns of a screwed end
    seat: float = 1.0  # of each point's own ``seat``: how far a ball may sit beside its hole's middle

    @property
    def exact(self) -> bool:
        """Whether every setting is taken to be made without error."""
        return self.clamp == self.screw == self.seat == 0.0


RECTANGLE = float(np.sqrt(3.0))  # half-width over standard deviation of a rectangular distribution

HOLE_WORK = 1.0
ROD_WORK = 1.0
CLOCK_WORK = 1.5  # the clamp is undone, and the arm set by a protractor
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

    def shift(self, rig: Rig, amount: float) -> float:
        """The amount as a builder measures it, mm."""
        return amount

    def amount_words(self, amount: float) -> str:
        """An amount in its unit, signed: "+1.25 mm", "-2 deg"."""
        return f"{amount:+.2f} mm" if self.unit == "mm" else f"{np.degrees(amount):+.3g} deg"

    @staticmethod
    def said(item: str, mm: float, way: str, turns: float | None, after: str) -> str:
        """The change in a builder's words, without full stop; ``item`` begins the sentence."""
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

    @staticmethod
    def said(item: str, mm: float, way: str, turns: float | None, after: str) -> str:
        if turns is not None:
            return f"{item}: {way} by {turns_words(turns)} ({abs(mm):.4g} mm)"
        return f"{item}: {way} by {abs(mm):.4g} mm"


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

    @staticmethod
    def said(item: str, mm: float, way: str, turns: float | None, after: str) -> str:
        return f"{item}: slide it {abs(mm):g} mm {way}"


CLOCK = " clock"  # ends the name of an arm's clocking angle


@dataclass(frozen=True)
class ArmClock(Move):
    """The clocking angle of an arm clamped on its bar, about its body's axis; named by its point."""

    kind: ClassVar[str] = "clock"
    unit: ClassVar[str] = "deg"
    nudge: ClassVar[float] = 1e-3
    stride: ClassVar[float] = 0.15

    @property
    def point(self) -> str:
        """The point on the arm."""
        return self.name.removesuffix(CLOCK)

    def on(self, g: Geometry, rig: Rig, amount: Array) -> None:
        g.clock(self.point, amount)

    def states(self, rig: Rig, amount: float) -> tuple[str, str]:
        return "0 deg", f"{np.degrees(amount):+.4g} deg"

    def way(self, rig: Rig, amount: float) -> str:
        """Where the ball goes, by the largest part of its way: forward, up, left and their opposites."""
        p = rig.points[self.point]
        b = rig.bodies[p.body]
        to = np.cross(b.axis, np.subtract(p.xyz, b.pivot)) * amount
        k = int(np.argmax(np.abs(to)))
        return ("forward", "to the left", "upwards")[k] if to[k] > 0 else ("backward", "to the right", "downwards")[k]

    def shift(self, rig: Rig, amount: float) -> float:
        """Way of the ball along its arc."""
        p = rig.points[self.point]
        b = rig.bodies[p.body]
        return float(np.linalg.norm(np.cross(b.axis, np.subtract(p.xyz, b.pivot)))) * amount

    @staticmethod
    def said(item: str, mm: float, way: str, turns: float | None, after: str) -> str:
        arm = item.removesuffix(CLOCK)
        return f"{arm}: turn the arm on its bar by {after.lstrip('+-')}, the ball {way} ({abs(mm):.1f} mm there)"


KINDS: dict[str, type[Move]] = {c.kind: c for c in (RodLength, SlidePlace, ArmClock)}


def moves_of(rig: Rig, errors: SettingErrors | None = None) -> dict[str, Move]:
    """Every move the rig allows, by name; rods first, in the rig's order."""
    e = errors or SettingErrors()
    out: dict[str, Move] = {n: m for n in rig.rods if (m := _rod(rig, n, e)) is not None}
    for n, s in rig.slides.items():
        out[n] = SlidePlace(n, s.range[0], s.range[1], s.step, e.clamp * s.step / RECTANGLE, SLIDE_WORK)
    for n, p in rig.points.items():
        if p.clock is not None:
            out[n + CLOCK] = ArmClock(n + CLOCK, *p.clock, p.clock_step, e.clamp * p.clock_step / RECTANGLE, CLOCK_WORK)
    return out


def _rod(rig: Rig, name: str, e: SettingErrors) -> RodLength | None:
    r = rig.rods[name]
    if r.adjuster == "fixed" or r.longest <= r.shortest:
        return None
    off = e.screw * r.per_turn if r.adjuster == "screw" and r.per_turn else e.clamp * r.step
    off = off if r.setting is None or e.exact else r.setting
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
    return {n: HoleChoice(n, tuple(p.holes), p.use, e.seat * p.seat / RECTANGLE) for n, p in rig.points.items()
            if len(p.holes) > 1}


def turns_words(turns: float) -> str:
    """Turns spoken in halves: 1.5 -> "one and a half turns"; other fractions as a number."""
    n = abs(turns)
    halves = round(2 * n)
    if abs(2 * n - halves) > 0.02 or halves == 0:
        return f"{n:.2f} turns"
    whole, half = divmod(halves, 2)
    number = ["", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"]
    said_whole = number[whole] if whole < len(number) else str(whole)
    if half:
        return "half a turn" if not whole else f"{said_whole} and a half turns"
    return "one turn" if whole == 1 else f"{said_whole} turns"


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

    def clock(self, point: str, angle: ArrayLike) -> None:
        """Turn a point with its bolt about its body's axis."""
        p, a = self.points[point], float(np.ravel(angle)[0])
        b = self.bodies[p.body]
        holes = {h: _vec(_turned(np.subtract(v, b.pivot), np.asarray(b.axis), a) + b.pivot) for h, v in p.holes.items()}
        bolt = None if p.bolt is None else _vec(_turned(np.asarray(p.bolt), np.asarray(b.axis), a))
        self.points[point] = replace(p, holes=holes, bolt=bolt)

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


def _turned(v: Array, axis: Array, angle: float) -> Array:
    """v turned about an axis through the origin (Rodrigues)."""
    k = axis / np.linalg.norm(axis)
    return np.asarray(v * np.cos(angle) + np.cross(k, v) * np.sin(angle) + k * (k @ v) * (1 - np.cos(angle)))


def _vec(v: Array) -> Vec:
    return (float(v[0]), float(v[1]), float(v[2]))
