"""Bad input: one clear sentence and exit code 2, or the photo is set aside by name and the rest goes on."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from calib.cli import main
from calib.estimation.arrange import arrange
from calib.estimation.bundle import estimate
from calib.results import Finding
from calib.rig.model import Rig
from calib.rig.reader import load_rig
from capture.errors import UserError
from capture.observations import Observations, PhotoInfo
from capture.shoot import read_shoot
from capture.targets import Board
from tests.render.camera import Camera, Lens, look_at
from tests.render.shoot import simulate_observations
from tests.render.tags import render_tags
from tests.render.truth import random_truth

RIG = Path(__file__).parents[1] / "sample_data" / "rig.toml"


# --- photos ---------------------------------------------------------------------------------------------------


def photo(eye: tuple[float, float, float], first_id: int = 0, seed: int = 0,
          codes: Sequence[int] = ()) -> NDArray[np.uint8]:
    """A small photo of the A4 board lying flat, with any further tags in a row beside it."""
    lens = Lens(900.0, 1.0, 399.5, 299.5, np.zeros(5), 800, 600)
    r, t = look_at(np.array(eye, float), np.zeros(3))
    tags = [(code, 60.0, np.eye(3), np.array([*xy, 0.0]))
            for code, xy in Board.for_paper("A4", first_id).tag_centres().items()]
    tags += [(code, 60.0, np.eye(3), np.array([-150.0, 75.0 * k - 75, 0])) for k, code in enumerate(codes)]
    return render_tags(Camera(lens, r, t, 0.0, np.zeros(2)), tags, (800, 600), rng=np.random.default_rng(seed))


@cache
def good(k: int) -> NDArray[np.uint8]:
    return photo([(100.0, -250.0, 620.0), (-280.0, 60.0, 600.0), (200.0, 220.0, 640.0)][k], seed=k)


def save(path: Path, image: NDArray[np.uint8], quality: int = 92) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    assert cv2.imwrite(str(path), image, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return path


def run(tmp_path: Path, capsys: pytest.CaptureFixture[str], rig: Path = RIG) -> tuple[int, str]:
    """Exit code and last words of `rigtrue run` on the folder ``photos``; no result folder may be left behind."""
    code = main(["run", str(rig), str(tmp_path / "photos"), "--out", str(tmp_path / "out"), "--workers", "1"])
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert not (tmp_path / "out").exists()
    return code, err.strip().splitlines()[-1]


def test_no_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = run(tmp_path, capsys)
    assert code == 2 and "does not exist" in said and "one folder" in said


def test_empty_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "photos" / "ahead").mkdir(parents=True)
    code, said = run(tmp_path, capsys)
    assert code == 2 and "holds no photos" in said


def test_loose_photos(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    save(tmp_path / "photos" / "a.jpg", good(0))
    code, said = run(tmp_path, capsys)
    assert code == 2 and "no folder for each lever position" in said


def test_one_photo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    save(tmp_path / "photos" / "ahead" / "a.jpg", good(0))
    code, said = run(tmp_path, capsys)
    assert code == 2 and "Only one usable photo" in said and "ahead/a.jpg" in said and "at least three" in said


def test_nothing_but_boards(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The board is there in all photos but no part tag."""
    for k in range(3):
        save(tmp_path / "photos" / "ahead" / f"{k}.jpg", good(k))
    code, said = run(tmp_path, capsys)
    assert code == 2 and said.startswith("rigtrue: ")


def test_no_board_anywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for k in range(2):
        noise = np.random.default_rng(k).integers(0, 255, (300, 400)).astype(np.uint8)
        save(tmp_path / "photos" / "ahead" / f"{k}.jpg", cv2.GaussianBlur(noise, (0, 0), 3.0).astype(np.uint8))
    code, said = run(tmp_path, capsys)
    assert code == 2 and "could be used" in said and "No board tag found in ahead/0.jpg" in said


def test_bad_photos_set_aside_by_name(tmp_path: Path) -> None:
    """Three good photos go on; each bad one is set aside with its reason."""
    shoot = tmp_path / "photos"
    for k in range(3):
        save(shoot / "ahead" / f"good{k}.jpg", good(k))
    whole = save(shoot / "push1" / "cut.jpg", good(0), quality=90)
    whole.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    (shoot / "push1" / "letter.jpg").write_text("Dear phone,\nthis is not a photo.\n")
    (shoot / "push1" / "empty.jpg").write_bytes(b"")
    shutil.copy(shoot / "ahead" / "good1.jpg", shoot / "push1" / "copy.jpg")
    save(shoot / "push1" / "other_board.jpg", photo((100.0, -250.0, 620.0), first_id=24))
    save(shoot / "push1" / "mirrored.jpg", np.ascontiguousarray(good(0)[:, ::-1]))
    save(shoot / "push1" / "floor.jpg", np.full((600, 800), 90, np.uint8))
    obs = read_shoot(shoot, {60, 61}, Board.for_paper("A4"), workers=1)
    assert [p.name for p in obs.photos] == ["ahead/good0.jpg", "ahead/good1.jpg", "ahead/good2.jpg"]
    reasons = {s.name: s.reason for s in obs.set_aside}
    wanted = {"cut.jpg": "cut", "letter.jpg": "not a picture", "empty.jpg": "empty", "copy.jpg": "ahead/good1.jpg",
              "other_board.jpg": "24 to 35", "mirrored.jpg": "mirror", "floor.jpg": "No board tag"}
    assert set(reasons) == {"push1/" + n for n in wanted}
    for name, words in wanted.items():
        reason = reasons["push1/" + name]
        assert name in reason and words.lower() in reason.lower(), reason
        assert reason.rstrip().endswith((".", "?")) and len(reason) > 30


