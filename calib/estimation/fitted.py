"""From the solved problem to the Fit: the rig as built, camera, photos, residuals and figures with uncertainties."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation.asbuilt import (
    as_built_rig,
    extra_covariance,
    jacobian,
    parameter_names,
    stop_slots,
)
from calib.estimation.blocks.closure import Closure
from calib.estimation.camera import LENS
from calib.estimation.diagnose import final_findings, spread_findings, step_findings, without_carried
from calib.estimation.drawn import drawing_findings
from calib.estimation.equations import RigProblem
from calib.estimation.loaded import loaded_of
from calib.estimation.measured import measured_figures, pivot_table
from calib.estimation.offsets import common_offset
from calib.estimation.solver import inverse_of
from calib.estimation.unknowns import LENS_N, Layout, State
from calib.findings import Code
from calib.linkage.rotations import skew
from calib.results import (
    AsBuilt,
    CameraFit,
    DrawingFit,
    Finding,
    Fit,
    OffsetDoubt,
    PhotoFit,
    PrintFit,
    Repeatability,
)
from calib.rig.parameters import Kind, get_parameters, parsed
from calib.uncertainty import K95, own_half_widths, share_beside, standard
from capture.observations import Observations

Array = NDArray[np.float64]
Told = Callable[[Mapping[str, PhotoFit], pd.DataFrame], None]  # how each photo fits, by name, and the residuals
OFFSETS_SURE = 3.0  # standard uncertainties from which offsets are said to be wrong together; by chance in 0.3 %
WHEEL_KNOWN = np.deg2rad(0.5)  # standard uncertainty of a spin axis beyond which the drawing's is kept


@dataclass(frozen=True)
class Solved:
    """Where the solver ended, and what is known of the way there."""

    problem: RigProblem  # with the corners' covariances scaled by the residuals
    state: State
    used: NDArray[np.bool_]  # (g, 32) corners that count
    sigma: float  # RMS of the residuals over what the corners' covariances promised
    inflation: float  # further factor for what the corners of a tag share in a photo
    dof: int  # observations less unknowns
    iterations: int
    converged: bool
    drawing: DrawingFit = DrawingFit(0.0, 0.0, 1.0)
    between: float = 1.0  # further factor for what photos disagree by among themselves


class Fitted(NamedTuple):
    """What is reported, and the slope of the rig as built against the unknowns it depends on."""

    fit: Fit
    slope: Array


class _Covariances(NamedTuple):
    """Of the shared unknowns, (n, n)."""

    full: Array
    held: Array  # given the alignment
    drawn: Array  # what of ``full`` is the drawing's doing
    held_drawn: Array  # the same of ``held``


class _Built(NamedTuple):
    """The rig as built, and covariances of its parameters for the figures and the pivot table."""

    as_built: AsBuilt
    datum_cov: Array  # with the alignment held
    angle_cov: Array
    cross_cov: Array  # (angles, parameters)
    slots: NDArray[np.intp]  # (k,) of the unknowns that the parameters depend on
    slope: Array  # (parameters, k)


def fit_of(solved: Solved, findings: Sequence[Finding], aboard: Observations | None = None,
           holes_in_doubt: Mapping[str, tuple[str, ...]] | None = None, made_up: bool = False) -> Fit:
    """As ``fit_and_slope``, the fit alone."""
    return fit_and_slope(solved, findings, aboard, holes_in_doubt, made_up).fit


def fit_and_slope(solved: Solved, findings: Sequence[Finding], aboard: Observations | None = None,
                  holes_in_doubt: Mapping[str, tuple[str, ...]] | None = None, made_up: bool = False,
                  told: Told | None = None) -> Fitted:
    """All that is reported of a solved problem; ``findings`` so far. ``seconds`` is left at zero.

    ``aboard``: corners of the photos with the rider aboard, which took no part in the problem. ``holes_in_doubt``:
    see ``AsBuilt.uncertain_holes``. ``made_up``: corners without noise, in which nothing can be found.
    ``told`` how each photo fits and the residuals, before all else.
    """
    problem, s = solved.problem, solved.state
    layout, rig = problem.layout, problem.rig
    residuals = residual_table(problem, problem.corner_residuals(s), solved.used)
    photos = _photos(layout, s, residuals)
    if told is not None:
        told(photos, residuals)
    cov = _covariances(problem, s)
    built = _as_built(layout, s, cov)
    built = built._replace(as_built=replace(built.as_built, uncertain_holes=holes_in_doubt or {}))
    repeats = _repeats(problem)
    said, doubt = (list(findings), None) if made_up else _said(solved, findings, cov, built, residuals, repeats)
    fit = Fit(built.as_built, _camera(s, cov.full), photos, layout.positions,
              _joint_angles(layout, s), layout.angle_keys, built.angle_cov, built.cross_cov, s.align_R, s.align_t,
              _tag_poses(layout, s), residuals, (), tuple(said), solved.sigma, _closure_errors(problem, s), 0.0,
              solved.iterations, pivot_table(rig, built.as_built, layout),
              _print(layout, s, cov.full), converged=solved.converged, dof=solved.dof, drawing=solved.drawing,
              repeatability=repeats, offsets=doubt)
    fit = replace(fit, figures=measured_figures(rig, fit))
    if rig.loaded:
        loaded, missing = loaded_of(layout, s, cov.full, solved.sigma, problem.priors, built.as_built, aboard)
        fit = replace(fit, loaded=loaded, findings=(*fit.findings, *missing))
    return Fitted(fit, built.slope)


def moved_fit(fit: Fit, solved: Solved, full: Array, slope: Array) -> Fitted:
    """``fit`` after a small move of what was solved for and with more photos: the same findings.

    Only what is asked while photos still come is worked out anew: the rig as built, angles, camera, places; not the
    table of pivots, the photos and the figures of the positions. ``full`` (n, n): covariance of the shared unknowns.
    ``slope`` (parameters, k): of the rig as built against the unknowns it depends on, from the fit before; anew where
    those are others.
    """
    problem, s = solved.problem, solved.state
    layout = problem.layout
    cov = _covariances(problem, s, full)
    built = _as_built(layout, s, cov, slope)
    as_built = replace(built.as_built, uncertain_holes=fit.as_built.uncertain_holes)
    fit = replace(fit, as_built=as_built, camera=_camera(s, cov.full), positions=layout.positions,
                  joint_angles=_joint_angles(layout, s),
                  angle_names=layout.angle_keys, angle_cov=built.angle_cov, cross_cov=built.cross_cov,
                  board_R=s.align_R, board_t=s.align_t, tag_poses=_tag_poses(layout, s), residuals=fit.residuals[:0],
                  photos={}, figures=(), printed=_print(layout, s, cov.full))
    return Fitted(fit, built.slope)


def _said(solved: Solved, findings: Sequence[Finding], cov: _Covariances, built: _Built, residuals: pd.DataFrame,
          repeats: tuple[Repeatability, ...]) -> tuple[list[Finding], OffsetDoubt | None]:
    """``findings`` and all that the solved problem shows beside them; what it says of a common offset."""
    problem, s = solved.problem, solved.state
    layout, rig = problem.layout, problem.rig
    common = common_offset(problem, s, cov.full)
    doubt = None if common is None else OffsetDoubt(common.mm, K95 * common.sd, built.slope @ common.step[built.slots])
    in_datum = replace(built.as_built, cov=built.datum_cov)
    final = final_findings(problem, s, cov.full, residuals, solved.sigma)
    if any(f.code is Code.PART_TAGS_SIZE for f in final):
        return [*findings, *final], doubt  # all else rests on the part tags
    accused = {rig.tags[f.item].body if f.item in rig.tags else f.item for f in [*findings, *final] if f.serious}
    stepped = step_findings(problem, s, accused)
    accused |= {rig.tags[f.item].body if f.item in rig.tags else f.item for f in stepped}  # of one part one accusation
    spread = [f for f in spread_findings(problem, s, solved.inflation, repeats)
              if not (f.code is Code.JOINT_LOOSE and f.item in accused)]
    said = [*findings, *without_carried([*final, *stepped, *spread], layout),
            *drawing_findings(rig, in_datum, layout, solved.drawing), *_offset_findings(doubt)]
    return said, doubt


def _offset_findings(doubt: OffsetDoubt | None) -> list[Finding]:
    if doubt is None or abs(doubt.mm) < OFFSETS_SURE * doubt.u95 / K95:
        return []
    return [Finding(Code.OFFSETS_TOGETHER, "bolt tags", facts={"mm": doubt.mm, "u95_mm": doubt.u95})]


def cov_with_datum_held(cov: Array, layout: Layout) -> Array:
    """Covariance given the board-to-frame alignment, which is a convention (best fit on the drawing).

    Places are then uncertain only against the measured rig itself. What depends on where level and straight
    are in the frame (camber, caster, toe of one wheel) needs the full covariance instead.
    """
    a = np.arange(layout.align.start, layout.align.stop)
    gain = np.linalg.solve(cov[np.ix_(a, a)], cov[a])
    held = cov - cov[:, a] @ gain
    held[a] = 0
    held[:, a] = 0
    return held


def shared_covariance(problem: RigProblem, s: State) -> Array:
    """Covariance (n, n) of the shared unknowns from the normal equations at a state."""
    return inverse_of(problem.information(s))


def _covariances(problem: RigProblem, s: State, full: Array | None = None) -> _Covariances:
    full = shared_covariance(problem, s) if full is None else full
    held = cov_with_datum_held(full, problem.layout)
    drawing, turned = problem.linearise(s, ("drawing",)).shared, _frame_doubt(problem.layout, s)
    return _Covariances(full + turned, held, full @ drawing @ full + turned, held @ drawing @ held)


def _frame_doubt(layout: Layout, s: State) -> Array:
    """Covariance (n, n) of a drawing turned from level and straight ahead as a whole, about the frame's origin.

    x = R x_board + t turned by w goes with a step w of R and w x t of t.
    """
    out, a = np.zeros((layout.size, layout.size)), layout.align
    rig = layout.rig
    sd = standard(np.array([rig.roll_tol, rig.pitch_tol, rig.heading_tol]))
    step = np.concatenate([np.eye(3), -skew(s.align_t)]) * sd
    out[a, a] = step @ step.T
    return out


def _as_built(layout: Layout, s: State, cov: _Covariances, slope: Array | None = None) -> _Built:
    """The rig as built with the joint covariance of its parameters and joint angles (JCGM 100, 5.2.2).

    ``slope``: see ``moved_fit``.
    """
    wheels = _measured_wheels(layout, cov.full)
    names = parameter_names(layout, wheels)

    def values(st: State) -> Array:
        return get_parameters(as_built_rig(layout, st, wheels), names)

    geometry = np.array([*range(layout.align.start, layout.first_angle), *stop_slots(layout)])
    angles = np.arange(layout.angles.start, layout.angles.stop)
    if slope is not None and slope.shape == (len(names), len(geometry)):
        j = slope
    else:
        j = jacobian(layout, s, values, [int(k) for k in geometry])
    g = np.ix_(geometry, geometry)
    rig = as_built_rig(layout, s, wheels)
    extra = extra_covariance(layout, names, wheels, rig.stop_tol)
    datum_cov = j @ cov.held[g] @ j.T + extra
    held = np.diag(datum_cov).copy()
    all_drawn = j @ cov.drawn[g] @ j.T + extra
    drawn_part = np.diag(j @ cov.held_drawn[g] @ j.T) + np.diag(extra)
    share = {n: float(np.clip(1 - d / max(t, 1e-30), 0, 1)) for n, d, t in zip(names, drawn_part, held, strict=True)}
    whole = j @ cov.full[g] @ j.T + extra
    rods = [i for i, n in enumerate(parsed(names)) if n.kind is Kind.LENGTH]  # no frame has part in a length
    held[rods] = np.diag(whole)[rods]
    share |= {names[i]: share_beside(np.eye(len(names))[i], whole, all_drawn)[0] or 0.0 for i in rods}
    roll, pitch, heading = (float(x) for x in own_half_widths(cov.full)[layout.align][:3])
    as_built = AsBuilt(rig, names, whole, share, drawn=all_drawn, held=held, turn_u95=(roll, pitch, heading))
    return _Built(as_built, datum_cov, cov.full[np.ix_(angles, angles)],
                  cov.full[np.ix_(angles, geometry)] @ j.T, geometry, j)


def _measured_wheels(layout: Layout, cov: Array) -> tuple[str, ...]:
    """Sides whose spin axis the photos determine well enough."""
    out = []
    for side, w in layout.rig.wheels.items():
        if w.spin_body in layout.bodies:
            sl = layout.axis(w.spin_body)
            if float(np.sqrt(np.max(np.diag(cov)[sl][:2]))) < WHEEL_KNOWN:
                out.append(side)
    return tuple(out)


def _joint_angles(layout: Layout, s: State) -> dict[tuple[str, str], float]:
    angles = {(b, layout.reference): 0.0 for b in layout.bodies}
    angles.update({k: float(a) for k, a in zip(layout.angle_keys, s.angles, strict=True)})
    return angles


def _photos(layout: Layout, s: State, residuals: pd.DataFrame) -> dict[str, PhotoFit]:
    by_photo = dict(list(residuals.groupby("photo")))
    out = {}
    for i, name in enumerate(layout.photos):
        mine = by_photo.get(name, residuals[:0])
        kept = mine[mine["weight"] > 0]
        rms = float(np.sqrt((kept["du"] ** 2 + kept["dv"] ** 2).mean() / 2)) if len(kept) else float("nan")
        out[name] = PhotoFit(name, layout.photo_positions[i], s.photo_R[i], s.photo_t[i], float(s.df[i]),
                             s.dc[i].copy(), rms, len(kept), len(mine) - len(kept))
    return out


def _camera(s: State, cov: Array) -> CameraFit:
    u95 = own_half_widths(cov)[:LENS_N]
    return CameraFit(float(s.lens[0]), float(s.lens[1]), float(s.lens[2]), float(s.lens[3]), s.lens[4:9].copy(),
                     dict(zip(LENS, map(float, u95), strict=True)))


def _print(layout: Layout, s: State, cov: Array) -> PrintFit:
    u95 = own_half_widths(cov)[[layout.scale, layout.stretch]]
    return PrintFit(float(s.scale), float(s.stretch), {"scale": float(u95[0]), "stretch": float(u95[1])})


def _closure_errors(problem: RigProblem, s: State) -> Mapping[tuple[str, str], float]:
    m = problem.motions(s)
    return {(b.item, b.position): b.error_mm(m) for b in problem.blocks(s) if isinstance(b, Closure)}


def _repeats(problem: RigProblem) -> tuple[Repeatability, ...]:
    """How each joint repeats, board last; none where that was not estimated."""
    loose, layout = problem.priors.loose, problem.layout
    out = [Repeatability(b, loose.hinge(b).mm, float(np.degrees(loose.hinge(b).rad))) for b in layout.off_bodies]
    return (*out, Repeatability("board", loose.board.mm, float(np.degrees(loose.board.rad)))) if out else ()


def _tag_poses(layout: Layout, s: State) -> dict[str, tuple[Array, Array]]:
    """Tag to frame straight ahead."""
    return {n: (s.align_R @ s.tag_R[i], s.align_R @ s.tag_t[i] + s.align_t) for i, n in enumerate(layout.tags)}


def residual_table(problem: RigProblem, residual: Array, used: NDArray[np.bool_]) -> pd.DataFrame:
    """One row per corner: photo, position, tag, code, corner, du, dv (px, observed minus predicted), weight."""
    c, layout = problem.corners, problem.layout
    g, n = np.nonzero(c.seen)
    tag_names = np.array([*layout.tags, "board"], dtype=object)
    return pd.DataFrame({
        "photo": np.array(layout.photos, dtype=object)[c.photo[g]],
        "position": np.array(layout.photo_positions, dtype=object)[c.photo[g]],
        "tag": tag_names[c.tag[g]], "code": c.code[g], "corner": n,
        "du": residual[g, n, 0], "dv": residual[g, n, 1], "weight": used[g, n].astype(float)})
