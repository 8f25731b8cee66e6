"""Mistakes of a shoot or a build, simulated as corner tables: each is named by cause and item, clean shoots are not.

More shoots of each kind: ``python -m tests.bench.mistakes``; its table stands there.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from calib.estimation.arrange import arrange, one_camera
from calib.estimation.bundle import estimate, make_priors
from calib.estimation.coldstart import cold_start
from calib.estimation.diagnose import zoom_or_camera
from calib.results import Code, Finding, Fit
from capture.errors import UserError
from tests.bench.mistakes import CLEAN, judge, run, wilson
from tests.mistakes import MISTAKES, Mistake, clean, scene_for

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


def serious(fit: Fit) -> list[tuple[str, str]]:
    return [(f.code, f.item) for f in fit.findings if f.serious]


def cold(m: Mistake) -> tuple[list[Finding], dict[str, Finding]]:
    """Findings of the start of the estimate, and the photos that it sets aside."""
    _, layout, corners = arrange(m.rig, m.obs)
    first = m.obs.photos[0]
    size = (first.width, first.height)
    begun = cold_start(layout, corners, size, first.focal_px_guess, make_priors(m.rig, size, first.focal_px_guess))
    return begun.findings, begun.spoilt


def test_clean_shoot_and_its_bar_misread() -> None:
    """Nothing is said of a clean shoot; with the bar read 1.5 % wrong the drawn lengths speak against it."""
    rig, obs = clean(11)
    fit = estimate(rig, obs)
    assert serious(fit) == []
    bar = rig.board.bar_measured
    assert bar is not None
    wrong = estimate(replace(rig, board=replace(rig.board, bar_measured=bar * 1.015)), obs)
    assert serious(wrong) == [("scale_disagrees", "board")]
    told = next(f for f in wrong.findings if f.serious)
    assert abs(told.facts["percent"] - 1.5) < told.facts["u95"] < 1.0
    # what the drawing says the bar measures is near what it truly measures
    assert told.facts["drawn_mm"] == pytest.approx(bar, rel=0.006)
    assert f"not {bar * 1.015:.1f} mm" in told.text
    for rod in rig.rods:
        ratio = wrong.as_built.rig.rods[rod].length / fit.as_built.rig.rods[rod].length
        assert ratio == pytest.approx(1.015, abs=0.004)


def test_slipped_tag_is_named() -> None:
    m = MISTAKES["tag slipped on its part"](4)
    found = [f for f in estimate(m.rig, m.obs).findings if f.serious]
    assert judge(m, found) == ("named", ())


def test_part_tags_of_another_print_are_named_as_that_alone() -> None:
    """Their size is held against the board alone, since in the fit they bend the photos towards themselves."""
    m = MISTAKES["part tags shrunk to fit"](7002)
    found = [f for f in estimate(m.rig, m.obs).findings if f.serious]
    assert [(f.code, f.item) for f in found] == [("part_tags_size", "part tags")]
    assert found[0].facts["percent"] == pytest.approx(100 - m.size, abs=0.2)  # from the fit's own poses 98.8 for 97.6


@pytest.mark.parametrize("name", ["photo filed under the wrong position", "board or frame bumped",
                                  "digital zoom in two photos"])
def test_named_before_the_fit(name: str) -> None:
    """What spoils the fit is found at its start, from the poses alone, and nothing else is suspected."""
    m = MISTAKES[name](4)
    found, spoilt = cold(m)
    if name == "photo filed under the wrong position":
        assert [(f.code, f.item) for f in found if f.serious] == [("wrong_position", m.items[0])] and not spoilt
    elif name == "digital zoom in two photos":
        # a strong zoom is taken out alone, the other is found when asked again
        assert spoilt and set(spoilt) <= set(m.items) and all(f.code == "digital_zoom" for f in spoilt.values())
    else:
        assert judge(m, list(dict.fromkeys(spoilt.values()))) == ("named", ())
    for f in spoilt.values():
        assert f.text.endswith(".") and "again" in f.text


def test_zoom_and_phone_by_what_the_file_says() -> None:
    _, obs = clean(11)
    photos = list(obs.photos)
    photos[3] = replace(photos[3], digital_zoom=1.4)
    photos[7] = replace(photos[7], camera="Sample S-9")
    left, findings = one_camera(replace(obs, photos=tuple(photos)))
    assert [(f.code, f.item) for f in findings] == [("digital_zoom", photos[3].name), ("two_cameras", photos[7].name)]
    assert len(left.photos) == len(photos) - 2
    assert not set(left.table["photo"]) & {photos[3].name, photos[7].name}


def test_zoom_is_not_told_from_another_camera_where_the_file_is_silent() -> None:
    _, obs = clean(11)
    a, b = obs.photos[0], replace(obs.photos[1], camera="")
    found = {p.name: Finding(Code.DIGITAL_ZOOM, p.name, facts={"zoom": 1.4}) for p in (a, b)}
    said = zoom_or_camera(found, replace(obs, photos=(a, b)))
    assert said[a.name] == found[a.name]
    assert "another camera" in said[b.name].text and "same camera" in said[b.name].text


def test_refusal_says_what_was_set_aside() -> None:
    """All but one photo of straight ahead are another phone's: too little is left, and the reason is not lost."""
    rig, obs = clean(11)
    ahead = [p.name for p in obs.photos if p.position == rig.straight_ahead]
    photos = tuple(replace(p, camera="Sample S-9") if p.name in ahead[1:] else p for p in obs.photos)
    with pytest.raises(UserError) as e:
        estimate(rig, replace(obs, photos=photos))
    assert "another camera (Sample S-9" in str(e.value) and "Without them: " in str(e.value)
    assert all(n in str(e.value) for n in ahead[1:])
    assert [(f.code, f.item) for f in e.value.reasons] == [("two_cameras", n) for n in ahead[1:]]
    assert e.value.code == "few_photos" and e.value.item == rig.straight_ahead


