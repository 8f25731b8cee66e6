"""An invented as-built vehicle with everything known: what the photos are rendered from.

Its linkage is solved here by closing the rods with a general root finder, on purpose apart from
calib.linkage.mechanism, so that the two can be held against each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, root
from scipy.spatial.transform import Rotation

from calib.rig.model import FRAME, Body, Rig, Tag, Vec
from calib.rig.reader import load_rig
from capture.targets import Board, saddle_points
from tests.render.camera import Camera, Lens, look_at

Array = NDArray[np.float64]
Pose = tuple[Array, Array]  # (R, t)

PRINT_SCALE = 180.65 / 180.0  # every print from the same printer
BOW = (0.06, 0.24, 0.05)  # mm of bow at 100 mm: x^2, y^2, xy
# the levers are coupled: the first one at its stop ends the travel of both
NOMINAL_DEG = {"back3": -28.0, "back2": -19.0, "back1": -9.5, "ahead": 0.0,
               "push1": 9.5, "push2": 19.0, "push3": 28.5}


def vec(a: Array | Sequence[float]) -> Vec:
    x, y, z = (float(v) for v in a)
    return (x, y, z)


def turn(axis: Array | Vec, angle: float) -> Array:
    """Rotation matrix about a unit axis, rad."""
    return np.asarray(Rotation.from_rotvec(np.asarray(axis, float) * angle).as_matrix())


@dataclass(frozen=True)
class Errors:
    """How the built vehicle differs from its drawing; mm and degrees, frame axes."""

    pivots: Mapping[str, Vec] = field(default_factory=dict)  # body -> shift of its pivot
    tilts: Mapping[str, Vec] = field(default_factory=dict)  # body -> small turn of its axis, deg
    points: Mapping[str, Vec] = field(default_factory=dict)  # point or point@hole -> shift
    spins: Mapping[str, Vec] = field(default_factory=dict)  # side -> small turn of the spin axis, deg
    centres: Mapping[str, Vec] = field(default_factory=dict)  # side -> shift of the wheel centre
    tie_error: float = 0.0  # mm added to the right tie rod against zero toe
    heading: float = 0.0  # deg, mean wheel heading at the straight-ahead label


@dataclass(frozen=True)
class Shot:
    """One photo: its place in the folder, lever position and camera; EXIF orientation it is stored with."""

    name: str
    position: str
    camera: Camera
    orientation: int = 1


@dataclass(frozen=True)
class Truth:
    """A shoot with nothing unknown. Frame axes, mm, rad."""

    rig: Rig  # as built, straight-ahead assembly
    angles: Mapping[tuple[str, str], float]  # (body, position) -> rad from straight ahead
    tags: Mapping[str, Pose]  # tag name -> tag to frame, straight ahead
    board: Board
    board_pose: Pose  # board to frame
    scale: float  # printed mm per drawn mm across the sheet, board and part tags alike
    bow: Vec  # see BOW
    lens: Lens
    shots: tuple[Shot, ...]
    errors: Errors = Errors()
    stretch: float = 1.0  # printed scale along the sheet over that across it; drawn photos have none
    play: Mapping[tuple[str, str], Pose] = field(default_factory=dict)  # (body, position) -> off its hinge
    flex: Mapping[str, Pose] = field(default_factory=dict)  # position -> parts against board, frame axes
    warps: Mapping[str, Vec] = field(default_factory=dict)  # tag -> mm at half edge: x^2, y^2, xy
    s_bow: float = 0.0  # mm, the board in an S along its longer side

    @property
    def print_scale(self) -> Array:
        """Printed mm per drawn mm across (x) and along (y) the sheet, (2,)."""
        return self.scale * np.array([1.0, self.stretch])

    def body_pose(self, body: str, position: str) -> Pose:
        """(R, t) carrying straight-ahead places of ``body`` to those at ``position``."""
        return body_pose(self.rig, body, {b: self.angles.get((b, position), 0.0) for b in self.rig.bodies},
                         {b: m for (b, p), m in self.play.items() if p == position})

    def flexed_pose(self, body: str, position: str) -> Pose:
        """``body_pose`` and how all parts stood off the board at ``position``."""
        R, t = self.body_pose(body, position)
        q, v = self.flex.get(position, (np.eye(3), np.zeros(3)))
        return q @ R, q @ t + v

    def tag_pose(self, tag: str, position: str) -> Pose:
        """Tag to frame at ``position``, as the board stood there straight ahead without flex."""
        R, t = self.flexed_pose(tag_body(self.rig, tag), position)
        tr, tt = self.tags[tag]
        return R @ tr, R @ tt + t

    def tag_saddles(self, tag: str, position: str) -> Array:
        """(32, 3) true saddle places in frame axes."""
        R, t = self.tag_pose(tag, position)
        p = saddle_points(self.rig.tags[tag].size) * self.print_scale
        return np.column_stack([p, self.tag_height(tag, p[:, 0], p[:, 1])]) @ R.T + t

    def tag_height(self, tag: str, x: Array, y: Array) -> Array:
        """How far a tag's paper stands off its plane, mm, at printed mm from its middle."""
        x, y = 2 * np.stack([x, y]) / self.rig.tags[tag].size / self.print_scale.reshape(2, *[1] * np.ndim(x))
        a, b, c = self.warps.get(tag, (0.0, 0.0, 0.0))
        return a * x * x + b * y * y + c * x * y  # half edge 1

    def board_points(self, xy: Array) -> Array:
        """Frame places (n, 3) of board points given in drawn mm (n, 2): print scale and bow applied."""
        p = np.asarray(xy, float) * self.print_scale
        R, t = self.board_pose
        return np.column_stack([p, self.board_height(p[:, 0], p[:, 1])]) @ R.T + t

    def board_height(self, x: Array, y: Array) -> Array:
        """How far the board's paper stands off its plane, mm, at printed mm from its middle."""
        z = (self.bow[0] * x * x + self.bow[1] * y * y + self.bow[2] * x * y) / 1e4
        if not self.s_bow:
            return z
        half = np.abs(np.concatenate(list(self.board.saddles().values()))).max(axis=0)
        k = int(np.argmax(half))
        return z + self.s_bow * np.sin(np.pi * (x, y)[k] / self.print_scale[k] / half[k])

    def board_camera(self, shot: Shot) -> Pose:
        """(R, t) of a photo with respect to the board: x_cam = R x_board + t."""
        R, t = self.board_pose
        return shot.camera.R @ R, shot.camera.R @ t + shot.camera.t

    def heading(self, side: str, position: str) -> float:
        """Wheel heading, rad, left positive: spin axis projected on the ground (ISO 8855 steer angle)."""
        w = self.rig.wheels[side]
        R, _ = self.body_pose(w.upright, position)
        s = R @ np.asarray(w.spin)
        return float(np.arctan2(-s[0], s[1]))

    @property
    def positions(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(s.position for s in self.shots))


