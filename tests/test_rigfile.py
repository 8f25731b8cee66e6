"""The rig file: what it says is what is read, and every mistake is named with its place and its cure."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from calib.linkage.mechanism import Linkage
from calib.linkage.steering import steer_angles
from calib.results import AsBuilt
from calib.rig.figures import targets
from calib.rig.model import FRAME, Point, Rig, Tag, Thread, Vec
from calib.rig.parameters import get_parameters, travel_names, with_parameters
from calib.rig.reader import as_built_toml, load_rig, parse_rig, rig_to_toml
from calib.rig.schema import NAMED, REQUIRED, SINGLE, defaults
from calib.rig.starter import starter_text, write_starter
from calib.rig.units import COARSE_PITCH_MM, angle_rad, length_mm, thread
from capture.errors import UserError

SAMPLE = Path(__file__).parent.parent / "sample_data" / "rig.toml"

# A small rig with nothing left to default by accident; each test spoils one thing in it.
SMALL = """
[vehicle]
name = "small"
wheelbase = 1200

[steering]
driver = "stick"
positions = ["back", "ahead", "push"]

[bodies.stick]
role = "lever"
side = "left"
pivot = [-400, 200, 150]
axis = [0, 2, 0]
travel = [-30, 35]

[bodies.hub]
role = "upright"
side = "left"
pivot = [0, 300, 200]
axis = [-0.2, -0.1, 1]

[points."stick.rod"]
body = "stick"
holes = { far = [-400, 200, 250], near = [-400, 200, 230], 3 = [-400, 200, 240] }
use = "far"

[points."hub.arm"]
body = "hub"
at = [60, 280, 190]

[rods.drag]
from = "stick.rod"
to = "hub.arm"
adjuster = "screw"
thread = "M6"
range = [450, 500]

[wheels.left]
upright = "hub"
centre = [0, 350, 220]
radius = 220

[tags.stick]
code = 60
body = "stick"

[tags.hub_arm]
code = 61
on_bolt = "hub.arm"
offset = 12

[targets]
toe = { value = 0, tolerance = 0.5 }
"""


def spoil(old: str, new: str, text: str = SMALL) -> str:
    assert text.count(old) == 1, f"{old!r} must stand once in the text"
    return text.replace(old, new)


def over_travel(rig: Rig) -> np.ndarray:
    travel = rig.bodies[rig.driver].travel
    assert travel is not None
    return np.linspace(travel[0], travel[1], 9)


def errors(text: str) -> list[str]:
    with pytest.raises(UserError) as caught:
        parse_rig(text, "rig.toml")
    return str(caught.value).splitlines()


# --- reading ---------------------------------------------------------------------------------------------------


def test_error_names_its_keys_for_scripts():
    with pytest.raises(UserError) as e:
        parse_rig(SMALL.replace('thread = "M6"', 'thread = "M9"').replace("wheelbase = 1200", "wheelbase = 12"))
    assert e.value.code == "rig_file" and e.value.item == "vehicle.wheelbase"
    assert e.value.reasons == ("vehicle.wheelbase", "rods.drag.thread")


def test_a_thread_keeps_its_pitch_and_ends():
    """Two ends of a fine thread and of a plain change in a turn: kept as read, and written back as they were."""
    for line, thread_ in [('thread = "M8x1"\nends = "left and right"', Thread(1.0, 2, "M8x1", 8.0)),
                          ('per_turn = 3\nends = "left and right"', Thread(1.5, 2))]:
        rig = parse_rig(SMALL.replace('thread = "M6"', line))
        rod = rig.rods["drag"]
        assert rod.thread == thread_ and rod.per_turn == 2 * thread_.pitch
        assert parse_rig(rig_to_toml(rig)).rods["drag"] == rod


def test_travel_without_stops_has_one_home():
    rig = parse_rig(SMALL.replace("travel = [-30, 35]", ""))
    assert np.degrees(rig.driver_travel) == pytest.approx((-30, 30))
    assert np.degrees(parse_rig(SMALL).driver_travel) == pytest.approx((-30, 35))


def test_old_key_names_are_read_with_a_note():
    """For one release: a rod end's limit and steer from leaning under their old names mean what they meant."""
    old = SMALL.replace("at = [60, 280, 190]", "at = [60, 280, 190]\nswing = 17")
    old = old.replace("[targets]", "[targets]\nbump_steer_lean = { value = 0, tolerance = 2 }")
    rig = parse_rig(old)
    assert rig.points["hub.arm"].misalignment == pytest.approx(math.radians(17))
    assert rig.targets["roll_steer"].tolerance == pytest.approx(math.radians(2))
    assert len(rig.remarks) == 2 and all(" is now called " in x for x in rig.remarks)
    assert 'points."hub.arm".swing' in rig.remarks[0] and '"roll_steer"' in rig.remarks[1]
    new = old.replace("swing", "misalignment").replace("bump_steer_lean", "roll_steer")
    assert replace(rig, remarks=()) == parse_rig(new)  # nothing is said of a file with the new names
    assert "swing" not in rig_to_toml(rig) and "misalignment = 17" in rig_to_toml(rig)


def test_small_rig_is_read_as_written() -> None:
    rig = parse_rig(SMALL)
    assert rig.bodies["stick"].axis == (0.0, 1.0, 0.0)
    assert rig.bodies["stick"].travel == pytest.approx((-math.pi / 6, math.radians(35)))
    assert np.linalg.norm(rig.bodies["hub"].axis) == pytest.approx(1.0, abs=1e-15)
    point = rig.points["stick.rod"]
    assert (point.use, point.xyz, point.order) == ("far", (-400.0, 200.0, 250.0), ("near", "3", "far"))
    rod = rig.rods["drag"]
    assert rod.length == pytest.approx(math.dist((-400, 200, 250), (60, 280, 190)))
    assert (rod.step, rod.per_turn, rod.radius, rod.shortest, rod.longest) == (0.5, 1.0, 6.0, 450.0, 500.0)
    assert rig.tags["hub_arm"].body == "hub" and rig.tags["hub_arm"].centres_on == "hub.arm"
    assert rig.targets["toe"].tolerance == pytest.approx(math.radians(0.5))
    assert rig.wheels["left"].spin == (0.0, 1.0, 0.0)


