"""Figures read straight off the estimate: steer and lever angles by position, toe, camber, caster, pivots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation.unknowns import Layout
from calib.linkage.positions import joint_covariance, measured_steer
from calib.linkage.steering import axis_figures, toe, wheel_headings
from calib.linkage.turned import bend
from calib.results import AsBuilt, Figure, Fit
from calib.rig.figures import FIGURES
from calib.rig.model import FRAME, Rig
from calib.rig.parameters import Kind, get_parameters, length_name, parsed, steps, vector_names, with_parameters
from calib.uncertainty import differences, each, half_width, share_beside

Array = NDArray[np.float64]


def raw_figures(rig: Rig, angles: Mapping[tuple[str, str], float], positions: Sequence[str], ahead: str,
                ) -> dict[str, tuple[float, str]]:
    """Figures of a rig as it stands, by name as (value, unit), rad and mm inside: levers, toe, axes, rods.

    "toe at ahead" is both wheels' heading as photographed at that label, right less left; what the table of figures
    calls toe is worked out through the rods where the mean heading is zero, and stands in the comparison. Camber,
    caster and the like have the names and formulas of that table.
    """
    out: dict[str, tuple[float, str]] = {}
    for p in positions:
        for b, body in rig.bodies.items():
            if body.role == "lever" and (b, p) in angles:
                out[f"{b} angle at {p}"] = (float(angles[b, p]), "rad")
    heads = wheel_headings(rig, {})
    if {"left", "right"} <= set(heads):
        out[f"toe at {ahead}"] = (float(toe(heads)), "rad")
    out |= {n: (v, "rad" if FIGURES[n].unit == "deg" else FIGURES[n].unit) for n, v in axis_figures(rig).items()}
    for r in rig.rods.values():
        out[f"length of {r.name}"] = (r.length, "mm")
    return out


def _rests(rig: Rig, positions: Sequence[str], ahead: str) -> dict[str, tuple[tuple[str, ...], tuple[str, ...]]]:
    """What a figure rests on, and the positions it hangs on; see ``Figure``."""
    wheels = {s: tuple(x for x in (w.upright, w.spin_body) if x) for s, w in rig.wheels.items()}
    both = tuple(x for parts in wheels.values() for x in parts)
    out: dict[str, tuple[tuple[str, ...], tuple[str, ...]]]
    out = {f"{b} angle at {p}": ((b,), (p, ahead)) for b in rig.bodies for p in positions}
    out |= {steer_name(s, p): (parts, (p, ahead)) for s, parts in wheels.items() for p in positions}
    out |= {n: (wheels.get(k.side, both), (ahead, *rig.spin_positions)) for n, k in FIGURES.items() if k.part == "axes"}
    out |= {f"length of {r}": ((r,), ()) for r in rig.rods}
    return out | {f"toe at {ahead}": (both, (ahead, *rig.spin_positions))}


def steer_name(side: str, position: str) -> str:
    """Name of a wheel's steer at a position, counted from straight ahead."""
    return f"steer {side} at {position} from ahead"


