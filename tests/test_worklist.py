"""The work list: order, relative holes, marks for calipers, what to recheck and what it should read."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from calib.advice.proposal import Change, Predicted, Proposal
from calib.advice.verdict import verdict
from calib.advice.worklist import MARKS_MM, Shoot, Step, hole_words, shoot_again, toe_words, work_steps
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import wheel_headings
from calib.rig.model import Rig
from tests.steering_scene import design, wrong

HOLE = Change("hole", "left_lever.rod", "C", "B", -9.0, None, "towards the pivot")
LEFT_ROD = Change("rod", "left_rod", "0", "0", 1.0, None, "lengthen")
RIGHT_ROD = Change("rod", "right_rod", "0", "0", -1.5, None, "shorten")
RIGHT_TIE = Change("rod", "right_tie", "0", "0", 2.5, 1.0, "lengthen")
LEFT_TIE = Change("rod", "left_tie", "0", "0", -1.25, -0.5, "shorten")


def changed(rig: Rig, *changes: Change) -> Rig:
    """The rig with the changes made."""
    rods = {**rig.rods, **{c.item: replace(rig.rods[c.item], length=rig.rods[c.item].length + c.mm)
                           for c in changes if c.kind == "rod"}}
    points = {**rig.points, **{c.item: replace(rig.points[c.item], use=c.after) for c in changes if c.kind == "hole"}}
    return replace(rig, rods=rods, points=points)


def proposal(rig: Rig, *changes: Change, toe_u95: float = 0.03) -> Proposal:
    """A proposal of the changes, with a toe known to ``toe_u95`` deg after them."""
    toe = Predicted("toe", 0.0, toe_u95, "deg", 0.0, 0.5, 1.0, verdict(0.0, toe_u95, 0.0, 0.5))
    return Proposal(changes, (toe,), 0.9, 0.0, changed(rig, *changes), (), len(changes), ())


def steps(*changes: Change) -> list[Step]:
    rig = wrong(design())
    return [s for s in work_steps(proposal(rig, *changes), rig) if s.kind == "change"]


def toe_by_root(rig: Rig) -> float:
    """Toe-in, deg, where the mean heading is zero, found by a root search over the driver's angle."""
    link = Linkage(rig)

    def headings(d: float) -> tuple[float, float]:
        h = wheel_headings(rig, link.solve(d))
        return float(h["left"]), float(h["right"])

    at = brentq(lambda d: sum(headings(d)), -0.15, 0.15)
    left, right = headings(at)
    return math.degrees(right - left)


def test_centre_and_lock_come_first_and_ties_last_whatever_the_order_given() -> None:
    want = ["left_lever.rod", "left_rod", "right_tie"]
    for given in itertools.permutations((HOLE, LEFT_ROD, RIGHT_TIE)):
        assert [s.item for s in steps(*given)] == want
    rig = wrong(design())
    kinds = [s.kind for s in work_steps(proposal(rig, RIGHT_TIE, HOLE), rig)]
    assert kinds == ["centre", "change", "change", "stops", "shoot"]


def test_toe_is_rechecked_after_each_tie_with_what_it_reads_then() -> None:
    """Two ties: after the first, toe as it is with the second not yet turned."""
    rig = wrong(design())
    first, second = (next(x for x in s.recheck if x.startswith("toe")) for s in steps(LEFT_TIE, RIGHT_TIE))
    half, full = (toe_by_root(changed(rig, *c)) for c in ((LEFT_TIE,), (LEFT_TIE, RIGHT_TIE)))
    assert abs(half - full) > 1.0
    for words, toe in ((first, half), (second, full)):
        said = re.match(r"toe: ([+-][\d.]+) \u00b1 0.03 deg, tyres ([\d.]+) \u00b1 0.3 mm (wider|narrower)", words)
        assert said is not None
        assert float(said[1]) == pytest.approx(toe, abs=0.011)
        # distance between the tyres behind less in front, at hub height, over the wheel's diameter of 480 mm
        assert float(said[2]) == pytest.approx(480 * abs(math.sin(math.radians(toe))), abs=0.15)
        assert said[3] == ("narrower" if toe > 0 else "wider")


