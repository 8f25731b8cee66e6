"""One run: estimate, compare, propose; what it found is handed to the report as data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from calib.advice.adjust import propose
from calib.advice.compare import Comparison, compare
from calib.advice.hand import hand_table
from calib.advice.offsets import offset_table
from calib.advice.proposal import Proposals
from calib.advice.riders import RiderSetting, rider_settings, rider_table
from calib.advice.travel import Travel, travel, ways
from calib.estimation.bundle import estimate, second_look
from calib.estimation.play import Play, lost_motion, play_findings, play_table
from calib.linkage.designcheck import all_limits, worst_limits
from calib.linkage.lean import lean_from_photos, lean_table
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.linkage.steering import lean_joint
from calib.progress import Progress, quiet, stoppable
from calib.report.contents import Results, marked, photos_table, what_moves_what, work_data
from calib.report.page import on_paper
from calib.report.pictures import draw_comparison, draw_fit, draw_over_photos, draw_travel, write_corners
from calib.report.sheet import make_sheet
from calib.report.sheet_pdf import draw_sheet
from calib.report.whatif_view import whatif_data
from calib.results import Fit, PhotoFit
from calib.rig.model import Rig
from calib.second_process import SecondProcess
from calib.trust import Doubts
from capture.errors import UserError
from capture.hidden import look_again
from capture.kept import KeptCorners
from capture.observations import Observations
from capture.workers import Readers


def measure(design: Rig, obs: Observations, progress: Progress = quiet, stands: Rig | None = None,
            second: SecondProcess | None = None, kept: KeptCorners | None = None,
            readers: Readers | None = None) -> Results:
    """Estimate, compare and adjust. UserError where the photos or the rig cannot carry it.

    ``stands``: the design with the holes that are in use now, where they are not the drawing's. ``second``: where
    plots and long tables are made as soon as there is what they take, for ``write_results`` to fetch. ``kept``: as for
    ``capture.read_shoot``, for the second look at the photos; ``readers``: what reads them then, ended after it.
    ``progress``: see ``calib.Progress``; what it raises stops the work.

    >>> results = measure(rig, observations)  # from load_rig and capture.read_shoot
    >>> results.fit.converged, results.comparison.figure("toe").unit, results.proposals.best.work > 0
    (True, 'deg', True)
    """
    with stoppable(progress) as told:
        return _measured(design, obs, told, stands, second or SecondProcess(0), kept,
                         readers or Readers(1))


def _measured(design: Rig, obs: Observations, progress: Progress, stands: Rig | None, second: SecondProcess,
              kept: KeptCorners | None, readers: Readers) -> Results:
    as_set = design if stands is None else stands
    progress("looking once more for hidden tags", 0, 1)
    with readers:
        obs, started = second_look(as_set, obs, partial(look_again, kept=kept, readers=readers))
    begun = {"corners": second.start(write_corners, obs)}

    def fitted(photos: Mapping[str, PhotoFit], residuals: pd.DataFrame) -> None:
        begun["fit"] = second.start(draw_fit, photos_table(obs, photos), residuals)

    fit = estimate(as_set, obs, started=started, progress=progress, fitted=fitted)
    if stands is None:
        design = as_found(design, fit)
    plays = lost_motion(design, fit)
    fit = replace(fit, findings=(*fit.findings, *play_findings(plays)))
    doubts = fit.doubts
    progress("comparing with the design", 0, 1)
    comparison = compared(design, fit)
    begun["comparison"] = second.start(draw_comparison, *_compared(design, comparison))
    curves = travel(design, fit.as_built)
    if curves is not None:
        begun["travel"] = second.start(draw_travel, curves)
    begun["photos"] = second.start(draw_over_photos, _without_corners(fit), obs.photos)
    limits = _limits(design, fit)
    early = make_sheet(comparison.figure_table(), _found(design, obs, fit, comparison), limits)
    begun["sheet"] = second.start(draw_sheet, *on_paper(design, obs, _without_corners(fit), early))
    proposals, trouble = None, withheld(doubts)
    if not trouble:
        begun["whatif"] = second.start(whatif_data, design, fit.as_built, fit.loaded)
    try:
        proposals = None if trouble else propose(design, fit.as_built, loaded=fit.loaded, progress=progress)
    except (UserError, ValueError, CannotAssemble) as e:  # the measurement stands without an adjustment
        trouble = f"No adjustment was worked out: {e}"
    results = gather(design, obs, fit, comparison, proposals, trouble, curves, plays, limits)
    return replace(results, begun=begun)


def _found(design: Rig, obs: Observations, fit: Fit, comparison: Comparison) -> tuple[dict[str, Any], ...]:
    """The findings, and the notes among them, as data."""
    notes = tuple({"code": "note", "item": "", "text": n, "serious": False}
                  for n in (*design.remarks, *comparison.notes, *obs.notes))
    return tuple(f.as_data() for f in fit.findings) + notes


def compared(design: Rig, fit: Fit) -> Comparison:
    """The comparison; UserError, with what was found in the photos first, where the measured rig allows none."""
    try:
        return compare(design, fit)
    except (ValueError, CannotAssemble) as e:
        serious = [f for f in fit.findings if f.serious]
        said = [f.text for f in serious[:3]] + ([f"{len(serious) - 3} more like that."] if len(serious) > 3 else [])
        raise UserError(" ".join([*said, f"The rig as measured does not go together: {e}; check the rod lengths, the "
                                  "holes in use and which tag is on which part in the rig file."]),
                        "cannot_assemble", design.name, serious) from e


def withheld(doubts: Doubts) -> str:
    """Why nothing may be proposed yet, since every proposal rests on what the driver does to the wheels; "" else."""
    if not doubts.travel:
        return ""
    return (f"No adjustment is proposed yet: what it would rest on is {doubts.travel}. Settle that first, as said "
            "under Findings, shoot again what it spoilt, and run this again.")


def as_found(design: Rig, fit: Fit) -> Rig:
    """The design with its rod ends in the holes that the photos show them in, where the file names others.

    The finding asks for the file to be corrected so; comparison and advice are those of the corrected file.
    """
    found = {n: p.use for n, p in fit.as_built.rig.points.items() if n in design.points}
    return replace(design, points={n: replace(p, use=found.get(n, p.use)) for n, p in design.points.items()})


def _compared(design: Rig, c: Comparison) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, str, str]:
    return c.curves(), c.measured(), c.figure_table(), design.driver.replace("_", " "), ways(design)[1]


def _without_corners(fit: Fit) -> Fit:
    """The fit without its longest table, for another process."""
    return replace(fit, residuals=fit.residuals[:0])


def gather(design: Rig, obs: Observations, fit: Fit, comparison: Comparison, proposals: Proposals | None,
           trouble: str = "", curves: Travel | None = None, plays: Sequence[Play] = (),
           limits: tuple[tuple[bool, str], ...] | None = None) -> Results:
    """Put a run's parts into tables. ``curves``: those over the travel, where they are known already, as ``limits``.

    ``plays``: what stands among the fit's findings already.
    """
    figures = comparison.figure_table()
    doubts = fit.doubts
    if said := withheld(doubts):
        proposals, trouble = None, said
    labels = {str(f["name"]): str(f["label"]) for _, f in figures.iterrows()}
    leaned = lean_table(lean_from_photos(design, fit) if lean_joint(design) else ())
    work = work_data(design, fit.as_built, comparison, proposals, figures, labels, trouble,
                     fit.positions, doubts)
    results = Results(design, obs, fit, comparison, proposals, comparison.curves(), comparison.measured(), figures,
                   photos_table(obs, fit.photos), work, _limits(design, fit) if limits is None else limits,
                   _found(design, obs, fit, comparison),
                   what_moves_what(fit.as_built.rig), play_table(plays), marked(leaned, doubts.travel),
                   travel=curves or travel(design, fit.as_built))
    return replace(results, hand=marked(hand_table(fit.as_built), doubts.travel),
                   riders=marked(rider_table(_riders(design, fit)), doubts.travel),
                   offsets=_offsets(fit, labels))


def _riders(design: Rig, fit: Fit) -> list[RiderSetting]:
    """Rider settings; none where the measured linkage does not move."""
    try:
        return rider_settings(design, fit.as_built)
    except (ValueError, CannotAssemble):
        return []


def _offsets(fit: Fit, labels: Mapping[str, str]) -> pd.DataFrame:
    """What a common error of the bolt-tag offsets would do; nothing where there are none, or nothing moves."""
    try:
        return pd.DataFrame() if fit.offsets is None else offset_table(fit.as_built, fit.offsets, labels)
    except (ValueError, CannotAssemble):
        return pd.DataFrame()


def _limits(design: Rig, fit: Fit) -> tuple[tuple[bool, str], ...]:
    rig = fit.as_built.rig
    lo, hi = design.driver_travel
    try:
        return tuple(worst_limits(all_limits(rig, Linkage(rig).sweep(np.linspace(lo, hi, 65)))))
    except (ValueError, CannotAssemble) as e:
        return ((False, f"The measured linkage cannot be moved through its travel: {e}"),)




