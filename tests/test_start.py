"""The cold start piece by piece against geometry made by hand, exact, so that each piece must give it back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.estimation import start
from calib.estimation.blocks.corners import Corners
from calib.estimation.camera import project
from calib.estimation.solver import DenseProblem, minimise
from calib.rig.model import FRAME, Tag
from capture.targets import Board
from tests.moorhen import moorhen

Array = NDArray[np.float64]
SIZE = (4000, 3000)
CENTRE = np.array([1999.5, 1499.5])
BOARD = np.concatenate(list(Board.for_paper("A4").saddles().values()))


def lens(f: float) -> Array:
    return np.array([f, 1.0, *CENTRE, 0, 0, 0, 0, 0])


def looking(tilt: float, round_: float, far: float = 900.0) -> tuple[Array, Array]:
    """Board to camera, the board in the middle of the picture."""
    R = (Rotation.from_rotvec([np.pi, 0, 0]) * Rotation.from_rotvec([0, 0, round_])
         * Rotation.from_rotvec([tilt, 0.3 * tilt, 0])).as_matrix()
    return R, np.array([20.0, -10.0, far])


def pixels(R: Array, t: Array, f: float, flat: Array = BOARD) -> Array:
    return project(flat @ R[:, :2].T + t, lens(f))


def boards(f: float, *poses: tuple[Array, Array]) -> Corners:
    """One group of 32 corners of the board for each pose, in a photo of its own."""
    flat = np.stack([BOARD[::12][:32]] * len(poses))
    uv = np.stack([pixels(R, t, f, flat[0]) for R, t in poses])
    n = len(poses)
    return Corners(np.arange(n), np.full(n, -1), np.zeros(n, int), flat, uv,
                   np.broadcast_to(np.eye(2), (n, 32, 2, 2)), np.ones((n, 32), bool))


def test_focal_length_from_boards_even_with_one_misread() -> None:
    views = [looking(t, r) for t, r in ((0.5, 0.1), (-0.4, 1.3), (0.6, 2.4), (0.3, -1.0), (-0.6, 0.4))]
    homographies = [start.board_homography(BOARD, pixels(R, t, 2900.0)) for R, t in views]
    found = [h for h in homographies if h is not None]
    assert len(found) == 5
    assert start.focal_from_board(found, CENTRE) == pytest.approx(2900.0, rel=1e-3)
    bent = found[0] @ np.diag([1.0, 1.2, 1.0])
    assert start.focal_from_board([*found, bent], CENTRE) == pytest.approx(2900.0, rel=0.05)
    assert start.focal_from_board([], CENTRE) is None
    # a board seen square on says nothing of the focal length: the equations are all zero
    assert start.focal_from_board([np.array([[1.0, 0, CENTRE[0]], [0, 1.0, CENTRE[1]], [0, 0, 1.0]])], CENTRE) is None


def test_board_homography_needs_corners_off_a_line_and_stands_a_misread_tag() -> None:
    R, t = looking(0.5, 0.2)
    uv = pixels(R, t, 2900.0)
    assert start.board_homography(BOARD[:7], uv[:7]) is None
    line = np.stack([np.linspace(-90, 90, 12), np.zeros(12)], axis=1)
    assert start.board_homography(line, pixels(R, t, 2900.0, line)) is None
    wrong = uv.copy()
    wrong[:32] += [300.0, -80.0]
    h = start.board_homography(BOARD, wrong)
    assert h is not None
    back = np.concatenate([BOARD, np.ones((len(BOARD), 1))], axis=1) @ h.T
    np.testing.assert_allclose(back[32:, :2] / back[32:, 2:], uv[32:], atol=1e-3)


def test_photo_poses_from_boards_exif_or_a_usual_lens() -> None:
    views = [looking(t, r) for t, r in ((0.5, 0.1), (-0.4, 1.3), (0.6, 2.4))]
    c = boards(2900.0, *views)
    found = start.photo_poses(c, 4, SIZE, None)
    assert found.lens[0] == pytest.approx(2900.0, rel=1e-3)
    for (R, t), r, s in zip(views, found.R, found.t, strict=False):
        np.testing.assert_allclose(r, R, atol=1e-3)
        np.testing.assert_allclose(s, t, atol=1.0)
    assert np.isnan(found.t[3]).all(), "a photo without a board has no pose"
    assert start.photo_poses(c, 3, SIZE, 2950.0).lens[0] == pytest.approx(2900.0, rel=1e-3), "EXIF near: the photos"
    assert start.photo_poses(c, 3, SIZE, 5000.0).lens[0] == 5000.0, "EXIF far off: EXIF"
    few = replace(c, seen=c.seen & (np.arange(32) < 6))
    assert start.photo_poses(few, 3, SIZE, None).lens[0] == 0.8 * 4000
    assert start.photo_poses(few, 3, SIZE, 3100.0).lens[0] == 3100.0


def test_own_lens_carries_the_photos_own_change() -> None:
    found = start.photo_poses(boards(2900.0, looking(0.5, 0.1), looking(-0.4, 1.3)), 2, SIZE, None)
    own = replace(found, df=np.array([0.0, 0.02]), dc=np.array([[0.0, 0.0], [3.0, -4.0]])).own_lens(1)
    np.testing.assert_allclose(own[[0, 2, 3]], [1.02 * found.lens[0], CENTRE[0] + 3, CENTRE[1] - 4])


def test_a_tag_behind_the_camera_fits_nothing() -> None:
    photos = start.photo_poses(boards(2900.0, looking(0.5, 0.1)), 1, SIZE, 2900.0)
    c = boards(2900.0, looking(0.5, 0.1))
    here, behind = np.zeros(3), 3000.0 * np.linalg.inv(photos.R[0]) @ np.array([0, 0, -1.0])
    assert start.group_misfit(c, 0, photos, np.eye(3), here) < 0.1
    assert start.group_misfit(c, 0, photos, np.eye(3), behind) == 1e6
    both = start._Members.of(c, [0], photos).misfits(np.array([np.eye(3)] * 2), np.array([here, behind]))
    assert both[0, 0] < 0.1 and both[1, 0] == 1e6
    # one millimetre across at 900 mm is focal length / 900 pixels
    off = float(start.group_misfit(c, 0, photos, np.eye(3), photos.R[0].T @ np.array([1.0, 0, 0])))
    assert off == pytest.approx(2900 / 900, rel=0.1)


def test_poses_of_many_tags_at_once_are_those_of_each_alone() -> None:
    """Two tags in two and three photos, exact corners, started beside; one photo of the second is of another place."""
    views = [looking(t, r) for t, r in ((0.4, 0.1), (-0.3, 1.3), (0.5, 2.4), (0.2, -1.0), (-0.4, 0.4))]
    true = [(Rotation.from_rotvec([0.2, -0.1, 0.3]).as_matrix(), np.array([30.0, 40.0, 50.0])),
            (Rotation.from_rotvec([-0.3, 0.2, 1.0]).as_matrix(), np.array([-60.0, 20.0, 80.0]))]
    flat = BOARD[::12][:32]
    c = boards(3000.0, *views)
    of = [0, 0, 1, 1, 1]
    for k, (R, t) in enumerate(views):
        r, at = true[of[k]]
        c.uv[k] = project((flat @ r[:, :2].T + at) @ R.T + t, lens(3000.0))
    c.uv[4] += 40.0
    photos = start.PhotoPoses(lens(3000.0), np.array([R for R, _ in views]), np.array([t for _, t in views]),
                              np.zeros(5), np.zeros((5, 2)))
    begin = [(Rotation.from_rotvec([0.05, -0.04, 0.03]).as_matrix() @ r, t + [3.0, -2.0, 4.0]) for r, t in true]
    groups = [[0, 1], [2, 3, 4]]
    rb, tb = start.refine_poses(c, groups, photos, np.array([r for r, _ in begin]), np.array([t for _, t in begin]))
    for k, members in enumerate(groups):
        r, t = start.refine_pose(c, members, photos, *begin[k])
        np.testing.assert_allclose(rb[k], r, atol=1e-12)
        np.testing.assert_allclose(tb[k], t, atol=1e-9)
    np.testing.assert_allclose(rb[0], true[0][0], atol=1e-7)
    np.testing.assert_allclose(tb[0], true[0][1], atol=1e-4)
    assert np.abs(tb[1] - true[1][1]).max() < 0.5  # the photo that disagrees weighs next to nothing


def test_hinge_from_turns_and_none_where_nothing_turned() -> None:
    point, axis = np.array([100.0, -50.0, 30.0]), np.array([0.1, 0.2, 0.97])
    axis = axis / np.linalg.norm(axis)
    angles = {"ahead": 0.0, "push": 0.4, "back": -0.3}
    h = start.hinge_from_motions({p: start.turn_about(point, axis, a) for p, a in angles.items()})
    assert h is not None
    way = float(np.sign(h.axis @ axis))
    np.testing.assert_allclose(way * h.axis, axis, atol=1e-9)
    across = (h.point - point) - ((h.point - point) @ axis) * axis
    np.testing.assert_allclose(across, 0, atol=1e-6)
    for p, a in angles.items():
        assert way * h.angles[p] == pytest.approx(a, abs=1e-9)
    still = {p: start.turn_about(point, axis, 0.02 * a) for p, a in angles.items()}
    assert start.hinge_from_motions(still) is None
    assert start.common_hinge({p: [m] for p, m in still.items()}, "ahead") is None
    assert start.common_hinge({p: [m, m] for p, m in still.items()}, "ahead") is None


def test_angles_not_seen_follow_the_part_most_often_seen_with_it() -> None:
    labels = ["a", "b", "c", "d", "e"]
    lever = {p: x for p, x in zip(labels, (-0.4, -0.2, 0.0, 0.2, 0.4), strict=True)}
    curve = {p: 0.8 * x + 0.3 * x * x for p, x in lever.items()}
    hub = {p: curve[p] for p in "abcd"}
    got = start.fill_angles({"lever": lever, "hub": hub}, labels)
    assert got["hub"]["e"] == pytest.approx(curve["e"]) and got["lever"] == lever
    line = {p: 0.8 * lever[p] for p in "bcd"}  # three in common: a straight line
    assert start.fill_angles({"lever": lever, "hub": line}, labels)["hub"]["a"] == pytest.approx(-0.32)
    # of two parts, the one with more positions in common, though it stands second
    poor = {p: 0.5 * lever[p] for p in ("a", "b", "c", "e")}  # no straight line fits: it would guess otherwise
    poor["a"] += 0.3
    both = start.fill_angles({"poor": {k: poor[k] for k in "abce"}, "lever": lever, "hub": hub}, labels)
    assert both["hub"]["e"] == pytest.approx(curve["e"])
    again = start.fill_angles({"lever": lever, "poor": {k: poor[k] for k in "abce"}, "hub": hub}, labels)
    assert again["hub"]["e"] == pytest.approx(curve["e"])
    # one seen together only twice, and one that hardly moved, give no guess
    assert "e" not in start.fill_angles({"lever": lever, "hub": {"a": 0.1, "b": 0.2}}, labels)["hub"]
    still = {p: 0.01 * x for p, x in lever.items()}
    assert "e" not in start.fill_angles({"lever": still, "hub": hub}, labels)["hub"]


def test_board_is_laid_onto_the_drawing_however_it_lay() -> None:
    rig = moorhen()
    R, t = Rotation.from_rotvec([0.4, -2.0, 1.1]).as_matrix(), np.array([300.0, -80.0, 500.0])
    hinges = {n: start.Hinge(R.T @ (np.asarray(b.pivot) - t), R.T @ np.asarray(b.axis), {}, True)
              for n, b in rig.bodies.items() if b.role != "wheel"}
    balls = {p.name: R.T @ (np.asarray(p.xyz) - t) for p in rig.points.values()}
    got_r, got_t = start.align(rig, hinges, balls, {})
    np.testing.assert_allclose(got_r, R, atol=1e-6)
    np.testing.assert_allclose(got_t, t, atol=1e-3)
    with pytest.raises(ValueError, match="fewer than three"):
        start.align(rig, dict(list(hinges.items())[:1]), dict(list(balls.items())[:1]), {})


def test_a_tag_on_the_frame_stands_where_most_positions_saw_it() -> None:
    rig = moorhen()
    rig = replace(rig, tags={**rig.tags, "datum": Tag("datum", 90, FRAME, 60.0)})
    place = (np.eye(3), np.array([10.0, 20.0, 30.0]))
    stray = (np.eye(3), np.array([10.0, 20.0, 90.0]))
    poses = {("datum", "ahead"): stray, ("datum", "push1"): place, ("datum", "push2"): place}
    _, ahead = start.body_hinges(rig, poses, "ahead", [], ["ahead", "push1", "push2"])
    np.testing.assert_allclose(ahead["datum"][1], place[1])


def test_solver_says_where_it_did_not_end_and_where_nothing_can_be_solved() -> None:
    def problem(power: int) -> DenseProblem:
        return DenseProblem(lambda x: np.array([x[0] ** power, 10 * (x[1] - x[0])]),
                            lambda x: np.array([[power * x[0] ** (power - 1), 0.0], [-10.0, 10.0]]))

    done = minimise(problem(1), np.array([3.0, -1.0]))
    assert done.converged and abs(done.state).max() < 1e-9
    slow = minimise(problem(9), np.array([3.0, -1.0]), max_iterations=4)
    assert not slow.converged and slow.iterations == 4
    blind = DenseProblem(lambda x: np.array([x[0] - 1, x[0] + 1]), lambda _: np.array([[1.0, 0.0], [1.0, 0.0]]))
    with pytest.raises(np.linalg.LinAlgError):
        minimise(blind, np.array([0.0, 0.0]))


def test_a_tag_whose_pose_straight_ahead_lies_on_no_hinge_does_not_turn_its_part() -> None:
    """One tag of the lever took the wrong one of a plane's two poses there; the other, seen less often, did not."""
    rig = moorhen()
    rig = replace(rig, tags={t: Tag(t, c, "left_lever", 44.0) for t, c in (("left_lever", 60), ("left_lever_rod", 66))})
    axis, through = np.array([0.1, 0.99, -0.05]), np.array([30.0, 0.0, -200.0])
    axis /= np.linalg.norm(axis)
    turns = {"back2": -0.5, "back1": -0.2, "ahead": 0.0, "push1": 0.25, "push2": 0.5, "push3": 0.55}
    plate = (Rotation.from_rotvec([0.2, -0.1, 0.3]).as_matrix(), np.array([80.0, 40.0, 120.0]))
    bolt = (Rotation.from_rotvec([1.2, 0.1, 0.1]).as_matrix(), np.array([60.0, 70.0, 60.0]))
    poses = {(tag, p): start.compose(start.turn_about(through, axis, a), place)
             for tag, place in (("left_lever", plate), ("left_lever_rod", bolt)) for p, a in turns.items()}
    flipped = Rotation.from_rotvec([0.0, 0.0, 1.6]).as_matrix()
    poses["left_lever_rod", "ahead"] = (flipped @ bolt[0], bolt[1] + [0.0, 0.0, 8.0])
    del poses["left_lever", "push3"]
    hinges, ahead = start.body_hinges(rig, poses, "ahead", ["left_lever"], list(turns))
    got = hinges["left_lever"]
    sign = np.sign(got.axis @ axis)
    assert {p: sign * a for p, a in got.angles.items()} == pytest.approx(
        {p: a for p, a in turns.items() if p != "push3"}, abs=1e-9)
    np.testing.assert_allclose(ahead["left_lever_rod"][0], bolt[0], atol=1e-9)


