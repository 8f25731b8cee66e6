"""Named parameters: how a covariance refers to the rig, one number each.

Written "left_lever.pivot.x", "left_lever.axis.x", "left_lever.rod@2.x" (hole "2" of that point), "left_rod.length",
"left.centre.x" and "left.spin.x" (wheels by side), "left_lever.travel.low" and ".high" (stops of a body).
Only ``ParameterName.parse`` takes that form apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.rig.model import Rig, Vec
from capture.shapes import of_shape

AXES = "xyz"
ENDS = ("low", "high")
PLACE_STEP = 0.02  # mm, for differences: far above rounding, far below what bends a linkage's curves
DIRECTION_STEP = 1e-4  # the same for parts of a unit vector


class Kind(StrEnum):
    """What of its owner a parameter is."""

    PIVOT = "pivot"  # of a body
    AXIS = "axis"  # of a body, part of a unit vector
    HOLE = "hole"  # of a point
    LENGTH = "length"  # of a rod
    CENTRE = "centre"  # of a wheel
    SPIN = "spin"  # of a wheel, part of a unit vector
    TRAVEL = "travel"  # of a body: its stops, rad, low and high


_BODY, _WHEEL = (Kind.PIVOT, Kind.AXIS), (Kind.CENTRE, Kind.SPIN)


@dataclass(frozen=True, slots=True)
class ParameterName:
    """One number of a rig: ``component`` 0, 1, 2 of a place or direction, 0 of a length; mm or unit-vector part."""

    owner: str  # name of the body, point or rod; side of the wheel
    kind: Kind
    component: int = 0
    hole: str = ""  # for a point

    @staticmethod
    def parse(text: str | ParameterName) -> ParameterName:
        """The name that is written ``text``. KeyError where it is none."""
        return _parse(text) if isinstance(text, str) else text

    def __str__(self) -> str:
        if self.kind is Kind.LENGTH:
            return self.group
        return f"{self.group}.{(ENDS if self.kind is Kind.TRAVEL else AXES)[self.component]}"

    @property
    def group(self) -> str:
        """The vector or length it belongs to: the name without its component, "left_lever.rod@2"."""
        return f"{self.owner}@{self.hole}" if self.kind is Kind.HOLE else f"{self.owner}.{self.kind}"

    @property
    def direction(self) -> bool:
        """Whether it is an angle or part of a unit vector, so that a small change is a turn of that many radians."""
        return self.kind in (Kind.AXIS, Kind.SPIN, Kind.TRAVEL)

    def of_hole_in_use(self, rig: Rig) -> bool:
        """True for all but a hole that its rod end is not in."""
        return self.kind is not Kind.HOLE or rig.points[self.owner].use == self.hole


@cache
def _parse(text: str) -> ParameterName:
    head, _, last = text.rpartition(".")
    if last == Kind.LENGTH:
        return ParameterName(head, Kind.LENGTH)
    owner, _, what = head.rpartition(".")
    if what == Kind.TRAVEL and last in ENDS:
        return ParameterName(owner, Kind.TRAVEL, ENDS.index(last))
    if len(last) != 1 or last not in AXES:
        raise KeyError(text)
    component = AXES.index(last)
    owner, at, hole = head.rpartition("@")
    if at:
        return ParameterName(owner, Kind.HOLE, component, hole)
    owner, _, what = head.rpartition(".")
    if what not in (*_BODY, *_WHEEL):
        raise KeyError(text)
    return ParameterName(owner, Kind(what), component)


def parsed(names: Iterable[str | ParameterName]) -> tuple[ParameterName, ...]:
    """Many names at once. KeyError for one that is none."""
    return tuple(ParameterName.parse(n) for n in names)


def vector_names(owner: str, kind: Kind, hole: str = "") -> tuple[str, str, str]:
    """The written names of a vector's three parts."""
    x, y, z = (str(ParameterName(owner, kind, k, hole)) for k in range(3))
    return x, y, z


def travel_names(body: str) -> tuple[str, str]:
    """The written names of a body's stops, low and high."""
    return str(ParameterName(body, Kind.TRAVEL, 0)), str(ParameterName(body, Kind.TRAVEL, 1))


def length_name(rod: str) -> str:
    """The written name of a rod's length."""
    return str(ParameterName(rod, Kind.LENGTH))


def steps(names: Sequence[str]) -> NDArray[np.float64]:
    """Step of each named parameter for central differences (calib.uncertainty), mm or unit-vector part, (n,)."""
    return np.array([DIRECTION_STEP if n.direction else PLACE_STEP for n in parsed(names)])


def get_parameters(rig: Rig, names: Sequence[str]) -> NDArray[np.float64]:
    """Values of the named parameters, (n,), mm or unit-vector parts. KeyError for an unknown name.

    >>> from calib import parse_rig, starter_text
    >>> get_parameters(parse_rig(starter_text()), ["left_lever.pivot.y", "left_rod.length"]).shape
    (2,)
    """
    return np.array([rig.rods[n.owner].length if n.kind is Kind.LENGTH else _vector(rig, n)[n.component]
                     for n in parsed(names)])


def _vector(rig: Rig, n: ParameterName) -> Vec:
    if n.kind is Kind.HOLE:
        return rig.points[n.owner].holes[n.hole]
    if n.kind is Kind.TRAVEL:
        return (*(rig.bodies[n.owner].travel or (-np.inf, np.inf)), 0.0)
    vector: Vec = getattr((rig.bodies if n.kind in _BODY else rig.wheels)[n.owner], n.kind)
    return vector


