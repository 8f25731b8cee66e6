"""Measured against design: steer curves with bands, the measured positions, and every figure with its verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.advice.propagation import share_from_photos, slopes, with_wheel_doubt
from calib.advice.search import Curves, Model, Variant, driver_grid, need_both_wheels
from calib.advice.verdict import Verdict, verdict
from calib.linkage.lean import roll_steer_band
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import (
    AXIS_FIGURES,
    HEADING_FIGURES,
    axis_figures,
    lean_joint,
    roll_steer,
    wheel_headings,
)
from calib.results import K95, AsBuilt, Fit
from calib.rig.model import Rig
from calib.rig.parameters import Kind, ParameterName, get_parameters, parsed, with_parameters

Array = NDArray[np.float64]

FIGURES: dict[str, tuple[str, str]] = {  # name: (unit at the surface, label)
    "toe": ("deg", "toe, both wheels, toe-in positive"),
    "ratio": ("", "steer over lever angle near straight ahead"),
    "symmetry": ("deg", "left lock less right lock"),
    "ackermann_error": ("deg", "Ackermann error, worst over the travel"),
    "lock": ("deg", "lock, mean of left and right"),
    "lock_left": ("deg", "left lock"),
    "lock_right": ("deg", "right lock"),
    "turn_circle": ("mm", "turning circle, outer front wheel"),
    "straight": ("deg", "lever angle at which the wheels are straight"),
    "caster": ("deg", "caster, mean"),
    "kingpin_inclination": ("deg", "kingpin inclination, mean"),
    "camber": ("deg", "camber, mean"),
    "trail": ("mm", "caster trail, mean"),
    "offset_at_ground": ("mm", "steering-axis offset at ground, mean"),
}
LEAN_FIGURE = {"roll_steer": ("deg", "steer caused by leaning, worst over the lean limits")}


@dataclass(frozen=True)
class ComparedFigure:
    """One figure, surface units. ``target`` and ``verdict`` are None where the rig file sets no target.

    ``from_photos``: share of its variance that rests on photos, 0..1; approximate, correlations between
    parameters are left out.
    """

    name: str
    label: str
    unit: str
    design: float
    measured: float
    u95: float
    target: float | None
    tolerance: float | None
    verdict: Verdict | None
    from_photos: float | None


@dataclass(frozen=True)
class MeasuredPoint:
    """What one lever position gave, degrees. ``steer`` and the rest by side; differences measured less design."""

    position: str
    lever: float
    lever_u95: float
    steer: Mapping[str, float]
    steer_u95: Mapping[str, float]
    difference: Mapping[str, float]
    difference_u95: Mapping[str, float]


@dataclass(frozen=True, repr=False)
class Comparison:
    """Design and as-built steer over the driver's angle, (n,) rad by side, with 95 % half-widths; points; figures.

    Steer is the wheel's heading, left positive; of a wheel never seen turning by hand it is the heading less
    that at the straight-ahead label (``relative`` names those sides).
    """

    driver: str
    driver_angles: Array  # (n,) rad
    design: Mapping[str, Array]
    as_built: Mapping[str, Array]
    u95: Mapping[str, Array]
    points: tuple[MeasuredPoint, ...]
    figures: tuple[ComparedFigure, ...]
    relative: tuple[str, ...]
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        judged = Counter(f.verdict.outcome.value for f in self.figures if f.verdict)
        verdicts = ", ".join(f"{n} {what}" for what, n in judged.items()) or "no targets"
        return (f"<Comparison over {np.degrees(self.driver_angles[0]):.0f} to {np.degrees(self.driver_angles[-1]):.0f} "
                f"deg of {self.driver}: {len(self.points)} positions, {len(self.figures)} figures; {verdicts}>")

    def summary(self) -> str:
        """Every figure in a line: measured, 95 % half-width, as drawn, and the verdict where there is a target."""
        lines = [f"{f.label}: {f.measured:.3f} +/- {f.u95:.3f} {f.unit}".rstrip() + f", drawn {f.design:.3f}"
                 + (f"; {f.verdict.outcome.value}" if f.verdict else "") for f in self.figures]
        return "\n".join([*lines, *self.notes])

    def _repr_html_(self) -> str:
        return self.figure_table().to_html(index=False, border=0, float_format=lambda v: f"{v:.3f}")

    def curves(self) -> pd.DataFrame:
        """lever_deg and, per side, <side>_design_deg, <side>_asbuilt_deg, <side>_u95_deg."""
        out = {"lever_deg": np.degrees(self.driver_angles)}
        for s in self.design:
            out[f"{s}_design_deg"] = np.degrees(self.design[s])
            out[f"{s}_asbuilt_deg"] = np.degrees(self.as_built[s])
            out[f"{s}_u95_deg"] = np.degrees(self.u95[s])
        return pd.DataFrame(out)

    def measured(self) -> pd.DataFrame:
        """One row per position: position, lever_deg, lever_u95_deg and, per side, steer and difference, degrees."""
        rows = []
        for p in self.points:
            row: dict[str, float | str] = {"position": p.position, "lever_deg": p.lever, "lever_u95_deg": p.lever_u95}
            for s in p.steer:
                row |= {f"{s}_deg": p.steer[s], f"{s}_u95_deg": p.steer_u95[s],
                        f"{s}_difference_deg": p.difference[s], f"{s}_difference_u95_deg": p.difference_u95[s]}
            rows.append(row)
        columns = ["position", "lever_deg", "lever_u95_deg"] + [f"{s}_{w}_deg".replace("__", "_")
                                                                for s in self.design for w in
                                                                ("", "u95", "difference", "difference_u95")]
        return pd.DataFrame(rows, columns=columns)

    def figure_table(self) -> pd.DataFrame:
        """One row per figure: name, label, unit, design, measured, u95, target, tolerance, verdict, from_photos."""
        return pd.DataFrame([{"name": f.name, "label": f.label, "unit": f.unit, "design": f.design,
                              "measured": f.measured, "u95": f.u95, "target": f.target, "tolerance": f.tolerance,
                              "verdict": f.verdict.outcome.value if f.verdict else "",
                              "says": f.verdict.text if f.verdict else "", "from_photos": f.from_photos}
                             for f in self.figures])

    def figure(self, name: str) -> ComparedFigure:
        """The figure of that name; KeyError where there is none."""
        for f in self.figures:
            if f.name == name:
                return f
        raise KeyError(name)


def compare(design: Rig, fit: Fit, n: int = 101) -> Comparison:
    """Compare what was measured with the design over ``n`` driver angles (made odd, zero among them).

    The grid is the design driver's travel, or the span measured where it gives none. Bands and half-widths are
    95 %, first order from the joint covariance (JCGM 100), numerical slopes.

    >>> comparison = compare(rig, fit)  # from load_rig and estimate
    >>> toe = comparison.figure("toe")
    >>> toe.unit, toe.verdict.outcome.value
    ('deg', 'not met')
    """
    need_both_wheels(design)
    built = with_wheel_doubt(fit.as_built)
    rig = built.rig
    grid = driver_grid(_spanned(design, fit), n + 1 - n % 2)
    relative = tuple(s for s, w in rig.wheels.items() if not w.measured)
    zero = int(np.argmin(np.abs(grid)))
    sides = tuple(rig.wheels)

    def headings(c: Curves) -> Array:
        rows = [c.headings[s] - (c.headings[s][:, [zero]] if s in relative else 0.0) for s in sides]
        return np.concatenate(rows, axis=1)

    nothing = Variant({}, {}, {})
    drawn = headings(Model(design, grid).curves([nothing]))[0].reshape(len(sides), -1)
    model = Model(rig, grid)
    curve = slopes(model, built, nothing, headings)
    as_built, u95 = (x.reshape(len(sides), -1) for x in (curve.values, curve.u95))
    points = _points(design, fit, built, relative)
    figures = _figures(design, model, built)
    notes = []
    if relative:
        notes.append(f"The {' and '.join(relative)} wheel was never photographed turning by hand: its steer counts "
                     "from the straight-ahead label, and its toe rests on the drawing.")
    if not np.isfinite(as_built).all():
        notes.append("The as-built linkage does not reach the whole travel; the curve stops where it locks up.")
    return Comparison(rig.driver, grid, dict(zip(sides, drawn, strict=True)), dict(zip(sides, as_built, strict=True)),
                      dict(zip(sides, u95, strict=True)), points, figures, relative, tuple(notes))


def _spanned(design: Rig, fit: Fit) -> Rig:
    """The design with the measured span as its driver's travel where it states none."""
    if design.bodies[design.driver].travel is not None:
        return design
    angles = [a for (b, _), a in fit.joint_angles.items() if b == design.driver]
    low, high = min([*angles, -0.1]), max([*angles, 0.1])
    bodies = {**design.bodies, design.driver: replace(design.bodies[design.driver], travel=(low, high))}
    return replace(design, bodies=bodies)


