"""One side said once: tables of a rig file that are another one's mirror image in the plane y = 0.

A place and a direction turn (x, y, z) into (x, -y, z). A hinge axis is the mirrored line, pointed the way that is
nearer to its original, so that a mirrored lever leans forward on positive too and a mirrored axle points left; a range
of angles about it changes sign where the mirror image of a positive turn is a negative one (a kingpin's), by the rule
that a turn mirrors as a pseudovector does. Names change "left" with "right".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from calib.rig.errors import Errors, nearest
from calib.rig.model import Body, Vec
from calib.rig.rods import CLAMP_KEYS, SCREW_KEYS
from calib.rig.schema import NAMED, SIDES
from calib.rig.units import length_mm

SECTIONS = tuple(s for s, keys in NAMED.items() if "mirror" in keys)
_SIDE_WORD = re.compile(r"(?<![^\W\d_])(left|right|Left|Right)(?![^\W\d_])")
_RUN_TOGETHER = re.compile(r"(left|Left|(?<!up)right|Right)[a-z]+|\w*[a-z](left|Left|(?<![Uu]p)right|Right)(?![a-z])")
OTHER = {"left": "right", "right": "left", "Left": "Right", "Right": "Left"}
_SAME_WAY = ("axis", "spin_axis")  # lines whose sense is a convention, the same on both sides
_POINT_KEYS = ("from", "to", "on_bolt")  # keys that name a point; every other name is a part's

# A key of one's own puts these keys of the original out of force, since they say the same in another way.
_INSTEAD: dict[tuple[str, str], tuple[str, ...]] = {
    ("bodies", "balls"): ("pivot", "axis", "caster", "inclination"),
    ("bodies", "pivot"): ("balls",),
    ("bodies", "axis"): ("balls", "caster", "inclination"),
    ("bodies", "caster"): ("balls", "axis"),
    ("bodies", "inclination"): ("balls", "axis"),
    ("points", "at"): ("holes", "row", "use"),
    ("points", "holes"): ("at", "row"),
    ("points", "row"): ("at", "holes"),
    ("rods", "adjuster"): (*SCREW_KEYS, *CLAMP_KEYS),
    ("rods", "thread"): ("per_turn",),
    ("rods", "per_turn"): ("thread",),
    ("rods", "range"): ("plus_minus",),
    ("rods", "plus_minus"): ("range",),
    ("tags", "body"): ("on_bolt", "offset", "offset_tolerance"),
    ("tags", "on_bolt"): ("body", "place"),
}


@dataclass(frozen=True)
class Mirrored:
    """A rig file's data with every mirrored table written out."""

    data: dict[str, Any]
    original: Mapping[tuple[str, str], str] = field(default_factory=dict)  # (section, name) -> what it mirrors
    own: Mapping[tuple[str, str], frozenset[str]] = field(default_factory=dict)  # keys that the table gives itself

    def inherited(self, section: str, name: str, key: str) -> str:
        """The table that a key comes from by mirroring; "" where it stands in the table itself."""
        at = (section, name)
        return "" if key in self.own.get(at, frozenset()) else self.original.get(at, "")


def side_of(name: str) -> str:
    """ "left" or "right" where a name holds the one word and not the other, else ""."""
    words = {w.lower() for w in _SIDE_WORD.findall(name)}
    return words.pop() if len(words) == 1 else ""


def hidden_side(name: str) -> str:
    """ "left" or "right" where a name runs the word together with another, which is not read as a side; else "".

    >>> hidden_side("leftlever"), hidden_side("lever_left"), hidden_side("upright")
    ('left', '', '')
    """
    found = None if side_of(name) else _RUN_TOGETHER.match(name)
    return "" if found is None else (found[1] or found[2]).lower()


def other_side(name: str) -> str:
    """The name with "left" and "right" exchanged."""
    return _SIDE_WORD.sub(lambda m: OTHER[m[0]], name)


def place(v: Vec) -> Vec:
    """Mirror image of a place or a direction."""
    return (v[0], 0.0 - v[1], v[2])


def axis(v: Vec) -> Vec:
    """Mirror image of a hinge line's direction, pointing the way nearer to the original."""
    x, y, z = v
    return (x, 0.0 - y, z) if x * x + z * z >= y * y else (0.0 - x, y, 0.0 - z)


def body(b: Body) -> Body:
    """A part with its hinge mirrored."""
    return replace(b, pivot=place(b.pivot), axis=axis(b.axis))


def angles(span: tuple[float, float], original: Vec, image: Vec) -> tuple[float, float]:
    """A range of angles about the axis ``original``, mirrored into one about the axis ``image``."""
    x, y, z = original
    if -x * image[0] + y * image[1] - z * image[2] >= 0.0:  # the pseudovector's image
        return span
    return (0.0 - span[1], 0.0 - span[0])


