"""What would help beyond the rig file's holes and ranges: a longer rod, a hole that is not there yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.advice.candidates import HoleSets, side_points
from calib.advice.finder import Candidate, Finder, Stopped
from calib.advice.proposal import Proposal, title
from calib.advice.search import STOP_ROOM, Model, Objective, Variant, driver_grid, solve
from calib.advice.verdict import Outcome
from calib.rig.model import Rig, Target

Array = NDArray[np.float64]
MOST_STARTS = 200  # settings over the ranges of the moves, for each hole set
BEYOND = 60.0  # mm by which a rod's range is widened to see where it would have to go


def short_range(finder: Finder, chosen: Candidate, worth: float) -> list[str]:
    """Moves that would have to go beyond their range for the least misfit with the chosen holes."""
    model = finder.model
    wide = {n: replace(mv, low=-BEYOND, high=BEYOND) if n in model.rig.rods else mv for n, mv in model.moves.items()}
    start = replace(chosen.variant, moves={n: x for n, x in chosen.variant.moves.items() if not model.moves[n].solved})
    got = solve(Model(model.rig, model.driver, wide), finder.objective, [start], [finder.free])
    if chosen.q - got.misfits[0] < worth:
        return []
    out = []
    for n in finder.free:
        mv, x = model.moves[n], got.variants[0].moves.get(n, 0.0)
        if n in model.rig.rods and not mv.low - 0.5 * mv.step <= x <= mv.high + 0.5 * mv.step:
            length = model.rig.rods[n].length
            out.append(f"{title(n)} would have to be {length + x:.1f} mm long; its range is {length + mv.low:.1f} to "
                       f"{length + mv.high:.1f} mm, as thread, overlap and the rig file allow: trim it or make "
                       "another to go there.")
    return out


@dataclass(frozen=True)
class Proof:
    """Whether any hole gives a target: how many hole sets and settings were tried, and one that gives it."""

    sets: int
    settings: int
    given_by: Variant | None


def proof_for(finder: Finder, sets: HoleSets, target: Target, per_move: int = 5) -> Proof:
    """Tries to give one target in every hole of every row, every tried place and all over the moves' ranges.

    For each hole set: a grid over the ranges of the moves that steer, and from its nearest settings a solution for
    that target alone with the limits among the residuals. ``given_by`` keeps every limit and gives the target
    within its tolerance; None only after all of them failed.
    """
    model = finder.model
    few = model.on(driver_grid(model.rig, 7, STOP_ROOM))
    alone = Objective(replace(finder.objective.rig, targets={target.name: target}), few.driver, model.rig, rest=0.0)
    rows = [replace(v, holes={**v.holes, **b}) for v in sets.rows() for b in sets.beside]
    tried, per_move = 0, max(2, min(per_move, int(MOST_STARTS ** (1 / max(1, len(finder.main))))))
    grids = [np.linspace(model.moves[n].low, model.moves[n].high, per_move) for n in finder.main]
    spread = [dict(zip(finder.main, map(float, x), strict=True))
              for x in np.stack(np.meshgrid(*grids, indexing="ij"), -1).reshape(-1, len(grids))] if grids else [{}]
    for i in range(0, len(rows), 16):
        part = [replace(v, moves={**v.moves, **x}) for v in rows[i:i + 16] for x in [{}, *spread]]
        r = np.abs(alone.residuals(few.curves(part))[:, 0]).reshape(-1, len(spread) + 1)
        starts = [part[k * (len(spread) + 1) + j] for k, row in enumerate(r) for j in np.argsort(row)[:4]]
        got = solve(few, alone, starts, [finder.free] * len(starts), rounds=6, penalty=finder.limits.penalty)
        tried += len(part) + len(starts)
        near = [v for v, x in zip(got.variants, got.residuals[:, 0], strict=True) if abs(x) <= 1.0]
        inside = [v for v, x in zip(part, r.ravel(), strict=True) if x <= 1.0]
        for group in (near, inside):
            fine = [v for v, ok in zip(group, finder.limits.maybe(group), strict=True) if ok]
            for v in fine[:40]:
                if finder.limits.kept([v])[0]:
                    return Proof(len(rows), tried, v)
    return Proof(len(rows), tried, None)


def missing_hole(finder: Finder, sets: HoleSets, variant: Variant, best: Proposal) -> list[str]:
    """Where no hole gives the ratio, the distance from the pivot at which one would; nothing without a proof."""
    model, objective = finder.model, finder.objective
    ratio = next((f for f in best.figures if f.name == "ratio"), None)
    if ratio is None or ratio.verdict.outcome is not Outcome.NOT_MET or not model.fast or not sets.complete:
        return []
    proof = proof_for(finder, sets, next(t for t in objective.targets if t.name == "ratio"))
    if proof.given_by is not None:
        return []
    out = []
    for name in _drillable(model.rig):
        r = _distance_for(model, objective, variant, name, ratio.target)
        if r is not None:
            part = title(name.partition(".")[0]).lower()
            out.append(f"No hole gives the ratio {ratio.target:.3f} within the limits (every one of {proof.sets} hole "
                       f"sets was tried over the whole range of the rods, {proof.settings} settings): on {part} "
                       f"({name}) a hole {r:.1f} mm from the pivot would. Drill only if the edge distance allows.")
    return out


def _drillable(rig: Rig) -> list[str]:
    side = side_points(rig)
    return [n for n, p in rig.points.items() if len(p.holes) > 1 and n not in side and p.body in rig.bodies]


def _distance_for(model: Model, objective: Objective, variant: Variant, name: str, wanted: float) -> float | None:
    """Distance from the pivot, mm, at which a hole of a point would give the ratio; None where none would.

    The rods at the point are reset for each place so that the wheels stay where they are at driver zero.
    """
    rig = model.rig
    b = rig.bodies[rig.points[name].body]
    holes = {n: np.asarray(q.holes[variant.holes.get(n, q.use)], float) for n, q in rig.points.items()}
    used = holes[name]
    arm = used - np.asarray(b.pivot)
    arm = arm - (arm @ np.asarray(b.axis)) * np.asarray(b.axis)
    r0 = float(np.linalg.norm(arm))
    reach = np.linspace(0.4, 2.0, 65) * r0
    places = used + (reach - r0)[:, None] * arm / r0
    moves: dict[str, Array] = {n: np.full(len(reach), x) for n, x in variant.moves.items()}
    for r, rod in rig.rods.items():
        if name in (rod.a, rod.b):
            far = holes[rod.b if rod.a == name else rod.a]
            reset = np.linalg.norm(places - far, axis=1) - np.linalg.norm(used - far)
            moves[r] = moves.get(r, np.zeros(len(reach))) + reset
    off = objective.figures(model.table({**holes, name: places}, moves, len(reach)), ["ratio"])["ratio"] - wanted
    k = np.flatnonzero(np.isfinite(off[:-1] * off[1:]) & (off[:-1] * off[1:] <= 0))
    if not len(k):
        return None
    j = int(k[np.argmin(np.abs(reach[k] - r0))])
    return float(reach[j] - off[j] * (reach[j + 1] - reach[j]) / (off[j + 1] - off[j]))


def limited_by(stopped: Sequence[Stopped], chosen: Candidate, most: int = 5) -> list[str]:
    """The limits that stood in the way of settings with a better chance."""
    said: dict[str, None] = {}
    for s in sorted((s for s in stopped if s.chance > chosen.chance), key=lambda s: -s.chance):
        said |= dict.fromkeys(s.why())
        if len(said) >= most:
            break
    return list(said)[:most]
