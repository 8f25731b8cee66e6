"""The "what if" of the report: the table of settings packed for a page, which looks up and never computes a linkage.

Surface units (mm, degrees). Whole numbers of a stated scale as little-endian 16-bit integers in base 64.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.advice.search import Model, Variant
from calib.advice.whatif import RodSteps, WhatIf, what_if
from calib.findings import spoken
from calib.linkage.mechanism import CannotAssemble
from calib.results import AsBuilt, LoadedFigure
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from capture.errors import UserError

Array = NDArray[np.float64]
UNKNOWN = -32768  # where the rods do not reach
CURVE_SCALE = 0.01  # deg


def whatif_data(_: Path, design: Rig, as_built: AsBuilt, loaded: Sequence[LoadedFigure]) -> dict[str, Any] | None:
    """The table for the page, None where there is none to show. For another process: the folder is not written to."""
    try:
        table = what_if(design, as_built, loaded)
    except (UserError, ValueError, CannotAssemble):  # the report stands without it
        return None
    return None if table is None else packed(table, design, as_built.rig)


def packed(t: WhatIf, design: Rig, built: Rig) -> dict[str, Any]:
    """The table as plain data."""
    drawn = Model(design, t.driver).curves([Variant()]).headings
    points = tuple(t.holes[0])
    options = {n: sorted({h[n] for h in t.holes}, key=list(built.points[n].holes).index) for n in points}
    units = np.array([FIGURES[x.name].scale for x in t.targets])
    figures = []
    for k, x in enumerate(t.targets):
        kind = FIGURES[x.name]
        figures.append({"label": kind.label, "unit": kind.unit, "target": x.value * kind.scale,
                        "tolerance": x.tolerance * kind.scale, "doubt": x.doubt * kind.scale,
                        "most": kind.rule == "at most", **_whole(t.values[..., k] * kind.scale, kind.digits),
                        "u95": _whole(t.u95[..., k] * kind.scale, kind.digits + 1)})
    return {
        "lever": np.degrees(t.driver).round(2).tolist(),
        "points": [{"label": spoken(n), "options": options[n], "now": options[n].index(t.holes[0][n])} for n in points],
        "sets": [[options[n].index(h[n]) for n in points] for h in t.holes], "combined": t.combined,
        "rods": [_rod(r, built) for r in t.rods], "figures": figures,
        "sides": {s: {"rods": [[r.name for r in t.rods].index(n) for n in t.rods_of[s]],
                      "drawn": np.degrees(drawn[s][0]).round(3).tolist(), "scale": CURVE_SCALE,
                      "broken": "".join("01"[int(b)] for b in t.broken[s].ravel()),
                      "table": _base64(np.degrees(t.headings[s]) / CURVE_SCALE)} for s in t.headings},
        "rod_u95": _short(t.rod_u95 * units), "hole_u95": _short(t.hole_u95 * units),
        "left_out": [spoken(n) for n in t.left_out]}


def chosen(data: Mapping[str, Any], holes: Mapping[str, str], mm: Mapping[str, float]) -> dict[str, Any] | None:
    """Where a setting stands in the packed table: ``set`` and ``steps``; None where it is not in it.

    ``holes``: those moved, by point; ``mm``: rods made longer.
    """
    points = [p["label"] for p in data["points"]]
    rods = [r["label"] for r in data["rods"]]
    if {spoken(n) for n in holes} - set(points) or {spoken(n) for n in mm} - set(rods):
        return None
    want = [p["options"].index(holes[n]) if (n := next((n for n in holes if spoken(n) == p["label"]), "")) else p["now"]
            for p in data["points"]]
    amounts = {spoken(n): x for n, x in mm.items()}
    steps = [next((k for k, x in enumerate(r["amounts"]) if abs(x - amounts.get(r["label"], 0.0)) < 1e-6), None)
             for r in data["rods"]]
    if want not in data["sets"] or None in steps:
        return None
    return {"set": data["sets"].index(want), "steps": steps}


def _rod(r: RodSteps, built: Rig) -> dict[str, Any]:
    return {"label": spoken(r.name), "length": round(float(built.rods[r.name].length), 2),
            "amounts": r.amounts.round(4).tolist(), "per_turn": r.per_turn, "now": int(np.argmin(np.abs(r.amounts)))}


def _whole(values: Array, digits: int) -> dict[str, Any]:
    """Values as whole numbers of a scale that shows them as tables do, coarser where they would not go in."""
    scale = 10.0**-digits
    while np.nanmax(np.abs(values), initial=0.0) / scale > 32000:
        scale, digits = scale * 10, max(digits - 1, 0)
    return {"scale": scale, "digits": digits, "table": _base64(values / scale)}


def _base64(whole: Array) -> str:
    kept = np.where(np.isfinite(whole), np.clip(whole, -32767, 32767).round(), UNKNOWN)
    return base64.b64encode(kept.astype("<i2").tobytes()).decode("ascii")


def _short(a: Array) -> list[Any]:
    """Half-widths to four figures."""
    return np.vectorize(lambda x: float(f"{x:.4g}"), otypes=[float])(a).tolist() if a.size else a.tolist()
