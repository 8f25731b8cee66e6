"""Writing a ``Rig`` back as rig.toml, with uncertainties beside measured values where there are any.

The schema says what is written and in which order and form; ``_TABLES`` says where in the rig each value is kept
where the key and the rig's own name for it differ. A key that no rig holds a value for is left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import tomlkit
from tomlkit.items import Item, Table

from calib.results import AsBuilt
from calib.rig.implied import implied_side
from calib.rig.model import Body, Point, Rig, Rod, Thread
from calib.rig.parameters import Kind, ParameterName, parsed, travel_names, vector_names
from calib.rig.schema import ASSEMBLY_SLACK, ENDS, NAMED, NEITHER, SINGLE, Key
from calib.rig.tolerances import measured_tolerances

_HEAD = (
    "Millimetres and degrees. Axes (ISO 8855): x forward, y left, z up; origin as drawn, usually on the\n"
    "ground under the middle of the front axle. Places are given with the rig assembled and straight ahead."
)


@dataclass(frozen=True)
class _Style:
    """How many decimals; None writes every digit, so that the file reads back exactly."""

    mm: int | None = None
    unit: int | None = None  # parts of a direction


def rig_to_toml(rig: Rig, comments: Mapping[str, str] | None = None) -> str:
    """The rig in the form ``load_rig`` reads; it reads back to equal values, angles but for their last bit.

    ``comments`` maps a dotted key path without quotes ("bodies.left_lever.pivot", "points.crank.arm.holes.A",
    "rods.left_rod.length") or a section ("bodies") to a comment: behind the value, or above the section.
    The key "" is the comment at the head of the file.

    >>> from calib import parse_rig, starter_text
    >>> rig = parse_rig(starter_text())
    >>> parse_rig(rig_to_toml(rig)) == rig
    True
    """
    return _document(rig, comments or {}, _Style())


def as_built_toml(as_built: AsBuilt, doubt: Callable[[str, str], str] = lambda part, unit: "",
                  head: str = "", more: Mapping[str, str] | None = None) -> str:
    """The measured rig in the form of the design, each measured value with its 95 % half-width behind it.

    Its tolerances are the measured ones (``calib.rig.tolerances``). Places and lengths are rounded to 0.0001 mm,
    directions to 7 decimals (0.00001 deg). ``doubt`` of a part (body, point, rod or wheel's side) and unit ("mm",
    "deg"): why its value is not to be trusted yet, "" where it is. ``head``: lines above all others; ``more``: other
    comments, by key path.
    """
    comments = {**measured_comments(as_built, doubt), **(more or {})}
    comments[""] = (
        (head.rstrip("\n") + "\n" if head else "") +
        "The rig as measured: +/- is the 95 % half-width of each value between the parts, the frame laid onto\n"
        "the drawing; the share from photos says how much of it came from them, the rest from the drawing.\n"
        "Tolerances are the measured ones too: where a part is moved after this, give it a wider one.\n"
        "Measured values, not a certificate: a qualified person should inspect the steering before riding.\n"
        + _HEAD
    )
    return _document(measured_tolerances(as_built, doubt), comments, _Style(mm=4, unit=7), as_built=True)


def measured_comments(as_built: AsBuilt, doubt: Callable[[str, str], str] = lambda part, unit: "") -> dict[str, str]:
    """Dotted key path to "+/- 0.12, 0.10, 0.14 mm; 98 % from photos", for every measured value."""
    u95 = dict(zip(as_built.names, as_built.held_u95, strict=True))
    groups: dict[str, list[ParameterName]] = {}
    for n in parsed(as_built.names):
        groups.setdefault(n.group, []).append(n)
    out = {}
    for group in groups.values():
        first, names = group[0], [str(n) for n in group]
        direction = first.direction
        every = {Kind.LENGTH: names[:1], Kind.TRAVEL: travel_names(first.owner)}.get(first.kind)
        each = [u95.get(n) for n in every or vector_names(first.owner, first.kind, first.hole)]
        nothing = _nothing_to_know(as_built.rig, first)
        parts = ["-" if u is None or k == nothing else f"{_u(u, direction):.2f}" for k, u in enumerate(each)]
        shares = [as_built.from_photos[n] for n in names
                  if math.isfinite(as_built.from_photos.get(n, math.nan)) and u95[n] > 1e-9]
        text = "+/- " + ", ".join(parts) + (" deg" if direction else " mm")
        if shares:
            text += f"; {100 * float(np.mean(shares)):.0f} % from photos"
        if why := doubt(first.owner, "deg" if direction else "mm"):
            text += f"; {why}"
        out[_comment_path(as_built.rig, first)] = text
    return out


def _nothing_to_know(rig: Rig, n: ParameterName) -> int | None:
    """The component that is no measurement: a pivot's place along its own hinge, a direction's length."""
    if n.kind not in (Kind.PIVOT, Kind.AXIS, Kind.SPIN):
        return None
    along = [abs(c) for c in (rig.wheels[n.owner].spin if n.kind is Kind.SPIN else rig.bodies[n.owner].axis)]
    return along.index(max(along)) if max(along) > ALONG else None


def _u(x: float, direction: bool) -> float:
    """A small change of a unit-vector part is a turn of that many radians; shown in degrees."""
    return math.degrees(x) if direction else x


def _comment_path(rig: Rig, n: ParameterName) -> str:
    """Key path in the file of what a named parameter belongs to."""
    if n.kind is Kind.HOLE:
        return f"points.{n.owner}." + ("at" if _one_hole(rig.points[n.owner]) else f"holes.{n.hole}")
    section, key = {Kind.LENGTH: ("rods", "length"), Kind.PIVOT: ("bodies", "pivot"), Kind.AXIS: ("bodies", "axis"),
                    Kind.TRAVEL: ("bodies", "travel"),
                    Kind.CENTRE: ("wheels", "centre"), Kind.SPIN: ("wheels", "spin_axis")}[n.kind]
    return f"{section}.{n.owner}.{key}"


def _one_hole(point: Point) -> bool:
    return list(point.holes) == ["1"] and point.use == "1"


def _as_a_design(rig: Rig, rod: Rod) -> bool:
    """Whether a rod keeps its range and fits between its points as a design must."""
    gap = abs(rod.length - math.dist(rig.points[rod.a].xyz, rig.points[rod.b].xyz))
    return rod.shortest <= rod.length <= rod.longest and gap <= rod.tol + ASSEMBLY_SLACK


ALONG = 0.9  # of a unit vector's component, from which the vector lies along that axis of the frame

Getter = Callable[[Any], Any]


def _if_screw(value: Getter) -> Getter:
    return lambda r: value(r) if r.adjuster == "screw" else None


def _not_kept(_thing: Any) -> None:
    """Of a key that only says another one in short."""


def _side(b: Body) -> str:
    return b.side or (NEITHER if implied_side(b.role, b.name) else "")


def _ends_in_words(r: Rod) -> str:
    return next(words for words, n in ENDS.items() if n == (r.thread or Thread()).ends)


# Where a value is kept, by section and key; every other key is an attribute of its own name. Lengths in mm, angles
# in rad; None: not written.
_TABLES: dict[str, dict[str, Getter]] = {
    "vehicle": {"mirror": _not_kept, "roll_tolerance": lambda r: r.roll_tol or None,
                "pitch_tolerance": lambda r: r.pitch_tol or None,
                "heading_tolerance": lambda r: r.heading_tol or None,
                "as_built": lambda r: not all(_as_a_design(r, x) for x in r.rods.values())},
    "board": {
        "paper": lambda r: r.board.paper, "body": lambda r: r.board.body,
        "scale_bar": lambda r: r.board.bar_measured, "scale_bar_upright": lambda r: r.board.bar_upright,
        "scale_bar_nominal": lambda r: r.board.bar_nominal, "scale_bar_tolerance": lambda r: r.board.bar_tol,
    },
    "prints": dict.fromkeys(SINGLE["prints"], _not_kept),  # written with each tag
    "steering": {"both_ways": _not_kept,  # the labels with + and - stand among the positions
                 "stop_tolerance": lambda r: r.stop_tol},
    "rear_wheel": {
        "radius": lambda r: r.rear.radius, "centre": lambda r: r.rear.centre, "spin_axis": lambda r: r.rear.spin,
        "body": lambda r: r.rear.body, "tyre_width": lambda r: r.rear.tyre, "tolerance": lambda r: r.rear.tol,
        "spin_tolerance": lambda r: r.rear.spin_tol, "spin_body": lambda r: r.rear.spin_body,
        "square_tolerance": lambda r: r.rear.square_tol if r.rear.spin_body else None,
        "level_tolerance": lambda r: r.rear.level_tol if r.rear.spin_body else None,
    },
    "camera": {"readout": lambda r: None if r.readout is None else 1000 * r.readout},
    "limits": {"min_transmission_angle": lambda r: r.min_transmission},
    "bodies": {
        "side": _side, "mirror": _not_kept,
        "balls": _not_kept, "caster": _not_kept, "inclination": _not_kept,  # read into pivot and axis
        "pivot_tolerance": lambda b: b.pivot_tol, "axis_tolerance": lambda b: b.axis_tol,
    },
    "points": {
        "mirror": _not_kept, "row": _not_kept,
        "at": lambda p: p.holes["1"] if _one_hole(p) else None,
        "holes": lambda p: None if _one_hole(p) else p.holes,
        "use": lambda p: None if _one_hole(p) else p.use,
        "tolerance": lambda p: p.tol,
        "seat": lambda p: p.seat if len(p.holes) > 1 else None,
        "clock_step": lambda p: p.clock_step if p.clock is not None else None,
    },
    "rods": {
        "mirror": _not_kept,
        "plus_minus": _not_kept, "overlap_most": _not_kept, "engaged_most": _not_kept,  # read into range
        "from": lambda r: r.a, "to": lambda r: r.b, "tolerance": lambda r: r.tol, "diameter": lambda r: 2 * r.radius,
        "range": lambda r: None if r.adjuster == "fixed" else (r.shortest, r.longest),
        "step": lambda r: r.step if r.adjuster == "clamp" else None,
        "per_turn": _if_screw(lambda r: r.per_turn if r.thread and not r.thread.name else None),
        "ends": _if_screw(_ends_in_words),
        "thread": _if_screw(lambda r: r.thread.name or None if r.thread else None),
        "turn_step": _if_screw(lambda r: r.step / (r.per_turn or 1.0)),
    },
    "wheels": {"mirror": _not_kept, "centre_tolerance": lambda w: w.centre_tol, "spin_axis": lambda w: w.spin,
               "spin_tolerance": lambda w: w.spin_tol, "spin_measured": lambda w: w.measured,
               "tyre_width": lambda w: w.tyre},
    "tags": {
        "mirror": _not_kept,
        "body": lambda t: t.body if t.centres_on is None else None,
        "on_bolt": lambda t: t.centres_on,
        "offset": lambda t: None if t.centres_on is None else t.offset,
        "offset_tolerance": lambda t: None if t.centres_on is None else t.offset_tol,
        "place_tolerance": lambda t: t.place_tol,
        "centre_line_tolerance": lambda t: t.centre_line_tol if t.on_centre_line else None,
        "floor_tolerance": lambda t: t.floor_tol if t.on_floor else None,
        "flat_tolerance": lambda t: t.flat_tol if t.on_floor else None,
    },
    "obstacles": {"mirror": _not_kept, "from": lambda o: o.a, "to": lambda o: o.b, "diameter": lambda o: 2 * o.radius},
    "slides": {"mirror": _not_kept},
    "targets": {},
}


def _named(rig: Rig, section: str) -> Iterator[tuple[str, Any]]:
    """The things of a section, by name."""
    things = getattr(rig, section)
    return iter(things.items()) if isinstance(things, Mapping) else ((x.name, x) for x in things)


def _values(section: str, keys: Mapping[str, Key], thing: Any) -> dict[str, Any]:
    """Key to value for one table, in the schema's order; what is empty or False is the same as left out."""
    get = _TABLES[section]
    found = {k: get[k](thing) if k in get else getattr(thing, k) for k in keys}
    return {k: v for k, v in found.items()
            if not (v is None or v is False or v == "" or isinstance(v, tuple) and not v)}


