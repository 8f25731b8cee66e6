"""Work given to a second process while this one goes on with the rest.

What is handed over is a function of a folder, which it may write into, and of plain data. Where there is no second
process, or it was ended from outside, the same function runs here when its result is asked for. What the function
raises is raised again here.
"""

from __future__ import annotations

import importlib
import multiprocessing
import shutil
import signal
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any

from capture.workers import deaf_to_interrupts, end_now, end_with_parent

Work = Callable[..., Any]  # (folder, *args) -> result


class Task:
    """One piece of work, and where its result is had."""

    def __init__(self, work: Work, *args: Any) -> None:
        self.work, self.args = work, args
        self.second: SecondProcess | None = None
        self.scratch: Path | None = None
        self.outcome: Future[Any] = Future()

    def into(self, folder: Path, here: bool = False) -> Any:
        """The result, with all files the work wrote in ``folder``.

        ``here``: do it in this process if the other has not come to it yet. Raises what the work raised.
        """
        if self.second is None or self.scratch is None or (here and self.second.withdrawn(self)):
            return self.work(folder, *self.args)
        try:
            result = self.outcome.result()
        except BrokenExecutor:  # such as ended by the system when memory ran short: there is room for one here
            return self.work(folder, *self.args)
        for made in sorted(self.scratch.rglob("*")):
            to = folder / made.relative_to(self.scratch)
            if made.is_dir():
                to.mkdir(exist_ok=True)
            else:
                shutil.move(made, to)
        return result


class SecondProcess:
    """Up to ``processes`` processes beside this one, none until something is to be done; use in a with statement.

    ``modules`` are loaded by each as it starts. Each takes a task only when it is free, so that what still waits can
    be done here instead.
    """

    def __init__(self, processes: int, modules: Sequence[str] = ()) -> None:
        self.processes, self.modules = processes, tuple(modules)
        self._pool: ProcessPoolExecutor | None = None
        self._waiting: deque[Task] = deque()
        self._running = 0
        self._lock = threading.RLock()
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._count = 0

    def start(self, work: Work, *args: Any) -> Task:
        """Have ``work(folder, *args)`` done; everything must pickle."""
        task = Task(work, *args)
        if self.processes:
            self._open()
            assert self._folder is not None
            self._count += 1
            task.second, task.scratch = self, Path(self._folder.name) / str(self._count)
            task.scratch.mkdir()
            with self._lock:
                self._waiting.append(task)
            self._feed()
        return task

    def would_leave(self, folder: Path) -> None:
        """Have ``folder`` removed by the other processes if this one is killed."""
        if self._leavings is not None:
            with self._leavings.open("a", encoding="utf-8", errors="surrogateescape") as f:
                f.write(f"{folder.absolute()}\n")

    @property
    def _leavings(self) -> Path | None:
        return None if self._folder is None else Path(self._folder.name) / "leavings"

    def withdrawn(self, task: Task) -> bool:
        """Whether ``task`` was still waiting; it is then no longer."""
        with self._lock:
            if task not in self._waiting:
                return False
            self._waiting.remove(task)
            return True

    def _open(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._folder = tempfile.TemporaryDirectory(prefix="rigtrue-")
            self.would_leave(Path(self._folder.name))
            # spawned: a forked child would inherit threads that are not there
            self._pool = ProcessPoolExecutor(self.processes, mp_context=multiprocessing.get_context("spawn"),
                                             initializer=_load,
                                             initargs=(self.modules, self._leavings))
        return self._pool

    def _feed(self) -> None:
        with self._lock:
            while self._waiting and self._running < self.processes and self._pool is not None:
                task = self._waiting.popleft()
                self._running += 1
                try:
                    with deaf_to_interrupts():
                        inner = self._pool.submit(task.work, task.scratch, *task.args)
                except BrokenExecutor as error:  # nobody would ever answer
                    self._running -= 1
                    task.outcome.set_exception(error)
                    continue
                inner.add_done_callback(lambda f, task=task: self._done(f, task))  # type: ignore[misc]

    def _done(self, inner: Future[Any], task: Task) -> None:
        with self._lock:
            self._running -= 1
        if inner.cancelled():
            task.outcome.cancel()
        elif (error := inner.exception()) is not None:
            task.outcome.set_exception(error)
        else:
            task.outcome.set_result(inner.result())
        self._feed()

    def __enter__(self) -> SecondProcess:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None,
                 ) -> None:
        with self._lock:
            self._waiting.clear()
            idle = not self._running
        if self._pool is not None and (idle or kind is not None and not issubclass(kind, Exception)):
            end_now(self._pool)  # left to itself a process takes its time to put away what it has loaded
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
        if self._folder is not None:
            self._folder.cleanup()


def _load(modules: Sequence[str], leavings: Path | None) -> None:
    end_with_parent(leavings)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who stops the run is answered once, by the first process
    for name in modules:
        importlib.import_module(name)
