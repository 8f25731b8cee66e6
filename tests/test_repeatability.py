"""Joints that repeat badly, a moving hand and a lens of more terms: derivatives, and sizes found from a shoot."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.estimation.blocks.expected import Spread
from calib.estimation.bundle import estimate
from calib.estimation.camera import project
from calib.estimation.equations import RigProblem
from calib.estimation.fields import WAVES, _hand, _Lens, fields, wave_sizes
from calib.estimation.fitted import shared_covariance
from calib.estimation.repeat import _sd, certainty, within_readout
from calib.estimation.unknowns import LENS_WAVES, PRIVATE, Motions, State, loosened, with_fields
from calib.findings import Code
from tests.bench.coverage import accused
from tests.bench.coverage import shoot as workshop_shoot
from tests.bench.estimate import small_problem
from tests.board_fit import as_in_a_run
from tests.mistakes import MISTAKES
from tests.render.workshop import ROWS, TILTS

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def case() -> tuple[RigProblem, State]:
    """A small shoot with every unknown off, so that no term hides behind a zero."""
    problem, state = small_problem()
    c = problem.corners
    depth = problem.corner_block.view(problem.motions(state)).xc[..., 2].mean(axis=1)
    c = replace(c, fields=fields(c.uv, c.seen, depth, float(state.lens[0]), (2400, 1800)))
    layout, state = with_fields(*loosened(problem.layout, state))
    problem = replace(problem, layout=layout, corners=c)
    rng = np.random.default_rng(1)
    d = rng.normal(0, 1e-3, layout.size)
    d[layout.waves] = rng.normal(0, 0.3, len(d[layout.waves]))
    d[layout.bow] = 0.3, -0.2, 0.1, 0.05, -0.04, 0.03, 0.06
    d[layout.stretch] = 0.02
    return problem, problem.retract(state, d, rng.normal(0, 1e-3, (len(layout.photos), layout.private)))


def residuals(problem: RigProblem, s: State) -> Array:
    p, c = problem, problem.corners
    corner = -(c.whiten @ p.corner_residuals(s)[..., None])[..., 0][c.seen]
    hand = p.priors.loose.hand
    return np.concatenate([corner.ravel(), *[r.r for r in p.rows(s)], s.df / p.priors.df_sd,
                           (s.dc / p.priors.dc_sd).ravel(), (s.hand[:, :3] / hand.rad).ravel(),
                           (s.hand[:, 3:] / hand.mm).ravel()])


def test_normal_equations_against_differences(case: tuple[RigProblem, State]) -> None:
    problem, s = case
    problem = replace(problem, prior_scale=1e9)
    n = problem.linearise(s)
    size, photos, own = problem.layout.size, len(problem.layout.photos), problem.layout.private
    assert own == PRIVATE + 6
    r = residuals(problem, s)
    assert n.cost == pytest.approx(r @ r / 2, rel=1e-9)
    rng = np.random.default_rng(2)
    pick = np.r_[0:9, problem.layout.bow, rng.choice(problem.layout.angles.stop, 30, replace=False),
                 rng.choice(np.arange(problem.layout.angles.stop, size), 60, replace=False),
                 size + np.arange(own), size + own * (photos - 1) + np.arange(own)]
    cols = []
    for k in pick:
        d = np.zeros(size + own * photos)
        d[k] = h = 1e-6
        up, down = (residuals(problem, problem.retract(s, x[:size], x[size:].reshape(photos, own))) for x in (d, -d))
        cols.append((up - down) / (2 * h))
    j = np.stack(cols, axis=1)
    length = np.linalg.norm(j, axis=0)
    assert (length > 0).all()
    full, g = np.zeros((size + own * photos,) * 2), np.concatenate([n.g_shared, n.g_private.ravel()])
    full[:size, :size] = n.shared
    for p in range(photos):
        mine = slice(size + own * p, size + own * (p + 1))
        full[:size, mine], full[mine, :size] = n.cross[p], n.cross[p].T
        full[mine, mine] = n.private[p]
    scale = np.outer(length, length)
    np.testing.assert_allclose(full[np.ix_(pick, pick)] / scale, j.T @ j / scale, atol=3e-6)
    np.testing.assert_allclose(g[pick] / length, j.T @ r / length, atol=3e-6 * float(np.linalg.norm(r)))


def test_parts_off_their_hinges_and_the_board_are_where_the_motion_says(case: tuple[RigProblem, State]) -> None:
    """The motion of a part built up again from turns about points."""
    problem, s = case
    lay, m = problem.layout, Motions(problem.layout, s)
    body, position = lay.bodies[0], lay.positions[0]
    k, i = lay.off_keys.index((body, position)), lay.bodies.index(body)
    x = np.array([30.0, -20.0, 50.0])
    hinge = Rotation.from_rotvec(s.axis_d[i] * s.angles[lay.angle_keys.index((body, position))])
    y = hinge.apply(x - s.axis_p[i])
    y = Rotation.from_rotvec(s.off[k, :3]).apply(y) + s.axis_p[i] + s.off[k, 3:]
    r, t = m.motion(body, position)
    np.testing.assert_allclose(r @ x + t, y, atol=1e-9)
    f = lay.flex_keys.index(position)
    r, t = m.seen(body, position)
    np.testing.assert_allclose(r @ x + t, Rotation.from_rotvec(s.flex[f, :3]).apply(y) + s.flex[f, 3:], atol=1e-9)


def test_a_standard_deviation_from_effects_by_hand() -> None:
    """Effects 3 and 4, variances 2 of 5^2 each: 2 - 4 / 25 of them are free, and the usual size counts as one more."""
    effects, var = np.array([3.0, 4.0]), np.array([2.0, 2.0])
    assert _sd(effects, var, 5.0, 2.0, 0.1) == pytest.approx(np.sqrt((25 + 4) / (2 - 4 / 25 + 1)))
    assert _sd(np.zeros(2), 100 * var, 5.0, 2.0, 0.1) == pytest.approx(2.0), "nothing seen: the usual size"
    assert _sd(np.zeros(2), var, 5.0, 0.01, 0.1) == 0.1, "never less than what is nothing"


def test_effects_and_their_certainty_against_the_whole_inverse(case: tuple[RigProblem, State]) -> None:
    """Covariances after the photos' unknowns are eliminated, and the step, beside those of all unknowns together."""
    problem, s = case
    n, got = problem.linearise(s), certainty(problem, s)
    size, own, photos = problem.layout.size, problem.layout.private, len(problem.layout.photos)
    full = np.zeros((size + own * photos,) * 2)
    full[:size, :size] = n.shared
    for p in range(photos):
        mine = slice(size + own * p, size + own * (p + 1))
        full[:size, mine], full[mine, :size] = n.cross[p], n.cross[p].T
        full[mine, mine] = n.private[p]
    scale = 1 / np.sqrt(np.diag(full))
    inverse = np.linalg.inv(full * np.outer(scale, scale)) * np.outer(scale, scale)
    var = np.diag(inverse)
    np.testing.assert_allclose(np.diag(got.shared), var[:size], rtol=1e-4)
    np.testing.assert_allclose(got.own, var[size:].reshape(photos, own), rtol=1e-4)
    step = -inverse @ np.concatenate([n.g_shared, n.g_private.ravel()])
    after = problem.retract(s, step[:size], step[size:].reshape(photos, own))
    for mine, theirs in ((got.state.hand[:, :3], after.hand[:, :3]), (got.state.hand[:, 3:], after.hand[:, 3:]),
                         (got.state.angles, after.angles)):
        np.testing.assert_allclose(mine, theirs, atol=1e-4 * np.abs(theirs).max())


