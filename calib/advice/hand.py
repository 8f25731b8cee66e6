"""What a hand feels at a lever: travel stop to stop and force, by where it grips; for levers still to be trimmed."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.advice.propagation import slopes, with_wheel_doubt
from calib.advice.search import STOP_ROOM, Curves, Model, Variant, driver_grid, need_both_wheels
from calib.results import AsBuilt
from calib.rig.model import Rig

Array = NDArray[np.float64]

STEERING_NM = 10.0  # moment about the steering axes, both wheels together, that the forces are given for
SHORTEST, STEP = 0.6, 20.0  # grips shown: down to this share of the lever's own, in steps of mm
COLUMNS = ("lever", "grip_mm", "travel_mm", "travel_u95_mm", "force_ahead_N", "force_ahead_u95_N", "force_most_N",
           "force_most_u95_N")


def hand_table(built: AsBuilt, n: int = 61) -> pd.DataFrame:
    """One row per lever with a ``grip`` and grip length: hand travel (mm) and force (N) with 95 % half-widths.

    Travel is the grip's arc from stop to stop of the driver. Force is what a push square to the lever must be for
    STEERING_NM of steering moment, straight ahead and at its most over the travel: virtual work without friction,
    F grip d(lever) = M d(mean heading). Empty where no lever has a grip.
    """
    built = with_wheel_doubt(built)
    rig = built.rig
    levers = [b.name for b in rig.bodies.values() if b.role == "lever" and b.grip is not None]
    if not levers:
        return pd.DataFrame(columns=list(COLUMNS))
    need_both_wheels(rig)
    model = Model(rig, driver_grid(rig, n, STOP_ROOM))
    rows = []
    for name in levers:
        if name != rig.driver and name not in model.levers:
            continue
        s = slopes(model, built, Variant(), partial(_felt, rig, name))
        for grip in grips(float(rig.bodies[name].grip or 0.0)):
            travel, ahead, most = (float(x) for x in s.values * (grip, 1e3 / grip, 1e3 / grip))
            u_travel, u_ahead, u_most = (float(x) for x in s.u95 * (grip, 1e3 / grip, 1e3 / grip))
            rows.append((name, grip, travel, u_travel, STEERING_NM * ahead, STEERING_NM * u_ahead,
                         STEERING_NM * most, STEERING_NM * u_most))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def grips(now: float) -> list[float]:
    """Grip lengths shown: the present one first, then shorter ones, mm."""
    return [now, *np.arange(np.ceil(now / STEP) * STEP - STEP, SHORTEST * now - 1e-9, -STEP).tolist()]


def _felt(rig: Rig, lever: str, c: Curves) -> Array:
    """(m, 3): the lever's turn from stop to stop, and d mean heading / d lever straight ahead and at its most."""
    d = c.driver
    mean = 0.5 * (c.headings["left"] + c.headings["right"])
    turn = np.broadcast_to(d, mean.shape) if lever == rig.driver else c.levers[lever]
    low, high = (np.broadcast_to(x, (len(mean),)) for x in (c.travel or rig.driver_travel))
    ends = np.stack([[np.interp(x, d, t) for x, t in zip(at, turn, strict=True)] for at in (low, high)])
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.abs(np.gradient(mean, d, axis=-1, edge_order=2) / np.gradient(turn, d, axis=-1, edge_order=2))
    inside = (d >= rig.driver_travel[0] - 1e-9) & (d <= rig.driver_travel[1] + 1e-9)
    zero = int(np.argmin(np.abs(d)))
    return np.stack([np.abs(ends[1] - ends[0]), rate[:, zero], rate[:, inside].max(axis=-1)], axis=1)
