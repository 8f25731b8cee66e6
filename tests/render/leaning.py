"""The sample vehicle with a front axle that leans, and simulated shoots of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.estimation.blocks.expected import Priors
from calib.rig.model import Body, RearWheel, Rig
from calib.rig.reader import parse_rig
from capture.observations import Observations
from tests.moorhen import SAMPLE
from tests.render.ground import WheelNow, headings_on_three, lowest
from tests.render.shoot import simulate_observations
from tests.render.truth import VIEWS, Truth, body_pose, build, by_eye, glued_as_promised, random_errors, solve, staged

DEG = np.deg2rad(1.0)
UP = np.array([0.0, 0.0, 1.0])
LEANS = {"lean_l": -8.0, "lean_r": 7.0}
LEAN_TEXT = """
[bodies.axle]
role = "lean"
pivot = [0, 0, 130]
axis = [1, 0, -0.1]
travel = [-12, 12]
locked = true
pivot_tolerance = 4

[tags.axle]
code = 75
body = "axle"
size = 60
"""


def leaning(slope: float = 0.1, levers_lean: bool = False) -> Rig:
    """The sample with crank and uprights on a front axle that leans against the frame, the levers on the frame.

    ``slope``: how far the lean axis falls for one forward. ``levers_lean``: it is the part with the levers and the
    rear wheel that leans, against a frame that holds crank and uprights.
    """
    text = SAMPLE.read_text(encoding="utf-8")
    on = ("left_lever", "right_lever") if levers_lean else ("crank", "left_upright", "right_upright")
    for b in on:
        text = text.replace(f"[bodies.{b}]", f'[bodies.{b}]\nparent = "axle"')
    old = 'spin_positions = ["spin1", "spin2"]   #'
    assert text.count(old) == 1
    text = text.replace(old, 'lean_positions = ["lean_l", "lean_r"]\nspin_positions = [] #')
    more = '[rear_wheel]\nbody = "axle"\n' if levers_lean else ""
    return parse_rig(text + LEAN_TEXT.replace("-0.1]", f"{-slope}]") + more)


def solve_leaned(rig: Rig, lever: float, lean: float) -> dict[str, float]:
    """All joint angles with the axle leaned: the root finder on a rig described in the leaned assembly."""
    angles = {b: 0.0 for b in rig.bodies}
    for part in np.linspace(0, lean, 5)[1:]:
        # the parts on the axle described where it has leaned to: then the axle itself need not move
        at = {"axle": float(part)}
        bodies = {n: carried(rig, b, at) if b.parent == "axle" else b for n, b in rig.bodies.items()}
        points = {n: replace(p, holes={h: place(rig, at, v) for h, v in p.holes.items()})
                  if rig.bodies[p.body].parent == "axle" else p for n, p in rig.points.items()}
        angles = solve(replace(rig, bodies=bodies, points=points), lever, angles)
    return angles | {"axle": lean}


def place(rig: Rig, at: dict[str, float], v: tuple[float, float, float]) -> tuple[float, float, float]:
    R, t = body_pose(rig, "axle", at)
    x = R @ np.asarray(v) + t
    return (float(x[0]), float(x[1]), float(x[2]))


def carried(rig: Rig, b: Body, at: dict[str, float]) -> Body:
    d = body_pose(rig, "axle", at)[0] @ np.asarray(b.axis)
    return replace(b, parent="frame", pivot=place(rig, at, b.pivot), axis=(float(d[0]), float(d[1]), float(d[2])))


def lean_shoot(seed: int, sigma: float = 0.05, slope: float = -0.2,
               design: Rig | None = None) -> tuple[Rig, Truth, Observations]:
    """Design, truth and corners of a shoot of the leaning sample, or of another ``design`` with its lean positions.

    The build's errors, the gluing of bolt tags, rod seats at every position and the lean lock are drawn as wide as
    the estimate takes them.
    """
    rng = np.random.default_rng(seed)
    design = design or leaning(slope)
    rig = build(design, random_errors(design, rng))
    known = Priors(np.zeros(9), np.ones(9), 1.0, 1.0, 1.0, 1.0, 1.0)
    play, lock = known.rod_play_sd, known.lock_sd
    rig = replace(rig, rods={n: replace(r, length=r.length - rng.normal(0, play)) for n, r in rig.rods.items()},
                  rear=rear_off(rig, rng))
    angles = {(b, rig.straight_ahead): 0.0 for b in rig.bodies}
    for p in [*rig.positions, *LEANS]:
        if p == rig.straight_ahead:
            continue
        lever = by_eye(rig, p, rng, 0.5 if p in LEANS else 0.8)
        lean = (LEANS[p] + rng.normal(0, 0.3)) * DEG if p in LEANS else rng.normal(0, lock)
        seated = {n: replace(r, length=r.length + rng.normal(0, play)) for n, r in rig.rods.items()}
        angles |= {(b, p): a for b, a in solve_leaned(replace(rig, rods=seated), lever, float(lean)).items()}
    truth = staged(rig, angles, {p: VIEWS for p in [*rig.positions, *LEANS]}, rng, places={"axle": (-60, 150, 250)})
    return design, truth, simulate_observations(glued_as_promised(truth, rng), sigma, rng)


def steer_by_leaning(truth: Truth, position: str) -> tuple[dict[str, float], dict[str, float]]:
    """True steer that leaning caused at a position, rad by side, and the same by rods of their true length.

    The first is each wheel's heading less straight ahead's, less what the lever's own small turn makes with rods of
    their true length; it holds how the rods sat at that position. Headings on the ground from the rear wheel's.
    """
    rig = truth.rig
    at = {b: truth.angles.get((b, position), 0.0) for b in rig.bodies}
    lever = at[rig.driver]
    here, ahead, still = (headings_by_root(rig, a) for a in (at, {}, solve(rig, lever)))
    zero = headings_by_root(rig, solve(rig, 0.0))
    leaned = headings_by_root(rig, solve_leaned(rig, lever, at["axle"]))
    return ({s: here[s] - ahead[s] - (still[s] - zero[s]) for s in here}, {s: leaned[s] - still[s] for s in here})


def rear_off(rig: Rig, rng: np.random.Generator) -> RearWheel:
    """The rear wheel where and as it really is: off by as much as its tolerances say."""
    r, (centre, _, radius, _) = rig.rear, rear_now(rig, {})
    at, axle = rng.normal(centre, r.tol / 1.96), rng.normal(r.spin, r.spin_tol / 1.96)
    return replace(r, centre=tuple(map(float, at)), spin=tuple(map(float, axle / np.linalg.norm(axle))), radius=radius)


def rear_now(rig: Rig, angles: dict[str, float]) -> WheelNow:
    """The rear wheel at joint angles; where the rig leaves it open: behind the front wheels, on their ground."""
    r, front = rig.rear, list(rig.wheels.values())
    radius = float(np.mean([w.radius for w in front])) if r.radius is None else r.radius
    spin = np.asarray(r.spin)
    centre = r.centre
    if centre is None:
        ground = np.mean([lowest((np.asarray(w.centre), np.asarray(w.spin), w.radius, w.tyre), UP)[2] for w in front])
        stands = lowest((np.zeros(3), spin, radius, r.tyre), UP)[2]
        centre = (float(np.mean([w.centre[0] for w in front])) - rig.wheelbase, 0.0, float(ground - stands))
    R, t = body_pose(rig, r.body, angles)
    return R @ np.asarray(centre) + t, R @ spin, radius, r.tyre


def headings_by_root(rig: Rig, angles: dict[str, float]) -> dict[str, float]:
    """Headings of the front wheels from the rear wheel's, all on one flat ground, apart from calib."""
    wheels = {"rear": rear_now(rig, angles)}
    for side, w in rig.wheels.items():
        R, t = body_pose(rig, w.upright, angles)
        wheels[side] = (R @ np.asarray(w.centre) + t, R @ np.asarray(w.spin), w.radius, w.tyre)
    return headings_on_three(wheels)