def tag_body(rig: Rig, tag: str) -> str:
    """The body a tag rides on."""
    t = rig.tags[tag]
    return rig.points[t.centres_on].body if t.centres_on else t.body


def body_pose(rig: Rig, body: str, angles: Mapping[str, float], play: Mapping[str, Pose] | None = None) -> Pose:
    """(R, t) of a body for joint angles about straight-ahead axes; ``play``: how it stands off its hinge."""
    if body == FRAME:
        return np.eye(3), np.zeros(3)
    b = rig.bodies[body]
    R, t = body_pose(rig, b.parent, angles, play)
    if play and body in play:
        R, t = R @ play[body][0], R @ play[body][1] + t
    q, c = turn(b.axis, angles.get(body, 0.0)), np.asarray(b.pivot)
    return R @ q, R @ (c - q @ c) + t


def chain_bodies(rig: Rig) -> list[str]:
    """Bodies the rods drive, without the driver and the wheels."""
    used = {rig.points[p].body for r in rig.rods.values() for p in (r.a, r.b)}
    return [b for b in rig.bodies if b in used and b != rig.driver]


def gap(rig: Rig, rod: str, angles: Mapping[str, float], play: Mapping[str, Pose] | None = None) -> float:
    """Distance of a rod's two holes less its length, mm."""
    ends = []
    for p in (rig.rods[rod].a, rig.rods[rod].b):
        R, t = body_pose(rig, rig.points[p].body, angles, play)
        ends.append(R @ np.asarray(rig.points[p].xyz) + t)
    return float(np.linalg.norm(ends[0] - ends[1]) - rig.rods[rod].length)


