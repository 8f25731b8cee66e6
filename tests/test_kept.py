"""Photos are read once: what is kept is the same to the last digit, never stale, and never in the way."""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
import pytest

import capture.hidden
import capture.kept
import capture.shoot
from calib.cli import main
from capture.hidden import look_again
from capture.kept import KeptCorners, photo_key, usual_folder
from capture.observations import COLUMNS, Observations, PhotoInfo
from capture.photos import read_photo
from capture.shoot import read_shoot
from capture.targets import Board
from tests.bench.hidden import RODS, picture

SAMPLE = Path(__file__).parents[1] / "sample_data"
BOARD = Board.for_paper("A4")
PHOTOS = ("ahead/IMG_0042.jpg", "ahead/IMG_0045.jpg")


def codes() -> set[int]:
    from calib.rig.reader import load_rig

    return set(load_rig(SAMPLE / "rig.toml").tag_by_code())


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shoot")
    for name in PHOTOS:
        (folder / name).parent.mkdir(exist_ok=True)
        shutil.copy(SAMPLE / "before" / name, folder / name)
    return folder


@pytest.fixture(scope="module")
def filled(photos: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Observations]:
    """A folder of entries, and what was read as they were made."""
    folder = tmp_path_factory.mktemp("kept")
    return folder, read(photos, KeptCorners(folder))


