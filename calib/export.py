"""The result folder: everything a run found, in files a person can open, and reading them back.

Tables are in surface units (mm, degrees) with 95 % half-widths beside the values.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.adjust import propose
from calib.axes import lean_joint
from calib.bands import slopes, with_wheel_doubt
from calib.beside import Beside, Task, Work
from calib.compare import Comparison, compare
from calib.confirm import Before
from calib.designcheck import all_limits, worst_limits
from calib.estimate import estimate
from calib.lean import lean_from_photos, lean_table
from calib.linkage import CannotAssemble, Linkage
from calib.pictures import draw_comparison, draw_confirm, draw_fit, draw_over_photos, draw_travel, write_corners
from calib.play import lost_motion, play_findings, play_table
from calib.proposal import Proposal, Proposals, percent, title
from calib.record import append_record
from calib.report import report_html
from calib.results import K95, AsBuilt, Fit
from calib.rig import Rig
from calib.rigwrite import as_built_toml
from calib.search import Curves, Model, Variant, driver_grid
from calib.sensitivity import sensitivity
from calib.sheet import Sheet, make_sheet, short
from calib.travel import Travel, travel, ways
from calib.worklist import work_list
from capture.errors import UserError
from capture.observations import Observations

FORMAT = 1
Say = Callable[[str], None]


def _quiet(_: str) -> None:
    pass


@dataclass(frozen=True)
class Results:
    """All that one run found, as data and as the tables that are written and shown."""

    design: Rig
    observations: Observations
    fit: Fit
    comparison: Comparison
    proposals: Proposals | None
    curves: pd.DataFrame
    measured: pd.DataFrame
    figures: pd.DataFrame
    photos: pd.DataFrame
    work: dict[str, Any]  # the proposals as plain data, see ``work_data``
    limits: tuple[tuple[bool, str], ...] = ()  # of the rig as built: whether kept, and the sentence
    findings: tuple[dict[str, Any], ...] = ()
    sensitivity: pd.DataFrame = field(default_factory=pd.DataFrame)
    play: pd.DataFrame = field(default_factory=pd.DataFrame)
    lean: pd.DataFrame = field(default_factory=pd.DataFrame)
    travel: Travel | None = None  # curves over the travel
    begun: Mapping[str, Task] = field(default_factory=dict)  # files that another process makes already

    def sheet(self) -> Sheet:
        """The go / no-go sheet."""
        return make_sheet(self.figures, self.findings, self.limits)

    def work_lines(self) -> list[str]:
        """The first proposal in a few lines for the terminal."""
        first = next(iter(self.work["proposals"]), None)
        if first is None:
            return list(self.work["notes"])
        lines = [f"{k}. {c}" for k, c in enumerate(first["changes"], 1)]
        if not lines:
            return ["Leave everything as it is.", *self.work["photos"]]
        if first["chance"] is not None:
            lines.append(f"Chance that every tolerance is then met: {percent(first['chance'])}")
        return lines


def measure(design: Rig, obs: Observations, say: Say = _quiet, stands: Rig | None = None,
            beside: Beside | None = None) -> Results:
    """Estimate, compare and adjust. UserError where the photos or the rig cannot carry it.

    ``stands``: the design with the holes that are in use now, where they are not the drawing's. ``beside``: where
    plots and long tables are made as soon as there is what they take, for ``write_results`` to fetch.
    """
    beside = beside or Beside(0)
    begun = {"corners": beside.start(write_corners, obs)}
    say("estimating pivots, rods and angles")
    fit = estimate(design if stands is None else stands, obs)
    begun["fit"] = beside.start(draw_fit, photos_table(obs, fit), fit.residuals)
    say("comparing with the design")
    try:
        comparison = compare(design, fit)
    except (ValueError, CannotAssemble) as e:
        raise UserError(f"The rig as measured does not go together: {e}; check the rod lengths, the holes in use and "
                        "which tag is on which part in the rig file.") from e
    begun["comparison"] = beside.start(draw_comparison, *_compared(design, comparison))
    curves = travel(design, fit.as_built)
    if curves is not None:
        begun["travel"] = beside.start(draw_travel, curves)
    begun["photos"] = beside.start(draw_over_photos, _without_corners(fit), obs.photos)
    say("searching for the adjustment")
    proposals, trouble = None, ""
    try:
        proposals = propose(design, fit.as_built)
    except (UserError, ValueError, CannotAssemble) as e:  # the measurement stands without an adjustment
        trouble = f"No adjustment was worked out: {e}"
    return replace(gather(design, obs, fit, comparison, proposals, trouble, curves), begun=begun)


def _compared(design: Rig, c: Comparison) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, str, str]:
    return c.curves(), c.measured(), c.figure_table(), design.driver.replace("_", " "), ways(design)[1]


def _without_corners(fit: Fit) -> Fit:
    """The fit without its longest table, for another process."""
    return replace(fit, residuals=fit.residuals[:0])


def gather(design: Rig, obs: Observations, fit: Fit, comparison: Comparison, proposals: Proposals | None,
           trouble: str = "", curves: Travel | None = None) -> Results:
    """Put a run's parts into tables. ``curves``: those over the travel, where they are known already."""
    figures = comparison.figure_table()
    labels = {str(f["name"]): str(f["label"]) for _, f in figures.iterrows()}
    plays = lost_motion(design, fit)
    findings = tuple({"cause": f.cause, "item": f.item, "text": f.text, "serious": f.serious}
                     for f in (*fit.findings, *play_findings(plays)))
    notes = tuple({"cause": "note", "item": "", "text": n, "serious": False}
                  for n in (*comparison.notes, *obs.notes))
    leaned = lean_table(lean_from_photos(design, fit) if lean_joint(design) else ())
    work = work_data(design, fit.as_built, comparison, proposals, figures, labels, trouble)
    return Results(design, obs, fit, comparison, proposals, comparison.curves(), comparison.measured(), figures,
                   photos_table(obs, fit), work, _limits(design, fit), findings + notes,
                   what_moves_what(fit.as_built.rig), play_table(plays), leaned,
                   curves or travel(design, fit.as_built))


