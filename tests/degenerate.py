"""Shoots that tell too little or something wrong, as corner tables, with what is true of each.

The vehicles are those of ``tests.mistakes``: parts of the sample shifted about and built with errors. What the driver
does to the wheels is worked out by ``tests.independent``, which shares nothing with ``calib.linkage``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.rig.model import Rig
from capture.observations import Observations
from tests.independent import Many
from tests.mistakes import RoughTruth, Scene, _relabel, scene_for
from tests.render.truth import VIEWS, facing, plan_shots, set_levers, solve, stick_tags, with_distances

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shoot:
    """The builder's rig file, the corners, and the truth. ``spread``: rad by which a joint crept at a position."""

    design: Rig
    obs: Observations
    truth: RoughTruth
    spread: Mapping[tuple[str, str], float]


def _shoot(s: Scene, truth: RoughTruth | None = None) -> Shoot:
    truth = truth or s.truth
    return Shoot(s.design, s.photograph(truth), truth, {})


def _views(s: Scene, views: Callable[[int], tuple], each: int) -> RoughTruth:
    """The shoot from other places: ``views(k)`` gives eye and aim of the k-th photo of a position."""
    plan = {p: [views(k) for k in range(each)] for p in s.truth.positions}
    return replace(s.truth, shots=plan_shots(s.truth.lens, plan, s.rng))


def one_direction(seed: int) -> Shoot:
    """Every photo from about the same place."""
    s = scene_for(seed)
    view = VIEWS[int(s.rng.integers(len(VIEWS)))]
    return _shoot(s, _views(s, lambda k: view, int(s.rng.integers(2, 6))))


def fronto_parallel(seed: int) -> Shoot:
    """Every photo straight from above, the board square in it."""
    s = scene_for(seed)
    high = float(s.rng.uniform(1200, 1500))
    return _shoot(s, _views(s, lambda k: ((-205.0, 1.0, high), (-205.0, 0.0, 280.0)), int(s.rng.integers(2, 6))))


def _with_angles(s: Scene, driver: Callable[[str], float]) -> RoughTruth:
    """The levers set otherwise at every position but straight ahead; rad."""
    rig, angles = s.truth.rig, dict(s.truth.angles)
    for p in rig.positions:
        if p == rig.straight_ahead:
            continue
        for b, a in solve(rig, driver(p)).items():
            if rig.bodies[b].role != "wheel":
                angles[b, p] = a
    return replace(s.truth, angles=angles)


def tiny_travel(seed: int) -> Shoot:
    """The lever moved by a degree or two between positions that should lie ten apart."""
    s = scene_for(seed)
    share = float(s.rng.uniform(0.01, 0.1))
    driver = s.truth.rig.driver
    return _shoot(s, _with_angles(s, lambda p: share * s.truth.angles[driver, p]))


def never_moved(seed: int) -> Shoot:
    """The photos of every position show the lever in the same place."""
    s = scene_for(seed)
    return _shoot(s, _with_angles(s, lambda p: float(s.rng.normal(0, np.deg2rad(0.02)))))


def one_position(seed: int) -> Shoot:
    """Photos of one position beside straight ahead only, or of straight ahead alone."""
    s = scene_for(seed)
    others = [p for p in s.truth.rig.positions if p != s.truth.rig.straight_ahead]
    kept = {s.truth.rig.straight_ahead, *s.truth.rig.spin_positions}
    if seed % 2:
        kept.add(str(s.rng.choice(others)))
    return _shoot(s, replace(s.truth, shots=tuple(x for x in s.truth.shots if x.position in kept)))


