"""Ball centres under the bolt-head tags."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.estimation.blocks.base import Array, RowBlock, slots_of
from calib.estimation.unknowns import Layout, Motions
from calib.linkage.rotations import skew
from calib.uncertainty import standard


@dataclass(frozen=True)
class BallUnderTag(RowBlock):
    """Ball centre ``offset`` mm behind a tag's middle, in the tag's frame: three rows, mm over ``sd`` mm."""

    tag: int  # in State.tag_R
    point: int  # in State.points
    offset: float
    sd: float

    kind = "ball"

    def residual(self, m: Motions) -> Array:
        s = m.state
        local = s.tag_R[self.tag].T @ (s.points[self.point] - s.tag_t[self.tag])
        return (local + np.array([0, 0, self.offset])) / self.sd

    def jacobian(self, m: Motions) -> Array:
        r = m.state.tag_R[self.tag]
        # turning the tag by dw moves the local place by R^T ((x - t) x dw)
        arm = skew(m.state.points[self.point] - m.state.tag_t[self.tag])
        return np.concatenate([r.T @ arm, -r.T, r.T], axis=1) / self.sd


def ball_blocks(layout: Layout) -> list[BallUnderTag]:
    """A block for each tag that sits on a rod end's bolt."""
    out = []
    for i, name in enumerate(layout.tags):
        tag = layout.rig.tags[name]
        if tag.centres_on is None or tag.centres_on not in layout.points:
            continue
        slots = slots_of(layout.tag(name), layout.point(tag.centres_on))
        at = layout.points.index(tag.centres_on)
        out.append(BallUnderTag(slots, name, i, at, tag.offset, standard(tag.offset_tol)))
    return out
