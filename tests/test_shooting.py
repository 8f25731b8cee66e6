"""A shoot while it goes on: verdicts beside earlier photos, what is still wanted, the files, and going on later."""

from __future__ import annotations

import errno
import hashlib
import itertools
import math
import os
import re
import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from calib.advice.compare import ComparedFigure
from calib.advice.proposal import SHOOT_LOADED, SHOOT_STOPS
from calib.phone.sketch import sketch
from calib.planning.stage import position_angles
from calib.planning.views import View
from calib.rig.model import Rig
from calib.rig.parameters import ParameterName
from calib.rig.reader import load_rig, parse_rig
from calib.rig.starter import starter_text
from calib.shooting import store
from calib.shooting.around import places
from calib.shooting.desk import Shoot
from calib.shooting.known import Known, KnownFigure, _helps, known, summed_up
from calib.shooting.seen import board_turn, tag_places, view_in
from calib.shooting.session import AGAIN, GOOD, POOR, ShootSession, Taken
from calib.shooting.wanted import USUAL_VIEWS, wanted, wanted_from
from capture.errors import UserError
from capture.judging import Judged, view_of
from capture.observations import PhotoInfo
from capture.photos import list_shoot
from capture.shoot import Outcome
from capture.targets import SADDLES, Board
from tests.render.shoot import focal_guess, true_corners
from tests.render.truth import Shot, Truth, sample_truth

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_data" / "before"
BOARD = Board.for_paper("A4")


@cache
def rig() -> Rig:
    return load_rig(ROOT / "sample_data" / "rig.toml")


@cache
def truth() -> Truth:
    return sample_truth(ROOT / "sample_data" / "rig.toml", seed=7)


@cache
def empty() -> ShootSession:
    return ShootSession(wanted(rig()))


def looked(shot: Shot, name: str, keep: set[int] | None = None) -> Judged:
    """What judging gives for a photo whose corners are known: all tags in view, or those in ``keep``."""
    rows, lens = [], truth().lens
    for code, uv in true_corners(truth(), shot).items():
        if keep is None or code in keep:
            rows.append(np.column_stack([np.full(SADDLES, code), np.arange(SADDLES), uv, np.full(SADDLES, 0.0025),
                                         np.zeros(SADDLES), np.full(SADDLES, 0.0025)]))
    info = PhotoInfo(name, shot.position, lens.width, lens.height, focal_guess(truth()), "Example EX-1",
                     sharpness_px=0.8, tags_found=len(rows))
    outcome = Outcome(name, info, np.concatenate(rows), sha256=name)
    return Judged(outcome, {int(r[0, 0]): len(r) for r in rows}, view_of(outcome, BOARD))


def shots(position: str) -> list[Shot]:
    return [s for s in truth().shots if s.position == position]


def taken(number: int, shot: Shot, keep: set[int] | None = None, **info: object) -> Taken:
    name = f"{shot.position}/{number:03d}.jpg"
    j = looked(shot, name, keep)
    assert j.info is not None
    j = replace(j, outcome=replace(j.outcome, info=replace(j.info, **info)))  # type: ignore[arg-type]
    return Taken(name, number, shot.position, name, j, places=tag_places(j, rig()))


def session(*photos: Taken) -> ShootSession:
    out = empty()
    for p in photos:
        out = out.with_photo(p)
    return out


def test_where_a_photo_was_taken_from_is_told_in_the_vehicles_axes() -> None:
    """Camera places of simulated photos, through a board of unknown turn: within 8 deg of the true direction."""
    photos = [taken(k, s) for k, s in enumerate(truth().shots[:12], 1)]
    turn = board_turn(rig(), [p.places for p in photos])
    assert turn is not None
    board = truth().board_pose[1]
    for photo, shot in zip(photos, truth().shots[:12], strict=True):
        assert photo.judged.view is not None
        eye = shot.camera.centre - board
        view = view_in(turn, photo.judged.view.direction)
        want = np.degrees([np.arctan2(eye[1], eye[0]), np.arcsin(eye[2] / np.linalg.norm(eye))])
        off = abs((view.azimuth - want[0] + 180) % 360 - 180) * np.cos(np.radians(want[1]))
        assert off < 8 and abs(view.elevation - want[1]) < 8, (shot.name, view, want)
    assert board_turn(rig(), [{}]) is None


def test_one_photo_beside_those_before_it() -> None:
    ahead = shots("ahead")
    first = taken(1, ahead[0])
    assert session(first).verdict(first).word == GOOD
    same = taken(2, ahead[0])
    said = session(first, same).verdict(same)
    assert (said.word, said.counts) == (POOR, False) and "Same spot" in said.lines[0]
    other = taken(2, ahead[1])
    said = session(first, other).verdict(other)
    assert (said.word, said.counts) == (GOOD, True) and said.lines[0] == "New angle"
    elsewhere = taken(2, replace(ahead[0], position="push1"))  # the same spot at another position is no repeat
    assert session(first, elsewhere).verdict(elsewhere).counts


