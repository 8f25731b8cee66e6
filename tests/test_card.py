"""The shoot card on paper: read back from the PDF, laid beside the plan and the phone page's sketch."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.cli import main
from calib.phone.sketch import sketch
from calib.planning.stage import shoot as photos_of
from calib.planning.views import View
from calib.report import letters
from calib.report.letters import BLANK, fonts_for, legible
from calib.report.paper import shortened, text_width, wrapped
from calib.rig.reader import load_rig, parse_rig
from calib.rig.starter import LAYOUTS, starter_text, write_starter
from calib.shooting.card import card_of, stand_words, write_card
from calib.shooting.rules import FLOOR_TAGS, LEANED, LOADED, PUSHED_PULLED, cautions, rules
from calib.shooting.session import ShootSession
from calib.shooting.wanted import USUAL_VIEWS, Wanted, wanted, wanted_from
from capture.errors import UserError
from capture.targets import PAPERS_MM
from tests.card_pdf import LEAST_TEXT, MM, Seen, read, rows, square
from tests.test_plan import RIG


def words(texts: Sequence[Seen]) -> str:
    """All that is written, without spaces: ligatures are pieces of their own."""
    return "".join("".join(t.said.split()) for t in texts)


def packed(text: str) -> str:
    return "".join(text.split())


@cache
def sample() -> Wanted:
    return wanted(load_rig(RIG), 3)


def drawn(layout: str, photos: int, **changed: Any) -> Wanted:
    """A layout's shoot from the usual views."""
    return wanted_from(replace(parse_rig(starter_text("Wren", layout=layout)), **changed), None, USUAL_VIEWS[:photos])


MANY = (*(f"back{k}" for k in range(12, 0, -1)), "ahead", *(f"push{k}" for k in range(1, 13)))
LONG = "x" * 80
NAMES = ("Назад 2", "back_" + LONG[:75], "ahead", "前进", "push2")
CASES: dict[str, tuple[Callable[[], Wanted], str, int]] = {
    "sample": (sample, "A4", 1),
    **{layout: ((lambda layout=layout, n=n: drawn(layout, n)), "A4", 1)  # type: ignore[misc]
       for layout, n in zip(LAYOUTS, (4, 5, 6, 4), strict=True)},
    "letter": (lambda: drawn("crank", 4), "Letter", 1),
    "many": (lambda: drawn("direct", 6, positions=MANY), "A4", 2),
    "names": (lambda: drawn("direct", 4, positions=NAMES, name="Снегирь " + LONG + " 雪の車"), "A4", 1),
    "no wheels": (lambda: drawn("direct", 3, wheels={}, spin_positions=()), "A4", 1),
    "loaded, stops": (lambda: drawn("crank", 4, positions=("s1", "back", "ahead+", "ahead", "ahead-", "s2"),
                                    stops=("s1", "s2"), loaded="rider"), "A4", 1),
}


@pytest.mark.parametrize("name", CASES)
def test_a_box_for_each_photo_and_all_of_it_on_the_paper(name: str, tmp_path: Path) -> None:
    make, paper, pages = CASES[name]
    shoot = make()
    rig, path = shoot.rig, tmp_path / "card.pdf"
    write_card(card_of(shoot), path, paper)
    texts, paths, sizes = read(path)
    assert len(sizes) == pages and {tuple(round(x / MM, 1) for x in s) for s in sizes} == {PAPERS_MM[paper]}
    lever = [str(k) for k in range(1, len(shoot.ask(rig.straight_ahead).views) + 1)]
    assert rows(texts, paths) == [list("abcd") if p in rig.spin_positions else lever for p in rig.labels]
    everything = words(texts)
    for p in rig.labels:
        assert packed(legible(p)) in everything
    for t in (rig.tags[n] for a in shoot.asks for n in a.tags):
        assert packed(f"{t.code} {t.name.replace('_', ' ')}") in everything, t.name
    assert ("front" in [t.said for t in texts]) == bool(rig.wheels)
    for rule in (*rules(rig), *cautions(rig)):
        assert packed(rule) in everything
    assert everything.count("Position(folder)") == pages  # the table's head again
    wide, high = sizes[0]
    for x in (*texts, *paths):
        assert 14 * MM < x.left and x.right < wide - 14 * MM and 14 * MM < x.low and x.top < high - 14 * MM, x
    for a, b in itertools.combinations(texts, 2):
        assert not covers(a, b), (a, b)
    for t, b in itertools.product(texts, (p for p in paths if square(p))):
        assert b.holds(t) or not covers(t, b), (t, b)
    if name != "names":  # outlines of letters have no size of their own
        assert min(t.size for t in texts) >= LEAST_TEXT


