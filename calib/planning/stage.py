"""The made-up shoot: everything in its place, cameras set up, and the corners they would see."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation.foreseen import Planned
from calib.linkage.mechanism import Linkage, body_motions
from calib.linkage.steering import lean_joint, lean_range
from calib.planning.places import Pose, Stuck, board_pose, board_spots, tag_places
from calib.planning.views import CORNERS, Bar, Blocker, Patch, Ring, Seat, Sheet, View, hidden, nearest_seat, seen
from calib.rig.discs import rear_disc
from calib.rig.model import FRAME, Rig, approach_pairs
from capture.observations import COLUMNS, Observations, PhotoInfo
from capture.targets import PAPERS_MM, SADDLES, Board

Array = NDArray[np.float64]
SHORT_OF_STOPS = 0.92  # share of the travel at which the outermost positions are set, where they are no stops
SPUN = np.deg2rad(110.0)  # a wheel from one spin position to the next
CANDIDATES = tuple(View(float(az), el) for el in (43.0, 52.0) for az in range(-180, 180, 30))
# lower, wheels and seats hide tags; steeper, a photo hardly tells its own focal length from its distance
SPIN_VIEWS = (View(105.0, 39.0), View(-105.0, 39.0), View(75.0, 39.0), View(-75.0, 39.0))  # wheels from outside
HAND_AZ, HAND_EL, HAND_ROLL = 4.0, 3.0, 5.0  # deg: how far a hand-held camera is from where it was asked for
CLEAR = 22.0  # mm from the board's edge to what moves, seen from above
IN_THE_WAY = 30  # sightings that a bolt or tag under the board's edge counts as
K1, K2 = 0.05, -0.1  # a phone's usual barrel; it does not matter


@dataclass(frozen=True)
class Stage:
    """A vehicle with its tags and board, at every position to shoot."""

    rig: Rig
    tags: Mapping[str, Stuck]
    board: Pose  # board to frame
    angles: Mapping[str, Mapping[str, float]]  # position -> body -> rad
    patches: Mapping[str, tuple[Patch, ...]]  # position -> part tags
    on_board: tuple[Patch, ...]
    blockers: Mapping[str, tuple[Blocker, ...]]  # position -> what hides
    lens: Array  # (9,)
    size: tuple[int, int]  # px

    def points(self, position: str, view: View) -> Array:
        """Corners (n, 3) of the tags and of the board for a camera to hold in view at a position.

        Where wheels are turned by hand, a side's wheel and the board; else all parts, without the wheels.
        """
        wheels = {t.code for t in self.rig.tags.values() if t.body in self.rig.bodies
                  and self.rig.bodies[t.body].role == "wheel"}
        side = np.sign(np.sin(np.deg2rad(view.azimuth)))
        if position in self.rig.spin_positions:
            parts = [p for p in self.patches[position] if p.code in wheels and p.at[1] * side >= 0]
        else:
            parts = [p for p in self.patches[position] if p.code not in wheels]
        return np.concatenate([p.points(CORNERS * p.size) for p in (*parts, *self.on_board)])

    @property
    def lever_positions(self) -> tuple[str, ...]:
        return tuple(p for p in self.all_round if p not in self.rig.lean_positions)

    @property
    def all_round(self) -> tuple[str, ...]:
        """Positions where all tags but the wheels' are to be seen: those of the levers and those leaned over."""
        return tuple(p for p in self.angles if p not in self.rig.spin_positions)


def staged(rig: Rig, megapixels: float, board_at: Array | None = None) -> Stage:
    """The design with tags stuck on and board clamped where they see and hide least."""
    width = int(round(np.sqrt(megapixels * 1e6 * 4 / 3)))
    size = (width, int(round(width * 3 / 4)))
    lens = np.array([0.78 * width, 1.0, (size[0] - 1) / 2, (size[1] - 1) / 2, K1, K2, 0, 0, 0.0])
    angles, tags = position_angles(rig), tag_places(rig)
    patches = {p: _patches(rig, tags, a) for p, a in angles.items()}
    board = board_pose(_board_spot(rig, tags, patches[rig.straight_ahead]) if board_at is None else board_at)
    blockers: dict[str, tuple[Blocker, ...]] = {
        p: (_sheet(rig, board), *_wheels(rig, a), *_bars(rig)) for p, a in angles.items()}
    plan = Board.for_paper(rig.board.paper)
    on_board = tuple(Patch(code, board[0], board[0] @ [*c, 0.0] + board[1], plan.tag_mm)
                     for code, c in plan.tag_centres().items())
    return Stage(rig, tags, board, angles, patches, on_board, blockers, lens, size)


