"""The what-if table of the report, against solvers that share nothing with the one that made it."""

from __future__ import annotations

import base64
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from calib.advice.adjust import AdjustOptions, propose, task_of
from calib.advice.chances import figures_of
from calib.advice.compare import compare
from calib.advice.propagation import slopes
from calib.advice.proposal import Proposals
from calib.advice.search import Variant
from calib.advice.whatif import MOST, WhatIf, what_if
from calib.linkage.mechanism import CannotAssemble
from calib.report.page import report_html
from calib.report.whatif_view import UNKNOWN, chosen, packed, whatif_data
from calib.results import AsBuilt, Code, Finding
from calib.rig.model import Rig
from calib.run import gather
from tests.moorhen import moorhen
from tests.render import truth
from tests.test_report import made_up_fit, observations

CASES = np.random.default_rng(12)


@pytest.fixture(scope="module")
def built() -> AsBuilt:
    return made_up_fit(moorhen()).as_built


@pytest.fixture(scope="module")
def proposals(built: AsBuilt) -> Proposals:
    return propose(moorhen(), built)


@pytest.fixture(scope="module")
def table(built: AsBuilt) -> WhatIf:
    made = what_if(moorhen(), built)
    assert made is not None
    return made


def setting(rig: Rig, t: WhatIf, k: int, steps: tuple[int, ...]) -> Rig:
    """The rig with a setting of the table carried out by hand."""
    points = {n: replace(p, use=t.holes[k].get(n, p.use)) for n, p in rig.points.items()}
    rods = dict(rig.rods)
    for r, i in zip(t.rods, steps, strict=True):
        rods[r.name] = replace(rods[r.name], length=rods[r.name].length + float(r.amounts[i]))
    return replace(rig, points=points, rods=rods)


def test_every_hole_and_whole_step_is_there_and_the_present_one_first(built: AsBuilt, table: WhatIf) -> None:
    rig = built.rig
    assert table.combined and len(table.holes) == 15  # five holes in the lever, three in the crank
    assert table.holes[0] == {n: rig.points[n].use for n in table.holes[0]} == {"left_lever.rod": "C",
                                                                               "crank.left_in": "2"}
    assert [r.name for r in table.rods] == ["left_rod", "left_tie", "right_tie"]
    assert table.rods_of == {"left": ("left_rod", "left_tie"), "right": ("left_rod", "right_tie")}
    for r in table.rods:
        assert 0.0 in r.amounts and len(r.amounts) >= 5
        np.testing.assert_allclose(r.amounts / rig.rods[r.name].step, np.round(r.amounts / rig.rods[r.name].step))
    assert set(table.left_out) == {"right_lever.rod", "crank.right_in", "right_rod"}
    assert int(np.prod(table.values.shape[:-1])) <= MOST


def test_entries_are_what_an_independent_solver_gives(built: AsBuilt, table: WhatIf) -> None:
    # reference: tests.render.truth, which closes the rods by a general root finder from its own formulas
    seen = 0
    while seen < 4:
        k = int(CASES.integers(len(table.holes)))
        steps = tuple(int(CASES.integers(len(r.amounts))) for r in table.rods)
        at = {s: (k, *(steps[[r.name for r in table.rods].index(n)] for n in table.rods_of[s])) for s in table.rods_of}
        j = int(CASES.integers(2, len(table.driver) - 2))
        want = {s: float(table.headings[s][at[s]][j]) for s in at}
        if not np.isfinite(list(want.values())).all():
            continue
        seen += 1
        rig = setting(built.rig, table, k, steps)
        angles = truth.solve(rig, float(table.driver[j]))
        for side, x in want.items():
            assert truth._heading(rig, side, angles) == pytest.approx(x, abs=1e-7), (k, steps, side)
        # toe where the mean heading is zero
        name = [t.name for t in table.targets].index("toe")

        def mean(driver: float, rig: Rig = rig) -> float:
            now = truth.solve(rig, driver)
            return truth._heading(rig, "left", now) + truth._heading(rig, "right", now)

        straight = truth.solve(rig, float(brentq(mean, *np.deg2rad([-20.0, 20.0]), xtol=1e-9)))
        toe = float(table.values[(k, *steps, name)])
        assert truth.toe_in(rig, straight) == pytest.approx(toe, abs=np.deg2rad(2e-3))


