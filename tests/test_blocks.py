"""Each kind of row by itself: derivative against central differences, units and slots, over rigs that have them all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.estimation.blocks.ball import BallUnderTag
from calib.estimation.blocks.base import RowBlock
from calib.estimation.blocks.closure import Closure
from calib.estimation.blocks.drawing import DatumTag, DrawnAxis, DrawnHub, DrawnPivot, DrawnPoint, DrawnRod
from calib.estimation.blocks.expected import (
    AlignmentHeld,
    BarAlong,
    BoardBow,
    FrameRuled,
    JointAngles,
    LensPrior,
    PhotoPrior,
    PrintScale,
    PrintStretch,
)
from calib.estimation.equations import RigProblem
from calib.estimation.fitted import cov_with_datum_held
from calib.estimation.frame import FrameRule
from calib.estimation.solver import Normal
from calib.estimation.unknowns import PRIVATE, Motions, State, retract
from calib.linkage.rotations import rotation
from tests.bench.estimate import plain_problem, shoot

Array = NDArray[np.float64]
K95 = 1.959964  # 0.975 quantile of the normal distribution, from its tables: a tolerance is a 95 % half-width
KINDS = (LensPrior, PrintScale, PrintStretch, BoardBow, JointAngles, BarAlong, FrameRuled, Closure, BallUnderTag,
         DrawnPivot, DrawnAxis, DrawnHub, DrawnPoint, DrawnRod, DatumTag)


def every_kind(problem: RigProblem) -> RigProblem:
    """The problem with what the sample rig file leaves out: the bar along the sheet, a datum tag, a locked joint."""
    rig = problem.rig
    tag = next(t for t in rig.tags.values() if t.centres_on is None)
    tags = {**rig.tags, tag.name: replace(tag, place=(11.0, -7.0, 5.0), place_tol=2.5)}
    body = next(n for n in problem.layout.bodies if rig.bodies[n].role == "lever")
    bodies = {**rig.bodies, body: replace(rig.bodies[body], locked=True)}
    layout = replace(problem.layout, rig=replace(rig, tags=tags, bodies=bodies))
    whiten = np.random.default_rng(8).normal(size=(6, 6)) / np.array([0.02] * 3 + [1.0] * 3)
    rule = FrameRule(rotation(np.array([0.1, -0.2, 0.05])), np.array([3.0, 5.0, -2.0]), whiten)
    return replace(problem, layout=layout, priors=replace(problem.priors, scale_along=1.004, scale_along_sd=0.002,
                                                          frame=rule))


@pytest.fixture(scope="module")
def case() -> tuple[RigProblem, State]:
    """Every unknown off by a few mm or degrees, so that no term hides behind a zero or a right angle."""
    rig, obs = shoot(2, seed=11)
    problem, state = plain_problem(rig, obs, every=8)
    problem = every_kind(problem)
    rng = np.random.default_rng(4)
    d = rng.normal(0, 0.05, problem.layout.size)
    d[:9] = 3.0, 0.01, 2.0, -3.0, 0.01, -0.02, 1e-3, -1e-3, 0.01
    d[problem.layout.align] = 0.03, -0.02, 0.05, 2.0, -3.0, 1.0
    d[problem.layout.stretch] = 0.02
    return problem, retract(problem.layout, state, d, rng.normal(0, 1e-3, (len(problem.layout.photos), PRIVATE)))


def differences(problem: RigProblem, s: State, block: RowBlock) -> Array:
    """(rows, all shared unknowns) along the solver's own steps."""
    none = np.zeros((len(problem.layout.photos), PRIVATE))
    cols = []
    for k in range(problem.layout.size):
        d = np.zeros(problem.layout.size)
        d[k] = h = 1e-6
        up, down = (Motions(problem.layout, retract(problem.layout, s, sign * d, none)) for sign in (1, -1))
        cols.append((block.residual(up) - block.residual(down)) / (2 * h))
    return np.stack(cols, axis=1)


def one_of_each(problem: RigProblem, s: State) -> Iterator[RowBlock]:
    """For each kind the last block, and of the closures also one whose position is straight ahead."""
    blocks = problem.blocks(s)
    for kind in KINDS:
        mine = [b for b in blocks if type(b) is kind]
        assert mine, f"the case has no {kind.__name__}"
        yield mine[-1]
    yield next(b for b in blocks if isinstance(b, Closure) and b.position == problem.layout.reference)
    assert {type(b) for b in blocks} == set(KINDS), "a new kind of row is missing in this test"


@pytest.mark.parametrize("k", range(len(KINDS) + 1))
def test_derivative_against_differences(case: tuple[RigProblem, State], k: int) -> None:
    problem, s = case
    block = list(one_of_each(problem, s))[k]
    expected = differences(problem, s, block)
    mine = np.zeros_like(expected)
    for i, slot in enumerate(block.slots):
        mine[:, slot] += block.jacobian(problem.motions(s))[:, i]
    assert np.abs(expected).max() > 0
    np.testing.assert_allclose(mine, expected, atol=1e-6 * np.abs(expected).max())