def predicted_curves(design: Rig, built: AsBuilt, relative: Sequence[str] = (), steps: int = 33) -> pd.DataFrame:
    """Steer over the design driver's travel with 95 % half-widths, columns as ``Comparison.curves`` (degrees).

    The steer of sides in ``relative`` counts from straight ahead.
    """
    built = with_wheel_doubt(built)
    driver = driver_grid(design, steps)
    zero = int(np.argmin(np.abs(driver)))
    nothing = Variant({}, {}, {})
    sides = tuple(design.wheels)

    def steer(c: Curves) -> np.ndarray:
        return np.concatenate([c.headings[s] - (c.headings[s][:, [zero]] if s in relative else 0.0) for s in sides],
                              axis=1)

    drawn = steer(Model(design, driver).curves([nothing]))[0].reshape(len(sides), -1)
    s = slopes(Model(built.rig, driver), built, nothing, steer)
    out = {"lever_deg": np.degrees(driver)}
    for side, d, v, u in zip(sides, drawn, s.values.reshape(len(sides), -1), s.u95.reshape(len(sides), -1),
                             strict=True):
        out |= {f"{side}_design_deg": np.degrees(d), f"{side}_asbuilt_deg": np.degrees(v),
                f"{side}_u95_deg": np.degrees(u)}
    return pd.DataFrame(out)