def test_a_toe_out_is_wider_in_front() -> None:
    assert "4.2 mm wider apart in front" in toe_words(math.radians(-0.5), None, design())
    assert "4.2 mm narrower apart in front" in toe_words(math.radians(0.5), None, design())


def test_only_what_a_step_moves_is_rechecked() -> None:
    """The rod of the second lever steers nothing; the driver's own rod moves centre and lock, and no tie is near it."""
    right, left = steps(RIGHT_ROD)[0], steps(LEFT_ROD)[0]
    assert right.recheck == ("the clamp",)
    assert "the lock at both stops" in left.recheck and not any(x.startswith("toe") for x in left.recheck)
    assert any("stand with the wheels straight" in x for x in left.recheck)


@pytest.mark.parametrize(("mm", "apart", "then"), [(-1.5, 100.0, 98.5), (1.0, 100.0, 101.0), (-82.0, 200.0, 118.0)])
def test_a_tube_is_set_by_two_marks(mm: float, apart: float, then: float) -> None:
    step = steps(replace(RIGHT_ROD, mm=mm))[0]
    assert f"{apart:.1f} mm apart with the clamp between them" in step.how
    assert f"set the lines {then:.1f} mm apart with calipers" in step.how
    length = wrong(design()).rods["right_rod"].length
    assert f"from {length:.1f} to {length + mm:.1f} mm between ball centres" in step.do


def test_overlap_goes_the_other_way_and_short_rods_have_close_marks() -> None:
    rig = wrong(design())
    rod = replace(rig.rods["right_rod"], overlap=40.0, overlap_now=90.0)
    rig = replace(rig, rods={**rig.rods, "right_rod": rod})
    text = next(s for s in work_steps(proposal(rig, RIGHT_ROD), rig, {"right_rod": 0.24}) if s.item == "right_rod")
    assert "overlap goes from 90.0 to 91.5 mm" in text.how and "mm (\u00b1 0.2) between" in text.do
    stub = replace(rod, length=2.4 * MARKS_MM)
    rig = replace(rig, rods={**rig.rods, "right_rod": stub})
    text = next(s for s in work_steps(proposal(rig, RIGHT_ROD), rig) if s.item == "right_rod")
    assert "50.0 mm apart with the clamp" in text.how and "48.5 mm apart with calipers" in text.how


@pytest.mark.parametrize(("before", "after", "words"), [
    ("C", "B", "one hole towards the pivot, 9.0 mm"), ("B", "D", "two holes away from the pivot, 18.0 mm"),
    ("A", "E", "4 holes away from the pivot, 36.0 mm")])
def test_holes_in_relative_words(before: str, after: str, words: str) -> None:
    assert hole_words(design(), "left_lever.rod", before, after) == words


def test_holes_along_an_arc_are_no_nearer_the_pivot() -> None:
    rig = design()
    p, pivot = rig.points["left_lever.rod"], np.array(rig.bodies["left_lever"].pivot)
    holes = {str(k): tuple(float(v) for v in pivot + 70.0 * np.array([math.sin(a), 0.0, math.cos(a)]))
             for k, a in enumerate((0.0, 0.15, 0.3))}
    rig = replace(rig, points={**rig.points, p.name: replace(p, holes=holes, use="0", order=("0", "1", "2"))})
    assert hole_words(rig, p.name, "0", "2") == f"two holes along the row, {2 * 70 * math.sin(0.15):.1f} mm"


def test_a_half_changed_rig_that_does_not_go_together_is_no_trouble() -> None:
    """The hole's row is so far off that the rods reach only once all is changed: no number, but still a recheck."""
    rig = wrong(design())
    gone = tuple(replace(c, mm=c.mm * 60) for c in (RIGHT_TIE, LEFT_TIE))
    assert [x for s in steps(*gone) for x in s.recheck if x == "toe"]
    assert work_steps(proposal(rig), rig) == ()


def test_what_to_shoot_again() -> None:
    assert shoot_again(design()) == Shoot(("back3", "ahead", "push3"), ("spin1", "spin2"))
    rig = wrong(design())
    last = work_steps(proposal(rig, HOLE), rig)[-1]
    assert "shoot positions back3, ahead and push3 again, and spin1 and spin2 with the wheels" in last.do
