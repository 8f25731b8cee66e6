"""Where to stand for each photo of a position, named alike on the map, on the terminal and on the shoot card."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.planning.stage import SPIN_VIEWS, Shot, Stage, shoot
from calib.planning.views import View, walked

LETTERS = "abcdefgh"


@dataclass(frozen=True)
class Stand:
    """One place for the phone; ``mark``: its number, or a letter where wheels are turned by hand.

    ``up``: m over the ground, ``off``: m from the board's middle; None where no drawing tells.
    """

    mark: str
    view: View
    up: float | None = None
    off: float | None = None
    upright: bool = False  # the phone turned upright


def marked(stage: Stage, views: Sequence[View]) -> list[tuple[str, Shot]]:
    """Photos at straight ahead from ``views``, in the order in which to walk round, with their numbers."""
    shots = shoot(stage, {stage.rig.straight_ahead: walked(views)})
    return [(str(k), s) for k, s in enumerate(shots, 1)]


def marked_turned(stage: Stage) -> list[tuple[str, Shot]]:
    """The same with letters for the wheels turned by hand; none where no position asks for it."""
    first = next(iter(stage.rig.spin_positions), None)
    return [] if first is None else list(zip(LETTERS, shoot(stage, {first: walked(SPIN_VIEWS)}), strict=False))


def stand(stage: Stage, mark: str, shot: Shot) -> Stand:
    """How high and how far off a photo is taken."""
    seat = shot.seat
    return Stand(mark, seat.view, float(seat.eye[2]) / 1000, float(np.linalg.norm(seat.eye - stage.board[1])) / 1000,
                 seat.upright)


def stands(stage: Stage | None, views: Sequence[View], turned: bool) -> list[Stand]:
    """Every place to stand; ``turned``: those for wheels turned by hand too. Without a stage only from which side."""
    if stage is not None:
        return [stand(stage, m, s) for m, s in marked(stage, views) + (marked_turned(stage) if turned else [])]
    return ([Stand(str(k), v) for k, v in enumerate(walked(views), 1)]
            + [Stand(m, v) for m, v in zip(LETTERS, walked(SPIN_VIEWS) if turned else (), strict=False)])
