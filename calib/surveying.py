"""A survey: photos of a rig that nobody drew in, its drawing out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from calib.advice.compare import Comparison
from calib.estimation.asbuilt import with_rows
from calib.estimation.bundle import Options, estimate, second_look
from calib.estimation.frame import FrameRule
from calib.estimation.survey import Drawn, drawing_from_photos, frame_of
from calib.linkage.mechanism import CannotAssemble
from calib.progress import Progress, quiet
from calib.results import AsBuilt, Fit
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from calib.rig.parameters import Kind, length_name, vector_names
from calib.rig.survey import SurveyRig
from calib.rig.tolerances import measured_tolerances
from calib.rig.writer import as_built_toml
from calib.run import compared
from capture.errors import UserError
from capture.hidden import look_again
from capture.observations import Observations

BEYOND = 2.0  # of a tolerance, three coordinates together
TOLD_MM = 5.0  # 95 %: a place known no better than this is not surveyed
HELD_BY_STOPS = tuple(k.name for k in FIGURES.values() if k.at_ends)


@dataclass(frozen=True)
class Survey:
    """What a survey gives. ``built``: the rig with its covariance; ``unseen``: what stays as in the file, by part."""

    fit: Fit
    built: AsBuilt
    frame: FrameRule
    unseen: Mapping[str, str]
    elsewhere: Mapping[str, str]  # by part or point: how far it is from where the file has it, beyond its tolerance
    assumed: Mapping[str, str]  # by key path: what the file did not say and no photo can
    comparison: Comparison | None  # figures of the measured rig, where it moves

    def toml(self) -> str:
        """as_built.toml: the drawing, each tolerance what was measured."""
        doubts = self.fit.doubts

        def doubt(part: str, unit: str) -> str:
            said = [doubts.on_parts((part,), unit), self.unseen.get(part, "")]
            return "; ".join(x for x in said if x)

        head = ["Surveyed from photos without a drawing. The frame (x ahead, y left, z up) rests on:",
                *(f"  {x}" for x in self.frame.said), f"  so it may be turned by {self.turned()}."]
        head += ["Not seen:", *(f"  {n}: {x}" for n, x in self.unseen.items())] if self.unseen else []
        head += ["To be filled in:", *(f"  {n}: {x}" for n, x in self.assumed.items())] if self.assumed else []
        return as_built_toml(self.built, doubt, "\n".join(head) + "\n", self.assumed)

    def turned(self) -> str:
        """How far the frame may be turned, in words."""
        roll, pitch, heading = (math.degrees(x) for x in self.built.turn_u95 or (0.0, 0.0, 0.0))
        return f"+/- {heading:.1f} deg in heading, {roll:.1f} in roll, {pitch:.1f} in pitch"

    def lines(self) -> list[str]:
        """What to show on the terminal."""
        return list(_lines(self))


def survey(rough: SurveyRig, obs: Observations, progress: Progress = quiet, options: Options | None = None,
           look: Callable | None = look_again) -> Survey:
    """Measure a rig that nobody drew; places that ``rough`` gives help where the photos show nothing.

    ``look``: the second look at photos (``calib.second_look``), None for none. UserError where the photos cannot
    carry it, with what is missing.
    """
    options = options or Options()
    progress("laying out what the photos show", 0, 1)
    drawn = drawing_from_photos(rough, obs, options)
    options = replace(options, frame=drawn.frame)
    started = None
    if look is not None:
        obs, started = second_look(drawn.rig, obs, look, options)
    fit = estimate(drawn.rig, obs, options, started, lambda layout, state: frame_of(rough, layout, state), progress)
    fit = replace(fit, findings=(*drawn.findings, *fit.findings))
    unseen = _unseen(drawn, fit)
    built = _with_the_rest(rough, drawn, fit.as_built)
    return Survey(fit, built, drawn.frame, unseen, _elsewhere(rough, built), _assumed(rough), _comparison(fit))


def _comparison(fit: Fit) -> Comparison | None:
    """Figures of the measured rig with what they are uncertain by; None where it does not move."""
    try:
        return compared(fit.as_built.rig, fit)
    except (UserError, ValueError, CannotAssemble):
        return None


def _with_the_rest(rough: SurveyRig, drawn: Drawn, built: AsBuilt) -> AsBuilt:
    """With the holes that no rod end is in, as the file spaces them, and rods that nothing is said of left as long as
    they are."""
    rig = built.rig
    points = {n: with_rows(p, rough.rig, rig) for n, p in rig.points.items()}
    rods = {}
    for n, r in rig.rods.items():
        if rough.is_open("rods", n, "adjuster") or rough.is_open("rods", n, "range"):
            r = replace(r, shortest=r.length, longest=r.length)
        elif rough.is_open("rods", n, "plus_minus"):
            by = r.length - rough.rig.rods[n].length
            r = replace(r, shortest=r.shortest + by, longest=r.longest + by)
        rods[n] = r
    return replace(built, rig=replace(rig, points=points, rods=rods))


def _unseen(drawn: Drawn, fit: Fit) -> dict[str, str]:
    """What the photos could not tell: known from the start, and places that stayed as wide as the file has them."""
    out = dict(drawn.unseen)
    u95 = dict(zip(fit.as_built.names, map(float, fit.as_built.held_u95), strict=True))
    for owner, names in _places(fit.as_built.rig):
        known = [u95[n] for n in names if n in u95]
        if known and max(known) > TOLD_MM and owner not in out:
            out[owner] = f"the photos hardly tell where it is: +/- {max(known):.0f} mm"
    return out


def _elsewhere(rough: SurveyRig, built: AsBuilt) -> dict[str, str]:
    """Parts and rod ends that are further from where the file has them than it said."""
    out = {}
    for n, b in rough.rig.bodies.items():
        if b.role != "wheel" and not rough.is_open("bodies", n, "pivot"):
            gap = np.subtract(built.rig.bodies[n].pivot, b.pivot)
            axis = np.asarray(built.rig.bodies[n].axis)
            out[n] = (float(np.linalg.norm(gap - axis * (axis @ gap))), b.pivot_tol)
    out |= {n: (math.dist(built.rig.points[n].xyz, p.xyz), p.tol) for n, p in rough.rig.points.items()
            if not rough.is_open("points", n, "at")}
    return {n: f"{mm:.0f} mm from where the file has it, +/- {tol:.0f} mm" for n, (mm, tol) in out.items()
            if mm > BEYOND * tol}


def _places(rig: Rig) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Names of the numbers of every place and length, by part, point or rod."""
    for n, b in rig.bodies.items():
        if b.role != "wheel":
            yield n, vector_names(n, Kind.PIVOT)
    for n, p in rig.points.items():
        yield n, vector_names(n, Kind.HOLE, p.use)
    for n in rig.rods:
        yield n, (length_name(n),)


