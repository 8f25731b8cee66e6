"""The nuisances of a workshop do in the simulated shoots what they say, held against plain geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tests.bench.coverage import RIG
from tests.render.camera import Camera
from tests.render.shoot import true_corners
from tests.render.truth import Truth, body_pose, sample_truth, with_rod_play
from tests.render.workshop import MIX, ROWS, TILTS, Workshop, in_workshop

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def still() -> Truth:
    return sample_truth(RIG)


def in_the_mix(truth: Truth, w: Workshop, seed: int = 3) -> Truth:
    return in_workshop(truth, w, np.random.default_rng(seed))


def test_without_sizes_nothing_changes(still: Truth) -> None:
    shot = still.shots[0]
    same = true_corners(in_the_mix(still, Workshop()), shot)
    for code, uv in true_corners(still, shot).items():
        np.testing.assert_array_equal(uv, same[code])


def test_rods_close_with_parts_off_their_hinges(still: Truth) -> None:
    truth = with_rod_play(in_the_mix(still, ROWS["hinge play"]), 0.0, np.random.default_rng(4))
    rig = truth.rig
    for position in rig.positions:
        angles = {b: truth.angles.get((b, position), 0.0) for b in rig.bodies}
        play = {b: m for (b, p), m in truth.play.items() if p == position}
        for rod in rig.rods.values():
            ends = []
            for p in (rod.a, rod.b):
                R, t = body_pose(rig, rig.points[p].body, angles, play)
                ends.append(R @ np.asarray(rig.points[p].xyz) + t)
            assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(rod.length, abs=1e-6)
    moved = [np.rad2deg(truth.angles[b, p] - still.angles[b, p]) for b in ("crank", "left_upright")
             for p in rig.positions if p != rig.straight_ahead]
    assert 0.01 < np.std(moved) < 0.5, "0.1 mm on arms of 80 mm"


def test_a_part_off_its_hinge_stands_off_by_what_is_asked_and_does_not_turn_about_it(still: Truth) -> None:
    shifts, tilts, about = [], [], []
    for seed in range(40):
        truth = in_the_mix(still, ROWS["hinge play"], seed)
        for (name, _), (R, t) in truth.play.items():
            b = still.rig.bodies[name]
            c, w = np.asarray(b.pivot), Rotation.from_matrix(R).as_rotvec()
            shifts.append(R @ c + t - c)
            about.append(w @ np.asarray(b.axis))
            if b.role == "lever":
                tilts.append(np.linalg.norm(w) / np.sqrt(2))
    assert np.std(shifts) == pytest.approx(0.1, rel=0.05)
    assert np.sqrt(np.mean(np.square(tilts))) == pytest.approx(TILTS["lever"], rel=0.1)
    assert np.abs(about).max() < 1e-9


def test_flex_moves_all_parts_as_one_against_the_board(still: Truth) -> None:
    truth = in_the_mix(still, ROWS["frame flex"])
    p = still.rig.positions[0]
    names = list(still.tags)
    before = np.array([still.tag_pose(n, p)[1] for n in names])
    after = np.array([truth.tag_pose(n, p)[1] for n in names])
    apart = [np.linalg.norm(x[:, None] - x[None], axis=-1) for x in (before, after)]
    np.testing.assert_allclose(apart[0], apart[1], atol=1e-9)
    assert 0.02 < np.linalg.norm(after - before, axis=1).mean() < 1.0
    np.testing.assert_array_equal(still.board_points(np.ones((1, 2))), truth.board_points(np.ones((1, 2))))


def test_a_moving_hand_is_the_still_camera_of_that_rows_moment(still: Truth) -> None:
    truth = in_the_mix(still, ROWS["rolling readout"])
    shifts = []
    for shot, at_rest in zip(truth.shots[:6], still.shots[:6], strict=True):
        c, s = shot.camera, shot.camera.sweep
        assert s is not None and 0.02 <= s.seconds <= 0.03
        x = still.board_points(np.array([[-80.0, -100.0], [80.0, 0.0], [0.0, 100.0]]))
        for point in x:
            uv = c.project(point)
            when = s.seconds * (uv[1] / (c.lens.height - 1) - 0.5)
            turn = np.asarray(Rotation.from_rotvec(s.turn * when).as_matrix())
            then = Camera(c.lens, turn @ c.R, turn @ c.t + s.drift * when, c.df, c.dc)
            np.testing.assert_allclose(uv, then.project(point), atol=2e-3)
            shifts.append(np.linalg.norm(uv - at_rest.camera.project(point)))
    assert 0.1 < np.max(shifts) < 3.0
    with pytest.raises(ValueError, match="row"):
        truth.shots[0].camera.rays(np.array(5.0), np.array(5.0))


@pytest.mark.parametrize("row", ["rolling readout", "lens residue", MIX])
def test_what_a_pixel_saw_is_where_its_ray_goes(still: Truth, row: str) -> None:
    truth = in_the_mix(still, ROWS[row])
    x = still.board_points(np.stack(np.meshgrid([-80.0, 0.0, 80.0], [-100.0, 20.0, 100.0]), axis=-1).reshape(-1, 2))
    for shot in truth.shots[:4]:
        c = shot.camera
        origin, d = c.sight(*c.project(x).T)
        at = x @ c.R.T + c.t
        np.testing.assert_allclose(origin + d * at[:, 2:], at, atol=2e-4)


def test_the_lens_residue_is_the_same_in_every_photo_and_can_be_undone(still: Truth) -> None:
    truth = in_the_mix(still, ROWS["lens residue"])
    assert len({id(s.camera.lens) for s in truth.shots}) == 1
    c, plain = truth.shots[0].camera, replace(still.shots[0].camera, lens=replace(truth.lens, residue=None))
    grid = np.stack(np.meshgrid(np.linspace(0, 2399, 25), np.linspace(0, 1799, 19)), axis=-1).reshape(-1, 2)
    x = plain.rays(grid[:, 0], grid[:, 1]) * 900 + plain.centre
    shift = c.project(x) - plain.project(x)
    assert np.abs(shift).max() == pytest.approx(0.3, abs=0.01)
    back = c.rays(*c.project(x).T) * np.linalg.norm(x - c.centre, axis=1)[:, None] + c.centre
    np.testing.assert_allclose(back, x, atol=1e-6)
    # waves counted along each one's own direction over one width
    assert truth.lens.residue is not None
    counted = np.linalg.norm(truth.lens.residue.wave, axis=1) * 2400 / (2 * np.pi)
    np.testing.assert_allclose(counted, 1.5)


def test_paper_that_is_not_flat(still: Truth) -> None:
    truth = replace(still, warps={"left_upright": (0.1, 0.0, 0.0)}, s_bow=0.5)
    name = next(iter(still.tags))
    truth = replace(truth, warps={name: (0.1, 0.0, 0.0)})
    R, _ = still.tag_pose(name, "ahead")
    off = (truth.tag_saddles(name, "ahead") - still.tag_saddles(name, "ahead")) @ R
    x = (still.tag_saddles(name, "ahead") - still.tag_pose(name, "ahead")[1]) @ R
    half = still.rig.tags[name].size / 2 * still.scale
    np.testing.assert_allclose(off, np.column_stack([np.zeros((32, 2)), 0.1 * (x[:, 0] / half) ** 2]), atol=1e-9)
    every = np.concatenate(list(still.board.saddles().values()))
    lift = (truth.board_points(every) - still.board_points(every)) @ still.board_pose[0]
    assert np.abs(lift[:, :2]).max() < 1e-9
    assert lift[:, 2].max() == pytest.approx(0.5, abs=0.01) and lift[:, 2].min() == pytest.approx(-0.5, abs=0.01)
    assert abs(lift[:, 2].mean()) < 1e-6, "as much above as below"


def test_the_mix_is_all_of_them() -> None:
    assert ROWS[MIX] == Workshop(0.1, TILTS, 0.15, 0.3e-3, (0.02, 0.03), float(np.deg2rad(1.0)), 15.0, 0.3, 1.5, 0.1,
                                 0.5, 15.0)
