"""After an adjustment: which setting was not made as told, and which of them explains a missed prediction."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from calib.linkage.mechanism import Linkage
from calib.linkage.steering import curve_figures
from calib.report.confirm import Before, BeforeAfter, after_changes
from calib.report.misses import explain, half_widths
from calib.rig.model import Rig
from tests.steering_scene import as_built, design, wrong
from tests.test_worklist import HOLE, LEFT_ROD, RIGHT_TIE, changed

TOLD = (HOLE, LEFT_ROD, RIGHT_TIE)


def before(shoot: tuple[str, ...] = ()) -> Before:
    """The rig before, and the proposal that was followed."""
    items: tuple[dict[str, Any], ...] = tuple(
        {"kind": c.kind, "item": c.item, "before": c.before, "after": c.after, "mm": c.mm, "turns": c.turns}
        for c in TOLD)
    built = as_built(wrong(design()))
    none = pd.DataFrame()
    return Before(Path("run"), none, none, None, {}, (), items, shoot, built.rig, half_widths(built))


def figures(rig: Rig) -> dict[str, float]:
    lo, hi = rig.bodies[rig.driver].travel or (-0.5, 0.5)
    return curve_figures(rig, Linkage(rig).sweep(np.linspace(lo, hi, 61)))


def outcomes(now: Rig, toe_off: float = 0.0) -> list[BeforeAfter]:
    """Toe and ratio as predicted from all settings made as told, and as they are; ``toe_off`` deg has another cause."""
    told, is_ = figures(changed(wrong(design()), *TOLD)), figures(now)
    toe = math.degrees(is_["toe"]) + toe_off
    return [BeforeAfter("toe", "toe", "deg", (0.0, 0.05), (math.degrees(told["toe"]), 0.05), (toe, 0.05), "met"),
            BeforeAfter("ratio", "ratio", "", (0.0, 0.01), (told["ratio"], 0.01), (is_["ratio"], 0.01), "met")]


def explained(now: Rig, toe_off: float = 0.0) -> list[str]:
    return explain(before(), as_built(now), outcomes(now, toe_off))


def longer(rig: Rig, rod: str, mm: float) -> Rig:
    return replace(rig, rods={**rig.rods, rod: replace(rig.rods[rod], length=rig.rods[rod].length + mm)})


@pytest.fixture
def told() -> Rig:
    """The rig with all done as told."""
    return changed(wrong(design()), *TOLD)


def test_settings_made_as_told_are_said_to_be(told: Rig) -> None:
    said = explained(told)
    assert said == ["Left rod: set as told, 1.00 \u00b1 0.28 mm longer than before.",
                    "Right tie: set as told, 2.50 \u00b1 0.28 mm longer than before.",
                    "Left lever, rod end: in hole B, as told."]


def test_a_turn_too_many_explains_the_toe(told: Rig) -> None:
    now = longer(told, "right_tie", 2.5)
    said = explained(now)
    off = math.degrees(figures(now)["toe"] - figures(told)["toe"])
    assert said[0].startswith("Right tie: was to be 2.5 mm longer and is 5.00 \u00b1 0.28 mm longer than before, "
                              "2.50 \u00b1 0.28 mm too long.")
    assert f"moves toe by {abs(off):.3f}" in said[0] and "explains why it is" in said[0]
    assert not any("No rod or hole" in x for x in said)


def test_a_rod_end_left_where_it_was_explains_the_ratio(told: Rig) -> None:
    """The file of the after shoot says B, as the work list did; the ball is measured where C was."""
    p = told.points["left_lever.rod"]
    now = replace(told, points={**told.points, p.name: replace(p, holes={**p.holes, "B": p.holes["C"]})})
    said = explained(now)
    assert said[0].startswith("Left lever, rod end: was to go into hole B, and the ball sits where hole C is.")
    assert "ratio by" in said[0] and "explains why it is" in said[0]
    named = replace(told, points={**told.points, p.name: replace(p, use="C")})  # where the estimate found it itself
    assert explained(named)[0] == said[0]


def test_a_rod_that_was_to_be_left_alone(told: Rig) -> None:
    said = explained(longer(told, "left_tie", -1.25))
    assert said[0].startswith("Left tie: was to be left alone and is 1.25 \u00b1 0.28 mm shorter than before.")
    assert "explains why it is" in said[0]
    assert not any(x.startswith("Left tie") for x in explained(longer(told, "left_tie", -0.2)))  # inside its doubt


def test_what_no_setting_explains_is_said_not_to_be(told: Rig) -> None:
    said = explained(told, toe_off=0.4)
    assert said[0].startswith("No rod or hole explains all of why toe is 0.400 \u00b1 0.071 deg off its prediction")
    both = explained(longer(told, "right_tie", 1.25), toe_off=1.0)
    assert "a part of the" in both[0] and both[1].startswith("No rod or hole explains all")


def test_two_wrong_settings_explain_a_miss_together(told: Rig) -> None:
    said = explained(longer(longer(told, "right_tie", 1.25), "left_tie", 1.25))
    assert [x.split(":")[0] for x in said[:2]] == ["Left tie", "Right tie"]
    assert not any("No rod or hole" in x for x in said)


def test_only_positions_asked_for_are_missed() -> None:
    rig = replace(design(), lean_positions=("lean1",))
    asked = before(("back3", "ahead", "push3", "spin1", "spin2"))
    now, _ = after_changes(rig, asked, {"push1"})
    assert now.positions == ("back3", "ahead", "push1", "push3")  # one more was shot, and counts
    assert now.spin_positions == ("spin1", "spin2") and now.lean_positions == ()
    every, _ = after_changes(rig, before(), {"push1"})  # a folder that does not say what was asked for
    assert every.positions == rig.positions and every.lean_positions == ("lean1",)
