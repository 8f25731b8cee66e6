"""The one estimate: from the observation table to camera, pivots, rods and steer angles with uncertainty.

A bundle adjustment: all photos, tags, joints and the drawing in one weighted nonlinear least-squares problem.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.estimation.arrange import MIN_PHOTOS, Arranged, arrange, one_camera, only_photos
from calib.estimation.blocks.corners import Corners
from calib.estimation.blocks.expected import DC_SD, DF_SD, Looseness, Priors
from calib.estimation.clustered import of_the_photos
from calib.estimation.coldstart import ColdStart, cold_start
from calib.estimation.diagnose import zoom_or_camera
from calib.estimation.drawn import drawing_fit
from calib.estimation.equations import RigProblem
from calib.estimation.fields import fields
from calib.estimation.fitted import Solved, Told, fit_and_slope, shared_covariance
from calib.estimation.frame import FrameRule
from calib.estimation.holes import Holes, hole_findings, judge_holes, none_for, same, with_holes
from calib.estimation.loaded import apart
from calib.estimation.places import expected_places
from calib.estimation.repeat import USUAL, USUAL_BOARD, WIDE, certainty, repeatability, settled, within_readout
from calib.estimation.shared import shared_ratio
from calib.estimation.solver import Solution, minimise
from calib.estimation.unknowns import PRIVATE, Layout, State, loosened, with_fields
from calib.progress import ESTIMATING, Progress, Steps, quiet, stoppable
from calib.results import Code, Finding, Fit
from calib.rig.model import Rig
from calib.uncertainty import standard
from capture.errors import UserError
from capture.observations import Observations

Array = NDArray[np.float64]
NEAR = 1e-9  # damping near the minimum: more would only hold back what the photos hardly tell
REJECT = 5.0  # corners further out than this many standard uncertainties are put aside by name
LEAST_NOISE = 0.3  # of the corners' covariances: no tighter than this when outliers are looked for
STRETCH_SD = 0.001  # print scale along the sheet over that across it: paper feed and scanning of a home printer
# differ by a few parts in a thousand at worst (common practice, no source)
LENS_SD = np.array([0.3, 0.001, 0.02, 0.02, 0.4, 0.8, 0.01, 0.01, 0.8])  # f relative, cx cy over width
BIRGE_TURNS, BIRGE_CLOSE = 4, 0.02  # the drawing's factor is worked out anew until it stays so nearly the same
HOLE_TRIES = 4  # solutions, each with the holes believed after the one before
ASKS = 1.5  # of ``shared_ratio``, from which hand and lens are allowed for
ROUNDS = 10  # of the variance components, at most
TRIES = 5  # cold starts, each without what spoilt the one before
PARTS = 5  # that one solution counts of its steps


@dataclass(frozen=True)
class Options:
    """Settings a script may change."""

    robust_scale: float = 2.5
    rod_play_sd: float = 0.05  # mm
    approached_sd: float = 1.0  # mm, the same at positions approached from both sides, so that play shows
    stretch_sd: float = STRETCH_SD  # print scale along the sheet over that across it, about 1
    min_photos: int = MIN_PHOTOS  # photos a position needs
    max_iterations: int = 60
    noise_known: bool = False  # take the corner covariances as they are instead of scaling by the residuals
    frame: FrameRule | None = None  # where the frame is where no drawing says so, see calib.estimation.survey


class Started(NamedTuple):
    """What takes part, and where the solver starts."""

    arranged: Arranged
    cold: ColdStart
    findings: list[Finding]


class Ready(NamedTuple):
    """All corners of a shoot, and where the estimate of them starts."""

    obs: Observations
    started: Started


class Estimated(NamedTuple):
    """A fit, and the solved problem behind it. ``slope``: see ``fitted.Fitted``."""

    fit: Fit
    solved: Solved
    holes: Holes
    slope: Array


Look = Callable[[Observations, dict[str, dict[int, Array]]], Observations]


def second_look(rig: Rig, obs: Observations, look: Look, options: Options | None = None) -> Ready:
    """``obs`` with what ``look`` finds where the start of the estimate expects tags that are not in it.

    ``look(obs, places)`` gets for each photo name and code the saddles' expected pixels (32, 2) and returns the
    observations with those it found (``capture.look_again``). ``estimate`` takes what is returned:
    ``estimate(rig, ready.obs, started=ready.started)``. UserError as there.

    >>> from capture import look_again
    >>> ready = second_look(rig, observations, look_again)  # the photos must lie where they were read
    >>> len(ready.obs.table) >= len(observations.table)
    True
    """
    options = options or Options()
    still, _ = apart(rig, obs)
    started = begin(rig, still, options)
    more = look(obs, expected_places(started.arranged, started.cold))
    if more is obs:
        return Ready(obs, started)
    still, _ = apart(rig, more)
    return Ready(more, _with_more(started, rig, still, options) or begin(rig, still, options))


def _with_more(started: Started, rig: Rig, obs: Observations, options: Options) -> Started | None:
    """The same start with more corners; None where they bring photos or tags that did not take part."""
    old, cold = started.arranged, started.cold
    arranged = arrange(rig, only_photos(obs, [p for p in obs.photos if p.name in old.layout.photos]),
                       options.min_photos)
    if arranged.layout != old.layout:
        return None
    left_out = np.flatnonzero(~cold.corners.seen.any(axis=1))
    gone = set(zip(cold.corners.photo[left_out], cold.corners.code[left_out], strict=True))
    stays = np.array([key not in gone for key in zip(arranged.corners.photo, arranged.corners.code, strict=True)])
    corners = replace(arranged.corners, seen=arranged.corners.seen & stays[:, None])
    return Started(arranged, replace(cold, corners=corners), started.findings)


def estimate(rig: Rig, obs: Observations, options: Options | None = None, started: Started | None = None,
             reframe: Callable[[Layout, State], FrameRule] | None = None, progress: Progress = quiet,
             fitted: Told | None = None) -> Fit:
    """Fit everything to the photos of one shoot.

    Parameters
    ----------
    rig : the design; its dimensions enter as priors with their tolerances.
    obs : corners found, pixels in the sensor frame.
    started : where the same rig and corners start, from ``second_look``.
    reframe : where the frame is, from what was solved for, in place of ``options.frame``.
    progress : told how far it is, see ``calib.Progress``; what it raises stops the work.
    fitted : told how each photo fits, by name, and the residuals, some time before all else is known.

    Returns
    -------
    Fit, all lengths in mm and angles in rad, figures in surface units with 95 % half-widths.

    Raises
    ------
    UserError
        where the photos cannot carry an estimate, with what is missing and what to do.

    >>> fit = estimate(rig, observations)  # from load_rig and capture.read_shoot
    >>> fit.converged, fit.sigma0 < 1.2
    (True, True)
    >>> [f.unit for f in fit.figures if f.name == "toe at ahead"]
    ['deg']
    """
    with stoppable(progress) as told:
        return estimated(rig, obs, options, started, reframe, told, fitted).fit


def estimated(rig: Rig, obs: Observations, options: Options | None = None, started: Started | None = None,
              reframe: Callable[[Layout, State], FrameRule] | None = None, progress: Progress = quiet,
              fitted: Told | None = None) -> Estimated:
    """As ``estimate``, with what a later estimate of the same shoot can go on from (see ``going``)."""
    options = options or Options()
    began = time.perf_counter()
    steps = Steps(progress, ESTIMATING, 1 + PARTS + 2)  # the start, the solution, the drawing, what does not fit
    still, aboard = apart(rig, obs)
    started = started or begin(rig, still, options)
    steps.next()
    solved, holes = solve(started.arranged, started.cold, options, steps)
    steps.next()
    if reframe is not None:
        solved = _reframed(solved, reframe(solved.problem.layout, solved.state), options)
    fit, slope = fit_and_slope(solved, started.findings, aboard, holes.may_be, told=fitted)
    first = [*_not_converged(solved), *hole_findings(holes, rig, fit.as_built.rig)]
    fit = replace(fit, findings=(*first, *fit.findings), seconds=time.perf_counter() - began)
    steps.end()
    return Estimated(fit, solved, holes, slope)


def _not_converged(solved: Solved) -> list[Finding]:
    if solved.converged:
        return []
    return [Finding(Code.NOT_CONVERGED, "estimate", facts={"iterations": solved.iterations})]


# --- before the solver ----------------------------------------------------------------------------------------


def make_priors(rig: Rig, size: tuple[int, int], focal: float | None, options: Options | None = None) -> Priors:
    """What is expected before any corner is looked at. ``size`` (width, height) px; ``focal`` px, from EXIF."""
    options = options or Options()
    w, h = size
    longest = max(size)
    lens = np.array([focal or 0.8 * longest, 1.0, (w - 1) / 2, (h - 1) / 2, 0, 0, 0, 0, 0])
    sd = LENS_SD.copy()
    sd[0] *= lens[0]
    sd[2:4] *= longest
    b = rig.board
    bar_sd = max(standard(b.bar_tol) / b.bar_nominal, 1e-6)
    scale, scale_sd = (1.0, 0.005) if b.bar_measured is None else (b.bar_measured / b.bar_nominal, bar_sd)
    along = None if b.bar_upright is None else b.bar_upright / b.bar_nominal
    return Priors(lens, sd, DF_SD, DC_SD * longest, scale, scale_sd, bow_sd=0.5, stretch_sd=options.stretch_sd,
                  scale_along=along, scale_along_sd=bar_sd, rod_play_sd=options.rod_play_sd,
                  approached_sd=options.approached_sd, frame=options.frame)


def begin(rig: Rig, obs: Observations, options: Options) -> Started:
    """Arrange and start; again without what spoils the rest: another camera, zoomed photos, a bumped board."""
    obs, other_camera = one_camera(obs)
    exif = [p.focal_px_guess for p in obs.photos if p.focal_px_guess]
    focal = float(np.median(exif)) if exif else None
    size = (obs.photos[0].width, obs.photos[0].height)
    priors = make_priors(rig, size, focal, options)
    aside: dict[str, Finding] = {}
    for left in reversed(range(TRIES)):
        kept = only_photos(obs, [p for p in obs.photos if p.name not in aside])
        findings: list[Finding] = []
        gone = list(dict.fromkeys(aside.values()))
        arranged = _arrange_without(rig, kept, options, findings, gone or other_camera)
        cold = cold_start(arranged.layout, arranged.corners, size, focal, priors)
        if not cold.spoilt or not left:
            break
        aside |= zoom_or_camera(cold.spoilt, obs)
    return Started(arranged, cold, [*other_camera, *gone, *findings, *cold.findings,
                                     *dict.fromkeys(cold.spoilt.values())])


def _arrange_without(rig: Rig, obs: Observations, options: Options, findings: list[Finding],
                     gone: Sequence[Finding]) -> Arranged:
    """As ``arrange``; where too little is left, the error says first why photos are ``gone``."""
    try:
        return arrange(rig, obs, options.min_photos, findings)
    except UserError as err:
        if not gone:
            raise
        raise UserError(" ".join([*dict.fromkeys(f.text for f in gone), f"Without them: {err}"]), err.code, err.item,
                        gone) from err


# --- the solver -----------------------------------------------------------------------------------------------


def solve(arranged: Arranged, cold: ColdStart, options: Options, steps: Steps) -> tuple[Solved, Holes]:
    """The solved problem with every rod end in the hole that it is believed to sit in; it counts ``PARTS`` of steps.

    Holes are told apart by the stated tolerances first, since a wrong one would make them all look too tight; what
    is believed then must stand with the tolerances as wide as the vehicle shows them to be.
    """
    file = arranged.layout.rig
    holes = none_for(file, arranged.layout.points)
    for left in reversed(range(HOLE_TRIES)):
        plain = _solve_with(holes, arranged, cold, options, steps)
        found = judge_holes(plain.problem, plain.state, file)
        if same(holes, found) or not left:
            break
        holes = found
        steps.more(PARTS)
    solved = _against_drawing(plain, options)
    if solved.problem.drawing_scale > 1:
        found = judge_holes(solved.problem, solved.state, file)
        if not same(holes, found):
            holes = found
            steps.more(PARTS)
            solved = _against_drawing(_solve_with(holes, arranged, cold, options, steps), options)
    return solved, holes


def _solve_with(holes: Holes, arranged: Arranged, cold: ColdStart, options: Options, steps: Steps) -> Solved:
    layout = with_holes(arranged.layout, holes.use)
    cold = replace(cold, priors=replace(cold.priors, hole_sd=holes.extra_sd))
    return _solve(arranged._replace(layout=layout), cold, options, steps)


def _solve(arranged: Arranged, cold: ColdStart, options: Options, told: Steps) -> Solved:
    """Robust at first, then without the outliers, at last with the corners' covariances as the residuals show them."""
    corners = cold.corners
    problem = RigProblem(arranged.layout, corners, cold.priors, robust_scale=options.robust_scale * 4)
    steps = [minimise(problem, cold.state, max_iterations=15, rtol=1e-3, damping=1e-6)]  # the next goes on from it
    told.next()
    noise = _noise(problem, steps[-1].state)
    layout, state = loosened(problem.layout, steps[-1].state)
    problem = replace(problem, layout=layout, priors=replace(cold.priors, loose=WIDE),
                      robust_scale=options.robust_scale * max(noise, LEAST_NOISE))
    steps.append(minimise(problem, state, max_iterations=30, rtol=1e-4, damping=NEAR))
    told.next()
    used = corners.seen
    for k in range(3):  # twice, since the second sees clean residuals, and again where hand or lens ask to be let in
        used = _without_outliers(problem, steps[-1].state)
        problem = replace(problem, robust_scale=None, weights=used.astype(float))
        steps.append(minimise(problem, steps[-1].state, max_iterations=options.max_iterations, rtol=1e-6,
                              damping=NEAR))
        if k == 1 and (options.noise_known or shared_ratio(problem, steps[-1].state, used) < ASKS):
            break
        if k == 1:
            problem, state = let_in(problem, steps[-1].state)
            steps.append(minimise(problem, state, max_iterations=options.max_iterations, rtol=1e-6, damping=NEAR))
    told.next()
    state = steps[-1].state
    # what has a spread of its own hardly takes up freedom, and is left out
    dof = max(2 * int(used.sum()) - problem.layout.angles.stop - PRIVATE * len(problem.layout.photos), 1)
    sigma, inflation = 1.0, 1.0
    if not options.noise_known:
        e2 = problem.normalised(problem.corner_residuals(state)) ** 2
        sigma = float(np.sqrt(e2[used].sum() / dof))
        inflation = float(np.sqrt(max(1.0, shared_ratio(problem, state, used))))
    problem = replace(problem, corners=replace(problem.corners, whiten=problem.corners.whiten / (sigma * inflation)))
    problem, state, rounds = _repeating(problem, state, options)
    told.next()
    more = 1.0
    if problem.layout.fields:  # neighbours share errors: do photos disagree even so?
        c, more = problem.corners, of_the_photos(problem, state).factor
        problem = replace(problem, corners=replace(c, whiten=c.whiten / more))
    last = minimise(problem, state, max_iterations=options.max_iterations, rtol=1e-10, damping=NEAR)
    steps.append(last)
    told.next()
    return Solved(problem, last.state, used, sigma, inflation, dof, rounds + _iterations(steps), last.converged,
                  between=more)


