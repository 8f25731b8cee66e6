"""Wheel angles, steering-axis geometry and turning figures against geometry worked another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.linkage import steering as axes
from calib.linkage.mechanism import Linkage
from calib.rig.model import FRAME, Body, Rig, Rod, Wheel
from tests.moorhen import jiggled, moorhen, vec

DEG = np.deg2rad(1.0)
SWEEP = np.deg2rad(np.linspace(-32, 32, 65))


def mirrored(rig: Rig) -> Rig:
    """Left for right in the x-z plane: a mirrored axis vector turns its sense, so it is turned back."""
    def at(v):
        return (v[0], -v[1], v[2])

    def name(n: str) -> str:
        return n.replace("left", "#").replace("right", "left").replace("#", "right")

    bodies = {name(b.name): replace(b, name=name(b.name), pivot=at(b.pivot), axis=vec([-b.axis[0], b.axis[1],
              -b.axis[2]]), parent=name(b.parent), side=name(b.side)) for b in rig.bodies.values()}
    points = {name(p.name): replace(p, name=name(p.name), body=name(p.body),
                                    holes={k: at(v) for k, v in p.holes.items()}) for p in rig.points.values()}
    rods = {name(r.name): replace(r, name=name(r.name), a=name(r.a), b=name(r.b)) for r in rig.rods.values()}
    wheels = {name(s): Wheel(name(s), name(w.upright), at(w.centre), vec([-w.spin[0], w.spin[1], -w.spin[2]]),
                             w.radius) for s, w in rig.wheels.items()}
    return replace(rig, bodies=bodies, points=points, rods=rods, wheels=wheels, driver=name(rig.driver))


# --- wheel angles -----------------------------------------------------------------------------------------


def test_heading_of_a_wheel_on_an_upright_axis_is_its_turn():
    rig = moorhen()
    up = {n: replace(b, axis=(0.0, 0.0, 1.0)) for n, b in rig.bodies.items()}
    h = axes.wheel_headings(replace(rig, bodies=up), {"left_upright": 0.3, "right_upright": np.array([-0.2, 0.1])})
    np.testing.assert_allclose(h["left"], 0.3)
    np.testing.assert_allclose(h["right"], [-0.2, 0.1])


def test_heading_and_camber_on_a_leaning_axis():
    # independent: the wheel plane's trace on the ground from a rotation by scipy
    rig = jiggled(moorhen(), np.random.default_rng(1))
    a = {"left_upright": 0.4, "right_upright": -0.3}
    for side, out in (("left", 1), ("right", -1)):
        w = rig.wheels[side]
        R = Rotation.from_rotvec(a[w.upright] * np.asarray(rig.bodies[w.upright].axis)).as_matrix()
        s = R @ np.asarray(w.spin)
        trace = np.cross(s, [0, 0, 1])
        assert axes.wheel_headings(rig, a)[side] == pytest.approx(np.arctan2(trace[1], trace[0]))
        top = np.array([0, 0, 1]) - s[2] * s  # steepest line in the wheel plane
        lateral = np.cross([0, 0, 1], trace / np.linalg.norm(trace))
        assert axes.cambers(rig, a)[side] == pytest.approx(np.arctan2(out * top @ lateral, top[2]))


def test_spin_axes_are_carried_by_their_uprights_and_level_ones_alike_without_a_lean():
    rig = moorhen()
    pose = Linkage(rig).solve(0.3)
    R = Rotation.from_rotvec(pose["left_upright"] * np.asarray(rig.bodies["left_upright"].axis)).as_matrix()
    np.testing.assert_allclose(axes.spin_axes(rig, pose)["left"], R @ np.asarray(rig.wheels["left"].spin), atol=1e-12)
    for side, s in axes.level_spin_axes(rig, pose).items():
        np.testing.assert_allclose(s, axes.spin_axes(rig, pose)[side], atol=1e-15)


def test_signs_are_iso_8855():
    # ISO 8855: toe-in is the front edges closer together; camber positive with tops outwards
    rig = moorhen()
    w = rig.wheels
    tilt = 2 * DEG
    toed = replace(rig, wheels={
        "left": replace(w["left"], spin=vec([np.sin(tilt), np.cos(tilt), 0])),  # left wheel points right
        "right": replace(w["right"], spin=vec([-np.sin(tilt), np.cos(tilt), 0]))})
    assert float(axes.toe(axes.wheel_headings(toed, {}))) == pytest.approx(2 * tilt)
    leaning = replace(rig, wheels={
        "left": replace(w["left"], spin=vec([0, np.cos(tilt), -np.sin(tilt)])),
        "right": replace(w["right"], spin=vec([0, np.cos(tilt), np.sin(tilt)]))})
    for c in axes.cambers(leaning, {}).values():
        assert float(c) == pytest.approx(tilt)
    contact = axes.kingpin_geometry(leaning, "left")["contact"]
    assert contact[1] < w["left"].centre[1]  # top outwards, foot inwards
    # positive turn about an upward axis is to the left
    assert axes.steer_angles(rig, {"left_upright": 0.1})["left"] > 0


def test_caster_tilts_the_outer_wheel_of_a_turn():
    # a positively castered wheel turned to the left leans its top to the right of where it stood
    rig = moorhen()
    b = replace(rig.bodies["right_upright"], axis=vec([-np.sin(10 * DEG), 0, np.cos(10 * DEG)]))
    rig = replace(rig, bodies={**rig.bodies, "right_upright": b})
    c = float(axes.cambers(rig, {"right_upright": 20 * DEG})["right"])
    # sin(camber) = sin(caster) sin(turn) for a spin axis square to the kingpin's vertical plane
    assert abs(np.sin(c)) == pytest.approx(np.sin(10 * DEG) * np.sin(20 * DEG))
    assert c < 0  # outer wheel leans into the turn, which for the right wheel is its top inwards


def test_steering_axis_by_hand():
    # kingpin through (0, 310, 240), 1 in (0.1736, 0.1392) per 0.975 of height, wheel centre 360 out, radius 240
    g = axes.kingpin_geometry(moorhen(), "left")
    assert g["caster"] == pytest.approx(np.arctan(0.1736 / 0.975))
    assert g["kingpin_inclination"] == pytest.approx(np.arctan(0.1392 / 0.975))
    assert g["trail"] == pytest.approx(240 * 0.1736 / 0.975)
    assert g["offset_at_ground"] == pytest.approx(50 - 240 * 0.1392 / 0.975)
    other = axes.kingpin_geometry(moorhen(), "right")
    for k in ("caster", "kingpin_inclination", "trail", "offset_at_ground"):
        assert other[k] == pytest.approx(g[k])  # type: ignore[literal-required]
    assert axes.kingpin_distance(moorhen()) == pytest.approx(2 * g["ground"][1])


def test_axis_drawn_downwards_is_the_same_axis():
    rig = moorhen()
    b = rig.bodies["left_upright"]
    down = replace(rig, bodies={**rig.bodies, "left_upright": replace(b, axis=vec(-np.asarray(b.axis)))})
    a, d = axes.kingpin_geometry(rig, "left"), axes.kingpin_geometry(down, "left")
    for k in ("caster", "kingpin_inclination", "trail", "offset_at_ground", "ground", "contact"):
        assert d[k] == pytest.approx(a[k])  # type: ignore[literal-required]
    level = replace(rig, bodies={**rig.bodies, "left_upright": replace(b, axis=(1.0, 0.0, 0.0))})
    with pytest.raises(ValueError, match="left_upright lies level"):
        axes.kingpin_geometry(level, "left")


# --- turning ----------------------------------------------------------------------------------------------


def test_ackermann_worked_from_the_turn_centre():
    # wheelbase 1240, kingpins 700 apart, turn centre 3000 mm from the centre line on the rear axle's line:
    # both front wheels stand square to the lines from it (the condition behind Gillespie 1992 eq. for cot)
    inner, outer = np.arctan2(1240, 3000 - 350), np.arctan2(1240, 3000 + 350)
    assert np.rad2deg(inner) == pytest.approx(25.08, abs=0.01)
    assert float(axes.ackermann_ideal(inner, 1240, 700)) == pytest.approx(outer)
    assert 1 / np.tan(outer) - 1 / np.tan(inner) == pytest.approx(700 / 1240)
    # Gillespie's small-angle form: outer = L / (R + t/2), inner = L / (R - t/2)
    R = 200e3
    assert float(axes.ackermann_ideal(1240 / (R - 350), 1240, 700)) == pytest.approx(1240 / (R + 350), rel=1e-4)
    assert float(axes.ackermann_ideal(0.0, 1240, 700)) == 0.0


def test_ackermann_error_sign_and_smoothness():
    rig = moorhen()
    i = np.array([5.0, 20.0]) * DEG
    o = axes.outer_ideal(rig, i, i)
    np.testing.assert_allclose(axes.ackermann_error(rig, i, o), 0, atol=1e-15)  # left turn: left is inner
    np.testing.assert_allclose(axes.ackermann_error(rig, -o, -i), 0, atol=1e-15)  # right turn
    np.testing.assert_allclose(axes.ackermann_error(rig, i, i), i - o)  # parallel steer: the outer turns too far
    np.testing.assert_allclose(axes.ackermann_error(rig, -i, -i), i - o)
    x = np.linspace(-1e-6, 1e-6, 11)
    assert np.max(np.abs(axes.ackermann_error(rig, x, x))) < 1e-11  # no cot to blow up
    assert np.isinf(axes.turn_circle(rig, 0.0, 0.0))


# --- figures ----------------------------------------------------------------------------------------------


def test_figures_of_known_curves():
    # mean = 0.7 (d - 2 deg) + 0.2 (d - 2 deg)^2, toe 1 deg throughout: every figure follows by hand
    rig = moorhen()
    d = np.deg2rad(np.linspace(-32, 32, 33))
    x = d - 2 * DEG
    mean = 0.7 * x + 0.2 * x * x
    f = axes.heading_figures(rig, d, mean - 0.5 * DEG, mean + 0.5 * DEG)
    hi, lo = 30 * DEG, -34 * DEG
    left, right = 0.7 * hi + 0.2 * hi**2, -(0.7 * lo + 0.2 * lo**2)
    assert float(f["straight"]) == pytest.approx(2 * DEG)
    assert float(f["toe"]) == pytest.approx(1 * DEG)
    assert float(f["ratio"]) == pytest.approx(0.7)
    assert float(f["lock_left"]) == pytest.approx(left)
    assert float(f["lock_right"]) == pytest.approx(right)
    assert float(f["lock"]) == pytest.approx((left + right) / 2)
    assert float(f["symmetry"]) == pytest.approx(left - right)
    # both wheels steer alike from straight ahead, so the error is that of parallel steer at the larger lock
    m = max(left, right)
    assert float(f["ackermann_error"]) == pytest.approx(
        m - float(axes.outer_ideal(rig, m, m)))


def test_figures_run_over_stacks_and_miss_openly():
    rig = moorhen()
    d = np.deg2rad(np.linspace(-32, 32, 33))
    h = np.stack([0.7 * d, -0.7 * d, 0.7 * d + 1.0])
    h[1, -3:] = np.nan
    f = axes.heading_figures(rig, d, h, h)
    assert f["ratio"][0] == pytest.approx(0.7) and f["ratio"][1] == pytest.approx(0.7)
    assert f["lock_left"][0] == pytest.approx(0.7 * 32 * DEG)
    assert np.isnan(f["lock"][1]) and np.isnan(f["ackermann_error"][1])  # one end not reached
    assert np.isnan(f["straight"][2]) and np.isnan(f["toe"][2])  # never straight
    with pytest.raises(ValueError, match="increasing order"):
        axes.heading_figures(rig, d[::-1], h, h)
    for wrong in (np.sort(np.r_[d[:-1], d[3]]), np.r_[d[1], d[0], d[2:]], d[:-1], d[:, None], d[:3]):
        with pytest.raises(ValueError, match="at least 4 driver angles in increasing order"):
            axes.heading_figures(rig, wrong, h, h)


def test_mirrored_rig_has_mirrored_figures():
    rig = jiggled(moorhen(), np.random.default_rng(2), mm=3.0)
    a = axes.curve_figures(rig, Linkage(rig).sweep(SWEEP))
    m = mirrored(rig)
    b = axes.curve_figures(m, Linkage(m).sweep(SWEEP))
    swap = {f"_{s}": f"_{t}" for s, t in (("left", "right"), ("right", "left"))}
    turned = ("symmetry", *(k for k in a if k.endswith("_difference")))
    assert np.isfinite(list(a.values())).all() and abs(a["caster_difference"]) > 0.1
    for k, v in a.items():
        other = next((k.removesuffix(x) + y for x, y in swap.items() if k.endswith(x)), k)
        assert b[other] == pytest.approx(-v if k in turned else v, abs=1e-9), k


def test_figures_do_not_depend_on_the_grid():
    rig = jiggled(moorhen(), np.random.default_rng(3), mm=3.0)
    lk = Linkage(rig)
    a = axes.curve_figures(rig, lk.sweep(SWEEP))
    b = axes.curve_figures(rig, lk.sweep(np.deg2rad(np.linspace(-35, 35, 281))[::-1]))
    for k, v in a.items():
        assert b[k] == pytest.approx(v, rel=1e-4, abs=2e-5), k  # worst error is read at grid points


def test_values_between_the_grid_hold_to_its_very_ends():
    # a cubic through the four nodes about a place leaves f'' / 4! times the product of the four distances to them
    # (Lagrange's remainder); through four others the product is several times larger
    d = np.linspace(-0.6, 0.6, 13)
    for x in (-0.58, -0.55, -0.03, 0.57, 0.585):
        value, slope = (float(v) for v in axes.on_curve(d, np.sin(2 * d), np.asarray(x)))
        k = min(max(int(np.searchsorted(d, x)) - 2, 0), len(d) - 4)
        left_over = 16 / 24 * np.prod(np.abs(x - d[k:k + 4]))
        assert abs(value - np.sin(2 * x)) <= left_over, x
        assert slope == pytest.approx(2 * np.cos(2 * x), abs=5e-3)
        curves = np.stack([np.sin(2 * d), np.exp(d)])  # read at one place for all, and each at its own
        np.testing.assert_allclose(axes.on_curve(d, curves, x), axes.on_curve(d, curves, np.full(2, x)), atol=1e-12)


def test_straight_ahead_is_where_the_cubic_crosses_not_the_chord():
    d = np.linspace(-0.6, 0.6, 13)
    for at in (-0.08, 0.03, 0.07):
        y = np.exp(1.5 * (d - at)) - 1  # the chord crosses up to 2e-3 rad off
        assert float(axes.straight_at(d, y)) == pytest.approx(at, abs=1e-5)
        assert float(axes.straight_at(d, np.stack([y, -y]))[1]) == pytest.approx(at, abs=1e-5)


def test_one_heading_for_many_curves_counts_for_all_of_them():
    rig = moorhen()
    d = np.deg2rad(np.linspace(-32, 32, 33))
    many = np.stack([0.7 * d, 0.8 * d])
    f = axes.heading_figures(rig, d, many, 0.7 * d)
    assert f["ratio"] == pytest.approx([0.7, 0.75])


def test_longer_tie_rods_change_toe_as_their_arms_say():
    # d toe = (d left + d right) / arm: checked to first order with the solver's own straight-ahead search left out
    rig = moorhen()
    lk = Linkage(rig)
    rods = {n: replace(r, length=r.length + (0.5 if "tie" in n else 0.0)) for n, r in rig.rods.items()}
    f = axes.curve_figures(replace(rig, rods=rods), Linkage(replace(rig, rods=rods)).sweep(SWEEP))
    s = lk.sensitivities(lk.solve(0.0), ["left_tie.length", "right_tie.length"])
    h = 1e-6
    slope = {side: float((axes.wheel_headings(rig, {f"{side}_upright": h})[side]
                          - axes.wheel_headings(rig, {f"{side}_upright": -h})[side]) / (2 * h))
             for side in ("left", "right")}
    want = 0.5 * (slope["right"] * s["right_upright"][1] - slope["left"] * s["left_upright"][0])
    assert f["toe"] == pytest.approx(float(want), rel=0.02)
    assert abs(f["toe"]) > 0.2 * DEG


def test_force_ratio_is_virtual_work():
    rig = moorhen()
    lk = Linkage(rig)
    s = lk.sweep(np.deg2rad([-20.0, 0.0, 20.0]))
    h = 1e-5
    for i, x in enumerate(s.driver_angles):
        up, down = lk.solve(float(x + h)), lk.solve(float(x - h))
        mean = np.mean([abs(up[w.upright] - down[w.upright]) for w in rig.wheels.values()]) / (2 * h)
        assert axes.force_ratio(rig, s, 600.0)[i] == pytest.approx(600.0 / mean, rel=1e-6)


def test_leaning_steers_only_where_the_rods_say_so():
    # the whole front on one lean hinge along x: with levers and crank leaning too nothing steers
    rig = moorhen()
    lean = Body("lean", (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), role="lean")
    def hang(names):
        return replace(rig, bodies={"lean": lean} | {
            n: replace(b, parent="lean") if b.parent == FRAME and n in names else b for n, b in rig.bodies.items()})

    whole = axes.lean_steer(hang(list(rig.bodies)), "lean", np.deg2rad([-5.0, 0.0, 5.0]))
    for v in whole.values():
        np.testing.assert_allclose(v, 0, atol=1e-9)
    # levers left on the frame: the rods cross the hinge and steer; zero upright, and the closure holds
    part = hang([n for n in rig.bodies if "lever" not in n])
    got = axes.lean_steer(part, "lean", np.deg2rad([-5.0, 0.0, 5.0]))
    assert abs(got["left"][1]) < 1e-12 and abs(got["left"][2]) > 1e-4
    assert isinstance(part.rods["left_rod"], Rod)
