"""After an adjustment: what was not set as told, and how much of a missed prediction that explains."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.advice.proposal import radius, title
from calib.advice.worklist import rod_end
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.linkage.steering import curve_figures
from calib.report.confirm import Before, BeforeAfter
from calib.report.numbers import pm
from calib.report.sheet import listing, short
from calib.results import AsBuilt
from calib.rig.model import Point, Rig
from calib.rig.parameters import length_name
from calib.uncertainty import K95, own_half_widths

CLEARLY = 2.575829 / K95  # a thing is called not as told beyond its 99 % interval: there are many to look at


@dataclass(frozen=True)
class Setting:
    """One thing as it was told to be and as it is: ``as_told`` is the rig of now with that one thing put right."""

    item: str
    says: str
    kept: bool
    as_told: Rig


def explain(before: Before, after: AsBuilt, outcomes: Sequence[BeforeAfter]) -> list[str]:
    """Sentences on every setting that was told, on what else changed, and on what explains each miss."""
    if before.rig is None:
        return []
    settings = [*_rods(before, before.rig, after), *_holes(before, before.rig, after)]
    missed = [o for o in outcomes if o.as_predicted is False]
    wrong = [s for s in settings if not s.kept]
    now, out = _figures(after.rig), []
    for s in wrong:
        told = _figures(s.as_told)
        effects = [words for o in missed if (words := _effect(o, now, told))]
        out.append(s.says + (f" {listing(effects).capitalize()}." if effects else ""))
    alone = [o for o in missed if not any(_explained(o, now, _figures(s.as_told)) for s in wrong)]
    if alone and len(wrong) > 1:
        alone = [o for o in alone if not _explained(o, now, _figures(_all_told(after.rig, wrong)))]
    for o in alone:
        out.append(f"No rod or hole explains all of why {short(o.name)} is {_off(o)} off its prediction: look for "
                   "play, a bent rod or a pivot that moved, and shoot again.")
    return out + [s.says for s in settings if s.kept]


def _all_told(rig: Rig, wrong: Sequence[Setting]) -> Rig:
    """The rig of now with every wrong setting put right."""
    rods, points = dict(rig.rods), dict(rig.points)
    for s in wrong:
        if s.item in rods:
            rods[s.item] = s.as_told.rods[s.item]
        else:
            points[s.item] = s.as_told.points[s.item]
    return replace(rig, rods=rods, points=points)


def _rods(before: Before, was: Rig, after: AsBuilt) -> list[Setting]:
    """Rods that were told to change, and others that did."""
    told = {str(i["item"]): float(i["mm"]) for i in before.items if i["kind"] == "rod"}
    now_u95 = half_widths(after)
    out = []
    for name, rod in after.rig.rods.items():
        if name not in was.rods:
            continue
        mm, told_mm = rod.length - was.rods[name].length, told.get(name, 0.0)
        u = math.hypot(before.u95.get(length_name(name), 0.0), now_u95.get(length_name(name), 0.0))
        kept = abs(mm - told_mm) <= CLEARLY * u
        if kept and name not in told:
            continue
        by = "longer" if mm > 0 else "shorter"
        change = f"{pm(abs(mm), u, 'mm')} {by}"
        if kept:
            says = f"{title(name)}: set as told, {change} than before."
        elif name in told:
            wanted = f"{abs(told_mm):.4g} mm {'longer' if told_mm > 0 else 'shorter'}"
            over = pm(abs(mm - told_mm), u, "mm")
            says = (f"{title(name)}: was to be {wanted} and is {change} than before, {over} too "
                    f"{'long' if mm > told_mm else 'short'}.")
        else:
            says = f"{title(name)}: was to be left alone and is {change} than before."
        right = replace(after.rig, rods={**after.rig.rods, name: replace(rod, length=rod.length - mm + told_mm)})
        out.append(Setting(name, says, kept, right))
    return out


def _holes(before: Before, was: Rig, after: AsBuilt) -> list[Setting]:
    """Rod ends that were told to move, by the hole whose place before the adjustment is nearest the ball's now."""
    out = []
    for name, told in before.holes.items():
        p, old = after.rig.points.get(name), was.points.get(name)
        if p is None or old is None or told not in old.holes:
            continue
        at = p.use if p.use != told else nearest_hole(was, name, radius(after.rig, name, p.use))
        if at == told:
            out.append(Setting(name, f"{_rod_end(name)}: in hole {told}, as told.", True, after.rig))
            continue
        says = f"{_rod_end(name)}: was to go into hole {told}, and the ball sits where hole {at} is."
        right = replace(after.rig, points={**after.rig.points, name: _moved_to(was, after.rig, name, told, at)})
        out.append(Setting(name, says, False, right))
    return out


