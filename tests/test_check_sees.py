"""`check` sees what a person would, before any photo: single mistakes made in the sample's rig file, one at a time.

Every mistake must either be refused or remarked on, and by the name of the thing. A sound rig gets no remark.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
import tomlkit

from calib.advice.search import need_both_wheels
from calib.checkup import check_up, headline, lines, run_of, side_lines, still_remarks
from calib.linkage.mechanism import Linkage
from calib.linkage.sides import differences
from calib.linkage.steering import steer_angles
from calib.linkage.tagging import Untagged, tag_remarks, untagged
from calib.planning.helps import lacking
from calib.remarks import TABLE, Code, Remark, sentences
from calib.rig.model import Rig
from calib.rig.reader import parse_rig, rig_to_toml
from calib.rig.starter import LAYOUTS, starter_text
from capture.errors import UserError
from tests import test_layouts as layouts
from tests.moorhen import SAMPLE, moorhen
from tests.render.leaning import leaning
from tests.render.references import referenced
from tests.render.truth import with_distances

Doc = dict[str, Any]
KeyPath = tuple[str | int, ...]
UNTAGGED = (Code.NO_TAG, Code.BOLT_NO_TAG, Code.WHEEL_NO_TAG)


@cache
def _sample() -> Doc:
    return tomllib.loads(SAMPLE.read_text(encoding="utf-8"))


def sample() -> Doc:
    return copy.deepcopy(_sample())


def found(doc: Doc) -> tuple[list[str], set[Code]]:
    """What `check` says of a rig file: refusals, remarks, broken limits, notes on missing tags; and the codes."""
    try:
        rig = parse_rig(tomlkit.dumps(doc))
        need_both_wheels(rig)
    except UserError as e:
        return [str(e)], set()
    remarks = still_remarks(rig)[0]
    try:
        c = check_up(rig)
    except UserError as e:
        return [str(e), *(r.text for r in remarks)], {r.code for r in remarks}
    remarks = [*c.remarks, *c.notes]
    return [r.text for r in remarks] + [text for ok, text in c.limits if not ok], {r.code for r in remarks}


def said(doc: Doc) -> list[str]:
    return found(doc)[0]


@cache
def after(mistake: str) -> tuple[list[str], set[Code]]:
    """What is said after one of the mistakes below."""
    return found((LISTED | OWN)[mistake][0](sample()))


def put(doc: Doc, path: KeyPath, value: object) -> Doc:
    """A copy of the file's data with one value replaced."""
    out: Any = copy.deepcopy(doc)
    at = out
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    return out  # type: ignore[no-any-return]


def numbers(doc: object, path: KeyPath = ()) -> Iterator[tuple[KeyPath, float]]:
    """Every number of the file that is not zero, with where it stands."""
    if isinstance(doc, dict):
        for k, v in doc.items():
            yield from numbers(v, (*path, k))
    elif isinstance(doc, list):
        for i, v in enumerate(doc):
            yield from numbers(v, (*path, i))
    elif isinstance(doc, int | float) and not isinstance(doc, bool) and doc != 0:
        yield path, doc


def named(path: KeyPath, texts: list[str]) -> bool:
    """Whether a remark names the thing that a number belongs to."""
    thing = str(path[-1] if path[0] in ("vehicle", "board") else path[1])
    words = {f"wheels.{thing}", f"{thing} wheel"} if path[0] == "wheels" else {thing, thing.replace("_", " ")}
    return any(w in t for t in texts for w in words)


def silent(doc: Doc, change: Callable[[float], float], paths: list[KeyPath] | None = None) -> list[KeyPath]:
    """Numbers whose change nobody remarks on by name."""
    out = []
    for path, value in numbers(doc):
        if paths is not None and path not in paths:
            continue
        new = change(value)
        if not named(path, said(put(doc, path, int(new) if isinstance(value, int) and new == int(new) else new))):
            out.append(path)
    return out


# Seen by nothing but the words in which check says how each obstacle runs: where a chain line ends is no plain error.
NO_REMARK: list[KeyPath] = [("obstacles", "chain_line", "to", 0)]


def coordinate(path: KeyPath) -> bool:
    return isinstance(path[-1], int) and "travel" not in path and "range" not in path


