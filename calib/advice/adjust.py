"""What to change: which hole, which rod, which way, how far, and how sure that is.

Every hole combination is searched; rod lengths are solved continuously, snapped to whole steps and checked
again; results within the measurement's own uncertainty of each other are ranked by least work.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.advice.propagation import Slopes, slopes, with_wheel_doubt
from calib.advice.proposal import (
    Builder,
    Change,
    Predicted,
    Proposal,
    Proposals,
    Withheld,
    gaussian,
    radius,
    title,
)
from calib.advice.search import (
    Model,
    Objective,
    Variant,
    apply,
    driver_grid,
    need_both_wheels,
    side_rods,
    solve_rods,
    steering_rods,
    usable,
)
from calib.linkage.limits import check_limits, surely_kept
from calib.linkage.mechanism import Linkage
from calib.results import AsBuilt
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
    exact: int = 30  # hole combinations taken on to snapping
    each: int = 6  # variants kept of each number of changes
    most_combinations: int = 20000
    margin: float = np.deg2rad(3.0)  # limits must hold this far beyond the travel
    small_gain: float = 0.25  # misfit (squared tolerances) not worth more work, unless
    small_chance: float = 0.03  # the chance to meet every tolerance falls by this
    sure: float = 0.95  # chance a gain must have before it is worth work
    holes: bool = True
    rods: bool = True
    slides: bool = True


@dataclass
class _Candidate:
    variant: Variant
    free: tuple[str, ...]
    q: float
    draws: Array = field(default_factory=lambda: np.zeros(0))
    effort: float = 0.0
    chance: float = 0.0
    supports: dict[str, tuple[float, float]] = field(default_factory=dict)  # rod -> continuous need, u95

    def weak(self) -> list[str]:
        """Rods whose change is smaller than its own 95 % uncertainty."""
        return [r for r in self.variant.rods if abs(self.supports[r][0]) <= self.supports[r][1]]


def propose(design: Rig, as_built: AsBuilt, options: AdjustOptions | None = None) -> Proposals:
    """Adjustments of the measured rig that bring it nearest the design's targets, with chances.

    ``design`` gives targets, tolerances and the wanted curves; ``as_built`` the present holes, rods and their
    joint covariance. Raises UserError where no target can be judged or the measured rig cannot be assembled.

    >>> proposals = propose(rig, fit.as_built)  # from load_rig and estimate
    >>> proposals.best.misfit < proposals.leave.misfit
    True
    >>> proposals.best.changes[0].kind in ("hole", "rod", "slide")
    True
    """
    opt = options or AdjustOptions()
    as_built = with_wheel_doubt(as_built)
    rig = usable(as_built.rig)
    need_both_wheels(design)
    need_both_wheels(rig)
    if not Model(rig, driver_grid(rig, 3)).fast:  # no closed form: every variant is walked, so fewer of them
        opt = replace(opt, exact=min(opt.exact, 3), each=min(opt.each, 2))
    coarse, fine = driver_grid(rig, 13), driver_grid(rig, 61)
    model, objective = Model(rig, coarse), Objective(design, coarse, rig)
    notes = [f"The target {n!r} is not one the adjustment can steer by; it was left out."
             for n in objective.skipped]
    if not objective.targets:
        raise UserError("The rig file names no target the adjustment can steer by; add toe, ratio, symmetry, "
                        "ackermann_error or lock under [targets].", "no_target", "targets")
    nothing = Variant({}, {}, {})
    start = model.curves([nothing])
    if not all(np.isfinite(h[:, objective.i0]).all() for h in start.headings.values()):
        raise UserError("The measured rig cannot be assembled straight ahead with its present rods; "
                        "check the rod ranges and holes in the rig file against the vehicle.",
                        "cannot_assemble", rig.name)

    combos, beside = _hole_choices(rig, opt)
    slides = _slide_choices(rig, opt)
    rods = _free_rods(rig, opt)
    kept = _prune(rig, objective, combos, beside, slides, rods, opt)
    candidates = _with_rods(model, objective, kept, rods)
    candidates.sort(key=lambda c: c.q)
    limits = _Limits(rig, design, coarse, opt.margin)
    beyond = np.degrees(opt.margin)
    notes += [f"The drawing itself breaks a limit within {beyond:g} deg of its travel: {text}; proposals may be as "
              "bad, not worse." for _, _, _, text in limits.drawn]
    none = _Candidate(nothing, (), float(objective.misfit(start)[0]))
    good, stopped = [none], []
    room: dict[int, int] = {}  # by number of changes: many-change variants must not crowd out the simple ones
    better = [c for c in candidates if c.q < none.q]
    for k, c in enumerate(better):
        if k % 32 == 0:  # looked at side by side
            kept_by = limits.surely_kept([x.variant for x in better[k:k + 32]])
        n = len(c.variant)
        if room.get(n, 0) >= opt.each:
            continue
        why = [] if kept_by[k % 32] else limits.broken(c.variant)
        if why:
            stopped.append((c.q, why))
        else:
            good.append(c)
            room[n] = room.get(n, 0) + 1

    dp = gaussian(as_built.cov, np.random.default_rng(opt.seed), min(opt.draws, 2000))
    found = [slopes(model, as_built, c.variant, objective.residuals) for c in good]
    for c, s in zip(good, found, strict=True):
        r = s.values + dp[:, [as_built.names.index(n) for n in s.names]] @ s.J.T
        c.draws = np.sum(r * r, axis=1)
        inside = np.abs(r[:, :len(objective.targets)]) <= 1.0
        c.chance = float(inside.all(axis=1).mean())
        c.effort = _work(c.variant, rig, design)
    _supports(model, objective, good, found)
    supported = [c for c in good if not c.weak()]
    ranked = _rank(supported, opt)
    builder = Builder(as_built, Model(rig, fine), Objective(design, fine, rig), opt.draws, opt.seed)
    leave = builder.proposal(nothing, none.q, {})
    wrong = any(f.verdict.not_met for f in leave.figures)
    chosen = ranked[0] if wrong else none
    best = leave if chosen is none else builder.proposal(chosen.variant, chosen.q, chosen.supports)
    withheld = _left_out(chosen, good, rig, wrong, opt)
    others = [builder.proposal(c.variant, c.q, c.supports) for c in _alternatives(ranked, chosen, none, opt)]
    if chosen is not none:
        others.append(leave)
    limited = list(dict.fromkeys(w for q, why in stopped if q < chosen.q for w in why))[:5]
    photos = builder.photos(chosen.variant)
    limited += _short_range(model, objective, chosen, rods, opt)
    limited += _missing_hole(model, objective, chosen.variant, best)
    if len(combos) >= opt.most_combinations:
        notes.append(f"Only the first {opt.most_combinations} hole combinations were looked at.")
    return Proposals(best, tuple(others), leave, tuple(withheld), tuple(limited), tuple(photos), tuple(notes),
                     len(combos) * len(beside))


# --- the search -------------------------------------------------------------------------------------------

def _free_rods(rig: Rig, opt: AdjustOptions) -> tuple[str, ...]:
    if not opt.rods:
        return ()
    return tuple(n for n, r in rig.rods.items() if r.adjuster != "fixed" and r.longest > r.shortest)


def _side_points(rig: Rig) -> set[str]:
    side = side_rods(rig)
    return {p for r in side for p in (rig.rods[r].a, rig.rods[r].b)}


def _hole_choices(rig: Rig, opt: AdjustOptions) -> tuple[list[dict[str, str]], list[dict[str, str]]]:
    """Hole by point, where it differs from the present: for what steers, and for rods to a second lever only."""
    many = [n for n, p in rig.points.items() if len(p.holes) > 1] if opt.holes else []
    side = _side_points(rig)

    def every(names: Sequence[str], most: int) -> list[dict[str, str]]:
        picks = itertools.islice(itertools.product(*(rig.points[n].holes for n in names)), most)
        return [{n: h for n, h in zip(names, pick, strict=True) if h != rig.points[n].use} for pick in picks]

    return (every([n for n in many if n not in side], opt.most_combinations),
            every([n for n in many if n in side], 200))


def _slide_choices(rig: Rig, opt: AdjustOptions) -> list[dict[str, float]]:
    out: list[dict[str, float]] = [{}]
    if opt.slides:
        for n, s in rig.slides.items():
            first, last = int(np.ceil(s.range[0] / s.step)), int(np.floor(s.range[1] / s.step))
            steps = sorted({int(k) for k in np.linspace(first, last, min(7, last - first + 1)).round()} - {0})
            out += [{n: k * s.step} for k in steps]
    return out


def _prune(rig: Rig, objective: Objective, combos: Sequence[Mapping[str, str]],
           beside: Sequence[Mapping[str, str]], slides: Sequence[Mapping[str, float]], rods: Sequence[str],
           opt: AdjustOptions) -> list[Variant]:
    """The most promising hole combinations and slide places, rods solved continuously on a coarse grid."""
    rows = [Variant(h, {}, s) for s in slides for h in combos]
    model = Model(rig, driver_grid(rig, 7))
    target = Objective(objective.rig, model.driver, rig)
    if not model.fast and len(rows) > 60:  # too slow to try all: single changes and pairs nearest the present
        rows = sorted(rows, key=lambda v: len(v.holes) + len(v.slides))[:60]
    q = np.empty(len(rows))
    main = [r for r in rods if r in steering_rods(rig)]
    for i in range(0, len(rows), 3000):
        part = rows[i:i + 3000]
        q[i:i + 3000] = solve_rods(model, target, part, [main] * len(part), rounds=2)[1]
    best = list(np.argsort(q, kind="stable")[:opt.exact])
    single = [i for i, v in enumerate(rows) if len(v.holes) + len(v.slides) == 1]
    single.sort(key=lambda i: q[i])
    best += [i for i in single[:8 if model.fast else 2] if i not in best]
    best += [i for i, v in enumerate(rows) if not v.holes and not v.slides and i not in best]
    kept = [rows[i] for i in best]
    if len(beside) > 1 and model.fast:
        kept += _beside(model, target, kept, beside, rods, opt)
    return kept


def _beside(model: Model, objective: Objective, kept: Sequence[Variant], beside: Sequence[Mapping[str, str]],
            rods: Sequence[str], opt: AdjustOptions) -> list[Variant]:
    """For each kept variant, the holes of the rods to a second lever that keep both levers together best."""
    rows = [replace(v, holes={**v.holes, **b}) for v in kept for b in beside]
    q = solve_rods(model, objective, rows, [rods] * len(rows), rounds=2)[1].reshape(len(kept), len(beside))
    plain = next(k for k, b in enumerate(beside) if not b)
    out = []
    for i, row in enumerate(q):
        if row[plain] - row.min() > opt.small_gain:
            near = [k for k in range(len(beside)) if row[k] <= row.min() + opt.small_gain]
            k = min(near, key=lambda k: (_work(rows[i * len(beside) + k], model.rig, objective.rig), row[k]))
            out.append(rows[i * len(beside) + k])
    return out


def _subsets(rods: Sequence[str]) -> list[tuple[str, ...]]:
    """Sets of rods that may change together: all up to five rods, else up to three at a time and all."""
    most = len(rods) if len(rods) <= 5 else 3
    out = [s for k in range(most + 1) for s in itertools.combinations(rods, k)]
    return out if most == len(rods) else [*out, tuple(rods)]


def _with_rods(model: Model, objective: Objective, kept: Sequence[Variant],
               rods: Sequence[str]) -> list[_Candidate]:
    """Every kept variant with every set of rods solved, snapped to the better neighbouring whole steps."""
    rows = [(v, s) for v in kept for s in _subsets(rods) if model.fast or len(s) in (0, 1, len(rods))]
    solved, _, _ = solve_rods(model, objective, [v for v, _ in rows], [s for _, s in rows])
    snapped: list[Variant] = []
    owner: list[int] = []
    for i, (v, (_, free)) in enumerate(zip(solved, rows, strict=True)):
        choices = [_neighbours(model.rig, r, v.rods.get(r, 0.0)) for r in free]
        for pick in itertools.product(*choices):
            snapped.append(replace(v, rods={r: mm for r, mm in zip(free, pick, strict=True) if mm}))
            owner.append(i)
    q = np.concatenate([objective.misfit(model.curves(snapped[i:i + 4000]))
                        for i in range(0, len(snapped), 4000)]) if snapped else np.zeros(0)
    best: dict[int, int] = {}
    for j, i in enumerate(owner):
        if i not in best or q[j] < q[best[i]]:
            best[i] = j
    out: dict[object, _Candidate] = {}
    for _, j in best.items():
        v = snapped[j]
        out.setdefault(v.key(), _Candidate(v, tuple(v.rods), float(q[j])))
    return list(out.values())


def _neighbours(rig: Rig, name: str, mm: float) -> tuple[float, ...]:
    """Whole-step changes on either side of ``mm`` that stay within the rod's range."""
    r = rig.rods[name]
    ks = {int(np.floor(mm / r.step)), int(np.ceil(mm / r.step))}
    ok = sorted(k * r.step for k in ks if k == 0 or r.shortest <= r.length + k * r.step <= r.longest)
    return tuple(ok) or (0.0,)


