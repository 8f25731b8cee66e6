"""Measured against design: steer curves with bands, the measured positions, and every figure with its verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.advice.propagation import Slopes, rig_slopes, share_from_photos, slopes, what_limits, with_wheel_doubt
from calib.advice.rider import judged_with_rider
from calib.advice.search import STOP_ROOM, Curves, Model, Variant, driver_grid, need_both_wheels
from calib.advice.verdict import Verdict, not_yet
from calib.linkage.lean import roll_steer_band
from calib.linkage.mechanism import Linkage
from calib.linkage.positions import joint_covariance, measured_steer, unseen_sides
from calib.linkage.steering import axis_figures, axis_table, lean_joint, roll_steer, wheel_headings
from calib.results import AsBuilt, Fit, LoadedFigure
from calib.rig.figures import kinds
from calib.rig.model import Rig
from calib.rig.parameters import Kind, ParameterName
from calib.trust import Doubts
from calib.uncertainty import differences, own_half_widths

Array = NDArray[np.float64]
DRIVER_STEP = 1e-3  # rad, central differences
ROUNDING = 1e-9  # surface units: what rounding leaves of a drawn figure of zero, which may be "-0.000" when shown


@dataclass(frozen=True)
class ComparedFigure:
    """One figure, surface units. ``target`` and ``verdict`` are None where the rig file sets no target.

    ``from_photos``: share of its variance that rests on photos, 0..1; approximate, correlations between
    parameters are left out. ``doubt``: why it is not to be trusted before something is settled; "" where it is.
    ``limit``: what its uncertainty rests on most, None where it has none.
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
    doubt: str = ""
    limit: ParameterName | None = None


@dataclass(frozen=True)
class MeasuredPoint:
    """What one lever position gave, degrees. ``steer`` and the rest by side; differences measured less design.

    ``doubt``: why the lever's angle, or a side's steer, is not to be trusted before something is settled; "" else.
    """

    position: str
    lever: float
    lever_u95: float
    steer: Mapping[str, float]
    steer_u95: Mapping[str, float]
    difference: Mapping[str, float]
    difference_u95: Mapping[str, float]
    doubt: Mapping[str, str] = field(default_factory=dict)  # by side, and "lever"


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
    doubt: str = ""  # why the curves are not to be trusted before something is settled; "" where they are

    def __repr__(self) -> str:
        judged = Counter(f.verdict.outcome.value for f in self.figures if f.verdict)
        verdicts = ", ".join(f"{n} {what}" for what, n in judged.items()) or "no targets"
        return (f"<Comparison over {np.degrees(self.driver_angles[0]):.0f} to {np.degrees(self.driver_angles[-1]):.0f} "
                f"deg of {self.driver}: {len(self.points)} positions, {len(self.figures)} figures; {verdicts}>")

    def summary(self) -> str:
        """Every figure in a line: measured, 95 % half-width, as drawn, and the verdict where there is a target."""
        lines = [f"{f.label}: {f.measured:.3f} +/- {f.u95:.3f} {f.unit}".rstrip() + f", drawn {f.design:.3f}"
                 + (f"; {f.verdict.outcome.value}" if f.verdict else "") + (f"; {f.doubt}" if f.doubt else "")
                 for f in self.figures]
        return "\n".join([*lines, *self.notes])

    def _repr_html_(self) -> str:
        return self.figure_table().to_html(index=False, border=0, float_format=lambda v: f"{v:.3f}")

    def curves(self) -> pd.DataFrame:
        """lever_deg and, per side, <side>_design_deg, <side>_asbuilt_deg, <side>_u95_deg; doubt (in every row)."""
        out: dict[str, Array | str] = {"lever_deg": np.degrees(self.driver_angles)}
        for s in self.design:
            out[f"{s}_design_deg"] = np.degrees(self.design[s])
            out[f"{s}_asbuilt_deg"] = np.degrees(self.as_built[s])
            out[f"{s}_u95_deg"] = np.degrees(self.u95[s])
        return pd.DataFrame({**out, "doubt": self.doubt})

    def measured(self) -> pd.DataFrame:
        """One row per position: position, lever_deg, lever_u95_deg and, per side, steer and difference, degrees; doubt.

        ``doubt`` says which of lever, left and right it is about, and why.
        """
        rows = []
        for p in self.points:
            row: dict[str, float | str] = {"position": p.position, "lever_deg": p.lever, "lever_u95_deg": p.lever_u95}
            for s in p.steer:
                row |= {f"{s}_deg": p.steer[s], f"{s}_u95_deg": p.steer_u95[s],
                        f"{s}_difference_deg": p.difference[s], f"{s}_difference_u95_deg": p.difference_u95[s]}
            about: dict[str, list[str]] = {}
            for what, why in p.doubt.items():
                if why:
                    about.setdefault(why, []).append(what)
            rows.append(row | {"doubt": "; ".join(f"{' and '.join(x)} {why}" for why, x in about.items())})
        columns = ["position", "lever_deg", "lever_u95_deg"] + [f"{s}_{w}_deg".replace("__", "_")
                                                                for s in self.design for w in
                                                                ("", "u95", "difference", "difference_u95")] + ["doubt"]
        return pd.DataFrame(rows, columns=columns)

    def figure_table(self) -> pd.DataFrame:
        """Row per figure: name, label, unit, design, measured, u95, target, tolerance, verdict, from_photos, doubt.

        ``judged`` +/- ``judged_u95``: what the verdict is about, with what ``remark`` says was allowed for.
        """
        return pd.DataFrame([{"name": f.name, "label": f.label, "unit": f.unit, "design": f.design,
                              "measured": f.measured, "u95": f.u95, "target": f.target, "tolerance": f.tolerance,
                              "verdict": f.verdict.outcome.value if f.verdict else "",
                              "says": f.verdict.text if f.verdict else "", "from_photos": f.from_photos,
                              "doubt": f.doubt, "judged": f.verdict.value if f.verdict else float("nan"),
                              "judged_u95": f.verdict.u95 if f.verdict else float("nan"),
                              "remark": f.verdict.remark if f.verdict else ""}
                             for f in self.figures])

    def figure(self, name: str) -> ComparedFigure:
        """The figure of that name; KeyError where there is none."""
        for f in self.figures:
            if f.name == name:
                return f
        raise KeyError(name)


