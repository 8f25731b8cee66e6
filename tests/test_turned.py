"""Figures of a rig whose axes may be turned by degrees: as far as the turn goes, not as far as the slope says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.linkage.steering import axis_figures
from calib.linkage.turned import bend, turned_rig
from calib.results import AsBuilt
from calib.rig.model import Rig
from calib.rig.reader import load_rig

RIG = load_rig(Path(__file__).parents[1] / "sample_data" / "rig.toml")
NAMES = ("caster", "kingpin_inclination", "camber", "trail")


def figures(rig: Rig) -> np.ndarray:
    f = axis_figures(rig)
    return np.array([f[n] for n in NAMES])


def built(*deg: float) -> AsBuilt:
    turn = tuple(float(x) for x in np.deg2rad(deg))
    return AsBuilt(RIG, (), np.zeros((0, 0)), {}, turn_u95=(turn[0], turn[1], turn[2]))


def test_a_turn_about_y_lets_the_kingpins_lean_forward() -> None:
    turned = turned_rig(RIG, np.deg2rad([0.0, 4.0, 0.0]))
    assert np.degrees(figures(turned) - figures(RIG))[0] == pytest.approx(-4.0, abs=1e-9)
    a, b = RIG.points["left_upright.arm"], turned.points["left_upright.arm"]
    assert np.linalg.norm(b.xyz) == pytest.approx(np.linalg.norm(a.xyz)) and b.xyz[0] > a.xyz[0]


def test_half_widths_reach_as_far_as_the_turn_takes_a_figure() -> None:
    u, here, small = np.deg2rad(10.0), figures(RIG), 1e-5

    def at(pitch: float) -> np.ndarray:
        return figures(turned_rig(RIG, np.array([0.0, pitch, 0.0]))) - here

    slope = (at(small) - at(-small)) / (2 * small) * u
    u95 = np.sqrt(slope ** 2 + bend(figures, built(0.0, 10.0, 0.0)))
    furthest = np.maximum(np.abs(at(u)), np.abs(at(-u)))
    np.testing.assert_allclose(u95, furthest, rtol=0.03)
    inclination = NAMES.index("kingpin_inclination")
    assert abs(slope[inclination]) < 0.8 * furthest[inclination]


def test_a_frame_that_is_known_costs_nothing() -> None:
    def never(rig: Rig) -> np.ndarray:
        raise AssertionError

    assert bend(never, built(0.9, 0.5, 0.9)) == 0.0
    assert bend(never, AsBuilt(RIG, (), np.zeros((0, 0)), {})) == 0.0
