"""A rig file without a drawing: what joins what and which tag is where, places rough or left out.

It is a rig.toml in which pivots, axes, balls, wheel centres and rod lengths may be missing. What is missing gets a
stand-in, so that the ordinary reader finds every other mistake, and is listed as open: nothing of a stand-in may reach
a result (``calib.estimation.survey`` puts what the photos show in its place, or says that it cannot).
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.rig.errors import Errors, KeyPath
from calib.rig.implied import AXES, implied_side, tables_of
from calib.rig.model import Rig
from calib.rig.reader import read_data, read_text
from calib.rig.schema import Key
from calib.rig.values import Bad, convert
from capture.errors import UserError

LEVEL = Key("angle", None, "how well the board was laid level", above=0, hi=45)
TRACK = Key("length", None, "between the middles of the front tyres", lo=100, hi=3000)
STAND_IN_ROD = 400.0  # mm
ROUGH_MM, ROUGH_DEG = 50.0, 20.0  # of a place or axis that is given without a tolerance
Open = frozenset[KeyPath]

# stand-ins: the way a hinge usually lies, so that the reader's checks of sense find nothing to say
_AXES: Mapping[str, list[float]] = {**AXES, "lean": [1.0, 0.0, 0.0]}
_UP = [0.0, 0.0, 1.0]


@dataclass(frozen=True)
class SurveyRig:
    """A rig with stand-ins, and the keys they stand at: ("bodies", "crank", "pivot"), ("rods", "tie", "length").

    ("points", NAME, "at") stands for all holes of a point, also of a row; ("rods", NAME, "plus_minus") for a range that
    counts from a length.
    """

    rig: Rig
    open: Open
    track: float | None = None  # mm, between the middles of the front tyres
    level: float | None = None  # rad, 95 %: the board was laid level this well

    def is_open(self, *path: str) -> bool:
        """Whether the file left this key out."""
        return path in self.open


def load_survey(path: str | Path) -> SurveyRig:
    """The survey file at ``path``. UserError naming every mistake, as ``load_rig``."""
    return parse_survey(read_text(path), Path(path).name)


def parse_survey(text: str, file: str = "rig.toml") -> SurveyRig:
    """The rig described by the text of a survey file; see ``load_survey``.

    >>> rough = parse_survey('[vehicle]\\nwheelbase = 1200\\n[steering]\\ndriver = "bar"\\n'
    ...                      '[bodies.bar]\\nrole = "lever"\\n')
    >>> sorted(rough.open)
    [('bodies', 'bar', 'axis'), ('bodies', 'bar', 'pivot')]
    """
    found: set[KeyPath] = set()
    own: dict[str, float | None] = {}

    def completed(data: Mapping[str, Any], errors: Errors) -> dict[str, Any]:
        out = _filled(data, found)
        own["track"] = _taken(out, "vehicle", "track", TRACK, errors)
        own["level"] = _taken(out, "board", "level_tolerance", LEVEL, errors)
        return out

    rig = read_data(text, file, completed)
    _each_ball_to_be_found(rig, found, file)
    return SurveyRig(rig, frozenset(found), own["track"], own["level"])


def _each_ball_to_be_found(rig: Rig, found: set[KeyPath], file: str) -> None:
    """UserError naming each point that neither a tag nor a place would show, before anything is printed."""
    tagged = {t.centres_on for t in rig.tags.values()}
    lost = [n for n in rig.points if ("points", n, "at") in found and n not in tagged]
    if lost:
        raise UserError("\n".join(
            f'{file}: points."{n}": no tag is on its bolt and no place is given, so that no photo can show where it '
            f"is; add [tags.{n.replace('.', '_')}], or give its place to 50 mm: at = [x, y, z]." for n in lost),
            "no_place", lost[0])


def all_given(rig: Rig) -> SurveyRig:
    """A rig every place of which is given, each within its tolerance."""
    return SurveyRig(rig, frozenset())


def _taken(data: dict[str, Any], section: str, name: str, key: Key, errors: Errors) -> float | None:
    """The value of a key that only a survey file has, which is taken out of ``data``; None where it is not there."""
    table = data.get(section)
    if not isinstance(table, dict) or name not in table:
        return None
    read = table.pop(name)
    try:
        return float(convert(read, key))
    except Bad as exc:
        errors.bad((section, name), read, str(exc))
        return None


def _filled(data: Mapping[str, Any], found: set[KeyPath]) -> dict[str, Any]:
    """A copy with stand-ins for what is left out, which is added to ``found``."""
    out: dict[str, Any] = copy.deepcopy(dict(data))
    vehicle = out.setdefault("vehicle", {})
    if isinstance(vehicle, dict):
        vehicle["as_built"] = True  # a measured rig's rods may lie outside their range

    def left_out(path: KeyPath, table: dict[str, Any], value: object) -> None:
        table[path[-1]] = value
        found.add(path)

    wheels = tables_of(out, "wheels")
    for side, t in wheels.items():
        if "centre" not in t and "pivot" not in _spinning(out, side, t):
            left_out(("wheels", side, "centre"), t, [0.0, -400.0 if side == "right" else 400.0, 240.0])
        else:
            t.setdefault("centre_tolerance", ROUGH_MM)
        if "spin_axis" not in t:
            left_out(("wheels", side, "spin_axis"), t, [0.0, 1.0, 0.0])
            t.setdefault("spin_tolerance", ROUGH_DEG)
    bodies = tables_of(out, "bodies")
    for i, (name, t) in enumerate(bodies.items()):
        role, path = t.get("role"), ("bodies", name)
        side = t.get("side", implied_side(role, name))
        if "balls" in t or "pivot" in t:
            t.setdefault("pivot_tolerance", ROUGH_MM)
        elif role == "wheel" and side in wheels:  # goes with its wheel
            if ("wheels", side, "centre") in found:
                found.add((*path, "pivot"))
        else:
            y = {"left": 1.0, "right": -1.0}.get(side, 0.0) * (301.0 + 7.0 * i)
            left_out((*path, "pivot"), t, [37.0 * i, y, 203.0 + 11.0 * i])
        if {"balls", "axis", "caster", "inclination"} & set(t):
            t.setdefault("axis_tolerance", ROUGH_DEG)
        else:
            left_out((*path, "axis"), t, [*_AXES.get(role if isinstance(role, str) else "", _UP)])
    for i, (name, t) in enumerate(tables_of(out, "points").items()):
        part = t.get("body", name.split(".")[0])
        if {"at", "holes"} & set(t) or "row" in t and ("bodies", part, "pivot") not in found:
            t.setdefault("tolerance", ROUGH_MM)
        elif "row" in t:  # where it is on its part, which has no place
            found.add(("points", name, "at"))
        else:
            left_out(("points", name, "at"), t, _beside(bodies.get(part, {}), i))
    for name, t in tables_of(out, "rods").items():
        if "length" not in t:
            left_out(("rods", name, "length"), t, STAND_IN_ROD)
        if not {"adjuster", "range", "plus_minus", "thread", "per_turn", "step"} & set(t):
            left_out(("rods", name, "adjuster"), t, "fixed")
        elif t.get("adjuster") != "fixed" and not {"range", "plus_minus"} & set(t):
            left_out(("rods", name, "range"), t, [STAND_IN_ROD, STAND_IN_ROD])
        elif "plus_minus" in t:
            found.add(("rods", name, "plus_minus"))
    return out


def _spinning(data: Mapping[str, Any], side: str, wheel: Mapping[str, Any]) -> Mapping[str, Any]:
    """The table of the part that turns by hand with a wheel."""
    bodies = tables_of(data, "bodies")
    named = wheel.get("spin_body")
    if isinstance(named, str):
        return bodies.get(named, {})
    return next((t for n, t in bodies.items() if t.get("role") == "wheel"
                 and t.get("side", implied_side("wheel", n)) == side), {})


def _beside(body: Mapping[str, Any], i: int) -> list[float]:
    """A place well off a hinge, another for every ``i``."""
    pivot, turn = body.get("pivot"), 1.0 + i
    if not isinstance(pivot, list) or len(pivot) != 3 or not all(isinstance(v, int | float) for v in pivot):
        pivot = [0.0, 0.0, 0.0]
    far = 150.0 + 13.0 * i
    return [pivot[0] + far * math.cos(turn), pivot[1] + far * math.sin(turn), pivot[2] + far]
