"""The verdict on toe with the rider's weight, in degrees either side of each limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from calib.advice.adjust import propose
from calib.advice.rider import judged_with_rider, unloaded
from calib.advice.verdict import Outcome, judge
from calib.results import LoadedFigure
from calib.rig.figures import FIGURES
from calib.rig.model import Target
from tests.steering_scene import as_built, design, wrong

TOE = Target("toe", 0.0, float(np.radians(0.5)))


@pytest.mark.parametrize(("toe", "allowed", "want"), [
    (0.19, 0.3, Outcome.MET), (0.21, 0.3, Outcome.CANNOT_TELL), (-0.19, 0.3, Outcome.MET),
    (-0.21, 0.3, Outcome.CANNOT_TELL), (0.79, 0.3, Outcome.CANNOT_TELL), (0.81, 0.3, Outcome.NOT_MET),
    (-0.81, 0.3, Outcome.NOT_MET), (0.47, 0.0, Outcome.MET), (0.49, 0.0, Outcome.CANNOT_TELL),
    (0.55, 0.0, Outcome.NOT_MET)])
def test_unloaded_toe_allows_for_the_weight(toe: float, allowed: float, want: Outcome) -> None:
    rig = replace(design(), load_allowance=float(np.radians(allowed)))
    v = judged_with_rider(FIGURES["toe"], float(np.radians(toe)), float(np.radians(0.02)), TOE, rig)
    assert v.outcome is want, v.text
    assert ("allowed for the rider" in v.text) == (allowed > 0)
    told = unloaded(replace(rig, targets={"toe": TOE})).targets["toe"]  # as proposals judge it
    assert judge(FIGURES["toe"], float(np.radians(toe)), float(np.radians(0.02)), told).outcome is want


@pytest.mark.parametrize(("loaded", "u95", "want"), [
    (0.44, 0.05, Outcome.MET), (0.46, 0.05, Outcome.CANNOT_TELL), (-0.44, 0.05, Outcome.MET),
    (0.56, 0.05, Outcome.NOT_MET), (-0.54, 0.05, Outcome.CANNOT_TELL)])
def test_photographed_aboard_the_loaded_toe_is_judged(loaded: float, u95: float, want: Outcome) -> None:
    seen = (LoadedFigure("toe", 0.0, loaded, u95, loaded, 0.02),)
    v = judged_with_rider(FIGURES["toe"], 0.0, 0.001, TOE, design(), seen)
    assert v.outcome is want and f"{loaded:.2f} +/- {u95:.2f} deg" in v.text and "aboard" in v.text


def test_other_figures_are_judged_as_measured() -> None:
    target = Target("lock", float(np.radians(24.0)), float(np.radians(2.0)))
    v = judged_with_rider(FIGURES["lock"], float(np.radians(25.9)), float(np.radians(0.05)), target, design())
    assert v.outcome is Outcome.MET and "rider" not in v.text


# --- and what is advised ----------------------------------------------------------------------------------------


def test_toe_is_set_for_the_rider_aboard() -> None:
    built = as_built(wrong(design()))
    aboard = LoadedFigure("toe", 0.0, -0.7, 0.03, -0.7, 0.03)
    bare, ridden = propose(design(), built), propose(design(), built, loaded=(aboard,))
    toe = [next(f for f in p.best.figures if f.name == "toe") for p in (bare, ridden)]
    assert toe[1].target == pytest.approx(toe[0].target + 0.7)  # what the figure without the rider must be
    assert toe[1].value == pytest.approx(0.7, abs=0.4) and toe[1].value > toe[0].value + 0.3  # in half turns
    assert ridden.best.chance_all > 0.9 and any("-0.70 +/- 0.03 deg" in n for n in ridden.notes)
    assert not any("rider" in n.lower() for n in bare.notes)


def test_chances_allow_for_a_rider_who_was_not_photographed() -> None:
    built = as_built(wrong(design()))
    rig = replace(design(), load_allowance=float(np.radians(0.5)))
    best = propose(rig, built).best
    toe = next(f for f in best.figures if f.name == "toe")
    sd = np.hypot(toe.u95, 0.5) / 1.959964
    low, high = ((toe.target + s * toe.tolerance - toe.value) / sd for s in (-1, 1))
    assert toe.chance == pytest.approx(norm.cdf(high) - norm.cdf(low), abs=0.03)
    assert best.chance_all <= toe.chance < next(f.chance for f in propose(design(), built).best.figures
                                                if f.name == "toe") - 0.02


def test_aboard_is_asked_for_where_only_the_weight_is_in_doubt() -> None:
    built = as_built(wrong(design()))
    rig = replace(design(), load_allowance=float(np.radians(0.8)))
    got = propose(rig, built)
    assert any("photograph" in t and "aboard" in t for t in got.photos) and not propose(design(), built).photos
