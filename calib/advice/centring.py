"""Where the levers stand with the wheels straight, and whether that is all that is wrong."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from calib.advice.compare import Comparison
from calib.advice.proposal import title
from calib.advice.travel import ways
from calib.advice.verdict import Outcome
from calib.rig.figures import on_one_stop
from calib.rig.model import Rig

LEAST = 0.2  # deg of the driver: nobody sets a lever finer


@dataclass(frozen=True)
class Centring:
    """The driver's place with the wheels straight, from where it was held at straight ahead; deg, forward by sign.

    ``alone``: every verdict that stands open or against the vehicle hangs on where straight ahead was held.
    """

    deg: float
    u95: float
    alone: bool
    driver: str
    way: str
    held_at: str  # the position label

    @property
    def where(self) -> str:
        """The place in words: "with the left lever 1.5 +/- 0.3 deg further forward than at "ahead"." """
        by = f"{abs(self.deg):.1f} \u00b1 {max(self.u95, 0.1):.1f} deg"
        return f'with the {title(self.driver).lower()} {by} further {self.way} than it was held at "{self.held_at}"'

    @property
    def text(self) -> str:
        """What to do about it, before anything else is changed."""
        return (f"Both wheels stand straight {self.where}. Set it there, make sure with a straight edge that both "
                f'wheels point ahead, mark the place, and photograph "{self.held_at}" there again, together with the '
                "levers at both stops. Change no rod and no hole before that.")


def centring(design: Rig, comparison: Comparison, shot: Collection[str] = ()) -> Centring | None:
    """Where to centre, or None where straight ahead was held well enough to tell no difference.

    ``shot``: the positions photographed. Where both stops are among them, lock and symmetry count from the real
    stops, so that a wrong one is not for centring alone to cure.
    """
    straight = next((f for f in comparison.figures if f.name == "straight"), None)
    if straight is None or not math.isfinite(straight.measured) or not math.isfinite(straight.u95):
        return None
    if abs(straight.measured) <= max(straight.u95, LEAST):
        return None
    stops = len(design.stops) == 2 and set(design.stops) <= set(shot)
    judged = [f for f in comparison.figures if f.verdict is not None]
    open_ = [f for f in judged if f.verdict is not None and f.verdict.outcome is not Outcome.MET]
    alone = bool(open_) and not stops and all(
        f.name in on_one_stop() and f.target is not None and f.tolerance is not None
        and abs(f.measured - f.target) <= f.tolerance for f in open_)
    return Centring(straight.measured, straight.u95, alone, design.driver,
                    ways(design)[straight.measured > 0], design.straight_ahead)
