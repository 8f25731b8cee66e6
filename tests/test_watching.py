"""Photos judged as they appear in a folder: half-written, removed and changed ones, one folder for all."""

from __future__ import annotations

import io
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import calib.shooting.watching as watching
from calib.rig.reader import load_rig
from calib.shooting.known import Known, KnownFigure, in_words
from calib.shooting.wanted import wanted
from calib.shooting.watching import Watch, strays, watched
from capture.errors import UserError
from capture.files import digest
from capture.kept import KeptCorners
from capture.photos import list_shoot

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_data" / "before"
RIG = load_rig(ROOT / "sample_data" / "rig.toml")
PLANNED = wanted(RIG)
ONE, TWO = sorted((SAMPLE / "ahead").iterdir())[:2]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> KeptCorners:
    return KeptCorners(tmp_path_factory.mktemp("kept"))


@pytest.fixture(autouse=True)
def planned_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watching, "wanted", lambda rig, photos: PLANNED)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    out = tmp_path / "sync"
    (out / "ahead").mkdir(parents=True)
    return out


def settled(watch: Watch) -> list[str]:
    """Two looks: what a file needs to count as whole."""
    return [*watch.lines(), *watch.lines()]


def test_a_photo_is_judged_when_it_is_whole(folder: Path, kept: KeptCorners) -> None:
    """Half of it, growing, then all: judged once, with everything that the page says and the numbers behind it."""
    watch, data, to = Watch(RIG, folder, kept=kept), ONE.read_bytes(), folder / "ahead" / ONE.name
    assert list(watch.lines()) == [] and watch.lead().startswith("Next ")
    to.write_bytes(b"")
    assert settled(watch) == []
    to.write_bytes(data[:100_000])
    assert list(watch.lines()) == []
    to.write_bytes(data[:200_000])
    assert list(watch.lines()) == [], "it grew between two looks"
    (half,) = watch.lines()
    assert half.startswith("AGAIN  ahead/") and "cut short" in half and "still coming" in half
    to.write_bytes(data)
    said = settled(watch)
    assert said[0].startswith(f"GOOD   ahead/{ONE.name}: New angle. Part tags ") and "was changed" not in said[0]
    for words in ("Board 11 of 12", "Edges 0.", "Light good", "no zoom"):
        assert words in said[0]
    assert said[1].strip().startswith("ahead: 1 of 4. Stand ")
    assert next(watch.lines()).startswith("Known from 1 photos: Nothing yet. ")
    assert watch.session.standing("ahead").good == 1 and to.read_bytes() == data


def test_tags_that_are_not_seen_are_named(folder: Path, kept: KeptCorners) -> None:
    watch = Watch(RIG, folder, kept=kept)
    photo = next(p for p in sorted((SAMPLE / "ahead").iterdir()))
    shutil.copy(photo, folder / "ahead")
    line = settled(watch)[0]
    (taken,) = watch.session.photos
    codes = {RIG.tags[t].code for t in watch.session.wanted.ask("ahead").tags}
    missing = sorted(codes - taken.judged.corners.keys())
    assert f"Part tags {len(codes) - len(missing)} of {len(codes)}" in line
    assert (f"Not seen: {', '.join(map(str, missing))}" in line) is bool(missing)


def test_removed_and_changed_and_twice(folder: Path, kept: KeptCorners) -> None:
    """A copy counts once, and in the other's place when that is gone; another photo under the same name is judged."""
    watch, first = Watch(RIG, folder, kept=kept), folder / "ahead" / "a.jpg"
    shutil.copy(ONE, first)
    settled(watch)
    (folder / "push1").mkdir()
    shutil.copy(ONE, folder / "push1" / "a.jpg")
    assert "push1/a.jpg is the same photo as ahead/a.jpg: counted once" in settled(watch)
    (folder / "push1" / "a.jpg").unlink()
    assert next(watch.lines()) == "a.jpg is gone" and len(watch.session.photos) == 1
    shutil.copy(ONE, folder / "push1" / "b.jpg")
    settled(watch)
    first.unlink()
    said = settled(watch)
    assert said[0] == "ahead/a.jpg is gone: no longer counted" and any("push1/b.jpg: New angle" in s for s in said)
    assert [t.position for t in watch.session.photos] == ["push1"]
    shutil.copy(TWO, folder / "push1" / "b.jpg")
    said = settled(watch)
    assert "push1/b.jpg was changed: looked at again" in said and len(watch.session.photos) == 1
    assert watch.session.photos[0].sha256 == digest(TWO)


def test_what_is_no_photo_and_a_lost_folder(folder: Path, kept: KeptCorners) -> None:
    watch = Watch(RIG, folder, kept=kept)
    (folder / "ahead" / "a.jpg").write_bytes(b"<html>")
    (folder / "ahead" / ".hidden.jpg").write_bytes(b"x")
    (folder / "ahead" / "notes.txt").write_text("x")
    assert settled(watch) == ["AGAIN  ahead/a.jpg: Not a photo."]
    folder.rename(folder.with_name("off"))
    assert len(list(watch.lines())) == 1 and list(watch.lines()) == []
    folder.with_name("off").rename(folder)
    assert settled(watch) == []
    with pytest.raises(UserError, match="no folder"):
        Watch(RIG, folder / "none")


