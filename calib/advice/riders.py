"""Rider settings: where a lever assembly that slides may stand, and the rod lengths that keep the steering the same."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.advice.keeping import Limits
from calib.advice.search import Curves, Model, Variant, driver_grid, usable
from calib.results import AsBuilt
from calib.rig.adjustables import Move, moves_of
from calib.rig.model import Rig
from calib.rig.parameters import length_name
from calib.uncertainty import own_half_widths

Array = NDArray[np.float64]

MARGIN = float(np.deg2rad(3.0))  # limits must hold this far beyond the travel
MOST_PLACES = 15


@dataclass(frozen=True)
class RiderSetting:
    """One place of a slide: the rods' lengths with 95 % half-widths (mm), what then changes, what stands against it.

    ``steer_change`` deg: most that either wheel's heading changes at the same lever angle over the travel.
    """

    slide: str
    place: float  # mm from where it stands now
    lengths: dict[str, float]
    u95: dict[str, float]
    steer_change: float
    against: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether it may be set."""
        return not self.against


def rider_settings(design: Rig, built: AsBuilt) -> list[RiderSetting]:
    """Every slide at places evenly over its range, rods reset so that levers and wheels stand together as they do now.

    A rod from the slide to what stands still keeps the assembly when its length changes as the distance between its
    ends does, straight ahead; it is then taken to the nearest whole step. Empty without slides.
    """
    rig = usable(built.rig)
    moves = moves_of(rig)
    model = Model(rig, driver_grid(rig, 31), moves)
    u95 = dict(zip(built.names, own_half_widths(built.cov).tolist(), strict=True))
    limits = Limits(model, design, MARGIN) if rig.slides else None
    now = model.curves([Variant()])
    out = []
    for name in rig.slides:
        for place in _places(moves[name]):
            lengths, against = _reset(rig, moves, name, place)
            v = Variant({}, {name: place} | {r: x - rig.rods[r].length for r, x in lengths.items()})
            against += [t for t in (limits.broken(v) if limits else [])] if not against else []
            out.append(RiderSetting(name, place, lengths, {r: u95.get(length_name(r), 0.0) for r in lengths},
                                    _most_change(now, model.curves([v])), tuple(against)))
    return out


def _places(mv: Move) -> list[float]:
    """Whole steps over the range, no more than MOST_PLACES, the present place among them."""
    first, last = int(np.ceil(mv.low / mv.step - 1e-9)), int(np.floor(mv.high / mv.step + 1e-9))
    every = max(1, -(-(last - first) // (MOST_PLACES - 1)))
    return [k * mv.step for k in range(first, last + 1) if k % every == 0]


def _reset(rig: Rig, moves: dict[str, Move], name: str, place: float) -> tuple[dict[str, float], list[str]]:
    """Lengths of the rods that leave the slide, and why they cannot be had."""
    s = rig.slides[name]
    by = place * np.asarray(s.direction, float) / np.linalg.norm(s.direction)
    lengths, against = {}, []
    for n, r in rig.rods.items():
        a, b = rig.points[r.a], rig.points[r.b]
        if (a.body in s.bodies) == (b.body in s.bodies):
            continue
        apart = np.subtract(a.xyz, b.xyz)
        moved = apart + (by if a.body in s.bodies else -by)
        need = float(np.linalg.norm(moved) - np.linalg.norm(apart))
        mv = moves.get(n)
        step = round(need / mv.step) * mv.step if mv is not None else 0.0
        lengths[n] = r.length + (step if mv is not None else need)
        if abs(need) > 1e-9 and (mv is None or not mv.low - 1e-9 <= step <= mv.high + 1e-9):
            span = "it cannot be set" if mv is None else f"it can be set from {r.shortest:.1f} to {r.longest:.1f} mm"
            against.append(f"{n} would have to be {lengths[n]:.1f} mm long; {span}")
    return lengths, against


def _most_change(now: Curves, then: Curves) -> float:
    with np.errstate(invalid="ignore"):
        d = [np.max(np.abs(then.headings[s] - now.headings[s])) for s in now.headings]
    return float(np.degrees(max(d))) if np.isfinite(d).all() else float("nan")


def rider_table(settings: list[RiderSetting]) -> pd.DataFrame:
    """One row per place: slide, place_mm, <rod>_mm and <rod>_u95_mm, steer_change_deg, may_be_set, against."""
    rows = []
    for s in settings:
        row: dict[str, object] = {"slide": s.slide, "place_mm": s.place}
        for r, x in s.lengths.items():
            row |= {f"{r}_mm": x, f"{r}_u95_mm": s.u95[r]}
        rows.append(row | {"steer_change_deg": s.steer_change, "may_be_set": s.ok, "against": "; ".join(s.against)})
    return pd.DataFrame(rows)
