"""The search: hole sets, moves solved for within the limits, whole steps, and the settings that keep every limit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from calib.advice.candidates import HoleSets, around, subsets, whole_steps
from calib.advice.chances import Chances
from calib.advice.keeping import Limits
from calib.advice.search import (
    STOP_ROOM,
    Model,
    Objective,
    Solved,
    Variant,
    driver_grid,
    gauss_newton,
    solve,
    steering_rods,
)
from calib.progress import Steps

Array = NDArray[np.float64]


GIVEN_UP = 1.0  # tolerances beyond a target's own
LOOKED_AT = 8  # of a row's candidates, whether they break a limit for certain, before the next are asked
ENOUGH = 0.97  # a chance that the targets alone would hardly better


@dataclass
class Candidate:
    """A setting that keeps every limit, and what is known of it."""

    variant: Variant
    free: tuple[str, ...]  # moves that were solved for
    q: float  # squared tolerances, summed
    shortfall: float  # the same of what lies outside the tolerances, and of what the targets do not ask
    chance: float
    draws: Array = field(default_factory=lambda: np.zeros(0))  # of the shortfall
    effort: float = 0.0
    supports: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # move -> continuous need, u95

    def weak(self) -> list[str]:
        """Moves smaller than their own 95 % uncertainty."""
        return [n for n, (need, u) in self.supports.items() if abs(need) <= u]


@dataclass(frozen=True)
class Effort:
    """How much of the space is looked at."""

    sets: int  # hole sets taken on to whole steps
    each: int  # settings kept of each number of changes


@dataclass(frozen=True)
class Row:
    """A hole set with some of its moves solved for."""

    variant: Variant
    free: tuple[str, ...]
    q: float
    bound: float


@dataclass(frozen=True)
class Stopped:
    """A setting that breaks a limit: its chance, and what says in sentences which, as it takes long and few ask."""

    chance: float
    why: Callable[[], list[str]]


class _Queue:
    """Candidates of one row, best first: those ready to be tried, and the rest, not looked at yet."""

    def __init__(self, part: int, candidates: Sequence[Candidate]) -> None:
        self.part, self.candidates = part, candidates
        self.rest = iter(sorted(candidates, key=lambda c: (-round(c.chance, 2), c.shortfall, c.q)))
        self.ready: list[Candidate] = []


@dataclass
class Found:
    """What the search kept, and the limits that stood in the way of better ones."""

    good: list[Candidate]
    stopped: list[Stopped]


def shortfall(objective: Objective, residuals: Array) -> Array:
    """Squared tolerances beyond each target's own tolerance, and of the other residuals, (...) of (..., r)."""
    n = len(objective.targets)
    r = residuals[..., :n]
    beyond = np.maximum(r - 1.0, 0.0) + np.maximum(objective.lowest - r, 0.0)
    return np.asarray(np.sum(beyond**2, axis=-1) + np.sum(residuals[..., n:] ** 2, axis=-1))


class Noise:
    """Draws (d, r) of the errors of residuals, for the shortfalls of many settings."""

    def __init__(self, objective: Objective, draws: Array) -> None:
        n = len(objective.targets)
        self.objective, self.of_targets, self.rest = objective, draws[:, :n], draws[:, n:]
        self.rest_squared = np.sum(self.rest**2, axis=1)

    def shortfalls(self, residuals: Array) -> Array:
        """``shortfall`` (d,) of residuals (r,) with every draw: what the targets do not ask from its three products."""
        own, rest = np.split(residuals, [self.of_targets.shape[1]])
        return shortfall(self.objective, own + self.of_targets) + (
            self.rest_squared + 2 * self.rest @ rest + float(rest @ rest))


def _within_reach(model: Model, objective: Objective, got: Solved) -> NDArray[np.bool_]:
    """Which solved settings could be moved on, as far as their slopes tell, to where the targets are met or nearly.

    One step of least squares on the targets alone, kept in the moves' ranges; what is then still this far outside its
    tolerance is given up.
    """
    n = len(objective.targets)
    J, r = got.J[:, :n], got.residuals[:, :n]
    mask = np.any(J != 0, axis=1).astype(float)
    at = np.array([[v.moves.get(k, 0.0) for k in got.names] for v in got.variants])
    own = [model.moves[k] for k in got.names]
    step = np.clip(at + gauss_newton(J, r, mask, 1e-3), [m.low for m in own], [m.high for m in own]) - at
    then = r + np.einsum("mrn,mn->mr", J, step)
    beyond = np.maximum(np.maximum(then - 1.0, objective.lowest - then), 0.0)
    return np.asarray(np.max(beyond, axis=1, initial=0.0) < GIVEN_UP)


