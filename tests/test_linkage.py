"""The linkage solver against textbook four-bars, an independent solver, and its own derivatives."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from calib.linkage.batch import Batch
from calib.linkage.mechanism import (
    SINGULAR,
    CannotAssemble,
    Linkage,
    Toggle,
    _regular,
    angle_sensitivities,
    body_motions,
    points_now,
    rod_lengths,
)
from calib.rig.model import Body, Point, Rig, Rod
from calib.rig.parameters import get_parameters, with_parameters
from tests.moorhen import jiggled, moorhen, vec

LOOP = ["left_rod", "right_rod", "left_tie", "right_tie"]
DEG = np.deg2rad(1.0)


def small_rig(bodies: list[Body], points: dict[str, tuple[str, Any]], rods: dict[str, tuple],
              driver: str) -> Rig:
    pts = {n: Point(n, b, {"1": vec(x)}, "1") for n, (b, x) in points.items()}
    made = {}
    for n, (a, b, *length) in rods.items():
        drawn = float(np.linalg.norm(np.subtract(pts[a].xyz, pts[b].xyz)))
        L = length[0] if length else drawn
        made[n] = Rod(n, a, b, L, 0.5 * L, 2 * L)
    return Rig("small", 1000.0, {b.name: b for b in bodies}, pts, made, {}, {}, {}, driver=driver)


def planar(a: float, b: float, c: float, d: float, th2: float, th4: float) -> Rig:
    """Planar four-bar in the x-y plane, drawn with crank at th2 and rocker at th4 (rad)."""
    z = (0.0, 0.0, 1.0)
    return small_rig(
        [Body("crank", (0, 0, 0), z), Body("rocker", (d, 0, 0), z)],
        {"A": ("crank", (a * np.cos(th2), a * np.sin(th2), 0)),
         "B": ("rocker", (d + c * np.cos(th4), c * np.sin(th4), 0))},
        {"coupler": ("A", "B", b)}, "crank")


def freudenstein(a: float, b: float, c: float, d: float, th2: float) -> tuple[float, float]:
    """Both rocker angles from Freudenstein (1955): K1 cos th4 - K2 cos th2 + K3 = cos(th2 - th4)."""
    k1, k2, k3 = d / a, d / c, (a * a - b * b + c * c + d * d) / (2 * a * c)
    A = np.cos(th2) - k1 - k2 * np.cos(th2) + k3
    B = -2 * np.sin(th2)
    C = k1 - (k2 + 1) * np.cos(th2) + k3
    root = np.sqrt(B * B - 4 * A * C)
    return 2 * np.arctan2(-B - root, 2 * A), 2 * np.arctan2(-B + root, 2 * A)


def wrap(x):
    return (np.asarray(x) + np.pi) % (2 * np.pi) - np.pi


# --- planar four-bar --------------------------------------------------------------------------------------


@pytest.mark.parametrize("drawn_side, th4", [(60.0, 57.33), (-100.0, -98.01)])
def test_published_planar_four_bar(drawn_side, th4):
    # Norton, Design of Machinery, position analysis example: links 40, 120, 80, ground 100, crank at 40 deg gives
    # the rocker at 57.33 deg (open) and -98.01 deg (crossed), worked with rounded constants. Values from memory.
    rig = planar(40, 120, 80, 100, 40 * DEG, drawn_side * DEG)
    got = Linkage(rig).solve(0.0)["rocker"] + drawn_side * DEG
    assert np.rad2deg(wrap(got)) == pytest.approx(th4, abs=0.01)


def test_planar_sweep_is_freudenstein():
    th2 = 40 * DEG
    th4 = freudenstein(40, 120, 80, 100, th2)[0]
    rig = planar(40, 120, 80, 100, th2, th4)
    s = Linkage(rig).sweep(np.linspace(-0.5, 0.5, 21))
    want = [freudenstein(40, 120, 80, 100, th2 + x)[0] for x in s.driver_angles]
    assert s.reached.all() and s.ends == ()
    np.testing.assert_allclose(wrap(s.angles["rocker"] + th4 - want), 0, atol=1e-12)


def test_planar_toggle_is_where_triangle_closes():
    # crank and coupler of a double rocker line up where the rocker end is a + b from the crank pivot
    a, b, c, d = 80.0, 40.0, 100.0, 90.0
    # rocker drives: the toggle is where |B| = a + b; cosine rule on crank pivot, rocker pivot, B
    th4 = 130 * DEG
    B = np.array([d + c * np.cos(th4), c * np.sin(th4)])
    r = np.hypot(*B)
    th2 = np.arctan2(B[1], B[0]) + np.arccos((a * a + r * r - b * b) / (2 * a * r))
    rig = replace(planar(a, b, c, d, th2, th4), driver="rocker")
    limit = np.arccos((c * c + d * d - (a + b) ** 2) / (2 * c * d))  # angle at the rocker pivot
    s = Linkage(rig).sweep(np.linspace(-1.2, 1.2, 49))
    at = np.pi - limit - th4
    assert s.ends_at[0] == pytest.approx(at, abs=1e-5)
    assert f"toggle of coupler at {np.rad2deg(at):.2f} deg" in s.why
    assert np.array_equal(s.reached, np.isfinite(s.angles["crank"]))
    assert s.driver_angles[s.reached].min() >= at
    with pytest.raises(Toggle, match="toggle of coupler"):
        Linkage(rig).solve(at - 0.01)
    Linkage(rig).solve(at + 0.001)


# --- spatial four-bar -------------------------------------------------------------------------------------


def random_rssr(rng: np.random.Generator) -> Rig:
    return small_rig(
        [Body("one", vec(rng.normal(0, 100, 3)), vec(rng.normal(0, 1, 3), True)),
         Body("two", vec(rng.normal(0, 100, 3) + [400, 0, 0]), vec(rng.normal(0, 1, 3), True))],
        {"P": ("one", rng.normal(0, 100, 3)), "Q": ("two", rng.normal(0, 100, 3) + [400, 0, 0])},
        {"rod": ("P", "Q")}, "one")


def test_spatial_four_bar_against_root_finding():
    # the closure |P - Q| = L solved by bracketing over a whole turn, with matrices only
    rng = np.random.default_rng(7)
    for _ in range(10):
        rig = random_rssr(rng)
        for x in (-0.15, 0.1):
            try:
                got = Linkage(rig).solve(x)["two"]
            except Toggle:
                continue

            def gap(t, x=x, rig=rig):
                return float(rod_lengths(rig, {"one": x, "two": t})["rod"]) - rig.rods["rod"].length

            grid = np.linspace(-np.pi, np.pi, 721)
            f = np.array([gap(t) for t in grid])
            i = np.flatnonzero(f[:-1] * f[1:] < 0)
            roots = [brentq(gap, grid[k], grid[k + 1], xtol=1e-13) for k in i]
            assert len(roots) == 2  # quadratic in tan(t/2): two assemblies
            assert np.min(np.abs(wrap(np.array(roots) - got))) < 1e-9


def test_branch_is_the_drawn_one_and_continuous():
    rng = np.random.default_rng(8)
    for _ in range(20):
        s = Linkage(random_rssr(rng)).sweep(np.linspace(-0.6, 0.6, 121))
        t = s.angles["two"]
        assert abs(t[60]) < 1e-9  # drawn lengths: assembled at zero
        ok = s.reached
        assert ok[60] and np.all(np.diff(np.flatnonzero(ok)) == 1)
        # follows dt = rate dx from zero on, so it never hops to the other assembly
        r = Linkage(s.rig).rates(s.angles)["two"]
        mid = 0.5 * (r[1:] + r[:-1]) * 0.01
        calm = np.abs(r[1:] - r[:-1]) < 0.2
        assert np.nanmax(np.abs(np.diff(t) - mid)[calm]) < 1e-3


# --- an independent mechanics engine ----------------------------------------------------------------------


def mujoco_angles(rig: Rig, driver_angles: np.ndarray) -> dict[str, np.ndarray]:
    """The same linkage in MuJoCo: rods as bodies on ball joints, far ends tied by site connect constraints."""
    mujoco = pytest.importorskip("mujoco")

    def v(x):
        return " ".join(f"{float(c):.17g}" for c in x)

    S = 0.01  # work in decimetres so that masses, lengths and damping are of order one
    inertia = '<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>'
    body_xml, ties = {b: "" for b in (*rig.bodies, "frame")}, []
    for p in rig.points.values():
        base = np.zeros(3) if p.body == "frame" else np.asarray(rig.bodies[p.body].pivot)
        body_xml[p.body] += f'<site name="{p.name}" pos="{v(S * (np.asarray(p.xyz) - base))}"/>'
    for r in rig.rods.values():
        a, b = rig.points[r.a], rig.points[r.b]
        base = np.zeros(3) if a.body == "frame" else np.asarray(rig.bodies[a.body].pivot)
        e = np.subtract(b.xyz, a.xyz)
        e = e / np.linalg.norm(e) * r.length
        body_xml[a.body] += (f'<body pos="{v(S * (np.asarray(a.xyz) - base))}">{inertia}'
                             f'<joint type="ball" damping="20"/><site name="end_{r.name}" pos="{v(S * e)}"/></body>')
        ties.append(f'<connect site1="end_{r.name}" site2="{r.b}" solref="0.01 1" solimp="0.99 0.99 0.001"/>')
    world = body_xml["frame"]
    for part in rig.bodies.values():
        if part.role == "wheel":
            continue
        assert part.parent == "frame"
        world += (f'<body name="{part.name}" pos="{v(S * np.asarray(part.pivot))}">{inertia}'
                  f'<joint name="{part.name}" type="hinge" axis="{v(part.axis)}" damping="20"/>'
                  f'{body_xml[part.name]}</body>')
    xml = f"""<mujoco><option gravity="0 0 0" timestep="0.004" integrator="implicitfast" iterations="50"
      tolerance="1e-14"/><compiler angle="radian" autolimits="true"/><worldbody>{world}</worldbody><equality>
      <joint joint1="{rig.driver}" polycoef="0 0 0 0 0" solref="0.01 1" solimp="0.99 0.99 0.001"/>
      {''.join(ties)}</equality></mujoco>"""
    model = mujoco.MjModel.from_xml_string(xml)
    out = {b: np.full(len(driver_angles), np.nan) for b in rig.bodies if rig.bodies[b].role != "wheel"}
    for way in (driver_angles >= 0, driver_angles < 0):
        data = mujoco.MjData(model)
        order = np.flatnonzero(way)
        at = 0.0
        for i in order[np.argsort(np.abs(driver_angles[order]))]:
            for x in np.linspace(at, driver_angles[i], 5)[1:]:
                model.eq_data[0, 0] = x
                mujoco.mj_step(model, data, 40)
            for _ in range(60):
                mujoco.mj_step(model, data, 40)
                if np.abs(data.qvel).max() < 1e-10:
                    break
            at = driver_angles[i]
            for n in out:
                out[n][i] = data.joint(n).qpos[0]
    return out


def check_against_mujoco(rig: Rig) -> bool:
    x = np.deg2rad([-32.0, -16.0, 0.0, 16.0, 32.0])
    s = Linkage(rig).sweep(x)
    wide = Linkage(rig).sweep(1.25 * x)
    if not wide.reached.all():  # too near a toggle for a soft solver to settle
        return False
    other = mujoco_angles(rig, x)
    for b, a in other.items():
        np.testing.assert_allclose(s.angles[b], a, atol=1e-9, err_msg=b)
    return True


def test_mujoco_agrees_on_the_sample():
    assert check_against_mujoco(moorhen())


def test_mujoco_agrees_on_random_rigs():
    rng = np.random.default_rng(1)
    assert sum(check_against_mujoco(jiggled(moorhen(), rng)) for _ in range(3)) >= 2


@pytest.mark.slow
def test_mujoco_agrees_on_a_hundred_rigs():
    rng = np.random.default_rng(2)
    done = tried = 0
    while done < 100:
        tried += 1
        assert tried < 200
        done += check_against_mujoco(jiggled(moorhen(), rng))


# --- closure, motions, derivatives ------------------------------------------------------------------------


def test_rods_keep_their_length():
    rng = np.random.default_rng(3)
    for rig in [moorhen()] + [jiggled(moorhen(), rng) for _ in range(20)]:
        s = Linkage(rig).sweep(np.deg2rad(np.linspace(-32, 32, 65)))
        for r, L in rod_lengths(rig, s.angles).items():
            np.testing.assert_allclose(L[s.reached], rig.rods[r].length, atol=1e-8)


def test_motions_compose_through_parents():
    z, y = (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)
    rig = small_rig([Body("lean", (0, 0, 50), y, role="lean"), Body("arm", (100, 0, 50), z, parent="lean")],
                    {"P": ("arm", (130, 0, 50))}, {}, "arm")
    # arm turned left a quarter: P at (100, 30, 50); then pitched a quarter about y: x-50 of height to -z
    R, t = body_motions(rig, {"lean": np.pi / 2, "arm": np.pi / 2})["arm"]
    np.testing.assert_allclose(R @ [130, 0, 50] + t, [0, 30, -50], atol=1e-12)
    R, t = body_motions(rig, {"arm": np.array([0.1, 0.2])})["frame"]
    assert R.shape == (2, 3, 3) and t.shape == (2, 3)
    assert points_now(rig, {"arm": np.zeros((4, 2))})["P"].shape == (4, 2, 3)


def test_rates_are_the_slope_of_the_sweep():
    rig = jiggled(moorhen(), np.random.default_rng(4))
    lk, h = Linkage(rig), 1e-5
    x = np.deg2rad(np.linspace(-30, 30, 7))
    rates = lk.rates(lk.sweep(x).angles)
    up, down = lk.sweep(x + h).angles, lk.sweep(x - h).angles
    for b in rig.bodies:
        assert rates[b].shape == x.shape, b  # one that stands still too
        np.testing.assert_allclose(rates[b], (up[b] - down[b]) / (2 * h), atol=1e-8)


def parameter_names(rig: Rig) -> list[str]:
    names = [f"{b}.{w}.{k}" for b in rig.bodies for w in ("pivot", "axis") for k in "xyz"]
    names += [f"{p.name}@{h}.{k}" for p in rig.points.values() for h in p.holes for k in "xyz"]
    return names + [f"{r}.length" for r in rig.rods] + ["left.centre.x", "right.spin.z"]


def test_sensitivities_against_finite_differences():
    rig = jiggled(moorhen(), np.random.default_rng(5), mm=4.0)
    names = parameter_names(rig)
    x = np.deg2rad([-25.0, 3.0, 30.0])
    s = Linkage(rig).sweep(x)
    assert s.reached.all()
    got = angle_sensitivities(rig, s.angles, rig.driver, names)
    base = get_parameters(rig, names)
    for k, n in enumerate(names):
        h = 1e-6 if n.split(".")[-2] in ("axis", "spin") else 1e-3
        step = np.zeros(len(names))
        step[k] = h
        up = Linkage(with_parameters(rig, names, base + step)).sweep(x).angles
        down = Linkage(with_parameters(rig, names, base - step)).sweep(x).angles
        for b in rig.bodies:
            num = (up[b] - down[b]) / (2 * h)
            np.testing.assert_allclose(got[b][:, k], num, atol=2e-8 * max(1.0, 1e-3 / h), rtol=1e-5, err_msg=f"{b} {n}")
    assert np.abs(got["left_upright"]).max() > 0.01


def test_sensitivity_of_a_tie_rod_by_hand():
    # planar right-angled arm of 85 mm with the rod along its push: d angle / d length = 1 / 85
    z = (0.0, 0.0, 1.0)
    rig = small_rig([Body("crank", (0, 0, 0), z), Body("upright", (0, 300, 0), z)],
                    {"A": ("crank", (85, 0, 0)), "B": ("upright", (85, 300, 0))}, {"tie": ("A", "B")}, "crank")
    got = angle_sensitivities(rig, {"crank": 0.0, "upright": 0.0}, None, ["tie.length"])
    assert got["upright"][0] == pytest.approx(1 / 85)


# --- more than simple chains ------------------------------------------------------------------------------


def test_coupled_bodies_are_placed_together():
    # a link hung on a moving link, held by two rods that each reach through both: neither rod alone places one
    rng = np.random.default_rng(6)
    z = (0.0, 0.0, 1.0)
    bodies = [Body("lever", (0, 0, 0), z), Body("carrier", (200, 0, 0), vec([0.1, 0, 1], True)),
              Body("link", (200, 60, 0), vec([0, 0.1, 1], True), parent="carrier")]
    points = {"L1": ("lever", (0, 110, 5)), "L2": ("lever", (10, 20, 0)),
              "K1": ("link", (190, 115, 10)), "K2": ("link", (205, 15, -5))}
    rig = small_rig(bodies, points, {"r1": ("L1", "K1"), "r2": ("L2", "K2")}, "lever")
    lk = Linkage(rig)
    assert [set(b.bodies) for b in lk.solving_order().blocks] == [{"carrier", "link"}]
    s = lk.sweep(np.linspace(-0.3, 0.3, 31))
    assert s.reached.all()
    for r, L in rod_lengths(rig, s.angles).items():
        np.testing.assert_allclose(L, rig.rods[r].length, atol=1e-9)
    h = 1e-5
    num = (lk.solve(0.1 + h)["link"] - lk.solve(0.1 - h)["link"]) / (2 * h)
    assert float(lk.rates(lk.solve(0.1))["link"]) == pytest.approx(num, abs=1e-7)
    # longer rods than drawn: still the same assembly, reached by lengthening
    longer = replace(rig, rods={n: replace(r, length=r.length + rng.uniform(0.5, 3)) for n, r in rig.rods.items()})
    pose = Linkage(longer).solve(0.0)
    assert 0 < max(abs(v) for v in pose.values()) < 0.3
    for r, L in rod_lengths(longer, pose).items():
        assert float(L) == pytest.approx(longer.rods[r].length, abs=1e-9)


def test_coupled_toggle_is_reported():
    z = (0.0, 0.0, 1.0)
    bodies = [Body("lever", (0, 0, 0), z), Body("carrier", (200, 0, 0), z),
              Body("link", (200, 60, 0), z, parent="carrier")]
    points = {"L1": ("lever", (0, 110, 0)), "L2": ("lever", (10, 20, 0)),
              "K1": ("link", (190, 115, 0)), "K2": ("link", (205, 15, 0))}
    s = Linkage(small_rig(bodies, points, {"r1": ("L1", "K1"), "r2": ("L2", "K2")}, "lever")).sweep(
        np.linspace(-3, 3, 301))
    assert not s.reached.all() and s.reached[150]
    assert any("toggle of r1 and r2" in e.text for e in s.ends)
    for r, L in rod_lengths(s.rig, s.angles).items():
        np.testing.assert_allclose(L[s.reached], s.rig.rods[r].length, atol=1e-8)


def test_coupled_rods_that_pull_at_one_point_alone_place_nothing():
    # both rods between the same two points: neither says how carrier and link share the turn
    z = (0.0, 0.0, 1.0)
    bodies = [Body("lever", (0, 0, 0), z), Body("carrier", (200, 0, 0), z),
              Body("link", (200, 60, 0), z, parent="carrier")]
    points = {"L1": ("lever", (0, 110, 0)), "K1": ("link", (190, 115, 0))}
    rig = small_rig(bodies, points, {"r1": ("L1", "K1"), "r2": ("L1", "K1")}, "lever")
    with pytest.raises(CannotAssemble, match="r1 and r2 at 0 deg: no pose found with their lengths"):
        Linkage(rig).solve(0.1)
    with pytest.raises(Toggle, match="no pose of r1 and r2 near the start with lever at 5.73 deg"):
        Linkage(rig).solve(0.1, start={b.name: 0.0 for b in bodies})
    apart = small_rig(bodies, points | {"K2": ("link", (205, 15, 0)), "L2": ("lever", (10, 20, 0))},
                      {"r1": ("L1", "K1", 40.0), "r2": ("L2", "K2")}, "lever")  # 190 mm apart as drawn
    with pytest.raises(CannotAssemble, match="no pose found"):
        Linkage(apart).solve(0.0)


def test_extra_rod_shows_as_strain():
    rig = moorhen()
    pts = {**rig.points, "a": Point("a", "left_upright", {"1": (-60.0, 300.0, 200.0)}, "1"),
           "b": Point("b", "right_upright", {"1": (-60.0, -300.0, 200.0)}, "1")}
    rig = replace(rig, points=pts, rods={**rig.rods, "tie": Rod("tie", "a", "b", 599.0, 500, 700)})
    s = Linkage(rig).sweep(np.deg2rad(np.linspace(-20, 20, 5)))
    assert set(s.closure_error) == {"tie"}
    np.testing.assert_allclose(s.closure_error["tie"], rod_lengths(rig, s.angles)["tie"] - 599.0, atol=1e-9)
    assert s.closure_error["tie"][2] == pytest.approx(1.0)


def test_loose_and_wrong_names_are_named():
    rig = moorhen()
    rods = {n: r for n, r in rig.rods.items() if n != "right_tie"}
    with pytest.raises(ValueError, match="do not hold right_upright"):
        Linkage(replace(rig, rods=rods)).solve(0.0)
    assert Linkage(replace(rig, rods=rods)).solve(0.1, fixed={"right_upright": 0.2})["right_upright"] == 0.2
    with pytest.raises(ValueError, match="no body is called 'pedal'"):
        Linkage(rig).solve(0.0, driver="pedal")
    with pytest.raises(ValueError, match="both drive"):
        Linkage(rig).solve(0.0, fixed={"left_lever": 0.0})
    with pytest.raises(ValueError, match="finite"):
        Linkage(rig).sweep(np.array([np.nan]))


def test_wheels_stay_and_fixed_wheel_turns():
    s = Linkage(moorhen()).sweep(np.array([0.1]), fixed={"left_wheel": 0.5})
    assert s.angles["left_wheel"][0] == 0.5 and s.angles["right_wheel"][0] == 0.0


def test_too_short_a_rod_cannot_assemble():
    rig = moorhen()
    short = replace(rig, rods={**rig.rods, "left_tie": replace(rig.rods["left_tie"], length=100.0)})
    s = Linkage(short).sweep(np.deg2rad([-5.0, 0.0, 5.0]))
    assert not s.reached.any() and "cannot assemble left_tie" in s.why and "mm too short" in s.why
    with pytest.raises(CannotAssemble, match="mm too short") as e:
        Linkage(short).solve(0.0)
    assert not isinstance(e.value, Toggle)
    # it tells by how much: lengthened by that, it just goes together
    by = -s.ends[0].off
    just = replace(rig, rods={**rig.rods, "left_tie": replace(rig.rods["left_tie"], length=100.0 + by + 0.1)})
    Linkage(just).solve(0.0)


def test_any_part_may_drive():
    rig = jiggled(moorhen(), np.random.default_rng(9), rod_mm=0.0)
    a = Linkage(rig).solve(0.2)
    b = Linkage(rig).solve(a["right_upright"], driver="right_upright")
    for n in rig.bodies:
        assert a[n] == pytest.approx(b[n], abs=1e-9)


def test_order_and_spacing_of_angles_do_not_matter():
    lk = Linkage(jiggled(moorhen(), np.random.default_rng(10)))
    x = np.deg2rad([30.0, -20.0, 25.0, 25.0])
    s = lk.sweep(x)
    for i, xi in enumerate(x):
        one = lk.solve(float(xi))
        near = lk.solve(float(xi), start={n: v + 0.02 for n, v in one.items()})
        for n, v in one.items():
            assert s.angles[n][i] == pytest.approx(v, abs=1e-11)
            assert near[n] == pytest.approx(v, abs=1e-9)


def test_beyond_a_toggle_stays_lost():
    # an angle range that would assemble again further on is not reachable through the toggle
    th2, (a, b, c, d) = 90 * DEG, (60.0, 70.0, 60.0, 110.0)
    th4 = freudenstein(a, b, c, d, th2)[0]
    s = Linkage(planar(a, b, c, d, th2, th4)).sweep(np.linspace(-2 * np.pi + 0.3, 2 * np.pi - 0.3, 181))
    ok = np.flatnonzero(s.reached)
    assert 90 in ok and np.all(np.diff(ok) == 1) and len(s.ends) == 2 and len(ok) < 181


def test_drawn_on_a_dead_line_is_a_toggle():
    # rocker and coupler drawn in one line: the rod cannot say which way the rocker goes
    z = (0.0, 0.0, 1.0)
    rig = small_rig([Body("crank", (0, 0, 0), z), Body("rocker", (300, 0, 0), z)],
                    {"A": ("crank", (0, 0, 0.0)), "B": ("rocker", (200, 0, 0))}, {"rod": ("A", "B")}, "crank")
    s = Linkage(rig).sweep(np.array([-0.1, 0.0, 0.1]))
    assert not s.reached.any() and "drawn in line with the arm of rocker" in s.why
    with pytest.raises(Toggle, match="no hold"):
        Linkage(rig).solve(0.0)


def test_many_at_once_agrees_with_one_at_a_time():
    rng = np.random.default_rng(11)
    base, x = moorhen(), np.deg2rad(np.linspace(-30, 30, 13))
    rigs = [jiggled(base, rng, mm=4.0) for _ in range(5)]
    names = [n for n in parameter_names(base) if "wheel" not in n and not n.startswith(("left.", "right."))]
    batch = Batch(base, len(rigs))
    table = np.array([get_parameters(r, names) for r in rigs])
    for k, n in enumerate(names):
        batch.set(n, table[:, k])
    got = batch.angles(x)
    for i, rig in enumerate(rigs):
        s = Linkage(rig).sweep(x)
        for b in ("crank", "right_lever", "left_upright", "right_upright"):
            np.testing.assert_allclose(got[b][i][s.reached], s.angles[b][s.reached], atol=1e-7)


def test_least_singular_value_is_told_as_by_taking_apart() -> None:
    rng = np.random.default_rng(5)
    for n in (1, 2, 5):
        stack = rng.normal(0, 100, (60, n, n))
        u, s, vt = np.linalg.svd(stack)
        s[20:, -1] = np.repeat([0.5, 0.99, 1.01, 3.0], 10) * SINGULAR
        stack = (u * s[:, None]) @ vt
        stack[7] = 0.0
        least = np.linalg.svd(stack, compute_uv=False)[:, -1]
        np.testing.assert_array_equal(_regular(stack), least > SINGULAR)
        assert bool(_regular(stack[0])) and not bool(_regular(stack[7])) and 0 < np.sum(least > SINGULAR) < 60
