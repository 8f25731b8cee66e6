"""The report's drawing of the linkage: the same sides as check's, all of it in sight, wheels that stay round."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.advice.compare import compare
from calib.linkage.mechanism import Linkage
from calib.report.linkage_view import SIGHTS, TIMES, LinkageView, enlarged, skeleton, travel_view
from calib.report.page import report_html
from calib.rig.drawing import PLAN, SIDE
from calib.run import gather
from tests.moorhen import moorhen
from tests.test_report import made_up_fit, observations


@pytest.fixture(scope="module")
def results() -> object:
    design = moorhen()
    fit = made_up_fit(design)
    return gather(design, observations(fit), fit, compare(design, fit), None, "none")


@pytest.fixture(scope="module")
def view(results) -> LinkageView:
    made = travel_view(results)
    assert made is not None
    return made


def test_it_is_seen_as_in_the_picture_that_check_draws() -> None:
    for sight, drawn in zip(SIGHTS, (PLAN, SIDE), strict=True):
        xyz = np.array([[300.0, -40.0, 250.0], [0.0, 410.0, 90.0]])
        want = drawn.project(xyz) * [1, -1]  # a page of HTML counts downwards
        np.testing.assert_allclose(sight.flat(xyz), want)
    left, right = ({n: w for n, w in zip(("plan", "side"), (s.flat(np.array([[0.0, y, 0.0]]))[0] for s in SIGHTS),
                                         strict=True)} for y in (400.0, -400.0))
    assert left["plan"][1] < right["plan"][1]  # left above


def test_wheels_stay_round_and_parts_move_apart_as_many_times_as_said() -> None:
    design = moorhen()
    built = made_up_fit(design).as_built.rig
    at = np.deg2rad(25.0)
    drawn, real = (skeleton(r, Linkage(r).solve(at)) for r in (design, built))
    for times in TIMES:
        shown = enlarged(drawn, real, times)
        for k, (d, b) in enumerate(zip(drawn.lines, real.lines, strict=True)):
            np.testing.assert_allclose(shown[k] - d.xyz, times * (b.xyz - d.xyz), atol=1e-9)
        for rim, d, b in zip(shown[len(drawn.lines):], drawn.wheels, real.wheels, strict=True):
            centre = rim[:-1].mean(axis=0)
            np.testing.assert_allclose(np.linalg.norm(rim - centre, axis=1), b.radius, rtol=1e-9)
            normal = np.linalg.svd(rim - centre)[2][2]
            turned = np.degrees(np.arccos(abs(normal @ d.spin) / np.linalg.norm(d.spin)))
            real_turn = np.degrees(np.arccos(min(1.0, abs(b.spin @ d.spin) / np.linalg.norm(d.spin)
                                                 / np.linalg.norm(b.spin))))
            assert turned == pytest.approx(times * real_turn, abs=0.02)
            np.testing.assert_allclose(centre - d.centre, times * (b.centre - d.centre), atol=1e-6)


def test_all_of_it_lies_in_its_box_at_every_enlargement_and_every_part_is_named(results, view: LinkageView) -> None:
    design, built = results.design, results.fit.as_built.rig
    lever = np.linspace(*design.driver_travel, 7)
    sweeps = [Linkage(r).sweep(lever) for r in (design, built)]
    for k in range(len(lever)):
        drawn, real = (skeleton(r, {b: float(a[k]) for b, a in s.angles.items()})
                       for r, s in zip((design, built), sweeps, strict=True))
        for times in TIMES:
            for s in SIGHTS:
                x, y, w, h = view.data["boxes"][times][s.name]
                xy = s.flat(np.concatenate(enlarged(drawn, real, times)))
                assert (xy >= [x, y]).all() and (xy <= [x + w, y + h]).all(), (times, s.name)
    widths = {round(view.data["boxes"][10][s.name][2]) for s in SIGHTS}
    assert len(widths) == 1  # both views at one scale
    named = {label.name for label in view.views[0].labels}
    assert named == {"left lever", "right lever", "crank", "left upright", "right upright", "left rod", "right rod",
                     "left tie", "right tie"}


def test_where_rods_do_not_reach_the_slider_shows_nothing_and_the_boxes_go_round_the_rest(results) -> None:
    lever = results.design.bodies[results.design.driver]
    wide = replace(results.design, bodies={**results.design.bodies, lever.name: replace(lever, travel=(-1.6, 1.2))})
    made = travel_view(replace(results, design=wide))
    assert made is not None
    reached = [Linkage(r).sweep(np.linspace(-1.6, 1.2, 33)).reached for r in (wide, results.fit.as_built.rig)]
    assert not all(map(np.all, reached))
    for which, there in zip(("design", "built"), reached, strict=True):
        assert [f is not None for f in made.data[which]] == there.tolist()
        shown = [x for f, ok in zip(made.data[which], there & reached[0] & reached[1], strict=True) if ok
                 for x in f["plan"]]
        xy = np.concatenate([np.reshape(x, (-1, 2)) for x in shown])
        x, y, w, h = made.data["boxes"][1]["plan"]
        assert (xy > [x, y]).all() and (xy < [x + w, y + h]).all()


def test_page_holds_a_play_button_and_the_wheels_by_their_axles(results, tmp_path: Path) -> None:
    page = report_html(results, tmp_path, [])
    assert 'id="linkage-play"' in page and ">left upright</text>" in page
    blob = json.loads(page.split('id="linkage-data">')[1].split("</script>")[0])
    built = results.fit.as_built.rig
    at = Linkage(built).solve(float(np.linspace(*results.design.driver_travel, 33)[3]))
    want = skeleton(built, at).wheels
    for w, got in zip(want, blob["built"][3]["wheels"], strict=True):
        np.testing.assert_allclose(got[:3], w.centre, atol=0.051)
        np.testing.assert_allclose(got[3:6], w.spin, atol=1e-5)
        assert got[6] == w.radius
