"""Reading rig.toml into a ``Rig``, with every mistake in it named at once."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from calib.rig import FRAME, BoardSpec, Body, Obstacle, Point, Rig, Rod, Slide, Tag, Target, Vec, Wheel
from calib.rigform import (
    ASSEMBLY_SLACK,
    ENDS,
    FAR,
    LEAST_ENGAGEMENT,
    NAMED,
    REQUIRED,
    SINGLE,
    TARGETS,
    Key,
)
from calib.rigwrite import as_built_toml, rig_to_toml
from calib.units import angle_rad, length_mm, thread
from capture.errors import UserError
from capture.targets import PART_IDS

__all__ = ["as_built_toml", "load_rig", "parse_rig", "rig_to_toml"]

KeyPath = tuple[str, ...]
ONLY_HOLE = "1"  # the name of the hole where a point is given with "at"


def load_rig(path: Path) -> Rig:
    """The rig described in a rig.toml (mm and degrees there; mm and radians in the ``Rig``).

    Raises UserError naming every mistake found, one line each: file, line, key, what was read, what is allowed.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise UserError(f"{path}: there is no such file; `rigtrue new` writes one to start from") from None
    except (OSError, UnicodeDecodeError) as exc:
        raise UserError(f"{path}: cannot be read as text ({exc})") from None
    return parse_rig(text, Path(path).name)


def parse_rig(text: str, file: str = "rig.toml") -> Rig:
    """The rig described by the text of a rig.toml; ``file`` is the name shown in messages. See ``load_rig``."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise UserError(f"{file}: not valid TOML: {exc}; correct that line first") from None
    errors = _Errors(file, _key_lines(text))
    rig = _Reader(data, errors).rig()
    if errors.texts or rig is None:
        raise UserError("\n".join(errors.texts))
    return rig


# --- messages ------------------------------------------------------------------------------------------------


class _Errors:
    """Collects mistakes; each line names file, line and key."""

    def __init__(self, file: str, lines: Mapping[KeyPath, int]) -> None:
        self.file, self.lines = file, lines
        self.texts: list[str] = []

    def add(self, path: KeyPath, text: str) -> None:
        where = self.file
        for n in range(len(path), 0, -1):
            if path[:n] in self.lines:
                where += f", line {self.lines[path[:n]]}"
                break
        line = f"{where}: {_dotted(path)}: {text}"
        if line not in self.texts:
            self.texts.append(line)

    def bad(self, path: KeyPath, read: object, allowed: str) -> None:
        self.add(path, f"read {_shown(read)}; allowed: {allowed}")


def _dotted(path: KeyPath) -> str:
    return ".".join(p if re.fullmatch(r"[\w-]+", p) else f'"{p}"' for p in path)


def _shown(value: object) -> str:
    """A value as it stands in the file, cut to a readable length."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, list):
        text = "[" + ", ".join(_shown(v) for v in value) + "]"
    elif isinstance(value, dict):
        text = "a table of " + (", ".join(map(str, value)) or "nothing")
    else:
        text = f"{value:.10g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 70 else text[:67] + "..."


def _nearest(name: str, known: Iterable[str]) -> str:
    """'; did you mean "pivot"?' or an empty text."""
    close = difflib.get_close_matches(name, list(known), 1, 0.5)
    return f'; did you mean "{close[0]}"?' if close else ""


def _key_lines(text: str) -> dict[KeyPath, int]:
    """Line number of each header and key, for messages only; tomllib does not tell, so this scans the lines."""
    out: dict[KeyPath, int] = {}
    head: KeyPath = ()
    for number, line in enumerate(text.splitlines(), 1):
        m = re.match(r"\s*(\[[^\[\]]+\])\s*(#.*)?$", line)
        key = re.match(r"\s*((?:[\w-]+|\"[^\"]*\")(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"))*)\s*=", line)
        try:
            if m is not None:
                head = _path_in(tomllib.loads(m[1]))
                out.setdefault(head, number)
            elif key is not None:
                out.setdefault(head + _path_in(tomllib.loads(key[1] + " = 0")), number)
        except tomllib.TOMLDecodeError:
            continue
    return out


