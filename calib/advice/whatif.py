"""What if: every hole and a range of whole rod steps of one measured rig, worked out beforehand for a page to look up.

All steering holes are combined with each other where they are few, else changed one at a time; the steering rods are
combined with them and with each other in whole steps. Slides, clamped arms and what only sets a second lever are left
as they stand. Nothing is interpolated.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.advice.adjust import AdjustOptions, Task, task_of
from calib.advice.candidates import hole_sets
from calib.advice.chances import doubt_of, figures_of
from calib.advice.keeping import Limits
from calib.advice.search import Curves, Variant, steering_rods
from calib.linkage.batch import loop_order
from calib.results import AsBuilt, LoadedFigure
from calib.rig.model import Rig, Target
from calib.uncertainty import half_width

Array = NDArray[np.float64]

MOST = 6_000  # settings in the table
MOST_HOLE_SETS = 20  # beyond that holes are changed one at a time
LEAST_STEPS, MOST_STEPS = 2, 4  # to either side of how a rod is now
COARSE = 1.0  # mm; finer rods are offered in several steps at a time
EACH = 3  # every third driver angle of the grid that figures are worked out on is kept, both ends and zero among them


@dataclass(frozen=True)
class RodSteps:
    """A rod's settings in the table: ``amounts`` (n,) mm from now, 0 among them; ``per_turn`` mm, None for a clamp."""

    name: str
    amounts: Array
    per_turn: float | None


@dataclass(frozen=True)
class WhatIf:
    """The table, radians, mm or plain; nan where the rods do not reach. H hole sets, n steps of each rod.

    ``holes``: hole by point of every set, the present one first; ``combined``: whether these are all combinations.
    ``headings``: by side (H, n of each rod of ``rods_of[side]``, k) over ``driver`` (k,). ``values``: (H, n of every
    rod, f) of the ``targets``. ``broken``: by side like its headings without k, whether a limit over the travel is
    broken for certain. ``u95`` (H, f): half-widths of what was measured; ``rod_u95`` (H, rods, f) and ``hole_u95``
    (H, f): of setting a rod, and of the balls set into other holes.
    """

    holes: tuple[Mapping[str, str], ...]
    combined: bool
    rods: tuple[RodSteps, ...]
    rods_of: Mapping[str, tuple[str, ...]]
    driver: Array
    headings: Mapping[str, Array]
    values: Array
    targets: tuple[Target, ...]
    u95: Array
    rod_u95: Array
    hole_u95: Array
    broken: Mapping[str, NDArray[np.bool_]]
    left_out: tuple[str, ...]  # what can be set too, and is not in the table


def what_if(design: Rig, as_built: AsBuilt, loaded: Sequence[LoadedFigure] = ()) -> WhatIf | None:
    """The table for a rig as built; None where its variants have no closed form, or nothing on it can be set.

    Same targets, holes, whole steps and uncertainties as the proposals (``propose``); UserError as there.
    """
    task = task_of(design, as_built, AdjustOptions(), loaded)
    rig = task.model.rig
    if not task.model.fast:
        return None
    here = {n: p.use for n, p in rig.points.items()}
    sets, combined = _hole_sets(task)
    main = steering_rods(rig)
    rods = _steps([n for n in main if n in task.moves], task, len(sets))
    if len(sets) == 1 and not rods:
        return None
    model, objective = task.finer()
    of = {side: tuple(r.name for r in rods if r.name in _way(rig, side)) for side in ("left", "right")}
    by = {r.name: r for r in rods}
    headings: dict[str, Array] = {}
    broken: dict[str, NDArray[np.bool_]] = {}
    limits = Limits(task.model, design, task.options.margin)
    for side, names in of.items():
        shape = (len(sets), *(len(by[n].amounts) for n in names))
        holes, moves = _rows(rig, sets, [by[n] for n in names])
        b = model.batch_of(holes, moves, int(np.prod(shape)))
        broken[side] = np.asarray((limits.room(b) < 0).any(axis=1)).reshape(shape)
        headings[side] = model.run(b).headings[side].reshape(*shape, -1)
    whole = (len(sets), *(len(r.amounts) for r in rods))
    both = {s: np.broadcast_to(_spread(h, of[s], rods), (*whole, h.shape[-1])).reshape(-1, h.shape[-1])
            for s, h in headings.items()}
    values = figures_of(objective, Curves(model.driver, both, {})).reshape(*whole, -1)

    doubts = [doubt_of(task.as_built, model, task.choices, Variant(_changed(h, here)),
                       lambda c: figures_of(objective, c)) for h in sets]
    none = np.zeros(len(objective.targets))
    return WhatIf(tuple(sets), combined, rods, of, model.driver[::EACH],
                  {s: h[..., ::EACH] for s, h in headings.items()}, values, tuple(objective.targets),
                  np.array([d.slopes.u95 for d in doubts]),
                  np.array([[half_width(d.moves.get(r.name, none)[:, None], np.eye(1)) for r in rods] for d in doubts]
                           ).reshape(len(sets), len(rods), -1),
                  np.array([half_width(np.concatenate([*d.seats.values()], axis=1), np.eye(3 * len(d.seats)))
                            if d.seats else none for d in doubts]),
                  broken, tuple(n for n in (*task.choices, *task.moves) if n not in by and n not in sets[0]))