@pytest.fixture
def kept(filled: tuple[Path, Observations], tmp_path: Path) -> KeptCorners:
    """The entries, to be spoilt."""
    return KeptCorners(shutil.copytree(filled[0], tmp_path / "entries"))


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the photos that are decoded from now on."""
    names: list[str] = []

    def noted(path: Path) -> Any:
        names.append(Path(path).name)
        return read_photo(path)

    monkeypatch.setattr(capture.shoot, "read_photo", noted)
    monkeypatch.setattr(capture.hidden, "read_photo", noted)
    return names


def read(folder: Path, kept: KeptCorners | None, asked: set[int] | None = None, board: Board = BOARD) -> Observations:
    return read_shoot(folder, codes() if asked is None else asked, board, workers=1, kept=kept)


def same(a: Observations, b: Observations) -> None:
    pd.testing.assert_frame_equal(a.table, b.table, check_exact=True)
    assert (repr(a.photos), a.set_aside, a.notes) == (repr(b.photos), b.set_aside, b.notes)


def test_second_time_nothing_is_read(photos: Path, filled: tuple[Path, Observations], opened: list[str]) -> None:
    calls: list[tuple[int, int, str]] = []
    again = read_shoot(photos, codes(), BOARD, workers=1, kept=KeptCorners(filled[0]),
                       progress=lambda *c: calls.append(c))
    assert not opened and calls == [(1, 2, PHOTOS[0]), (2, 2, PHOTOS[1])]
    same(again, filled[1])
    same(read(photos, None), filled[1])
    assert len(opened) == 2


def test_other_tags_asked_for_read_nothing(photos: Path, filled: tuple[Path, Observations], opened: list[str],
                                           tmp_path: Path) -> None:
    """Fewer than were asked for when the photos were read, and more."""
    some = set(sorted(codes())[:2])
    fewer = read(photos, KeptCorners(filled[0]), some)
    assert not opened and len(fewer.notes) > len(filled[1].notes) and len(fewer.table) < len(filled[1].table)
    few = KeptCorners(tmp_path)
    same(read(photos, few, some), fewer)
    assert len(opened) == 2
    same(read(photos, few), filled[1])
    assert len(opened) == 2


def quickly(folder: Path, kept: KeptCorners | None, parts: tuple[tuple[int, ...], ...],
            progress: Callable[[int, int, str], None] | None = None) -> Observations:
    return read_shoot(folder, codes(), BOARD, workers=1, kept=kept, parts=parts, progress=progress)


def test_quick_and_patient_readings_are_kept_apart(photos: Path, filled: tuple[Path, Observations], opened: list[str],
                                                   tmp_path: Path) -> None:
    """Patient ones serve for quick ones, to the last digit; quick ones do not for patient ones."""
    parts = ((60,),)
    quick = quickly(photos, None, parts)
    assert len(opened) == 2 and len(quick.table) < len(filled[1].table)
    same(quickly(photos, KeptCorners(filled[0]), parts), quick)
    assert len(opened) == 2
    fresh = KeptCorners(tmp_path)
    same(quickly(photos, fresh, parts), quick)
    same(quickly(photos, fresh, parts), quick)
    assert len(opened) == 4
    same(read(photos, fresh), filled[1])
    assert len(opened) == 6
    same(quickly(photos, fresh, parts), quick)
    assert len(opened) == 6


def test_patient_looks_where_the_second_look_would_not_know_where(photos: Path, filled: tuple[Path, Observations],
                                                                  opened: list[str], tmp_path: Path) -> None:
    """A tag seen in no photo; a part seen in none of one position; little of the board."""
    calls: list[tuple[int, int, str]] = []
    same(quickly(photos, None, ((60,), (399,)), lambda *c: calls.append(c)), filled[1])
    assert len(opened) == 4
    assert calls == [(1, 2, PHOTOS[0]), (2, 4, PHOTOS[1]), (3, 4, PHOTOS[0]), (4, 4, PHOTOS[1])]
    calls.clear()
    quickly(photos, None, ((70,),), lambda *c: calls.append(c))
    assert calls == [(1, 2, PHOTOS[0]), (2, 2, PHOTOS[1])] and len(opened) == 6
    opened.clear()
    folder = shutil.copytree(photos, tmp_path / "two")
    (folder / "push1").mkdir()
    shutil.move(folder / PHOTOS[1], folder / "push1/b.jpg")
    seen = [set(o[o["photo"] == n]["tag"]) & codes() for o in [quickly(folder, None, ((60,),)).table]
            for n in (PHOTOS[0], "push1/b.jpg")]
    only = min(seen[0] - seen[1])
    opened.clear()
    obs = quickly(folder, None, ((only,),))
    assert opened == ["IMG_0042.jpg", "b.jpg", "b.jpg"]
    first, second = (obs.table[obs.table["photo"] == n] for n in (PHOTOS[0], "push1/b.jpg"))
    whole = read(folder, None).table
    assert len(first) < (whole["photo"] == PHOTOS[0]).sum() and len(second) == (whole["photo"] == "push1/b.jpg").sum()


@pytest.mark.parametrize("tags, looks", [(4, [False, False]), (3, [False, True, False, True])])
def test_little_of_the_board_asks_for_patient_looks(tags: int, looks: list[bool], photos: Path,
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []
    whole = capture.shoot.find_tags

    def noted(*args: Any, patient: bool = True) -> Any:
        asked.append(patient)
        return {c: t for c, t in whole(*args, patient=patient).items() if c not in sorted(BOARD.ids)[tags:]}

    monkeypatch.setattr(capture.shoot, "find_tags", noted)
    quickly(photos, None, ((60,),))
    assert asked == looks


def test_a_changed_byte_reads_again(photos: Path, kept: KeptCorners, opened: list[str], tmp_path: Path) -> None:
    """One more byte behind the picture's end: the corners are the same, the file is not."""
    changed = shutil.copytree(photos, tmp_path / "changed")
    with (changed / PHOTOS[1]).open("ab") as f:
        f.write(b"\0")
    obs = read(changed, kept)
    assert opened == ["IMG_0045.jpg"] and obs.photos[1].sha256 != read(photos, kept).photos[1].sha256
    assert read(changed, kept).photos[1].sha256 == obs.photos[1].sha256 and len(opened) == 1


@pytest.mark.parametrize("stale", ["code", "paper"])
def test_other_code_or_paper_reads_again(stale: str, photos: Path, kept: KeptCorners, opened: list[str],
                                         monkeypatch: pytest.MonkeyPatch) -> None:
    if stale == "code":
        monkeypatch.setattr(capture.kept, "code_version", lambda: "another")
        read(photos, kept)
    else:
        with pytest.raises(capture.shoot.UserError, match="board"):
            read(photos, kept, board=Board.for_paper("A3"))
    assert len(opened) == 2


