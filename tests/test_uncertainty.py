"""The propagator on numbers worked out by hand: slopes, half-widths, shares, and which parameters count."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.advice.propagation import (
    Slopes,
    rig_slopes,
    share_from_photos,
    touches,
    what_limits,
    with_wheel_doubt,
)
from calib.advice.sensitivity import dimensions, sensitivity
from calib.results import AsBuilt
from calib.rig.parameters import Kind, ParameterName
from calib.uncertainty import block_diag, differences, each, half_width, joint, own_half_widths, share_beside, standard
from tests.steering_scene import design

K95 = 1.959964  # 0.975 quantile of the normal distribution, from its tables
COV = np.array([[4.0, 1.0], [1.0, 9.0]])


def test_half_widths_by_hand() -> None:
    """JCGM 100, 5.2.2, equation 13: 2 x - y has the variance 4 * 4 + 9 - 4 * 1 = 21."""
    assert half_width([2.0, -1.0], COV) == pytest.approx(K95 * np.sqrt(21.0))
    assert own_half_widths(COV) == pytest.approx([K95 * 2.0, K95 * 3.0])
    assert standard(K95) == pytest.approx(1.0)
    rounded = -1e-20 * np.eye(2)  # a variance lost in rounding is none, not a root of something negative
    assert half_width([1.0, 1.0], rounded) == 0.0 and np.array_equal(own_half_widths(rounded), [0.0, 0.0])


def test_share_beside_by_hand() -> None:
    """Of 21 the part takes 4 * 2 + 1 + 2 * 2 * -1 * 0.5 = 7, of the plain x 2 of 4; without variance there is none."""
    part = np.array([[2.0, 0.5], [0.5, 1.0]])
    assert share_beside([[2.0, -1.0], [1.0, 0.0]], COV, part) == pytest.approx([1 - 7 / 21, 0.5])
    assert share_beside([0.0, 0.0], COV, part) == [None]
    assert share_beside([1.0, 0.0], COV, 3 * COV) == [0.0] and share_beside([1.0, 0.0], COV, -COV) == [1.0]


def test_slopes_of_a_quadratic_are_exact() -> None:
    """Central differences know a quadratic's slope to rounding, each unknown with its own step."""
    def of(x: np.ndarray) -> np.ndarray:
        return np.array([x[0] ** 2 + 3 * x[1], x[0] * x[1], x[2]])

    values, J = differences(each(of), [2.0, -1.0, 5.0], [0.1, 0.5, 2.0])
    assert values == pytest.approx([1.0, -2.0, 5.0])
    np.testing.assert_allclose(J, [[4.0, 3.0, 0.0], [-1.0, 2.0, 0.0], [0.0, 0.0, 1.0]], atol=1e-12)


def test_joint_and_block_diagonal_covariances() -> None:
    cross = np.array([[0.1], [0.2]])
    np.testing.assert_array_equal(joint(COV, cross, np.array([[5.0]])),
                                  [[4.0, 1.0, 0.1], [1.0, 9.0, 0.2], [0.1, 0.2, 5.0]])
    apart = [[4.0, 1.0, 0.0], [1.0, 9.0, 0.0], [0.0, 0.0, 5.0]]
    np.testing.assert_array_equal(block_diag(COV, np.array([[5.0]])), apart)


def test_which_parameters_can_move_a_heading() -> None:
    """Not a wheel's centre, a value known exactly or a hole not in use, unless the variant uses that one."""
    rig = design()
    assert rig.points["left_lever.rod"].use == "C"
    names = ("left.centre.x", "left_rod.length", "right_rod.length", "left_lever.rod@C.x", "left_lever.rod@B.x")
    cov = np.diag([1.0, 1.0, 0.0, 1.0, 1.0])
    assert touches(rig, names, cov) == [1, 3]
    assert touches(rig, names, cov, {"left_lever.rod": "B"}) == [1, 4]


def test_what_weighs_most_is_a_whole_vector() -> None:
    """Slope squared times variance, a vector's components together: 1.5 + 1.5 of the pivot above 2 of the rod."""
    names = ("left_rod.length", "crank.pivot.x", "crank.pivot.z", "left_tie.length")
    J = np.array([[2.0, 1.0, 1.0, 3.0], [2.0, 0.1, 0.1, 1.0]])
    s = Slopes(np.zeros(2), J, names, np.diag([0.5, 1.5, 1.5, 0.2]))
    assert what_limits(s, 0) == ParameterName.parse("crank.pivot.x")
    assert what_limits(s, 1) == ParameterName.parse("left_rod.length")
    assert what_limits(Slopes(np.zeros(1), np.zeros((1, 0)), (), np.zeros((0, 0))), 0) is None


def test_slopes_of_a_rig_and_the_share_from_photos() -> None:
    rig = design()
    names = ("left_rod.length", "crank.pivot.z", "right_rod.length", "crank.pivot.x")
    built = AsBuilt(rig, names, np.diag([0.04, 0.09, 0.0, 1.0]), {"left_rod.length": 0.75, "crank.pivot.z": 0.5})
    s = rig_slopes(lambda r: np.array([2 * r.rods["left_rod"].length - r.bodies["crank"].pivot[2]]), built,
                   lambda n: n.component != 0 or n.kind is Kind.LENGTH)
    assert s.names == ("left_rod.length", "crank.pivot.z")
    assert s.values == pytest.approx([2 * rig.rods["left_rod"].length - rig.bodies["crank"].pivot[2]])
    np.testing.assert_allclose(s.J, [[2.0, -1.0]], atol=1e-9)
    assert s.spread == pytest.approx(np.array([[0.25]])) and s.u95 == pytest.approx([K95 * 0.5])
    assert share_from_photos(s, built) == pytest.approx([1 - (4 * 0.04 * 0.25 + 0.09 * 0.5) / 0.25])


def test_a_wheel_never_turned_by_hand_has_the_drawings_doubt() -> None:
    rig = design()
    wheels = {"left": replace(rig.wheels["left"], spin_tol=0.02), "right": replace(rig.wheels["right"], measured=True)}
    built = AsBuilt(replace(rig, wheels=wheels), ("left_rod.length",), np.array([[0.04]]), {"left_rod.length": 0.75})
    got = with_wheel_doubt(built)
    assert got.names == ("left_rod.length", "left.spin.x", "left.spin.z")
    np.testing.assert_allclose(got.cov, np.diag([0.04, *[(0.02 / K95) ** 2] * 2]))
    np.testing.assert_allclose(got.drawing_cov, np.diag([0.01, *[(0.02 / K95) ** 2] * 2]))
    assert got.from_photos == {"left_rod.length": 0.75, "left.spin.x": 0.0, "left.spin.z": 0.0}
    assert with_wheel_doubt(got) is got, "once"


def test_sensitivity_in_the_drawings_units() -> None:
    """Tolerances as the builder wrote them, slopes a millimetre or a degree; standing figures of axes stand last."""
    rig = design()
    table = sensitivity(rig, 21)
    tol = dimensions(rig)
    for row in table.itertuples():
        turned = ParameterName.parse(str(row.dimension)).direction
        assert row.tolerance == pytest.approx(np.degrees(tol[row.dimension]) if turned else tol[row.dimension])
        assert row.effect == pytest.approx(abs(row.slope) * row.tolerance)
    caster = table[table["figure"] == "caster_left"].set_index("dimension")
    x, _, z = rig.bodies["left_upright"].axis
    # caster is atan(-x / z): about -1 degree for a degree of x; 2 % for the axis being kept at unit length
    assert caster.loc["left_upright.axis.x", "slope"] == pytest.approx(-z / (x * x + z * z), rel=0.02)
