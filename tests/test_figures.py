"""The table of figures: one entry is all it takes, and no other place knows a figure by name."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import calib
from calib.advice.compare import compare
from calib.advice.sensitivity import sensitivity
from calib.linkage.designcheck import design_rows
from calib.report.sheet import make_sheet
from calib.rig import figures
from calib.rig.figures import FIGURES, FigureKind, kinds
from calib.rig.reader import parse_rig
from calib.rig.starter import starter_text
from calib.shootplan import plan_shoot
from capture.errors import UserError
from tests.steering_scene import SAMPLE, as_built, fit_of, wrong

LEVER = {"back3": -30.0, "back2": -20.0, "ahead": 0.0, "push1": 11.0, "push3": 29.0}
GAIN = FigureKind(
    "lock_gain", "lock over lever travel used, invented for this test", "lock gain", "deg", 2, "travel",
    "an invented figure: twice the left heading straight ahead", "lock",
    lambda f: 2 * f.travel.headings["left"])  # type: ignore[union-attr]


def test_a_name_that_is_not_in_the_table_is_refused() -> None:
    text = SAMPLE.read_text() + "\n[targets.lock_gain]\nvalue = 0\ntolerance = 4\n"
    with pytest.raises(UserError, match="unknown figure"):
        parse_rig(text)


def test_one_entry_is_all_it_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(figures.FIGURES, GAIN.name, GAIN)
    design = parse_rig(SAMPLE.read_text() + "\n[targets.lock_gain]\nvalue = 0\ntolerance = 4\n")
    built = wrong(design)
    # check
    rows = {name: (value, wanted) for name, value, wanted in design_rows(design)[0]}
    assert rows["lock gain"][0].endswith(" deg") and rows["lock gain"][1] == "wanted 0 +/- 4"
    # figures.csv and sheet
    comparison = compare(design, fit_of(as_built(built), LEVER), 31)
    table = comparison.figure_table().set_index("name")
    row = table.loc["lock_gain"]
    toe = table.loc["toe"]
    # straight ahead the headings are as far left as right, so twice the left one is the toe, toe-in positive
    assert row["measured"] == pytest.approx(-toe["measured"], rel=1e-6) and row["u95"] > 0
    assert row["verdict"] == "met" and row["label"] == GAIN.label
    sheet = make_sheet(comparison.figure_table())
    assert "lock gain" in {x.label for x in sheet.lines}
    # sensitivity, starter, plan
    assert "lock_gain" in set(sensitivity(design, 21)["figure"])
    assert GAIN.meaning in starter_text()
    plan = {f.name: f for f in plan_shoot(design, 2, megapixels=4.32).figures}
    assert 0 < plan["lock_gain"].u95 < 4


@pytest.mark.parametrize("kind", FIGURES.values(), ids=list(FIGURES))
def test_entries_are_whole(kind: FigureKind) -> None:
    assert kind.name == next(n for n, k in FIGURES.items() if k is kind)
    assert kind.label and kind.short and kind.meaning and kind.sketch
    assert kind.unit in ("deg", "mm", "") and 0 <= kind.digits <= 3
    assert kind.scale == (pytest.approx(57.29578) if kind.unit == "deg" else 1.0)


def test_no_other_module_lists_figures_by_name() -> None:
    """A tuple, list, set or dict of three or more figure names elsewhere is a second table, which could drift."""
    found = []
    for path in sorted(Path(calib.__file__).parent.rglob("*.py")):
        if path.name == "figures.py" and path.parent.name == "rig":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            items = node.keys if isinstance(node, ast.Dict) else getattr(node, "elts", [])
            names = [x.value for x in items if isinstance(x, ast.Constant) and x.value in FIGURES]
            if len(names) >= 3:
                found.append((path.name, names))
    assert not found


def test_every_figure_is_in_the_comparison_of_a_rig_that_leans_or_not() -> None:
    design = parse_rig(SAMPLE.read_text())
    got = compare(design, fit_of(as_built(wrong(design)), LEVER), 31).figure_table()
    assert isinstance(got, pd.DataFrame) and np.isfinite(got["measured"]).all()
    assert list(got["name"]) == [k.name for k in kinds() if k.part != "lean"]
