"""Processes that read photos: they go on living, keep the order, and nothing is lost or left waiting where one ends."""

from __future__ import annotations

import multiprocessing
import os
import time
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from capture.errors import UserError
from capture.hidden import look_again
from capture.shoot import read_shoot
from capture.targets import Board
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
