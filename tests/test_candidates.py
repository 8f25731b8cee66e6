"""Pieces of the search: places tried, unlike holes counted, a hole that would have to be drilled."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from calib.advice import adjust
from calib.advice.adjust import AdjustOptions, propose
from calib.advice.candidates import tried_places
from calib.advice.chances import doubts_of
from calib.advice.hints import _distance_for
from calib.advice.ranking import UNEVEN, work_of
from calib.advice.search import Model, Objective, Variant, driver_grid, solve
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import curve_figures
from calib.rig.adjustables import choices_of, moves_of
from calib.rig.model import Slide
from calib.rig.parameters import get_parameters
from tests.steering_scene import as_built, design, wrong


def test_places_tried_are_few_even_and_settable() -> None:
    """A slide of -45 to 115 mm in steps of 10: five places from end to end that can be set, not the present one."""
    slide = Slide("seat", ("left_lever", "right_lever"), (1.0, 0.0, 0.0), (-45.0, 115.0), 10.0)
    moves = {n: m for n, m in moves_of(replace(design(), slides={"seat": slide})).items() if not m.solved}
    assert tried_places(moves, 5) == [{}, *({"seat": x} for x in (-40.0, 40.0, 70.0, 110.0))]
    every = [p["seat"] for p in tried_places(moves, 100)[1:]]
    assert every == [10.0 * k for k in range(-4, 12) if k]


def test_holes_unlike_on_the_two_sides_are_a_hair_more_work() -> None:
    rig = design()
    left, right = "left_lever.rod", "right_lever.rod"
    rest = {n: p for n, p in rig.points.items() if n != right}  # a lever on one side only has no other to be unlike

    def work(holes: dict[str, str], without: bool = False) -> float:
        r = replace(rig, points=rest) if without else rig
        return work_of(Variant(holes, {}), r, replace(r, points={}), {}, choices_of(rig))

    assert rig.points[left].use == rig.points[right].use == "C" and work({}) == 0.0
    one = choices_of(rig)[left].work
    assert work({left: "B"}) == pytest.approx(one + UNEVEN)
    assert work({left: "B", right: "B"}) == pytest.approx(2 * one)
    assert work({left: "B"}, without=True) == pytest.approx(one)


@pytest.mark.parametrize("further", [-6.0, 9.0])
def test_where_a_hole_would_give_the_ratio(further: float) -> None:
    """Beside the linkage itself with the ball so much further from its pivot and the rod reset."""
    rig = design()
    name, rod = "left_lever.rod", rig.rods["left_rod"]
    b, p = rig.bodies["left_lever"], rig.points["left_lever.rod"]
    b = replace(b, pivot=tuple(np.add(b.pivot, 30 * np.asarray(b.axis))))  # anywhere on the hinge
    rig = replace(rig, bodies={**rig.bodies, "left_lever": b})
    axis, arm = np.asarray(b.axis), np.subtract(p.xyz, b.pivot)
    arm = arm - (arm @ axis) * axis
    place = np.asarray(p.xyz) + further * arm / np.linalg.norm(arm)
    far = np.asarray(rig.points[rod.b if rod.a == name else rod.a].xyz)
    length = rod.length + np.linalg.norm(place - far) - np.linalg.norm(np.subtract(p.xyz, far))
    moved = replace(rig, points={**rig.points, name: replace(p, holes={p.use: tuple(place)})},
                    rods={**rig.rods, "left_rod": replace(rod, length=float(length))})
    grid = driver_grid(rig, 41)
    wanted = float(curve_figures(moved, Linkage(moved).sweep(grid))["ratio"])
    got = _distance_for(Model(rig, grid), Objective(rig, grid), Variant(), name, wanted)
    assert got == pytest.approx(np.linalg.norm(arm) + further, abs=0.02)


def test_what_cannot_be_moved_keeps_its_misfit() -> None:
    """The square sum of its residuals; with a move free it falls to no more than where that move is not made."""
    rig = design()
    grid = driver_grid(rig, 21)
    model, objective = Model(rig, grid), Objective(rig, grid)
    off = Variant({}, {"right_tie": 3.0})
    r = objective.residuals(model.curves([Variant(), off]))
    drawn, moved = (r * r).sum(axis=1)
    got = solve(model, objective, [Variant(), off, off], [(), (), ("right_tie",)])
    assert got.misfits[:2] == pytest.approx([drawn, moved]) and moved > drawn + 1.0
    assert got.misfits[2] < drawn + 1e-6 and abs(got.variants[2].moves["right_tie"]) < 0.5
    assert got.variants[1].moves == off.moves


class Seen(Exception):
    """Ends the search where it has come to what is to be seen."""


@pytest.mark.parametrize(("short", "known"), [(2.6, True), (0.0, False)])
def test_one_figure_known_to_be_out_is_enough(short: float, known: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Toe alone is out: then settings may be suggested that are no sure gain in all."""
    def shown(found: object, none: object, wrong: bool, *_: object) -> None:
        raise Seen(wrong)

    monkeypatch.setattr(adjust, "_search", lambda finder, sets, none, steps: SimpleNamespace(good=[]))
    monkeypatch.setattr(adjust, "_how_sure", lambda *_: None)
    monkeypatch.setattr(adjust, "_shown", shown)
    with pytest.raises(Seen) as seen:
        propose(design(), as_built(wrong(design(), 0.0, short)), AdjustOptions(draws=200))
    assert seen.value.args == (known,)


