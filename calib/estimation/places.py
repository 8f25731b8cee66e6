"""Where tags that were not found should be in the photos, for a second look at these."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.estimation.arrange import Arranged
from calib.estimation.camera import project
from calib.estimation.coldstart import ColdStart
from calib.estimation.equations import RigProblem
from capture.targets import SADDLES, saddle_points

Array = NDArray[np.float64]
MOST_TILT = np.deg2rad(80.0)  # beyond it hardly any tag can be measured
NEAREST = 50.0  # mm
LEAST_INSIDE = 12  # of a tag's saddles that the picture must hold


def expected_places(arranged: Arranged, cold: ColdStart) -> dict[str, dict[int, Array]]:
    """Photo name to code to the saddles' pixels (32, 2) of each part tag that the photo does not show and should.

    A tag is expected where the position's other photos show it; where none of them does, where another tag of its
    part there puts it. Tags that face away, that the picture does not hold or that roll off (on the floor) are left
    out; what stands in front of them is not known.
    """
    layout, s = arranged.layout, cold.state
    size = {p.name: (p.width, p.height) for p in arranged.obs.photos}
    seen = arranged.obs.table[["photo", "tag"]].drop_duplicates()
    found = set(zip(seen["photo"], seen["tag"], strict=True))
    motions = RigProblem(layout, cold.corners, cold.priors).motions(s)
    placed = {(layout.rig.tags[layout.tags[tag]].body, position) for tag, position in cold.poses}
    out: dict[str, dict[int, Array]] = {}
    for p, (photo, position) in enumerate(zip(layout.photos, layout.photo_positions, strict=True)):
        for k, name in enumerate(layout.tags):
            tag = layout.rig.tags[name]
            if (photo, tag.code) in found or tag.on_floor or (tag.body, position) not in placed:
                continue
            r, t = cold.poses.get((k, position)) or motions.tag_place(k, position)
            flat = saddle_points(tag.size) * s.print_scale
            x = (np.column_stack([flat, np.zeros(SADDLES)]) @ r.T + t) @ s.photo_R[p].T + s.photo_t[p]
            middle = x.mean(axis=0)
            facing = -(s.photo_R[p] @ r[:, 2]) @ middle / np.linalg.norm(middle)
            if facing < np.cos(MOST_TILT) or (x[:, 2] < NEAREST).any():
                continue
            uv = project(x, s.lens, s.df[p], s.dc[p])
            if ((uv > 0) & (uv < np.array(size[photo]) - 1)).all(axis=1).sum() >= LEAST_INSIDE:
                out.setdefault(photo, {})[tag.code] = uv
    return out
