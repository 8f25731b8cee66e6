"""The solver, its covariance, the camera model and the cold start against published figures and OpenCV."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calib.advice.propagation import Slopes
from calib.estimation.camera import camera_matrix, project, project_with_derivatives, undistort
from calib.estimation.solver import DenseProblem, Solution, minimise, reduced_system
from calib.estimation.start import board_homography, focal_from_board, planar_poses
from calib.linkage.rotations import rotation, rotation_vector
from capture.targets import Board

Array = NDArray[np.float64]
LENS = np.array([1910.0, 1.0007, 1203.4, 893.2, 0.06, -0.12, 6e-4, -5e-4, 0.03])


def covariance(j: Array, variance: float) -> Array:
    """Covariance (n, n) of a plain fit with slopes (m, n) as the estimate forms it: inverse of the normal equations."""
    reduced, _, _ = reduced_system(DenseProblem(lambda _: np.zeros(len(j)), lambda _: j).linearise(j[0]))
    d = 1 / np.sqrt(np.diag(reduced))
    return variance * np.linalg.inv(reduced * d[:, None] * d[None, :]) * d[:, None] * d[None, :]


def fit(residuals: Callable[[Array], Array], jacobian: Callable[[Array], Array], start: Sequence[float]) -> Solution:
    return minimise(DenseProblem(residuals, jacobian), np.array(start, float), max_iterations=2000, rtol=1e-22)


# --- circle ---------------------------------------------------------------------------------------------------


def test_six_point_circle() -> None:
    """Gander, Golub and Strebel, BIT 34 (1994) 558, six-point example, geometric fit (figures from memory;
    confirmed by a second solver)."""
    p = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], float)

    def residuals(x: Array) -> Array:
        return np.linalg.norm(p - x[:2], axis=1) - x[2]

    def jacobian(x: Array) -> Array:
        d = x[:2] - p
        return np.column_stack([d / np.linalg.norm(d, axis=1, keepdims=True), -np.ones(len(p))])

    # their own start: the algebraic circle, centre (5.3794, 7.2532), radius 3.0370
    sol = fit(residuals, jacobian, [5.3794, 7.2532, 3.0370])
    assert sol.converged
    np.testing.assert_allclose(sol.state, [4.7398, 2.9835, 4.7142], atol=5e-5)
    other = least_squares(residuals, [5.0, 4.0, 4.0], jacobian, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose(sol.state, other.x, rtol=1e-7)


# --- NIST -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Nist:
    """A nonlinear problem of the NIST Statistical Reference Datasets with its certified answer."""

    name: str
    x: Array
    y: Array
    model: Callable[[Array, Array], Array]
    slopes: Callable[[Array, Array], Array]
    starts: tuple[tuple[float, ...], ...]
    values: tuple[float, ...]
    sds: tuple[float, ...]
    rss: float


def _cubic(x: Array, b: Array) -> Array:
    return (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)


def _cubic_slopes(x: Array, b: Array) -> Array:
    den = 1 + b[4] * x + b[5] * x**2 + b[6] * x**3
    over = _cubic(x, b) / den
    return np.stack([1 / den, x / den, x**2 / den, x**3 / den, -over * x, -over * x**2, -over * x**3], axis=1)


def _osborne(x: Array, b: Array) -> Array:
    return b[0] * (x**2 + b[1] * x) / (x**2 + b[2] * x + b[3])


def _osborne_slopes(x: Array, b: Array) -> Array:
    den = x**2 + b[2] * x + b[3]
    f = _osborne(x, b)
    return np.stack([f / b[0], b[0] * x / den, -f * x / den, -f / den], axis=1)


# https://www.itl.nist.gov/div898/strd/nls/data/{misra1a,thurber,mgh09}.shtml
PROBLEMS = [
    Nist("Misra1a",
         np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]),
         np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]),
         lambda x, b: b[0] * (1 - np.exp(-b[1] * x)),
         lambda x, b: np.stack([1 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)], axis=1),
         ((500.0, 1e-4), (250.0, 5e-4)),
         (2.3894212918e2, 5.5015643181e-4), (2.7070075241, 7.2668688436e-6), 1.2455138894e-1),
    Nist("Thurber",
         np.array([-3.067, -2.981, -2.921, -2.912, -2.840, -2.797, -2.702, -2.699, -2.633, -2.481, -2.363, -2.322,
                   -1.501, -1.460, -1.274, -1.212, -1.100, -1.046, -0.915, -0.714, -0.566, -0.545, -0.400, -0.309,
                   -0.109, -0.103, 0.010, 0.119, 0.377, 0.790, 0.963, 1.006, 1.115, 1.572, 1.841, 2.047, 2.200]),
         np.array([80.574, 84.248, 87.264, 87.195, 89.076, 89.608, 89.868, 90.101, 92.405, 95.854, 100.696, 101.060,
                   401.672, 390.724, 567.534, 635.316, 733.054, 759.087, 894.206, 990.785, 1090.109, 1080.914,
                   1122.643, 1178.351, 1260.531, 1273.514, 1288.339, 1327.543, 1353.863, 1414.509, 1425.208, 1421.384,
                   1442.962, 1464.350, 1468.705, 1447.894, 1457.628]),
         _cubic, _cubic_slopes,
         ((1000, 1000, 400, 40, 0.7, 0.3, 0.03), (1300, 1500, 500, 75, 1, 0.4, 0.05)),
         (1.2881396800e3, 1.4910792535e3, 5.8323836877e2, 7.5416644291e1, 9.6629502864e-1, 3.9797285797e-1,
          4.9727297349e-2),
         (4.6647963344, 3.9571156086e1, 2.8698696102e1, 5.5675370270, 3.1333340687e-2, 1.4984928198e-2,
          6.5842344623e-3), 5.6427082397e3),
    Nist("MGH09",
         np.array([4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625]),
         np.array([0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246]),
         _osborne, _osborne_slopes,
         ((25, 39, 41.5, 39), (0.25, 0.39, 0.415, 0.39)),
         (1.9280693458e-1, 1.9128232873e-1, 1.2305650693e-1, 1.3606233068e-1),
         (1.1435312227e-2, 1.9633220911e-1, 8.0842031232e-2, 9.0025542308e-2), 3.0750560385e-4),
]


@pytest.mark.parametrize("which", [0, 1], ids=["far", "near"])
@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda p: p.name)
def test_nist_certified(problem: Nist, which: int) -> None:
    """Both official starts end at the certified parameters and standard deviations."""
    sol = fit(lambda b: problem.model(problem.x, b) - problem.y, lambda b: problem.slopes(problem.x, b),
              problem.starts[which])
    rss = 2 * sol.cost
    np.testing.assert_allclose(sol.state, problem.values, rtol=1e-6)
    assert rss == pytest.approx(problem.rss, rel=1e-8)
    cov = covariance(problem.slopes(problem.x, sol.state), rss / (len(problem.y) - len(sol.state)))
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), problem.sds, rtol=1e-5)


# --- JCGM 100 -------------------------------------------------------------------------------------------------


def test_thermometer_line() -> None:
    """JCGM 100:2008, H.3: line through eleven readings, and the correction read off it at 30 C (H.3.4)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]) - 20
    b = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) / 1000
    a = np.stack([np.ones_like(t), t], axis=1)
    sol = fit(lambda y: a @ y - b, lambda y: a, [0.0, 0.0])
    variance = 2 * sol.cost / (len(t) - 2)
    cov = covariance(a, variance)
    sd = np.sqrt(np.diag(cov))
    assert np.sqrt(variance) == pytest.approx(0.0035, abs=5e-5)
    assert sol.state[0] == pytest.approx(-0.1712, abs=5e-5) and sd[0] == pytest.approx(0.0029, abs=5e-5)
    assert sol.state[1] == pytest.approx(0.00218, abs=5e-6) and sd[1] == pytest.approx(0.00067, abs=5e-6)
    assert cov[0, 1] / (sd[0] * sd[1]) == pytest.approx(-0.930, abs=5e-4)
    at = Slopes(np.array([sol.state @ [1, 10]]), np.array([[1.0, 10.0]]), ("y1", "y2"), cov)
    assert at.values[0] == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at.spread[0, 0]) == pytest.approx(0.0041, abs=5e-5)


