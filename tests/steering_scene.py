"""An invented vehicle as built wrong on purpose, and a fit of it without photos, for the comparison tests."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from calib.linkage.mechanism import Linkage
from calib.results import AsBuilt, CameraFit, Fit
from calib.rig.model import Rig
from calib.rig.reader import load_rig

SAMPLE = Path(__file__).parent.parent / "sample_data" / "rig.toml"


def design() -> Rig:
    """The sample design, its steering judged bare: nothing is allowed for the rider's weight."""
    return replace(load_rig(SAMPLE), load_allowance=0.0)


def wrong(rig: Rig, low: float = 8.6, short: float = 2.6) -> Rig:
    """Left lever pivot ``low`` mm too low with its holes where they were, right tie ``short`` mm too short."""
    lever, tie = rig.bodies["left_lever"], rig.rods["right_tie"]
    x, y, z = lever.pivot
    wheels = {s: replace(w, measured=True) for s, w in rig.wheels.items()}
    return replace(rig, bodies={**rig.bodies, "left_lever": replace(lever, pivot=(x, y, z - low))},
                   rods={**rig.rods, "right_tie": replace(tie, length=tie.length - short)}, wheels=wheels)


def names(rig: Rig) -> tuple[str, ...]:
    """Every parameter of pivots, axes, holes, rods and spin axes."""
    out = [f"{n}.{w}.{k}" for n, b in rig.bodies.items() if b.role != "wheel" for w in ("pivot", "axis") for k in "xyz"]
    out += [f"{n}@{h}.{k}" for n, p in rig.points.items() for h in p.holes for k in "xyz"]
    out += [f"{n}.length" for n in rig.rods]
    return tuple(out + [f"{s}.spin.{k}" for s in rig.wheels for k in "xyz"])


def as_built(rig: Rig, place: float = 0.1, rod: float = 0.1, direction: float = 0.0005) -> AsBuilt:
    """The rig with independent standard errors: places and rods in mm, direction parts in rad."""
    ns = names(rig)
    sd = np.array([rod if n.endswith("length") else direction if ".axis." in n or ".spin." in n else place
                   for n in ns])
    rig = replace(rig, stop_tol=np.deg2rad(0.1))  # its stops were photographed
    return AsBuilt(rig, ns, np.diag(sd ** 2), {n: 0.9 for n in ns})


def fit_of(built: AsBuilt, lever_deg: dict[str, float], angle_sd: float = np.deg2rad(0.01)) -> Fit:
    """A fit whose joint angles are exactly those of the linkage at the given lever angles.

    Joint angles count from the pose at the straight-ahead label, which is driver zero.
    """
    rig = built.rig
    sweep = Linkage(rig).sweep(np.deg2rad(list(lever_deg.values())))
    angles = {(b, p): float(a[i]) for b, a in sweep.angles.items() for i, p in enumerate(lever_deg)
              if rig.bodies[b].role != "wheel"}
    keys = tuple(angles)
    n = len(keys)
    return Fit(built, CameraFit(3000.0, 1.0, 2000.0, 1500.0, np.zeros(5), {}), {}, tuple(lever_deg), angles, keys,
               np.eye(n) * angle_sd ** 2, np.zeros((n, len(built.names))), np.eye(3), np.zeros(3), {},
               pd.DataFrame(), (), (), 1.0, {}, 0.0, 0, pd.DataFrame())
