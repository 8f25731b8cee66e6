"""What a person would doubt on reading a rig file, with nothing moved: places, senses, sizes, names.

Pure functions of the rig; each gives remarks with the thing's name and the numbers. What is usual is common practice
for hand-built pedal vehicles, no source, and wide: a remark asks for a second look, nothing more.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from calib.linkage.holerows import hole_remarks
from calib.linkage.sides import Difference, kingpin_lean, side_remarks
from calib.linkage.tagging import tag_remarks
from calib.remarks import Code, Fact, Remark
from calib.rig.discs import front_disc, rear_disc, touch
from calib.rig.figures import FIGURES
from calib.rig.mirror import OTHER, side_of
from calib.rig.model import FRAME, Rig, Vec

DEG = math.degrees(1.0)
BELOW_MM = 5.0  # under the ground
LOW_MM = 30.0  # over the ground, where everything would strike it
GROUND_MM = 25.0  # a tyre's lowest place off the ground
SIDE_MM = 3.0  # on the wrong side of the centre line
AXLE_MM, AXLE_DEG = 4.0, 3.0  # a wheel against the hinge it turns on
REAR_MM = 25.0
AHEAD_MM = 100.0  # a hand lever's hinge ahead of the front axle: out of reach
SAME_MM = 1.0
BAR_SHARE = 0.012  # printers are off by up to about 1 %
STUBBY = 3.0  # thicknesses
SLIP = 8.0  # times the others: a decimal point
FEW = 3
WAY = {"lever": (1, "left", "the other way", "leftward, which leans the handle forward"),
       "wheel": (1, "left", "backward", "leftward"),
       "lean": (0, "forward", "over to the left", "forward, which leans to the right"),
       "upright": (2, "up", "to the right", "upward, which turns to the left")}


def rig_remarks(rig: Rig, table: Sequence[Difference]) -> list[Remark]:
    """Everything to doubt about a rig as described; ``table`` from ``sides.differences``. Impossible things first."""
    out = [*_under_ground(rig), *_off_ground(rig), *_wrong_side(rig), *_same_place(rig), *_far_out(rig),
           *hole_remarks(rig), *_names(rig), *_axles(rig), *_senses(rig), *_kingpins(rig), *_usual(rig),
           *_obstacles(rig), *_idle(rig), *tag_remarks(rig), *_shoot(rig)]
    if not rig.as_built:  # measured sides differ, and are measured unlike well
        out += [*side_remarks(rig, table), *_odd_ones(rig)]
    return out


# --- places -------------------------------------------------------------------------------------------------


def _places(rig: Rig) -> Iterator[tuple[str, str, Vec]]:
    """Every place of the file but wheels' centres: thing, what of it, where."""
    for b in rig.bodies.values():
        yield b.name, "pivot", b.pivot
    for p in rig.points.values():
        for h, v in p.holes.items():
            yield p.name, f"hole {h}" if len(p.holes) > 1 else "place", v
    for o in rig.obstacles:
        yield o.name, "from", o.a
        yield o.name, "to", o.b
    for t in rig.tags.values():
        if t.place is not None:
            yield f"tag {t.name}", "place", t.place


def _ground(rig: Rig) -> float:
    """Height of the ground: where most front tyres touch, else zero."""
    touching = [float(touch(front_disc(rig, s))[2]) for s in rig.wheels]
    return min(touching, key=abs) if touching else 0.0


def _under_ground(rig: Rig) -> list[Remark]:
    ground = _ground(rig)
    lowest = [(n, what, v, v[2] - ground) for n, what, v in _places(rig)]
    return [Remark(Code.UNDER_GROUND if up < -BELOW_MM else Code.NEAR_GROUND, n, {"what": what, "at": v, "up": up})
            for n, what, v, up in lowest if up < (-BELOW_MM if n.startswith("tag ") else LOW_MM)]


def _off_ground(rig: Rig) -> list[Remark]:
    """Tyres that do not touch where the ground is: the origin's height, or the other tyre's where both are off."""
    at = {f"{s} wheel": float(touch(front_disc(rig, s))[2]) for s in rig.wheels}
    out = [Remark(Code.OFF_GROUND, n, {"z": z, "ground": 0.0}) for n, z in at.items() if abs(z) > GROUND_MM]
    if rig.wheels and rig.rear.centre is not None:
        z, ground = float(touch(rear_disc(rig))[2]), _ground(rig)
        if abs(z - ground) > GROUND_MM:
            out.append(Remark(Code.OFF_GROUND, "rear_wheel", {"z": z, "ground": ground}))
    return out