class _Limits:
    """Which limits a variant breaks clearly worse than the vehicle or the drawing already does."""

    SLACK = {"transmission": np.deg2rad(0.5), "misalignment": np.deg2rad(0.5), "travel": np.deg2rad(0.5)}

    def __init__(self, rig: Rig, design: Rig, driver: Array, margin: float) -> None:
        self.rig = rig
        self.driver = np.concatenate([[driver[0] - margin], driver, [driver[-1] + margin]])
        self.drawn = self._check(design)
        self.had: dict[tuple[str, str], float] = {}
        for name, item, miss, _ in [*self._check(rig), *self.drawn]:
            self.had[name, item] = max(miss, self.had.get((name, item), 0.0))

    def _check(self, rig: Rig) -> list[tuple[str, str, float, str]]:
        sweep = Linkage(rig).sweep(self.driver)
        bad = [x for x in check_limits(rig, sweep) if not x.ok]
        return [(x.name, x.item, abs(x.value - x.allowed), x.text) for x in bad]

    def surely_kept(self, variants: Sequence[Variant]) -> NDArray[np.bool_]:
        """Which variants need no closer look, (m,)."""
        return surely_kept([apply(self.rig, v) for v in variants], self.driver)

    def broken(self, variant: Variant) -> list[str]:
        """Sentences, empty where the variant may be used."""
        return [_told(variant, text) for n, i, miss, text in self._check(apply(self.rig, variant))
                if (n, i) not in self.had or miss > self.had[n, i] + self.SLACK.get(n, 0.5)]


