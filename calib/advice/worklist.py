"""The work list: what to do at the vehicle, in a mechanic's words. Left and right are the rider's own.

The order is the one in which nothing set is upset again: centre and hold the steering, then what decides centre and
lock (holes, slides, the levers' rods), then the other rods, then the stops. What to recheck after a step is worked
out: the rig is changed step by step and its figures are compared.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.advice.proposal import CAUTION, Change, Proposal, Proposals, percent, said, title, turns_words
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.linkage.steering import curve_figures
from calib.rig.model import Rig

CAUTIONS = (  # common practice, no source
    "Keep at least 1.5 diameters of thread engaged at every rod end: 7.5 mm for M5, 9 mm for M6, 12 mm for M8.",
    "Tighten every locknut and clamp bolt after setting, and look that each rod end sits square on its bolt.",
    "Keep the least overlap marked on a telescoping rod; never run a clamp at the end of its tube.",
    "Turn the levers from stop to stop by hand before riding: nothing may touch, bind or go over centre.",
    CAUTION,
)

MARKS_MM, SHORT_MARKS_MM = 100.0, 50.0  # between two scribed lines: any caliper opens to that
NOTICED_TOE, NOTICED_CENTRE, NOTICED_LOCK = 0.05, 0.2, 0.2  # deg: smaller changes are not worth a recheck
Figures = Mapping[str, float]


@dataclass(frozen=True)
class Step:
    """One step: what to do, how, and what to look at again before the next. ``kind``: centre, change, stops, shoot."""

    do: str
    how: str = ""
    recheck: tuple[str, ...] = ()
    kind: str = "change"
    item: str = ""

    @property
    def text(self) -> str:
        """The step as one paragraph."""
        return " ".join(x for x in (self.do, self.how, self.checks) if x)

    @property
    def checks(self) -> str:
        """What to recheck, as a sentence; empty where there is nothing."""
        return f"Recheck {listing(self.recheck)}." if self.recheck else ""


@dataclass(frozen=True)
class Shoot:
    """The lever positions that a work list asks to be photographed again."""

    positions: tuple[str, ...]
    spin_positions: tuple[str, ...] = ()


def work_steps(proposal: Proposal, rig: Rig, u95: Mapping[str, float] | None = None,
               straight: str = "") -> tuple[Step, ...]:
    """The steps of one proposal, in order; none where all is left as it is.

    ``rig`` is the measured rig that the proposal was made for; ``u95`` gives 95 % half-widths of rod lengths, mm;
    ``straight`` says where the wheels stand straight, if not where straight ahead was held.
    """
    if proposal.leaves_it:
        return ()
    driver = title(rig.driver).lower()
    where = straight or f'as at position "{rig.straight_ahead}"'
    out = [Step(f"Set the steering straight ahead, {where}, and strap the {driver} there so that nothing moves while "
                "you work.", kind="centre")]
    toe_u95 = next((f.u95 for f in proposal.figures if f.name == "toe"), None)
    standing, before = rig, _figures(rig)
    for change in in_order(proposal.changes, rig):
        standing = _with(standing, proposal.rig, change)
        after = _figures(standing)
        check = [*_by_hand(change), *_moved(before, after, standing, toe_u95, _sets_toe(change, rig))]
        out.append(Step(*_said(change, rig, u95 or {}), tuple(check), item=change.item))
        before = after
    return (*out, _stops(proposal), _shoot_again(rig))


def in_order(changes: Sequence[Change], rig: Rig) -> list[Change]:
    """The changes as a mechanic makes them: what decides centre and lock first, rods that set only toe last."""
    def place(c: Change) -> int:
        return 2 if c.kind == "rod" and not _at_lever(rig, c.item) else 1 if c.kind == "rod" else 0

    return sorted(changes, key=place)


def work_list(proposal: Proposal, rig: Rig) -> list[str]:
    """The steps as numbered paragraphs."""
    steps = work_steps(proposal, rig)
    return [f"{k}. {s.text}" for k, s in enumerate(steps, 1)] or ["Leave everything as it is."]


def full_list(proposals: Proposals, rig: Rig) -> list[str]:
    """The best proposal's steps with what was held back, what to photograph, and the cautions."""
    best = proposals.best
    out = ["Left and right are as the rider sits.", *work_list(best, rig)]
    if not best.leaves_it:
        out.append(f"Chance that every tolerance is then met: {percent(best.chance_all)} "
                   f"(now {percent(proposals.leave.chance_all)}).")
        out += list(best.side_effects)
    out += [f"Not suggested: {w.text}" for w in proposals.withheld]
    out += [*proposals.limited_by, *proposals.photos, *proposals.notes]
    return out + (list(CAUTIONS) if not best.leaves_it else [CAUTIONS[-1]])