def _assumed(rough: SurveyRig) -> dict[str, str]:
    out = {}
    for n in rough.rig.rods:
        if rough.is_open("rods", n, "adjuster"):
            out[f"rods.{n}.adjuster"] = "not said how its length is set: screw, clamp or fixed, with its range"
        elif rough.is_open("rods", n, "range"):
            out[f"rods.{n}.range"] = "not said how far it may be set"
    driver = rough.rig.driver
    if rough.rig.bodies[driver].travel is None and not rough.rig.stops:
        out[f"bodies.{driver}.travel"] = "not said how far it goes; 30 deg each way is taken"
    return out


# --- the terminal ---------------------------------------------------------------------------------------------


def _lines(s: Survey) -> Iterator[str]:
    fit, rig = s.fit, s.built.rig
    yield f"{rig.name}: surveyed from {len(fit.photos)} photos of {len(fit.positions)} positions."
    yield "The frame (x ahead, y left, z up) rests on:"
    for x in s.frame.said:
        yield f"  {x}"
    yield f"  It may be turned by {s.turned()}."
    yield "Look whether this is your rig (mm, and +/- at 95 % between the parts):"
    tolerance = measured_tolerances(s.built)
    for n, b in rig.bodies.items():
        if b.role != "wheel":
            yield f"  {n:<24} {_place(b.pivot)}  +/- {tolerance.bodies[n].pivot_tol:.2f}"
    for n, p in rig.points.items():
        yield f"  {n:<24} {_place(p.xyz)}  +/- {tolerance.points[n].tol:.2f}"
    for n, r in rig.rods.items():
        yield f"  {n:<24} {r.length:>26.2f}  +/- {tolerance.rods[n].tol:.2f}"
    yield from _figure_lines(s)
    if s.unseen:
        yield "Not seen:"
        for n, text in s.unseen.items():
            yield f"  {n}: {text}"
    if s.elsewhere:
        yield "Not where the file has it (is the file right, and each tag on its part?):"
        for n, text in s.elsewhere.items():
            yield f"  {n}: {text}"
    if s.assumed:
        yield "To be filled in by hand:"
        for n, text in s.assumed.items():
            yield f"  {n}: {text}"


def _figure_lines(s: Survey) -> Iterator[str]:
    if s.comparison is None:
        return
    by_stops = () if s.fit.as_built.rig.stops else HELD_BY_STOPS
    yield "What it does now:"
    for f in s.comparison.figures:
        kind = FIGURES.get(f.name)
        if kind is None or kind.of_one_side or f.name in by_stops or not np.isfinite(f.measured):
            continue
        why = f"  {f.doubt}" if f.doubt else ""
        yield f"  {kind.label:<44} {f.measured:>9.{kind.digits}f} +/- {f.u95:.{kind.digits}f} {kind.unit}{why}"


def _place(v: tuple[float, float, float]) -> str:
    return "{:>8.2f} {:>8.2f} {:>8.2f}".format(*v)
