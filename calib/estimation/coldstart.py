"""From nothing but corners to a state near enough for the solver.

Lens and photo poses from the board, tag poses from them, hinges from the tags, the alignment with the drawing from
the hinges. Photos that would spoil the rest (zoomed ones, those of a bumped board) are named on the way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.estimation import start
from calib.estimation.blocks.corners import Corners
from calib.estimation.blocks.expected import Priors
from calib.estimation.diagnose import screen_photos, zoomed_photos
from calib.estimation.equations import RigProblem
from calib.estimation.frame import FrameRule
from calib.estimation.moved import board_bumps, bump_finding
from calib.estimation.onboard import calibrate_on_board
from calib.estimation.unknowns import Layout, State
from calib.results import Finding
from capture.errors import UserError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ColdStart:
    """Where the solver starts."""

    state: State
    corners: Corners  # without the groups that do not fit the rest
    priors: Priors  # the lens prior stands where the board puts the focal length
    findings: list[Finding]  # what was odd on the way
    spoilt: dict[str, Finding]  # photos that must go before anything can be trusted, with the reason for each
    poses: Mapping[tuple[int, str], start.Motion] = field(default_factory=dict)  # tag to board, by (tag, position)


class _Tags(NamedTuple):
    """Rough poses of the tags and what they say of the rig, board frame."""

    corners: Corners  # groups left
    poses: dict[tuple[int, str], start.Motion]  # (tag, position)
    hinges: dict[str, start.Hinge]
    ahead: dict[str, start.Motion]  # each tag straight ahead
    findings: list[Finding]


class _Hinges(NamedTuple):
    """Starting values of axes and joint angles, board frame."""

    points: Array  # (b, 3)
    axes: Array  # (b, 3)
    angles: Array  # (a,)


def cold_start(layout: Layout, corners: Corners, size: tuple[int, int], focal: float | None,
               priors: Priors) -> ColdStart:
    """A state near enough for the solver, and what was odd on the way. ``size`` (width, height) px, ``focal`` px.

    Raises UserError where no photo gives a pose or the pivots cannot be laid on the drawing.
    """
    photos = start.photo_poses(corners, len(layout.photos), size, focal)
    bad = ~np.isfinite(photos.t[:, 0])
    if bad.any():
        raise UserError(f"photo {layout.photos[int(np.argmax(bad))]}: the board's corners do not lie on a plane; "
                        "is it the board this rig file names, flat and whole? Remove the photo or reprint the board.",
                        "no_board", layout.photos[int(np.argmax(bad))])
    priors = replace(priors, lens=np.concatenate([photos.lens[:1], priors.lens[1:]]))
    board = calibrate_on_board(layout, corners, photos, priors)
    photos = start.PhotoPoses.of(board)
    zoomed = {f.item: f for f in zoomed_photos(corners, layout, photos)}
    if 2 * len(zoomed) > len(layout.photos):
        zoomed = {}  # then it is the others that are odd, or the lens start was poor; the end of the fit says
    tags = _place_tags(layout, corners, board, photos)
    state = _first_state(layout, tags, board, priors.frame)
    if zoomed or not layout.bodies:
        return ColdStart(state, tags.corners, priors, tags.findings, zoomed, tags.poses)
    bumps = board_bumps(RigProblem(layout, tags.corners, priors), state, tags.poses)
    bumped, spoilt = bump_finding(layout, bumps)
    aside = {n: bumped[0] for n, p in zip(layout.photos, layout.photo_positions, strict=True) if p in spoilt}
    return ColdStart(state, tags.corners, priors, tags.findings + ([] if spoilt else bumped), aside, tags.poses)


def _place_tags(layout: Layout, corners: Corners, board: State, photos: start.PhotoPoses) -> _Tags:
    """Poses of the tags by photo and position, without the groups that do not fit, and the hinges they turn on."""
    printed = replace(corners, flat=corners.flat * board.print_scale)  # tags come from the same printer as the board
    poses = start.tag_poses(printed, photos, layout.photo_positions)
    drop, findings = screen_photos(printed, layout, photos, poses)
    if drop.any():
        corners = replace(corners, seen=corners.seen & ~drop[:, None])
        poses = start.tag_poses(replace(printed, seen=corners.seen), photos, layout.photo_positions)
    named = {(layout.tags[t], p): m for (t, p), m in poses.items()}
    hinges, ahead = start.body_hinges(layout.rig, named, layout.reference, layout.bodies, layout.positions)
    return _Tags(corners, poses, hinges, ahead, findings)


def _first_state(layout: Layout, tags: _Tags, board: State, frame: FrameRule | None) -> State:
    """All unknowns from the rough poses; the frame laid onto the drawing, or as the rule has it."""
    rig, ahead = layout.rig, tags.ahead
    unseen = (np.eye(3), np.zeros(3))
    tag_r = np.array([ahead.get(n, unseen)[0] for n in layout.tags]).reshape(-1, 3, 3)
    tag_t = np.array([ahead.get(n, unseen)[1] for n in layout.tags]).reshape(-1, 3)
    balls = _balls(layout, ahead)
    ar, at = _align(layout, tags, balls) if frame is None else (frame.R, frame.t)
    hinges = _first_hinges(layout, tags.hinges, ar, at)
    points = np.array([balls.get(n, ar.T @ (np.asarray(rig.points[n].xyz) - at)) for n in layout.points])
    points = points.reshape(-1, 3)
    rods = np.array([np.linalg.norm(points[layout.points.index(rig.rods[n].a)]
                                    - points[layout.points.index(rig.rods[n].b)]) for n in layout.rods])
    return replace(board, align_R=ar, align_t=at, tag_R=tag_r, tag_t=tag_t, axis_p=hinges.points, axis_d=hinges.axes,
                   points=points, rods=rods, angles=hinges.angles)


def _balls(layout: Layout, ahead: Mapping[str, start.Motion]) -> dict[str, Array]:
    """Ball centres under the bolt-head tags that were seen, board frame, by point."""
    out = {}
    for name in layout.tags:
        tag = layout.rig.tags[name]
        if tag.centres_on is not None and name in ahead:
            r, t = ahead[name]
            out[tag.centres_on] = t - tag.offset * r[:, 2]
    return out


def _align(layout: Layout, tags: _Tags, balls: Mapping[str, Array]) -> start.Motion:
    """Rough board-to-frame motion; none where there is nothing to lay on a drawing."""
    if not layout.bodies:
        return np.eye(3), np.zeros(3)
    rig = layout.rig
    places = {n: tags.ahead[n][1] for n in layout.tags if rig.tags[n].place is not None and n in tags.ahead}
    try:
        return start.align(rig, tags.hinges, balls, places)
    except ValueError as e:
        raise UserError(f"the pivots cannot be laid on the drawing: {e}. Photograph more lever positions, "
                        "spread over the whole travel.", "cannot_align") from e


def _first_hinges(layout: Layout, hinges: Mapping[str, start.Hinge], ar: Array, at: Array) -> _Hinges:
    """Axes with the drawing's sense and place along them; the drawing's own where a part hardly turned."""
    rig = layout.rig
    points, axes = np.zeros((len(layout.bodies), 3)), np.zeros((len(layout.bodies), 3))
    turned: dict[str, dict[str, float]] = {}
    for i, name in enumerate(layout.bodies):
        drawn = ar.T @ np.asarray(rig.bodies[name].axis)
        drawn_p = ar.T @ (np.asarray(rig.bodies[name].pivot) - at)
        h = hinges.get(name)
        if h is None or not h.certain:
            points[i], axes[i] = drawn_p, drawn
            continue
        sign = 1.0 if h.axis @ drawn > 0 else -1.0
        axes[i] = sign * h.axis
        points[i] = h.point + h.axis * (h.axis @ (drawn_p - h.point))
        turned[name] = {p: sign * a for p, a in h.angles.items()}
    linked = {b: a for b, a in turned.items() if rig.bodies[b].role not in ("wheel", "lean")}
    filled = {**turned, **start.fill_angles(linked, layout.positions)}
    angles = np.array([filled.get(b, {}).get(p, 0.0) for b, p in layout.angle_keys])
    return _Hinges(points, axes, angles)
