"""Random rigs shot as planned, with what a workshop adds, and what the run then states beside what the plan promised.

The vehicle, its errors, the camera and all that spoils a shoot come from ``tests.render``, apart from the plan's code;
cameras and tags stand where the plan asked for them, as well as hands do that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from calib.advice.compare import judged_figures
from calib.estimation.bundle import estimate
from calib.planning.predict import ShootPlan, plan_shoot
from calib.planning.stage import SPIN_VIEWS, Stage, shoot
from calib.planning.views import CORNERS, hidden
from calib.results import Fit
from calib.rig.figures import FIGURES
from calib.rig.model import Rig, Vec
from calib.rig.reader import load_rig
from capture.observations import Observations
from capture.targets import Board
from tests.render.camera import Camera
from tests.render.shoot import simulate_observations
from tests.render.truth import (
    PRINT_SCALE,
    Shot,
    Truth,
    build,
    glued_as_promised,
    random_errors,
    random_lens,
    set_levers,
    stick_tags,
    vec,
    with_distances,
    with_rod_play,
)
from tests.render.workshop import Workshop, in_workshop

RIG = Path(__file__).resolve().parents[1] / "sample_data" / "rig.toml"
MEGAPIXELS = 4.32  # the simulated phone's 2400 x 1800
CORNER_PX = 0.013  # as the sample photos scatter, before what the tag's factor of 0.8 to 1.5 makes of it
SHOP = Workshop(lens_px=0.2, warp_mm=0.04, s_bow_mm=0.15, play_mm=0.05,
                play_rad={"lever": 1.0e-3, "crank": 0.5e-3, "upright": 0.25e-3}, flex_mm=0.08, flex_rad=0.15e-3,
                readout_s=(0.02, 0.03), hand_rad_s=float(np.deg2rad(1.0)), hand_mm_s=15.0)
ROD_PLAY = 0.03  # mm
DRAWN_STOPS = ("symmetry", "ackermann_error", "lock", "lock_left", "lock_right", "turn_circle")


@dataclass(frozen=True)
class Trial:
    """What was promised and what the run stated, 95 % half-widths in surface units, by figure."""

    design: Rig
    plan: ShootPlan
    fit: Fit
    promised: dict[str, float]
    stated: dict[str, float]

    @property
    def ratios(self) -> dict[str, float]:
        """Promised over stated of every figure that has an uncertainty."""
        return {n: self.promised[n] / u for n, u in self.stated.items() if u > 1e-9 and n in self.promised}

    @property
    def inside(self) -> dict[str, bool]:
        """Whether what the run stated lies in the plan's range or within a factor of 0.8 to 1.25 of it, by figure."""
        return {n: bool(0.8 * low <= self.stated[n] <= 1.25 * high) for n, (low, high) in self.plan.spread.items()
                if self.stated.get(n, 0.0) > 1e-9}

    @property
    def lever_off(self) -> float:
        """How far the driver's pivot stands off the drawing, in tolerances."""
        b = self.design.bodies[self.design.driver]
        off = np.subtract(self.fit.as_built.rig.bodies[self.design.driver].pivot, b.pivot)
        return float(np.linalg.norm(off)) / b.pivot_tol


def random_design(rng: np.random.Generator) -> Rig:
    """The sample's layout larger or smaller, with parts elsewhere and tolerances tighter or wider."""
    rig, k = load_rig(RIG), float(rng.uniform(0.85, 1.2))
    close = float(rng.uniform(0.5, 1.3))

    def at(v: Vec) -> Vec:
        return vec(k * np.asarray(v))

    def shifted(v: Vec, d: np.ndarray) -> Vec:
        return vec(k * np.asarray(v) + d)

    bodies = {n: replace(b, pivot=at(b.pivot), pivot_tol=close * b.pivot_tol, axis_tol=close * b.axis_tol)
              for n, b in rig.bodies.items()}
    points = {}
    for n, p in rig.points.items():
        d = rng.normal(0, 3.0, 3) if not n.startswith("right") and "right" not in n else np.zeros(3)
        points[n] = replace(p, holes={h: shifted(v, d) for h, v in p.holes.items()}, tol=close * p.tol)
    for n, p in points.items():  # the right side mirrors the left
        twin = n.replace("right", "left")
        if "right" in n and twin in points:
            points[n] = replace(p, holes={h: (v[0], -v[1], v[2]) for h, v in points[twin].holes.items()})
    wheels = {s: replace(w, centre=at(w.centre), radius=k * w.radius) for s, w in rig.wheels.items()}
    tags = {n: replace(t, offset_tol=float(rng.uniform(0.3, 0.6))) for n, t in rig.tags.items()}
    obstacles = [replace(o, a=at(o.a), b=at(o.b)) for o in rig.obstacles if "chain" not in o.name]
    rig = replace(rig, wheelbase=k * rig.wheelbase, bodies=bodies, points=points, wheels=wheels, tags=tags,
                  obstacles=obstacles)
    return with_distances(rig, list(rig.rods))