@pytest.mark.parametrize(("changed", "said"), [
    ({"camera": "Other"}, "Other camera"), ({"digital_zoom": 2.0}, "Zoomed"), ({"width": 1200, "height": 900}, "size"),
    ({"focal_px_guess": 2500.0}, "Zoomed"),
])
def test_another_camera_or_zoom_is_said(changed: dict[str, object], said: str) -> None:
    ahead = shots("ahead")
    first, odd = taken(1, ahead[0]), taken(2, ahead[1], **changed)
    verdict = session(first, odd).verdict(odd)
    assert verdict.word == AGAIN and said in verdict.lines[0] and not verdict.counts


def test_a_hidden_board_and_missing_parts_are_said() -> None:
    shot = shots("ahead")[0]
    parts = set(rig().tag_by_code())
    half = taken(1, shot, parts | set(list(BOARD.ids)[:4]))
    assert session(half).verdict(half).lines[0] == "Board half hidden: 4 of 12"
    bare = taken(1, shot, set(BOARD.ids))
    verdict = session(bare).verdict(bare)
    assert verdict.word == AGAIN and verdict.lines[0] == "No part tags"


def test_a_position_counts_new_sides_and_tags() -> None:
    """Three of four; then all four but one tag never in; then done."""
    ahead = shots("ahead")
    want = empty().wanted.ask("ahead")
    assert want.photos == 4 and empty().standing("ahead").todo.startswith("Stand ")
    three = session(*(taken(k, s) for k, s in enumerate(ahead[:3], 1)))
    assert three.standing("ahead").good == 3 and not three.standing("ahead").done
    code = next(rig().tags[t].code for t in want.tags
                if sum(rig().tags[t].code in taken(1, s).judged.corners for s in ahead) >= 2)
    hidden = session(*(taken(k, s, set(taken(k, s).judged.corners) - {code}) for k, s in enumerate(ahead, 1)))
    stand = hidden.standing("ahead")
    assert stand.good == 4 and stand.few[rig().tag_by_code()[code].name] == 0 and not stand.done
    few = session(*(taken(k, s) for k, s in enumerate(ahead, 1))).standing("ahead").few
    assert rig().tag_by_code()[code].name not in few
    with pytest.raises(KeyError):
        empty().standing("nowhere")


def test_the_picture_shows_the_place_that_the_words_say() -> None:
    """As photos come, and where only a tag is missing, from a place that may be another than those asked for."""
    ahead = shots("ahead")
    parts = {c for s in ahead for c in taken(1, s).judged.corners} - set(BOARD.ids)
    states = [session(*(taken(k, s) for k, s in enumerate(ahead[:n], 1))) for n in range(4)]
    states += [session(*(taken(k, s, set(taken(k, s).judged.corners) - {c}) for k, s in enumerate(ahead, 1)))
               for c in sorted(parts)]
    told = set()
    for state in states:
        stand = state.standing("ahead")
        drawn = re.findall(
            r'translate\(([-\d.]+) ([-\d.]+)\) rotate\(([-\d.]+)\)"><rect x="-24"', sketch(rig(), stand, []))
        if "Stand" not in stand.todo:
            assert not drawn
            continue
        ((x, y, turn),) = drawn
        azimuth = -float(turn)
        side = stand.todo.split("Stand ")[1].split(",")[0]
        names = ("in front", "front left", "left", "rear left", "behind", "rear right", "right", "front right")
        assert side == names[round(azimuth / 45) % 8], (stand.todo, azimuth)
        place = math.degrees(math.atan2(-float(x), -float(y)))  # front upwards, left is left
        assert abs((place - azimuth + 180) % 360 - 180) < 31
        told.add(side)
    assert len(told) > 2


def test_what_is_known_grows_and_says_when_it_is_enough() -> None:
    """Nothing from one position; figures with their uncertainty from the whole shoot, judged as the run would."""
    one = session(*(taken(k, s) for k, s in enumerate(shots("ahead"), 1)))
    nothing = known(rig(), one.observations())
    assert nothing.trouble and not nothing.figures and not nothing.enough
    ends = [s for p in ("back3", "ahead", "push3") for s in shots(p)]
    know = known(rig(), session(*(taken(k, s) for k, s in enumerate(ends, 1))).observations())
    assert know.whole and know.photos == len(ends) and {f.label for f in know.figures} >= {
        "toe, both wheels, toe-in positive"}
    for f in know.figures:
        assert f.settled is (f.outcome != "can't tell yet" or f.u95 <= f.tolerance / 3)
        assert bool(f.helps) is not f.settled
    assert {f.helps for f in know.figures if "lock" in f.label and not f.settled} == {SHOOT_STOPS}
    assert "photograph the levers at both stops" in summed_up(know, True)[1] and not summed_up(know, False)[1]


