"""Holes in a row, as they are drilled: how far the first is from the hinge, how far apart, how many, which way."""

from __future__ import annotations

import math
import string
from collections.abc import Mapping
from typing import Any

import numpy as np

from calib.rig.errors import Errors, KeyPath
from calib.rig.model import Body, Vec
from calib.rig.schema import LETTERS

UPRIGHT = math.cos(math.radians(45.0))  # a hinge nearer to upright than this counts as upright, else as level


def row_holes(row: Mapping[str, Any], body: Body, errors: Errors, path: KeyPath) -> dict[str, Vec] | None:
    """Hole name -> place (mm), from the pivot outwards; None after a mistake. ``row`` is as ``schema.ROW`` reads it."""
    before = errors.found
    if row["count"] > 1 and row["spacing"] is None:
        errors.add((*path, "spacing"), "read nothing, the key is missing; allowed: from one hole to the next, mm")
    if (row["direction"] is None) == (row["angle"] is None):
        both = "neither" if row["angle"] is None else "both"
        errors.add((*path, "direction"), f'read {both} of "direction" and "angle"; allowed: one of the two')
    if row["names"] == LETTERS and row["count"] > len(string.ascii_uppercase):
        errors.bad((*path, "count"), row["count"], 'at most 26 with letters for names; or names = "numbers"')
    if errors.found > before:
        return None
    way = row["direction"] if row["angle"] is None else _turned_arm(body, row["angle"])
    if way is None:
        errors.bad((*path, "angle"), round(math.degrees(row["angle"]), 6),
                   f'a "direction" instead: the hinge of {body.name} lies along the vehicle')
        return None
    start = np.asarray(body.pivot) + row["along"] * np.asarray(_leftward_or_up(body.axis))
    out: dict[str, Vec] = {}
    for k in range(row["count"]):
        x, y, z = start + (row["first"] + k * (row["spacing"] or 0.0)) * np.asarray(way)
        name = string.ascii_uppercase[k] if row["names"] == LETTERS else str(k + 1)
        out[name] = (float(x), float(y), float(z))
    return out


def _leftward_or_up(axis: Vec) -> Vec:
    """A hinge's direction pointing up where it is nearer to upright, left where it is not (forward if along it)."""
    lead = axis[2] if abs(axis[2]) > UPRIGHT else axis[1] if abs(axis[1]) > 1e-9 else axis[0]
    return axis if lead > 0 else (-axis[0], -axis[1], -axis[2])


def _turned_arm(body: Body, angle: float) -> Vec | None:
    """Direction of an arm square to its hinge, ``angle`` (rad) from straight up, forward positive, where the hinge
    is level; from straight ahead, left positive, where it is upright. None for a hinge along the vehicle.
    """
    axis = np.asarray(_leftward_or_up(body.axis))
    upright = abs(axis[2]) > UPRIGHT
    if not upright and abs(axis[1]) < UPRIGHT:
        return None
    zero = np.array([1.0, 0.0, 0.0] if upright else [0.0, 0.0, 1.0])
    zero = zero - (zero @ axis) * axis
    zero /= np.linalg.norm(zero)
    x, y, z = math.cos(angle) * zero + math.sin(angle) * np.cross(axis, zero)
    return (float(x), float(y), float(z))
