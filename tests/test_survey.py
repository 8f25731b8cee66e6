"""A survey: a drawing from photos alone, what fixes its frame, what it does not know, and the file it takes."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.cli import main
from calib.estimation import frame, start
from calib.estimation.bundle import estimate
from calib.estimation.frame import Line
from calib.estimation.survey import BOUNDS, drawing_from_photos
from calib.findings import Code
from calib.linkage.rotations import rotation
from calib.linkage.steering import axis_figures
from calib.report.whole import write_whole
from calib.rig.model import Rig
from calib.rig.reader import load_rig, parse_rig
from calib.rig.starter import LAYOUTS, starter_text
from calib.rig.survey import ROUGH_DEG, ROUGH_MM, load_survey, parse_survey
from calib.surveying import Survey
from capture.errors import UserError
from tests.bench.degenerate import Off, thinned
from tests.bench.survey import NONE, judged, rough_file, shoot_of
from tests.degenerate import Shoot

SAMPLE = Path(__file__).parents[1] / "sample_data"
PLACES = {"bodies": ("pivot", "axis", "pivot_tolerance", "axis_tolerance"), "wheels": ("centre", "spin_axis"),
          "points": ("at", "holes", "use", "bolt", "tolerance"), "rods": ("tolerance",)}


def without_places() -> str:
    """The sample's rig file with every place, direction and length taken out."""
    out, section = [], ""
    for line in (SAMPLE / "rig.toml").read_text(encoding="utf-8").splitlines():
        if found := re.match(r"\[(\w+)", line):
            section = found[1]
        if line.split("=")[0].strip() not in PLACES.get(section, ()):
            out.append(line)
    return "\n".join(out)


@cache
def shoot(seed: int, mm: float) -> Shoot:
    return thinned(shoot_of(seed, mm), 2)


def surveyed(seed: int, mm: float) -> tuple[Shoot, Survey, list[Off]]:
    s = shoot(seed, mm)
    return s, *judged(s, rough_file(s.design, mm, seed))


@pytest.fixture(scope="module")
def bare() -> tuple[Shoot, Survey, list[Off]]:
    return surveyed(2, NONE)


# --- what comes out ---------------------------------------------------------------------------------------------


def test_without_any_place_the_vehicle_comes_out(bare: tuple[Shoot, Survey, list[Off]]) -> None:
    taken, done, wrong = bare
    assert wrong == [] and done.comparison is not None
    true, rig = taken.truth.rig, done.built.rig
    for n, b in true.bodies.items():  # in a frame of its own, right within what it says of it
        turned = math.degrees(math.acos(min(1.0, float(np.dot(b.axis, rig.bodies[n].axis)))))
        allowed = math.degrees(np.linalg.norm(done.built.turn_u95)) * 1.5 + 0.3
        assert turned < allowed, n
    for n, r in true.rods.items():
        assert rig.rods[n].length == pytest.approx(r.length, abs=1.0)
    offset = done.comparison.figure("offset_at_ground")  # both tyres are off their tags alike, so the mean is too
    assert abs(offset.measured - axis_figures(true)["offset_at_ground"]) < offset.u95
    assert all(b.axis[1] > 0.9 for b in rig.bodies.values() if b.role in ("lever", "wheel"))
    assert all(b.axis[2] > 0.8 for b in rig.bodies.values() if b.role in ("upright", "crank"))


def test_it_says_what_fixed_the_frame_and_what_was_not_seen(bare: tuple[Shoot, Survey, list[Off]]) -> None:
    _, done, _ = bare
    roll, pitch, heading = np.degrees(done.built.turn_u95)
    assert 0.05 < heading < 1 and 0.05 < roll < 1 and 5 < pitch < 11  # a board laid by eye tells pitch within 10 deg
    shown = "\n".join(done.lines())
    assert "left and right parts mirror each other" in shown and "board, taken to lie level within 10 deg" in shown
    assert f"{pitch:.1f} in pitch" in shown
    assert "where the tyre sits along its axle is not seen" in done.unseen["left wheel"]


@pytest.mark.slow
@pytest.mark.parametrize(("mm", "seed"), [(15.0, 3), (50.0, 4)])
def test_rough_places_come_out_right(mm: float, seed: int) -> None:
    _, done, wrong = surveyed(seed, mm)
    assert wrong == [] and done.fit.converged


