"""The vehicle from above with the places to stand round it, as the phone page and the shoot card both draw it.

Picture frame: x right, y down, the vehicle's front upwards; the middle of its wheels is the origin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.planning.views import View
from calib.rig.discs import front_disc, rear_disc
from calib.rig.model import Rig

RING = 120.0  # how far from the middle phones are drawn
ASIDE = 15.0  # deg from one phone to the next where several are on the same side
REACH = 78.0  # half of the vehicle's length or width, whichever is longer
SAME_SIDE = 10.0  # deg
Point = tuple[float, float]


@dataclass(frozen=True)
class Outline:
    """No more than it takes to tell front from rear: wheels as (middle, half length), axle and spine as lines.

    All is left out where there are no front wheels, on which the rear one's place rests.
    """

    wheels: tuple[tuple[Point, float], ...]
    spine: tuple[Point, Point] | None
    axles: tuple[tuple[Point, Point], ...]


def outline(rig: Rig) -> Outline:
    """The vehicle, its parts to scale among each other."""
    if not rig.wheels:
        return Outline((), None, ())
    fronts, rear = [front_disc(rig, s) for s in rig.wheels], rear_disc(rig)
    discs = [*fronts, rear]
    ends = np.array([d.centre[:2] + k * d.radius * np.array([1.0, 0.0]) for d in discs for k in (-1, 1)])
    middle = (ends.min(axis=0) + ends.max(axis=0)) / 2
    scale = REACH / max(float(np.ptp(ends, axis=0).max()) / 2, 1.0)

    def at(p: np.ndarray) -> Point:
        """Frame x forward, y left as picture x right, y down."""
        d = (np.asarray(p[:2], float) - middle) * scale
        return float(-d[1]), float(-d[0])

    wheels = tuple((at(d.centre), float(d.radius * scale)) for d in discs)
    axle = at(np.mean([d.centre for d in fronts], axis=0))
    return Outline(wheels, (axle, at(rear.centre)), tuple((axle, at(d.centre)) for d in fronts))


def place(azimuth: float, far: float) -> Point:
    """A place on the picture; azimuth 0 is the front, which is up, 90 the left."""
    a = np.deg2rad(azimuth)
    return float(-far * np.sin(a)), float(-far * np.cos(a))


def places(views: Sequence[View], ring: float = RING) -> list[Point]:
    """Where each view's phone is drawn: on the ring, side by side where several are on the same side."""
    out = []
    for i, v in enumerate(views):
        alike = [j for j, w in enumerate(views) if abs((v.azimuth - w.azimuth + 180) % 360 - 180) < SAME_SIDE]
        out.append(place(v.azimuth - ASIDE * (alike.index(i) - (len(alike) - 1) / 2), ring))
    return out
