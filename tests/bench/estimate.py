"""Time and minimum of the one estimate against general-purpose solvers on the very same residuals and start.

References: scipy.optimize.least_squares (trust region, exact steps on the dense Jacobian, so on a quarter of the
corners only) and, where it is installed, gtsam (factor graph, Levenberg-Marquardt). Both are given Jacobians by
central differences of the residuals, not the analytic ones. No robust loss and no outliers, so that all solve
plain least squares, and all start where the estimate's cold start ends.

Run: OMP_NUM_THREADS=1 python -m tests.bench.estimate [photos, default 42] [fast: without scipy]
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.optimize._numdiff import group_columns
from scipy.sparse import csr_matrix

from calib.estimation.arrange import arrange
from calib.estimation.bundle import estimate, make_priors
from calib.estimation.coldstart import cold_start
from calib.estimation.equations import RigProblem
from calib.estimation.solver import minimise
from calib.estimation.unknowns import PRIVATE, State, retract
from calib.rig.model import Rig
from calib.rig.reader import load_rig
from capture.observations import Observations
from tests.render.shoot import simulate_observations
from tests.render.truth import random_truth

RIG = Path(__file__).resolve().parents[2] / "sample_data" / "rig.toml"
Array = NDArray[np.float64]


def shoot(views: int, seed: int = 3, sigma: float = 0.05, outliers: float = 0.0) -> tuple[Rig, Observations]:
    """Design and corners of a simulated shoot with ``views`` photos a lever position and 4 a wheel position."""
    rng = np.random.default_rng(seed)
    truth = random_truth(RIG, rng, views=views)
    return load_rig(RIG), simulate_observations(truth, sigma, rng, outliers=outliers)


def plain_problem(rig: Rig, obs: Observations, every: int = 1) -> tuple[RigProblem, State]:
    """Least squares without loss functions, and the cold start. ``every``: keep each how-manieth corner of a tag."""
    obs, layout, corners = arrange(rig, obs)
    size = (obs.photos[0].width, obs.photos[0].height)
    exif = [p.focal_px_guess for p in obs.photos if p.focal_px_guess]
    focal = float(np.median(exif)) if exif else None
    cold = cold_start(layout, corners, size, focal, make_priors(rig, size, focal))
    state, corners, priors = cold.state, cold.corners, cold.priors
    if every > 1:
        keep = np.zeros_like(corners.seen)
        keep[:, ::every] = True
        corners = replace(corners, seen=corners.seen & keep)
    return RigProblem(layout, corners, priors, robust_scale=None, prior_scale=1e9), state


def small_problem() -> tuple[RigProblem, State]:
    """``plain_problem`` of four positions of a shoot, a third of the corners: for differences by every unknown."""
    rig, obs = shoot(2, seed=11)
    keep = {"back2", "ahead", "push2", "spin1"}
    obs = replace(obs, photos=tuple(p for p in obs.photos if p.position in keep),
                  table=obs.table[obs.table["position"].isin(keep)])
    rig = replace(rig, positions=("back2", "ahead", "push2"), spin_positions=("spin1",))
    return plain_problem(rig, obs, every=3)


class Residuals:
    """All residuals as one vector of one vector of unknowns: steps from ``origin``, shared then photo by photo."""

    def __init__(self, problem: RigProblem, origin: State) -> None:
        self.problem, self.origin = problem, origin
        self.n = problem.layout.size
        self.size = self.n + PRIVATE * len(problem.layout.photos)
        self.calls = 0

    def state(self, x: Array) -> State:
        return retract(self.problem.layout, self.origin, x[:self.n], x[self.n:].reshape(-1, PRIVATE))

    def __call__(self, x: Array) -> Array:
        self.calls += 1
        return self.of(self.state(x))

    def of(self, s: State) -> Array:
        """(m,) corners (predicted minus observed, whitened), equations of the rig, photo priors."""
        p, c = self.problem, self.problem.corners
        corner = -(c.whiten @ p.corner_residuals(s)[..., None])[..., 0][c.seen]
        return np.concatenate([corner.ravel(), *[r.r for r in p.rows(s)], s.df / p.priors.df_sd,
                               (s.dc / p.priors.dc_sd).ravel()])

    def pattern(self) -> csr_matrix:
        """Which residuals may depend on which unknowns, (m, size): from the layout alone."""
        p, lay, c = self.problem, self.problem.layout, self.problem.corners
        rows: list[list[int]] = []
        lens = list(range(lay.bow.stop))
        for g in np.nonzero(c.seen)[0]:
            photo = int(c.photo[g])
            cols = [*lens, *range(self.n + PRIVATE * photo, self.n + PRIVATE * (photo + 1))]
            if c.tag[g] >= 0:
                cols += tag_slots(p, lay.tags[c.tag[g]], lay.photo_positions[photo])
            rows += [cols, cols]
        for r in p.rows(self.origin):
            rows += [list(r.slots)] * len(r.r)
        first = [self.n + PRIVATE * k for k in range(len(lay.photos))]
        rows += [[k + 6] for k in first] + [[k + j] for k in first for j in (7, 8)]
        data = np.concatenate([np.full(len(r), i) for i, r in enumerate(rows)])
        return csr_matrix((np.ones(len(data)), (data, np.concatenate(rows).astype(int))), (len(rows), self.size))


def tag_slots(problem: RigProblem, tag: str, position: str) -> list[int]:
    """Shared unknowns that place a tag at a position."""
    lay = problem.layout
    sl = lay.tag(tag)
    out = list(range(sl.start, sl.stop))
    for body in lay.chain(problem.rig.tags[tag].body):
        angle = lay.angle(body, position)
        if angle is not None:
            axis = lay.axis(body)
            out += [angle, *range(axis.start, axis.stop)]
    return out


@dataclass(frozen=True)
class Timed:
    """What one solver did."""

    name: str
    cost: float  # half the sum of squares
    seconds: float
    iterations: int
    note: str = ""


def ours(problem: RigProblem, state: State) -> tuple[Timed, State]:
    """The project's solver on the plain problem."""
    began = time.perf_counter()
    sol = minimise(replace(problem), state, rtol=1e-12)
    return Timed("rigtrue", sol.cost, time.perf_counter() - began, sol.iterations), sol.state