def _wrong_side(rig: Rig) -> list[Remark]:
    out = []
    for b in rig.bodies.values():
        for by, side in (("side", b.side), ("name", side_of(b.name))):
            if side and _across(side, b.pivot):
                out.append(Remark(Code.WRONG_SIDE, b.name, {"by": by, "side": side, "what": "pivot", "at": b.pivot}))
                break
        named = side_of(b.name)
        if b.side and named == OTHER[b.side]:
            out.append(Remark(Code.NAME_AND_PART, b.name, {"link": "said to be on the side", "other": b.side}))
    for p in rig.points.values():
        side = side_of(p.name) or (rig.bodies[p.body].side if p.body in rig.bodies else "")
        out += [Remark(Code.WRONG_SIDE, p.name, {"by": "name", "side": side, "what": f"hole {h}" if len(p.holes) > 1
                                                 else "place", "at": v})
                for h, v in p.holes.items() if side and _across(side, v)]
    for o in rig.obstacles:
        side = side_of(o.name)
        out += [Remark(Code.WRONG_SIDE, o.name, {"by": "name", "side": side, "what": what, "at": v})
                for what, v in (("from", o.a), ("to", o.b)) if side and _across(side, v)]
    return out


def _across(side: str, place: Vec) -> bool:
    return place[1] < -SIDE_MM if side == "left" else place[1] > SIDE_MM


def _same_place(rig: Rig) -> list[Remark]:
    """Two parts' pivots at one place, and balls of two parts at one place; rods may share a bolt of one part."""
    out = []
    bodies = [b for b in rig.bodies.values() if b.role != "wheel"]
    for i, a in enumerate(bodies):
        out += [Remark(Code.SAME_PLACE, a.name, {"other": b.name, "at": a.pivot}) for b in bodies[i + 1:]
                if a.parent == b.parent and math.dist(a.pivot, b.pivot) < SAME_MM]
    points = list(rig.points.values())
    for i, p in enumerate(points):
        out += [Remark(Code.SAME_PLACE, p.name, {"other": q.name, "at": p.xyz}) for q in points[i + 1:]
                if p.body != q.body and math.dist(p.xyz, q.xyz) < SAME_MM]
    return out


def _far_out(rig: Rig) -> list[Remark]:
    """Places well outside the vehicle: its wheelbase, its track and a person's height give the scale."""
    ahead, behind = 0.75 * rig.wheelbase, 1.4 * rig.wheelbase
    wide = 300.0 + max((abs(w.centre[1]) for w in rig.wheels.values()), default=700.0)
    out = []
    for n, what, v in _places(rig):
        over = ((v[0] - ahead, v[0], "ahead of the front axle"), (-behind - v[0], -v[0], "behind the front axle"),
                (abs(v[1]) - wide, abs(v[1]), "off the centre line"), (v[2] - 1300.0, v[2], "above the ground"))
        out += [Remark(Code.FAR_OUT, n, {"what": what, "at": v, "mm": mm, "way": way})
                for by, mm, way in over if by > 0]
    out += [Remark(Code.LEVER_AHEAD, b.name, {"at": b.pivot, "mm": b.pivot[0]}) for b in rig.bodies.values()
            if b.role == "lever" and b.pivot[0] > AHEAD_MM]
    return out


# --- names --------------------------------------------------------------------------------------------------


def _names(rig: Rig) -> list[Remark]:
    """Points named after another part, points and rods named for one side that belong to the other."""
    out = []
    for p in rig.points.values():
        own, on = side_of(p.name), _side(rig, p.body)
        named = p.name.partition(".")[0]
        if (own and on == OTHER[own]) or (named in rig.bodies and named != p.body):
            out.append(Remark(Code.NAME_AND_PART, p.name, {"link": "a point on", "other": p.body}))
    for r in rig.rods.values():
        own = side_of(r.name)
        for end in (r.a, r.b):
            on = side_of(end) or _side(rig, rig.points[end].body)
            if own and on == OTHER[own]:
                out.append(Remark(Code.NAME_AND_PART, r.name, {"link": "a rod that ends at", "other": end}))
    for b in rig.bodies.values():
        own, on = b.side or side_of(b.name), _side(rig, b.parent)
        if own and on == OTHER[own]:
            out.append(Remark(Code.NAME_AND_PART, b.name, {"link": "carried by", "other": b.parent}))
    return out


def _side(rig: Rig, body: str) -> str:
    b = rig.bodies.get(body)
    return "" if b is None else b.side or side_of(b.name)


# --- hinges and wheels --------------------------------------------------------------------------------------


