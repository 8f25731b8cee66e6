"""The misfit of many adjusted variants at once, its slopes, and the amounts that make it least.

A variant is a choice of hole per point and an amount per move (a rod longer, a slide forward; see
``calib.rig.adjustables``). The residuals are the target figures over their tolerances, where the levers and the
wheels stand with the driver at zero, and at low weight the whole curves against the design's.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.linkage import batch
from calib.linkage.contacts import Ground
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import drawn_way, heading_figures, on_curve, wheel_headings
from calib.rig.adjustables import Move, adjusted, moves_of, usable_longest
from calib.rig.figures import FIGURES, kinds, on_one_stop
from calib.rig.model import FRAME, Rig, Target
from calib.rig.parameters import Kind, parsed, with_parameters
from calib.uncertainty import standard
from capture.errors import UserError

Array = NDArray[np.float64]

CURVE_TOL = np.deg2rad(1.0)  # a curve off by this everywhere adds CURVE_WEIGHT to the misfit
CURVE_WEIGHT = 0.05
LEVER_TOL = np.deg2rad(2.0)  # root mean square by which another lever may run off the drawing's curve
ZERO_TOL = np.deg2rad(1.5)  # mean heading at driver zero, and the other levers: harmless below this
OUT_OF_REACH = 50.0  # residual of a figure that cannot be had because a rod cannot reach


@dataclass(frozen=True)
class Variant:
    """One choice: hole by point, amount by move (mm or rad added); what is not named stays as it is."""

    holes: Mapping[str, str] = field(default_factory=dict)
    moves: Mapping[str, float] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.holes) + len(self.moves)

    def key(self) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, float], ...]]:
        """Hashable identity."""
        return (tuple(sorted(self.holes.items())),
                tuple(sorted((k, round(v, 6)) for k, v in self.moves.items() if v)))


def apply(rig: Rig, variant: Variant) -> Rig:
    """The rig with the variant's holes in use and its moves carried out."""
    return adjusted(rig, variant.holes, variant.moves)


def need_both_wheels(rig: Rig) -> None:
    """UserError unless the rig has a left and a right steered wheel."""
    if set(rig.wheels) != {"left", "right"}:
        raise UserError("Steering figures need both steered wheels; add the missing one of [wheels.left] and "
                        "[wheels.right] to the rig file.", "wheel_missing", "wheels")


def usable(rig: Rig) -> Rig:
    """The rig with each rod's range cut to the thread engaged and the tube overlap it has at its present length."""
    return replace(rig, rods={n: replace(r, longest=usable_longest(rig, n)) for n, r in rig.rods.items()})


STOP_ROOM = 0.002  # rad: so far the grid of a measured rig goes beyond its stops, for differences to either side


def driver_grid(rig: Rig, n: int, beyond: float = 0.0) -> Array:
    """``n`` driver angles (odd, zero in the middle), rad, over its travel and ``beyond`` at either end."""
    low, high = rig.driver_travel
    if not low < 0 < high:
        raise ValueError("straight ahead, as it was photographed, lies beyond the stops of the driver")
    low, high, half = low - beyond, high + beyond, n // 2
    return np.concatenate([np.linspace(low, 0.0, half + 1), np.linspace(0.0, high, half + 1)[1:]])