def tag_on_axis(seed: int) -> Shoot:
    """The tags of levers or uprights right on their hinges, so that they turn and never move."""
    s = scene_for(seed)
    role = ("lever", "upright")[seed % 2]
    tags, bends = dict(s.truth.tags), dict(s.truth.bends)
    for t in s.truth.rig.tags.values():
        b = s.truth.rig.bodies[t.body]
        if b.role == role and t.centres_on is None:
            axis, out = np.asarray(b.axis), 1.0 if b.side == "left" else -1.0
            normal = axis if role == "upright" else np.array([0.0, 0.3 * out, 0.95])
            by = 120.0 if role == "upright" else 120.0 * out - axis @ np.asarray(b.pivot)
            tags[t.name] = (facing(normal, float(s.rng.uniform(-0.3, 0.3))), np.asarray(b.pivot) + axis * by)
    return _shoot(s, replace(s.truth, tags=tags, bends=bends))


def _rebuilt(s: Scene, design: Rig, rig: Rig) -> Shoot:
    """Another design and the vehicle built to it, with the same prints and cameras."""
    angles = set_levers(rig, s.rng, 0.5)
    truth = replace(s.truth, rig=rig, angles=angles, tags=stick_tags(rig, s.truth.scale, s.rng))
    return Shoot(design, s.photograph(truth), truth, {})


def _moved_points(design: Rig, built: Rig, to: Mapping[str, Sequence[float]]) -> tuple[Rig, Rig]:
    """Points drawn elsewhere, the built ones moved along; rods as long as it takes."""
    def moved(rig: Rig) -> Rig:
        points = dict(rig.points)
        for n, at in to.items():
            by = np.subtract(at, design.points[n].xyz)
            p = points[n]
            points[n] = replace(p, holes={h: tuple(float(x) for x in np.add(v, by)) for h, v in p.holes.items()})
        return with_distances(replace(rig, points=points), list(rig.rods))

    out = []
    for rig in (moved(design), moved(built)):
        rods = {n: replace(r, shortest=r.length - 40, longest=r.length + 40) for n, r in rig.rods.items()}
        out.append(replace(rig, rods=rods))
    return out[0], out[1]


def near_toggle(seed: int) -> Shoot:
    """Crank arms so short that the linkage comes near its toggle within the travel."""
    s = scene_for(seed)
    d = s.design
    for arm in np.linspace(36.0, 70.0, 18):
        pivot = d.bodies["crank"].pivot
        to = {f"crank.{side}_in": (pivot[0], pivot[1] + way * arm, pivot[2] + 5) for side, way in (("left", 1),
                                                                                                  ("right", -1))}
        design, rig = _moved_points(d, s.truth.rig, to)
        try:
            return _rebuilt(s, design, rig)
        except ValueError:  # over centre: a little longer
            continue
    return _shoot(s)


def parallel_rods(seed: int) -> Shoot:
    """Track arms as long as the crank's and parallel to them: tie rods that stay parallel to the axle."""
    s = scene_for(seed)
    d = s.design
    to = {}
    for side in ("left", "right"):
        arm = np.subtract(d.points[f"{side}_upright.arm"].xyz, d.bodies[f"{side}_upright"].pivot)
        to[f"crank.{side}_out"] = tuple(np.add(d.bodies["crank"].pivot, arm))
    design, rig = _moved_points(d, s.truth.rig, to)
    try:
        return _rebuilt(s, design, rig)
    except ValueError:
        return _shoot(s)


def half_the_tags(seed: int) -> Shoot:
    """About half of the tags are not there; of every part there is one, in three of four shoots."""
    s = scene_for(seed)
    tags = list(s.truth.rig.tags.values())
    gone: list[int] = []
    for k in s.rng.permutation(len(tags)):
        left = [t for t in tags if t.body == tags[k].body and t.code not in (*gone, tags[k].code)]
        if len(gone) < len(tags) // 2 and (left or seed % 4 == 0):
            gone.append(tags[k].code)
    obs = s.photograph()
    kept = obs.table[~obs.table["tag"].isin(gone)].reset_index(drop=True)
    return Shoot(s.design, replace(obs, table=kept), s.truth, {})