def as_planned(design: Rig, plan: ShootPlan, rng: np.random.Generator) -> tuple[Rig, Truth]:
    """The design with its bar as read, and a vehicle built with errors and shot as the plan asks."""
    assert plan.stage is not None
    rig = build(design, random_errors(design, rng))
    lens = random_lens(rng)
    tags = stick_tags(rig, PRINT_SCALE, rng)
    for n, s in plan.tags.items():
        tag = design.tags[n]
        if tag.centres_on is None and tag.body in rig.bodies:
            about = np.deg2rad(rng.normal(0, [4.0, 4.0, 10.0]))
            moved = np.subtract(rig.bodies[tag.body].pivot, design.bodies[tag.body].pivot)
            tags[n] = (s.R @ Rotation.from_rotvec(about).as_matrix(), s.at + moved + rng.normal(0, 8.0, 3))
    board = (Rotation.from_rotvec(np.deg2rad(rng.normal(0, 2.0, 3))).as_matrix() @ plan.stage.board[0],
             plan.stage.board[1] + rng.normal(0, 5.0, 3))
    asked = {p: list(SPIN_VIEWS if p in design.spin_positions else plan.asked) for p in plan.stage.angles}
    shots = tuple(Shot(s.name, s.position, Camera(lens, s.seat.R, s.seat.t, float(rng.normal(0, 0.002)),
                                                  rng.normal(0, 4.0, 2)))
                  for s in shoot(plan.stage, asked, rng))
    bow = (float(rng.normal(0, 0.1)), float(rng.normal(0, 0.1)), float(rng.normal(0, 0.05)))
    scale = 1 + float(rng.normal(0, 0.003))
    truth = Truth(rig, set_levers(rig, rng, 0.5), tags, Board.for_paper(rig.board.paper), board, scale, bow, lens,
                  shots, stretch=1 + float(rng.normal(0, 0.001)))
    truth = with_rod_play(glued_as_promised(in_workshop(truth, SHOP, rng), rng), ROD_PLAY, rng)
    bar = design.board.bar_nominal * scale + float(rng.normal(0, design.board.bar_tol / 2))
    return replace(design, board=replace(design.board, bar_measured=bar)), truth


def without_hidden(obs: Observations, stage: Stage, truth: Truth) -> Observations:
    """The corners without those of tags that wheels, tubes or the board hide from the camera."""
    names = truth.rig.tag_by_code()
    gone = set()
    for s in truth.shots:
        eye = s.camera.centre
        for code, tag in names.items():
            R, t = truth.tag_pose(tag.name, s.position)
            corners = (CORNERS * tag.size) @ R[:, :2].T + t
            if hidden(eye, corners[None], stage.blockers[s.position])[0]:
                gone.add((s.name, code))
    t = obs.table
    keep = [key not in gone for key in zip(t["photo"], t["tag"], strict=True)]
    return replace(obs, table=t[keep])


def stated_figures(design: Rig, fit: Fit) -> dict[str, float]:
    """Every 95 % half-width that a run's tables show."""
    return ({f.name: f.u95 for f in fit.figures if f.name not in FIGURES}
            | {f.name: f.u95 for f in judged_figures(design, fit.as_built)})


def trial(seed: int, photos: int | None = None, design: Rig | None = None) -> Trial:
    """One rig, planned, built, shot and estimated."""
    rng = np.random.default_rng([12, seed])
    design = design or random_design(rng)
    plan = plan_shoot(design, photos or int(rng.integers(3, 6)), megapixels=MEGAPIXELS)
    assert plan.stage is not None
    file, truth = as_planned(design, plan, rng)
    obs = without_hidden(simulate_observations(truth, CORNER_PX, rng, outliers=0.01), plan.stage, truth)
    fit = estimate(file, obs)
    return Trial(file, plan, fit, {f.name: f.u95 for f in plan.figures}, stated_figures(file, fit))


def table(trials: Sequence[Trial]) -> list[tuple[str, float, float, float, float, float]]:
    """(figure, least, median, largest ratio, share of trials within 0.8 to 1.25, share in the plan's range)."""
    out = []
    for n in trials[0].ratios:
        r = np.array([t.ratios[n] for t in trials if n in t.ratios])
        out.append((n, float(r.min()), float(np.median(r)), float(r.max()), float(np.mean((r > 0.8) & (r < 1.25))),
                    float(np.mean([t.inside[n] for t in trials if n in t.inside]))))
    return out
