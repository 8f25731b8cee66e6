"""Rotations against scipy's, and the best rigid motion against the one that was applied."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.linkage.rotations import about, perpendiculars, rigid_fit, rotation, rotation_vector, skew

RNG = np.random.default_rng(5)
VECTORS = np.concatenate([RNG.normal(0, 1, (20, 3)), np.pi * 0.999 * np.eye(3), -3.1 * np.eye(3), 1e-9 * np.eye(3),
                          np.zeros((1, 3)), [[0.0, 3.0, 0.1], [2.2, 2.2, 0.0]]])


def test_skew_is_the_cross_product() -> None:
    a, b = RNG.normal(0, 1, (2, 7, 3))
    np.testing.assert_allclose((skew(a) @ b[..., None])[..., 0], np.cross(a, b), atol=1e-14)
    np.testing.assert_allclose(skew(a[0]) @ b[0], np.cross(a[0], b[0]), atol=1e-14)


def test_rotation_one_by_one_and_stacked() -> None:
    want = Rotation.from_rotvec(VECTORS).as_matrix()
    np.testing.assert_allclose(rotation(VECTORS), want, atol=1e-14)
    for v, r in zip(VECTORS, want, strict=True):
        np.testing.assert_allclose(rotation(v), r, atol=1e-14)
    axis = np.array([0.6, 0.0, 0.8])
    np.testing.assert_allclose(about(axis, np.array([0.3, -2.0])),
                               Rotation.from_rotvec([0.3 * axis, -2.0 * axis]).as_matrix(), atol=1e-14)


def test_rotation_vector_is_the_way_back() -> None:
    for v in VECTORS:
        np.testing.assert_allclose(rotation_vector(Rotation.from_rotvec(v).as_matrix()), Rotation.from_rotvec(
            v).as_rotvec(), atol=1e-12)
    for axis in (*np.eye(3), np.array([0.6, 0.0, 0.8]), np.array([2.0, -1.0, 2.0]) / 3):  # half a turn: either sense
        got = rotation_vector(2 * np.outer(axis, axis) - np.eye(3))
        assert np.linalg.norm(got) == pytest.approx(np.pi)
        np.testing.assert_allclose(np.abs(got @ axis), np.pi, atol=1e-9)


def test_perpendiculars_are_square_to_the_axis_and_each_other() -> None:
    for axis in (*np.eye(3), *VECTORS[:20]):
        n = axis / np.linalg.norm(axis)
        frame = np.column_stack([n, perpendiculars(n)])
        np.testing.assert_allclose(frame.T @ frame, np.eye(3), atol=1e-14)
        assert np.linalg.det(frame) == pytest.approx(1.0), "right-handed about the axis"


def test_rigid_fit_gives_back_the_motion_and_heeds_the_weights() -> None:
    src = RNG.normal(0, 50, (4, 9, 3))
    R, t = Rotation.from_rotvec(VECTORS[:4]).as_matrix(), RNG.normal(0, 100, (4, 3))
    dst = src @ R.swapaxes(-1, -2) + t[:, None]
    got_r, got_t = rigid_fit(src, dst)
    np.testing.assert_allclose(got_r, R, atol=1e-12)
    np.testing.assert_allclose(got_t, t, atol=1e-10)
    off = dst.copy()
    off[:, 0] += [30.0, 0, 0]
    weight = np.ones((4, 9))
    weight[:, 0] = 1e-12
    np.testing.assert_allclose(rigid_fit(src, off, weight)[0], R, atol=1e-9)
    assert np.abs(rigid_fit(src, off)[0] - R).max() > 1e-3
    # twice the weight is the same as giving the point twice
    twice = np.concatenate([src[0], src[0][:1]]), np.concatenate([off[0], off[0][:1]])
    np.testing.assert_allclose(rigid_fit(src[0], off[0], np.r_[2.0, np.ones(8)])[0], rigid_fit(*twice)[0], atol=1e-12)


def test_rigid_fit_never_mirrors() -> None:
    src = RNG.normal(0, 50, (9, 3))
    r, _ = rigid_fit(src, src * [1.0, 1.0, -1.0])
    assert np.linalg.det(r) == pytest.approx(1.0)
