"""The rider's weight in a verdict: figures are measured unloaded unless the rider was photographed aboard.

A frame bends under its rider, and toe changes most by it: half a degree a side of bending about the vehicle's long
axis gives some tenths of a degree of toe. Where "loaded" was photographed, the loaded value is judged; where not,
the verdict on toe allows for ``load_allowance`` (common practice, no source; settable in the rig file).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from calib.advice.verdict import Verdict, judge
from calib.results import LoadedFigure
from calib.rig.figures import FIGURES, FigureKind
from calib.rig.model import Rig, Target

BENDS = ("toe",)  # figures that the weight moves by amounts that matter to their tolerances


@dataclass(frozen=True)
class Weight:
    """What the rider adds to a figure measured unloaded: ``change`` and its 95 % half-width (rad), and how known."""

    change: float = 0.0
    u95: float = 0.0
    note: str = ""


def weight_on(name: str, design: Rig, loaded: Sequence[LoadedFigure] = ()) -> Weight:
    """What the rider does to the figure ``name``: as photographed aboard, else what the rig file allows for."""
    aboard = _aboard(name, loaded)
    if aboard is not None:
        return Weight(math.radians(aboard.change), math.radians(aboard.change_u95),
                      "As photographed with the rider aboard.")
    if name in BENDS and design.load_allowance > 0:
        allowed = math.degrees(design.load_allowance)
        return Weight(0.0, design.load_allowance,
                      f"Measured unloaded; {allowed:.2f} deg is allowed for the rider's weight.")
    return Weight()


def judged_with_rider(kind: FigureKind, value: float, u95: float, target: Target, design: Rig,
                      loaded: Sequence[LoadedFigure] = ()) -> Verdict:
    """Verdict on a figure ``value`` +/- ``u95`` (unloaded; rad, mm or plain), with what the rider does to it."""
    aboard = _aboard(kind.name, loaded)
    w = weight_on(kind.name, design, loaded)
    if aboard is not None:
        return judge(kind, math.radians(aboard.loaded), math.radians(aboard.loaded_u95), target, w.note)
    return judge(kind, value, math.hypot(u95, w.u95), target, w.note)


def _aboard(name: str, loaded: Sequence[LoadedFigure]) -> LoadedFigure | None:
    return next((f for f in loaded if f.name.replace(" ", "_") == name), None)


def unloaded(design: Rig, loaded: Sequence[LoadedFigure] = ()) -> Rig:
    """The design with its targets as the figures measured and set unloaded must meet them.

    What the rider's weight adds is taken off each target's value; how well it is known stands in ``doubt``.
    """
    weights = {n: weight_on(n, design, loaded) for n in design.targets}
    return replace(design, targets={n: replace(t, value=t.value - weights[n].change, doubt=weights[n].u95)
                                    for n, t in design.targets.items()})


def weight_notes(design: Rig, loaded: Sequence[LoadedFigure], names: Sequence[str]) -> list[str]:
    """What is said of the rider's weight beside proposals that steer by the figures ``names``."""
    out = []
    for n in names:
        w, label = weight_on(n, design, loaded), FIGURES[n].label
        if w.change:
            out.append(f"The rider moves {label} by {math.degrees(w.change):+.2f} +/- {math.degrees(w.u95):.2f} deg: "
                       "the steps set it so that it is right with the rider aboard, and the figures after them are "
                       "those without.")
        elif w.u95:
            out.append(f"The rider was not photographed aboard: the chances allow {math.degrees(w.u95):.2f} deg for "
                       f"what the weight does to {label}.")
    return out
