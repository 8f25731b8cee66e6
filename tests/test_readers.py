"""Processes that read photos: they go on living, keep the order, and nothing is lost or left waiting where one ends."""

from __future__ import annotations

import multiprocessing
import os
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

import capture.hidden
import capture.shoot
from capture import held
from capture.corners import project
from capture.detection import find_tags
from capture.errors import UserError
from capture.hidden import look_again
from capture.photos import read_photo
from capture.shoot import read_shoot
from capture.targets import CELLS, Board, saddle_points
from capture.workers import Readers
from tests.moorhen import SAMPLE


@dataclass(frozen=True)
class Photo:
    """Stands for work on a photo: ``wait`` s of it; ``fatal`` while the file ``once`` is not there, or always."""

    name: str
    wait: float = 0.0
    fatal: bool = False
    once: Path | None = None


def named(photo: Photo) -> tuple[str, int]:
    """The photo's name and the process that it was read by."""
    time.sleep(photo.wait)
    if photo.fatal and (photo.once is None or not photo.once.exists()):
        if photo.once is not None:
            photo.once.touch()
        os._exit(1)
    return photo.name, os.getpid()


def nobody_is_left() -> bool:
    """Whether no process is at work any more, given some time to end."""
    until = time.monotonic() + 10
    while multiprocessing.active_children() and time.monotonic() < until:
        time.sleep(0.02)
    return not multiprocessing.active_children()


def test_order_is_kept_and_the_processes_go_on_living() -> None:
    photos = [Photo(str(k), wait=0.2 if k == 0 else 0.0) for k in range(8)]
    with Readers(2) as readers:
        told: list[str] = []
        first = list(readers.each(named, photos, lambda: told.append("begun")))
        second = list(readers.each(named, photos[:1]))
        assert [name for name, _ in first] == [p.name for p in photos] and told == ["begun"]
        assert second[0][0] == "0" and second[0][1] in {pid for _, pid in first}
        assert os.getpid() not in {pid for _, pid in first}
    assert nobody_is_left()


def test_no_more_are_started_than_there_is_work_for_and_more_when_more_comes() -> None:
    with Readers(3) as readers:
        list(readers.each(named, [Photo("a", wait=0.2), Photo("b", wait=0.2)]))
        assert len(multiprocessing.active_children()) == 2
        list(readers.each(named, [Photo(str(k), wait=0.2) for k in range(6)]))
        assert len(multiprocessing.active_children()) == 3


def test_photos_go_to_who_had_them_and_to_others_where_that_one_is_slow() -> None:
    photos = [Photo(str(k), wait=0.1) for k in range(8)]
    with Readers(2) as readers:
        had = dict(readers.each(named, photos))
        groups = [[p for p in photos if had[p.name] == pid] for pid in sorted(set(had.values()))]
        assert len(groups) == 2
        again = dict(readers.each(named, [groups[1][-1], groups[0][0]]))  # one each, so that neither has time for both
        assert again == {name: had[name] for name in again}
        mine = groups[0]
        taken = dict(readers.each(named, [replace(p, wait=1.0 if k == 0 else 0.1) for k, p in enumerate(mine)]))
        assert taken[mine[0].name] == had[mine[0].name] and taken[mine[-1].name] != had[mine[-1].name]


def test_pictures_are_held_while_there_is_room() -> None:
    gray = np.zeros((10, 10), np.uint8)
    held.make_room(250)
    for name in ("a", "b", "c", ""):
        held.hold(name, gray)
    held.hold("a", gray + 1)
    assert held.held("a") is gray and held.held("b") is gray
    assert held.held("c") is None and held.held("") is None
    held.make_room(100)
    assert held.held("a") is None
    held.hold("c", gray)
    assert held.held("c") is gray
    held.make_room(0)


def test_second_look_decodes_nothing_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """As long as the readers of the first look live; what it finds is the same."""
    opened: list[str] = []
    for module in (capture.shoot, capture.hidden):
        monkeypatch.setattr(module, "read_photo", lambda path: (opened.append(path.name), read_photo(path))[1])
    names = {"ahead/IMG_0042.jpg", "ahead/IMG_0045.jpg"}
    with Readers(1) as readers:
        obs = read_shoot(SAMPLE.parent / "before", {68, 72}, Board.for_paper("A4"), readers=readers, only=names,
                         parts=((68,),))
        missed = next(p for p in obs.photos if p.name == "ahead/IMG_0042.jpg")
        place = project(find_tags(read_photo(Path(missed.path))[0], {72})[72].H, saddle_points(float(CELLS)))
        with readers:  # as a run ends them after the second look
            first = look_again(obs, {missed.name: {72: place}}, readers=readers)
        assert sorted(opened) == ["IMG_0042.jpg", "IMG_0045.jpg"]
    second = look_again(obs, {missed.name: {72: place}})
    assert opened[2:] == ["IMG_0042.jpg"] and len(first.table) > len(obs.table)
    assert first.table.equals(second.table)


@pytest.mark.parametrize(("count", "photos"), [(1, 3), (2, 1)])
def test_where_one_is_enough_none_is_started(count: int, photos: int) -> None:
    read = list(Readers(count).each(named, [Photo(str(k)) for k in range(photos)]))
    assert read == [(str(k), os.getpid()) for k in range(photos)]


def test_stopped_before_the_end_they_end_in_the_middle_of_their_work() -> None:
    readers = Readers(2)
    reading = readers.each(named, [Photo("a"), *[Photo("b", wait=30.0)] * 4])
    assert next(reading)[0] == "a"
    reading.close()
    assert nobody_is_left()


def test_where_one_is_ended_from_outside_another_goes_on(tmp_path: Path) -> None:
    photos = [Photo(k, fatal=k == "c", once=tmp_path / "ended") for k in "abcdef"]
    with Readers(2) as readers:
        read = list(readers.each(named, photos))
    assert [name for name, _ in read] == list("abcdef") and os.getpid() not in {pid for _, pid in read}


def test_photo_that_ends_what_reads_it_is_named() -> None:
    with Readers(2) as readers, pytest.raises(UserError, match=r"^What read c was ended by the system, twice: ") as e:
        list(readers.each(named, [Photo(k, fatal=k == "c") for k in "abcdef"]))
    assert (e.value.code, e.value.item) == ("reader_ended", "c")
    assert nobody_is_left()


def test_second_look_by_others_finds_the_very_same() -> None:
    """Two sample photos with some of their tags taken out, which are then expected where they were."""
    obs = read_shoot(SAMPLE.parent / "before", range(60, 90), Board.for_paper("A4"), workers=1,
                     only={"ahead/IMG_0042.jpg", "ahead/IMG_0045.jpg"})
    table, places = obs.table, {}
    for info in obs.photos:
        mine = table[(table["photo"] == info.name) & (table["tag"] >= 60)]
        whole = [int(c) for c, n in mine.groupby("tag").size().items() if n == 32]
        places[info.name] = {c: mine[mine["tag"] == c].sort_values("corner")[["u", "v"]].to_numpy() for c in whole[:2]}
    gone = {(name, c) for name, tags in places.items() for c in tags}
    left = [key not in gone for key in zip(table["photo"], table["tag"], strict=True)]
    less = replace(obs, table=table[left])
    here = look_again(less, places)
    with Readers(2) as readers:
        there = look_again(less, places, readers=readers)
    assert len(gone) == 4 and len(here.table) > len(less.table) + 100
    assert here.table.equals(there.table) and here.photos == there.photos and here.notes == there.notes
