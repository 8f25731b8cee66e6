"""Shoots with one known mistake in them, as corner tables, and what the diagnosis should name.

Every shoot is of another vehicle: the sample's parts shifted about, built with errors as large as its drawing
promises, 5 to 7 lever positions, 3 to 6 photos each, with or without wheel photos. Nuisances that are no mistakes
are always there: printed scale off by 0.4 %, a bowed board, each photo's own focal length and principal point, plate
tags bent by some 0.05 mm, 3 % of the corners thrown off by about 3 px, corner noise of 0.03 to 0.08 px.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.rig.model import Point, Rig
from calib.rig.reader import load_rig
from capture.observations import Observations
from capture.targets import Board, saddle_points
from tests.render.camera import Camera, Lens
from tests.render.shoot import simulate_observations, true_corners
from tests.render.truth import (
    SPIN_VIEWS,
    VIEWS,
    Pose,
    Shot,
    Truth,
    board_place,
    build,
    plan_shots,
    random_errors,
    random_lens,
    set_levers,
    solve,
    stick_tags,
    turn,
    vec,
    with_distances,
    with_rod_play,
)
from tests.render.workshop import Workshop, in_workshop

Array = NDArray[np.float64]
RIG = Path(__file__).parents[1] / "sample_data" / "rig.toml"


@dataclass(frozen=True)
class RoughTruth(Truth):
    """A shoot with tags that are not quite flat (``bends``, mm at the edges) or of another print (``prints``)."""

    bends: Mapping[str, float] = field(default_factory=dict)
    prints: Mapping[str, float] = field(default_factory=dict)  # size over that of the other prints

    def tag_saddles(self, tag: str, position: str) -> Array:
        R, t = self.tag_pose(tag, position)
        p = saddle_points(self.rig.tags[tag].size * self.scale * self.prints.get(tag, 1.0))
        out = np.column_stack([p, self.tag_height(tag, p[:, 0], p[:, 1])]) @ R.T + t
        if tag in self.bends:
            out += np.outer(self.bends[tag] * saddle_points(2.0)[:, 0] ** 2, R[:, 2])  # half edge 1
        return out


# what a workshop adds to every shoot made here; none: rigid parts, a still hand, a lens of five terms
NUISANCE: ContextVar[Workshop | None] = ContextVar("nuisance", default=None)
ROD_PLAY = 0.03  # mm, with a nuisance: how differently a rod seats at every position


@dataclass(frozen=True)
class Scene:
    """What the builder's rig file says, what is true, and the noise."""

    design: Rig
    truth: RoughTruth
    sigma: float  # px
    rng: np.random.Generator

    def photograph(self, truth: Truth | None = None) -> Observations:
        return simulate_observations(truth or self.truth, self.sigma, self.rng, outliers=0.03)


@dataclass(frozen=True)
class Mistake:
    """A shoot with what must be named: a finding of one of ``causes`` (codes) for each of ``items``.

    ``either``: codes whose text says what cannot be told apart, the truth among it. ``sides``: the positions a
    finding may name, one set or the other (a tag that slipped between positions fits on one side only).
    ``size``: how bad, in ``unit``.
    """

    rig: Rig
    obs: Observations
    causes: tuple[str, ...]
    items: tuple[str, ...]
    size: float = float("nan")
    unit: str = ""
    either: tuple[str, ...] = ()
    sides: tuple[frozenset[str], ...] = ()


# --- a vehicle and its shoot ----------------------------------------------------------------------------------


def random_design(rng: np.random.Generator) -> Rig:
    """The sample vehicle with its levers, crank and uprights elsewhere by some centimetres."""
    rig = load_rig(RIG)
    x, z = rng.uniform(-50, 30), rng.uniform(-10, 15)
    track = rng.uniform(-15, 25)
    shift = {"left_lever": (x, rng.uniform(-10, 10), z), "right_lever": (x, rng.uniform(-10, 10), z),
             "crank": (rng.uniform(-15, 15), 0.0, rng.uniform(-8, 8)), "left_upright": (0.0, track, 0.0),
             "right_upright": (0.0, -track, 0.0), "left_wheel": (0.0, track, 0.0), "right_wheel": (0.0, -track, 0.0)}

    def moved(v: Sequence[float], body: str) -> tuple[float, float, float]:
        return vec(np.add(v, shift[body]))

    bodies = {n: replace(b, pivot=moved(b.pivot, n)) for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={h: moved(v, p.body) for h, v in p.holes.items()}) for n, p in rig.points.items()}
    wheels = {s: replace(w, centre=moved(w.centre, w.upright)) for s, w in rig.wheels.items()}
    out = with_distances(replace(rig, bodies=bodies, points=points, wheels=wheels), list(rig.rods))
    rods = {n: replace(r, shortest=r.shortest + r.length - rig.rods[n].length,
                       longest=r.longest + r.length - rig.rods[n].length) for n, r in out.rods.items()}
    return replace(out, rods=rods)