def scipy_exact(problem: RigProblem, state: State) -> Timed:
    """scipy's trust region with exact steps; the numeric Jacobian takes unknowns that never meet together."""
    f = Residuals(problem, state)
    slopes = Differences(f)
    began = time.perf_counter()
    r = least_squares(f, np.zeros(f.size), jac=lambda x: slopes(x).toarray(), method="trf", tr_solver="exact",
                      x_scale="jac", ftol=1e-9, xtol=1e-12, gtol=1e-12)
    return Timed("scipy", float(r.cost), time.perf_counter() - began, int(r.nfev),
                 f"(of it {slopes.seconds:.1f} s for differences)")


def gtsam_graph(problem: RigProblem, state: State) -> Timed | None:
    """gtsam on the same residuals: one factor for each tag in a photo and each equation of the rig."""
    try:
        import gtsam  # type: ignore[import-not-found,import-untyped,unused-ignore]
    except ImportError as e:
        print(f"gtsam left out: {e}")
        return None
    f = Residuals(problem, state)
    slopes = Differences(f)
    pattern = slopes.pattern
    blocks = unknown_blocks(problem)
    where = np.empty(f.size, int)
    for b, block in enumerate(blocks):
        where[block] = b
    graph, values = gtsam.NonlinearFactorGraph(), gtsam.Values()
    for b, block in enumerate(blocks):
        values.insert(b, np.zeros(len(block)))
    shared = _AtValues(f, slopes, blocks)

    def add(first: int, m: int) -> None:
        keys = sorted({int(where[k]) for k in pattern[first:first + m].indices})

        def evaluate(_: Any, v: Any, jac: Any) -> Array:
            r = shared.residuals(v)[first:first + m]
            if jac is not None:
                j = shared.jacobian(v)[first:first + m].toarray()
                for i, k in enumerate(keys):
                    jac[i] = np.asfortranarray(j[:, blocks[k]])
            return r

        graph.add(gtsam.CustomFactor(gtsam.noiseModel.Unit.Create(m), keys, evaluate))

    at = 0
    photos = len(problem.layout.photos)
    sizes = [2 * int(k) for k in problem.corners.seen.sum(axis=1)] + [len(r.r) for r in problem.rows(state)]
    for m in [*sizes, *[1] * photos, *[2] * photos]:
        if m:
            add(at, m)
        at += m
    params = gtsam.LevenbergMarquardtParams()
    params.setRelativeErrorTol(1e-10)
    params.setAbsoluteErrorTol(1e-8)
    params.setMaxIterations(60)
    began = time.perf_counter()
    opt = gtsam.LevenbergMarquardtOptimizer(graph, values, params)
    result = opt.optimize()
    seconds = time.perf_counter() - began
    return Timed("gtsam", float(np.sum(f(shared.whole(result)) ** 2) / 2), seconds, int(opt.iterations()),
                 f"(of it {slopes.seconds:.1f} s for differences)")


