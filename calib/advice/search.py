"""The misfit of many adjusted variants at once, its slopes, and the rod lengths that make it least.

A variant is a choice of hole per point, a change per rod (mm, added to the present length) and a shift per
slide (mm). The residuals are the target figures over their tolerances, where the levers and the wheels stand
with the driver at zero, and at low weight the whole curves against the design's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.linkage import batch
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import heading_figures, wheel_headings
from calib.rig.figures import kinds
from calib.rig.model import FRAME, Rig
from calib.rig.parameters import Kind, parsed, with_parameters
from calib.rig.schema import LEAST_ENGAGEMENT
from capture.errors import UserError

Array = NDArray[np.float64]

CURVE_TOL = np.deg2rad(1.0)  # a curve off by this everywhere adds CURVE_WEIGHT to the misfit
CURVE_WEIGHT = 0.05
LEVER_TOL = np.deg2rad(2.0)  # root mean square by which another lever may run off the drawing's curve
ZERO_TOL = np.deg2rad(1.5)  # mean heading at driver zero, and the other levers: harmless below this
OUT_OF_REACH = 50.0  # residual of a figure that cannot be had because a rod cannot reach


@dataclass(frozen=True)
class Variant:
    """One choice: hole by point, mm by rod, mm by slide; what is not named stays as it is."""

    holes: Mapping[str, str]
    rods: Mapping[str, float]
    slides: Mapping[str, float]

    def __len__(self) -> int:
        return len(self.holes) + len(self.rods) + len(self.slides)

    def key(self) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, float], ...],
                           tuple[tuple[str, float], ...]]:
        """Hashable identity."""
        return (tuple(sorted(self.holes.items())),
                tuple(sorted((k, round(v, 6)) for k, v in self.rods.items() if v)),
                tuple(sorted((k, round(v, 6)) for k, v in self.slides.items() if v)))


def apply(rig: Rig, variant: Variant) -> Rig:
    """The rig with the variant's holes in use, rods lengthened and slides moved."""
    points, rods, bodies = dict(rig.points), dict(rig.rods), dict(rig.bodies)
    for name, hole in variant.holes.items():
        points[name] = replace(points[name], use=hole)
    for name, mm in variant.rods.items():
        rods[name] = replace(rods[name], length=rods[name].length + mm)
    for name, mm in variant.slides.items():
        slide = rig.slides[name]
        by = mm * np.asarray(slide.direction, float) / np.linalg.norm(slide.direction)

        def moved(v: Sequence[float], by: Array = by) -> tuple[float, float, float]:
            w = np.asarray(v, float) + by
            return (float(w[0]), float(w[1]), float(w[2]))

        for b in slide.bodies:
            bodies[b] = replace(bodies[b], pivot=moved(bodies[b].pivot))
        for n, p in points.items():
            if p.body in slide.bodies:
                points[n] = replace(p, holes={h: moved(v) for h, v in p.holes.items()})
    return replace(rig, points=points, rods=rods, bodies=bodies)


def need_both_wheels(rig: Rig) -> None:
    """UserError unless the rig has a left and a right steered wheel."""
    if set(rig.wheels) != {"left", "right"}:
        raise UserError("Steering figures need both steered wheels; add the missing one of [wheels.left] and "
                        "[wheels.right] to the rig file.", "wheel_missing", "wheels")


def usable(rig: Rig) -> Rig:
    """The rig with each rod's range cut to the thread engaged and the tube overlap it has at its present length.

    A screwed rod keeps 1.5 diameters engaged at each end (common practice, no source), a clamp its least overlap.
    """
    rods = {}
    for n, r in rig.rods.items():
        spare = np.inf
        if r.engaged_now is not None and r.thread is not None and r.thread.diameter is not None:
            spare = (r.engaged_now - LEAST_ENGAGEMENT * r.thread.diameter) * r.thread.ends
        if r.overlap is not None and r.overlap_now is not None:
            spare = min(spare, r.overlap_now - r.overlap)
        rods[n] = replace(r, longest=float(min(r.longest, r.length + max(spare, 0.0))))
    return replace(rig, rods=rods)


STOP_ROOM = 0.002  # rad: so far the grid of a measured rig goes beyond its stops, for differences to either side


def driver_grid(rig: Rig, n: int, beyond: float = 0.0) -> Array:
    """``n`` driver angles (odd, zero in the middle), rad, over its travel and ``beyond`` at either end."""
    low, high = rig.driver_travel
    low, high, half = low - beyond, high + beyond, n // 2
    return np.concatenate([np.linspace(low, 0.0, half + 1), np.linspace(0.0, high, half + 1)[1:]])