def test_sample_loads_and_assembles_over_its_travel() -> None:
    rig = load_rig(SAMPLE)
    assert rig.rods["left_tie"].per_turn == 2.5 and rig.rods["left_tie"].step == 1.25  # M8 both ends, half turns
    assert rig.targets["ratio"].unit == ""
    assert rig.board.bar_measured == 180.65
    sweep = Linkage(rig).sweep(over_travel(rig))
    assert sweep.ends == () and bool(np.all(sweep.reached))


def test_upright_bar_is_read_and_written_back() -> None:
    assert load_rig(SAMPLE).board.bar_upright is None
    bars = '[board]\nscale_bar = 180.3\nscale_bar_upright = "18.07 cm"\n[steering]'
    rig = parse_rig(SMALL.replace("[steering]", bars))
    assert (rig.board.bar_measured, rig.board.bar_upright) == (180.3, pytest.approx(180.7))
    assert parse_rig(rig_to_toml(rig)).board == rig.board


def test_defaults_of_the_form_are_those_of_the_dataclasses() -> None:
    """One table of defaults: a rig read from the shortest file equals one built from the bare dataclasses."""
    rig = parse_rig(SMALL)
    hub, tag, rod, point = rig.bodies["hub"], rig.tags["stick"], rig.rods["drag"], rig.points["hub.arm"]
    assert hub == type(hub)(hub.name, hub.pivot, hub.axis, role="upright", side="left")
    assert tag == type(tag)(tag.name, 60, "stick", 60.0)
    assert point == type(point)(point.name, "hub", {"1": (60.0, 280.0, 190.0)}, "1", order=("1",))
    assert rod == type(rod)(rod.name, rod.a, rod.b, rod.length, 450.0, 500.0, thread=Thread(1.0, 1, "M6", 6.0))
    bare = Rig("small", 1200.0, rig.bodies, rig.points, rig.rods, rig.wheels, rig.tags, rig.targets)
    assert rig == replace(bare, driver="stick", positions=("back", "ahead", "push"))


def test_every_key_left_out_is_listed_with_its_default() -> None:
    listed = {path for path, _, _ in defaults()}
    for section, keys in {**SINGLE, **NAMED}.items():
        for name, key in keys.items():
            path = f"{section}.{name}" if section in SINGLE else f"{section}.NAME.{name}"
            assert (path in listed) == (key.default is not REQUIRED)


