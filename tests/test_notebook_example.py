"""The notebook example, run cell by cell as a notebook would, and what its cells show."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[1]


def cells() -> list[str]:
    text = (ROOT / "tests" / "notebook_example.py").read_text(encoding="utf-8")
    return [body for head, _, body in (part.partition("\n") for part in text.split("# %%")) if "markdown" not in head]


def run(cell: str, names: dict[str, Any]) -> Any:
    """Run a cell; what its last line is worth, as a notebook shows it."""
    tree = ast.parse(cell)
    if not tree.body or not isinstance(tree.body[-1], ast.Expr):
        exec(compile(tree, "cell", "exec"), names)
        return None
    last = ast.Expression(tree.body.pop().value)  # type: ignore[attr-defined]
    exec(compile(tree, "cell", "exec"), names)
    return eval(compile(last, "cell", "eval"), names)


@pytest.fixture(scope="module")
def notebook() -> tuple[dict[str, Any], list[Any]]:
    names: dict[str, Any] = {}
    shown = []
    with pytest.MonkeyPatch.context() as m:
        m.chdir(ROOT)
        m.setenv("MPLBACKEND", "Agg")
        matplotlib.use("Agg")
        for cell in cells():
            shown.append(run(cell, names))
    return names, shown


def test_it_runs_and_its_cells_show_something_short(notebook: tuple[dict[str, Any], list[Any]]) -> None:
    _, shown = notebook
    assert len(shown) >= 10
    for value in shown:
        assert len(repr(value)) < 4000, type(value)


def test_results_report_themselves(notebook: tuple[dict[str, Any], list[Any]]) -> None:
    names, _ = notebook
    comparison, proposals = names["comparison"], names["proposals"]
    toe = comparison.figure("toe")
    assert f"{len(comparison.points)} positions" in repr(comparison) and len(repr(comparison)) < 250
    (said,) = [line for line in comparison.summary().splitlines() if line.startswith("toe,")]
    assert f"{toe.measured:.3f} +/- {toe.u95:.3f} deg, drawn {toe.design:.3f}" in said
    assert said.endswith(toe.verdict.outcome.value)
    assert f"<td>{toe.measured:.3f}</td>" in comparison._repr_html_()
    for proposal in proposals.all:
        assert len(repr(proposal)) < 400 and all(c.item in repr(proposal) for c in proposal.changes)
    assert repr(proposals.best) in repr(proposals)
    lines = proposals.summary().splitlines()
    assert lines[:len(proposals.best.lines)] == list(proposals.best.lines)
    assert all(w.text in lines for w in proposals.withheld)
    assert "inspect" in lines[-1], "advice on a steering never goes without its caution"


def test_the_pivot_table_is_rounded_to_what_is_shown(notebook: tuple[dict[str, Any], list[Any]]) -> None:
    fit, rig = notebook[0]["fit"], notebook[0]["rig"]
    for _, row in fit.pivot_table.iterrows():
        body, _, what = str(row["what"]).partition(" ")
        digits = 4 if what == "axis direction" else 3
        for column in ("design", "measured"):
            assert all(round(float(v), digits) == pytest.approx(float(v), abs=1e-12) for v in row[column]), row["what"]
        if what == "axis direction":
            a, m = np.asarray(rig.bodies[body].axis), np.asarray(fit.as_built.rig.bodies[body].axis)
            np.testing.assert_allclose(row["measured"], m, atol=5.1e-5)
            assert row["difference"][0] == pytest.approx(np.degrees(np.arccos(min(a @ m, 1.0))), abs=2e-3)
        elif what == "pivot":
            np.testing.assert_allclose(row["difference"], np.subtract(row["measured"], row["design"]), atol=1.1e-3)


def test_its_numbers_hang_together(notebook: tuple[dict[str, Any], list[Any]]) -> None:
    names, _ = notebook
    toe = names["comparison"].figure("toe")
    assert 0.3 < names["toe_known"] / toe.u95 < 3.0, "the plan's promise against the estimate"
    moved = float(np.degrees(names["after"]["toe"] - names["before"]["toe"]))
    assert abs(moved) > 0.1
    assert names["slope"] * names["turn"] == pytest.approx(moved, rel=0.05), "slope of the drawing against a new sweep"
    best, leave = names["proposals"].best, names["proposals"].leave
    assert best.chance_all >= leave.chance_all
