"""Everything after the pixels: rig, linkage, estimate, comparison, adjustment, report.

What a script needs is here; everything else may change without notice:

>>> from calib import parse_rig, starter_text
>>> rig = parse_rig(starter_text("Pipit"))
>>> rig.name, rig.driver
('Pipit', 'left_lever')

Nothing is loaded before it is asked for, so that ``import calib`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.advice.adjust import AdjustOptions, propose
    from calib.advice.compare import Comparison, compare, predicted_curves
    from calib.advice.proposal import Proposal, Proposals
    from calib.advice.sensitivity import sensitivity
    from calib.advice.travel import travel
    from calib.advice.verdict import Verdict, verdict
    from calib.checkup import check_up
    from calib.estimation.bundle import Options, estimate, second_look
    from calib.job import confirm_shoot, run_again, run_shoot
    from calib.linkage.limits import check_limits
    from calib.linkage.mechanism import CannotAssemble, Linkage, Sweep, Toggle
    from calib.linkage.steering import curve_figures, kingpin_geometry, steer_angles, wheel_headings
    from calib.progress import Progress, for_photos
    from calib.report.confirm import load_sheet
    from calib.report.folder import write_results
    from calib.report.history import history
    from calib.results import AsBuilt, Figure, Finding, Fit
    from calib.rig.drawing import draw_rig
    from calib.rig.model import Rig
    from calib.rig.parameters import get_parameters, with_parameters
    from calib.rig.reader import load_rig, parse_rig
    from calib.rig.starter import starter_text, write_starter
    from calib.rig.survey import SurveyRig, load_survey, parse_survey
    from calib.rig.writer import rig_to_toml
    from calib.run import measure
    from calib.shooting.card import shoot_card
    from calib.shooting.desk import Answer, Shoot
    from calib.shooting.known import Knowing, Known
    from calib.shooting.watching import Watch
    from calib.shootplan import ShootPlan, plan_shoot, plan_shoots
    from calib.surveying import Survey, survey
    from capture.errors import UserError

__all__ = [
    "AdjustOptions", "Answer", "AsBuilt", "CannotAssemble", "Comparison", "Figure", "Finding", "Fit", "Knowing",
    "Known", "Linkage", "Options", "Progress", "Proposal", "Proposals", "Rig", "Shoot", "ShootPlan", "Survey",
    "SurveyRig", "Sweep", "Toggle", "UserError", "Verdict", "Watch", "check_limits", "check_up", "compare",
    "confirm_shoot", "curve_figures", "draw_rig", "estimate", "for_photos", "get_parameters", "history",
    "kingpin_geometry", "load_rig", "load_sheet", "load_survey", "measure", "parse_rig", "parse_survey", "plan_shoot",
    "plan_shoots", "predicted_curves", "propose", "rig_to_toml", "run_again", "run_shoot", "second_look", "sensitivity",
    "shoot_card", "starter_text", "steer_angles", "survey", "travel", "verdict", "wheel_headings", "with_parameters",
    "write_results", "write_starter",
]
_HOMES = {
    "calib.advice.adjust": ("AdjustOptions", "propose"),
    "calib.advice.compare": ("Comparison", "compare", "predicted_curves"),
    "calib.advice.proposal": ("Proposal", "Proposals"),
    "calib.advice.sensitivity": ("sensitivity",),
    "calib.advice.travel": ("travel",),
    "calib.advice.verdict": ("Verdict", "verdict"),
    "calib.checkup": ("check_up",),
    "calib.estimation.bundle": ("Options", "estimate", "second_look"),
    "calib.job": ("confirm_shoot", "run_again", "run_shoot"),
    "calib.linkage.limits": ("check_limits",),
    "calib.linkage.mechanism": ("CannotAssemble", "Linkage", "Sweep", "Toggle"),
    "calib.linkage.steering": ("curve_figures", "kingpin_geometry", "steer_angles", "wheel_headings"),
    "calib.progress": ("Progress", "for_photos"),
    "calib.report.confirm": ("load_sheet",),
    "calib.report.folder": ("write_results",),
    "calib.report.history": ("history",),
    "calib.results": ("AsBuilt", "Figure", "Finding", "Fit"),
    "calib.rig.drawing": ("draw_rig",),
    "calib.rig.model": ("Rig",),
    "calib.rig.parameters": ("get_parameters", "with_parameters"),
    "calib.rig.reader": ("load_rig", "parse_rig"),
    "calib.rig.starter": ("starter_text", "write_starter"),
    "calib.rig.survey": ("SurveyRig", "load_survey", "parse_survey"),
    "calib.rig.writer": ("rig_to_toml",),
    "calib.run": ("measure",),
    "calib.shooting.card": ("shoot_card",),
    "calib.shooting.desk": ("Answer", "Shoot"),
    "calib.shooting.known": ("Known", "Knowing"),
    "calib.shooting.watching": ("Watch",),
    "calib.shootplan": ("ShootPlan", "plan_shoot", "plan_shoots"),
    "calib.surveying": ("Survey", "survey"),
    "capture.errors": ("UserError",),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = found = getattr(import_module(_HOME[name]), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
