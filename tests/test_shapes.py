"""Arrays of a wrong shape are refused in a sentence at the public edge, not computed with."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from calib import Linkage, verdict, wheel_headings, with_parameters
from calib.estimation.camera import project, project_with_derivatives, undistort
from calib.linkage.mechanism import body_motions
from calib.linkage.rotations import about, perpendiculars, rigid_fit, rotation, rotation_vector, skew
from capture import Observations, saddle_points
from capture.shapes import of_shape, one_number
from tests.moorhen import moorhen

LENS = np.array([3000.0, 1, 2000, 1500, 0, 0, 0, 0, 0])
LINK = Linkage(moorhen())
REFUSED: list[tuple[Callable[[], Any], str]] = [
    (lambda: rotation(np.zeros(4)), "rotation vector must have shape (3,), got (4,)"),
    (lambda: rotation(np.zeros((5, 2))), "rotation vector must have shape (..., 3), got (5, 2)"),
    (lambda: rotation(0.3), "rotation vector must have shape (3,), got ()"),
    (lambda: skew(np.zeros(2)), "vector must have shape (3,), got (2,)"),
    (lambda: about(np.zeros(2), 0.1), "axis must have shape (3,), got (2,)"),
    (lambda: perpendiculars(np.zeros(2)), "axis must have shape (3,), got (2,)"),
    (lambda: rotation_vector(np.zeros((3, 4))), "rotation matrix must have shape (3, 3), got (3, 4)"),
    (lambda: rotation_vector(np.zeros((2, 3, 3))), "rotation matrix must have shape (3, 3), got (2, 3, 3)"),
    (lambda: rigid_fit(np.zeros((4, 3)), np.zeros((4, 2))), "destination points must have shape (n, 3), got (4, 2)"),
    (lambda: rigid_fit(np.zeros((4, 3)), np.zeros((5, 3))), "as many source as destination points, got (4, 3)"),
    (lambda: rigid_fit(np.zeros((0, 3)), np.zeros((0, 3))), "as many source as destination points, got (0, 3)"),
    (lambda: rigid_fit(np.zeros((4, 3)), np.zeros((4, 3)), np.ones(3)), "one weight a point, got (3,)"),
    (lambda: project(np.zeros((7, 2)), LENS), "points in the camera frame must have shape (..., 3), got (7, 2)"),
    (lambda: project([0, 0, 1.0], LENS[:8]), "lens must have shape (9,), got (8,)"),
    (lambda: project_with_derivatives(np.zeros((7, 4)), LENS, np.zeros(1), np.zeros(2)), "got (7, 4)"),
    (lambda: undistort(np.zeros((7, 3)), LENS), "pixels must have shape (n, 2), got (7, 3)"),
    (lambda: undistort(np.zeros((7, 2)), LENS[:5]), "lens must have shape (9,), got (5,)"),
    (lambda: LINK.solve(np.zeros(2)), "driver angle must be one number, got an array of shape (2,)"),  # type: ignore
    (lambda: LINK.solve("left"), "driver angle must be one number, got str"),  # type: ignore[arg-type]
    (lambda: LINK.solve(0.0, fixed={"right_lever": [0.0]}), "the held angle of right_lever must be one number"),
    (lambda: LINK.sweep(np.zeros((2, 2))), "driver angles must have shape (n,), got (2, 2)"),
    (lambda: LINK.sweep([0.0, np.nan]), "driver angles must be one or more finite numbers"),
    (lambda: LINK.sweep([]), "driver angles must be one or more finite numbers"),
    (lambda: LINK.rates({"left_levre": 0.1}), "no body is called 'left_levre'; the rig has left_lever"),
    (lambda: body_motions(moorhen(), {"levers": 0.0}), "no body is called 'levers'"),
    (lambda: LINK.solve(0.1, driver="frame"), "no body is called 'frame'"),
    (lambda: wheel_headings(moorhen(), {"left": 0.1}), "no body is called 'left'"),
    (lambda: verdict(np.zeros(2), 0.1, 0.0, 1.0), "the value must be one number, got an array of shape (2,)"),
    (lambda: verdict(0.0, np.zeros(1), 0.0, 1.0), "its 95 % uncertainty must be one number"),
    (lambda: verdict(0.0, 0.1, "0", [1.0]), "the tolerance must be one number"),
    (lambda: saddle_points(np.zeros(2)), "the tag's edge must be one number, got an array of shape (2,)"),
    (lambda: saddle_points(-60.0), "the tag's edge must be a length above zero (mm), got -60"),
    (lambda: saddle_points(float("nan")), "the tag's edge must be a length above zero (mm), got nan"),
    (lambda: with_parameters(moorhen(), ["left_rod.length"], np.zeros(2)),
     "values of the parameters must have shape (1,), got (2,)"),
    (lambda: Observations(pd.DataFrame({"photo": [], "u": []}), ()),
     "the table of corners lacks the columns position, tag, corner, v, cuu, cuv, cvv"),
    (lambda: of_shape("place", {"x": 1}, (3,)), "place must be numbers of shape (3,), got dict"),
    (lambda: one_number("edge", object()), "edge must be one number, got object"),
]


@pytest.mark.parametrize(("call", "words"), REFUSED, ids=[words[:60] for _, words in REFUSED])
def test_refused_in_a_sentence(call: Callable[[], Any], words: str) -> None:
    with pytest.raises(ValueError) as caught:
        call()
    assert words in str(caught.value)


def test_what_fits_passes() -> None:
    assert rotation([0.1, 0.2, 0.3]).shape == (3, 3)
    assert rotation(np.zeros((4, 5, 3))).shape == (4, 5, 3, 3)
    assert about(np.array([0, 0, 1.0]), np.zeros((2, 6))).shape == (2, 6, 3, 3)
    assert project(np.ones((2, 5, 3)), LENS).shape == (2, 5, 2)
    assert undistort(np.zeros((0, 2)), LENS).shape == (0, 2)
    assert LINK.sweep(0.1).reached.shape == (1,)
    assert LINK.solve(np.float32(0.1))["left_lever"] == pytest.approx(0.1)