def test_the_file_it_writes_is_a_drawing(bare: tuple[Shoot, Survey, list[Off]]) -> None:
    taken, done, _ = bare
    text = done.toml()
    assert text.startswith("# Surveyed from photos without a drawing.") and "#   left wheel: where the tyre" in text
    rig = parse_rig(text)
    for n, b in rig.bodies.items():
        if b.role != "wheel":
            assert 0.01 <= b.pivot_tol < 2 and b.pivot == pytest.approx(done.built.rig.bodies[n].pivot, abs=1e-4)
    assert np.degrees(rig.pitch_tol) == pytest.approx(np.degrees(done.built.turn_u95)[1], abs=0.02)
    # measured against that drawing: the same vehicle, and no surer of level than the survey was
    fit = estimate(rig, taken.obs)
    assert not [f for f in fit.findings if f.serious]
    mine = {f.name: f for f in fit.figures}
    for f in done.fit.figures:
        if f.name.startswith("length of") or f.name.startswith("toe"):
            assert mine[f.name].value == pytest.approx(f.value, abs=f.u95)
    caster = next(f for f in done.fit.figures if f.name == "caster")
    assert mine["caster"].u95 == pytest.approx(caster.u95, rel=0.1)
    assert mine["toe at ahead"].u95 < 0.5


# --- the frame --------------------------------------------------------------------------------------------------


def mirrored_rig(rng: np.random.Generator, level_deg: float = 10.0) -> tuple[list[frame.Rows], np.ndarray, np.ndarray]:
    """Rules for a symmetric vehicle seen in another frame, and the motion back."""
    R, t = rotation(rng.normal(0, 1, 3)), rng.normal(0, 300, 3)

    def seen(x: list[float]) -> np.ndarray:
        return R.T @ (np.asarray(x) - t)

    def line(p: list[float], d: list[float]) -> Line:
        return Line(seen(p), R.T @ np.asarray(d) / np.linalg.norm(d))

    rows = [frame.alike_points(seen([-80, 317, 180]), seen([-80, -317, 180])),
            frame.alike_lines(line([0, 310, 240], [-0.2, -0.1, 1]), line([0, -310, 240], [0.2, -0.1, -1])),
            frame.in_plane(seen([0, 390, 240]), 2, 240.0, 3.0), frame.in_plane(seen([0, -390, 240]), 2, 240.0, 3.0),
            frame.middle_at_zero([seen([0, 390, 240]), seen([0, -390, 240])]),
            frame.level_board(R.T @ np.array([0, 0, 1.0]), math.radians(level_deg))]
    return rows, R, t


def test_rules_find_the_frame_from_a_rough_one() -> None:
    rng = np.random.default_rng(1)
    rows, R, t = mirrored_rig(rng)
    rule = frame.settle(rows, rotation(rng.normal(0, 0.2, 3)) @ R, t + 100)
    assert rule is not None
    np.testing.assert_allclose(rule.R, R, atol=1e-6)
    np.testing.assert_allclose(rule.t, t, atol=1e-3)
    # hubs 780 mm apart, each known to 3 mm, and kingpins 620 mm apart that mirror within 5 mm
    assert 0.1 < rule.turn_u95[0] < 0.4 and 9 < rule.turn_u95[1] < 10.5


def test_rules_spread_as_their_covariance_says() -> None:
    rng = np.random.default_rng(2)
    rows, R, t = mirrored_rig(rng, 0.3)  # so little that all is linear
    found = []
    for _ in range(60):
        shifts = [rng.normal(0, 1, len(f(R, t))) for f in rows]
        noisy = [lambda r, s, f=f, d=d: f(r, s) + d for f, d in zip(rows, shifts, strict=True)]
        rule = frame.settle(noisy, R, t)
        assert rule is not None
        found.append(rule)
    off = np.array([np.concatenate([_turn(x.R @ R.T), x.t - t]) for x in found])
    z = np.array([x.whiten @ o for x, o in zip(found, off, strict=True)])
    assert np.abs(z.std(axis=0) - 1).max() < 0.35 and abs(float(np.mean(np.abs(z) < 1.96)) - 0.95) < 0.06


def _turn(r: np.ndarray) -> np.ndarray:
    return np.array([r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]]) / 2


def test_rules_that_leave_the_frame_open_give_none() -> None:
    rows, R, t = mirrored_rig(np.random.default_rng(3))
    assert frame.settle(rows[:1], R, t) is None
    assert frame.rough(np.zeros(3), np.array([0, 0, 1.0]), np.ones(3)) is None


