"""What a builder is asked about a rig: one table, from which the terminal asks and the worksheet is printed.

Everything is asked in the order in which it can be measured, of the left side only, with plumb line, straight edge,
tape and calipers, and as a plain distance: behind a line, out from a line, above the floor.
"""

from __future__ import annotations

import math
import string
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from calib.rig.errors import nearest
from calib.rig.starter import LAYOUTS
from calib.rig.units import angle_rad, length_mm, thread

Answers = Mapping[str, str]  # key -> as typed
UNITS = {"length": "mm", "angle": "deg", "count": "", "choice": "", "word": "", "thread": "", "number": ""}


def _always(_answers: Answers) -> bool:
    return True


@dataclass(frozen=True)
class Question:
    """``kind``: length, angle, count, number, thread, choice or word. ``lo`` and ``hi`` in mm, deg or as they are.

    ``default`` is what Enter alone means; ``optional``: Enter alone means "not known". ``when``: whether it is asked,
    by the answers so far.
    """

    key: str
    section: str
    ask: str
    how: str
    kind: str = "length"
    sketch: str = ""
    default: str = ""
    lo: float | None = None
    hi: float | None = None
    choices: tuple[str, ...] = ()
    optional: bool = False
    layouts: tuple[str, ...] = tuple(LAYOUTS)
    when: Callable[[Answers], bool] = _always


SECTIONS: dict[str, str] = {
    "Before you measure": "Stand the vehicle on a level floor, tyres pumped and loaded as ridden, steering straight "
                          "ahead and held there. With a plumb line from the frame's middle, front and rear, chalk its "
                          "centre line on the floor; then chalk a cross line square to it under the middles of the "
                          "front axles. Only the left side is asked for: the right one is taken as its mirror image, "
                          "and you can change it in the file.",
    "Wheels": "The lengths that everything else counts from.",
    "Kingpins": "The pins that the front wheels are steered about. The middle of a kingpin is half-way between its "
                "bearings.",
    "Levers": "The middle of a lever's hinge is on its axle, in the middle of its bearing.",
    "Bar": "The handlebar or tiller, and its hinge.",
    "Crank": "The bell crank in the middle that the levers' rods work.",
    "Lean": "The hinge that the front axle leans about, along the vehicle.",
    "Holes": "Always the middle of the ball of the rod end, never the bolt's head.",
    "Balls on the upright": "Always the middle of the ball of the rod end.",
    "Rods": "From the middle of one ball to the middle of the other.",
    "Tags and aims": "What the photos and the verdicts need to know.",
}

LEVERS = ("direct", "crank", "leaning")
CRANKS = ("crank", "leaning")
STEERED = ("crank", "bar", "leaning")
_PLUMB = "Hang the plumb line from it, mark the floor under the point, measure there."
_OVER = "Phone inclinometer; or plumb line and rule: write 12 over 60 for 12 mm off the line in a height of 60."


def _place(key: str, section: str, what: str, layouts: tuple[str, ...], *, out: bool = True, behind: bool = True,
           up: bool = True, sketch: str = "") -> list[Question]:
    """Where a point stands: behind the cross line, out from the chalk line, above the floor."""
    sketch, found = sketch or ("place" if out else "middle"), []
    if behind:
        found.append(Question(f"{key}.behind", section, f"a  How far behind the cross line is {what}? Ahead of it: a "
                              "minus.", _PLUMB + " Square to the cross line.", sketch=sketch, lo=-3000, hi=3000,
                              layouts=layouts))
    if out:
        found.append(Question(f"{key}.out", section, f"b  How far out from the chalk line is {what}?",
                              _PLUMB + " Square to the chalk line.", sketch=sketch, lo=1, hi=1500, layouts=layouts))
    if up:
        found.append(Question(f"{key}.up", section, f"c  How far above the floor is {what}?",
                              "Tape or rule upright on the floor, level across with a straight edge.", sketch=sketch,
                              lo=0, hi=2000, layouts=layouts))
    return found


