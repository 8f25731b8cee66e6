"""Mistakes of a shoot or a build, simulated as corner tables: each is named by cause and item, clean shoots are not.

More shoots of each kind: ``python -m tests.bench.mistakes``; its table stands there.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from calib.estimate import _cold_start, _one_camera, _priors, arrange, estimate
from calib.results import Finding, Fit
from calib.rig import Rig
from calib.rigfile import load_rig
from tests.mistakes import MISTAKES, RIG, Mistake, clean, observe, truth_for

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


@cache
def rig() -> Rig:
    return load_rig(RIG)


@cache
def clean_fit() -> Fit:
    return estimate(rig(), clean(11))


def serious(fit: Fit) -> list[tuple[str, str]]:
    return [(f.cause, f.item) for f in fit.findings if f.serious]


def named(m: Mistake, fit: Fit) -> bool:
    hits = [item for cause, item in serious(fit) if cause in m.causes]
    return bool(hits) and all(any(want in item for item in hits) for want in m.items)


def test_clean_shoot() -> None:
    assert serious(clean_fit()) == []


def test_slipped_tag_is_named() -> None:
    m = MISTAKES["tag slipped on its part"](4)
    assert serious(estimate(rig(), m.obs)) == [("tag_slipped", m.items[0])]


@pytest.mark.parametrize("name", ["photo filed under the wrong position", "board or frame bumped",
                                  "digital zoom in two photos"])
def test_named_before_the_fit(name: str) -> None:
    """What spoils the fit is found at its start, from the poses alone, and nothing else is suspected."""
    m = MISTAKES[name](4)
    _, layout, corners = arrange(rig(), m.obs)
    first = m.obs.photos[0]
    size = (first.width, first.height)
    _, _, found, spoilt = _cold_start(rig(), layout, corners, size, first.focal_px_guess,
                                      _priors(rig(), size, first.focal_px_guess))
    if name == "photo filed under the wrong position":
        assert [(f.cause, f.item) for f in found if f.serious] == [("wrong_position", m.items[0])] and not spoilt
    elif name == "digital zoom in two photos":
        assert set(spoilt) == set(m.items) and all(f.cause == "digital_zoom" for f in spoilt.values())
    else:
        assert spoilt and {f.cause for f in spoilt.values()} == {"frame_bumped"}
        assert {f.item for f in spoilt.values()} == {"board"}
    for f in spoilt.values():
        assert f.text.endswith(".") and "again" in f.text


def test_zoom_and_phone_by_what_the_file_says() -> None:
    obs = clean(11)
    photos = list(obs.photos)
    photos[3] = replace(photos[3], digital_zoom=1.4)
    photos[7] = replace(photos[7], camera="Sample S-9")
    findings: list[Finding] = []
    left = _one_camera(replace(obs, photos=tuple(photos)), findings)
    assert [(f.cause, f.item) for f in findings] == [("digital_zoom", photos[3].name), ("two_cameras", photos[7].name)]
    assert len(left.photos) == len(photos) - 2
    assert not set(left.table["photo"]) & {photos[3].name, photos[7].name}


@pytest.mark.slow
@pytest.mark.parametrize("name", MISTAKES)
def test_named(name: str) -> None:
    """The whole estimate names the mistake, its item, and nothing else."""
    m = MISTAKES[name](4)
    fit = estimate(rig(), m.obs)
    assert named(m, fit), serious(fit)
    assert all(cause in m.causes for cause, _ in serious(fit))


@pytest.mark.slow
def test_what_spoils_is_left_out() -> None:
    """After a bump the rest is measured as if the later photos had never been taken."""
    m = MISTAKES["board or frame bumped"](4)
    fit = estimate(rig(), m.obs)
    truth, _ = truth_for(4)
    off = [np.rad2deg(abs(fit.joint_angles["left_lever", p] - truth.angles["left_lever", p]))
           for p in fit.positions if p not in rig().spin_positions]
    assert 3 <= len(off) < len(rig().positions)
    assert max(off) < 0.05


@pytest.mark.slow
def test_wrong_paper_scale() -> None:
    """The scale bar misread by 1 %: nothing in the corners can tell; only drawn dimensions can disagree.

    All lengths come out 1 % wrong, angles do not, and the print scale is what was entered. That is why the bar
    is to be measured with calipers.
    """
    truth, rng = truth_for(12)
    obs = observe(truth, rng)
    bar = rig().board.bar_measured
    assert bar is not None
    wrong = replace(rig(), board=replace(rig().board, bar_measured=bar * 1.01))
    right_fit, wrong_fit = estimate(rig(), obs), estimate(wrong, obs)
    assert serious(right_fit) == []
    for rod in rig().rods:
        ratio = wrong_fit.as_built.rig.rods[rod].length / right_fit.as_built.rig.rods[rod].length
        assert ratio == pytest.approx(1.01, abs=0.002)
    for key, angle in right_fit.joint_angles.items():
        assert wrong_fit.joint_angles[key] == pytest.approx(angle, abs=np.deg2rad(0.05))
