"""What a shoot can carry: the photos, positions and unknowns that take part, and the corners by photo and tag."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation.blocks.corners import Corners
from calib.estimation.unknowns import Layout
from calib.results import Code, Finding
from calib.rig.model import FRAME, Rig
from capture.errors import UserError
from capture.observations import Observations, PhotoInfo
from capture.targets import SADDLES, Board, saddle_points

Array = NDArray[np.float64]
MIN_PHOTOS = 2  # photos a position needs
BOARD_CORNERS = 12  # least number of board corners a photo needs
_CODES = 100_000  # more than there are codes: photo and code in one number


class OneCamera(NamedTuple):
    """The photos of the camera that took most of them, and what is said of the others."""

    obs: Observations
    findings: list[Finding]


class Arranged(NamedTuple):
    """What takes part in the estimate."""

    obs: Observations
    layout: Layout
    corners: Corners


def one_camera(obs: Observations) -> OneCamera:
    """Keep the photos of the camera that took most of them; name the others."""
    kinds = Counter(_camera(p) for p in obs.photos)
    if len(kinds) <= 1:
        return OneCamera(obs, [])
    main = kinds.most_common(1)[0][0]
    findings = []
    for p in obs.photos:
        if _camera(p) == main:
            continue
        findings.append(_other_camera(p, *main))
    return OneCamera(only_photos(obs, [p for p in obs.photos if _camera(p) == main]), findings)


def _other_camera(p: PhotoInfo, camera: str, width: int, height: int, zoom: float) -> Finding:
    """How a photo's camera differs from that of most photos."""
    size = {"width": p.width, "height": p.height}
    if p.camera != camera:
        return Finding(Code.TWO_CAMERAS, p.name, facts={"camera": p.camera or "unknown", **size})
    if (p.width, p.height) != (width, height):
        return Finding(Code.RESIZED, p.name, facts={**size, "usual_width": width, "usual_height": height})
    return Finding(Code.DIGITAL_ZOOM, p.name, facts={"zoom_in_file": p.digital_zoom, "usual": zoom})


def _camera(p: PhotoInfo) -> tuple[str, int, int, float]:
    return p.camera, p.width, p.height, round(p.digital_zoom, 2)


def only_photos(obs: Observations, photos: Sequence[PhotoInfo]) -> Observations:
    """The observations in some of the photos."""
    return replace(obs, photos=tuple(photos), table=obs.table[obs.table["photo"].isin([p.name for p in photos])])


def arrange(rig: Rig, obs: Observations, min_photos: int = MIN_PHOTOS, findings: list[Finding] | None = None,
            ) -> Arranged:
    """Layout of the unknowns and the grouped corners for a shoot; photos and positions that cannot serve go.

    What was set aside is added to ``findings``. Raises UserError where too little is left.
    """
    findings = findings if findings is not None else []
    board = Board.for_paper(rig.board.paper)
    with_board = _with_board(board, obs, findings)
    counts = _photos_by_position(rig, obs, with_board)
    positions = _positions(rig, counts, min_photos, findings)
    photos = [p for p in obs.photos if p.name in with_board and p.position in positions]
    if len(photos) < 3:
        raise UserError(f"only {len(photos)} photo(s) show the board well enough; take more, with the whole board "
                        "in view, from different sides.", "few_photos")
    obs = _floor_once(rig, only_photos(obs, photos))
    _check_tags(rig, obs.table, findings)
    layout = make_layout(rig, obs, positions)
    return Arranged(obs, layout, group_corners(rig, board, obs, layout))


def _floor_once(rig: Rig, obs: Observations) -> Observations:
    """Without the floor's tags where the vehicle may have rolled: they count at straight ahead alone."""
    floor = [t.code for t in rig.tags.values() if t.on_floor]
    if not floor:
        return obs
    table = obs.table
    return replace(obs, table=table[~table["tag"].isin(floor) | (table["position"] == rig.straight_ahead)])


def _with_board(board: Board, obs: Observations, findings: list[Finding]) -> list[str]:
    """Names of the photos that show enough of the board."""
    per_photo = obs.table[obs.table["tag"].isin(board.ids)].groupby("photo").size()
    keep = [p.name for p in obs.photos if per_photo.get(p.name, 0) >= BOARD_CORNERS]
    for p in obs.photos:
        if p.name not in keep:
            findings.append(Finding(Code.NO_BOARD, p.name))
    return keep


def _photos_by_position(rig: Rig, obs: Observations, with_board: Sequence[str]) -> dict[str, int]:
    """How many photos of each position show the board and a part tag, in shooting order."""
    table = obs.table
    parts = table[table["tag"].isin(rig.tag_by_code()) & table["photo"].isin(with_board)]
    with_parts = set(parts["photo"])
    return dict(Counter(p.position for p in obs.photos if p.name in with_parts))


