"""What a rig file need not say, since names and other tables say it: filled in before the tables are read.

Everything filled in here is listed beside its key in ``calib.rig.schema`` (``Key.implied``).
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from typing import Any

from calib.rig.errors import Errors, KeyPath
from calib.rig.mirror import hidden_side, side_of
from calib.rig.model import FRAME
from calib.rig.schema import NEITHER
from capture.targets import PART_IDS

# Hinge axes by role: a positive turn leans a lever forward, turns a crank to the left and lets a wheel roll forward.
AXES: dict[str, list[float]] = {"lever": [0.0, 1.0, 0.0], "crank": [0.0, 0.0, 1.0], "wheel": [0.0, 1.0, 0.0]}
SIDED_ROLES = ("lever", "upright", "wheel")
_HINGE = ("axis", "balls", "caster", "inclination")
Tables = dict[str, Any]


def implied_side(role: object, name: str) -> str:
    """The side of a part that does not say it: the one in its name, for a lever, an upright or a wheel."""
    return side_of(name) if role in SIDED_ROLES else ""


def without_side(data: Mapping[str, Any]) -> list[str]:
    """A sentence for each lever, upright and wheel whose name only seems to say its side.

    Reading "leftlever" as left would make a lever called "leftover" one too, so that it is asked for.
    """
    return [f'{name} has no side: "{hidden_side(name)}" in a name counts where it stands by itself, as in '
            f'{hidden_side(name)}_{b["role"]}. Rename it, which mirror needs too, or say side = "{hidden_side(name)}" '
            f'(side = "{NEITHER}" if it has none) under [bodies.{name}].'
            for name, b in tables_of(data, "bodies").items()
            if b.get("role") in SIDED_ROLES and "side" not in b and hidden_side(name)]


def automatic_code(name: str) -> int:
    """The code of a tag that names none: made of its name alone (CRC-32), so that no other tag can change it.

    >>> automatic_code("left_lever"), automatic_code("right_lever")
    (486, 258)
    """
    return PART_IDS.start + zlib.crc32(name.encode()) % len(PART_IDS)


def with_implied(data: dict[str, Any], errors: Errors) -> dict[str, Any]:
    """The data with what it leaves out; tables that are none are left for the reader to report."""
    out = dict(data)
    for section in ("bodies", "points", "wheels", "tags"):
        tables = data.get(section)
        if isinstance(tables, dict):
            out[section] = {n: dict(t) if isinstance(t, dict) else t for n, t in tables.items()}
    bodies, points, wheels, tags = (tables_of(out, s) for s in ("bodies", "points", "wheels", "tags"))
    for name, b in bodies.items():
        _body(name, b)
    for side, w in wheels.items():
        _wheel(side, w, bodies)
    for name, b in bodies.items():
        _wheel_body(name, b, wheels, errors)
    for side, w in wheels.items():
        _centre(side, w, bodies, errors)
    for name, p in points.items():
        part = name.split(".")[0]
        if "body" not in p and "." in name and (part in bodies or part == FRAME):
            p["body"] = part
    prints = out.get("prints")
    for name, t in tags.items():
        _tag(name, t, bodies, points, prints if isinstance(prints, dict) else {}, errors)
    return out


def tables_of(data: Mapping[str, Any], section: str) -> dict[str, Tables]:
    """The well-formed tables of a section, by name; the reader speaks of the others."""
    tables = data.get(section)
    return {n: t for n, t in tables.items() if isinstance(t, dict)} if isinstance(tables, dict) else {}


def _body(name: str, b: Tables) -> None:
    role = b.get("role")
    side = implied_side(role, name)
    if "side" not in b and side:
        b["side"] = side
    if isinstance(role, str) and role in AXES and not any(k in b for k in _HINGE):
        b["axis"] = AXES[role]


def _wheel(side: str, w: Tables, bodies: dict[str, Tables]) -> None:
    there = [n for n, b in bodies.items() if b.get("role") == "upright" and b.get("side") == side]
    if "upright" not in w and len(there) == 1:
        w["upright"] = there[0]


def _wheel_body(name: str, b: Tables, wheels: dict[str, Tables], errors: Errors) -> None:
    """A part that is a wheel and gives no hinge of its own is the front wheel of its side, turned by hand."""
    side = b.get("side")
    if b.get("role") != "wheel" or "pivot" in b or "balls" in b or not isinstance(side, str) or side not in wheels:
        return
    w = wheels[side]
    if "centre" in w:
        _copy(b, ("bodies", name, "pivot"), w, ("wheels", side, "centre"), errors)
    if "parent" not in b and "upright" in w:
        _copy(b, ("bodies", name, "parent"), w, ("wheels", side, "upright"), errors)
    if "spin_body" not in w:
        w["spin_body"] = name


def _centre(side: str, w: Tables, bodies: dict[str, Tables], errors: Errors) -> None:
    spin = w.get("spin_body")
    if "centre" not in w and isinstance(spin, str) and "pivot" in bodies.get(spin, {}):
        _copy(w, ("wheels", side, "centre"), bodies[spin], ("bodies", spin, "pivot"), errors)


def _tag(name: str, t: Tables, bodies: dict[str, Tables], points: dict[str, Tables], prints: Tables,
         errors: Errors) -> None:
    path = ("tags", name)
    t.setdefault("code", automatic_code(name))
    if not any(k in t for k in ("body", "on_bolt", "on_floor")):
        bolts = [p for p in points if name in (p, p.replace(".", "_"))]
        if name in bodies and not bolts:
            t["body"] = name
        elif len(bolts) == 1 and name not in bodies:
            t["on_bolt"] = bolts[0]
            if "offset" not in t and "bolt_offset" not in prints:
                errors.add((*path, "offset"), "read nothing; allowed: how far the ball's centre lies below the paper, "
                                              "here or for all bolts as bolt_offset under [prints]")
    on_bolt = "on_bolt" in t
    for key, source in (("size", "bolt_size" if on_bolt else "part_size"), ("offset", "bolt_offset"),
                        ("offset_tolerance", "bolt_offset_tolerance")):
        if key not in t and source in prints and (on_bolt or key == "size") and not t.get("on_floor"):
            _copy(t, (*path, key), prints, ("prints", source), errors)


def _copy(to: Tables, at: KeyPath, source: Tables, source_at: KeyPath, errors: Errors) -> None:
    """A value that stands elsewhere: a mistake in it is one there."""
    to[at[-1]] = source[source_at[-1]]
    errors.copied(at, source_at)