def test_half_widths_are_those_of_all_slopes_anew(built: AsBuilt, table: WhatIf) -> None:
    # reference: central differences against every measured parameter, at the setting itself
    task = task_of(moorhen(), built, AdjustOptions())
    model, objective = task.finer()
    for k, steps in ((0, (0, 6, 2)), (5, (5, 1, 4)), (9, (2, 3, 0))):
        holes = {n: h for n, h in table.holes[k].items() if built.rig.points[n].use != h}
        moves = {r.name: float(r.amounts[i]) for r, i in zip(table.rods, steps, strict=True)}
        want = slopes(model, task.as_built, Variant(holes, moves), lambda c: figures_of(objective, c)).u95
        assert np.isfinite(want).all()
        np.testing.assert_allclose(table.u95[(k, *steps)], want, rtol=0.15)
    # where the photos leave the stops open the half-width of the lock differs twofold from one setting to another
    lock = table.u95[..., [t.name for t in table.targets].index("lock")]
    assert np.nanmax(lock) > 1.2 * np.nanmin(lock)


def test_the_proposals_setting_gives_the_proposals_figures(built: AsBuilt, table: WhatIf, proposals: Proposals) -> None:
    best = proposals.best
    data = packed(table, moorhen(), built.rig)
    where = chosen(data, {c.item: c.after for c in best.changes if c.kind == "hole"},
                   {c.item: c.amount for c in best.changes if c.kind == "rod"})
    assert where is not None and best.changes
    now = chosen(data, {}, {})
    assert now == {"set": 0, "steps": [r["now"] for r in data["rods"]]} and where != now
    shape = [len(r["amounts"]) for r in data["rods"]]
    row = where["set"]
    for size, step in zip(shape, where["steps"], strict=True):
        row = row * size + step
    for f, p in zip(data["figures"], best.figures, strict=True):
        whole = np.frombuffer(base64.b64decode(f["table"]), "<i2")
        assert len(whole) == len(table.holes) * int(np.prod(shape))
        assert whole[row] * f["scale"] == pytest.approx(p.value, abs=0.51 * f["scale"])
    assert chosen(data, {"left_lever.rod": "B"}, {"left_tie": 0.3}) is None  # no whole step
    assert chosen(data, {}, {"right_rod": 1.0}) is None


def test_out_of_reach_is_said_so_and_never_a_number(built: AsBuilt) -> None:
    rod = built.rig.rods["left_tie"]
    reach = replace(built, rig=replace(built.rig, rods={**built.rig.rods, "left_tie": replace(
        rod, shortest=rod.length - 200, longest=rod.length + 200, step=60.0)}))
    made = what_if(moorhen(), reach)
    assert made is not None
    lost = ~np.isfinite(made.headings["left"])
    assert lost.any() and not lost.all()
    whole = np.frombuffer(base64.b64decode(packed(made, moorhen(), reach.rig)["sides"]["left"]["table"]), "<i2")
    np.testing.assert_array_equal(whole == UNKNOWN, lost.ravel())
    rig = setting(reach.rig, made, 0, (int(np.argmin(np.abs(made.rods[0].amounts))), 0,
                                       int(np.argmin(np.abs(made.rods[2].amounts)))))
    k = [list(x) for x in np.argwhere(lost[0, int(np.argmin(np.abs(made.rods[0].amounts))), 0])]
    if k:
        with pytest.raises((CannotAssemble, ValueError, AssertionError)):
            truth.solve(rig, float(made.driver[k[0][0]]))


def test_page_offers_it_only_where_advice_may_be_given(tmp_path: Path, proposals: Proposals) -> None:
    design = moorhen()
    fit = made_up_fit(design)
    data = whatif_data(tmp_path, design, fit.as_built, fit.loaded)
    sound = gather(design, observations(fit), fit, compare(design, fit), proposals)
    page = report_html(sound, tmp_path, [], None, data)
    assert 'id="whatif-data"' in page and "one change at a time" in page and len(str(data)) < 400_000
    doubtful = replace(fit, findings=(Finding(Code.TAG_SIZE, "crank_left_in", facts={"mm": 40.0, "drawn_mm": 44.0}),))
    results = gather(design, observations(doubtful), doubtful, compare(design, doubtful), sound.proposals)
    assert 'id="whatif-data"' not in report_html(results, tmp_path, [], None, data)
