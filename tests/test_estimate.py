"""The one estimate: derivatives, cold start, recovery of a known vehicle, shares and covariance."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.estimation.asbuilt import as_built_rig
from calib.estimation.bundle import STRETCH_SD, Options, estimate
from calib.estimation.equations import RigProblem
from calib.estimation.measured import pivot_table
from calib.estimation.start import most_agreed
from calib.estimation.unknowns import PRIVATE, State
from calib.linkage.rotations import rotation
from calib.report.folder import fit_data
from calib.report.numbers import pm
from calib.report.page import lens_line
from calib.results import AsBuilt, Code, Finding, Fit
from calib.rig.parameters import Kind, length_name, vector_names
from calib.rig.reader import load_rig
from capture.observations import Observations
from tests.bench.estimate import Residuals, ours, plain_problem, shoot, small_problem
from tests.render.shoot import simulate_observations
from tests.render.truth import Truth, random_truth, sample_truth

RIG = Path(__file__).resolve().parents[1] / "sample_data" / "rig.toml"
Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def small() -> tuple[RigProblem, State]:
    """A small shoot at its cold start: far enough from the minimum that no residual is near zero by chance."""
    problem, state = small_problem()
    # every quantity off by a little, correlated corners, board bow: no term may hide behind a zero
    rng = np.random.default_rng(1)
    f = Residuals(problem, state)
    x = np.zeros(f.size)
    x[:problem.layout.size] = rng.normal(0, 1e-3, problem.layout.size)
    x[problem.layout.bow] = 0.3, -0.2, 0.1, 0.05, -0.04, 0.03, 0.06
    x[problem.layout.stretch] = 0.02
    x[4:9] = 0.05, -0.1, 1e-3, -1e-3, 0.03
    x[problem.layout.size:] = rng.normal(0, 1e-3, len(x) - problem.layout.size)
    turn = np.array([[1.0, 0.0], [0.4, 0.8]])
    problem = replace(problem, corners=replace(problem.corners, whiten=problem.corners.whiten @ turn))
    return problem, f.state(x)


def numeric_jacobian(problem: RigProblem, state: State) -> tuple[Array, Array]:
    """Residuals (m,) and their central differences (m, unknowns) along the solver's own steps."""
    f = Residuals(problem, state)
    h = 1e-6
    cols = []
    for k in range(f.size):
        d = np.zeros(f.size)
        d[k] = h
        cols.append((f(d) - f(-d)) / (2 * h))
    return f(np.zeros(f.size)), np.stack(cols, axis=1)


def test_normal_equations_against_differences(small: tuple[RigProblem, State]) -> None:
    problem, state = small
    r, j = numeric_jacobian(problem, state)
    n = problem.linearise(state)
    size, photos = problem.layout.size, len(problem.layout.photos)
    assert n.cost == pytest.approx(r @ r / 2, rel=1e-12)
    assert problem.cost(state) == pytest.approx(n.cost, rel=1e-12)
    # each unknown in its own units: compare against the length of its column
    length = np.linalg.norm(j, axis=0)
    assert (length > 0).all(), "an unknown with no effect would make this test blind"
    g = np.concatenate([n.g_shared, n.g_private.ravel()])
    np.testing.assert_allclose(g / length, j.T @ r / length, atol=2e-6 * float(np.linalg.norm(r)))
    full = np.zeros((len(g), len(g)))
    full[:size, :size] = n.shared
    for p in range(photos):
        own = slice(size + PRIVATE * p, size + PRIVATE * (p + 1))
        full[:size, own], full[own, :size] = n.cross[p], n.cross[p].T
        full[own, own] = n.private[p]
    scale = np.outer(length, length)
    np.testing.assert_allclose(full / scale, (j.T @ j) / scale, atol=2e-6)