def test_the_version_follows_sources_and_libraries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    version = capture.kept.code_version.__wrapped__
    for path in Path(capture.kept.__file__).parent.glob("*.py"):
        shutil.copy(path, tmp_path)
    monkeypatch.setattr(capture.kept, "__file__", str(tmp_path / "kept.py"))
    assert version() == "", "sources changed since this program began are not what runs"
    monkeypatch.setattr(capture.kept, "_LOADED", time.time() + 3600)
    first = version()
    assert first == version() == capture.kept.code_version()
    with (tmp_path / "corners.py").open("a") as f:
        f.write("# another\n")
    second = version()
    monkeypatch.setattr(cv2, "__version__", "0.0")
    third = version()
    monkeypatch.setattr(capture.kept, "version", lambda package: f"another {package}")
    assert len({first, second, third, version()}) == 4


def test_of_a_photo_there_twice_the_first_counts(photos: Path, kept: KeptCorners, tmp_path: Path) -> None:
    """Kept or read, the copy in another position is the one that is set aside."""
    folder = shutil.copytree(photos, tmp_path / "twice")
    (folder / "push1").mkdir()
    shutil.copy(photos / PHOTOS[0], folder / "push1/a.jpg")
    with_it, without = read(folder, kept), read(folder, None)
    same(with_it, without)
    assert {p.position for p in with_it.photos} == {"ahead"} and len(with_it.set_aside) == 1


def flipped(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1:]