def test_what_a_hand_does_to_a_picture_against_a_camera_that_moves() -> None:
    """Each point projected before and after the camera's turn and drift at the time its row is read."""
    f, size, depth = 1500.0, (2400.0, 1800.0), np.array([900.0, 1400.0])
    p = np.array([[300.0, 200.0], [1900.0, 1500.0]])
    mid = (np.array(size) - 1) / 2
    for k in range(6):
        h = np.zeros(6)
        h[k] = 1e-6 if k < 3 else 1e-3
        for at, z, got in zip(p, depth, _hand(p, depth, f, size)[:, :, k] * h[k], strict=True):
            x = np.append((at - mid) / f, 1.0) * z
            x = x + (np.cross(h[:3], x) + h[3:]) * (at[1] / (size[1] - 1) - 0.5)
            np.testing.assert_allclose(got, f * x[:2] / x[2] + mid - at, atol=2e-8)


def test_the_lens_waves_leave_to_the_five_terms_what_is_theirs() -> None:
    """No wave looks like a turn, a focal length, a centre or a term of OpenCV's own derivatives of its projection."""
    f, size = 1500.0, (2400, 1800)
    grid = np.stack(np.meshgrid(*(np.linspace(0, n - 1, 16) for n in size)), axis=-1).reshape(-1, 2)
    k = np.array([[f, 0, (size[0] - 1) / 2], [0, f, (size[1] - 1) / 2], [0, 0, 1.0]])
    x = np.column_stack([(grid - k[:2, 2]) / f, np.ones(len(grid))])
    _, j = cv2.projectPoints(x, np.zeros(3), np.zeros(3), k, np.zeros(5))
    j = np.delete(j, [3, 4, 5], axis=1)  # drifts are no part of the lens
    left = _Lens(f, (float(size[0]), float(size[1]))).at(grid).reshape(-1, LENS_WAVES)
    shares = np.abs((j / np.linalg.norm(j, axis=0)).T @ left) / np.linalg.norm(left, axis=0)
    assert shares.shape == (12, LENS_WAVES) and shares.max() < 1e-6
    assert np.linalg.norm(left, axis=0).min() > 0.1, "and something is left of each"


def test_finer_lens_waves_are_expected_smaller() -> None:
    """One wave over the width as against three and, over a height of three quarters of it, three: 1 / (1 + k^2 / 9)."""
    sizes = wave_sizes()
    assert len(sizes) == LENS_WAVES == 2 * len(WAVES)
    for i, j, k2 in ((1, 0, 1.0), (3, 0, 9.0), (3, 3, 25.0)):
        at = WAVES.index((i, j))
        assert sizes[at] == sizes[at + len(WAVES)] == pytest.approx(1 / (1 + k2 / 9))