def what_moves_what(rig: Rig, each: int = 4) -> pd.DataFrame:
    """For every figure with a target, the dimensions that move it most: figure, dimension, slope, tolerance, effect."""
    t = sensitivity(rig)
    rows = [{"figure": short(str(r["figure"])), "dimension": r["what"],
             "slope": f"{r['slope']:+.3g} {_per(str(r['unit']), str(r['dimension']))}",
             "tolerance": f"{r['tolerance']:g} {'deg' if _turns(str(r['dimension'])) else 'mm'}",
             "moves it by": f"{r['effect']:.2g} {r['unit']}".rstrip(), "share": f"{100 * r['share']:.0f} %"}
            for name in rig.targets for _, r in t[t["figure"] == name].head(each).iterrows()]
    return pd.DataFrame(rows)


def _turns(dimension: str) -> bool:
    return ".axis." in dimension or ".spin." in dimension


def _per(unit: str, dimension: str) -> str:
    return f"{unit} per {'deg' if _turns(dimension) else 'mm'}".strip()


def _limits(design: Rig, fit: Fit) -> tuple[tuple[bool, str], ...]:
    rig = fit.as_built.rig
    lo, hi = design.bodies[design.driver].travel or (-math.radians(30), math.radians(30))
    try:
        return tuple(worst_limits(all_limits(rig, Linkage(rig).sweep(np.linspace(lo, hi, 65)))))
    except (ValueError, CannotAssemble) as e:
        return ((False, f"The measured linkage cannot be moved through its travel: {e}"),)


# --- tables -------------------------------------------------------------------------------------------------


def photos_table(obs: Observations, fit: Fit) -> pd.DataFrame:
    """One row per photo: photo, position, corners, rms_px, outliers, sharpness_px, note."""
    rows: list[dict[str, Any]] = []
    for p in obs.photos:
        f = fit.photos.get(p.name)
        rows.append({"photo": p.name, "position": p.position, "corners": f.corners if f else math.nan,
                     "rms_px": f.rms_px if f else math.nan, "outliers": f.outliers if f else math.nan,
                     "sharpness_px": p.sharpness_px, "note": "; ".join(p.notes) if f else "not used"})
    rows += [{"photo": s.name, "position": "", "corners": math.nan, "rms_px": math.nan, "outliers": math.nan,
              "sharpness_px": math.nan, "note": "set aside: " + s.reason} for s in obs.set_aside]
    return pd.DataFrame(rows)


