"""Mistakes of the shoot or the build, named by cause and item."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.camera import camera_matrix
from calib.equations import Corners, RigProblem
from calib.results import Finding
from calib.rig import FRAME
from calib.rotations import rotation, rotation_vector, skew
from calib.start import Motion, PhotoPoses, compose, group_misfit, planar_poses
from calib.unknowns import Layout, State, retract

Array = NDArray[np.float64]
OFF_PX = 4.0  # a tag further than this from where the position's other photos put it has moved
ZOOM = 0.015  # relative focal change beyond what focusing and stabilising do to a phone lens
BUMP_MM, BUMP_RAD = 0.5, 0.003  # least shift or turn of the board that counts as a bump
STILL = np.array([0.0015] * 3 + [0.3] * 3)  # rad, mm: how still a board usually is
POSE_MM, POSE_RAD = 0.15, 0.003  # rough standard uncertainty of a tag's pose at one position


def zoomed_photos(c: Corners, layout: Layout, photos: PhotoPoses) -> list[Finding]:
    """Photos whose own focal length is far off the others': digital zoom, or cropped and blown up again.

    Strong zooms pull the shared lens and so the other photos, so only the photos nearly as far off as the worst
    are named; ask again without them.
    """
    off = np.abs(photos.df - np.median(photos.df))
    if off.max(initial=0.0) < ZOOM:
        return []
    worst = np.flatnonzero(off > max(ZOOM, 0.4 * float(off.max())))
    rest = np.argsort(off)[:5]
    usual = float(np.median([_zoom_of(c, int(p), photos) for p in rest]))
    out = []
    for p in worst:
        zoom = _zoom_of(c, int(p), photos) / usual
        if abs(zoom - 1) > ZOOM:
            name = layout.photos[p]
            out.append(Finding("digital_zoom", name, f"Photo {name} was set aside: its focal length is about "
                               f"{zoom:.2f} times that of the others: zoomed, or cropped. Take it again without zoom."))
    return out


def _zoom_of(c: Corners, p: int, photos: PhotoPoses) -> float:
    """Focal length over the shared one that suits a photo's board alone, to 1 %."""
    g = np.flatnonzero((c.photo == p) & (c.tag < 0))
    flat, uv = c.flat[g][c.seen[g]][::5], c.uv[g][c.seen[g]][::5]
    best = (np.inf, 1.0)
    for zoom in np.geomspace(0.5, 3.0, 181):
        lens = photos.lens.copy()
        lens[0] *= zoom
        poses = planar_poses(flat, uv, camera_matrix(lens), lens[4:9])
        if poses and poses[0][2] < best[0]:
            best = (poses[0][2], float(zoom))
    return best[1]


def board_bumps(problem: RigProblem, s: State, poses: Mapping[tuple[int, str], Motion]) -> dict[str, Motion]:
    """Shift of the board against the rig at each position, counted from straight ahead, (R, t) in mm.

    Fits tag poses only: every hinge, tag place and joint angle, and a free board motion for each position, by
    Gauss-Newton with Cauchy weights per tag, so that one slipped tag does not pass for a bump. Only positions
    with a bump beyond BUMP_MM or BUMP_RAD at the board's place are returned.
    """
    layout = problem.layout
    others = [p for p in layout.positions if p != layout.reference]
    board = {p: (np.eye(3), np.zeros(3)) for p in layout.positions}
    n = layout.size
    role = {b.name: b.role for b in problem.rig.bodies.values()}
    keys = [k for k in poses if role.get(problem.rig.tags[layout.tags[k[0]]].body) != "wheel"]  # wheels roll
    for _ in range(8):
        h, b = np.zeros((n + 6 * len(others),) * 2), np.zeros(n + 6 * len(others))
        motions = problem.motions(s)
        for tag, pos in keys:
            body = problem.rig.tags[layout.tags[tag]].body
            now = compose(board[pos], compose(motions.motion(body, pos), (s.tag_R[tag], s.tag_t[tag])))
            seen = poses[tag, pos]
            r = np.concatenate([rotation_vector(seen[0] @ now[0].T) / POSE_RAD, (seen[1] - now[1]) / POSE_MM])
            g, slots = problem._tag_twist(s, tag, pos)
            cols = list(slots)
            if pos in others:
                k = n + 6 * others.index(pos)
                g = np.concatenate([g, np.eye(6)], axis=1)
                cols += range(k, k + 6)
            # twist to turn and shift of the tag's middle
            j = np.concatenate([g[:3] / POSE_RAD, (g[3:] - skew(now[1]) @ g[:3]) / POSE_MM])
            w = 1 / (1 + float(r @ r) / 24)
            ix = np.asarray(cols)
            h[ix[:, None], ix[None, :]] += w * j.T @ j
            b[ix] += w * j.T @ r
        for i, p in enumerate(others):  # keeps the drift that all hinges leaning together would allow out of it
            own = np.arange(n + 6 * i, n + 6 * i + 6)
            h[own, own] += 1 / STILL**2
            b[own] -= np.concatenate([rotation_vector(board[p][0]), board[p][1]]) / STILL**2
        free = np.diag(h) > 0
        h[np.diag_indices_from(h)] += np.where(free, 1e-6 * np.diag(h) + 1e-9, 1.0)
        d: Array = np.asarray(np.linalg.solve(h, b), float)
        s = retract(layout, s, d[:n], np.zeros((len(layout.photos), 9)))
        for i, p in enumerate(others):
            x = d[n + 6 * i:n + 6 * i + 6]
            board[p] = compose((rotation(x[:3]), x[3:]), board[p])
        if np.abs(d[layout.first_angle:n]).max(initial=0.0) < 1e-4:
            break
    return {p: m for p, m in board.items()
            if np.linalg.norm(m[1]) > BUMP_MM or np.linalg.norm(rotation_vector(m[0])) > BUMP_RAD}