def solve(rig: Rig, driver: float, start: Mapping[str, float] | None = None,
          play: Mapping[str, Pose] | None = None) -> dict[str, float]:
    """Joint angles with all rods closed at the driver angle (rad), by small steps from ``start``."""
    names = chain_bodies(rig)
    at = dict(start or {b: 0.0 for b in rig.bodies})
    begin = at.get(rig.driver, 0.0)
    for d in np.linspace(begin, driver, max(2, int(abs(driver - begin) / np.deg2rad(4)) + 2)):
        # counted from 1, not 0: the root finder's difference step is relative to its unknowns
        def misfit(y: Array, d: float = float(d)) -> list[float]:
            a = dict(zip(names, y - 1.0, strict=True)) | {rig.driver: d}
            return [gap(rig, r, a, play) for r in rig.rods]

        sol = root(misfit, [1.0 + at.get(n, 0.0) for n in names], tol=1e-13)
        if np.abs(sol.fun).max() > 1e-7:
            raise ValueError(f"the invented linkage does not close at {np.rad2deg(d):.1f} deg")
        at = dict(zip(names, sol.x - 1.0, strict=True)) | {rig.driver: float(d)}
    return at


def with_distances(rig: Rig, rods: Sequence[str], angles: Mapping[str, float] | None = None) -> Rig:
    """The rig with the lengths of ``rods`` set to the present distance of their holes."""
    out = dict(rig.rods)
    for r in rods:
        out[r] = replace(out[r], length=out[r].length + gap(rig, r, angles or {}))
    return replace(rig, rods=out)


def moved(rig: Rig, angles: Mapping[str, float]) -> Rig:
    """The same vehicle described in the assembly reached at ``angles`` (which becomes the new zero).

    The stops stay where they are on the vehicle, so that each travel counts from the new zero.
    """
    poses = {b: body_pose(rig, b, angles) for b in [*rig.bodies, FRAME]}

    def place(body: str, v: Vec) -> Vec:
        R, t = poses[body]
        return vec(R @ np.asarray(v) + t)

    def point_to(body: str, v: Vec) -> Vec:
        return vec(poses[body][0] @ np.asarray(v))

    def counted(b: Body) -> tuple[float, float] | None:
        return b.travel and (b.travel[0] - angles.get(b.name, 0.0), b.travel[1] - angles.get(b.name, 0.0))

    bodies = {n: replace(b, pivot=place(b.parent, b.pivot), axis=point_to(b.parent, b.axis), travel=counted(b))
              for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={h: place(p.body, v) for h, v in p.holes.items()},
                         bolt=point_to(p.body, p.bolt or rig.bodies[p.body].axis))
              for n, p in rig.points.items()}
    wheels = {s: replace(w, centre=place(w.upright, w.centre), spin=point_to(w.upright, w.spin))
              for s, w in rig.wheels.items()}
    return replace(rig, bodies=bodies, points=points, wheels=wheels)


def _heading(rig: Rig, side: str, angles: Mapping[str, float]) -> float:
    w = rig.wheels[side]
    s = body_pose(rig, w.upright, angles)[0] @ np.asarray(w.spin)
    return float(np.arctan2(-s[0], s[1]))


def toe_in(rig: Rig, angles: Mapping[str, float]) -> float:
    """Total toe-in, rad: the left wheel's heading to the right plus the right wheel's to the left."""
    return _heading(rig, "right", angles) - _heading(rig, "left", angles)