def _patches(rig: Rig, tags: Mapping[str, Stuck], angles: Mapping[str, float]) -> tuple[Patch, ...]:
    motion = body_motions(rig, angles)
    out = []
    for n, s in tags.items():
        r, t = motion[rig.tags[n].body] if rig.tags[n].body in motion else (np.eye(3), np.zeros(3))
        out.append(Patch(rig.tags[n].code, r @ s.R, r @ s.at + t, rig.tags[n].size))
    return tuple(out)


def _board_spot(rig: Rig, tags: Mapping[str, Stuck], patches: Sequence[Patch]) -> Array:
    """Where the board hides fewest tags from all candidate views and nothing moves under or over its edge.

    Among those the spot nearest to the tags.
    """
    points, normals = np.array([p.at for p in patches]), np.array([p.R[:, 2] for p in patches])
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    eyes = []
    for v in CANDIDATES:
        a, e = np.deg2rad(v.azimuth), np.deg2rad(v.elevation)
        eyes.append(middle + 1100.0 * np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)]))
    spots = board_spots(rig, tags)
    moving = np.array([p.xyz for p in rig.points.values() if p.body != FRAME] + list(points))

    def cost(spot: Array) -> int:
        sheet = _sheet(rig, board_pose(spot))
        near = int((np.abs((moving - spot) @ sheet.R[:, :2]) < sheet.half + CLEAR).all(axis=1).sum())
        seen_from = (np.sum((eye - points) * normals, axis=1) > 0 for eye in eyes)
        behind = (hidden(eye, points[:, None], [sheet]) for eye in eyes)
        return IN_THE_WAY * near + sum(int((a & b).sum()) for a, b in zip(seen_from, behind, strict=True))

    return min(spots, key=cost)


def _sheet(rig: Rig, board: Pose) -> Sheet:
    return Sheet(board[0], board[1], np.array(PAPERS_MM[rig.board.paper]) / 2)


def _wheels(rig: Rig, angles: Mapping[str, float]) -> list[Ring]:
    motion = body_motions(rig, angles)
    out = []
    for w in rig.wheels.values():
        r, t = motion[w.upright]
        out.append(Ring(r @ np.asarray(w.centre) + t, r @ np.asarray(w.spin), w.radius))
    rear = rear_disc(rig)
    return [*out, Ring(rear.centre, rear.spin, rear.radius)]


def _bars(rig: Rig) -> list[Bar]:
    return [Bar(np.asarray(o.a, float), np.asarray(o.b, float), o.radius) for o in rig.obstacles if o.body == FRAME]


def position_angles(rig: Rig) -> dict[str, dict[str, float]]:
    """Joint angles (rad) of the design at every position to shoot: lever positions spread evenly over the travel."""
    travel = rig.driver_travel
    link = Linkage(rig)
    out: dict[str, dict[str, float]] = {}
    for pos, share in lever_shares(rig).items():
        out[pos] = dict(link.solve(float(share * (abs(travel[0]) if share < 0 else travel[1]))))
    spins = [b for b in (*(w.spin_body for w in rig.wheels.values()), rig.rear.spin_body) if b]
    for j, pos in enumerate(rig.spin_positions):
        out[pos] = {**out[rig.straight_ahead], **{b: SPUN * (j + 1) for b in spins}}
    leaned = _leaned(rig, link)
    return out | {pos: {**out[rig.straight_ahead], **leaned[pos]} for pos in leaned}


def lever_shares(rig: Rig) -> dict[str, float]:
    """How far the levers are set at each of the positions, as a share of the way to the stop there; back negative.

    A position that is approached from both sides is one place.
    """
    place = {label: p for p, pair in approach_pairs(rig.positions).items() for label in pair}
    places = list(dict.fromkeys(place.get(p, p) for p in rig.positions))
    k = places.index(rig.straight_ahead)
    steps = {p: (i - k) / max(k if i < k else len(places) - 1 - k, 1) for i, p in enumerate(places)}
    return {p: (1.0 if p in rig.stops else SHORT_OF_STOPS) * steps[place.get(p, p)] for p in rig.positions}


