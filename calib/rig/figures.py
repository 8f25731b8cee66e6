"""The table of figures: everything a rig is judged by, each one entry, read wherever a figure is named.

Rig file (targets), check, comparison, search, sensitivity, result tables, sheet, report and plan take names,
units, digits, words and formulas from here; to add a figure, add an entry. Formulas read ``Facts``, which
``calib.linkage.steering`` works out; radians, mm, and arrays over variants (...) inside.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Unit = Literal["deg", "mm", ""]
Part = Literal["travel", "axes", "lean"]
Side = Literal["both", "left", "right", "difference"]
Rule = Literal["within", "at most"]


@dataclass(frozen=True)
class TravelFacts:
    """Heading curves over the driver's travel, boiled down; rad, mm; (...) over variants, nan where not reached."""

    straight: Array  # driver angle nearest zero where the mean heading is zero
    headings: Mapping[str, Array]  # of each wheel at ``straight``, by side
    slope: Array  # d mean heading / d driver at ``straight``, signed
    way: Array  # 1 or -1: the sign of that slope in the drawing
    steer_ends: tuple[Mapping[str, Array], Mapping[str, Array]]  # from ``straight`` to the low and high end, by side
    # worked out when first asked for, since a search asks many times, and not for all
    ackermann_of: Callable[[], Array]
    circles_of: Callable[[], Array]

    @cached_property
    def ackermann(self) -> Array:
        """(..., k) outer wheel less its ideal over the travel, both ends among them."""
        return self.ackermann_of()

    @cached_property
    def circles(self) -> Array:
        """(..., 2) diameter of the outer front wheel's circle at the low and high end."""
        return self.circles_of()


@dataclass(frozen=True)
class AxisFacts:
    """Steering axis and wheel of one side, straight ahead; rad, mm. Terms and signs: steering.kingpin_geometry."""

    caster: Array
    kingpin_inclination: Array
    camber: Array
    trail: Array
    offset_at_ground: Array


@dataclass(frozen=True)
class LeanFacts:
    """Steer (n,) rad by side that leaning causes over the lean range, driver held straight ahead."""

    steer: Mapping[str, Array]


@dataclass(frozen=True)
class Facts:
    """What formulas read. A part that was not worked out is left out, and so are the figures that stand on it."""

    travel: TravelFacts | None = None
    axes: Mapping[str, AxisFacts] = field(default_factory=dict)  # by side
    lean: LeanFacts | None = None


@dataclass(frozen=True)
class FigureKind:
    """One figure. ``label`` for tables, ``short`` in a sentence, ``meaning`` what it is and which way is positive.

    ``part`` of the facts its ``formula`` reads; ``rule``: "within" target plus and minus tolerance, or "at most"
    target plus tolerance, of a magnitude. ``sketch``: key of the small drawing that explains it.
    """

    name: str
    label: str
    short: str
    unit: Unit
    digits: int
    part: Part
    meaning: str
    sketch: str
    formula: Callable[[Facts], Array]
    side: Side = "both"
    target: bool = True  # whether a rig file may set one
    rule: Rule = "within"
    at_ends: bool = False  # stands on where the driver's travel ends
    one_stop: bool = False  # stands on a single stop of the driver, or on the difference of the two
    usual_tolerance: tuple[float, float] | None = None  # surface units; outside, `check` asks (common practice)

    @property
    def of_one_side(self) -> bool:
        """Whether it says by side what another entry says of both: shown in the table by side, or where judged."""
        return self.part == "axes" and self.side != "both"

    @property
    def scale(self) -> float:
        """Surface units for one inside: degrees for radians."""
        return math.degrees(1.0) if self.unit == "deg" else 1.0


def _travel(of: Callable[[TravelFacts], Array]) -> Callable[[Facts], Array]:
    def formula(f: Facts) -> Array:
        assert f.travel is not None
        return of(f.travel)
    return formula


def _locks(t: TravelFacts) -> tuple[Array, Array]:
    """Mean steer of both wheels at the end that steers left, and at the one that steers right, magnitudes."""
    lo, hi = (0.5 * (e["left"] + e["right"]) for e in t.steer_ends)
    return np.maximum(lo, hi), -np.minimum(lo, hi)


def _worst_lean(f: Facts) -> Array:
    assert f.lean is not None
    return np.max([np.max(np.abs(s), axis=-1) for s in f.lean.steer.values()], axis=0)


def _by_side(name: str, label: str, short: str, unit: Unit, meaning: str, sketch: str) -> tuple[FigureKind, ...]:
    """Mean of both sides, each side and left less right of one field of AxisFacts: a fault of one side shows."""
    def of(f: Facts, side: str) -> Array:
        return np.asarray(getattr(f.axes[side], name))

    def entry(side: Side, words: str, formula: Callable[[Facts], Array]) -> FigureKind:
        tail = "" if side == "both" else f"_{side}"
        said = short if side == "both" else f"{short} {side}"
        return FigureKind(name + tail, f"{label}, {words}", said, unit, 2, "axes", meaning, sketch, formula, side)

    return (entry("both", "mean", lambda f: np.mean([of(f, s) for s in f.axes], axis=0)),
            entry("left", "left", lambda f: of(f, "left")), entry("right", "right", lambda f: of(f, "right")),
            entry("difference", "left less right", lambda f: of(f, "left") - of(f, "right")))


