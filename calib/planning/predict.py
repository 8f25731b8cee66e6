"""The shoot plan: how well a shoot will know the rig, before the first photo is taken.

Tags, board and cameras are put where ``calib.planning`` would have them, and the estimate's own equations are set up
there (``calib.estimation.foreseen``), with joints, frame, hand and lens as uneven as they usually are. So the predicted
uncertainties are those that the run will state, as far as the vehicle is as drawn and as usual.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.advice.compare import judged_figures
from calib.estimation.foreseen import WIDTH, Conditions, foreseen, most_telling
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.linkage.rotations import rotation
from calib.planning.places import Stuck
from calib.planning.stage import (
    CANDIDATES,
    SPIN_VIEWS,
    Shot,
    Stage,
    observations,
    planned,
    shoot,
    sightings,
    staged,
)
from calib.planning.views import View
from calib.results import Figure, Fit
from calib.rig.figures import FIGURES
from calib.rig.model import Rig, Vec
from calib.uncertainty import standard
from capture.errors import UserError

Array = NDArray[np.float64]
MOST_PHOTOS = 6  # at a position
TURNED_OUT, TURNED_OUT_SEED = 4, 5  # vehicles within the drawing's tolerances that are looked at
COARSE = 41  # driver angles of those
GOOD, POOR = 0.6, 2.0  # corner noise of the flattest tags and sharpest photos, and of curled and soft ones, over the
# usual: what 30 simulated workshops drew (tests.bench.plan_truth); common practice, no source
LEAST_SEEN = 2  # photos of a position that should see a tag


@dataclass(frozen=True)
class ShootPlan:
    """Predicted 95 % half-widths for one way of shooting."""

    photos_per_position: int
    positions: tuple[str, ...]
    views: tuple[str, ...]
    figures: tuple[Figure, ...]  # values are the design's; u95 is the prediction
    unseen: tuple[str, ...]  # tags seen in fewer than two photos of some position
    pivot_u95: float = float("nan")  # mm, the worst coordinate of any pivot against the measured rig itself
    shots: tuple[Shot, ...] = ()  # every photo: where the camera stands and which tags it sees
    stage: Stage | None = None  # where tags and board are
    seen: Mapping[tuple[str, str], int] | None = None  # photos that see a tag, by (tag, position)
    asked: tuple[View, ...] = ()  # the views at each lever position
    spread: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # u95 by how vehicle and photos turn out
    drawn: Mapping[str, float] = field(default_factory=dict)  # u95 of the vehicle exactly as drawn

    def worst(self, start: str) -> float:
        """Largest 95 % half-width among the figures whose name begins with ``start``; nan if none."""
        return max((f.u95 for f in self.figures if f.name.startswith(start)), default=float("nan"))

    @property
    def photos(self) -> int:
        """All photos of the shoot."""
        return len(self.shots)

    @property
    def tags(self) -> Mapping[str, Stuck]:
        """Where each tag is taken to sit."""
        return self.stage.tags if self.stage else {}


def plan_shoot(rig: Rig, photos_per_position: int = 4, *, megapixels: float = 12.0, corner_px: float | None = None,
               conditions: Conditions | None = None, seed: int = 1) -> ShootPlan:
    """Predict what a shoot of ``photos_per_position`` (2..6) photos a lever position will know.

    ``corner_px``: standard uncertainty of a saddle corner per axis, px of the picture planned for; None: as
    ``conditions`` has it, which says how uneven joints, frame, hand and lens are. Raises UserError where such a shoot
    could not be evaluated at all.

    >>> from calib import parse_rig, starter_text
    >>> plan = plan_shoot(parse_rig(starter_text()), photos_per_position=3)
    >>> plan.worst("toe") < 0.2  # deg, 95 %
    True
    """
    _check_number(photos_per_position)
    rig = true_to_scale(rig)
    stage = staged(rig, megapixels)
    conditions = conditions or Conditions()
    views = chosen_views(stage, photos_per_position, conditions)
    return with_spread(plan_on(stage, views, photos_per_position, conditions, corner_px, seed), conditions, corner_px)


def _check_number(photos: int) -> None:
    if not LEAST_SEEN <= photos <= MOST_PHOTOS:
        raise UserError(f"plan: photos a position must be {LEAST_SEEN} to {MOST_PHOTOS}, not {photos}.",
                        "out_of_range", "photos_per_position")


def true_to_scale(rig: Rig) -> Rig:
    """The rig with bars that read nominal: the made-up print is true to scale, however the real one turned out."""
    bars = [None if b is None else rig.board.bar_nominal for b in (rig.board.bar_measured, rig.board.bar_upright)]
    return replace(rig, board=replace(rig.board, bar_measured=bars[0], bar_upright=bars[1]))


def chosen_views(stage: Stage, count: int, conditions: Conditions) -> list[View]:
    """The ``count`` views that tell most, in the order in which they do, looked at with levers at ends and middle."""
    ahead = stage.rig.straight_ahead
    levers = list(stage.lever_positions)
    some = list(dict.fromkeys([levers[0], ahead, levers[-1]]))
    shots = shoot(stage, {p: list(CANDIDATES) for p in some})
    _need_tags(stage, shots)
    groups = [[f"{p}/{k}" for p in some] for k in range(1, len(CANDIDATES) + 1)]
    obs = observations(stage, shots, _corner(stage, conditions, None))
    levers_only = replace(stage.rig, positions=tuple(some), spin_positions=(), lean_positions=(), stops=())
    order = most_telling(levers_only, obs, planned(stage, shots), conditions, groups, count)
    return [CANDIDATES[i] for i in order]


def plan_on(stage: Stage, views: list[View], count: int, conditions: Conditions, corner_px: float | None = None,
            seed: int = 1) -> ShootPlan:
    """What the first ``count`` of ``views`` at each lever position would know."""
    rig, mine = stage.rig, views[:count]
    wanted: dict[str, list[View]] = {p: mine for p in stage.all_round}
    shots = shoot(stage, wanted | _spun(stage), np.random.default_rng(seed))
    _need_tags(stage, shots)
    fit = _foreseen(stage, shots, conditions, corner_px)
    seen = sightings(stage, shots)
    rare = tuple(sorted({t for (t, p), n in seen.items() if n < LEAST_SEEN and counts(rig, t, p)}))
    figures, spread, drawn = _figures(rig, fit)
    table = fit.pivot_table
    pivots = table[table["what"].str.endswith(" pivot")]["u95"]
    worst = max((max(u) for u in pivots), default=float("nan"))
    return ShootPlan(count, tuple(stage.angles), tuple(v.words for v in mine), figures, rare, worst, tuple(shots),
                     stage, seen, tuple(mine), spread, drawn)


def with_spread(plan: ShootPlan, conditions: Conditions, corner_px: float | None = None) -> ShootPlan:
    """The plan with the least and largest half-width of every figure.

    With good and with poor corners, each times what the vehicle may turn out to be (see ``_figures``).
    """
    assert plan.stage is not None
    corner = _corner(plan.stage, conditions, corner_px)
    good, poor = ({f.name: f.u95 for f in _figures(plan.stage.rig, fit, others=0)[0]}
                  for fit in (_foreseen(plan.stage, plan.shots, conditions, k * corner) for k in (GOOD, POOR)))
    out = {}
    for f in plan.figures:
        low, high = plan.spread.get(f.name, (f.u95, f.u95))
        drawn = plan.drawn.get(f.name, f.u95)
        known = np.isfinite(drawn) and drawn > 0
        out[f.name] = (float(low * good[f.name] / drawn), float(high * poor[f.name] / drawn)) if known else (low, high)
    return replace(plan, spread=out)


def _foreseen(stage: Stage, shots: Sequence[Shot], conditions: Conditions, corner_px: float | None) -> Fit:
    return foreseen(stage.rig, observations(stage, shots, _corner(stage, conditions, corner_px)),
                    planned(stage, shots), conditions)


def _spun(stage: Stage) -> dict[str, list[View]]:
    return {p: list(SPIN_VIEWS) for p in stage.angles if p in stage.rig.spin_positions}


def _corner(stage: Stage, conditions: Conditions, corner_px: float | None) -> float:
    return corner_px if corner_px is not None else conditions.corner_px * stage.size[0] / WIDTH


def _need_tags(stage: Stage, shots: list[Shot]) -> None:
    codes = set(stage.rig.tag_by_code())
    if not any(codes & set(s.sees) for s in shots):
        raise UserError("plan: no tag would be seen from the usual places; check the drawn places in the rig file.",
                        "tags_unseen")


def counts(rig: Rig, tag: str, position: str) -> bool:
    """Whether a tag has to be seen at a position: a wheel's where wheels are turned, all others at the levers'."""
    body = rig.bodies.get(rig.tags[tag].body)
    if body is None:
        return position == rig.straight_ahead
    return (body.role == "wheel") == (position in rig.spin_positions)


def _figures(rig: Rig, fit: Fit, others: int = TURNED_OUT,
             ) -> tuple[tuple[Figure, ...], dict[str, tuple[float, float]], dict[str, float]]:
    """What the estimate reads off by itself, and every figure of the table as the comparison would give it.

    A figure's slopes are those of the vehicle as built, which is not known yet: lock hangs on how unlike the two sides
    turned out. So the half-widths of the table are the root mean square over the drawing and some vehicles within its
    tolerances; the least and largest of them come second, those of the drawing third.
    """
    if not {"left", "right"} <= set(rig.wheels):
        return fit.figures, {}, {}
    judged = judged_figures(rig, fit.as_built)
    rng = np.random.default_rng(TURNED_OUT_SEED)
    vehicles = [r for _ in range(others) if (r := turned_out(rig, rng)) is not None]
    u95: dict[str, list[float]] = {f.name: [f.u95] for f in judged}
    for other in vehicles:
        for f in judged_figures(rig, replace(fit.as_built, rig=_placed(fit.as_built.rig, other)), COARSE):
            if np.isfinite(f.u95):
                u95[f.name].append(f.u95)
    table = tuple(Figure(f.name, f.measured, float(np.sqrt(np.mean(np.square(u95[f.name])))), f.unit, f.from_photos)
                  for f in judged)
    return ((*(f for f in fit.figures if f.name not in FIGURES), *table),
            {n: (min(u), max(u)) for n, u in u95.items()}, {n: u[0] for n, u in u95.items()})


def turned_out(rig: Rig, rng: np.random.Generator) -> Rig | None:
    """The vehicle as it may be built within the drawing's tolerances, its rods set so that it stands straight ahead.

    None where it could not be moved through its travel.
    """
    def off(v: Vec, tol: float) -> Vec:
        x, y, z = np.asarray(v) + rng.normal(0, standard(tol), 3)
        return float(x), float(y), float(z)

    def tilted(v: Vec, tol: float) -> Vec:
        x, y, z = rotation(rng.normal(0, standard(tol), 3)) @ np.asarray(v)
        return float(x), float(y), float(z)

    fixed = {n for n, b in rig.bodies.items() if b.role == "wheel"}
    bodies = {n: b if n in fixed else replace(b, pivot=off(b.pivot, b.pivot_tol), axis=tilted(b.axis, b.axis_tol))
              for n, b in rig.bodies.items()}
    points = {}
    for n, p in rig.points.items():
        d = rng.normal(0, standard(p.tol), 3)
        holes = {h: (float(v[0] + d[0]), float(v[1] + d[1]), float(v[2] + d[2])) for h, v in p.holes.items()}
        points[n] = replace(p, holes=holes)
    rods = {n: replace(r, length=float(np.linalg.norm(np.subtract(points[r.a].xyz, points[r.b].xyz))))
            for n, r in rig.rods.items()}
    out = replace(rig, bodies=bodies, points=points, rods=rods)
    try:
        moves = Linkage(out).sweep(np.array(rig.driver_travel)).reached.all()
    except (CannotAssemble, ValueError):
        return None
    return out if moves else None


def _placed(built: Rig, other: Rig) -> Rig:
    """The rig that the made-up shoot would give, with places, axes and rods of ``other``."""
    return replace(built, points=other.points, rods=other.rods, bodies={
        n: replace(b, pivot=other.bodies[n].pivot, axis=other.bodies[n].axis) for n, b in built.bodies.items()})
