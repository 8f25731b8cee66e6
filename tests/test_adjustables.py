"""What a builder can adjust: each kind's effect, keys in the rig file, chance and words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from calib.advice.adjust import AdjustOptions, propose
from calib.advice.hand import STEERING_NM, grips, hand_table
from calib.advice.proposal import said
from calib.advice.riders import rider_settings, rider_table
from calib.advice.search import Model, Objective, Variant, apply, driver_grid
from calib.advice.worklist import work_list
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import wheel_headings
from calib.report.tables import hand_table as shown_hand
from calib.report.tables import riders_table
from calib.report.travel_plots import draw_hand
from calib.results import AsBuilt
from calib.rig.adjustables import CLOCK, SettingErrors, adjusted, choices_of, moves_of
from calib.rig.model import Rig, Slide
from calib.rig.reader import parse_rig
from calib.rig.starter import starter_text
from calib.rig.writer import rig_to_toml
from capture.errors import UserError
from tests.steering_scene import as_built, design, wrong

ARM = "left_lever.rod"


def clocked(rig: Rig, point: str = ARM) -> Rig:
    """The rig with an arm that may be turned 10 deg each way, in whole degrees."""
    p = replace(rig.points[point], clock=(-np.deg2rad(10.0), np.deg2rad(10.0)))
    return replace(rig, points={**rig.points, point: p})


def test_clocking_turns_the_arm_about_its_hinge() -> None:
    rig = clocked(design())
    moved = adjusted(rig, {}, {ARM + CLOCK: np.deg2rad(3.0)})
    body = rig.bodies["left_lever"]
    turn = Rotation.from_rotvec(np.deg2rad(3.0) * np.asarray(body.axis))
    for h, was in rig.points[ARM].holes.items():
        want = turn.apply(np.subtract(was, body.pivot)) + body.pivot
        np.testing.assert_allclose(moved.points[ARM].holes[h], want, atol=1e-9)
    np.testing.assert_allclose(moved.points[ARM].bolt, turn.apply(rig.points[ARM].bolt), atol=1e-12)
    assert moved.rods == rig.rods and moved.bodies == rig.bodies


def test_many_at_once_is_one_by_one_for_every_kind() -> None:
    rig = replace(clocked(design()), slides={"levers": Slide("levers", ("left_lever", "right_lever"), (1.0, 0.0, 0.2),
                                                             (-30.0, 30.0), 10.0)})
    v = Variant({ARM: "B"}, {"left_tie": 1.25, "levers": 10.0, ARM + CLOCK: np.deg2rad(-2.0)})
    grid = driver_grid(rig, 9)
    got = Model(rig, grid).curves([Variant(), v])
    one = apply(rig, v)
    head = wheel_headings(one, Linkage(one).sweep(grid))
    for side in ("left", "right"):
        np.testing.assert_allclose(got.headings[side][1], head[side], atol=1e-7)
        assert np.max(np.abs(got.headings[side][1] - got.headings[side][0])) > np.deg2rad(0.5)


def test_arm_clamped_askew_is_clocked_back() -> None:
    rig = clocked(wrong(design(), 0.0, 0.0))
    rods = {n: replace(r, adjuster="fixed") if n.endswith("_rod") else r for n, r in rig.rods.items()}
    askew = replace(adjusted(rig, {}, {ARM + CLOCK: np.deg2rad(5.0)}), rods=rods)
    askew = replace(askew, points={n: replace(p, holes={p.use: p.xyz}) for n, p in askew.points.items()})
    # with the lever at its present zero the wheels are held turned: only the arm's clamp can put that right
    mean = Model(askew, driver_grid(askew, 9)).curves([Variant()])
    assert np.isfinite(mean.headings["left"]).all()
    got = propose(design(), as_built(askew), AdjustOptions(draws=1000))
    change = next(c for c in got.best.changes if c.kind == "clock")
    assert change.item == ARM + CLOCK and np.degrees(change.amount) == pytest.approx(-5.0, abs=1.01)
    arm = float(np.linalg.norm(np.subtract(askew.points[ARM].xyz, askew.bodies["left_lever"].pivot)))
    assert abs(change.mm) == pytest.approx(arm * abs(change.amount), rel=0.01)
    assert "turn the arm on its bar by" in said(change) and "the ball" in said(change)
    assert any("turn the arm on its bar" in s for s in work_list(got.best, askew))
    assert got.best.chance_all >= got.leave.chance_all


def test_each_setting_error_is_the_files_own() -> None:
    rig = clocked(design())
    tie = rig.rods["left_tie"]
    assert moves_of(rig)["left_tie"].setting_sd == pytest.approx(2.5 / 6 / np.sqrt(3))  # a sixth of a turn
    assert moves_of(rig)["left_rod"].setting_sd == pytest.approx(0.25 / np.sqrt(3))  # half a step of 0.5 mm
    assert moves_of(rig)[ARM + CLOCK].setting_sd == pytest.approx(np.deg2rad(0.5) / np.sqrt(3))
    own = replace(rig, rods={**rig.rods, "left_tie": replace(tie, setting=0.1)},
                  points={**rig.points, ARM: replace(rig.points[ARM], seat=0.5)})
    assert moves_of(own)["left_tie"].setting_sd == pytest.approx(0.1 / np.sqrt(3))
    assert choices_of(own)[ARM].seat_sd == pytest.approx(0.5 / np.sqrt(3))
    assert moves_of(own, SettingErrors(0.0, 0.0, 0.0))["left_tie"].setting_sd == 0.0


TEXT = starter_text()


def with_keys(**lines: str) -> str:
    """The starter file with lines put under section headings, quotes and all."""
    text = TEXT
    for head, line in lines.items():
        text = text.replace(head, f"{head}\n{line}", 1)
    return text


def test_keys_are_read_and_written_back() -> None:
    text = with_keys(**{"[bodies.left_lever]": "grip = 420", '[points."left_lever.rod"]': "clock = [-8, 12]\n"
                        "clock_step = 0.5\nseat = 0.3", "[rods.tie]": "setting = 0.2"})
    rig = parse_rig(text)
    assert rig.bodies["left_lever"].grip == 420 and rig.rods["tie"].setting == 0.2
    p = rig.points["left_lever.rod"]
    assert p.clock == pytest.approx(np.deg2rad((-8.0, 12.0))) and p.clock_step == pytest.approx(np.deg2rad(0.5))
    assert p.seat == 0.3
    again = parse_rig(rig_to_toml(rig))
    assert again.bodies == rig.bodies and again.rods == rig.rods
    assert again.points["left_lever.rod"].clock == pytest.approx(p.clock)
    assert again.points["left_lever.rod"].seat == 0.3


@pytest.mark.parametrize(("head", "line", "says"), [
    ("[bodies.left_upright]", "grip = 300", "lever"),
    ('[points."left_lever.rod"]', "clock = [2, 5]", "holds 0"),
    ('[points."left_lever.rod"]', "clock_step = 1", "clock"),
    ('[points."left_lever.rod"]', "seat = -1", "seat"),
    ("[rods.tie]", "setting = -1", "setting"),
])
def test_wrong_keys_are_refused(head: str, line: str, says: str) -> None:
    with pytest.raises(UserError, match=says):
        parse_rig(with_keys(**{head: line}))


def test_hand_travel_and_force_by_grip() -> None:
    rig = design()
    rig = replace(rig, bodies={**rig.bodies, "left_lever": replace(rig.bodies["left_lever"], grip=450.0)})
    t = hand_table(as_built(rig))
    assert list(t["grip_mm"]) == grips(450.0) and t["grip_mm"][0] == 450 and t["grip_mm"].min() >= 0.6 * 450
    low, high = rig.bodies["left_lever"].travel or (0.0, 0.0)
    np.testing.assert_allclose(t["travel_mm"], t["grip_mm"] * (high - low), rtol=1e-9)  # an arc
    # virtual work: the push times its way is the moment times the wheels' mean turn, by the linkage itself
    h, lk = np.deg2rad(0.5), Linkage(rig)
    up, down = (wheel_headings(rig, lk.solve(x)) for x in (h, -h))
    turned = abs(np.mean([up[s] - down[s] for s in up]))
    np.testing.assert_allclose(t["force_ahead_N"] * t["grip_mm"] * 2 * h, STEERING_NM * 1e3 * turned, rtol=2e-3)
    assert (t["force_most_N"] >= t["force_ahead_N"] - 1e-9).all() and (t["force_ahead_u95_N"] > 0).all()
    assert len(hand_table(as_built(design()))) == 0
    shown = shown_hand(t)
    assert shown is not None and len(shown.rows) == len(t)
    assert len(draw_hand(t).axes) == 2


def test_hand_forces_are_as_uncertain_as_a_rod_makes_them() -> None:
    """Half-widths of both forces beside the table of a rod 0.05 mm longer and shorter; sd of its length 0.1 mm."""
    rig = design()
    wheels = {s: replace(w, measured=True) for s, w in rig.wheels.items()}
    rig = replace(rig, wheels=wheels, bodies={**rig.bodies,
                                              "left_lever": replace(rig.bodies["left_lever"], grip=450.0)})

    def table(by: float) -> pd.DataFrame:
        rod = rig.rods["left_rod"]
        longer = replace(rig, rods={**rig.rods, "left_rod": replace(rod, length=rod.length + by)})
        return hand_table(AsBuilt(longer, ("left_rod.length",), np.array([[0.01]]), {}), 21)

    t, up, down = table(0.0), table(0.05), table(-0.05)
    for force in ("force_ahead", "force_most"):
        slope = (up[f"{force}_N"] - down[f"{force}_N"]) / 0.1
        assert (slope.abs() > 1e-4).all()
        np.testing.assert_allclose(t[f"{force}_u95_N"], 1.959964 * 0.1 * slope.abs(), rtol=0.02)


def sliding(rig: Rig) -> Rig:
    slide = Slide("levers", ("left_lever", "right_lever"), (1.0, 0.0, 0.0), (-30.0, 60.0), 10.0)
    return replace(rig, slides={"levers": slide})


def test_rider_settings_keep_the_steering() -> None:
    built = as_built(sliding(wrong(design(), 0.0, 0.0)))
    got = rider_settings(design(), built)
    assert [s.place for s in got] == [-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]
    here = next(s for s in got if s.place == 0.0)
    assert here.ok and here.steer_change == 0.0 and here.lengths["left_rod"] == built.rig.rods["left_rod"].length
    back = next(s for s in got if s.place == -10.0)
    assert back.lengths["left_rod"] == pytest.approx(built.rig.rods["left_rod"].length + 10.0, abs=0.5)
    assert back.u95["left_rod"] == pytest.approx(0.196, abs=1e-3)
    for s in got:
        if s.ok:  # walked by the linkage: straight ahead stays within a step of the clamp, the curve nearly
            rig = apply(built.rig, Variant({}, {"levers": s.place} | {
                r: x - built.rig.rods[r].length for r, x in s.lengths.items()}))
            grid = driver_grid(rig, 31)
            now, then = (wheel_headings(r, Linkage(r).sweep(grid)) for r in (built.rig, rig))
            most = max(float(np.max(np.abs(then[k] - now[k]))) for k in now)
            assert np.degrees(most) == pytest.approx(s.steer_change, abs=1e-4) and s.steer_change < 1.0
    far = next(s for s in got if s.place == 60.0)  # rods of 442 mm would have to be 382: their range ends at 400
    assert not far.ok and any("left_rod" in t and "400" in t for t in far.against)
    table = rider_table(got)
    assert list(table["may_be_set"]) == [s.ok for s in got]
    shown = riders_table(table)
    assert shown is not None and len(shown.rows) == len(got)
    assert rider_settings(design(), as_built(wrong(design()))) == []


def test_slide_is_one_of_the_moves() -> None:
    rig = sliding(design())
    assert moves_of(rig)["levers"].kind == "slide" and not moves_of(rig)["levers"].solved
    grid = driver_grid(rig, 13)
    assert Objective(rig, grid).misfit(Model(rig, grid).curves([Variant({}, {"levers": 20.0})]))[0] > 1.0