def _told(variant: Variant, text: str) -> str:
    what = [f"{p} at hole {h}" for p, h in variant.holes.items()]
    what += [f"{r} {mm:+.2f} mm" for r, mm in {**variant.slides, **variant.rods}.items()]
    return f"With {', '.join(what) or 'the present setting'}: {text}"


# --- how sure ---------------------------------------------------------------------------------------------

def _supports(model: Model, objective: Objective, cands: Sequence[_Candidate], found: Sequence[Slopes]) -> None:
    """Sets each candidate's continuous need and its 95 % half-width by changed rod.

    The need x is where J^T r(x, p) = 0, so dx/dp = -(J^T J)^-1 J^T dr/dp (implicit slope of least squares).
    """
    names = list(model.rig.rods)
    solved, _, J = solve_rods(model, objective, [c.variant for c in cands], [tuple(c.variant.rods) for c in cands])
    for c, s, v, jac in zip(cands, found, solved, J, strict=True):
        rods = list(c.variant.rods)
        Jx = jac[:, [names.index(r) for r in rods]]
        S = -np.linalg.solve(Jx.T @ Jx + 1e-9 * np.eye(len(rods)), Jx.T @ s.J)
        u = half_width(S, s.cov)
        c.supports = {r: (v.rods[r], float(ui)) for r, ui in zip(rods, u, strict=True)}


