"""Proposals as plain data, and what each one will do: figures after it, chances, side effects, words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.advice.chances import Doubt, doubts_of, figures_of
from calib.advice.propagation import what_limits
from calib.advice.search import Curves, Model, Objective, Variant, apply
from calib.advice.verdict import Outcome, Verdict, judge
from calib.results import AsBuilt
from calib.rig.adjustables import KINDS, SettingErrors, choices_of, turns_words
from calib.rig.figures import FIGURES
from calib.rig.model import Rig, Target
from calib.rig.parameters import Kind, ParameterName

__all__ = ["Builder", "Change", "Predicted", "Proposal", "Proposals", "Withheld", "chance", "percent", "radius", "said",
           "title", "turns_words"]

Array = NDArray[np.float64]

CAUTION = ("A steering failure injures. Follow the rules where you ride, and have a qualified person inspect the "
           "steering.")


@dataclass(frozen=True)
class Change:
    """One thing to do. ``mm``: rod longer (+) or shorter (-), hole further from (+) or nearer the pivot."""

    kind: str  # hole, or the kind of a move: rod, slide, clock
    item: str  # point or move
    before: str
    after: str
    mm: float
    turns: float | None  # whole or half turns of a screwed rod, positive lengthens
    direction: str  # "lengthen", "shorten", "towards the pivot", "away from the pivot", "forward", "backward"
    need_u95: float | None = None  # 95 % half-width of the continuous need, mm
    amount: float = 0.0  # of a move, as the rig takes it: mm or rad


@dataclass(frozen=True)
class Predicted:
    """One figure after the change, surface units, with the chance that it meets its tolerance."""

    name: str
    value: float
    u95: float
    unit: str
    target: float
    tolerance: float
    chance: float
    verdict: Verdict


@dataclass(frozen=True, repr=False)
class Proposal:
    """One way forward. ``chance_all``: every tolerance met together; ``work``: number of changes."""

    changes: tuple[Change, ...]
    figures: tuple[Predicted, ...]
    chance_all: float
    misfit: float  # squared tolerances, summed
    rig: Rig  # the measured rig as it would be
    side_effects: tuple[str, ...]
    work: int
    lines: tuple[str, ...]

    def __repr__(self) -> str:
        steps = "; ".join(f"{c.item} {c.before} -> {c.after}" for c in self.changes) or "nothing"
        return f"<Proposal: change {steps}; {percent(self.chance_all)} chance that every tolerance is met>"

    @property
    def leaves_it(self) -> bool:
        """Whether nothing is changed."""
        return not self.changes


@dataclass(frozen=True)
class Withheld:
    """A change that was not suggested, and why."""

    item: str
    mm: float
    u95: float
    reason: str

    @property
    def text(self) -> str:
        """The sentence shown."""
        return f"{title(self.item)}: {self.reason}."


@dataclass(frozen=True, repr=False)
class Proposals:
    """``best`` first, other ways after it, doing nothing always included."""

    best: Proposal
    others: tuple[Proposal, ...]
    leave: Proposal
    withheld: tuple[Withheld, ...]
    limited_by: tuple[str, ...]  # what stops going further
    photos: tuple[str, ...]  # what to photograph where a figure can't be told
    notes: tuple[str, ...]
    combinations: int  # hole combinations looked at

    def __repr__(self) -> str:
        return f"<Proposals: best {self.best!r}, {len(self.others)} others, {len(self.withheld)} withheld>"

    def summary(self) -> str:
        """The best proposal line by line, then what was withheld and noted."""
        return "\n".join([*self.best.lines, *(w.text for w in self.withheld), *self.photos, *self.notes, CAUTION])

    @property
    def all(self) -> tuple[Proposal, ...]:
        """Every proposal, best first."""
        return (self.best, *self.others)


class Builder:
    """Turns chosen variants of a measured rig into proposals: predicted figures, chances, words."""

    def __init__(self, as_built: AsBuilt, model: Model, objective: Objective, draws: int, seed: int,
                 errors: SettingErrors | None = None) -> None:
        self.as_built, self.model, self.objective = as_built, model, objective
        self.draws, self.seed = draws, seed
        self.choices = choices_of(model.rig, errors)
        self.present = model.curves([Variant()])
        self._doubts: dict[object, Doubt] = {}

    def _table(self, c: Curves) -> Array:
        return figures_of(self.objective, c)

    def doubt(self, variant: Variant) -> Doubt:
        """Target figures of the variant, with their slopes against measured parameters and setting errors."""
        self.take_slopes([variant])
        return self._doubts[variant.key()]

    def take_slopes(self, variants: Sequence[Variant]) -> None:
        """Has the slopes about variants taken side by side, those that were not taken yet."""
        new = {k: v for v in variants if (k := v.key()) not in self._doubts}
        self._doubts |= zip(new, doubts_of(self.as_built, self.model, self.choices, [*new.values()], self._table),
                            strict=True)

    def proposal(self, variant: Variant, misfit: float, needs: Mapping[str, tuple[float, float]]) -> Proposal:
        """The finished proposal; ``needs`` gives the continuous need and its 95 % half-width by move."""
        doubt = self.doubt(variant)
        s = doubt.extended(variant)
        targets = self.objective.targets
        chances, together = chance(s.values, s.spread + np.diag(self.objective.doubt**2), [t.value for t in targets],
                                   self.objective.tolerance, self.draws, self.seed,
                                   [FIGURES[t.name].rule == "at most" for t in targets])
        figures = tuple(predicted(t, float(v), float(u), float(c))
                        for t, v, u, c in zip(targets, s.values, s.u95, chances, strict=True))
        changes = self.changes(variant, needs)
        effects = self.side_effects(variant)
        return Proposal(changes, figures, together, misfit, apply(self.as_built.rig, variant), effects,
                        len(changes), tuple([*summary_lines(changes, figures, together), *effects]))

    def changes(self, variant: Variant, needs: Mapping[str, tuple[float, float]]) -> tuple[Change, ...]:
        """Holes first, then what is tried in places, then what is solved for."""
        rig, moves = self.as_built.rig, self.model.moves
        out = [hole_change(rig, n, h) for n, h in variant.holes.items()]
        for name, mm in sorted(variant.moves.items(), key=lambda item: moves[item[0]].solved):
            mv = moves[name]
            before, after = mv.states(rig, mm)
            turns = mm / mv.per_turn if mv.per_turn else None
            need = needs.get(name, (mm, None))[1] if mv.solved else None
            out.append(Change(mv.kind, name, before, after, mv.shift(rig, mm), turns, mv.way(rig, mm),
                              None if need is None else abs(mv.shift(rig, need)), mm))
        return tuple(out)

    def side_effects(self, variant: Variant) -> tuple[str, ...]:
        """What the moves do on their own, what the rods put back, and where the levers stand."""
        if not len(variant):
            return ()
        after = self.model.curves([variant])
        return (*self._alone(variant), *self._each_move(variant, after), *self._levers(after))

    def _toe(self, c: Curves) -> float:
        return float(np.degrees(self.objective.figures(c, ["toe"])["toe"][0]))

    def _alone(self, variant: Variant) -> list[str]:
        """What the holes and tried places do before anything is reset."""
        moves, i0 = self.model.moves, self.objective.i0
        moved = replace(variant, moves={n: x for n, x in variant.moves.items() if not moves[n].solved})
        if not len(moved):
            return []
        alone = self.model.curves([moved])
        d = self._toe(alone) - self._toe(self.present)
        z = float(np.degrees(_mean_zero(alone, i0) - _mean_zero(self.present, i0))[0])
        if not np.isfinite(d) or (abs(d) < 0.05 and abs(z) < 0.1):
            return []
        parts = [f"moves toe by {d:+.2f} deg"] if abs(d) >= 0.05 else []
        if abs(z) >= 0.05:
            parts.append(f"turns both wheels by {z:+.2f} deg where the lever stands now")
        rods = self.as_built.rig.rods
        ends = {e for r in variant.moves if r in rods for e in (rods[r].a, rods[r].b)}
        reset = ends & set(variant.holes) or (moved.moves and len(moved.moves) < len(variant.moves))
        text = "The move alone " + " and ".join(parts)
        return [f"{text}; the rod changes take this into account." if reset else f"{text}."]

    def _each_move(self, variant: Variant, after: Curves) -> list[str]:
        """What each solved move does to toe."""
        out = []
        for name, mm in variant.moves.items():
            if not self.model.moves[name].solved:
                continue
            rest = {k: v for k, v in variant.moves.items() if k != name}
            d = self._toe(after) - self._toe(self.model.curves([replace(variant, moves=rest)]))
            if np.isfinite(d) and abs(d) >= 0.05:
                out.append(f"{title(name)} {self.model.moves[name].amount_words(mm)} moves toe by {d:+.2f} deg.")
        return out

    def _levers(self, after: Curves) -> list[str]:
        """Where the levers stand afterwards."""
        out = []
        lever, before = lever_at_straight(after), lever_at_straight(self.present)
        shift = np.degrees(lever - before)
        if np.isfinite(lever) and abs(shift) >= 0.2:
            way, name = "forward" if shift > 0 else "back", title(self.as_built.rig.driver).lower()
            out.append(f"With the wheels straight ahead the {name} will stand {abs(shift):.1f} deg "
                       f"further {way} than now; its rod's length sets this.")
        for name, a in after.levers.items():
            tilt = np.degrees(a[0, self.objective.i0])
            if np.isfinite(tilt) and abs(tilt) >= 0.5:
                out.append(f"{title(name)} will stand {abs(tilt):.1f} deg further "
                           f"{'forward' if tilt > 0 else 'back'} than the other; reset its own rod.")
        return out

    def photos(self, variant: Variant) -> tuple[str, ...]:
        """Photos that would settle the figures that can't be told, with what limits each."""
        s = self.doubt(variant).slopes
        out = []
        for k, (t, v, u) in enumerate(zip(self.objective.targets, s.values, s.u95, strict=True)):
            if judge(FIGURES[t.name], float(v), float(u), replace(t, doubt=0.0)).outcome is Outcome.CANNOT_TELL:
                part = what_limits(s, k)
                v_, u_, w_, tol = (surface(float(x), t.unit) for x in (v, u, t.value, t.tolerance))
                now, wanted = number(v_, u_, t.unit), number(w_, tol, t.unit)
                out.append(f"Can't tell {t.name.replace('_', ' ')} yet: {now} against {wanted}. Most of the "
                           f"doubt is in {part_words(part)}: {cure(self.as_built.rig, part)}")
            elif judge(FIGURES[t.name], float(v), float(u), t).outcome is Outcome.CANNOT_TELL:
                out.append(f"Can't tell {t.name.replace('_', ' ')} with the rider aboard yet: {SHOOT_LOADED}")
        return tuple(out)