def _axles(rig: Rig) -> list[Remark]:
    out = []
    for side, w in rig.wheels.items():
        if w.spin_body is None or rig.as_built:
            continue
        b = rig.bodies[w.spin_body]
        off = float(np.linalg.norm(np.cross(np.subtract(w.centre, b.pivot), b.axis)))
        turned = math.degrees(math.acos(min(1.0, abs(float(np.dot(w.spin, b.axis))))))
        if off > AXLE_MM or turned > AXLE_DEG:
            out.append(Remark(Code.AXLE_OFF, f"{side} wheel", {"other": b.name, "mm": off, "deg": turned}))
    if rig.wheels and rig.rear.centre is not None:
        stands = float(np.mean([w.centre[0] for w in rig.wheels.values()])) - rig.rear.centre[0]
        if abs(stands - rig.wheelbase) > REAR_MM:
            out.append(Remark(Code.REAR_OFF, "rear_wheel", {"mm": stands, "wheelbase": rig.wheelbase}))
    return out


def _senses(rig: Rig) -> list[Remark]:
    """Axes that point against the custom of their kind, so that the part's angles count the other way."""
    out = []
    for b in rig.bodies.values():
        k, _, turns, usual = WAY.get(b.role, (-1, "", "", ""))
        if b.role == "lever" and abs(b.axis[1]) < 0.7:
            k = -1
        if k < 0:  # a crank, a bar or another part: by where its axis points most
            k = int(np.argmax(np.abs(b.axis)))
            turns, usual = "the other way", ("forward", "leftward", "upward")[k]
        if b.axis[k] < -0.3:
            points = (("backward", "to the right", "down")[k])
            out.append(Remark(Code.TURNS_THE_OTHER_WAY, b.name, {"points": points, "turns": turns, "usual": usual}))
    return out


def _kingpins(rig: Rig) -> list[Remark]:
    """Each side by itself: caster and inclination, and where the kingpin meets the ground."""
    out = []
    for w in rig.wheels.values():
        b = rig.bodies[w.upright]
        caster, inclination = kingpin_lean(b if b.side else replace(b, side=w.side))
        for name, deg, most in (("caster", caster, 30.0), ("kingpin_inclination", inclination, 35.0)):
            if not -0.5 <= deg <= most:
                out.append(Remark(Code.KINGPIN_LEAN, b.name, {"angle": name, "deg": deg}))
        k = np.asarray(b.axis)
        contact = touch(front_disc(rig, w.side))
        if abs(k[2]) < 1e-6:
            continue
        meets = np.asarray(b.pivot) + k * (contact[2] - b.pivot[2]) / k[2]
        gap = meets - contact
        if gap[0] < -3.0:
            out.append(Remark(Code.TRAIL_BEHIND, b.name, {"mm": -float(gap[0])}))
        if abs(gap[1]) > 120.0:
            out.append(_unusual(b.name, "offset of the kingpin at the ground", abs(float(gap[1])), 0.0, 120.0, "mm"))
    return out


# --- sizes --------------------------------------------------------------------------------------------------


class Usual(NamedTuple):
    """One number of the file with what is usual for it, in surface units."""

    item: str
    what: str
    value: float
    low: float
    high: float
    unit: str


def _unusual(item: str, what: str, value: float, low: float, high: float, unit: str) -> Remark:
    return Remark(Code.UNUSUAL, item, {"what": what, "value": value, "low": low, "high": high, "unit": unit})


def _usual(rig: Rig) -> list[Remark]:
    out = [_unusual(*u) for u in _sizes(rig) if not u.low <= u.value <= u.high]
    board = rig.board
    for key, read in (("scale_bar", board.bar_measured), ("scale_bar_upright", board.bar_upright)):
        if read is not None and abs(read / board.bar_nominal - 1.0) > BAR_SHARE:
            out.append(Remark(Code.SCALE_BAR_FAR, key, {"value": read, "nominal": board.bar_nominal,
                                                        "percent": 100.0 * (read / board.bar_nominal - 1.0)}))
    for r in rig.rods.values():
        if r.thread is not None and r.thread.diameter is not None and r.thread.diameter > 2 * r.radius + 0.1:
            out.append(Remark(Code.THREAD_THICK, r.name, {"thread": r.thread.diameter, "rod": 2 * r.radius}))
    return out