def build(design: Rig, e: Errors) -> Rig:
    """The as-built rig in its straight-ahead assembly, from the drawing and its errors."""
    def off(v: Vec, d: Vec) -> Vec:
        return vec(np.add(v, d))

    def tilted(v: Vec, deg: Vec) -> Vec:
        return vec(np.asarray(Rotation.from_rotvec(np.deg2rad(deg)).as_matrix()) @ np.asarray(v))

    none = (0.0, 0.0, 0.0)
    bodies = {n: replace(b, pivot=off(b.pivot, e.pivots.get(n, none)),
                         axis=tilted(b.axis, e.tilts.get(n, none)))
              for n, b in design.bodies.items()}
    points = {}
    for n, p in design.points.items():
        d = e.points.get(n, none)
        bolt = tilted(p.bolt or design.bodies[p.body].axis, e.tilts.get(p.body, none))
        holes = {h: off(off(v, d), e.points.get(f"{n}@{h}", none)) for h, v in p.holes.items()}
        points[n] = replace(p, holes=holes, bolt=bolt)
    wheels = {s: replace(w, centre=off(w.centre, e.centres.get(s, none)),
                         spin=tilted(w.spin, e.spins.get(s, none)))
              for s, w in design.wheels.items()}
    for w in wheels.values():  # a wheel body's hinge is the wheel's axle
        if w.spin_body:
            bodies[w.spin_body] = replace(bodies[w.spin_body], pivot=w.centre, axis=w.spin)
    rig = with_distances(replace(design, bodies=bodies, points=points, wheels=wheels), list(design.rods))
    return set_ahead(set_tie(rig, "right_tie", e.tie_error), e.heading)


def set_tie(rig: Rig, tie: str, error: float) -> Rig:
    """The right-hand tie rod set ``error`` mm longer than what gives zero toe at straight ahead."""
    if tie not in rig.rods:
        return rig

    def toe_at(change: float) -> float:
        r = replace(rig.rods[tie], length=rig.rods[tie].length + change)
        trial = replace(rig, rods={**rig.rods, tie: r})
        return toe_in(trial, solve(trial, 0.0))

    zero = brentq(toe_at, -8.0, 8.0, xtol=1e-9)
    return replace(rig, rods={**rig.rods, tie: replace(rig.rods[tie],
                                                       length=rig.rods[tie].length + float(zero) + error)})


def ahead_angles(rig: Rig, heading_deg: float) -> dict[str, float]:
    """Joint angles at which the mean wheel heading is ``heading_deg``."""
    def mean(driver: float) -> float:
        a = solve(rig, driver)
        return (_heading(rig, "left", a) + _heading(rig, "right", a)) / 2 - np.deg2rad(heading_deg)

    return solve(rig, float(brentq(mean, -0.12, 0.12, xtol=1e-11)))


def set_ahead(rig: Rig, heading_deg: float) -> Rig:
    """The rig described at the lever place the builder calls straight ahead."""
    return moved(rig, ahead_angles(rig, heading_deg))


# --- the sample vehicle ---

SAMPLE_ERRORS = Errors(
    pivots={"left_lever": (2.1, -1.3, -8.6), "right_lever": (-1.6, 0.9, 0.7), "crank": (1.2, -0.8, 0.5),
            "left_upright": (0.6, -0.9, 0.4), "right_upright": (-0.5, 0.4, -0.6)},
    tilts={"left_lever": (0.5, 0.0, 0.33), "right_lever": (-0.3, 0.0, 0.26), "crank": (0.2, -0.15, 0.0),
           "left_upright": (0.1, -0.8, 0.0), "right_upright": (0.5, 0.1, 0.0)},
    points={"left_lever.rod": (0.4, 0.3, -0.2), "right_lever.rod": (-0.5, 0.2, 0.3),
            "crank.left_in": (0.3, 0.4, -0.3), "crank.right_in": (-0.2, 1.1, 0.4),
            "crank.left_out": (-0.6, 0.3, 0.2), "crank.right_out": (0.4, 0.5, -0.3),
            "left_upright.arm": (0.5, -0.4, 0.6), "right_upright.arm": (-0.3, -0.5, 0.4)},
    spins={"left": (0.3, 0.0, 0.25), "right": (-0.25, 0.0, 0.35)},
    centres={"left": (0.5, 0.8, -0.4), "right": (-0.7, 0.3, 0.5)},
    tie_error=-2.6, heading=0.2)


