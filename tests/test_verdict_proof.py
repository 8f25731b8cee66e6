"""The verdict from the rig file's degrees to the sheet's words, on cases a little either side of each limit.

The measured value and its uncertainty are worked out apart from the comparison: toe by a general root finder on the
rods' lengths, the others by differences of the figure's own formula. So a unit, a factor or a sign lost between the
covariance and the sheet turns a verdict over.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from calib.advice.compare import compare
from calib.linkage.designcheck import design_rows
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import curve_figures, heading_figures, straight_at
from calib.report.sheet import make_sheet, sheet_text
from calib.report.tables import figures_table
from calib.results import AsBuilt
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, with_parameters
from calib.rig.reader import parse_rig
from tests.render.truth import solve as solve_by_roots
from tests.steering_scene import SAMPLE, fit_of, wrong

K95 = 1.959964  # 0.975 quantile of the normal distribution, from its tables
LEVER = {"back3": -30.0, "ahead": 0.0, "push3": 29.0}
SURFACE = {"deg": 180 / np.pi, "mm": 1.0, "": 1.0}
CASES = {  # figure: the one parameter that is uncertain, its standard uncertainty (mm or part of a unit vector)
    "toe": ("right_tie.length", 0.1), "ratio": ("crank.left_in@2.y", 0.3), "symmetry": ("right_tie.length", 0.1),
    "lock": ("crank.left_in@2.y", 0.3), "lock_left": ("right_tie.length", 0.1),
    "turn_circle": ("crank.left_in@2.y", 0.3), "ackermann_error": ("right_tie.length", 0.1),
    "camber": ("left.spin.z", 0.003), "camber_left": ("left.spin.z", 0.003),
    "caster_difference": ("left_upright.axis.x", 0.003), "trail_right": ("right_upright.pivot.x", 0.5),
}


def rig_file(name: str, value: float, tolerance: float) -> str:
    """The sample's rig file with one target, in the file's own units."""
    text = re.sub(r"(?ms)^\[targets\]\n.*?(?=^\[)", "", SAMPLE.read_text())
    text = text.replace("[steering]\n", "[steering]\nload_allowance = 0\n")  # the bare verdict, no rider's weight
    assert "[targets" not in text and "load_allowance" in text
    return text + f"\n[targets]\n{name} = {{ value = {value:.9f}, tolerance = {tolerance:.9f} }}\n"


def toe_by_roots(rig: Rig) -> float:
    """Total toe (rad) where the mean heading is zero, by a root finder on rods and on that."""
    def headings(driver: float) -> dict[str, float]:
        pose = solve_by_roots(rig, driver)
        out = {}
        for side, w in rig.wheels.items():
            s = Rotation.from_rotvec(np.asarray(rig.bodies[w.upright].axis) * pose[w.upright]).apply(w.spin)
            out[side] = np.arctan2(-s[0], s[1])
        return out

    at = brentq(lambda d: sum(headings(d).values()), -0.1, 0.1, xtol=1e-10)
    h = headings(at)
    return float(h["right"] - h["left"])


def known(name: str, rig: Rig) -> tuple[float, float]:
    """Value and 95 % half-width of a figure in the file's units, its one parameter uncertain."""
    parameter, sd = CASES[name]
    low, high = rig.driver_travel
    grid = np.concatenate([np.linspace(low, 0, 51), np.linspace(0, high, 51)[1:]])

    def value(r: Rig) -> float:
        return toe_by_roots(r) if name == "toe" else curve_figures(r, Linkage(r).sweep(grid))[name]

    x, h = get_parameters(rig, [parameter]), 0.02 if sd > 0.01 else 1e-4
    up, down = (value(with_parameters(rig, [parameter], x + d)) for d in (h, -h))
    k = SURFACE[FIGURES[name].unit]
    return value(rig) * k, K95 * sd * abs(up - down) / (2 * h) * k