def test_parts_solved_side_by_side_are_those_solved_apart() -> None:
    """One part is there at once and stops, the other goes on: neither sees the other."""
    rig = wrong(design())
    grid = driver_grid(rig, 13)
    model, objective = Model(rig, grid), Objective(design(), grid, rig)
    free = tuple(n for n, m in model.moves.items() if m.solved)
    there = solve(model, objective, [Variant()], [free], rounds=12).variants
    parts = [[*there, Variant({}, {"right_tie": 9.0})], there, [Variant(), Variant({"left_lever.rod": "B"})]]
    frees = [[(), free], [free], [free, free[:1]]]
    flat = [v for p in parts for v in p]
    got = solve(model, objective, flat, [f for p in frees for f in p], parts=[0, 0, 1, 2, 2])
    apart = [solve(model, objective, p, f) for p, f in zip(parts, frees, strict=True)]
    assert got.variants == [v for a in apart for v in a.variants]
    for part in ("misfits", "residuals", "J"):
        np.testing.assert_allclose(getattr(got, part), np.concatenate([getattr(a, part) for a in apart]), rtol=1e-9)


def test_slopes_about_many_variants_are_those_about_each() -> None:
    """In other holes, with and without moves, of parameters that only some of them use."""
    rig = wrong(design())
    built, grid = as_built(rig), driver_grid(rig, 13)
    model, choices = Model(rig, grid), choices_of(rig)
    variants = [Variant(), Variant({"left_lever.rod": "B"}, {"right_tie": 3.0}), Variant({}, {"left_tie": -2.0})]
    some = replace(built, names=tuple(n for n in built.names if "@B" not in n),
                   cov=np.delete(np.delete(built.cov, off := [i for i, n in enumerate(built.names) if "@B" in n], 0),
                                 off, 1))
    objective = Objective(design(), grid, rig)
    for known in (built, some):
        got = doubts_of(known, model, choices, variants, objective.residuals)
        for d, v in zip(got, variants, strict=True):
            alone = doubts_of(known, model, choices, [v], objective.residuals)[0]
            assert d.slopes.names == alone.slopes.names and set(d.seats) == set(v.holes)
            np.testing.assert_allclose(d.slopes.J, alone.slopes.J, atol=1e-9)
            for own, other in ((d.moves, alone.moves), (d.seats, alone.seats)):
                for n, x in own.items():
                    np.testing.assert_allclose(x, other[n], atol=1e-9)
            names = list(d.slopes.names)
            by = 0.03 * np.eye(len(names))[names.index("left_tie.length")]
            at = get_parameters(rig, names)
            up, down = objective.residuals(model.perturbed(v, names, np.array([at + by, at - by])))
            np.testing.assert_allclose(d.slopes.J[:, names.index("left_tie.length")], (up - down) / 0.06, atol=1e-5)
    assert "left_lever.rod@B.x" in built.names, "what the second set of parameters lacks"
    seat = got[1].seats["left_lever.rod"]
    at = np.array(rig.points["left_lever.rod"].holes["B"])
    places = [Variant(variants[1].holes, variants[1].moves)] * 2
    moved = [replace(rig, points={**rig.points, "left_lever.rod": replace(
        p := rig.points["left_lever.rod"], holes={**p.holes, "B": tuple(at + s * 0.02 * np.eye(3)[1])})})
        for s in (1, -1)]
    up, down = (objective.residuals(Model(r, grid).curves([v]))[0] for r, v in zip(moved, places, strict=True))
    np.testing.assert_allclose(seat[:, 1], (up - down) / 0.04 * choices["left_lever.rod"].seat_sd, atol=1e-7)