def random_errors(rig: Rig, rng: np.random.Generator, share: float = 1.0) -> Errors:
    """Errors drawn from the builder's stated tolerances (95 %), times ``share``."""
    def v(tol: float) -> Vec:
        return vec(rng.normal(0, share * tol / 1.96, 3))

    rear = rig.rear.spin_body
    about = np.rad2deg([rig.rear.level_tol, 0.0, rig.rear.square_tol]) / 1.96
    behind = {rear: vec(rng.normal(0, 1, 3) * about)} if rear else {}
    return Errors(
        pivots={n: v(b.pivot_tol) for n, b in rig.bodies.items() if b.role != "wheel" or n == rear},
        tilts={n: v(float(np.rad2deg(b.axis_tol))) for n, b in rig.bodies.items() if b.role != "wheel"} | behind,
        points={n: v(p.tol) for n, p in rig.points.items()},
        spins={s: v(float(np.rad2deg(w.spin_tol)) * 0.5) for s, w in rig.wheels.items()},
        centres={s: v(1.5) for s in rig.wheels},
        tie_error=float(rng.normal(0, 1.0)), heading=float(rng.normal(0, 0.15)))


def facing(normal: Array | Vec, turned: float) -> Array:
    """(3, 3) tag to frame with z along ``normal``, turned about it by ``turned`` rad."""
    z = np.asarray(normal, float) / np.linalg.norm(normal)
    x = np.cross([0.0, 1.0, 0.0] if abs(z[1]) < 0.9 else [0.0, 0.0, 1.0], z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z]) @ turn((0, 0, 1), turned)


GLUED_SD = (0.1, 0.1, 0.15)  # mm, a careful builder's bolt tags off their balls: across, across, height


def stick_tags(rig: Rig, scale: float, rng: np.random.Generator) -> dict[str, Pose]:
    """Where the builder stuck each tag: on its bolt with small errors, or by hand on its plate."""
    out: dict[str, Pose] = {}
    for name, tag in rig.tags.items():
        if tag.centres_on:
            p = rig.points[tag.centres_on]
            n = np.asarray(p.bolt or rig.bodies[p.body].axis)
            n = Rotation.from_rotvec(rng.normal(0, np.deg2rad(0.5), 3)).apply(n)
            free = 0.02 if rig.bodies[p.body].role == "crank" else 0.4  # side by side on the crank: stuck square
            R = facing(n, rng.uniform(-free, free))
            ball = np.array([*rng.normal(0, GLUED_SD[0], 2), -(tag.offset + rng.normal(0, GLUED_SD[2]))])
            out[name] = (R, np.asarray(p.xyz) - R @ ball)
            continue
        if tag.place:
            R = facing((0, 0, 1), rng.uniform(-0.5, 0.5))
            out[name] = (R, np.asarray(tag.place) + rng.normal(0, 0.5, 3))
            continue
        if tag.reference:
            out[name] = _reference(tag, rng)
            continue
        b = rig.bodies[tag.body]
        out[name] = _plate(b, rig, rng)
    return out


# where reference tags are put: along the frame (x, z), and on the floor by the wheels (x, y)
ON_FRAME = {"line_front": (60.0, 300.0), "line_rear": (-640.0, 300.0)}
ON_FLOOR = {"floor_left": (30.0, 225.0), "floor_right": (-20.0, -230.0), "floor_rear": (-1060.0, 60.0)}


def _reference(tag: Tag, rng: np.random.Generator) -> Pose:
    """A tag on the centre line or on a level floor, as far off as its tolerances (95 %) say."""
    if tag.on_centre_line:
        x, z = ON_FRAME[tag.name]
        return facing((0, 0, 1), rng.uniform(-0.5, 0.5)), np.array([x, rng.normal(0, tag.centre_line_tol / 1.96), z])
    tip = Rotation.from_rotvec([*rng.normal(0, tag.flat_tol / 1.96, 2), 0.0])
    at = np.array([*ON_FLOOR[tag.name], rng.normal(0, tag.floor_tol / 1.96)])
    return np.asarray(tip.as_matrix() @ facing((0, 0, 1), rng.uniform(-0.5, 0.5))), at


