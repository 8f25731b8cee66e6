"""What the design itself gives, before anything is measured: figures and limits as rows to print."""

from __future__ import annotations

import math

import numpy as np

from calib.linkage.lean import lean_limits
from calib.linkage.limits import Limit, check_limits
from calib.linkage.mechanism import CannotAssemble, Linkage, Sweep
from calib.linkage.steering import curve_figures, lean_joint
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from capture.errors import UserError

LIMIT_ORDER = ("reach", "toggle", "transmission", "misalignment", "clearance", "travel", "rod_length")


def design_sweep(rig: Rig, steps: int = 65) -> Sweep:
    """The design over its driver's travel.

    Raises UserError where the rods cannot hold or reach the parts even straight ahead.
    """
    lo, hi = rig.driver_travel
    try:
        sweep = Linkage(rig).sweep(np.linspace(lo, hi, steps))
    except (ValueError, CannotAssemble) as e:
        raise UserError(f"The rig cannot be put together: {e}; check places and rods in the rig file.",
                        "cannot_assemble", rig.name) from e
    if not sweep.reached.any():
        raise UserError(f"The rig does not go together straight ahead: {sweep.why}; check places and rod "
                        "lengths in the rig file.", "cannot_assemble", rig.name)
    return sweep


def design_rows(rig: Rig) -> tuple[list[tuple[str, str, str]], list[tuple[bool, str]]]:
    """Figures as (name, value, wanted) and limits as (ok, sentence), worst limit of each kind first."""
    sweep = design_sweep(rig)
    figures = curve_figures(rig, sweep)
    rows = []
    for name, kind in FIGURES.items():
        value = figures.get(name, math.nan)
        t = rig.targets.get(name)
        if not math.isfinite(value) or kind.of_one_side and t is None:
            continue
        wanted = ""
        if t is not None:
            wanted = f"wanted {t.value * kind.scale:g} +/- {t.tolerance * kind.scale:.3g}"
        shown = round(value * kind.scale, kind.digits) + 0.0  # no minus before a zero
        rows.append((name.replace("_", " "), f"{shown:.{kind.digits}f} {kind.unit}".rstrip(), wanted))
    return rows, worst_limits(all_limits(rig, sweep))


def all_limits(rig: Rig, sweep: Sweep) -> list[Limit]:
    """check_limits over the sweep, and over the lean range as well where the rig leans."""
    limits = check_limits(rig, sweep)
    if lean_joint(rig) is None:
        return limits
    return lean_limits(rig, sweep.driver_angles[::4]) + [x for x in limits if x.name == "rod_length"]


def worst_limits(limits: list[Limit]) -> list[tuple[bool, str]]:
    """Every limit that is broken, and of each kind that holds the tightest one, as (ok, sentence)."""
    out = []
    for kind in LIMIT_ORDER:
        some = [x for x in limits if x.name == kind]
        bad = [x for x in some if not x.ok]
        out += [(False, x.text) for x in bad]
        if some and not bad and kind not in ("rod_length", "travel"):
            tight = min(some, key=lambda x: abs(x.value - x.allowed))
            out.append((True, tight.text))
    return out
