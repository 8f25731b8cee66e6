"""The plan in plain lines: what to shoot, what it would know, what it would not and what would help."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.planning.helps import ENOUGH, MissingTag, Remedy, wide
from calib.planning.predict import LEAST_SEEN, ShootPlan, counts
from calib.planning.stage import nearest_view
from calib.results import Figure
from calib.rig.figures import FIGURES, FigureKind
from calib.rig.model import Rig

COSTS = 3  # costs of a missing tag that are named


def advice(rig: Rig, plans: Sequence[ShootPlan], helps: Sequence[Remedy] = (), missing: Sequence[MissingTag] = (),
           ) -> list[str]:
    """Plain lines: what each number of photos would know, whether it is enough for the tolerances, what else helps."""
    lines = _counts(plans)
    for p in plans:
        lines += _known(rig, p)
    best = cheapest(rig, plans)
    lines += _verdict(rig, plans, best)
    lines += _helps(rig, plans[-1], helps)
    lines += _missing(missing)
    lines += _rare(best)
    if not rig.loaded:
        lines.append("All figures will be unloaded: to see what the rider's weight does, name a position loaded in the "
                     "rig file and photograph it with the rider aboard.")
    return lines


def how_to_shoot(rig: Rig, plan: ShootPlan) -> list[str]:
    """Where to stand and where to stick the tags, for one plan."""
    if plan.stage is None:
        return []
    at = plan.stage.board[1]
    lines = [f"Clamp the board to the frame, level, its long side along the vehicle, about {at[0]:.0f} mm from the "
             f"origin along x and {at[2]:.0f} mm up.", "Stick the tags like this:"]
    lines += [f"  {rig.tags[n].code} {n}, {rig.tags[n].size:g} mm: {s.words}" for n, s in plan.tags.items()]
    return lines


def cheapest(rig: Rig, plans: Sequence[ShootPlan]) -> ShootPlan:
    """The plan with the fewest photos that leaves no more figures open than the one with the most."""
    least = len(wide(plans[-1], rig))
    return next(p for p in plans if len(wide(p, rig)) <= least)


def _counts(plans: Sequence[ShootPlan]) -> list[str]:
    return [] if len(plans) < 2 else ["What each number of photos would tell, 95 % half-widths:"]


def _known(rig: Rig, p: ShootPlan) -> list[str]:
    spun = len(rig.spin_positions)
    turned = f" and 4 at each of {spun} with the wheels turned by hand" if spun else ""
    levers = len(p.positions) - spun
    lever = p.worst(f"{rig.driver} angle")
    lines = [f"{p.photos_per_position} photos at each of {levers} lever positions{turned}, {p.photos} in all "
             f"({'; '.join(p.views)}):",
             f"  lever angle +/- {lever:.3f} deg, steer +/- {p.worst('steer'):.3f} deg, pivots +/- "
             f"{p.pivot_u95:.2f} mm, rod lengths +/- {p.worst('length'):.2f} mm"]
    wanted = _wanted(rig, p)
    if wanted:
        lines.append("  " + ", ".join(f"{k.short} {_with_unit(k, f.u95)}" for k, f in wanted))
    return lines


def _wanted(rig: Rig, p: ShootPlan) -> list[tuple[FigureKind, Figure]]:
    known = {f.name: f for f in p.figures}
    return [(FIGURES[n], known[n]) for n in rig.targets if n in known]


def _with_unit(kind: FigureKind, u95: float) -> str:
    return f"+/- {u95:.{kind.digits + 1}f} {kind.unit}".rstrip()


def _verdict(rig: Rig, plans: Sequence[ShootPlan], best: ShootPlan) -> list[str]:
    open_, lines = wide(best, rig), []
    told = [k.short for k, _ in _wanted(rig, best) if k.name not in open_]
    if told:
        lines.append(f"Enough to judge {', '.join(told)} (at most {ENOUGH:.2f} of the tolerance): {best.photos} "
                     f"photos, {best.photos_per_position} at each lever position.")
    known = {f.name: f for f in plans[-1].figures}
    for n in wide(plans[-1], rig):
        k, t = FIGURES[n], rig.targets[n]
        more = " with any number of photos" if len(plans) > 1 else ""
        lines.append(f"not enough to judge {k.short} well{more}: {_with_unit(k, known[n].u95)} against a tolerance of "
                     f"{t.tolerance * k.scale:g}")
    return lines


def _helps(rig: Rig, plan: ShootPlan, helps: Sequence[Remedy]) -> list[str]:
    lines = []
    for h in helps:
        brings = ", ".join(f"{FIGURES[n].short} {_with_unit(FIGURES[n], u)}" for n, u in h.brings)
        lines.append(f"  what would help: {h.do.rstrip('.')}: {brings}.")
    helped = {n for h in helps for n, _ in h.brings}
    rest = [FIGURES[n].short for n in wide(plan, rig) if n not in helped]
    if rest and helps:
        lines.append(f"  nothing tried helps {', '.join(rest)}: widen the tolerance, or leave the verdict open.")
    return lines


def _missing(missing: Sequence[MissingTag]) -> list[str]:
    lines = []
    for m in missing:
        costs = [f"{_figure(n)} +/- {was:.2f} instead of {then:.2f} {unit}".rstrip() if np.isfinite(was)
                 else f"{_figure(n)} stays as drawn instead of +/- {then:.2f} {unit}".rstrip()
                 for n, unit, was, then in m.costs[:COSTS]]
        lines.append(f"No tag in the rig file for {m.what}: " + (", ".join(costs) if costs else "it costs little")
                     + ".")
    return lines


def _figure(name: str) -> str:
    return FIGURES[name].short if name in FIGURES else name.replace("_", " ")


def _rare(p: ShootPlan) -> list[str]:
    """Tags seen too rarely, with the positions, and the view that would see them."""
    if p.stage is None or p.seen is None:
        return []
    lines = []
    for tag in p.unseen:
        few = [pos for (t, pos), n in p.seen.items() if t == tag and n < LEAST_SEEN and counts(p.stage.rig, t, pos)]
        view = nearest_view(p.stage, tag, few, [s.seat.view for s in p.shots])
        cure = (f"add a photo {view.words}" if view else "tilt it on a small bracket towards where you can stand, or "
                "move it clear of what hides it")
        where = ", ".join(few) if len(few) < len(p.positions) else "every position"
        lines.append(f"{tag} is seen in fewer than two photos at {where}: {cure}.")
    return lines


