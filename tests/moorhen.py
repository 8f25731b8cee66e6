"""The sample vehicle, and random variants of it, for tests of the kinematics."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.rig.model import Rig, Vec
from calib.rig.reader import load_rig

SAMPLE = Path(__file__).parents[1] / "sample_data" / "rig.toml"


def vec(v: Any, unit: bool = False) -> Vec:
    a = np.asarray(v, float)
    a = a / np.linalg.norm(a) if unit else a
    return (float(a[0]), float(a[1]), float(a[2]))


def moorhen() -> Rig:
    return load_rig(SAMPLE)


def jiggled(rig: Rig, rng: np.random.Generator, mm: float = 8.0, deg: float = 4.0,
            rod_mm: float = 3.0) -> Rig:
    """The rig with pivots, axes, holes and rod lengths moved at random (standard deviations)."""
    def off(v: Vec, s: float, unit: bool = False) -> Vec:
        return vec(np.asarray(v) + rng.normal(0, s, 3), unit)

    bodies = {n: replace(b, pivot=off(b.pivot, mm), axis=off(b.axis, np.deg2rad(deg), True))
              for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={k: off(v, mm) for k, v in p.holes.items()}) for n, p in rig.points.items()}
    rods = {n: replace(r, length=float(np.linalg.norm(np.subtract(points[r.a].xyz, points[r.b].xyz)))
                       + rng.normal(0, rod_mm)) for n, r in rig.rods.items()}
    wheels = {s: replace(w, spin=off(w.spin, np.deg2rad(deg), True), centre=off(w.centre, mm))
              for s, w in rig.wheels.items()}
    return replace(rig, bodies=bodies, points=points, rods=rods, wheels=wheels)