def test_sign_flips_of_places_and_directions_are_named_quickly() -> None:
    """A share of them; all of them below."""
    some = [p for p, _ in numbers(sample()) if coordinate(p)]
    assert len(some) > 80
    assert silent(sample(), lambda v: -v, some[::6]) in ([], NO_REMARK)


# Of the short files to start from, where both sides are typed at once and so are wrong alike: flips that leave a
# linkage as likely as the one meant.
LIKELY: dict[str, list[KeyPath]] = {
    "direct": [], "crank": [("points", "crank.left_in", "row", "along")],
    "bar": [("points", "bar.left", "row", "along")],
    "leaning": [("bodies", "axle", "axis", 2), ("points", "crank.left_in", "row", "along")],
}


@pytest.mark.slow
@pytest.mark.parametrize("name", LIKELY)
def test_sign_flips_in_the_short_files_are_seen(name: str) -> None:
    """Seen, though where both sides move alike not always by the name of the number's own thing."""
    doc = tomllib.loads(starter_text(layout=name))
    before = set(said(doc))
    assert [p for p, v in numbers(doc) if not set(said(put(doc, p, -v))) - before] == LIKELY[name]


@pytest.mark.slow
def test_every_sign_flip_is_named() -> None:
    """All 226 numbers of the sample that are not zero; before this check 88 of them went by in silence."""
    assert len(list(numbers(sample()))) == 226
    assert silent(sample(), lambda v: -v) == NO_REMARK


def test_what_has_no_remark_is_said_in_words() -> None:
    rig = moorhen()
    chain = next(o for o in rig.obstacles if o.name == "chain_line")
    assert run_of(chain).endswith("to 160 ahead of the front axle, 45 left, 290 up")
    assert "160 behind the front axle" in run_of(replace(chain, b=(-160.0, 45.0, 290.0)))
    assert run_of(chain) in "\n".join(lines(check_up(rig)))


# Scaling a direction, or sliding a pivot along its own hinge, changes nothing; the rest is honestly not seen.
def harmless(path: KeyPath) -> bool:
    along_the_axle = path[-2:] == ("pivot", 1) and "wheel" in str(path[1])
    return bool({"axis", "bolt", "spin_axis"} & set(path)) or along_the_axle or path == ("bodies", "crank", "pivot", 2)


@pytest.mark.slow
@pytest.mark.parametrize(("times", "most"), [(10.0, 7), (0.1, 14), (100.0, 1), (0.01, 10)])
def test_most_slips_of_the_decimal_point_are_named(times: float, most: int) -> None:
    missed = [p for p in silent(sample(), lambda v: v * times) if not harmless(p)]
    assert len(missed) <= most, missed
    assert all(p[0] in ("obstacles", "targets") for p in missed), missed


def without(doc: Doc, section: str, *names: str) -> Doc:
    return {**doc, section: {n: t for n, t in doc[section].items() if n not in names}}


def changed(*path_and_value: object) -> Callable[[Doc], Doc]:
    *path, value = path_and_value
    return lambda d: put(d, tuple(path), value)  # type: ignore[arg-type]


def bodies_swapped(d: Doc) -> Doc:
    tags = d["tags"]
    tags["left_upright"]["body"], tags["right_upright"]["body"] = "right_upright", "left_upright"
    return d


def lean_that_carries_nothing(d: Doc) -> Doc:
    d["bodies"]["axle"] = {"role": "lean", "pivot": [0, 0, 100], "axis": [1, 0, 0]}
    return d


def two_on_a_bolt(d: Doc) -> Doc:
    d["tags"]["spare"] = {"code": 90, "size": 44, "on_bolt": "crank.left_in", "offset": 16}
    return d


def x_and_y_swapped(d: Doc) -> Doc:
    x, y, z = d["bodies"]["right_lever"]["pivot"]
    return put(d, ("bodies", "right_lever", "pivot"), [y, x, z])


def tube_through_a_rod(d: Doc) -> Doc:
    return put(d, ("obstacles", "main_tube"), {"from": [-300, -200, 215], "to": [-300, 200, 215], "diameter": 40})


def two_holes_changed_over(d: Doc) -> Doc:
    holes = d["points"]["left_lever.rod"]["holes"]
    holes["A"], holes["B"] = holes["B"], holes["A"]
    return d


