"""The one estimate: from the observation table to camera, pivots, rods and steer angles with uncertainty."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation import start
from calib.estimation.asbuilt import as_built_rig, extra_covariance, jacobian, parameter_names
from calib.estimation.diagnose import final_findings, screen_photos, zoom_or_camera, zoomed_photos
from calib.estimation.equations import Corners, Priors, RigProblem
from calib.estimation.measured import measured_figures, pivot_table
from calib.estimation.moved import board_bumps, bump_finding
from calib.estimation.solver import minimise, reduced_system
from calib.estimation.unknowns import LENS_N, Layout, State
from calib.results import AsBuilt, CameraFit, Finding, Fit, PhotoFit, PrintFit
from calib.rig.model import FRAME, Rig, get_parameters
from capture.errors import UserError
from capture.observations import Observations
from capture.targets import SADDLES, Board, saddle_points

Array = NDArray[np.float64]
NEAR = 1e-9  # damping near the minimum: more would only hold back what the photos hardly tell
REJECT = 5.0  # corners further out than this many standard uncertainties are put aside by name
DF_SD = 0.003  # relative focal change of one photo, from phone autofocus and stabilised lenses
DC_SD = 0.002  # principal-point change of one photo over the picture's width
STRETCH_SD = 0.001  # print scale along the sheet over that across it: paper feed and scanning of a home printer
# differ by a few parts in a thousand at worst (common practice, no source)
LENS_SD = np.array([0.3, 0.001, 0.02, 0.02, 0.4, 0.8, 0.01, 0.01, 0.8])  # f relative, cx cy over width


@dataclass(frozen=True)
class Options:
    """Settings a script may change."""

    robust_scale: float = 2.5
    rod_play_sd: float = 0.05  # mm
    approached_sd: float = 1.0  # mm, the same at positions approached from both sides, so that play shows
    stretch_sd: float = STRETCH_SD  # print scale along the sheet over that across it, about 1
    min_photos: int = 2  # photos a position needs
    max_iterations: int = 60
    noise_known: bool = False  # take the corner covariances as they are instead of scaling by the residuals


def estimate(rig: Rig, obs: Observations, options: Options | None = None) -> Fit:
    """Fit everything to the photos of one shoot.

    Parameters
    ----------
    rig : the design; its dimensions enter as priors with their tolerances.
    obs : corners found, pixels in the sensor frame.

    Returns
    -------
    Fit, all lengths in mm and angles in rad, figures in surface units with 95 % half-widths.

    Raises
    ------
    UserError
        where the photos cannot carry an estimate, with what is missing and what to do.
    """
    options = options or Options()
    began = time.perf_counter()
    findings: list[Finding] = []
    obs = _one_camera(obs, findings)
    given, arranged = obs, list[Finding]()
    try:
        obs, layout, corners = arrange(rig, obs, options, arranged)
    except UserError as err:
        if not findings:
            raise
        raise UserError(" ".join([*(f.text for f in findings), f"Without them: {err}"])) from err
    exif = [p.focal_px_guess for p in obs.photos if p.focal_px_guess]
    size = (obs.photos[0].width, obs.photos[0].height)
    focal = float(np.median(exif)) if exif else None
    priors = _priors(rig, size, focal)
    priors = replace(priors, rod_play_sd=options.rod_play_sd, approached_sd=options.approached_sd,
                     stretch_sd=options.stretch_sd)
    aside: dict[str, Finding] = {}
    for more in (True, True, True, True, False):  # without what spoils the rest: zoomed photos, a bumped board
        state, usable, found, spoilt = _cold_start(rig, layout, corners, size, focal, priors)
        if not spoilt or not more:
            found += dict.fromkeys(spoilt.values())
            break
        aside |= zoom_or_camera(spoilt, given)
        kept = tuple(p for p in given.photos if p.name not in aside)
        arranged = []
        try:
            obs, layout, corners = arrange(rig, replace(given, photos=kept), options, arranged)
        except UserError as err:
            said = [*dict.fromkeys(f.text for f in aside.values()), f"Without them: {err}"]
            raise UserError(" ".join(said)) from err
    corners = usable
    findings += [*dict.fromkeys(aside.values()), *arranged, *found]
    problem = RigProblem(layout, corners, priors, rig, robust_scale=options.robust_scale * 4)
    first = minimise(problem, state, max_iterations=15, rtol=1e-4, damping=1e-6)
    noise = _noise(problem, first.state)
    problem = replace(problem, robust_scale=options.robust_scale * max(noise, 0.3))
    second = minimise(problem, first.state, max_iterations=30, rtol=1e-6, damping=NEAR)
    iterations = first.iterations + second.iterations
    state = second.state
    # put outliers aside, then plain least squares; twice, since the second sees clean residuals
    for _ in range(2):
        noise = _noise(problem, state)
        e = problem.normalised(problem.corner_residuals(state))
        keep = corners.seen & (e < REJECT * max(noise, 0.3))
        problem = replace(problem, robust_scale=None, weights=keep.astype(float))
        sol = minimise(problem, state, max_iterations=options.max_iterations, rtol=1e-7, damping=NEAR)
        state = sol.state
        iterations += sol.iterations
    e2 = problem.normalised(problem.corner_residuals(state)) ** 2
    used = problem.weights > 0 if problem.weights is not None else corners.seen
    dof = max(2 * int(used.sum()) - layout.size - 9 * len(layout.photos), 1)
    sigma = float(np.sqrt(e2[used].sum() / dof))
    inflation = _cluster_inflation(problem, state, used)
    if options.noise_known:
        sigma = inflation = 1.0
    scaled = replace(corners, whiten=corners.whiten / (sigma * inflation))
    problem = replace(problem, corners=scaled)
    sol = minimise(problem, state, max_iterations=options.max_iterations, rtol=1e-10, damping=NEAR)
    iterations += sol.iterations
    return _report(problem, sol.state, obs, findings, sigma, iterations, began, used)


# --- arranging ------------------------------------------------------------------------------------------------


def _one_camera(obs: Observations, findings: list[Finding]) -> Observations:
    """Keep the photos of the camera that took most of them; name the others."""
    kinds = Counter((p.camera, p.width, p.height, round(p.digital_zoom, 2)) for p in obs.photos)
    if len(kinds) <= 1:
        return obs
    main = kinds.most_common(1)[0][0]
    others = [p for p in obs.photos if (p.camera, p.width, p.height, round(p.digital_zoom, 2)) != main]
    for p in others:
        if p.camera != main[0]:
            cause, what = "two_cameras", (f"it was taken with another camera ({p.camera or 'unknown'}, {p.width} x "
                                          f"{p.height}) than the rest")
        elif (p.width, p.height) != main[1:3]:
            cause, what = "resized", (f"it is {p.width} x {p.height} pixels and the rest are {main[1]} x {main[2]}: "
                                      "cropped, shrunk by a messenger, or another camera mode")
        else:
            cause, what = "digital_zoom", (f"its file says digital zoom {p.digital_zoom:g} and the rest "
                                           f"{main[3]:g}; photograph without zoom")
        findings.append(Finding(cause, p.name, f"Photo {p.name} was set aside: {what}. Use one camera at one setting "
                                "for a shoot."))
    keep = {p.name for p in obs.photos} - {p.name for p in others}
    return replace(obs, table=obs.table[obs.table["photo"].isin(keep)],
                   photos=tuple(p for p in obs.photos if p.name in keep))


def arrange(rig: Rig, obs: Observations, options: Options | None = None,
            findings: list[Finding] | None = None) -> tuple[Observations, Layout, Corners]:
    """Layout of the unknowns and the grouped corners for a shoot; photos and positions that cannot serve go.

    Raises UserError where too little is left.
    """
    options = options or Options()
    findings = findings if findings is not None else []
    board = Board.for_paper(rig.board.paper)
    by_code = rig.tag_by_code()
    table = obs.table
    on_board = table["tag"].isin(board.ids)
    per_photo = table[on_board].groupby("photo").size()
    keep = {p.name for p in obs.photos if per_photo.get(p.name, 0) >= 12}
    for p in obs.photos:
        if p.name not in keep:
            findings.append(Finding("no_board", p.name, f"Photo {p.name} was set aside: too little of the board "
                                    "is seen in it. Keep the whole board in view and in focus."))
    parts = table[table["tag"].isin(by_code) & table["photo"].isin(keep)]
    with_parts = set(parts["photo"])
    counts = Counter(p.position for p in obs.photos if p.name in keep and p.name in with_parts)
    for pos, n in counts.items():
        if n < options.min_photos and len(rig.bodies):
            if pos == rig.straight_ahead:
                raise UserError(f'position "{pos}" has only {n} usable photo; straight ahead is what all angles '
                                f"count from: take at least {max(options.min_photos, 4)} photos of it.")
            findings.append(Finding("few_photos", pos, f'Position "{pos}" was set aside: it has only {n} usable '
                                    f"photo. Take at least {options.min_photos}, better four, from different sides."))
    known = [p for p in [*rig.positions, *rig.spin_positions, *rig.lean_positions]]
    order = known + sorted(set(counts) - set(known))
    positions = tuple(p for p in order if counts.get(p, 0) >= (options.min_photos if rig.bodies else 1))
    for pos in known:
        if counts.get(pos, 0) == 0:
            if pos == rig.straight_ahead:
                raise UserError(f'there is no usable photo of position "{pos}", which the rig file calls straight '
                                f'ahead: put at least 4 photos of it into a folder named "{pos}".')
            findings.append(Finding("no_position", pos, f'No usable photo of position "{pos}", which the rig file '
                                    "asks for.", serious=False))
    steered = [p for p in positions if p not in rig.spin_positions]
    if rig.bodies and len(steered) < 3:
        raise UserError(f"only {len(steered)} lever position(s) have enough photos; at least 3 are needed, 5 to 7 "
                        "are better: make a folder for each lever position with 4 or more photos.")
    photos = tuple(p for p in obs.photos if p.name in keep and p.position in positions)
    if len(photos) < 3:
        raise UserError(f"only {len(photos)} photo(s) show the board well enough; take more, with the whole board "
                        "in view, from different sides.")
    seen_codes = set(table[table["photo"].isin({p.name for p in photos})]["tag"])
    for body in rig.bodies.values():
        own = [t for t in rig.tags.values() if t.body == body.name]
        if any(t.code in seen_codes for t in own):
            continue
        if body.role in ("wheel", "lean") or not own:
            continue
        names = ", ".join(f'"{t.name}" (code {t.code})' for t in own)
        raise UserError(f"no tag of {body.name} was found in any photo: looked for {names}. Check that it is stuck "
                        "on, in view and not mirrored, and that the rig file names the right code.")
    for t in rig.tags.values():
        if t.code not in seen_codes:
            findings.append(Finding("tag_missing", t.name, f'Tag "{t.name}" (code {t.code}) was not found in any '
                                    "photo, so what it marks rests on the drawing and the other tags.",
                                    serious=t.centres_on is not None))
    tags = tuple(t.name for t in rig.tags.values() if t.code in seen_codes)
    bodies_seen = {rig.tags[t].body for t in tags}
    bodies = tuple(b.name for b in rig.parents_first()
                   if b.name in bodies_seen or any(rig.bodies[c].parent == b.name for c in bodies_seen if c != FRAME))
    points = tuple(n for n, p in rig.points.items() if p.body == FRAME or p.body in bodies)
    rods = tuple(n for n, r in rig.rods.items() if r.a in points and r.b in points)
    ref = rig.straight_ahead if rig.bodies else (positions[0] if positions else "")
    keys = tuple((b, p) for b in bodies for p in positions if p != ref)
    layout = Layout(rig, tags, bodies, points, rods, positions, keys, ref, tuple(p.name for p in photos),
                    tuple(p.position for p in photos))
    obs = replace(obs, photos=photos, table=table[table["photo"].isin(layout.photos)])
    return obs, layout, _group(rig, board, obs, layout)


def _group(rig: Rig, board: Board, obs: Observations, layout: Layout) -> Corners:
    """Corners of the table by (photo, tag)."""
    by_code = rig.tag_by_code()
    board_flat = board.saddles()
    photo_index = {n: i for i, n in enumerate(layout.photos)}
    tag_index = {n: i for i, n in enumerate(layout.tags)}
    t = obs.table
    t = t[t["tag"].isin(list(board_flat) + [c for c, g in by_code.items() if g.name in tag_index])]
    codes, ph = t["tag"].to_numpy(int), t["photo"].map(photo_index).to_numpy(int)
    key = ph * 100000 + codes
    unique, group = np.unique(key, return_inverse=True)
    g = len(unique)
    uv, whiten = np.zeros((g, SADDLES, 2)), np.tile(np.eye(2), (g, SADDLES, 1, 1))
    seen, flat = np.zeros((g, SADDLES), bool), np.zeros((g, SADDLES, 2))
    corner = t["corner"].to_numpy(int)
    uv[group, corner] = t[["u", "v"]].to_numpy()
    cov = replace(obs, table=t).covariances()
    whiten[group, corner] = np.linalg.inv(np.linalg.cholesky(cov))
    seen[group, corner] = True
    code = unique % 100000
    for i, c in enumerate(code):
        flat[i] = board_flat[int(c)] if int(c) in board_flat else saddle_points(by_code[int(c)].size)
    tag = np.array([-1 if int(c) in board_flat else tag_index[by_code[int(c)].name] for c in code])
    return Corners(unique // 100000, tag, code, flat, uv, whiten, seen)


def _priors(rig: Rig, size: tuple[int, int], focal: float | None) -> Priors:
    w, h = size
    longest = max(size)
    lens = np.array([focal or 0.8 * longest, 1.0, (w - 1) / 2, (h - 1) / 2, 0, 0, 0, 0, 0])
    sd = LENS_SD.copy()
    sd[0] *= lens[0]
    sd[2:4] *= longest
    b = rig.board
    if b.bar_measured is None:
        scale, scale_sd = 1.0, 0.005
    else:
        scale, scale_sd = b.bar_measured / b.bar_nominal, max(b.bar_tol / 2 / b.bar_nominal, 1e-6)
    along = None if b.bar_upright is None else b.bar_upright / b.bar_nominal
    return Priors(lens, sd, DF_SD, DC_SD * longest, scale, scale_sd, bow_sd=0.5, stretch_sd=STRETCH_SD,
                  scale_along=along, scale_along_sd=max(b.bar_tol / 2 / b.bar_nominal, 1e-6))


# --- start ----------------------------------------------------------------------------------------------------


def calibrate_on_board(layout: Layout, corners: Corners, photos: start.PhotoPoses, priors: Priors,
                       max_iterations: int = 25, robust_scale: float | None = 10.0) -> tuple[State, RigProblem]:
    """Lens and photo poses from the board's corners alone, by the same equations and solver."""
    on_board = corners.tag < 0
    only = Corners(*(getattr(corners, f)[on_board] for f in ("photo", "tag", "code", "flat", "uv", "whiten", "seen")))
    rig = replace(layout.rig, bodies={}, points={}, rods={}, wheels={}, tags={})
    plain = Layout(rig, (), (), (), (), layout.positions, (), layout.reference, layout.photos,
                   layout.photo_positions)
    n = len(layout.photos)
    state = State(photos.lens.copy(), priors.scale, np.zeros(3), np.eye(3), np.zeros(3), np.zeros((0, 3, 3)),
                  np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros(0),
                  photos.R, photos.t, np.zeros(n), np.zeros((n, 2)))
    problem = RigProblem(plain, only, priors, rig, robust_scale=robust_scale)
    return minimise(problem, state, max_iterations=max_iterations, rtol=1e-4).state, problem