@dataclass(frozen=True)
class Curves:
    """Headings by side and angles of the other levers, (m, k) rad over ``driver`` (k,); NaN out of reach."""

    driver: Array
    headings: Mapping[str, Array]
    levers: Mapping[str, Array]
    travel: tuple[Array, Array] | None = None  # stops of the driver by variant, (m,) rad; None: the rig's

    def figures(self, rig: Rig) -> dict[str, Array]:
        """Figures by name, (m,) each, rad, mm or plain; ``rig`` gives wheelbase, kingpins and travel."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return heading_figures(rig, self.driver, self.headings["left"], self.headings["right"],
                                   rig.bodies[rig.driver].travel if self.travel is None else self.travel)


class Model:
    """Curves of variants of one measured rig, over one driver grid. Closed form where the rig allows it."""

    def __init__(self, rig: Rig, driver: Array) -> None:
        self.rig, self.driver = rig, np.asarray(driver, float)
        self.fast = batch.plan(rig) is not None
        self.levers = tuple(n for n, b in rig.bodies.items() if b.role == "lever" and n != rig.driver)

    def curves(self, variants: Sequence[Variant]) -> Curves:
        """Curves of every variant."""
        return self._closed(variants) if self.fast else self._swept([apply(self.rig, v) for v in variants])

    def table(self, holes: Mapping[str, Array], rods: Mapping[str, Array], slides: Mapping[str, Array],
              m: int) -> Curves:
        """Curves from arrays: hole places (m, 3) by point, mm (m,) by rod and by slide. Closed form only."""
        b = batch.Batch(self.rig, m)
        for name, xyz in holes.items():
            b.hole[name] = np.array(np.broadcast_to(xyz, (m, 3)), float)
        for name, mm in rods.items():
            b.length[name] = b.length[name] + mm
        for name, mm in slides.items():
            s = self.rig.slides[name]
            d = np.asarray(s.direction, float) / np.linalg.norm(s.direction)
            b.shift(s.bodies, np.asarray(mm)[:, None] * d)
        return self._run(b)

    def perturbed(self, variant: Variant, names: Sequence[str], values: Array) -> Curves:
        """Curves of one variant with named parameters of the measured rig set to ``values`` (m, n)."""
        base = replace(self.rig, points={n: replace(p, use=variant.holes.get(n, p.use))
                                         for n, p in self.rig.points.items()})
        stops = self._stops(names, values)
        if not self.fast:
            return replace(self._swept([apply(with_parameters(self.rig, names, row), variant) for row in values]),
                           travel=stops)
        b = batch.Batch(base, len(values))
        for k, name in enumerate(names):
            b.set(name, values[:, k])
        for name, mm in variant.rods.items():
            b.length[name] = b.length[name] + mm
        for name, mm in variant.slides.items():
            s = self.rig.slides[name]
            d = np.asarray(s.direction, float) / np.linalg.norm(s.direction)
            b.shift(s.bodies, mm * d)
        return replace(self._run(b), travel=stops)

    def _stops(self, names: Sequence[str], values: Array) -> tuple[Array, Array] | None:
        """Stops of the driver by row of ``values`` (m, n); None where the rig has none."""
        travel = self.rig.bodies[self.rig.driver].travel
        if travel is None:
            return None
        ends = [np.full(len(values), x) for x in travel]
        for k, n in enumerate(parsed(names)):
            if n.kind is Kind.TRAVEL and n.owner == self.rig.driver:
                ends[n.component] = values[:, k]
        return ends[0], ends[1]

    def _closed(self, variants: Sequence[Variant]) -> Curves:
        m = len(variants)
        holes = {n: np.array([p.holes[v.holes.get(n, p.use)] for v in variants], float)
                 for n, p in self.rig.points.items() if len(p.holes) > 1}
        rods = {n: np.array([v.rods.get(n, 0.0) for v in variants]) for n in self.rig.rods}
        slides = {n: np.array([v.slides.get(n, 0.0) for v in variants]) for n in self.rig.slides}
        return self.table(holes, rods, slides, m)

    def _run(self, b: batch.Batch) -> Curves:
        angles = b.angles(self.driver)
        k = len(self.driver)
        levers = {n: np.broadcast_to(angles[n], (b.m, k)) for n in self.levers if n in angles}
        return Curves(self.driver, b.headings(angles), levers)

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


class Objective:
    """Residuals of curves against the design rig's targets and curves; ``measured`` gives the kingpins."""

    def __init__(self, design: Rig, driver: Array, measured: Rig | None = None) -> None:
        self.rig, self.measured = design, measured or design
        steered = {k.name for k in kinds("travel")}
        self.targets = [t for n, t in design.targets.items() if n in steered]
        self.skipped = tuple(n for n in design.targets if n not in steered)
        self.design = Model(design, driver).curves([Variant({}, {}, {})])
        self.i0 = int(np.argmin(np.abs(driver)))

    def figures(self, c: Curves) -> dict[str, Array]:
        """All figures of the curves, (m,) each."""
        return c.figures(self.measured)

    def residuals(self, c: Curves) -> Array:
        """(m, r): targets first (in the order of ``targets``), then zero positions, then curves."""
        f = self.figures(c)
        cols = [(f[t.name] - t.value) / t.tolerance for t in self.targets]
        h0 = sum(h[:, self.i0] for h in c.headings.values()) / max(1, len(c.headings))
        d0 = sum(h[0, self.i0] for h in self.design.headings.values()) / max(1, len(c.headings))
        cols.append((h0 - d0) / ZERO_TOL)
        scale = np.sqrt(CURVE_WEIGHT / len(c.driver)) / CURVE_TOL
        blocks = [np.stack(cols, axis=1)]
        for side, h in c.headings.items():
            blocks.append((h - self.design.headings[side]) * scale)
        for n, a in c.levers.items():
            if n in self.design.levers:
                diff = a - self.design.levers[n]
                blocks.append(diff[:, [self.i0]] / ZERO_TOL)
                blocks.append(diff / LEVER_TOL / np.sqrt(len(c.driver)))
        r = np.concatenate(blocks, axis=1)
        return np.where(np.isfinite(r), r, OUT_OF_REACH)

    def misfit(self, c: Curves) -> Array:
        """Sum of squared residuals, (m,)."""
        r = self.residuals(c)
        return np.sum(r * r, axis=1)


