"""Which hole a rod end sits in, against simulated shoots where the file names a wrong one.

Measured over 12 random vehicles of the sample's kind (seeds 100 to 111; holes 9 mm apart, drawn to +/- 3 mm): see
``test_every_wrong_hole_is_named``.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from calib.advice.adjust import propose
from calib.advice.knownholes import with_known_holes
from calib.estimation.blocks.drawing import DrawnPoint
from calib.estimation.bundle import estimate
from calib.estimation.equations import RigProblem
from calib.estimation.holes import _placed, judge_holes, with_holes
from calib.estimation.solver import minimise
from calib.estimation.unknowns import State
from calib.findings import Code
from calib.results import Fit
from calib.rig.model import Rig, Vec
from calib.rig.parameters import ParameterName
from calib.rig.reader import load_rig
from calib.run import as_found
from capture.observations import Observations
from tests.bench.estimate import plain_problem, shoot
from tests.render.shoot import simulate_observations
from tests.render.truth import glued_as_promised, random_truth, sample_truth

RIG = Path(__file__).resolve().parents[1] / "sample_data" / "rig.toml"
ROWS = ("left_lever.rod", "right_lever.rod", "crank.left_in", "crank.right_in")


def said_to_be(rig: Rig, **uses: str) -> Rig:
    """The file with other holes named; dots in point names written as two underlines."""
    points = dict(rig.points)
    for key, hole in uses.items():
        name = key.replace("__", ".")
        points[name] = replace(points[name], use=hole)
    return replace(rig, points=points)


def named(fit: Fit) -> dict[str, tuple[str, str]]:
    """(hole it sits in, hole of the file) by point, as the findings have it."""
    return {f.item: (str(f.facts["hole"]), str(f.facts["file_hole"])) for f in fit.findings
            if f.code == Code.HOLE_MISMATCH}


@pytest.fixture(scope="module")
def sample() -> tuple[Rig, Observations, Fit]:
    obs = simulate_observations(sample_truth(RIG), 0.05, np.random.default_rng(5))
    rig = load_rig(RIG)
    return rig, obs, estimate(rig, obs)


@pytest.fixture(scope="module")
def in_d(sample: tuple[Rig, Observations, Fit]) -> Fit:
    """The left lever's rod end sits in C, and the file says D."""
    rig, obs, _ = sample
    return estimate(said_to_be(rig, left_lever__rod="D"), obs)


@pytest.fixture(scope="module")
def plain() -> tuple[RigProblem, State]:
    """Least squares without loss functions at its minimum."""
    rig, obs = shoot(2, seed=11)
    problem, state = plain_problem(rig, obs, every=8)
    return problem, minimise(problem, state, rtol=1e-12, damping=1e-9).state


def test_misfit_of_a_hole_is_that_of_the_whole_problem_solved_with_it(plain: tuple[RigProblem, State]) -> None:
    """The closed form against the full problem minimised anew for each choice, one row and two rows at once."""
    problem, s = plain
    placed = _placed(problem, s)
    assert placed is not None
    file = problem.rig
    base = 2 * problem.cost(s)

    def gaps(uses: dict[str, str]) -> np.ndarray:
        return placed.at - np.concatenate([file.points[n].holes[uses.get(n, file.points[n].use)]
                                           for n in placed.points])

    def closed(uses: dict[str, str]) -> float:
        g, h = gaps(uses), gaps({})
        m = np.linalg.inv(placed.cov)
        return float(g @ m @ g - h @ m @ h)

    for uses in ({"left_lever.rod": "D"}, {"crank.right_in": "3"}, {"right_lever.rod": "B"},
                 {"left_lever.rod": "B", "right_lever.rod": "B"}, {"left_lever.rod": "B", "crank.left_in": "1"}):
        other = replace(problem, layout=with_holes(problem.layout, uses))
        anew = 2 * minimise(other, s, rtol=1e-12, damping=1e-9).cost - base
        assert closed(uses) == pytest.approx(anew, rel=0.05), uses
        assert anew > 5.0