def covers(a: Seen, b: Seen) -> bool:
    """Whether two things lie over each other by more than a letter's overhang."""
    return (a.page == b.page and min(a.right, b.right) - max(a.left, b.left) > 1.0
            and min(a.top, b.top) - max(a.low, b.low) > 1.0)


def test_the_sketch_is_the_phone_pages_and_agrees_with_the_plan(tmp_path: Path) -> None:
    """Marks where the phone page draws its phones, but for scale and place; each on the side its camera stands on."""
    shoot = sample()
    write_card(card_of(shoot), tmp_path / "card.pdf")
    texts, paths, _ = read(tmp_path / "card.pdf")
    left = [p for p in paths if square(p) and p.right < 80 * MM]
    at = {t.said: b.middle for b in left for t in texts if b.holds(t)}
    assert sorted(at) == ["1", "2", "3", "a", "b", "c", "d"]
    session = ShootSession(shoot)
    for position, marks in ((shoot.rig.straight_ahead, "123"), (shoot.rig.spin_positions[0], "abcd")):
        standing = session.standing(position)
        picture = sketch(shoot.rig, standing, [])
        phones = [(float(x), float(y)) for x, y in re.findall(
            r'(?:<circle cx="|<g transform="translate\()([-\d.]+)(?:" cy="| )([-\d.]+)(?:" r="14"|\) rotate)', picture)]
        phones = phones[:len(marks)]  # what comes after is how steeply to hold it
        on_page, on_card = np.array(phones), np.array([at[m] for m in marks]) * (1, -1)
        on_page, on_card = on_page - on_page.mean(axis=0), on_card - on_card.mean(axis=0)
        scale = np.linalg.norm(on_card) / np.linalg.norm(on_page)
        assert np.abs(on_card / scale - on_page).max() < 0.5
        for mark, view in zip(marks, standing.ask.views, strict=True):
            x, y = np.subtract(at[mark], np.mean([at[m] for m in "abcd"], axis=0))  # two on either side
            a = np.deg2rad(view.azimuth)
            assert math.copysign(1, x) == -math.copysign(1, math.sin(a))
            assert abs(math.cos(a)) < 0.2 or math.copysign(1, y) == math.copysign(1, math.cos(a))


def test_how_high_and_how_far_is_where_the_cameras_stand() -> None:
    """From the cameras' own poses: the eye is at -R' t."""
    shoot = sample()
    stage = shoot.stage
    assert stage is not None
    card = card_of(shoot)
    ahead, spin = shoot.rig.straight_ahead, shoot.rig.spin_positions[0]
    seats = [s.seat for p in (ahead, spin) for s in photos_of(stage, {p: shoot.ask(p).views})]
    assert len(seats) == len(card.stands) == 7
    for s, seat in zip(card.stands, seats, strict=True):
        eye = -seat.R.T @ seat.t
        assert s.up == pytest.approx(eye[2] / 1000) and s.off == pytest.approx(math.dist(eye, stage.board[1]) / 1000)
        text = stand_words(s)
        assert text.startswith(f"{s.view.words}: {eye[2] / 1000:.1f} m up, ") and 0.5 < s.up < 2.0
        assert ("turned upright" in text) == (abs(seat.R[1, 2]) < 0.3)  # the picture's long side then points up
    undrawn = card_of(drawn("direct", 4))
    assert [stand_words(s) for s in undrawn.stands[:4]] == [v.words for v in undrawn_views(4)]


def undrawn_views(photos: int) -> list[View]:
    return sorted(USUAL_VIEWS[:photos], key=lambda v: -v.azimuth)


def test_tags_are_those_that_the_phone_page_asks_for() -> None:
    shoot = sample()
    card = card_of(shoot)
    for row, ask in zip(card.rows, shoot.asks, strict=True):
        codes = sorted(shoot.rig.tags[t].code for t in ask.tags)
        assert [int(t.split()[0]) for t in dict(card.tags)[row.tags]] == codes
        assert (row.position, row.do) == (ask.position, ask.do)
    assert card.photos == sum(a.photos for a in shoot.asks) == 7 * 3 + 2 * 4


def test_what_the_plan_says_of_tags_stands_on_the_card(tmp_path: Path) -> None:
    write_card(card_of(drawn("bar", 3), ["Seen in fewer than two photos: bar_left (at left2)."]), tmp_path / "card.pdf")
    assert "Seeninfewerthantwophotos:bar_left(atleft2)." in words(read(tmp_path / "card.pdf")[0])


