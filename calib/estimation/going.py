"""An estimate of a shoot that goes on: from the last one and a few photos more, in a fraction of the time.

What the last estimate found of noise, play, hand, lens, holes and drawing stands; the new photos' poses and a new
position's joint angles are laid on it, and the whole problem takes two steps. That holds as long as the new photos
agree with what is known. Whatever they would bring besides (another camera, a zoom, corners that do not fit, a tag, a
part that was not there) is for an estimate from nothing, which looks for all that can be wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from calib.estimation import start
from calib.estimation.arrange import arrange, one_camera
from calib.estimation.blocks.corners import CornerBlock, Corners
from calib.estimation.bundle import REJECT, Estimated, Options, fielded
from calib.estimation.camera import camera_matrix
from calib.estimation.clustered import some_corners
from calib.estimation.equations import RigProblem
from calib.estimation.fitted import moved_fit
from calib.estimation.holes import with_holes
from calib.estimation.loaded import apart
from calib.estimation.solver import Normal, whole_step
from calib.estimation.unknowns import HAND_N, Layout, Motions, State
from calib.rig.model import FRAME, Rig
from capture.observations import Observations

Array = NDArray[np.float64]
Key = TypeVar("Key")
MOST_OUT = 0.05  # of a new photo's corners that may be outliers before it is said not to fit
OWN_STEPS, OWN_CLOSE = 12, 1e-3  # of a new photo's own unknowns, until its misfit falls by no more than this part
OWN_ODD = 4.0  # standard deviations from which a photo's own focal length or principal point is odd


def go_on(last: Estimated, rig: Rig, obs: Observations, options: Options | None = None) -> Estimated | None:
    """The estimate of ``obs``, which hold the last one's photos and a few more (or less); None: start from nothing.

    Findings are the last one's. Values and half-widths are those of an estimate from nothing to a small part of the
    half-width. UserError where the photos no longer carry an estimate.
    """
    options = options or Options()
    still, aboard = apart(rig, obs)
    if aboard is not None and len(aboard.photos) or rig.loaded and last.fit.loaded:
        return None
    if one_camera(still).findings:
        return None
    arranged = arrange(rig, still, options.min_photos)
    was = last.solved.problem.layout
    layout = replace(with_holes(arranged.layout, last.holes.use), loose=was.loose, fields=was.fields)
    if not _same_parts(layout, was):
        return None
    corners = arranged.corners
    scaled = last.solved.sigma * last.solved.inflation * last.solved.between
    corners = replace(corners, whiten=corners.whiten / scaled)
    state = _laid_on(last.solved.state, was, layout, corners)
    if state is None:
        return None
    old = last.solved.problem
    used = _used_before(corners, layout, last)
    problem = replace(old, layout=layout, corners=corners, weights=used.astype(float))
    if layout.fields:
        problem = replace(problem, corners=fielded(problem, state))
    new = np.isin(corners.photo, [i for i, p in enumerate(layout.photos) if p not in was.photos])
    state = _own_poses(problem, state, new)
    out = _out(problem, state, new, 2 * REJECT)
    if out.any() or any(p not in was.positions for p in layout.positions):  # a part may not have been seen there before
        state = whole_step(problem, state).state
        out = _out(problem, state, new, 2 * REJECT)
    used &= ~out
    problem = replace(problem, weights=used.astype(float))
    state, cov, *_ = whole_step(problem, state)
    if _misfits(problem, state, used, new) or _odd(problem, state, was):
        return None
    dof = last.solved.dof + 2 * int(used.sum() - last.solved.used.sum())
    solved = replace(last.solved, problem=problem, state=state, used=used, dof=max(dof, 1))
    fit, slope = moved_fit(last.fit, solved, cov, last.slope)
    return Estimated(fit, solved, last.holes, slope)


def _same_parts(now: Layout, was: Layout) -> bool:
    """Whether all that is solved for is the same but for photos and positions that came or went."""
    return (now.tags, now.bodies, now.points, now.rods, now.reference) == \
        (was.tags, was.bodies, was.points, was.rods, was.reference) and now.rig == was.rig


def _used_before(c: Corners, layout: Layout, last: Estimated) -> NDArray[np.bool_]:
    """Corners (g, 32) that count: those put aside before stay so."""
    was = last.solved.problem
    groups = zip(was.corners.photo, was.corners.code, last.solved.used, strict=True)
    before = {(was.layout.photos[p], int(code)): ~used for p, code, used in groups}
    none = np.zeros(c.seen.shape[1], bool)
    out = np.array([before.get((layout.photos[p], int(code)), none) for p, code in zip(c.photo, c.code, strict=True)])
    return np.asarray(c.seen & ~out, bool)


def _own_poses(problem: RigProblem, s: State, new: NDArray[np.bool_]) -> State:
    """The new photos' own unknowns, robustly, all shared ones as they are."""
    if not new.any():
        return s
    weights = None if problem.weights is None else problem.weights[new]
    block = CornerBlock(problem.layout, some_corners(problem.corners, new), 2 * REJECT, weights)
    mine = np.unique(problem.corners.photo[new])
    none, before = np.zeros(problem.layout.size), np.inf
    for _ in range(OWN_STEPS):
        n = Normal.zeros(problem.layout.size, len(problem.layout.photos), problem.layout.private)
        cost = block.add_to(n, Motions(problem.layout, s)) + problem.photo_block.add_to(n, s)
        if cost > before * (1 - OWN_CLOSE):
            break
        own = np.zeros_like(n.g_private)
        own[mine] = -np.linalg.solve(n.private[mine], n.g_private[mine][..., None])[..., 0]
        s, before = problem.retract(s, none, own), cost
    return s