def test_sample_with_the_wrong_hole_in_its_file(sample: tuple[Rig, Observations, Fit], in_d: Fit) -> None:
    """Named first, measured as with the right file, counted from there; in the verdict's words too."""
    _, _, right = sample
    assert named(right) == {} and not right.as_built.uncertain_holes
    first = in_d.findings[0]
    assert (first.code, first.item, first.serious) == (Code.HOLE_MISMATCH, "left_lever.rod", True)
    assert first.text.startswith("left_lever.rod: the ball sits where hole C is drawn, ")
    assert "the file says D" in first.text
    ball = np.asarray(in_d.as_built.rig.points["left_lever.rod"].xyz)
    drawn = load_rig(RIG).points["left_lever.rod"].holes
    assert first.facts["mm"] == pytest.approx(np.linalg.norm(ball - drawn["C"]))
    assert first.facts["mm"] < 2.0 < 7.0 < first.facts["file_mm"]  # type: ignore[operator]
    assert in_d.as_built.rig.points["left_lever.rod"].use == "C"
    for a, b in zip(right.figures, in_d.figures, strict=True):
        assert b.name == a.name and b.value == pytest.approx(a.value, abs=0.02 * a.u95)
        assert b.u95 == pytest.approx(a.u95, rel=0.01)
    np.testing.assert_allclose(in_d.as_built.rig.points["left_lever.rod"].holes["A"],
                               right.as_built.rig.points["left_lever.rod"].holes["A"], atol=0.02)


def test_moves_are_counted_from_the_hole_it_is_in(sample: tuple[Rig, Observations, Fit], in_d: Fit) -> None:
    rig, _, right = sample
    design = as_found(said_to_be(rig, left_lever__rod="D"), in_d)
    assert design == rig
    best = propose(design, in_d.as_built).best
    expected = propose(rig, right.as_built).best
    holes = [(c.item, c.before, c.after, c.direction) for c in best.changes if c.kind == "hole"]
    assert holes == [(c.item, c.before, c.after, c.direction) for c in expected.changes if c.kind == "hole"]
    assert holes == [("left_lever.rod", "C", "B", "towards the pivot")]
    assert best.chance_all == pytest.approx(expected.chance_all, abs=0.03)


def test_both_levers_named_wrong_together(sample: tuple[Rig, Observations, Fit]) -> None:
    """One row's error leans on the frame and so on the other row: settled together."""
    rig, obs, right = sample
    fit = estimate(said_to_be(rig, left_lever__rod="B", right_lever__rod="E"), obs)
    assert named(fit) == {"left_lever.rod": ("C", "B"), "right_lever.rod": ("C", "E")}
    assert [f.code for f in fit.findings[:2]] == [Code.HOLE_MISMATCH] * 2
    z, u = fit.as_built.rig.bodies["left_lever"].pivot[2], right.as_built.rig.bodies["left_lever"].pivot[2]
    assert z == pytest.approx(u, abs=0.02)


def close_holes(rig: Rig, point: str, apart: float, offset_tol: float) -> Rig:
    """A hole X beside the one in use, ``apart`` mm further along the row, and a loosely glued bolt tag."""
    p = rig.points[point]
    row = np.subtract(p.holes["D"], p.xyz)
    x, y, z = np.asarray(p.xyz) + row / np.linalg.norm(row) * apart
    hole: Vec = (float(x), float(y), float(z))
    tags = {n: replace(t, offset_tol=offset_tol) if t.centres_on == point else t for n, t in rig.tags.items()}
    new = replace(p, holes={**p.holes, "X": hole}, order=("A", "B", "C", "X", "D", "E"))
    return replace(rig, points={**rig.points, point: new}, tags=tags)


@pytest.mark.parametrize("use", ["C", "X"])
def test_two_holes_a_millimetre_apart_cannot_be_told_apart(use: str) -> None:
    rng = np.random.default_rng(21)
    rig = close_holes(load_rig(RIG), "left_lever.rod", 1.0, 2.0)
    truth = random_truth(RIG, rng, views=2)
    truth = glued_as_promised(replace(truth, rig=replace(truth.rig, tags=rig.tags)), rng)
    fit = estimate(said_to_be(rig, left_lever__rod=use), simulate_observations(truth, 0.05, rng))
    assert named(fit) == {}
    assert fit.as_built.rig.points["left_lever.rod"].use == use
    assert set(fit.as_built.uncertain_holes) == {"left_lever.rod"}
    assert set(fit.as_built.uncertain_holes["left_lever.rod"]) == {"C", "X"}
    (doubt,) = [f for f in fit.findings if f.code == Code.HOLE_UNCERTAIN]
    assert doubt.item == "left_lever.rod" and not doubt.serious  # nothing speaks against the file
    assert "cannot be told apart" in doubt.text and "1.0 mm apart" in doubt.text
    known = with_known_holes(fit.as_built)
    assert tuple(known.rig.points["left_lever.rod"].holes) == (use,)
    assert known.cov.shape == (len(known.names),) * 2
    assert {p.hole for p in map(ParameterName.parse, known.names) if p.owner == "left_lever.rod"} == {use}
    found = propose(rig, fit.as_built)
    for p in (found.best, *found.others):
        assert all(c.item != "left_lever.rod" for c in p.changes)
    assert any("left_lever.rod" in n and "C or X" in n or "X or C" in n for n in found.notes)