# --- rig files ------------------------------------------------------------------------------------------------


def changed(tmp_path: Path, *edits: tuple[str, str]) -> Path:
    text = RIG.read_text()
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "rig.toml"
    path.write_text(text)
    return path


@pytest.mark.parametrize(("edits", "words"), [
    ([("[rods.left_rod]\n", "[rods.left_rod]\nlength = 0\n")], ["left_rod", "length"]),
    ([("[rods.left_rod]\n", "[rods.left_rod]\nlength = 900\n"), ("range = [400, 480]", "range = [400, 950]")],
     ["left_rod"]),
    ([('from = "left_lever.rod"', 'from = "left_lever.rodd"')], ["left_rod", "left_lever.rodd"]),
    ([("wheelbase", "wheelbasse")], ["wheelbasse"]),
    ([("[rods.left_rod]", "[rods.left_rod")], ["TOML"]),
], ids=["zero-length rod", "cannot be assembled", "unknown point", "misspelt key", "broken TOML"])
def test_rig_file(tmp_path: Path, capsys: pytest.CaptureFixture[str], edits: list[tuple[str, str]],
                  words: list[str]) -> None:
    rig = changed(tmp_path, *edits)
    code = main(["check", str(rig), "--picture", str(tmp_path / "rig.svg")])
    err = capsys.readouterr().err
    assert code == 2 and "Traceback" not in err
    for word in [*words, "rig.toml"]:
        assert word in err, err


def test_no_rig_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = run(tmp_path, capsys, tmp_path / "none.toml")
    assert code == 2 and "none.toml" in said and "no such file" in said


# --- shoots that cannot carry an estimate -----------------------------------------------------------------------


@cache
def shoot() -> tuple[Rig, Observations]:
    rng = np.random.default_rng(3)
    truth = random_truth(RIG, rng, share=0.7)
    return load_rig(RIG), simulate_observations(truth, 0.05, rng)


def only(obs: Observations, keep: Sequence[PhotoInfo]) -> Observations:
    names = {p.name for p in keep}
    return replace(obs, photos=tuple(keep), table=obs.table[obs.table["photo"].isin(names)])


def without(obs: Observations, codes: set[int]) -> Observations:
    return replace(obs, table=obs.table[~obs.table["tag"].isin(codes)])


def refused(rig: Rig, obs: Observations) -> str:
    with pytest.raises(UserError) as e:
        estimate(rig, obs)
    return str(e.value)


def test_straight_ahead_missing() -> None:
    rig, obs = shoot()
    said = refused(rig, only(obs, [p for p in obs.photos if p.position != "ahead"]))
    assert '"ahead"' in said and "straight ahead" in said and "folder" in said


def test_straight_ahead_with_one_photo() -> None:
    rig, obs = shoot()
    ahead = [p for p in obs.photos if p.position == "ahead"]
    said = refused(rig, only(obs, ahead[:1] + [p for p in obs.photos if p.position != "ahead"]))
    assert '"ahead"' in said and "only 1 usable photo" in said


def test_two_positions_only() -> None:
    rig, obs = shoot()
    said = refused(rig, only(obs, [p for p in obs.photos if p.position in ("ahead", "push2")]))
    assert "2 lever position" in said and "at least 3" in said


def test_lever_tags_never_seen() -> None:
    rig, obs = shoot()
    codes = {t.code for t in rig.tags.values() if t.body == "left_lever"}
    said = refused(rig, without(obs, codes))
    assert "left_lever" in said and all(str(c) in said for c in codes)


def test_board_hardly_seen() -> None:
    """Every photo shows a corner of the board only."""
    rig, obs = shoot()
    board = Board.for_paper(rig.board.paper).ids
    few = obs.table["tag"].isin(board) & (obs.table["corner"] > 0)
    said = refused(rig, replace(obs, table=obs.table[~few | (obs.table["tag"] == -1)]))
    assert "ahead" in said or "board" in said


def test_position_with_one_photo_is_set_aside() -> None:
    rig, obs = shoot()
    findings: list[Finding] = []
    photos = [p for p in obs.photos if p.position != "back2"] + [p for p in obs.photos if p.position == "back2"][:1]
    _, layout, _ = arrange(rig, only(obs, photos), findings=findings)
    assert "back2" not in layout.positions and "push3" in layout.positions
    said = [f for f in findings if f.item == "back2"]
    assert said[0].code == "few_photos" and "only 1 usable photo" in said[0].text


def test_two_phones_shrunk_photo_and_missing_tag() -> None:
    """The odd photos are named and left out, the tag that was never seen is named, and the rest is measured."""
    rig, obs = shoot()
    other, small = obs.photos[2].name, obs.photos[9].name
    photos = tuple(replace(p, camera="Sample S-9") if p.name == other else
                   replace(p, width=1200, height=900) if p.name == small else p for p in obs.photos)
    code = rig.tags["crank_left_in"].code
    fit = estimate(rig, without(replace(obs, photos=photos), {code}))
    found = {(f.code, f.item): f.text for f in fit.findings}
    assert "another camera" in found["two_cameras", other] and "Sample S-9" in found["two_cameras", other]
    assert "1200 x 900" in found["resized", small]
    assert str(code) in found["tag_missing", "crank_left_in"]
    assert other not in fit.photos and small not in fit.photos and len(fit.photos) == len(obs.photos) - 2
    assert all(np.isfinite(f.value) and np.isfinite(f.u95) for f in fit.figures)


def test_empty_table() -> None:
    rig, obs = shoot()
    said = refused(rig, replace(obs, table=pd.DataFrame(obs.table.iloc[:0])))
    assert said.rstrip().endswith(".")
