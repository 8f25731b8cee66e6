"""Which parts and bolts carry no tag, and what then rests on the drawing; tags that cannot be where they are said."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.remarks import Code, Remark
from calib.rig.mirror import side_of
from calib.rig.model import FRAME, Body, Rig

OF_ONE_WHEEL = "toe, ratio, lock, symmetry and Ackermann error"


def tag_remarks(rig: Rig) -> list[Remark]:
    """Everything about tags: missing ones, two in one place, ones that point away or have another's name."""
    return [*_two_on_a_bolt(rig), *_pointing(rig), *_named_otherwise(rig), *_missing(rig)]


@dataclass(frozen=True)
class Untagged:
    """What carries no tag that would measure it: names in the rig file's order, sides for wheels."""

    parts: tuple[str, ...]  # that a rod ends on, or that a wheel or lever hangs from: the steering goes through them
    bolt_only: tuple[str, ...]  # levers and uprights among them whose only tags are on bolts, which tells less
    leaning: tuple[str, ...]
    bolts: tuple[str, ...]  # of rods
    wheels: tuple[str, ...]  # whose axle neither a tag that is turned by hand shows nor an earlier shoot has shown


def untagged(rig: Rig) -> Untagged:
    """The parts, bolts and wheels of a rig file that lack a tag. A tag on a bolt shows its part's angle too."""
    tagged, bolts = {t.body for t in rig.tags.values()}, {t.centres_on for t in rig.tags.values()}
    flat = {t.body for t in rig.tags.values() if t.centres_on is None}
    ends = dict.fromkeys(p for r in rig.rods.values() for p in (r.a, r.b))
    needed = {rig.points[p].body for p in ends} | {w.upright for w in rig.wheels.values()} | {rig.driver}
    bare = [b for b in rig.bodies.values() if b.name not in tagged]
    return Untagged(tuple(b.name for b in bare if b.name in needed and b.role != "lean"),
                    tuple(b.name for b in rig.bodies.values() if b.name in needed and b.name in tagged - flat
                          and b.role in ("lever", "upright")),
                    tuple(b.name for b in bare if b.role == "lean"),
                    tuple(p.name for p in rig.points.values()
                          if p.name in ends and p.name not in bolts and p.body != FRAME),
                    tuple(side for side, w in rig.wheels.items()
                          if not w.measured and not (w.spin_body in tagged and rig.spin_positions)))


def _missing(rig: Rig) -> list[Remark]:
    lack, tagged = untagged(rig), {t.body for t in rig.tags.values()}
    spun = {w.upright for w in rig.wheels.values() if w.spin_body in tagged}
    out = [Remark(Code.NO_TAG, n, {"cost": _cost(rig, rig.bodies[n], n in spun)}) for n in lack.parts]
    unseen = "how far it leans is not seen, and steer from leaning rests on the drawing."
    out += [Remark(Code.NO_TAG, n, {"cost": unseen}) for n in lack.leaning]
    for n in lack.bolts:
        rods = tuple(r.name for r in rig.rods.values() if n in (r.a, r.b))
        out.append(Remark(Code.BOLT_NO_TAG, n, {"tol": rig.points[n].tol, "rods": rods}))
    for side in lack.wheels:
        w = rig.wheels[side]
        out.append(Remark(Code.WHEEL_NO_TAG, side, {"tol": math.degrees(w.spin_tol), "tagged": w.spin_body in tagged}))
    return out


def _cost(rig: Rig, b: Body, wheel_seen: bool) -> str:
    """What rests on the drawing where a part has no tag."""
    if any(w.upright == b.name for w in rig.wheels.values()):
        of = "caster, kingpin inclination, trail and offset at ground of this side"
        return (f"its turn and its kingpin are not measured: {of} rest on the drawing"
                + ("." if wheel_seen else f", and so does where its wheel points ({OF_ONE_WHEEL})."))
    if b.name == rig.driver:
        return "its angle, over which every curve is drawn, and its hinge rest on the drawing: ratio, lock, symmetry."
    return "its angle and its hinge rest on the drawing, and what a change at its rods does is only calculated."


def _two_on_a_bolt(rig: Rig) -> list[Remark]:
    on: dict[str, list[str]] = {}
    for t in rig.tags.values():
        if t.centres_on is not None:
            on.setdefault(t.centres_on, []).append(t.name)
    return [Remark(Code.TWO_TAGS, bolt, {"tags": tuple(f"tag {n}" for n in names)}) for bolt, names in on.items()
            if len(names) > 1]


def _pointing(rig: Rig) -> list[Remark]:
    out = []
    for t in rig.tags.values():
        if t.centres_on is None:
            continue
        if t.offset < 0:
            out.append(Remark(Code.TAG_BEHIND, f"tag {t.name}", {"mm": t.offset}))
        bolt = rig.points[t.centres_on].bolt
        if bolt is not None and bolt[2] < -0.7:
            out.append(Remark(Code.TAG_DOWN, f"tag {t.name}", {"point": t.centres_on}))
    return out


def _named_otherwise(rig: Rig) -> list[Remark]:
    """Tags named after one part or bolt and stuck on another, or on the other side."""
    out = []
    bolts = {n.replace(".", "_"): n for n in rig.points}
    for t in rig.tags.values():
        on, link = t.centres_on or t.body, "on the bolt of" if t.centres_on else "stuck on"
        meant = rig.bodies.get(t.name) if t.centres_on is None else None
        named = bolts.get(t.name.replace(".", "_")) if t.centres_on else meant and meant.name
        sides = {side_of(t.name), side_of(on)} - {""}
        if (named is not None and named != on) or len(sides) == 2:
            out.append(Remark(Code.NAME_AND_PART, f"tag {t.name}", {"link": link, "other": on}))
    return out
