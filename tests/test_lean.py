"""Leaning: steer it causes by the model, an independent solver, and photos; limits leaned over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.advice.compare import compare
from calib.estimation.bundle import estimate
from calib.linkage.lean import lean_from_photos, lean_limits, lean_sweep, lean_table, roll_steer_band
from calib.linkage.limits import check_limits
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import curve_figures, roll_steer
from calib.report import tables
from calib.report.numbers import pm
from calib.results import AsBuilt
from calib.rig.model import Obstacle, Target
from calib.rig.parameters import get_parameters, with_parameters
from calib.rig.reader import parse_rig
from capture.errors import UserError
from tests.moorhen import SAMPLE, jiggled, moorhen
from tests.render.leaning import (
    LEAN_TEXT,
    LEANS,
    headings_by_root,
    lean_shoot,
    leaning,
    rear_off,
    solve_leaned,
    steer_by_leaning,
)
from tests.render.truth import solve

DEG = np.deg2rad(1.0)


@pytest.mark.parametrize("levers_lean", [False, True])
@pytest.mark.parametrize(("slope", "seed"), [(0.0, 0), (0.1, 1), (0.2, 2), (0.3, 3)])
def test_roll_steer_against_a_solve_on_three_contacts(slope: float, seed: int, levers_lean: bool) -> None:
    rng = np.random.default_rng(seed)
    rig = jiggled(leaning(slope, levers_lean), rng, mm=5.0, deg=2.0, rod_mm=1.0)
    rig = replace(rig, rear=replace(rear_off(rig, rng), tyre=20.0 * seed))
    lean, lever = np.array([-9.0, 0.0, 10.0]) * DEG, 6 * DEG
    got = lean_sweep(rig, lean, lever)
    level = headings_by_root(rig, solve(rig, lever))
    for i, a in enumerate(lean):
        # tests.render closes the rods with scipy's root finder and stands the wheels on the ground by another
        held = solve_leaned(rig, lever, float(a))
        for side, h in headings_by_root(rig, held).items():
            assert got[side][i] == pytest.approx(h - level[side], abs=1e-8)


@pytest.mark.parametrize(("slope", "worst"), [(0.1, 0.445), (0.25, 0.006)])
def test_roll_steer_of_the_sample_leaning_12_deg(slope: float, worst: float) -> None:
    # found before by a solve on three contacts made by someone else: 0.45 deg, and 0.01 deg at a slope of 0.25; with
    # headings counted from the axle instead of the rear wheel they would come out as 1.60 and 2.88 deg
    got = lean_sweep(leaning(slope), np.array([12.0]) * DEG)
    assert float(np.degrees(got["left"][0])) == pytest.approx(worst, abs=0.002)


def test_leaning_about_the_ground_line_without_rods_across_it_does_not_steer() -> None:
    # lean axis along the ground, through all that matters (geometry): the frame tips over its rear contact, and no
    # rod crosses the hinge because the levers lean with the axle
    rig = leaning(0.0)
    bodies = {n: replace(b, parent="axle") if b.parent == "frame" and n != "axle" else b for n, b in rig.bodies.items()}
    rig = replace(rig, bodies=bodies | {"axle": replace(bodies["axle"], pivot=(0.0, 0.0, 0.0))})
    for s in lean_sweep(rig, np.array([-10.0, 4.0]) * DEG).values():
        np.testing.assert_allclose(s, 0.0, atol=1e-9)
    # a slope takes the rear wheel round with it: its heading turns by about lean times slope
    axle = replace(rig.bodies["axle"], axis=(np.cos(0.1), 0, -np.sin(0.1)))
    sloped = replace(rig, bodies=rig.bodies | {"axle": axle})
    assert abs(lean_sweep(sloped, np.array([4.0]) * DEG)["left"][0]) == pytest.approx(4 * DEG * np.sin(0.1), rel=0.1)


def test_figure_is_the_worst_of_the_sweep() -> None:
    rig = leaning()
    worst = max(float(np.abs(s).max()) for s in lean_sweep(rig, np.array([-12.0, 12.0]) * DEG).values())
    assert roll_steer(rig) == pytest.approx(worst, rel=1e-9) and worst > 0.1 * DEG
    f = curve_figures(rig, Linkage(rig).sweep(np.linspace(-28, 28, 15) * DEG))
    assert f["roll_steer"] == roll_steer(rig)
    assert "roll_steer" not in curve_figures(moorhen(), Linkage(moorhen()).sweep(np.linspace(-28, 28, 15) * DEG))


def test_no_figure_where_nothing_leans_by_itself() -> None:
    assert np.isnan(roll_steer(moorhen()))
    rig = leaning()
    assert np.isnan(roll_steer(replace(rig, driver="axle"))), "the lean joint cannot both drive and be held"


def test_limits_are_checked_leaned_over() -> None:
    rig = leaning()
    d = np.linspace(-28, 28, 15) * DEG
    level = {(x.name, x.item): x for x in check_limits(rig, Linkage(rig).sweep(d))}
    over = {(x.name, x.item): x for x in lean_limits(rig, d, 5)}
    assert {k for k in level if k[0] != "rod_length" and k != ("travel", "axle")} == set(over)
    tighter = 0
    for k, x in over.items():
        assert "with axle at" in x.text
        if k[0] in ("transmission", "clearance"):
            assert x.value <= level[k].value + 1e-12
            tighter += x.value < level[k].value - 1e-6
        if k[0] == "misalignment":
            assert x.value >= level[k].value - 1e-12
    assert tighter > 3


def test_wheel_against_a_tube_of_the_frame_leaned_over() -> None:
    # beside the left wheel's top: as the frame leans left against the axle the tube comes down on it
    tube = Obstacle("tube", (-100.0, 330.0, 520.0), (100.0, 330.0, 520.0), 12.0)
    rig = replace(leaning(0.0), obstacles=(tube,))
    level = {(x.name, x.item): x for x in check_limits(rig, Linkage(rig).sweep(np.array([-1.0, 0.0, 1.0]) * DEG))}
    over = {(x.name, x.item): x for x in lean_limits(rig, np.array([-1.0, 0.0, 1.0]) * DEG, 5)}
    key = ("clearance", "left wheel to tube")
    # by hand: turned by 12 deg about (y 0, z 130) the rim at y 360, z 480 rises by about 360 sin 12 = 75 mm
    assert level[key].ok and level[key].value > 30 and not over[key].ok and over[key].value < 0


def test_rig_without_a_lean_joint_is_refused_in_words() -> None:
    with pytest.raises(UserError, match="no lean joint"):
        lean_sweep(moorhen(), [0.1])
    text = SAMPLE.read_text(encoding="utf-8").replace("spin_positions =", 'lean_positions = ["l"]\nspin_positions =')
    with pytest.raises(UserError, match='role is "lean"'):
        parse_rig(text)
    with pytest.raises(UserError, match="tag on axle"):
        parse_rig(text + LEAN_TEXT.split("[tags")[0])


def test_band_of_the_figure_by_drawing_parameters_at_random() -> None:
    rig = leaning()
    names = ("left_rod.length", "crank.pivot.z", "axle.pivot.z", "left_lever.rod@C.z", "left_upright.axis.x",
             "crank.left_in@2.z", "right_tie.length")
    sd = np.array([0.3, 0.4, 0.5, 0.3, 0.002, 0.3, 0.2])
    value, u95, share = roll_steer_band(AsBuilt(rig, names, np.diag(sd**2), dict.fromkeys(names, 1.0)))
    rng = np.random.default_rng(5)
    x = get_parameters(rig, names)
    drawn = [roll_steer(replace(with_parameters(rig, names, x + rng.normal(0, sd)), rear=rear_off(rig, rng)), 3)
             for _ in range(300)]
    # Monte Carlo propagation (JCGM 101): spread of the figure against the linear half-width
    assert value == pytest.approx(np.mean(drawn), abs=0.2 * u95)
    assert 1.96 * np.std(drawn) == pytest.approx(u95, rel=0.15)
    assert 0.05 < share < 0.95  # the rest is the rear wheel, which is as drawn
    sure = replace(rig, rear=replace(rig.rear, tol=1e-6, spin_tol=1e-9))
    value, u95, share = roll_steer_band(AsBuilt(sure, names, np.diag(sd**2), dict.fromkeys(names, 1.0)))
    drawn = [roll_steer(with_parameters(rig, names, x + rng.normal(0, sd)), 3) for _ in range(300)]
    assert 1.96 * np.std(drawn) == pytest.approx(u95, rel=0.15)
    assert share == pytest.approx(1.0)


# --- from photos --------------------------------------------------------------------------------------------


def test_lean_steer_from_photos() -> None:
    design, truth, obs = lean_shoot(2)
    rig, fit = truth.rig, estimate(design, obs)
    points = lean_from_photos(design, fit)
    assert [p.position for p in points] == list(LEANS)
    for p in points:
        lean, lever = (truth.angles[b, p.position] for b in ("axle", design.driver))
        assert p.lean == pytest.approx(np.degrees(lean), abs=1.5 * p.lean_u95 + 1e-3) and p.lean_u95 < 0.1
        true, by_rods = steer_by_leaning(truth, p.position)
        assert max(map(abs, true.values())) > 0.1 * DEG
        for side in ("left", "right"):
            assert abs(p.steer[side] - np.degrees(true[side])) < 1.8 * p.steer_u95[side]
            assert abs(p.difference[side] - np.degrees(true[side] - by_rods[side])) < 1.8 * p.difference_u95[side]
            assert p.steer_u95[side] < 0.2
    table = lean_table(points)
    shown = tables.lean_table(table)
    assert shown is not None and len(shown.rows) == 4 and tables.lean_table(lean_table(())) is None
    assert [row[6] for row in shown.rows] == [pm(p.difference[side], p.difference_u95[side])
                                              for p in points for side in ("left", "right")]
    assert len(table) == 4 and list(table["side"]) == ["left", "right"] * 2
    wanted = replace(design, targets={**design.targets, "roll_steer": Target("roll_steer", 0.0, 2 * DEG)})
    figure = compare(wanted, fit, 21).figure("roll_steer")
    assert abs(figure.measured - np.degrees(roll_steer(rig))) < 1.5 * figure.u95
    assert figure.verdict is not None and figure.u95 < 0.5
