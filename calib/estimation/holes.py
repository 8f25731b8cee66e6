"""Which hole a rod end really sits in: a discrete unknown, settled by the full misfit.

The file names one hole of each row. At the solution of the least-squares problem the drawn rows of all rod ends with
a choice are taken out; what is left (corners, closures, balls under bolt tags, pivots and all else drawn) places each
ball by itself, with its covariance. The misfit of any choice of holes follows in closed form, since putting drawn
rows back into a linear problem adds g^T (C + S)^-1 g: g the gaps of the balls from the chosen holes, C their
covariance without the rows, S that of the drawing. All choices are tried together (rows pull on each other through
the frame), and where another hole than the file's is believed the whole problem is solved again with it.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.base import weight
from calib.estimation.blocks.drawing import DrawnPoint
from calib.estimation.equations import RigProblem
from calib.estimation.solver import inverse_of
from calib.estimation.unknowns import Layout, State
from calib.findings import Code, Fact, Finding
from calib.rig.model import Rig

Array = NDArray[np.float64]
WRONG = 0.1  # chance that a file names another hole than the rod end sits in; by judgement, no source
LIKELY = 0.5  # probability from which another hole than the file's is taken
NAMED = 0.9  # probability from which the file is said to be wrong, and not only to be in doubt
CERTAIN = 0.99  # probability from which a hole is known
CANDIDATE = 0.001  # probability below which a hole is not spoken of
MOST = 20_000  # combinations tried at once
FITS = 16.3  # squared misfit of a ball in its hole (3 rows) that is not exceeded once in a thousand, chi-square


@dataclass(frozen=True)
class Holes:
    """What is believed of the rod ends that have a choice of holes."""

    use: Mapping[str, str] = field(default_factory=dict)  # hole by point
    chance: Mapping[str, float] = field(default_factory=dict)  # that it is the right one
    may_be: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # points in doubt: holes, likeliest first
    extra_sd: Mapping[str, float] = field(default_factory=dict)  # mm by point: what the doubt adds to its drawn place


@dataclass(frozen=True)
class _Placed:
    """The balls with a choice of holes, placed without their own drawn rows, frame axes."""

    points: tuple[str, ...]
    at: Array  # (3 k,) mm
    cov: Array  # (3 k, 3 k) of ``at``, and of the drawing's rows added


def judge_holes(problem: RigProblem, s: State, file: Rig) -> Holes:
    """The hole of every rod end with a choice, at the solution ``s``; ``file`` the rig as its file has it."""
    placed = _placed(problem, s)
    if placed is None:
        return Holes()
    odds = _odds(placed, file)
    use: dict[str, str] = {}
    may_be: dict[str, tuple[str, ...]] = {}
    extra: dict[str, float] = {}
    for i, name in enumerate(placed.points):
        p, mine = file.points[name], odds[name]
        best = max(mine, key=lambda h: mine[h])
        ours = slice(3 * i, 3 * i + 3)
        gap = placed.at[ours] - np.asarray(p.holes[best])
        fits = float(gap @ np.linalg.solve(placed.cov[ours, ours], gap)) < FITS
        use[name] = best if mine[best] > LIKELY and fits else p.use
        if mine[use[name]] < CERTAIN:
            ranked = sorted(mine, key=lambda h: -mine[h])
            may_be[name] = tuple(h for h in ranked if mine[h] > CANDIDATE or h == use[name])
            extra[name] = _spread(np.array([np.subtract(p.holes[h], p.holes[use[name]]) for h in mine]),
                                  np.array(list(mine.values())))
    return Holes(use, {n: odds[n][h] for n, h in use.items()}, may_be, extra)


def with_holes(layout: Layout, use: Mapping[str, str]) -> Layout:
    """The layout of the same rig with its rod ends in these holes."""
    points = {n: replace(p, use=use.get(n, p.use)) for n, p in layout.rig.points.items()}
    return replace(layout, rig=replace(layout.rig, points=points))


def hole_findings(holes: Holes, file: Rig, built: Rig) -> list[Finding]:
    """A mismatch with the file first, then what cannot be told apart."""
    wrong = [n for n, h in holes.use.items() if h != file.points[n].use and holes.chance[n] > NAMED]
    unsure = [n for n in holes.may_be if n not in wrong]
    return [_mismatch(n, holes, file, built) for n in wrong] + [_doubt(n, holes, file) for n in unsure]


def _mismatch(name: str, holes: Holes, file: Rig, built: Rig) -> Finding:
    p, hole = file.points[name], holes.use[name]
    ball = np.asarray(built.points[name].xyz)
    near, far = (float(np.linalg.norm(ball - np.asarray(p.holes[h]))) for h in (hole, p.use))
    facts: dict[str, Fact] = {"hole": hole, "mm": near, "file_hole": p.use, "file_mm": far,
                              "others": tuple(h for h in holes.may_be.get(name, ()) if h != hole)}
    if p.body in built.bodies and (off := _part_off(name, file, built, ball)) is not None:
        facts |= {"part": p.body, "part_mm": off}
    return Finding(Code.HOLE_MISMATCH, name, facts=facts)


def _part_off(name: str, file: Rig, built: Rig, ball: Array) -> float | None:
    """The other explanation, where there is one: the whole part sits this far (mm) off, and takes its holes along."""
    p = file.points[name]
    shift = np.subtract(built.bodies[p.body].pivot, file.bodies[p.body].pivot)
    off = float(np.linalg.norm(shift))
    carried = float(np.linalg.norm(ball - np.asarray(p.holes[p.use]) - shift))
    return off if off > file.bodies[p.body].pivot_tol and carried < p.tol else None


def _doubt(name: str, holes: Holes, file: Rig) -> Finding:
    p, choice = file.points[name], holes.may_be[name]
    apart = min(float(np.linalg.norm(np.subtract(p.holes[a], p.holes[b])))
                for a, b in itertools.combinations(choice, 2))
    doubtful = choice[0] != p.use or holes.chance[name] < NAMED
    return Finding(Code.HOLE_UNCERTAIN, name, serious=doubtful,
                   facts={"holes": choice, "taken": holes.use[name], "file_hole": p.use, "apart_mm": apart})


def _placed(problem: RigProblem, s: State) -> _Placed | None:
    """Balls with a choice of holes by everything but their own drawn rows."""
    m = problem.motions(s)
    rows = [b for b in problem.blocks(s) if isinstance(b, DrawnPoint) and len(problem.rig.points[b.item].holes) > 1]
    if not rows:
        return None
    info = problem.information(s).copy()
    pull = np.zeros(len(info))
    slopes, gaps = [], []
    for b in rows:
        r, j = b.residual(m), b.jacobian(m)
        w, ix = weight(b, r, problem.prior_scale)[0], np.asarray(b.slots)
        info[np.ix_(ix, ix)] -= w * j.T @ j
        pull[ix] += w * j.T @ r
        full = np.zeros((3, len(info)))
        full[:, ix] = b.sd * j
        slopes.append(full)
        gaps.append(b.sd * r + np.asarray(b.drawn))
    cov = inverse_of(info)
    p = np.concatenate(slopes)
    # without the rows the gradient is what they balanced: one Gauss-Newton step to the minimum of the rest
    at = np.concatenate(gaps) + p @ cov @ pull
    drawn = np.repeat([b.plain_sd**2 for b in rows], 3)
    return _Placed(tuple(b.item for b in rows), at, p @ cov @ p.T + np.diag(drawn))


def _odds(placed: _Placed, file: Rig) -> dict[str, dict[str, float]]:
    """Probability of each hole by point, over all choices together."""
    points = [file.points[n] for n in placed.points]
    choices = _promising(placed, file)
    combos = np.array(list(itertools.product(*(range(len(c)) for c in choices))))
    gap = np.concatenate([placed.at[3 * i:3 * i + 3] - np.array([p.holes[h] for h in c])[combos[:, i]]
                          for i, (p, c) in enumerate(zip(points, choices, strict=True))], axis=1)
    log = -0.5 * np.einsum("ci,ij,cj->c", gap, np.linalg.inv(placed.cov), gap)
    for i, (p, c) in enumerate(zip(points, choices, strict=True)):
        log += np.array([np.log(1 - WRONG) if h == p.use else np.log(WRONG / (len(p.holes) - 1))
                         for h in c])[combos[:, i]]
    chance = np.exp(log - log.max())
    chance /= chance.sum()
    return {n: {h: float(chance[combos[:, i] == k].sum()) for k, h in enumerate(c)}
            for i, (n, c) in enumerate(zip(placed.points, choices, strict=True))}


def _promising(placed: _Placed, file: Rig) -> list[tuple[str, ...]]:
    """Holes worth trying by point: all, or where these are too many the nearest few and the file's."""
    choices = [tuple(file.points[n].holes) for n in placed.points]
    keep = max(len(c) for c in choices)
    while np.prod([float(min(len(c), keep + 1)) for c in choices]) > MOST and keep > 1:
        keep -= 1
    out = []
    for i, (n, c) in enumerate(zip(placed.points, choices, strict=True)):
        at, p = placed.at[3 * i:3 * i + 3], file.points[n]
        near = sorted(c, key=lambda h: float(np.linalg.norm(at - np.asarray(p.holes[h]))))[:keep]
        out.append(tuple(h for h in c if h in near or h == p.use))
    return out


def _spread(gaps: Array, chances: Array) -> float:
    """Root mean square, mm, of how far holes (n, 3) are from the one taken, by their chances (n,); for any axis."""
    return float(np.sqrt(chances @ np.sum(gaps**2, axis=1)))


def same(a: Holes, b: Holes) -> bool:
    """Whether solving again with ``b`` would change nothing."""
    return a.use == b.use and a.may_be == b.may_be and all(
        abs(x - b.extra_sd[n]) < 0.2 * max(x, b.extra_sd[n]) for n, x in a.extra_sd.items())


def none_for(rig: Rig, points: Sequence[str]) -> Holes:
    """The file's word taken."""
    use = {n: rig.points[n].use for n in points if len(rig.points[n].holes) > 1}
    return Holes(use, dict.fromkeys(use, 1.0))