def test_one_folder_for_all_positions(tmp_path: Path, kept: KeptCorners) -> None:
    """Photos belong to the position set when they were first there; the list is what ``rigtrue run`` reads."""
    sync, listed = tmp_path / "sync", tmp_path / "sync.csv"
    sync.mkdir()
    shutil.copy(TWO, sync / "older.jpg")
    watch = Watch(RIG, sync, kept=kept, at="Ahead", listed=listed)
    assert watch.left_out == 1 and watch.at == "ahead"
    shutil.copy(ONE, sync / "1.jpg")
    assert list(watch.lines()) == []
    shutil.copy(SAMPLE / "push1" / sorted(p.name for p in (SAMPLE / "push1").iterdir())[0], sync / "2.jpg")
    assert watch.go_to("push1").startswith("Now push1. ")
    shutil.copy(SAMPLE / "push1" / sorted(p.name for p in (SAMPLE / "push1").iterdir())[1], sync / "3.jpg")
    settled(watch)
    assert {t.name for t in watch.session.photos} == {"ahead/1.jpg", "ahead/2.jpg", "push1/3.jpg"}
    assert [(p, n) for _, p, n in list_shoot(listed)] == [
        ("ahead", "sync/1.jpg"), ("ahead", "sync/2.jpg"), ("push1", "sync/3.jpg")]
    with pytest.raises(UserError, match="no position"):
        watch.go_to("psuh1")
    (sync / "2.jpg").unlink()
    assert "take its line out" in next(watch.lines())
    listed.write_text("photo,position\nsync/1.jpg,ahead\nsync/3.jpg,push1\n")
    again = Watch(RIG, sync, kept=kept, at="push1", listed=listed)  # started anew
    settled(again)
    assert {t.name for t in again.session.photos} == {"ahead/1.jpg", "push1/3.jpg"} and again.left_out == 1
    listed.write_text("photo,position\nsync/1.jpg,nowhere\n")
    with pytest.raises(UserError, match="nowhere"):
        Watch(RIG, sync, at="push1", listed=listed)


def test_photos_in_no_positions_folder_are_said(folder: Path) -> None:
    shutil.copy(ONE, folder)
    (folder / "ahaed").mkdir()
    shutil.copy(ONE, folder / "ahaed")
    loose, odd = strays(folder, ["ahead", "push1"])
    assert loose.startswith("1 photos lie straight in") and "ahaed is no position" in odd


def test_what_is_known_is_worked_out_when_it_is_quiet(folder: Path, kept: KeptCorners,
                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    """Quickly after a photo, from nothing once nothing comes, said when it says something new."""
    f = KnownFigure("toe", "deg", 0.1, 0.02, 0.0, 0.5, 2, "met", True)
    asked: list[str] = []

    class Fake:
        def __init__(self, _: object) -> None:
            pass

        def soon(self, obs: object) -> Known:
            asked.append("soon")
            return Known(2, (f,), whole=True, went_on=True)

        def whole(self, obs: object) -> Known:
            asked.append("whole")
            return Known(2, (f,), whole=True)

    monkeypatch.setattr(watching, "Knowing", Fake)
    watch = Watch(RIG, folder, kept=kept)
    shutil.copy(ONE, folder / "ahead" / "a.jpg")
    shutil.copy(TWO, folder / "ahead" / "b.jpg")
    settled(watch)
    assert asked == []
    assert list(watch.lines()) == ["Known from 2 photos: Can be judged: 1 of 1.",
                                   "  toe  0.10 ± 0.02 deg, wanted 0.00 ± 0.50 deg: met"]
    assert list(watch.lines())[0] == "Known from 2 photos: Enough: all tolerances can be judged."
    assert list(watch.lines()) == [] and asked == ["soon", "whole"]


def test_known_in_words() -> None:
    f = KnownFigure("toe", "deg", 0.1, 0.9, 0.0, 0.5, 2, "can't tell yet", False)
    assert in_words(Known(9, trouble="too few"), False) == ["Known from 9 photos: Nothing yet. too few"]
    assert "Can't tell yet: 1 of 1. More photos may not help" in in_words(Known(9, (f,)), True)[0]
    assert in_words(Known(9, (f,), ("the board was bumped",)), False)[1] == "  ! the board was bumped"


def test_positions_typed_meanwhile(folder: Path) -> None:
    watch = Watch(RIG, folder, at="ahead", listed=folder.with_name("l.csv"))
    lines: Iterator[str] = watched(watch, io.StringIO("push1\nnowhere\n\n"), every=0.01)
    shutil.copy(ONE, folder / "x.jpg")
    said = [next(lines) for _ in range(4)]
    assert any(s.startswith("Now push1") for s in said) and any("nowhere is no position" in s for s in said)


def _heeds_ctrl_c() -> None:
    """What was started in the background by a shell, these tests perhaps, has Ctrl-C ignored, and hands that on."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent otherwise there")
@pytest.mark.parametrize("encoding", ["cp1252"])
def test_the_command_ends_cleanly(tmp_path: Path, encoding: str) -> None:
    """In a process of its own on a narrow console: a photo is judged, Ctrl-C ends it with what to do next."""
    sync = tmp_path / "sync"
    (sync / "ahead").mkdir(parents=True)
    shutil.copy(ONE, sync / "ahead" / "F\N{LATIN SMALL LETTER A WITH DIAERESIS}hre \N{SNOWMAN}.jpg")
    env = {**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": encoding}
    with subprocess.Popen([sys.executable, "-m", "calib.cli", "watch", "sample_data/rig.toml", str(sync)], cwd=ROOT,
                          env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, preexec_fn=_heeds_ctrl_c) as process:
        try:
            assert process.stdout is not None and process.stderr is not None
            said = b""
            while b"1 of 4" not in said:
                line = process.stdout.readline()
                assert line, process.stderr.read()
                said += line
            process.send_signal(signal.SIGINT)
            rest, errors = process.communicate(timeout=20)
        finally:
            process.kill()
    text = (said + rest).decode(encoding)
    assert process.returncode == 0 and "Traceback" not in errors.decode(encoding)
    assert "GOOD   ahead/F" in text and "1 photos; 0 of 9 positions done" in text and "rigtrue run" in text
