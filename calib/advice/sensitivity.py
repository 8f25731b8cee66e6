"""Which drawing dimension matters most for which figure: slope times tolerance, ranked."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.advice.propagation import rig_slopes, slopes
from calib.advice.search import Curves, Model, Variant, driver_grid, need_both_wheels
from calib.linkage.steering import axis_table
from calib.results import AsBuilt
from calib.rig.figures import FIGURES, kinds
from calib.rig.model import Rig
from calib.rig.parameters import AXES, Kind, ParameterName, length_name, vector_names

Array = NDArray[np.float64]

WORDS = ("fore and aft", "across", "height")  # x, y, z


def dimensions(rig: Rig) -> dict[str, float]:
    """Named parameters of the drawing and their 95 % tolerances (mm; direction parts as rad)."""
    out: dict[str, float] = {}
    steering = {w.upright for w in rig.wheels.values()}
    used = {rig.points[e].body for r in rig.rods.values() for e in (r.a, r.b)} | steering
    for n, b in rig.bodies.items():
        if n in used:
            out |= dict.fromkeys(vector_names(n, Kind.PIVOT), b.pivot_tol)
            out |= dict.fromkeys(vector_names(n, Kind.AXIS), b.axis_tol)
    for n, p in rig.points.items():
        out |= dict.fromkeys(vector_names(n, Kind.HOLE, p.use), p.tol)
    out |= {length_name(n): r.tol for n, r in rig.rods.items()}
    for n, w in rig.wheels.items():
        out |= dict.fromkeys(vector_names(n, Kind.SPIN), w.spin_tol)
    return out


def sensitivity(rig: Rig, n: int = 61) -> pd.DataFrame:
    """Slope and effect of every drawing dimension on every figure, largest effect first within each figure.

    Columns: figure, unit (of the figure), dimension, what (in words), slope (figure unit per mm, or per degree
    for a direction), tolerance (mm or degrees), effect (|slope| x tolerance, figure unit), share (of the
    figure's summed squared effects). One dimension is moved at a time, rods keep their lengths; first order.

    >>> from calib import parse_rig, starter_text
    >>> effects = sensitivity(parse_rig(starter_text()))
    >>> print(effects[effects["figure"] == "toe"].iloc[0]["what"])
    tie length
    """
    need_both_wheels(rig)
    dims = dimensions(rig)
    names = tuple(dims)
    tol = np.array(list(dims.values()))
    moving, standing = ([k.name for k in kinds(part)] for part in ("travel", "axes"))

    def table(c: Curves) -> Array:
        f = c.figures(rig)
        return np.stack([f[k] for k in moving], axis=1)

    every = AsBuilt(rig, names, np.eye(len(names)), {})
    J = np.zeros((len(moving) + len(standing), len(names)))
    for top, s in ((0, slopes(Model(rig, driver_grid(rig, n)), every, Variant(), table)),
                   (len(moving), rig_slopes(partial(axis_table, names=standing), every,
                                            lambda p: p.kind not in (Kind.LENGTH, Kind.HOLE), at_once=True))):
        J[top:top + len(s.values), [names.index(k) for k in s.names]] = s.J
    rows = []
    for f, row in zip([*moving, *standing], J, strict=True):
        unit, k = FIGURES[f].unit, FIGURES[f].scale
        effect = np.abs(row) * tol * k
        total = float(np.sum(effect ** 2))
        for name, g, t, e in zip(names, row, tol, effect, strict=True):
            turned = ParameterName.parse(name).direction
            if e > 1e-9:
                rows.append({"figure": f, "unit": unit, "dimension": name, "what": in_words(name),
                             "slope": float(g * k * (np.deg2rad(1.0) if turned else 1.0)),
                             "tolerance": float(np.degrees(t)) if turned else float(t), "effect": float(e),
                             "share": float(e * e / total) if total > 0 else 0.0})
    columns = ["figure", "unit", "dimension", "what", "slope", "tolerance", "effect", "share"]
    out = pd.DataFrame(rows, columns=columns)
    order = {f: i for i, f in enumerate([*moving, *standing])}
    out["rank"] = out["figure"].map(order)
    return out.sort_values(["rank", "effect"], ascending=[True, False]).drop(columns="rank").reset_index(drop=True)


def in_words(name: str) -> str:
    """A dimension's name as a builder would say it: "left lever pivot, height"."""
    n = ParameterName.parse(name)
    owner = n.owner.replace(".", " ").replace("_", " ")
    if n.kind is Kind.LENGTH:
        return f"{owner} length"
    where = f"{owner} hole {n.hole}" if n.kind is Kind.HOLE else f"{owner} {n.kind}"
    if n.direction:
        return f"{where} direction, {AXES[n.component]} part"
    return f"{where}, {WORDS[n.component]}"
