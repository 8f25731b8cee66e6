"""What every figure would be were all bolt-tag offsets wrong by the same millimetre."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from calib.advice.search import Model, Variant, driver_grid, need_both_wheels
from calib.linkage.steering import axis_figures
from calib.results import AsBuilt, OffsetDoubt
from calib.rig.figures import FIGURES, kinds
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, with_parameters

STEP = 0.1  # mm, of the central difference


def offset_table(built: AsBuilt, doubt: OffsetDoubt, labels: Mapping[str, str] | None = None) -> pd.DataFrame:
    """Change of every figure with 1 mm added to every bolt tag's offset: figure, label, per_mm, unit (surface units).

    The whole estimate moves with the offsets to first order (``doubt.change``), not the balls alone. ValueError or
    CannotAssemble where the rig as built does not steer.
    """
    need_both_wheels(built.rig)
    x = get_parameters(built.rig, built.names)
    low, high = (_figures(with_parameters(built.rig, built.names, x + by * STEP * doubt.change)) for by in (-1, 1))
    rows = [{"figure": name, "label": (labels or {}).get(name, FIGURES[name].label),
             "per_mm": FIGURES[name].scale * (high[name] - low[name]) / (2 * STEP), "unit": FIGURES[name].unit}
            for name in high]
    return pd.DataFrame(rows, columns=["figure", "label", "per_mm", "unit"])


def _figures(rig: Rig) -> dict[str, float]:
    """Figures over the travel and of the axes, mm and rad."""
    moving = Model(rig, driver_grid(rig, 61)).curves([Variant()]).figures(rig)
    standing = axis_figures(rig)
    return ({k.name: float(np.asarray(moving[k.name]).ravel()[0]) for k in kinds("travel")}
            | {k.name: float(standing[k.name]) for k in kinds("axes")})