LEVER_ROD_WORK = 0.4  # resetting a lever's own rod is part of setting straight ahead
SLIDE_WORK = 2.0  # a lever assembly takes its rods and the chain line along
PER_MM_OFF = 0.03  # an arm left off its drawn length by this much more: mend the part that is off, not another


def _work(v: Variant, rig: Rig, design: Rig) -> float:
    """Work of a variant in changes: holes and tie rods count one, see above for the rest.

    A hair more where left and right end up in holes of different names. Weights by judgement, no source.
    """
    rods = sum(LEVER_ROD_WORK if _at_lever(rig, r) else 1.0 for r in v.rods)
    return (len(v.holes) + rods + SLIDE_WORK * len(v.slides) + 0.1 * _uneven(v, rig)
            + PER_MM_OFF * _departure(v, rig, design))


def _at_lever(rig: Rig, rod: str) -> bool:
    bodies = {rig.points[p].body for p in (rig.rods[rod].a, rig.rods[rod].b)}
    return any(b in rig.bodies and rig.bodies[b].role == "lever" for b in bodies)


def _departure(v: Variant, rig: Rig, design: Rig) -> float:
    """Sum over arms with several holes of how far the arm is from its drawn length, mm."""
    return sum(abs(radius(rig, n, v.holes.get(n, p.use)) - radius(design, n, design.points[n].use))
               for n, p in rig.points.items() if len(p.holes) > 1 and n in design.points)


