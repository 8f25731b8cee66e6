"""Limits over a sweep against planar geometry, brute-force distances and hand-made faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from calib.linkage.limits import (
    TOGGLE_MARGIN,
    Limit,
    Places,
    check_limits,
    clearances,
    disc_distance,
    misalignment_angles,
    segment_distance,
    transmission_angles,
)
from calib.linkage.mechanism import Linkage, Sweep, body_motions, points_now
from calib.linkage.steering import level_spin_axes
from calib.rig.model import Obstacle, Rig
from tests.moorhen import jiggled, moorhen
from tests.render.leaning import leaning
from tests.test_linkage import planar

DEG = np.deg2rad(1.0)
TRAVEL = np.deg2rad(np.linspace(-32, 32, 33))


def checked(rig: Rig, x: np.ndarray = TRAVEL) -> tuple[Sweep, dict[tuple[str, str], Limit]]:
    s = Linkage(rig).sweep(x)
    found = check_limits(rig, s)
    assert len({(f.name, f.item) for f in found}) == len(found)
    return s, {(f.name, f.item): f for f in found}


def test_planar_transmission_angle_is_the_cosine_rule():
    # four-bar: angle between coupler and rocker from the diagonal (Norton, Design of Machinery; from memory):
    # cos mu = (b^2 + c^2 - a^2 - d^2 + 2 a d cos th2) / (2 b c), taken as the acute one
    a, b, c, d, th2 = 40.0, 120.0, 80.0, 100.0, 40 * DEG
    rig = planar(a, b, c, d, th2, 60 * DEG)
    s = Linkage(rig).sweep(np.linspace(-0.6, 0.6, 9))
    mu = np.arccos((b * b + c * c - a * a - d * d + 2 * a * d * np.cos(th2 + s.driver_angles)) / (2 * b * c))
    got = transmission_angles(rig, s)
    np.testing.assert_allclose(got["coupler", "B"], np.minimum(mu, np.pi - mu), atol=1e-12)
    assert set(got) == {("coupler", "A"), ("coupler", "B")}


def test_transmission_vanishes_with_the_rod_through_the_hinge():
    rig = planar(40, 120, 80, 100, 40 * DEG, 60 * DEG)
    s = Linkage(rig).sweep(np.array([-3.0, 3.0]))
    grid = np.linspace(s.ends_at[0] or -3.0, s.ends_at[1] or 3.0, 50)
    assert s.ends == ()  # this one turns all the way round (Grashof: 40 + 120 <= 80 + 100)
    assert grid.size and np.min(transmission_angles(rig, Linkage(rig).sweep(grid))["coupler", "B"]) > 0.05
    rocker = replace(rig, driver="rocker")
    w = Linkage(rocker).sweep(np.linspace(-2, 2, 401))
    for at in w.ends_at:
        assert at is not None
        near = Linkage(rocker).sweep(np.array([at * (1 - 1e-6)]))
        assert transmission_angles(rocker, near)["coupler", "A"][0] < 0.02


def test_misalignment_by_hand():
    # bolt upright on a part turned by x: a rod in the horizontal plane has none, one rising 1 in 2 has atan(1/2)
    rig = planar(40, 120, 80, 100, 40 * DEG, 60 * DEG)
    assert float(misalignment_angles(rig, Linkage(rig).solve(0.1))["coupler", "A"]) == pytest.approx(0, abs=1e-12)
    rise = 60.0
    pts = {**rig.points, "B": replace(rig.points["B"], holes={"1": tuple(np.add(rig.points["B"].xyz, [0, 0, rise]))})}
    flat = float(np.hypot(*np.subtract(rig.points["B"].xyz, rig.points["A"].xyz)[:2]))
    got = misalignment_angles(replace(rig, points=pts), {"crank": 0.0, "rocker": 0.0})
    assert float(got["coupler", "A"]) == pytest.approx(np.arctan2(rise, flat))
    assert float(got["coupler", "B"]) == pytest.approx(np.arctan2(rise, flat))
    # a bolt along the part's own x axis turns with it
    pts = {**rig.points, "A": replace(rig.points["A"], bolt=(1.0, 0.0, 0.0))}
    angles = Linkage(rig).solve(0.3)
    tilt = misalignment_angles(replace(rig, points=pts), angles)["coupler", "A"]
    at = points_now(rig, angles)
    e = (at["B"] - at["A"]) / np.linalg.norm(at["B"] - at["A"])
    assert float(tilt) == pytest.approx(np.arcsin(abs(e @ [np.cos(0.3), np.sin(0.3), 0])))


def test_segment_distance_against_a_constrained_minimiser():
    rng = np.random.default_rng(1)
    p = rng.normal(0, 1, (40, 4, 3))
    p[0, 3] = p[0, 2] + (p[0, 1] - p[0, 0])  # parallel
    p[1, 1] = p[1, 0]  # a point
    p[2, 3] = p[2, 2]
    p[3, 2:] = p[3, :2] + 3 * (p[3, 1] - p[3, 0])  # in line, apart
    got = segment_distance(p[:, 0], p[:, 1], p[:, 2], p[:, 3])
    for q, d in zip(p, got, strict=True):
        def f(x, q=q):
            return float(np.sum((q[0] + x[0] * (q[1] - q[0]) - q[2] - x[1] * (q[3] - q[2])) ** 2))
        best = min(minimize(f, x0, bounds=[(0, 1), (0, 1)], tol=1e-14).fun for x0 in ([0.5, 0.5], [0, 1], [1, 0]))
        assert d == pytest.approx(np.sqrt(best), abs=1e-5)


def test_clearance_of_known_gaps():
    rig = moorhen()
    a, b = (np.asarray(rig.points[p].xyz) for p in (rig.rods["left_tie"].a, rig.rods["left_tie"].b))
    mid = 0.5 * (a + b)
    post = Obstacle("post", tuple(mid + [0, 0, 30]), tuple(mid + [0, 0, 200]), 4.0)
    rig = replace(rig, obstacles=(post,))
    drop = np.linalg.norm(np.cross(b - a, [0, 0, 30])) / np.linalg.norm(b - a)
    got = clearances(rig, {b: 0.0 for b in rig.bodies})
    assert float(got["left_tie", "post"]) == pytest.approx(drop - 4 - rig.rods["left_tie"].radius, abs=1e-9)
    _, f = checked(replace(rig, min_clearance=25.0))
    assert not f["clearance", "left_tie to post"].ok and "gap" in f["clearance", "left_tie to post"].text


def test_rods_on_one_bolt_are_not_a_clash():
    rig = moorhen()
    rods = {**rig.rods, "right_tie": replace(rig.rods["right_tie"], a=rig.rods["left_tie"].a)}
    got = clearances(replace(rig, rods=rods), {b: 0.0 for b in rig.bodies})
    assert ("left_tie", "right_tie") not in got and ("left_tie", "right_tie") in clearances(rig, {})


def test_a_pose_and_a_sweep_agree():
    rig = jiggled(moorhen(), np.random.default_rng(2), mm=3.0)
    s = Linkage(rig).sweep(TRAVEL)
    one = {b: float(a[7]) for b, a in s.angles.items()}
    for f in (transmission_angles, misalignment_angles, clearances):
        for k, v in f(rig, s).items():
            assert float(f(rig, one)[k]) == pytest.approx(v[7], abs=1e-9)


def test_worst_is_the_worst_and_says_where():
    rig = moorhen()
    s, found = checked(rig)
    for (rod, end), a in transmission_angles(rig, s).items():
        f = found["transmission", f"{rod} at {end}"]
        assert f.value == pytest.approx(a.min()) and f.at_driver == pytest.approx(TRAVEL[a.argmin()])
        assert f.ok == (a.min() >= rig.min_transmission)
    for (rod, end), a in misalignment_angles(rig, s).items():
        f = found["misalignment", f"{rod} at {end}"]
        assert f.value == pytest.approx(a.max()) and f.allowed == rig.points[end].misalignment


def test_misalignment_limit_broken_is_found():
    rig = moorhen()
    s = misalignment_angles(rig, Linkage(rig).sweep(TRAVEL))["left_rod", "left_lever.rod"].max()
    for allowed, ok in ((s - 0.1 * DEG, False), (s + 0.1 * DEG, True)):
        p = replace(rig.points["left_lever.rod"], misalignment=allowed)
        _, f = checked(replace(rig, points={**rig.points, p.name: p}))
        assert f["misalignment", "left_rod at left_lever.rod"].ok is ok


def test_toggle_margin_against_the_triangle():
    # planar rocker-driven four-bar: over centre where crank and coupler line up, by the cosine rule
    a, b, c, d = 80.0, 40.0, 100.0, 90.0
    th4 = 130 * DEG
    B = np.array([d + c * np.cos(th4), c * np.sin(th4)])
    r = float(np.hypot(*B))
    th2 = float(np.arctan2(B[1], B[0]) + np.arccos((a * a + r * r - b * b) / (2 * a * r)))
    rig = replace(planar(a, b, c, d, th2, th4), driver="rocker")
    at = float(np.arccos(((a + b) ** 2 - c * c - d * d) / (2 * c * d)) - th4)
    assert at < 0
    for margin in (3 * DEG, 8 * DEG):
        x = np.linspace(at + margin, 0.1, 12)
        _, f = checked(rig, x)
        low = f["toggle", "rocker below"]
        assert low.value == pytest.approx(margin, abs=1e-5)
        assert low.ok == (margin >= TOGGLE_MARGIN) and "toggle of coupler" in low.text
    _, f = checked(rig, np.linspace(at - 0.1, 0.1, 12))
    assert not f["reach", "rocker"].ok and not f["toggle", "rocker below"].ok


def test_stops_and_rod_range_are_checked():
    rig = moorhen()
    s = Linkage(rig).sweep(TRAVEL)
    most = float(np.abs(s.angles["left_upright"]).max())
    b = replace(rig.bodies["left_upright"], travel=(-0.9 * most, 0.9 * most))
    rod = replace(rig.rods["left_tie"], longest=rig.rods["left_tie"].length - 1)
    _, f = checked(replace(rig, bodies={**rig.bodies, b.name: b}, rods={**rig.rods, rod.name: rod}))
    assert not f["travel", "left_upright"].ok
    assert abs(f["travel", "left_upright"].value) == pytest.approx(most)
    assert not f["rod_length", "left_tie"].ok and f["rod_length", "right_tie"].ok
    assert "can be set from" in f["rod_length", "left_tie"].text


def test_a_rig_that_does_not_assemble_says_so_once():
    rig = moorhen()
    rods = {**rig.rods, "left_tie": replace(rig.rods["left_tie"], length=100.0)}
    _, f = checked(replace(rig, rods=rods))
    assert not f["reach", "left_lever"].ok and "cannot assemble left_tie" in f["reach", "left_lever"].text
    assert {n for n, _ in f} == {"reach", "rod_length"}


def test_rod_ends_on_the_frame_have_no_arm_and_a_bolt_only_where_drawn():
    rig = planar(40, 120, 80, 100, 40 * DEG, 60 * DEG)
    still = replace(rig.points["B"], name="C", body="frame", holes={"1": (300.0, 90.0, 30.0)})
    stay = replace(rig.rods["coupler"], name="stay", a="A", b="C")
    rig = replace(rig, points={**rig.points, "C": still}, rods={**rig.rods, "stay": stay})
    pose = {"crank": 0.0, "rocker": 0.0}
    assert ("stay", "C") not in transmission_angles(rig, pose) and ("stay", "A") in transmission_angles(rig, pose)
    assert ("stay", "C") not in misalignment_angles(rig, pose)
    bolted = replace(rig, points={**rig.points, "C": replace(still, bolt=(0.0, 0.0, 1.0))})
    # the angle to the plane square to the bolt: 30 mm of height over the rod's length
    far = np.subtract(still.xyz, rig.points["A"].xyz)
    assert misalignment_angles(bolted, pose)["stay", "C"] == pytest.approx(np.arcsin(30 / np.linalg.norm(far)))


def test_a_part_moved_only_beyond_the_travel_is_not_judged():
    rig = moorhen()
    up = rig.bodies["left_upright"]
    rig = replace(rig, bodies={**rig.bodies, "left_upright": replace(up, travel=(-0.1, 0.1))})
    _, inside = checked(rig)
    assert not inside["travel", "left_upright"].ok
    _, beyond = checked(rig, np.array([33.0, 34.0]) * DEG)
    assert beyond["travel", "left_upright"].ok and "was not moved" in beyond["travel", "left_upright"].text


# --- wheels as discs ----------------------------------------------------------------------------------------


def test_disc_to_segment_by_minimiser() -> None:
    rng = np.random.default_rng(4)
    n = 40
    c, s = rng.normal(0, 100, (n, 3)), rng.normal(0, 1, (n, 3))
    s /= np.linalg.norm(s, axis=1)[:, None]
    a, b = rng.normal(0, 300, (n, 3)), rng.normal(0, 300, (n, 3))
    got = disc_distance(c, s, 150.0, a, b)
    for i in range(n):
        p, q = np.linalg.svd(s[i][None])[2][1:]  # two directions in the disc

        def gap(x: np.ndarray, i: int = i, p: np.ndarray = p, q: np.ndarray = q) -> float:
            on_disc = c[i] + x[1] * (p * np.cos(x[2]) + q * np.sin(x[2]))
            return float(np.linalg.norm(a[i] + x[0] * (b[i] - a[i]) - on_disc))

        best = min(minimize(gap, (t, r, w), bounds=[(0, 1), (0, 150), (-9, 9)], tol=1e-12).fun
                   for t in (0.2, 0.8) for r in (30, 140) for w in (0.0, 2.0, 4.0))
        assert got[i] == pytest.approx(best, abs=0.01)
    assert np.count_nonzero(got == 0) < n // 2 and got.max() > 100
    # straight through the middle, and past the rim in the disc's own plane
    flat = disc_distance(np.zeros(3), np.array([0, 1.0, 0]), 150.0, np.array([[0, -9.0, 0], [190.0, 0, -50]]),
                         np.array([[0, 9.0, 0], [190.0, 0, 50]]))
    np.testing.assert_allclose(flat, [0, 40], atol=1e-4)
    # where a bound is enough it lies between that and the distance, and nothing else changes
    rough = disc_distance(c, s, 150.0, a, b, 60.0)
    assert np.count_nonzero(rough != got) > 3
    assert (rough[rough != got] > 60).all() and (rough <= got + 1e-9).all()


def test_small_gaps_are_exact_where_large_ones_need_not_be() -> None:
    rig = moorhen()
    at = Linkage(rig).sweep(np.radians(np.linspace(-20, 20, 9)))
    exact, rough = clearances(rig, at), clearances(rig, at, 40.0)
    changed = 0
    for pair, gap in exact.items():
        np.testing.assert_array_equal(rough[pair][gap <= 40.0], gap[gap <= 40.0])
        assert (rough[pair][gap > 40.0] > 40.0).all() and (rough[pair] <= gap + 1e-9).all()
        changed += np.count_nonzero(rough[pair] != gap)
    assert changed


def test_tyre_meets_a_tube_at_lock_only() -> None:
    # a post ahead of the axle, inboard of the wheel: the rim swings in with the kingpin
    rig = moorhen()
    post = Obstacle("post", (200.0, 250.0, 150.0), (200.0, 250.0, 330.0), 10.0)
    rig = replace(rig, obstacles=(post,), wheels={s: replace(w, tyre=40.0) for s, w in rig.wheels.items()})
    straight = float(clearances(rig, {})["left wheel", "post"])
    assert straight == pytest.approx(110 - 10 - 20, abs=1e-3)  # both in planes along x, 110 mm apart
    s, found = checked(rig)
    worst = found["clearance", "left wheel to post"]
    assert worst.value < straight - 40 and found["clearance", "right wheel to post"].value > 400
    # at the worst lever angle, by sampling the rim
    i = int(np.argmin(np.abs(TRAVEL - worst.at_driver)))
    u = rig.bodies["left_upright"]
    turn = Rotation.from_rotvec(s.angles["left_upright"][i] * np.asarray(u.axis))
    w = np.linspace(0, 2 * np.pi, 4001)
    rim = np.stack([np.sin(w), 0 * w, np.cos(w)], axis=1) * 220 + [0, 360, 240]
    rim = turn.apply(rim - u.pivot) + u.pivot
    on = (rim[:, 2] > 150) & (rim[:, 2] < 330)
    assert worst.value == pytest.approx(np.min(np.hypot(*(rim[on, :2] - [200, 250]).T)) - 10 - 20, abs=0.3)
    assert not next(x for x in check_limits(replace(rig, min_clearance=worst.value + 0.1), s)
                    if x.item == "left wheel to post").ok


def test_what_the_upright_carries_is_no_clash_with_its_own_wheel() -> None:
    rig = moorhen()
    brake = Obstacle("brake", (0.0, 340.0, 240.0), (0.0, 362.0, 240.0), 10.0, "left_upright")
    got = clearances(replace(rig, obstacles=(brake,)), {})
    assert ("left wheel", "brake") not in got and ("right wheel", "brake") in got
    assert {k for k in got if "left wheel" in k} == {(r, "left wheel") for r in rig.rods}


def test_places_on_a_leaning_vehicle_are_those_of_its_motions() -> None:
    """Parts that hang on parts, in one pose, over a sweep and with all at rest, against rotation matrices."""
    rig = leaning()
    rng = np.random.default_rng(4)
    for shape in ((), (5,)):
        pose = {n: rng.normal(0, 0.3, shape) for n in rig.bodies}
        for angles in (pose, {n: a for n, a in pose.items() if rig.bodies[n].role == "lean"}, {}):
            motions, now = body_motions(rig, angles), Places(rig, angles)
            places, vectors = now.carried([(p.xyz, p.body) for p in rig.points.values()],
                                          [(w.spin, w.upright) for w in rig.wheels.values()])
            for got, p in zip(places, rig.points.values(), strict=True):
                R, t = motions[p.body]
                want = R @ np.asarray(p.xyz) + t
                np.testing.assert_allclose(np.broadcast_to(np.moveaxis(got, 0, -1), want.shape), want, atol=1e-9)
            level = level_spin_axes(rig, angles)
            for got, (side, w) in zip(vectors, rig.wheels.items(), strict=True):
                R = motions[w.upright][0]
                want = R @ np.asarray(w.spin)
                np.testing.assert_allclose(np.broadcast_to(np.moveaxis(got, 0, -1), want.shape), want, atol=1e-12)
                carrier = next(b for b in ancestry(rig, w.upright) if rig.bodies[b].role == "lean")
                back = np.einsum("...ji,...j->...i", motions[carrier][0], want)
                np.testing.assert_allclose(level[side], back / np.linalg.norm(w.spin), atol=1e-12)


def ancestry(rig: Rig, body: str) -> list[str]:
    """A body and all that carry it, as far as the frame."""
    return [body, *ancestry(rig, rig.bodies[body].parent)] if body in rig.bodies else []