def _moved_to(was: Rig, now: Rig, point: str, told: str, at: str) -> Point:
    """The point of now with its ball moved as from hole ``at`` to hole ``told`` of the rig before."""
    p, old = now.points[point], was.points[point]
    step = np.subtract(old.holes[told], old.holes[at])
    x, y, z = np.add(p.xyz, step)
    return replace(p, holes={**p.holes, p.use: (float(x), float(y), float(z))})


def nearest_hole(rig: Rig, point: str, from_axis: float) -> str:
    """The hole of ``rig`` whose distance from its part's hinge axis is nearest ``from_axis``, mm."""
    return min(rig.points[point].holes, key=lambda h: abs(radius(rig, point, h) - from_axis))


def _rod_end(point: str) -> str:
    part, end = rod_end(point)
    return f"{part}, {end}"


def half_widths(built: AsBuilt) -> dict[str, float]:
    """95 % half-width of every measured parameter by name, mm or unit-vector part."""
    return dict(zip(built.names, own_half_widths(built.cov).tolist(), strict=True))


# --- effects --------------------------------------------------------------------------------------------------


def _figures(rig: Rig) -> Mapping[str, float]:
    """Figures of the travel and axes, rad, mm, plain; empty where the rig does not go together."""
    try:
        return curve_figures(rig, Linkage(rig).sweep(np.linspace(*rig.driver_travel, 61)))
    except (ValueError, CannotAssemble):
        return {}


def _shift(o: BeforeAfter, now: Mapping[str, float], told: Mapping[str, float]) -> float:
    """How far the wrong setting moved a figure, surface units."""
    d = now.get(o.name, math.nan) - told.get(o.name, math.nan)
    return math.degrees(d) if o.unit == "deg" else d


def _miss(o: BeforeAfter) -> tuple[float, float]:
    return o.after[0] - o.predicted[0], math.hypot(o.after[1], o.predicted[1])


def _explained(o: BeforeAfter, now: Mapping[str, float], told: Mapping[str, float]) -> bool:
    miss, u = _miss(o)
    shift = _shift(o, now, told)
    return math.isfinite(shift) and abs(miss - shift) <= u


def _off(o: BeforeAfter) -> str:
    miss, u = _miss(o)
    return pm(abs(miss), u, o.unit)


def _effect(o: BeforeAfter, now: Mapping[str, float], told: Mapping[str, float]) -> str:
    """What a wrong setting does to a missed figure; nothing where it does not matter there."""
    miss, u = _miss(o)
    shift = _shift(o, now, told)
    if not math.isfinite(shift) or abs(shift) < 0.25 * abs(miss):
        return ""
    said = pm(abs(shift), u, o.unit)
    if _explained(o, now, told):
        return f"that moves {short(o.name)} by {said} and explains why it is {_off(o)} off its prediction"
    if shift * miss > 0 and abs(shift) < abs(miss):
        return f"that moves {short(o.name)} by {said}, a part of the {_off(o)} it is off its prediction"
    return f"that moves {short(o.name)} by {said}"