def predicted(t: Target, value: float, u95: float, met: float) -> Predicted:
    """One figure after the change, from inside units."""
    v, u, w, tol = (surface(x, t.unit) for x in (value, u95, t.value, t.tolerance))
    return Predicted(t.name, v, u, t.unit, w, tol, met, judge(FIGURES[t.name], value, u95, t))


def hole_change(rig: Rig, point: str, hole: str) -> Change:
    """A rod end moved to another hole."""
    now = rig.points[point].use
    mm = radius(rig, point, hole) - radius(rig, point, now)
    return Change("hole", point, now, hole, mm, None, "towards the pivot" if mm < 0 else "away from the pivot")


def summary_lines(changes: Sequence[Change], figures: Sequence[Predicted], together: float) -> list[str]:
    """A proposal in a few lines."""
    lines = [said(c) for c in changes] or ["Leave it as it is."]
    lines += [f"{f.name.replace('_', ' ')} {number(f.value, f.u95, f.unit)}, chance to meet its "
              f"tolerance {percent(f.chance)}" for f in figures]
    return [*lines, f"Chance to meet every tolerance together: {percent(together)}."]


def chance(values: Array, cov: Array, wanted: ArrayLike, tolerance: ArrayLike, draws: int,
           seed: int, at_most: Sequence[bool] = ()) -> tuple[Array, float]:
    """Chance that each figure lies in its tolerance (n,), and all together, for figures N(values, cov).

    ``at_most`` (n,): figures without a lower limit. Monte Carlo with ``draws`` seeded draws (JCGM 101); a
    singular covariance is allowed.
    """
    rng = np.random.default_rng(seed)
    x = values + gaussian(cov, rng, draws)
    off = x - np.asarray(wanted)
    free = np.asarray(at_most, bool) if len(at_most) else np.zeros(len(values), bool)
    inside = np.where(free, off, np.abs(off)) <= np.asarray(tolerance)
    return inside.mean(axis=0), float(inside.all(axis=1).mean())


