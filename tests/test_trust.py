"""What a serious finding leaves open: figures by the linkage, no verdict, no proposal, and it says so everywhere."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest

from calib.advice.adjust import propose
from calib.advice.compare import compare
from calib.advice.proposal import Proposals
from calib.advice.verdict import Outcome
from calib.findings import EVERYTHING, Code, Finding
from calib.report.confirm import load_sheet
from calib.report.folder import write_results
from calib.report.sheet import sheet_text
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from calib.run import gather
from calib.trust import UNTRUSTED, Doubts, figure_parts, steering_parts
from tests.moorhen import moorhen
from tests.test_report import made_up_fit, observations


def in_doubt(*findings: Finding, rig: Rig | None = None) -> set[str]:
    """Names of the figures that findings touch."""
    doubts = Doubts.of(rig or moorhen(), findings)
    return {n for n in FIGURES if doubts.on_figure(n)}


MM = {n for n, k in FIGURES.items() if k.unit == "mm"}
OVER_TRAVEL = {n for n, k in FIGURES.items() if k.part == "travel"}
LEFT_AXES = {n for n, k in FIGURES.items() if k.part == "axes" and k.side != "right"}
TOUCHED = [
    ("a tag on the left wheel", [Finding(Code.TAG_SLIPPED, "left_wheel", ("push1",))],
     OVER_TRAVEL | LEFT_AXES | {"roll_steer"}),
    ("a bolt tag of the crank", [Finding(Code.TAG_SIZE, "crank_left_in")], OVER_TRAVEL | {"roll_steer"}),
    ("the lever that drives nothing", [Finding(Code.TAG_SLIPPED, "right_lever", ("push1",))], {"roll_steer"}),
    ("its rod", [Finding(Code.ROD_MISFIT, "right_rod", ("push1",))], {"roll_steer"}),
    ("a rod between driver and wheels", [Finding(Code.PLAY, "left_rod", ("push1",))], OVER_TRAVEL | {"roll_steer"}),
    ("a bent upright", [Finding(Code.PART_BENT, "left_upright", ("push1",))],
     OVER_TRAVEL | LEFT_AXES | {"roll_steer"}),
    ("the scale", [Finding(Code.SCALE_DISAGREES, "board")], MM),
    ("no minimum", [Finding(Code.NOT_CONVERGED, "estimate")], set(FIGURES)),
    ("a photo of another position", [Finding(Code.WRONG_POSITION, "a.jpg", ("push1",))], set(FIGURES)),
    ("a poor photo of one position", [Finding(Code.PHOTO_POOR, "a.jpg", ("push1",))], set()),
    ("a poor photo straight ahead", [Finding(Code.PHOTO_POOR, "a.jpg", ("ahead",))], set(FIGURES)),
    ("a poor photo with the wheels turned", [Finding(Code.PHOTO_POOR, "a.jpg", ("spin1",))],
     {n for n, k in FIGURES.items() if k.part == "axes"} | {"toe"}),
    ("a photo that took no part", [Finding(Code.TWO_CAMERAS, "a.jpg")], set()),
    ("another hole than in the file", [Finding(Code.HOLE_MISMATCH, "left_lever.rod")], set()),
    ("what a verdict need not wait for", [Finding(Code.BOARD_BOWED, "board"), Finding(Code.NOT_AS_DRAWN, "crank")],
     set()),
]


@pytest.mark.parametrize(("findings", "touched"), [t[1:] for t in TOUCHED], ids=[t[0] for t in TOUCHED])
def test_figures_are_touched_by_way_of_the_linkage(findings: list[Finding], touched: set[str]) -> None:
    assert in_doubt(*findings) == touched


def test_a_number_of_a_part_rests_on_what_it_joins() -> None:
    doubts = Doubts.of(moorhen(), [Finding(Code.TAG_SLIPPED, "left_wheel", ("push1",)),
                                   Finding(Code.ANGLE_UNKNOWN, "crank", ("push2",))])
    why = f"{UNTRUSTED}: tag slipped (left_wheel)"
    assert doubts.on_parts(("left_wheel",)) == doubts.on_parts(("left",)) == why
    assert doubts.on_parts(("right_wheel",)) == doubts.on_parts(("left_tie",)) == ""
    assert doubts.on_parts(("crank",), positions=("push2",)) == f"{UNTRUSTED}: angle unknown (crank)"
    assert doubts.on_parts(("crank",), positions=("push1",)) == ""
    bent = Doubts.of(moorhen(), [Finding(Code.PART_BENT, "crank", ("push1",))])
    assert bent.on_parts(("left_tie",)) and bent.on_parts(("crank.left_in",)) and not bent.on_parts(("left_upright",))
    assert not Doubts.of(moorhen(), [Finding(Code.TAG_SLIPPED, "left_wheel", serious=False)])


def test_way_from_driver_to_wheels() -> None:
    rig = moorhen()
    every = {*rig.bodies, *rig.rods, *rig.points}
    assert every - steering_parts(rig) == {"right_lever", "right_rod", "right_lever.rod", "crank.right_in"}
    left = steering_parts(rig, ["left"])
    assert {"left_lever", "left_rod", "crank", "left_tie", "left_upright", "left_wheel"} <= left
    assert not {n for n in left if n.startswith("right")}
    assert steering_parts(replace(rig, driver="right_lever")) >= {"right_rod", "crank.right_in", "right_wheel"}
    loose = replace(rig, rods={n: r for n, r in rig.rods.items() if n != "left_tie"})
    assert steering_parts(loose) == {*loose.bodies, *loose.rods, *loose.points}, "no way there: everything counts"
    assert figure_parts(rig, FIGURES["caster_right"]) == {"right_upright", "right_wheel"}
    assert figure_parts(rig, FIGURES["caster"]) >= {"right_upright", "left_upright"}


def test_verdicts_wait_for_what_touches_them() -> None:
    design = moorhen()
    fit = made_up_fit(design)
    sound = compare(design, fit)
    assert {f.name for f in sound.figures if f.verdict and f.verdict.outcome is not Outcome.CANNOT_TELL}
    slipped = replace(fit, findings=(Finding(Code.TAG_SLIPPED, "left_wheel", ("push1",)),))
    c = compare(design, slipped)
    for f in c.figures:
        same = next(x for x in sound.figures if x.name == f.name)
        assert (f.measured, f.u95) == (same.measured, same.u95), "the numbers stay"
        assert bool(f.doubt) == (f.name in in_doubt(*slipped.findings)), f.name
        if f.verdict is not None:
            assert f.verdict.outcome is Outcome.CANNOT_TELL and UNTRUSTED in f.verdict.text, f.name
            assert f"{f.measured:.2f} +/- {f.u95:.2f}" in f.verdict.text or f.unit == ""
    for p in c.points:
        assert p.doubt["left"] and not p.doubt["right"] and not p.doubt["lever"]
    assert "left " + UNTRUSTED in c.measured().set_index("position").loc["push1", "doubt"]
    assert UNTRUSTED in c.summary() and UNTRUSTED not in sound.summary()
    lever = compare(design, replace(fit, findings=(Finding(Code.TAG_SLIPPED, "right_lever", ("push1",)),)))
    assert [f.verdict for f in lever.figures] == [f.verdict for f in sound.figures]


@pytest.fixture(scope="module")
def proposals() -> Proposals:
    design = moorhen()
    return propose(design, made_up_fit(design).as_built)


def test_everything_that_shows_a_number_says_that_it_is_in_doubt(proposals: Proposals, tmp_path: Path) -> None:
    design = moorhen()
    fit = made_up_fit(design)
    fit = replace(fit, findings=(Finding(Code.TAG_SIZE, "crank_left_in", facts={"mm": 40.0, "drawn_mm": 44.0}),))
    results = gather(design, observations(fit), fit, compare(design, fit), proposals)
    out = write_results(results, tmp_path / "out")
    why = f"{UNTRUSTED}: tag size (crank_left_in)"

    def doubts(name: str) -> dict[str, str]:
        with (out / f"{name}.csv").open(encoding="utf-8", newline="") as f:
            return {next(iter(r.values())): r["doubt"] for r in csv.DictReader(f)}

    assert {n for n, d in doubts("figures").items() if d} == OVER_TRAVEL & set(doubts("figures"))
    assert set(doubts("limits").values()) == set(doubts("travel").values()) == set(doubts("curves").values()) == {why}
    assert {n for n, d in doubts("pivots").items() if d} == {"crank pivot", "left_rod length", "right_rod length",
                                                             "left_tie length", "right_tie length"}
    text = (out / "as_built.toml").read_text(encoding="utf-8")
    assert {line.split()[0] for line in text.splitlines() if why in line} >= {"pivot", "length"}
    angles = json.loads((out / "fit.json").read_text())["joint_angles_deg"]
    assert {a["body"] for a in angles if a["doubt"]} == {"crank"}
    work = json.loads((out / "proposals.json").read_text())
    assert work["proposals"] == [] and work["centre_first"] == "" and why in work["notes"][0]
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Do this first" not in page and "No adjustment is proposed yet" in page
    assert page.count(why) > 10 and f"can&#39;t tell yet: {UNTRUSTED}" in page
    assert ">kept<" not in page, "no limit passes for kept"
    sheet, vehicle = load_sheet(out)
    said = sheet_text(sheet, vehicle)
    assert not sheet.go and "[met]" not in said and "[NOT MET]" not in said and said.count(why) == len(sheet.lines)
    assert results.work_lines() == work["notes"]


def test_a_change_of_a_part_in_doubt_is_not_called_one_to_do(proposals: Proposals) -> None:
    design = moorhen()
    fit = made_up_fit(design)
    changed = next(c.item for c in proposals.best.changes)
    rig = design
    part = rig.points[rig.rods[changed].a].body if changed in rig.rods else rig.points[changed].body
    aside = replace(proposals.best, changes=tuple(
        replace(c, item="right_rod") if c.item == changed else c for c in proposals.best.changes))
    fit = replace(fit, findings=(Finding(Code.PART_BENT, "right_lever", ("push1",)),))
    assert part != "right_lever" and not fit.doubts.travel
    results = gather(design, observations(fit), fit, compare(design, fit), replace(proposals, best=aside))
    first = results.work["proposals"][0]
    assert "part bent (right_lever)" in first["doubt"] and first["title"].endswith("not before it is settled")
    assert "not before" in results.work_lines()[0]
    assert EVERYTHING not in fit.findings[0].touches