@pytest.mark.parametrize("kind", ["robust", "weighted"])
def test_gradient_of_the_robust_cost(small: tuple[RigProblem, State], kind: str) -> None:
    problem, state = small
    if kind == "robust":
        problem = replace(problem, robust_scale=3.0, prior_scale=1.0)
    else:
        keep = np.random.default_rng(2).random(problem.corners.seen.shape) < 0.7
        problem = replace(problem, weights=(problem.corners.seen & keep).astype(float))
    f = Residuals(problem, state)
    n = problem.linearise(state)
    g = np.concatenate([n.g_shared, n.g_private.ravel()])
    curvature = np.sqrt(np.concatenate([np.diag(n.shared), n.private[:, range(9), range(9)].ravel()]))
    rng = np.random.default_rng(3)
    for _ in range(12):
        d = rng.normal(size=f.size) / curvature  # a step every unknown has a like part in
        h = 1e-4
        slope = (problem.cost(f.state(h * d)) - problem.cost(f.state(-h * d))) / (2 * h)
        assert slope == pytest.approx(g @ d, abs=1e-5 * float(np.linalg.norm(g / curvature)))


def test_the_rig_as_built_is_the_state_laid_on_the_frame(small: tuple[RigProblem, State]) -> None:
    """Each ball, hinge and rod where alignment and state put it; a row of holes keeps its spacing and direction."""
    problem, s = small
    lay = problem.layout
    built = as_built_rig(lay, s, ())
    for i, n in enumerate(lay.points):
        p, drawn = built.points[n], lay.rig.points[n]
        np.testing.assert_allclose(p.xyz, s.align_R @ s.points[i] + s.align_t, atol=1e-9)
        for h, v in p.holes.items():
            apart = np.subtract(v, p.xyz), np.subtract(drawn.holes[h], drawn.xyz)
            assert np.linalg.norm(apart[0]) == pytest.approx(np.linalg.norm(apart[1]), abs=1e-9)
            assert np.linalg.norm(apart[0] - apart[1]) < 0.1 * np.linalg.norm(apart[1]) + 1e-9
    for i, n in enumerate(lay.bodies):
        b, d = built.bodies[n], s.align_R @ s.axis_d[i]
        np.testing.assert_allclose(b.axis, d, atol=1e-12)
        off = np.subtract(b.pivot, s.align_R @ s.axis_p[i] + s.align_t)
        np.testing.assert_allclose(np.cross(off, d), 0.0, atol=1e-9)
        assert np.subtract(b.pivot, lay.rig.bodies[n].pivot) @ d == pytest.approx(0.0, abs=1e-9)
    assert [built.rods[n].length for n in lay.rods] == list(s.rods)


def test_the_pivot_table_states_the_widest_of_an_axis(small: tuple[RigProblem, State]) -> None:
    """Half-widths in the table's units: a place's three in mm, the largest of an axis' three as degrees."""
    problem, s = small
    lay = problem.layout
    name = next(n for n in lay.bodies if lay.rig.bodies[n].role == "lever")
    names = [v for n in lay.bodies for kind in (Kind.PIVOT, Kind.AXIS) for v in vector_names(n, kind)]
    names += [v for n in lay.points for v in vector_names(n, Kind.HOLE, lay.rig.points[n].use)]
    names += [length_name(n) for n in lay.rods]
    sd = np.full(len(names), 0.1)
    for kind, sizes in ((Kind.PIVOT, (0.2, 0.3, 0.1)), (Kind.AXIS, (0.001, 0.004, 0.002))):
        for v, size in zip(vector_names(name, kind), sizes, strict=True):
            sd[names.index(v)] = size
    built = AsBuilt(as_built_rig(lay, s, ()), tuple(names), np.diag(sd**2), dict.fromkeys(names, 0.5))
    table = pivot_table(lay.rig, built, lay).set_index("what")
    assert table.loc[f"{name} pivot", "u95"] == pytest.approx([0.392, 0.588, 0.196], abs=6e-4)
    axis = table.loc[f"{name} axis direction"]
    assert axis["u95"] == pytest.approx([np.degrees(1.959964 * 0.004)], abs=6e-4) and axis["unit"] == "deg"
    a, m = np.array(lay.rig.bodies[name].axis), np.array(built.rig.bodies[name].axis)
    assert axis["difference"] == pytest.approx([np.degrees(np.arccos(a @ m))], abs=6e-4)
    rod = table.loc[f"{lay.rods[0]} length"]
    assert rod["difference"] == pytest.approx([s.rods[0] - lay.rig.rods[lay.rods[0]].length], abs=6e-4)