def bump_finding(layout: Layout, bumps: Mapping[str, Motion]) -> tuple[list[Finding], tuple[str, ...]]:
    """The sentence about a bumped board, and the positions to set aside (none where too few would be left)."""
    if not bumps:
        return [], ()
    rest = [p for p in layout.positions if p not in bumps and p not in layout.rig.spin_positions]
    worst = max(bumps, key=lambda p: float(np.linalg.norm(bumps[p][1])))
    mm = float(np.linalg.norm(bumps[worst][1]))
    deg = float(np.rad2deg(np.linalg.norm(rotation_vector(bumps[worst][0]))))
    where = ", ".join(f'"{p}"' for p in bumps)
    aside = tuple(bumps) if len(rest) >= 3 else ()
    what = "these positions were set aside" if aside else "too few positions are left without them, so do not trust " \
        "these results"
    text = (f"The board stands up to {mm:.1f} mm and {deg:.2f} deg elsewhere on the frame at {where} than at "
            f'"{layout.reference}": board or frame was bumped between the photos. {what[0].upper()}{what[1:]}; fix '
            "the board firmly and shoot again.")
    return [Finding("frame_bumped", "board", text)], aside


def screen_photos(c: Corners, layout: Layout, photos: PhotoPoses, poses: Mapping[tuple[int, str], Motion],
                  ) -> tuple[NDArray[np.bool_], list[Finding]]:
    """Groups to leave out before the estimate (g,), with the photos or tags that they belong to named.

    A photo most of whose moving tags lie away from where the other photos of its position put them was
    filed under the wrong position, or the rig moved between shots.
    """
    drop = np.zeros(len(c.tag), bool)
    findings: list[Finding] = []
    rig = layout.rig
    gap = np.full(len(c.tag), np.nan)
    for k in range(len(c.tag)):
        key = (int(c.tag[k]), layout.photo_positions[c.photo[k]])
        if c.tag[k] >= 0 and key in poses:
            gap[k] = group_misfit(c, k, photos, *poses[key])
    for p, name in enumerate(layout.photos):
        mine = np.flatnonzero((c.photo == p) & (c.tag >= 0) & np.isfinite(gap))
        moving = [int(g) for g in mine if rig.tags[layout.tags[c.tag[g]]].body != FRAME]
        off = [g for g in moving if gap[g] > OFF_PX]
        if len(moving) >= 3 and len(off) >= 0.6 * len(moving):
            drop[mine] = True
            other = _better_position(c, layout, photos, poses, moving, layout.photo_positions[p])
            here = layout.photo_positions[p]
            if other is not None:
                text = (f'Photo {name} is filed under "{here}" but the parts in it stand as in "{other}": move it '
                        "there. Only the board was used from it.")
                findings.append(Finding("wrong_position", name, text))
            else:
                text = (f'Photo {name}: its parts do not stand as in the other photos of "{here}". Was the lever '
                        "moved between shots, or the photo filed wrongly? Only the board was used from it.")
                findings.append(Finding("wrong_position", name, text))
        else:
            for g in off:
                drop[g] = True
                tag = layout.tags[c.tag[g]]
                findings.append(Finding("tag_misread", f"{name}: {tag}", f'Tag "{tag}" in photo {name} does not fit '
                                        "the other photos of that position and was left out there.", serious=False))
    return drop, findings