def scene_for(seed: int, both_ways: bool = False) -> Scene:
    """One vehicle, its prints and its shoot, by seed."""
    rng = np.random.default_rng(seed)
    while True:
        design = random_design(rng)
        gone = rng.choice([p for p in design.positions if p != design.straight_ahead], int(rng.integers(0, 3)),
                          replace=False)
        positions = tuple(p for p in design.positions if p not in gone)
        if both_ways:
            twice = str(rng.choice([p for p in positions if p != design.straight_ahead and p[-1] in "12"]))
            positions = tuple(q for p in positions for q in ((p + "+", p + "-") if p == twice else (p,)))
        spins = design.spin_positions if rng.random() < 0.5 else ()
        design = replace(design, positions=positions, spin_positions=spins)
        try:
            rig = build(design, random_errors(design, rng))
            angles = set_levers(rig, rng, 0.5)
        except ValueError:
            continue  # drawn so that it does not close
        break
    lens = random_lens(rng)
    views = int(rng.integers(3, 7))
    plan: dict[str, Sequence[tuple[tuple[float, float, float], tuple[float, float, float]]]] = {
        p: [VIEWS[k % len(VIEWS)] for k in range(views)] for p in positions}
    plan |= {p: SPIN_VIEWS for p in spins}
    scale = 1 + float(rng.normal(0, 0.004))
    bow = (float(rng.normal(0, 0.1)), float(rng.normal(0, 0.1)), float(rng.normal(0, 0.05)))
    plates = [t.name for t in rig.tags.values() if t.centres_on is None]
    truth = RoughTruth(rig, angles, stick_tags(rig, scale, rng), Board.for_paper(rig.board.paper), board_place(rng),
                       scale, bow, lens, plan_shots(lens, plan, rng),
                       bends={t: float(rng.normal(0, 0.05)) for t in plates})
    bar = design.board.bar_nominal * scale + float(rng.normal(0, design.board.bar_tol / 2))
    design = replace(design, board=replace(design.board, bar_measured=bar))
    nuisance = NUISANCE.get()
    if nuisance is not None:
        other = np.random.default_rng([seed, 10])
        truth = cast(RoughTruth, with_rod_play(in_workshop(truth, nuisance, other), ROD_PLAY, other))
    return Scene(design, truth, float(rng.uniform(0.03, 0.08)), rng)


def clean(seed: int, both_ways: bool = False) -> tuple[Rig, Observations]:
    """A shoot without a mistake."""
    s = scene_for(seed, both_ways)
    return s.design, s.photograph()


# --- mistakes of the shoot ------------------------------------------------------------------------------------


def wrong_position(seed: int) -> Mistake:
    """One photo in the folder of another lever position."""
    s = scene_for(seed)
    steered = [p for p in s.truth.rig.positions]
    shot = s.truth.shots[int(s.rng.choice([i for i, x in enumerate(s.truth.shots) if x.position in steered]))]
    other = str(s.rng.choice([p for p in steered if p != shot.position]))
    apart = abs(s.truth.angles[s.truth.rig.driver, other] - s.truth.angles[s.truth.rig.driver, shot.position])
    obs = _relabel(s.photograph(), {shot.name: other})
    return Mistake(s.design, obs, ("wrong_position",), (shot.name,), float(np.rad2deg(apart)), "deg of lever",
                   sides=(frozenset({shot.position, other}),))