# --- units -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "mm"),
    [  # 1 in = 25.4 mm exactly (international inch, 1959)
        (22, 22.0), (22.5, 22.5), ("22 mm", 22.0), ("2.2 cm", 22.0), ("0.5in", 12.7), ("7/8 in", 22.225),
        ("1 3/4 in", 44.45), ("1-3/4 in", 44.45), ('1/2"', 12.7), ("-3/8 in", -9.525), (".25 inch", 6.35),
        ("1.24 m", 1240.0), ("-5mm", -5.0), ("1e2 mm", 100.0),
    ],
)
def test_lengths(written: object, mm: float) -> None:
    assert length_mm(written) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(
    ("written", "why"),
    [("22", "without a unit"), ("22 furlongs", "unknown unit 'furlongs'"), ("22,5 mm", "decimal point"),
     ("1/0 in", "over zero"), (True, "not a length"), ([1], "not a length"), (float("nan"), "finite"),
     ("about 5 mm", "not a number"), ("5 4 mm", "not a number")],
)
def test_lengths_that_do_not_read(written: object, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        length_mm(written)


def test_angles() -> None:
    assert angle_rad(180) == pytest.approx(math.pi)
    assert angle_rad("5 deg") == pytest.approx(math.radians(5))
    assert angle_rad("-0.1 rad") == -0.1
    with pytest.raises(ValueError, match="unknown unit 'mm'"):
        angle_rad("5 mm")


def test_inches_in_a_file() -> None:
    text = spoil("at = [60, 280, 190]", 'at = ["2 3/8 in", "28 cm", "190 mm"]')
    assert parse_rig(text).points["hub.arm"].xyz == pytest.approx((60.325, 280.0, 190.0))


# ISO 261 coarse pitches, general-purpose series (from memory).
ISO_261 = {"M3": 0.5, "M4": 0.7, "M5": 0.8, "M6": 1.0, "M8": 1.25, "M10": 1.5, "M12": 1.75}


@pytest.mark.parametrize("name", ISO_261)
def test_coarse_pitches(name: str) -> None:
    assert COARSE_PITCH_MM[name] == ISO_261[name]
    assert thread(name) == (float(name[1:]), ISO_261[name])


def test_fine_and_inch_threads() -> None:
    assert thread("M8x1") == (8.0, 1.0)
    assert thread("m10 x 1.25") == (10.0, 1.25)
    # 1/4-28 UNF: 6.35 mm, 28 threads an inch (ASME B1.1, from memory)
    assert thread("1/4-28 UNF") == pytest.approx((6.35, 25.4 / 28))


@pytest.mark.parametrize(
    ("ends", "turn_step", "per_turn", "step"),
    [("one", 0.5, 1.25, 0.625), ("left and right", 0.5, 2.5, 1.25), ("left and right", 0.25, 2.5, 0.625)],
)
def test_turns(ends: str, turn_step: float, per_turn: float, step: float) -> None:
    text = spoil('thread = "M6"', f'thread = "M8"\nends = "{ends}"\nturn_step = {turn_step}')
    rod = parse_rig(text).rods["drag"]
    assert (rod.per_turn, rod.step) == (per_turn, step)


# --- mistakes --------------------------------------------------------------------------------------------------

MISTAKES = [
    # what stands there, what is put in its place, key named, words in the message
    ("wheelbase = 1200", "wheelbse = 1200", "vehicle.wheelbse", ['did you mean "wheelbase"?']),
    ("wheelbase = 1200", "wheelbase = 1.2", "vehicle.wheelbase", ["read 1.2", "at least 200", "mm"]),
    ("wheelbase = 1200", "", "vehicle.wheelbase", ["the key is missing"]),
    ("wheelbase = 1200", "wheelbase = true", "vehicle.wheelbase", ["read true", "a length in mm"]),
    ("wheelbase = 1200", "wheelbase = nan", "vehicle.wheelbase", ["read nan", "not a finite number"]),
    ("[vehicle]", "[vehicel]", "vehicel", ['unknown section; did you mean "vehicle"?']),
    ('driver = "stick"', 'driver = "stik"', "steering.driver", ['read "stik"', 'did you mean "stick"?']),
    ('"ahead", "push"', '"centre", "push"', "steering.straight_ahead", ['read "ahead"', "steering.positions"]),
    ('"ahead", "push"', '"ahead", "ahead"', "steering.positions", ["each once"]),
    ('"ahead", "push"', '"ahead", "pu/sh"', "steering.positions", ["folder names"]),
    ('"ahead", "push"]', '"ahead", "push"]\nspin_positions = ["push"]', "steering.spin_positions",
     ['read "push"', "positions too"]),
    ("axis = [0, 2, 0]", "axis = [0, 0, 0]", "bodies.stick.axis", ["read [0, 0, 0]", "not all zero"]),
    ("axis = [0, 2, 0]", "axis = [0, 2]", "bodies.stick.axis", ["read [0, 2]", "three numbers"]),
    ("pivot = [-400, 200, 150]", 'pivot = [-400, "200", 150]', "bodies.stick.pivot", ["three lengths"]),
    ("pivot = [-400, 200, 150]", "pivot = [-400, 200, 150]\npivot_tolerence = 3", "bodies.stick.pivot_tolerence",
     ['did you mean "pivot_tolerance"?']),
    ("pivot = [-400, 200, 150]", "pivot = [-400, 200, 150]\npivot_tolerance = 0", "bodies.stick.pivot_tolerance",
     ["read 0", "above 0"]),
    ('role = "lever"', 'role = "levr"', "bodies.stick.role", ['did you mean "lever"?', '"crank"']),
    ("travel = [-30, 35]", "travel = [10, 35]", "bodies.stick.travel", ["read [10, 35]", "holds 0"]),
    ("travel = [-30, 35]", "travel = [35, -30]", "bodies.stick.travel", ["the smaller first"]),
    ('role = "lever"', 'role = "lever"\nparent = "hubb"', "bodies.stick.parent", ['did you mean "hub"?']),
    ("pivot = [0, 300, 200]", "pivot = [0, -300, 200]", "bodies.hub.pivot",
     ["read [0, -300, 200]", "y above 0", "positive to the left"]),
    ("[bodies.hub]", "[bodies.frame]", "bodies.frame", ["another name"]),
    ('body = "hub"\nat', 'body = "hob"\nat', 'points."hub.arm".body', ['did you mean "hub"?']),
    ('use = "far"', 'use = "fare"', 'points."stick.rod".use', ['read "fare"', 'did you mean "far"?']),
    ('use = "far"', "", 'points."stick.rod".use', ["one of far, near, 3"]),
    ("3 = [-400, 200, 240]", "3 = [-400, 200, 230]", 'points."stick.rod".holes', ["near", "3", "coincide"]),
    ("3 = [-400, 200, 240]", "3 = [-400, 90, 150]", 'points."stick.rod".holes', ["off the hinge axis of stick"]),
    ("3 = [-400, 200, 240]", "3 = [-400, 200]", 'points."stick.rod".holes', ["for hole 3, three lengths"]),
    ("at = [60, 280, 190]", "", 'points."hub.arm"', ['neither of "at" and "holes"']),
    ("at = [60, 280, 190]", "at = [60, 280, 190]\nbolt = [0, 0, 0]", 'points."hub.arm".bolt', ["not all zero"]),
    ("at = [60, 280, 190]", "at = [60, 280, 190]\nmisalignment = 120", 'points."hub.arm".misalignment',
     ["at most 90 deg"]),
    ("at = [60, 280, 190]", "at = [60, 280, 190]\nswing = 120", 'points."hub.arm".misalignment', ["at most 90 deg"]),
    ("at = [60, 280, 190]", "at = [60, 280, 190]\nswing = 20\nmisalignment = 25", 'points."hub.arm".swing',
     ['both "swing" and "misalignment"', 'allowed: "misalignment" alone']),
    ('to = "hub.arm"', 'to = "hub.arms"', "rods.drag.to", ['read "hub.arms"', 'did you mean "hub.arm"?']),
    ('to = "hub.arm"', 'to = "stick.rod"', "rods.drag.to", ["another body", "on stick too"]),
    ("at = [60, 280, 190]", "at = [-400, 200, 250.5]", "rods.drag", ["no length", "0.50 mm apart"]),
    ("range = [450, 500]", "range = [480, 500]", "rods.drag.range", ["read [480, 500]", "470.74 mm"]),
    ("range = [450, 500]", "", "rods.drag.range", ["the key is missing"]),
    ("range = [450, 500]", "range = [450, 600]\nlength = 520", "rods.drag.length",
     ["read 520", "within 27 mm", "470.7 mm", "cannot assemble as drawn"]),
    ('thread = "M6"', 'thread = "M9"', "rods.drag.thread", ['read "M9"', "no coarse pitch known for M9"]),
    ('thread = "M6"', 'thread = "M6x5"', "rods.drag.thread", ["does not fit"]),
    ('thread = "M6"', 'thread = "six"', "rods.drag.thread", ['read "six"', '"M8x1" (fine)']),
    ('thread = "M6"', "", "rods.drag.thread", ["neither"]),
    ('thread = "M6"', 'thread = "M6"\nper_turn = 1', "rods.drag.thread", ["both"]),
    ('thread = "M6"', 'thread = "M6"\nends = "two"', "rods.drag.ends", ['"one"', '"left and right"']),
    ('thread = "M6"', 'thread = "M6"\nstep = 0.5', "rods.drag.step", ["turn_step"]),
    ('thread = "M6"', 'thread = "M6"\nturn_step = 0', "rods.drag.turn_step", ["above 0"]),
    # 15 mm engaged, 9 mm needed (1.5 x 6): 6 mm to spare on one end
    ('thread = "M6"', 'thread = "M6"\nengaged_now = 15', "rods.drag.range", ["at most 476.7 mm", "9 mm of thread"]),
    ('adjuster = "screw"\nthread = "M6"', 'adjuster = "clamp"\noverlap = 40\noverlap_now = 50', "rods.drag.range",
     ["at most 480.7 mm", "overlap by 40 mm"]),
    ('adjuster = "screw"\nthread = "M6"', 'adjuster = "fixed"', "rods.drag.range", ["no range"]),
    ('adjuster = "screw"', 'adjuster = "clamp"', "rods.drag.thread", ["no such key"]),
    ("[wheels.left]", "[wheels.lft]", "wheels.lft", ["[wheels.left] and [wheels.right]", '"left"']),
    ("centre = [0, 350, 220]", "centre = [0, -350, 220]", "wheels.left.centre", ["on the left", "y above 0"]),
    ("radius = 220", "radius = 220\nspin_axis = [0, -1, 0]", "wheels.left.spin_axis", ["points left"]),
    ("radius = 220", 'radius = 220\nspin_body = "stick"', "wheels.left.spin_body", ['parent is "hub"']),
    ("[wheels.left]", '[bodies.rim]\nparent = "hub"\npivot = [0, 350, 250]\naxis = [0, 1, 0]\n'
     '[wheels.left]\nspin_body = "rim"', "wheels.left.spin_body", ["30.0 mm from the wheel's centre"]),
    ("radius = 220", "radius = 0.22", "wheels.left.radius", ["at least 50"]),
    ("code = 61", "code = 60", "tags.hub_arm.code", ["read 60", 'tag "stick" has that one']),
    ("code = 61", "code = 7", "tags.hub_arm.code", ["read 7", "60 to 586", "on the board"]),
    ("code = 61", "code = 587", "tags.hub_arm.code", ["read 587", "60 to 586"]),
    ("code = 61", "code = 61.5", "tags.hub_arm.code", ["a whole number"]),
    ('on_bolt = "hub.arm"', 'on_bolt = "hub.amr"', "tags.hub_arm.on_bolt", ['did you mean "hub.arm"?']),
    ('on_bolt = "hub.arm"', 'on_bolt = "hub.arm"\nbody = "stick"', "tags.hub_arm.body", ['"hub", where']),
    ("code = 60\nbody", "code = 60\nplace = [1, 2, 3]\nbody", "tags.stick.place", ["on the frame"]),
    ("code = 60\nbody", "code = 60\noffset = 3\nbody", "tags.stick.offset", ['only with "on_bolt"']),
    ("code = 60\nbody", "code = 60\nsize = 6\nbody", "tags.stick.size", ["at least 10"]),
    ("toe =", "tow =", "targets.tow", ["unknown figure", 'did you mean "toe"?']),
    ("tolerance = 0.5", "tolerance = 0", "targets.toe.tolerance", ["read 0", "above 0"]),
    ("toe = { value = 0, tolerance = 0.5 }", "toe = 0", "targets.toe", ["a table with the keys value, tolerance"]),
    ("[steering]", "[board]\nscale_bar = 170\n[steering]", "board.scale_bar",
     ["read 170", "within 5 % of 180 mm", "fit to page"]),
    ("[steering]", "[board]\nscale_bar_upright = 190\n[steering]", "board.scale_bar_upright",
     ["read 190", "within 5 % of 180 mm", "fit to page"]),
    ("[steering]", '[board]\npaper = "A5"\n[steering]', "board.paper", ['"A4"', '"Letter"']),
    ("[steering]", '[board]\nbody = "stikc"\n[steering]', "board.body", ['did you mean "stick"?']),
    ("[steering]", "[obstacles.tube]\nfrom = [0, 0, 0]\nto = [0, 0, 0]\ndiameter = 30\n[steering]",
     "obstacles.tube.to", ['another place than "from"']),
    ("[steering]", '[slides.seat]\nbodies = ["stik"]\ndirection = [1, 0, 0]\nrange = [-5, 5]\n[steering]',
     "slides.seat.bodies", ['did you mean "stick"?']),
    ("[steering]", '[slides.seat]\nbodies = ["stick"]\ndirection = [1, 0, 0]\nrange = [5, 9]\n[steering]',
     "slides.seat.range", ["holds 0"]),
    ("[steering]", "[limits]\nmin_transmission_angle = 95\n[steering]", "limits.min_transmission_angle",
     ["read 95", "at most 90 deg"]),
    ('[points."hub.arm"]', "[points.hub.arm]", "points.hub", ["needs quotes", '[points."hub.arm"]']),
    ("[bodies.hub]", '[bodies."h/b"]', 'bodies."h/b"', ["names of letters"]),
    ("travel = [-30, 35]", "travel = [5, 35]", "bodies.stick.travel", ["read [5, 35]", "holds 0, straight ahead"]),
    ("travel = [-30, 35]", "travel = [-30, 35]\nlocked = true", "bodies.stick.locked", ['role = "lean"']),
    ("axis = [-0.2, -0.1, 1]", "axis = [-0.2, -0.1, 1]\nballs = { lower = [0, 0, 0], upper = [0, 0, 99] }",
     "bodies.hub.pivot", ['"balls" gives the hinge']),
    ("at = [60, 280, 190]", "at = [60, 280, 190]\nholes = { A = [0, 0, 0] }", 'points."hub.arm"', ["read both of"]),
    ("at = [60, 280, 190]", "", 'points."hub.arm"', ["read neither of"]),
    ("3 = [-400, 200, 240]", '"a/b" = [-400, 200, 240]', 'points."stick.rod".holes', ["hole names of letters"]),
    ("3 = [-400, 200, 240]", "3 = [-400, 200]", 'points."stick.rod".holes', ["for hole 3", "three lengths"]),
    ("[wheels.left]", "[wheels.middle]", "wheels.middle", ["[wheels.left] and [wheels.right] only"]),
    ('upright = "hub"', 'upright = "hbu"', "wheels.left.upright", ['did you mean "hub"?']),
    ("radius = 220", "radius = 220\nspin_axis = [1, 0, 0]", "wheels.left.spin_axis", ["points left"]),
    ("radius = 220", 'radius = 220\nspin_body = "stick"', "wheels.left.spin_body",
     ['a body whose parent is "hub"', 'is "frame"']),
    ("[targets]", "[rear_wheel]\nspin_axis = [0, -1, 0]\n[targets]", "rear_wheel.spin_axis", ["points left"]),
    ("[targets]", "[rear_wheel]\nradius = 120\ntyre_width = 130\n[targets]", "rear_wheel.tyre_width",
     ["less than the radius"]),
    ("[targets]", '[rear_wheel]\nbody = "hbu"\n[targets]', "rear_wheel.body", ['did you mean "hub"?']),
    ('[tags.stick]\ncode = 60\nbody = "stick"', "[tags.lost]\ncode = 60", "tags.lost.body",
     ["read nothing", '"on_bolt"']),
    ('on_bolt = "hub.arm"', 'on_bolt = "hub.amr"', "tags.hub_arm.on_bolt", ['did you mean "hub.arm"?']),
    ('on_bolt = "hub.arm"', 'on_bolt = "hub.arm"\nbody = "stick"', "tags.hub_arm.body", ['where "hub.arm" is']),
    ('on_bolt = "hub.arm"', 'on_bolt = "hub.arm"\nplace = [0, 0, 0]', "tags.hub_arm.place", ["no place"]),
    ('code = 60\nbody = "stick"', 'code = 60\nbody = "stick"\nplace = [0, 0, 0]', "tags.stick.place",
     ["a place only for a tag on the frame"]),
    ('code = 60\nbody = "stick"', 'code = 60\nbody = "stick"\noffset = 3', "tags.stick.offset",
     ['only with "on_bolt"']),
    ("[steering]", '[obstacles.tube]\nbody = "hbu"\nfrom = [0, 0, 0]\nto = [0, 0, 9]\ndiameter = 30\n[steering]',
     "obstacles.tube.body", ['did you mean "hub"?']),
    ("[steering]", "[slides.seat]\nbodies = []\ndirection = [1, 0, 0]\nrange = [-5, 5]\n[steering]",
     "slides.seat.bodies", ["at least one body"]),
    ('"ahead", "push"]', '"ahead", "push"]\nstops = ["back"]', "steering.stops", ["two labels"]),
    ('"ahead", "push"]', '"ahead", "push"]\nstops = ["ahead", "push"]', "steering.stops", ["not straight ahead"]),
    ('adjuster = "screw"\nthread = "M6"\nrange = [450, 500]', 'adjuster = "fixed"\nrange = [450, 500]',
     "rods.drag.range", ['no range for adjuster = "fixed"']),
    ("range = [450, 500]", "", "rods.drag.range", ["the key is missing", "shortest and longest"]),
    ('thread = "M6"', "", "rods.drag.thread", ['read neither of "thread" and "per_turn"']),
    ('thread = "M6"', 'thread = "M6"\nper_turn = 2', "rods.drag.thread", ['read both of "thread" and "per_turn"']),
    ('thread = "M6"', "per_turn = 1\nengaged_now = 9", "rods.drag.engaged_now", ['only with "thread"']),
    ('thread = "M6"', 'thread = "1/4-3"', "rods.drag.thread", ["3 threads per inch does not fit a 6.35 mm thread"]),
    ('adjuster = "screw"\nthread = "M6"', 'adjuster = "clamp"\noverlap_now = 40', "rods.drag.overlap",
     ['beside "overlap_now"']),
]


@pytest.mark.parametrize(("old", "new", "key", "words"), MISTAKES, ids=[f"{m[2]}-{k}" for k, m in enumerate(MISTAKES)])
def test_each_mistake_is_named(old: str, new: str, key: str, words: list[str]) -> None:
    lines = errors(spoil(old, new))
    named = [x for x in lines if f": {key}: " in x]
    assert named, f"{key} is not named in {lines}"
    assert all(x.startswith("rig.toml") and "Traceback" not in x for x in lines)
    for word in words:
        assert any(word in x for x in named), f"{word!r} is not in {named}"
    assert all("allowed: " in x for x in named)


def test_a_mistake_is_named_once_and_drags_no_others_along() -> None:
    lines = errors(spoil("pivot = [0, 300, 200]", "pivot = [0, 300]"))
    assert len(lines) == 1 and "bodies.hub.pivot" in lines[0]


def test_several_mistakes_come_in_one_message() -> None:
    text = spoil("axis = [0, 2, 0]", "axis = [0, 0, 0]")
    text = spoil('thread = "M6"', 'thread = "M9"', text)
    text = spoil("code = 61", "code = 12", text)
    text = spoil("toe =", "toes =", text)
    lines = errors(text)
    assert len(lines) == 4
    for key, line in zip(["bodies.stick.axis", "rods.drag.thread", "tags.hub_arm.code", "targets.toes"], lines,
                         strict=True):
        number = int(line.split("line ")[1].split(":")[0])
        assert key in line and key.rpartition(".")[2] in text.splitlines()[number - 1]


def test_a_ring_of_parents_made_in_a_script_is_refused() -> None:
    rig = parse_rig(SMALL)
    ring = replace(rig, bodies={n: replace(b, parent={"stick": "hub", "hub": "stick"}[n])
                                for n, b in rig.bodies.items()})
    with pytest.raises(ValueError, match="in a ring: stick, hub"):
        ring.parents_first()


def test_parents_in_a_ring() -> None:
    text = spoil('role = "lever"', 'role = "lever"\nparent = "hub"')
    lines = errors(spoil('role = "upright"', 'role = "upright"\nparent = "stick"', text))
    assert any("in a ring: stick -> hub -> stick" in x for x in lines)
    assert any("bodies.stick.parent" in x for x in errors(spoil('role = "lever"', 'role = "lever"\nparent = "stick"')))


def test_two_uprights_on_one_side() -> None:
    other = '[bodies.hub2]\nrole = "upright"\nside = "left"\npivot = [0, 320, 200]\naxis = [0, 0, 1]\n'
    assert any("one upright a side (hub is there already)" in x for x in errors(SMALL + other))


def test_missing_file_and_bad_toml(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"no such file; `rigtrue new`"):
        load_rig(tmp_path / "rig.toml")
    (tmp_path / "rig.toml").write_text("[vehicle]\nname = Moorhen\n")
    with pytest.raises(UserError, match=r"rig\.toml: not valid TOML.*line 2"):
        load_rig(tmp_path / "rig.toml")
    (tmp_path / "rig.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match="cannot be read as text"):
        load_rig(tmp_path / "rig.toml")
    with pytest.raises(UserError, match="cannot be read as text"):
        load_rig(tmp_path)
    with pytest.raises(UserError, match="bodies: read no bodies"):
        parse_rig("[vehicle]\nwheelbase = 1200\n")


@pytest.mark.parametrize("junk", ["bodies = 3", "bodies = [1]", "[bodies]\nx = 3", "targets = 3", "points = 'x'",
                                  "vehicle = 1", "rods = {a = {}}", "wheels = {left = 3}", "tags = {a = [1]}"])
def test_junk_never_breaks_the_reader(junk: str) -> None:
    assert all(x.startswith("rig.toml") for x in errors(junk))


@pytest.mark.parametrize("junk", ["-1", "0", '"x"', '""', "[]", "{}", "true", "inf", "[[1, 2], 3]", '["a", 1, {}]',
                                  "1e300", "9999999999999999999", "2020-01-01"])
def test_junk_in_any_place_reads_or_is_refused_in_words(junk: str) -> None:
    lines = rig_to_toml(parse_rig(SMALL)).splitlines()
    for k, line in enumerate(lines):
        if "=" in line and not line.startswith("#"):
            text = "\n".join([*lines[:k], line.split(" = ")[0] + " = " + junk, *lines[k + 1:]])
            try:
                parse_rig(text)
            except UserError as exc:
                assert str(exc).startswith("rig.toml")


# --- writing ---------------------------------------------------------------------------------------------------


def full_rig() -> Rig:
    """The sample with everything optional set."""
    text = SAMPLE.read_text(encoding="utf-8") + """
[slides.levers]
bodies = ["left_lever", "right_lever"]
direction = [1, 0, 0.1]
range = [-30, 40]
step = 2.5

[tags."frame left"]
code = 200
body = "frame"
place = [-100, 120, 250]
place_tolerance = 0.5

[bodies.hinge]
role = "lean"
pivot = [0, 0, 150]
axis = [1, 0, 0]
travel = [-15, 15]
locked = true

[tags.hinge]
code = 201
body = "hinge"
"""
    rig = parse_rig(text)
    rod = replace(rig.rods["left_rod"], overlap=40.0, overlap_now=90.0)
    return replace(rig, rods={**rig.rods, "left_rod": rod}, notes=('a "note"', "\\ back"),
                   lean_positions=("lean1",), name='The "Öre"')


@pytest.mark.parametrize("rig", [parse_rig(SMALL), load_rig(SAMPLE), full_rig(), parse_rig(starter_text())],
                         ids=["small", "sample", "full", "starter"])
def test_round_trip(rig: Rig) -> None:
    assert parse_rig(rig_to_toml(rig)) == rig


def test_round_trip_of_awkward_numbers() -> None:
    rig = load_rig(SAMPLE)
    rng = np.random.default_rng(3)
    names = [f"{b}.{w}.{c}" for b in rig.bodies for w in ("pivot", "axis") for c in "xyz"]
    moved = with_parameters(rig, names, get_parameters(rig, names) + rng.normal(0, 0.01, len(names)))
    back = parse_rig(rig_to_toml(moved))
    assert get_parameters(back, names) == pytest.approx(get_parameters(moved, names), abs=1e-12)


ODD = ("Öse links", "a-b", "3", "true", "nan", "1e5", "inf", "left", "x  y", "日本", "_", "2020-01-01", "frame-",
       "holes")


def oddly_named(rig: Rig, rng: np.random.Generator) -> Rig:
    """The rig under names that a TOML file must quote or might take for something else; points with dots too."""
    def odd(names: Iterable[str], tail: str = "") -> dict[str, str]:
        names = list(names)
        drawn = list(ODD) + [f"{x} {k}" for k in range(9) for x in ODD]
        return dict(zip(names, (drawn[k] + tail for k in rng.permutation(len(drawn))), strict=False))

    bodies = {FRAME: FRAME, **odd(rig.bodies)}
    points = odd(rig.points, ".b.c" if rng.random() < 0.5 else "")
    holes = {n: odd(p.holes) for n, p in rig.points.items()}
    rods, tags, slides, obstacles = odd(rig.rods), odd(rig.tags), odd(rig.slides), odd(o.name for o in rig.obstacles)
    labels = {**odd((*rig.positions, *rig.spin_positions, *rig.lean_positions)), rig.straight_ahead: "vorne, Mitte"}

    def renamed(p: Point) -> Point:
        if list(p.holes) == ["1"]:
            return replace(p, name=points[p.name], body=bodies[p.body])
        h = holes[p.name]
        return replace(p, name=points[p.name], body=bodies[p.body], holes={h[k]: v for k, v in p.holes.items()},
                       use=h[p.use], order=tuple(h[k] for k in p.order))

    return replace(
        rig, name='"Öse"\\\t', driver=bodies[rig.driver], board=replace(rig.board, body=bodies[rig.board.body]),
        rear=replace(rig.rear, body=bodies[rig.rear.body]), straight_ahead=labels[rig.straight_ahead],
        positions=tuple(labels[x] for x in rig.positions), spin_positions=tuple(labels[x] for x in rig.spin_positions),
        lean_positions=tuple(labels[x] for x in rig.lean_positions), stops=tuple(labels[x] for x in rig.stops),
        bodies={bodies[n]: replace(b, name=bodies[n], parent=bodies[b.parent]) for n, b in rig.bodies.items()},
        points={points[n]: renamed(p) for n, p in rig.points.items()},
        rods={rods[n]: replace(r, name=rods[n], a=points[r.a], b=points[r.b]) for n, r in rig.rods.items()},
        wheels={n: replace(w, upright=bodies[w.upright], spin_body=w.spin_body and bodies[w.spin_body])
                for n, w in rig.wheels.items()},
        tags={tags[n]: replace(t, name=tags[n], body=bodies[t.body], centres_on=t.centres_on and points[t.centres_on])
              for n, t in rig.tags.items()},
        slides={slides[n]: replace(s, name=slides[n], bodies=tuple(bodies[b] for b in s.bodies))
                for n, s in rig.slides.items()},
        obstacles=tuple(replace(o, name=obstacles[o.name], body=bodies[o.body]) for o in rig.obstacles))


def jiggled_all_over(rig: Rig, rng: np.random.Generator) -> Rig:
    """Every place, direction, length, angle and tolerance a little off, so that no number is round."""
    def near(v: Vec) -> Vec:
        x, y, z = np.asarray(v) + rng.normal(0, 0.01, 3)
        return (float(x), float(y), float(z))

    def unit(v: Vec) -> Vec:
        x, y, z = near(v) / np.linalg.norm(near(v))
        x, y, z = np.array([x, y, z]) / np.linalg.norm([x, y, z])
        return (float(x), float(y), float(z))

    def grown() -> float:
        return float(1 + 0.1 * rng.random())

    return replace(
        rig, wheelbase=rig.wheelbase * grown(), min_transmission=rig.min_transmission * grown(),
        bodies={n: replace(b, axis=unit(b.axis), axis_tol=b.axis_tol * grown(), pivot_tol=b.pivot_tol * grown(),
                           travel=b.travel and (b.travel[0] * grown(), b.travel[1] * grown()))
                for n, b in rig.bodies.items()},
        points={n: replace(p, holes={h: near(v) for h, v in p.holes.items()}, bolt=p.bolt and unit(p.bolt),
                           misalignment=p.misalignment * grown()) for n, p in rig.points.items()},
        rods={n: replace(r, length=r.length + rng.normal(0, 0.01), tol=r.tol * grown()) for n, r in rig.rods.items()},
        wheels={n: replace(w, spin_tol=w.spin_tol * grown(), radius=w.radius * grown()) for n, w in rig.wheels.items()},
        targets={n: replace(t, value=t.value + rng.normal(0, 0.01), tolerance=t.tolerance * grown())
                 for n, t in rig.targets.items()})


def flat(data: object, path: tuple[object, ...] = ()) -> dict[tuple[object, ...], object]:
    """Every single value of nested tables and lists, by its path."""
    if isinstance(data, dict):
        return {k: v for name, x in data.items() for k, v in flat(x, (*path, name)).items()}
    if isinstance(data, tuple | list):
        return {k: v for i, x in enumerate(data) for k, v in flat(x, (*path, i)).items()}
    return {path: data}


@pytest.mark.parametrize("seed", range(24))
def test_round_trip_of_odd_names_and_awkward_numbers(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rig = oddly_named((full_rig, lambda: load_rig(SAMPLE), lambda: parse_rig(SMALL))[seed % 3](), rng)
    assert parse_rig(rig_to_toml(rig)) == rig
    off = jiggled_all_over(rig, rng)
    back, want = flat(asdict(parse_rig(rig_to_toml(off)))), flat(asdict(off))
    assert list(back) == list(want)
    numbers = [k for k, v in want.items() if isinstance(v, float)]
    assert len(numbers) > 60 and all(back[k] == pytest.approx(want[k], rel=1e-15, abs=0) for k in numbers)
    assert all(back[k] == v for k, v in want.items() if k not in numbers)


def test_every_key_of_the_schema_is_written_where_a_rig_holds_it() -> None:
    """What the full rig or the small one writes, and what is only another way of saying the same."""
    screw = replace(full_rig().rods["left_tie"], thread=Thread(1.25, 2), engaged_now=14.0, setting=0.2,
                    name="other")
    rig = replace(full_rig(), stops=("back3", "push3"), loaded="aboard", readout=0.025, roll_tol=0.01, pitch_tol=0.1,
                  heading_tol=0.02,
                  board=replace(full_rig().board, bar_upright=180.2),
                  rods={**full_rig().rods, "other": screw},
                  wheels={n: replace(w, measured=True, tyre=40.0) for n, w in full_rig().wheels.items()},
                  rear=replace(full_rig().rear, radius=300.0, centre=(-1240.0, 0.0, 300.0), spin_body="left_wheel"),
                  tags={**full_rig().tags, "middle": Tag("middle", 301, "frame", 60.0, on_centre_line=True),
                        "floor": Tag("floor", 302, "frame", 60.0, on_floor=True)},
                  bodies={n: replace(b, grip=450.0) if b.role == "lever" else b for n, b in full_rig().bodies.items()},
                  points={**full_rig().points, "x": replace(full_rig().points["left_lever.rod"], name="x",
                                                            clock=(-0.1, 0.1))})
    data = tomllib.loads(rig_to_toml(rig))
    data["vehicle"]["as_built"] = True
    written = {(s, k) for s in SINGLE for k in data.get(s, {})}
    written |= {(s, k) for s in NAMED if s in data for table in data[s].values() for k in table}
    wanted = {(s, k) for s, keys in {**SINGLE, **NAMED}.items() for k in keys}
    short = {("steering", "both_ways"), *(("bodies", k) for k in ("balls", "caster", "inclination")), ("points", "row"),
             *(("rods", k) for k in ("plus_minus", "overlap_most", "engaged_most")), ("vehicle", "mirror"),
             *(("prints", k) for k in SINGLE["prints"]), *((s, "mirror") for s in NAMED if "mirror" in NAMED[s])}
    assert wanted - written == short
    assert written <= wanted


def test_comments_stand_where_they_belong() -> None:
    text = rig_to_toml(parse_rig(SMALL), {"": "head line", "bodies": "the parts", "rods.drag.length": "measured",
                                          "points.stick.rod.holes.near": "drilled"})
    lines = text.splitlines()
    assert lines[0] == "# head line"
    assert lines[lines.index("# the parts") + 1] == "[bodies.stick]"
    assert any(x.startswith("length = ") and x.endswith("  # measured") for x in lines)
    assert "near = [-400, 200, 230]  # drilled" in lines


def measured() -> AsBuilt:
    """An invented measurement of the sample: every named value a little off, with known uncertainty."""
    rig = load_rig(SAMPLE)
    names = [f"{b}.{w}.{c}" for b in rig.bodies for w in ("pivot", "axis") for c in "xyz"]
    names += [f"{p.name}@{h}.{c}" for p in rig.points.values() for h in p.holes for c in "xyz"]
    names += [f"{r}.length" for r in rig.rods] + [f"{s}.{w}.{c}" for s in rig.wheels for w in ("centre", "spin")
                                                  for c in "xyz"]
    rng = np.random.default_rng(1)
    scale = np.array([0.002 if ".axis." in n or ".spin." in n else 0.5 for n in names])
    off = with_parameters(rig, names, get_parameters(rig, names) + scale * rng.normal(size=len(names)))
    return AsBuilt(off, tuple(names), np.diag((0.1 * scale) ** 2), dict.fromkeys(names, 0.98))


def test_as_built_reads_back_with_its_uncertainties_beside_it() -> None:
    built = measured()
    text = as_built_toml(built)
    back = parse_rig(text)
    assert get_parameters(back, built.names) == pytest.approx(get_parameters(built.rig, built.names), abs=6e-5)
    exact = replace(back, bodies=built.rig.bodies, points=built.rig.points, rods=built.rig.rods,
                    wheels=built.rig.wheels)
    assert exact == built.rig
    # its tolerances are what was measured: 1.96 x 0.05 mm = 0.098 mm, 1.96 x 0.0002 rad = 0.0225 deg, rounded up
    for part in (*back.points.values(), *back.rods.values()):
        assert part.tol == 0.098
    for body in back.bodies.values():
        assert body.pivot_tol == 0.098 and math.degrees(body.axis_tol) == pytest.approx(0.023)
    # 1.96 x 0.05 mm = 0.10 mm; 1.96 x 0.0002 rad = 0.02 deg
    section = text[text.index("[bodies.left_lever]"):]
    pivot = next(x for x in section.splitlines() if x.startswith("pivot"))
    axis = next(x for x in section.splitlines() if x.startswith("axis"))
    # along its own hinge a pivot's place is the drawing's by definition, and a direction has no length to measure
    assert pivot.endswith("  # +/- 0.10, -, 0.10 mm; 98 % from photos")
    assert axis.endswith("  # +/- 0.02, -, 0.02 deg; 98 % from photos")
    assert text.count("% from photos") == sum(n.endswith((".x", ".length")) for n in built.names)
    assert tomllib.loads(text)["vehicle"]["as_built"] is True


def test_as_built_keeps_the_tolerance_of_what_was_not_measured_or_is_in_doubt() -> None:
    built = measured()
    names = tuple(n for n in built.names if not n.startswith(("crank.", "left_tie.")))
    some = AsBuilt(built.rig, names, np.diag(np.full(len(names), (0.1 / 1.96) ** 2)), dict.fromkeys(names, 0.98))
    back = parse_rig(as_built_toml(some, lambda part, unit: "slipped" if part == "left_lever" else ""))
    was = built.rig
    assert back.bodies["left_lever"].pivot_tol == was.bodies["left_lever"].pivot_tol == 4.0
    assert back.bodies["left_lever"].axis_tol == pytest.approx(math.radians(math.degrees(0.1)), abs=2e-5)  # the larger
    assert back.bodies["right_lever"].pivot_tol == 0.1
    assert back.bodies["crank"].pivot_tol == 4.0 and back.points["crank.left_in"].tol == 3.0
    assert back.rods["left_tie"].tol == 6.0 and back.rods["right_tie"].tol == 0.1


def test_stops_of_the_rig_as_built_carry_their_doubt_in_degrees() -> None:
    rig = load_rig(SAMPLE)
    names = travel_names("left_lever")
    text = as_built_toml(AsBuilt(rig, names, np.diag(np.radians([0.5, 0.25]) ** 2), dict.fromkeys(names, 0.0)))
    assert "travel = [-32, 32]  # +/- 0.98, 0.49 deg; 0 % from photos" in text  # 1.96 x 0.5 and 1.96 x 0.25
    assert parse_rig(text).bodies["left_lever"].travel == rig.bodies["left_lever"].travel


def test_as_built_may_lie_outside_its_range_a_design_may_not() -> None:
    rig = parse_rig(SMALL)
    rig = replace(rig, rods={"drag": replace(rig.rods["drag"], length=520.0)})
    built = AsBuilt(rig, ("drag.length",), np.array([[0.01]]), {"drag.length": 1.0})
    text = as_built_toml(built)
    assert parse_rig(text).rods["drag"].length == 520.0
    assert "length = 520  # +/- 0.20 mm; 100 % from photos" in text
    assert parse_rig(rig_to_toml(rig)).rods["drag"].length == 520.0
    lines = errors(text.replace("as_built = true\n", ""))
    assert len(lines) == 2 and "rods.drag.length" in lines[0] and "rods.drag.range" in lines[1]


# --- the starter -----------------------------------------------------------------------------------------------


def test_starter_loads_and_steers() -> None:
    rig = parse_rig(starter_text("Dabchick"))
    assert rig.name == "Dabchick" and rig.name != load_rig(SAMPLE).name
    sweep = Linkage(rig).sweep(over_travel(rig))
    assert sweep.ends == () and bool(np.all(sweep.reached))
    steer = steer_angles(rig, sweep.angles)
    for side in ("left", "right"):  # pushing the left lever steers both wheels right, one way all along
        assert bool(np.all(np.diff(steer[side]) < 0)) and np.ptp(steer[side]) > math.radians(40)


def test_starter_explains_every_section_key_and_figure() -> None:
    text = starter_text()
    for section in [*SINGLE, *NAMED]:
        assert f"[{section}" in text
    assert all(name in text for name, k in targets().items() if not k.of_one_side)
    assert all(name.rpartition("_")[0] in text for name in targets())
    assert all(path in text for path, default, _ in defaults() if default != "left out")
    assert "@" not in text and "qualified person" in text


def test_starter_is_never_written_over_a_file(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    write_starter(path)
    assert load_rig(path).driver == "left_lever"
    path.write_text("mine")
    with pytest.raises(UserError, match="exists already"):
        write_starter(path)
    assert path.read_text() == "mine"
    with pytest.raises(UserError, match="cannot be written"):
        write_starter(tmp_path / "nowhere" / "rig.toml")