FIGURES: dict[str, FigureKind] = {k.name: k for k in (
    FigureKind("toe", "toe, both wheels, toe-in positive", "toe", "deg", 2, "travel",
               "how far the wheels point towards each other straight ahead, both together; toe-in is positive", "toe",
               _travel(lambda t: t.headings["right"] - t.headings["left"]), usual_tolerance=(0.06, 3.0)),
    FigureKind("ratio", "ratio, steer over lever angle near straight ahead", "ratio", "", 3, "travel",
               "road-wheel steer over lever angle near straight ahead; negative: the other way than drawn", "ratio",
               _travel(lambda t: t.way * t.slope)),
    FigureKind("symmetry", "left/right symmetry, left lock less right lock", "left/right symmetry", "deg", 2, "travel",
               "lock to the left less lock to the right", "lock", _travel(lambda t: _locks(t)[0] - _locks(t)[1]),
               one_stop=True, usual_tolerance=(0.12, 6.0), at_ends=True),
    FigureKind("ackermann_error", "Ackermann error, worst over the travel", "Ackermann error", "deg", 2, "travel",
               "outer wheel's angle off the ideal for the inner, worst over the travel", "ackermann",
               _travel(lambda t: np.abs(t.ackermann).max(axis=-1)), rule="at most", usual_tolerance=(0.12, 8.0),
               at_ends=True),
    FigureKind("lock", "lock, mean of left and right", "lock", "deg", 2, "travel",
               "steer at the lever stops, mean of the two wheels", "lock",
               _travel(lambda t: 0.5 * (_locks(t)[0] + _locks(t)[1])), usual_tolerance=(0.25, 12.0), at_ends=True),
    FigureKind("lock_left", "lock left", "lock left", "deg", 2, "travel", "the same, steering left", "lock",
               _travel(lambda t: _locks(t)[0]), side="left", one_stop=True, usual_tolerance=(0.25, 12.0), at_ends=True),
    FigureKind("lock_right", "lock right", "lock right", "deg", 2, "travel", "the same, steering right", "lock",
               _travel(lambda t: _locks(t)[1]), side="right", one_stop=True, usual_tolerance=(0.25, 12.0),
               at_ends=True),
    FigureKind("turn_circle", "turning circle, outer front wheel", "turning circle", "mm", 0, "travel",
               "diameter of the circle the outer front wheel draws, the wider of left and right", "turn",
               _travel(lambda t: t.circles.max(axis=-1)), usual_tolerance=(10.0, 3000.0), at_ends=True),
    FigureKind("straight", "straight, lever angle at which the wheels are straight", "straight", "deg", 2, "travel",
               "lever angle at which the mean heading of both wheels is zero", "straight",
               _travel(lambda t: t.straight), target=False),
    *_by_side("caster", "caster", "caster", "deg",
              "the kingpin's lean seen from the side; leaning back at the top is positive", "caster"),
    *_by_side("kingpin_inclination", "kingpin inclination", "kingpin inclination", "deg",
              "the kingpin's lean seen from ahead; leaning inward at the top is positive", "kingpin"),
    *_by_side("camber", "camber", "camber", "deg",
              "the wheel's lean seen from ahead; leaning outward at the top is positive", "camber"),
    *_by_side("trail", "caster trail", "caster trail", "mm",
              "where the kingpin axis meets the ground, from the tyre's contact; ahead of it is positive", "caster"),
    *_by_side("offset_at_ground", "steering-axis offset at ground", "steering-axis offset at ground", "mm",
              "where the kingpin axis meets the ground, from the tyre's contact; inboard of it is positive", "kingpin"),
    FigureKind("roll_steer", "steer from leaning, worst over the lean limits", "steer from leaning", "deg",
               2, "lean", "steer caused by leaning, worst over the lean positions", "lean", _worst_lean,
               rule="at most"),
)}


def kinds(part: Part | None = None) -> tuple[FigureKind, ...]:
    """The entries that stand on ``part`` of the facts, or all, in the order of the table."""
    return tuple(k for k in FIGURES.values() if part in (None, k.part))


def on_one_stop() -> tuple[str, ...]:
    """Names of the figures that stand on a single stop of the driver, or on the difference of the two."""
    return tuple(k.name for k in FIGURES.values() if k.one_stop)


def targets() -> dict[str, FigureKind]:
    """The figures that a rig file may set a target for, by name."""
    return {n: k for n, k in FIGURES.items() if k.target}


def figures(facts: Facts, names: Collection[str] | None = None) -> dict[str, Array]:
    """Every figure, or those of ``names``, that the facts give, (...) by name, in the table's order; rad, mm, plain."""
    return {n: np.asarray(k.formula(facts)) for n, k in FIGURES.items()
            if _gives(facts, k) and (names is None or n in names)}


def _gives(facts: Facts, kind: FigureKind) -> bool:
    if kind.part == "axes":
        sides = {"both": (), "difference": ("left", "right")}.get(kind.side, (kind.side,))
        return bool(facts.axes) and all(s in facts.axes for s in sides)
    return (facts.travel if kind.part == "travel" else facts.lean) is not None
