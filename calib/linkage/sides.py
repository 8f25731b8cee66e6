"""Left against right: parts in pairs, what each is in mirror image, and where the two differ.

A pair is two things of one kind whose names differ by left and right alone, or the only two of a role on either
side. What has no twin, such as a single bar, is in no pair and is said nothing about.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib.remarks import Code, Remark, place
from calib.rig.mirror import other_side, side_of
from calib.rig.model import Body, Point, Rig, Rod, Tag, Vec, Wheel

Array = NDArray[np.float64]
MIRROR = np.array([1.0, -1.0, 1.0])
SHOWN_MM, SHOWN_DEG = 0.5, 0.2  # below, a difference is rounding in the drawing
MANY = 5  # pairs that differ, and more than half of all: meant so


@dataclass(frozen=True)
class Difference:
    """One line of the left/right table, texts as in the file.

    ``by``: mm, degrees or plain; ``beyond``: more than the tolerances allow for. ``typed``: stands in the file, and so
    may be a slip; else it follows from others.
    """

    left: str
    right: str
    what: str
    here: str
    there: str
    by: float
    unit: Literal["mm", "deg", ""]
    beyond: bool
    typed: bool = True

    @property
    def shows(self) -> bool:
        """Whether the two differ at all."""
        return self.beyond or self.by > {"mm": SHOWN_MM, "deg": SHOWN_DEG, "": 0.0}[self.unit]


def pairs_of(names: Iterable[str]) -> list[tuple[str, str]]:
    """(left, right) names that differ by the side alone."""
    there = list(names)
    return [(n, other_side(n)) for n in there if side_of(n) == "left" and other_side(n) in there]


def body_pairs(rig: Rig) -> list[tuple[str, str]]:
    """Pairs of parts: by name, else the only two of a role on either side."""
    out = pairs_of(rig.bodies)
    done = {n for p in out for n in p}
    rest = [b for b in rig.bodies.values() if b.name not in done]
    for role in dict.fromkeys(b.role for b in rest):
        lefts, rights = ([b.name for b in rest if b.role == role and b.side == s] for s in ("left", "right"))
        if len(lefts) == len(rights) == 1:
            out.append((lefts[0], rights[0]))
    return out


def differences(rig: Rig) -> list[Difference]:
    """Every line of the left/right table, in the order of the file."""
    out: list[Difference] = []
    for a, b in body_pairs(rig):
        out += _bodies(rig.bodies[a], rig.bodies[b])
    for a, b in pairs_of(rig.points):
        out += _points(rig.points[a], rig.points[b], _shift(rig, rig.points[a].body, rig.points[b].body))
    for a, b in pairs_of(rig.rods):
        out += _rods(rig.rods[a], rig.rods[b])
    if {"left", "right"} <= set(rig.wheels):
        out += _wheels(rig.wheels["left"], rig.wheels["right"])
    for a, b in pairs_of(rig.tags):
        out += _tags(rig.tags[a], rig.tags[b])
    for a, b in pairs_of(o.name for o in rig.obstacles):
        first, second = (next(o for o in rig.obstacles if o.name == n) for n in (a, b))
        out += [_place(a, b, "from", first.a, second.a, 5.0), _place(a, b, "to", first.b, second.b, 5.0)]
    return out


def side_remarks(rig: Rig, table: Iterable[Difference]) -> list[Remark]:
    """What in the table is beyond tolerance; one remark where so much differs that it must be meant."""
    found = list(table)
    off = [d for d in found if d.beyond and d.typed]
    pairs, all_pairs = ({(d.left, d.right) for d in some if d.here.startswith("[") and d.unit == "mm"}
                        for some in (off, found))  # those that have a place
    if len(pairs) >= MANY and 2 * len(pairs) > len(all_pairs):
        return [Remark(Code.MANY_SIDES_DIFFER, "left and right", {"count": len(pairs), "of": len(all_pairs)})]
    out = []
    for (left, right), some in by_pair(off).items():
        holes = [d for d in some if d.what.startswith("hole ") and d.unit == "mm"]
        if len(holes) > 2:  # a whole row: said once, of its first hole
            some = [d for d in some if d not in holes[1:]]
        for d in some:
            what = f"{len(holes)} holes, {d.what}" if len(holes) > 2 and d is holes[0] else d.what
            out.append(Remark(Code.SIDES_DIFFER, left, {"other": right, "what": what, "here": d.here,
                                                        "there": d.there, "by": d.by, "unit": d.unit}))
    return out


def mirrored(v: Iterable[float]) -> Array:
    """A place or direction (3,) in mirror image."""
    return np.asarray(list(v), float) * MIRROR


def kingpin_lean(b: Body) -> tuple[float, float]:
    """Caster and inclination of an upright's axis, deg: back and inward at the top are positive."""
    x, y, z = b.axis if b.axis[2] > 0 else tuple(-v for v in b.axis)
    inward = -y if b.side == "left" else y
    return math.degrees(math.atan2(-x, z)), math.degrees(math.atan2(inward, z))