def shoot_again(rig: Rig) -> Shoot:
    """First, straight-ahead and last lever position, in shooting order, and the wheels turned by hand."""
    wanted = {*rig.positions[:1], *rig.positions[-1:], rig.straight_ahead}
    return Shoot(tuple(p for p in rig.positions if p in wanted) or (rig.straight_ahead,), tuple(rig.spin_positions))


def listing(items: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


# --- the words of one change ----------------------------------------------------------------------------------


def _said(change: Change, rig: Rig, u95: Mapping[str, float]) -> tuple[str, str]:
    """What to do, and how."""
    if change.kind == "hole":
        part, end = rod_end(change.item)
        return (f"{part}: move the {end} from hole {change.before} to hole {change.after}, "
                f"{hole_words(rig, change.item, change.before, change.after)}."), ""
    if change.kind != "rod":
        return said(change), ""
    length = lengths_words(rig.rods[change.item].length, change.mm, u95.get(change.item))
    if change.turns is not None:
        return (f"{title(change.item)}: {change.direction} by {turns_words(change.turns)} ({abs(change.mm):.4g} mm), "
                f"{length}."), ("Draw a line along the rod and both ends to count by, loosen both locknuts, turn, and "
                                "tighten them again.")
    return f"{title(change.item)}: {change.direction} by {abs(change.mm):.4g} mm, {length}.", _marks(change, rig)


def rod_end(point: str) -> tuple[str, str]:
    """The part and what to call the rod end there: "crank.left_in" -> "Crank", "rod end at left in"."""
    part, _, rod = point.partition(".")
    return title(part), "rod end" if rod in ("rod", "arm", "at", "") else f"rod end at {rod.replace('_', ' ')}"


def hole_words(rig: Rig, point: str, before: str, after: str) -> str:
    """A move in relative words: "one hole towards the pivot, 9.0 mm"; right even where the file names them wrongly."""
    p = rig.points[point]
    order = list(p.order or p.holes)
    n = order.index(after) - order.index(before)
    apart = math.dist(p.holes[before], p.holes[after])
    number = {1: "one hole", 2: "two holes", 3: "three holes"}.get(abs(n), f"{abs(n)} holes")
    inward = _from_axis(rig, p.body, p.holes[before]) - _from_axis(rig, p.body, p.holes[after])
    if abs(inward) < 0.5 * apart:  # a row along an arc
        return f"{number} along the row, {apart:.1f} mm"
    return f"{number} {'towards' if inward > 0 else 'away from'} the pivot, {apart:.1f} mm"


def _from_axis(rig: Rig, body: str, place: Sequence[float]) -> float:
    b = rig.bodies.get(body)
    return 0.0 if b is None else float(np.linalg.norm(np.cross(np.subtract(place, b.pivot), b.axis)))


def lengths_words(length: float, mm: float, u95: float | None) -> str:
    """ "from 441.4 to 442.4 mm between ball centres"; a length's own doubt is no doubt of the step."""
    doubt = f" (\u00b1 {max(u95, 0.1):.1f})" if u95 else ""
    return f"from {length:.1f} to {length + mm:.1f} mm{doubt} between ball centres"


def _marks(change: Change, rig: Rig) -> str:
    """How to set a clamped tube with calipers: two scribed lines and the distance they end up apart."""
    rod = rig.rods[change.item]
    apart = MARKS_MM if rod.length > 2.5 * MARKS_MM else SHORT_MARKS_MM
    while apart + change.mm < 0.3 * apart:  # so much shorter that the lines would meet
        apart *= 2
    words = (f"Before you loosen the clamp scribe a line on each tube, {apart:.1f} mm apart with the clamp between "
             f"them; set the lines {apart + change.mm:.1f} mm apart with calipers, without twisting the tubes, and "
             "tighten the clamp.")
    if rod.overlap_now is not None:
        words += f" The overlap goes from {rod.overlap_now:.1f} to {rod.overlap_now - change.mm:.1f} mm."
    return words


def _by_hand(change: Change) -> list[str]:
    if change.kind == "hole":
        return ["that the rod end sits square on its bolt"]
    if change.kind == "rod" and change.turns is not None:
        return ["both locknuts", "the thread left engaged"]
    return ["that every bolt that was loosened is tight"] if change.kind not in ("hole", "rod") else ["the clamp"]


# --- what a step moves ----------------------------------------------------------------------------------------


def _at_lever(rig: Rig, rod: str) -> bool:
    ends = (rig.points[p].body for p in (rig.rods[rod].a, rig.rods[rod].b))
    return any(b in rig.bodies and rig.bodies[b].role == "lever" for b in ends)


def _sets_toe(change: Change, rig: Rig) -> bool:
    return change.kind == "rod" and not _at_lever(rig, change.item)


def _with(rig: Rig, final: Rig, change: Change) -> Rig:
    """The rig with one change made, as it stands in the finished one."""
    if change.kind == "hole":
        p = rig.points[change.item]
        return replace(rig, points={**rig.points, p.name: replace(p, use=change.after)})
    if change.kind == "rod":
        return replace(rig, rods={**rig.rods, change.item: final.rods[change.item]})
    return replace(rig, bodies=final.bodies, points={  # places move, holes in use come with their own steps
        n: replace(p, holes=final.points[n].holes) for n, p in rig.points.items()})


def _figures(rig: Rig) -> Figures:
    """Figures over the travel, rad; empty where the half-changed rig does not go together."""
    try:
        return curve_figures(rig, Linkage(rig).sweep(np.linspace(*rig.driver_travel, 41)))
    except (ValueError, CannotAssemble):
        return {}


def _moved(before: Figures, after: Figures, rig: Rig, toe_u95: float | None, sets_toe: bool) -> list[str]:
    """What a step moved far enough to be looked at again, with what it should read."""
    def change(name: str) -> float:
        d = after.get(name, math.nan) - before.get(name, math.nan)
        return abs(math.degrees(d)) if math.isfinite(d) else math.inf

    out = []
    if change("straight") >= NOTICED_CENTRE:
        out.append("where the levers stand with the wheels straight")
    if change("lock_left") >= NOTICED_LOCK or change("lock_right") >= NOTICED_LOCK:
        out.append("the lock at both stops")
    if sets_toe or change("toe") >= NOTICED_TOE:
        out.append(toe_words(after.get("toe", math.nan), toe_u95, rig))
    return out


def toe_words(toe: float, u95_deg: float | None, rig: Rig) -> str:
    """Toe as it should read after a step, as an angle and as a tape between the tyres shows it.

    ``toe`` rad, toe-in positive. The half-width is the finished proposal's: the same parameters leave the same doubt
    in a half-changed rig.
    """
    if not math.isfinite(toe):
        return "toe"
    across = 2.0 * float(np.mean([w.radius for w in rig.wheels.values()]))
    doubt = "" if u95_deg is None else f" \u00b1 {max(u95_deg, 0.01):.2f}"
    mm = abs(across * math.sin(toe))
    way = "narrower" if toe > 0 else "wider"
    doubt_mm = "" if u95_deg is None else f" \u00b1 {max(across * math.radians(u95_deg), 0.1):.1f}"
    return (f"toe: {math.degrees(toe) + 0.0:+.2f}{doubt} deg, tyres {mm:.1f}{doubt_mm} mm {way} apart in front than "
            "behind at hub height")


def _stops(proposal: Proposal) -> Step:
    """Last by hand: through the whole travel."""
    shown = {f.name: f for f in proposal.figures}
    locks = [f"{words} lock {f.value:.1f} \u00b1 {max(f.u95, 0.1):.1f} deg" for name, words in
             (("lock", "mean"), ("lock_left", "left"), ("lock_right", "right")) if (f := shown.get(name))]
    return Step("Loosen the strap and turn slowly from stop to stop by hand, unloaded.",
                "Nothing may touch, bind or go over centre, and the stops, not the rods, must end the travel.",
                tuple(locks), kind="stops")


def _shoot_again(rig: Rig) -> Step:
    again = shoot_again(rig)
    spin = f", and {' and '.join(again.spin_positions)} with the wheels turned by hand" if again.spin_positions else ""
    return Step(f"Set straight ahead and shoot positions {listing(again.positions)} again{spin}; then run "
                "rigtrue confirm.", kind="shoot")
