"""Steer caused by leaning: from the rods (design or as built), over its limits, and from photos leaned over.

Leaning is the second freedom, a body with role "lean" between frame and front assembly. Its angle is
right-handed about its axis as drawn. Steer is a front wheel's heading on the ground from the rear wheel's, left
positive, with all three wheels on one flat ground (``contacts.stance``); what leaning adds to it is roll steer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage.contacts import stance
from calib.linkage.limits import Limit, check_limits
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.linkage.steering import lean_joint, lean_range, lean_steer, roll_steer
from calib.results import AsBuilt, Fit
from calib.rig.discs import rear_disc
from calib.rig.model import Rig, Vec
from calib.rig.parameters import Kind, get_parameters, parsed, steps, with_parameters
from calib.uncertainty import block_diag, differences, each, half_width, joint, own_half_widths, share_beside, standard
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

    First order from the covariance of the as-built parameters and the rear wheel's tolerances (JCGM 100, 5.2.2) at
    the lean angle and wheel that are worst.
    """
    rig, lean = built.rig, _joint(built.rig)
    grid = lean_range(rig)
    swept = lean_steer(rig, lean, grid)
    worst = roll_steer(rig)
    if not np.isfinite(worst):
        return float("nan"), float("nan"), None
    side = max(swept, key=lambda s: float(np.max(np.abs(swept[s]))))
    at = float(grid[int(np.argmax(np.abs(swept[side])))])
    lk = Linkage(rig)
    solved = _Poses(rig, [lk.solve(0.0), lk.solve(0.0, fixed={lean: at})], built.names)
    g = solved.moved(side, [-1.0, 1.0]) + solved.through_rods(lk, side, 1) - solved.through_rods(lk, side, 0)
    rear, doubt = solved.rear_slopes(side, [-1.0, 1.0]), _rear_cov(rig)
    slope, cov = np.concatenate([g, rear]), block_diag(built.cov, doubt)
    share = share_beside(slope, cov, block_diag(built.drawing_cov, doubt))[0]
    return worst, float(half_width(slope, cov)), share