# --- one kind each ------------------------------------------------------------------------------------------


def _bodies(a: Body, b: Body) -> list[Difference]:
    tol = max(a.pivot_tol, b.pivot_tol)
    if a.role == "wheel":
        out = [_line(a, b, tol)]
    else:
        out = [_place(a.name, b.name, "pivot", a.pivot, b.pivot, tol)]
    apart = _apart(np.asarray(a.axis), mirrored(b.axis), line=True)
    allowed = math.degrees(max(a.axis_tol, b.axis_tol))
    if a.role == "upright":
        for what, x, y in zip(("caster", "inclination"), kingpin_lean(a), kingpin_lean(b), strict=True):
            out.append(Difference(a.name, b.name, what, f"{x:.2f}", f"{y:.2f}", abs(x - y), "deg",
                                  abs(x - y) > allowed))
    else:
        out.append(Difference(a.name, b.name, "axis", place(a.axis), place(b.axis), apart, "deg", apart > allowed))
    out += _travels(a, b)
    if a.grip and b.grip:
        out.append(_number(a.name, b.name, "grip", a.grip, b.grip, "mm", 5.0))
    return out


def _line(a: Body, b: Body, tol: float) -> Difference:
    """Two hinge lines, whose pivots may be any place on them."""
    gap = np.asarray(a.pivot) - mirrored(b.pivot)
    off = float(np.linalg.norm(np.cross(gap, a.axis)))
    return Difference(a.name, b.name, "hinge line", place(a.pivot), place(b.pivot), off, "mm", off > tol)


def _travels(a: Body, b: Body) -> list[Difference]:
    """The stops, which may be wider on one side (one lever drives the other on) but not the other way round."""
    if a.travel is None or b.travel is None:
        return []
    here, there = (tuple(math.degrees(v) for v in x.travel or ()) for x in (a, b))
    ways = [max(abs(here[0] - p), abs(here[1] - q)) for p, q in (there, (-there[1], -there[0]))]
    lopsided = [(t[0] + t[1]) / (t[1] - t[0]) for t in (here, there)]
    odd = min(abs(lopsided[0] - lopsided[1]), abs(lopsided[0] + lopsided[1])) > 0.3
    return [Difference(a.name, b.name, "travel", place(here), place(there), min(ways), "deg",
                       odd or min(ways) > 15.0)]


def _shift(rig: Rig, a: str, b: str) -> Array:
    """How far the left part's pivot stands off the right one's mirror image, (3,) mm; zero for one part."""
    if a == b or a not in rig.bodies or b not in rig.bodies:
        return np.zeros(3)
    return np.asarray(rig.bodies[a].pivot) - mirrored(rig.bodies[b].pivot)


