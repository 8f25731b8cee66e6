"""Pictures that stay decoded in this process from the first look at a photo to the second, as far as there is room."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ROOM = 512_000_000  # bytes in all processes that read together: 42 photos of 12 megapixels

_pictures: dict[str, NDArray[np.uint8]] = {}
_room = 0


def make_room(size: int) -> None:
    """Let go of all pictures, and hold up to ``size`` bytes of others from now on."""
    global _room
    _pictures.clear()
    _room = size


def hold(sha256: str, gray: NDArray[np.uint8]) -> None:
    """Hold the grey picture (H, W) of a file where it still has room."""
    global _room
    if sha256 and sha256 not in _pictures and gray.nbytes <= _room:
        _pictures[sha256] = gray
        _room -= gray.nbytes


def held(sha256: str) -> NDArray[np.uint8] | None:
    """The grey picture of the file with these bytes; None where it is not held."""
    return _pictures.get(sha256)