def test_rows_by_kind_add_up(small: tuple[RigProblem, State]) -> None:
    problem, state = small
    whole = problem.linearise(state)
    kinds = ("corner", "closure", "ball", "drawing", "prior")
    parts = [problem.linearise(state, (k,)) for k in kinds]
    assert sum(p.cost for p in parts) == pytest.approx(whole.cost, rel=1e-12)
    np.testing.assert_allclose(np.sum([p.shared for p in parts], axis=0), whole.shared, rtol=1e-9, atol=1e-6)
    assert all(p.cost > 0 for p in parts)


@pytest.fixture(scope="module")
def sample() -> tuple[Truth, Observations, Fit]:
    """The sample vehicle with its listed errors, 2 % of the corners thrown off."""
    truth = sample_truth(RIG)
    obs = simulate_observations(truth, 0.05, np.random.default_rng(5), outliers=0.02)
    return truth, obs, estimate(load_rig(RIG), obs)


def test_cold_start_with_and_without_exif_reach_one_minimum(sample: tuple[Truth, Observations, Fit]) -> None:
    _, obs, fit = sample
    none = replace(obs, photos=tuple(replace(p, focal_px_guess=None) for p in obs.photos))
    other = estimate(load_rig(RIG), none)
    assert other.sigma0 == pytest.approx(fit.sigma0, rel=1e-5)
    assert other.camera.f == pytest.approx(fit.camera.f, abs=0.1 * fit.camera.u95["f"])
    for a, b in zip(fit.figures, other.figures, strict=True):
        assert a.name == b.name
        assert b.value == pytest.approx(a.value, abs=0.05 * a.u95), a.name  # the lens prior's centre differs


def test_minimum_does_not_depend_on_the_way_there() -> None:
    rig, obs = shoot(2, seed=4)
    problem, state = plain_problem(rig, obs, every=4)
    first, best = ours(problem, state)
    rng = np.random.default_rng(8)
    f = Residuals(problem, best)
    x = np.zeros(f.size)
    x[:problem.layout.size] = rng.normal(0, 0.01, problem.layout.size)
    x[:2] = 10.0, 0.001
    again, _ = ours(problem, f.state(x))
    assert again.cost == pytest.approx(first.cost, rel=1e-9)


def test_tag_starts_where_most_positions_put_it() -> None:
    """Straight ahead itself, listed first, in the wrong one of a plane's two poses: the others outvote it."""
    rng = np.random.default_rng(1)
    poses = [(rotation(rng.normal(0, 0.01, 3)), rng.normal(0, 0.5, 3)) for _ in range(5)]
    wrong = (rotation(np.array([0.9, 0.0, 0.0])), np.array([0.0, 3.0, 1.0]))
    picked = most_agreed([wrong, *poses, wrong])
    assert any(picked is p for p in poses)
    assert most_agreed([wrong]) is wrong


def inside(value: float, true: float, u95: float, k: float = 3.5) -> bool:
    """Within k standard uncertainties, so that chance alone almost never fails the test."""
    return abs(value - true) <= k * u95 / 1.96