class Differences:
    """Sparse numeric Jacobian of the residuals, by central differences of unknowns that never meet together."""

    def __init__(self, f: Residuals) -> None:
        self.f, self.pattern = f, f.pattern()
        self.groups = group_columns(self.pattern)
        self.seconds = 0.0

    def __call__(self, x: Array) -> csr_matrix:
        began = time.perf_counter()
        h = 1e-6
        cols: list[Array] = []
        for g in range(int(self.groups.max()) + 1):
            d = h * (self.groups == g)
            cols.append((self.f(x + d) - self.f(x - d)) / (2 * h))
        j = self.pattern.tocoo()
        out = csr_matrix((np.stack(cols)[self.groups[j.col], j.row], (j.row, j.col)), j.shape)
        self.seconds += time.perf_counter() - began
        return out


class _AtValues:
    """Residuals and Jacobian at gtsam's values, worked out once for all factors."""

    def __init__(self, f: Residuals, slopes: Differences, blocks: list[list[int]]) -> None:
        self.f, self.slopes, self.blocks = f, slopes, blocks
        self._x, self._r = np.full(f.size, np.nan), np.zeros(0)
        self._j: csr_matrix | None = None

    def whole(self, values: Any) -> Array:
        x = np.empty(self.f.size)
        for k, block in enumerate(self.blocks):
            x[block] = values.atVector(k)
        return x

    def residuals(self, values: Any) -> Array:
        x = self.whole(values)
        if not np.array_equal(x, self._x):
            self._x, self._r, self._j = x, self.f(x), None
        return self._r

    def jacobian(self, values: Any) -> csr_matrix:
        self.residuals(values)
        if self._j is None:
            self._j = self.slopes(self._x)
        return self._j


def unknown_blocks(problem: RigProblem) -> list[list[int]]:
    """Unknowns in the blocks a factor graph knows as variables."""
    lay = problem.layout
    out = [list(range(lay.bow.stop)), list(range(lay.align.start, lay.align.stop))]
    out += [list(range(s.start, s.stop)) for s in [*map(lay.tag, lay.tags), *map(lay.axis, lay.bodies),
                                                   *map(lay.point, lay.points)]]
    out += [[lay.rod(r)] for r in lay.rods] + [[k] for k in range(lay.first_angle, lay.size)]
    return out + [list(range(lay.size + PRIVATE * p, lay.size + PRIVATE * (p + 1))) for p in range(len(lay.photos))]


def table(rows: list[Timed], reference: Timed) -> None:
    """Cost against the lowest and time against rigtrue's."""
    least = min(r.cost for r in rows)
    print(f"  {'solver':16s} {'cost':>16s} {'over the least':>15s} {'seconds':>9s} {'times rigtrue':>14s} "
          f"{'iterations':>11s}")
    for r in rows:
        print(f"  {r.name:16s} {r.cost:16.6f} {r.cost / least - 1:15.1e} {r.seconds:9.3f} "
              f"{r.seconds / reference.seconds:14.1f} {r.iterations:11d} {r.note}")


def main() -> None:
    photos = int(sys.argv[1]) if len(sys.argv) > 1 else 42
    fast = "fast" in sys.argv[2:]
    rig, obs = shoot(max(2, round((photos - 8) / 7)))
    began = time.perf_counter()
    fit = estimate(rig, obs)
    print(f"{len(obs.photos)} photos, {len(obs.table)} corners: whole estimate from the corner table, cold, "
          f"{time.perf_counter() - began:.2f} s, {fit.iterations} iterations")
    problem, state = plain_problem(rig, obs)
    print(f"same residuals and start, {len(problem.layout.photos) * PRIVATE + problem.layout.size} unknowns, "
          f"{2 * int(problem.corners.seen.sum())} corner coordinates")
    own, _ = ours(problem, state)
    other = gtsam_graph(problem, state)
    table([own, *([other] if other else [])], own)
    if fast:
        return
    problem, state = plain_problem(rig, obs, every=4)
    print(f"every fourth corner, {2 * int(problem.corners.seen.sum())} corner coordinates")
    own, _ = ours(problem, state)
    table([own, scipy_exact(problem, state)], own)


if __name__ == "__main__":
    main()
