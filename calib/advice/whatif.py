"""What if: every hole and a range of whole rod steps of one measured rig, worked out beforehand for a page to look up.

All steering holes are combined with each other where they are few, else changed one at a time; the steering rods are
combined with them and with each other in whole steps. Slides, clamped arms and what only sets a second lever are left
as they stand. Nothing is interpolated.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.advice.adjust import AdjustOptions, Task, task_of
from calib.advice.candidates import hole_sets
from calib.advice.chances import doubts_of, figures_of
from calib.advice.keeping import Limits
from calib.advice.propagation import Slopes
from calib.advice.search import STOP_ROOM, Curves, Model, Objective, Variant, driver_grid, steering_rods
from calib.linkage import batch
from calib.results import AsBuilt, LoadedFigure
from calib.rig.model import Rig, Target
from calib.rig.parameters import Kind, ParameterName, get_parameters, parsed
from calib.uncertainty import K95, half_width

Array = NDArray[np.float64]

MOST = 6_000  # settings in the table
MOST_HOLE_SETS = 20  # beyond that holes are changed one at a time
LEAST_STEPS, MOST_STEPS = 2, 4  # to either side of how a rod is now
COARSE = 1.0  # mm; finer rods are offered in several steps at a time
SIDES = ("left", "right")
NUDGE = 0.01  # of a standard deviation: so that stops stay on the grid
DOUBT_GRID, COARSE_GRID = 31, 13  # driver angles for half-widths in other holes, and for their change along the rods
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
    broken for certain. ``u95`` like ``values``: half-widths of what was measured; ``rod_u95`` (H, rods, f) and
    ``hole_u95`` (H, f): of setting a rod, and of the balls set into other holes.
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
    rods = _steps([n for n in steering_rods(rig) if n in task.moves], task, len(sets))
    if len(sets) == 1 and not rods:
        return None
    model, objective = task.finer()
    grid = _Grid(model, sets, rods)
    limits = Limits(task.model, design, task.options.margin)
    broken = {s: np.asarray((limits.room(grid.side_by_side(s)) < 0).any(axis=1)).reshape(grid.shape(s)) for s in SIDES}
    headings = {s: grid.headings(s) for s in SIDES}

    fewer = model.on(driver_grid(rig, DOUBT_GRID, STOP_ROOM))
    target = Objective(task.design, fewer.driver, rig)
    doubts = [d for part, on, of in ((sets[:1], model, objective), (sets[1:], fewer, target)) for d in doubts_of(
        task.as_built, on, task.choices, [Variant(_changed(h, here)) for h in part], partial(figures_of, of))]
    none = np.zeros(len(objective.targets))
    values = grid.figures(objective, headings)
    return WhatIf(tuple(sets), combined, rods, grid.of, model.driver[::EACH],
                  {s: h[..., ::EACH] for s, h in headings.items()}, values, tuple(objective.targets),
                  _half_widths(task, grid, [d.slopes for d in doubts]),
                  np.array([[half_width(d.moves.get(r.name, none)[:, None], np.eye(1)) for r in rods] for d in doubts]
                           ).reshape(len(sets), len(rods), -1),
                  np.array([half_width(np.concatenate([*d.seats.values()], axis=1), np.eye(3 * len(d.seats)))
                            if d.seats else none for d in doubts]),
                  broken, tuple(n for n in (*task.choices, *task.moves) if n not in sets[0]
                                and n not in [r.name for r in rods]))


class _Grid:
    """Every setting of the table, worked out side by side; a side's headings rest on the rods on its way alone."""

    def __init__(self, model: Model, sets: Sequence[Mapping[str, str]], rods: Sequence[RodSteps]) -> None:
        self.model, self.sets, self.rods = model, sets, rods
        self.of = {s: tuple(r.name for r in rods if r.name in _way(model.rig, s)) for s in SIDES}
        self.whole = (len(sets), *(len(r.amounts) for r in rods))

    def own(self, side: str) -> list[RodSteps]:
        """The rods on the way to a side."""
        return [r for r in self.rods if r.name in self.of[side]]

    def shape(self, side: str) -> tuple[int, ...]:
        """Settings that a side tells apart."""
        return (len(self.sets), *(len(r.amounts) for r in self.own(side)))

    def side_by_side(self, side: str, off: Sequence[Mapping[ParameterName, float]] = ()) -> batch.Batch:
        """The settings of a side; ``off``: by hole set, how far parameters of the rig are from what was measured."""
        rig, m = self.model.rig, int(np.prod(self.shape(side)))
        each = m // len(self.sets)
        b = batch.Batch(rig, m)
        for point in self.sets[0]:
            places = [rig.points[point].holes[h[point]] for h in self.sets]
            b.hole[point] = np.repeat(np.asarray(places, float), each, 0)
        names = dict.fromkeys(n for o in off for n in o)
        for n, value in zip(names, get_parameters(rig, [str(n) for n in names]), strict=True):
            by = np.repeat([o.get(n, 0.0) for o in off], each)
            if n.kind is Kind.HOLE and n.owner in self.sets[0]:
                b.hole[n.owner][:, n.component] += by
            else:
                b.set(str(n), value + by)
        steps = np.array([*itertools.product(*(r.amounts for r in self.own(side)))]).reshape(-1, len(self.own(side)))
        amounts = np.tile(steps, (len(self.sets), 1))
        self.model.carry_out(b, {r.name: amounts[:, k] for k, r in enumerate(self.own(side))})
        return b

    def headings(self, side: str, off: Sequence[Mapping[ParameterName, float]] = ()) -> Array:
        """(H, n of each of its rods, k) rad."""
        return self.model.run(self.side_by_side(side, off)).headings[side].reshape(*self.shape(side), -1)

    def figures(self, objective: Objective, headings: Mapping[str, Array],
                stops: tuple[Array, Array] | None = None) -> Array:
        """(H, n of every rod, f); ``stops`` by hole set."""
        k = len(self.model.driver)
        both = {s: np.broadcast_to(self._spread(s, h), (*self.whole, k)).reshape(-1, k) for s, h in headings.items()}
        every = len(both["left"]) // len(self.sets)
        travel = None if stops is None else (np.repeat(stops[0], every), np.repeat(stops[1], every))
        return figures_of(objective, Curves(self.model.driver, both, {}, travel)).reshape(*self.whole, -1)

    def _spread(self, side: str, h: Array) -> Array:
        """With an axis of one for every rod that is not on its way."""
        return h.reshape(h.shape[0], *(len(r.amounts) if r.name in self.of[side] else 1 for r in self.rods),
                         h.shape[-1])


