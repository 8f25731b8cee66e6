"""The work list: what to do at the vehicle, in a builder's words. Left and right are the rider's own."""

from __future__ import annotations

from collections.abc import Sequence

from calib.advice.proposal import CAUTION, Change, Proposal, Proposals, percent, said
from calib.rig.model import Rig

CAUTIONS = (  # common practice, no source
    "Keep at least 1.5 diameters of thread engaged at every rod end: 7.5 mm for M5, 9 mm for M6, 12 mm for M8.",
    "Tighten every locknut and clamp bolt after setting, and look that each rod end sits square on its bolt.",
    "Keep the least overlap marked on a telescoping rod; never run a clamp at the end of its tube.",
    "Turn the levers from stop to stop by hand before riding: nothing may touch, bind or go over centre.",
    CAUTION,
)


def work_steps(proposal: Proposal, rig: Rig) -> list[str]:
    """Steps for one proposal: changes, then setting straight ahead, then the photos to shoot again; none to leave it.

    ``rig`` is the measured rig the proposal was made for; left and right are from the rider's seat.
    """
    return [] if proposal.leaves_it else [*(_said(c, rig) for c in proposal.changes), _finish(rig)]


def work_list(proposal: Proposal, rig: Rig) -> list[str]:
    """The steps with their numbers."""
    steps = work_steps(proposal, rig)
    return [f"{k}. {s}" for k, s in enumerate(steps, 1)] or ["Leave everything as it is."]


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


def _said(change: Change, rig: Rig) -> str:
    if change.kind == "rod" and rig.rods[change.item].adjuster == "clamp":
        return said(change, "; mark the tube before you loosen the clamp")
    if change.kind == "rod" and change.turns is not None:
        return said(change, "; loosen both locknuts first and tighten them after")
    return said(change)


def _finish(rig: Rig) -> str:
    shoot = _ends(list(rig.positions), rig.straight_ahead)
    if not shoot:
        return "Set straight ahead and shoot again."
    listed = shoot[0] if len(shoot) == 1 else ", ".join(shoot[:-1]) + " and " + shoot[-1]
    spin = " and ".join(rig.spin_positions)
    more = f", and {spin} with the wheels turned by hand" if spin else ""
    return f"Set straight ahead and shoot positions {listed} again{more}."


def _ends(positions: Sequence[str], ahead: str) -> list[str]:
    """First, straight-ahead and last label, in shooting order, without repeats."""
    wanted = {*positions[:1], *positions[-1:], ahead}
    return [p for p in positions if p in wanted] or [ahead]