def with_mirrored(data: dict[str, Any], errors: Errors) -> Mirrored:
    """Data with all mirrored tables written out as if the file gave them; mistakes go to ``errors``."""
    vehicle = data.get("vehicle")
    side = vehicle.get("mirror") if isinstance(vehicle, dict) else None
    plans = {s: _plan(s, data[s], side if side in SIDES else "", errors) for s in SECTIONS
             if isinstance(data.get(s), dict)}
    if side in SIDES and not any(plans.values()):
        errors.bad(("vehicle", "mirror"), side, f'a side that is described; nothing here is named "{side}", as '
                                                f"[bodies.{side}_lever] is")
    swap = _Names({s: {**p, **{b: a for a, b in p.items()}} for s, p in plans.items()})
    out, original, own = dict(data), dict[tuple[str, str], str](), dict[tuple[str, str], frozenset[str]]()
    for section, plan in plans.items():
        tables, done = data[section], dict[str, Any]()
        images = {a: [b for b, x in plan.items() if x == a] for a in tables}
        for name, table in tables.items():
            if name in plan:
                continue
            done[name] = _without_mirror(table)
            for image in images[name]:
                given = _without_mirror(tables.get(image, {}))
                done[image] = _image(section, done[name], given, swap)
                original[section, image], own[section, image] = name, frozenset(given)
                errors.follows((section, image), (section, name), given)
        out[section] = done
    return Mirrored(out, original, own)


def _plan(section: str, tables: dict[str, Any], side: str, errors: Errors) -> dict[str, str]:
    """Name of a mirrored table -> the table it mirrors."""
    out, alone = dict[str, str](), set[str]()
    for name, t in tables.items():
        if not isinstance(t, dict) or "mirror" not in t:
            continue
        of, path = t["mirror"], (section, name, "mirror")
        fine = False
        if of is False:
            alone.add(name)
            continue
        if not isinstance(of, str) or of not in tables:
            close = nearest(of, tables) if isinstance(of, str) else ""
            errors.bad(path, of, f"the name of the table of [{section}] that this one mirrors, or false{close}")
        elif of == name:
            errors.bad(path, of, "the name of another table than this one")
        elif not isinstance(tables[of], dict) or tables[of].get("mirror", False) is not False:
            errors.bad(path, of, f"a table that is described itself; {of} is a mirror image too")
        else:
            fine = True
            out[name] = of
        if not fine:
            errors.follows((section, name), path, t)  # what is missing then is no further mistake
    for name in tables if side else ():
        image = other_side(name)
        if side_of(name) == side and not {name, image} & (alone | set(out)) and isinstance(
                tables.get(image, {}), dict) and isinstance(tables[name], dict):
            out[image] = name
    return out


def _without_mirror(table: Any) -> Any:
    return {k: v for k, v in table.items() if k != "mirror"} if isinstance(table, dict) else table


@dataclass(frozen=True)
class _Names:
    """What a name becomes on the other side: its partner where two tables are a pair, else by the words."""

    pairs: Mapping[str, Mapping[str, str]]

    def __call__(self, key: str, name: str) -> str:
        section = "points" if key in _POINT_KEYS else "bodies"
        return self.pairs.get(section, {}).get(name) or other_side(name)


def _image(section: str, table: dict[str, Any], given: dict[str, Any], swap: _Names) -> dict[str, Any]:
    out = {k: _value(section, k, v, swap) for k, v in table.items() if k != "code"}
    for key in given:
        if key == "adjuster" and given[key] == table.get("adjuster", NAMED["rods"]["adjuster"].default):
            continue
        for instead in _INSTEAD.get((section, key), ()):
            out.pop(instead, None)
    return {**out, **given}


def _value(section: str, key: str, value: Any, swap: _Names) -> Any:
    """A key's value as it stands in the file, mirrored. What is wrong stays: it is reported where it was written."""
    known = NAMED[section].get(key)
    how: dict[str, Callable[[Any], Any]] = {
        "place": _raw_place, "direction": _raw_axis if key in _SAME_WAY else _raw_direction,
        "name": lambda v: swap(key, v) if isinstance(v, str) else v,
        "holes": lambda v: {n: _raw_place(x) for n, x in v.items()} if isinstance(v, dict) else v,
        "labels": lambda v: [swap(key, x) if isinstance(x, str) else x for x in v] if isinstance(v, list) else v,
        "choice": lambda v: OTHER.get(v, v) if key == "side" and isinstance(v, str) else v,
    }
    return value if known is None or known.kind not in how else how[known.kind](value)


def _raw_place(value: Any) -> Any:
    if not isinstance(value, list) or len(value) != 3:
        return value
    try:
        return [value[0], 0.0 - length_mm(value[1]), value[2]]
    except ValueError:
        return value


def _raw_direction(value: Any) -> Any:
    if isinstance(value, str):
        return OTHER.get(value, value)
    return [value[0], 0.0 - value[1], value[2]] if _three_numbers(value) else value


def _raw_axis(value: Any) -> Any:
    return list(axis((value[0], value[1], value[2]))) if _three_numbers(value) else value


def _three_numbers(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 3 and all(
        isinstance(v, int | float) and not isinstance(v, bool) for v in value)
