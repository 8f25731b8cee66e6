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

from calib.bands import K95, Slopes, slopes, with_wheel_doubt
from calib.limits import check_limits
from calib.linkage import Linkage
from calib.proposal import (
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
from calib.results import AsBuilt
from calib.rig import Rig
from calib.search import Model, Objective, Variant, apply, driver_grid, side_rods, solve_rods, steering_rods
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
    most_combinations: int = 20000
    margin: float = np.deg2rad(3.0)  # limits must hold this far beyond the travel
    small_gain: float = 0.1  # misfit (squared tolerances) not worth one more change
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
    supports: dict[str, tuple[float, float]] = field(default_factory=dict)  # rod -> continuous need, u95

    def weak(self) -> list[str]:
        """Rods whose change is smaller than its own 95 % uncertainty."""
        return [r for r in self.variant.rods if abs(self.supports[r][0]) <= self.supports[r][1]]


def propose(design: Rig, as_built: AsBuilt, options: AdjustOptions | None = None) -> Proposals:
    """Adjustments of the measured rig that bring it nearest the design's targets, with chances.

    ``design`` gives targets, tolerances and the wanted curves; ``as_built`` the present holes, rods and their
    joint covariance. Raises UserError where no target can be judged or the measured rig cannot be assembled.
    """
    opt = options or AdjustOptions()
    as_built = with_wheel_doubt(as_built)
    rig = as_built.rig
    coarse, fine = driver_grid(rig, 13), driver_grid(rig, 61)
    model, objective = Model(rig, coarse), Objective(design, coarse, rig)
    notes = [f"The target {n!r} is not one the adjustment can steer by; it was left out."
             for n in objective.skipped]
    if not objective.targets:
        raise UserError("The rig file names no target the adjustment can steer by; add toe, ratio, symmetry, "
                        "ackermann_error or lock under [targets].")
    nothing = Variant({}, {}, {})
    start = model.curves([nothing])
    if not all(np.isfinite(h[:, objective.i0]).all() for h in start.headings.values()):
        raise UserError("The measured rig cannot be assembled straight ahead with its present rods; "
                        "check the rod ranges and holes in the rig file against the vehicle.")

    combos, most = _hole_choices(rig, opt)
    slides = _slide_choices(rig, opt)
    rods = _free_rods(rig, opt)
    kept = _prune(rig, objective, combos, slides, rods, opt)
    candidates = _with_rods(model, objective, kept, rods)
    candidates.sort(key=lambda c: c.q)
    limits = _Limits(rig, coarse, opt.margin)
    none = _Candidate(nothing, (), float(objective.misfit(start)[0]))
    good, stopped = [none], []
    for c in candidates:
        if len(good) > 40 or c.q >= none.q:
            break
        why = limits.broken(c.variant)
        if why:
            stopped.append((c.q, why))
        else:
            good.append(c)

    dp = gaussian(as_built.cov, np.random.default_rng(opt.seed), min(opt.draws, 2000))
    for c in good:
        s = slopes(model, as_built, c.variant, objective.residuals)
        r = s.values + dp[:, [as_built.names.index(n) for n in s.names]] @ s.J.T
        c.draws = np.sum(r * r, axis=1)
        c.supports = _supports(model, objective, c, s)
        c.effort = _work(c.variant, rig)
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
    limited += _missing_hole(model, objective, chosen.variant, best)
    if len(combos) >= most > 0:
        notes.append(f"Only the first {most} hole combinations were looked at.")
    return Proposals(best, tuple(others), leave, tuple(withheld), tuple(limited), tuple(photos), tuple(notes),
                     len(combos))


# --- the search -------------------------------------------------------------------------------------------

def _free_rods(rig: Rig, opt: AdjustOptions) -> tuple[str, ...]:
    if not opt.rods:
        return ()
    return tuple(n for n, r in rig.rods.items() if r.adjuster != "fixed" and r.longest > r.shortest)


def _side_points(rig: Rig) -> set[str]:
    side = side_rods(rig)
    return {p for r in side for p in (rig.rods[r].a, rig.rods[r].b)}


def _hole_choices(rig: Rig, opt: AdjustOptions) -> tuple[list[dict[str, str]], int]:
    """Hole by point, where it differs from the present; rods to a second lever one hole at a time."""
    many = {n: p for n, p in rig.points.items() if len(p.holes) > 1} if opt.holes else {}
    side = _side_points(rig)
    main = [n for n in many if n not in side]
    combos = []
    for pick in itertools.islice(itertools.product(*(many[n].holes for n in main)), opt.most_combinations):
        combos.append({n: h for n, h in zip(main, pick, strict=True) if h != many[n].use})
    for n in many:
        if n in side:
            combos += [{n: h} for h in many[n].holes if h != many[n].use]
    return combos, opt.most_combinations


def _slide_choices(rig: Rig, opt: AdjustOptions) -> list[dict[str, float]]:
    out: list[dict[str, float]] = [{}]
    if opt.slides:
        for n, s in rig.slides.items():
            first, last = int(np.ceil(s.range[0] / s.step)), int(np.floor(s.range[1] / s.step))
            steps = sorted({int(k) for k in np.linspace(first, last, min(7, last - first + 1)).round()} - {0})
            out += [{n: k * s.step} for k in steps]
    return out


def _prune(rig: Rig, objective: Objective, combos: Sequence[Mapping[str, str]],
           slides: Sequence[Mapping[str, float]], rods: Sequence[str], opt: AdjustOptions) -> list[Variant]:
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
    best += [i for i in single[:8] if i not in best]
    best += [i for i, v in enumerate(rows) if not v.holes and not v.slides and i not in best]
    return [rows[i] for i in best]


def _subsets(rods: Sequence[str]) -> list[tuple[str, ...]]:
    """Sets of rods that may change together: all up to five rods, else up to three at a time and all."""
    most = len(rods) if len(rods) <= 5 else 3
    out = [s for k in range(most + 1) for s in itertools.combinations(rods, k)]
    return out if most == len(rods) else [*out, tuple(rods)]


def _with_rods(model: Model, objective: Objective, kept: Sequence[Variant],
               rods: Sequence[str]) -> list[_Candidate]:
    """Every kept variant with every set of rods solved, snapped to the better neighbouring whole steps."""
    rows = [(v, s) for v in kept for s in _subsets(rods)]
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
    """Which limits a variant breaks that the present rig does not already break at least as badly."""

    def __init__(self, rig: Rig, driver: Array, margin: float) -> None:
        self.rig = rig
        self.driver = np.concatenate([[driver[0] - margin], driver, [driver[-1] + margin]])
        self.present = self._check(rig)

    def _check(self, rig: Rig) -> list[tuple[str, str, float, str]]:
        sweep = Linkage(rig).sweep(self.driver)
        bad = [x for x in check_limits(rig, sweep) if not x.ok]
        return [(x.name, x.item, abs(x.value - x.allowed), x.text) for x in bad]

    def broken(self, variant: Variant) -> list[str]:
        """Sentences, empty where the variant may be used."""
        had = {(n, i): miss for n, i, miss, _ in self.present}
        bad = self._check(apply(self.rig, variant))
        return [_told(variant, text) for n, i, miss, text in bad if miss > had.get((n, i), -1.0) + 1e-6]


def _told(variant: Variant, text: str) -> str:
    what = [f"{p} at hole {h}" for p, h in variant.holes.items()]
    what += [f"{r} {mm:+.2f} mm" for r, mm in variant.rods.items()]
    return f"With {', '.join(what) or 'the present setting'}: {text}"


# --- how sure ---------------------------------------------------------------------------------------------

def _supports(model: Model, objective: Objective, c: _Candidate, s: Slopes) -> dict[str, tuple[float, float]]:
    """Continuous need and its 95 % half-width by changed rod (implicit slope of the least-squares need)."""
    rods = list(c.variant.rods)
    if not rods:
        return {}
    solved, _, normal = solve_rods(model, objective, [c.variant], [rods])
    names = list(model.rig.rods)
    k = [names.index(r) for r in rods]
    h = 0.05
    moved = [replace(c.variant, rods={**c.variant.rods, r: c.variant.rods[r] + h}) for r in rods]
    base = objective.residuals(model.curves([c.variant]))[0]
    Jx = (objective.residuals(model.curves(moved)) - base).T / h
    N = normal[0][np.ix_(k, k)] + 1e-9 * np.eye(len(k))
    S = -np.linalg.solve(N, Jx.T @ s.J)
    u = K95 * np.sqrt(np.maximum(np.diag(S @ s.cov @ S.T), 0.0))
    return {r: (solved[0].rods[r], float(ui)) for r, ui in zip(rods, u, strict=True)}


def _work(v: Variant, rig: Rig) -> float:
    """Number of changes; a hair more where left and right end up in holes of different names."""
    return len(v.holes) + len(v.rods) + len(v.slides) + 0.1 * _uneven(v, rig)


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
        equal = [c for c in rest if c.q - top.q < opt.small_gain
                 or (len(c.draws) and np.mean(c.draws > top.draws) < opt.sure)]
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