@pytest.mark.parametrize("name", CASES)
def test_go_and_no_go_either_side_of_each_limit(name: str) -> None:
    built = wrong(parse_rig(rig_file("toe", 0.0, 0.5)))
    parameter, sd = CASES[name]
    as_built = AsBuilt(built, (parameter,), np.array([[sd**2]]), {parameter: 1.0})
    value, u = known(name, built)
    wide = 20 * u
    one_sided = FIGURES[name].rule == "at most"
    # upper limit and lower limit, each a little further off and a little nearer than the half-width, from both sides
    for sign in (1.0,) if one_sided else (1.0, -1.0):
        for room, outcome in ((1.1, "met"), (0.9, "can't tell yet"), (-0.9, "can't tell yet"), (-1.1, "not met")):
            limit = value + sign * room * u
            design = parse_rig(rig_file(name, limit - sign * wide, wide))
            comparison = compare(design, fit_of(as_built, LEVER), 101)
            figure = comparison.figure(name)
            assert figure.measured == pytest.approx(value, abs=0.02 * u)
            assert figure.u95 == pytest.approx(u, rel=0.02)
            sheet = make_sheet(comparison.figure_table())
            assert [x.verdict for x in sheet.lines] == [outcome], (sign, room)
            assert sheet.go is (outcome == "met")
            mark = {"met": "[met]", "not met": "[NOT MET]"}.get(outcome, "[not known]")
            assert mark in sheet_text(sheet)


def test_a_reversed_lever_shows_in_the_ratio_and_is_judged() -> None:
    design = parse_rig(rig_file("ratio", 0.76, 0.06))
    drawn = compare(design, fit_of(AsBuilt(wrong(design), (), np.zeros((0, 0)), {}), LEVER), 31).figure("ratio")
    lever = design.bodies["left_lever"]
    # the same lever hinged the other way round: all that is seen of it turns against its angle
    turned = replace(wrong(design), bodies={**wrong(design).bodies, "left_lever": replace(
        wrong(design).bodies["left_lever"], axis=tuple(-x for x in lever.axis))})
    back = compare(design, fit_of(AsBuilt(turned, (), np.zeros((0, 0)), {}), LEVER), 31).figure("ratio")
    assert drawn.design == pytest.approx(back.design) and drawn.design > 0.7
    assert drawn.measured > 0.7 and back.measured == pytest.approx(-drawn.measured, abs=0.02)
    assert back.verdict is not None and back.verdict.not_met


def test_the_tolerance_is_printed_as_the_file_has_it() -> None:
    for value, tolerance, low, high in ((0.2, 0.5, "-0.30", "0.70"), (0.1, 0.125, "-0.025", "0.225")):
        design = parse_rig(rig_file("toe", value, tolerance))
        comparison = compare(design, fit_of(AsBuilt(wrong(design), (), np.zeros((0, 0)), {}), LEVER), 31)
        assert f"{low} to {high} deg" in comparison.figure("toe").verdict.text  # type: ignore[union-attr]
        table = figures_table(comparison.figure_table())
        assert table is not None
        row = next(r for r in table.rows if r[0] == FIGURES["toe"].label)
        assert row[4] == f"{value:g} \u00b1 {tolerance:g}"
        wanted = {name: w for name, _, w in design_rows(design)[0]}
        assert wanted["toe"] == f"wanted {value:g} +/- {tolerance:g}"


def test_ackermann_error_is_the_worst_inside_the_travel() -> None:
    """A bump in the middle of the travel counts, one beyond the stops does not."""
    rig = parse_rig(SAMPLE.read_text())
    d = np.radians(np.linspace(-35, 35, 141))
    left = 0.8 * d

    def worst(stops: float, bump_at: float) -> float:
        # turning left (d > 0) the right wheel is the outer one, here turned up to 3 deg further than the left
        right = left + np.radians(3.0) * np.exp(-(((np.degrees(d) - bump_at) / 1.5) ** 2))
        found = heading_figures(rig, d, left, right, (np.radians(-stops), np.radians(stops)))
        return float(np.degrees(found["ackermann_error"]))

    none, away = 500.0, 28.0
    assert worst(20, away) == pytest.approx(worst(20, none), abs=1e-6)
    assert worst(20, 12.0) == pytest.approx(worst(12, none) + 3.0, abs=0.02) and worst(20, 12.0) > worst(20, none) + 1


def test_straight_is_found_on_a_bent_curve_between_coarse_angles() -> None:
    """Three Newton steps on the local cubic: on a cubic curve the root is exact, the secant alone is far off."""
    d = np.linspace(-0.6, 0.6, 5)
    for root in (-0.21, 0.04, 0.17, 0.28):
        def y(x: np.ndarray, root: float = root) -> np.ndarray:
            return (x - root) * (1.0 + 1.5 * (x - root) + 4.0 * (x - root) ** 2)

        assert float(straight_at(d, y(d))) == pytest.approx(root, abs=1e-4)
