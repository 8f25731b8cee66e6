"""Figures read straight off the estimate: steer and lever angles by position, toe, camber, caster, pivots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation.unknowns import Layout
from calib.linkage.steering import cambers, kingpin_geometry, wheel_headings
from calib.results import AsBuilt, Figure, Fit
from calib.rig.model import FRAME, Rig
from calib.rig.parameters import Kind, get_parameters, length_name, parsed, steps, vector_names, with_parameters
from calib.uncertainty import K95, differences, each, half_width, joint, standard

Array = NDArray[np.float64]
ANGLE_STEP = 1e-5  # rad, central differences


def raw_figures(rig: Rig, angles: Mapping[tuple[str, str], float], positions: tuple[str, ...], ahead: str,
                ) -> dict[str, tuple[float, str]]:
    """Figures by name as (value, unit) with rad and mm inside.

    Steer is each wheel's heading less its heading straight ahead, left positive (ISO 8855).
    """
    out: dict[str, tuple[float, str]] = {}
    # all positions at once, straight ahead first
    places = ("", *positions)
    pose = {b: np.array([0.0 if not p else angles.get((b, p), 0.0) for p in places]) for b in rig.bodies}
    pose0 = {b: np.array(0.0) for b in rig.bodies}
    heads = wheel_headings(rig, pose)
    head0 = {s: float(h[0]) for s, h in heads.items()}
    for i, p in enumerate(places[1:], start=1):
        for b, body in rig.bodies.items():
            if body.role == "lever" and (b, p) in angles:
                out[f"{b} angle at {p}"] = (float(pose[b][i]), "rad")
        if p == ahead:
            continue
        for side, h in heads.items():
            out[f"steer {side} at {p}"] = (float(h[i]) - head0[side], "rad")
    if {"left", "right"} <= set(head0):
        out["toe"] = (head0["right"] - head0["left"], "rad")
    for side, c in cambers(rig, pose0).items():
        out[f"camber {side}"] = (float(c), "rad")
    for side in rig.wheels:
        k: Mapping[str, object] = dict(kingpin_geometry(rig, side))
        for name, unit in (("caster", "rad"), ("kingpin_inclination", "rad"), ("trail", "mm"),
                           ("offset_at_ground", "mm")):
            out[f"{name} {side}"] = (float(np.asarray(k[name])), unit)
    for r in rig.rods.values():
        out[f"length of {r.name}"] = (r.length, "mm")
    return out


def measured_figures(design: Rig, fit: Fit, from_drawing: Array) -> tuple[Figure, ...]:
    """All figures with 95 % half-widths in mm and deg, propagated from the joint covariance (JCGM 100, 5.2.2).

    ``from_drawing`` (n, n) is the part of the as-built covariance that is there because of the drawing; each
    figure's share from photos is what remains of its variance without it.
    """
    built = fit.as_built
    ahead = design.straight_ahead
    spin = set(design.spin_positions)
    positions = tuple(p for p in fit.positions if p not in spin)
    base = raw_figures(built.rig, fit.joint_angles, positions, ahead)
    names = list(base)
    uprights = {w.upright for w in built.rig.wheels.values()}
    carriers = uprights | {b.parent for b in built.rig.bodies.values() if b.name in uprights}
    matters = [i for i, n in enumerate(parsed(built.names)) if n.kind is Kind.LENGTH
               or n.kind is not Kind.HOLE and n.owner in carriers | set(built.rig.wheels)]
    j = np.zeros((len(names), len(built.names)))
    some = [built.names[i] for i in matters]

    def by_place(x: Array) -> list[float]:
        return values(with_parameters(built.rig, some, x), fit.joint_angles)

    def values(rig: Rig, angles: Mapping[tuple[str, str], float]) -> list[float]:
        return [v for v, _ in raw_figures(rig, angles, positions, ahead).values()]

    j[:, matters] = differences(each(by_place), get_parameters(built.rig, some), steps(some))[1]
    turned = [k for k, key in enumerate(fit.angle_names) if key[1] not in spin]
    keys = [fit.angle_names[k] for k in turned]

    def by_angle(x: Array) -> list[float]:
        return values(built.rig, {**fit.joint_angles, **dict(zip(keys, x, strict=True))})

    ja = np.zeros((len(names), len(fit.angle_names)))
    ja[:, turned] = differences(each(by_angle), [fit.joint_angles[key] for key in keys], ANGLE_STEP)[1]
    u95 = half_width(np.hstack([ja, j]), joint(fit.angle_cov, fit.cross_cov, built.cov))
    var = np.square(standard(u95))
    out = []
    drawn = np.einsum("ij,jk,ik->i", j, from_drawing, j)
    for i, n in enumerate(names):
        value, unit = base[n]
        factor = np.rad2deg(1.0) if unit == "rad" else 1.0
        share = 1.0 if var[i] <= 0 else float(np.clip(1 - drawn[i] / var[i], 0, 1))
        out.append(Figure(n, float(value * factor), float(u95[i] * factor),
                          "deg" if unit == "rad" else "mm", share))
    return tuple(out)


def pivot_table(design: Rig, built: AsBuilt, layout: Layout) -> pd.DataFrame:
    """Design, measured, difference, 95 % and photo share for every pivot, hole in use and rod; mm, frame axes.

    ``u95`` is the largest of the three coordinates' half-widths; pivots are the axis point nearest the drawing's.
    """
    sd = dict(zip(built.names, np.sqrt(np.diag(built.cov)), strict=True))
    rows = []

    def add(what: str, a: object, b: object, keys: Sequence[str], unit: str) -> None:
        a3, b3 = np.atleast_1d(np.asarray(a, float)), np.atleast_1d(np.asarray(b, float))
        u = [K95 * sd[k] for k in keys]
        share = min(built.from_photos[k] for k in keys)
        rows.append({"what": what, "design": tuple(np.round(a3, 3)), "measured": tuple(np.round(b3, 3)),
                     "difference": tuple(np.round(b3 - a3, 3)), "u95": tuple(np.round(u, 3)), "unit": unit,
                     "from_photos": share})

    for b in layout.bodies:
        if design.bodies[b].role == "wheel" or b == FRAME:
            continue
        add(f"{b} pivot", design.bodies[b].pivot, built.rig.bodies[b].pivot, vector_names(b, Kind.PIVOT), "mm")
        keys = vector_names(b, Kind.AXIS)
        a, m = np.asarray(design.bodies[b].axis), np.asarray(built.rig.bodies[b].axis)
        tilt = float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(a, m)), a @ m)))
        rows.append({"what": f"{b} axis direction", "design": tuple(np.round(a, 4)), "measured": tuple(np.round(m, 4)),
                     "difference": (round(tilt, 3),), "unit": "deg",
                     "u95": (round(float(np.rad2deg(K95 * max(sd[k] for k in keys))), 3),),
                     "from_photos": min(built.from_photos[k] for k in keys)})
    for p in layout.points:
        use = design.points[p].use
        add(f"{p} (hole {use})" if len(design.points[p].holes) > 1 else p, design.points[p].xyz,
            built.rig.points[p].xyz, vector_names(p, Kind.HOLE, use), "mm")
    for r in layout.rods:
        add(f"{r} length", design.rods[r].length, built.rig.rods[r].length, [length_name(r)], "mm")
    return pd.DataFrame(rows)
