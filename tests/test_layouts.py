"""Layouts other than the sample's, by rig file alone: bar, direct rods, crank fore and aft, ball joints."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from calib.estimation.bundle import estimate
from calib.linkage.limits import check_limits
from calib.linkage.mechanism import Linkage, rod_lengths
from calib.linkage.steering import curve_figures, kingpin_geometry
from calib.rig.figures import kinds
from calib.rig.model import Rig
from calib.rig.reader import parse_rig, rig_to_toml
from capture.errors import UserError
from tests.render.shoot import simulate_observations
from tests.render.truth import make_truth, random_errors, solve

DEG = np.deg2rad(1.0)
Place = tuple[float, float, float]

UPRIGHTS = """
[bodies.left_upright]
role = "upright"
side = "left"
pivot = [0, 310, 240]
axis = [-0.1736, -0.1392, 0.975]

[bodies.right_upright]
role = "upright"
side = "right"
pivot = [0, -310, 240]
axis = [-0.1736, 0.1392, 0.975]
"""
# the same kingpin lines as two ball joints, 140 mm apart along them
BALLS = """
[bodies.left_upright]
role = "upright"
side = "left"
balls = { lower = [12.1520, 319.7440, 171.75], upper = [-12.1520, 300.2560, 308.25] }

[bodies.right_upright]
role = "upright"
side = "right"
balls = { lower = [12.1520, -319.7440, 171.75], upper = [-12.1520, -300.2560, 308.25] }

[obstacles.left_lower_wishbone]
from = [10, 120, 160]
to = [12, 300, 170]
diameter = 16
"""
LEVERS = """
[bodies.left_lever]
role = "lever"
side = "left"
pivot = [-420, 110, 160]
axis = [0, 1, 0]
travel = [-30, 30]

[bodies.right_lever]
role = "lever"
side = "right"
pivot = [-420, -110, 160]
axis = [0, 1, 0]
"""
BAR = """
[bodies.bar]
role = "lever"
pivot = [-330, 0, 200]
axis = [0, 0, 1]
travel = [-30, 30]
"""


def crank(x: float) -> str:
    return f'\n[bodies.crank]\nrole = "crank"\npivot = [{x}, 0, 200]\naxis = [0, 0, 1]\n'


def mirrored(name: str, place: Place) -> dict[str, Place]:
    x, y, z = place
    return {f"left_{name}": place, f"right_{name}": (x, -y, z)}


def layout(driver: str, bodies: str, points: Mapping[str, tuple[str, Place]], rods: Sequence[tuple[str, str, str]],
           ) -> Rig:
    """A rig from rig-file text: ``points`` name -> (body, place), ``rods`` (name, from, to), all screwed M8."""
    text = f"""
[vehicle]
name = "layout"
wheelbase = 1240

[board]
scale_bar = 180.65

[steering]
driver = "{driver}"
positions = ["back3", "back1", "ahead", "push1", "push3"]
{bodies}
[wheels.left]
upright = "left_upright"
centre = [0, 360, 240]
radius = 240

[wheels.right]
upright = "right_upright"
centre = [0, -360, 240]
radius = 240

[targets]
toe = {{ value = 0, tolerance = 0.5 }}
"""
    for name, (body, at) in points.items():
        bolt = [0, 1, 0] if "left_lever" in body else [0, -1, 0] if "lever" in body else [0, 0, 1]
        text += f'\n[points."{name}"]\nbody = "{body}"\nat = {list(at)}\nbolt = {bolt}\n'
        text += "tolerance = 3\nmisalignment = 40\n"
    for name, a, b in rods:
        length = math.dist(points[a][1], points[b][1])
        text += (f'\n[rods.{name}]\nfrom = "{a}"\nto = "{b}"\nthread = "M8"\nrange = [{length - 20:.1f}, '
                 f'{length + 20:.1f}]\ntolerance = 6\n')
    code = 60
    for body in [x.split("]")[0] for x in bodies.split("[bodies.")[1:]]:
        text += f'\n[tags.{body}]\ncode = {code}\nbody = "{body}"\nsize = 60\n'
        code += 1
    for name in points:
        text += f'\n[tags."{name.replace(".", "_")}"]\ncode = {code}\non_bolt = "{name}"\nsize = 44\noffset = 16\n'
        code += 1
    return parse_rig(text)


def bar() -> Rig:
    """One bar on an upright hinge, both tie rods straight from it to the uprights."""
    points: dict[str, tuple[str, Place]] = {
        "bar.left": ("bar", (-270.0, 45.0, 190.0)), "bar.right": ("bar", (-270.0, -45.0, 190.0)),
        "left_upright.arm": ("left_upright", (-85.0, 318.0, 185.0)),
        "right_upright.arm": ("right_upright", (-85.0, -318.0, 185.0))}
    return layout("bar", BAR + UPRIGHTS, points, [("left_tie", "bar.left", "left_upright.arm"),
                                                  ("right_tie", "bar.right", "right_upright.arm")])


def direct(uprights: str = UPRIGHTS) -> Rig:
    """No crank: each lever's rod straight to its upright, and a cross tie between the uprights."""
    points: dict[str, tuple[str, Place]] = {}
    for side, y in (("left", 1.0), ("right", -1.0)):
        points[f"{side}_lever.rod"] = (f"{side}_lever", (-420.0, y * 110, 230.0))
        points[f"{side}_upright.steer"] = (f"{side}_upright", (5.0, y * 240, 215.0))
        points[f"{side}_upright.tie"] = (f"{side}_upright", (-88.0, y * 297, 180.0))
    return layout("left_lever", LEVERS + uprights, points, [
        ("left_rod", "left_lever.rod", "left_upright.steer"), ("right_rod", "right_lever.rod", "right_upright.steer"),
        ("cross_tie", "left_upright.tie", "right_upright.tie")])


