"""Many variants of a rig worked out at once, against the same one by one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from calib.advice.travel import _variants as curves_of_all
from calib.advice.travel import curves_of
from calib.linkage import batch
from calib.linkage.limits import (
    TOGGLE_MARGIN,
    Places,
    certainly_within,
    check_limits,
    clearances,
    misalignment_angles,
    transmission_angles,
)
from calib.linkage.mechanism import Linkage, Sweep
from calib.linkage.steering import wheel_headings
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, stacked, steps, varied, with_parameters
from tests.moorhen import jiggled, moorhen
from tests.test_layouts import bar, direct
from tests.test_report import parameter_names

LEVER = np.radians(np.linspace(-20, 20, 17))


def variants(make: Callable[[], Rig], count: int, mm: float = 3.0) -> list[Rig]:
    """Some random variants of a rig."""
    rng = np.random.default_rng(7)
    return [jiggled(make(), rng, mm, mm / 2, mm / 2) for _ in range(count)]


def all_at_once(rigs: list[Rig], lever: np.ndarray) -> Sweep:
    """A sweep of all variants at once."""
    many = stacked(rigs)
    angles = batch.Batch(many, len(rigs)).angles(lever)
    return Sweep(many, many.driver, lever, angles, np.all([np.isfinite(a) for a in angles.values()], axis=0), (), {})


@pytest.mark.parametrize("make", [moorhen, bar, direct])
def test_stacked_equals_one_by_one(make: Callable[[], Rig]) -> None:
    rigs = variants(make, 5)
    s = all_at_once(rigs, LEVER)
    now = Places(s.rig, s)
    many = (transmission_angles(s.rig, now), misalignment_angles(s.rig, now), clearances(s.rig, now),
            wheel_headings(s.rig, s))
    assert s.reached.all()
    for k, rig in enumerate(rigs):
        one = Linkage(rig).sweep(LEVER)
        assert {n for n in rig.bodies if rig.bodies[n].role not in ("wheel", "lean")} <= set(s.angles)
        for name, a in s.angles.items():
            np.testing.assert_allclose(np.broadcast_to(a, s.reached.shape)[k], one.angles.get(name, 0.0), atol=1e-9)
        alone = (transmission_angles(rig, one), misalignment_angles(rig, one), clearances(rig, one),
                 wheel_headings(rig, one))
        for all_of, of in zip(many, alone, strict=True):
            assert set(all_of) == set(of)
            for key, v in of.items():
                np.testing.assert_allclose(np.asarray(all_of[key])[k], v, rtol=1e-7, atol=1e-7, err_msg=str(key))


@pytest.mark.parametrize("make", [moorhen, bar, direct])
def test_curves_of_many_equal_those_of_each(make: Callable[[], Rig]) -> None:
    rig, lever = make(), LEVER
    names = parameter_names(rig)
    rows = get_parameters(rig, names) + np.random.default_rng(3).normal(0, 0.01, (40, len(names)))  # two batches
    got: dict[str, list[np.ndarray]] = {}
    for some in curves_of_all(rig, names, rows, lever, -1.0, ()):
        for key, v in some.items():
            got.setdefault(key, []).append(v)
    for k in (0, 17, 39):
        for key, v in curves_of(with_parameters(rig, names, rows[k]), lever, -1.0).items():
            np.testing.assert_allclose(np.concatenate(got[key])[k], v, rtol=1e-6, atol=1e-6, err_msg=key)


@pytest.mark.parametrize(("make", "least"), [(moorhen, np.inf), (bar, 0.0), (direct, np.inf)])
def test_certainly_within_never_clears_what_breaks_a_limit(make: Callable[[], Rig], least: float) -> None:
    # the bar as drawn comes close to a toggle: there the other limits are looked at
    rigs = [replace(r, min_transmission=min(r.min_transmission, least)) for mm in (0.5, 6.0, 15.0)
            for r in variants(make, 16, mm)]
    low, high = make().driver_travel
    for driver in (np.linspace(low, high, 13), np.linspace(low - 0.05, high + 0.05, 15)):
        sure = certainly_within(rigs, driver)
        kept = np.array([all(x.ok for x in check_limits(r, Linkage(r).sweep(driver))) for r in rigs])
        assert not (sure & ~kept).any()
        assert (~kept).sum() >= 5, "variants that break nothing show nothing"
        assert sure.sum() >= 0.5 * kept.sum() > 0, "clearing nothing would be no help"


@pytest.mark.parametrize("edge", ["transmission", "misalignment", "clearance", "rod_length", "travel", "toggle"])
def test_each_limit_by_itself_keeps_a_variant_from_being_cleared(edge: str) -> None:
    rig, driver = moorhen(), LEVER
    sound = {(x.name, x.item): x for x in check_limits(rig, Linkage(rig).sweep(driver))}
    assert all(x.ok for x in sound.values()) and certainly_within([rig], driver).all()
    item, worst = next(((i, x.value) for (n, i), x in sound.items() if n == edge), ("", 0.0))
    if edge == "transmission":
        least = min(x.value for (n, _), x in sound.items() if n == edge)
        off = replace(rig, min_transmission=least + 1e-4)
    elif edge == "misalignment":
        end = item.split(" at ")[1]
        off = replace(rig, points={**rig.points, end: replace(rig.points[end], misalignment=worst - 1e-4)})
    elif edge == "clearance":
        least = min(x.value for (n, _), x in sound.items() if n == edge)
        off = replace(rig, min_clearance=least + 1e-3)
    elif edge == "travel":
        up = rig.bodies["left_upright"]
        turned = Linkage(rig).sweep(driver).angles["left_upright"]
        off = replace(rig, bodies={**rig.bodies, "left_upright": replace(up, travel=(-2.0, turned.max() - 1e-4))})
    elif edge == "toggle":  # the sweep itself still goes together
        at = Linkage(rig).sweep(np.array([-2.5, 2.5])).ends_at[0]
        assert at is not None
        lever = replace(rig.bodies[rig.driver], travel=(at + TOGGLE_MARGIN - 1e-3, driver[-1]))
        off = replace(rig, bodies={**rig.bodies, rig.driver: lever})
    else:
        rod = rig.rods[item]
        off = replace(rig, rods={**rig.rods, item: replace(rod, longest=rod.length - 0.01, shortest=rod.length - 5)})
    assert edge in {x.name for x in check_limits(off, Linkage(off).sweep(driver)) if not x.ok}
    assert not certainly_within([off], driver).any()


def test_what_has_no_closed_form_is_refused_and_what_moves_nothing_is_let_be() -> None:
    rig = moorhen()
    loose = replace(rig, rods={n: r for n, r in rig.rods.items() if "left" not in n})
    assert batch.loop_order(loose) is None, "nothing places the left upright"
    with pytest.raises(ValueError, match="not a chain of simple loops"):
        batch.Batch(loose, 2)
    hung = replace(rig, bodies={**rig.bodies, "crank": replace(rig.bodies["crank"], parent="left_lever")})
    assert batch.loop_order(hung) is None, "a part that hangs on a moving one"
    made = batch.Batch(rig, 2)
    before = made.angles(LEVER)
    made.set("left.centre.x", np.array([5.0, 9.0]))  # a wheel's middle moves no heading
    for name, a in made.angles(LEVER).items():
        np.testing.assert_array_equal(a, before[name])


def test_bodies_shifted_in_a_batch_equal_a_rig_shifted() -> None:
    rig, by = moorhen(), np.array([[6.0, 0.0, -3.0], [-4.0, 2.0, 1.0]])
    made = batch.Batch(rig, 2)
    made.shift(["crank"], by)
    got = made.angles(LEVER)
    for k in range(2):
        names = [f"crank.pivot.{c}" for c in "xyz"]
        names += [f"{p.name}@{p.use}.{c}" for p in rig.points.values() if p.body == "crank" for c in "xyz"]
        moved = with_parameters(rig, names, get_parameters(rig, names) + np.tile(by[k], len(names) // 3))
        alone = Linkage(moved).sweep(LEVER).angles
        np.testing.assert_allclose(got["left_upright"][k], alone["left_upright"], atol=1e-9)


@pytest.mark.parametrize("make", [moorhen, bar, direct])
def test_varied_at_once_equals_set_one_by_one(make: Callable[[], Rig]) -> None:
    rig = make()
    names = parameter_names(rig)
    rng = np.random.default_rng(3)
    rows = get_parameters(rig, names) + 5 * steps(names) * rng.normal(size=(4, len(names)))
    many, same = varied(rig, names, rows), stacked([with_parameters(rig, names, row) for row in rows])
    for n, b in same.bodies.items():
        np.testing.assert_allclose(many.bodies[n].pivot, b.pivot, rtol=1e-14)
        np.testing.assert_allclose(many.bodies[n].axis, b.axis, atol=1e-15)
    for n, p in same.points.items():
        np.testing.assert_allclose(many.points[n].xyz, p.xyz, rtol=1e-14)
    for n, w in same.wheels.items():
        np.testing.assert_allclose(many.wheels[n].centre, w.centre, rtol=1e-14)
        np.testing.assert_allclose(many.wheels[n].spin, w.spin, atol=1e-15)
    for n, r in same.rods.items():
        np.testing.assert_allclose(many.rods[n].length, r.length, rtol=1e-14)
    with pytest.raises(KeyError):
        varied(rig, ["nobody.pivot.x"], np.zeros((2, 1)))
