"""Where the levers belong with the wheels straight, and when that is all there is to do."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calib.advice.centring import Centring, centring
from calib.advice.compare import ComparedFigure, Comparison
from calib.advice.verdict import judge
from calib.report.html import render
from calib.report.page import _card
from calib.rig.figures import FIGURES
from calib.rig.model import Rig, Target
from calib.run import measure
from tests.steering_scene import design
from tests.test_report import Tags
from tests.test_stops import STOPS, held_off


def judged(name: str, measured: float, u95: float, target: float, tolerance: float) -> ComparedFigure:
    kind = FIGURES[name]
    k = kind.scale
    verdict = judge(kind, measured / k, u95 / k, Target(name, target / k, tolerance / k, kind.unit))
    return ComparedFigure(name, name, kind.unit, 0.0, measured, u95, target, tolerance, verdict, 1.0)


def compared(straight: tuple[float, float], *figures: ComparedFigure) -> Comparison:
    held = ComparedFigure("straight", "straight", "deg", 0.0, *straight, None, None, None, 1.0)
    return Comparison(**{**dict.fromkeys(Comparison.__dataclass_fields__, ()), "figures": (held, *figures)})


OPEN = judged("symmetry", 0.4, 3.0, 0.6, 1.0)
TOE = judged("toe", 0.1, 0.05, 0.0, 0.5)


def found(*figures: ComparedFigure, straight: tuple[float, float] = (1.5, 0.3), rig: Rig | None = None,
          shot: tuple[str, ...] = ()) -> Centring | None:
    return centring(rig or design(), compared(straight, *figures), shot)


def test_only_what_hangs_on_the_centring_stands_open() -> None:
    got = found(TOE, OPEN)
    assert got is not None and got.alone
    assert 'with the left lever 1.5 \u00b1 0.3 deg further forward than it was held at "ahead"' in got.text
    back = found(TOE, OPEN, straight=(-1.5, 0.3))
    assert back is not None and "further back than" in back.text


@pytest.mark.parametrize("other", [judged("toe", 1.1, 0.05, 0.0, 0.5), judged("toe", 0.5, 0.05, 0.0, 0.5),
                                   judged("symmetry", 2.4, 3.0, 0.6, 1.0)])
def test_not_where_anything_else_is_wrong_or_open(other: ComparedFigure) -> None:
    """Toe out of tolerance; toe not known; a symmetry that would be out with the stops where they are drawn."""
    rest = (OPEN, other) if other.name == "toe" else (other, TOE)
    got = found(*rest)
    assert got is not None and not got.alone and got.deg == 1.5


def test_not_where_all_is_met_or_straight_ahead_was_held_well() -> None:
    got = found(TOE)
    assert got is not None and not got.alone
    assert found(TOE, OPEN, straight=(0.25, 0.3)) is None and found(TOE, OPEN, straight=(0.15, 0.01)) is None


def test_real_stops_are_no_matter_of_centring_alone() -> None:
    rig = replace(design(), stops=STOPS)
    seen, unseen = (found(TOE, OPEN, rig=rig, shot=("ahead", *there)) for there in (STOPS, STOPS[:1]))
    assert seen is not None and not seen.alone
    assert unseen is not None and unseen.alone


def test_as_drawn_but_held_off_straight_is_told_to_centre_and_where_to() -> None:
    """Built exactly as drawn, wheels 1.2 deg left at "ahead": pushing steers right, 0.76 deg a degree of lever."""
    drawn, _, obs = held_off(1.2, None)
    results = measure(drawn, obs)
    assert results.work["centre_first"].startswith("Both wheels stand straight with the left lever")
    by = float(results.work["centre_first"].split("left lever ")[1].split(" ")[0])
    assert by == pytest.approx(1.2 / 0.7593, abs=0.35) and "deg further forward" in results.work["centre_first"]
    page = render("card.html.j2", card=_card(results, results.sheet()))
    assert "<strong>Centre the levers first:</strong>" in page and "Change no rod and no hole before that" in page
    tags = Tags()
    tags.feed(page)
    assert tags.wrong == [] and tags.open == []
    assert results.work_lines()[0] == "Centre the levers first."
    assert not any(p["title"] == "Do this first" for p in results.work["proposals"])