@dataclass(frozen=True)
class LeanPoint:
    """One position leaned over, degrees. ``lean`` and ``lever`` as measured; the rest by side.

    ``steer``: measured heading from the rear wheel's on the ground, less that straight ahead, freed of what the
    lever's own small turn makes;
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
    names = fit.as_built.names
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
        seen = {lean: phi} | {w.upright: fit.joint_angles.get((w.upright, p), here[w.upright])
                              for w in rig.wheels.values()}
        poses = _Poses(rig, [seen, {}, still, ahead, here], names)
        table: dict[str, dict[str, float]] = {k: {} for k in ("steer", "su", "model", "design", "diff", "du")}
        rates = {i: lk.rates(q, driver=driver) for i, q in ((2, still), (4, here))}
        tilt = lk.rates(here, driver=lean, fixed=[driver])
        for side, w in rig.wheels.items():
            if (w.upright, p) not in row:
                continue
            h = poses.headings[side]
            steer, model = h[0] - h[1] - (h[2] - h[3]), h[4] - h[2]
            slope = [poses.turned(side, i) for i in range(5)]
            ga = np.zeros(len(row))
            for b, v in slope[0].items():
                if (b, p) in row:
                    ga[row[b, p]] += v
            gd = ga.copy()
            if (driver, p) in row:
                for g, i in ((ga, 2), (gd, 4)):
                    g[row[driver, p]] -= sum(v * float(rates[i][b]) for b, v in slope[i].items() if b != lean)
            if (lean, p) in row:
                gd[row[lean, p]] -= slope[4][lean] + sum(v * float(tilt[b]) for b, v in slope[4].items() if b != lean)
            rods = {i: poses.through_rods(lk, side, i) for i in (2, 3, 4)}
            ways = ([1.0, -1.0, -1.0, 1.0, 0.0], [1.0, -1.0, 0.0, 1.0, -1.0])
            gp = poses.moved(side, ways[0]) + rods[3] - rods[2]
            gq = poses.moved(side, ways[1]) + rods[3] - rods[4]
            table["steer"][side], table["model"][side] = steer, model
            table["design"][side], table["diff"][side] = float(drawn[side][0]), steer - model
            table["su"][side] = _half_width(fit, ga, gp, poses.rear_slopes(side, ways[0]))
            table["du"][side] = _half_width(fit, gd, gq, poses.rear_slopes(side, ways[1]))
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


class _Poses:
    """A few poses of one rig on the ground, and how their headings change.

    ``headings`` (n,) rad by side. Slopes are central differences of the stance at joint angles held, and the rods'
    own analytic sensitivities.
    """

    def __init__(self, rig: Rig, poses: Sequence[Mapping[str, float]], names: Sequence[str]) -> None:
        self.rig, self.poses, self.names = rig, [{b: float(a) for b, a in p.items()} for p in poses], names
        self.lean = _joint(rig)
        self.turning = [self.lean, *(w.upright for w in rig.wheels.values())]
        self.headings = _headings(rig, self.poses)
        carriers, wheels = _carriers(rig), set(rig.wheels)
        held = {Kind.PIVOT: carriers, Kind.AXIS: carriers, Kind.CENTRE: wheels, Kind.SPIN: wheels}
        self._idx = [i for i, p in enumerate(parsed(names)) if p.owner in held.get(p.kind, ())]
        some = [names[i] for i in self._idx]
        self._moved = self._slopes(lambda x: with_parameters(rig, some, x), get_parameters(rig, some), steps(some))
        self._rear = self._slopes(lambda x: replace(rig, rear=replace(rig.rear, centre=_vec(x[:3]), spin=_vec(x[3:]))),
                                  _rear_as_drawn(rig), np.repeat([0.1, STEP], 3))

    def _slopes(self, changed: Callable[[Array], Rig], at: Array, step: Array) -> dict[str, Array]:
        """By side: slopes of every pose's heading against what ``changed`` takes, joint angles held, (poses, n)."""
        sides = tuple(self.headings)

        def of(x: Array) -> Array:
            h = _headings(changed(x), self.poses)
            return np.concatenate([h[s] for s in sides])

        rows = differences(each(of), at, step)[1]
        return dict(zip(sides, np.split(rows, len(sides)), strict=True))

    def moved(self, side: str, weights: Sequence[float]) -> Array:
        """Slope of the weighted sum of headings for each named parameter, joint angles held, (len(names),)."""
        g = np.zeros(len(self.names))
        g[self._idx] = weights @ self._moved[side]
        return g

    def rear_slopes(self, side: str, weights: Sequence[float]) -> Array:
        """Slope of the weighted sum of headings for the rear wheel's place and axle, (6,)."""
        return np.asarray(weights @ self._rear[side])

    def turned(self, side: str, i: int) -> dict[str, float]:
        """Slope of the heading of pose ``i`` for the lean joint and both uprights."""
        at = self.poses[i]

        def of(x: Array) -> Array:
            return _headings(self.rig, [at | dict(zip(self.turning, map(float, x), strict=True))])[side]

        rows = differences(each(of), [at.get(b, 0.0) for b in self.turning], STEP)[1]
        return dict(zip(self.turning, map(float, rows[0]), strict=True))

    def through_rods(self, lk: Linkage, side: str, i: int) -> Array:
        """Slope of the heading of solved pose ``i`` for each named parameter through the uprights it turns, (n,)."""
        sens = lk.sensitivities(self.poses[i], self.names, fixed=[self.lean])
        return np.asarray(sum(v * np.asarray(sens[b]) for b, v in self.turned(side, i).items() if b != self.lean))


def _headings(rig: Rig, poses: Sequence[Mapping[str, float]]) -> dict[str, Array]:
    bodies = sorted(set().union(*poses)) or [_joint(rig)]
    return dict(stance(rig, {b: np.array([p.get(b, 0.0) for p in poses]) for b in bodies}).headings)


def _carriers(rig: Rig) -> set[str]:
    """Bodies whose hinges carry a wheel."""
    out: set[str] = set()
    for b in [*(w.upright for w in rig.wheels.values()), rig.rear.spin_body or rig.rear.body]:
        while b in rig.bodies:
            out.add(b)
            b = rig.bodies[b].parent
    return out


def _rear_as_drawn(rig: Rig) -> Array:
    """Place and axle of the rear wheel, (6,)."""
    disc = rear_disc(rig)
    return np.concatenate([disc.centre, disc.spin])


def _rear_cov(rig: Rig) -> Array:
    """Covariance of the rear wheel's place and axle from its tolerances, (6, 6)."""
    return np.asarray(np.diag(np.repeat([standard(rig.rear.tol), standard(rig.rear.spin_tol)], 3) ** 2))


def _vec(x: Array) -> Vec:
    return (float(x[0]), float(x[1]), float(x[2]))


def _half_width(fit: Fit, ga: Array, gp: Array, rear: Array) -> float:
    measured = joint(fit.angle_cov, fit.cross_cov, fit.as_built.cov)
    return float(half_width(np.concatenate([ga, gp, rear]), block_diag(measured, _rear_cov(fit.as_built.rig))))