def test_residuals_in_their_units(case: tuple[RigProblem, State]) -> None:
    """Each residual worked out again from the places themselves, in mm or rad over its stated uncertainty."""
    problem, s = case
    m, lay, rig = problem.motions(s), problem.layout, problem.rig
    blocks = {(type(b), b.item): b for b in problem.blocks(s)}

    def frame(x: Array) -> Array:
        return s.align_R @ x + s.align_t

    for name, p in rig.points.items():
        off = frame(s.points[lay.points.index(name)]) - np.asarray(p.xyz)
        np.testing.assert_allclose(blocks[DrawnPoint, name].residual(m) * p.tol / K95, off, rtol=1e-9)
    for i, name in enumerate(lay.rods):
        r = rig.rods[name]
        assert blocks[DrawnRod, name].residual(m)[0] * r.tol / K95 == pytest.approx(s.rods[i] - r.length)
    for i, name in enumerate(lay.tags):
        tag = rig.tags[name]
        if tag.place is not None:
            assert (DatumTag, name) in blocks
            off = frame(s.tag_t[i]) - np.asarray(tag.place)
            np.testing.assert_allclose(blocks[DatumTag, name].residual(m), off / (tag.place_tol / K95), rtol=1e-9)
        if tag.centres_on is not None:  # the ball lies behind the tag: against its normal, which points outwards
            ball = s.points[lay.points.index(tag.centres_on)]
            off = s.tag_R[i].T @ (ball - (s.tag_t[i] - tag.offset * s.tag_R[i][:, 2]))
            np.testing.assert_allclose(blocks[BallUnderTag, name].residual(m) * tag.offset_tol / K95, off, rtol=1e-9)
    for i, name in enumerate(lay.bodies):
        b = rig.bodies[name]
        a, d, p = np.asarray(b.axis), s.align_R @ s.axis_d[i], frame(s.axis_p[i])
        wide = b.role == "wheel"
        assert np.linalg.norm(blocks[DrawnAxis, name].residual(m)) * (3 * b.axis_tol if wide else b.axis_tol / K95) \
            == pytest.approx(np.linalg.norm(np.cross(a, d)))
        if wide:
            off = np.linalg.norm(np.cross(a, p - np.asarray(b.pivot)))
            assert np.linalg.norm(blocks[DrawnHub, name].residual(m)) * 5 * b.pivot_tol == pytest.approx(off)
        else:  # where the axis passes the plane square to the drawn axis through the drawn pivot
            there = p - d * (a @ (p - np.asarray(b.pivot))) / (a @ d)
            off = np.linalg.norm(there - np.asarray(b.pivot))
            assert np.linalg.norm(blocks[DrawnPivot, name].residual(m)) * b.pivot_tol / K95 == pytest.approx(off)


def test_closure_is_ball_distance_less_length(case: tuple[RigProblem, State]) -> None:
    problem, s = case
    m, lay, rig = problem.motions(s), problem.layout, problem.rig
    closures = [b for b in problem.blocks(s) if isinstance(b, Closure)]
    assert len(closures) == len(lay.rods) * len(lay.positions)
    for b in closures:
        ends = []
        for name in (rig.rods[b.item].a, rig.rods[b.item].b):
            r, t = m.motion(rig.points[name].body, b.position)
            ends.append(r @ s.points[lay.points.index(name)] + t)
        off = float(np.linalg.norm(ends[1] - ends[0])) - s.rods[lay.rods.index(b.item)]
        assert b.error_mm(m) == pytest.approx(off, abs=1e-9)
        assert b.residual(m)[0] == pytest.approx(off / problem.priors.rod_play_sd)


def test_locked_joint_is_held_by_its_lock(case: tuple[RigProblem, State]) -> None:
    problem, s = case
    block = next(b for b in problem.blocks(s) if isinstance(b, JointAngles))
    held = {n for n, b in problem.rig.bodies.items() if b.locked}
    assert held
    for (body, _), r, a in zip(problem.layout.angle_keys, block.residual(problem.motions(s)), s.angles, strict=True):
        assert r == pytest.approx(a / (np.deg2rad(0.1) if body in held else 2.0))


def test_alignment_is_held_at_the_board(case: tuple[RigProblem, State]) -> None:
    problem, s = case
    s = replace(s, align_R=np.eye(3), align_t=np.zeros(3))
    block = AlignmentHeld(tuple(range(problem.layout.align.start, problem.layout.align.stop)), "alignment")
    np.testing.assert_allclose(differences(problem, s, block)[:, list(block.slots)], np.eye(6), atol=1e-6)


def test_photo_prior_gradient_and_curvature(case: tuple[RigProblem, State]) -> None:
    problem, s = case
    block = PhotoPrior(0.003, 5.0)
    photos = len(problem.layout.photos)
    n = Normal.zeros(problem.layout.size, photos, PRIVATE)
    assert block.add_to(n, s) == pytest.approx(block.cost(s))
    zero = np.zeros(problem.layout.size)
    for p, k in ((0, 6), (photos - 1, 7), (1, 8)):
        d = np.zeros((photos, PRIVATE))
        d[p, k] = h = 1e-5
        up, down = (block.cost(retract(problem.layout, s, zero, sign * d)) for sign in (1, -1))
        assert n.g_private[p, k] == pytest.approx((up - down) / (4 * h), rel=1e-6)
        assert n.private[p, k, k] == pytest.approx((up + down - 2 * block.cost(s)) / (2 * h * h), rel=1e-3)
    assert not n.private[:, :6].any()


def test_covariance_with_the_datum_held_is_that_of_the_rest_alone() -> None:
    # given some unknowns exactly, the information on the others is what stands in their own rows (Schur complement)
    rng = np.random.default_rng(3)
    half = rng.normal(0, 1, (40, 12))
    information = half.T @ half
    align = range(4, 10)
    rest = [i for i in range(12) if i not in align]
    held = cov_with_datum_held(np.linalg.inv(information), SimpleNamespace(align=slice(4, 10)))  # type: ignore[arg-type]
    np.testing.assert_allclose(held[np.ix_(rest, rest)], np.linalg.inv(information[np.ix_(rest, rest)]), rtol=1e-9)
    assert not held[4:10].any() and not held[:, 4:10].any()
