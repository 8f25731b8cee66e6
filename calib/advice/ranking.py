"""Which setting comes first: the chance to meet every tolerance, then the least work, and what was held back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.advice.finder import Candidate
from calib.advice.proposal import Withheld, radius
from calib.advice.search import Variant
from calib.rig.adjustables import HoleChoice, Move
from calib.rig.model import Rig

PER_MM_OFF = 0.03  # an arm left off its drawn length by this much more: mend the part that is off, not another
UNEVEN = 0.1  # a hair more where left and right end up in holes of different names; judgement, no source


@dataclass(frozen=True)
class Rules:
    """``tie``: chances this near are equal and work decides.

    ``worth``: shortfall (squared tolerances: levers apart, off centre, curves off the drawing's) that is worth one
    change; judgement, no source. ``sure``: the chance a gain must have to be worth work where nothing is known to be
    outside its tolerance.
    """

    tie: float = 0.05
    worth: float = 1.0
    sure: float = 0.95


def work_of(v: Variant, rig: Rig, design: Rig, moves: Mapping[str, Move], choices: Mapping[str, HoleChoice]) -> float:
    """Work of a variant in changes, as each adjustable says it, and a hair more for what looks odd."""
    own = sum(moves[n].work for n in v.moves) + sum(choices[p].work for p in v.holes)
    return own + UNEVEN * _uneven(v, rig) + PER_MM_OFF * _departure(v, rig, design)


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


def allowed(cands: Sequence[Candidate], none: Candidate, wrong: bool, rules: Rules) -> list[Candidate]:
    """Those that the measurement supports.

    ``wrong``: a figure is known to be outside its tolerance. Then a move smaller than its own uncertainty is made
    only where the chance falls by more than a tie without it. Otherwise nothing is changed without a sure gain.
    """
    if not wrong:
        return [none] + [c for c in cands if c is not none and not c.weak() and sure_gain(c, none) >= rules.sure]
    return [c for c in cands if not c.weak() or _needed(c, cands, rules)]


def sure_gain(c: Candidate, other: Candidate) -> float:
    """Chance that a candidate comes out nearer than another."""
    return float(np.mean(c.draws < other.draws))


def _needed(c: Candidate, cands: Sequence[Candidate], rules: Rules) -> bool:
    """Whether every candidate that makes do without one of the weak moves has a clearly lower chance."""
    weak = set(c.weak())
    less = [o for o in cands if set(o.variant.moves) < set(c.variant.moves)
            and set(c.variant.moves) - set(o.variant.moves) <= weak
            and set(o.variant.holes.items()) <= set(c.variant.holes.items())]
    return bool(less) and all(o.chance < c.chance - rules.tie for o in less)


def ranked(cands: Sequence[Candidate], rules: Rules) -> list[Candidate]:
    """Best first: chance; among chances that tie least work, what is left short counted as work too."""
    rest, out = list(cands), []
    while rest:
        high = max(c.chance for c in rest)
        ties = [c for c in rest if c.chance >= high - rules.tie]
        pick = min(ties, key=lambda c: (round(c.effort + c.shortfall / rules.worth, 3), -c.chance))
        out.append(pick)
        rest = [c for c in rest if c is not pick]
    return out


def alternatives(order: Sequence[Candidate], none: Candidate, rules: Rules, keep: int) -> list[Candidate]:
    """Other ways worth showing after the first: not both as much work and no better than one already shown."""
    shown = [order[0]]
    for c in order[1:]:
        worse = any(len(o.variant) <= len(c.variant) and o.chance >= c.chance - rules.tie
                    and o.shortfall <= c.shortfall + rules.worth for o in shown)
        if c is not none and not worse and len(shown) <= keep:
            shown.append(c)
    return shown[1:]


def left_out(chosen: Candidate, good: Sequence[Candidate], rig: Rig, moves: Mapping[str, Move],
             wrong: bool) -> list[Withheld]:
    """Changes of the best chance, and of the chosen holes, that the chosen one does without, and why."""
    out: dict[str, Withheld] = {}
    same = [c for c in good if c.variant.holes == chosen.variant.holes]
    for c in sorted(same, key=lambda c: (len(c.variant), c.shortfall)):
        for n in c.weak():
            if n not in chosen.variant.moves:
                mm, u = c.supports[n]
                said = moves[n].amount_words
                text = (f"the change of {said(mm)} it would need is smaller than what the measurement "
                        f"supports (+/- {said(u).lstrip('+')})")
                out.setdefault(n, Withheld(n, mm, u, text))
    best = max(good, key=lambda c: (round(c.chance, 3), -c.shortfall))
    if wrong:
        points = round(100 * max(best.chance - chosen.chance, 0.0))
        gain = {0: "less than 1 point", 1: "only 1 point"}.get(points, f"only {points} points")
        why = f"it would raise the chance to meet every tolerance by {gain} of 100"
    else:
        why = "no figure is known to be outside its tolerance"
    for n in best.variant.moves:
        if n not in chosen.variant.moves and best.variant.holes == chosen.variant.holes:
            out.setdefault(n, Withheld(n, best.variant.moves[n], best.supports[n][1] if n in best.supports
                                       else float("nan"), why))
    for point, hole in best.variant.holes.items():
        if chosen.variant.holes.get(point) != hole:
            p = rig.points[point]
            mm = radius(rig, point, hole) - radius(rig, point, p.use)
            out[point] = Withheld(point, mm, float("nan"), f"hole {hole} instead of {p.use}: {why}")
    return list(out.values())