LISTED: dict[str, tuple[Callable[[Doc], Doc], str]] = {
    "spare hole 840 mm away": (changed("points", "left_lever.rod", "holes", "E", 0, 420), r"left_lever\.rod: hole E"),
    "pivot_tolerance 4e-6": (changed("bodies", "crank", "pivot_tolerance", 4e-6), "crank: pivot_tolerance"),
    "left wheel of twice the radius": (changed("wheels", "left", "radius", 480), "left wheel: radius is 480"),
    "two tags on one bolt": (two_on_a_bolt, "tag crank_left_in and tag spare .* crank.left_in"),
    "no tag on an upright": (lambda d: without(d, "tags", "left_upright", "left_upright_arm", "left_wheel"),
                             "left_upright has no tag: .* rest on the drawing"),
    "kingpin leaning outward": (changed("bodies", "left_upright", "axis", 1, 0.1392), "left_upright: .* outward"),
    "kingpin leaning forward": (changed("bodies", "right_upright", "axis", 0, 0.1736), "right_upright: .* forward"),
    "lever pivot under the ground": (changed("bodies", "right_lever", "pivot", 2, -160),
                                     "right_lever: pivot .* 160 mm under the ground"),
    "scale bar 2 % off": (changed("board", "scale_bar", 183.6), r"scale_bar reads 183.6 .*\+2.0 %"),
    "rod on the wrong lever": (changed("points", "left_upright.arm", "body", "left_lever"), "left_upright.arm"),
    "both rods on one lever": (changed("rods", "left_rod", "from", "right_lever.rod"), "left_rod"),
    "rod between the wrong parts": (changed("rods", "right_tie", "from", "right_lever.rod"), "right_tie"),
    "no [steering]": (lambda d: {k: v for k, v in d.items() if k != "steering"}, "No lever positions"),
    "lean body that carries nothing": (lean_that_carries_nothing, "axle carries no part"),
    "one wheel only": (lambda d: without(d, "wheels", "right"), "both steered wheels"),
    "level kingpin": (changed("bodies", "left_upright", "axis", [1, 0, 0]), "left_upright.*upright"),
}
OWN: dict[str, tuple[Callable[[Doc], Doc], str]] = {
    "x and y changed over": (x_and_y_swapped, "right_lever"),
    "no tag on a lever": (lambda d: without(d, "tags", "left_lever", "left_lever_rod"), "left_lever has no tag"),
    "no tag on the crank": (lambda d: without(d, "tags", *[t for t in d["tags"] if t.startswith("crank")]),
                            "crank has no tag"),
    "no tag on a bolt": (lambda d: without(d, "tags", "crank_left_in"), "crank.left_in: no tag .* left_rod"),
    "no tag on a wheel": (lambda d: without(d, "tags", "left_wheel"), "left wheel has no tag .* toe and camber"),
    "a wheel's tag and no position to turn it at": (lambda d: without(d, "steering", "spin_positions"),
                                                    "left wheel has a tag, but spin_positions .* toe and camber"),
    "tags with bodies changed over": (bodies_swapped, "tag left_upright is stuck on right_upright"),
    "tag on another bolt": (changed("tags", "crank_left_in", "on_bolt", "crank.left_out"), "tag crank_left_in"),
    "inches typed as mm, a pivot": (changed("bodies", "left_lever", "pivot", [-16.5, 4.33, 6.3]), "left_lever"),
    "inches typed as mm, a radius": (changed("wheels", "left", "radius", 9.45), "radius"),
    "inches typed as mm, a rod's range": (changed("rods", "left_tie", "range", [10.8, 12.4]), "left_tie"),
    "range without the drawn length": (changed("rods", "left_rod", "range", [300, 390]), "left_rod"),
    "wrong side": (changed("bodies", "left_lever", "side", "right"), "left_lever"),
    "points of one side on the other": (changed("points", "left_lever.rod", "body", "right_lever"), "left_lever.rod"),
    "a hole twice": (changed("points", "crank.left_in", "holes", "3", [20, 75, 205]), "crank.left_in"),
    "one ball on the other": (changed("points", "left_upright.arm", "at", [-60, 27, 170]), "left_upright.arm"),
    "travel changed over": (changed("bodies", "left_lever", "travel", [32, -32]), "left_lever"),
    "travel of one side only": (changed("bodies", "right_lever", "travel", [-2, 60]), "right_lever.* travel"),
    "travel in radians": (changed("bodies", "left_lever", "travel", [-0.56, 0.56]), "left_lever: travel"),
    "board of another paper": (changed("board", "paper", "A5"), "paper"),
    "another bar than was printed": (changed("board", "scale_bar_nominal", 120), "scale_bar"),
    "tube through a rod": (tube_through_a_rod, "main_tube"),
    "toe wanted to 5 deg": (changed("targets", "toe", "tolerance", 5), "targets.toe"),
    "ratio wanted in per cent": (changed("targets", "ratio", "value", 76), "ratio comes out as 0.759"),
    "lock that the drawing misses": (changed("targets", "lock", "value", 30), "misses its own target: lock"),
    "wheelbase 12.4 m": (changed("vehicle", "wheelbase", 12400), "wheelbase"),
    "wheelbase 0.124 m": (changed("vehicle", "wheelbase", 124), "wheelbase"),
    "wheelbase 4 m": (changed("vehicle", "wheelbase", 4000), "wheelbase"),
    "wrong hole in use": (changed("points", "left_lever.rod", "use", "E"), "left_lever.rod .* hole in use"),
    "two holes changed over": (two_holes_changed_over, "left_lever.rod: holes A, B, C, D and E"),
    "digits changed over in a hole": (changed("points", "left_lever.rod", "holes", "D", 2, 293), "left_lever.rod"),
    "a hole 4 mm out of its row": (changed("points", "right_lever.rod", "holes", "B", 0, -424), "right_lever.rod"),
    "a hole 3 mm out of its spacing": (changed("points", "left_lever.rod", "holes", "B", 2, 224), "hole B"),
    "wheel higher than the other": (changed("wheels", "right", "centre", 2, 215), "right"),
    "the board on the crank": (changed("board", "body", "crank"), "fixed to crank"),
    "rear wheel not a wheelbase behind": (lambda d: {**d, "rear_wheel": {"centre": [-1340, 0, 240]}}, "rear_wheel"),
    "clamp step of 5 mm": (changed("rods", "left_rod", "step", 5), "left_rod: step"),
    "a thread thicker than its rod": (changed("rods", "left_tie", "diameter", 6), "left_tie: a thread of 8"),
    "a body that nothing uses": (lambda d: put(d, ("bodies", "spare"), {"pivot": [0, 0, 300], "axis": [0, 0, 1]}),
                                 "spare"),
    "a point that no rod uses": (lambda d: put(d, ("points", "crank.spare"), {"body": "crank", "at": [60, 0, 200]}),
                                 "crank.spare: no rod"),
    "two positions": (changed("steering", "positions", ["ahead", "push1"]), "Only 2 lever positions"),
    "no targets": (lambda d: {k: v for k, v in d.items() if k != "targets"}, r"No \[targets\]"),
    "rods on crossed sides": (lambda d: put(put(d, ("rods", "left_tie", "from"), "crank.right_out"),
                                            ("rods", "left_tie", "range"), [250, 450]), "left_tie"),
    "lever axis to the right": (changed("bodies", "right_lever", "axis", 1, -1), "right_lever: its axis points"),
    "wheel a long way ahead": (lambda d: put(put(d, ("wheels", "left", "centre", 0), 60),
                                             ("bodies", "left_wheel", "pivot", 0), 60), "left_upright: .* behind"),
    "wheel off its own hinge": (changed("bodies", "left_wheel", "pivot", 2, 230), "left wheel: the hinge of left"),
    "lever pivot in metres": (changed("bodies", "left_lever", "pivot", 2, 0.16), "left_lever: pivot .* 0 mm above"),
    "tube ahead instead of behind": (changed("obstacles", "main_tube", "from", 0, 1240), "main_tube: from .* ahead"),
    "tube that ends elsewhere": (changed("obstacles", "main_tube", "to", 0, 160), "main_tube ends .* nose_tube"),
    "stub of a tube": (changed("obstacles", "nose_tube", "to", 0, -60), "nose_tube is only 100 mm long"),
    "chain across the middle": (changed("obstacles", "chain_line", "to", 1, -45), "chain_line runs from y = 45"),
    "offset below zero": (changed("tags", "crank_left_in", "offset", -16), "tag crank_left_in: offset -16"),
    "tag that faces the ground": (changed("points", "crank.left_in", "bolt", 2, -1), "tag crank_left_in faces the"),
    "a tolerance in centimetres": (changed("points", "crank.left_in", "tolerance", 0.3), "crank.left_in: tolerance"),
    "a magnitude below zero": (changed("targets", "ackermann_error", "value", -0.2), "targets.ackermann_error"),
    "a wheel on the wrong part": (
        changed("wheels", "left", {"upright": "crank", "centre": [0, 360, 240], "radius": 240}),
        "left_upright is an upright, but neither wheel"),
    "one pivot for two parts": (changed("bodies", "crank", "pivot", [-420, 110, 160]), "left_lever and crank are at"),
    "steer arm on the other side of its kingpin": (lambda d: put(put(d, ("points", "left_upright.arm", "at", 0), 85), (
        "rods", "left_tie", "range"), [275, 400]), "steer against each other|left_tie"),
    "the kingpins turned round": (lambda d: put(d, ("bodies", "left_upright", "axis"), [0.1736, 0.1392, -0.975]),
                                  "left_upright: its axis points down"),
    "levers ahead of the front axle": (changed("bodies", "left_lever", "pivot", 0, 420), "left_lever: its hinge"),
    "arms ahead of the kingpins": (lambda d: put(put(d, ("points", "left_upright.arm", "at"), [85, 290, 185]),
                                                ("points", "right_upright.arm", "at"), [85, -290, 185]), "ackermann"),
    "kingpins 200 mm narrow": (lambda d: put(put(d, ("bodies", "left_upright", "pivot", 1), 110),
                                             ("bodies", "right_upright", "pivot", 1), -110), "upright"),
}


