"""What `check` says of a design: figures as drawn, the tightest limit of each kind, rigs that do not go together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.linkage.designcheck import all_limits, design_rows, design_sweep, worst_limits
from calib.linkage.limits import check_limits
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import curve_figures
from capture.errors import UserError
from tests.moorhen import moorhen
from tests.render.leaning import leaning


def test_figures_are_those_of_the_sweep_in_surface_units() -> None:
    rig = moorhen()
    rows, limits = design_rows(rig)
    found = {name: (value, wanted) for name, value, wanted in rows}
    f = curve_figures(rig, Linkage(rig).sweep(np.linspace(*rig.bodies[rig.driver].travel, 65)))
    assert found["lock left"][0] == f"{np.degrees(f['lock_left']):.2f} deg"
    assert float(found["ratio"][0]) == pytest.approx(f["ratio"], abs=5e-4)
    t = rig.targets["ratio"]
    assert found["ratio"][1] == f"wanted {t.value:g} +/- {t.tolerance:.3g}"
    assert found["toe"][1].startswith("wanted 0 +/- ") and found["toe"][0].startswith("0.00")
    assert limits and all(ok for ok, _ in limits)


def test_every_broken_limit_is_said_and_the_tightest_of_those_that_hold() -> None:
    rig = moorhen()
    sweep = design_sweep(rig)
    some = [x for x in check_limits(rig, sweep) if x.name == "transmission"]
    tight = min(some, key=lambda x: x.value)
    assert (True, tight.text) in worst_limits(some) and len(worst_limits(some)) == 1
    middle = float(np.median([x.value for x in some]))
    broken = worst_limits([x for x in check_limits(replace(rig, min_transmission=middle), sweep)
                           if x.name == "transmission"])
    assert len(broken) == sum(x.value < middle for x in some) > 1 and not any(ok for ok, _ in broken)


def test_a_leaning_rig_is_checked_leaned_over() -> None:
    rig = leaning()
    found = all_limits(rig, design_sweep(rig))
    assert any("with axle at" in x.text for x in found) and any(x.name == "rod_length" for x in found)


def test_a_design_that_does_not_go_together_is_refused_in_words() -> None:
    rig = moorhen()
    with pytest.raises(UserError, match="cannot be put together"):
        design_sweep(replace(rig, rods={n: r for n, r in rig.rods.items() if n != "left_rod"}))
    tie = rig.rods["left_tie"]
    long = replace(rig, rods={**rig.rods, "left_tie": replace(tie, length=tie.length + 500)})
    with pytest.raises(UserError, match="does not go together straight ahead.*too long"):
        design_sweep(long)