def _document(rig: Rig, comments: Mapping[str, str], style: _Style, as_built: bool = False) -> str:
    doc = tomlkit.document()
    _say(doc, comments.get("", _HEAD))
    for section, keys in SINGLE.items():
        values = _values(section, keys, rig) | ({"as_built": True} if as_built and section == "vehicle" else {})
        if values or section not in ("prints",):
            _add(doc, section, _table(section, keys, values, comments, style), comments.get(section, ""))
    for section, keys in NAMED.items():
        things = dict(_named(rig, section))
        if things:
            table = _targets(things) if section == "targets" else _tables(section, keys, things, comments, style)
            _add(doc, section, table, comments.get(section, ""))
    return tomlkit.dumps(doc)


def _add(doc: tomlkit.TOMLDocument, section: str, table: Table, words: str) -> None:
    """A section with its comment right above it."""
    if words:
        doc.add(tomlkit.nl())
        _say(doc, words)
    doc.add(section, table)
    if words:
        table.trivia.indent = ""


def _say(doc: tomlkit.TOMLDocument, words: str) -> None:
    for line in words.splitlines():
        doc.add(tomlkit.comment(line) if line.strip() else tomlkit.nl())


def _tables(section: str, keys: Mapping[str, Key], things: Mapping[str, Any], comments: Mapping[str, str],
            style: _Style) -> Table:
    """[bodies.left_lever], [bodies.crank] and so on."""
    out = tomlkit.table(is_super_table=True)
    for name, thing in things.items():
        out.add(name, _table(f"{section}.{name}", keys, _values(section, keys, thing), comments, style))
    return out