@pytest.mark.parametrize("mistake", LISTED)
def test_listed_mistakes_are_named(mistake: str) -> None:
    texts, _ = after(mistake)
    assert any(re.search(LISTED[mistake][1], t, re.S) for t in texts), texts


@pytest.mark.parametrize("mistake", OWN)
def test_other_mistakes_are_named(mistake: str) -> None:
    texts, _ = after(mistake)
    assert any(re.search(OWN[mistake][1], t, re.S) for t in texts), texts


# --- no false alarms ------------------------------------------------------------------------------------------


def remarks_of(rig: Rig) -> list[str]:
    return [r.text for r in check_up(rig).remarks]


@pytest.mark.parametrize("rig", [
    moorhen, lambda: parse_rig(starter_text()), layouts.bar, layouts.direct, lambda: layouts.direct(layouts.BALLS),
    leaning, lambda: leaning(levers_lean=True), referenced,
], ids=["sample", "starter", "bar", "direct", "ball joints", "leaning", "levers lean", "references"])
def test_a_sound_rig_gets_no_remark(rig: Callable[[], Rig]) -> None:
    assert remarks_of(rig()) == []


@pytest.mark.parametrize("name", LAYOUTS)
def test_every_layout_to_start_from_gets_no_remark(name: str) -> None:
    assert remarks_of(parse_rig(starter_text(layout=name))) == []


