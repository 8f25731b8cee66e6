"""The result folder: every file of a run, for a person to open. Surface units (mm, degrees), 95 % half-widths."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.advice.travel import ways
from calib.progress import Progress, quiet, stoppable
from calib.report.confirm import Before
from calib.report.contents import FORMAT, Results
from calib.report.inputs import Inputs, keep_inputs
from calib.report.page import on_paper, report_html, sheet_html
from calib.report.pictures import (
    draw_at_hand,
    draw_comparison,
    draw_confirm,
    draw_fit,
    draw_history,
    draw_over_photos,
    draw_travel,
    write_corners,
)
from calib.report.record import keep_entry, lines, so_far
from calib.report.sheet_pdf import draw_sheet
from calib.report.whatif_view import whatif_data
from calib.report.whole import appearing
from calib.results import Fit, loaded_doubts
from calib.rig.writer import as_built_toml
from calib.second_process import SecondProcess, Task, Work
from calib.uncertainty import own_half_widths
from capture.csvcells import safe_cells
from capture.errors import UserError

DUST = 1e-9  # mm, deg or plain: nothing, in a table for people
ALONG = 0.9  # of a hinge's component, from which it lies along that axis of the frame

PARTS = 4  # of what ``write_results`` tells its progress


def write_results(results: Results, folder: Path, progress: Progress = quiet, before: Before | None = None,
                  second: SecondProcess | None = None, inputs: Inputs | None = None,
                  history: pd.DataFrame | None = None) -> Path:
    """Write every file of a run and return the folder: ``folder``, or its next free name where that is taken.

    The folder appears when all of it is written. Where some pictures fail, everything else but the report is kept
    beside it under a name that says unfinished. UserError where it cannot be written. ``second`` as in ``measure``;
    ``inputs``: what it was made from, to be kept with it; ``history``: all of the vehicle's shoots, see ``history``;
    ``progress``: see ``calib.Progress``; what it raises leaves nothing of the folder.
    """
    with stoppable(progress) as told, appearing(folder) as made:
        if second is not None:
            second.would_leave(made.here)
        if inputs is not None:
            keep_inputs(inputs, made.here)
        _write(results, made.here, told, before, second, history)
    return made.final


def _write(results: Results, folder: Path, progress: Progress, before: Before | None, second: SecondProcess | None,
           history: pd.DataFrame | None) -> None:
    fit, obs = results.fit, results.observations
    looks = results.design.driver.replace("_", " "), ways(results.design)[1]
    begun = dict(results.begun)
    if before is not None and second is not None:
        begun["confirm"] = second.start(draw_confirm, before.curves, before.predicted, results.curves,
                                        results.measured, *looks)
    several = history is not None and history["when"].nunique() > 1
    if several and second is not None:
        begun["history"] = second.start(draw_history, history)
    failed: list[Exception] = []

    def made(name: str, work: Work, *args: Any, here: bool = False) -> Any:
        try:
            return (begun.get(name) or Task(work, *args)).into(folder, here)
        except Exception as error:
            failed.append(error)
            return []

    progress("writing tables", 0, PARTS)
    as_built = as_built_toml(fit.as_built, lambda part, unit: fit.doubts.on_parts((part,), unit))
    (folder / "as_built.toml").write_text(as_built, encoding="utf-8")
    write_json(folder / "fit.json", {"vehicle": results.design.name, **fit_data(fit),
                                     "findings": results.findings})
    write_json(folder / "proposals.json", results.work)
    for name, t in (("figures", results.figures), ("curves", results.curves), ("measured", results.measured),
                    ("photos", results.photos), ("pivots", pivots_flat(results.pivots)),
                    ("sensitivity", results.sensitivity),
                    ("limits", pd.DataFrame(results.limits, columns=["kept", "text"])
                     .assign(doubt=results.comparison.doubt)), ("play", results.play),
                    ("lean", results.lean), ("hand", results.hand), ("riders", results.riders)):
        if not len(t) and name in ("play", "lean", "hand", "riders"):
            continue
        safe_cells(without_dust(t)).to_csv(folder / f"{name}.csv", index=False, float_format="%.6g")
    if results.travel is not None:
        over = results.travel.table.assign(doubt=results.comparison.doubt)
        without_dust(over).to_csv(folder / "travel.csv", index=False, float_format="%.6g")
    made("corners", write_corners, obs)
    progress("drawing over the photos", 1, PARTS)
    drawn = [(caption, folder / name)
             for caption, name in made("photos", draw_over_photos, fit, obs.photos, here=True)]
    whatif = None
    if results.proposals is not None and not results.comparison.doubt:
        whatif = made("whatif", whatif_data, results.design, fit.as_built, fit.loaded, here=True)
    progress("drawing plots", 2, PARTS)
    made("fit", draw_fit, results.photos, fit.residuals)
    made("comparison", draw_comparison, results.curves, results.measured, results.figures, *looks)
    if results.travel is not None:
        made("travel", draw_travel, results.travel)
    if len(results.hand):
        made("hand", draw_at_hand, results.hand)
    if before is not None:
        made("confirm", draw_confirm, before.curves, before.predicted, results.curves, results.measured, *looks)
    if several:
        made("history", draw_history, history)
    made("sheet", draw_sheet, *on_paper(results.design, obs, fit, results.sheet()))
    if failed:
        raise next((e for e in failed if isinstance(e, OSError)), failed[0])
    progress("writing the report", 3, PARTS)
    (folder / "sheet.html").write_text(sheet_html(results), encoding="utf-8")
    (folder / "report.html").write_text(report_html(results, folder, drawn, before, whatif), encoding="utf-8")
    progress("writing the report", PARTS, PARTS)


def record_results(results: Results, folder: Path, inputs: Inputs, before: Before | None = None) -> Path:
    """Add the finished result ``folder`` to the vehicle's record beside its rig file; the record's folder."""
    return keep_entry(inputs.rig_file, results.design.name, _event(before), folder, _judged(results), _promised(before),
                      before.changes if before else (), str(before.folder.absolute()) if before else "",
                      inputs.proposal)


def history(results: Results, inputs: Inputs, before: Before | None = None) -> pd.DataFrame | None:
    """The lines of the vehicle's record, with this measurement's; None where a record there does not read."""
    now = lines(results.design.name, _event(before), "", _judged(results), _promised(before))
    try:
        return so_far(inputs.rig_file, results.design.name, now)
    except UserError:  # the results come first; adding to it says what is wrong
        return None


def _event(before: Before | None) -> str:
    return "measured" if before is None else "confirmed"


def _judged(results: Results) -> pd.DataFrame:
    return results.figures[results.figures["verdict"] != ""]


def _promised(before: Before | None) -> dict[str, tuple[float, float]] | None:
    return dict(before.predicted_figures) if before else None


def pivots_flat(pivots: pd.DataFrame) -> pd.DataFrame:
    """The pivot table with its x, y, z cells as columns of their own, for a spreadsheet."""
    rows = []
    axes = {str(r["item"]): r["measured"] for _, r in pivots.iterrows() if str(r["what"]).endswith(" axis direction")}
    for _, r in pivots.iterrows():
        row: dict[str, Any] = {}
        for c in pivots.columns:
            v = r[c]
            if isinstance(v, tuple | list | np.ndarray):
                if len(v) == 1:
                    row[c] = v[0]
                else:
                    row.update({f"{c}_{k}": x for k, x in zip("xyz", v, strict=True)})
            else:
                row[c] = v
        rows.append(_without_own_axis(row, axes.get(str(r["item"]))) if str(r["what"]).endswith(" pivot") else row)
    return pd.DataFrame(rows)


def _without_own_axis(row: dict[str, Any], axis: Sequence[float] | None) -> dict[str, Any]:
    """A pivot's row without what is no measurement: its place along its own hinge is the drawing's by definition."""
    if axis is None or max(map(abs, axis)) < ALONG:
        return row
    k = "xyz"[int(np.argmax(np.abs(axis)))]
    return row | {f"{c}_{k}": None for c in ("difference", "u95")}


def without_dust(t: pd.DataFrame) -> pd.DataFrame:
    """The table with exact zeros where rounding left something like 1e-20."""
    floats = t.select_dtypes("float")
    values = floats.to_numpy(float)
    clean = pd.DataFrame(np.where(np.abs(values) >= DUST, values, values * 0.0) + 0.0, t.index, floats.columns)
    return pd.concat([clean, t.drop(columns=floats.columns)], axis=1)[list(t.columns)]  # column by column takes long


def write_json(path: Path, data: Any) -> None:
    """JSON that any program reads: arrays as lists, not-a-number as null."""
    path.write_text(json.dumps(_plain(data), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _plain(v: Any) -> Any:
    if isinstance(v, Mapping):
        return {str(k): _plain(x) for k, x in v.items()}
    if isinstance(v, np.ndarray):
        return v.tolist() if v.dtype.kind == "f" and np.isfinite(v).all() else _plain(v.tolist())
    if isinstance(v, list | tuple):
        return [_plain(x) for x in v]
    if isinstance(v, float | np.floating):
        return float(v) if math.isfinite(v) else None
    if isinstance(v, np.integer | np.bool_):
        return v.item()
    return v


def fit_data(fit: Fit) -> dict[str, Any]:
    """The fit as plain data: camera, print, photo poses, joint angles (deg), board, tag places, figures, findings."""
    c, p = fit.camera, fit.printed
    doubts = fit.doubts
    turns = dict(zip(fit.angle_names, np.degrees(own_half_widths(fit.angle_cov)), strict=True))
    return {
        "format": FORMAT,
        "sigma0": fit.sigma0, "iterations": fit.iterations, "seconds": round(fit.seconds, 3),
        "camera": {"f_px": c.f, "aspect": c.aspect, "cx_px": c.cx, "cy_px": c.cy, "k1_k2_p1_p2_k3": c.dist,
                   "u95": dict(c.u95)},
        **({} if p is None else {"print": {"scale": p.scale, "stretch": p.stretch, "u95": dict(p.u95)}}),
        "positions": fit.positions,
        "joint_angles_deg": [{"body": b, "position": p, "angle": math.degrees(a), "u95": turns.get((b, p), 0.0),
                              "doubt": doubts.on_parts((b,), positions=(p,))}
                             for (b, p), a in fit.joint_angles.items()],
        "board_to_frame": {"R": fit.board_R, "t_mm": fit.board_t},
        "tags_to_frame": {n: {"R": R, "t_mm": t} for n, (R, t) in fit.tag_poses.items()},
        "photos": [{"name": f.name, "position": f.position, "R": f.R, "t_mm": f.t, "focal_change": f.df,
                    "centre_change_px": f.dc, "rms_px": f.rms_px, "corners": f.corners, "outliers": f.outliers}
                   for f in fit.photos.values()],
        "rod_misfit_mm": [{"rod": r, "position": p, "mm": v} for (r, p), v in fit.rod_misfit.items()],
        "figures": [{"name": f.name, "value": f.value, "u95": f.u95, "unit": f.unit, "from_photos": f.from_photos,
                     "note": f.note, "doubt": fit.doubt_on(f)} for f in fit.figures],
        "drawing": {"chi2": fit.drawing.chi2, "degrees_of_freedom": fit.drawing.dof, "factor": fit.drawing.factor},
        "findings": [f.as_data() for f in fit.findings],
        "loaded": [{**asdict(f), "doubt": why} for f, why in zip(fit.loaded, loaded_doubts(fit).values(), strict=True)],
        "parameters": {"names": fit.as_built.names, "covariance": fit.as_built.cov},
    }