@pytest.mark.slow
def test_a_drawing_turned_as_a_whole_leaves_level_as_open_as_it_says() -> None:
    taken = shoot(2, NONE)
    sure = {f.name: f for f in estimate(taken.design, taken.obs).figures}
    turned = replace(taken.design, roll_tol=math.radians(2.0), pitch_tol=math.radians(3.0))
    open_ = {f.name: f for f in estimate(turned, taken.obs).figures}
    assert open_["caster"].value == pytest.approx(sure["caster"].value, abs=1e-6)
    assert open_["caster"].u95 == pytest.approx(math.hypot(sure["caster"].u95, 3.0), rel=0.05)
    assert open_["camber_left"].u95 == pytest.approx(math.hypot(sure["camber_left"].u95, 2.0), rel=0.05)
    assert open_["length of left_rod"].u95 == pytest.approx(sure["length of left_rod"].u95, rel=1e-6)


# --- the file ---------------------------------------------------------------------------------------------------


def test_a_survey_file_leaves_out_what_it_likes() -> None:
    rough = parse_survey(without_places().replace("wheelbase = 1240", "wheelbase = 1240\ntrack = 720")
                         .replace('paper = "A4"', 'paper = "A4"\nlevel_tolerance = 0.5'))
    assert rough.track == 720 and rough.level == pytest.approx(math.radians(0.5))
    assert rough.is_open("bodies", "crank", "pivot") and rough.is_open("points", "crank.left_in", "at")
    assert rough.is_open("rods", "left_tie", "length") and rough.is_open("wheels", "left", "centre")
    assert len(rough.open) == 2 * 7 + 8 + 4 + 2 * 2
    assert set(rough.rig.tags) == set(load_rig(SAMPLE / "rig.toml").tags)


def test_a_place_without_a_tolerance_is_rough_in_a_survey() -> None:
    text = (SAMPLE / "rig.toml").read_text(encoding="utf-8")
    rough = parse_survey(re.sub(r"(?m)^(pivot_|axis_)?tolerance = \d.*$", "", text))
    assert rough.rig.bodies["crank"].pivot_tol == rough.rig.points["crank.left_in"].tol == ROUGH_MM
    assert np.degrees(rough.rig.bodies["crank"].axis_tol) == pytest.approx(ROUGH_DEG)
    assert rough.open == {("rods", r, "length") for r in rough.rig.rods}


@pytest.mark.parametrize(("old", "new", "key"), [
    ('role = "crank"', 'role = "cranck"', "bodies.crank.role"),
    ('from = "crank.left_out"', 'from = "crank.left_outt"', "rods.left_tie.from"),
    ("code = 60", "code = 61", "tags.right_lever.code"),
    ("wheelbase = 1240", 'wheelbase = 1240\ntrack = "wide"', "vehicle.track"),
    ('paper = "A4"', 'paper = "A4"\nlevel_tolerance = 90', "board.level_tolerance"),
])
def test_mistakes_in_a_survey_file_are_named(old: str, new: str, key: str) -> None:
    text = without_places()
    assert old in text
    with pytest.raises(UserError, match=re.escape(key)):
        parse_survey(text.replace(old, new, 1))


def test_what_neither_photos_nor_file_give_is_asked_for_by_name() -> None:
    taken = shoot(2, NONE)
    gone = {taken.design.tags[n].code for n in ("crank_left_in", "left_wheel")}
    table = taken.obs.table
    obs = replace(taken.obs, table=table[~table["tag"].isin(gone)])
    with pytest.raises(UserError, match="no tag was seen on the bolt of crank.left_in") as e:
        judged(replace(taken, obs=obs), rough_file(taken.design, NONE, 2))
    assert "left wheel was not seen to turn" in str(e.value)


@pytest.mark.slow
def test_what_is_not_seen_stays_as_in_the_file_and_is_marked() -> None:
    taken = shoot(2, NONE)
    rough = rough_file(taken.design, NONE, 2)
    point = taken.truth.rig.points["crank.left_in"]
    away = tuple(np.add(point.xyz, (6.0, -5.0, 4.0)))
    rig = replace(rough.rig, points={**rough.rig.points, point.name: replace(
        rough.rig.points[point.name], holes={"2": away}, use="2", tol=20.0)})
    table = taken.obs.table
    obs = replace(taken.obs, table=table[table["tag"] != taken.design.tags["crank_left_in"].code])
    done, wrong = judged(replace(taken, obs=obs), replace(rough, rig=rig, open=rough.open - {("points", point.name,
                                                                                             "at")}))
    assert "no tag seen on its bolt: stays as in the file +/- 20 mm" in done.unseen[point.name]
    (line,) = [x for x in done.toml().splitlines() if "stays as in the file" in x and x.startswith("2 =")
               or x.startswith("at =") and "stays as in the file" in x]
    assert "no tag seen on its bolt" in line
    assert [x for x in wrong if not x.doubt] == []
    (found,) = [f for f in done.fit.findings if f.code == Code.NOT_SEEN]
    assert found.item == point.name and found.touches == ("crank",) and found.serious
    assert done.comparison is not None and done.comparison.figure("ratio").doubt


