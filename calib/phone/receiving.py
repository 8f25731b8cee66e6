"""An upload on its way to the disk: counted, hashed and timed as it comes; never all of it in memory."""

from __future__ import annotations

import asyncio
import hashlib
import os
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from calib.shooting.store import check_room, not_written
from capture.errors import UserError

MOST_BYTES = 80_000_000  # a 50-megapixel photo of a phone has 15 to 30 million
QUIET, SLOWEST, GRACE = 20.0, 40_000, 30.0  # s without a byte; bytes a second on the whole; s on top
FIRST_LINES = 15.0  # s in which a connection has to say what it wants


@dataclass(frozen=True)
class Limits:
    """How large an upload may be, and how slow; how long a connection may take to say what it wants."""

    most: int = MOST_BYTES
    quiet: float = QUIET
    slowest: float = SLOWEST
    grace: float = GRACE
    first_lines: float = FIRST_LINES

    def seconds(self, size: int) -> float:
        """How long an upload of that size may take at most."""
        return self.grace + size / self.slowest


def too_large(limits: Limits) -> UserError:
    """What is said of an upload that is too large."""
    return UserError(f"Photo too large: {limits.most // 1_000_000} MB at most.", "too_large")


async def receive(stream: AsyncIterator[bytes], part: Path, size: int | None, limits: Limits) -> str:
    """Write an upload of ``size`` bytes (None: not said) to ``part``; its SHA-256.

    UserError, and nothing left on the disk, where it is too large, too slow, cut short or finds no room.
    """
    if size is not None and size > limits.most:
        raise too_large(limits)
    check_room(part.parent, size or limits.most)
    try:
        async with asyncio.timeout(limits.seconds(limits.most if size is None else size)):
            got, sha256 = await _written(stream, part, limits)
    except TimeoutError:
        part.unlink(missing_ok=True)
        raise UserError("Too slow: send again, nearer to the laptop.", "too_slow") from None
    except OSError as err:
        part.unlink(missing_ok=True)
        raise not_written(err, "The laptop cannot write") from err
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    if size is not None and got != size:
        part.unlink(missing_ok=True)
        raise UserError("Cut short on the way: send again.", "cut_short")
    return sha256


async def _written(stream: AsyncIterator[bytes], part: Path, limits: Limits) -> tuple[int, str]:
    h, got = hashlib.sha256(), 0
    with part.open("xb") as f:
        chunks = aiter(stream)
        while True:
            try:
                async with asyncio.timeout(limits.quiet):
                    chunk = await anext(chunks)
            except StopAsyncIteration:
                break
            got += len(chunk)
            if got > limits.most:
                raise too_large(limits)
            h.update(chunk)
            f.write(chunk)
        f.flush()
        await asyncio.to_thread(os.fsync, f.fileno())
    return got, h.hexdigest()