def test_a_pose_that_lies_on_no_hinge_is_left_out_wherever_it_comes() -> None:
    """Five turns about one axis and one pose from elsewhere: the hinge is that of the five (exact, made by hand)."""
    axis, through = np.array([0.1, 0.99, -0.05]), np.array([30.0, 0.0, -200.0])
    axis /= np.linalg.norm(axis)
    place = (Rotation.from_rotvec([0.2, -0.1, 0.3]).as_matrix(), np.array([80.0, 40.0, 120.0]))
    turns = {"back2": -0.5, "back1": -0.2, "ahead": 0.0, "push1": 0.25, "push2": 0.5}
    for first in (True, False):
        wrong = (Rotation.from_rotvec([0.9, 0.0, 0.4]).as_matrix(), np.array([10.0, 140.0, 60.0]))
        poses = {p: [start.compose(start.turn_about(through, axis, a), place)] for p, a in turns.items()}
        poses = {"odd": [wrong], **poses} if first else {**poses, "odd": [wrong]}
        found = start.common_hinge(poses, "ahead")
        assert found is not None
        hinge, kept = found
        assert set(kept) == set(turns)
        sign = np.sign(hinge.axis @ axis)
        np.testing.assert_allclose(sign * hinge.axis, axis, atol=1e-9)
        assert np.linalg.norm(np.cross(axis, hinge.point - through)) < 1e-6
        assert {p: sign * a for p, a in hinge.angles.items()} == pytest.approx(turns, abs=1e-9)
