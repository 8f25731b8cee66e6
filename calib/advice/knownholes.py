"""Hole moves only where it is known which hole the rod end is in now."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.results import AsBuilt
from calib.rig.parameters import ParameterName


def with_known_holes(as_built: AsBuilt) -> AsBuilt:
    """The rig as measured, its rod ends in doubt left with the hole they are taken to be in: nothing to move to.

    A move is counted from the present hole; from a wrong one it ends in a wrong one.
    """
    doubt = as_built.uncertain_holes
    if not doubt:
        return as_built
    points = {n: replace(p, holes={p.use: p.xyz}, order=(p.use,)) if n in doubt else p
              for n, p in as_built.rig.points.items()}
    rig = replace(as_built.rig, points=points)
    keep = [i for i, n in enumerate(map(ParameterName.parse, as_built.names))
            if not (n.hole and n.owner in doubt) or n.of_hole_in_use(rig)]
    names = tuple(as_built.names[i] for i in keep)
    return replace(as_built, rig=rig, names=names, cov=as_built.cov[np.ix_(keep, keep)])


def doubt_notes(as_built: AsBuilt) -> list[str]:
    """What is said of them beside the proposals."""
    return [f"No other hole is looked at for {n}: whether its rod end is in hole {' or '.join(holes)} is not known. "
            "Look at the vehicle and correct the rig file." for n, holes in as_built.uncertain_holes.items()]