def _path_in(nested: Any) -> KeyPath:
    path: list[str] = []
    while isinstance(nested, dict) and nested:
        name, nested = next(iter(nested.items()))
        path.append(name)
    return tuple(path)


# --- single values ---------------------------------------------------------------------------------------------


class _Bad(Exception):
    """A value that is not allowed; the text says what is."""


def _limits(key: Key, unit: str) -> str:
    parts = []
    if key.above is not None:
        parts.append(f"above {key.above:g}")
    if key.lo is not None:
        parts.append(f"at least {key.lo:g}")
    if key.hi is not None:
        parts.append(f"at most {key.hi:g}")
    return (" " + " and ".join(parts) + f" {unit}".rstrip()) if parts else ""


def _in_limits(x: float, key: Key) -> bool:
    return not (
        (key.above is not None and x <= key.above)
        or (key.lo is not None and x < key.lo)
        or (key.hi is not None and x > key.hi)
    )


def _length(value: object, key: Key) -> float:
    allowed = 'a length in mm or text with its unit such as "7/8 in"' + _limits(key, "mm")
    try:
        x = length_mm(value)
    except ValueError as exc:
        raise _Bad(f"{allowed} ({exc})") from None
    if not _in_limits(x, key):
        raise _Bad(allowed)
    return x


def _angle(value: object, key: Key) -> float:
    allowed = 'an angle in degrees or text such as "5 deg"' + _limits(key, "deg")
    try:
        x = angle_rad(value)
    except ValueError as exc:
        raise _Bad(f"{allowed} ({exc})") from None
    if not _in_limits(math.degrees(x), key):
        raise _Bad(allowed)
    return x


def _number(value: object, key: Key) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _Bad("a number" + _limits(key, ""))
    if not _in_limits(value, key):
        raise _Bad("a number" + _limits(key, ""))
    return float(value)


def _place(value: object, key: Key) -> Vec:
    allowed = f"three lengths [x, y, z] in mm, x forward, y left, z up, each within {FAR:g} mm"
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise _Bad(allowed)
    x, y, z = (_part(v, allowed) for v in value)
    return (x, y, z)


def _part(value: object, allowed: str) -> float:
    try:
        return _length(value, Key("length", None, "", lo=-FAR, hi=FAR))
    except _Bad:
        raise _Bad(allowed) from None


def _direction(value: object, _key: Key) -> Vec:
    allowed = "three numbers [x, y, z], not all zero"
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise _Bad(allowed)
    try:
        x, y, z = (_number(v, Key("number", None, "")) for v in value)
    except _Bad:
        raise _Bad(allowed) from None
    size = math.sqrt(x * x + y * y + z * z)
    if not 1e-9 < size < 1e9:
        raise _Bad(allowed)
    if abs(size - 1.0) < 1e-12:  # already unit: keep the digits, so that a written file reads back the same
        return (x, y, z)
    return (x / size, y / size, z / size)


def _pair(value: object, key: Key, what: str) -> tuple[float, float]:
    one, unit = (_angle, "deg") if what == "angles" else (_length, "mm")
    allowed = f"two {what} [from, to] in {unit}, the smaller first" + _limits(key, unit)
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise _Bad(allowed)
    try:
        a, b = one(value[0], key), one(value[1], key)
    except _Bad:
        raise _Bad(allowed) from None
    if a > b:
        raise _Bad(allowed)
    return a, b


