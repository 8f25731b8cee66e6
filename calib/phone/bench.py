"""The work behind the page: uploads stored and judged in other processes, what is known worked out along."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from typing import TYPE_CHECKING, Any

from calib.phone.receiving import Limits, receive
from calib.rig.model import Rig
from calib.shooting.desk import Answer, Shoot
from calib.shooting.known import Knowing, Known
from capture.errors import UserError
from capture.observations import Observations
from capture.workers import deaf_to_interrupts, end_now, end_with_parent

if TYPE_CHECKING:
    from calib.shooting.store import Kept
    from capture.judging import Judged

AT_ONCE = 6  # uploads written side by side; others wait with no more than a buffer of the network's in memory
PATIENCE = 90.0  # s for one photo to be judged, from when its turn comes
HERE = 45.0  # s for which a phone counts as still there
ANSWERS = 64  # remembered for phones that did not hear them
REST = 1.0  # s from a photo to the estimate, should more come


class Bench:
    """A shoot and those who work on it. Its methods run in the server's loop, one at a time."""

    def __init__(self, shoot: Shoot, limits: Limits | None = None, judges: int | None = None) -> None:
        self.shoot, self.limits = shoot, limits or Limits()
        self.known: Known | None = None
        self.working_out = False
        self.phones: dict[str, float] = {}
        self._judges = judges or max(1, min(2, (os.cpu_count() or 2) - 1))
        self._pool: ProcessPoolExecutor | None = None
        self._estimator: ProcessPoolExecutor | None = None
        self._slots = asyncio.Semaphore(AT_ONCE)
        self._turn = asyncio.Semaphore(self._judges)
        self._answers: OrderedDict[str, Answer] = OrderedDict()
        self._coming: dict[str, asyncio.Future[None]] = {}
        self._changed = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        """Begin: those who work are loaded, photos that are there already are read."""
        self._pool = _pool(self._judges, _begin_judging)
        self._tasks = [asyncio.create_task(self._read_waiting()), asyncio.create_task(self._keep_knowing())]

    async def stop(self) -> None:
        """End, in the middle of work where there is some; photos stored stay."""
        for t in self._tasks:
            t.cancel()
        for pool in (self._pool, self._estimator):
            if pool is not None:
                end_now(pool)

    def here(self, phone: str) -> int:
        """Note that a phone is there; how many are."""
        now = time.monotonic()
        if phone:
            self.phones[phone] = now
        self.phones = {p: t for p, t in self.phones.items() if now - t < HERE}
        return len(self.phones)

    async def photo(self, stream: AsyncIterator[bytes], size: int | None, sha256: str, position: str, phone: str,
                    upload: str) -> Answer:
        """Receive, store, judge and count one photo. UserError where that cannot be, KeyError for no such position.

        ``upload`` names the attempt: who lost the answer and sends again gets the same one.
        """
        self.shoot.session.wanted.ask(position)
        self.here(phone)
        part = self.shoot.part()
        try:
            async with self._slots:
                found = await receive(stream, part, size, self.limits)
                if sha256 and found != sha256:
                    raise UserError("Came over damaged: send again.", "damaged")
                while found in self._coming:  # the same photo is being stored
                    await asyncio.wait([self._coming[found]])
                if upload in self._answers:
                    return self._answers[upload]
                if (twin := self.shoot.session.twin(found)) is not None:
                    return self.shoot.twin_answer(twin)
                done = self._coming[found] = asyncio.get_running_loop().create_future()
                try:
                    kept = await asyncio.to_thread(self.shoot.store, part, position, found, self.shoot.number())
                except BaseException:
                    self._arrived(found, done)
                    raise
        finally:
            part.unlink(missing_ok=True)
        # the photo is safe: it is judged and counted even if the phone hangs up now
        return await asyncio.shield(asyncio.create_task(self._judged(kept, phone, upload, done)))

    def undo(self, name: str) -> str:
        """Put the last photo aside."""
        gone = self.shoot.undo(name)
        self._changed.set()
        return gone

    async def _judged(self, kept: Kept, phone: str, upload: str, done: asyncio.Future[None]) -> Answer:
        try:
            answer = self.shoot.take(kept, await self._judge(kept), phone)
        finally:
            self._arrived(kept.sha256, done)
        if upload:
            self._answers[upload] = answer
            while len(self._answers) > ANSWERS:
                self._answers.popitem(last=False)
        self._changed.set()
        return answer

    def _arrived(self, sha256: str, done: asyncio.Future[None]) -> None:
        del self._coming[sha256]
        done.set_result(None)

    async def _judge(self, kept: Kept) -> Judged:
        """Look at a photo in another process; a photo that ends that process, or hangs it, is no good photo."""
        for _ in range(2):
            async with self._turn:
                self._pool = self._pool or _pool(self._judges, _begin_judging)
                pool = self._pool
                job = asyncio.get_running_loop().run_in_executor(pool, self.shoot.judging(kept))
                try:
                    return await asyncio.wait_for(job, PATIENCE)
                except (BrokenExecutor, TimeoutError):
                    if self._pool is pool:
                        self._pool = None
                        end_now(pool)
        return self.shoot.unreadable(kept)

    async def _read_waiting(self) -> None:
        while self.shoot.waiting:
            kept = self.shoot.waiting[0]
            self.shoot.take(kept, await self._judge(kept))
            self._changed.set()

    async def _keep_knowing(self) -> None:
        """Work out what is known, again after each change; one at a time."""
        while True:
            await self._changed.wait()
            await asyncio.sleep(REST)
            self._changed.clear()
            if self.shoot.waiting:
                continue
            self.working_out = True
            try:
                self.known = await self._know(soon=True)
                if self.known.went_on and not self._changed.is_set():
                    self.known = await self._know(soon=False)  # nobody waits for it
            except (BrokenExecutor, UserError) as err:
                self._estimator = None if isinstance(err, BrokenExecutor) else self._estimator
                self.known = Known(len(self.shoot.session.photos), trouble=str(err))
            finally:
                self.working_out = False

    async def _know(self, soon: bool) -> Known:
        obs = self.shoot.session.observations()
        self._estimator = self._estimator or _pool(1, _begin_estimating)
        return await asyncio.get_running_loop().run_in_executor(self._estimator, _known, self.shoot.rig, obs, soon)


def _begin_judging() -> None:
    end_with_parent()
    import cv2

    cv2.setNumThreads(1)


def _begin_estimating() -> None:
    end_with_parent()
    if hasattr(os, "nice"):
        os.nice(5)  # a photo's verdict comes first


_KNOWING: list[Knowing] = []  # of the process that estimates: one shoot, and what is known of it


def _known(rig: Rig, obs: Observations, soon: bool) -> Known:
    if not _KNOWING:
        _KNOWING.append(Knowing(rig))
    return _KNOWING[0].soon(obs) if soon else _KNOWING[0].whole(obs)


def _pool(processes: int, begin: Callable[[], Any]) -> ProcessPoolExecutor:
    """Processes for work; deaf to Ctrl-C, which the first process answers."""
    pool = ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"), initializer=begin)
    with deaf_to_interrupts():
        for _ in range(processes):
            pool.submit(_nothing)
    return pool


def _nothing() -> None:
    pass