def tag_slipped(seed: int) -> Mistake:
    """A tag knocked along its plate or bolt head by 1 to 5 mm, or turned there by 1 to 5 deg, or both."""
    s = scene_for(seed)
    tag = str(s.rng.choice([t for t, g in s.truth.rig.tags.items() if s.truth.rig.bodies[g.body].role != "wheel"]))
    kind = seed % 3  # shifted, turned, both
    size = float(s.rng.uniform(1, 5))
    R, t = s.truth.tags[tag]
    a = s.rng.uniform(0, 2 * np.pi)
    knock = size * np.array([np.cos(a), np.sin(a), 0]) if kind != 1 else np.zeros(3)
    spin = float(np.deg2rad(size) * s.rng.choice((-1, 1))) if kind != 0 else 0.0
    after = replace(s.truth, tags={**s.truth.tags, tag: (R @ turn((0, 0, 1), spin), t + R @ knock)})
    obs, sides = _halfway(s, after)
    return Mistake(s.design, obs, ("tag_slipped",), (tag,), size, ("mm", "deg", "mm and deg")[kind], sides=sides)


def frame_bumped(seed: int) -> Mistake:
    """The board shifts on the frame by 2 to 20 mm and turns by up to 2 deg, from some position on."""
    s = scene_for(seed)
    R, t = s.truth.board_pose
    v = s.rng.normal(size=3) * [1, 1, 0.3]
    size = float(s.rng.uniform(2, 20))
    v *= size / np.linalg.norm(v)
    about = s.rng.normal(size=3) * [0.3, 0.3, 1]
    q = turn(about / np.linalg.norm(about), float(s.rng.uniform(0, np.deg2rad(2))))
    obs, sides = _halfway(s, replace(s.truth, board_pose=(q @ R, t + v)))
    return Mistake(s.design, obs, ("frame_bumped",), ("board",), size, "mm", sides=sides)


def digital_zoom(seed: int) -> Mistake:
    """Two photos at 1.1 to 2 times digital zoom, same picture size, nothing about it in the file."""
    s = scene_for(seed)
    size = float(s.rng.uniform(1.1, 2.0))
    zooms = [size, float(s.rng.uniform(1.1, 2.0))] if seed % 2 else [size, size]

    def zoomed(shot: Shot, z: float) -> Shot:
        c = shot.camera
        mid = np.array([(c.lens.width - 1) / 2, (c.lens.height - 1) / 2])
        centre = np.array([c.lens.cx, c.lens.cy]) + c.dc
        return replace(shot, camera=Camera(c.lens, c.R, c.t, (1 + c.df) * z - 1, c.dc + (centre - mid) * (z - 1)))

    shots = list(s.truth.shots)
    names: list[str] = []
    for i in s.rng.permutation(len(shots)):
        new = zoomed(shots[i], zooms[len(names)])
        seen = sum(code in s.truth.board.ids for code in true_corners(s.truth, new))
        if seen >= 3:  # zoomed in so far that the board is cut off: another mistake, named as such
            shots[i] = new
            names.append(new.name)
        if len(names) == 2:
            break
    obs = s.photograph(replace(s.truth, shots=tuple(shots)))
    return Mistake(s.design, obs, ("digital_zoom",), tuple(names), min(zooms), "times")