def test_resistance_and_reactance() -> None:
    """JCGM 100:2008, H.2, tables H.2 and H.4: five simultaneous readings to R, X, Z and their correlations."""
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    mean = np.array([v.mean(), i.mean(), phi.mean()])
    cov = np.cov(np.stack([v, i, phi])) / 5
    z = mean[0] / mean[1]
    c, s = np.cos(mean[2]), np.sin(mean[2])
    j = np.array([[c / mean[1], -z * c / mean[1], -z * s], [s / mean[1], -z * s / mean[1], z * c],
                  [1 / mean[1], -z / mean[1], 0.0]])
    got = Slopes(np.array([z * c, z * s, z]), j, ("V", "I", "phi"), cov)
    np.testing.assert_allclose(got.values, [127.732, 219.847, 254.260], atol=5e-4)
    u = np.sqrt(np.diag(got.spread))
    # the data give u(X) = 0.29558, which the Guide prints as 0.295
    np.testing.assert_allclose(u, [0.071, 0.295, 0.236], atol=6e-4)
    np.testing.assert_allclose(got.u95, 1.96 * u, rtol=1e-4)
    r = got.spread / np.outer(u, u)
    np.testing.assert_allclose([r[0, 1], r[0, 2], r[1, 2]], [-0.588, -0.485, 0.993], atol=1e-3)


