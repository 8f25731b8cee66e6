"""Numbers in tables: no dust of rounding where a zero is meant, and nothing said of what is so by definition."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from calib.advice.travel import end_key, pair_key
from calib.report.folder import pivots_flat, without_dust
from calib.rig.writer import measured_comments
from tests.steering_scene import as_built, design


def test_dust_is_zero_and_small_numbers_stay() -> None:
    t = without_dust(pd.DataFrame({"a": [1.5e-20, -0.0, -2e-7, float("nan")], "name": ["x", "y", "z", "w"]}))
    assert t["a"].tolist()[:3] == [0.0, 0.0, -2e-7] and math.isnan(t["a"].tolist()[3])
    assert not any(str(x).startswith("-0") for x in t["a"][:2]) and t["name"].tolist() == ["x", "y", "z", "w"]


def test_a_pivot_says_nothing_along_its_own_hinge() -> None:
    def rows(axis: tuple[float, float, float]) -> pd.Series:
        flat = pivots_flat(pd.DataFrame([
            {"what": "crank pivot", "item": "crank", "design": (20, 0, 200), "measured": (21, 1, 200),
             "difference": (1, 1, 0), "u95": (0.3, 0.2, 0.002), "unit": "mm"},
            {"what": "crank axis direction", "item": "crank", "design": (0, 0, 1), "measured": axis,
             "difference": (0.1,), "u95": (0.07,), "unit": "deg"}]))
        return flat.iloc[0]

    upright, slanted = rows((0.01, 0.02, 0.9997)), rows((0.6, 0.0, 0.8))
    assert upright["u95_x"] == 0.3 and upright["u95_y"] == 0.2 and pd.isna(upright["u95_z"])
    assert pd.isna(upright["difference_z"]) and upright["measured_z"] == 200
    assert slanted["u95_z"] == 0.002  # a slanted hinge has part in every coordinate


def test_the_drawing_as_built_says_nothing_there_either() -> None:
    said = measured_comments(as_built(replace(design())))
    assert said["bodies.crank.pivot"].startswith("+/- 0.20, 0.20, - mm")
    assert said["bodies.left_lever.pivot"].startswith("+/- 0.20, - , 0.20 mm".replace(" ,", ","))
    assert said["bodies.crank.axis"].split(";")[0].endswith(", - deg")
    assert said['points.left_lever.rod.holes.A'].count("0.20") == 3


def test_headings_are_words_with_lines_between() -> None:
    names = end_key("transmission", ("left_rod", "left_lever.rod")), pair_key(("left_rod", "left wheel"))
    assert names == ("transmission_left_rod_at_left_lever_rod_deg", "clearance_left_rod_to_left_wheel_mm")