# --- measured positions -------------------------------------------------------------------------------------

def _points(design: Rig, fit: Fit, built: AsBuilt, relative: tuple[str, ...]) -> tuple[MeasuredPoint, ...]:
    """Steer of each position from the upright's measured turn about its measured axis, with joint half-widths.

    The turns and the axes come out of one estimate, so their joint covariance [[angles, cross], [., rig]] is used.
    """
    rig, na, npar = built.rig, len(fit.angle_names), len(built.names)
    joint = np.zeros((na + npar, na + npar))
    joint[:na, :na] = fit.angle_cov
    joint[na:, na:] = built.cov
    k = len(fit.as_built.names)
    joint[:na, na:na + k] = fit.cross_cov
    joint[na:na + k, :na] = fit.cross_cov.T
    row = {key: i for i, key in enumerate(fit.angle_names)}
    matters: dict[str, list[int]] = {}
    for s, w in rig.wheels.items():
        matters[s] = [i for i, n in enumerate(parsed(built.names)) if built.cov[i, i] > 0 and
                      (n.owner, n.kind) in ((w.upright, Kind.AXIS), (s, Kind.SPIN))]
    skip = {*design.spin_positions, *design.lean_positions}
    labels = [p for p in fit.positions if p not in skip and (rig.driver, p) in fit.joint_angles]
    lever = np.array([fit.joint_angles[rig.driver, p] for p in labels])
    if not labels:
        return ()
    h = 1e-3
    near = np.concatenate([lever, lever - h, lever + h])
    drawn = {s: v.reshape(3, -1) for s, v in wheel_headings(design, Linkage(design).sweep(near)).items()}
    drawn0 = wheel_headings(design, {})
    out = []
    for i, p in enumerate(labels):
        steer, steer_u, diff, diff_u = {}, {}, {}, {}
        lever_row = row.get((rig.driver, p))
        for s, w in rig.wheels.items():
            key = (w.upright, p)
            if key not in fit.joint_angles:
                steer[s] = steer_u[s] = diff[s] = diff_u[s] = float("nan")
                continue
            angle = fit.joint_angles[key]

            def heading(r: Rig, a: float, s: str = s, u: str = w.upright) -> float:
                now = float(wheel_headings(r, {u: a})[s])
                return now - float(wheel_headings(r, {})[s]) if s in relative else now

            g = np.zeros(na + npar)
            value = heading(rig, angle)
            if key in row:
                g[row[key]] = (heading(rig, angle + 1e-4) - heading(rig, angle - 1e-4)) / 2e-4
            for j in matters[s]:
                name = [built.names[j]]
                x = get_parameters(rig, name)
                up, down = (heading(with_parameters(rig, name, x + d), angle) for d in (1e-4, -1e-4))
                g[na + j] = (up - down) / 2e-4
            gd = g.copy()
            if lever_row is not None:
                gd[lever_row] -= (drawn[s][2, i] - drawn[s][1, i]) / (2 * h)
            wanted = drawn[s][0, i] - (float(drawn0[s]) if s in relative else 0.0)
            steer[s], diff[s] = float(np.degrees(value)), float(np.degrees(value - wanted))
            steer_u[s], diff_u[s] = (float(np.degrees(_half_width(v, joint))) for v in (g, gd))
        lever_u = K95 * np.sqrt(joint[lever_row, lever_row]) if lever_row is not None else 0.0
        out.append(MeasuredPoint(p, float(np.degrees(lever[i])), float(np.degrees(lever_u)), steer, steer_u, diff,
                                 diff_u))
    return tuple(out)