def test_play_at_the_hinges_is_found_at_its_size_and_nobody_accused() -> None:
    """27 shifts and 18 tilts a hinge tell a standard deviation to about a fifth; less than half or twice is a fault."""
    design, truth, obs, _ = workshop_shoot(0, workshop=ROWS["hinge play"])
    fit = estimate(design, obs)
    found = {r.joint: r for r in fit.repeatability}
    for body, b in design.bodies.items():
        if b.role == "wheel":
            continue
        assert 0.05 < found[body].mm < 0.2, body
        assert 0.4 < np.deg2rad(found[body].deg) / TILTS[b.role] < 2.0, body
    assert found["board"].mm < 0.06
    assert not accused(fit, design)
    assert {f.item for f in fit.findings if f.code == "repeats"} >= {b for b in found if b != "board"}
    off = [np.rad2deg(abs(fit.joint_angles[k] - truth.angles[k])) for k in fit.joint_angles if "upright" in k[0]]
    assert max(off) < 0.1


def test_a_moving_hand_is_told_from_play() -> None:
    """The hand's size is found, and joints of a sound vehicle are not blamed for it."""
    design, _, obs, _ = workshop_shoot(0, workshop=ROWS["rolling readout"])
    fit = estimate(design, obs)
    assert max(r.mm for r in fit.repeatability) < 0.02
    moved = next(f for f in fit.findings if f.code == "hand_moved")
    # 15 mm/s and 1 deg/s an axis over 20 to 30 ms, three axes together
    assert 0.4 < float(moved.facts["mm"]) < 1.0 and 0.02 < float(moved.facts["deg"]) < 0.06  # type: ignore[arg-type]
    assert not accused(fit, design)


def test_a_camera_that_reads_all_rows_at_once_has_no_moving_hand() -> None:
    """readout = 0: what moved is not explained by the hand, so that the corners' own spread takes it up."""
    design, _, obs, _ = workshop_shoot(0, workshop=ROWS["rolling readout"])
    fit = estimate(replace(design, readout=0.0), obs)
    assert "hand_moved" not in {f.code for f in fit.findings}
    assert "spread_misfit" in {f.code for f in fit.findings}
    # within 1 ms a hand at 45 mm/s moves 0.045 mm
    assert within_readout(Spread(0.4, 1e-3), 0.001) == Spread(0.045, pytest.approx(np.radians(3.0) / 1000))
    assert within_readout(Spread(0.4, 1e-3), None) == within_readout(Spread(0.4, 1e-3), 1.0) == Spread(0.4, 1e-3)


def test_a_lever_that_bends_between_positions_is_no_play() -> None:
    """A step is told from scattered play; where it cannot be, the joint is still said to be unsound."""
    for seed, code in ((9002, Code.PART_BENT), (9003, Code.PART_BENT), (9000, Code.JOINT_LOOSE)):
        m = MISTAKES["lever bent between positions"](seed)
        said = {f.item: f for f in estimate(m.rig, m.obs).findings if f.code is code}
        assert set(said) == set(m.items) and all(f.serious for f in said.values()), seed
        if code is Code.PART_BENT:
            assert any(set(f.positions) <= side for f in said.values() for side in m.sides), seed


def test_a_stabilisers_shift_and_a_focus_that_moves_are_found_at_their_size() -> None:
    """Twelve photos of a board with 0.05 px of noise: the sizes behind 24 shifts and 12 focal changes, to two fifths.

    Each is put in at another size than is usual before any photo (0.3 %, 0.2 % of the width: 6.4 px).
    """
    rng = np.random.default_rng(3)
    grid = np.stack(np.meshgrid(np.arange(9.0), np.arange(7.0)), axis=-1).reshape(-1, 2) * 30
    middle = np.r_[grid.mean(axis=0), 0]
    lens = np.array([2600.0, 1, 1599.5, 1199.5, 0.05, -0.1, 0, 0, 0])
    for focal, shift in ((0.01, 3.0), (0.004, 20.0)):
        views = []
        for _ in range(12):
            turn = Rotation.from_rotvec(rng.uniform(-0.5, 0.5, 3))
            camera = turn.apply(np.c_[grid, np.zeros(len(grid))] - middle) + [0, 0, rng.uniform(350, 450)]
            uv = project(camera, lens, rng.normal(0, focal), rng.normal(0, shift, 2))
            views.append((grid, uv + rng.normal(0, 0.05, uv.shape)))
        solved = as_in_a_run(views, [np.tile(0.05**2 * np.eye(2), (len(grid), 1, 1))] * 12, (3200, 2400), 90.0)
        assert 0.6 < solved.problem.priors.df_sd / focal < 1.6
        assert 0.6 < solved.problem.priors.dc_sd / shift < 1.6
        sd = np.sqrt(np.diag(shared_covariance(solved.problem, solved.state)))[:4]
        assert np.all(np.abs(solved.state.lens - lens)[:4] < 3 * sd)
