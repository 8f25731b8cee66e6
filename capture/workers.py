"""Processes beside the first one: none outlives it, and who stops the run is answered once, by the first."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any, Protocol, TypeVar

import cv2

from capture.errors import UserError

MOST = 61  # processes that one pool may have on Windows
_HEARD = 0.5  # s for the thread that reads answers to hear of the end; with half an answer it never does


class Named(Protocol):
    """What is done with one photo."""

    @property
    def name(self) -> str: ...


Job = TypeVar("Job", bound=Named)
Outcome = TypeVar("Outcome")


class Readers:
    """Processes that read photos, ``count`` of them or one for each core; none until there is work for more than one.

    They go on living from one piece of work to the next, until ``close`` or the end of the with statement.
    """

    def __init__(self, count: int | None = None) -> None:
        self.count = min(count or os.cpu_count() or 1, MOST)
        self._pool: ProcessPoolExecutor | None = None

    def each(self, work: Callable[[Job], Outcome], jobs: Sequence[Job],
             meanwhile: Callable[[], None] | None = None) -> Generator[Outcome, None, None]:
        """``work`` of every job, in their order; everything must pickle.

        ``meanwhile()`` is called once, here, when other processes have begun. Closed before its end, or where anything
        raises, it ends the processes in the middle of their work. Where the system ends one, as it does when memory
        runs short, one alone goes on; UserError where that is ended too.
        """
        if self._pool is None and min(self.count, len(jobs)) <= 1:
            yield from map(work, jobs)
            return
        done = 0
        try:
            with deaf_to_interrupts():
                outcomes = self._open(self.count).map(work, jobs)
            if meanwhile is not None:
                meanwhile()
            try:
                for outcome in outcomes:
                    yield outcome
                    done += 1
            except BrokenExecutor:
                self.close()
                yield from self._one_by_one(work, jobs[done:])
        except BaseException:
            if self._pool is not None:
                end_now(self._pool)
            self.close()
            raise

    def _one_by_one(self, work: Callable[[Job], Outcome], jobs: Sequence[Job]) -> Iterator[Outcome]:
        for job in jobs:
            try:
                with deaf_to_interrupts():
                    begun = self._open(1).submit(work, job)
                yield begun.result()
            except BrokenExecutor as err:
                raise UserError(f"What read {job.name} was ended by the system, twice: close other programs, since "
                                "memory may be short, and run it again; if it ends on the same photo, take that one "
                                "away.", "reader_ended", job.name) from err

    def close(self) -> None:
        """Have the processes end when they have done what they were given; nobody waits for that."""
        if self._pool is not None:
            self._pool.shutdown(wait=False)
        self._pool = None

    def _open(self, most: int) -> ProcessPoolExecutor:
        if self._pool is None:
            # spawned: a forked child would inherit the image library's thread pool without its threads and wait for
            # ever; and spawned ones are started only as work comes that none is free for
            self._pool = ProcessPoolExecutor(most, mp_context=multiprocessing.get_context("spawn"),
                                             initializer=_start_reader)
        return self._pool

    def __enter__(self) -> Readers:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _start_reader() -> None:
    end_with_parent()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where it was not kept from this process as it was started
    cv2.setNumThreads(1)  # one process a core already: more threads only get in each other's way


def end_with_parent(leavings: Path | None = None) -> None:
    """Have this process end as soon as the one that started it is gone, however that ended.

    ``leavings``: a file naming folders, one a line, that are then removed; a killed process cannot do so itself.
    """
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        if leavings is not None and leavings.is_file():
            for folder in leavings.read_text(encoding="utf-8", errors="surrogateescape").splitlines():
                shutil.rmtree(folder, ignore_errors=True)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def end_now(pool: ProcessPoolExecutor) -> None:
    """End a pool whose results nobody waits for any more, in the middle of its work."""
    others = list((pool._processes or {}).values())  # not public before Python 3.14; no other call ends them
    answers = getattr(getattr(pool, "_result_queue", None), "_writer", None)
    reader: Any = pool._executor_manager_thread
    pool.shutdown(wait=False, cancel_futures=True)
    # who reads the answers first drops what was cancelled: told of an ended process before, it raises on that
    until = time.monotonic() + _HEARD
    while reader is not None and reader.is_alive() and pool._cancel_pending_futures and time.monotonic() < until:
        time.sleep(0.005)
    for process in others:
        process.terminate()
    if answers is not None:  # one ended in the middle of an answer: who reads it would wait for the rest for ever
        answers.close()


@contextmanager
def deaf_to_interrupts() -> Iterator[None]:
    """Processes started inside do not hear Ctrl-C, from their first moment on; here it is heard afterwards."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