def glued_as_promised(truth: Truth, rng: np.random.Generator) -> Truth:
    """The shoot with bolt tags as far off as the rig file's tolerance (95 %) says, not as ``stick_tags`` glues them."""
    tags = dict(truth.tags)
    for t in truth.rig.tags.values():
        if t.centres_on:
            R, at = tags[t.name]
            more = np.sqrt(np.maximum((t.offset_tol / 2) ** 2 - np.square(GLUED_SD), 0.0))
            tags[t.name] = (R, at + R @ (rng.normal(0, 1, 3) * more))
    return replace(truth, tags=tags)


def _plate(b: Body, rig: Rig, rng: np.random.Generator) -> Pose:
    out = 1.0 if b.side == "left" else -1.0  # outward
    jit = rng.normal(0, 3.0, 3)
    deg = np.deg2rad
    if b.role == "lever":
        n = np.array([np.sin(deg(2 + rng.normal(0, 2))), out * np.sin(deg(15 + rng.normal(0, 2))), 0.9])
        where = np.array([b.pivot[0] + 60, b.pivot[1] + out * 96, 420.0])
        return facing(n, rng.uniform(-0.3, 0.3)), where + jit
    if b.role == "upright":
        n = np.array([np.sin(deg(8 + rng.normal(0, 2))), out * np.sin(deg(rng.normal(0, 2))), 0.98])
        return facing(n, rng.uniform(-0.3, 0.3)), np.array([-62.0, out * 262.0, 345.0]) + jit
    if b.role == "wheel":
        n = np.asarray(b.axis) * out
        n = Rotation.from_rotvec(rng.normal(0, deg(1.0), 3)).apply(n)
        where = np.asarray(b.pivot) + n * 35.0 + np.array([-30.0, 0.0, 52.0]) + 0.3 * jit
        return facing(n, rng.uniform(-0.3, 0.3)), where
    return facing((0, 0, 1), 0.0), np.asarray(b.pivot) + np.array([0, 0, 60.0]) + jit


def random_lens(rng: np.random.Generator, width: int = 2400, height: int = 1800) -> Lens:
    """An invented 4.3-megapixel phone."""
    f = 1900.0 * width / 2400.0 * (1 + rng.normal(0, 0.01))
    dist = np.array([0.06 + rng.normal(0, 0.01), -0.12 + rng.normal(0, 0.02),
                     rng.normal(0, 5e-4), rng.normal(0, 5e-4), 0.03 + rng.normal(0, 0.01)])
    return Lens(f, 1 + rng.normal(0, 2e-4), (width - 1) / 2 + rng.normal(0, 6),
                (height - 1) / 2 + rng.normal(0, 6), dist, width, height)


def repaired(before: Truth, rng: np.random.Generator, *, point: str, hole: str, rod: str, tie: str,
             tie_change: float, positions: Sequence[str], plan: Mapping[str, Sequence[int]]) -> Truth:
    """The vehicle after an adjustment, photographed again with the board clamped on anew.

    ``point`` moves to ``hole`` with its bolt and tag, ``tie`` grows by ``tie_change`` mm, and ``rod`` is set,
    to the half millimetre, so that straight ahead stays at the same lever place. ``plan``: views by position.
    """
    old = before.rig
    p = old.points[point]
    shift = np.subtract(p.holes[hole], p.xyz)
    t = old.rods[tie]
    rig = replace(old, points={**old.points, point: replace(p, use=hole)}, positions=tuple(positions),
                  spin_positions=tuple(q for q in old.spin_positions if q in plan),
                  rods={**old.rods, tie: replace(t, length=t.length + tie_change)})
    length = with_distances(rig, [rod]).rods[rod].length

    def set_rod(x: float) -> Rig:
        return replace(rig, rods={**rig.rods, rod: replace(rig.rods[rod], length=x)})

    def mean(x: float) -> float:
        trial = set_rod(x)
        a = solve(trial, 0.0)
        return _heading(trial, "left", a) + _heading(trial, "right", a)

    best = float(brentq(mean, length - 6, length + 6, xtol=1e-9))
    change = round((best - old.rods[rod].length) * 2) / 2 + rng.normal(0, 0.05)
    rig = set_rod(old.rods[rod].length + change)
    zero = solve(rig, 0.0)
    tags = {}
    for name, (R, at) in before.tags.items():
        q, c = body_pose(rig, tag_body(rig, name), zero)
        tags[name] = (q @ R, q @ (at + shift if rig.tags[name].centres_on == point else at) + c)
    rig = moved(rig, zero)
    angles = set_levers(rig, rng, 0.5)
    views = {k: [(SPIN_VIEWS if k in rig.spin_positions else VIEWS)[i] for i in v] for k, v in plan.items()}
    return replace(before, rig=rig, angles=angles, tags=tags, board_pose=board_place(rng),
                   shots=plan_shots(before.lens, views, rng, first=131))


