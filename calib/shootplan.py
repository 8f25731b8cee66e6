"""The shoot plan: how well a shoot will know the rig, before the first photo is taken. See ``calib.planning``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from calib.estimation.foreseen import Conditions
from calib.planning.helps import MEGAPIXELS, MissingTag, Remedy, missing_tags, remedies
from calib.planning.predict import ShootPlan, chosen_views, plan_on, plan_shoot, true_to_scale, with_spread
from calib.planning.stage import position_angles, staged
from calib.planning.words import advice, cheapest, how_to_shoot
from calib.rig.model import Rig

__all__ = ["Choice", "Conditions", "ShootPlan", "advice", "plan_shoot", "plan_shoots", "position_angles"]
COUNTS = (3, 4, 6)  # photos a lever position that are set against each other; with two, one that fails costs all


@dataclass(frozen=True)
class Choice:
    """Plans with more and more photos, the cheapest that is enough, and what would help beside photos."""

    rig: Rig
    plans: tuple[ShootPlan, ...]
    helps: tuple[Remedy, ...] = ()
    missing: tuple[MissingTag, ...] = ()

    @property
    def cheapest(self) -> ShootPlan:
        """The plan with the fewest photos that leaves no more figures open than the one with the most."""
        return cheapest(self.rig, self.plans)

    @property
    def lines(self) -> list[str]:
        """All of it in plain lines."""
        return advice(self.rig, self.plans, self.helps, self.missing) + how_to_shoot(self.rig, self.cheapest)


def plan_shoots(rig: Rig, counts: Sequence[int] = COUNTS, *, conditions: Conditions | None = None,
                said: Callable[[int, int, str], None] = lambda *_: None) -> Choice:
    """What shoots of several sizes would know, and what would help. ``said``: steps done, of how many, and of what.

    UserError where such a shoot could not be evaluated at all.
    """
    conditions = conditions or Conditions()
    rig = true_to_scale(rig)
    of = len(counts) + 3
    stage = staged(rig, MEGAPIXELS)
    views = chosen_views(stage, max(counts), conditions)
    said(1, of, "the views that tell most")
    plans = []
    for k, n in enumerate(counts, 2):
        plans.append(plan_on(stage, views, n, conditions))
        said(k, of, f"{n} photos a position")
    helps = remedies(rig, plans[-1], conditions)
    said(of - 1, of, "what would help")
    missing = missing_tags(rig, plans[-1], conditions)
    said(of, of, "tags that are missing")
    best = cheapest(rig, plans)
    plans = [with_spread(p, conditions) if p is best else p for p in plans]
    return Choice(rig, tuple(plans), tuple(helps), tuple(missing))
