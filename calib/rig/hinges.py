"""Hinges of a rig file as builders measure them: two ball joints, or a kingpin's caster and inclination."""

from __future__ import annotations

import difflib
import math
from typing import Any

import numpy as np

from calib.rig.errors import Errors, KeyPath
from calib.rig.model import Vec
from calib.rig.schema import NAMED, SIDES
from calib.rig.values import Bad, convert

APART = 5.0  # mm; ball joints nearer to each other give no direction


def kingpin_axis(caster: float, inclination: float, side: str) -> Vec:
    """Unit direction of a steering axis, upwards, from its two angles (rad).

    ISO 8855 (from memory): caster is the angle between the vertical and the axis in side view, positive with its top
    leaning back; kingpin inclination the same in front view, positive with its top leaning inwards. So the axis runs
    along (-tan caster, -/+ tan inclination, 1), minus on the left.

    >>> x, y, z = kingpin_axis(math.radians(10), math.radians(8), "left")
    >>> round(math.degrees(math.atan2(-x, z)), 9), round(math.degrees(math.atan2(-y, z)), 9)
    (10.0, 8.0)
    """
    outward = {"left": 1.0, "right": -1.0}[side]
    x, y = -math.tan(caster), -outward * math.tan(inclination)
    size = math.sqrt(x * x + y * y + 1.0)
    return (x / size, y / size, 1.0 / size)


def with_hinge(errors: Errors, path: KeyPath, data: Any) -> Any:
    """A part's table with pivot and axis in place of the short forms; None where these are wrong (reported)."""
    if not isinstance(data, dict):
        return data
    if "balls" in data:
        return _from_balls(errors, path, data)
    if "caster" in data or "inclination" in data:
        return _from_angles(errors, path, data)
    return data


def _from_balls(errors: Errors, path: KeyPath, data: dict[str, Any]) -> Any:
    """A part that turns about the line through two ball joints.

    The wishbones that carry them are taken as standing still.
    """
    rest = {k: v for k, v in data.items() if k != "balls"}
    both = [k for k in ("pivot", "axis", "caster", "inclination") if k in data]
    if both:
        errors.bad((*path, both[0]), data[both[0]], 'nothing here, since "balls" gives the hinge')
        return None
    try:
        balls = convert(data["balls"], NAMED["bodies"]["balls"])
    except Bad as exc:
        errors.bad((*path, "balls"), data["balls"], str(exc))
        return None
    if set(balls) != {"lower", "upper"} or math.dist(*balls.values()) < APART:
        errors.bad((*path, "balls"), data["balls"],
                   "the two places { lower = [x, y, z], upper = [x, y, z] }, apart from each other")
        return None
    low, high = np.asarray(balls["lower"]), np.asarray(balls["upper"])
    return rest | {"pivot": [float(v) for v in (low + high) / 2], "axis": [float(v) for v in high - low]}


def _from_angles(errors: Errors, path: KeyPath, data: dict[str, Any]) -> Any:
    """A kingpin by caster and inclination."""
    given = [k for k in ("caster", "inclination") if k in data]
    first = (*path, given[0])
    if data.get("role") != "upright":
        errors.bad(first, data[given[0]], 'only for a part with role = "upright"; another gives its "axis"')
        return None
    if "axis" in data:
        errors.bad(first, data[given[0]], 'nothing here, since "axis" gives the hinge; or leave out "axis"')
        return None
    if len(given) == 1:
        missing = "inclination" if given == ["caster"] else "caster"
        if difflib.get_close_matches(missing, set(data) - set(NAMED["bodies"]), 1, 0.5):
            return {k: v for k, v in data.items() if k not in given} | {"axis": [0, 0, 1]}  # misspelt: named as such
        errors.add((*path, missing), f'read nothing beside "{given[0]}"; allowed: both of them, in degrees')
        return None
    side = data.get("side")
    if side not in SIDES:
        errors.bad((*path, "side"), "" if side is None else side, 'for an upright, "left" or "right"')
        return None
    turned: list[float] = []
    for key in given:
        try:
            turned.append(convert(data[key], NAMED["bodies"][key]))
        except Bad as exc:
            errors.bad((*path, key), data[key], str(exc))
    if len(turned) < 2:
        return None
    rest = {k: v for k, v in data.items() if k not in given}
    errors.follows((*path, "axis"), first)
    return rest | {"axis": list(kingpin_axis(turned[0], turned[1], side))}