def compare(design: Rig, fit: Fit, n: int = 101, doubts: Doubts | None = None) -> Comparison:
    """Compare what was measured with the design over ``n`` driver angles (made odd, zero among them).

    The grid is the design driver's travel, or the span measured where it gives none. Bands and half-widths are
    95 %, first order from the joint covariance (JCGM 100), numerical slopes. ``doubts``: what is not to be trusted
    yet, and so is not judged; None: what the fit's own findings leave open.

    >>> comparison = compare(rig, fit)  # from load_rig and estimate
    >>> toe = comparison.figure("toe")
    >>> toe.unit, toe.verdict.outcome.value
    ('deg', 'not met')
    """
    need_both_wheels(design)
    built = with_wheel_doubt(fit.as_built)
    rig, doubts = built.rig, fit.doubts if doubts is None else doubts
    grid = driver_grid(_spanned(design, fit), n + 1 - n % 2)
    relative = unseen_sides(rig)
    zero = int(np.argmin(np.abs(grid)))
    sides = tuple(rig.wheels)

    def headings(c: Curves) -> Array:
        rows = [c.headings[s] - (c.headings[s][:, [zero]] if s in relative else 0.0) for s in sides]
        return np.concatenate(rows, axis=1)

    nothing = Variant()
    drawn = headings(Model(design, grid).curves([nothing]))[0].reshape(len(sides), -1)
    model = Model(rig, grid)
    curve = slopes(model, built, nothing, headings)
    as_built, u95 = (x.reshape(len(sides), -1) for x in (curve.values, curve.u95))
    points = _points(design, fit, built, relative, doubts)
    figures = figures_of(design, fit, n, doubts)
    notes = []
    if relative:
        notes.append(f"The {' and '.join(relative)} wheel was never photographed turning by hand: its steer counts "
                     "from the straight-ahead label, and its toe rests on the drawing.")
    if not np.isfinite(as_built).all():
        notes.append("The as-built linkage does not reach the whole travel; the curve stops where it locks up.")
    return Comparison(rig.driver, grid, dict(zip(sides, drawn, strict=True)), dict(zip(sides, as_built, strict=True)),
                      dict(zip(sides, u95, strict=True)), points, figures, relative, tuple(notes), doubts.travel)


def figures_of(design: Rig, fit: Fit, n: int = 101, doubts: Doubts | None = None) -> tuple[ComparedFigure, ...]:
    """The figures of ``compare`` alone, which are there much sooner."""
    doubts = fit.doubts if doubts is None else doubts
    n += 1 - n % 2
    driver = fit.as_built.rig.bodies[design.driver]
    grid = None if driver.travel else driver_grid(_spanned(design, fit), n)
    return judged_figures(design, fit.as_built, n, grid, fit.loaded, doubts)


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
    nothing = Variant()
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

def _points(design: Rig, fit: Fit, built: AsBuilt, relative: tuple[str, ...], doubts: Doubts,
            ) -> tuple[MeasuredPoint, ...]:
    """Steer and its difference from the drawing at each lever position, with half-widths (see linkage.positions)."""
    driver, skip = built.rig.driver, {*design.spin_positions, *design.lean_positions}
    labels = [p for p in fit.positions if p not in skip and (driver, p) in fit.joint_angles]
    if not labels:
        return ()
    lever = np.array([fit.joint_angles[driver, p] for p in labels])
    drawn, drawn_slope = _drawn_steer(design, lever, relative)
    found, cov = measured_steer(fit, built, labels, relative), joint_covariance(fit, built)
    row = {key: i for i, key in enumerate(fit.angle_names)}
    nan = float("nan")
    out = []
    for i, p in enumerate(labels):
        steer, steer_u, diff, diff_u = ({s: nan for s in built.rig.wheels} for _ in range(4))
        k = row.get((driver, p))
        for s in (s for s in built.rig.wheels if (s, p) in found):
            value, less = found[s, p].value, found[s, p].slope.copy()
            if k is not None:
                less[k] -= drawn_slope[s][i]
            steer[s], diff[s] = float(np.degrees(value)), float(np.degrees(value - drawn[s][i]))
            steer_u[s], diff_u[s] = (float(np.degrees(found[s, p].half_width(cov, g))) for g in (None, less))
        lever_u = own_half_widths(cov)[k] if k is not None else 0.0
        where = (p, design.straight_ahead)
        doubt = {"lever": doubts.on_parts((driver,), positions=where)} | {
            s: doubts.on_parts((w.upright, *([w.spin_body] if w.spin_body else [])), positions=where)
            for s, w in built.rig.wheels.items()}
        out.append(MeasuredPoint(p, float(np.degrees(lever[i])), float(np.degrees(lever_u)), steer, steer_u, diff,
                                 diff_u, doubt))
    return tuple(out)


