"""Whether the steering stood still: a lever that crept while a position was photographed, or never moved between them.

Creep shows as one motion of all parts along the linkage from photo to photo. What a photo's corners say of it is worked
out from their normal equations with the photo's own unknowns let in beside each part's turn; how parts move with the
driver is read off the joint angles of all positions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from calib.estimation.equations import RigProblem
from calib.estimation.unknowns import PRIVATE, State
from calib.findings import Code
from calib.results import Finding

Array = NDArray[np.float64]
CREPT = np.deg2rad(0.05)  # of the driver from one photo of a position to another: least to be told
ODDS = 1e-6  # chance of a false alarm at one position, by the corners' scatter alone
ONE_MOTION = 0.5  # share of the parts' turns that creep along the linkage must explain
NEAR = 5.0  # of the group's own scatter: corners further from their tag's median residual are left out
STILL_SHARE = 0.1  # of the driver's drawn travel: positions that span less tell nothing of the rest
LEAST_PARTS = 2  # that show the creep; a single part's turn may be its tag


class Turns(NamedTuple):
    """How far parts turned in one photo from where they stand at its position (rad), and the information on that."""

    bodies: tuple[str, ...]
    turn: Array  # (b,)
    info: Array  # (b, b)


def creep_findings(problem: RigProblem, s: State) -> list[Finding]:
    """Positions during which the driver moved, with by how much (deg)."""
    layout, rig = problem.layout, problem.rig
    turns = turns_of_photos(problem, s)
    out = []
    for position in layout.positions:
        along = along_linkage(problem, s, position)
        mine = [_known(turns[p], along) for p in range(len(layout.photos))
                if layout.photo_positions[p] == position and p in turns]
        mine = [t for t in mine if t.bodies]
        if len(mine) < 2 or position in (*rig.spin_positions, *rig.lean_positions):
            continue
        step, sd = driver_steps(mine, along)
        apart = float(step.max() - step.min())
        if apart < CREPT or chdtrc(len(mine) - 1, float(np.sum((step / sd) ** 2))) > ODDS:
            continue
        if len({b for t in mine for b in t.bodies}) >= LEAST_PARTS and explained(mine, along, step) > ONE_MOTION:
            out.append(Finding(Code.LEVER_CREPT, rig.driver, (position,), {"deg": float(np.degrees(apart))}))
    return out


def still_finding(problem: RigProblem, s: State) -> list[Finding]:
    """The driver in nearly the same place at all positions."""
    layout, rig = problem.layout, problem.rig
    others = (*rig.spin_positions, *rig.lean_positions)
    at = [_angle(problem, s, rig.driver, p) for p in layout.positions if p not in others]
    known = [a for a in at if a is not None]
    low, high = rig.driver_travel
    span = max(known, default=0.0) - min(known, default=0.0)
    if span >= STILL_SHARE * (high - low) or rig.driver not in layout.bodies:
        return []
    return [Finding(Code.LEVER_STILL, rig.driver, facts={"deg": float(np.degrees(span)),
                                                         "travel": float(np.degrees(high - low))})]


def _angle(problem: RigProblem, s: State, body: str, position: str) -> float | None:
    layout = problem.layout
    if position == layout.reference:
        return 0.0
    slot = layout.angle(body, position)
    return None if slot is None else float(s.angles[slot - layout.first_angle])


def along_linkage(problem: RigProblem, s: State, position: str) -> dict[str, float]:
    """How each part turns with the driver about a position: slope of a parabola through its angles at all positions."""
    layout, rig = problem.layout, problem.rig
    driver = {p: _angle(problem, s, rig.driver, p) for p in layout.positions}
    here = driver[position]
    if here is None:
        return {}
    out = {rig.driver: 1.0}
    for body in layout.bodies:
        if body == rig.driver or rig.bodies[body].role in ("wheel", "lean"):
            continue
        both = [(d, a) for p, d in driver.items()
                if d is not None and (a := _angle(problem, s, body, p)) is not None]
        if len(both) >= 3 and np.ptp([d for d, _ in both]) > CREPT:
            x, y = np.array(both).T
            bend, slope, _ = np.polyfit(x, y, 2)
            out[body] = float(2 * bend * here + slope)
    return out


def turns_of_photos(problem: RigProblem, s: State) -> dict[int, Turns]:
    """Of every photo in which a part is seen, by its place in the layout."""
    layout, rig, c = problem.layout, problem.rig, problem.corners
    m, weight = problem.motions(s), _together(problem, s)
    part = np.flatnonzero(c.tag >= 0)
    hinged = {int(g): b for g in part if (b := _hinged(problem, int(c.tag[g]))) is not None}
    weight[[g for g in part if int(g) not in hinged and rig.tags[layout.tags[c.tag[g]]].body in layout.bodies]] = 0.0
    twists, photos = problem.corner_block.group_products(m, weight)
    prior = np.array([0.0] * 6 + [problem.priors.df_sd**-2] + [problem.priors.dc_sd**-2] * 2)
    sums: dict[int, dict[str, tuple[Array, float, float]]] = {}
    for k, g in enumerate(part):
        if int(g) not in hinged:
            continue
        body, photo = hinged[int(g)], int(c.photo[g])
        twist = _about_hinge(problem, s, body, layout.photo_positions[photo])
        if not weight[g].any():
            continue
        rows = twist @ twists[k]  # over twist 6, photo's own 9, ..., residual
        edge, pull, info = sums.setdefault(photo, {}).get(body, (np.zeros(PRIVATE), 0.0, 0.0))
        sums[photo][body] = (edge + rows[6:6 + PRIVATE], pull + float(rows[-1]), info + float(rows[:6] @ twist))
    out = {}
    for p, bodies in sums.items():
        edges, pulls, infos = (np.array([b[k] for b in bodies.values()]) for k in range(3))
        h = photos[p, :PRIVATE, :PRIVATE] + np.diag(prior)
        g0 = photos[p, :PRIVATE, -1] + prior * np.concatenate([np.zeros(6), [s.df[p]], s.dc[p]])
        solved = np.linalg.solve(h, np.column_stack([edges.T, g0]))
        info = np.diag(infos) - edges @ solved[:, :-1]  # the photo's own eliminated (Schur complement)
        pull = pulls - edges @ solved[:, -1]
        info += 1e-9 * np.diag(infos)
        out[p] = Turns(tuple(bodies), -np.linalg.solve(info, pull), info)
    return out


def _hinged(problem: RigProblem, tag: int) -> str | None:
    """The part that a tag shows turning about its hinge; None for wheels, which roll, and the frame."""
    layout, rig = problem.layout, problem.rig
    body = rig.tags[layout.tags[tag]].body
    return body if body in layout.bodies and rig.bodies[body].role not in ("wheel", "lean") else None


def _about_hinge(problem: RigProblem, s: State, body: str, position: str) -> Array:
    """Twist (w, v) of a part for a turn about its hinge at a position, board frame, (6,)."""
    layout = problem.layout
    slot = layout.angle(body, position)
    derived, slots = problem.motions(s).derivative(body, position)
    if slot in slots:
        return np.asarray(derived[:, slots.index(slot)], float)
    i = layout.bodies.index(body)  # straight ahead, where the turn is no unknown
    return np.concatenate([s.axis_d[i], np.cross(s.axis_p[i], s.axis_d[i])])


def _together(problem: RigProblem, s: State) -> Array:
    """Weights (g, 32) of corners that stand off as the rest of their tag does; those put aside for that count again."""
    c = problem.corners
    off = (c.whiten @ problem.corner_residuals(s)[..., None])[..., 0]
    off = np.where(c.seen[..., None], off, np.nan)
    some = c.seen.sum(axis=1) >= 4
    weight = np.zeros(c.seen.shape)
    if some.any():
        apart = np.linalg.norm(off[some] - np.nanmedian(off[some], axis=1, keepdims=True), axis=2)
        scatter = np.maximum(np.nanmedian(apart, axis=1, keepdims=True), 1.0)
        weight[some] = c.seen[some] & (apart < NEAR * scatter)
    return weight


def _known(t: Turns, along: Mapping[str, float]) -> Turns:
    """Of the parts whose motion along the linkage is known, the others let free."""
    keep = [k for k, b in enumerate(t.bodies) if b in along]
    rest = [k for k in range(len(t.bodies)) if k not in keep]
    info = t.info[np.ix_(keep, keep)]
    if keep and rest:
        edge = t.info[np.ix_(keep, rest)]
        info = info - edge @ np.linalg.solve(t.info[np.ix_(rest, rest)], edge.T)
    return Turns(tuple(t.bodies[k] for k in keep), t.turn[keep], info)


def driver_steps(turns: Sequence[Turns], along: Mapping[str, float]) -> tuple[Array, Array]:
    """Steps of the driver (n,), rad, about their mean that explain the photos' turns best; standard uncertainties."""
    pulls, infos = [], []
    for t in turns:
        slope = np.array([along[b] for b in t.bodies])
        infos.append(float(slope @ t.info @ slope))
        pulls.append(float(slope @ t.info @ t.turn))
    info = np.maximum(infos, 1e-300)
    step = np.array(pulls) / info
    return step - np.sum(info * step) / np.sum(info), info**-0.5


def explained(turns: Sequence[Turns], along: Mapping[str, float], step: Array) -> float:
    """Share of the parts' turns about their means that the driver's steps explain."""
    bodies = sorted({b for t in turns for b in t.bodies})
    at = {b: k for k, b in enumerate(bodies)}

    def misfit(steps: Array) -> float:
        left, total, info = [], np.zeros(len(bodies)), np.zeros((len(bodies), len(bodies)))
        for t, d in zip(turns, steps, strict=True):
            ix = np.array([at[b] for b in t.bodies])
            x = t.turn - d * np.array([along[b] for b in t.bodies])
            left.append((ix, x, t.info))
            total[ix] += t.info @ x
            info[np.ix_(ix, ix)] += t.info
        mean = np.linalg.lstsq(info, total, rcond=None)[0]
        return float(sum((x - mean[ix]) @ i @ (x - mean[ix]) for ix, x, i in left))

    return 1 - misfit(step) / max(misfit(np.zeros(len(step))), 1e-300)