def test_wilson_interval() -> None:
    """Newcombe (1998), Statistics in Medicine 17, table I, method 3: 81 of 263 and 0 of 20; from memory."""
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=1e-4)
    assert wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("name", [n for n in MISTAKES if n != "lever bent from the start"])
def test_named(name: str) -> None:
    """The whole run names the mistake and its item, or says what it cannot tell apart, in 10 shoots of 12 at least.

    At a true rate of 95 % fewer would come about once in fifty times. A bar misread by less than 1.5 % is within what
    drawn lengths can tell and is not counted.
    """
    outcomes = run(name, 12, 7000)
    if name == "scale bar misread":
        outcomes = [o for o in outcomes if o.size >= 1.5]
    count = Counter(o.verdict for o in outcomes)
    missed = [(o.seed, o.size, o.said) for o in outcomes if o.verdict in ("wrong", "missed")]
    assert count["named"] + count["undecided"] >= len(outcomes) - 2, missed


@pytest.mark.slow
def test_false_alarms() -> None:
    outcomes = run(CLEAN, 60, 7000)
    alarms = [(o.seed, o.said) for o in outcomes if o.verdict == "alarm"]
    assert len(alarms) <= 3, alarms  # at 2 % more would come about once in thirty times


@pytest.mark.slow
def test_what_spoils_is_left_out() -> None:
    """After a bump the rest is measured as if the other photos had never been taken."""
    m, s = MISTAKES["board or frame bumped"](4), scene_for(4)
    fit = estimate(m.rig, m.obs)
    off = [np.rad2deg(abs(fit.joint_angles["left_lever", p] - s.truth.angles["left_lever", p]))
           for p in fit.positions if p not in m.rig.spin_positions]
    assert 3 <= len(off) < len(m.rig.positions)
    assert max(off) < 0.05
