"""What to change: which hole, which rod, which way, how far, and how sure that is.

Every hole combination is searched; moves are solved for within the limits, taken to whole steps and checked again;
the best chance to meet every tolerance comes first, and work decides between chances that are nearly equal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.advice.candidates import HoleSets, hole_sets
from calib.advice.chances import Chances
from calib.advice.finder import Candidate, Effort, Finder, Found, Noise, Stopped, shortfall
from calib.advice.hints import limited_by, missing_hole, short_range
from calib.advice.keeping import Limits
from calib.advice.knownholes import doubt_notes, with_known_holes
from calib.advice.propagation import with_wheel_doubt
from calib.advice.proposal import SHOOT_STOPS, Builder, Change, Predicted, Proposal, Proposals, Withheld, gaussian
from calib.advice.ranking import Rules, allowed, alternatives, left_out, ranked, work_of
from calib.advice.rider import unloaded, weight_notes
from calib.advice.search import STOP_ROOM, Model, Objective, Variant, driver_grid, need_both_wheels, solve, usable
from calib.progress import SEARCHING, Progress, Steps, quiet, stoppable
from calib.results import AsBuilt, LoadedFigure
from calib.rig.adjustables import KINDS, HoleChoice, Move, SettingErrors, choices_of, moves_of
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from calib.uncertainty import half_width
from capture.errors import UserError

Array = NDArray[np.float64]

__all__ = ["AdjustOptions", "Change", "Predicted", "Proposal", "Proposals", "Withheld", "propose"]


@dataclass(frozen=True)
class AdjustOptions:
    """How to search. ``keep`` proposals are returned beside the best; ``draws`` for the chances, seeded."""

    keep: int = 4
    draws: int = 4000
    seed: int = 1
    exact: int = 60  # hole sets taken on to whole steps
    each: int = 6  # settings kept of each number of changes
    most_combinations: int = 20000
    margin: float = np.deg2rad(3.0)  # limits must hold this far beyond the travel
    rules: Rules = field(default_factory=Rules)
    errors: SettingErrors = field(default_factory=SettingErrors)
    kinds: tuple[str, ...] = ("hole", *KINDS)  # adjustables that may be used


@dataclass(frozen=True)
class Task:
    """What is adjusted to what: the measured rig's model, the wanted figures, and what may be adjusted."""

    design: Rig
    as_built: AsBuilt
    model: Model
    objective: Objective
    choices: Mapping[str, HoleChoice]
    moves: Mapping[str, Move]
    options: AdjustOptions

    @property
    def free(self) -> tuple[str, ...]:
        """Moves that are solved for."""
        return tuple(n for n, m in self.moves.items() if m.solved)

    def work(self, v: Variant) -> float:
        """Work of a variant in changes."""
        return work_of(v, self.model.rig, self.design, self.moves, self.choices)

    def finer(self) -> tuple[Model, Objective]:
        """Model and objective over the grid that the shown figures are worked out on."""
        fine = driver_grid(self.model.rig, 61, STOP_ROOM)
        return self.model.on(fine), Objective(self.design, fine, self.model.rig)


def propose(design: Rig, as_built: AsBuilt, options: AdjustOptions | None = None,
            loaded: Sequence[LoadedFigure] = (), progress: Progress = quiet) -> Proposals:
    """Adjustments of the measured rig that bring it nearest the design's targets, with chances.

    ``design`` gives targets, tolerances and the wanted curves; ``as_built`` the present holes, rods and their
    joint covariance; ``loaded`` what the rider's weight does, as photographed (``fit.loaded``); ``progress`` is told
    how many settings were looked at, of all (see ``calib.Progress``); what it raises stops the search. Raises UserError
    where no target can be judged or the measured rig cannot be assembled.

    >>> proposals = propose(rig, fit.as_built)  # from load_rig and estimate
    >>> proposals.best.misfit < proposals.leave.misfit
    True
    >>> proposals.best.changes[0].kind in ("hole", "rod", "slide")
    True
    """
    with stoppable(progress) as told:
        return _proposed(design, as_built, options, loaded, told)


