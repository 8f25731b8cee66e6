"""Play: shoots with a known slack in one rod, and shoots without."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from calib.estimation.bundle import estimate
from calib.estimation.play import Play, _difference, driving_and_driven, lost_motion, play_findings, play_table
from calib.linkage.mechanism import rod_lengths
from calib.report import tables
from calib.results import Fit
from calib.rig.model import Rig, approach_pairs
from calib.rig.reader import parse_rig
from calib.uncertainty import K95
from capture.errors import UserError
from tests.moorhen import SAMPLE
from tests.render.shoot import simulate_observations
from tests.render.truth import VIEWS, build, by_eye, random_errors, solve, staged
from tests.steering_scene import as_built, design, fit_of

DEG = np.deg2rad(1.0)


def both_ways_rig() -> Rig:
    text = SAMPLE.read_text(encoding="utf-8")
    old = ('positions = ["back3", "back2", "back1", "ahead", "push1", "push2", "push3"]\n'
           'spin_positions = ["spin1", "spin2"]')
    new = ('positions = ["back3", "back1", "ahead", "push1", "push3"]\nboth_ways = ["ahead", "push1"]\n'
           'spin_positions = []')
    assert text.count(old) == 1
    return parse_rig(text.replace(old, new))


@cache
def slack_shoot(seed: int, rod: str = "", mm: float = 0.4, sigma: float = 0.05) -> tuple[Rig, Fit]:
    """A shoot of a vehicle whose ``rod``, if any, has ``mm`` of play between its ends' stops.

    The rods are closed by the root finder of tests.render, that one longest after pushing, shortest after pulling and
    anywhere between at the other positions.
    """
    rng = np.random.default_rng(seed)
    design = both_ways_rig()
    rig = build(design, random_errors(design, rng, 0.5))
    angles: dict[tuple[str, str], float] = {}
    for p in rig.positions:
        side = {"+": 0.5, "-": -0.5}.get(p[-1], 0.0 if p == "ahead" else rng.uniform(-0.5, 0.5))
        rods = {n: replace(r, length=r.length + (side * mm if n == rod else 0.0)) for n, r in rig.rods.items()}
        angles |= {(b, p): a for b, a in solve(replace(rig, rods=rods), by_eye(rig, p, rng, 0.5)).items()}
    truth = staged(rig, angles, {p: VIEWS[:3] for p in rig.positions}, rng)
    return design, estimate(design, simulate_observations(truth, sigma, rng))


def by_rod(plays: tuple[Play, ...], rod: str) -> list[Play]:
    return [p for p in plays if p.rod == rod]


def test_labels_of_both_ways() -> None:
    rig = both_ways_rig()
    assert rig.positions == ("back3", "back1", "ahead", "ahead+", "ahead-", "push1+", "push1-", "push3")
    assert approach_pairs(rig.positions) == {"ahead": ("ahead+", "ahead-"), "push1": ("push1+", "push1-")}
    assert approach_pairs(["a+", "b-", "+", "-"]) == {}


@pytest.mark.parametrize("key", ['both_ways = ["push9"]', 'both_ways = ["push1", "push1"]'])
def test_wrong_both_ways_is_named(key: str) -> None:
    text = SAMPLE.read_text(encoding="utf-8").replace("spin_positions =", f"{key}\nspin_positions =")
    with pytest.raises(UserError, match="both_ways"):
        parse_rig(text)


def test_rods_are_followed_from_the_driver() -> None:
    rig = both_ways_rig()
    assert driving_and_driven(rig, "left_rod") == ("left_lever", "crank")
    assert driving_and_driven(rig, "right_rod") == ("crank", "right_lever")
    assert driving_and_driven(rig, "right_tie") == ("crank", "right_upright")
    other = replace(rig, driver="right_lever")
    assert driving_and_driven(other, "right_rod") == ("right_lever", "crank")


@pytest.mark.parametrize(("rod", "driven"), [("left_rod", "crank"), ("right_tie", "right_upright")])
def test_play_is_found_in_its_rod_and_its_size(rod: str, driven: str) -> None:
    design, fit = slack_shoot(3, rod)
    plays = lost_motion(design, fit)
    assert len(plays) == 8
    assert all(f.code != "rod_misfit" or f.item == rod for f in fit.findings)
    for p in plays:
        true = 0.4 if p.rod == rod else 0.0
        assert abs(p.mm - true) < 1.5 * p.u95_mm  # 8 looks: 2.9 standard uncertainties
        assert p.u95_mm < 0.05
        assert p.seen == (p.rod == rod), p.text
    for p in by_rod(plays, rod):
        assert p.driven == driven
        # 0.4 mm on the driven arm, by the root finder's own pose at that rod length
        assert abs(p.deg) == pytest.approx(np.degrees(0.4 / {"crank": 75.0, "right_upright": 85.0}[driven]), rel=0.35)
        assert f"the hinge of {driven}" in p.joints and "of play" in p.text
    found = play_findings(plays)
    assert [f.item for f in found if f.serious] == [rod] and len(found) == 2
    table = play_table(plays)
    assert list(table["seen"]) == [p.seen for p in plays]
    shown = tables.play_table(table)
    assert shown is not None and [row[5] for row in shown.rows].count("play") == 2
    assert tables.play_table(play_table(())) is None


def test_clean_shoot_shows_none() -> None:
    design, fit = slack_shoot(4)
    plays = lost_motion(design, fit)
    assert len(plays) == 8 and not any(p.seen for p in plays)
    assert [f.serious for f in play_findings(plays)] == [False]
    assert all(p.above < 0.1 and "no play seen above" in p.text for p in plays)


def test_one_way_shoot_has_nothing_to_compare() -> None:
    design, fit = slack_shoot(4)
    assert lost_motion(design, replace(fit, positions=tuple(p for p in fit.positions if not p.endswith("-")))) == ()


@pytest.mark.parametrize("position", ["ahead+", "ahead-"])
def test_half_width_of_play_follows_each_joint_angle_alike(position: str) -> None:
    # one joint angle at a time is uncertain: the rod's ball distance moves by its slope, worked out from matrices
    rig = design()
    fit = fit_of(as_built(rig, 0.0, 0.0, 0.0), {"ahead": 0.0, "ahead+": 0.3, "ahead-": -0.3})
    for body in ("left_lever", "crank"):
        cov = np.zeros_like(fit.angle_cov)
        k = fit.angle_names.index((body, position))
        cov[k, k] = (0.1 * DEG) ** 2
        _, u95, _ = _difference(replace(fit, angle_cov=cov), "left_rod", "crank", ("ahead+", "ahead-"))
        at = {b: fit.joint_angles[b, position] for b in ("left_lever", "crank")}
        ends = [rod_lengths(rig, {**at, body: at[body] + d})["left_rod"] for d in (1e-5, -1e-5)]
        slope = abs(float(ends[0] - ends[1])) / 2e-5
        assert slope > 20 and u95 == pytest.approx(K95 * slope * 0.1 * DEG, rel=1e-4)
