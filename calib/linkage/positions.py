"""Steer at the photographed lever positions: the one meaning and the one half-width that every table shows.

Steer is the wheel's heading (ISO 8855 steer angle), left positive, from each upright's measured turn about its
measured axis. Of a wheel never seen turning by hand, whose toe is not known, it is the heading less that straight
ahead. What is called steer "from ahead" is that of every wheel: it needs neither toe nor the frame's own straight
ahead, and so is known far better.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.linkage.steering import wheel_headings
from calib.linkage.turned import bend
from calib.results import AsBuilt, Fit
from calib.rig.model import Rig
from calib.rig.parameters import Kind, get_parameters, parsed, steps, varied
from calib.uncertainty import differences, half_width, joint

Array = NDArray[np.float64]
ANGLE_STEP = 1e-4  # rad, central differences


@dataclass(frozen=True)
class Steer:
    """Steer of one wheel at one position, rad, and its slopes against joint angles and as-built parameters together."""

    value: float
    slope: Array  # (len(fit.angle_names) + len(built.names),), see joint_covariance
    bend: float = 0.0  # of the squared 95 % half-width, see calib.linkage.turned

    def half_width(self, cov: Array, slope: Array | None = None) -> float:
        """95 % half-width, rad; ``slope``: of what the steer is part of, None for the steer itself."""
        return float(np.hypot(half_width(self.slope if slope is None else slope, cov), np.sqrt(self.bend)))


def unseen_sides(rig: Rig) -> tuple[str, ...]:
    """Sides whose wheel was never seen turning by hand: their steer counts from straight ahead."""
    return tuple(s for s, w in rig.wheels.items() if not w.measured)


def joint_covariance(fit: Fit, built: AsBuilt) -> Array:
    """Covariance of the joint angles and the parameters of ``built`` together, which come out of one estimate.

    ``built``: ``fit.as_built``, or it with parameters of its own after the estimate's.
    """
    cross = np.zeros((len(fit.angle_names), len(built.names)))
    cross[:, :len(fit.as_built.names)] = fit.cross_cov
    return joint(fit.angle_cov, cross, built.cov)


def steer(rig: Rig, side: str, turn: Array, from_ahead: bool) -> Array:
    """Steer (...) rad of one wheel with its upright turned by ``turn`` (...) rad from straight ahead.

    ``rig`` may be many as ``varied`` makes them, (m, 1).
    """
    now = wheel_headings(rig, {rig.wheels[side].upright: turn})[side]
    return now - wheel_headings(rig, {})[side] if from_ahead else now


def measured_steer(fit: Fit, built: AsBuilt, positions: Sequence[str], from_ahead: Collection[str],
                   ) -> Mapping[tuple[str, str], Steer]:
    """Steer by (side, position) of every wheel whose upright was measured there, of sides ``from_ahead`` from ahead."""
    rig = built.rig
    row = {key: i for i, key in enumerate(fit.angle_names)}
    out = {}
    for side, w in rig.wheels.items():
        idx = [i for i, n in enumerate(parsed(built.names)) if built.cov[i, i] > 0
               and (n.owner, n.kind) in ((w.upright, Kind.AXIS), (side, Kind.SPIN))]
        names = [built.names[i] for i in idx]

        at = [p for p in positions if (w.upright, p) in fit.joint_angles]
        turns = np.array([fit.joint_angles[w.upright, p] for p in at])

        def all_of(rows: Array, side: str = side, names: Sequence[str] = names, turns: Array = turns) -> Array:
            """At every position, with all turned further by the first of each row (m, 1 + n) and parameters set."""
            return steer(varied(rig, names, rows[:, 1:]), side, turns + rows[:, :1], side in from_ahead)

        if not at:
            continue
        values, slopes = differences(all_of, [0.0, *get_parameters(rig, names)], [ANGLE_STEP, *steps(names)])
        for p, turn, value, g in zip(at, turns, values, slopes, strict=True):
            slope = np.zeros(len(row) + len(built.names))
            if (w.upright, p) in row:
                slope[row[w.upright, p]] = g[0]
            slope[[len(row) + i for i in idx]] = g[1:]

            def as_turned(r: Rig, side: str = side, turn: Array = turn) -> Array:
                return np.atleast_1d(steer(r, side, turn, side in from_ahead))

            out[side, p] = Steer(float(value), slope, float(np.sum(bend(as_turned, built))))
    return out
