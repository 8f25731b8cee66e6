"""What a rig file lets one doubt before any photo: codes with facts, and the one table that puts them into words.

The checks (``calib.linkage.plausible``, ``sides``, ``tagging``, ``designcheck``) give codes, names and numbers; nobody
else makes the words. To add a remark: a code, a line in ``TABLE``, a check that gives it, and a row in
``tests/test_check_sees.py`` that makes the mistake.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

Fact = float | int | str | bool | tuple[str, ...] | tuple[float, ...]


class Code(StrEnum):
    """What a remark is."""

    UNDER_GROUND = "under_ground"
    NEAR_GROUND = "near_ground"
    OFF_GROUND = "off_ground"
    WRONG_SIDE = "wrong_side"
    NAME_AND_PART = "name_and_part"
    SIDES_DIFFER = "sides_differ"
    MANY_SIDES_DIFFER = "many_sides_differ"
    TURNS_THE_OTHER_WAY = "turns_the_other_way"
    KINGPIN_LEAN = "kingpin_lean"
    TRAIL_BEHIND = "trail_behind"
    UNUSUAL = "unusual"
    ODD_ONE_OUT = "odd_one_out"
    SCALE_BAR_FAR = "scale_bar_far"
    FAR_OUT = "far_out"
    LEVER_AHEAD = "lever_ahead"
    HOLE_FAR = "hole_far"
    HOLE_BESIDE_ROW = "hole_beside_row"
    HOLE_UNEVEN = "hole_uneven"
    HOLE_ORDER = "hole_order"
    SAME_PLACE = "same_place"
    AXLE_OFF = "axle_off"
    REAR_OFF = "rear_off"
    CROSSES_MIDDLE = "crosses_middle"
    NOT_JOINED = "not_joined"
    SHORT_OBSTACLE = "short_obstacle"
    THREAD_THICK = "thread_thick"
    BOARD_MOVES = "board_moves"
    CARRIES_NOTHING = "carries_nothing"
    NO_WHEEL = "no_wheel"
    NO_ROD = "no_rod"
    NO_POSITIONS = "no_positions"
    FEW_POSITIONS = "few_positions"
    NO_TARGETS = "no_targets"
    TWO_TAGS = "two_tags"
    TAG_BEHIND = "tag_behind"
    TAG_DOWN = "tag_down"
    NO_TAG = "no_tag"
    BOLT_NO_TAG = "bolt_no_tag"
    WHEEL_NO_TAG = "wheel_no_tag"
    WHEEL_STILL = "wheel_still"
    WHEELS_APART = "wheels_apart"
    OUTER_FURTHER = "outer_further"
    MISSES_TARGET = "misses_target"
    TARGET_NEGATIVE = "target_negative"


@dataclass(frozen=True)
class Remark:
    """Something to look at. ``item``: the thing's name in the rig file; ``facts`` mm, degrees or plain, as ``TABLE``
    reads them.
    """

    code: Code
    item: str
    facts: Mapping[str, Fact] = field(default_factory=dict, hash=False)

    @property
    def text(self) -> str:
        """The remark as a sentence."""
        return TABLE[self.code](self.item, self.facts)

    @property
    def note(self) -> bool:
        """Whether it only says what is given up, in a rig file that may be just as it is meant."""
        return self.code in NOTES


NOTES = frozenset({Code.BOLT_NO_TAG, Code.WHEEL_NO_TAG})
Says = Callable[[str, Mapping[str, Any]], str]


def sentences(remarks: Iterable[Remark]) -> list[str]:
    """One sentence a remark; three or more that say the same of several things are one."""
    same: dict[tuple[Code, str], list[Remark]] = {}
    for r in remarks:
        sentence = r.text  # made here, so it may be taken apart here
        same.setdefault((r.code, sentence.replace(r.item, "@", 1)), []).append(r)
    out = []
    for (_, words), some in same.items():
        out += [words.replace("@", _listed(r.item for r in some), 1)] if len(some) > 2 else [r.text for r in some]
    return out


def place(v: object) -> str:
    """A place as written in the file."""
    return "[" + ", ".join(f"{round(float(x), 2) + 0.0:g}" for x in v) + "]"  # type: ignore[attr-defined]


def _listed(words: object) -> str:
    some = list(words)  # type: ignore[call-overload]
    return some[0] if len(some) == 1 else ", ".join(some[:-1]) + " and " + some[-1]


def _differ(item: str, f: Mapping[str, Any]) -> str:
    unit = f["unit"] and f" {f['unit']}"
    return (f"{item} and {f['other']} are no mirror images: {f['what']} {f['here']} against {f['there']}, "
            f"{f['by']:.3g}{unit} apart.")


def _ground(item: str, f: Mapping[str, Any]) -> str:
    return f"{item}: {f['what']} {place(f['at'])} lies {-f['up']:.0f} mm under the ground; z is positive upwards."


def _lean(item: str, f: Mapping[str, Any]) -> str:
    back = f["angle"] == "caster"
    way, usual = (("forward", "back, behind its lower end") if back else ("outward", "inward")) if f["deg"] < 0 else (
        ("back" if back else "inward"), "less")
    return (f"{item}: the kingpin leans {abs(f['deg']):.1f} deg {way} at the top ({f['angle'].replace('_', ' ')}); "
            f"usual is {usual}.")


def _unusual(item: str, f: Mapping[str, Any]) -> str:
    unit = f["unit"] and f" {f['unit']}"
    return (f"{item}: {f['what']} is {f['value']:.6g}{unit}; usual is {f['low']:g} to {f['high']:g}{unit}. Check unit "
            "and decimal point.")


TABLE: dict[Code, Says] = {
    Code.UNDER_GROUND: _ground,
    Code.NEAR_GROUND: lambda i, f: f"{i}: {f['what']} {place(f['at'])} is only {f['up']:.0f} mm above the ground.",
    Code.OFF_GROUND: lambda i, f: (
        f"{i}: its tyre touches at z = {f['z']:.0f} mm, but the ground is at z = {f['ground']:.0f}; check centre and "
        "radius."),
    Code.WRONG_SIDE: lambda i, f: (
        f"{i}: by its {f['by']} it is on the {f['side']}, but {f['what']} {place(f['at'])} is on the other side "
        "(y is positive to the left)."),
    Code.NAME_AND_PART: lambda i, f: f"{i} is {f['link']} {f['other']}: check the name, or where it belongs.",
    Code.SIDES_DIFFER: _differ,
    Code.MANY_SIDES_DIFFER: lambda i, f: (
        f"Left and right differ in {f['count']} of {f['of']} pairs (see the table): right if meant so."),
    Code.TURNS_THE_OTHER_WAY: lambda i, f: (
        f"{i}: its axis points {f['points']}, so that a positive angle turns it {f['turns']}; travel and angles of "
        "this part then count the other way. Usual is " + f["usual"] + "."),
    Code.KINGPIN_LEAN: _lean,
    Code.TRAIL_BEHIND: lambda i, f: (
        f"{i}: the kingpin meets the ground {f['mm']:.0f} mm behind the tyre's contact, so the wheel does not run "
        "straight by itself; check centre, pivot and axis."),
    Code.UNUSUAL: _unusual,
    Code.ODD_ONE_OUT: lambda i, f: (
        f"{i}: {f['what']} is {f['value']:.4g} {f['unit']} where all others have about {f['others']:.4g}. Check the "
        "decimal point."),
    Code.SCALE_BAR_FAR: lambda i, f: (
        f"{i} reads {f['value']:g} mm for {f['nominal']:g} mm, {f['percent']:+.1f} %: printers are off by up to about "
        "1 %. Measure again, or print at 100 %."),
    Code.FAR_OUT: lambda i, f: (
        f"{i}: {f['what']} {place(f['at'])} lies {f['mm']:.0f} mm {f['way']}. Check its sign and digits."),
    Code.LEVER_AHEAD: lambda i, f: (
        f"{i}: its hinge {place(f['at'])} stands {f['mm']:.0f} mm ahead of the front axle, where no hand reaches from "
        "the seat; behind the front axle x is negative."),
    Code.HOLE_FAR: lambda i, f: (
        f"{i}: hole {f['hole']} {place(f['at'])} is {f['mm']:.0f} mm from the next one; the others are "
        f"{f['usual']:.3g} mm apart."),
    Code.HOLE_BESIDE_ROW: lambda i, f: (
        f"{i}: hole {f['hole']} {place(f['at'])} lies {f['mm']:.1f} mm beside the straight row of the others."),
    Code.HOLE_UNEVEN: lambda i, f: (
        f"{i}: hole {f['hole']} {place(f['at'])} is {f['mm']:.1f} mm off the even spacing of the others."),
    Code.HOLE_ORDER: lambda i, f: (
        f"{i}: holes {_listed(f['names'])} do not stand along the row in the order of their names."),
    Code.SAME_PLACE: lambda i, f: f"{i} and {f['other']} are at the same place {place(f['at'])}.",
    Code.AXLE_OFF: lambda i, f: (
        f"{i}: the hinge of {f['other']} passes {f['mm']:.1f} mm from the wheel's centre and is turned "
        f"{f['deg']:.1f} deg from its axle; they are the same axle."),
    Code.REAR_OFF: lambda i, f: (
        f"{i}: the rear wheel stands {f['mm']:.0f} mm behind the front wheels, the wheelbase is {f['wheelbase']:g}."),
    Code.CROSSES_MIDDLE: lambda i, f: (
        f"{i} runs from y = {f['first']:g} to y = {f['last']:g}, across the centre line: has one of them lost its "
        "sign?"),
    Code.NOT_JOINED: lambda i, f: (
        f"{i} ends at {place(f['at'])} and {f['other']} at {place(f['there'])}: they would line up if the sign of "
        f"{f['axis']} were the same."),
    Code.SHORT_OBSTACLE: lambda i, f: (
        f"{i} is only {f['mm']:.0f} mm long and {f['thick']:g} mm thick, along the vehicle: check the sign of x at "
        "both ends."),
    Code.THREAD_THICK: lambda i, f: f"{i}: a thread of {f['thread']:g} mm in a rod of {f['rod']:g} mm.",
    Code.BOARD_MOVES: lambda i, f: (
        f"The board is fixed to {i}, which moves with the steering; every place is measured against it, so it belongs "
        "on the frame."),
    Code.CARRIES_NOTHING: lambda i, f: (
        f"{i} carries no {f['what']}: nothing on the vehicle moves with it. Name it as the parent of what it carries, "
        "or leave it out."),
    Code.NO_WHEEL: lambda i, f: f"{i} is an upright, but neither wheel is mounted on it.",
    Code.NO_ROD: lambda i, f: f"{i}: no rod ends here.",
    Code.NO_POSITIONS: lambda i, f: (
        "No lever positions are named: write positions = [...] under [steering], or every folder of photos counts as "
        "one, whatever it holds."),
    Code.FEW_POSITIONS: lambda i, f: (
        f"Only {f['count']} lever position{'s' if f['count'] > 1 else ''}: hinges show in their movement, so take five "
        "or more."),
    Code.NO_TARGETS: lambda i, f: "No [targets]: nothing is judged, and no change can be proposed.",
    Code.TWO_TAGS: lambda i, f: f"{_listed(f['tags'])} are all on the bolt of {i}: only one fits there.",
    Code.TAG_BEHIND: lambda i, f: (
        f"{i}: offset {f['mm']:g} mm puts the ball in front of the paper; the ball lies below it, so the number is "
        "positive."),
    Code.TAG_DOWN: lambda i, f: (
        f"{i} faces the ground, since the bolt of {f['point']} points down: no photo sees it from above. Check the "
        "sign of that bolt."),
    Code.NO_TAG: lambda i, f: f"{i} has no tag: {f['cost']}",
    Code.BOLT_NO_TAG: lambda i, f: (
        f"{i}: no tag on this bolt, so this ball is found only by the rods and the drawing (+/- {f['tol']:g} mm)"
        f"{', and so is the length of ' + _listed(f['rods']) if f['rods'] else ''}."),
    Code.WHEEL_NO_TAG: lambda i, f: (
        f"The {i} wheel has {'a tag, but spin_positions names no position' if f['tagged'] else 'no tag of its own'} "
        f"to be turned by hand: its toe and camber stand on the axle as drawn (+/- {f['tol']:g} deg)."),
    Code.WHEEL_STILL: lambda i, f: (
        f"The {i} wheel turns by {f['deg']:.2f} deg only while {f['driver']} goes through its travel: is a rod on the "
        "wrong part?"),
    Code.WHEELS_APART: lambda i, f: (
        f"While {i} moves, the left wheel turns by {f['left']:+.1f} deg and the right one by {f['right']:+.1f} deg: "
        "they steer against each other."),
    Code.OUTER_FURTHER: lambda i, f: (
        f"At both stops of {i} the outer wheel turns {f['deg']:.1f} deg or more further than the inner one; it should "
        f"turn less. Are {_listed(f['points'])} on the right side of their kingpins, ahead or behind?"),
    Code.MISSES_TARGET: lambda i, f: (
        f"{'As measured the rig misses its' if f['measured'] else 'The drawing misses its own'} target: {i} comes out "
        f"as {f['value']}, {f['wanted']} is wanted."),
    Code.TARGET_NEGATIVE: lambda i, f: (
        f"targets.{i}: value {f['value']:g} is below zero, but this figure is a magnitude, judged as at most value "
        "plus tolerance."),
}