def test_steer_arms_that_steer_the_outer_wheel_further_are_named() -> None:
    """Arms ahead of the kingpins and not outside them: the outer wheel should turn less (Ackermann), and turns more."""
    c = check_up(layouts.cranked(20.0, 80.0))
    (remark,) = c.remarks
    assert remark.code is Code.OUTER_FURTHER and "left_upright.arm and right_upright.arm" in remark.text
    at_stop = c.rig.driver_travel[1]
    pose = Linkage(c.rig).solve(at_stop)
    steer = {s: abs(float(np.degrees(a))) for s, a in steer_angles(c.rig, pose).items()}
    inner, outer = ("left", "right") if np.degrees(steer_angles(c.rig, pose)["left"]) > 0 else ("right", "left")
    assert steer[outer] - steer[inner] >= float(remark.facts["deg"]) - 1e-6 > 5.0  # type: ignore[arg-type]


def test_what_is_said_of_many_things_alike_is_said_once() -> None:
    doc = sample()
    for t in doc["tags"].values():
        if "offset" in t:
            t["offset"] = -t["offset"]
    (line,) = [s for s in sentences(check_up(parse_rig(tomlkit.dumps(doc))).remarks) if "offset" in s]
    assert line.startswith("tag left_lever_rod, tag right_lever_rod,") and line.count("tag ") == 8


