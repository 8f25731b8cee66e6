"""Shoots that tell too little or something wrong: nothing far off that nothing is said about."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from calib.advice.compare import Comparison
from calib.estimation.bundle import estimate
from calib.findings import EVERYTHING, Code
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import curve_figures
from calib.results import Fit
from capture.errors import UserError
from tests.bench.degenerate import FAR, figures_off, judged_anyway, told
from tests.degenerate import KINDS, Shoot, true_travel_figures
from tests.moorhen import moorhen

# (kind, seed): few photos, so quick; all kinds, 200 shoots: python -m tests.bench.degenerate
QUICK = [("swapped tags", 321), ("creep within a position", 320), ("lever never moved", 322)]


@cache
def run(kind: str, seed: int) -> tuple[Shoot, Fit, Comparison]:
    s = KINDS[kind](seed)
    return s, *told(s)


@pytest.mark.parametrize(("kind", "seed"), QUICK)
def test_nothing_is_far_off_in_silence(kind: str, seed: int) -> None:
    s, fit, compared = run(kind, seed)
    off = figures_off(s, fit, compared)
    assert len(off) > 40
    assert [x for x in off if x.times > FAR and not x.doubt] == []
    assert judged_anyway(fit, compared) == []
    if kind == "swapped tags":
        assert any(x.times > FAR for x in off), "there is something to be silent about"


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_far_off_in_silence_over_all_kinds(kind: str) -> None:
    for seed in (301, 328, 356):
        try:
            s, fit, compared = run(kind, seed)
        except UserError:
            continue
        assert [x for x in figures_off(s, fit, compared) if x.times > FAR and not x.doubt] == [], seed


def test_a_vehicle_laid_beside_its_drawing_is_no_matter_of_tolerances() -> None:
    """Two tags swapped turn the whole vehicle in its frame: what no other finding touches is in doubt all the same."""
    s, fit, compared = run("swapped tags", 328)
    (found,) = [f for f in fit.findings if f.item == "drawing"]
    assert (found.code, found.serious, found.touches) == (Code.UNLIKE_DRAWING, True, (EVERYTHING,))
    off = figures_off(s, fit, compared)
    assert any(x.name == "offset_at_ground_right" and x.times > FAR for x in off) and all(x.doubt for x in off)


def test_one_position_is_refused_with_a_sentence() -> None:
    s = KINDS["one position"](320)
    with pytest.raises(UserError, match="at least 3 are needed"):
        estimate(s.design, s.obs)


def test_creep_is_named_by_position_and_size_and_blames_no_tag() -> None:
    s, fit, _ = run("creep within a position", 320)
    (where,) = {p for _, p in s.spread}
    (found,) = [f for f in fit.findings if f.code == Code.LEVER_CREPT]
    assert found.item == s.design.driver and found.positions == (where,) and found.touches == (EVERYTHING,)
    true = 2 * np.degrees(s.spread[s.design.driver, where])
    assert 0.5 * true < float(found.facts["deg"]) < 1.1 * true  # type: ignore[arg-type]
    blamed = [f for f in fit.findings if f.code in (Code.TAG_SLIPPED, Code.TAG_UNFIT, Code.PART_BENT)]
    assert not [f for f in blamed if set(f.positions) == {where}]


def test_a_lever_that_never_moved_is_named_and_nothing_is_judged() -> None:
    _, fit, compared = run("lever never moved", 322)
    (found,) = [f for f in fit.findings if f.code == Code.LEVER_STILL]
    assert float(found.facts["deg"]) < 0.3  # type: ignore[arg-type]
    assert found.facts["travel"] == pytest.approx(64.0)
    assert all(f.doubt for f in compared.figures) and judged_anyway(fit, compared) == []


def test_truth_by_other_kinematics_is_that_of_the_linkage() -> None:
    rig = moorhen()
    low, high = rig.driver_travel
    here = curve_figures(rig, Linkage(rig).sweep(np.linspace(low, high, 321)))
    true = true_travel_figures(rig)
    assert true["ratio"] == pytest.approx(here["ratio"], abs=1e-3)
    for name in ("toe", "lock", "lock_left", "lock_right", "symmetry"):
        assert true[name] == pytest.approx(np.degrees(here[name]), abs=0.01), name