def _sizes(rig: Rig) -> Iterator[Usual]:
    yield Usual("wheelbase", "it", rig.wheelbase, 500, 2600, "mm")
    if {"left", "right"} <= set(rig.wheels):
        track = rig.wheels["left"].centre[1] - rig.wheels["right"].centre[1]
        yield Usual("wheels", "the distance between the front wheels", track, 300, 1500, "mm")
    for side, w in rig.wheels.items():
        yield Usual(f"{side} wheel", "radius", w.radius, 120, 400, "mm")
        camber = math.degrees(math.asin(max(-1.0, min(1.0, w.spin[2]))))
        yield Usual(f"{side} wheel", "lean of its axle", abs(camber), 0, 15, "deg")
        toe = math.degrees(math.atan2(w.spin[0], w.spin[1]))
        yield Usual(f"{side} wheel", "turn of its axle from square", abs(toe), 0, 5, "deg")
        away = math.dist(w.centre, rig.bodies[w.upright].pivot)
        yield Usual(f"{side} wheel", "distance of its centre from the kingpin's pivot", away, 0, 250, "mm")
    for b in rig.bodies.values():
        if b.travel is not None:
            low, high = (v * DEG for v in b.travel)
            yield Usual(b.name, "travel from stop to stop", high - low, 6, 180, "deg")
        if b.grip is not None:
            yield Usual(b.name, "grip", b.grip, 80, 800, "mm")
        yield Usual(b.name, "pivot_tolerance", b.pivot_tol, 0.01, 100, "mm")
        yield Usual(b.name, "axis_tolerance", b.axis_tol * DEG, 0.002, 20, "deg")
    for p in rig.points.values():
        yield Usual(p.name, "tolerance", p.tol, 0.01, 100, "mm")
        yield Usual(p.name, "misalignment", p.misalignment * DEG, 5, 65, "deg")
        arm = _arm(rig, p.body, p.xyz)
        if arm is not None:
            yield Usual(p.name, f"distance from the hinge of {p.body}", arm, 8, 500, "mm")
    yield from _rod_sizes(rig)
    yield from _tag_sizes(rig)
    for o in rig.obstacles:
        yield Usual(o.name, "diameter", 2 * o.radius, 5, 120, "mm")
    yield Usual("limits", "min_transmission_angle", rig.min_transmission * DEG, 15, 60, "deg")
    yield Usual("limits", "min_clearance", rig.min_clearance, 1, 40, "mm")
    yield Usual("board", "scale_bar_tolerance", rig.board.bar_tol, 0.015, 0.9, "mm")
    yield from _target_sizes(rig)


def _rod_sizes(rig: Rig) -> Iterator[Usual]:
    for r in rig.rods.values():
        yield Usual(r.name, "length", r.length, 25, 2000, "mm")
        yield Usual(r.name, "diameter", 2 * r.radius, 4, 45, "mm")
        yield Usual(r.name, "tolerance", r.tol, 0.01, 100, "mm")
        if r.adjuster != "fixed":
            yield Usual(r.name, "range from shortest to longest", r.longest - r.shortest, 0, 250, "mm")
        if r.adjuster == "clamp":
            yield Usual(r.name, "step", r.step, 0.05, 3, "mm")
        if r.adjuster == "screw" and r.per_turn:
            yield Usual(r.name, "turn_step", r.step / r.per_turn, 0.08, 1, "turns")


def _tag_sizes(rig: Rig) -> Iterator[Usual]:
    for t in rig.tags.values():
        yield Usual(f"tag {t.name}", "size", t.size, 20, 150, "mm")
        if t.centres_on is not None:
            yield Usual(f"tag {t.name}", "offset", abs(t.offset), 0, 60, "mm")
            yield Usual(f"tag {t.name}", "offset_tolerance", t.offset_tol, 0.02, 4, "mm")


# What a tolerance is usually worth where the figure has none of its own: less photos cannot show, more matters little.
TOLERANCES = {"deg": (0.06, 6.0), "mm": (0.3, 40.0), "": (0.005, 0.25)}


def _target_sizes(rig: Rig) -> Iterator[Usual]:
    for n, t in rig.targets.items():
        kind = FIGURES[n]
        low, high = kind.usual_tolerance or TOLERANCES[kind.unit]
        yield Usual(f"targets.{n}", "tolerance", t.tolerance * kind.scale, low, high, kind.unit)


def _arm(rig: Rig, body: str, place: Vec) -> float | None:
    b = rig.bodies.get(body)
    return None if b is None else float(np.linalg.norm(np.cross(np.subtract(place, b.pivot), b.axis)))