def gaussian(cov: Array, rng: np.random.Generator, n: int) -> Array:
    """Draws (n, p) of a zero-mean Gaussian with covariance (p, p), singular allowed."""
    if not len(cov):
        return np.zeros((n, 0))
    w, v = np.linalg.eigh(0.5 * (cov + cov.T))
    return (rng.standard_normal((n, len(cov))) * np.sqrt(np.maximum(w, 0.0))) @ v.T


def _mean_zero(c: Curves, i0: int) -> Array:
    return np.mean([h[:, i0] for h in c.headings.values()], axis=0)


def lever_at_straight(c: Curves) -> float:
    """Driver angle, rad, where the mean heading of the first variant is zero; NaN where it never is."""
    mean = np.mean([h[0] for h in c.headings.values()], axis=0)
    k = np.flatnonzero(np.sign(mean[:-1]) * np.sign(mean[1:]) <= 0)
    if not len(k):
        return float("nan")
    j = int(k[np.argmin(np.abs(c.driver[k]))])
    if mean[j + 1] == mean[j]:
        return float(c.driver[j])
    return float(c.driver[j] - mean[j] * (c.driver[j + 1] - c.driver[j]) / (mean[j + 1] - mean[j]))


def radius(rig: Rig, point: str, hole: str) -> float:
    """Distance of a hole from its body's axis, mm."""
    p = rig.points[point]
    if p.body not in rig.bodies:
        return 0.0
    b = rig.bodies[p.body]
    (x, y, z), (u, v, w) = (float(h - c) for h, c in zip(p.holes[hole], b.pivot, strict=True)), map(float, b.axis)
    return math.hypot(y * w - z * v, z * u - x * w, x * v - y * u)