def test_sample_vehicle_is_recovered(sample: tuple[Truth, Observations, Fit]) -> None:
    truth, _, fit = sample
    design = load_rig(RIG)
    u = dict(zip(fit.as_built.names, 1.96 * np.sqrt(np.diag(fit.as_built.cov)), strict=True))
    z = fit.as_built.rig.bodies["left_lever"].pivot[2]
    assert u["left_lever.pivot.z"] < 3.0
    assert inside(z, truth.rig.bodies["left_lever"].pivot[2], u["left_lever.pivot.z"])
    assert z - design.bodies["left_lever"].pivot[2] < -5.0  # it sits 8.6 mm low
    for name, rod in truth.rig.rods.items():
        length = fit.as_built.rig.rods[name].length
        assert u[f"{name}.length"] < 0.5
        assert inside(length, rod.length, u[f"{name}.length"]), name
    for (body, position), angle in fit.joint_angles.items():
        if position == design.straight_ahead or design.bodies[body].role == "wheel":
            continue
        k = fit.angle_names.index((body, position))
        assert inside(angle, truth.angles[body, position], 1.96 * np.sqrt(fit.angle_cov[k, k]), 4.0), (body, position)
    assert inside(fit.camera.f, truth.lens.f, fit.camera.u95["f"])
    assert 0.9 < fit.sigma0 < 1.1
    figures = {f.name: f for f in fit.figures}
    toe = np.rad2deg(truth.heading("right", "ahead") - truth.heading("left", "ahead"))
    assert inside(figures["toe at ahead"].value, toe, figures["toe at ahead"].u95)
    assert figures["toe at ahead"].u95 < 0.2
    for side in ("left", "right"):
        for position in design.positions:
            if position == design.straight_ahead:
                continue
            f = figures[f"steer {side} at {position} from ahead"]
            true = np.rad2deg(truth.heading(side, position) - truth.heading(side, "ahead"))
            assert inside(f.value, true, f.u95, 4.0), f.name
            assert f.u95 < 0.12, f.name


def test_outliers_are_put_aside(sample: tuple[Truth, Observations, Fit]) -> None:
    truth, obs, fit = sample
    table = fit.residuals
    size = np.hypot(table["du"], table["dv"])
    assert (table.loc[size > 1.0, "weight"] == 0).all()
    assert 0.005 < (table["weight"] == 0).mean() < 0.03
    assert not [f for f in fit.findings if f.serious]


def test_stretched_print_is_seen_and_allowed_for() -> None:
    """Paper 0.3 % longer than its width says, an upright bar that nobody measured: the photos tell."""
    rng = np.random.default_rng(9)
    truth = replace(random_truth(RIG, rng, views=2), stretch=1.003)
    obs, design = simulate_observations(truth, 0.05, rng), load_rig(RIG)
    free, even = (estimate(design, obs, Options(stretch_sd=sd)) for sd in (STRETCH_SD, 1e-9))
    assert free.printed is not None and even.printed is not None
    assert inside(free.printed.stretch, 1.003, free.printed.u95["stretch"])
    assert free.printed.u95["stretch"] < 1e-4 and even.printed.stretch == pytest.approx(1.0, abs=1e-6)
    levers = [k for k in free.angle_names if design.bodies[k[0]].role == "lever" and k[1] in design.positions]

    def off(fit: Fit) -> Array:
        return np.rad2deg([abs(fit.joint_angles[k] - truth.angles[k]) for k in levers])

    assert len(levers) == 12 and off(free).max() < 0.01 < off(even).max()
    assert even.sigma0 > 1.15 * free.sigma0, "what hand and lens, let in for it, cannot take up"
    along = pm(100 * (free.printed.stretch - 1), 100 * free.printed.u95["stretch"])
    assert f"{along} % more along the sheet" in lens_line(free)
    assert fit_data(free)["print"]["stretch"] == free.printed.stretch


def test_upright_bar_helps_the_scale(sample: tuple[Truth, Observations, Fit]) -> None:
    """Two readings of one scale, since the photos know how the sheet's two ways compare: better by the root of two."""
    truth, obs, fit = sample
    design = load_rig(RIG)
    both = replace(design, board=replace(design.board, bar_upright=180 * truth.scale))
    other = estimate(both, obs)
    assert fit.printed is not None and other.printed is not None
    assert other.printed.u95["scale"] == pytest.approx(fit.printed.u95["scale"] / np.sqrt(2), rel=0.03)
    assert inside(other.printed.scale, truth.scale, other.printed.u95["scale"])