def two_phones(seed: int) -> Mistake:
    """Up to a third of the photos taken with another phone; every other time the files do not say so."""
    s = scene_for(seed)
    said = seed % 2 == 0
    n = int(s.rng.integers(1, len(s.truth.shots) // 3 + 1))
    odd = {s.truth.shots[int(i)].name for i in s.rng.choice(len(s.truth.shots), n, replace=False)}
    lens = random_lens(s.rng)
    ratio = float(s.rng.choice((s.rng.uniform(0.85, 0.96), s.rng.uniform(1.04, 1.2))))
    other = Lens(s.truth.lens.f * ratio, lens.aspect, lens.cx, lens.cy, lens.dist, lens.width, lens.height)
    shots = tuple(replace(x, camera=replace(x.camera, lens=other)) if x.name in odd else x for x in s.truth.shots)
    obs = s.photograph(replace(s.truth, shots=shots))
    if said:
        photos = tuple(replace(p, camera="Sample S-9") if p.name in odd else p for p in obs.photos)
        return Mistake(s.design, replace(obs, photos=photos), ("two_cameras",), tuple(sorted(odd)), ratio, "f ratio")
    photos = tuple(replace(p, camera="", focal_px_guess=None) for p in obs.photos)
    return Mistake(s.design, replace(obs, photos=photos), ("two_cameras",), tuple(sorted(odd)), ratio, "f ratio",
                   either=("digital_zoom",))


# --- mistakes of the build ------------------------------------------------------------------------------------


def loose_rod(seed: int) -> Mistake:
    """Play of 0.3 to 1 mm in one rod's ends; two shoots in three come to one position from both sides."""
    both = seed % 3 != 0
    s = scene_for(seed, both_ways=both)
    rod = str(s.rng.choice(list(s.truth.rig.rods)))
    size = float(s.rng.uniform(0.3, 1.0))
    ahead = s.truth.rig.straight_ahead

    def side(p: str) -> float:
        return {"+": 0.5, "-": -0.5}.get(p[-1], 0.0 if p == ahead else float(s.rng.choice((-0.5, 0.5))))

    rig = s.truth.rig
    angles = dict(s.truth.angles)
    for p in rig.positions:
        r = {**rig.rods, rod: replace(rig.rods[rod], length=rig.rods[rod].length + size * side(p))}
        for b, a in solve(replace(rig, rods=r), s.truth.angles[rig.driver, p]).items():
            if rig.bodies[b].role != "wheel":
                angles[b, p] = a
    # which of a rod's two ends is loose, or its clamp, leaves no trace in the photos: the text lists them
    return Mistake(s.design, s.photograph(replace(s.truth, angles=angles)), (), (rod,), size, "mm",
                   either=("play", "rod_misfit"))


def bent_lever(seed: int) -> Mistake:
    """A lever bends below its rod's hole by 1 to 5 deg, from some position on, sideways or in its plane."""
    s = scene_for(seed)
    rig = s.truth.rig
    lever = str(s.rng.choice([b for b in rig.bodies if rig.bodies[b].role == "lever"]))
    size = float(s.rng.uniform(1, 5))
    bent, pose = _bent(rig, lever, size, s.rng)
    angles = dict(s.truth.angles)
    for p in rig.positions:
        for b, a in solve(bent, s.truth.angles[rig.driver, p]).items():
            if rig.bodies[b].role != "wheel":
                angles[b, p] = a
    tags = {n: (pose[0] @ R, pose[0] @ t + pose[1]) if rig.tags[n].body == lever else (R, t)
            for n, (R, t) in s.truth.tags.items()}
    obs, sides = _halfway(s, replace(s.truth, rig=bent, angles=angles, tags=tags))
    return Mistake(s.design, obs, ("part_bent",), (lever,), size, "deg", sides=sides,
                   either=("joint_loose",))


def bent_from_the_start(seed: int) -> Mistake:
    """A lever bent by 1 to 5 deg before the first photo: it differs from the drawing."""
    s = scene_for(seed)
    lever = str(s.rng.choice([b for b in s.truth.rig.bodies if s.truth.rig.bodies[b].role == "lever"]))
    size = float(s.rng.uniform(1, 5))
    bent, _ = _bent(s.truth.rig, lever, size, s.rng)
    rods = [r for r, x in bent.rods.items() if lever in (bent.points[x.a].body, bent.points[x.b].body)]
    rig = with_distances(bent, rods)
    angles = set_levers(rig, s.rng, 0.5)
    truth = replace(s.truth, rig=rig, angles=angles, tags=stick_tags(rig, s.truth.scale, s.rng))
    return Mistake(s.design, s.photograph(truth), (), (lever,), size, "deg", either=("not_as_drawn",))


def _bent(rig: Rig, lever: str, degrees: float, rng: np.random.Generator) -> tuple[Rig, Pose]:
    """The rig with a lever bent by ``degrees`` somewhere below its rod's hole, and the motion of what is above."""
    body = rig.bodies[lever]
    hole = next(p for p in rig.points.values() if p.body == lever)
    up = np.subtract(hole.xyz, body.pivot)
    up -= np.asarray(body.axis) * (np.asarray(body.axis) @ up)
    a = rng.uniform(0, 2 * np.pi)
    across = np.cross(up / np.linalg.norm(up), body.axis)
    q = turn(np.cos(a) * np.asarray(body.axis) + np.sin(a) * across, float(np.deg2rad(degrees)))
    c = np.asarray(body.pivot) + rng.uniform(0.1, 0.5) * up
    pose = (q, c - q @ c)

    def move(p: Point) -> Point:
        holes = {h: vec(q @ np.asarray(v) + pose[1]) for h, v in p.holes.items()}
        return replace(p, holes=holes, bolt=None if p.bolt is None else vec(q @ np.asarray(p.bolt)))

    return replace(rig, points={n: move(p) if p.body == lever else p for n, p in rig.points.items()}), pose


def offsets_alike(seed: int) -> Mistake:
    """All bolt-tag offsets in the rig file 3 mm too large or too small."""
    s = scene_for(seed)
    size = 3.0 * float(s.rng.choice((-1, 1)))
    tags = {n: replace(t, offset=t.offset + size) if t.centres_on else t for n, t in s.design.tags.items()}
    return Mistake(replace(s.design, tags=tags), s.photograph(), ("offsets_together",), ("bolt tags",), 3.0, "mm")


# --- mistakes of the printing ---------------------------------------------------------------------------------


def bar_misread(seed: int) -> Mistake:
    """The printed scale bar read 0.5 to 4 % wrong (or the board printed anew at another scale)."""
    s = scene_for(seed)
    size = float(s.rng.uniform(0.5, 4)) * float(s.rng.choice((-1, 1)))
    bar = s.design.board.bar_measured
    assert bar is not None
    design = replace(s.design, board=replace(s.design.board, bar_measured=bar * (1 + size / 100)))
    return Mistake(design, s.photograph(), ("scale_disagrees",), ("board",), abs(size), "%")


def part_tags_shrunk(seed: int) -> Mistake:
    """The part tags printed with "fit to page" at 93 to 98 %, the board at true scale."""
    s = scene_for(seed)
    size = float(s.rng.uniform(0.93, 0.98))
    truth = replace(s.truth, prints=dict.fromkeys(s.truth.rig.tags, size))
    return Mistake(s.design, s.photograph(truth), ("part_tags_size",), ("part tags",), 100 * (1 - size), "%")


def one_tag_of_another_size(seed: int) -> Mistake:
    """One tag from another print, 2 to 10 % larger or smaller than the rig file says."""
    s = scene_for(seed)
    tag = str(s.rng.choice(list(s.truth.rig.tags)))
    size = float(s.rng.uniform(2, 10)) * float(s.rng.choice((-1, 1)))
    truth = replace(s.truth, prints={tag: 1 + size / 100})
    return Mistake(s.design, s.photograph(truth), ("tag_size",), (tag,), abs(size), "%", either=("tag_unfit",))


# --- helpers --------------------------------------------------------------------------------------------------


def _relabel(obs: Observations, renamed: dict[str, str]) -> Observations:
    """Photos filed under another position; their names are kept."""
    photos = tuple(replace(p, position=renamed.get(p.name, p.position)) for p in obs.photos)
    where = {p.name: p.position for p in photos}
    table = obs.table.copy()
    table["position"] = table["photo"].map(where)
    return replace(obs, photos=photos, table=table)


def _halfway(s: Scene, after: Truth) -> tuple[Observations, tuple[frozenset[str], ...]]:
    """Photos before and, from some position on, after a change; the positions before and after.

    The wheel photos are taken last and show the change too.
    """
    order = list(s.truth.rig.positions)
    k = int(s.rng.integers(1, len(order)))
    later = set(order[k:]) | set(s.truth.rig.spin_positions)
    one = s.photograph(replace(s.truth, shots=tuple(x for x in s.truth.shots if x.position not in later)))
    two = s.photograph(replace(after, shots=tuple(x for x in after.shots if x.position in later)))
    number = {x.name: i for i, x in enumerate(s.truth.shots)}
    photos = sorted(one.photos + two.photos, key=lambda p: number[p.name])
    obs = replace(one, photos=tuple(photos), table=pd.concat([one.table, two.table], ignore_index=True))
    return obs, (frozenset(x.position for x in s.truth.shots) - later, frozenset(later))


MISTAKES: dict[str, Callable[[int], Mistake]] = {
    "photo filed under the wrong position": wrong_position, "tag slipped on its part": tag_slipped,
    "board or frame bumped": frame_bumped, "digital zoom in two photos": digital_zoom, "two phones": two_phones,
    "play in a rod end": loose_rod, "lever bent between positions": bent_lever,
    "lever bent from the start": bent_from_the_start, "bolt tags' offsets wrong alike": offsets_alike,
    "scale bar misread": bar_misread,
    "part tags shrunk to fit": part_tags_shrunk, "one tag of another size": one_tag_of_another_size}
