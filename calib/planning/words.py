"""The plan in plain lines: what to shoot, what it would know, what it would not and what would help."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.planning.helps import ENOUGH, MissingTag, Remedy, wide
from calib.planning.predict import LEAST_SEEN, ShootPlan, counts
from calib.planning.stage import nearest_view
from calib.planning.views import walked
from calib.rig.figures import FIGURES
from calib.rig.model import Rig

COSTS = 3  # costs of a missing tag that are named
VARIES = 1.8  # largest over least half-width by how the vehicle turns out, from which that is said
WIDE, NARROW = 30, 11  # columns of the table
ASSUMED = ("Taken for granted: a vehicle within the drawing's tolerances, bearings that come back to their place "
           "within a tenth of a millimetre, a board and tags that are fast and flat, and a phone of 12 megapixels held "
           "still. The run finds out how it really was, and says so.")


def advice(rig: Rig, plans: Sequence[ShootPlan], helps: Sequence[Remedy] = (), missing: Sequence[MissingTag] = (),
           ) -> list[str]:
    """Plain lines: what each number of photos would know, whether it is enough for the tolerances, what else helps."""
    best = cheapest(rig, plans)
    lines = _table(rig, plans)
    lines += _enough(rig, plans, best)
    lines += _helps(rig, plans[-1], helps)
    lines += _varies(rig, best)
    lines += _missing(missing)
    lines += rare(best)
    lines.append(ASSUMED)
    if not rig.loaded:
        lines.append("All figures will be unloaded: to see what the rider's weight does, name a position loaded in the "
                     "rig file and photograph it with the rider aboard.")
    return lines


def how_to_shoot(rig: Rig, plan: ShootPlan) -> list[str]:
    """Where to stand, and where to put board and tags, for one plan."""
    if plan.stage is None:
        return []
    at = plan.stage.board[1]
    lines = [f"The shoot: {_photos(rig, plan)}. Fill the picture with tags and board. Stand"]
    lines += [f"  {k}. {v.words}" for k, v in enumerate(walked(plan.asked), 1)]
    if rig.spin_positions:
        lines.append(f"  and at {' and '.join(rig.spin_positions)} twice on either side, level with the wheels, so "
                     "that each photo shows a wheel's tag and the board.")
    lines += [f"Clamp the board to the frame, level, its long side along the vehicle, its middle about {at[0]:.0f} mm "
              f"from the origin along x and {at[2]:.0f} mm up.", "Stick the tags like this:"]
    lines += [f"  {rig.tags[n].code} {n}, {rig.tags[n].size:g} mm: {s.words}" for n, s in plan.tags.items()]
    return lines


def cheapest(rig: Rig, plans: Sequence[ShootPlan]) -> ShootPlan:
    """The plan with the fewest photos that leaves no more figures open than the one with the most."""
    least = len(wide(plans[-1], rig))
    return next(p for p in plans if len(wide(p, rig)) <= least)


def _photos(rig: Rig, p: ShootPlan) -> str:
    spun = len(rig.spin_positions)
    turned = f" and 4 at each of {spun} with the wheels turned by hand" if spun else ""
    leaned = f" and of {n} leaned over" if (n := len(rig.lean_positions)) else ""
    return (f"{p.photos_per_position} photos at each of {len(p.positions) - spun - n} lever positions{leaned}{turned}, "
            f"{p.photos} in all")


def _table(rig: Rig, plans: Sequence[ShootPlan]) -> list[str]:
    """Half-widths, a row for each figure and a column for each number of photos."""
    head = "95 %, photos a position (all)"
    lines = [f"{head:<{WIDE}}" + "".join(f"{f'{p.photos_per_position} ({p.photos})':>{NARROW}}" for p in plans)
             + f"{'tolerance':>{NARROW}}"]

    def row(label: str, values: Sequence[float], digits: int, rest: str = "") -> None:
        cells = "".join(f"{f'+/- {v:.{digits}f}':>{NARROW}}" if np.isfinite(v) else f"{'':>{NARROW}}" for v in values)
        lines.append(f"  {label:<{WIDE - 2}}{cells}{rest}".rstrip())

    row("lever angle, deg", [p.worst(f"{rig.driver} angle") for p in plans], 3)
    row("steer, deg", [p.worst("steer") for p in plans], 3)
    row("pivots, mm", [p.pivot_u95 for p in plans], 2)
    row("rod lengths, mm", [p.worst("length") for p in plans], 2)
    for n, t in rig.targets.items():
        known = [_u95(p, n) for p in plans]
        kind = FIGURES[n]
        if np.isfinite(known).any():
            unit = f", {kind.unit}" if kind.unit else ""
            row(f"{kind.short}{unit}", known, kind.digits + 1, f"{t.tolerance * kind.scale:>{NARROW}g}")
    return lines


def _u95(p: ShootPlan, name: str) -> float:
    return next((f.u95 for f in p.figures if f.name == name), float("nan"))


def _with_unit(name: str, u95: float) -> str:
    kind = FIGURES[name]
    return f"+/- {u95:.{kind.digits + 1}f} {kind.unit}".rstrip()


def _enough(rig: Rig, plans: Sequence[ShootPlan], best: ShootPlan) -> list[str]:
    open_, lines = wide(best, rig), []
    told = [n for n in rig.targets if n not in open_ and np.isfinite(_u95(best, n))]
    sure, likely = ([FIGURES[n].short for n in told if _sure(rig, best, n) is yes] for yes in (True, False))
    if told:
        said = [f"Enough to judge {', '.join(sure)}"] if sure else []
        also = "most likely also" if sure else "Most likely enough to judge"
        said += [f"{also} {', '.join(likely)}"] if likely else []
        lines.append(f"{'; '.join(said)} (at most a third of the tolerance): {_photos(rig, best)}.")
    for n in wide(plans[-1], rig):
        k, t = FIGURES[n], rig.targets[n]
        more = " with any number of photos" if len(plans) > 1 else ""
        lines.append(f"Not enough to judge {k.short} well{more}: {_with_unit(n, _u95(plans[-1], n))} against a "
                     f"tolerance of {t.tolerance * k.scale:g}; {ENOUGH * t.tolerance * k.scale:.{k.digits + 1}f} "
                     "would do.")
    return lines


def _helps(rig: Rig, plan: ShootPlan, helps: Sequence[Remedy]) -> list[str]:
    lines = []
    for h in helps:
        brings = ", ".join(f"{FIGURES[n].short} {_with_unit(n, u)}" for n, u in h.brings)
        lines.append(f"  What would help: {h.do.rstrip('.')}: {brings}.")
    helped = {n for h in helps for n, _ in h.brings}
    rest = [FIGURES[n].short for n in wide(plan, rig) if n not in helped]
    if rest and helps:
        lines.append(f"  Nothing that was tried helps {', '.join(rest)}.")
    return lines


def _varies(rig: Rig, plan: ShootPlan) -> list[str]:
    """Targets whose uncertainty hangs on how vehicle, tags and photos turn out."""
    out = []
    for n, (low, high) in plan.spread.items():
        if n in rig.targets and np.isfinite(high) and high > VARIES * low:
            digits = FIGURES[n].digits + 1
            out.append(f"{FIGURES[n].short} +/- {low:.{digits}f} to {high:.{digits}f} {FIGURES[n].unit}".rstrip())
    return [f"How well these will be known hangs on how unlike the two sides turned out, how flat the tags lie and how "
            f"sharp the photos are: {', '.join(out)}."] if out else []


def _sure(rig: Rig, plan: ShootPlan, name: str) -> bool:
    """Whether a figure will be known well enough even where vehicle and photos turn out badly."""
    t, high = rig.targets[name], plan.spread.get(name, (0.0, 0.0))[1]
    return bool(high <= ENOUGH * t.tolerance * FIGURES[name].scale)


def _missing(missing: Sequence[MissingTag]) -> list[str]:
    alike: dict[str, list[str]] = {}
    for m in missing:
        costs = [f"{_figure(n)} +/- {was:.2f} instead of {then:.2f} {unit}".rstrip() if np.isfinite(was)
                 else f"{_figure(n)} stays as drawn instead of +/- {then:.2f} {unit}".rstrip()
                 for n, unit, was, then in m.costs[:COSTS]]
        alike.setdefault(", ".join(costs) if costs else "it costs little", []).append(m.what)
    return [f"No tag in the rig file for {'; nor for '.join(what)}: {costs}." for costs, what in alike.items()]


def _figure(name: str) -> str:
    return FIGURES[name].short if name in FIGURES else name.replace("_", " ")


def rare(p: ShootPlan) -> list[str]:
    """Tags seen too rarely, with the positions, and the view that would see them."""
    if p.stage is None or p.seen is None:
        return []
    cures: dict[str, list[str]] = {}
    for tag in p.unseen:
        where = [pos for pos in p.positions if counts(p.stage.rig, tag, pos)]
        few = [pos for pos in where if p.seen[tag, pos] < LEAST_SEEN]
        view = nearest_view(p.stage, tag, few, p.asked)
        cure = (f"add a photo from {view.words}" if view else
                "tilt it on a small bracket towards where you can stand, or move it clear of what hides it")
        at = ", ".join(few) if len(few) < len(where) else "every position that needs it"
        cures.setdefault(cure, []).append(f"{tag} (at {at})")
    return [f"Seen in fewer than two photos: {', '.join(tags)}; {cure}." for cure, tags in cures.items()]