def pivots_flat(pivots: pd.DataFrame) -> pd.DataFrame:
    """The pivot table with its x, y, z cells as columns of their own, for a spreadsheet."""
    rows = []
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
        rows.append(row)
    return pd.DataFrame(rows)


def work_data(design: Rig, built: AsBuilt, comparison: Comparison, proposals: Proposals | None, figures: pd.DataFrame,
              labels: Mapping[str, str], trouble: str = "") -> dict[str, Any]:
    """Proposals as plain data: what ``proposals.json`` holds and the report shows.

    Keys: proposals (title, changes, chance, side_effects, predicted, items, curves), withheld (text, reason),
    limited, photos, notes.
    """
    empty = {"format": FORMAT, "proposals": [], "withheld": [], "limited": [], "photos": []}
    if proposals is None:
        return {**empty, "notes": [trouble] if trouble else []}
    now = {str(r["name"]): r for _, r in figures.iterrows()}
    least = min((p for p in proposals.all if not p.leaves_it), key=lambda p: (p.work, p.misfit), default=None)
    listed = list(proposals.all)
    if not any(p.leaves_it for p in listed):
        listed.append(proposals.leave)
    out = []
    for k, p in enumerate(listed):
        if k == 0:
            head = "Leave it as it is" if p.leaves_it else "Do this first"
        elif p.leaves_it:
            head = "If nothing is done"
        else:
            head = f"Another way ({k})" + (", least work" if p is least and p is not listed[0] else "")
        out.append(_proposal_data(design, built, comparison, p, head, now, labels))
    held = [{"text": title(w.item), "reason": w.reason} for w in proposals.withheld]
    return {**empty, "proposals": out, "withheld": held, "limited": list(proposals.limited_by),
            "photos": list(proposals.photos), "notes": list(proposals.notes)}


def _proposal_data(design: Rig, built: AsBuilt, comparison: Comparison, p: Proposal, head: str, now: Mapping[str, Any],
                   labels: Mapping[str, str]) -> dict[str, Any]:
    steps = [re.sub(r"^\d+\. ", "", x) for x in work_list(p, built.rig)] if p.changes else []
    predicted = []
    for f in p.figures:
        row = now.get(f.name)
        words = labels.get(f.name, f.name.replace("_", " "))
        predicted.append({
            "name": f.name, "label": words, "value": f.value, "u95": f.u95, "unit": plain_unit(f.unit),
            "target": f.target, "tolerance": f.tolerance, "chance": f.chance, "verdict": f.verdict.outcome.value,
            "now": math.nan if row is None else float(row["measured"]),
            "now_u95": math.nan if row is None else float(row["u95"])})
    return {"title": head, "changes": steps, "chance": p.chance_all,
            "side_effects": list(p.side_effects), "predicted": predicted, "notes": [],
            "items": [{"kind": c.kind, "item": c.item, "before": c.before, "after": c.after, "mm": c.mm,
                       "turns": c.turns} for c in p.changes],
            "curves": predicted_curves(design, AsBuilt(p.rig, built.names, built.cov, built.from_photos),
                                       comparison.relative).to_dict("list")}


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


def plain_unit(unit: str) -> str:
    """The unit as shown; a plain number has none."""
    return "" if unit in ("plain", "1") else unit


