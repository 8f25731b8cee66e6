"""Steer caused by leaning: from the rods (design or as built), over its limits, and from photos leaned over.

Leaning is the second freedom, a body with role "lean" between frame and front assembly. Its angle is
right-handed about its axis as drawn; steer is the wheel's heading on the ground, left positive.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage.limits import Limit, check_limits
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.linkage.steering import lean_joint, lean_range, lean_steer, roll_steer, wheel_headings
from calib.results import AsBuilt, Fit
from calib.rig.model import Rig
from calib.rig.parameters import Kind, get_parameters, parsed, steps, with_parameters
from calib.uncertainty import differences, each, half_width, joint, own_half_widths
from capture.errors import UserError

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
STEP = 1e-4  # rad, central differences of a heading


def _joint(rig: Rig) -> str:
    lean = lean_joint(rig)
    if lean is None:
        raise UserError('the rig file has no lean joint: give the part that leans role = "lean" and an axis along x, '
                        "and name it as parent of the parts it carries", "no_lean_joint")
    return lean


def lean_sweep(rig: Rig, lean_angles: ArrayLike, driver_angle: float = 0.0) -> dict[str, Array]:
    """Steer by side, (n,) rad, that leaning to ``lean_angles`` (n,) rad causes with the driver held still.

    nan where the rods do not allow it. Raises UserError for a rig without a lean joint.
    """
    return lean_steer(rig, _joint(rig), lean_angles, driver_angle)


def lean_limits(rig: Rig, driver_angles: ArrayLike, n: int = 5) -> list[Limit]:
    """check_limits over the driver's sweep at ``n`` lean angles over the lean limits: each check at its worst.

    The sentence says at which lean angle. Rod lengths are left out, since leaning does not change them.
    """
    lean = _joint(rig)
    found: dict[tuple[str, str], tuple[float, Limit]] = {}
    lk = Linkage(rig)
    for a in lean_range(rig, n):
        for limit in check_limits(rig, lk.sweep(driver_angles, fixed={lean: float(a)})):
            if limit.name == "rod_length" or (limit.name, limit.item) == ("travel", lean):
                continue
            margin = _margin(limit)
            key = (limit.name, limit.item)
            if key not in found or margin < found[key][0]:
                said = replace(limit, text=f"{limit.text}; with {lean} at {np.degrees(a):.1f} deg")
                found[key] = (margin, said)
    return [limit for _, limit in found.values()]


def _margin(limit: Limit) -> float:
    """How much is left to the limit, negative where it is broken, for comparing one check with itself."""
    gap = abs(limit.value - limit.allowed)
    return gap if limit.ok else -gap - 1e-12


def roll_steer_band(built: AsBuilt) -> tuple[float, float, float | None]:
    """roll_steer of the rig as built (rad), its 95 % half-width, and the share resting on photos.

    First order from the covariance of the as-built parameters (JCGM 100, 5.2.2) at the lean angle and wheel
    that are worst; the share leaves out correlations.
    """
    rig, lean = built.rig, _joint(built.rig)
    grid = lean_range(rig)
    swept = lean_steer(rig, lean, grid)
    worst = roll_steer(rig)
    if not np.isfinite(worst):
        return float("nan"), float("nan"), None
    side = max(swept, key=lambda s: float(np.max(np.abs(swept[s]))))
    at = float(grid[int(np.argmax(np.abs(swept[side])))])
    lk, upright = Linkage(rig), rig.wheels[side].upright
    poses = [lk.solve(0.0), lk.solve(0.0, fixed={lean: at})]
    s0, s1 = (_sensitivity(lk, p, upright, built.names, lean) for p in poses)
    f0, f1 = (_slope(rig, side, p[upright]) for p in poses)
    g = f1 * s1 - f0 * s0 + _axis_slopes(rig, side, upright, built.names,
                                         lambda r: _heading(r, side, poses[1][upright])
                                         - _heading(r, side, poses[0][upright]))
    weight = g**2 * np.diag(built.cov)
    part = np.array([built.from_photos.get(n, 0.0) for n in built.names])
    share = float(weight @ part / weight.sum()) if weight.sum() > 0 else None
    return worst, float(half_width(g, built.cov)), share


@dataclass(frozen=True)
class LeanPoint:
    """One position leaned over, degrees. ``lean`` and ``lever`` as measured; the rest by side.

    ``steer``: measured heading less that straight ahead, freed of what the lever's own small turn makes;
    ``model``: what the as-built rods give at that lean, ``design``: what the drawn ones give; ``difference``:
    measured less model. ``*_u95``: 95 % half-widths.
    """

    position: str
    lean: float
    lean_u95: float
    lever: float
    steer: Mapping[str, float]
    steer_u95: Mapping[str, float]
    model: Mapping[str, float]
    design: Mapping[str, float]
    difference: Mapping[str, float]
    difference_u95: Mapping[str, float]


def lean_from_photos(design: Rig, fit: Fit) -> tuple[LeanPoint, ...]:
    """Steer that leaning caused in the photos of ``design.lean_positions``, against the as-built and drawn rods.

    Half-widths from the joint covariance of angles and as-built parameters (JCGM 100, 5.2.2); slopes of the
    rods are analytic. Empty where no lean position was photographed. Raises UserError for a rig without a
    lean joint.
    """
    labels = [p for p in fit.positions if p in design.lean_positions]
    if not labels:
        return ()
    lean, rig, driver = _joint(design), fit.as_built.rig, design.driver
    lk = Linkage(rig)
    row = {k: i for i, k in enumerate(fit.angle_names)}
    out = []
    for p in labels:
        phi, lever = (fit.joint_angles.get((b, p), 0.0) for b in (lean, driver))
        ahead, still = lk.solve(0.0), lk.solve(lever)
        try:
            here = lk.solve(lever, fixed={lean: phi})
        except CannotAssemble as e:
            raise UserError(f'at lean position "{p}" the measured rods do not go together ({e}); was a rod or tag '
                            "moved between the photos?", "cannot_assemble", p) from e
        drawn = lean_steer(design, lean, [phi], lever)
        table: dict[str, dict[str, float]] = {k: {} for k in ("steer", "su", "model", "design", "diff", "du")}
        for side, w in rig.wheels.items():
            u = w.upright
            if (u, p) not in row:
                continue
            turn = fit.joint_angles[u, p]
            h = [_heading(rig, side, x) for x in (turn, 0.0, still[u], ahead[u], here[u])]
            steer = h[0] - h[1] - (h[2] - h[3])
            model = h[4] - h[2]
            ga, gd, gp, gq = (np.zeros(n) for n in (len(row), len(row), *(len(fit.as_built.names),) * 2))
            slope = _slope(rig, side, turn)
            rate0 = float(lk.rates(still, driver=driver)[u])
            rate1 = float(lk.rates(here, driver=driver)[u])
            tilt = float(lk.rates(here, driver=lean, fixed=[driver])[u])
            ga[row[u, p]] = gd[row[u, p]] = slope
            if (driver, p) in row:
                ga[row[driver, p]] -= slope * rate0
                gd[row[driver, p]] -= slope * rate1
            if (lean, p) in row:
                gd[row[lean, p]] -= slope * tilt
            sens = [_sensitivity(lk, x, u, fit.as_built.names, lean) for x in (ahead, still, here)]
            gp -= slope * (sens[1] - sens[0])
            gq -= slope * (sens[2] - sens[0])

            def turned(r: Rig, side: str = side, turn: float = turn) -> float:
                return _heading(r, side, turn) - _heading(r, side, 0.0)

            gp += _axis_slopes(rig, side, u, fit.as_built.names, turned)
            table["steer"][side], table["su"][side] = steer, _half_width(fit, ga, gp)
            table["model"][side], table["design"][side] = model, float(drawn[side][0])
            table["diff"][side], table["du"][side] = steer - model, _half_width(fit, gd, gq)
        deg = {k: {s: float(np.degrees(x)) for s, x in v.items()} for k, v in table.items()}
        k = row.get((lean, p))
        u_lean = float(np.degrees(own_half_widths(fit.angle_cov)[k])) if k is not None else float("nan")
        out.append(LeanPoint(p, float(np.degrees(phi)), u_lean, float(np.degrees(lever)), deg["steer"], deg["su"],
                             deg["model"], deg["design"], deg["diff"], deg["du"]))
    return tuple(out)


def lean_table(points: Sequence[LeanPoint]) -> pd.DataFrame:
    """One row per position and side, degrees: position, side, lean, lean_u95, steer, u95, model, difference, ..."""
    columns = ["position", "side", "lean_deg", "lean_u95_deg", "steer_deg", "u95_deg", "model_deg", "design_deg",
               "difference_deg", "difference_u95_deg"]
    import pandas as pd

    return pd.DataFrame([(p.position, s, p.lean, p.lean_u95, p.steer[s], p.steer_u95[s], p.model[s], p.design[s],
                          p.difference[s], p.difference_u95[s]) for p in points for s in p.steer], columns=columns)


# --- small helpers ----------------------------------------------------------------------------------------


def _heading(rig: Rig, side: str, turn: float) -> float:
    return float(wheel_headings(rig, {rig.wheels[side].upright: turn})[side])


def _slope(rig: Rig, side: str, turn: float) -> float:
    return float(differences(each(lambda x: _heading(rig, side, float(x[0]))), [turn], STEP)[1][0, 0])


def _sensitivity(lk: Linkage, pose: Mapping[str, float], body: str, names: Sequence[str], lean: str) -> Array:
    """Turn of a body per unit of each named parameter, (n,), driver and lean held."""
    return np.asarray(lk.sensitivities(pose, names, fixed=[lean])[body])


def _axis_slopes(rig: Rig, side: str, upright: str, names: Sequence[str], of: Callable[[Rig], float]) -> Array:
    """Derivative of ``of`` for the upright's axis and the wheel's spin axis, (n,); zero for all other names."""
    idx = [i for i, n in enumerate(parsed(names)) if (n.owner, n.kind) in ((upright, Kind.AXIS), (side, Kind.SPIN))]
    some = [names[i] for i in idx]
    g = np.zeros(len(names))
    if some:
        g[idx] = differences(each(lambda x: of(with_parameters(rig, some, x))), get_parameters(rig, some),
                             steps(some))[1][0]
    return g


def _half_width(fit: Fit, ga: Array, gp: Array) -> float:
    return float(half_width(np.concatenate([ga, gp]), joint(fit.angle_cov, fit.cross_cov, fit.as_built.cov)))