def _half_widths(task: Task, grid: _Grid, slopes: Sequence[Slopes]) -> Array:
    """95 % half-widths (H, n of every rod, f) of what was measured, at every setting.

    With the rods as they are now from all slopes. For every other setting the part of the variance that lies along the
    directions which decide the figures now (as many as there are figures) is worked out anew, and the rest kept:
    u^2 = u_now^2 + sum of (d_i^2 - d_i,now^2). First order, JCGM 100, 5.1.2. On 40 settings of the sample
    vehicle all slopes anew give 0.99 to 1.07 times that for toe and ratio, and mostly 0.9 to 1.05, at worst 0.73 to
    1.25, for lock and Ackermann error, whose worst place jumps from one end of the travel to the other.
    """
    model, objective = task.finer()
    coarse = _Grid(model.on(driver_grid(model.rig, COARSE_GRID, STOP_ROOM)), grid.sets, grid.rods)
    target = Objective(task.design, coarse.model.driver, model.rig)
    base = coarse.figures(target, {s: coarse.headings(s) for s in SIDES})
    tolerance = objective.tolerance[:, None]
    along = []  # by hole set: (n, f) a part of one standard deviation each
    for s in slopes:
        J = s.J / tolerance
        size, way = np.linalg.eigh(J @ s.cov @ J.T)
        along.append(NUDGE * s.cov @ J.T @ way / np.sqrt(np.maximum(size, 1e-30)))
    variance = np.zeros_like(base)
    for i in range(len(objective.targets)):
        off = [dict(zip(parsed(s.names), a[:, i], strict=True)) for s, a in zip(slopes, along, strict=True)]
        stops = _stops(model.rig, off)
        moved = [{n: d for n, d in o.items() if n.kind is not Kind.TRAVEL} for o in off]
        change = coarse.figures(target, {s: coarse.headings(s, moved) for s in SIDES}, stops) - base
        variance += (change / NUDGE) ** 2
    own = K95**2 * variance
    widths = np.array([s.u95 for s in slopes]).reshape(len(slopes), *[1] * len(grid.rods), -1)
    now = own.reshape(len(slopes), -1, own.shape[-1])[:, int(np.ravel_multi_index(
        [int(np.argmin(np.abs(r.amounts))) for r in grid.rods], own.shape[1:-1])) if grid.rods else 0]
    rest = np.maximum(widths**2 - now.reshape(widths.shape), 0.0)
    return np.asarray(np.sqrt(own + rest))


def _stops(rig: Rig, off: Sequence[Mapping[ParameterName, float]]) -> tuple[Array, Array] | None:
    """Stops of the driver by hole set, (H,) rad each; None where the rig has none."""
    ends = rig.bodies[rig.driver].travel
    if ends is None:
        return None
    low, high = (np.array([x + sum(d for n, d in o.items() if n.kind is Kind.TRAVEL and n.owner == rig.driver
                                   and n.component == k) for o in off]) for k, x in enumerate(ends))
    return low, high


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
    steps, _ = batch.loop_order(rig) or ((), ())
    body, out = rig.wheels[side].upright, set()
    for s in reversed(steps):
        if s.body == body:
            out.add(s.rod)
            body = rig.points[s.known].body
    return out