def _half_width(slope: Array, cov: Array) -> float:
    return float(K95 * np.sqrt(max(float(slope @ cov @ slope), 0.0)))


# --- figures ------------------------------------------------------------------------------------------------

def _figures(design: Rig, model: Model, built: AsBuilt) -> tuple[ComparedFigure, ...]:
    moving = ("straight", *HEADING_FIGURES)
    known = FIGURES | (LEAN_FIGURE if lean_joint(design) else {})
    names = [*known, *(n for n in design.targets if n not in known)]

    def table(c: Curves) -> Array:
        f = c.figures(built.rig)
        return np.stack([f[n] for n in moving], axis=1)

    drawn_curves = Model(design, model.driver).curves([Variant({}, {}, {})])
    drawn = {k: float(v[0]) for k, v in drawn_curves.figures(design).items()} | axis_figures(design)
    s = slopes(model, built, Variant({}, {}, {}), table)
    shares = share_from_photos(s, built)
    found = {n: (float(v), float(u), sh) for n, v, u, sh in zip(moving, s.values, s.u95, shares, strict=True)}
    found |= _axis_bands(built)
    if lean_joint(design):
        found["roll_steer"] = roll_steer_band(built)
        drawn["roll_steer"] = roll_steer(design)
    out = []
    for name in names:
        unit, label = known.get(name, ("", name))
        k = 180.0 / np.pi if unit == "deg" else 1.0
        value, u, share = found.get(name, (float("nan"), float("nan"), None))
        t = design.targets.get(name)
        judged = verdict(value * k, u * k, t.value * k, t.tolerance * k, unit, label) if t else None
        out.append(ComparedFigure(name, label, unit, drawn.get(name, float("nan")) * k, value * k, u * k,
                                  t.value * k if t else None, t.tolerance * k if t else None, judged, share))
    return tuple(out)


def _axis_bands(built: AsBuilt) -> dict[str, tuple[float, float, float | None]]:
    """Value, 95 % half-width and share from photos of the figures read off the steering axes and wheels."""
    rig = built.rig
    owners = {w.upright for w in rig.wheels.values()} | set(rig.wheels)
    idx = [i for i, n in enumerate(parsed(built.names))
           if n.owner in owners and n.kind not in (Kind.HOLE, Kind.LENGTH) and built.cov[i, i] > 0]
    base = axis_figures(rig)
    J = np.zeros((len(AXIS_FIGURES), len(idx)))
    for c, i in enumerate(idx):
        name = [built.names[i]]
        x, h = get_parameters(rig, name), 1e-5 if ParameterName.parse(name[0]).direction else 1e-3
        up, down = (axis_figures(with_parameters(rig, name, x + d)) for d in (h, -h))
        J[:, c] = [(up[n] - down[n]) / (2 * h) for n in AXIS_FIGURES]
    cov = built.cov[np.ix_(idx, idx)]
    part = np.array([built.from_photos.get(built.names[i], 0.0) for i in idx])
    out: dict[str, tuple[float, float, float | None]] = {}
    for r, figure in enumerate(AXIS_FIGURES):
        weight = J[r] ** 2 * np.diag(cov)
        share = float(weight @ part / weight.sum()) if weight.sum() > 0 else None
        out[figure] = (float(base[figure]), float(K95 * np.sqrt(max(J[r] @ cov @ J[r], 0.0))), share)
    return out