def _row(key: str, part: str, layouts: tuple[str, ...], sketch: str) -> list[Question]:
    """Holes in a row: all but the way the arm points."""
    def several(a: Answers) -> bool:
        return a.get(f"{key}.count", "1").strip() != "1"

    return [
        Question(f"{key}.count", "Holes", f"How many holes for that rod end has {part}?",
                 "Count those that you would use.", kind="count", sketch=sketch, lo=1, hi=26, layouts=layouts),
        Question(f"{key}.first", "Holes", "h  How far is the first hole, A, the nearest, from the hinge's middle?",
                 "Calipers: inner edge to inner edge, and half of both bores more.", sketch=sketch, lo=5, hi=1500,
                 layouts=layouts),
        Question(f"{key}.spacing", "Holes", "i  How far is one hole from the next, middle to middle?",
                 "Calipers over several holes, divided by the number of gaps.", sketch=sketch, lo=1, hi=300,
                 layouts=layouts, when=several),
        Question(f"{key}.use", "Holes", "Which hole is in use? A is nearest to the hinge.",
                 "Look.", kind="word", sketch=sketch, layouts=layouts, when=several),
    ]


def _rod(key: str, what: str, layouts: tuple[str, ...]) -> list[Question]:
    def screwed(a: Answers) -> bool:
        return a.get(f"{key}.kind", "") == "screw"

    return [
        Question(f"{key}.kind", "Rods", f"How is {what} set to length?",
                 "screw: threaded rod ends; clamp: two tubes and a clamp; fixed: not at all.", kind="choice",
                 sketch="rod", choices=("screw", "clamp", "fixed"), layouts=layouts),
        Question(f"{key}.thread", "Rods", "Which thread?", "M8, M8x1 (fine) or 1/4-28 (inch).", kind="thread",
                 sketch="rod", layouts=layouts, when=screwed),
        Question(f"{key}.ends", "Rods", "How many threaded ends work as the rod is turned?",
                 "both: a right-hand and a left-hand end; one: the other end only turns along.", kind="choice",
                 sketch="rod", choices=("one", "both"), layouts=layouts, when=screwed),
        Question(f"{key}.range", "Rods", "m  How much shorter or longer than now can it be set, either way?",
                 "So far that 1.5 diameters of thread, or the least overlap of the tubes, stay engaged. A rod that "
                 "slips out steers nothing.", sketch="rod", lo=0.5, hi=300, layouts=layouts,
                 when=lambda a: a.get(f"{key}.kind", "") != "fixed"),
        Question(f"{key}.length", "Rods", "l  How long is it from ball to ball? Leave empty: as the places say.",
                 "Tape or calipers from one end's outer edge to the other's same edge. A good check of the places.",
                 sketch="rod", lo=20, hi=3000, optional=True, layouts=layouts),
    ]