def _label(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if not isinstance(value, str) or not value.strip():
        raise _Bad("a name in quotes")
    return value


def _labels(value: object, key: Key) -> tuple[str, ...]:
    allowed = 'a list of names in quotes such as ["back", "ahead"]'
    if not isinstance(value, list | tuple):
        raise _Bad(allowed)
    try:
        labels = tuple(_label(v) for v in value)
    except _Bad:
        raise _Bad(allowed) from None
    if key.kind == "labels":
        if len(set(labels)) != len(labels):
            raise _Bad(allowed + ", each once")
        wrong = [x for x in labels if re.search(r'[/\\:*?"<>|]', x) or x.startswith(".") or x != x.strip()]
        if wrong:
            raise _Bad(allowed + f', usable as folder names ("{wrong[0]}" is not)')
    return labels


def _choice(value: object, key: Key) -> str:
    allowed = "one of " + ", ".join(f'"{c}"' for c in key.choices)
    if isinstance(value, str) and (value in key.choices or value == ""):
        return value
    raise _Bad(allowed + (_nearest(value, key.choices) if isinstance(value, str) else ""))


def _holes(value: object, key: Key) -> dict[str, Vec]:
    if not isinstance(value, dict) or not value:
        raise _Bad("a table of hole names and places such as { A = [0, 0, 0], B = [0, 0, 9] }")
    out = {}
    for name, place in value.items():
        if not _plain_name(name):
            raise _Bad(f'hole names of letters, digits, - and _ ("{name}" is not)')
        try:
            out[name] = _place(place, key)
        except _Bad as exc:
            raise _Bad(f"for hole {name}, {exc}") from None
    return out


def _plain_name(name: str, dots: bool = False) -> bool:
    return re.fullmatch(r"[\w .-]+" if dots else r"[\w -]+", name) is not None and name == name.strip()


def _convert(value: object, key: Key) -> Any:
    match key.kind:
        case "length":
            return _length(value, key)
        case "angle":
            return _angle(value, key)
        case "number":
            return _number(value, key)
        case "whole":
            if isinstance(value, bool) or not isinstance(value, int):
                raise _Bad("a whole number")
            return value
        case "flag":
            if not isinstance(value, bool):
                raise _Bad("true or false")
            return value
        case "place":
            return _place(value, key)
        case "direction":
            return _direction(value, key)
        case "angle range":
            return _pair(value, key, "angles")
        case "length range":
            return _pair(value, key, "lengths")
        case "name" | "label":
            return _label(value)
        case "labels" | "texts":
            return _labels(value, key)
        case "choice":
            return _choice(value, key)
        case "holes":
            return _holes(value, key)
    raise AssertionError(key.kind)


# --- the whole file ----------------------------------------------------------------------------------------------


class _Reader:
    """Reads the sections one by one; a part that could not be read still counts as known to what refers to it."""

    def __init__(self, data: dict[str, Any], errors: _Errors) -> None:
        self.data, self.errors = data, errors
        self.bodies: dict[str, Body] = {}
        self.points: dict[str, Point] = {}
        self.rods: dict[str, Rod] = {}
        self.as_built = False

    def table(self, path: KeyPath, data: object, keys: Mapping[str, Key]) -> dict[str, Any] | None:
        """Values of a table with defaults filled in; None where any key is wrong (already reported)."""
        if not isinstance(data, dict):
            self.errors.bad(path, data, f"a table with the keys {', '.join(keys)}")
            return None
        before = len(self.errors.texts)
        for name in data:
            if name not in keys:
                self.errors.add((*path, name), f"read an unknown key{_nearest(name, keys)}; "
                                               f"allowed: {', '.join(keys)}")
        out: dict[str, Any] = {}
        for name, key in keys.items():
            if name not in data:
                if key.default is REQUIRED:
                    self.errors.add((*path, name), f"read nothing, the key is missing; allowed: {key.help} "
                                                   f"({key.kind})")
                elif key.default is None or key.default == "":
                    out[name] = key.default
                else:
                    out[name] = _convert(key.default, key)
                continue
            try:
                out[name] = _convert(data[name], key)
            except _Bad as exc:
                self.errors.bad((*path, name), data[name], str(exc))
        return out if len(self.errors.texts) == before else None

    def named(self, section: str) -> dict[str, Any]:
        """The tables of a section, by name."""
        data = self.data.get(section, {})
        if not isinstance(data, dict):
            self.errors.bad((section,), data, f"tables such as [{section}.NAME]")
            return {}
        out = {}
        for name, table in data.items():
            if not _plain_name(name, dots=section == "points"):
                self.errors.bad((section, name), name, "names of letters, digits, -, _ and spaces")
                continue
            hint = ""
            if section == "points" and isinstance(table, dict) and table and not set(table) & set(NAMED["points"]):
                hint = f'a point name with a dot needs quotes: [points."{name}.{next(iter(table))}"]'
            if hint:
                self.errors.add((section, name), f"read {_shown(table)}; allowed: {hint}")
                continue
            out[name] = table
        return out

    def known(self, path: KeyPath, name: str, names: Iterable[str], what: str) -> bool:
        """Whether a reference is good; reports it with the nearest right name where it is not."""
        names = list(names)
        if name in names:
            return True
        self.errors.bad(path, name, f"{what}{_nearest(name, names)} (there are: {', '.join(names) or 'none'})")
        return False

    def rig(self) -> Rig | None:
        errors = self.errors
        sections = [*SINGLE, *NAMED]
        for name, value in self.data.items():
            if name not in sections:
                errors.add((name,), f"read {_shown(value)}, an unknown section{_nearest(name, sections)}; "
                                    f"allowed: {', '.join(sections)}")
        single = {s: self.table((s,), self.data.get(s, {}), SINGLE[s]) for s in SINGLE}
        vehicle, board, steering, limits = (single[s] for s in ("vehicle", "board", "steering", "limits"))
        self.as_built = bool(vehicle and vehicle["as_built"])
        self.body_tables = self.named("bodies")
        self.point_tables = self.named("points")
        if not self.body_tables:
            errors.add(("bodies",), "read no bodies; allowed: at least one [bodies.NAME]")
        self.body_names = [FRAME, *self.body_tables]
        self.read_bodies()
        self.read_points()
        self.read_rods()
        wheels = self.read_wheels()
        tags = self.read_tags()
        obstacles = self.read_obstacles()
        slides = self.read_slides()
        targets = self.read_targets()
        board_spec = self.board(board)
        self.steering(steering)
        if errors.texts or not (vehicle and board_spec and steering and limits):
            return None
        return Rig(
            name=vehicle["name"],
            wheelbase=vehicle["wheelbase"],
            bodies=self.bodies,
            points=self.points,
            rods=self.rods,
            wheels=wheels,
            tags=tags,
            targets=targets,
            board=board_spec,
            driver=steering["driver"],
            straight_ahead=steering["straight_ahead"],
            positions=steering["positions"],
            spin_positions=steering["spin_positions"],
            lean_positions=steering["lean_positions"],
            obstacles=obstacles,
            slides=slides,
            min_transmission=limits["min_transmission_angle"],
            min_clearance=limits["min_clearance"],
            notes=vehicle["notes"],
        )

    def read_bodies(self) -> None:
        uprights: dict[str, str] = {}
        for name, data in self.body_tables.items():
            path = ("bodies", name)
            if name == FRAME:
                self.errors.add(path, 'read "frame"; allowed: another name, "frame" is what everything hangs from')
                continue
            t = self.table(path, data, NAMED["bodies"])
            if t is None:
                continue
            good = self.known((*path, "parent"), t["parent"], self.body_names, 'the name of a body or "frame"')
            if t["role"] == "upright":
                good &= self.check_upright(path, t, uprights)
            if t["travel"] is not None and not t["travel"][0] <= 0.0 <= t["travel"][1]:
                self.errors.bad((*path, "travel"), data["travel"], "a range that holds 0, straight ahead")
                good = False
            if good:
                self.bodies[name] = Body(
                    name=name, pivot=t["pivot"], axis=t["axis"], parent=t["parent"], role=t["role"],
                    side=t["side"], travel=t["travel"], pivot_tol=t["pivot_tolerance"],
                    axis_tol=t["axis_tolerance"],
                )
        self.check_rings()

    def check_upright(self, path: KeyPath, t: dict[str, Any], uprights: dict[str, str]) -> bool:
        side, name = t["side"], path[1]
        if side not in ("left", "right"):
            self.errors.bad((*path, "side"), side, 'for an upright, "left" or "right"')
            return False
        if side in uprights:
            self.errors.bad((*path, "side"), side, f"one upright a side ({uprights[side]} is there already)")
            return False
        uprights[side] = name
        return self.check_side((*path, "pivot"), t["pivot"], side)

    def check_side(self, path: KeyPath, place: Vec, side: str) -> bool:
        """Catches a lost minus sign."""
        if (place[1] > 0.0) == (side == "left") and place[1] != 0.0:
            return True
        sign = "above" if side == "left" else "below"
        self.errors.bad(path, list(place), f"on the {side}, y {sign} 0 (y is positive to the left)")
        return False

    def check_rings(self) -> None:
        seen: set[str] = set()
        for start in self.bodies:
            chain, name = [start], start
            while name in self.bodies:
                name = self.bodies[name].parent
                if name in chain:
                    ring = chain[chain.index(name):]
                    if not seen & set(ring):
                        self.errors.bad(("bodies", ring[0], "parent"), self.bodies[ring[0]].parent,
                                        "parents that lead to the frame; these hang from each other in a ring: "
                                        + " -> ".join([*ring, ring[0]]))
                    seen |= set(ring)
                    break
                chain.append(name)

    def read_points(self) -> None:
        for name, data in self.point_tables.items():
            path = ("points", name)
            t = self.table(path, data, NAMED["points"])
            if t is None:
                continue
            good = self.known((*path, "body"), t["body"], self.body_names, 'the name of a body or "frame"')
            holes, use = t["holes"], t["use"]
            if (t["at"] is None) == (holes is None):
                both = "both" if holes else "neither"
                self.errors.add(path, f'read {both} of "at" and "holes"; allowed: one of the two')
                continue
            if holes is None:
                holes, use = {ONLY_HOLE: t["at"]}, use or ONLY_HOLE
            elif use is None and len(holes) == 1:
                use = next(iter(holes))
            elif use is None:
                self.errors.add((*path, "use"), "read nothing; allowed: the hole in use, one of "
                                                + ", ".join(holes))
                continue
            good &= self.known((*path, "use"), use, holes, "one of the holes")
            good &= self.check_holes(path, t["body"], holes)
            if good:
                self.points[name] = Point(
                    name=name, body=t["body"], holes=holes, use=use, tol=t["tolerance"], swing=t["swing"],
                    bolt=t["bolt"], order=self.hole_order(t["body"], holes),
                )

    def axis_distance(self, body: str, place: Vec) -> float:
        """mm from a body's hinge axis; from the origin for the frame."""
        b = self.bodies.get(body)
        if b is None:
            return float(np.linalg.norm(place))
        return float(np.linalg.norm(np.cross(np.subtract(place, b.pivot), b.axis)))

    def hole_order(self, body: str, holes: Mapping[str, Vec]) -> tuple[str, ...]:
        return tuple(sorted(holes, key=lambda h: self.axis_distance(body, holes[h])))

    def check_holes(self, path: KeyPath, body: str, holes: Mapping[str, Vec]) -> bool:
        good = True
        names = list(holes)
        for i, h in enumerate(names):
            where = (*path, "holes" if len(names) > 1 else "at")
            if body in self.bodies and self.axis_distance(body, holes[h]) < 0.5:
                self.errors.bad(where, list(holes[h]), f"a place off the hinge axis of {body}, or a rod there "
                                                       "turns nothing")
                good = False
            for g in names[:i]:
                if math.dist(holes[g], holes[h]) < 0.5:
                    self.errors.bad(where, list(holes[h]), f"holes at different places; {g} and {h} coincide")
                    good = False
        return good

    def read_rods(self) -> None:
        for name, data in self.named("rods").items():
            path = ("rods", name)
            t = self.table(path, data, NAMED["rods"])
            if t is None:
                continue
            ends = [self.known((*path, end), t[end], self.point_tables, "the name of a point")
                    for end in ("from", "to")]
            if not all(ends) or t["from"] not in self.points or t["to"] not in self.points:
                continue
            rod = self.rod(path, data, t)
            if rod is not None:
                self.rods[name] = rod

    def rod(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any]) -> Rod | None:
        errors, before = self.errors, len(self.errors.texts)
        a, b = self.points[t["from"]], self.points[t["to"]]
        if a.body == b.body:
            errors.bad((*path, "to"), t["to"], f'a point on another body; "{a.name}" is on {a.body} too')
            return None
        drawn = math.dist(a.xyz, b.xyz)
        if drawn < 1.0:
            errors.add(path, f"read a rod of no length, {a.name} and {b.name} lie {drawn:.2f} mm apart; "
                             "allowed: ends at different places")
            return None
        length = drawn if t["length"] is None else t["length"]
        if abs(length - drawn) > t["tolerance"] + ASSEMBLY_SLACK and not self.as_built:
            errors.bad((*path, "length"), data["length"],
                       f"within {t['tolerance'] + ASSEMBLY_SLACK:g} mm of the {drawn:.1f} mm between its ends as "
                       f"drawn; it cannot assemble as drawn: correct the length, or the places of {a.name} "
                       f"and {b.name}")
        adjuster = t["adjuster"]
        shortest, longest = self.rod_range(path, data, t, length)
        step, per_turn, thread_text = t["step"], None, t["thread"] or ""
        self.refuse_foreign_keys(path, data, adjuster)
        if adjuster == "screw":
            pitch, diameter = self.pitch(path, t)
            per_turn = pitch * ENDS[t["ends"] or "one"]
            step = t["turn_step"] * per_turn
            self.check_engagement(path, data, t, length, longest, diameter)
        elif adjuster == "clamp":
            self.check_overlap(path, data, t, length, longest)
        if len(errors.texts) > before:
            return None
        return Rod(
            name=path[1], a=a.name, b=b.name, length=length, shortest=shortest, longest=longest,
            adjuster=adjuster, step=step, per_turn=per_turn, radius=t["diameter"] / 2, tol=t["tolerance"],
            thread=thread_text, overlap=t["overlap"], overlap_now=t["overlap_now"],
            engaged_now=t["engaged_now"],
        )

    def refuse_foreign_keys(self, path: KeyPath, data: dict[str, Any], adjuster: str) -> None:
        """A key of another kind of adjuster would be read and do nothing: say so."""
        screw, clamp = ("thread", "per_turn", "ends", "turn_step", "engaged_now"), ("overlap", "overlap_now", "step")
        foreign = {"screw": clamp, "clamp": screw, "fixed": screw + clamp}[adjuster]
        for key in foreign:
            if key in data:
                use = ' (a screw is set by "turn_step", in turns)' if key == "step" and adjuster == "screw" else ""
                self.errors.bad((*path, key), data[key], f'no such key for adjuster = "{adjuster}"{use}')

    def rod_range(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any],
                  length: float) -> tuple[float, float]:
        if t["adjuster"] == "fixed":
            if t["range"] is not None:
                self.errors.bad((*path, "range"), data["range"], 'no range for adjuster = "fixed"')
            return length, length
        if t["range"] is None:
            self.errors.add((*path, "range"), "read nothing, the key is missing; allowed: the shortest and longest "
                                              "you may set in mm, with enough thread or overlap left")
            return length, length
        shortest, longest = t["range"]
        if not shortest - 1e-9 <= length <= longest + 1e-9 and not self.as_built:
            how = "its length" if t["length"] is not None else "its length as drawn"
            self.errors.bad((*path, "range"), data["range"], f"a range that holds {how}, {length:.2f} mm")
        return shortest, longest

    def pitch(self, path: KeyPath, t: dict[str, Any]) -> tuple[float, float | None]:
        """mm a turn of one end, and the thread's diameter where known; 1.0 after an error, never used."""
        allowed = 'a thread such as "M8" (coarse), "M8x1" (fine) or "1/4-28" (inch)'
        if (t["thread"] is None) == (t["per_turn"] is None):
            both = "neither" if t["thread"] is None else "both"
            self.errors.add((*path, "thread"), f'read {both} of "thread" and "per_turn"; allowed: {allowed}, '
                                               'or "per_turn" in mm')
            return 1.0, None
        if t["thread"] is None:
            return t["per_turn"] / ENDS[t["ends"] or "one"], None
        try:
            diameter, pitch = thread(t["thread"])
        except ValueError as exc:
            self.errors.bad((*path, "thread"), t["thread"], f"{allowed} ({exc})")
            return 1.0, None
        return pitch, diameter

    def check_engagement(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any], length: float,
                         longest: float, diameter: float | None) -> None:
        if t["engaged_now"] is None or self.as_built:
            return
        if diameter is None:
            self.errors.bad((*path, "engaged_now"), data["engaged_now"], 'only with "thread", to know its diameter')
            return
        least = LEAST_ENGAGEMENT * diameter
        reach = length + (t["engaged_now"] - least) * ENDS[t["ends"] or "one"]
        if longest > reach + 1e-9:
            self.errors.bad((*path, "range"), data["range"],
                            f"at most {reach:.1f} mm, where {least:g} mm of thread (1.5 diameters) is still engaged")

    def check_overlap(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any], length: float,
                      longest: float) -> None:
        if (t["overlap"] is None) != (t["overlap_now"] is None) and t["overlap_now"] is not None:
            self.errors.add((*path, "overlap"), 'read nothing; allowed: the least overlap in mm, beside "overlap_now"')
        if t["overlap"] is None or t["overlap_now"] is None or self.as_built:
            return
        reach = length + t["overlap_now"] - t["overlap"]
        if longest > reach + 1e-9:
            self.errors.bad((*path, "range"), data["range"],
                            f"at most {reach:.1f} mm, where the tubes still overlap by {t['overlap']:g} mm")

    def read_wheels(self) -> dict[str, Wheel]:
        out = {}
        for side, data in self.named("wheels").items():
            path = ("wheels", side)
            if side not in ("left", "right"):
                self.errors.bad(path, side, '[wheels.left] and [wheels.right] only' + _nearest(side, ["left", "right"]))
                continue
            t = self.table(path, data, NAMED["wheels"])
            if t is None:
                continue
            good = self.known((*path, "upright"), t["upright"], self.body_tables, "the name of a body")
            good &= self.check_side((*path, "centre"), t["centre"], side)
            upright = self.bodies.get(t["upright"])
            if upright is not None and upright.side not in ("", side):
                self.errors.bad((*path, "upright"), t["upright"], f"a body on the {side}; that one is on the "
                                                                  f"{upright.side}")
                good = False
            if t["spin_axis"][1] < 0.5:
                self.errors.bad((*path, "spin_axis"), data.get("spin_axis"),
                                "a direction that points left, such as [0, 1, 0], on both sides")
                good = False
            if t["spin_body"] is not None:
                good &= self.known((*path, "spin_body"), t["spin_body"], self.body_tables, "the name of a body")
                spin = self.bodies.get(t["spin_body"])
                if spin is not None and spin.parent != t["upright"]:
                    self.errors.bad((*path, "spin_body"), t["spin_body"],
                                    f'a body whose parent is "{t["upright"]}"; the parent of that one is '
                                    f'"{spin.parent}"')
                    good = False
            if good:
                out[side] = Wheel(
                    side=side, upright=t["upright"], centre=t["centre"], spin=t["spin_axis"], radius=t["radius"],
                    spin_body=t["spin_body"], measured=t["spin_measured"], spin_tol=t["spin_tolerance"],
                )
        return out

    def read_tags(self) -> dict[str, Tag]:
        out: dict[str, Tag] = {}
        codes: dict[int, str] = {}
        for name, data in self.named("tags").items():
            path = ("tags", name)
            t = self.table(path, data, NAMED["tags"])
            if t is None:
                continue
            before, code = len(self.errors.texts), t["code"]
            if code not in PART_IDS:
                why = "; the codes below that are on the board" if 0 <= code < PART_IDS.start else ""
                self.errors.bad((*path, "code"), code,
                                f"a whole number from {PART_IDS.start} to {PART_IDS.stop - 1}{why}")
            if code in codes:
                self.errors.bad((*path, "code"), code, f'a code of its own; tag "{codes[code]}" has {code} already')
            codes.setdefault(code, name)
            body = self.tag_body(path, data, t)
            if len(self.errors.texts) > before or body is None:
                continue
            out[name] = Tag(
                name=name, code=code, body=body, size=t["size"], centres_on=t["on_bolt"], offset=t["offset"],
                offset_tol=t["offset_tolerance"], place=t["place"], place_tol=t["place_tolerance"],
            )
        return out

    def tag_body(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any]) -> str | None:
        body, bolt = t["body"], t["on_bolt"]
        if body is None and bolt is None:
            self.errors.add((*path, "body"), 'read nothing; allowed: the name of a body, or "on_bolt"')
            return None
        if body is not None:
            self.known((*path, "body"), body, self.body_names, 'the name of a body or "frame"')
        if bolt is not None:
            if not self.known((*path, "on_bolt"), bolt, self.point_tables, "the name of a point"):
                return None
            point = self.points.get(bolt)
            if point is not None and body is not None and body != point.body:
                self.errors.bad((*path, "body"), body, f'"{point.body}", where "{bolt}" is; or leave it out')
            if t["place"] is not None:
                self.errors.bad((*path, "place"), data["place"], 'no place for a tag with "on_bolt"')
            return point.body if point is not None else body
        if t["place"] is not None and body != FRAME:
            self.errors.bad((*path, "place"), data["place"], f'a place only for a tag on the frame; body is "{body}"')
        for key in ("offset", "offset_tolerance"):
            if key in data:
                self.errors.bad((*path, key), data[key], 'only with "on_bolt"')
        return body

    def read_obstacles(self) -> tuple[Obstacle, ...]:
        out = []
        for name, data in self.named("obstacles").items():
            path = ("obstacles", name)
            t = self.table(path, data, NAMED["obstacles"])
            if t is None:
                continue
            good = self.known((*path, "body"), t["body"], self.body_names, 'the name of a body or "frame"')
            if math.dist(t["from"], t["to"]) < 0.1:
                self.errors.bad((*path, "to"), data["to"], 'another place than "from"')
                good = False
            if good:
                out.append(Obstacle(name=name, a=t["from"], b=t["to"], radius=t["diameter"] / 2, body=t["body"]))
        return tuple(out)

    def read_slides(self) -> dict[str, Slide]:
        out = {}
        for name, data in self.named("slides").items():
            path = ("slides", name)
            t = self.table(path, data, NAMED["slides"])
            if t is None:
                continue
            good = all([self.known((*path, "bodies"), b, self.body_tables, "names of bodies") for b in t["bodies"]])
            if not t["bodies"]:
                self.errors.bad((*path, "bodies"), data["bodies"], "at least one body")
                good = False
            if not t["range"][0] <= 0.0 <= t["range"][1]:
                self.errors.bad((*path, "range"), data["range"], "a range that holds 0, where it is drawn")
                good = False
            if good:
                out[name] = Slide(name=name, bodies=t["bodies"], direction=t["direction"], range=t["range"],
                                  step=t["step"])
        return out

    def read_targets(self) -> dict[str, Target]:
        out: dict[str, Target] = {}
        section = self.data.get("targets", {})
        if not isinstance(section, dict):
            self.errors.bad(("targets",), section, "figures such as toe = { value = 0, tolerance = 0.5 }")
            return out
        for name, data in section.items():
            path = ("targets", name)
            if name not in TARGETS:
                self.errors.add(path, f"read an unknown figure{_nearest(name, TARGETS)}; "
                                      f"allowed: {', '.join(TARGETS)}")
                continue
            unit = TARGETS[name][0]
            kind = {"deg": "angle", "mm": "length", "": "number"}[unit]
            keys = {k: Key(kind, v.default, v.help, above=v.above) for k, v in NAMED["targets"].items()}
            t = self.table(path, data, keys)
            if t is not None:
                out[name] = Target(name=name, value=t["value"], tolerance=t["tolerance"], unit=unit)
        return out

    def board(self, t: dict[str, Any] | None) -> BoardSpec | None:
        if t is None:
            return None
        good = self.known(("board", "body"), t["body"], self.body_names, 'the name of a body or "frame"')
        bar, nominal = t["scale_bar"], t["scale_bar_nominal"]
        if bar is not None and not 0.95 * nominal <= bar <= 1.05 * nominal:
            self.errors.bad(("board", "scale_bar"), self.data["board"]["scale_bar"],
                            f"within 5 % of {nominal:g} mm, {0.95 * nominal:g} to {1.05 * nominal:g}; measure the "
                            "printed bar again, or print without 'fit to page'")
            good = False
        if not good:
            return None
        return BoardSpec(paper=t["paper"], body=t["body"], bar_measured=bar, bar_nominal=nominal,
                         bar_tol=t["scale_bar_tolerance"])

    def steering(self, t: dict[str, Any] | None) -> None:
        if t is None:
            return
        self.known(("steering", "driver"), t["driver"], self.body_tables, "the name of a body")
        if t["positions"]:
            self.known(("steering", "straight_ahead"), t["straight_ahead"], t["positions"],
                       "one of the labels in steering.positions")
        seen: dict[str, str] = {}
        for key in ("positions", "spin_positions", "lean_positions"):
            for label in t[key]:
                if label in seen:
                    self.errors.bad(("steering", key), label, f"a label of its own; it stands in {seen[label]} too")
                seen.setdefault(label, key)
