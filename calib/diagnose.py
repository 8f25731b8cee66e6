"""Mistakes of the shoot or the build, named by cause and item."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.equations import Corners, RigProblem
from calib.results import Finding
from calib.rig import FRAME
from calib.start import Motion, PhotoPoses, group_misfit
from calib.unknowns import Layout, State

Array = NDArray[np.float64]
OFF_PX = 4.0  # a tag further than this from where the position's other photos put it has moved


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
    for g in range(len(c.tag)):
        key = (int(c.tag[g]), layout.photo_positions[c.photo[g]])
        if c.tag[g] >= 0 and key in poses:
            gap[g] = group_misfit(c, g, photos, *poses[key])
    for p, name in enumerate(layout.photos):
        mine = np.flatnonzero((c.photo == p) & (c.tag >= 0) & np.isfinite(gap))
        moving = [g for g in mine if rig.tags[layout.tags[c.tag[g]]].body != FRAME]
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
                     groups: list[int], here: str) -> str | None:
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
    for i, name in enumerate(layout.photos):
        if abs(s.df[i]) > 4 * problem.priors.df_sd:
            out.append(Finding("digital_zoom", name, f"Photo {name} has a focal length {100 * s.df[i]:+.1f} % off the "
                               "others: zoomed or cropped? Take it again without zoom."))
    for rod in layout.rods:
        rows = [(r.item.split("|")[1], float(r.r[0])) for r in problem.rows(s)
                if r.kind == "closure" and r.item.startswith(rod + "|")]
        worst = max(rows, key=lambda x: abs(x[1]), default=("", 0.0))
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