def _against_drawing(solved: Solved, options: Options) -> Solved:
    """The same with the drawing's rows as uncertain as the vehicle shows them to be."""
    problem, state, steps = solved.problem, solved.state, list[Solution]()
    fit = drawing_fit(problem, state, shared_covariance(problem, state))
    for _ in range(BIRGE_TURNS):
        if abs(fit.factor / problem.drawing_scale - 1) < BIRGE_CLOSE:
            break
        problem = replace(problem, drawing_scale=fit.factor)
        steps.append(minimise(problem, state, max_iterations=options.max_iterations, rtol=1e-10, damping=NEAR))
        state = steps[-1].state
        fit = drawing_fit(problem, state, shared_covariance(problem, state))
    return replace(solved, problem=problem, state=state, drawing=replace(fit, factor=problem.drawing_scale),
                   iterations=solved.iterations + _iterations(steps),
                   converged=steps[-1].converged if steps else solved.converged)


def _reframed(solved: Solved, frame: FrameRule, options: Options) -> Solved:
    """The same laid into another frame."""
    problem = replace(solved.problem, priors=replace(solved.problem.priors, frame=frame))
    last = minimise(problem, replace(solved.state, align_R=frame.R, align_t=frame.t),
                    max_iterations=options.max_iterations, rtol=1e-10, damping=NEAR)
    return replace(solved, problem=problem, state=last.state, iterations=solved.iterations + last.iterations,
                   converged=solved.converged and last.converged)