def _drawn_steer(design: Rig, lever: Array, relative: Sequence[str]) -> tuple[dict[str, Array], dict[str, Array]]:
    """Steer as drawn (rad) at lever angles (n,), and its slope against them, by side."""
    link, zero = Linkage(design), wheel_headings(design, {})

    def turned(d: Array) -> Array:
        """Steer (m, sides x n) for each shift (m, 1) of the lever."""
        swept = wheel_headings(design, link.sweep((lever + d).ravel()))
        return np.concatenate([h.reshape(len(d), -1) - (float(zero[s]) if s in relative else 0.0)
                               for s, h in swept.items()], axis=1)

    value, slope = (dict(zip(design.wheels, x.reshape(len(design.wheels), -1), strict=True))
                    for x in differences(turned, [0.0], DRIVER_STEP))
    return value, slope


# --- figures ------------------------------------------------------------------------------------------------

def judged_figures(design: Rig, built: AsBuilt, n: int = 101, grid: Array | None = None,
                   loaded: Sequence[LoadedFigure] = (), doubts: Doubts | None = None) -> tuple[ComparedFigure, ...]:
    """Every figure of a rig as built, or as a shoot would know it, against the design; ``n`` driver angles (odd).

    ``grid`` (k,) rad: driver angles to look at instead of those over the stops of the rig as built. ``loaded``: figures
    with the rider aboard, where they were photographed. ``doubts``: what is not judged before it is settled.
    """
    need_both_wheels(design)
    built = with_wheel_doubt(built)
    n += 1 - n % 2
    drawn_curves = Model(design, driver_grid(design, n)).curves([Variant()])
    seen = Model(built.rig, driver_grid(built.rig, n, STOP_ROOM) if grid is None else grid)
    found = _found(seen, built, drawn_curves.way())
    drawn = {k: float(v[0]) for k, v in drawn_curves.figures(design).items()} | axis_figures(design)
    if lean_joint(design):
        found["roll_steer"] = *roll_steer_band(built), None
        drawn["roll_steer"] = roll_steer(design)
    out = []
    for kind in kinds():
        if kind.name not in found and kind.name not in design.targets:
            continue
        value, u, share, limit = found.get(kind.name, (float("nan"), float("nan"), None, None))
        t, k = design.targets.get(kind.name), kind.scale
        doubt = doubts.on_figure(kind.name) if doubts else ""
        said = None
        if t is not None:
            said = not_yet(kind, value, u, doubt) if doubt else judged_with_rider(kind, value, u, t, design, loaded)
        as_drawn = drawn.get(kind.name, float("nan")) * k
        out.append(ComparedFigure(kind.name, kind.label, kind.unit, 0.0 if abs(as_drawn) < ROUNDING else as_drawn,
                                  value * k, u * k, t.value * k if t else None, t.tolerance * k if t else None, said,
                                  share, doubt, limit))
    return tuple(out)


def _found(model: Model, built: AsBuilt, way: float,
           ) -> dict[str, tuple[float, float, float | None, ParameterName | None]]:
    """Value, 95 % half-width, share from photos and what limits every figure of curves and axes; rad, mm, plain."""
    moving, standing = ([k.name for k in kinds(part)] for part in ("travel", "axes"))

    def curved(c: Curves) -> Array:
        f = c.figures(built.rig, way=way)
        return np.stack([f[n] for n in moving], axis=1)

    owners = {w.upright for w in built.rig.wheels.values()} | set(built.rig.wheels)
    out: dict[str, tuple[float, float, float | None, ParameterName | None]] = {}
    both: tuple[tuple[list[str], Slopes], ...] = (
        (moving, slopes(model, built, Variant(), curved)),
        (standing, rig_slopes(partial(axis_table, names=standing), built, lambda n: n.owner in owners
                              and n.kind not in (Kind.HOLE, Kind.LENGTH), at_once=True)))
    for names, s in both:
        rows = zip(names, s.values, s.u95, share_from_photos(s, built), strict=True)
        out |= {n: (float(v), float(u), share, what_limits(s, k)) for k, (n, v, u, share) in enumerate(rows)}
    return out