def _points(a: Point, b: Point, shift: Array) -> list[Difference]:
    """Holes one by one; where the whole part is shifted with them, that is said of the part."""
    tol = max(a.tol, b.tol)
    out = []
    for h in (h for h in a.holes if h in b.holes):
        d = _place(a.name, b.name, f"hole {h}" if len(a.holes) > 1 else "place", a.holes[h], b.holes[h], tol)
        own = float(np.linalg.norm(np.asarray(a.holes[h]) - mirrored(b.holes[h]) - shift))
        out.append(replace(d, beyond=d.beyond and own > tol))
    if set(a.holes) == set(b.holes) and a.use != b.use:
        out.append(Difference(a.name, b.name, "hole in use", a.use, b.use, 1.0, "", True))
    elif set(a.holes) != set(b.holes):
        out.append(Difference(a.name, b.name, "holes", ", ".join(a.holes), ", ".join(b.holes), 1.0, "", True))
    if a.bolt is not None and b.bolt is not None:
        apart = _apart(np.asarray(a.bolt), mirrored(b.bolt))
        out.append(Difference(a.name, b.name, "bolt", place(a.bolt), place(b.bolt), apart, "deg", apart > 10.0))
    out.append(_number(a.name, b.name, "misalignment", math.degrees(a.misalignment), math.degrees(b.misalignment),
                       "deg", 2.0))
    return out


def _rods(a: Rod, b: Rod) -> list[Difference]:
    length = _number(a.name, b.name, "length", a.length, b.length, "mm", max(a.tol, b.tol))
    out = [length,
           _number(a.name, b.name, "shortest", a.shortest, b.shortest, "mm", 10.0),
           _number(a.name, b.name, "longest", a.longest, b.longest, "mm", 10.0),
           _number(a.name, b.name, "diameter", 2 * a.radius, 2 * b.radius, "mm", 1.0)]
    if a.adjuster != b.adjuster:
        out.append(Difference(a.name, b.name, "adjuster", a.adjuster, b.adjuster, 1.0, "", True))
    elif a.adjuster == "screw" and a.thread and b.thread:
        out.append(_number(a.name, b.name, "a turn", a.thread.per_turn, b.thread.per_turn, "mm", 0.01))
    if a.adjuster != "fixed" and b.adjuster != "fixed":
        out.append(_number(a.name, b.name, "step", a.step, b.step, "mm", 0.01))
    return out


def _wheels(a: Wheel, b: Wheel) -> list[Difference]:
    apart = _apart(np.asarray(a.spin), np.asarray(b.spin) * np.array([-1.0, 1.0, -1.0]))
    allowed = math.degrees(max(a.spin_tol, b.spin_tol))
    names = ("left wheel", "right wheel")
    return [_place(*names, "centre", a.centre, b.centre, 5.0), _number(*names, "radius", a.radius, b.radius, "mm", 3.0),
            Difference(*names, "axle", place(a.spin), place(b.spin), apart, "deg", apart > allowed),
            _number(*names, "tyre width", a.tyre, b.tyre, "mm", 3.0)]


def _tags(a: Tag, b: Tag) -> list[Difference]:
    names = (f"tag {a.name}", f"tag {b.name}")
    out = [_number(*names, "size", a.size, b.size, "mm", 0.01)]
    if a.centres_on and b.centres_on:
        out.append(_number(*names, "offset", a.offset, b.offset, "mm", 3.0))
    if (a.centres_on is None) != (b.centres_on is None):
        where = [f"on the bolt of {t.centres_on}" if t.centres_on else f"on {t.body}" for t in (a, b)]
        out.append(Difference(*names, "place", where[0], where[1], 1.0, "", True))
    return out


# --- small helpers ------------------------------------------------------------------------------------------


def _place(left: str, right: str, what: str, here: Vec, there: Vec, tol: float) -> Difference:
    by = float(np.linalg.norm(np.asarray(here) - mirrored(there)))
    return Difference(left, right, what, place(here), place(there), by, "mm", by > tol)


def _number(left: str, right: str, what: str, here: float, there: float, unit: Literal["mm", "deg"],
            tol: float) -> Difference:
    by = abs(here - there)
    return Difference(left, right, what, f"{here:.6g}", f"{there:.6g}", by, unit, by > tol)


def _apart(a: Array, b: Array, line: bool = False) -> float:
    """Degrees between two directions, or between two lines."""
    c = float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b)))
    return math.degrees(math.acos(min(1.0, max(-1.0, abs(c) if line else c))))


def by_pair(table: Iterable[Difference]) -> Mapping[tuple[str, str], list[Difference]]:
    """The lines of the table by the pair they are about."""
    out: dict[tuple[str, str], list[Any]] = {}
    for d in table:
        out.setdefault((d.left, d.right), []).append(d)
    return out