def test_what_would_help_is_what_the_figure_rests_on() -> None:
    """Open only for the rider's weight: photos with the rider aboard; else those of the part that weighs most."""
    weight = replace(rig().targets["toe"], tolerance=math.radians(0.5), value=0.0, doubt=math.radians(0.3))
    loaded = replace(rig(), targets={**rig().targets, "toe": weight})
    spin, axis = ParameterName.parse("left.spin.x"), ParameterName.parse("left_upright.axis.x")
    f = ComparedFigure("toe", "toe", "deg", 0.0, 0.4, 0.05, 0.0, 0.5, None, None, limit=spin)
    assert _helps(loaded, f) == SHOOT_LOADED
    assert "spin" in _helps(loaded, replace(f, u95=0.9))
    assert _helps(loaded, replace(f, u95=0.9, limit=axis)).startswith("photograph back3 and push3")


def test_enough_only_with_all_settled_whole_and_nothing_noticed() -> None:
    f = KnownFigure("toe", "deg", 0.1, 0.02, 0.0, 0.5, 2, "met", True)
    assert Known(9, (f,), whole=True).enough and f.text == "0.10 ± 0.02 deg"
    assert not Known(9, (f,), whole=False).enough
    assert not Known(9, (f,), ("the board was bumped",), whole=True).enough
    assert not Known(9, (f, replace(f, settled=False)), whole=True).enough
    assert not Known(9, (), whole=True).enough


# --- files -----------------------------------------------------------------------------------------------------


def a_photo(position: str = "ahead", k: int = 0) -> bytes:
    return sorted((SAMPLE / position).iterdir())[k].read_bytes()


def test_add_undo_and_going_on_later(tmp_path: Path) -> None:
    """Bytes stored untouched where ``rigtrue run`` reads them; undone ones kept where it does not; all of it found
    again from the files."""
    photos = tmp_path / "photos"
    shoot = Shoot.open(rig(), photos)
    data, second = a_photo(), a_photo(k=1)
    answer = shoot.add(data, "ahead")
    assert answer.verdict.word == GOOD and (photos / answer.name).read_bytes() == data
    assert shoot.add(data, "push1").again and len(list_shoot(photos)) == 1
    two = shoot.add(second, "ahead").name
    seen: list[tuple[int, int, str]] = []
    later = Shoot.open(rig(), photos, progress=lambda *a: seen.append(a))
    assert [t.name for t in later.session.photos] == [answer.name, two] and [s[:2] for s in seen] == [(1, 2), (2, 2)]
    assert later.session.standing("ahead") == shoot.session.standing("ahead")
    assert later.undo() == two
    assert [n for *_, n in list_shoot(photos)] == [answer.name]
    (aside,) = (photos / "aside").rglob("*.aside")
    assert aside.read_bytes() == second
    with pytest.raises(UserError, match="meanwhile"):
        later.undo("ahead/other.jpg")
    assert later.add(second, "ahead").name.startswith("ahead/003-"), "a number is not used twice"
    assert Shoot.open(rig(), photos, look=False).number() == 4


def test_what_is_no_photo_is_not_counted(tmp_path: Path) -> None:
    shoot = Shoot.open(rig(), tmp_path)
    with pytest.raises(UserError, match="Not a photo"):
        shoot.add(b"<html>", "ahead")
    cut = shoot.add(a_photo()[:200_000], "ahead")
    assert cut.name == "" and cut.verdict.lines == ("Photo cut short. Take it again",)
    assert not shoot.session.photos and not list(tmp_path.rglob("*.jpg"))
    with pytest.raises(KeyError):
        shoot.add(a_photo(), "../up")


def test_a_full_disk_leaves_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(fd: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="disk is full") as said:
        store.write_part(store.part_file(tmp_path, "a"), b"x" * 100)
    assert said.value.code == "disk_full" and not list(tmp_path.iterdir())
    monkeypatch.undo()
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(store.shutil, "disk_usage", lambda _: usage._replace(free=store.ROOM + 99))
    store.check_room(tmp_path, 98)
    with pytest.raises(UserError, match="disk is full"):
        store.check_room(tmp_path, 100)