def _uneven(v: Variant, rig: Rig) -> int:
    n = 0
    for name, p in rig.points.items():
        if name.startswith("left") or ".left" in name:
            other = name.replace("left", "right")
            if other in rig.points and len(p.holes) > 1:
                q = rig.points[other]
                n += v.holes.get(name, p.use) != v.holes.get(other, q.use)
    return n


def _rank(cands: Sequence[_Candidate], opt: AdjustOptions) -> list[_Candidate]:
    """Best first: among those the measurement cannot tell from the least misfit, least work goes first."""
    rest = sorted(cands, key=lambda c: c.q)
    out: list[_Candidate] = []
    while rest:
        top = rest[0]
        equal = [c for c in rest if c is top or float(np.mean(c.draws > top.draws)) < opt.sure
                 or (c.q - top.q < opt.small_gain and c.chance > top.chance - opt.small_chance)]
        pick = min(equal, key=lambda c: (round(c.effort, 6), c.q))
        out.append(pick)
        rest = [c for c in rest if c is not pick]
    return out


# --- what was not suggested, and what would help -----------------------------------------------------------

def _alternatives(ranked: Sequence[_Candidate], chosen: _Candidate, none: _Candidate,
                  opt: AdjustOptions) -> list[_Candidate]:
    """Other ways worth showing: not both more work and a worse result than one already shown."""
    shown = [chosen]
    for c in sorted(ranked, key=lambda c: c.q):
        worse = any(len(o.variant) <= len(c.variant) and o.q <= c.q + opt.small_gain for o in shown)
        if c is not none and not worse and len(shown) <= opt.keep:
            shown.append(c)
    return shown[1:]


def _left_out(chosen: _Candidate, good: Sequence[_Candidate], rig: Rig, wrong: bool,
              opt: AdjustOptions) -> list[Withheld]:
    """Changes of the least misfit, and of the chosen holes, that the chosen one does without, and why."""
    out: dict[str, Withheld] = {}
    now = chosen.variant
    same = [c for c in good if c.variant.holes == now.holes and c.variant.slides == now.slides]
    for c in sorted(same, key=lambda c: (len(c.variant), c.q)):
        for rod in c.weak():
            if rod not in chosen.variant.rods:
                mm, u = c.supports[rod]
                text = (f"the change of {mm:+.2f} mm it would need is smaller than what the measurement "
                        f"supports (+/- {u:.2f} mm)")
                out.setdefault(rod, Withheld(rod, mm, u, text))
    best = min(good, key=lambda c: c.q)
    gain = np.sqrt(max(chosen.q, 0.0)) - np.sqrt(max(best.q, 0.0))
    sure = float(np.mean(chosen.draws > best.draws))
    if not wrong:
        why = "no figure is known to be outside its tolerance"
    elif sure < opt.sure:
        why = f"the measurement gives only a {100 * sure:.0f} % chance that it helps"
    else:
        why = f"it would bring only {gain:.2f} of a tolerance"
    for rod, mm in best.variant.rods.items():
        if rod not in chosen.variant.rods and best.variant.holes == chosen.variant.holes:
            out.setdefault(rod, Withheld(rod, mm, best.supports[rod][1], why))
    for point, hole in best.variant.holes.items():
        if chosen.variant.holes.get(point) != hole:
            p = rig.points[point]
            mm = radius(rig, point, hole) - radius(rig, point, p.use)
            out[point] = Withheld(point, mm, float("nan"), f"hole {hole} instead of {p.use}: {why}")
    return list(out.values())