def surface(value: float, unit: str) -> float:
    """Inside value to surface units: rad to degrees where the unit says so."""
    return float(np.degrees(value)) if unit == "deg" else float(value)


def units(unit: str) -> str:
    """Unit as shown; a plain number has none."""
    return "" if unit in ("plain", "", "1") else unit


def number(value: float, u95: float, unit: str) -> str:
    """A figure with its half-width as shown: plain numbers to three places, mm and deg to two."""
    digits = 3 if not units(unit) else 2
    return f"{value:.{digits}f} +/- {u95:.{digits}f} {units(unit)}".rstrip()


def percent(p: float) -> str:
    """A chance in whole per cent, never quite 0 or 100."""
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def title(name: str) -> str:
    """A rig name as a builder would say it: left_lever -> Left lever."""
    words = name.replace(".", " ").replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def said(c: Change, more: str = "") -> str:
    """One change in a builder's words, with ``more`` before the full stop."""
    if c.kind == "hole":
        part, _, rod = c.item.partition(".")
        end = "rod end" if rod in ("rod", "arm", "at", "") else f"rod end at {rod.replace('_', ' ')}"
        return f"{title(part)}: move the {end} from hole {c.before} to hole {c.after} ({c.direction}){more}."
    return KINDS[c.kind].said(title(c.item), c.mm, c.direction, c.turns, c.after) + f"{more}."


SHOOT_STOPS = ('name two positions in the rig file, stops = ["back_stop", "push_stop"], and photograph the levers '
               "at both stops, four photos each.")
SHOOT_LOADED = ('name a position in the rig file, loaded = "rider", and photograph straight ahead with the rider '
                "aboard.")


def part_words(part: ParameterName | None) -> str:
    """What limits a figure, in words."""
    if part is None:
        return "the drawing"
    name = title(part.owner).lower()
    return {Kind.HOLE: f"the place of the rod end at {name}", Kind.LENGTH: f"the length of the {name}",
            Kind.AXIS: f"the direction of the {name} hinge", Kind.PIVOT: f"the place of the {name} pivot",
            Kind.SPIN: f"the {name} wheel's spin axis", Kind.CENTRE: f"the {name} wheel's middle",
            Kind.TRAVEL: f"where the stops of the {name} are"}[part.kind]


def cure(rig: Rig, part: ParameterName | None) -> str:
    """The photos that would make a part better known."""
    kind = None if part is None else part.kind
    if kind is Kind.TRAVEL:
        return SHOOT_STOPS
    if kind is Kind.SPIN:
        labels = " and ".join(rig.spin_positions) or "two positions with the wheel turned by hand"
        return f"photograph {labels} again, six photos each, the wheel's tag and the board both in view."
    if kind in (Kind.AXIS, Kind.PIVOT):
        ends = [p for p in (*rig.positions[:1], *rig.positions[-1:])]
        where = " and ".join(ends) or "both ends of the lever's travel"
        return f"photograph {where} again, six photos each, with the tag on that part seen from two sides."
    return (f"photograph {rig.straight_ahead} again, six photos from 0.8 to 1 m, with the tags nearest it "
            "facing the camera.")