QUESTIONS: tuple[Question, ...] = (
    Question("name", "Before you measure", "What is the vehicle called?", "It stands on drawings and reports.",
             kind="word", default="my vehicle"),
    Question("tolerance", "Before you measure", "How far off may a length be, 95 times in 100, as you measure?",
             "Tape measure and plumb line: 4 mm; straight edge and calipers: 1 mm. Be honest: too small a number "
             "pulls the result towards what you typed.", sketch="floor", default="4", lo=0.1, hi=100),
    Question("wheelbase", "Wheels", "a  How far is it from the cross line back to the middle of the rear axle?",
             "Plumb line at the rear axle, tape along the chalk line.", sketch="floor", lo=200, hi=6000),
    Question("track", "Wheels", "b  How far apart are the middles of the two front tyres, at axle height?",
             "Level at the height of the axles, from the middle of the one tread to that of the other.",
             sketch="floor", lo=200, hi=2500),
    Question("radius", "Wheels", "c  How far above the floor is the middle of a front axle?",
             "Loaded as ridden. Rule upright on the floor.", sketch="floor", lo=50, hi=600),
    *_place("kingpin", "Kingpins", "the middle of the left kingpin", tuple(LAYOUTS)),
    Question("caster", "Kingpins", "d  How far does its top lean back, in side view? Forward: a minus.", _OVER,
             kind="angle", sketch="caster", lo=-50, hi=50),
    Question("inclination", "Kingpins", "e  How far does its top lean in, in front view? Out: a minus.", _OVER,
             kind="angle", sketch="inclination", lo=-50, hi=50),
    *_place("lean", "Lean", "the line that the axle leans about, on the cross line", ("leaning",), out=False,
            behind=False, sketch="lean"),
    Question("lean.fall", "Lean", "n  How far does that line fall towards the front? Rising: a minus.", _OVER,
             kind="angle", sketch="lean", default="0", lo=-60, hi=60, layouts=("leaning",)),
    Question("lean.stop", "Lean", "How far does it lean to either side?", "Phone inclinometer on the axle, upright "
             "and leaned against its stop.", kind="angle", sketch="lean", lo=0.5, hi=60, layouts=("leaning",)),
    Question("lean.lock", "Lean", "Is there a lock that holds it upright?", "Used while the photos are taken.",
             kind="choice", choices=("yes", "no"), default="no", sketch="lean", layouts=("leaning",)),
    *_place("lever", "Levers", "the middle of the left lever's hinge", LEVERS),
    Question("lever.push", "Levers", "f  How far does the left lever go forward from straight ahead, to its stop?",
             "Phone inclinometer on the lever; the difference of the two readings.", kind="angle", sketch="stops",
             lo=1, hi=170, layouts=LEVERS),
    Question("lever.pull", "Levers", "g  How far does it come back from straight ahead, to its stop?",
             "The same.", kind="angle", sketch="stops", lo=1, hi=170, layouts=LEVERS),
    Question("right.stops", "Levers", "Does the right lever meet stops of its own?",
             "no: it stands where the left one has taken it, and meets nothing.", kind="choice",
             choices=("yes", "no"), default="no", sketch="stops", layouts=LEVERS),
    Question("right.push", "Levers", "f  How far does the right lever go forward from straight ahead, to its stop?",
             "With its rod off.", kind="angle", sketch="stops", lo=1, hi=170, layouts=LEVERS,
             when=lambda a: a.get("right.stops") == "yes"),
    Question("right.pull", "Levers", "g  How far does it come back from straight ahead, to its stop?", "The same.",
             kind="angle", sketch="stops", lo=1, hi=170, layouts=LEVERS,
             when=lambda a: a.get("right.stops") == "yes"),
    *_place("bar", "Bar", "the middle of the bar's hinge", ("bar",), out=False),
    Question("bar.left", "Bar", "f  How far does the bar turn to the left, to its stop?",
             "Protractor, or chalk the two directions on card and measure.", kind="angle", sketch="bar", lo=1, hi=170,
             layouts=("bar",)),
    Question("bar.right", "Bar", "g  How far does it turn to the right, to its stop?", "The same.", kind="angle",
             sketch="bar", lo=1, hi=170, layouts=("bar",)),
    *_place("crank", "Crank", "the middle of the crank's hinge", CRANKS, out=False),
    Question("holes.way", "Holes", "Do the holes in the left lever lie above its hinge or below it?", "Look.",
             kind="choice", choices=("above", "below"), sketch="lever holes", layouts=LEVERS),
    Question("holes.lean", "Holes", "k  How far does the line from hinge to holes lean forward of plumb, straight "
             "ahead? Back: a minus.", _OVER, kind="angle", sketch="lever holes", default="0", lo=-80, hi=80,
             layouts=LEVERS),
    *_row("holes", "the left lever", LEVERS, "lever holes"),
    Question("holes.out", "Holes", "b  How far out from the chalk line is the middle of that rod end's ball?", _PLUMB,
             sketch="place", lo=1, hi=1500, layouts=LEVERS),
    Question("in.angle", "Holes", "k  Seen from above, how far is it from straight ahead to the crank's left arm, the "
             "one the lever's rod works? Straight out: 90.", "Protractor.", kind="angle", sketch="arm holes",
             default="90", lo=0, hi=180, layouts=CRANKS),
    *_row("in", "that arm of the crank", CRANKS, "arm holes"),
    Question("in.up", "Holes", "c  How far above the floor is the middle of that rod end's ball?",
             "Rule upright on the floor.", sketch="place", lo=0, hi=2000, layouts=CRANKS),
    Question("bar.angle", "Holes", "k  Seen from above, how far is it from straight ahead to the arm that the left rod "
             "is on? Straight out: 90; straight back: 180.", "Protractor.", kind="angle", sketch="arm holes", lo=0,
             hi=180, layouts=("bar",)),
    *_row("arm_holes", "that arm of the bar", ("bar",), "arm holes"),
    Question("arm_holes.up", "Holes", "c  How far above the floor is the middle of that rod end's ball?",
             "Rule upright on the floor.", sketch="place", lo=0, hi=2000, layouts=("bar",)),
    *_place("out", "Holes", "the ball on the crank that the left tie rod is on", CRANKS),
    *_place("arm", "Balls on the upright", "the rod end's ball on the left upright", STEERED),
    *_place("drag", "Balls on the upright", "the ball on the left upright that the lever's rod is on", ("direct",)),
    *_place("tie", "Balls on the upright", "the ball on the left upright that the tie rod is on", ("direct",)),
    *_rod("rod", "the left rod", tuple(LAYOUTS)),
    *_rod("tie_rod", "the tie rod", LEVERS),
    Question("offset", "Tags and aims", "p  On a rod end's bolt, how far is it from the tag's paper down to the middle "
             "of the ball?", "Calipers on one bolt with its tag's plate on; as it will be, if it is not glued yet.",
             sketch="bolt", lo=-200, hi=200),
    Question("toe", "Tags and aims", "How far may the toe of both wheels together be off zero?",
             "What you would still ride with.", kind="angle", default="0.5", lo=0.01, hi=10),
    Question("ratio", "Tags and aims", "How far should a wheel turn for each degree of the lever or bar, near straight "
             "ahead? Leave empty: no aim.", "From your drawing, such as 0.76.", kind="number", lo=0.01, hi=10,
             optional=True),
    Question("ratio.off", "Tags and aims", "How far may that number be off?", "What you would still ride with.",
             kind="number", default="0.05", lo=0.001, hi=5, when=lambda a: bool(a.get("ratio", "").strip())),
)
BY_KEY = {q.key: q for q in QUESTIONS}
LAYOUT = Question("layout", "Before you measure", "Which is it?",
                  "; ".join(f"{name}: {what}" for name, what in LAYOUTS.items()), kind="choice",
                  choices=tuple(LAYOUTS))


