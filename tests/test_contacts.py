"""Where tyres touch the ground, against a solve that shares nothing with calib: scipy rotations, rims, roots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from calib.linkage import steering as axes
from calib.linkage.contacts import stance, steered_wheels
from calib.rig.model import RearWheel, Rig
from calib.rig.parameters import stacked
from tests.moorhen import jiggled, moorhen, vec
from tests.render.ground import heading, headings_on_three, lowest

DEG = np.deg2rad(1.0)


def wheel_turned(rig: Rig, side: str, turn: float) -> tuple[np.ndarray, np.ndarray]:
    """Middle and spin of a front wheel with its upright turned about the kingpin."""
    w, b = rig.wheels[side], rig.bodies[rig.wheels[side].upright]
    r = Rotation.from_rotvec(turn * np.asarray(b.axis) / np.linalg.norm(b.axis))
    return r.apply(np.subtract(w.centre, b.pivot)) + b.pivot, r.apply(w.spin)


# --- turning ------------------------------------------------------------------------------------------------


def brute_contact(rig: Rig, side: str, steer: float, toe: float) -> np.ndarray:
    turn = brentq(lambda t: heading(wheel_turned(rig, side, t)[1]) - steer - toe, -1.2, 1.2, xtol=1e-14)
    w = rig.wheels[side]
    return lowest((*wheel_turned(rig, side, turn), w.radius, w.tyre), np.array([0, 0, 1.0]))


def brute_turn(rig: Rig, inner: float) -> tuple[float, float, float]:
    """Ideal outer steer, turning centre's y and the outer contact's radius: inner steer given, left positive."""
    sides = ("left", "right") if inner > 0 else ("right", "left")
    own = {s: heading(np.asarray(rig.wheels[s].spin)) for s in sides}
    toe = {s: own[s] - np.mean(list(own.values())) for s in sides}
    x_rear = np.mean([w.centre[0] for w in rig.wheels.values()]) - rig.wheelbase

    def on_rear_line(side: str, steer: float) -> float:
        p = brute_contact(rig, side, steer, toe[side])
        return float(p[1] + (p[0] - x_rear) / np.tan(steer))

    y = on_rear_line(sides[0], inner)
    outer = brentq(lambda s: on_rear_line(sides[1], s) - y, inner * 0.3, inner * 1.05, xtol=1e-13)
    p = brute_contact(rig, sides[1], outer, toe[sides[1]])
    return outer, y, float(np.hypot(p[0] - x_rear, p[1] - y))


@pytest.mark.parametrize("seed", [None, 1, 2])
@pytest.mark.parametrize("inner", [4.0, 25.0, -12.0, -33.0])
def test_ideal_outer_wheel_by_brute_force(seed: int | None, inner: float) -> None:
    rig = moorhen()
    if seed is not None:
        rig = jiggled(rig, np.random.default_rng(seed), mm=10.0, deg=3.0)
        rig = replace(rig, wheels={s: replace(w, tyre=44.0) for s, w in rig.wheels.items()})
    i = inner * DEG
    outer, y, far = brute_turn(rig, i)
    pair = (i, outer) if inner > 0 else (outer, i)
    # 1e-9 rad is what the rounds leave; the textbook formula is 0.2 to 0.5 deg off at these locks
    assert float(axes.outer_ideal(rig, *pair)) == pytest.approx(abs(outer), abs=1e-9)
    assert float(axes.ackermann_error(rig, *pair)) == pytest.approx(0.0, abs=1e-9)
    bent = (i, outer + 1 * DEG) if inner > 0 else (outer - 1 * DEG, i)
    assert float(axes.ackermann_error(rig, *bent)) == pytest.approx(1 * DEG, abs=1e-9)
    assert float(axes.turn_radius(rig, *pair)) == pytest.approx(y, rel=1e-6)
    assert float(axes.turn_circle(rig, *pair)) == pytest.approx(2 * far, rel=1e-6)


def test_upright_kingpins_in_the_wheel_plane_give_the_textbook() -> None:
    # zero trail, zero offset, no inclination: cot(outer) - cot(inner) = distance / wheelbase (Gillespie 1992)
    rig = moorhen()
    bodies = {n: replace(b, axis=(0.0, 0.0, 1.0), pivot=(0.0, 360.0 if "left" in n else -360.0, 240.0))
              if b.role == "upright" else b for n, b in rig.bodies.items()}
    rig = replace(rig, bodies=bodies)
    i = np.array([1.0, 10.0, 25.0, 40.0]) * DEG
    o = axes.ackermann_ideal(i, rig.wheelbase, axes.kingpin_distance(rig))
    assert float(axes.kingpin_distance(rig)) == pytest.approx(720)
    np.testing.assert_allclose(axes.outer_ideal(rig, i, i), o, atol=1e-12)
    np.testing.assert_allclose(axes.ackermann_error(rig, -o, -i), 0, atol=1e-12)
    left, right = np.arctan2(1240, 3000 - 360), np.arctan2(1240, 3000 + 360)
    assert float(axes.turn_radius(rig, left, right)) == pytest.approx(3000)
    assert float(axes.turn_radius(rig, -right, -left)) == pytest.approx(-3000)
    assert float(axes.turn_circle(rig, left, right)) == pytest.approx(2 * np.hypot(1240, 3360))


def test_trail_matters_as_much_as_stated() -> None:
    # the sample's 43 mm of trail: 0.39 deg at 25 deg of inner steer against the textbook formula
    rig, i = moorhen(), 25 * DEG
    apart = float(axes.outer_ideal(rig, i, i)) - float(axes.ackermann_ideal(i, 1240, axes.kingpin_distance(rig)))
    assert apart == pytest.approx(0.39 * DEG, abs=0.005 * DEG)


def test_wheels_that_only_toe_do_not_turn() -> None:
    rig = moorhen()
    for toe in (0.0, 0.02, -0.02):
        assert np.isposinf(axes.turn_radius(rig, toe, -toe)) and np.isposinf(axes.turn_circle(rig, toe, -toe))
    assert 0 < axes.turn_radius(rig, 0.03, 0.01) < np.inf


def test_rear_wheel_out_of_true_shifts_the_turning_centre() -> None:
    rig, i = moorhen(), 20 * DEG
    skew = replace(rig, rear=RearWheel(centre=(-1200.0, 8.0, 240.0), spin=vec([-np.sin(2 * DEG), np.cos(2 * DEG), 0])))
    p = steered_wheels(skew)["left"](i)
    axle = np.array([-np.sin(i), np.cos(i)])
    u = np.linalg.solve(np.stack([[-np.sin(2 * DEG), np.cos(2 * DEG)], -axle], axis=1), p - [-1200.0, 8.0])[0]
    outer = float(axes.outer_ideal(skew, i, i))
    assert float(axes.turn_radius(skew, i, outer)) == pytest.approx(float(u), rel=1e-6)


def test_many_rigs_at_once_turn_as_each_alone() -> None:
    rigs = [jiggled(moorhen(), np.random.default_rng(s)) for s in range(3)]
    x = np.random.default_rng(1).normal(0, 0.3, (3, 7))
    y = x * 0.9 + 0.01
    for of in (axes.outer_ideal, axes.ackermann_error, axes.turn_circle, axes.turn_radius):
        np.testing.assert_allclose(of(stacked(rigs), x, y), [of(r, a, b) for r, a, b in zip(rigs, x, y, strict=True)],
                                   rtol=1e-9, atol=1e-12)


# --- standing on three wheels -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_three_wheels_stand_as_the_brute_force_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rig = jiggled(moorhen(), rng, mm=15.0, deg=4.0)
    rear = RearWheel(centre=vec(rng.normal([-1230, 0, 250], 10)), spin=vec([0.03, 1, -0.15], True), radius=255.0,
                     tyre=40.0)
    rig = replace(rig, rear=rear, wheels={s: replace(w, tyre=30.0 * seed) for s, w in rig.wheels.items()})
    pose = {"left_upright": 0.4, "right_upright": 0.3}
    wheels = {s: (*wheel_turned(rig, s, pose[f"{s}_upright"]), w.radius, w.tyre) for s, w in rig.wheels.items()}
    wheels["rear"] = (np.asarray(rear.centre), np.asarray(rear.spin), 255.0, 40.0)
    want = headings_on_three(wheels)
    got = stance(rig, pose)
    for s, h in want.items():
        assert float(got.headings[s]) == pytest.approx(h, abs=1e-9)
    at = np.stack(list(got.contacts.values()))
    assert np.ptp(at @ got.up) < 1e-9


def test_rear_wheel_left_out_stands_on_the_front_wheels_ground() -> None:
    rig = moorhen()
    got = stance(rig, {})
    np.testing.assert_allclose(got.up, [0, 0, 1], atol=1e-12)
    np.testing.assert_allclose(got.contacts["rear"], [-1240, 0, 0], atol=1e-9)
    assert abs(float(got.headings["left"])) < 1e-12
    tall = stance(replace(rig, rear=RearWheel(radius=330.0, tyre=50.0)), {})
    np.testing.assert_allclose(tall.contacts["rear"], [-1240, 0, 0], atol=1e-9)
