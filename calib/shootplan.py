"""The shoot plan: how well a shoot will know the rig, before the first photo is taken.

A shoot of the design is made up (corners where they would be, no noise) and handed to the same estimate, so
the predicted uncertainties are the ones the real shoot would state with corners as good as assumed. Where
tags sit on their parts is not known yet: bolt-head tags sit on their bolts, other tags are taken to face up
(wheel tags outwards) near the hinge. Parts hiding each other are not considered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.advice.compare import judged_figures
from calib.advice.proposal import SHOOT_STOPS
from calib.estimation.bundle import Options, estimate
from calib.estimation.camera import project
from calib.linkage.mechanism import Linkage, body_motions
from calib.linkage.rotations import about, rotation
from calib.results import Figure, Fit
from calib.rig.discs import front_disc, rear_disc, touch
from calib.rig.figures import FIGURES
from calib.rig.model import Rig, Tag
from capture.errors import UserError
from capture.observations import COLUMNS, Observations, PhotoInfo
from capture.targets import CELLS, Board, saddle_points

Array = NDArray[np.float64]
VIEWS: tuple[tuple[str, float, float], ...] = (  # name, azimuth and elevation of the camera, deg
    ("from the left, above", 100.0, 40.0),
    ("from the right, above", -100.0, 40.0),
    ("from the front, high", 8.0, 52.0),
    ("from behind, high", 172.0, 58.0),
    ("from the front left, high", 48.0, 45.0),
    ("from the front right, high", -48.0, 45.0),
)
SHORT_OF_STOPS = 0.92  # share of the travel at which the outermost positions are set, where they are no stops
MOST_TILT = np.deg2rad(70.0)
ENOUGH = 1 / 3  # of a tolerance: an uncertainty above it leaves most verdicts open; common practice, no source
LEAST_CELL_PX = 3.0  # ring cell across its narrow side, below which corners are too poor to count on


@dataclass(frozen=True)
class ShootPlan:
    """Predicted 95 % half-widths for one way of shooting."""

    photos_per_position: int
    positions: tuple[str, ...]
    views: tuple[str, ...]
    figures: tuple[Figure, ...]  # values are the design's; u95 is the prediction
    unseen: tuple[str, ...]  # tags seen in fewer than two photos of some position
    pivot_u95: float = float("nan")  # mm, the worst coordinate of any pivot against the measured rig itself

    def worst(self, start: str) -> float:
        """Largest 95 % half-width among the figures whose name begins with ``start``; nan if none."""
        return max((f.u95 for f in self.figures if f.name.startswith(start)), default=float("nan"))


def plan_shoot(rig: Rig, photos_per_position: int = 4, *, megapixels: float = 12.0, distance: float = 1300.0,
               corner_px: float = 0.06, seed: int = 1) -> ShootPlan:
    """Predict what a shoot of ``photos_per_position`` (1..6) photos a position will know.

    ``distance`` mm from the middle of the tags; ``corner_px`` standard uncertainty of a saddle corner per
    axis. Raises UserError where such a shoot could not be evaluated at all.

    >>> from calib import parse_rig, starter_text
    >>> plan = plan_shoot(parse_rig(starter_text()), photos_per_position=3)
    >>> plan.worst("toe") < 0.2  # deg, 95 %
    True
    """
    if not 2 <= photos_per_position <= len(VIEWS):
        raise UserError(f"plan: photos a position must be 2 to {len(VIEWS)}, not {photos_per_position}.",
                        "out_of_range", "photos_per_position")
    # the made-up print is true to scale, so its bars read nominal however the real one turned out
    bars = [None if b is None else rig.board.bar_nominal for b in (rig.board.bar_measured, rig.board.bar_upright)]
    rig = replace(rig, board=replace(rig.board, bar_measured=bars[0], bar_upright=bars[1]))
    rng = np.random.default_rng(seed)
    width = int(round(np.sqrt(megapixels * 1e6 * 4 / 3)))
    height = int(round(width * 3 / 4))
    lens = np.array([0.78 * width, 1.0, (width - 1) / 2, (height - 1) / 2, 0.05, -0.1, 0, 0, 0.0])
    angles = position_angles(rig)
    tags = _tag_places(rig)
    board = Board.for_paper(rig.board.paper)
    board_r = about(np.array([0, 0, 1.0]), np.pi / 2)
    middle = np.mean([t for _, t in tags.values()], axis=0)
    board_t = np.array([middle[0], 0.0, middle[2] + 60.0])
    rows, photos = [], []
    seen_count: dict[tuple[str, str], int] = {}
    views = VIEWS[:photos_per_position]
    for pos, now in angles.items():
        motion = body_motions(rig, now)
        for k, (_, az, el) in enumerate(views):
            name = f"{pos}/{k + 1}"
            r, t = _camera(middle, distance, az + rng.normal(0, 4), el + rng.normal(0, 3), rng.normal(0, 10))
            found = 0
            things = [(code, "", board_r, board_t, flat) for code, flat in board.saddles().items()]
            for n, (tr, tt) in tags.items():
                mr, mt = motion[rig.tags[n].body]
                things.append((rig.tags[n].code, n, mr @ tr, mr @ tt + mt, saddle_points(rig.tags[n].size)))
            for code, tag, tr, tt, flat in things:
                x = flat @ tr[:, :2].T + tt
                uv = project(x @ r.T + t, lens)
                eye = -r.T @ t - x.mean(axis=0)
                tilt = np.arccos(np.clip(tr[:, 2] @ eye / np.linalg.norm(eye), -1, 1))
                cell = (rig.tags[tag].size if tag else board.tag_mm) / CELLS * lens[0] / np.linalg.norm(eye)
                inside = (uv > 5).all() and (uv < [width - 6, height - 6]).all()
                if not inside or tilt > MOST_TILT or cell * np.cos(tilt) < LEAST_CELL_PX:
                    continue
                found += 1
                if tag:
                    seen_count[tag, pos] = seen_count.get((tag, pos), 0) + 1
                rows.append(pd.DataFrame({"photo": name, "position": pos, "tag": code, "corner": range(len(uv)),
                                          "u": uv[:, 0], "v": uv[:, 1], "cuu": corner_px**2, "cuv": 0.0,
                                          "cvv": corner_px**2}))
            photos.append(PhotoInfo(name, pos, width, height, float(lens[0]), tags_found=found))
    if not rows:
        raise UserError("plan: no tag would be seen from the usual places; check the drawn places in the rig file.",
                        "tags_unseen")
    obs = Observations(pd.concat(rows, ignore_index=True)[COLUMNS], tuple(photos))
    fit = estimate(rig, obs, Options(noise_known=True))
    unseen = tuple(sorted({t for t in rig.tags for p in rig.positions if seen_count.get((t, p), 0) < 2
                           and rig.bodies.get(rig.tags[t].body) is not None
                           and rig.bodies[rig.tags[t].body].role != "wheel"}))
    table = fit.pivot_table
    pivots = table[table["what"].str.endswith(" pivot")]["u95"]
    return ShootPlan(photos_per_position, tuple(angles), tuple(v[0] for v in views), _figures(rig, fit), unseen,
                     max((max(u) for u in pivots), default=float("nan")))


def _figures(rig: Rig, fit: Fit) -> tuple[Figure, ...]:
    """What the estimate reads off by itself, and every figure of the table as the comparison would give it."""
    if not {"left", "right"} <= set(rig.wheels):
        return fit.figures
    judged = judged_figures(rig, fit.as_built)
    table = tuple(Figure(f.name, f.measured, f.u95, f.unit, f.from_photos) for f in judged)
    return (*(f for f in fit.figures if f.name not in FIGURES), *table)


def position_angles(rig: Rig) -> dict[str, dict[str, float]]:
    """Joint angles of the design at every position to shoot: lever positions spread evenly over the travel."""
    travel = rig.driver_travel
    names = list(rig.positions)
    k = names.index(rig.straight_ahead)
    link = Linkage(rig)
    out: dict[str, dict[str, float]] = {}
    for i, pos in enumerate(names):
        share = (i - k) / max(k, 1) if i < k else (i - k) / max(len(names) - 1 - k, 1)
        reach = 1.0 if pos in rig.stops else SHORT_OF_STOPS
        a = reach * share * (abs(travel[0]) if i < k else travel[1])
        out[pos] = dict(link.solve(float(a)))
    spins = [b for b in (*(w.spin_body for w in rig.wheels.values()), rig.rear.spin_body) if b]
    for j, pos in enumerate(rig.spin_positions):
        out[pos] = {**out[rig.straight_ahead], **{b: np.deg2rad(110.0) * (j + 1) for b in spins}}
    return out


def _camera(middle: Array, distance: float, azimuth: float, elevation: float, roll: float) -> tuple[Array, Array]:
    a, e = np.deg2rad(azimuth), np.deg2rad(elevation)
    away = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    z = -away
    x = np.cross(z, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    r = rotation(np.array([0, 0, np.deg2rad(roll)])) @ np.stack([x, np.cross(z, x), z])
    return r, -r @ (middle + distance * away)


def _tag_places(rig: Rig) -> dict[str, tuple[Array, Array]]:
    """Assumed tag-to-frame poses, straight ahead."""
    out = {}
    for n, tag in rig.tags.items():
        if tag.centres_on is not None:
            p = rig.points[tag.centres_on]
            axis = np.asarray(p.bolt if p.bolt is not None else rig.bodies[p.body].axis)
            place = np.asarray(p.xyz)
            side = 1.0 if abs(axis[1]) < 0.7 else float(np.sign(place[1] or 1.0))
            z = axis * np.sign(axis[2] if abs(axis[1]) < 0.7 else axis[1] or 1.0) * side
            out[n] = (_facing(z), place + tag.offset * z)
        elif tag.place is not None:
            out[n] = (_facing(np.array([0, 0, 1.0])), np.asarray(tag.place))
        elif tag.reference:
            out[n] = (_facing(np.array([0, 0, 1.0])), _reference_place(rig, tag))
        elif tag.body in rig.bodies:
            b = rig.bodies[tag.body]
            up = np.array([0, 0, 1.0])
            if b.role == "wheel":
                out_y = np.array([0, float(np.sign(b.pivot[1] or 1.0)), 0])
                out[n] = (_facing(out_y), np.asarray(b.pivot) + 40 * out_y + np.array([0, 0, 60.0]))
            else:
                out[n] = (_facing(up), np.asarray(b.pivot) + np.array([0, 0, 150.0]))
    return out


def _reference_place(rig: Rig, tag: Tag) -> Array:
    """Where a tag on the centre line or on the floor would be put: spread along the vehicle, or beside the wheels."""
    alike = [t.name for t in rig.tags.values() if t.reference and t.on_floor == tag.on_floor and t.place is None]
    k = alike.index(tag.name)
    if tag.on_floor:
        at = [touch(front_disc(rig, s)) for s in rig.wheels] + [touch(rear_disc(rig))]
        inward = [np.array([0, -120.0 * np.sign(x[1]), 0]) if abs(x[1]) > 1 else np.array([150.0, 0, 0]) for x in at]
        return np.asarray(at[k % len(at)] + inward[k % len(at)] + np.array([60.0 * (k // len(at)), 0, 0]))
    x = np.array([b.pivot[0] for b in rig.bodies.values() if b.role != "wheel"])
    z = max(b.pivot[2] for b in rig.bodies.values() if b.role != "wheel")
    share = 0.5 if len(alike) == 1 else k / (len(alike) - 1)
    return np.array([x.min() + share * np.ptp(x), 0.0, z + 40.0])


def _facing(z: Array) -> Array:
    x = np.cross([0, 0, 1.0], z) if abs(z[2]) < 0.9 else np.cross([0, 1.0, 0], z)
    x = x / np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z], axis=1)


def advice(rig: Rig, plans: Sequence[ShootPlan]) -> list[str]:
    """Plain lines: what each number of photos would know, and whether it is enough for the tolerances."""
    lines = []
    for p in plans:
        lines.append(f"{p.photos_per_position} photos at each of {len(p.positions)} positions ({'; '.join(p.views)}):")
        lever = p.worst(f"{rig.driver} angle")
        lines.append(f"  lever angle +/- {lever:.3f} deg, steer +/- {p.worst('steer'):.3f} deg, pivots +/- "
                     f"{p.pivot_u95:.2f} mm, rod lengths +/- {p.worst('length'):.2f} mm (95 %)")
        known = {f.name: f for f in p.figures}
        wanted = [(FIGURES[n], t, known[n]) for n, t in rig.targets.items() if n in known]
        if wanted:
            lines.append("  " + ", ".join(f"{k.short} +/- {f.u95:.{k.digits + 1}f} {k.unit}".rstrip()
                                          for k, _, f in wanted) + " (95 %)")
        for kind, target, figure in wanted:
            if figure.u95 > target.tolerance * kind.scale * ENOUGH:
                cure = "take more photos, closer, or with more pixels"
                if kind.one_stop and not rig.stops:
                    cure = SHOOT_STOPS
                lines.append(f"  not enough to judge {kind.short} well: {cure}")
        if p.unseen:
            lines.append("  may be seen in fewer than two photos of some position: " + ", ".join(p.unseen))
    if len(plans) > 1 and plans[-1].worst("length") > 0.9 * plans[0].worst("length"):
        lines.append("More photos hardly sharpen the rod lengths: they hang on how well the bolt tags are glued "
                     "(offset_tolerance). Steer is limited by how surely the drawn pivots tell level and straight.")
    if not rig.loaded:
        lines.append("All figures will be unloaded: to see what the rider's weight does, name a position loaded in the "
                     "rig file and photograph it with the rider aboard.")
    return lines
