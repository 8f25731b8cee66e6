"""The verdict on toe with the rider's weight, in degrees either side of each limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.advice.rider import judged_with_rider
from calib.advice.verdict import Outcome
from calib.results import LoadedFigure
from calib.rig.figures import FIGURES
from calib.rig.model import Target
from tests.steering_scene import design

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
