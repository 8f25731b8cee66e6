"""Writing a ``Rig`` back as rig.toml, with uncertainties beside measured values where there are any."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.results import K95, AsBuilt
from calib.rig.model import FRAME, Body, Point, RearWheel, Rig, Rod, Tag, Vec, Wheel
from calib.rig.parameters import Kind, ParameterName, parsed, vector_names
from calib.rig.schema import ASSEMBLY_SLACK
from calib.rig.units import thread

_HEAD = (
    "Millimetres and degrees. Axes (ISO 8855): x forward, y left, z up; origin as drawn, usually on the\n"
    "ground under the middle of the front axle. Places are given with the rig assembled and straight ahead."
)


@dataclass(frozen=True)
class _Style:
    """How many decimals; None writes every digit, so that the file reads back exactly."""

    mm: int | None = None
    unit: int | None = None


def rig_to_toml(rig: Rig, comments: Mapping[str, str] | None = None) -> str:
    """The rig in the form ``load_rig`` reads; it reads back to equal values.

    ``comments`` maps a dotted key path without quotes ("bodies.left_lever.pivot", "points.crank.arm.holes.A",
    "rods.left_rod.length") or a section ("bodies") to a comment: behind the value, or above the section.
    The key "" is the comment at the head of the file.

    >>> from calib import parse_rig, starter_text
    >>> rig = parse_rig(starter_text())
    >>> parse_rig(rig_to_toml(rig)) == rig
    True
    """
    return _Writer(rig, dict(comments or {}), _Style()).text()


def as_built_toml(as_built: AsBuilt) -> str:
    """The measured rig in the form of the design, each measured value with its 95 % half-width behind it.

    Places and lengths are rounded to 0.0001 mm, directions to 7 decimals (0.00001 deg).
    """
    comments = measured_comments(as_built)
    comments[""] = (
        "The rig as measured: +/- is the 95 % half-width of each value; the share from photos says how much\n"
        "of what is known came from the photos, the rest came from the drawing.\n"
        "Measured values, not a certificate: a qualified person should inspect the steering before riding.\n"
        + _HEAD
    )
    return _Writer(as_built.rig, comments, _Style(mm=4, unit=7), as_built=True).text()


def measured_comments(as_built: AsBuilt) -> dict[str, str]:
    """Dotted key path to "+/- 0.12, 0.10, 0.14 mm; 98 % from photos", for every measured value."""
    u95 = dict(zip(as_built.names, K95 * np.sqrt(np.clip(np.diag(as_built.cov), 0.0, None)), strict=True))
    groups: dict[str, list[ParameterName]] = {}
    for n in parsed(as_built.names):
        groups.setdefault(n.group, []).append(n)
    out = {}
    for group in groups.values():
        first, names = group[0], [str(n) for n in group]
        direction = first.direction
        if first.kind is Kind.LENGTH:
            parts = [f"{u95[names[0]]:.2f}"]
        else:
            each = [u95.get(n) for n in vector_names(first.owner, first.kind, first.hole)]
            parts = ["-" if u is None else f"{_u(u, direction):.2f}" for u in each]
        shares = [as_built.from_photos[n] for n in names
                  if math.isfinite(as_built.from_photos.get(n, math.nan)) and u95[n] > 1e-9]
        text = "+/- " + ", ".join(parts) + (" deg" if direction else " mm")
        if shares:
            text += f"; {100 * float(np.mean(shares)):.0f} % from photos"
        out[_comment_path(as_built.rig, first)] = text
    return out


def _u(x: float, direction: bool) -> float:
    """A small change of a unit-vector part is a turn of that many radians; shown in degrees."""
    return math.degrees(x) if direction else x


def _comment_path(rig: Rig, n: ParameterName) -> str:
    """Key path in the file of what a named parameter belongs to."""
    if n.kind is Kind.HOLE:
        return f"points.{n.owner}." + ("at" if _one_hole(rig.points[n.owner]) else f"holes.{n.hole}")
    section, key = {Kind.LENGTH: ("rods", "length"), Kind.PIVOT: ("bodies", "pivot"), Kind.AXIS: ("bodies", "axis"),
                    Kind.CENTRE: ("wheels", "centre"), Kind.SPIN: ("wheels", "spin_axis")}[n.kind]
    return f"{section}.{n.owner}.{key}"


def _one_hole(point: Point) -> bool:
    return list(point.holes) == ["1"] and point.use == "1"


def _as_a_design(rig: Rig, rod: Rod) -> bool:
    """Whether a rod keeps its range and fits between its points as a design must."""
    gap = abs(rod.length - math.dist(rig.points[rod.a].xyz, rig.points[rod.b].xyz))
    return rod.shortest <= rod.length <= rod.longest and gap <= rod.tol + ASSEMBLY_SLACK


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)  # a JSON string is a TOML basic string


def _texts(values: Sequence[str]) -> str:
    return "[" + ", ".join(_text(v) for v in values) + "]"


def _num(x: float, decimals: int | None = None) -> str:
    if decimals is not None:
        x = round(x, decimals)
    if x == int(x) and abs(x) < 1e15:
        return str(int(x))  # also turns -0.0 into 0
    return repr(float(x))


def _deg(x: float) -> str:
    """Degrees with ten decimals: 32 stays 32, and nothing measurable is lost."""
    return _num(math.degrees(x), 10)


class _Writer:
    def __init__(self, rig: Rig, comments: dict[str, str], style: _Style, as_built: bool = False) -> None:
        self.rig, self.comments, self.style = rig, comments, style
        self.as_built = as_built or not all(_as_a_design(rig, r) for r in rig.rods.values())
        self.lines: list[str] = []

    def text(self) -> str:
        for line in self.comments.get("", _HEAD).splitlines():
            self.lines.append(f"# {line}".rstrip())
        self.vehicle()
        for b in self.rig.bodies.values():
            self.body(b)
        for p in self.rig.points.values():
            self.point(p)
        for r in self.rig.rods.values():
            self.rod(r)
        for w in self.rig.wheels.values():
            self.wheel(w)
        self.rear_wheel(self.rig.rear)
        self.obstacles_and_slides()
        for t in self.rig.tags.values():
            self.tag(t)
        self.targets()
        return "\n".join(self.lines) + "\n"

    def section(self, *path: str) -> str:
        """Starts a table; returns its dotted path for comments."""
        self.lines.append("")
        plain = ".".join(path)
        for line in self.comments.pop(path[0], "").splitlines() if len(path) > 1 else ():
            self.lines.append(f"# {line}".rstrip())
        for line in self.comments.get(plain, "").splitlines():
            self.lines.append(f"# {line}".rstrip())
        self.lines.append("[" + ".".join(_key(p) for p in path) + "]")
        return plain

    def put(self, section: str, key: str, value: str) -> None:
        line = f"{_key(key)} = {value}"
        comment = self.comments.get(f"{section}.{key}")
        self.lines.append(line + (f"  # {comment}" if comment else ""))

    def mm(self, x: float) -> str:
        return _num(x, self.style.mm)

    def vec(self, v: Vec) -> str:
        return "[" + ", ".join(self.mm(x) for x in v) + "]"

    def unit(self, v: Vec) -> str:
        return "[" + ", ".join(_num(x, self.style.unit) for x in v) + "]"

    def vehicle(self) -> None:
        rig, s = self.rig, self.section("vehicle")
        self.put(s, "name", _text(rig.name))
        self.put(s, "wheelbase", self.mm(rig.wheelbase))
        if self.as_built:
            self.put(s, "as_built", "true")
        if rig.notes:
            self.put(s, "notes", _texts(rig.notes))
        s, board = self.section("board"), rig.board
        self.put(s, "paper", _text(board.paper))
        self.put(s, "body", _text(board.body))
        if board.bar_measured is not None:
            self.put(s, "scale_bar", _num(board.bar_measured))
        if board.bar_upright is not None:
            self.put(s, "scale_bar_upright", _num(board.bar_upright))
        self.put(s, "scale_bar_nominal", _num(board.bar_nominal))
        self.put(s, "scale_bar_tolerance", _num(board.bar_tol))
        s = self.section("steering")
        self.put(s, "driver", _text(rig.driver))
        self.put(s, "straight_ahead", _text(rig.straight_ahead))
        for key in ("positions", "spin_positions", "lean_positions"):
            if getattr(rig, key):
                self.put(s, key, _texts(getattr(rig, key)))
        if rig.stops:
            self.put(s, "stops", _texts(rig.stops))
        self.put(s, "stop_tolerance", _deg(rig.stop_tol))
        if rig.loaded:
            self.put(s, "loaded", _text(rig.loaded))
        self.put(s, "load_allowance", _deg(rig.load_allowance))
        s = self.section("limits")
        self.put(s, "min_transmission_angle", _deg(rig.min_transmission))
        self.put(s, "min_clearance", self.mm(rig.min_clearance))

    def body(self, b: Body) -> None:
        s = self.section("bodies", b.name)
        self.put(s, "role", _text(b.role))
        if b.side:
            self.put(s, "side", _text(b.side))
        if b.parent != FRAME:
            self.put(s, "parent", _text(b.parent))
        self.put(s, "pivot", self.vec(b.pivot))
        self.put(s, "axis", self.unit(b.axis))
        if b.travel is not None:
            self.put(s, "travel", f"[{_deg(b.travel[0])}, {_deg(b.travel[1])}]")
        self.put(s, "pivot_tolerance", self.mm(b.pivot_tol))
        self.put(s, "axis_tolerance", _deg(b.axis_tol))
        if b.locked:
            self.put(s, "locked", "true")

    def point(self, p: Point) -> None:
        s = self.section("points", p.name)
        self.put(s, "body", _text(p.body))
        if _one_hole(p):
            self.put(s, "at", self.vec(p.holes["1"]))
        else:
            self.put(s, "use", _text(p.use))
        if p.bolt is not None:
            self.put(s, "bolt", self.unit(p.bolt))
        self.put(s, "tolerance", self.mm(p.tol))
        self.put(s, "misalignment", _deg(p.misalignment))
        if not _one_hole(p):
            # one hole a line, in a table of its own, so that each can carry its comment
            self.lines.append(f"[points.{_key(p.name)}.holes]")
            for hole, place in p.holes.items():
                self.put(f"{s}.holes", hole, self.vec(place))

    def rod(self, r: Rod) -> None:
        s = self.section("rods", r.name)
        self.put(s, "from", _text(r.a))
        self.put(s, "to", _text(r.b))
        self.put(s, "length", self.mm(r.length))
        self.put(s, "adjuster", _text(r.adjuster))
        if r.adjuster != "fixed":
            self.put(s, "range", f"[{self.mm(r.shortest)}, {self.mm(r.longest)}]")
        if r.adjuster == "clamp":
            self.put(s, "step", _num(r.step))
        if r.adjuster == "screw":
            self.screw(s, r)
        for key in ("overlap", "overlap_now", "engaged_now"):
            if getattr(r, key) is not None:
                self.put(s, key, self.mm(getattr(r, key)))
        self.put(s, "diameter", self.mm(2 * r.radius))
        self.put(s, "tolerance", self.mm(r.tol))

    def screw(self, s: str, r: Rod) -> None:
        per_turn = r.per_turn or 1.0
        ends = 1
        if r.thread:
            ends = round(per_turn / thread(r.thread)[1])
            self.put(s, "thread", _text(r.thread))
        else:
            self.put(s, "per_turn", _num(per_turn))
        self.put(s, "ends", _text("left and right" if ends == 2 else "one"))
        self.put(s, "turn_step", _num(r.step / per_turn, 12))

    def wheel(self, w: Wheel) -> None:
        s = self.section("wheels", w.side)
        self.put(s, "upright", _text(w.upright))
        if w.spin_body is not None:
            self.put(s, "spin_body", _text(w.spin_body))
        self.put(s, "centre", self.vec(w.centre))
        self.put(s, "spin_axis", self.unit(w.spin))
        self.put(s, "radius", self.mm(w.radius))
        self.put(s, "spin_tolerance", _deg(w.spin_tol))
        if w.measured:
            self.put(s, "spin_measured", "true")
        if w.tyre:
            self.put(s, "tyre_width", self.mm(w.tyre))

    def rear_wheel(self, w: RearWheel) -> None:
        s = self.section("rear_wheel")
        if w.radius is not None:
            self.put(s, "radius", self.mm(w.radius))
        if w.centre is not None:
            self.put(s, "centre", self.vec(w.centre))
        self.put(s, "spin_axis", self.unit(w.spin))
        self.put(s, "body", _text(w.body))
        if w.tyre:
            self.put(s, "tyre_width", self.mm(w.tyre))
        self.put(s, "tolerance", self.mm(w.tol))
        self.put(s, "spin_tolerance", _deg(w.spin_tol))

    def obstacles_and_slides(self) -> None:
        for o in self.rig.obstacles:
            s = self.section("obstacles", o.name)
            self.put(s, "from", self.vec(o.a))
            self.put(s, "to", self.vec(o.b))
            self.put(s, "diameter", self.mm(2 * o.radius))
            if o.body != FRAME:
                self.put(s, "body", _text(o.body))
        for d in self.rig.slides.values():
            s = self.section("slides", d.name)
            self.put(s, "bodies", _texts(d.bodies))
            self.put(s, "direction", self.unit(d.direction))
            self.put(s, "range", f"[{self.mm(d.range[0])}, {self.mm(d.range[1])}]")
            self.put(s, "step", self.mm(d.step))

    def tag(self, t: Tag) -> None:
        s = self.section("tags", t.name)
        self.put(s, "code", str(t.code))
        self.put(s, "size", self.mm(t.size))
        if t.centres_on is not None:
            self.put(s, "on_bolt", _text(t.centres_on))
            self.put(s, "offset", self.mm(t.offset))
            self.put(s, "offset_tolerance", self.mm(t.offset_tol))
        else:
            self.put(s, "body", _text(t.body))
        if t.place is not None:
            self.put(s, "place", self.vec(t.place))
        self.put(s, "place_tolerance", self.mm(t.place_tol))

    def targets(self) -> None:
        s = self.section("targets")
        for t in self.rig.targets.values():
            show = _deg if t.unit == "deg" else _num
            self.put(s, t.name, f"{{ value = {show(t.value)}, tolerance = {show(t.tolerance)} }}")