def _positions(rig: Rig, counts: Mapping[str, int], min_photos: int, findings: list[Finding]) -> tuple[str, ...]:
    """The positions with photos enough: those of the rig file in its order, then others."""
    for pos, n in counts.items():
        if n < min_photos and len(rig.bodies):
            if pos == rig.straight_ahead:
                raise UserError(f'position "{pos}" has only {n} usable photo; straight ahead is what all angles '
                                f"count from: take at least {max(min_photos, 4)} photos of it.", "few_photos", pos)
            findings.append(Finding(Code.FEW_PHOTOS, pos, (pos,), {"photos": n, "least": min_photos}))
    known = [*rig.positions, *rig.spin_positions, *rig.lean_positions]
    order = known + sorted(set(counts) - set(known))
    positions = tuple(p for p in order if counts.get(p, 0) >= (min_photos if rig.bodies else 1))
    for pos in known:
        if counts.get(pos, 0) == 0:
            if pos == rig.straight_ahead:
                raise UserError(f'there is no usable photo of position "{pos}", which the rig file calls straight '
                                f'ahead: put at least 4 photos of it into a folder named "{pos}".', "no_position", pos)
            findings.append(Finding(Code.NO_POSITION, pos, (pos,)))
    steered = [p for p in positions if p not in rig.spin_positions]
    if rig.bodies and len(steered) < 3:
        raise UserError(f"only {len(steered)} lever position(s) have enough photos; at least 3 are needed, 5 to 7 "
                        "are better: make a folder for each lever position with 4 or more photos.", "few_positions")
    return positions


def _check_tags(rig: Rig, table: pd.DataFrame, findings: list[Finding]) -> None:
    """Name tags that no photo shows; UserError where a part shows none of its own."""
    seen_codes = set(table["tag"])
    for body in rig.bodies.values():
        own = [t for t in rig.tags.values() if t.body == body.name]
        if any(t.code in seen_codes for t in own):
            continue
        if body.role in ("wheel", "lean") or not own:
            continue
        names = ", ".join(f'"{t.name}" (code {t.code})' for t in own)
        raise UserError(f"no tag of {body.name} was found in any photo: looked for {names}. Check that it is stuck "
                        "on, in view and not mirrored, and that the rig file names the right code.",
                        "tag_missing", body.name)
    for t in rig.tags.values():
        if t.code not in seen_codes:
            findings.append(Finding(Code.TAG_MISSING, t.name, facts={"printed_code": t.code},
                                    serious=t.centres_on is not None))


def make_layout(rig: Rig, obs: Observations, positions: tuple[str, ...]) -> Layout:
    """The unknowns that the photos of a shoot can say something of."""
    seen_codes = set(obs.table["tag"])
    tags = tuple(t.name for t in rig.tags.values() if t.code in seen_codes)
    bodies_seen = {rig.tags[t].body for t in tags}
    bodies = tuple(b.name for b in rig.parents_first()
                   if b.name in bodies_seen or any(rig.bodies[c].parent == b.name for c in bodies_seen if c != FRAME))
    points = tuple(n for n, p in rig.points.items() if p.body == FRAME or p.body in bodies)
    rods = tuple(n for n, r in rig.rods.items() if r.a in points and r.b in points)
    ref = rig.straight_ahead if rig.bodies else (positions[0] if positions else "")
    keys = tuple((b, p) for b in bodies for p in positions if p != ref)
    return Layout(rig, tags, bodies, points, rods, positions, keys, ref, tuple(p.name for p in obs.photos),
                  tuple(p.position for p in obs.photos))


def group_corners(rig: Rig, board: Board, obs: Observations, layout: Layout) -> Corners:
    """Corners of the table by (photo, tag)."""
    by_code = rig.tag_by_code()
    board_flat = board.saddles()
    photo_index = {n: i for i, n in enumerate(layout.photos)}
    tag_index = {n: i for i, n in enumerate(layout.tags)}
    t = obs.table
    t = t[t["tag"].isin(list(board_flat) + [c for c, g in by_code.items() if g.name in tag_index])]
    codes, ph = t["tag"].to_numpy(int), t["photo"].map(photo_index).to_numpy(int)
    key = ph * _CODES + codes
    unique, group = np.unique(key, return_inverse=True)
    g = len(unique)
    uv, whiten = np.zeros((g, SADDLES, 2)), np.tile(np.eye(2), (g, SADDLES, 1, 1))
    seen, flat = np.zeros((g, SADDLES), bool), np.zeros((g, SADDLES, 2))
    corner = t["corner"].to_numpy(int)
    uv[group, corner] = t[["u", "v"]].to_numpy()
    cov = replace(obs, table=t).covariances()
    whiten[group, corner] = np.linalg.inv(np.linalg.cholesky(cov))
    seen[group, corner] = True
    code = unique % _CODES
    for i, c in enumerate(code):
        flat[i] = board_flat[int(c)] if int(c) in board_flat else saddle_points(by_code[int(c)].size)
    tag = np.array([-1 if int(c) in board_flat else tag_index[by_code[int(c)].name] for c in code])
    return Corners(unique // _CODES, tag, code, flat, uv, whiten, seen)
