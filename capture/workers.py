"""Processes beside the first one: none outlives it, and who stops the run is answered once, by the first."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any, Protocol, TypeVar

import cv2

from capture.errors import UserError
from capture.held import ROOM, make_room

MOST = 61  # processes that read side by side
_AHEAD = 2  # jobs given to a process: it goes on with the second while the first one's outcome is on its way
_HEARD = 0.5  # s for the thread that reads answers to hear of the end; with half an answer it never does


class Named(Protocol):
    """What is done with one photo."""

    @property
    def name(self) -> str: ...


Job = TypeVar("Job", bound=Named)
Outcome = TypeVar("Outcome")


class Readers:
    """Processes that read photos, ``count`` of them or one for each core; none until there is work for more than one.

    They go on living from one piece of work to the next, until ``close`` or the end of the with statement. Work on a
    photo goes to the process that had it before, which may still hold its picture, unless another one has nothing to
    do.
    """

    def __init__(self, count: int | None = None) -> None:
        self.count = min(count or os.cpu_count() or 1, MOST)
        self._each: list[ProcessPoolExecutor] = []  # of one process, as nobody else may take its work
        self._had: dict[str, int] = {}  # photo's name to the place of who had it last
        self._holds = False  # whether this process reads, and holds pictures

    def each(self, work: Callable[[Job], Outcome], jobs: Sequence[Job],
             meanwhile: Callable[[], None] | None = None) -> Generator[Outcome, None, None]:
        """``work`` of every job, in their order; everything must pickle.

        ``meanwhile()`` is called once, here, when other processes have begun. Closed before its end, or where anything
        raises, it ends the processes in the middle of their work. Where the system ends one, as it does when memory
        runs short, one alone goes on; UserError where that is ended too.
        """
        if not self._each and min(self.count, len(jobs)) <= 1:
            if not self._holds:
                make_room(ROOM)
                self._holds = True
            yield from map(work, jobs)
            return
        done = 0
        try:
            outcomes = self._begun(work, jobs)
            if meanwhile is not None:
                meanwhile()
            try:
                for outcome in outcomes:
                    yield outcome.result()
                    done += 1
            except BrokenExecutor:
                self.close()
                yield from self._one_by_one(work, jobs[done:])
        except BaseException:
            for process in self._each:
                end_now(process)
            self.close()
            raise

    def _begun(self, work: Callable[[Job], Outcome], jobs: Sequence[Job]) -> list[Future[Outcome]]:
        """What will be each job's outcome; the processes are at work on the first ones."""
        self._open(min(self.count, len(jobs)))
        each = list(self._each)
        outcomes = [Future[Outcome]() for _ in jobs]
        queues: list[deque[int]] = [deque() for _ in each]
        free = deque[int]()
        for k, job in enumerate(jobs):
            (queues[self._had[job.name]] if job.name in self._had else free).append(k)
        lock = threading.Lock()

        def feed(own: int) -> None:
            """Give the process its next job: one that it had, one that nobody had, or one that another is slow at."""
            with lock:
                longest = max(queues, key=len)
                if queues[own] or free:
                    k = (queues[own] or free).popleft()
                elif longest:
                    k = longest.pop()
                else:
                    return
                self._had[jobs[k].name] = own
            try:
                with deaf_to_interrupts():
                    begun = each[own].submit(work, jobs[k])
            except RuntimeError as err:  # ended, or being ended
                outcomes[k].set_exception(err)
                return
            begun.add_done_callback(lambda f: finished(f, k, own))

        def finished(begun: Future[Outcome], k: int, own: int) -> None:
            if begun.cancelled():
                return
            if (err := begun.exception()) is None:
                outcomes[k].set_result(begun.result())
            else:
                outcomes[k].set_exception(err)
            if not isinstance(err, BrokenExecutor):
                feed(own)

        for _ in range(_AHEAD):
            for own in range(len(each)):
                feed(own)
        return outcomes

    def _one_by_one(self, work: Callable[[Job], Outcome], jobs: Sequence[Job]) -> Iterator[Outcome]:
        for job in jobs:
            try:
                self._open(1)
                with deaf_to_interrupts():
                    begun = self._each[0].submit(work, job)
                yield begun.result()
            except BrokenExecutor as err:
                raise UserError(f"What read {job.name} was ended by the system, twice: close other programs, since "
                                "memory may be short, and run it again; if it ends on the same photo, take that one "
                                "away.", "reader_ended", job.name) from err

    def close(self) -> None:
        """Have the processes end when they have done what they were given; nobody waits for that."""
        for process in self._each:
            process.shutdown(wait=False)
        self._each, self._had = [], {}
        if self._holds:
            make_room(0)
            self._holds = False

    def _open(self, least: int) -> None:
        """See to it that there are so many processes at least."""
        while len(self._each) < least:
            # spawned: a forked child would inherit the image library's thread pool without its threads and wait for
            # ever
            self._each.append(ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"),
                                                  initializer=_start_reader, initargs=(ROOM // self.count,)))

    def __enter__(self) -> Readers:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _start_reader(room: int) -> None:
    end_with_parent()
    make_room(room)
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