def _short_range(model: Model, objective: Objective, chosen: _Candidate, rods: Sequence[str],
                 opt: AdjustOptions) -> list[str]:
    """Rods that would have to go beyond their range for the least misfit with the chosen holes."""
    rig = model.rig
    wide = {n: replace(r, shortest=r.length - 60.0, longest=r.length + 60.0) for n, r in rig.rods.items()}
    start = replace(chosen.variant, rods={})
    solved, q, _ = solve_rods(Model(replace(rig, rods=wide), model.driver), objective, [start], [rods])
    if chosen.q - q[0] < opt.small_gain:
        return []
    out = []
    for n in rods:
        r, length = rig.rods[n], rig.rods[n].length + solved[0].rods[n]
        if not r.shortest - 0.5 * r.step <= length <= r.longest + 0.5 * r.step:
            out.append(f"{title(n)} would have to be {length:.1f} mm long; its range is {r.shortest:.1f} to "
                       f"{r.longest:.1f} mm, as thread, overlap and the rig file allow: trim it or make another "
                       "to go there.")
    return out


def _missing_hole(model: Model, objective: Objective, variant: Variant, best: Proposal) -> list[str]:
    """Where no hole gives the ratio, the distance from the pivot at which one would."""
    ratio = next((f for f in best.figures if f.name == "ratio"), None)
    if ratio is None or ratio.verdict.outcome.value != "not met" or not model.fast:
        return []
    rig, out = model.rig, []
    side = _side_points(rig)
    for name, p in rig.points.items():
        if len(p.holes) < 2 or name in side or p.body not in rig.bodies:
            continue
        b = rig.bodies[p.body]
        used = np.asarray(p.holes[variant.holes.get(name, p.use)], float)
        arm = used - np.asarray(b.pivot)
        arm = arm - (arm @ np.asarray(b.axis)) * np.asarray(b.axis)
        r0 = float(np.linalg.norm(arm))
        reach = np.linspace(0.4, 2.0, 65) * r0
        places = used + (reach - r0)[:, None] * arm / r0
        holes = {n: np.asarray(q.holes[variant.holes.get(n, q.use)], float) for n, q in rig.points.items()}
        # the rod is reset for each place so that the wheels stay where they are at driver zero
        rods = {r: np.full(len(reach), variant.rods.get(r, 0.0)) for r in rig.rods}
        for r, rod in rig.rods.items():
            if name in (rod.a, rod.b):
                far = holes[rod.b if rod.a == name else rod.a]
                rods[r] = rods[r] + np.linalg.norm(places - far, axis=1) - np.linalg.norm(used - far)
        got = objective.figures(model.table({**holes, name: places}, rods, {}, len(reach)))["ratio"]
        off = got - ratio.target
        k = np.flatnonzero(np.isfinite(off[:-1] * off[1:]) & (off[:-1] * off[1:] <= 0))
        if len(k):
            j = int(k[np.argmin(np.abs(reach[k] - r0))])
            r = reach[j] - off[j] * (reach[j + 1] - reach[j]) / (off[j + 1] - off[j])
            part = title(name.partition(".")[0]).lower()
            out.append(f"No hole gives the ratio {ratio.target:.3f}: on {part} ({name}) a hole {r:.1f} mm "
                       "from the pivot would. Drill only if the edge distance allows.")
    return out