def _better_position(c: Corners, layout: Layout, photos: PhotoPoses, poses: Mapping[tuple[int, str], Motion],
                      groups: Sequence[int], here: str) -> str | None:
    best: tuple[float, str] | None = None
    for pos in layout.positions:
        if pos == here:
            continue
        errs = [group_misfit(c, g, photos, *poses[int(c.tag[g]), pos]) for g in groups if (int(c.tag[g]), pos) in poses]
        if len(errs) >= max(2, len(groups) // 2):
            score = float(np.median(errs))
            if best is None or score < best[0]:
                best = (score, pos)
    return best[1] if best is not None and best[0] < OFF_PX else None


def final_findings(problem: RigProblem, s: State, cov: Array, residuals: pd.DataFrame, sigma: float,
                   ) -> list[Finding]:
    """What the finished estimate shows to be odd: photos, tags, rods and joints that do not fit or are not known."""
    out: list[Finding] = []
    layout, rig = problem.layout, problem.rig
    total = residuals.groupby("photo")["weight"].agg(["size", "sum"])
    for name, row in total.iterrows():
        lost = 1 - row["sum"] / row["size"]
        if lost > 0.25:
            out.append(Finding("photo_poor", str(name), f"Photo {name}: {lost:.0%} of its corners do not fit the rest "
                               "and were put aside. Blurred, shaken, or something moved? Take it again."))
    by_tag = residuals[residuals["tag"] != "board"].groupby(["tag", "position"])["weight"].agg(["size", "sum"])
    lost_tag = 1 - by_tag["sum"] / by_tag["size"]
    for tag in layout.tags:
        if tag not in lost_tag.index.get_level_values(0):
            continue
        bad = lost_tag[tag][lost_tag[tag] > 0.3]
        if len(bad):
            where = ", ".join(f'"{p}"' for p in bad.index)
            out.append(Finding("tag_slipped", tag, f'Tag "{tag}" does not fit its part at {where}: it slipped or was '
                               "knocked, or a corner of it lifted. Fix it firmly and shoot again."))
    slipped = {f.item for f in out if f.cause == "tag_slipped"}
    knocked = {rig.tags[t].centres_on for t in slipped}
    for i, name in enumerate(layout.photos):
        if abs(s.df[i]) > ZOOM:
            out.append(Finding("digital_zoom", name, f"Photo {name} has a focal length {100 * s.df[i]:+.1f} % off the "
                               "others: zoomed or cropped? Take it again without zoom."))
    for rod in layout.rods:
        rows = [(r.item.split("|")[1], float(r.r[0])) for r in problem.rows(s)
                if r.kind == "closure" and r.item.startswith(rod + "|")]
        worst = max(rows, key=lambda x: abs(x[1]), default=("", 0.0))
        if {rig.rods[rod].a, rig.rods[rod].b} & knocked:
            continue  # the slipped tag on its end explains it
        if abs(worst[1]) > 4:
            more = worst[1] * problem.closure_sd(worst[0])
            out.append(Finding("rod_misfit", rod, f'Rod "{rod}" would have to be {more:+.2f} mm longer at '
                               f'"{worst[0]}" than at the other positions: play in a rod end, a clamp that slips, '
                               "or a part that bends. Check them by hand."))
    for body in layout.bodies:
        known = [k for k in layout.angle_keys if k[0] == body]
        if rig.bodies[body].role == "wheel":
            continue
        for key in known:
            slot = layout.angle(*key)
            if slot is not None and np.sqrt(cov[slot, slot]) > np.deg2rad(1.0):
                out.append(Finding("angle_unknown", body, f'The turn of {body} at "{key[1]}" is not known: its tag was '
                                   "not seen there. Photograph it from where the tag faces the camera."))
    if sigma > 2.0:
        out.append(Finding("corners_rough", "all photos", f"The corners scatter {sigma:.1f} times more than their "
                           "sharpness promises; the stated uncertainties allow for it. Flatter board, sharper photos "
                           "and firmly glued tags would help.", serious=False))
    board = np.abs(s.bow).max()
    if board > 1.0:
        out.append(Finding("board_bowed", "board", f"The board is bowed by about {board:.1f} mm over 100 mm. It is "
                           "allowed for, but glue it to something flat.", serious=False))
    if rig.board.bar_measured is None:
        out.append(Finding("scale_unknown", "board", "The printed scale bar has not been measured: lengths may be off "
                           "by up to 1 %. Measure it with calipers and enter scale_bar in the rig file.",
                           serious=False))
    return out
