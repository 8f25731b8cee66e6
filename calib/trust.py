"""What a serious finding leaves open: which numbers must not be trusted until it is settled. The one rule for all.

Everything that shows, judges or acts on a number asks here. A finding names what it touches (``findings.TABLE``):
parts, tags, rods, all lengths, or everything. A number rests on parts: a figure over the travel on the bodies and rods
between driver and wheels, a steering axis on its upright and wheel, a length on its rod and both ends. It is in doubt
where the two meet.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from calib.findings import EVERYTHING, LENGTHS, Finding
from calib.rig.figures import FIGURES, FigureKind
from calib.rig.model import FRAME, Rig

UNTRUSTED = "not to be trusted until settled"


@dataclass(frozen=True)
class Doubts:
    """What the serious ``findings`` of a run on ``rig`` leave open; every answer is the reason, or ""."""

    rig: Rig
    findings: tuple[Finding, ...]

    @classmethod
    def of(cls, rig: Rig, findings: Iterable[Finding]) -> Doubts:
        """Of those findings that a verdict must wait for and that touch anything."""
        return cls(rig, tuple(f for f in findings if f.serious and f.touches))

    def __bool__(self) -> bool:
        return bool(self.findings)

    def on_figure(self, name: str) -> str:
        """Why a figure of the table is in doubt."""
        kind = FIGURES[name]
        return self._why(figure_parts(self.rig, kind), kind.unit == "mm", self._key_positions(kind))

    def on_parts(self, parts: Collection[str], unit: str = "", positions: Collection[str] = ()) -> str:
        """The same of a number in ``unit`` that rests on ``parts`` (bodies, points, rods), as they stood there."""
        return self._why(frozenset(p for name in parts for p in self._rests_on(name)), unit == "mm", positions)

    @cached_property
    def travel(self) -> str:
        """Why whatever the driver's travel does to the wheels is in doubt: curves, limits, proposals."""
        kinds = [k for k in FIGURES.values() if k.part == "travel"]
        return self._why(steering_parts(self.rig), False, self._key_positions(kinds[0]))

    def _rests_on(self, name: str) -> frozenset[str]:
        """A rod's length rests on both its ends; a point on its body; a side on its upright and wheel."""
        rig = self.rig
        if name in rig.wheels:
            return frozenset(_wheel_parts(rig, name))
        if name in rig.rods:
            ends = (rig.rods[name].a, rig.rods[name].b)
            return frozenset({name, *ends, *(rig.points[p].body for p in ends)} - {FRAME})
        if name in rig.points:
            return frozenset({name, rig.points[name].body} - {FRAME})
        return frozenset({name})

    def _key_positions(self, kind: FigureKind) -> frozenset[str]:
        """Positions whose own photos a figure hangs on, beside all others."""
        rig = self.rig
        turned = rig.spin_positions if kind.part == "axes" or kind.name == "toe" else ()
        return frozenset({rig.straight_ahead, *turned, *(rig.stops if kind.part == "travel" else ())})

    def _why(self, parts: frozenset[str], length: bool, positions: Collection[str]) -> str:
        said = [about(f) for f in self.findings if self._meets(f, parts, length, positions)]
        return f"{UNTRUSTED}: {'; '.join(dict.fromkeys(said))}" if said else ""

    def _meets(self, f: Finding, parts: frozenset[str], length: bool, positions: Collection[str]) -> bool:
        if f.local and not set(f.positions) & set(positions):
            return False
        touched = [touched_parts(self.rig, t) for t in f.touches if t not in (EVERYTHING, LENGTHS)]
        return EVERYTHING in f.touches or (length and LENGTHS in f.touches) or any(parts & t for t in touched)


def about(f: Finding) -> str:
    """A finding in a few words, for a table cell: "tag slipped (left_wheel)"."""
    return f"{f.code.replace('_', ' ')} ({f.item})"


def touched_parts(rig: Rig, name: str) -> frozenset[str]:
    """Bodies, points and rods that something wrong with ``name`` (a tag, body, point or rod) touches."""
    if name in rig.tags:
        tag = rig.tags[name]
        if tag.centres_on is None:
            return frozenset({tag.body})
        return frozenset({tag.centres_on, rig.points[tag.centres_on].body})
    if name in rig.points:
        return frozenset({name, rig.points[name].body})
    return frozenset({name})


def figure_parts(rig: Rig, kind: FigureKind) -> frozenset[str]:
    """Bodies, points and rods that a figure rests on."""
    if kind.part == "axes":
        sides = [kind.side] if kind.side in rig.wheels else list(rig.wheels)
        return frozenset(p for s in sides for p in _wheel_parts(rig, s))
    if kind.part == "lean":  # leaning moves the driver's side of the rods and the rear wheel too
        return frozenset({*rig.bodies, *rig.points, *rig.rods})
    return steering_parts(rig)


def steering_parts(rig: Rig, sides: Sequence[str] = ()) -> frozenset[str]:
    """Bodies, rods and rod ends from the driver to the wheels of ``sides`` (all); all of them where none lead there."""
    out: set[str] = set()
    for side in sides or rig.wheels:
        way = _way(rig, rig.wheels[side].upright)
        if way is None:
            return frozenset({*rig.bodies, *rig.points, *rig.rods})
        out |= {*way, *_wheel_parts(rig, side)}
    return frozenset(out)


def _wheel_parts(rig: Rig, side: str) -> set[str]:
    """Upright and wheel of a side, and what carries them."""
    w = rig.wheels[side]
    out = {w.upright} | ({w.spin_body} if w.spin_body else set())
    body = rig.bodies[w.upright].parent
    while body != FRAME:
        out.add(body)
        body = rig.bodies[body].parent
    return out


def _way(rig: Rig, upright: str) -> set[str] | None:
    """Bodies, rods and rod ends on the shortest way by rods from the driver to an upright; None where there is none."""
    came: dict[str, tuple[str, str]] = {}  # body -> (body before, rod)
    edge = [rig.driver]
    while edge and upright not in came and upright != rig.driver:
        onwards = []
        for r in rig.rods.values():
            for a, b in ((r.a, r.b), (r.b, r.a)):
                here, there = rig.points[a].body, rig.points[b].body
                if here in edge and there not in (*came, rig.driver, FRAME):
                    came[there] = (here, r.name)
                    onwards.append(there)
        edge = onwards
    if upright not in came and upright != rig.driver:
        return None
    out, body = {rig.driver, upright}, upright
    while body != rig.driver:
        body, rod = came[body]
        out |= {body, rod, rig.rods[rod].a, rig.rods[rod].b}
    return out