def asked(layout: str, answers: Answers | None = None) -> list[Question]:
    """The questions of a layout in order; with ``answers`` only those that these leave open to ask."""
    return [q for q in QUESTIONS if layout in q.layouts and (answers is None or q.when(answers))]


def problem(q: Question, text: str, answers: Answers | None = None) -> str:
    """What is wrong with an answer, in words; "" where it is good. Enter alone is an empty text."""
    if not text.strip():
        return "" if q.optional or q.default else "an answer is needed here; or type back, list or stop"
    try:
        x = value(q, text)
    except ValueError as e:
        return str(e)
    unit = UNITS[q.kind]
    if isinstance(x, float | int) and (q.lo is not None and x < q.lo or q.hi is not None and x > q.hi):
        return f"{x:g} {unit}".strip() + f" is not between {q.lo:g} and {q.hi:g} {unit}".rstrip()
    if q.key.endswith(".use") and answers is not None:
        return _hole_problem(str(x), answers.get(q.key.replace(".use", ".count"), "26"))
    return ""


def _hole_problem(hole: str, count: str) -> str:
    names = string.ascii_uppercase[:int(count)] if count.isdigit() else string.ascii_uppercase
    return "" if len(hole) == 1 and hole in names else f"a letter from A to {names[-1]}"


def value(q: Question, text: str) -> float | int | str:
    """An answer as a number (mm, deg or plain) or a word. Raises ValueError with what is allowed."""
    text = text.strip() or q.default
    match q.kind:
        case "length":
            return _length(text)
        case "angle":
            return _angle(text)
        case "count":
            if not text.isdigit():
                raise ValueError("a whole number")
            return int(text)
        case "number":
            return _number(text)
        case "thread":
            try:
                thread(text)
            except ValueError as e:
                raise ValueError(f"a thread such as M8, M8x1 or 1/4-28 ({e})") from None
            return text
        case "choice":
            whole = [c for c in q.choices if c.startswith(text.lower())]
            if len(whole) != 1:
                raise ValueError(f"one of {', '.join(q.choices)}" + nearest(text, q.choices))
            return whole[0]
    if q.key.endswith(".use"):
        return text.upper()
    if any(ord(c) < 32 for c in text):
        raise ValueError("plain words")
    return text


def _number(text: str) -> float:
    try:
        x = float(text)
    except ValueError:
        raise ValueError("a number" + (", with a decimal point" if "," in text else "")) from None
    if not math.isfinite(x):
        raise ValueError("a number")
    return x


def _length(text: str) -> float:
    try:
        return float(text) if math.isfinite(float(text)) else _number(text)
    except ValueError:
        pass
    try:
        return length_mm(text)
    except ValueError as e:
        raise ValueError(f"a length in mm, or with its unit, such as 7/8 in or 2.2 cm ({e})") from None


def _angle(text: str) -> float:
    """Degrees; "12 over 60" is the angle whose slope that is."""
    if " over " in text:
        off, height = (_length(part.strip()) for part in text.split(" over ", 1))
        if height <= 0.0:
            raise ValueError("a height above 0 behind the word over")
        return math.degrees(math.atan2(off, height))
    try:
        return _number(text)
    except ValueError:
        pass
    try:
        return math.degrees(angle_rad(text))
    except ValueError as e:
        raise ValueError(f"an angle in degrees, or 12 over 60 ({e})") from None
