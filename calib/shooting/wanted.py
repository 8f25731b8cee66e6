"""What a shoot asks for: the positions in order, how many photos of each, from where, and the tags they should show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.estimation.foreseen import Conditions
from calib.linkage.mechanism import CannotAssemble
from calib.planning.helps import MEGAPIXELS
from calib.planning.predict import LEAST_SEEN, chosen_views, counts, true_to_scale
from calib.planning.stage import SHORT_OF_STOPS, SPIN_VIEWS, Stage, lever_shares, nearest_view, staged
from calib.planning.views import View, walked
from calib.rig.model import PULLED, PUSHED, Rig, approach_pairs
from capture.errors import UserError

USUAL_PHOTOS = 4
# where no drawing says which views tell most: a right angle apart, alternately from either side
USUAL_VIEWS = (View(75.0, 42.0), View(-75.0, 42.0), View(15.0, 55.0), View(165.0, 55.0), View(-15.0, 55.0),
               View(-165.0, 55.0))


@dataclass(frozen=True)
class Ask:
    """One position: its label, what to do there, from where to photograph it, tags that should be seen."""

    position: str
    do: str
    views: tuple[View, ...]
    tags: tuple[str, ...]

    @property
    def photos(self) -> int:
        return len(self.views)


@dataclass(frozen=True)
class Wanted:
    """A whole shoot. ``stage``: the drawing set up for it; None where it cannot be moved through its positions."""

    rig: Rig
    asks: tuple[Ask, ...]
    stage: Stage | None = None

    def ask(self, position: str) -> Ask:
        """The position's; KeyError for one that is not asked for."""
        return {a.position: a for a in self.asks}[position]

    def view_of(self, tag: str, position: str, taken: Sequence[View]) -> View | None:
        """From where a tag that is still missing would be seen; None: not known."""
        return None if self.stage is None or position not in self.stage.angles else nearest_view(
            self.stage, tag, [position], taken)


def wanted(rig: Rig, photos: int = USUAL_PHOTOS) -> Wanted:
    """What to photograph, ``photos`` (2 to 6) at each lever position. UserError where the rig names no positions.

    >>> from calib import parse_rig, starter_text
    >>> ask = wanted(parse_rig(starter_text())).ask("ahead")
    >>> ask.do, ask.photos
    ('Straight ahead. Hold still.', 4)
    """
    if not LEAST_SEEN <= photos <= len(USUAL_VIEWS):
        raise UserError(f"Photos a position must be {LEAST_SEEN} to {len(USUAL_VIEWS)}, not {photos}.", "out_of_range",
                        "photos")
    if not rig.positions:
        raise UserError(f"{rig.name} has no lever positions: name them as positions under [steering] in the rig file.",
                        "no_positions", rig.name)
    return wanted_from(rig, *_stage(rig, photos))


def wanted_from(rig: Rig, stage: Stage | None, views: Sequence[View] = USUAL_VIEWS[:USUAL_PHOTOS]) -> Wanted:
    """What to photograph from ``views``, in whatever order, at each lever position."""
    asks = [Ask(p, do, tuple(v), tuple(t for t in rig.tags if _shows(rig, t, p)))
            for p, do, v in _order(rig, walked(views))]
    return Wanted(rig, tuple(asks), stage)


def towards(view: View) -> np.ndarray:
    """Unit vector (3,) from the vehicle to a camera, frame axes."""
    a, e = np.deg2rad(view.azimuth), np.deg2rad(view.elevation)
    return np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])


def _stage(rig: Rig, photos: int) -> tuple[Stage | None, Sequence[View]]:
    """The drawing set up, and the views that tell most, neighbours in walking order."""
    try:
        stage = staged(true_to_scale(rig), MEGAPIXELS)
        views = chosen_views(stage, photos, Conditions())
    except (UserError, ValueError, CannotAssemble):  # photos may well be taken of what the drawing has wrong
        return None, USUAL_VIEWS[:photos]
    return stage, views


def _order(rig: Rig, views: Sequence[View]) -> list[tuple[str, str, Sequence[View]]]:
    twice = {label for pair in approach_pairs(rig.positions).values() for label in pair}
    out: list[tuple[str, str, Sequence[View]]] = [(p, _lever(rig, p, twice), views) for p in rig.positions]
    out += [(p, "Straight ahead. Turn wheels a third.", walked(SPIN_VIEWS)) for p in rig.spin_positions]
    out += [(p, "Lean it. Levers ahead.", views) for p in rig.lean_positions]
    if rig.loaded:
        out.append((rig.loaded, "Rider aboard. Straight ahead.", views))
    return out


def _lever(rig: Rig, position: str, twice: set[str]) -> str:
    if position == rig.straight_ahead:
        return "Straight ahead. Hold still."
    if position in twice:
        return {PUSHED: "Push it there. Hold still.", PULLED: "Pull it there. Hold still."}[position[-1]]
    share = lever_shares(rig)[position]
    far = ("against" if position in rig.stops else "just short of" if abs(share) >= SHORT_OF_STOPS else
           f"{round(20 * abs(share)) * 5} % of the way to")
    return f"{_way(rig, share)} {far} the stop. Hold still."


def _way(rig: Rig, share: float) -> str:
    """How the driver is moved: travel goes from pulled back to pushed, or about an upright axis to either side."""
    x, y, z = rig.bodies[rig.driver].axis
    if abs(z) > max(abs(x), abs(y)):
        return "Turned left," if share * z > 0 else "Turned right,"
    return "Pushed" if share > 0 else "Pulled back"


def _shows(rig: Rig, tag: str, position: str) -> bool:
    if position in rig.lean_positions or position == rig.loaded:
        t = rig.tags[tag]
        return t.body in rig.bodies and rig.bodies[t.body].role != "wheel"
    return counts(rig, tag, position)