def write_json(path: Path, data: Any) -> None:
    """JSON that any program reads: arrays as lists, not-a-number as null."""
    path.write_text(json.dumps(_plain(data), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _plain(v: Any) -> Any:
    if isinstance(v, Mapping):
        return {str(k): _plain(x) for k, x in v.items()}
    if isinstance(v, np.ndarray):
        return _plain(v.tolist())
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
    return {
        "format": FORMAT,
        "sigma0": fit.sigma0, "iterations": fit.iterations, "seconds": round(fit.seconds, 3),
        "camera": {"f_px": c.f, "aspect": c.aspect, "cx_px": c.cx, "cy_px": c.cy, "k1_k2_p1_p2_k3": c.dist,
                   "u95": dict(c.u95)},
        **({} if p is None else {"print": {"scale": p.scale, "stretch": p.stretch, "u95": dict(p.u95)}}),
        "positions": fit.positions,
        "joint_angles_deg": [{"body": b, "position": p, "angle": math.degrees(a),
                              "u95": K95 * math.degrees(math.sqrt(max(_variance(fit, (b, p)), 0.0)))}
                             for (b, p), a in fit.joint_angles.items()],
        "board_to_frame": {"R": fit.board_R, "t_mm": fit.board_t},
        "tags_to_frame": {n: {"R": R, "t_mm": t} for n, (R, t) in fit.tag_poses.items()},
        "photos": [{"name": f.name, "position": f.position, "R": f.R, "t_mm": f.t, "focal_change": f.df,
                    "centre_change_px": f.dc, "rms_px": f.rms_px, "corners": f.corners, "outliers": f.outliers}
                   for f in fit.photos.values()],
        "rod_misfit_mm": [{"rod": r, "position": p, "mm": v} for (r, p), v in fit.rod_misfit.items()],
        "figures": [{"name": f.name, "value": f.value, "u95": f.u95, "unit": f.unit, "from_photos": f.from_photos,
                     "note": f.note} for f in fit.figures],
        "findings": [{"cause": f.cause, "item": f.item, "text": f.text, "serious": f.serious} for f in fit.findings],
        "parameters": {"names": fit.as_built.names, "covariance": fit.as_built.cov},
    }


def _variance(fit: Fit, key: tuple[str, str]) -> float:
    if key not in fit.angle_names:
        return 0.0
    k = fit.angle_names.index(key)
    return float(fit.angle_cov[k, k])


# --- writing ------------------------------------------------------------------------------------------------


def write_results(results: Results, folder: Path, say: Say = _quiet, before: Before | None = None,
                  beside: Beside | None = None) -> None:
    """Write every file of a run into ``folder`` (which exists and is empty); ``beside`` as in ``measure``.

    Where some pictures fail, everything else but the report is written before that is raised.
    """
    fit, obs = results.fit, results.observations
    looks = results.design.driver.replace("_", " "), ways(results.design)[1]
    begun = dict(results.begun)
    if before is not None and beside is not None:
        begun["confirm"] = beside.start(draw_confirm, before.curves, before.predicted, results.curves,
                                        results.measured, *looks)
    failed: list[Exception] = []

    def made(name: str, work: Work, *args: Any, here: bool = False) -> Any:
        try:
            return (begun.get(name) or Task(work, *args)).into(folder, here)
        except Exception as error:
            failed.append(error)
            return []

    say("writing tables")
    (folder / "as_built.toml").write_text(as_built_toml(fit.as_built), encoding="utf-8")
    write_json(folder / "fit.json", {"vehicle": results.design.name, **fit_data(fit)})
    write_json(folder / "proposals.json", results.work)
    for name, t in (("figures", results.figures), ("curves", results.curves), ("measured", results.measured),
                    ("photos", results.photos), ("pivots", pivots_flat(fit.pivot_table)),
                    ("sensitivity", results.sensitivity),
                    ("limits", pd.DataFrame(results.limits, columns=["kept", "text"])), ("play", results.play),
                    ("lean", results.lean)):
        if not len(t) and name in ("play", "lean"):
            continue
        t.to_csv(folder / f"{name}.csv", index=False, float_format="%.6g")
    if results.travel is not None:
        results.travel.table.to_csv(folder / "travel.csv", index=False, float_format="%.6g")
    made("corners", write_corners, obs)
    say("drawing over the photos")
    drawn = [(caption, folder / name)
             for caption, name in made("photos", draw_over_photos, fit, obs.photos, here=True)]
    say("drawing plots")
    made("fit", draw_fit, results.photos, fit.residuals)
    made("comparison", draw_comparison, results.curves, results.measured, results.figures, *looks)
    if results.travel is not None:
        made("travel", draw_travel, results.travel)
    if before is not None:
        made("confirm", draw_confirm, before.curves, before.predicted, results.curves, results.measured, *looks)
    if failed:
        raise failed[0]
    say("writing the report")
    (folder / "report.html").write_text(report_html(results, folder, drawn, before), encoding="utf-8")


def append_results(results: Results, folder: Path, event: str, before: Before | None = None) -> Path:
    """Add the run's figures with targets to the vehicle's record beside ``folder``; the record's path."""
    judged = results.figures[results.figures["verdict"] != ""]
    return append_record(folder.parent, results.design.name, event, folder.name, judged,
                         dict(before.predicted_figures) if before else None)
