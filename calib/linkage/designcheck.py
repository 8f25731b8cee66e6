"""What the design itself gives, before anything is measured: figures and limits as rows to print."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from calib.linkage.lean import lean_limits
from calib.linkage.limits import Limit, check_limits
from calib.linkage.mechanism import CannotAssemble, Linkage, Sweep
from calib.linkage.steering import curve_figures, lean_joint, steer_angles, wheel_headings
from calib.remarks import Code, Remark
from calib.rig.figures import FIGURES, FigureKind
from calib.rig.model import Rig, Target
from capture.errors import UserError

STILL_DEG = 0.5  # a wheel that turns less over the whole travel stands still
FURTHER_DEG = 0.7  # an outer wheel that turns so much further than the inner one, both ways, is against Ackermann
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
    return figure_rows(rig, curve_figures(rig, sweep)), worst_limits(all_limits(rig, sweep))


def figure_rows(rig: Rig, figures: Mapping[str, float]) -> list[tuple[str, str, str]]:
    """Figures (rad, mm, plain) as (name, value, wanted) to print; those of one side where they are judged."""
    rows = []
    for name, kind in FIGURES.items():
        value = figures.get(name, math.nan)
        t = rig.targets.get(name)
        if not math.isfinite(value) or kind.of_one_side and t is None:
            continue
        wanted = "" if t is None else f"wanted {_wanted(kind, t)}"
        rows.append((name.replace("_", " "), _shown(kind, value), wanted))
    return rows


def _shown(kind: FigureKind, value: float) -> str:
    shown = round(value * kind.scale, kind.digits) + 0.0  # no minus before a zero
    return f"{shown:.{kind.digits}f} {kind.unit}".rstrip()


def _wanted(kind: FigureKind, t: Target) -> str:
    return f"{t.value * kind.scale:g} +/- {t.tolerance * kind.scale:.3g}"


def target_remarks(rig: Rig, figures: Mapping[str, float]) -> list[Remark]:
    """Targets that the drawing itself does not meet, and a magnitude that is wanted below zero."""
    out = []
    for name, t in rig.targets.items():
        kind, value = FIGURES[name], figures.get(name, math.nan)
        if kind.rule == "at most":
            if t.value < 0:
                out.append(Remark(Code.TARGET_NEGATIVE, name, {"value": t.value * kind.scale}))
            missed = abs(value) > abs(t.value) + t.tolerance
        else:
            missed = abs(value - t.value) > t.tolerance
        if missed:  # never where the figure is not known
            out.append(Remark(Code.MISSES_TARGET, name.replace("_", " "),
                              {"value": _shown(kind, value), "wanted": _wanted(kind, t), "measured": rig.as_built}))
    return out


def motion_remarks(rig: Rig, sweep: Sweep) -> list[Remark]:
    """Front wheels that stand still while the driver moves, or turn against each other."""
    turned = {}
    for side, h in wheel_headings(rig, sweep).items():
        reached = h[sweep.reached]
        turned[side] = float(np.degrees(reached[-1] - reached[0]))
    out = [Remark(Code.WHEEL_STILL, side, {"deg": abs(deg), "driver": rig.driver}) for side, deg in turned.items()
           if abs(deg) < STILL_DEG]
    if not out and len(turned) == 2 and turned["left"] * turned["right"] < 0:
        out.append(Remark(Code.WHEELS_APART, rig.driver, turned))
    if not out and sweep.reached.all():
        further = _outer_further(rig, sweep)
        if further > FURTHER_DEG:
            uprights = {w.upright for w in rig.wheels.values()}
            balls = tuple(p.name for p in rig.points.values() if p.body in uprights)
            out.append(Remark(Code.OUTER_FURTHER, rig.driver, {"deg": further, "points": balls}))
    return out


def _outer_further(rig: Rig, sweep: Sweep) -> float:
    """How much further the outer wheel turns than the inner one, deg, at the stop where it is least."""
    steer = steer_angles(rig, sweep)
    if set(steer) != {"left", "right"}:
        return math.nan
    ends = [(float(steer["left"][k]), float(steer["right"][k])) for k in (0, -1)]
    return math.degrees(min(abs(r) - abs(a) if a + r >= 0 else abs(a) - abs(r) for a, r in ends))


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