def with_parameters(rig: Rig, names: Sequence[str], values: NDArray[np.float64]) -> Rig:
    """A rig with the named parameters set; directions are brought back to unit length. KeyError as above.

    ValueError where there are not as many values as names.

    >>> from calib import parse_rig, starter_text
    >>> rig = parse_rig(starter_text())
    >>> names = ["tie.length", "left_lever.pivot.z"]
    >>> longer = with_parameters(rig, names, get_parameters(rig, names) + [2.0, 0.0])
    >>> round(longer.rods["tie"].length - rig.rods["tie"].length, 9)
    2.0
    """
    values = of_shape("values of the parameters", values, (len(names),))
    lengths: dict[str, float] = {}
    vectors: dict[tuple[Kind, str, str], list[float]] = {}  # by kind, owner and hole, as they are to become
    holes_set = set()
    for n, x in zip(parsed(names), values, strict=True):
        if n.kind is Kind.LENGTH:
            lengths[n.owner] = float(x)
            continue
        key = (n.kind, n.owner, n.hole)
        if key not in vectors:
            vectors[key] = list(_vector(rig, n))
        if n.kind is Kind.HOLE:
            holes_set.add(n.owner)
        vectors[key][n.component] = float(x)

    def vec(kind: Kind, owner: str, old: Vec, hole: str = "") -> Vec:
        v = vectors.get((kind, owner, hole))
        return old if v is None else (v[0], v[1], v[2])

    def unit(v: Vec) -> Vec:
        n = math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
        return (v[0] / n, v[1] / n, v[2] / n)

    def stops(owner: str, old: tuple[float, float] | None) -> tuple[float, float] | None:
        v = vectors.get((Kind.TRAVEL, owner, ""))
        return old if v is None else (v[0], v[1])

    bodies = {n: replace(b, pivot=vec(Kind.PIVOT, n, b.pivot), axis=unit(vec(Kind.AXIS, n, b.axis)),
                         travel=stops(n, b.travel))
              for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={h: vec(Kind.HOLE, n, v, h) for h, v in p.holes.items()}) if n in holes_set else p
              for n, p in rig.points.items()}
    rods = {n: replace(r, length=lengths[n]) if n in lengths else r for n, r in rig.rods.items()}
    wheels = {n: replace(w, centre=vec(Kind.CENTRE, n, w.centre), spin=unit(vec(Kind.SPIN, n, w.spin)))
              for n, w in rig.wheels.items()}
    return replace(rig, bodies=bodies, points=points, rods=rods, wheels=wheels)


def stacked(rigs: Sequence[Rig]) -> Rig:
    """Many variants of one rig as a single one whose vectors are (m, 1, 3) arrays and rod lengths (m, 1).

    Only for functions on joint angles (m, k) that say they take it: they work out all variants at once. The
    variants may differ in vectors and lengths, not in what hangs where.
    """
    first = rigs[0]

    def column(values: Sequence[Any]) -> Any:
        return np.array(values, float)[:, None]

    bodies = {n: replace(b, pivot=column([r.bodies[n].pivot for r in rigs]),
                         axis=column([r.bodies[n].axis for r in rigs])) for n, b in first.bodies.items()}
    points = {n: replace(p, holes={p.use: column([r.points[n].xyz for r in rigs])},
                         bolt=None if p.bolt is None else column([r.points[n].bolt for r in rigs]))
              for n, p in first.points.items()}
    rods = {n: replace(b, length=column([r.rods[n].length for r in rigs])) for n, b in first.rods.items()}
    wheels = {n: replace(w, centre=column([r.wheels[n].centre for r in rigs]),
                         spin=column([r.wheels[n].spin for r in rigs])) for n, w in first.wheels.items()}
    return replace(first, bodies=bodies, points=points, rods=rods, wheels=wheels)


def varied(rig: Rig, names: Sequence[str], rows: NDArray[np.float64]) -> Rig:
    """As ``stacked`` the rig ``with_parameters`` set to each of ``rows`` (m, n), but at once; stops stay the rig's."""
    get_parameters(rig, names)  # KeyError for an unknown one
    columns: dict[tuple[Kind, str, str], list[tuple[int, NDArray[np.float64]]]] = {}
    for k, n in enumerate(parsed(names)):
        columns.setdefault((n.kind, n.owner, n.hole), []).append((n.component, rows[:, k, None]))

    def vec(kind: Kind, owner: str, old: Any, hole: str = "") -> Any:
        out = np.empty((len(rows), 1, 3))
        out[:] = old
        for component, x in columns.get((kind, owner, hole), ()):
            out[..., component] = x
        return out / np.sqrt(np.sum(out * out, axis=-1, keepdims=True)) if kind in (Kind.AXIS, Kind.SPIN) else out

    def length(owner: str, old: float) -> Any:
        return next((x for _, x in columns.get((Kind.LENGTH, owner, ""), ())), np.full((len(rows), 1), old))

    bodies = {n: replace(b, pivot=vec(Kind.PIVOT, n, b.pivot), axis=vec(Kind.AXIS, n, b.axis))
              for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={p.use: vec(Kind.HOLE, n, p.xyz, p.use)}) for n, p in rig.points.items()}
    rods = {n: replace(r, length=length(n, r.length)) for n, r in rig.rods.items()}
    wheels = {n: replace(w, centre=vec(Kind.CENTRE, n, w.centre), spin=vec(Kind.SPIN, n, w.spin))
              for n, w in rig.wheels.items()}
    return replace(rig, bodies=bodies, points=points, rods=rods, wheels=wheels)