# --- the command ------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_survey_of_the_sample_by_command_and_its_drawing_in_use(tmp_path: Path,
                                                               capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bare.toml").write_text(without_places(), encoding="utf-8")
    built = tmp_path / "as_built.toml"
    assert main(["survey", str(tmp_path / "bare.toml"), str(SAMPLE / "before"), "--out", str(built)]) == 0
    shown = capsys.readouterr().out
    toe = re.search(r"toe, both wheels, toe-in positive +(-?[\d.]+) \+/- ([\d.]+) deg", shown)
    ratio = re.search(r"near straight ahead +([\d.]+) \+/- ([\d.]+)", shown)
    assert toe and abs(float(toe[1]) + 1.5816) < 1.5 * float(toe[2]) < 0.2
    assert ratio and abs(float(ratio[1]) - 0.8495) < 1.5 * float(ratio[2]) < 0.06
    assert main(["check", str(built), "--picture", str(tmp_path / "look.svg")]) == 0
    assert main(["plan", str(built)]) == 0
    assert main(["run", str(built), str(SAMPLE / "before"), "--out", str(tmp_path / "out")]) == 0
    assert main(["survey", str(tmp_path / "bare.toml"), str(SAMPLE / "before"), "--out", str(built)]) == 0
    assert (tmp_path / "as_built-2.toml").is_file()


def test_a_survey_file_that_is_not_there_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", str(tmp_path / "no.toml"), str(tmp_path)]) == 2
    assert "there is no such file" in capsys.readouterr().err
    with pytest.raises(UserError):
        load_survey(tmp_path / "no.toml")


def test_tags_of_a_survey_file_are_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bare.toml"
    path.write_text(without_places(), encoding="utf-8")
    assert main(["print", str(path), "--out", str(tmp_path / "print")]) == 0
    assert (tmp_path / "print" / "tags.pdf").is_file()
    path.write_text(without_places().replace("code = 60", "code = 6"), encoding="utf-8")
    assert main(["print", str(path), "--out", str(tmp_path / "print2")]) == 2
    assert "tags.left_lever.code" in capsys.readouterr().err


@pytest.mark.parametrize(("one", "other", "said"), [
    ("left_lever_rod", "right_upright_arm",
     ['tag "left_lever_rod" is on left_lever in the file, but it turns with right_upright',
      'tag "right_upright_arm" is on right_upright in the file, but it turns with left_lever']),
    ("left_lever_rod", "right_lever_rod",  # the two levers turn about nearly one line
     ['tag "left_lever_rod" is on left_lever in the file, on the left, but lies',
      'tag "right_lever_rod" is on right_lever in the file, on the right, but lies']),
])
def test_tags_in_each_others_place_are_named(one: str, other: str, said: list[str]) -> None:
    taken = shoot(2, NONE)
    a, b = (taken.design.tags[n].code for n in (one, other))
    obs = replace(taken.obs, table=taken.obs.table.assign(tag=taken.obs.table["tag"].replace({a: b, b: a})))
    with pytest.raises(UserError) as e:
        drawing_from_photos(rough_file(taken.design, NONE, 2), obs)
    lines = str(e.value).splitlines()
    assert len(lines) == 2 and all(line.startswith(x) for line, x in zip(sorted(lines), said, strict=True))


def test_one_wrong_pose_of_a_tag_is_no_tag_on_another_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """Straight ahead a bolt's tag is read in the wrong one of a plane's two poses: then it seems to turn elsewhere."""
    taken = shoot(2, NONE)
    whole = start.body_hinges

    def tipped(rig: Rig, poses: dict[tuple[str, str], start.Motion], reference: str, *more: Any) -> Any:
        r, t = poses["left_lever_rod", reference]
        poses["left_lever_rod", reference] = r @ rotation(np.array([1.6, 0.3, 0.0])), t
        return whole(rig, poses, reference, *more)

    monkeypatch.setattr(start, "body_hinges", tipped)
    drawn = drawing_from_photos(rough_file(taken.design, NONE, 2), taken.obs)
    assert "left_lever" not in drawn.unseen