@dataclass(frozen=True)
class Curves:
    """Headings by side and angles of the other levers, (m, k) rad over ``driver`` (k,); NaN out of reach."""

    driver: Array
    headings: Mapping[str, Array]
    levers: Mapping[str, Array]
    travel: tuple[Array, Array] | None = None  # stops of the driver by variant, (m,) rad; None: the rig's

    def figures(self, rig: Rig, names: Collection[str] | None = None, way: float | None = None,
                ground: Ground | None = None) -> dict[str, Array]:
        """Figures, or those of ``names``, (m,) each, rad, mm or plain; ``rig`` gives wheels, kingpins and travel.

        ``way``: which way the wheels go in the drawing (``Curves.way`` of it); None: these curves are the drawing's.
        ``ground``: the rig's, where it is known already.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            return heading_figures(rig, self.driver, self.headings["left"], self.headings["right"],
                                   rig.bodies[rig.driver].travel if self.travel is None else self.travel, names, way,
                                   ground)

    def way(self) -> float:
        """1 or -1: which way the wheels of the first variant go as the driver angle grows; see drawn_way."""
        return drawn_way(self.driver, self.headings["left"][0], self.headings["right"][0])


class Perturbed(NamedTuple):
    """A variant with named parameters of the measured rig set to each row of ``values`` (m, n)."""

    variant: Variant
    names: Sequence[str]
    values: Array


class Model:
    """Curves of variants of one measured rig, over one driver grid. Closed form where the rig allows it."""

    def __init__(self, rig: Rig, driver: Array, moves: Mapping[str, Move] | None = None) -> None:
        self.rig, self.driver = rig, np.asarray(driver, float)
        self.moves = moves_of(rig) if moves is None else moves
        self.fast = batch.loop_order(rig) is not None
        self.levers = tuple(n for n, b in rig.bodies.items() if b.role == "lever" and n != rig.driver)

    def on(self, driver: Array) -> Model:
        """The same over another driver grid."""
        return Model(self.rig, driver, self.moves)

    def curves(self, variants: Sequence[Variant]) -> Curves:
        """Curves of every variant."""
        if self.fast:
            return self.run(self.side_by_side(variants))
        return self._swept([apply(self.rig, v) for v in variants])

    def side_by_side(self, variants: Sequence[Variant]) -> batch.Batch:
        """The variants side by side. Closed form only."""
        holes = {n: np.array([p.holes[v.holes.get(n, p.use)] for v in variants], float)
                 for n, p in self.rig.points.items() if len(p.holes) > 1}
        names = dict.fromkeys(n for v in variants for n in v.moves)
        moves = {n: np.array([v.moves.get(n, 0.0) for v in variants]) for n in names}
        return self.batch_of(holes, moves, len(variants))

    def table(self, holes: Mapping[str, Array], moves: Mapping[str, Array], m: int) -> Curves:
        """Curves from arrays: hole places (m, 3) by point, amounts (m,) by move. Closed form only."""
        return self.run(self.batch_of(holes, moves, m))

    def batch_of(self, holes: Mapping[str, Array], moves: Mapping[str, Array], m: int) -> batch.Batch:
        """Variants side by side from arrays: hole places (m, 3) by point, amounts (m,) by move. Closed form only."""
        b = batch.Batch(self.rig, m)
        for name, xyz in holes.items():
            b.hole[name] = np.array(np.broadcast_to(xyz, (m, 3)), float)
        self.carry_out(b, moves)
        return b

    def carry_out(self, b: batch.Batch, moves: Mapping[str, Array]) -> None:
        """Carry moves out on variants side by side, amounts (m,) by name."""
        for name, amount in moves.items():
            if name in self.rig.rods:  # any rod, also one that a builder cannot adjust
                b.lengthen(name, amount)
            else:
                self.moves[name].on(b, self.rig, amount)

    def perturbed(self, variant: Variant, names: Sequence[str], values: Array) -> Curves:
        """Curves of one variant with named parameters of the measured rig set to ``values`` (m, n)."""
        return self.all_perturbed([Perturbed(variant, names, values)])

    def all_perturbed(self, blocks: Sequence[Perturbed]) -> Curves:
        """Curves of every row of every block, one block after the other."""
        stops, times = self._stops(blocks), [len(p.values) for p in blocks]
        if not self.fast:
            return replace(self._swept([apply(with_parameters(self.rig, p.names, row), p.variant)
                                        for p in blocks for row in p.values]), travel=stops)
        unmoved = self.side_by_side([Variant(p.variant.holes) for p in blocks])
        b = unmoved.take(np.repeat(np.arange(len(blocks)), times))
        first = 0
        for p in blocks:
            rows = slice(first, first := first + len(p.values))
            for k, n in enumerate(parsed(p.names)):
                if n.kind is not Kind.HOLE or p.variant.holes.get(n.owner, self.rig.points[n.owner].use) == n.hole:
                    b.put(n, p.values[:, k], rows)
        made = dict.fromkeys(n for p in blocks for n in p.variant.moves)
        self.carry_out(b, {n: np.repeat([p.variant.moves.get(n, 0.0) for p in blocks], times) for n in made})
        return replace(self.run(b), travel=stops)

    def _stops(self, blocks: Sequence[Perturbed]) -> tuple[Array, Array] | None:
        """Stops of the driver by row of the blocks; None where the rig has none."""
        travel = self.rig.bodies[self.rig.driver].travel
        if travel is None:
            return None
        ends = [[np.full(len(p.values), x) for p in blocks] for x in travel]
        for i, p in enumerate(blocks):
            for k, n in enumerate(parsed(p.names)):
                if n.kind is Kind.TRAVEL and n.owner == self.rig.driver:
                    ends[n.component][i] = p.values[:, k]
        return np.concatenate(ends[0]), np.concatenate(ends[1])

    def run(self, b: batch.Batch) -> Curves:
        """Curves of variants side by side."""
        turned = b.turned(self.driver)
        levers = {n: np.arctan2(turned[n][1], turned[n][0]) for n in self.levers if n in turned}
        return Curves(self.driver, b.headings(turned), levers)

    def _swept(self, rigs: Sequence[Rig]) -> Curves:
        k, m = len(self.driver), len(rigs)
        head = {s: np.full((m, k), np.nan) for s in self.rig.wheels}
        lev = {n: np.full((m, k), np.nan) for n in self.levers}
        for i, rig in enumerate(rigs):
            sweep = Linkage(rig).sweep(self.driver)
            for side, h in wheel_headings(rig, sweep).items():
                head[side][i] = h
            for n in self.levers:
                lev[n][i] = sweep.angles[n]
        return Curves(self.driver, head, lev)


def drawn_zero(design: Rig, measured: Rig, body: str) -> float:
    """Angle (rad, from where it stood at straight ahead) at which a part stands as drawn straight ahead.

    By its stops: those of a measured rig count from where the part stood. Zero where none are given.
    """
    drawn, real = design.bodies[body].travel, measured.bodies[body].travel
    return 0.0 if drawn is None or real is None else 0.5 * (sum(real) - sum(drawn))


class Objective:
    """Residuals of curves against the design rig's targets and curves; ``measured`` gives the kingpins.

    A target is met where its residual lies from ``lowest`` to 1.

    ``rest``: by what the residuals of all but the targets are multiplied.
    """

    def __init__(self, design: Rig, driver: Array, measured: Rig | None = None, rest: float = 1.0) -> None:
        self.rig, self.measured, self.rest = design, measured or design, rest
        steered = {k.name for k in kinds("travel")}
        self.zero = drawn_zero(design, self.measured, design.driver)
        self.zero_tol = float(np.hypot(ZERO_TOL, standard(self.measured.stop_tol)))
        self.design = Model(design, driver - self.zero).curves([Variant()])  # where the lever stands as drawn
        self.way = self.design.way()
        self.open = tuple(n for n in on_one_stop() if n in design.targets and self._stops_decide(design.targets[n]))
        self.targets = [t for n, t in design.targets.items() if n in steered and n not in self.open]
        self.skipped = tuple(n for n in design.targets if n not in steered)
        self.names = {t.name for t in self.targets}
        self.tolerance = np.array([t.tolerance for t in self.targets])
        self.doubt = np.array([standard(t.doubt) for t in self.targets])  # standard uncertainties of the targets
        self.lowest = np.array([-np.inf if FIGURES[t.name].rule == "at most" else -1.0 for t in self.targets])
        self.i0 = int(np.argmin(np.abs(driver)))
        self.ground = Ground.of(self.measured)
        self.ahead = self._at_zero(driver, np.mean([h[0] for h in self.design.headings.values()], axis=0))

    def _stops_decide(self, target: Target) -> bool:
        """Whether the doubt of where the stops are alone exceeds the tolerance."""
        mean = np.mean([h[0] for h in self.design.headings.values()], axis=0)
        d = self.design.driver
        slope = abs(float(on_curve(d, mean, np.array(0.0))[1])) if len(d) >= 4 else 1.0
        return bool((2 if target.name == "symmetry" else 1) * slope * self.measured.stop_tol > target.tolerance)

    def _at_zero(self, driver: Array, y: Array) -> Array:
        """Values (...) of curves (..., k) where the driver stands as drawn straight ahead."""
        return on_curve(driver, y, self.zero)[0]

    def figures(self, c: Curves, names: Collection[str] | None = None) -> dict[str, Array]:
        """Figures of the curves, or those of ``names``, (m,) each."""
        return c.figures(self.measured, names, self.way, self.ground)

    def residuals(self, c: Curves) -> Array:
        """(m, r): targets first (in the order of ``targets``), then zero positions, then curves."""
        f = self.figures(c, self.names)
        cols = [(f[t.name] - t.value) / t.tolerance for t in self.targets]
        h0 = np.mean([self._at_zero(c.driver, h) for h in c.headings.values()], axis=0)
        cols.append((h0 - self.ahead) / self.zero_tol * self.rest)
        scale = np.sqrt(CURVE_WEIGHT / len(c.driver)) / CURVE_TOL * self.rest
        blocks = [np.stack(cols, axis=1)]
        for side, h in c.headings.items():
            blocks.append((h - self.design.headings[side]) * scale)
        for n, a in c.levers.items():
            if n in self.design.levers:
                diff = a - drawn_zero(self.rig, self.measured, n) - self.design.levers[n]
                blocks.append(self._at_zero(c.driver, diff)[:, None] / self.zero_tol * self.rest)
                blocks.append(diff / LEVER_TOL / np.sqrt(len(c.driver)) * self.rest)
        return _or_out_of_reach(np.concatenate(blocks, axis=1))

    def misfit(self, c: Curves) -> Array:
        """Sum of squared residuals, (m,)."""
        r = self.residuals(c)
        return np.sum(r * r, axis=1)


def _or_out_of_reach(r: Array) -> Array:
    return np.where(np.isfinite(r), r, OUT_OF_REACH)


def steering_rods(rig: Rig) -> tuple[str, ...]:
    """Rods between the driver and the uprights; the others only set where a second lever stands."""
    made = batch.loop_order(rig)
    if made is None:
        return tuple(rig.rods)
    steps, _ = made
    wanted = {w.upright for w in rig.wheels.values()}
    out = []
    for s in reversed(steps):
        if s.body in wanted:
            out.append(s.rod)
            wanted.add(rig.points[s.known].body)
    return tuple(r for r in rig.rods if r in out)


def side_rods(rig: Rig) -> tuple[str, ...]:
    """Rods that bring in a body no upright hangs on (the lever that is not the driver)."""
    made = batch.loop_order(rig)
    if made is None:
        return ()
    main = steering_rods(rig)
    return tuple(s.rod for s in made[0] if s.rod not in main and s.body != FRAME)


@dataclass(frozen=True)
class Solved:
    """Variants with their amounts solved for: misfits (m,), residuals (m, r), slopes (m, r, n_moves) per unit."""

    variants: list[Variant]
    misfits: Array
    residuals: Array
    J: Array
    names: tuple[str, ...]  # the moves of the last axis of J; zero for those not free


Penalty = Callable[[batch.Batch], Array]  # more residuals (m, p), zero where nothing is wrong


def solve(model: Model, objective: Objective, variants: Sequence[Variant], free: Sequence[Sequence[str]],
          rounds: int = 4, penalty: Penalty | None = None, parts: Sequence[int] = ()) -> Solved:
    """Amounts of least misfit for every variant within each move's range, Gauss-Newton side by side.

    ``free`` names the moves that may change, per variant; the others stay as the variant has them. ``penalty``
    adds residuals for limits that are broken (closed form only). ``parts`` (m,): variants of the same number go on for
    as long as one of them does; none: all of them do.
    """
    names = tuple(dict.fromkeys([*(n for n, mv in model.moves.items() if mv.solved), *(n for f in free for n in f)]))
    m, n = len(variants), len(names)
    own = [model.moves[k] for k in names]
    mask = np.array([[k in f for k in names] for f in free], float).reshape(m, n)
    low, high = np.array([mv.low for mv in own]), np.array([mv.high for mv in own])
    stride, nudge = np.array([mv.stride for mv in own]), np.array([mv.nudge for mv in own])
    x = np.array([[v.moves.get(k, 0.0) for k in names] for v in variants]).reshape(m, n)
    on, part, (nudged, by) = np.arange(m), np.array([*parts] or [0] * m), np.nonzero(mask)
    side_by_side = model.side_by_side(variants) if model.fast else None

    def run(y: Array, rows: NDArray[np.intp]) -> Array:
        """Residuals of the variants at ``rows`` (k,) with amounts (k, n)."""
        if side_by_side is None:
            return objective.residuals(model.curves([_with(variants[i], names, row)
                                                     for i, row in zip(rows, y, strict=True)]))
        b, more = side_by_side.take(rows), y - x0[rows]
        model.carry_out(b, {k: more[:, i] for i, k in enumerate(names)})
        r = objective.residuals(model.run(b))
        return r if penalty is None else np.concatenate([r, penalty(b)], axis=1)

    x0 = x.copy()
    r = run(x, on)
    q = np.sum(r * r, axis=1)
    J = np.zeros((m, r.shape[1], n))
    for _ in range(rounds):
        going = np.isin(nudged, on)
        if going.any():  # all at once: most of the time goes into the calls, not the numbers
            rows, k = nudged[going], by[going]
            y = x[rows]
            y[np.arange(len(k)), k] += nudge[k]
            J[rows, :, k] = (run(y, rows) - r[rows]) / nudge[k][:, None]
        step = np.clip(gauss_newton(J[on], r[on], mask[on]), -stride, stride)
        start, rows = x.copy(), np.arange(len(on))
        for shrink in (1.0, 0.3):
            i = on[rows]
            y = np.clip(start[i] + shrink * step[rows], low, high)
            ry = run(y, i)
            qy = np.sum(ry * ry, axis=1)
            better = qy < q[i]
            x[i], r[i] = np.where(better[:, None], y, x[i]), np.where(better[:, None], ry, r[i])
            q[i] = np.where(better, qy, q[i])
            rows = rows[np.isin(part[i], part[i[~better]])]
            if not len(rows):
                break
        moved = np.max(np.abs(x - start), axis=1, initial=0.0) >= 1e-3
        on = on[np.isin(part[on], part[moved])]
        if not len(on):
            break
    out = [replace(v, moves={**{k: a for k, a in v.moves.items() if k not in names},
                             **{k: float(a) for k, a, f in zip(names, row, fr, strict=True) if f or a}})
           for v, row, fr in zip(variants, x, mask, strict=True)]
    return Solved(out, q, r, J, names)


def _with(v: Variant, names: Sequence[str], row: Array) -> Variant:
    return replace(v, moves={**v.moves, **dict(zip(names, map(float, row), strict=True))})


def gauss_newton(J: Array, r: Array, mask: Array, damping: float = 1e-9) -> Array:
    """Steps (m, n) of least squares from residuals (m, r) and slopes (m, r, n), zero where ``mask`` (m, n) is."""
    n = mask.shape[1]
    normal = np.einsum("mra,mrb->mab", J, J)
    grad = np.einsum("mra,mr->ma", J, r)
    damped = normal + damping * np.eye(n) * (1 + np.trace(normal, axis1=1, axis2=2))[:, None, None]
    held = np.einsum("ma,ab->mab", 1 - mask, np.eye(n))
    return np.asarray(-np.linalg.solve(damped + held, grad[..., None])[..., 0] * mask)