def measured_figures(design: Rig, fit: Fit) -> tuple[Figure, ...]:
    """All figures with 95 % half-widths in mm and deg, propagated from the joint covariance (JCGM 100, 5.2.2).

    Each figure's share from photos is what remains of its variance without the drawing's part.
    """
    built, na = fit.as_built, len(fit.angle_names)
    positions = [p for p in fit.positions if p not in design.spin_positions]
    base = raw_figures(built.rig, fit.joint_angles, positions, design.straight_ahead)
    uprights = {w.upright for w in built.rig.wheels.values()}
    matters = [i for i, n in enumerate(parsed(built.names)) if n.kind is Kind.LENGTH
               or n.kind is not Kind.HOLE and n.owner in uprights | set(built.rig.wheels)]
    some = [built.names[i] for i in matters]

    def values(x: Array) -> list[float]:
        rig = with_parameters(built.rig, some, x)
        return [v for v, _ in raw_figures(rig, fit.joint_angles, positions, design.straight_ahead).values()]

    slope = np.zeros((len(base), na + len(built.names)))
    slope[:, [na + i for i in matters]] = differences(each(values), get_parameters(built.rig, some), steps(some))[1]
    for k, (body, position) in enumerate(fit.angle_names):
        name = f"{body} angle at {position}"
        if name in base:
            slope[list(base).index(name), k] = 1.0
    turned = [p for p in positions if p != design.straight_ahead]
    steer = {steer_name(*key): s for key, s in measured_steer(fit, built, turned, tuple(built.rig.wheels)).items()}
    found = base | {n: (s.value, "rad") for n, s in steer.items()}
    slope = np.vstack([slope, *(s.slope for s in steer.values())])
    cov = joint_covariance(fit, built)
    drawn = np.zeros_like(cov)
    drawn[na:, na:] = built.drawing_cov
    bent = np.zeros(len(found))
    bent[:len(base)] = bend(lambda rig: np.array([v for v, _ in raw_figures(
        rig, fit.joint_angles, positions, design.straight_ahead).values()]), built)
    bent[len(base):] = [s.bend for s in steer.values()]
    u95 = np.hypot(half_width(slope, cov), np.sqrt(bent))
    out = []
    rests = _rests(built.rig, positions, design.straight_ahead)
    rows = zip(found.items(), u95, share_beside(slope, cov, drawn), strict=True)
    for (name, (value, unit)), u, share in rows:
        factor = np.rad2deg(1.0) if unit == "rad" else 1.0
        out.append(Figure(name, float(value * factor), float(u * factor), "deg" if unit == "rad" else unit,
                          1.0 if share is None else share, "", *rests[name]))
    return tuple(out)


def pivot_table(design: Rig, built: AsBuilt, layout: Layout) -> pd.DataFrame:
    """Design, measured, difference, 95 % and photo share for every pivot, hole in use and rod; mm, frame axes.

    ``u95`` is the largest of the three coordinates' half-widths; pivots are the axis point nearest the drawing's.
    """
    u95 = dict(zip(built.names, built.held_u95, strict=True))
    rows = []

    def add(what: str, item: str, a: object, b: object, keys: Sequence[str], unit: str) -> None:
        a3, b3 = np.atleast_1d(np.asarray(a, float)), np.atleast_1d(np.asarray(b, float))
        u = [u95[k] for k in keys]
        share = min(built.from_photos[k] for k in keys)
        rows.append({"what": what, "item": item, "design": tuple(np.round(a3, 3)), "measured": tuple(np.round(b3, 3)),
                     "difference": tuple(np.round(b3 - a3, 3)), "u95": tuple(np.round(u, 3)), "unit": unit,
                     "from_photos": share})

    for b in layout.bodies:
        if design.bodies[b].role == "wheel" or b == FRAME:
            continue
        add(f"{b} pivot", b, design.bodies[b].pivot, built.rig.bodies[b].pivot, vector_names(b, Kind.PIVOT), "mm")
        keys = vector_names(b, Kind.AXIS)
        a, m = np.asarray(design.bodies[b].axis), np.asarray(built.rig.bodies[b].axis)
        tilt = float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(a, m)), a @ m)))
        rows.append({"what": f"{b} axis direction", "item": b, "design": tuple(np.round(a, 4)),
                     "measured": tuple(np.round(m, 4)), "difference": (round(tilt, 3),), "unit": "deg",
                     "u95": (round(float(np.rad2deg(max(u95[k] for k in keys))), 3),),
                     "from_photos": min(built.from_photos[k] for k in keys)})
    for p in layout.points:
        use = design.points[p].use
        add(f"{p} (hole {use})" if len(design.points[p].holes) > 1 else p, p, design.points[p].xyz,
            built.rig.points[p].xyz, vector_names(p, Kind.HOLE, use), "mm")
    for r in layout.rods:
        add(f"{r} length", r, design.rods[r].length, built.rig.rods[r].length, [length_name(r)], "mm")
    return pd.DataFrame(rows)
