"""Shoots with one known mistake in them, as corner tables, and what the diagnosis should name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.observations import Observations
from tests.render.camera import Camera
from tests.render.shoot import simulate_observations
from tests.render.truth import Shot, Truth, random_truth, solve, turn

Array = NDArray[np.float64]
RIG = Path(__file__).parents[1] / "sample_data" / "rig.toml"
NOISE_PX = 0.05


@dataclass(frozen=True)
class Mistake:
    """A shoot with what must be named: any of ``causes`` with an item that holds each of ``items``."""

    obs: Observations
    causes: tuple[str, ...]
    items: tuple[str, ...]


def truth_for(seed: int) -> tuple[Truth, np.random.Generator]:
    rng = np.random.default_rng(seed)
    return random_truth(RIG, rng, share=0.7), rng


def observe(truth: Truth, rng: np.random.Generator) -> Observations:
    return simulate_observations(truth, NOISE_PX, rng)


def clean(seed: int) -> Observations:
    return observe(*truth_for(seed))


def _relabel(obs: Observations, renamed: dict[str, str]) -> Observations:
    """Photos filed under another position; their names are kept."""
    photos = tuple(replace(p, position=renamed.get(p.name, p.position)) for p in obs.photos)
    where = {p.name: p.position for p in photos}
    table = obs.table.copy()
    table["position"] = table["photo"].map(where)
    return replace(obs, photos=photos, table=table)


def wrong_position(seed: int) -> Mistake:
    """One photo in the neighbouring position's folder."""
    truth, rng = truth_for(seed)
    steered = [p for p in truth.rig.positions if p != truth.rig.straight_ahead]
    shot = truth.shots[int(rng.choice([i for i, s in enumerate(truth.shots) if s.position in steered]))]
    k = list(truth.rig.positions).index(shot.position)
    other = truth.rig.positions[k + 1] if k + 1 < len(truth.rig.positions) else truth.rig.positions[k - 1]
    return Mistake(_relabel(observe(truth, rng), {shot.name: other}), ("wrong_position",), (shot.name,))


def tag_slipped(seed: int) -> Mistake:
    """A bolt-head or plate tag knocked by 2 to 4 mm and some degrees, from some position on."""
    truth, rng = truth_for(seed)
    tag = str(rng.choice([t for t, g in truth.rig.tags.items() if not truth.rig.bodies[g.body].role == "wheel"]))
    later = set(truth.rig.positions[int(rng.integers(2, 6)):])
    R, t = truth.tags[tag]
    a = rng.uniform(0, 2 * np.pi)
    knock = rng.uniform(2, 4) * np.array([np.cos(a), np.sin(a), 0])
    moved = replace(truth, tags={**truth.tags, tag: (R @ turn((0, 0, 1), float(rng.normal(0, 0.1))), t + R @ knock)})
    return Mistake(_mix(truth, moved, lambda s: s.position in later, rng), ("tag_slipped",), (tag,))


def frame_bumped(seed: int) -> Mistake:
    """The board shifts on the frame by 1 to 3 mm and up to half a degree, from some position on."""
    truth, rng = truth_for(seed)
    first = truth.rig.positions[int(rng.integers(2, 6))]
    later = set(truth.rig.positions[truth.rig.positions.index(first):]) | set(truth.rig.spin_positions)
    R, t = truth.board_pose
    v = rng.normal(size=3)
    v *= rng.uniform(1, 3) / np.linalg.norm(v)
    moved = replace(truth, board_pose=(turn((0, 0, 1), float(rng.uniform(-0.008, 0.008))) @ R, t + v))
    return Mistake(_mix(truth, moved, lambda s: s.position in later, rng), ("frame_bumped",), ())


