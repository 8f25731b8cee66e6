"""Figures of a rig whose axes may be turned by degrees: what their slopes do not tell of that.

Where nothing but a board laid by eye says what is level, caster, trail or steer do not change in proportion to the
turn. A figure's interval then reaches to where the turn's own interval ends (JCGM 101 instead of JCGM 100): its change
there is taken apart into half the difference of both ways, which the slope has, and the bend, which it has not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.linkage.rotations import rotation
from calib.results import AsBuilt
from calib.rig.model import Rig, Vec

Array = NDArray[np.float64]
OPEN = float(np.deg2rad(1.0))  # 95 %: of a frame known better than this slopes tell all


def turned_rig(rig: Rig, turn: Array) -> Rig:
    """The rig with hinges, balls and wheels turned as a whole by ``turn`` (3,) rad about the frame's origin."""
    R = rotation(turn)

    def v(x: Vec) -> Vec:
        a, b, c = map(float, R @ np.asarray(x))
        return a, b, c

    bodies = {n: replace(b, pivot=v(b.pivot), axis=v(b.axis)) for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={h: v(x) for h, x in p.holes.items()}, bolt=None if p.bolt is None else v(p.bolt))
              for n, p in rig.points.items()}
    wheels = {s: replace(w, centre=v(w.centre), spin=v(w.spin)) for s, w in rig.wheels.items()}
    return replace(rig, bodies=bodies, points=points, wheels=wheels)


def bend(of: Callable[[Rig], Array], built: AsBuilt) -> Array | float:
    """What to add to the squared 95 % half-widths of the values (o,) that ``of`` gives; 0 where the frame is known.

    Roll, pitch and heading one by one; a value that a turned rig does not have gets nothing from it.
    """
    wide = [k for k, u in enumerate(built.turn_u95 or ()) if u > OPEN]
    if not wide or built.turn_u95 is None:
        return 0.0
    here, more = of(built.rig), np.zeros(())
    for k in wide:
        step = built.turn_u95[k] * np.eye(3)[k]
        one, other = of(turned_rig(built.rig, step)), of(turned_rig(built.rig, -step))
        straight, bent = np.abs(one - other) / 2, np.abs(one + other - 2 * here) / 2
        more = more + np.nan_to_num(bent ** 2 + 2 * straight * bent, posinf=0.0)
    return more
