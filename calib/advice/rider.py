"""The rider's weight in a verdict: figures are measured unloaded unless the rider was photographed aboard.

A frame bends under its rider, and toe changes most by it: half a degree a side of bending about the vehicle's long
axis gives some tenths of a degree of toe. Where "loaded" was photographed, the loaded value is judged; where not,
the verdict on toe allows for ``load_allowance`` (common practice, no source; settable in the rig file).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from calib.advice.verdict import Verdict, judge
from calib.results import LoadedFigure
from calib.rig.figures import FigureKind
from calib.rig.model import Rig, Target

BENDS = ("toe",)  # figures that the weight moves by amounts that matter to their tolerances


def judged_with_rider(kind: FigureKind, value: float, u95: float, target: Target, design: Rig,
                      loaded: Sequence[LoadedFigure] = ()) -> Verdict:
    """Verdict on a figure ``value`` +/- ``u95`` (unloaded; rad, mm or plain), with what the rider does to it."""
    aboard = next((f for f in loaded if f.name.replace(" ", "_") == kind.name), None)
    if aboard is not None:
        return judge(kind, math.radians(aboard.loaded), math.radians(aboard.loaded_u95), target,
                     "As photographed with the rider aboard.")
    if kind.name in BENDS and design.load_allowance > 0:
        allowed = math.degrees(design.load_allowance)
        return judge(kind, value, math.hypot(u95, design.load_allowance), target,
                     f"Measured unloaded; {allowed:.2f} deg is allowed for the rider's weight.")
    return judge(kind, value, u95, target)