def digital_zoom(seed: int) -> Mistake:
    """Two photos at 1.1 to 1.5 times digital zoom, same picture size."""
    truth, rng = truth_for(seed)
    zoomed = {truth.shots[i].name: float(rng.uniform(1.1, 1.5))
              for i in rng.choice(len(truth.shots), 2, replace=False)}

    def shot(s: Shot) -> Shot:
        z = zoomed.get(s.name)
        if z is None:
            return s
        c = s.camera
        lens = c.lens
        mid = np.array([(lens.width - 1) / 2, (lens.height - 1) / 2])
        centre = np.array([lens.cx, lens.cy]) + c.dc
        return replace(s, camera=Camera(lens, c.R, c.t, (1 + c.df) * z - 1, c.dc + (centre - mid) * (z - 1)))

    return Mistake(observe(replace(truth, shots=tuple(shot(s) for s in truth.shots)), rng), ("digital_zoom",),
                   tuple(zoomed))


def two_phones(seed: int) -> Mistake:
    """Photos of one position taken with another phone."""
    truth, rng = truth_for(seed)
    obs = observe(truth, rng)
    odd = [p.name for p in obs.photos if p.position == str(rng.choice(truth.rig.positions))][:2]
    photos = tuple(replace(p, camera="Sample S-9") if p.name in odd else p for p in obs.photos)
    return Mistake(replace(obs, photos=photos), ("two_cameras",), tuple(odd))


def loose_rod(seed: int) -> Mistake:
    """Play of 0.6 to 1.2 mm in one rod's ends, taken up one way or the other from position to position."""
    truth, rng = truth_for(seed)
    rod = str(rng.choice(list(truth.rig.rods)))
    play = float(rng.uniform(0.6, 1.2))
    return Mistake(observe(_with_lengths(truth, lambda p, a: {rod: play / 2 * rng.choice((-1, 1))}), rng),
                   ("rod_misfit",), (rod,))


def bent_lever(seed: int) -> Mistake:
    """A lever arm that gives up to 1 to 2 mm at the ends of the travel: shows as its rod's misfit."""
    truth, rng = truth_for(seed)
    side = str(rng.choice(("left", "right")))
    give = float(rng.uniform(1, 2))
    rod = f"{side}_rod"
    most = max(abs(truth.angles[truth.rig.driver, p]) for p in truth.rig.positions)
    bend = _with_lengths(truth, lambda p, a: {rod: give * (a / most)**2})
    return Mistake(observe(bend, rng), ("rod_misfit",), (rod,))


def _with_lengths(truth: Truth, change: Callable[[str, float], dict[str, float]]) -> Truth:
    """The truth with rods that are longer or shorter at some positions."""
    angles = dict(truth.angles)
    for p in truth.rig.positions:
        if p == truth.rig.straight_ahead:
            continue
        driver = truth.angles[truth.rig.driver, p]
        rods = dict(truth.rig.rods)
        for r, d in change(p, driver).items():
            rods[r] = replace(rods[r], length=rods[r].length + d)
        for b, a in solve(replace(truth.rig, rods=rods), driver).items():
            if truth.rig.bodies[b].role != "wheel":
                angles[b, p] = a
    return replace(truth, angles=angles)


def _mix(a: Truth, b: Truth, second: Callable[[Shot], bool], rng: np.random.Generator) -> Observations:
    """Photos of ``a``, and of ``b`` where ``second`` says so, in the order of the shoot."""
    import pandas as pd

    one = observe(replace(a, shots=tuple(s for s in a.shots if not second(s))), rng)
    two = observe(replace(b, shots=tuple(s for s in b.shots if second(s))), rng)
    order = {s.name: i for i, s in enumerate(a.shots)}
    photos = sorted(one.photos + two.photos, key=lambda p: order[p.name])
    return replace(one, photos=tuple(photos), table=pd.concat([one.table, two.table], ignore_index=True))


MISTAKES: dict[str, Callable[[int], Mistake]] = {
    "photo filed under the wrong position": wrong_position, "tag slipped on its part": tag_slipped,
    "board or frame bumped": frame_bumped, "digital zoom in two photos": digital_zoom, "two phones": two_phones,
    "play in a rod end": loose_rod, "bent lever": bent_lever}