def _leaned(rig: Rig, link: Linkage) -> dict[str, dict[str, float]]:
    """Joint angles at the positions leaned over, to one side and the other in turn, as far as the rods let it."""
    lean = lean_joint(rig)
    if lean is None or not rig.lean_positions:
        return {}
    angles = SHORT_OF_STOPS * lean_range(rig)
    swept = link.sweep(angles, driver=lean, fixed={rig.driver: 0.0})
    ends = np.flatnonzero(swept.reached)[[0, -1]]
    return {pos: {b: float(a[ends[j % 2]]) for b, a in swept.angles.items() if np.isfinite(a[ends[j % 2]])}
            for j, pos in enumerate(rig.lean_positions)}


@dataclass(frozen=True)
class Shot:
    """One photo: its name, position and camera, and the codes it sees with their pixels (32, 2)."""

    name: str
    position: str
    seat: Seat
    sees: Mapping[int, Array]


def shoot(stage: Stage, views: Mapping[str, Sequence[View]], rng: np.random.Generator | None = None) -> list[Shot]:
    """The photos of ``views`` by position; ``rng``: hand-held, a little off the place asked for."""
    out = []
    for pos, wanted in views.items():
        for k, v in enumerate(wanted, 1):
            roll, held = 0.0, v
            if rng is not None:
                held = View(v.azimuth + rng.normal(0, HAND_AZ), v.elevation + rng.normal(0, HAND_EL))
                roll = float(rng.normal(0, HAND_ROLL))
            s = nearest_seat(held, stage.points(pos, v), stage.lens, stage.size, roll)
            found = seen(s, (*stage.on_board, *stage.patches[pos]), stage.lens, stage.size, stage.blockers[pos])
            out.append(Shot(f"{pos}/{k}", pos, s, found))
    return out


def observations(stage: Stage, shots: Sequence[Shot], corner_px: float) -> Observations:
    """The table of corners of ``shots``, without noise; ``corner_px``: standard uncertainty stated for each."""
    rows = [(s, code, uv) for s in shots for code, uv in s.sees.items()]
    n = SADDLES
    uv = np.concatenate([x for _, _, x in rows]) if rows else np.zeros((0, 2))
    table = pd.DataFrame({
        "photo": np.repeat([s.name for s, _, _ in rows], n), "position": np.repeat([s.position for s, _, _ in rows], n),
        "tag": np.repeat([c for _, c, _ in rows], n).astype(int), "corner": np.tile(np.arange(n), len(rows)),
        "u": uv[:, 0], "v": uv[:, 1], "cuu": corner_px**2, "cuv": 0.0, "cvv": corner_px**2})
    w, h = stage.size
    photos = tuple(PhotoInfo(s.name, s.position, w, h, float(stage.lens[0]), tags_found=len(s.sees)) for s in shots)
    return Observations(table[COLUMNS], photos)


def planned(stage: Stage, shots: Sequence[Shot]) -> Planned:
    """Where everything is, for the estimate."""
    return Planned(stage.lens, stage.board, {n: (s.R, s.at) for n, s in stage.tags.items()}, stage.angles,
                   {s.name: (s.seat.R, s.seat.t) for s in shots})


def sightings(stage: Stage, shots: Sequence[Shot]) -> dict[tuple[str, str], int]:
    """How many photos of each lever position see each tag, by (tag, position)."""
    by_code = stage.rig.tag_by_code()
    out = {(t, p): 0 for t in stage.tags for p in stage.angles}
    for s in shots:
        for code in s.sees:
            if code in by_code:
                out[by_code[code].name, s.position] += 1
    return out


def nearest_view(stage: Stage, tag: str, positions: Sequence[str], taken: Sequence[View]) -> View | None:
    """The candidate view from which a tag is seen at most of ``positions``, one not taken yet; None: from nowhere."""
    code = stage.rig.tags[tag].code
    some = list(dict.fromkeys([positions[0], positions[len(positions) // 2], positions[-1]]))
    old = {(v.azimuth, v.elevation) for v in taken}
    turned = SPIN_VIEWS if set(some) & set(stage.rig.spin_positions) else ()
    best, most = None, 0
    for v in (v for v in (*CANDIDATES, *turned) if (v.azimuth, v.elevation) not in old):
        count = 0
        for pos in some:
            s = nearest_seat(v, stage.points(pos, v), stage.lens, stage.size)
            patch = [p for p in stage.patches[pos] if p.code == code]
            count += code in seen(s, patch, stage.lens, stage.size, stage.blockers[pos])
        if count > most:
            best, most = v, count
    return best