# --- camera model ---------------------------------------------------------------------------------------------


def _points(rng: np.random.Generator, n: int = 200) -> tuple[Array, Array, Array]:
    """Points (n, 3) mm with a rotation vector and shift that put them before the camera."""
    return rng.uniform(-250, 250, (n, 3)) * [1, 1, 0.3], np.array([0.5, -0.3, 0.2]), np.array([30.0, -20.0, 1000.0])


def test_projection_is_opencvs() -> None:
    """Every pixel to 1e-9 px, and the pixel of the optical axis is (cx, cy): centres at integers."""
    x, rv, t = _points(np.random.default_rng(0))
    ref = cv2.projectPoints(x, rv, t, camera_matrix(LENS), LENS[4:])[0].reshape(-1, 2)
    got = project(x @ rotation(rv).T + t, LENS)
    np.testing.assert_allclose(got, ref, atol=1e-9)
    np.testing.assert_allclose(project(np.array([0, 0, 700.0]), LENS), LENS[2:4], atol=1e-12)


def test_derivatives_are_opencvs() -> None:
    """Against OpenCV's Jacobian (its columns: rotation vector, shift, fx fy cx cy, k1 k2 p1 p2 k3)."""
    x, rv, t = _points(np.random.default_rng(1))
    ref = cv2.projectPoints(x, rv, t, camera_matrix(LENS), LENS[4:])[1].reshape(len(x), 2, -1)
    r = rotation(rv)
    uv, d_x, d_lens, own = project_with_derivatives(x @ r.T + t, LENS, np.zeros(1), np.zeros(2))
    np.testing.assert_allclose(d_x, ref[:, :, 3:6], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(d_lens[..., 2:4], ref[:, :, 8:10], atol=1e-12)
    np.testing.assert_allclose(d_lens[..., 4:], ref[:, :, 10:15], rtol=1e-9, atol=1e-7)
    f, aspect = LENS[:2]
    np.testing.assert_allclose(d_lens[..., 0], ref[:, :, 6] + aspect * ref[:, :, 7], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(d_lens[..., 1], f * ref[:, :, 7], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(own[..., 0], f * d_lens[..., 0], rtol=1e-12)
    # OpenCV turns by its rotation vector; a turn from the left moves that by its Jacobian
    h = 1e-6
    for k in range(3):
        e = np.eye(3)[k] * h
        step = (rotation_vector(rotation(e) @ r) - rotation_vector(rotation(-e) @ r)) / (2 * h)
        mine = np.einsum("nij,nj->ni", d_x, np.cross(np.eye(3)[k], x @ r.T))
        np.testing.assert_allclose(mine, ref[:, :, :3] @ step, rtol=1e-5, atol=1e-3)


def test_derivatives_against_differences() -> None:
    rng = np.random.default_rng(2)
    x, rv, t = _points(rng, 30)
    xc = x @ rotation(rv).T + t
    df, dc = np.full(1, 0.002), np.array([3.0, -5.0])
    _, d_x, d_lens, own = project_with_derivatives(xc, LENS, df, dc)
    for k in range(3):
        e = np.eye(3)[k] * 1e-3
        num = (project(xc + e, LENS, df, dc) - project(xc - e, LENS, df, dc)) / 2e-3
        np.testing.assert_allclose(d_x[..., k], num, rtol=1e-6, atol=1e-6)
    steps = np.array([1e-2, 1e-6, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-5])
    for k, h in enumerate(steps):
        e = np.eye(9)[k] * h
        num = (project(xc, LENS + e, df, dc) - project(xc, LENS - e, df, dc)) / (2 * h)
        np.testing.assert_allclose(d_lens[..., k], num, rtol=1e-6, atol=1e-5)
    num = (project(xc, LENS, df + 1e-6, dc) - project(xc, LENS, df - 1e-6, dc)) / 2e-6
    np.testing.assert_allclose(own[..., 0], num, rtol=1e-6, atol=1e-5)
    for k in range(2):
        e = np.eye(2)[k]
        num = (project(xc, LENS, df, dc + e) - project(xc, LENS, df, dc - e)) / 2
        np.testing.assert_allclose(own[..., 1 + k], num, atol=1e-9)


def test_undistort_undoes_projection() -> None:
    x, rv, t = _points(np.random.default_rng(3))
    xc = x @ rotation(rv).T + t
    np.testing.assert_allclose(undistort(project(xc, LENS), LENS), xc[:, :2] / xc[:, 2:], atol=1e-5)


# --- cold start -----------------------------------------------------------------------------------------------


def _views(rng: np.random.Generator, n: int) -> tuple[Array, list[tuple[Array, Array]]]:
    flat = np.concatenate(list(Board.for_paper("A4").saddles().values()))
    poses = [(rotation(np.array([np.pi, 0, 0]) + rng.uniform(-0.6, 0.6, 3)),
              np.array([*rng.uniform(-80, 80, 2), rng.uniform(700, 1100)])) for _ in range(n)]
    return flat, poses


def test_focal_from_homographies() -> None:
    """Zhang (2000), eq. 3-4. Exact without noise; within 2 % with 0.3 px noise and an off-centre optical axis."""
    rng = np.random.default_rng(4)
    flat, poses = _views(rng, 12)
    x = np.concatenate([flat, np.zeros((len(flat), 1))], axis=1)
    lens = np.array([1910.0, 1, 1199.5, 899.5, 0, 0, 0, 0, 0])
    exact, noisy = [], []
    for r, t in poses:
        exact.append(np.asarray(cv2.findHomography(flat, project(x @ r.T + t, lens))[0], float))
        uv = project(x @ r.T + t, lens + np.array([0, 0, 8, -6, 0, 0, 0, 0, 0]))
        h = board_homography(flat, uv + rng.normal(0, 0.3, uv.shape))
        assert h is not None
        noisy.append(h)
    f = focal_from_board(exact, lens[2:4])
    assert f is not None and f == pytest.approx(1910.0, rel=1e-5)
    f = focal_from_board(noisy, lens[2:4])
    assert f is not None and f == pytest.approx(1910.0, rel=0.02)


def test_focal_unknown_from_a_square_view() -> None:
    """A board seen square on says nothing of the focal length: None or nonsense that the caller must screen."""
    flat = np.concatenate(list(Board.for_paper("A4").saddles().values()))
    h = np.asarray(cv2.findHomography(flat, flat * 2 + 500)[0], float)
    f = focal_from_board([h], np.array([500.0, 500.0]))
    assert f is None or not 300 < f < 6000


def test_both_poses_of_a_plane() -> None:
    """One of the two poses (Collins and Bartoli, 2014) is the true one, and the better one where noise is low."""
    rng = np.random.default_rng(5)
    flat, poses = _views(rng, 20)
    x = np.concatenate([flat, np.zeros((len(flat), 1))], axis=1)
    for r, t in poses:
        found = planar_poses(flat, project(x @ r.T + t, LENS), camera_matrix(LENS), LENS[4:])
        best = found[0]
        assert np.rad2deg(np.linalg.norm(rotation_vector(best[0] @ r.T))) < 0.05
        np.testing.assert_allclose(best[1], t, atol=0.5)
        assert all(p[2] >= best[2] for p in found)


# --- rotations ------------------------------------------------------------------------------------------------


def test_rotation_vector_against_scipy() -> None:
    """scipy.spatial.transform.Rotation, from no turn at all through the smallest ones to half a turn."""
    rng = np.random.default_rng(9)
    axes = np.concatenate([np.eye(3), -np.eye(3), [[1, 1, 0], [0, -1, 1], [1, 1, 1]], rng.normal(0, 1, (40, 3))])
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    for angle in (1e-12, 1e-9, 1e-6, 1e-3, 0.5, 1.5, 2.0, 2.2, 3.0, np.pi - 1e-6, np.pi - 1e-9):
        for r in Rotation.from_rotvec(angle * axes).as_matrix():
            np.testing.assert_allclose(rotation_vector(r), Rotation.from_matrix(r).as_rotvec(), rtol=1e-9, atol=1e-15)
            np.testing.assert_allclose(Rotation.from_rotvec(rotation_vector(r)).as_matrix(), r, rtol=0, atol=1e-15)
    np.testing.assert_array_equal(rotation_vector(np.eye(3)), np.zeros(3))
    for axis in axes:  # half a turn: both ways round are right
        r = Rotation.from_rotvec(np.pi * axis).as_matrix()
        v = rotation_vector(r)
        assert np.linalg.norm(v) == pytest.approx(np.pi, abs=1e-14)
        np.testing.assert_allclose(Rotation.from_rotvec(v).as_matrix(), r, atol=1e-15)