def swapped_tags(seed: int) -> Shoot:
    """Two tags each on the other's part."""
    s = scene_for(seed)
    tags = list(s.truth.rig.tags.values())
    while True:
        a, b = (tags[int(i)] for i in s.rng.choice(len(tags), 2, replace=False))
        if a.size == b.size or seed % 3 == 0:  # the builder mostly mixes up those that look alike
            break
    obs = s.photograph()
    codes = obs.table["tag"].replace({a.code: b.code, b.code: a.code})
    return Shoot(s.design, replace(obs, table=obs.table.assign(tag=codes)), s.truth, {})


def creep(seed: int) -> Shoot:
    """The lever creeps by 0.1 to 1 deg from the first photo of a position to the last, at one position or at all."""
    s = scene_for(seed)
    rig = s.truth.rig
    size = float(np.deg2rad(10 ** s.rng.uniform(-1, 0)))
    crept = list(rig.positions) if seed % 2 else [str(s.rng.choice(rig.positions))]
    angles, shots, names = dict(s.truth.angles), [], {}
    spread: dict[tuple[str, str], float] = {}
    for p in s.truth.positions:
        mine = [x for x in s.truth.shots if x.position == p]
        if p not in crept:
            shots += mine
            continue
        for k, x in enumerate(mine):
            off = size * (k / max(len(mine) - 1, 1) - 0.5) * float(1 if seed % 4 < 2 else -1)
            now = f"{p}~{k}"
            at = solve(rig, s.truth.angles[rig.driver, p] + off)
            for b in rig.bodies:
                wheel = rig.bodies[b].role == "wheel"
                angles[b, now] = s.truth.angles.get((b, p), 0.0) if wheel else at[b]
                if not wheel:
                    spread[b, p] = max(spread.get((b, p), 0.0), abs(at[b] - s.truth.angles.get((b, p), 0.0)))
            shots.append(replace(x, position=now))
            names[x.name] = p
    obs = _relabel(s.photograph(replace(s.truth, angles=angles, shots=tuple(shots))), names)
    return Shoot(s.design, obs, s.truth, spread)


KINDS: dict[str, Callable[[int], Shoot]] = {
    "one direction": one_direction, "straight from above": fronto_parallel, "tiny travel": tiny_travel,
    "one position": one_position, "tag on the axis": tag_on_axis, "near toggle": near_toggle,
    "parallel rods": parallel_rods, "half the tags": half_the_tags, "swapped tags": swapped_tags,
    "creep within a position": creep, "lever never moved": never_moved}


# --- what is true ---------------------------------------------------------------------------------------------


def true_travel_figures(rig: Rig) -> dict[str, float]:
    """Toe, ratio, symmetry, locks and the lever where the wheels are straight, deg or plain."""
    low, high = rig.driver_travel
    driver = np.concatenate([np.linspace(low, 0.0, 161), np.linspace(0.0, high, 161)[1:]])
    left, right = (x[0] for x in Many.of(rig, 1).headings(driver))
    mean = (left + right) / 2
    near = np.flatnonzero(np.isfinite(mean))
    order = near[np.argsort(np.abs(driver[near]))]
    k = next(int(i) for i in order if i + 1 < len(mean) and mean[i] * mean[i + 1] <= 0)
    straight = driver[k] - mean[k] * (driver[k + 1] - driver[k]) / (mean[k + 1] - mean[k])
    at = {s: float(np.interp(straight, driver, h)) for s, h in (("left", left), ("right", right))}
    ends = [0.5 * (left[i] - at["left"] + right[i] - at["right"]) for i in (0, -1)]
    most, least = max(ends), -min(ends)
    slope = float(np.interp(straight, driver[:-1] + np.diff(driver) / 2, np.diff(mean) / np.diff(driver)))
    deg = float(np.degrees(1.0))
    return {"toe": deg * (at["right"] - at["left"]), "ratio": abs(slope), "straight": deg * straight,
            "lock_left": deg * most, "lock_right": deg * least, "lock": deg * (most + least) / 2,
            "symmetry": deg * (most - least)}
