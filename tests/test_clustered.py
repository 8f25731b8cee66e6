"""Variance clustered on photos: against the textbook formulas on whole matrices, and on photos that do disagree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from scipy.stats import t as student

from calib.estimation.camera import project
from calib.estimation.clustered import Clustered, of_the_photos, photo_clustered
from calib.estimation.fitted import Solved
from calib.uncertainty import K95
from tests.board_fit import as_in_a_run

Array = NDArray[np.float64]
GRID = np.stack(np.meshgrid(np.arange(6.0), np.arange(5.0)), axis=-1).reshape(-1, 2) * 40
LENS = np.array([2600.0, 1, 1599.5, 1199.5, 0.05, -0.1, 0, 0, 0])
NOISE = 0.05  # px
KEPT = (0, 4, 5)


def solved(photos: int, seed: int, wrong: Callable[[Array, np.random.Generator], Array] | None = None) -> Solved:
    """A board seen by some photos, each with its own systematic error (px) where ``wrong`` makes one."""
    rng = np.random.default_rng(seed)
    middle = np.r_[GRID.mean(axis=0), 0]
    views = []
    for _ in range(photos):
        turn = Rotation.from_rotvec(rng.uniform(-0.5, 0.5, 3))
        camera = turn.apply(np.c_[GRID, np.zeros(len(GRID))] - middle) + [0, 0, rng.uniform(350, 450)]
        uv = project(camera, LENS, rng.normal(0, 0.003), rng.normal(0, 6, 2))
        uv += rng.normal(0, NOISE, uv.shape)
        views.append((GRID, uv if wrong is None else uv + wrong((uv - LENS[2:4]) / 1600, rng)))
    return as_in_a_run(views, [np.tile(NOISE**2 * np.eye(2), (len(GRID), 1, 1))] * photos, (3200, 2400), 120.0)


def test_against_the_formulas_on_whole_matrices() -> None:
    """Rows of each photo by finite differences, its pose and own terms absorbed, every matrix written out.

    Bell and McCaffrey (2002); Pustejovsky and Tipton (2018), section 3.
    """
    found = solved(4, 1)
    problem, s = found.problem, found.state
    shared, own, n = problem.layout.size, problem.layout.private, len(problem.layout.photos)
    steps = np.sqrt(np.diag(np.linalg.inv(problem.information(s)))) * 1e-2

    def residual(d: Array, p: Array) -> Array:
        r = problem.corner_residuals(problem.retract(s, d, p))
        w = np.einsum("gkij,gkj->gki", problem.corners.whiten, r)
        return np.asarray(-w[found.used], float).ravel()

    photo = np.repeat(problem.corners.photo, found.used.sum(axis=1) * 2)
    x = np.stack([(residual(e, np.zeros((n, own))) - residual(-e, np.zeros((n, own)))) / (2 * steps[i])
                  for i, e in enumerate(np.diag(steps))], axis=1)
    e = residual(np.zeros(shared), np.zeros((n, own)))
    prior = problem.linearise(s, ("prior", "loose", "drawing", "closure", "ball", "reference")).private
    for i in range(n):
        mine = photo == i
        z = np.zeros((int(mine.sum()), own))
        for k in range(own):
            d = np.zeros((n, own))
            d[i, k] = 1e-6 if k < 3 or k == 6 else 1e-4
            z[:, k] = (residual(np.zeros(shared), d) - residual(np.zeros(shared), -d))[mine] / (2 * d[i, k])
        x[mine] -= z @ np.linalg.solve(z.T @ z + prior[i], z.T @ x[mine])
    m = np.linalg.inv(problem.information(s))
    total, b, where = 0.0, [], []
    for i in range(n):
        mine = photo == i
        h = x[mine] @ m @ x[mine].T
        value, vector = np.linalg.eigh(np.eye(len(h)) - h)
        a = (vector / np.sqrt(value)) @ vector.T
        for k in KEPT:
            p = np.zeros(len(e))
            p[mine] = a @ x[mine] @ m[:, k] / np.sqrt(m[k, k])
            total += float(p @ e) ** 2
            b.append(p)
            where.append(i)
    gram = np.array(b) @ (np.eye(len(e)) - x @ m @ x.T) @ np.array(b).T
    got = photo_clustered(problem, s, KEPT)
    assert got.ratio == pytest.approx(total / np.trace(gram), rel=0.02)
    assert got.dof == pytest.approx(np.trace(gram) ** 2 / np.sum(gram**2), rel=0.02)


def test_photos_that_agree_and_photos_that_do_not() -> None:
    """A lens whose radial term changes from photo to photo by half a pixel at the edge, which no term allows for."""
    fair = [of_the_photos(f.problem, f.state) for f in (solved(8, seed) for seed in range(2))]
    assert 0.6 < np.mean([c.ratio for c in fair]) < 1.5
    assert all(8 < c.dof < 40 for c in fair)  # eight photos, nine terms

    def wrong(at: Array, rng: np.random.Generator) -> Array:
        return np.asarray(rng.normal(0, 5) * at * np.sum(at**2, axis=1)[:, None])

    f = solved(8, 5, wrong)
    c = f.problem.corners
    alone = np.ones((len(c.tag), 32, 1, 1)) * np.eye(2) / (NOISE * f.sigma)
    plain = replace(f.problem, corners=replace(c, whiten=alone))
    assert of_the_photos(plain, f.state).ratio > 1.8  # measured 2.7
    used = c.whiten[0, 0, 0, 0] * NOISE * f.sigma * f.inflation
    assert used < 0.9  # measured 0.84: the run has widened what it states


def test_factor_is_students_and_never_narrows() -> None:
    assert Clustered(0.3, 5.0).factor == 1.0
    assert Clustered(1.0, 0.0).factor == 1.0
    assert Clustered(4.0, 6.0).factor == pytest.approx(2 * student.ppf(0.975, 6) / K95)
