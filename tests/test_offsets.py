"""All bolt-tag offsets wrong alike: what the shoot knows of it, what it would do, and when it is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.advice.offsets import offset_table
from calib.advice.sensitivity import sensitivity
from calib.estimation.bundle import estimate
from calib.estimation.equations import RigProblem
from calib.estimation.fitted import _offset_findings, shared_covariance
from calib.estimation.offsets import common_offset
from calib.estimation.solver import minimise
from calib.estimation.unknowns import State, retract
from calib.results import Code, OffsetDoubt
from calib.rig.model import Rig
from calib.rig.parameters import length_name
from tests.bench.estimate import small_problem
from tests.mistakes import offsets_alike
from tests.steering_scene import as_built, design, wrong

Array = NDArray[np.float64]


def with_offsets(rig: Rig, mm: float) -> Rig:
    """Every bolt tag's offset ``mm`` larger."""
    return replace(rig, tags={n: replace(t, offset=t.offset + mm) if t.centres_on else t for n, t in rig.tags.items()})


def solved(problem: RigProblem, s: State) -> State:
    done: State = minimise(problem, s, rtol=1e-13, damping=1e-9).state
    return done


def test_the_step_is_what_solving_with_other_offsets_gives() -> None:
    problem, s = small_problem()
    s = solved(problem, s)
    found = common_offset(problem, s, shared_covariance(problem, s))
    assert found is not None and 0 < found.sd < 5
    mm = 0.5
    other = replace(problem, layout=replace(problem.layout, rig=with_offsets(problem.rig, mm)))
    t = solved(other, s)
    still = np.zeros((len(problem.layout.photos), problem.layout.private))
    expected = retract(problem.layout, s, mm * found.step, still)
    for name in ("points", "rods", "axis_p", "angles"):
        was, want, got = (getattr(x, name) for x in (s, expected, t))
        # photos' own unknowns move along: what they take with them is of second order
        np.testing.assert_allclose(got - was, want - was, atol=0.02 * mm, err_msg=name)
    assert np.abs(t.points - s.points).max() > 0.3 * mm  # it did go along
    # what is put in beforehand is missing afterwards
    again = common_offset(other, t, shared_covariance(other, t))
    assert again is not None
    assert again.mm == pytest.approx(found.mm - mm, abs=0.03 * mm) and again.sd == pytest.approx(found.sd, rel=0.02)


def test_one_bolt_tag_says_nothing_of_all() -> None:
    problem, s = small_problem()
    bolts = [n for n, t in problem.rig.tags.items() if t.centres_on]
    few = {n: replace(t, centres_on=None) if n in bolts[1:] else t for n, t in problem.rig.tags.items()}
    problem = replace(problem, layout=replace(problem.layout, rig=replace(problem.rig, tags=few)))
    assert common_offset(problem, s, np.eye(problem.layout.size)) is None


def test_it_is_said_from_three_standard_uncertainties_on() -> None:
    def said(mm: float) -> list[tuple[str, float]]:
        found = _offset_findings(OffsetDoubt(mm, 1.96, np.zeros(0)))
        return [(f.code, float(f.facts["mm"])) for f in found if f.serious]  # type: ignore[arg-type]

    assert said(2.9) == said(-2.9) == [] == _offset_findings(None)
    assert said(3.1) == [(Code.OFFSETS_TOGETHER, 3.1)] and said(-3.1) == [(Code.OFFSETS_TOGETHER, -3.1)]


def test_table_gives_each_figures_change_in_its_own_unit() -> None:
    """Where 1 mm of offset were 2 mm of a tie's length, figures change by twice their slope against that length."""
    built = as_built(wrong(design()))
    name = length_name("left_tie")
    change = 2.0 * (np.array(built.names) == name)
    table = offset_table(built, OffsetDoubt(0.0, 1.0, change)).set_index("figure")
    slopes = sensitivity(built.rig)
    slopes = slopes[slopes["dimension"] == name].set_index("figure")["slope"]
    for figure in ("toe", "ratio", "lock_left"):
        assert table.loc[figure, "per_mm"] == pytest.approx(2 * slopes[figure], rel=0.01, abs=1e-9)
    assert table.loc["toe", "unit"] == "deg" and abs(float(table.loc["toe", "per_mm"])) > 0.5
    assert table.loc["caster", "per_mm"] == 0.0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_three_millimetres_are_named(seed: int) -> None:
    m = offsets_alike(seed)
    fit = estimate(m.rig, m.obs)
    assert [f.code for f in fit.findings if f.serious] == [Code.OFFSETS_TOGETHER]