def test_damage_on_the_way_is_seen_and_nothing_is_replaced(tmp_path: Path) -> None:
    data = a_photo()
    sha = hashlib.sha256(data).hexdigest()
    part = store.part_file(tmp_path, "a")
    store.write_part(part, data)
    with pytest.raises(UserError, match="damaged"):
        store.keep(part, tmp_path, "ahead", "0" * 64, 1)
    taken_already = tmp_path / "ahead" / f"001-{sha[:8]}.jpg"
    taken_already.parent.mkdir(exist_ok=True)
    taken_already.write_bytes(b"older")
    kept = store.keep(part, tmp_path, "ahead", sha, 1)
    assert kept.number == 2 and taken_already.read_bytes() == b"older" and kept.path.read_bytes() == data


@pytest.mark.parametrize("label", ["..", "a/b", "aside", ".x", "", "c:\\x", "a\x00"])
def test_a_position_that_is_no_folder_name_is_refused(tmp_path: Path, label: str) -> None:
    with pytest.raises(UserError, match="rename it"):
        store.prepare(tmp_path / "photos", [label])
    assert not (tmp_path / "photos").exists()


def test_left_overs_of_a_broken_upload_are_cleared(tmp_path: Path) -> None:
    store.part_file(tmp_path, "abc").write_bytes(b"half")
    (tmp_path / "mine.txt").write_text("mine")
    store.prepare(tmp_path, ["ahead"])
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_pictures_are_known_by_their_first_bytes() -> None:
    assert store.kind_of(b"\xff\xd8\xff\xe1rest") == ".jpg"
    assert store.kind_of(b"\x00\x00\x00\x18ftypheic") == ".heic" and store.kind_of(b"\x89PNG\r\n\x1a\n") == ".png"
    for other in (b"<html>", b"", b"MZ", b"\x00\x00\x00\x18ftypisom", b"%PDF-1.4"):
        assert store.kind_of(other) is None


def test_where_levers_go_is_what_the_plan_assumes() -> None:
    """Shares of the way to the stop, from the angles that the plan's own equations are set up at."""
    text = starter_text("Wren", layout="direct")
    both = parse_rig(text.replace('"push2"]', '"push2"]\nboth_ways = ["ahead", "push1"]', 1))
    angles = position_angles(both)
    low, high = both.driver_travel
    assert {p: angles[p][both.driver] for p in ("ahead", "ahead+", "ahead-")} == pytest.approx(
        dict.fromkeys(("ahead", "ahead+", "ahead-"), 0.0), abs=1e-9)
    assert angles["push1+"] == angles["push1-"]
    said = {a.position: a.do for a in wanted_from(both, None).asks}
    assert said["push1+"].startswith("Push it there") and said["push1-"].startswith("Pull it there")
    assert said["back1"] == "Pulled back 45 % of the way to the stop. Hold still."
    assert angles["back1"][both.driver] / low == pytest.approx(0.46) and angles["push2"][both.driver] < high
    assert said["back2"] == "Pulled back just short of the stop. Hold still."
    assert said["push2"] == "Pushed just short of the stop. Hold still."
    bar = parse_rig(starter_text("Wren", layout="bar"))  # positive about an axis upwards is to the left (ISO 8855)
    said = {a.position: a.do for a in wanted_from(bar, None).asks}
    assert said["left1"].startswith("Turned left, 45 %") and said["right1"].startswith("Turned right, 45 %")
    stops = parse_rig(text.replace('"push2"]', '"push2"]\nstops = ["back_stop", "push_stop"]', 1))
    said = {a.position: a.do for a in wanted_from(stops, None).asks}
    assert said["back_stop"] == "Pulled back against the stop. Hold still."
    assert said["push_stop"] == "Pushed against the stop. Hold still."


def test_no_two_places_to_stand_are_drawn_over_each_other() -> None:
    views = [View(-60.0, 43.0), View(-60.0, 52.0), View(120.0, 43.0), View(180.0, 52.0), View(-180.0, 43.0)]
    drawn = places(views)
    assert min(math.dist(a, b) for a, b in itertools.combinations(drawn, 2)) > 28.0
    (x, y), (left, back) = drawn[0], drawn[2]
    assert x > 0 > y and left < 0 < back  # front upwards, and the vehicle's left on the left


def test_what_is_wanted_says_what_it_cannot_do() -> None:
    """Too few or too many photos, no positions; and a drawing that does not go together is photographed too."""
    for photos in (1, 7):
        with pytest.raises(UserError, match=f"2 to 6, not {photos}"):
            wanted(rig(), photos)
    with pytest.raises(UserError, match="has no lever positions"):
        wanted(replace(rig(), positions=()))
    rods = {n: replace(r, length=3 * r.length) for n, r in rig().rods.items()}
    apart = wanted(replace(rig(), rods=rods), 4)
    assert apart.stage is None and apart.ask("ahead").photos == 4
    assert [v.azimuth for v in apart.ask("ahead").views] == sorted((v.azimuth for v in USUAL_VIEWS[:4]), reverse=True)
    assert apart.view_of("left_lever", "ahead", []) is None
