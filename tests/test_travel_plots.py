"""Curves over the travel: their numbers against geometry worked out another way, their bands, and the pictures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.advice.travel import Travel, curves_of, end_key, half_widths, pair_key, travel, ways
from calib.cli import main
from calib.linkage.contacts import steered_wheels
from calib.linkage.mechanism import Linkage, points_now
from calib.linkage.steering import curve_figures, wheel_headings
from calib.report.page import travel_pictures
from calib.report.travel_plots import band_note, draw_panel, panels, save_panels
from calib.results import AsBuilt
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, with_parameters
from tests.moorhen import SAMPLE, moorhen
from tests.test_layouts import bar, direct
from tests.test_report import made_up_rig, parameter_names

LEVER = np.radians(np.linspace(-32, 32, 65))


@pytest.fixture(scope="module")
def rig() -> Rig:
    return moorhen()


@pytest.fixture(scope="module")
def built(rig: Rig) -> AsBuilt:
    """A build with the uncertainty of a few of its parts, correlated."""
    real = made_up_rig(rig)
    names = [n for n in parameter_names(real) if n.startswith(("left_tie", "left_upright.axis", "crank.left_out"))]
    root = np.random.default_rng(2).normal(0, 1, (len(names), len(names))) / math.sqrt(len(names))
    sd = np.array([0.001 if ".axis." in n else 0.1 for n in names])
    return AsBuilt(real, tuple(names), (root @ root.T) * np.outer(sd, sd), dict.fromkeys(names, 1.0))


@pytest.fixture(scope="module")
def both(rig: Rig, built: AsBuilt) -> Travel:
    t = travel(rig, built)
    assert t is not None
    return t


def test_ratio_adds_up_to_the_steer_and_agrees_with_the_figure(rig: Rig) -> None:
    c = curves_of(rig, LEVER)
    for side in ("left", "right"):  # the integral of the ratio is the steer, whatever its sign
        area = float(np.trapezoid(c[f"ratio_{side}"], np.degrees(LEVER)))
        assert area == pytest.approx(abs(c[f"steer_{side}_deg"][-1] - c[f"steer_{side}_deg"][0]), abs=0.01)
    figure = curve_figures(rig, Linkage(rig).sweep(LEVER))["ratio"]
    assert 0.5 * (c["ratio_left"][32] + c["ratio_right"][32]) == pytest.approx(figure, abs=1e-3)


def test_ideal_outer_wheel_meets_the_inner_on_the_rear_axle_line(rig: Rig) -> None:
    # both wheels' axle lines, through where the tyres touch the ground, cut the rear axle's line in one point
    c = curves_of(rig, LEVER)
    on = np.abs(c["inner_deg"]) > 3
    turn = np.sign(c["steer_left_deg"] + c["steer_right_deg"])[on]
    inner, ideal = turn * np.radians(c["inner_deg"][on]), turn * np.radians(c["outer_ideal_deg"][on])
    asked = []
    for side in ("left", "right"):
        steer = np.where((turn > 0) == (side == "left"), inner, ideal)
        x, y = steered_wheels(rig)[side](steer)
        asked.append(y + (x + rig.wheelbase) / np.tan(steer))
    np.testing.assert_allclose(asked[0], asked[1], rtol=1e-6)
    np.testing.assert_allclose(c["ackermann_error_deg"], c["outer_deg"] - c["outer_ideal_deg"], atol=1e-12)


def test_force_ratio_is_virtual_work(rig: Rig) -> None:
    # work in equals work out: lever turn times its moment is the mean turn of both uprights times theirs
    step = math.radians(0.01)
    at = math.radians(15.0)
    one, two = (Linkage(rig).solve(at + s) for s in (-step, step))
    turned = np.mean([abs(two[w.upright] - one[w.upright]) for w in rig.wheels.values()])
    c = curves_of(rig, LEVER)["force_ratio"]
    assert np.interp(at, LEVER, c) == pytest.approx(2 * step / turned, rel=1e-4)


def test_transmission_angle_is_the_plan_view_one_foreshortened_by_the_rods_tilt(rig: Rig, both: Travel) -> None:
    # the crank's hinge is upright: rod against arm by the cosine rule in plan view, then the rod's tilt
    at = points_now(rig, Linkage(rig).sweep(LEVER).angles)
    rod = at["left_upright.arm"] - at["crank.left_out"]
    arm = (at["crank.left_out"] - np.array(rig.bodies["crank"].pivot))[:, :2]
    level = np.linalg.norm(rod[:, :2], axis=1)
    flat = np.arccos(np.sum(rod[:, :2] * arm, axis=1) / level / np.linalg.norm(arm, axis=1))
    expected = np.arcsin(np.sin(flat) * level / np.linalg.norm(rod, axis=1))
    drawn = both.table[end_key("transmission", ("left_tie", "crank.left_out")) + "_design"]
    np.testing.assert_allclose(drawn, np.degrees(expected), atol=1e-6)


def test_toggle_margin_ends_where_the_linkage_does(rig: Rig, both: Travel) -> None:
    below = both.design_hold.toggles[0]
    assert below is not None
    margin = both.table["toggle_margin_deg_design"]
    assert margin.iloc[0] == pytest.approx(-32 - math.degrees(below), abs=1e-6)
    near, past = Linkage(rig).sweep([below + math.radians(0.1), below - math.radians(0.1)]).reached
    assert near and not past
    assert np.degrees(np.nanmin(both.design_hold.weakest)) < 8


def test_bands_are_the_scatter_of_rigs_drawn_at_random(built: AsBuilt) -> None:
    # Monte Carlo against first order (JCGM 101:2008); 100 draws know a spread to 7 %, so 30 % is four times that
    lever = np.radians(np.linspace(-30, 30, 9))
    u = half_widths(replace(built, rig=_seen(built.rig)), lever)
    rng = np.random.default_rng(4)
    p = get_parameters(built.rig, built.names)
    keys = ("ratio_left", "ackermann_error_deg", "toe_change_deg", "camber_left_deg", "force_ratio",
            end_key("transmission", ("left_tie", "crank.left_out")), "clearance_left_rod_to_left_tie_mm")
    many: dict[str, list[np.ndarray]] = {k: [] for k in keys}
    for q in rng.multivariate_normal(p, built.cov, 100):
        c = curves_of(with_parameters(built.rig, built.names, q), lever)
        for k in keys:
            many[k].append(c[k])
    for k in keys:
        spread = 1.96 * np.std(many[k], axis=0)
        seen = spread > 0.05 * spread.max()
        np.testing.assert_allclose(u[k][seen], spread[seen], rtol=0.3, err_msg=k)


def _seen(rig: Rig) -> Rig:
    return replace(rig, wheels={s: replace(w, measured=True) for s, w in rig.wheels.items()})


def test_a_wheel_never_turned_keeps_the_drawings_doubt_in_its_camber(built: AsBuilt) -> None:
    lever = np.radians(np.linspace(-30, 30, 5))
    doubt = half_widths(built, lever)["camber_right_deg"]
    expected = math.degrees(built.rig.wheels["right"].spin_tol)
    np.testing.assert_allclose(doubt, expected, rtol=0.2)
    assert (half_widths(replace(built, rig=_seen(built.rig)), lever)["camber_right_deg"] < 0.2 * expected).all()


def test_table_counts_toe_from_straight_ahead_and_leaves_wide_turns_out(both: Travel, built: AsBuilt) -> None:
    t = both.table
    h = wheel_headings(built.rig, Linkage(built.rig).sweep(np.radians(t["lever_deg"])))
    change = np.degrees((h["right"] - h["left"]) - (h["right"] - h["left"])[32])
    moved = t["toe_change_deg_asbuilt"] - t["toe_change_deg_asbuilt"].iloc[32]
    np.testing.assert_allclose(moved, change, atol=1e-9)
    assert np.isnan(t["turn_circle_mm_design"].iloc[32]) and (t["turn_circle_mm_design"].dropna() > 5000).all()
    gaps = [t[f"{pair_key((a, b))}_asbuilt"].min() for a, b in both.pairs]
    every = sorted(t[c].min() for c in t if c.startswith("clearance") and c.endswith("_asbuilt"))
    assert gaps == every[:4]


def test_every_picture_draws_both_rigs_and_its_limit(both: Travel) -> None:
    found = {p.stem: p for p in panels(both)}
    assert {"ratio", "outer_inner", "ackermann_error", "turn", "toe_change", "camber", "transmission_left",
            "transmission_right", "misalignment_left", "misalignment_right", "toggle", "clearance",
            "force"} == set(found)
    ax = draw_panel(both, found["transmission_left"]).axes[0]
    lines = [np.asarray(x.get_ydata(), float) for x in ax.lines]
    assert sum(len(y) == len(both.table) for y in lines) == 8  # 4 ends, drawn and as built
    level = [y[0] for y in lines if len(y) == 2 and y[0] > 0 and y[0] == y[1]]
    assert level == pytest.approx([math.degrees(both.rig.min_transmission)])
    said = [t.get_text() for t in ax.texts]
    assert f"smallest allowed, deg: {math.degrees(both.rig.min_transmission):g}" in said
    assert band_note(both, found["ratio"]) == "" and "without band" in band_note(both, found["toggle"])


def test_page_holds_the_pictures_and_stands_alone(both: Travel, tmp_path: Path) -> None:
    made = save_panels(both, tmp_path / "travel")
    shown = travel_pictures(both, tmp_path / "travel")
    assert len(shown) == len(made) == len(panels(both))
    assert all(p.uri.startswith("data:") and p.caption for p in shown)
    assert travel_pictures(None, tmp_path) == []


def test_no_curves_where_the_linkage_does_not_go_together(rig: Rig) -> None:
    short = replace(rig, rods={**rig.rods, "left_tie": replace(rig.rods["left_tie"], length=100.0)})
    assert travel(short) is None
    assert travel(replace(rig, wheels={"left": rig.wheels["left"]})) is None


def test_a_travel_beyond_a_toggle_is_drawn_as_far_as_it_goes(rig: Rig) -> None:
    lever = replace(rig.bodies[rig.driver], travel=(math.radians(-70), math.radians(30)))
    t = travel(replace(rig, bodies={**rig.bodies, rig.driver: lever}))
    assert t is not None and t.rig.driver_travel[0] < -1.2
    ratio = t.table["ratio_left_design"]
    assert np.isnan(ratio.iloc[0]) and np.isfinite(ratio.iloc[-1])
    assert any("short of the back end" in p.caption for p in panels(t))
    for p in panels(t):
        draw_panel(t, p)


@pytest.mark.parametrize(("make", "words"), [(bar, ("right", "left")), (direct, ("back", "forward"))])
def test_other_layouts_are_drawn_too(make: Callable[[], Rig], words: tuple[str, str]) -> None:
    t = travel(make())
    assert t is not None and ways(t.rig) == words
    some = panels(t)
    assert f"deg ({words[1]} +)" in draw_panel(t, some[0]).axes[0].get_xlabel()
    assert all(draw_panel(t, p).axes[0].lines for p in some[1:])


def test_a_hinge_the_other_way_round_swaps_the_words(rig: Rig) -> None:
    lever = replace(rig.bodies[rig.driver], axis=(0.0, -1.0, 0.0))
    assert ways(replace(rig, bodies={**rig.bodies, rig.driver: lever})) == ("forward", "back")


def test_check_draws_the_designs_curves(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    args = ["check", str(SAMPLE), "--picture", str(tmp_path / "rig.svg"), "--curves"]
    assert main([*args, str(tmp_path / "curves.svg")]) == 0
    assert (tmp_path / "curves.svg").read_text().count("<g id=\"axes_") == 14
    assert main([*args, str(tmp_path / "curves.pdf")]) == 2
    assert "must end in .svg or .png" in capsys.readouterr().err


def test_result_folder_has_the_numbers(both: Travel, tmp_path: Path) -> None:
    both.table.to_csv(tmp_path / "travel.csv", index=False, float_format="%.6g")
    back = pd.read_csv(tmp_path / "travel.csv")
    assert list(back) == list(both.table) and np.allclose(back, both.table, rtol=1e-5, equal_nan=True)
