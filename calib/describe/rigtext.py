"""A rig file from the answers to the questions, in the short form of the layouts."""

from __future__ import annotations

from math import radians, tan
from typing import Any

import tomlkit
from tomlkit.items import InlineTable

from calib.describe.questions import BY_KEY, CRANKS, LEVERS, STEERED, Answers, asked, value
from calib.rig.model import Rig
from calib.rig.reader import parse_rig

BOLT_SIZE = 44  # mm, edge of the tags on bolts; those on parts have the usual size
PLAY_IN_PLACES = 2.0  # rods carry the doubt of both their ends
_HEAD = """Written from answers, of the left side; the right one is its mirror image (mirror = "left"). Where yours
differs, give what differs under its own name, such as [bodies.right_lever]. `rigtrue new` with a name and no layout
writes a file that explains every key. Look at the picture that `rigtrue check` draws.

Millimetres and degrees. x forward, y left, z up (ISO 8855); origin on the floor where the chalk lines cross.

Before anyone rides: a steering failure injures. Check every locknut and bolt, keep to the rules of your country, and
have the steering inspected by a qualified person."""
Tables = dict[str, Any]


class _Values:
    """Answers as numbers and words."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers

    def __call__(self, key: str) -> Any:
        return value(BY_KEY[key], self.answers.get(key, ""))

    def given(self, key: str) -> bool:
        return bool(self.answers.get(key, "").strip())

    def mm(self, key: str) -> float:
        return _tidy(self(key))

    def place(self, key: str) -> list[float]:
        """x forward, y left, z up of a point behind the cross line, out from the chalk line, above the floor."""
        return [_tidy(-self(f"{key}.behind") if f"{key}.behind" in BY_KEY else 0.0),
                _tidy(self(f"{key}.out") if f"{key}.out" in BY_KEY else 0.0), _tidy(self(f"{key}.up"))]


def _tidy(x: float) -> float:
    """Without the last bits of a sum, and without a point where it is whole."""
    x = round(float(x), 6)
    return int(x) if x == int(x) else x


def rig_text(layout: str, answers: Answers) -> str:
    """The text of a rig file. ``answers`` hold all that is asked of the layout; see ``questions.asked``."""
    v = _Values(answers)
    doc = tomlkit.document()
    for line in _HEAD.splitlines():
        doc.add(tomlkit.comment(line) if line else tomlkit.nl())
    tables: Tables = {
        "vehicle": {"name": v("name"), "wheelbase": v.mm("wheelbase"), "mirror": "left"},
        "prints": {"bolt_size": BOLT_SIZE, "bolt_offset": v.mm("offset")},
        "steering": _steering(layout), "bodies": _bodies(layout, v), "points": _points(layout, v),
        "rods": _rods(layout, v),
        "wheels": {"left": {"centre": [0, _tidy(v("track") / 2), v.mm("radius")], "radius": v.mm("radius")}},
    }
    names = [*tables["bodies"], *(p.replace(".", "_") for p in tables["points"])]
    tables["tags"] = {n: {} for n in names if n != "right_lever"}
    tables["targets"] = {"toe": _inline({"value": 0, "tolerance": _tidy(v("toe"))})}
    if v.given("ratio"):
        tables["targets"]["ratio"] = _inline({"value": _tidy(v("ratio")), "tolerance": _tidy(v("ratio.off"))})
    for section, table in tables.items():
        doc.add(tomlkit.nl())
        doc.add(section, table)
    return tomlkit.dumps(doc)


def rig_of(layout: str, answers: Answers) -> Rig:
    """The rig that the answers mean. Raises UserError where they contradict each other."""
    return parse_rig(rig_text(layout, answers), "the answers")


def _inline(data: Tables) -> InlineTable:
    out = tomlkit.inline_table()
    out.update(data)
    return out


def _steering(layout: str) -> Tables:
    if layout == "bar":
        return {"driver": "bar", "positions": ["right2", "right1", "ahead", "left1", "left2"],
                "spin_positions": ["spin1", "spin2"]}
    out: Tables = {"driver": "left_lever", "positions": ["back2", "back1", "ahead", "push1", "push2"]}
    return out | ({"lean_positions": ["lean_left", "lean_right"]} if layout == "leaning" else
                  {"spin_positions": ["spin1", "spin2"]})


def _bodies(layout: str, v: _Values) -> Tables:
    tol = {"pivot_tolerance": v.mm("tolerance")}
    on = {"parent": "axle"} if layout == "leaning" else {}
    out: Tables = {}
    if layout == "leaning":
        out["axle"] = {"role": "lean", "pivot": v.place("lean"), "axis": [1, 0, _tidy(-tan(radians(v("lean.fall"))))],
                       "travel": [_tidy(-v("lean.stop")), _tidy(v("lean.stop"))], "locked": v("lean.lock") == "yes",
                       **tol}
    if layout in LEVERS:
        out["left_lever"] = {"role": "lever", "pivot": v.place("lever"),
                             "travel": [_tidy(-v("lever.pull")), _tidy(v("lever.push"))], **tol}
        out["right_lever"] = _right_lever(v, out["left_lever"])
    if layout == "bar":
        out["bar"] = {"role": "lever", "pivot": v.place("bar"), "axis": "up",
                      "travel": [_tidy(-v("bar.right")), _tidy(v("bar.left"))], **tol}
    if layout in CRANKS:
        out["crank"] = {"role": "crank", **on, "pivot": v.place("crank"), **tol}
    out["left_upright"] = {"role": "upright", **on, "pivot": v.place("kingpin"), "caster": _tidy(v("caster")),
                           "inclination": _tidy(v("inclination")), **tol}
    if layout != "leaning":
        out["left_wheel"] = {"role": "wheel"}
    return out


def _right_lever(v: _Values, left: Tables) -> Tables:
    """The other lever: its own stops; or none, which a mirror image cannot say."""
    if v("right.stops") == "yes":
        return {"travel": [_tidy(-v("right.pull")), _tidy(v("right.push"))]}
    x, y, z = left["pivot"]
    return {k: x for k, x in left.items() if k != "travel"} | {"mirror": False, "pivot": [x, _tidy(-y), z]}


def _row(v: _Values, key: str, angle: float, along: float) -> Tables:
    row: Tables = {"first": v.mm(f"{key}.first")}
    count = v(f"{key}.count")
    if count > 1:
        row["spacing"] = v.mm(f"{key}.spacing")
    row |= {"count": count, "angle": _tidy(angle)} | ({"along": _tidy(along)} if _tidy(along) else {})
    return {"row": _inline(row)} | ({"use": v(f"{key}.use")} if count > 1 else {})


def _points(layout: str, v: _Values) -> Tables:
    tol = {"tolerance": v.mm("tolerance")}
    out: Tables = {}
    if layout in LEVERS:
        lean = v("holes.lean")
        out["left_lever.rod"] = {**_row(v, "holes", lean if v("holes.way") == "above" else 180.0 - lean,
                                        v("holes.out") - v("lever.out")), "bolt": "left", **tol}
    if layout in CRANKS:
        out["crank.left_in"] = {**_row(v, "in", v("in.angle"), v("in.up") - v("crank.up")), **tol}
        out["crank.left_out"] = {"at": v.place("out"), **tol}
    if layout == "bar":
        out["bar.left"] = {**_row(v, "arm_holes", v("bar.angle"), v("arm_holes.up") - v("bar.up")), **tol}
    if layout in STEERED:
        out["left_upright.arm"] = {"at": v.place("arm"), "bolt": "up", **tol}
    else:
        out["left_upright.drag"] = {"at": v.place("drag"), "bolt": "up", **tol}
        out["left_upright.tie"] = {"at": v.place("tie"), "bolt": "up", **tol}
    return out


# Rod -> key of its questions, from, to.
_ENDS: dict[str, dict[str, tuple[str, str, str]]] = {
    "direct": {"left_rod": ("rod", "left_lever.rod", "left_upright.drag"),
               "tie": ("tie_rod", "left_upright.tie", "right_upright.tie")},
    "bar": {"left_rod": ("rod", "bar.left", "left_upright.arm")},
    **{layout: {"left_rod": ("rod", "left_lever.rod", "crank.left_in"),
                "left_tie": ("tie_rod", "crank.left_out", "left_upright.arm")} for layout in CRANKS},
}


def _rods(layout: str, v: _Values) -> Tables:
    out: Tables = {}
    for name, (key, a, b) in _ENDS[layout].items():
        rod: Tables = {"from": a, "to": b, "adjuster": v(f"{key}.kind")}
        if v.given(f"{key}.length"):
            rod["length"] = v.mm(f"{key}.length")
        if rod["adjuster"] == "screw":
            rod |= {"thread": v(f"{key}.thread"), "ends": {"one": "one", "both": "left and right"}[v(f"{key}.ends")]}
        if rod["adjuster"] != "fixed":
            rod["plus_minus"] = v.mm(f"{key}.range")
        out[name] = rod | {"tolerance": _tidy(PLAY_IN_PLACES * v("tolerance"))}
    return out


def length_by_places(layout: str, answers: Answers, key: str) -> float | None:
    """mm between a rod's ends as the places say, where all of these are answered; ``key``: of the rod's questions.

    Raises UserError where the places contradict each other.
    """
    needed = [q for q in asked(layout, answers) if q.section not in ("Rods", "Tags and aims")]
    if any(not q.default and not q.optional and not answers.get(q.key, "").strip() for q in needed):
        return None
    places = {k: x for k, x in answers.items() if not k.startswith(("rod.", "tie_rod."))}
    rig = rig_of(layout, {**places, "rod.kind": "fixed", "tie_rod.kind": "fixed", "offset": "0"})
    return next(rig.rods[n].length for n, (k, _, _) in _ENDS[layout].items() if k == key)