@pytest.mark.parametrize("spoil", [
    lambda d: b"", lambda d: d[:10], lambda d: d[:-1], lambda d: d + b"\0", lambda d: flipped(d, 0),
    lambda d: flipped(d, 20), lambda d: flipped(d, len(d) // 2), lambda d: flipped(d, len(d) - 1),
], ids=["empty", "head", "cut", "longer", "magic", "hash", "middle", "last"])
def test_a_spoilt_entry_reads_again(spoil: Callable[[bytes], bytes], photos: Path, kept: KeptCorners,
                                    filled: tuple[Path, Observations], opened: list[str]) -> None:
    path = kept.path(photo_key(filled[1].photos[0].sha256, BOARD))
    whole = path.read_bytes()
    path.write_bytes(spoil(whole))
    same(read(photos, kept), filled[1])
    assert opened == ["IMG_0042.jpg"] and path.read_bytes() == whole  # made good


def test_an_entry_in_anothers_place_is_not_taken(photos: Path, kept: KeptCorners, filled: tuple[Path, Observations],
                                                 opened: list[str]) -> None:
    one, other = (kept.path(photo_key(p.sha256, BOARD)) for p in filled[1].photos)
    shutil.copy(other, one)
    same(read(photos, kept), filled[1])
    assert opened == ["IMG_0042.jpg"]


def full(*_: Any, **__: Any) -> Any:
    raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("trouble", ["a file in the way", "a full disk", "full while writing", "little room"])
def test_a_run_goes_on_without(trouble: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "entries"
    if trouble == "a file in the way":
        folder.write_text("mine")
    elif trouble == "a full disk":
        monkeypatch.setattr(capture.kept.tempfile, "mkstemp", full)
    elif trouble == "full while writing":
        monkeypatch.setattr(capture.kept.os, "replace", full)
    else:
        monkeypatch.setattr(capture.kept, "ROOM", 10**18)
    kept = KeptCorners(folder)
    assert not kept.put("a", {}, {"x": np.ones(3)}) and kept.get("a") is None
    kept.tidy()
    assert not list(tmp_path.rglob("*.part")) and not list(tmp_path.rglob("*.kept"))


def test_two_at_once(tmp_path: Path) -> None:
    """Whoever reads meanwhile gets a whole entry or none."""
    kept = KeptCorners(tmp_path)

    def work(k: int) -> bool:
        kept.put("a", {"k": k}, {"x": np.full(20_000, k)})
        found = kept.get("a")
        return found is not None and bool((found[1]["x"] == found[0]["k"]).all())

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(work, range(80)))
    assert len(list(tmp_path.rglob("*.*"))) == 1


def test_longest_unused_go_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = KeptCorners(tmp_path)
    for k, name in enumerate("abc"):
        kept.put(name, {}, {"x": np.zeros(100)})
        os.utime(kept.path(name), (k, k))
    assert kept.get("a") is not None  # used now
    monkeypatch.setattr(capture.kept, "MOST", 2 * kept.path("a").stat().st_size)
    mine = tmp_path / "mine.kept"
    mine.write_text("not ours")
    kept.tidy()
    assert [kept.get(n) is not None for n in "abc"] == [True, False, True] and mine.exists()


def test_a_mirrored_photo_says_so_again(photos: Path, kept: KeptCorners, opened: list[str], tmp_path: Path) -> None:
    """Whether it is one depends on the tags asked for; others read it again."""
    folder = shutil.copytree(photos, tmp_path / "flipped")
    gray = cv2.imread(str(folder / PHOTOS[0]), cv2.IMREAD_GRAYSCALE)
    cv2.imwrite(str(folder / "ahead/flipped.png"), gray[:, ::-1])
    first = read(folder, kept)
    assert opened == ["flipped.png"] and "mirror" in first.set_aside[0].reason
    same(read(folder, kept), first)
    assert len(opened) == 1
    assert read(folder, kept, set(sorted(codes())[:2])).set_aside == first.set_aside and len(opened) == 2


def test_second_look_reads_once(tmp_path: Path, opened: list[str]) -> None:
    """The same places: nothing read. Other places, or another photo: read again."""
    p = picture(np.random.default_rng(8), (RODS,), visible=(16, 28))
    cv2.imwrite(str(tmp_path / "a.png"), p.gray)
    side = p.gray.shape[0]
    known = pd.DataFrame({"photo": "a.png", "position": "ahead", "tag": 0, "corner": range(12), "u": 1.0, "v": 1.0,
                          "cuu": 1.0, "cuv": 0.0, "cvv": 1.0})[COLUMNS]
    sha256 = read_photo(tmp_path / "a.png")[1].sha256
    info = PhotoInfo("a.png", "ahead", side, side, path=str(tmp_path / "a.png"), tags_found=1, sha256=sha256)
    obs, places, kept = Observations(known, (info,)), {"a.png": {p.code: p.expected}}, KeptCorners(tmp_path / "kept")
    fresh = look_again(obs, places)
    same(look_again(obs, places, kept), fresh)
    assert len(opened) == 2 and len(fresh.table) > len(known)
    same(look_again(obs, places, kept), fresh)
    assert len(opened) == 2
    look_again(obs, {"a.png": {p.code: p.expected + 1e-9}}, kept)
    assert len(opened) == 3
    assert look_again(replace(obs, photos=(replace(info, sha256="0" * 64),)), places, kept).table is known
    assert len(opened) == 4


def test_where_it_is_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, own_cache: Path) -> None:
    assert usual_folder() == own_cache
    monkeypatch.delenv("RIGTRUE_CACHE")
    monkeypatch.setattr(capture.kept.sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert usual_folder() == tmp_path / "rigtrue"


def test_no_cache_writes_and_reads_none(photos: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                        opened: list[str]) -> None:
    monkeypatch.setenv("RIGTRUE_CACHE", str(tmp_path / "cache"))
    observe = ["observe", str(SAMPLE / "rig.toml"), str(photos), "--workers", "1", "--out", str(tmp_path / "o.csv")]
    assert main([*observe, "--no-cache"]) == 0 and not (tmp_path / "cache").exists() and len(opened) == 2
    assert main(observe) == 0 and main(observe) == 0 and len(opened) == 4
    assert main([*observe, "--no-cache"]) == 0 and len(opened) == 6
    written = {p.read_bytes() for p in tmp_path.glob("o*.csv") if not p.stem.endswith("photos")}
    assert len(list(tmp_path.glob("o*.csv"))) == 8 and len(written) == 1