def cold_start(rig: Rig, layout: Layout, corners: Corners, size: tuple[int, int], focal: float | None,
               priors: Priors) -> tuple[State, Corners, list[Finding]]:
    """A state near enough for the solver, from nothing but the corners, and what was odd on the way.

    Raises UserError where no photo gives a pose or the pivots cannot be laid on the drawing.
    """
    return _cold_start(rig, layout, corners, size, focal, priors)[:3]


def _cold_start(rig: Rig, layout: Layout, corners: Corners, size: tuple[int, int], focal: float | None,
                priors: Priors) -> tuple[State, Corners, list[Finding], dict[str, Finding]]:
    """As ``cold_start``, and the photos that must go before anything can be trusted, with the reason for each."""
    findings: list[Finding] = []
    photos = start.photo_poses(corners, len(layout.photos), size, focal)
    bad = ~np.isfinite(photos.t[:, 0])
    if bad.any():
        raise UserError(f"photo {layout.photos[int(np.argmax(bad))]}: the board's corners do not lie on a plane; "
                        "is it the board this rig file names, flat and whole? Remove the photo or reprint the board.")
    priors.lens[0] = photos.lens[0]
    board, _ = calibrate_on_board(layout, corners, photos, priors)
    photos = start.PhotoPoses(board.lens, board.photo_R, board.photo_t, board.df, board.dc)
    zoomed = {f.item: f for f in zoomed_photos(corners, layout, photos)}
    if 2 * len(zoomed) > len(layout.photos):
        zoomed = {}  # then it is the others that are odd, or the lens start was poor; the end of the fit says
    printed = replace(corners, flat=corners.flat * board.print_scale)  # tags come from the same printer as the board
    poses = start.tag_poses(printed, photos, layout.photo_positions)
    drop, found = screen_photos(printed, layout, photos, poses)
    findings += found
    if drop.any():
        corners = replace(corners, seen=corners.seen & ~drop[:, None])
        poses = start.tag_poses(replace(printed, seen=corners.seen), photos, layout.photo_positions)
    named = {(layout.tags[t], p): m for (t, p), m in poses.items()}
    hinges, ahead = start.body_hinges(rig, named, layout.reference, layout.bodies, layout.positions)
    n_tags = len(layout.tags)
    tag_r, tag_t = np.tile(np.eye(3), (n_tags, 1, 1)), np.zeros((n_tags, 3))
    for i, name in enumerate(layout.tags):
        if name in ahead:
            tag_r[i], tag_t[i] = ahead[name]
    balls = {}
    for i, name in enumerate(layout.tags):
        tag = rig.tags[name]
        if tag.centres_on is not None and name in ahead:
            balls[tag.centres_on] = tag_t[i] - tag.offset * tag_r[i][:, 2]
    places = {n: ahead[n][1] for n in layout.tags if rig.tags[n].place is not None and n in ahead}
    ar, at = np.eye(3), np.zeros(3)
    if layout.bodies:
        try:
            ar, at = start.align(rig, hinges, balls, places)
        except ValueError as e:
            raise UserError(f"the pivots cannot be laid on the drawing: {e}. Photograph more lever positions, "
                            "spread over the whole travel.") from e
    axis_p, axis_d = np.zeros((len(layout.bodies), 3)), np.zeros((len(layout.bodies), 3))
    angles = np.zeros(len(layout.angle_keys))
    turned: dict[str, dict[str, float]] = {}
    for i, name in enumerate(layout.bodies):
        drawn = ar.T @ np.asarray(rig.bodies[name].axis)
        h = hinges.get(name)
        if h is None or not h.certain:
            axis_p[i], axis_d[i] = ar.T @ (np.asarray(rig.bodies[name].pivot) - at), drawn
            continue
        sign = 1.0 if h.axis @ drawn > 0 else -1.0
        axis_d[i] = sign * h.axis
        drawn_p = ar.T @ (np.asarray(rig.bodies[name].pivot) - at)
        axis_p[i] = h.point + h.axis * (h.axis @ (drawn_p - h.point))
        turned[name] = {p: sign * a for p, a in h.angles.items()}
    linked = {b: a for b, a in turned.items() if rig.bodies[b].role not in ("wheel", "lean")}
    for name, at_positions in {**turned, **start.fill_angles(linked, layout.positions)}.items():
        for p, a in at_positions.items():
            if (name, p) in layout.angle_keys:
                angles[layout.angle_keys.index((name, p))] = a
    points = np.array([balls.get(n, ar.T @ (np.asarray(rig.points[n].xyz) - at)) for n in layout.points])
    points = points.reshape(-1, 3)
    rods = np.array([np.linalg.norm(points[layout.points.index(rig.rods[n].a)]
                                    - points[layout.points.index(rig.rods[n].b)]) for n in layout.rods])
    state = State(photos.lens.copy(), board.scale, board.bow, ar, at, tag_r, tag_t, axis_p, axis_d, points, rods,
                  angles, photos.R, photos.t, photos.df, photos.dc, board.stretch)
    if zoomed or not layout.bodies:
        return state, corners, findings, zoomed
    bumps = board_bumps(RigProblem(layout, corners, priors, rig), state, poses)
    bumped, spoilt = bump_finding(layout, bumps)
    if not spoilt:
        findings += bumped
    aside = {n: bumped[0] for n, p in zip(layout.photos, layout.photo_positions, strict=True) if p in spoilt}
    return state, corners, findings, aside