def test_rules_are_those_that_this_rig_needs() -> None:
    plain = parse_rig(starter_text("Wren", layout="direct"))
    assert not {PUSHED_PULLED, FLOOR_TAGS} & set(rules(plain)) and not {LEANED, LOADED} & set(cautions(plain))
    tags = {n: replace(t, on_floor=True) for n, t in plain.tags.items()}
    assert FLOOR_TAGS in rules(replace(plain, tags=tags))
    assert PUSHED_PULLED in rules(replace(plain, positions=("ahead", "ahead+", "ahead-")))
    assert LEANED in cautions(parse_rig(starter_text("Wren", layout="leaning")))
    assert LOADED in cautions(replace(plain, loaded="rider"))


def test_a_card_is_never_written_over_another(tmp_path: Path) -> None:
    card, path = card_of(drawn("bar", 2)), tmp_path / "card.pdf"
    path.write_text("mine")
    with pytest.raises(UserError, match="already exists and is not overwritten"):
        write_card(card, path)
    assert path.read_text() == "mine"
    with pytest.raises(UserError, match="must end in .pdf"):
        write_card(card, tmp_path / "card.txt")
    with pytest.raises(UserError, match="cannot be written.*name a folder that exists"):
        write_card(card, tmp_path / "none" / "card.pdf")
    assert [p.name for p in tmp_path.iterdir()] == ["card.pdf"]


def test_a_rig_without_a_drawing_gets_its_card(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = tmp_path / "rig.toml"
    write_starter(rig, layout="direct", drawn=False)
    assert main(["plan", str(rig)]) == 2 and "pivot" in capsys.readouterr().err
    assert main(["plan", str(rig), "--card", str(tmp_path / "card.pdf")]) == 0
    told = capsys.readouterr().out
    texts, paths, _ = read(tmp_path / "card.pdf")
    assert rows(texts, paths) == [list("1234")] * 5 + [list("abcd")] * 2 and "28 photos" in told
    assert "No plan without a drawing" in told and "mup," not in words(texts)
    rig.write_text("[vehicle]\nwheelbase = 'long'\n", encoding="utf-8")  # a mistake is still a mistake
    assert main(["plan", str(rig), "--card", str(tmp_path / "other.pdf")]) == 2
    assert "wheelbase" in capsys.readouterr().err and not (tmp_path / "other.pdf").exists()


def test_letters_come_from_another_font_or_are_left_to_write_in(monkeypatch: pytest.MonkeyPatch) -> None:
    letters._others.cache_clear()
    assert fonts_for("Moorhen") == fonts_for("Снег") == [letters.USUAL] and legible("Снег") == "Снег"
    charmaps = {n: frozenset(map(ord, s)) for n, s in (("usual", "".join(map(chr, range(0x500)))), ("one", "雪"),
                                                       ("two", "雪の車"))}
    monkeypatch.setattr(letters, "_usual_file", lambda: "usual")
    monkeypatch.setattr(letters, "_charmap", charmaps.__getitem__)
    monkeypatch.setattr(letters, "_installed", lambda: iter([("One", "one"), ("Two", "two")]))
    try:
        assert fonts_for("a 雪 b") == [letters.USUAL, "One"] and fonts_for("雪の") == [letters.USUAL, "Two"]
        assert legible("雪の車 Moorhen 前进") == f"雪の車 Moorhen {BLANK}"
        assert card_of(drawn("bar", 2, name="前进")).blanks and not card_of(drawn("bar", 2, name="雪")).blanks
    finally:
        letters._others.cache_clear()


def test_a_font_that_cannot_be_read_has_no_letters(tmp_path: Path) -> None:
    (tmp_path / "broken.ttf").write_bytes(b"no font")
    assert letters._charmap(str(tmp_path / "broken.ttf")) == frozenset()
    assert not [name for name, _ in letters._installed() if "last resort" in name.lower() or name == letters.USUAL]


def test_long_text_is_shortened_to_its_lines() -> None:
    assert shortened("short", 10, 200, 2) == ["short"]
    lines = shortened("a name of many words " * 9, 10, 200, 2, bold=True)
    assert len(lines) == 2 and lines[1].endswith("\u2026")
    assert all(text_width(x, 10, bold=True) <= 200 for x in lines)
    assert lines[0] == wrapped("a name of many words " * 9, 10, 200, bold=True)[0]