# eye, aim: left high, right high, front high, rear and above
VIEWS: tuple[tuple[Vec, Vec], ...] = (
    ((-250, 750, 970), (-205, 50, 280)),
    ((-250, -750, 970), (-205, -50, 280)),
    ((440, 60, 1060), (-210, 0, 270)),
    ((-510, -30, 1320), (-215, 0, 280)),
)
SPIN_VIEWS: tuple[tuple[Vec, Vec], ...] = (
    ((-440, 880, 860), (-190, 130, 270)),
    ((-20, 850, 900), (-180, 130, 270)),
    ((-440, -880, 860), (-190, -130, 270)),
    ((-20, -850, 900), (-180, -130, 270)),
)


def plan_shots(lens: Lens, positions: Mapping[str, Sequence[tuple[Vec, Vec]]],
               rng: np.random.Generator, first: int = 12) -> tuple[Shot, ...]:
    """Hand-held photos near the given views, numbered on from ``first``."""
    shots, number = [], first
    for position, views in positions.items():
        for eye, aim in views:
            beside = abs(eye[1]) > abs(eye[0])  # upright pictures are wide enough from the side only
            o = int(rng.choice([1, 1, 1, 3, 6, 8] if beside else [1, 1, 3]))
            R, t = look_at(np.asarray(eye) + rng.normal(0, 45, 3), np.asarray(aim) + rng.normal(0, 20, 3),
                           float(rng.normal(0, np.deg2rad(5))), o)
            camera = Camera(lens, R, t, float(rng.normal(0, 0.002)), rng.normal(0, 4.0, 2))
            shots.append(Shot(f"{position}/IMG_{number:04d}.jpg", position, camera, o))
            number += int(rng.integers(1, 4))
    return tuple(shots)


def board_place(rng: np.random.Generator) -> Pose:
    """The board on the frame between levers and crank: nearly level, turned a little."""
    R = facing((0, 0, 1), -np.pi / 2 + rng.normal(0, np.deg2rad(2)))  # long side along the frame
    R = Rotation.from_rotvec(np.deg2rad([rng.normal(0, 2), rng.normal(3, 1), 0])).as_matrix() @ R
    return R, np.array([-290.0, 0.0, 320.0]) + rng.normal(0, 3, 3)


def make_truth(design: Rig, errors: Errors, rng: np.random.Generator, *, views: int = 4,
               width: int = 2400, height: int = 1800, creep_deg: float = 0.5) -> Truth:
    """Build, stick, set the levers and aim the phone; wheels roll by ``creep_deg`` between positions."""
    rig = build(design, errors)
    angles = set_levers(rig, rng, creep_deg)
    plan: dict[str, Sequence[tuple[Vec, Vec]]] = {p: [VIEWS[k % len(VIEWS)] for k in range(views)]
                                                  for p in rig.positions}
    plan |= {p: SPIN_VIEWS for p in rig.spin_positions}
    return replace(staged(rig, angles, plan, rng, width=width, height=height), errors=errors)


def staged(rig: Rig, angles: Mapping[tuple[str, str], float], plan: Mapping[str, Sequence[tuple[Vec, Vec]]],
           rng: np.random.Generator, *, width: int = 2400, height: int = 1800,
           places: Mapping[str, Vec] | None = None) -> Truth:
    """A shoot of ``rig`` as built at joint ``angles``: tags stuck on, board clamped on, the phone aimed.

    ``plan``: views by position; ``places``: where tags sit that ``stick_tags`` knows no place for, frame axes.
    """
    lens = random_lens(rng, width, height)
    tags = stick_tags(rig, PRINT_SCALE, rng)
    tags |= {n: (tags[n][0], np.asarray(at, float)) for n, at in (places or {}).items()}
    return Truth(rig, angles, tags, Board.for_paper(rig.board.paper), board_place(rng), PRINT_SCALE, BOW, lens,
                 plan_shots(lens, plan, rng))