def _table(path: str, keys: Mapping[str, Key], values: Mapping[str, Any], comments: Mapping[str, str],
           style: _Style) -> Table:
    """One table; holes, one a line so that each can carry its comment, come last in a table of their own."""
    table = tomlkit.table()
    holes = {k: v for k, v in values.items() if keys[k].kind == "holes"}
    for k, v in values.items():
        if k not in holes:
            table.add(k, _with(_item(v, keys[k].kind, style), comments.get(f"{path}.{k}")))
    for k, places in holes.items():
        inner = tomlkit.table()
        for name, place in places.items():
            inner.add(name, _with(_item(place, "place", style), comments.get(f"{path}.{k}.{name}")))
        table.add(k, inner)
    return table


def _targets(targets: Mapping[str, Any]) -> Table:
    """Targets on a line each, in the unit of their figure."""
    out = tomlkit.table()
    for name, t in targets.items():
        show = _degrees if t.unit == "deg" else _plain
        pair = tomlkit.inline_table()
        pair.update({"value": show(t.value), "tolerance": show(t.tolerance)})
        out.add(name, pair)
    return out


def _with(item: Item, comment: str | None) -> Item:
    """The item with a comment behind it."""
    if comment:
        item.comment(comment)
        item.trivia.comment_ws = "  "
    return item


def _item(value: Any, kind: str, style: _Style) -> Item:
    """A value of the rig as it stands in the file, by the kind that the schema gives."""
    match kind:
        case "length":
            return tomlkit.item(_plain(value, style.mm))
        case "angle":
            return tomlkit.item(_degrees(value))
        case "number":
            return tomlkit.item(_plain(value))
        case "place" | "length range":
            return tomlkit.item([_plain(v, style.mm) for v in value])
        case "direction":
            return tomlkit.item([_plain(v, style.unit) for v in value])
        case "angle range":
            return tomlkit.item([_degrees(v) for v in value])
        case "labels" | "texts":
            return tomlkit.item(list(value))
    return tomlkit.item(value)


def _plain(x: float, decimals: int | None = None) -> int | float:
    """A number without a needless ".0" or minus before a zero."""
    if decimals is not None:
        x = round(x, decimals)
    return int(x) if x == int(x) and abs(x) < 1e15 else float(x)


def _degrees(x: float) -> int | float:
    """Degrees with as few decimals as read back to the same radians, but for the last bit: 32 stays 32."""
    full = math.degrees(x)
    return _plain(next((r for r in (round(full, n) for n in (10, 12, 14)) if math.radians(r) == x), full))