def _hole_sets(task: Task) -> tuple[list[dict[str, str]], bool]:
    """Hole by point of every set that is offered, the present first, and whether these are all there are."""
    main = hole_sets(task.model.rig, task.choices, {}, MOST_HOLE_SETS + 1).main
    now = {n: task.choices[n].now for n in dict.fromkeys(n for h in main for n in h)}
    if combined := len(main) <= MOST_HOLE_SETS:
        sets = [{**now, **h} for h in main]
    else:
        sets = [now, *({**now, n: h} for n in now for h in task.choices[n].holes if h != now[n])]
    return sorted(sets, key=lambda h: h != now), combined


def _changed(holes: Mapping[str, str], here: Mapping[str, str]) -> dict[str, str]:
    return {n: h for n, h in holes.items() if here[n] != h}


def _steps(names: Sequence[str], task: Task, sets: int) -> tuple[RodSteps, ...]:
    """Whole steps of each rod, as many to either side as the table has room for."""
    reach = MOST_STEPS
    while reach > LEAST_STEPS and sets * (2 * reach + 1) ** len(names) > MOST:
        reach -= 1
    out = []
    for n in names:
        mv = task.moves[n]
        jump = max(1, round(COARSE / mv.step))
        amounts = [x for k in range(-reach, reach + 1) for x in mv.steps(k * jump, k * jump) if k == 0 or x]
        out.append(RodSteps(n, np.array(amounts), mv.per_turn))
    return tuple(r for r in out if len(r.amounts) > 1)


def _way(rig: Rig, side: str) -> set[str]:
    """Rods from the driver to a side's upright."""
    steps, _ = loop_order(rig) or ((), ())
    body, out = rig.wheels[side].upright, set()
    for s in reversed(steps):
        if s.body == body:
            out.add(s.rod)
            body = rig.points[s.known].body
    return out


def _rows(rig: Rig, sets: Sequence[Mapping[str, str]], rods: Sequence[RodSteps],
          ) -> tuple[dict[str, Array], dict[str, Array]]:
    """Hole places (m, 3) by point and amounts (m,) by rod of every combination, the last rod quickest."""
    rows = list(itertools.product(range(len(sets)), *(r.amounts for r in rods)))
    which = [int(row[0]) for row in rows]
    holes = {n: np.array([rig.points[n].holes[sets[i][n]] for i in which], float) for n in sets[0]}
    return holes, {r.name: np.array([row[k + 1] for row in rows], float) for k, r in enumerate(rods)}


def _spread(h: Array, own: Sequence[str], rods: Sequence[RodSteps]) -> Array:
    """(H, n of its own rods, k) with an axis of one for every other rod."""
    return h.reshape(h.shape[0], *(len(r.amounts) if r.name in own else 1 for r in rods), h.shape[-1])