def _out(problem: RigProblem, s: State, new: NDArray[np.bool_], sd: float) -> NDArray[np.bool_]:
    """Corners (g, 32) of the ``new`` groups that lie further out than ``sd`` standard uncertainties."""
    e = problem.normalised(problem.corner_residuals(s))
    return np.asarray((e > sd) & problem.corners.seen & new[:, None], bool)


def _misfits(problem: RigProblem, s: State, used: NDArray[np.bool_], new: NDArray[np.bool_]) -> bool:
    """Whether a new photo does not fit what is known: too many of its corners were or are outliers."""
    c = problem.corners
    bad = _out(problem, s, new, REJECT) | (c.seen & ~used & new[:, None])
    return any(bad[c.photo == p].sum() > MOST_OUT * c.seen[c.photo == p].sum() for p in np.unique(c.photo[new]))


def _odd(problem: RigProblem, s: State, was: Layout) -> bool:
    """Whether a new photo's own focal length or principal point is further off than those of this camera are."""
    new = [i for i, p in enumerate(problem.layout.photos) if p not in was.photos]
    off = np.concatenate([s.df[new] / problem.priors.df_sd, (s.dc[new] / problem.priors.dc_sd).ravel()])
    return bool(np.any(np.abs(off) > OWN_ODD))


# --- from the last state to one of the new layout ------------------------------------------------------------

def _laid_on(s: State, was: Layout, now: Layout, c: Corners) -> State | None:
    """The last state with the new photos' poses and the new positions' angles; None where they cannot be had."""
    photos = _poses(s, was, now, c)
    if not np.isfinite(photos.t).all():
        return None
    fresh = [p for p in now.positions if p not in was.positions]
    angles = dict(zip(was.angle_keys, map(float, s.angles), strict=True))
    if fresh:
        found = _angles(s, was, now, c, photos, fresh)
        if found is None:
            return None
        angles |= found
    return replace(
        s, angles=np.array([angles[k] for k in now.angle_keys]), photo_R=photos.R, photo_t=photos.t, df=photos.df,
        dc=photos.dc, off=_by_key(s.off, was.off_keys, now.off_keys, 6),
        flex=_by_key(s.flex, was.flex_keys, now.flex_keys, 6),
        hand=_by_key(s.hand, was.photos, now.photos, HAND_N) if now.fields else s.hand)


def _by_key(values: Array, was: Sequence[Key], now: Sequence[Key], width: int) -> Array:
    """Rows (len(now), width) of ``values`` by key; zero for keys that were not there."""
    have = dict(zip(was, values, strict=True))
    return np.array([have.get(k, np.zeros(width)) for k in now]).reshape(-1, width)


def _poses(s: State, was: Layout, now: Layout, c: Corners) -> start.PhotoPoses:
    """Poses of all photos: the last ones', and those of new photos from the board as the last lens sees it."""
    index = {p: i for i, p in enumerate(was.photos)}
    n = len(now.photos)
    out = start.PhotoPoses(s.lens, np.full((n, 3, 3), np.nan), np.full((n, 3), np.nan), np.zeros(n), np.zeros((n, 2)))
    for i, p in enumerate(now.photos):
        if (k := index.get(p)) is not None:
            out.R[i], out.t[i], out.df[i], out.dc[i] = s.photo_R[k], s.photo_t[k], s.df[k], s.dc[k]
            continue
        mine = (c.photo == i) & (c.tag < 0)
        seen = c.seen[mine]
        poses = start.planar_poses(c.flat[mine][seen] * s.print_scale, c.uv[mine][seen], camera_matrix(s.lens),
                                   s.lens[4:9])
        if poses:
            out.R[i], out.t[i] = poses[0][:2]
    return out


def _angles(s: State, was: Layout, now: Layout, c: Corners, photos: start.PhotoPoses, fresh: Sequence[str],
            ) -> dict[tuple[str, str], float] | None:
    """Joint angles at positions that were not there, from how each part's tags turned about its known axis."""
    mine = np.array([c.tag[g] >= 0 and now.photo_positions[c.photo[g]] in fresh for g in range(len(c.tag))])
    printed = replace(c, flat=c.flat * s.print_scale, seen=c.seen & mine[:, None])
    poses = start.tag_poses(printed, photos, now.photo_positions)
    ahead = Motions(was, s)
    out: dict[tuple[str, str], float] = {}
    for position in fresh:
        moved: dict[str, start.Motion] = {FRAME: (np.eye(3), np.zeros(3))}
        for b, name in enumerate(now.bodies):
            parent = moved[now.rig.bodies[name].parent]
            turned = [start.turned(s.axis_d[b], start.compose(start.inverse(parent), poses[t, position])[0]
                                   @ ahead.tag_place(t, was.reference)[0].T)
                      for t, tag in enumerate(now.tags)
                      if now.rig.tags[tag].body == name and (t, position) in poses]
            if not turned and now.rig.bodies[name].role not in ("wheel", "lean"):
                return None
            angle = float(np.median(turned)) if turned else 0.0
            if (name, position) in now.angle_keys:
                out[name, position] = angle
            moved[name] = start.compose(parent, start.turn_about(s.axis_p[b], s.axis_d[b], angle))
    return out
