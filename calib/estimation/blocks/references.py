"""Measured references: where straight ahead and level are on the real vehicle, apart from its drawn pivots.

Tags on the frame's centre line and the rear wheel turned by hand give straight ahead; tags lying on the floor under
the vehicle give level. Like the drawing's rows they settle the alignment, x_frame = R x_board + t, and a tolerance is
a 95 % half-width. They keep their full weight: a drawing that disagrees gives way, and what does not fit is named
(``diagnose.reference_findings``). A rig file without references brings no such rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.estimation.blocks.base import Array, RowBlock, slots_of
from calib.estimation.unknowns import Layout, Motions
from calib.linkage.rotations import perpendiculars, skew
from calib.rig.model import Rig, Vec
from calib.uncertainty import standard


@dataclass(frozen=True)
class CentreLineTag(RowBlock):
    """Middle of a tag on the frame's centre line, y = 0 in frame axes: one row, mm over ``sd`` mm."""

    tag: int  # in State.tag_t
    sd: float

    kind = "reference"

    def residual(self, m: Motions) -> Array:
        s = m.state
        return (s.align_R[1:2] @ s.tag_t[self.tag] + s.align_t[1]) / self.sd

    def jacobian(self, m: Motions) -> Array:
        s = m.state
        return np.concatenate([-skew(s.align_R @ s.tag_t[self.tag]), np.eye(3), s.align_R], axis=1)[1:2] / self.sd


@dataclass(frozen=True)
class RearAxle(RowBlock):
    """Spin axis of the rear wheel square to straight ahead and level as drawn: two rows, rad over ``sd`` (2,) rad.

    The first says how far it turns about the vertical, the second how far it tips.
    """

    axis: int  # in State.axis_d
    drawn: Vec  # unit, pointing left
    sd: Array

    kind = "reference"

    def _across(self) -> Array:
        """Rows square to the drawn axle: forward, and up as far as the axle lets it, (2, 3)."""
        left = np.asarray(self.drawn)
        forward = np.cross(left, [0.0, 0.0, 1.0])
        forward /= np.linalg.norm(forward)
        return np.stack([forward, np.cross(forward, left)])

    def residual(self, m: Motions) -> Array:
        return self._across() @ m.state.align_R @ m.state.axis_d[self.axis] / self.sd

    def jacobian(self, m: Motions) -> Array:
        r, d = m.state.align_R, m.state.axis_d[self.axis]
        moved = np.concatenate([-skew(r @ d), -r @ skew(d) @ perpendiculars(d)], axis=1)
        return self._across() @ moved / self.sd[:, None]


@dataclass(frozen=True)
class FloorTag(RowBlock):
    """A tag lying flat on the floor, its face up: two rows, how far its normal tips in x and y, rad over ``sd``."""

    tag: int  # in State.tag_R
    sd: float

    kind = "reference"

    def residual(self, m: Motions) -> Array:
        s = m.state
        return (s.align_R @ s.tag_R[self.tag, :, 2])[:2] / self.sd

    def jacobian(self, m: Motions) -> Array:
        r, n = m.state.align_R, m.state.tag_R[self.tag, :, 2]
        return np.concatenate([-skew(r @ n), -r @ skew(n)], axis=1)[:2] / self.sd


@dataclass(frozen=True)
class FloorHeights(RowBlock):
    """Tags on one floor stand at one height, whatever it is: a row for each, its height over their mean.

    The mean, weighted by 1 / sd^2, takes the place of the unknown height.
    """

    tags: tuple[int, ...]  # in State.tag_t
    sd: Array  # (k,) mm

    kind = "reference"

    def _over_mean(self) -> Array:
        """Matrix (k, k) from heights to what they stand above the mean, in standard units."""
        w = 1 / self.sd**2
        return (np.eye(len(w)) - w / w.sum()) / self.sd[:, None]

    def residual(self, m: Motions) -> Array:
        s = m.state
        return self._over_mean() @ (s.tag_t[list(self.tags)] @ s.align_R[2] + s.align_t[2])

    def jacobian(self, m: Motions) -> Array:
        s, k = m.state, len(self.tags)
        heights = np.zeros((k, 3 + 3 * k))
        for i, t in enumerate(self.tags):
            heights[i, :3] = -skew(s.align_R @ s.tag_t[t])[2]
            heights[i, 3 + 3 * i:6 + 3 * i] = s.align_R[2]
        return self._over_mean() @ heights


def reference_blocks(layout: Layout) -> list[RowBlock]:
    """All that measured references say of the unknowns."""
    rig, out = layout.rig, list[RowBlock]()
    turn = range(layout.align.start, layout.align.start + 3)
    floor: list[int] = []
    for i, name in enumerate(layout.tags):
        tag, at = rig.tags[name], layout.tag(name)
        place = range(at.start + 3, at.stop)
        if tag.on_centre_line:
            out.append(CentreLineTag(slots_of(layout.align, place), name, i, standard(tag.centre_line_tol)))
        if tag.on_floor:
            out.append(FloorTag(slots_of(turn, range(at.start, at.start + 3)), name, i, standard(tag.flat_tol)))
            floor.append(i)
    if len(floor) > 1:
        own = [layout.tag(layout.tags[i]) for i in floor]
        places = [k for o in own for k in range(o.start + 3, o.stop)]
        sd = np.array([standard(rig.tags[layout.tags[i]].floor_tol) for i in floor])
        out.append(FloorHeights(slots_of(turn, places), "floor", tuple(floor), sd))
    return out + _rear_blocks(layout, rig)


def _rear_blocks(layout: Layout, rig: Rig) -> list[RowBlock]:
    body = rig.rear.spin_body
    if body is None or body not in layout.bodies:
        return []
    axis = layout.axis(body)
    turn = range(layout.align.start, layout.align.start + 3)
    sd = np.array([standard(rig.rear.square_tol), standard(rig.rear.level_tol)])
    left = rig.bodies[body].axis
    drawn = left if left[1] > 0 else (-left[0], -left[1], -left[2])
    return [RearAxle(slots_of(turn, range(axis.start, axis.start + 2)), body, layout.bodies.index(body), drawn, sd)]