def sound(rng: np.random.Generator) -> Rig:
    """The sample with its parts elsewhere, the same on both sides."""
    rig = moorhen()
    shift = {role: rng.uniform(-1, 1, 3) * (40, 15, 12) for role in ("lever", "crank", "upright")}
    shift["crank"][1] = 0.0

    def moved(v: Any, body: str) -> Any:
        b = rig.bodies[body]
        by = shift["upright" if b.role == "wheel" else b.role]
        return tuple(np.add(v, by * (1, -1 if b.side == "right" else 1, 1)))

    bodies = {n: replace(b, pivot=moved(b.pivot, n)) for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={h: moved(v, p.body) for h, v in p.holes.items()}) for n, p in rig.points.items()}
    radius = 240.0 + shift["upright"][2]
    wheels = {s: replace(w, centre=moved(w.centre, w.upright), radius=radius) for s, w in rig.wheels.items()}
    targets = {"toe": rig.targets["toe"]}
    out = with_distances(replace(rig, bodies=bodies, points=points, wheels=wheels, targets=targets), list(rig.rods))
    rods = {n: replace(r, shortest=r.length - 30, longest=r.length + 30) for n, r in out.rods.items()}
    return replace(out, rods=rods)


def test_random_sound_rigs_get_no_remark() -> None:
    rng = np.random.default_rng(12)
    assert [remarks_of(sound(rng)) for _ in range(12)] == [[]] * 12


def test_measured_rig_is_not_told_that_its_sides_differ() -> None:
    rig = moorhen()
    lever = rig.bodies["left_lever"]
    built = replace(rig, bodies={**rig.bodies, "left_lever": replace(lever, pivot=(-412.0, 110.0, 160.0))})
    assert any("left_lever and right_lever" in t for t in remarks_of(built))
    measured = check_up(replace(built, as_built=True))
    assert not any("left_lever" in r.text for r in measured.remarks)
    assert not any(line.endswith("look") for line in lines(measured)) and any("8.00 mm" in x for x in lines(measured))
    assert any("As measured the rig misses its target: symmetry" in r.text for r in measured.remarks)
    assert parse_rig(rig_to_toml(rig).replace("[vehicle]", "[vehicle]\nas_built = true", 1)).as_built


def test_a_rig_built_unlike_on_both_sides_is_told_so_once() -> None:
    rig = moorhen()
    left = {n for n, b in rig.bodies.items() if b.side == "left" and b.role != "wheel"}
    bodies = {n: replace(b, pivot=tuple(np.add(b.pivot, (30.0, 0, 0)))) if n in left else b
              for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={h: tuple(np.add(v, (0, 8.0, 6.0))) for h, v in p.holes.items()})
              if n.startswith("left") or ".left" in n else p for n, p in rig.points.items()}
    found = [r for r in still_remarks(replace(rig, bodies=bodies, points=points))[0]  # type: ignore[arg-type]
             if r.code in (Code.SIDES_DIFFER, Code.MANY_SIDES_DIFFER)]
    assert [r.code for r in found] == [Code.MANY_SIDES_DIFFER]


def test_a_shifted_part_is_one_remark() -> None:
    """A lever bolted 12 mm aside with all its holes: said of the lever, not of each hole again."""
    rig = moorhen()
    off = np.array([0.0, 12.0, 0.0])
    lever, rod = rig.bodies["left_lever"], rig.points["left_lever.rod"]
    moved = replace(rod, holes={h: tuple(v + off) for h, v in rod.holes.items()})
    rig = replace(rig, bodies={**rig.bodies, "left_lever": replace(lever, pivot=tuple(lever.pivot + off))},
                  points={**rig.points, rod.name: moved})
    (remark,) = [r for r in still_remarks(rig)[0] if r.code is Code.SIDES_DIFFER]
    assert remark.item == "left_lever" and remark.facts["by"] == pytest.approx(12.0)


# --- what has no tag -------------------------------------------------------------------------------------------


