"""The form of rig.toml: every section and key with its kind, default, limits and meaning.

One table, read by the loader, the writer, the starter file and the manual, so that they cannot disagree.
Defaults and limits are in surface units (mm, degrees).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from capture.targets import PAPERS_MM, SCALE_BAR_MM


class _Required:
    def __repr__(self) -> str:
        return "required"


REQUIRED = _Required()


@dataclass(frozen=True)
class Key:
    """One key. ``kind``: length, angle, number, whole, flag, name, label, labels, texts, choice, place,
    direction, angle range, length range, holes or row. ``lo`` and ``hi`` are inclusive; ``above`` is exclusive.
    ``implied``: what is taken where the key is left out and something else in the file says it.
    """

    kind: str
    default: Any
    help: str
    lo: float | None = None
    hi: float | None = None
    above: float | None = None
    choices: tuple[str, ...] = ()
    implied: str = ""


ROLES = ("lever", "crank", "upright", "wheel", "lean", "other")
SIDES = ("left", "right")
NEITHER = "neither"  # of a part in the middle whose name holds "left" or "right"
WAYS = {"forward": (1.0, 0.0, 0.0), "back": (-1.0, 0.0, 0.0), "left": (0.0, 1.0, 0.0), "right": (0.0, -1.0, 0.0),
        "up": (0.0, 0.0, 1.0), "down": (0.0, 0.0, -1.0)}  # a direction in a word
LETTERS, NUMBERS = "letters", "numbers"
MIRROR = Key("name", None, "the table of this section whose mirror image this one is, but for the keys given here; "
                           "false: has none")
ENDS = {"one": 1, "left and right": 2}  # threaded ends that move the rod's length as it is turned
FAR = 10_000.0  # mm; a place further off is a typing error

# Sections with one table each.
SINGLE: dict[str, dict[str, Key]] = {
    "vehicle": {
        "name": Key("label", "unnamed", "shown on drawings and reports"),
        "wheelbase": Key("length", REQUIRED, "front axle to rear axle", lo=200, hi=6000),
        "mirror": Key("choice", "", "the side that is described; each table named after it is mirrored to the other",
                      choices=SIDES),
        "notes": Key("texts", (), "lines of your own, kept with the rig"),
        "roll_tolerance": Key("angle", 0.0, "how far level, left to right, may be off in all places", lo=0, hi=45),
        "pitch_tolerance": Key("angle", 0.0, "the same front to rear", lo=0, hi=45),
        "heading_tolerance": Key("angle", 0.0, "the same of straight ahead", lo=0, hi=45),
        "as_built": Key("flag", False, "true in a file of measured values: rods may lie outside their range"),
    },
    "board": {
        "paper": Key("choice", "A4", "sheet the board is printed on", choices=tuple(PAPERS_MM)),
        "body": Key("name", "frame", "what the board is fixed to"),
        "scale_bar": Key("length", None, "what calipers read on the printed bar"),
        "scale_bar_upright": Key("length", None, "the same on the bar along the sheet, if you measure it"),
        "scale_bar_nominal": Key("length", SCALE_BAR_MM, "what the bar was drawn as", lo=50, hi=400),
        "scale_bar_tolerance": Key("length", 0.1, "how well you read it", above=0, hi=5),
    },
    "prints": {
        "part_size": Key("length", None, "edge of each part's tag as drawn, where [tags] gives none", lo=10, hi=400),
        "bolt_size": Key("length", None, "edge of each bolt's tag as drawn, where [tags] gives none", lo=10, hi=400),
        "bolt_offset": Key("length", None, "how far the ball's centre lies below the paper, where [tags] does not say",
                           lo=-200, hi=200),
        "bolt_offset_tolerance": Key("length", None, "how well that is known", above=0, hi=50),
    },
    "steering": {
        "driver": Key("name", "left_lever", "the body whose angle the curves are drawn over"),
        "straight_ahead": Key("label", "ahead", "the position label that counts as straight ahead"),
        "positions": Key("labels", (), "labels of the lever positions, in order"),
        "both_ways": Key("labels", (), "positions shot after pushing (NAME+) and after pulling (NAME-), to see play"),
        "spin_positions": Key("labels", (), "straight ahead, only the wheels turned by hand"),
        "lean_positions": Key("labels", (), "straight ahead, leaned over"),
        "stops": Key("labels", (), "two labels: the driver at its stop pulled back, and at its stop pushed"),
        "stop_tolerance": Key("angle", 1.0, "how far the stops may be from the drawn travel, where not photographed",
                              above=0, hi=30),
        "loaded": Key("label", None, "straight ahead with the rider aboard, to see what the weight does"),
        "load_allowance": Key("angle", 0.3, "what the rider's weight may do to toe, where not photographed", lo=0,
                              hi=5),
    },
    "rear_wheel": {
        "radius": Key("length", None, "to the ground, tyre pumped and loaded; left out, as the front wheels",
                      lo=50, hi=600),
        "centre": Key("place", None, "middle of the tyre; left out, on the centre line, a wheelbase behind the front "
                                     "wheels, on their ground"),
        "spin_axis": Key("direction", (0.0, 1.0, 0.0), "direction of its axle, pointing left"),
        "body": Key("name", "frame", "what its axle is fixed to"),
        "tyre_width": Key("length", 0.0, "width of the tyre, taken as round; 0 is a thin disc", lo=0, hi=150),
        "tolerance": Key("length", 5.0, "how far its real place may be off the drawing", above=0, hi=500),
        "spin_tolerance": Key("angle", 1.0, "how far its real axle may point off the drawing", above=0, hi=45),
        "spin_body": Key("name", None, "the body that turns by hand with it, if it has a tag: straight ahead is then "
                                       "what this wheel says"),
        "square_tolerance": Key("angle", 0.03, "with spin_body: how far its axle may be from square to straight ahead",
                                above=0, hi=5),
        "level_tolerance": Key("angle", 0.5, "with spin_body: how far its axle may tip from level", above=0, hi=10),
    },
    "camera": {
        "readout": Key("number", None, "milliseconds from the sensor's first row to its last, 0 for a global shutter; "
                                       "left out, how far the hand moved meanwhile is found from the photos alone",
                       lo=0, hi=200),
    },
    "limits": {
        "min_transmission_angle": Key("angle", 30.0, "least angle between a rod and its arm", lo=0, hi=90),
        "min_clearance": Key("length", 5.0, "least gap between a rod and anything else", lo=0, hi=200),
    },
}

# Sections holding one table for each name.
NAMED: dict[str, dict[str, Key]] = {
    "bodies": {
        "role": Key("choice", "other", "what the part does", choices=ROLES),
        "mirror": MIRROR,
        "side": Key("choice", "", "left, right or neither", choices=(*SIDES, NEITHER),
                    implied="lever, upright, wheel: the side in its name"),
        "parent": Key("name", "frame", "the part that carries its hinge",
                      implied="wheel without a pivot: its side's upright"),
        "pivot": Key("place", REQUIRED, "any place on the hinge axis, best at its middle",
                     implied="wheel: the centre of [wheels.SIDE], which then has it as spin_body"),
        "axis": Key("direction", REQUIRED, "direction of the hinge axis; a turn is right-handed about it",
                    implied='lever, wheel: "left"; crank: "up"'),
        "caster": Key("angle", None, "upright: how far its kingpin leans back at the top in side view, for axis",
                      lo=-50, hi=50),
        "inclination": Key("angle", None, "upright: how far its kingpin leans in at the top in front view, for axis",
                           lo=-50, hi=50),
        "travel": Key("angle range", None, "stops, from straight ahead", lo=-180, hi=180),
        "balls": Key("holes", None, "upright on two ball joints, { lower = [..], upper = [..] }, for pivot and axis"),
        "locked": Key("flag", False, "lean joint: its lock holds it upright except at the lean positions"),
        "grip": Key("length", None, "lever: from its hinge to the middle of the hand grip", above=0, hi=2000),
        "pivot_tolerance": Key("length", 2.0, "how far the real one may be off the drawing", above=0, hi=500),
        "axis_tolerance": Key("angle", 1.0, "how far the real one may point off the drawing", above=0, hi=45),
    },
    "points": {
        "mirror": MIRROR,
        "body": Key("name", REQUIRED, "the part it is on", implied="the part named before the dot"),
        "at": Key("place", None, "where the ball's centre is, if there is one hole only"),
        "holes": Key("holes", None, "hole name = place of the ball's centre, for a row of holes"),
        "row": Key("row", None, "holes in a row, { first = 44, spacing = 9, count = 3, direction = \"up\" }"),
        "use": Key("label", None, "the hole in use"),
        "bolt": Key("direction", None, "direction of the rod end's bolt; left out, the part's hinge axis"),
        "tolerance": Key("length", 1.0, "how far the real place may lie from the drawing", above=0, hi=500),
        "misalignment": Key("angle", 25.0, "how far the rod end may tilt out of square with its bolt", above=0, hi=90),
        "seat": Key("length", 0.2, "how far a ball moved to another hole may sit beside its middle", lo=0, hi=5),
        "clock": Key("angle range", None, "arm clamped on its bar: how far it may be turned, about the part's axis",
                     lo=-180, hi=180),
        "clock_step": Key("angle", 1.0, "finest turn of that arm you can set", above=0, hi=45),
    },
    "rods": {
        "mirror": MIRROR,
        "from": Key("name", REQUIRED, "point at one end"),
        "to": Key("name", REQUIRED, "point at the other end"),
        "length": Key("length", None, "between ball centres; left out, as drawn", above=0, hi=FAR),
        "adjuster": Key("choice", "screw", "how its length is set", choices=("screw", "clamp", "fixed")),
        "range": Key("length range", None, "shortest and longest you may set", above=0, hi=FAR),
        "plus_minus": Key("length", None, "how much shorter or longer than now you may set it, for range", above=0,
                          hi=1000),
        "step": Key("length", 0.5, "clamp: finest change you can set", above=0, hi=10),
        "overlap": Key("length", None, "clamp: least overlap of the two tubes", above=0, hi=1000),
        "overlap_now": Key("length", None, "clamp: overlap now", above=0, hi=FAR),
        "overlap_most": Key("length", None, "clamp: overlap pushed right in; with the other two, for range", above=0,
                            hi=FAR),
        "thread": Key("label", None, "screw: M8 (coarse), M8x1 (fine) or 1/4-28 (inch)"),
        "per_turn": Key("length", None, "screw: change in a turn, where no thread is given", above=0, hi=20),
        "ends": Key("choice", "one", "screw: threaded ends that work as it is turned", choices=tuple(ENDS)),
        "turn_step": Key("number", 0.5, "screw: finest part of a turn that can be locked", above=0, hi=10),
        "engaged_now": Key("length", None, "screw: thread engaged at each end now", above=0, hi=500),
        "engaged_most": Key("length", None, "screw: the same screwed right in; with engaged_now, for range", above=0,
                            hi=500),
        "setting": Key("length", None, "how far off a careful setting may be; left out, half a clamp step or 1/6 turn",
                       lo=0, hi=20),
        "diameter": Key("length", 12.0, "outside, for clearance", above=0, hi=200),
        "tolerance": Key("length", 2.0, "how far the real length may lie from the drawing", above=0, hi=500),
    },
    "wheels": {
        "mirror": MIRROR,
        "upright": Key("name", REQUIRED, "the part it is mounted on", implied="its side's upright"),
        "spin_body": Key("name", None, "the body that turns by hand with the wheel, if it has a tag"),
        "centre": Key("place", REQUIRED, "middle of the tyre, on the spin axis", implied="the pivot of its spin_body"),
        "centre_tolerance": Key("length", 2.0, "how far along its axle the tyre may really sit", above=0, hi=500),
        "spin_axis": Key("direction", (0.0, 1.0, 0.0), "direction of the wheel's axle, pointing left"),
        "radius": Key("length", REQUIRED, "to the ground, tyre pumped and loaded", lo=50, hi=600),
        "spin_tolerance": Key("angle", 1.0, "how far the real one may point off the drawing", above=0, hi=45),
        "spin_measured": Key("flag", False, "true where the axle's direction came from photos"),
        "tyre_width": Key("length", 0.0, "width of the tyre, taken as round; 0 is a thin disc", lo=0, hi=150),
    },
    "tags": {
        "mirror": MIRROR,
        "code": Key("whole", REQUIRED, "number printed under the tag", implied="made of the tag's name"),
        "body": Key("name", None, "the part it is stuck on; not needed with on_bolt",
                    implied="the part of the tag's name"),
        "size": Key("length", 60.0, "edge of the printed tag as drawn", lo=10, hi=400),
        "on_bolt": Key("name", None, "point whose bolt head carries it, middle on the bolt's axis",
                       implied='the point of the tag\'s name, "_" for its dot'),
        "offset": Key("length", 0.0, "how far the ball's centre lies below the paper", lo=-200, hi=200),
        "offset_tolerance": Key("length", 0.5, "how well that is known", above=0, hi=50),
        "place": Key("place", None, "drawn place of its middle, for a tag on the frame that fixes the axes"),
        "place_tolerance": Key("length", 2.0, "how well that is known", above=0, hi=500),
        "on_centre_line": Key("flag", False, "true for a tag on the frame with its middle on the centre line, y = 0"),
        "centre_line_tolerance": Key("length", 0.5, "how well that is so", above=0, hi=20),
        "on_floor": Key("flag", False, "true for a tag lying on the floor under the vehicle, face up"),
        "floor_tolerance": Key("length", 1.0, "how level the floor is from one such tag to the next", above=0, hi=50),
        "flat_tolerance": Key("angle", 1.0, "how flat the tag lies against the whole floor", above=0, hi=10),
    },
    "obstacles": {
        "mirror": MIRROR,
        "from": Key("place", REQUIRED, "one end of its middle line"),
        "to": Key("place", REQUIRED, "other end"),
        "diameter": Key("length", REQUIRED, "outside", above=0, hi=1000),
        "body": Key("name", "frame", "the part it belongs to"),
    },
    "slides": {
        "mirror": MIRROR,
        "bodies": Key("labels", REQUIRED, "parts that move together"),
        "direction": Key("direction", REQUIRED, "the way they move, along the frame"),
        "range": Key("length range", REQUIRED, "how far from where they are drawn", lo=-2000, hi=2000),
        "step": Key("length", 5.0, "finest change", above=0, hi=500),
    },
    "targets": {
        "value": Key("number", REQUIRED, "the figure wanted"),
        "tolerance": Key("number", REQUIRED, "plus and minus", above=0),
    },
}

# The keys of points.NAME.row.
ROW: dict[str, Key] = {
    "first": Key("length", REQUIRED, "from the hinge to the first hole", above=0, hi=FAR),
    "spacing": Key("length", None, "from one hole to the next", above=0, hi=FAR),
    "count": Key("whole", REQUIRED, "how many holes", lo=1, hi=60),
    "direction": Key("direction", None, "from the hinge towards the holes"),
    "angle": Key("angle", None, "the same for an arm square to its hinge: from straight up, forward positive, on a "
                                "level hinge; from straight ahead, left positive, on an upright one", lo=-360, hi=360),
    "along": Key("length", 0.0, "how far beside the pivot, along the hinge: to the left on a level one, up on an "
                                "upright one", lo=-FAR, hi=FAR),
    "names": Key("choice", LETTERS, "of the holes, from the hinge outwards: A, B, C or 1, 2, 3",
                 choices=(LETTERS, NUMBERS)),
}

LEAST_ENGAGEMENT = 1.5  # thread diameters engaged, steel in steel; common practice, no source
ASSEMBLY_SLACK = 25.0  # mm a given rod length may differ from the drawing beyond its tolerance


def defaults() -> list[tuple[str, str, str]]:
    """(key path, default as written in the file, meaning) of every key that may be left out."""
    rows = []
    for section, keys in {**SINGLE, **NAMED}.items():
        for name, key in keys.items():
            if key.default is REQUIRED:
                continue
            path = f"{section}.{name}" if section in SINGLE else f"{section}.NAME.{name}"
            rows.append((path, default_text(key), key.help))
    rows += [(f"points.NAME.row.{name}", default_text(key), key.help) for name, key in ROW.items()
             if key.default is not REQUIRED]
    return rows


def implied() -> list[tuple[str, str]]:
    """(key path, what is taken) of every key that may be left out where something else in the file says it."""
    return [(f"{section}.NAME.{name}", key.implied) for section, keys in NAMED.items() for name, key in keys.items()
            if key.implied]


def default_text(key: Key) -> str:
    """A key's default as it would be written in the file; "left out" where there is none."""
    d = key.default
    if d is None or d == "":
        return "left out"
    if isinstance(d, bool):
        return "true" if d else "false"
    if isinstance(d, str):
        return f'"{d}"'
    if isinstance(d, tuple):
        return "[" + ", ".join(f"{x:g}" for x in d) + "]"
    return f"{d:g}"