class Finder:
    """Finds settings of one measured rig."""

    def __init__(self, model: Model, objective: Objective, limits: Limits, chances: Chances, effort: Effort,
                 free: Sequence[str], work: Callable[[Variant], float]) -> None:
        self.model, self.objective, self.limits, self.chances, self.effort = model, objective, limits, chances, effort
        self.work = work
        self.free = tuple(free)
        main = steering_rods(model.rig)
        self.main = tuple(n for n in free if n in main or n not in model.rig.rods)  # the others set a second lever

    # --- hole sets ----------------------------------------------------------------------------------------

    def promising(self, sets: HoleSets) -> list[Variant]:
        """The hole sets and tried places of least misfit, moves solved for within the limits on a coarse grid."""
        rows, model = sets.rows(), self.model.on(driver_grid(self.model.rig, 7, STOP_ROOM))
        target = Objective(self.objective.rig, model.driver, model.rig)
        if not model.fast and len(rows) > 60:  # too slow to try all: single changes and pairs nearest the present
            rows = sorted(rows, key=len)[:60]
        q = self._coarse(model, target, rows)
        best = list(np.argsort(q, kind="stable")[:self.effort.sets])
        single = sorted((i for i, v in enumerate(rows) if len(v) == 1), key=lambda i: q[i])
        best += [i for i in single[:8 if model.fast else 2] if i not in best]
        best += [i for i, v in enumerate(rows) if not len(v) and i not in best]
        kept = [rows[i] for i in best]
        if len(sets.beside) > 1 and model.fast:
            kept += self._with_beside(model, target, kept, sets.beside)
        return kept

    def _coarse(self, model: Model, target: Objective, rows: Sequence[Variant]) -> Array:
        q = np.empty(len(rows))
        for i in range(0, len(rows), 3000):
            part = rows[i:i + 3000]
            got = solve(model, target, part, [self.main] * len(part), rounds=2)
            q[i:i + 3000] = got.misfits
            if model.fast and len(rows) > self.effort.sets:
                q[i:i + 3000] += np.sum(self.limits.penalty(model.side_by_side(got.variants)) ** 2, axis=1)
        return q

    def _with_beside(self, model: Model, target: Objective, kept: Sequence[Variant],
                     beside: Sequence[Mapping[str, str]]) -> list[Variant]:
        """For each kept set, the holes of the rods to a second lever that keep both levers together best."""
        rows = [replace(v, holes={**v.holes, **b}) for v in kept for b in beside]
        q = solve(model, target, rows, [self.free] * len(rows), rounds=2).misfits.reshape(len(kept), len(beside))
        plain = next(k for k, b in enumerate(beside) if not b)
        out = []
        for i, row in enumerate(q):
            if row[plain] - row.min() > 0.25:
                near = [k for k in range(len(beside)) if row[k] <= row.min() + 0.25]
                out.append(min((rows[i * len(beside) + k] for k in near), key=self.work))
        return out

    # --- moves --------------------------------------------------------------------------------------------

    def rows(self, sets: Sequence[Variant]) -> list[Row]:
        """Every set with every set of moves solved for, most promising first.

        Solved for the whole misfit, and from there for the targets alone: where both cannot be had, the targets are
        what the chance is of.
        """
        jobs = [(v, s) for v in sets for s in subsets(self.free)
                if self.model.fast or len(s) in (0, 1, len(self.free))]
        frees = [s for _, s in jobs]
        both = solve(self.model, self.objective, [v for v, _ in jobs], frees, rounds=3)
        self.chances.take_slopes([v for v, s in zip(both.variants, frees, strict=True) if len(s) == len(self.free)]
                                 )  # slopes are taken where all moves are at their best
        bound = self.chances.bound(both.variants, both.residuals)
        out = [Row(v, s, float(q), float(b))
               for v, s, q, b in zip(both.variants, frees, both.misfits, bound, strict=True)]
        if self.model.fast:
            hope = _within_reach(self.model, self.objective, both)
            out += self._for_targets([r for r, h in zip(out, hope, strict=True) if h and r.free and r.bound < ENOUGH])
        return sorted(out, key=lambda r: (-round(r.bound, 2), r.q))

    def _for_targets(self, rows: Sequence[Row]) -> list[Row]:
        """The rows solved on for the targets alone, the rest at a hundredth of its weight, within the limits."""
        if not rows:
            return []
        few = self.model.on(driver_grid(self.model.rig, 7, STOP_ROOM))
        alone = Objective(self.objective.rig, few.driver, self.model.rig, rest=0.1)
        got = solve(few, alone, [r.variant for r in rows], [r.free for r in rows], rounds=3,
                    penalty=self.limits.penalty)
        residuals = self.objective.residuals(self.model.curves(got.variants))
        return [Row(v, r.free, float(q), float(b)) for v, r, q, b in
                zip(got.variants, rows, np.sum(residuals**2, axis=1), self.chances.bound(got.variants, residuals),
                    strict=True)]

    def within_limits(self, parts: Sequence[Sequence[Row]]) -> list[list[Row]]:
        """The rows, solved again with the limits among the residuals where they broke one; part by part."""
        out = [list(rows) for rows in parts]
        flat = [(k, i) for k, rows in enumerate(parts) for i in range(len(rows))]
        if not self.model.fast or not flat:
            return out
        room = self.limits.room(self.model.side_by_side([out[k][i].variant for k, i in flat]))
        again = [at for at, least in zip(flat, room.min(axis=1, initial=np.inf), strict=True)
                 if least < 0 and out[at[0]][at[1]].free]
        if again:
            rows = [out[k][i] for k, i in again]
            got = solve(self.model, self.objective, [r.variant for r in rows], [r.free for r in rows], rounds=3,
                        penalty=self.limits.penalty, parts=[k for k, _ in again])
            for (k, i), r, v in zip(again, rows, got.variants, strict=True):
                out[k][i] = replace(r, variant=v)
        return out

    # --- whole steps --------------------------------------------------------------------------------------

    def settings(self, rows: Sequence[Row], steps: Steps) -> Found:
        """Settings in whole steps, within the limits, until enough of each number of changes are found.

        Rows tried, and those that need not be any more, are counted. All numbers of changes go on side by side.
        """
        kinds: dict[int, list[Row]] = {}
        for r in rows:
            kinds.setdefault(len(r.variant.holes) + len(set(r.variant.moves) | set(r.free)), []).append(r)
        whole = {k: Found([], []) for k in kinds}
        rest = dict(kinds)
        while rest:
            parts = [same[:2 * self.effort.each] for same in rest.values()]
            for k, part, got in zip([*rest], parts, self._blocks(self.within_limits(parts)), strict=True):
                whole[k].good += got.good
                whole[k].stopped += got.stopped
                left = rest.pop(k)[len(part):]
                if len(whole[k].good) < self.effort.each and left:
                    rest[k] = left
                steps.next(len(part) if k in rest else len(part) + len(left))
        return Found([c for f in whole.values() for c in f.good], [x for f in whole.values() for x in f.stopped])

    def _blocks(self, parts: Sequence[Sequence[Row]]) -> list[Found]:
        """The best setting in whole steps of each row that keeps every limit, part by part."""
        flat = [(k, r) for k, rows in enumerate(parts) for r in rows]
        tried = [whole_steps(self.model, r.variant, r.free, self.main) for _, r in flat]
        judged = iter(self.judged([v for some in tried for v in some],
                                  [r.free for (_, r), some in zip(flat, tried, strict=True) for _ in some]))
        queues = [_Queue(k, [next(judged) for _ in some]) for (k, _), some in zip(flat, tried, strict=True)]
        self._look(queues)
        found = [Found([], self._why_not([q.candidates for q in queues if q.part == k and not q.ready]))
                 for k in range(len(parts))]
        while queues := [q for q in queues if q.ready]:  # the next of each row, side by side
            heads = [(q, q.ready.pop(0)) for q in queues]
            clear = self.limits.clear([c.variant for _, c in heads])
            bad = [(q, c) for (q, c), sure in zip(heads, clear, strict=True)
                   if not sure and self.limits.broken(c.variant)]
            queues = [q for q, _ in bad]
            for q, c in heads:
                if all(q is not other for other in queues):
                    found[q.part].good.append(c)
            self._look(queues)
            for q, c in bad:
                if not q.ready:
                    found[q.part].stopped.append(self._stopped(c))
        return found

    def _look(self, queues: Sequence[_Queue]) -> None:
        """Goes on in each queue to its next candidates that break no limit for certain, where none is ready."""
        many = LOOKED_AT
        while some := [(q, part) for q in queues if not q.ready and (part := [*islice(q.rest, many)])]:
            ok = iter(self.limits.maybe([c.variant for _, part in some for c in part]))
            for q, part in some:
                q.ready += [c for c in part if next(ok)]
            many *= 4

    def _stopped(self, c: Candidate) -> Stopped:
        return Stopped(c.chance, partial(self.limits.broken, c.variant))

    def _why_not(self, dismissed: Sequence[Sequence[Candidate]], most: int = 3) -> list[Stopped]:
        """What stands in the way of the sets all of whose whole steps break a limit; the likeliest few."""
        heads = sorted((max(cands, key=lambda c: c.chance) for cands in dismissed), key=lambda c: -c.chance)
        return [self._stopped(c) for c in heads[:most]]

    def judged(self, variants: Sequence[Variant], free: Sequence[tuple[str, ...]]) -> list[Candidate]:
        """Candidates with misfit and chance; whether they keep the limits is not asked."""
        if not variants:
            return []
        r = np.concatenate([self.objective.residuals(self.model.curves(variants[i:i + 4000]))
                            for i in range(0, len(variants), 4000)])
        chance = self.chances.of(variants, r)
        return [Candidate(v, f, float(q), float(s), float(c)) for v, f, q, s, c in
                zip(variants, free, np.sum(r * r, axis=1), shortfall(self.objective, r), chance, strict=True)]

    # --- last steps ---------------------------------------------------------------------------------------

    def climbed(self, c: Candidate, most: int = 8) -> Candidate:
        """The candidate moved on to neighbouring whole steps while one keeps the limits and has a better chance."""
        for _ in range(most):
            near = around(self.model, c.variant, c.free) if c.free else []
            cands = sorted((x for x in self.judged(near, [c.free] * len(near)) if x.chance > c.chance + 0.002),
                           key=lambda x: -x.chance)
            ok = self.limits.maybe([x.variant for x in cands])
            better = next((x for x, maybe in zip(cands, ok, strict=True)
                           if maybe and self.limits.kept([x.variant])[0]), None)
            if better is None:
                break
            c = better
        return c