def steering_rods(rig: Rig) -> tuple[str, ...]:
    """Rods between the driver and the uprights; the others only set where a second lever stands."""
    made = batch.plan(rig)
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
    made = batch.plan(rig)
    if made is None:
        return ()
    main = steering_rods(rig)
    return tuple(s.rod for s in made[0] if s.rod not in main and s.body != FRAME)


def solve_rods(model: Model, objective: Objective, variants: Sequence[Variant], free: Sequence[Sequence[str]],
               rounds: int = 4) -> tuple[list[Variant], Array, Array]:
    """Rod changes of least misfit for every variant, Gauss-Newton side by side.

    ``free`` names the rods that may change, per variant. Returns the variants with continuous changes
    (within each rod's range), their misfits (m,), and the residuals' slopes (m, r, n_rods) per mm of each rod
    in the order of ``model.rig.rods`` (zero for rods not free).
    """
    names = list(model.rig.rods)
    m, n = len(variants), len(names)
    mask = np.array([[r in f for r in names] for f in free], float).reshape(m, n)
    low = np.array([model.rig.rods[r].shortest - model.rig.rods[r].length for r in names])
    high = np.array([model.rig.rods[r].longest - model.rig.rods[r].length for r in names])
    low, high = np.minimum(low, 0.0), np.maximum(high, 0.0)
    x = np.array([[v.rods.get(r, 0.0) for r in names] for v in variants]).reshape(m, n)
    active = [k for k in range(n) if mask[:, k].any()]

    def run(y: Array) -> Array:
        if model.fast:
            holes = {p: np.array([q.holes[v.holes.get(p, q.use)] for v in variants], float)
                     for p, q in model.rig.points.items() if len(q.holes) > 1}
            slides = {s: np.array([v.slides.get(s, 0.0) for v in variants]) for s in model.rig.slides}
            c = model.table(holes, {r: y[:, k] for k, r in enumerate(names)}, slides, m)
        else:
            c = model.curves([replace(v, rods=dict(zip(names, row, strict=True)))
                              for v, row in zip(variants, y, strict=True)])
        return objective.residuals(c)

    r = run(x)
    q = np.sum(r * r, axis=1)
    h = 0.05  # mm
    J = np.zeros((m, r.shape[1], n))
    for _ in range(rounds):
        J = np.zeros((m, r.shape[1], n))
        for k in active:
            y = x.copy()
            y[:, k] += h
            J[:, :, k] = (run(y) - r) / h * mask[:, k][:, None]
        normal = np.einsum("mra,mrb->mab", J, J)
        grad = np.einsum("mra,mr->ma", J, r)
        damped = normal + 1e-9 * np.eye(n) * (1 + np.trace(normal, axis1=1, axis2=2))[:, None, None]
        held = np.einsum("ma,ab->mab", 1 - mask, np.eye(n))
        step = -np.linalg.solve(damped + held, grad[..., None])[..., 0]
        step = np.clip(step * mask, -15.0, 15.0)
        best, bq, br = x, q, r
        for shrink in (1.0, 0.3):
            y = np.clip(x + shrink * step, low, high)
            ry = run(y)
            qy = np.sum(ry * ry, axis=1)
            better = qy < bq
            best = np.where(better[:, None], y, best)
            bq, br = np.where(better, qy, bq), np.where(better[:, None], ry, br)
            if better.all():
                break
        done = np.max(np.abs(best - x)) < 1e-3
        x, q, r = best, bq, br
        if done:
            break
    out = [replace(v, rods={nm: float(val) for nm, val, f in zip(names, row, fr, strict=True)
                            if f or val}) for v, row, fr in zip(variants, x, mask, strict=True)]
    return out, q, J