def _proposed(design: Rig, as_built: AsBuilt, options: AdjustOptions | None, loaded: Sequence[LoadedFigure],
              progress: Progress) -> Proposals:
    task = task_of(design, as_built, options or AdjustOptions(), loaded)
    opt = task.options
    none = _nothing(task)
    sets = hole_sets(task.model.rig, task.choices, task.moves, opt.most_combinations)
    steps = Steps(progress, SEARCHING, sets.count + 1)
    limits = Limits(task.model, design, opt.margin)
    chances = Chances(task.as_built, task.model, task.objective, task.choices, min(opt.draws, 2000), opt.seed)
    finder = Finder(task.model, task.objective, limits, chances, Effort(opt.exact, opt.each), task.free, task.work)
    found = _search(finder, sets, none, steps)
    _how_sure(task, finder, found.good)

    model, objective = task.finer()
    builder = Builder(task.as_built, model, objective, opt.draws, opt.seed, opt.errors)
    leave = builder.proposal(none.variant, none.q, {})
    wrong = any(f.verdict.not_met for f in leave.figures)
    shown = _shown(found, none, wrong, limits, opt)
    chosen = shown[0]
    builder.take_slopes([c.variant for c in shown])
    built = {id(c): leave if c is none else builder.proposal(c.variant, c.q, c.supports) for c in [*shown, none]}
    best, others = built.pop(id(chosen)), built.values()
    limited = limited_by(found.stopped, chosen) + short_range(finder, chosen, opt.rules.worth)
    limited += missing_hole(finder, sets, chosen.variant, best)
    held = left_out(chosen, found.good, task.model.rig, task.moves, wrong)
    steps.end()
    return Proposals(best, tuple(others), leave, tuple(held), tuple(limited), builder.photos(chosen.variant),
                     (*doubt_notes(as_built), *weight_notes(design, loaded, [t.name for t in objective.targets]),
                      *_notes(task, sets, limits)), sets.count)


def task_of(design: Rig, as_built: AsBuilt, opt: AdjustOptions, loaded: Sequence[LoadedFigure] = ()) -> Task:
    """The job, checked: UserError where it cannot be done. ``loaded``: what the rider's weight does."""
    design = unloaded(design, loaded)
    as_built = with_wheel_doubt(with_known_holes(as_built))
    rig = usable(as_built.rig)
    need_both_wheels(design)
    need_both_wheels(rig)
    moves = {n: m for n, m in moves_of(rig, opt.errors).items() if m.kind in opt.kinds}
    choices = choices_of(rig, opt.errors) if "hole" in opt.kinds else {}
    coarse = driver_grid(rig, 13, STOP_ROOM)
    model = Model(rig, coarse, moves)
    if not model.fast:  # no closed form: every variant is walked, so fewer of them
        opt = replace(opt, exact=min(opt.exact, 3), each=min(opt.each, 2))
    objective = Objective(design, coarse, rig)
    if not objective.targets:
        raise UserError("The rig file names no target the adjustment can steer by; add toe, ratio, symmetry, "
                        "ackermann_error or lock under [targets].", "no_target", "targets")
    return Task(design, as_built, model, objective, choices, moves, opt)


def _nothing(task: Task) -> Candidate:
    """Leaving it as it is. UserError where the measured rig does not go together."""
    objective = task.objective
    start = task.model.curves([Variant()])
    if not all(np.isfinite(h[:, objective.i0]).all() for h in start.headings.values()):
        raise UserError("The measured rig cannot be assembled straight ahead with its present rods; "
                        "check the rod ranges and holes in the rig file against the vehicle.",
                        "cannot_assemble", task.model.rig.name)
    r = objective.residuals(start)
    return Candidate(Variant(), (), float(np.sum(r * r)), float(shortfall(objective, r)[0]), 0.0)