def test_what_has_no_tag_is_the_same_for_check_and_plan() -> None:
    """But for a part that only leans, which has no figure in the plan, and a part with tags on bolts alone, which does
    for the check; the plan says what a flat one would bring.
    """
    rig = moorhen()
    assert untagged(rig) == Untagged((), (), (), (), ())
    kept = {n: t for n, t in rig.tags.items() if not n.startswith("crank") and n not in ("left_lever", "right_wheel")}
    bare = replace(rig, tags={n: t for n, t in kept.items() if n != "left_upright_arm"})
    bolts = tuple(p.name for p in rig.points.values() if p.body == "crank" or p.name == "left_upright.arm")
    assert untagged(bare) == Untagged(("crank",), ("left_lever",), (), bolts, ("right",)) and len(bolts) == 5
    named = [(r.code, r.item) for r in tag_remarks(bare) if r.code in UNTAGGED]
    assert named == [(Code.NO_TAG, "crank"), *((Code.BOLT_NO_TAG, b) for b in bolts), (Code.WHEEL_NO_TAG, "right")]
    assert [words for words, _ in lacking(bare)] == [
        *(f"the bolt of {b.replace('_', ' ').replace('.', ': ')}" for b in bolts), "the crank itself, on a flat piece",
        "the left lever itself, on a flat piece",
        "the right wheel, photographed at two positions with the wheels turned by hand"]
    known = replace(bare, wheels={s: replace(w, measured=True) for s, w in bare.wheels.items()})
    assert untagged(known).wheels == () and untagged(replace(rig, spin_positions=())).wheels == ("left", "right")
    lean = leaning()
    tilted = replace(lean, tags={n: t for n, t in lean.tags.items() if lean.bodies.get(t.body) is None
                                 or lean.bodies[t.body].role != "lean"})
    assert untagged(tilted).leaning and untagged(tilted).leaning != untagged(lean).leaning


# --- the left/right table and the words -----------------------------------------------------------------------


def test_an_upright_is_no_word_of_the_right_side() -> None:
    """left_upright.arm and its tag have their twins on the right, though "upright" ends in that word."""
    pairs = {(d.left, d.right) for d in differences(moorhen())}
    assert {("left_upright.arm", "right_upright.arm"), ("tag left_upright", "tag right_upright"),
            ("tag left_upright_arm", "tag right_upright_arm")} <= pairs
    apart = said(put(sample(), ("points", "left_upright.arm", "at"), [-85, 326, 185]))
    assert any(s.startswith("left_upright.arm and right_upright.arm are no mirror images") for s in apart)


def test_the_table_shows_both_kingpins_and_what_differs() -> None:
    doc = put(sample(), ("bodies", "left_upright", "axis"), [-0.2126, -0.1392, 0.975])
    text = "\n".join(side_lines(differences(parse_rig(tomlkit.dumps(doc)))))
    row = next(line.split() for line in text.splitlines() if "caster" in line)
    # by hand: atan(0.2126 / 0.975) = 12.30 deg, atan(0.1736 / 0.975) = 10.10 deg
    assert row[2:5] == ["12.30", "10.10", "2.21"] and row[-1] == "look"
    assert re.search(r"inclination +8\.13 +8\.13", text)


def test_reads_well_only_where_nothing_is_broken() -> None:
    rig = moorhen()
    assert headline(check_up(rig)) == ["Moorhen (invented): the rig file reads well."]
    tight = headline(check_up(replace(rig, min_transmission=np.deg2rad(40.0))))
    assert "reads, but look" in tight[0] and "broken over the travel" in tight[-1]


def test_every_code_has_words_and_a_mistake_that_brings_it_up() -> None:
    assert set(TABLE) == set(Code)
    seen = set().union(*(after(m)[1] for m in LISTED | OWN))
    assert set(Code) - seen == {Code.MANY_SIDES_DIFFER}  # more than one mistake: above


def test_a_remark_is_facts_first() -> None:
    r = Remark(Code.UNDER_GROUND, "left_lever", {"what": "pivot", "at": (-420.0, 110.0, -160.0), "up": -160.0})
    assert r.text == "left_lever: pivot [-420, 110, -160] lies 160 mm under the ground; z is positive upwards."