def let_in(problem: RigProblem, s: State) -> tuple[RigProblem, State]:
    """The problem with a hand that moves and a lens of more terms."""
    corners = fielded(problem, s)
    layout, s = with_fields(problem.layout, s)
    loose = problem.priors.loose
    loose = replace(loose, hand=within_readout(loose.hand, problem.rig.readout))
    return replace(problem, layout=layout, corners=corners, priors=replace(problem.priors, loose=loose)), s


def fielded(problem: RigProblem, s: State) -> Corners:
    """The corners with what hand and lens would do to each."""
    c = problem.corners
    depth = problem.corner_block.view(problem.motions(s)).xc[..., 2].mean(axis=1)
    return replace(c, fields=fields(c.uv, c.seen, depth, float(s.lens[0]), problem.priors.size))


def _repeating(problem: RigProblem, state: State, options: Options) -> tuple[RigProblem, State, int]:
    """The problem with how well its joints repeat as this shoot shows it, and rounds; as usual for a made-up shoot."""
    if options.noise_known:
        usual = Looseness(board=USUAL_BOARD, usual=USUAL)
        return replace(problem, priors=replace(problem.priors, loose=usual)), state, 0
    rounds, before = 0, problem.priors
    for _ in range(ROUNDS):
        rounds += 1
        known = certainty(problem, state)
        priors = repeatability(problem, known, before)
        done, state = settled(priors, problem.priors), known.state
        problem = replace(problem, priors=priors)
        if done:
            break
    return problem, state, rounds


def _iterations(steps: Sequence[Solution]) -> int:
    return sum(s.iterations for s in steps)


def _noise(problem: RigProblem, s: State) -> float:
    """Robust RMS of the normalised residuals per coordinate (median of the lengths; Rayleigh median 1.177)."""
    e = problem.normalised(problem.corner_residuals(s))
    return float(np.median(e[problem.corners.seen]) / 1.1774)


def _without_outliers(problem: RigProblem, s: State) -> NDArray[np.bool_]:
    """Corners (g, 32) that lie within REJECT standard uncertainties, as the residuals show them."""
    e = problem.normalised(problem.corner_residuals(s))
    return problem.corners.seen & (e < REJECT * max(_noise(problem, s), LEAST_NOISE))