def _search(finder: Finder, sets: HoleSets, none: Candidate, steps: Steps) -> Found:
    """Settings within the limits, the likeliest moved on to where no neighbour is likelier; nothing is first."""
    promising = finder.promising(sets)
    steps.next(sets.count)
    rows = finder.rows(promising)
    steps.more(len(rows))
    found = finder.settings(rows, steps)
    none.chance = finder.judged([none.variant], [()])[0].chance
    top = sorted(found.good, key=lambda c: (-c.chance, c.shortfall))[:3]
    pool = [none, *found.good, *(finder.climbed(c) for c in top)]
    return Found(list({c.variant.key(): c for c in reversed(pool)}.values())[::-1], found.stopped)


def _shown(found: Found, none: Candidate, wrong: bool, limits: Limits, opt: AdjustOptions) -> list[Candidate]:
    """What is proposed, best first; each is walked through its travel once more, against every limit there is."""
    while True:
        order = ranked(allowed(found.good, none, wrong, opt.rules), opt.rules)
        shown = [order[0], *alternatives(order, none, opt.rules, opt.keep)]
        bad = [c for c in shown if c is not none and limits.broken(c.variant)]
        if not bad:
            return shown
        found.stopped += [Stopped(c.chance, partial(limits.broken, c.variant)) for c in bad]
        found.good = [c for c in found.good if all(c is not b for b in bad)]


def _how_sure(task: Task, finder: Finder, good: Sequence[Candidate]) -> None:
    """Sets each candidate's draws, work, and the continuous need of each move with its 95 % half-width.

    The need x is where J^T r(x, p) = 0, so dx/dp = -(J^T J)^-1 J^T dr/dp (implicit slope of least squares).
    """
    dp = gaussian(task.as_built.cov, np.random.default_rng(task.options.seed), min(task.options.draws, 1000))
    at = {n: k for k, n in enumerate(task.as_built.names)}
    residuals = task.objective.residuals(task.model.curves([c.variant for c in good]))
    frees = [tuple(n for n in c.variant.moves if task.moves[n].solved) for c in good]
    got = solve(task.model, task.objective, [c.variant for c in good], frees, rounds=3)
    noise: dict[int, Noise] = {}  # of the residuals, shared by the settings of one hole set
    for c, r, v, jac, free in zip(good, residuals, got.variants, got.J, frees, strict=True):
        s = finder.chances.doubt(c.variant).slopes
        if id(s) not in noise:
            noise[id(s)] = Noise(task.objective, dp[:, [at[n] for n in s.names]] @ s.J.T)
        c.draws = noise[id(s)].shortfalls(r)
        c.effort = task.work(c.variant)
        Jx = jac[:, [got.names.index(n) for n in free]]
        S = -np.linalg.solve(Jx.T @ Jx + 1e-9 * np.eye(len(free)), Jx.T @ s.J)
        u = half_width(S, s.cov)
        c.supports = {n: (v.moves.get(n, 0.0), float(x)) for n, x in zip(free, u, strict=True)}


def _notes(task: Task, sets: HoleSets, limits: Limits) -> tuple[str, ...]:
    out = [f"The target {n!r} is not one the adjustment can steer by; it was left out."
           for n in task.objective.skipped]
    if task.objective.open:
        names = " and ".join(FIGURES[n].short for n in task.objective.open)
        out.append(f"Nothing is adjusted for {names}: where the stops are is not known well enough, so {SHOOT_STOPS}")
    beyond = np.degrees(task.options.margin)
    out += [f"The drawing itself breaks a limit within {beyond:g} deg of its travel: {text}; proposals may be as "
            "bad, not worse." for _, _, _, text in limits.drawn]
    if not sets.complete:
        out.append(f"Only the first {task.options.most_combinations} hole combinations were looked at.")
    return tuple(out)
