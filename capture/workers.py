"""Processes beside the first one: none outlives it, and who stops the run is answered once, by the first."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

MOST = 61  # processes that one pool may have on Windows
_HEARD = 0.5  # s for the thread that reads answers to hear of the end; with half an answer it never does


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