def cranked(x: float, arm: float) -> Rig:
    """The sample's scheme with the crank at ``x`` and the upright arms ``arm`` mm ahead of the kingpins."""
    points: dict[str, tuple[str, Place]] = {}
    for side, y in (("left", 1.0), ("right", -1.0)):
        points[f"{side}_lever.rod"] = (f"{side}_lever", (-420.0, y * 110, 230.0))
        points[f"crank.{side}_in"] = ("crank", (x, y * 75, 205.0))
        points[f"crank.{side}_out"] = ("crank", (x + arm, y * 30, 180.0))
        points[f"{side}_upright.arm"] = (f"{side}_upright", (arm, y * 316, 185.0))
    return layout("left_lever", LEVERS + crank(x) + UPRIGHTS, points, [
        (f"{side}_{kind}", a, b) for side in ("left", "right")
        for kind, a, b in (("rod", f"{side}_lever.rod", f"crank.{side}_in"),
                           ("tie", f"crank.{side}_out", f"{side}_upright.arm"))])


LAYOUTS = {"bar": bar, "direct": direct, "ball joints": lambda: direct(BALLS),
           "crank aft": lambda: cranked(-120.0, -80.0), "crank fore": lambda: cranked(90.0, 80.0)}


@pytest.mark.parametrize("name", LAYOUTS)
def test_layout_moves_and_gives_figures_and_limits(name: str) -> None:
    rig = LAYOUTS[name]()
    d = np.linspace(-20, 20, 17) * DEG
    sweep = Linkage(rig).sweep(d)
    assert sweep.reached.all() and sweep.ends == ()
    for rod, length in rod_lengths(rig, sweep.angles).items():
        np.testing.assert_allclose(length, rig.rods[rod].length, atol=1e-9)
    for i in (0, 5, 16):  # scipy's root finder on the same rods
        for body, a in solve(rig, float(d[i])).items():
            assert sweep.angles[body][i] == pytest.approx(a, abs=1e-8)
    figures = curve_figures(rig, sweep)
    assert all(np.isfinite(figures[f]) for f in (k.name for k in kinds("travel")))
    assert figures["toe"] == pytest.approx(0.0, abs=1e-6) and figures["lock"] > 5 * DEG
    checked = {x.name for x in check_limits(rig, sweep)}
    assert {"reach", "toggle", "transmission", "misalignment", "rod_length"} <= checked
    assert parse_rig(rig_to_toml(rig)) == rig


def test_crank_behind_or_ahead_of_the_axle_steers_the_same_way() -> None:
    # leading arms with a leading crank: two reversals, so the sign stays
    signs = []
    for name in ("crank aft", "crank fore"):
        rig = LAYOUTS[name]()
        signs.append(np.sign(Linkage(rig).rates(Linkage(rig).solve(0.0))["left_upright"]))
    assert signs[0] == signs[1] != 0


def test_two_ball_joints_are_one_kingpin() -> None:
    pin, balls = direct(), direct(BALLS)
    for side in ("left", "right"):
        a, b = kingpin_geometry(pin, side), kingpin_geometry(balls, side)
        assert b["caster"] == pytest.approx(a["caster"], abs=1e-5)
        assert b["trail"] == pytest.approx(a["trail"], abs=0.01)
        assert balls.bodies[f"{side}_upright"].pivot == pytest.approx(pin.bodies[f"{side}_upright"].pivot)


@pytest.mark.parametrize(("old", "new", "says"), [
    ("lower =", "low =", "lower"),
    ("upper = [-12.1520, 300.2560, 308.25]", "upper = [12.152, 319.744, 171.75]", "apart"),
    ('side = "left"', 'side = "left"\npivot = [0, 310, 240]', "balls")])
def test_wrong_balls_are_named(old: str, new: str, says: str) -> None:
    with pytest.raises(UserError, match="left_upright") as e:
        direct(BALLS.replace(old, new, 1))
    assert says in str(e.value) and len(str(e.value).splitlines()) == 1


@pytest.mark.parametrize("name", ["bar", "ball joints"])
def test_estimate_runs_on_another_layout(name: str) -> None:
    rng = np.random.default_rng(6)
    design = LAYOUTS[name]()
    truth = make_truth(design, random_errors(design, rng, 0.5), rng, views=3)
    fit = estimate(design, simulate_observations(truth, 0.05, rng))
    checked = 0
    for (body, position), a in fit.joint_angles.items():
        if (body, position) not in fit.angle_names:
            continue
        k = fit.angle_names.index((body, position))
        sd = float(np.sqrt(fit.angle_cov[k, k]))
        assert abs(a - truth.angles[body, position]) < 4 * sd and sd < 0.1 * DEG  # 20 and more looks
        checked += 1
    assert checked >= 12
    for rod, r in truth.rig.rods.items():
        assert fit.as_built.rig.rods[rod].length == pytest.approx(r.length, abs=0.6)