def test_doubt_which_hole_widens_the_drawn_place(plain: tuple[RigProblem, State]) -> None:
    """Tag loose and rod away: only the drawing says where the ball is, in one of five holes: held loosely."""
    problem, s = plain
    rig = problem.rig
    loose = {n: replace(t, offset_tol=40.0) if t.centres_on == "left_lever.rod" else t for n, t in rig.tags.items()}
    layout = replace(problem.layout, rig=replace(rig, tags=loose))
    problem = replace(problem, layout=layout, closure_off=frozenset({"left_rod"}))
    s = minimise(problem, s, damping=1e-9).state
    holes = judge_holes(problem, s, layout.rig)
    assert set(holes.may_be) == {"left_lever.rod"} and set(holes.may_be["left_lever.rod"]) == set("ABCDE")
    assert holes.may_be["left_lever.rod"][0] == holes.use["left_lever.rod"] == "C"  # the file's, of equals
    assert 2.0 < holes.extra_sd["left_lever.rod"] < 9.0
    again = replace(problem, priors=replace(problem.priors, hole_sd=holes.extra_sd))
    sds = {b.item: b.sd for b in again.blocks(s) if isinstance(b, DrawnPoint)}
    before = {b.item: b.sd for b in problem.blocks(s) if isinstance(b, DrawnPoint)}
    assert sds.pop("left_lever.rod") == pytest.approx(np.hypot(before.pop("left_lever.rod"),
                                                               holes.extra_sd["left_lever.rod"]))
    assert sds == before


def test_a_ball_far_from_every_hole_is_not_put_into_one(plain: tuple[RigProblem, State]) -> None:
    """10 mm across the row: no hole fits, so the file's word stands."""
    problem, s = plain
    rig = problem.rig
    p = rig.points["left_lever.rod"]
    holes = {h: (v[0] + 10.0, v[1], v[2] + 9.0) for h, v in p.holes.items()}
    moved = replace(rig, points={**rig.points, p.name: replace(p, holes=holes)})
    problem = replace(problem, layout=replace(problem.layout, rig=moved))
    s = minimise(problem, s, damping=1e-9).state
    assert judge_holes(problem, s, moved).use["left_lever.rod"] == p.use


def said_likely(fit: Fit) -> dict[str, tuple[str, str]]:
    """As ``named``, and what is only called most likely: (hole, hole of the file) by point."""
    doubts = {f.item: f for f in fit.findings if f.code == Code.HOLE_UNCERTAIN and f.serious}
    likely = {n: (f.facts["holes"], f.facts["file_hole"]) for n, f in doubts.items()}
    return named(fit) | {n: (h[0], str(file)) for n, (h, file) in likely.items() if isinstance(h, tuple)
                         and h[0] != file}


@dataclass
class Rates:
    """Counts over vehicles: wrong holes, those said right and certain, those said right; right files accused."""

    cases: int = 0
    named: int = 0
    said: int = 0
    files: int = 0
    accused: int = 0
    doubted: int = 0  # right files called less likely than another hole


def rates(seeds: range, every: int = 1) -> Rates:
    """Every wrong hole of every row (or each how-manieth) of random vehicles."""
    out = Rates()
    for seed in seeds:
        rng = np.random.default_rng(seed)
        obs = simulate_observations(random_truth(RIG, rng, views=2), 0.05, rng)
        rig = load_rig(RIG)
        right = estimate(rig, obs)
        out.files += 1
        out.accused += bool(named(right))
        if said_likely(right):  # a ball midway between two holes: nobody can tell, so its cases are not counted
            out.doubted += 1
            continue
        cases = [(n, h) for n in ROWS for h in rig.points[n].holes if h != rig.points[n].use]
        for n, h in itertools.islice(cases, seed % every, None, every):
            fit = estimate(said_to_be(rig, **{n.replace(".", "__"): h}), obs)
            truly = {n: (rig.points[n].use, h)}
            out.cases += 1
            out.named += named(fit) == truly
            out.said += said_likely(fit) == truly
    return out


def test_wrong_holes_are_named_and_right_files_not_accused() -> None:
    """Two vehicles, three wrong holes each: the small one of the next."""
    got = rates(range(100, 102), every=4)
    assert got.cases == 6 and got.said >= 5
    assert not got.accused and not got.doubted


@pytest.mark.slow
def test_every_wrong_hole_is_named() -> None:
    """Every row, every wrong hole, twelve vehicles: at least 95 % said, no right file accused.

    On one of the twelve the ball is 4.4 mm from its own hole as drawn and 4.6 mm from the next (tolerance 3 mm).
    """
    got = rates(range(100, 112))
    print(got)
    assert got.cases == 132 and got.doubted == 1
    assert got.said >= 0.95 * got.cases
    assert not got.accused
