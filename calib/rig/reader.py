"""Reading rig.toml into a ``Rig``, with every mistake in it named at once."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from calib.rig import figures, mirror
from calib.rig.errors import Errors, KeyPath, key_lines, nearest, shown
from calib.rig.hinges import with_hinge
from calib.rig.implied import with_implied, without_side
from calib.rig.model import (
    FRAME,
    PULLED,
    PUSHED,
    BoardSpec,
    Body,
    Obstacle,
    Point,
    RearWheel,
    Rig,
    Rod,
    Slide,
    Tag,
    Target,
    Vec,
    Wheel,
)
from calib.rig.renamed import with_new_names
from calib.rig.rods import RodReader
from calib.rig.rows import row_holes
from calib.rig.schema import ASSEMBLY_SLACK, NAMED, NEITHER, REQUIRED, ROW, SINGLE, Key
from calib.rig.size import toml_data
from calib.rig.values import Bad, convert, plain_name
from calib.rig.writer import as_built_toml, rig_to_toml
from capture.errors import UserError
from capture.targets import PART_IDS

__all__ = ["as_built_toml", "load_rig", "parse_rig", "rig_to_toml"]

ONLY_HOLE = "1"  # the name of the hole where a point is given with "at"
SIDES = ("left", "right")
LEAST_UPRIGHT = 0.5  # of a kingpin's direction upwards: 60 deg from upright at most, so that it meets the ground
A_BODY = "the name of a body"
A_BODY_OR_FRAME = 'the name of a body or "frame"'


def load_rig(path: str | Path) -> Rig:
    """The rig described in a rig.toml (mm and degrees there; mm and radians in the ``Rig``).

    Raises UserError naming every mistake, one line each: file, line, key, what was read, what is allowed.

    >>> load_rig("no_such_rig.toml")
    Traceback (most recent call last):
    capture.errors.UserError: no_such_rig.toml: there is no such file; `rigtrue new` writes one to start from
    """
    return parse_rig(read_text(path), Path(path).name)


def read_text(path: str | Path) -> str:
    """The text of a rig file. UserError where there is none."""
    try:
        return Path(path).read_text(encoding="utf-8-sig")  # some editors begin a file with a byte order mark
    except FileNotFoundError:
        raise UserError(f"{path}: there is no such file; `rigtrue new` writes one to start from",
                        "no_file", str(path)) from None
    except UnicodeDecodeError as exc:
        raise UserError(f"{path}: cannot be read as text, it is not UTF-8 ({exc}); save it again from an editor as "
                        "UTF-8", "unreadable", str(path)) from None
    except OSError as exc:
        raise UserError(f"{path}: cannot be read as text ({exc})", "unreadable", str(path)) from None


def parse_rig(text: str, file: str = "rig.toml") -> Rig:
    """The rig described by the text of a rig.toml; ``file`` is its name in messages. See ``load_rig``.

    >>> from calib import starter_text
    >>> rig = parse_rig(starter_text())
    >>> list(rig.rods), rig.straight_ahead
    (['left_rod', 'right_rod', 'tie'], 'ahead')
    """
    return read_data(text, file)


Completed = Callable[[Mapping[str, Any], Errors], dict[str, Any]]


def read_data(text: str, file: str, completed: Completed | None = None) -> Rig:
    """The rig described by the text; ``completed`` may put in what is left out, once mirrored tables are written out.
    """
    data = toml_data(text, file)
    errors = Errors(file, key_lines(text))
    rig = _Reader(data, errors, completed).rig()
    if errors.texts or rig is None:
        raise UserError("\n".join(errors.texts), "rig_file", errors.keys[0] if errors.keys else file, errors.keys)
    return rig


def between_stops(positions: Sequence[str], stops: Sequence[str]) -> tuple[str, ...]:
    """Lever positions with the two stops first and last, where they are not among them already."""
    out = list(positions)
    if stops:
        out = [*stops[:1], *out] if stops[0] not in out else out
        out = [*out, *stops[1:]] if stops[-1] not in out else out
    return tuple(out)


def both_ways(positions: Sequence[str], twice: Sequence[str], ahead: str) -> tuple[str, ...]:
    """Position labels with "push1" turned into "push1+", "push1-" where it is approached from both sides.

    Straight ahead keeps its own folder as well, since all angles count from it.
    """
    out: list[str] = []
    for p in positions:
        if p not in twice or p == ahead:
            out.append(p)
        if p in twice:
            out += [p + PUSHED, p + PULLED]
    return tuple(out)


class _Reader:
    """Reads the sections in turn; a part that could not be read still counts as known where it is named."""

    def __init__(self, data: dict[str, Any], errors: Errors, completed: Completed | None = None) -> None:
        self.errors = errors
        named_anew, self.renamed = with_new_names(data, errors)
        self.mirrored = mirror.with_mirrored(named_anew, errors)
        written_out = self.mirrored.data
        self.seem = without_side(written_out)
        self.data = with_implied(written_out if completed is None else completed(written_out, errors), errors)
        self.bodies: dict[str, Body] = {}
        self.points: dict[str, Point] = {}
        self.rods: dict[str, Rod] = {}
        self.as_built = False

    def table(self, path: KeyPath, data: object, keys: Mapping[str, Key]) -> dict[str, Any] | None:
        """Values of a table with defaults filled in; None where any key is wrong (already reported)."""
        if not isinstance(data, dict):
            self.errors.bad(path, data, f"a table with the keys {', '.join(keys)}")
            return None
        before, meant = self.errors.found, set()
        for name in data:
            if name not in keys:
                meant |= set(difflib.get_close_matches(name, list(keys), 1, 0.5))
                self.errors.add((*path, name), f"read an unknown key{nearest(name, keys)}; "
                                               f"allowed: {', '.join(keys)}")
        out: dict[str, Any] = {}
        for name, key in keys.items():
            if name not in data:
                if key.default is REQUIRED and name not in meant:
                    self.errors.add((*path, name), "read nothing, the key is missing; "
                                                   f"allowed: a {key.kind}, {key.help}")
                elif key.default is REQUIRED:
                    continue
                elif key.default is None or key.default == "":
                    out[name] = key.default
                else:
                    out[name] = convert(key.default, key)
                continue
            try:
                out[name] = convert(data[name], key)
            except Bad as exc:
                self.errors.bad((*path, name), data[name], str(exc))
        return out if self.errors.found == before else None

    def named(self, section: str) -> dict[str, Any]:
        """The tables of a section, by name."""
        data = self.data.get(section, {})
        if not isinstance(data, dict):
            self.errors.bad((section,), data, f"tables such as [{section}.NAME]")
            return {}
        out = {}
        for name, table in data.items():
            if not plain_name(name, dots=section == "points"):
                self.errors.bad((section, name), name, "names of letters, digits, -, _ and spaces")
                continue
            hint = ""
            is_point = section == "points" and isinstance(table, dict)
            if is_point and table and not set(table) & set(NAMED["points"]):
                hint = f'a point name with a dot needs quotes: [points."{name}.{next(iter(table))}"]'
            if hint:
                self.errors.add((section, name), f"read {shown(table)}; allowed: {hint}")
                continue
            out[name] = table
        return out

    def known(self, path: KeyPath, name: str, names: Iterable[str], what: str) -> bool:
        """Whether a reference is good; reports it with the nearest right name where it is not."""
        names = list(names)
        if name in names:
            return True
        there = nearest(name, names) or f" (there are: {', '.join(names) or 'none'})"
        self.errors.bad(path, name, what + there)
        return False

    def rig(self) -> Rig | None:
        errors = self.errors
        sections = [*SINGLE, *NAMED]
        for name, value in self.data.items():
            if name not in sections:
                errors.add((name,), f"read {shown(value)}, an unknown section{nearest(name, sections)}; "
                                    f"allowed: {', '.join(sections)}")
        single = {s: self.table((s,), self.data.get(s, {}), SINGLE[s]) for s in SINGLE}
        vehicle, board, steering, camera, limits = (single[s] for s in ("vehicle", "board", "steering", "camera",
                                                                        "limits"))
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
        rear = self.rear_wheel(single["rear_wheel"])
        tags = self.read_tags()
        obstacles = self.read_obstacles()
        slides = self.read_slides()
        targets = self.read_targets()
        board_spec = self.board(board)
        self.steering(steering)
        if steering and steering["lean_positions"]:
            self.check_lean(tags)
        if errors.texts or not (vehicle and board_spec and steering and camera and limits and rear):
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
            positions=both_ways(between_stops(steering["positions"], steering["stops"]), steering["both_ways"],
                                steering["straight_ahead"]),
            spin_positions=steering["spin_positions"],
            lean_positions=steering["lean_positions"],
            stops=steering["stops"],
            stop_tol=steering["stop_tolerance"],
            loaded=steering["loaded"] or "",
            load_allowance=steering["load_allowance"],
            obstacles=obstacles,
            slides=slides,
            rear=rear,
            readout=None if camera["readout"] is None else camera["readout"] / 1000,
            min_transmission=limits["min_transmission_angle"],
            min_clearance=limits["min_clearance"],
            notes=vehicle["notes"],
            roll_tol=vehicle["roll_tolerance"],
            pitch_tol=vehicle["pitch_tolerance"],
            heading_tol=vehicle["heading_tolerance"],
            remarks=(*self.renamed, *self.seem),
            as_built=self.as_built,
        )

    def read_bodies(self) -> None:
        uprights: dict[str, str] = {}
        for name, data in self.body_tables.items():
            path = ("bodies", name)
            if name == FRAME:
                self.errors.bad(path, FRAME, "another name; that one is what everything hangs from")
                continue
            data = with_hinge(self.errors, path, data)
            t = None if data is None else self.table(path, data, NAMED["bodies"])
            if t is None:
                continue
            t["side"] = t["side"] if t["side"] != NEITHER else ""
            t["travel"] = self.mirrored_travel(name, t)
            good = self.known((*path, "parent"), t["parent"], self.body_names, A_BODY_OR_FRAME)
            if t["role"] == "upright":
                good &= self.check_upright(path, t, uprights)
            if t["travel"] is not None and not t["travel"][0] <= 0.0 <= t["travel"][1]:
                self.errors.bad((*path, "travel"), data["travel"], "a range that holds 0, straight ahead")
                good = False
            if t["locked"] and t["role"] != "lean":
                self.errors.bad((*path, "locked"), True, 'only for a part with role = "lean"')
                good = False
            if t["grip"] is not None and t["role"] != "lever":
                self.errors.bad((*path, "grip"), data["grip"], 'only for a part with role = "lever"')
                good = False
            if good:
                self.bodies[name] = Body(
                    name=name, pivot=t["pivot"], axis=t["axis"], parent=t["parent"], role=t["role"],
                    side=t["side"], travel=t["travel"], pivot_tol=t["pivot_tolerance"],
                    axis_tol=t["axis_tolerance"], locked=t["locked"], grip=t["grip"],
                )
        self.check_rings()

    def mirrored_travel(self, name: str, t: dict[str, Any]) -> tuple[float, float] | None:
        """The stops, turned round where they come from the other side and count the other way there."""
        original = self.bodies.get(self.mirrored.inherited("bodies", name, "travel"))
        if t["travel"] is None or original is None:
            return t["travel"]
        return mirror.angles(t["travel"], original.axis, t["axis"])

    def check_upright(self, path: KeyPath, t: dict[str, Any], uprights: dict[str, str]) -> bool:
        side, name = t["side"], path[1]
        if side not in SIDES:
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
                                        "parents that lead to the frame; these hang in a ring: "
                                        + " -> ".join([*ring, ring[0]]))
                    seen |= set(ring)
                    break
                chain.append(name)

    def read_points(self) -> None:
        for name, data in self.point_tables.items():
            path = ("points", name)
            row = data.pop("row", None) if isinstance(data, dict) else None
            t = self.table(path, data, NAMED["points"])
            if t is None:
                continue
            good = self.known((*path, "body"), t["body"], self.body_names, A_BODY_OR_FRAME)
            given = [k for k, v in (("at", t["at"]), ("holes", t["holes"]), ("row", row)) if v is not None]
            if len(given) != 1:
                both = "neither" if not given else "both"
                said = '" and "'.join(given or ("at", "holes"))
                self.errors.add(path, f'read {both} of "{said}"; allowed: one of "at", "holes" and "row"')
                continue
            holes, use = t["holes"] if row is None else self.row(name, row, t["body"]), t["use"]
            if row is not None and holes is None:
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
            good &= self.check_clock(path, t, data)
            if good:
                self.points[name] = Point(
                    name=name, body=t["body"], holes=holes, use=use, tol=t["tolerance"], misalignment=t["misalignment"],
                    bolt=t["bolt"], order=self.hole_order(t["body"], holes), seat=t["seat"],
                    clock=self.mirrored_clock(name, t),
                    clock_step=t["clock_step"],
                )

    def row(self, name: str, row: object, body: str) -> dict[str, Vec] | None:
        """Places of a row of holes; one that comes from the other side is laid out there and mirrored."""
        path = ("points", name, "row")
        t = self.table(path, row, ROW)
        if body == FRAME:
            self.errors.bad(path, row, "only for a point on a part that turns on a hinge")
        b = self.bodies.get(body)
        if t is None or b is None:
            return None
        if not self.mirrored.inherited("points", name, "row"):
            return row_holes(t, b, self.errors, path)
        there = row_holes(t, mirror.body(b), self.errors, path)
        return None if there is None else {h: mirror.place(v) for h, v in there.items()}

    def mirrored_clock(self, name: str, t: dict[str, Any]) -> tuple[float, float] | None:
        """How far an arm may be turned, the other way round where it comes from the other side and counts so."""
        original = self.points.get(self.mirrored.inherited("points", name, "clock"))
        if t["clock"] is None or original is None:
            return t["clock"]
        a, b = self.bodies.get(original.body), self.bodies.get(t["body"])
        return t["clock"] if a is None or b is None else mirror.angles(t["clock"], a.axis, b.axis)

    def check_clock(self, path: KeyPath, t: dict[str, Any], data: Mapping[str, Any]) -> bool:
        """An arm that may be turned on its bar sits on a part that turns, and may stay where it is."""
        if t["clock"] is None:
            if "clock_step" in data:
                self.errors.bad((*path, "clock_step"), data["clock_step"], 'only beside "clock", which is missing')
                return False
            return True
        if t["body"] == FRAME:
            self.errors.bad((*path, "clock"), data["clock"], "only for a point on a part that turns on a hinge")
            return False
        if not t["clock"][0] <= 0.0 <= t["clock"][1]:
            self.errors.bad((*path, "clock"), data["clock"], "a range that holds 0, where it stands")
            return False
        return True

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
                self.errors.bad(where, [*holes[h]], f"a place off the hinge axis of {body}; a rod there "
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
            reader = RodReader(self.errors, path, data, t, self.as_built)
            rod = reader.rod(self.points.get(t["from"]), self.points.get(t["to"]))
            if rod is not None and all(ends):
                self.rods[name] = rod

    def read_wheels(self) -> dict[str, Wheel]:
        out = {}
        for side, data in self.named("wheels").items():
            path = ("wheels", side)
            if side not in SIDES:
                self.errors.bad(path, side, '[wheels.left] and [wheels.right] only' + nearest(side, SIDES))
                continue
            t = self.table(path, data, NAMED["wheels"])
            if t is None:
                continue
            good = self.known((*path, "upright"), t["upright"], self.body_tables, A_BODY)
            good &= self.check_side((*path, "centre"), t["centre"], side)
            upright = self.bodies.get(t["upright"])
            if upright is not None and upright.side not in ("", side):
                self.errors.bad((*path, "upright"), t["upright"], f"a body on the {side}; that one is on the "
                                                                  f"{upright.side}")
                good = False
            if upright is not None and not self.as_built and abs(upright.axis[2]) < LEAST_UPRIGHT:
                self.errors.bad(("bodies", upright.name, "axis"), [round(x, 3) for x in upright.axis],
                                "a steering axis (kingpin) within 60 deg of upright, z up, such as [-0.17, 0.14, 0.98]")
                good = False
            if t["spin_axis"][1] < 0.5:
                self.errors.bad((*path, "spin_axis"), data.get("spin_axis"),
                                "a direction that points left, such as [0, 1, 0], on both sides")
                good = False
            if t["spin_body"] is not None:
                good &= self.known((*path, "spin_body"), t["spin_body"], self.body_tables, A_BODY)
                spin = self.bodies.get(t["spin_body"])
                if spin is not None and spin.parent != t["upright"]:
                    self.errors.bad((*path, "spin_body"), t["spin_body"],
                                    f'a body whose parent is "{t["upright"]}"; the parent of that one is '
                                    f'"{spin.parent}"')
                    good = False
                elif spin is not None:
                    good &= self.check_spin(path, t, spin)
            if good:
                out[side] = Wheel(
                    side=side, upright=t["upright"], centre=t["centre"], spin=t["spin_axis"],
                    radius=t["radius"], spin_body=t["spin_body"], measured=t["spin_measured"],
                    spin_tol=t["spin_tolerance"], tyre=t["tyre_width"], centre_tol=t["centre_tolerance"],
                )
        return out

    def rear_wheel(self, t: dict[str, Any] | None) -> RearWheel | None:
        if t is None:
            return None
        path, data = ("rear_wheel",), self.data.get("rear_wheel", {})
        good = self.known((*path, "body"), t["body"], self.body_names, A_BODY_OR_FRAME)
        if t["spin_axis"][1] < 0.5:
            self.errors.bad((*path, "spin_axis"), data.get("spin_axis"),
                            "a direction that points left, such as [0, 1, 0]")
            good = False
        if t["radius"] is not None and t["tyre_width"] >= t["radius"]:
            self.errors.bad((*path, "tyre_width"), data.get("tyre_width"), "less than the radius")
            good = False
        good &= self.check_rear_spin(path, data, t)
        return RearWheel(radius=t["radius"], centre=t["centre"], spin=t["spin_axis"], body=t["body"],
                         tyre=t["tyre_width"], tol=t["tolerance"], spin_tol=t["spin_tolerance"],
                         spin_body=t["spin_body"], square_tol=t["square_tolerance"],
                         level_tol=t["level_tolerance"]) if good else None

    def check_rear_spin(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any]) -> bool:
        """A rear wheel turned by hand: its body's hinge is the axle, which points to the left."""
        good = True
        if t["spin_body"] is None:
            for key in ("square_tolerance", "level_tolerance"):
                if key in data:
                    self.errors.bad((*path, key), data[key], 'only with "spin_body"')
                    good = False
            return good
        if not self.known((*path, "spin_body"), t["spin_body"], self.body_tables, A_BODY):
            return False
        spin = self.bodies.get(t["spin_body"])
        if spin is None:
            return False  # reported where the body is read
        if spin.role != "wheel" or spin.parent != t["body"] or abs(spin.axis[1]) < 0.5:
            self.errors.bad((*path, "spin_body"), spin.name, f'a body with role "wheel", its axis across the vehicle, '
                                                             f'and the parent "{t["body"]}"')
            return False
        if "spin_axis" in data and abs(float(np.dot(spin.axis, t["spin_axis"]))) < math.cos(math.radians(10)):
            self.errors.bad((*path, "spin_axis"), data["spin_axis"], f"the direction of the hinge of {spin.name}, or "
                                                                     "nothing")
            return False
        if t["centre"] is not None:
            good = self.check_spin(path, {**t, "spin_axis": spin.axis}, spin)
        return good

    def check_spin(self, path: KeyPath, t: dict[str, Any], spin: Body) -> bool:
        """The wheel and the body that turns with it are one axle."""
        off = self.axis_distance(spin.name, t["centre"])
        along = abs(float(np.dot(spin.axis, t["spin_axis"])))
        if self.as_built or (off <= ASSEMBLY_SLACK and along >= math.cos(math.radians(10))):
            return True
        turned = math.degrees(math.acos(min(along, 1.0)))
        self.errors.bad((*path, "spin_body"), spin.name,
                        f"a body whose hinge is this wheel's axle; that one's passes {off:.1f} mm from the wheel's "
                        f"centre and is turned {turned:.1f} deg: correct the places, or the axes")
        return False

    def read_tags(self) -> dict[str, Tag]:
        out: dict[str, Tag] = {}
        codes: dict[int, str] = {}
        for name, data in self.named("tags").items():
            path = ("tags", name)
            t = self.table(path, data, NAMED["tags"])
            if t is None:
                continue
            before, code = self.errors.found, t["code"]
            if code not in PART_IDS:
                why = "; the codes below that are on the board" if 0 <= code < PART_IDS.start else ""
                self.errors.bad((*path, "code"), code,
                                f"a whole number from {PART_IDS.start} to {PART_IDS.stop - 1}{why}")
            if code in codes:
                self.errors.bad((*path, "code"), code, f'a code of its own; tag "{codes[code]}" has that one'
                                                       + self.free_code(name))
            codes.setdefault(code, name)
            body = self.tag_body(path, data, t)
            if self.errors.found > before or body is None:
                continue
            out[name] = Tag(
                name=name, code=code, body=body, size=t["size"], centres_on=t["on_bolt"], offset=t["offset"],
                offset_tol=t["offset_tolerance"], place=t["place"], place_tol=t["place_tolerance"],
                on_centre_line=t["on_centre_line"], centre_line_tol=t["centre_line_tolerance"], on_floor=t["on_floor"],
                floor_tol=t["floor_tolerance"], flat_tol=t["flat_tolerance"],
            )
        return out

    def free_code(self, name: str) -> str:
        """What to do about a code that was made of the tag's name and is taken; "" where the file gives it."""
        tags = self.data["tags"]
        if "code" in self.mirrored.data["tags"][name]:
            return ""
        taken = [t.get("code") for t in tags.values() if isinstance(t, dict)]
        free = next((c for c in PART_IDS if c not in taken), None)
        return f"; this one is made of the tag's name: write code = {free} under the tag that is not printed yet"

    def tag_body(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any]) -> str | None:
        body, bolt = t["body"], t["on_bolt"]
        self.check_reference(path, data, t)
        if body is None and t["on_floor"]:
            body = FRAME  # it stays where it is while the vehicle stands
        if body is None and bolt is None:
            self.errors.add((*path, "body"), 'read nothing; allowed: the name of a body, or "on_bolt"')
            return None
        if body is not None:
            self.known((*path, "body"), body, self.body_names, A_BODY_OR_FRAME)
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
            self.errors.bad((*path, "place"), data["place"],
                            f'a place only for a tag on the frame; body is "{body}"')
        for key in ("offset", "offset_tolerance"):
            if key in data:
                self.errors.bad((*path, key), data[key], 'only with "on_bolt"')
        return body

    def check_reference(self, path: KeyPath, data: dict[str, Any], t: dict[str, Any]) -> None:
        """A tag on the centre line is on the frame; one on the floor is on no part; their tolerances go with them."""
        for key in ("on_centre_line", "on_floor"):
            if t[key] and (t["on_bolt"] is not None or t["body"] not in (None, FRAME)):
                self.errors.bad((*path, key), True, 'only for a tag with body = "frame" and no "on_bolt"')
        if t["on_centre_line"] and t["on_floor"]:
            self.errors.bad((*path, "on_floor"), True, "either on_centre_line or on_floor")
        if t["on_floor"] and t["place"] is not None:
            self.errors.bad((*path, "place"), data["place"], 'no place for a tag with "on_floor"')
        for key, needs in (("centre_line_tolerance", "on_centre_line"), ("floor_tolerance", "on_floor"),
                           ("flat_tolerance", "on_floor")):
            if key in data and not t[needs]:
                self.errors.bad((*path, key), data[key], f'only with "{needs} = true"')

    def read_obstacles(self) -> tuple[Obstacle, ...]:
        out = []
        for name, data in self.named("obstacles").items():
            path = ("obstacles", name)
            t = self.table(path, data, NAMED["obstacles"])
            if t is None:
                continue
            good = self.known((*path, "body"), t["body"], self.body_names, A_BODY_OR_FRAME)
            if math.dist(t["from"], t["to"]) < 0.1:
                self.errors.bad((*path, "to"), data["to"], 'another place than "from"')
                good = False
            if good:
                out.append(Obstacle(name, t["from"], t["to"], t["diameter"] / 2, t["body"]))
        return tuple(out)

    def read_slides(self) -> dict[str, Slide]:
        out = {}
        for name, data in self.named("slides").items():
            path = ("slides", name)
            t = self.table(path, data, NAMED["slides"])
            if t is None:
                continue
            good = True
            for b in t["bodies"]:
                good &= self.known((*path, "bodies"), b, self.body_tables, "names of bodies")
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
            known = figures.targets()
            if name not in known:
                self.errors.add(path, f"read an unknown figure{nearest(name, known)}; allowed: {', '.join(known)}")
                continue
            unit = known[name].unit
            kind = {"deg": "angle", "mm": "length", "": "number"}[unit]
            keys = {k: Key(kind, v.default, v.help, above=v.above) for k, v in NAMED["targets"].items()}
            t = self.table(path, data, keys)
            if t is not None:
                out[name] = Target(name=name, value=t["value"], tolerance=t["tolerance"], unit=unit)
        return out

    def board(self, t: dict[str, Any] | None) -> BoardSpec | None:
        if t is None:
            return None
        good = self.known(("board", "body"), t["body"], self.body_names, A_BODY_OR_FRAME)
        nominal = t["scale_bar_nominal"]
        for key in ("scale_bar", "scale_bar_upright"):
            if t[key] is not None and not 0.95 * nominal <= t[key] <= 1.05 * nominal:
                self.errors.bad(("board", key), self.data["board"][key],
                                f"within 5 % of {nominal:g} mm, {0.95 * nominal:g} to {1.05 * nominal:g}; "
                                "measure the printed bar again, or print without 'fit to page'")
                good = False
        if not good:
            return None
        return BoardSpec(paper=t["paper"], body=t["body"], bar_measured=t["scale_bar"], bar_nominal=nominal,
                         bar_tol=t["scale_bar_tolerance"], bar_upright=t["scale_bar_upright"])

    def check_lean(self, tags: Mapping[str, Tag]) -> None:
        """Leaning can only be measured where a tagged part leans."""
        leaning = [b.name for b in self.bodies.values() if b.role == "lean"]
        path = ("steering", "lean_positions")
        labels = self.data["steering"]["lean_positions"]
        if not leaning:
            self.errors.bad(path, labels, 'lean positions only with a part whose role is "lean"')
        elif not any(t.body in leaning for t in tags.values()):
            self.errors.bad(path, labels, f"lean positions only with a tag on {leaning[0]}, to tell how far it leans")

    def steering(self, t: dict[str, Any] | None) -> None:
        if t is None:
            return
        self.known(("steering", "driver"), t["driver"], self.body_tables, A_BODY)
        if t["positions"]:
            self.known(("steering", "straight_ahead"), t["straight_ahead"], t["positions"],
                       "one of the labels in steering.positions")
        if t["stops"] and len(set(t["stops"])) != 2:
            self.errors.bad(("steering", "stops"), t["stops"],
                            'two labels, the stop pulled back and the stop pushed: ["back_stop", "push_stop"]')
        elif t["straight_ahead"] in t["stops"]:
            self.errors.bad(("steering", "stops"), t["stops"], "labels of the two stops, not straight ahead")
        if t["stops"] and not t["positions"]:
            self.errors.bad(("steering", "stops"), t["stops"], "stops only with steering.positions")
        for key in ("positions", "spin_positions", "lean_positions", "stops"):
            if t["loaded"] and t["loaded"] in t[key]:
                self.errors.bad(("steering", "loaded"), t["loaded"], f"a label of its own; it stands in {key} too")
        for label in t["both_ways"]:
            self.known(("steering", "both_ways"), label, t["positions"], "one of the labels in steering.positions")
            twice = [x for x in (label + PUSHED, label + PULLED) if x in t["positions"]]
            if twice:
                self.errors.bad(("steering", "positions"), twice[0],
                                f'"{label}" only, since it stands in both_ways, which adds + and - itself')
        seen: dict[str, str] = {}
        for key in ("positions", "spin_positions", "lean_positions"):
            for label in t[key]:
                if label in seen:
                    self.errors.bad(("steering", key), label,
                                    f"a label of its own; it stands in {seen[label]} too")
                seen.setdefault(label, key)