def test_shares_from_photos(sample: tuple[Truth, Observations, Fit]) -> None:
    _, _, fit = sample
    share = fit.as_built.from_photos
    assert all(0.0 <= v <= 1.0 for v in share.values())
    for body, b in fit.as_built.rig.bodies.items():
        if b.role == "wheel":
            continue
        axis = int(np.argmax(np.abs(b.axis)))  # the place along the hinge is the drawing's by convention
        assert all(share[f"{body}.pivot.{c}"] > 0.9 for k, c in enumerate("xyz") if k != axis), body
    assert all(share[f"{r}.length"] > 0.5 for r in fit.as_built.rig.rods)
    for f in fit.figures:
        assert f.from_photos is None or 0.0 <= f.from_photos <= 1.0
        if f.name.startswith("length"):
            assert f.from_photos is not None and f.from_photos > 0.5, f.name


def test_covariance_is_symmetric_and_not_negative(sample: tuple[Truth, Observations, Fit]) -> None:
    _, _, fit = sample
    joint = np.block([[fit.angle_cov, fit.cross_cov], [fit.cross_cov.T, fit.as_built.cov]])
    sd = np.sqrt(np.diag(joint))
    assert (sd >= 0).all() and np.isfinite(joint).all()
    scaled = joint / np.outer(np.maximum(sd, 1e-12), np.maximum(sd, 1e-12))
    np.testing.assert_allclose(scaled, scaled.T, atol=1e-6)
    assert np.linalg.eigvalsh((scaled + scaled.T) / 2).min() > -1e-6


def test_known_noise_leaves_the_values(sample: tuple[Truth, Observations, Fit]) -> None:
    """Twice the stated corner noise changes what is claimed to be known of the noise, not the intervals."""
    _, obs, fit = sample
    t = obs.table.copy()
    t[["cuu", "cuv", "cvv"]] *= 4.0
    other = estimate(load_rig(RIG), replace(obs, table=t))
    assert other.sigma0 == pytest.approx(fit.sigma0 / 2, rel=0.05)
    for a, b in zip(fit.figures, other.figures, strict=True):
        if a.name.startswith("steer"):
            assert b.u95 == pytest.approx(a.u95, rel=0.1), a.name


def test_fit_reports_itself(sample: tuple[Truth, Observations, Fit]) -> None:
    _, _, fit = sample
    used = int((fit.residuals["weight"] > 0).sum())
    assert fit.converged
    assert 2 * used - 800 < fit.dof < 2 * used - 9 * len(fit.photos)  # a few hundred unknowns
    assert len(repr(fit)) < 250 and len(repr(fit.as_built)) < 100
    assert "converged in" in repr(fit) and f"{fit.dof} degrees of freedom" in repr(fit)
    toe = next(f for f in fit.figures if f.name == "toe at ahead")
    shown = next(x for x in fit.summary().splitlines() if x.split()[:3] == ["toe", "at", "ahead"])
    assert shown.split()[3:7] == [f"{toe.value:.3f}", "+/-", f"{toe.u95:.3f}", "deg"]
    page = replace(fit, findings=(Finding(Code.TAG_SLIPPED, "a <b> of it"),))._repr_html_()
    assert f"<td>toe at ahead</td><td>{toe.value:.3f}</td>" in page and "a &lt;b&gt; of it" in page


def test_not_converged_is_said_first_of_all() -> None:
    """Not let take its last steps, the fit says that its figures cannot be trusted."""
    rig, obs = shoot(2, seed=4)
    fit = estimate(rig, obs, Options(max_iterations=0))
    assert not fit.converged
    assert fit.findings[0].code == "not_converged" and fit.findings[0].serious
    assert "NOT CONVERGED" in repr(fit)