# --- after the solver -----------------------------------------------------------------------------------------


def _noise(problem: RigProblem, s: State) -> float:
    """Robust RMS of the normalised residuals per coordinate (median of the lengths; Rayleigh median 1.177)."""
    e = problem.normalised(problem.corner_residuals(s))
    return float(np.median(e[problem.corners.seen]) / 1.1774)


def _cluster_inflation(problem: RigProblem, s: State, used: NDArray[np.bool_]) -> float:
    """Factor on the corner uncertainty for errors that the corners of one tag share in one photo.

    Corners of one tag are not quite independent (paper not flat, lens residue). The variance of each
    group's mean residual is compared with that of independent corners; a shared part counts in full.
    """
    r = np.einsum("gnij,gnj->gni", problem.corners.whiten, problem.corner_residuals(s)) * used[..., None]
    n = used.sum(axis=1)
    big = n >= 8
    if big.sum() < 20:
        return 1.0
    sums = r[big].sum(axis=1)  # (g, 2)
    within = float(np.sum(r[big] ** 2) / (2 * n[big].sum()))
    ratio = float(np.mean(sums**2 / n[big, None]) / within)
    return float(np.sqrt(max(1.0, ratio)))


def _report(problem: RigProblem, s: State, obs: Observations, findings: list[Finding], sigma: float,
            iterations: int, began: float, used: NDArray[np.bool_]) -> Fit:
    layout, rig = problem.layout, problem.rig
    normal = problem.linearise(s)
    reduced, _, _ = reduced_system(normal)
    scale = 1 / np.sqrt(np.diag(reduced))
    cov = np.linalg.inv(reduced * scale[:, None] * scale[None, :]) * scale[:, None] * scale[None, :]
    drawing = problem.linearise(s, ("drawing",)).shared
    held = cov_with_datum_held(cov, layout)
    from_drawing = held @ drawing @ held  # the part of the covariance that comes through the drawing rows

    wheels = _measured_wheels(layout, cov)
    names = parameter_names(layout, wheels)
    built = as_built_rig(layout, s, wheels)
    geometry = list(range(layout.align.start, layout.first_angle))
    angle_slots = list(range(layout.first_angle, layout.size))

    def values(st: State) -> Array:
        return get_parameters(as_built_rig(layout, st, wheels), names)

    j = jacobian(layout, s, values, geometry)
    g = np.ix_(geometry, geometry)
    extra = extra_covariance(layout, names, wheels)
    built_cov = j @ cov[g] @ j.T + extra
    datum_cov = j @ held[g] @ j.T + extra
    all_drawn = j @ (cov @ drawing @ cov)[g] @ j.T + extra  # with the drawing's say in the alignment itself
    drawn_part = np.diag(j @ from_drawing[g] @ j.T) + np.diag(extra)
    total = np.maximum(np.diag(datum_cov), 1e-30)
    share = {n: float(np.clip(1 - d / t, 0, 1)) for n, d, t in zip(names, drawn_part, total, strict=True)}
    as_built = AsBuilt(built, names, built_cov, share)
    angle_cov = cov[np.ix_(angle_slots, angle_slots)]
    cross = cov[np.ix_(angle_slots, geometry)] @ j.T
    angles = {(b, layout.reference): 0.0 for b in layout.bodies}
    angles.update({k: float(a) for k, a in zip(layout.angle_keys, s.angles, strict=True)})

    residual = problem.corner_residuals(s)
    frame = _residual_table(problem, residual, used)
    photo_fits = {}
    by_photo = dict(list(frame.groupby("photo")))
    for i, name in enumerate(layout.photos):
        mine = by_photo.get(name, frame[:0])
        kept = mine[mine["weight"] > 0]
        rms = float(np.sqrt((kept["du"] ** 2 + kept["dv"] ** 2).mean() / 2)) if len(kept) else float("nan")
        photo_fits[name] = PhotoFit(name, layout.photo_positions[i], s.photo_R[i], s.photo_t[i], float(s.df[i]),
                                    s.dc[i].copy(), rms, len(kept), len(mine) - len(kept))
    lens_u = 1.96 * np.sqrt(np.diag(cov)[:LENS_N])
    camera = CameraFit(float(s.lens[0]), float(s.lens[1]), float(s.lens[2]), float(s.lens[3]), s.lens[4:9].copy(),
                       dict(zip(("f", "aspect", "cx", "cy", "k1", "k2", "p1", "p2", "k3"),
                                map(float, lens_u), strict=True)))
    print_u = 1.96 * np.sqrt(np.diag(cov)[[layout.scale, layout.stretch]])
    printed = PrintFit(float(s.scale), float(s.stretch), {"scale": float(print_u[0]), "stretch": float(print_u[1])})
    misfit = {}
    for row in problem.rows(s):
        if row.kind == "closure":
            rod, pos = row.item.split("|")
            misfit[rod, pos] = float(row.r[0] * problem.closure_sd(pos))
    findings = findings + final_findings(problem, s, cov, frame, sigma)
    tag_poses = {n: (s.align_R @ s.tag_R[i], s.align_R @ s.tag_t[i] + s.align_t)
                 for i, n in enumerate(layout.tags)}
    fit = Fit(as_built, camera, photo_fits, layout.positions, angles, layout.angle_keys, angle_cov, cross,
              s.align_R, s.align_t, tag_poses, frame, (), tuple(findings), sigma, misfit, 0.0, iterations,
              pivot_table(rig, replace(as_built, cov=datum_cov), layout), printed)
    figures = measured_figures(rig, fit, all_drawn)
    return replace(fit, figures=figures, seconds=time.perf_counter() - began)


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


def _measured_wheels(layout: Layout, cov: Array) -> tuple[str, ...]:
    """Sides whose spin axis the photos determine to better than half a degree."""
    out = []
    for side, w in layout.rig.wheels.items():
        if w.spin_body in layout.bodies:
            sl = layout.axis(w.spin_body)
            if float(np.sqrt(np.max(np.diag(cov)[sl][:2]))) < np.deg2rad(0.5):
                out.append(side)
    return tuple(out)


def _residual_table(problem: RigProblem, residual: Array, used: NDArray[np.bool_]) -> pd.DataFrame:
    c, layout = problem.corners, problem.layout
    g, n = np.nonzero(c.seen)
    tag_names = np.array([*layout.tags, "board"], dtype=object)
    return pd.DataFrame({
        "photo": np.array(layout.photos, dtype=object)[c.photo[g]],
        "position": np.array(layout.photo_positions, dtype=object)[c.photo[g]],
        "tag": tag_names[c.tag[g]], "code": c.code[g], "corner": n,
        "du": residual[g, n, 0], "dv": residual[g, n, 1], "weight": used[g, n].astype(float)})