def _odd_ones(rig: Rig) -> list[Remark]:
    """One tolerance or size that stands alone among others of its kind, all much alike: a slipped decimal point."""
    parts = [b for b in rig.bodies.values() if b.role != "wheel"]
    kinds: list[tuple[str, str, list[tuple[str, float]]]] = [
        ("pivot_tolerance", "mm", [(b.name, b.pivot_tol) for b in parts]),
        ("axis_tolerance", "deg", [(b.name, b.axis_tol * DEG) for b in parts]),
        ("tolerance", "mm", [(p.name, p.tol) for p in rig.points.values()]),
        ("tolerance", "mm", [(r.name, r.tol) for r in rig.rods.values()]),
        ("offset_tolerance", "mm", [(f"tag {t.name}", t.offset_tol) for t in rig.tags.values() if t.centres_on]),
        ("offset", "mm", [(f"tag {t.name}", abs(t.offset)) for t in rig.tags.values() if t.centres_on and t.offset]),
        ("size", "mm", [(f"tag {t.name}", t.size) for t in rig.tags.values()]),
        ("step", "mm", [(r.name, r.step) for r in rig.rods.values() if r.adjuster == "clamp"]),
    ]
    out = []
    for what, unit, some in kinds:
        for i, (item, value) in enumerate(some):
            rest = [v for k, (_, v) in enumerate(some) if k != i]
            if len(rest) < FEW or max(rest) > 3.0 * min(rest):
                continue
            usual = float(np.median(rest))
            if value > SLIP * usual or value < usual / SLIP:
                facts: dict[str, Fact] = {"what": what, "value": value, "others": usual, "unit": unit}
                out.append(Remark(Code.ODD_ONE_OUT, item, facts))
    return out


# --- obstacles ----------------------------------------------------------------------------------------------


def _obstacles(rig: Rig) -> list[Remark]:
    out = []
    for o in rig.obstacles:
        d = np.abs(np.subtract(o.b, o.a))
        crossing = o.a[1] * o.b[1] < 0 and abs(abs(o.a[1]) - abs(o.b[1])) < 0.01 * abs(o.a[1])
        if crossing and d[0] > d[1]:
            out.append(Remark(Code.CROSSES_MIDDLE, o.name, {"first": o.a[1], "last": o.b[1]}))
        length = float(np.linalg.norm(d))
        if d[0] > 0.9 * length and length < STUBBY * 2 * o.radius and o.body == FRAME:
            out.append(Remark(Code.SHORT_OBSTACLE, o.name, {"mm": length, "thick": 2 * o.radius}))
    ends = [(o.name, what, v) for o in rig.obstacles if o.body == FRAME for what, v in (("from", o.a), ("to", o.b))]
    for i, (name, _, v) in enumerate(ends):
        for other, _, w in ends[i + 1:]:
            if other != name and abs(v[0]) > 30 and v[0] == -w[0] and v[1] == w[1]:
                out.append(Remark(Code.NOT_JOINED, name, {"at": v, "other": other, "there": w, "axis": "x"}))
    return out


# --- what is idle, and the shoot ----------------------------------------------------------------------------


def _idle(rig: Rig) -> list[Remark]:
    out = []
    parents = {b.parent for b in rig.bodies.values()} | {o.body for o in rig.obstacles}
    parents |= {rig.board.body, rig.rear.body}
    holding = {p.body for p in rig.points.values()}
    wheels = {n for w in rig.wheels.values() for n in (w.upright, w.spin_body)} | {rig.rear.spin_body}
    for b in rig.bodies.values():
        if b.role == "lean" and b.name not in {c.parent for c in rig.bodies.values()} | {rig.rear.body}:
            out.append(Remark(Code.CARRIES_NOTHING, b.name, {"what": "part"}))
        elif b.name not in parents | holding | wheels:
            what = "wheel" if b.role == "wheel" else "point, wheel or part"
            out.append(Remark(Code.CARRIES_NOTHING, b.name, {"what": what}))
        if b.role == "upright" and b.name not in wheels:
            out.append(Remark(Code.NO_WHEEL, b.name))
    used = {e for r in rig.rods.values() for e in (r.a, r.b)}
    out += [Remark(Code.NO_ROD, p) for p in rig.points if p not in used]
    if rig.board.body != FRAME and rig.board.body in rig.bodies and rig.bodies[rig.board.body].role != "lean":
        out.append(Remark(Code.BOARD_MOVES, rig.board.body))
    return out


def _shoot(rig: Rig) -> list[Remark]:
    out = []
    if not rig.positions:
        out.append(Remark(Code.NO_POSITIONS, "steering"))
    elif len(rig.positions) < FEW:
        out.append(Remark(Code.FEW_POSITIONS, "steering", {"count": len(rig.positions)}))
    if not rig.targets:
        out.append(Remark(Code.NO_TARGETS, "targets"))
    return out
