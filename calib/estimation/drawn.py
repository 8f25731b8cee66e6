"""The vehicle against its drawing: which part lies outside its stated tolerance, and whether the tolerances hold.

The stated tolerances are held against the residuals of the drawing's rows: chi-square over its degrees of freedom.
Where that is above one the standard uncertainties that the tolerances stand for are multiplied by its root, the Birge
ratio (Birge, 1932, Phys. Rev. 40, 207: external over internal consistency), so that what leans on the drawing is as
uncertain as the vehicle shows the drawing to be.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from calib.estimation.blocks.base import Row, weight
from calib.estimation.equations import RigProblem
from calib.estimation.unknowns import Layout, State
from calib.findings import Code, Fact, Finding
from calib.results import AsBuilt, DrawingFit
from calib.rig.model import Rig
from calib.rig.parameters import AXES, Kind, get_parameters, length_name, vector_names
from calib.uncertainty import own_half_widths

Array = NDArray[np.float64]
PLACES = (Kind.PIVOT, Kind.HOLE)
FAR = 40.0  # mm: where half of all places are further off, it is not this vehicle's drawing; common practice, no source
SURE = 1e-3  # chance of so large a chi-square under the stated tolerances, below which it is said that they are tight


def drawing_fit(problem: RigProblem, s: State, cov: Array) -> DrawingFit:
    """Chi-square of the drawing's rows at their stated tolerances, and the factor that brings it to its expectation.

    ``cov`` (n, n) of the shared unknowns. Degrees of freedom: rows less what the fit takes up of them, the sum of
    their redundancy numbers 1 - w J cov J' (Foerstner, 1979). Wheels' hubs, drawn wide on purpose, do not count.
    """
    chi2 = dof = 0.0
    for row in _stated(problem, s):
        used = weight(row.block, row.r, problem.prior_scale)[0] * np.einsum(
            "ij,jk,ik->", row.J, cov[np.ix_(row.slots, row.slots)], row.J)
        chi2 += float(row.r @ row.r) * problem.drawing_scale**2
        dof += len(row.r) - float(used)
    factor = 1.0 if dof < 1 else float(np.sqrt(max(chi2 / dof, 1.0)))
    return DrawingFit(chi2, dof, factor)


def _stated(problem: RigProblem, s: State) -> Iterator[Row]:
    wheels = {n for n, b in problem.rig.bodies.items() if b.role == "wheel"}
    return (row for row in problem.rows(s) if row.kind == "drawing" and row.item not in wheels)


class Outside(NamedTuple):
    """One number of the vehicle that lies outside its tolerance. ``off``, ``u95``, ``tolerance`` in mm or rad."""

    item: str
    kind: Kind
    component: int
    off: float  # measured less drawn
    u95: float
    tolerance: float

    @property
    def times(self) -> float:
        """How far off in units of the tolerance."""
        return abs(self.off) / self.tolerance


def outside(design: Rig, built: AsBuilt, layout: Layout) -> list[Outside]:
    """Pivots, axes, points and rods outside their stated tolerance by more than their uncertainty, largest first.

    One entry each, for the component furthest out; a pivot does not count along its axis, an axis not along itself.
    ``built`` with the covariance of the pivot table, the alignment held.
    """
    u95 = dict(zip(built.names, own_half_widths(built.cov), strict=True))
    out = []
    for item, kind, names, tolerance in _dimensions(design, layout):
        off = get_parameters(built.rig, names) - get_parameters(design, names)
        own = [Outside(item, kind, k, float(d), float(u95[n]), tolerance)
               for k, (n, d) in enumerate(zip(names, off, strict=True)) if u95[n] > 0]
        far = [x for x in own if abs(x.off) - x.u95 > tolerance]
        if far:
            out.append(max(far, key=lambda x: x.times))
    return sorted(out, key=lambda x: -x.times)


def _dimensions(design: Rig, layout: Layout) -> Iterator[tuple[str, Kind, tuple[str, ...], float]]:
    """(item, kind, names of its numbers, tolerance in mm or rad) of what the builder drew and the photos measured."""
    for n in layout.bodies:
        b = design.bodies[n]
        if b.role != "wheel":
            yield n, Kind.PIVOT, vector_names(n, Kind.PIVOT), b.pivot_tol
            yield n, Kind.AXIS, vector_names(n, Kind.AXIS), b.axis_tol
    for n in layout.points:
        yield n, Kind.HOLE, vector_names(n, Kind.HOLE, design.points[n].use), design.points[n].tol
    for n in layout.rods:
        yield n, Kind.LENGTH, (length_name(n),), design.rods[n].tol


def drawing_findings(design: Rig, built: AsBuilt, layout: Layout, fit: DrawingFit) -> list[Finding]:
    """The drawing or its tolerances as a whole where they cannot hold, then every part outside, largest first."""
    far = outside(design, built, layout)
    out = [_finding(x, design) for x in far]
    if other := _unlike(design, layout, far):
        out.insert(0, other)
    elif fit.dof >= 1 and chdtrc(fit.dof, fit.chi2) < SURE:
        facts: dict[str, Fact] = {"factor": fit.factor, "chi2": fit.chi2, "dof": fit.dof, "outside": len(far),
                                  "of": sum(1 for _ in _dimensions(design, layout))}
        out.insert(0, Finding(Code.TOLERANCES_TIGHT, "drawing", facts=facts))
    return out


def _unlike(design: Rig, layout: Layout, far: list[Outside]) -> Finding | None:
    """Whether most places are so far off the drawing that no tolerance can be meant."""
    of = sum(kind in PLACES for _, kind, *_ in _dimensions(design, layout))
    mm = [abs(x.off) for x in far if x.kind in PLACES and abs(x.off) > FAR]
    if 2 * len(mm) <= of:
        return None
    return Finding(Code.UNLIKE_DRAWING, "drawing", facts={"far": len(mm), "of": of, "least_mm": FAR,
                                                          "mm": float(np.median(mm))})


def _finding(x: Outside, design: Rig) -> Finding:
    turned = x.kind is Kind.AXIS
    scale = float(np.rad2deg(1.0)) if turned else 1.0
    facts: dict[str, Fact] = {"what": x.kind.value, "off": x.off * scale, "u95": x.u95 * scale,
                              "tolerance": x.tolerance * scale, "times": x.times, "unit": "deg" if turned else "mm"}
    if x.kind is not Kind.LENGTH:
        facts["along"] = AXES[x.component]
    if x.kind is Kind.HOLE and len(design.points[x.item].holes) > 1:
        facts["hole"] = design.points[x.item].use
    return Finding(Code.NOT_AS_DRAWN, x.item, facts=facts)