def test_given_places_spread_the_frame_as_it_says() -> None:
    """Places that lie anywhere within what the file says of them, each direction alike."""
    rng = np.random.default_rng(7)
    true = rng.uniform(-400, 400, (9, 3))
    z = []
    for _ in range(150):
        rows = [frame.at_place(x, x + rng.uniform(-30, 30, 3), BOUNDS * 30.0) for x in true]
        rule = frame.settle(rows, np.eye(3), np.zeros(3))
        assert rule is not None
        z.append(rule.whiten @ np.concatenate([_turn(rule.R), rule.t]))
    assert np.std(z) == pytest.approx(1.0, abs=0.07)  # 0.13 more where what is said is taken for a 95 % half-width


def test_a_wheel_that_only_crept_keeps_the_axle_of_the_file() -> None:
    rough, scene = rough_file(shoot(35, 15.0).design, 15.0, 35), shoot(35, 15.0)
    assert not scene.design.spin_positions
    drawn = drawing_from_photos(rough, scene.obs)
    for side, w in rough.rig.wheels.items():
        assert drawn.rig.wheels[side].spin == w.spin and "axle not seen" in drawn.unseen[f"{side} wheel"]


# --- a file to begin with -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", sorted(LAYOUTS))
def test_a_file_without_a_drawing_has_no_place_and_every_tag(layout: str) -> None:
    rough = parse_survey(starter_text("Wren", layout, drawn=False))
    drawn = parse_rig(starter_text("Wren", layout))
    assert rough.rig.name == "Wren" and set(rough.rig.tags) == set(drawn.tags)
    assert {t.code for t in rough.rig.tags.values()} == {t.code for t in drawn.tags.values()}
    assert {(r.a, r.b) for r in rough.rig.rods.values()} == {(r.a, r.b) for r in drawn.rods.values()}
    for b in drawn.bodies:
        assert ("bodies", b, "pivot") in rough.open
    for p in drawn.points:
        assert ("points", p, "at") in rough.open
    assert not rough.rig.targets and rough.rig.positions == drawn.positions


def test_new_writes_it_and_says_what_to_do_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "rig.toml"
    assert main(["new", str(path), "--no-drawing", "--layout", "crank"]) == 0
    said = capsys.readouterr().out
    assert "rigtrue print" in said and "rigtrue survey" in said
    assert "pivot" not in path.read_text(encoding="utf-8").partition("[bodies")[2]
    assert main(["new", str(path), "--no-drawing"]) == 2  # never overwritten
    assert main(["new", str(tmp_path / "b.toml"), "--no-drawing", "--ask"]) == 2


def test_a_ball_that_nothing_would_show_is_named_before_anything_is_printed() -> None:
    text = starter_text("Wren", "crank", drawn=False)
    with pytest.raises(UserError, match=r'points."crank.left_in": no tag .*\[tags.crank_left_in\]'):
        parse_survey(text.replace("[tags.crank_left_in]\n", ""))
    given = text.replace("[tags.crank_left_in]\n", "").replace(
        '[points."crank.left_out"]', '[points."crank.left_out"]\nat = [80, 60, 300]')
    with pytest.raises(UserError, match="left_in") as caught:
        parse_survey(given)
    assert "left_out" not in str(caught.value)


def test_the_drawing_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "as_built.toml"
    assert write_whole(path, "a") == path and write_whole(path, "b") == tmp_path / "as_built-2.toml"
    assert path.read_text() == "a" and len(list(tmp_path.iterdir())) == 2

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(UserError, match="No space left"):
        write_whole(tmp_path / "c.toml", "c")
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("layout", LAYOUTS)
def test_each_layout_without_a_drawing_leaves_open_what_its_tags_show(layout: str) -> None:
    rough = parse_survey(starter_text(layout=layout, drawn=False))
    assert all(rough.is_open("points", p, "at") for p in rough.rig.points)
    assert all(rough.is_open("rods", r, "length") for r in rough.rig.rods) and not rough.rig.targets
    for side, w in rough.rig.wheels.items():  # a wheel that no tag shows must have a place, or the survey refuses
        tagged = any(t.body == w.spin_body for t in rough.rig.tags.values())
        assert rough.is_open("wheels", side, "centre") == tagged