def by_eye(rig: Rig, position: str, rng: np.random.Generator, scatter_deg: float = 0.8) -> float:
    """The driver's angle (rad) set by eye near the nominal place of a lever position; none straight ahead."""
    if position == rig.straight_ahead:
        return 0.0
    return float(np.deg2rad(NOMINAL_DEG.get(position.rstrip("+-"), 0.0) + rng.normal(0, scatter_deg)))


def with_rod_play(truth: Truth, sd: float, rng: np.random.Generator) -> Truth:
    """The shoot with rods that seat by ``sd`` mm (standard deviation) differently at every position.

    The rig stands straight ahead as before, so its rods' lengths change by how they sat there, and by where the
    parts stood off their hinges (``Truth.play``): joint angles count from straight ahead as it was photographed.
    """
    rig = truth.rig

    def play(p: str) -> dict[str, Pose]:
        return {b: m for (b, q), m in truth.play.items() if q == p}

    still = {b: 0.0 for b in rig.bodies}
    ahead = {n: r.length + gap(rig, n, still, play(rig.straight_ahead)) for n, r in rig.rods.items()}
    true = {n: length - rng.normal(0, sd) for n, length in ahead.items()}
    angles = dict(truth.angles)
    for p in truth.positions:
        if p == rig.straight_ahead:
            continue
        seated = {n: replace(r, length=true[n] + rng.normal(0, sd)) for n, r in rig.rods.items()}
        at = {b: truth.angles.get((b, p), 0.0) for b in rig.bodies}
        now = solve(replace(rig, rods=seated), at[rig.driver], at, play(p))
        angles |= {(b, p): now[b] for b in chain_bodies(rig)}
    rods = {n: replace(r, length=true[n]) for n, r in rig.rods.items()}
    return replace(truth, rig=replace(rig, rods=rods), angles=angles)


def set_levers(rig: Rig, rng: np.random.Generator, creep_deg: float) -> dict[tuple[str, str], float]:
    """Joint angles (body, position), rad, with the levers set by eye near the nominal places."""
    angles: dict[tuple[str, str], float] = {}
    for position in rig.positions:
        for b, a in solve(rig, by_eye(rig, position, rng)).items():
            angles[b, position] = a
        for w in rig.wheels.values():
            if w.spin_body and position != rig.straight_ahead:
                angles[w.spin_body, position] = float(rng.normal(0, np.deg2rad(creep_deg)))
            elif w.spin_body:
                angles[w.spin_body, position] = 0.0
    at = {b: 0.0 for b in (*(w.spin_body for w in rig.wheels.values()), rig.rear.spin_body) if b}
    if rig.rear.spin_body:
        angles |= {(rig.rear.spin_body, p): float(rng.normal(0, np.deg2rad(creep_deg))) for p in rig.positions}
        angles[rig.rear.spin_body, rig.straight_ahead] = 0.0
    for position in rig.spin_positions:
        for b in at:
            at[b] += float(np.deg2rad(rng.uniform(95, 135)))
            angles[b, position] = at[b]
        for b in [*chain_bodies(rig), rig.driver]:
            angles[b, position] = 0.0
    return angles


def sample_truth(rig_path: Path, seed: int = 7) -> Truth:
    """The sample vehicle with its listed errors; same every time."""
    return make_truth(load_rig(rig_path), SAMPLE_ERRORS, np.random.default_rng(seed))


def random_truth(rig_path: Path, rng: np.random.Generator, *, share: float = 1.0, views: int = 4) -> Truth:
    """A vehicle built with random errors within the stated tolerances, for statistics."""
    design = load_rig(rig_path)
    return make_truth(design, random_errors(design, rng, share), rng, views=views)
