"""The independent tag reader, one for the whole run: github.com/pupil-labs/apriltags (MIT), on AprilTag 3 (BSD-2)."""

from __future__ import annotations

from functools import lru_cache

import pupil_apriltags


class _Kept(pupil_apriltags.Detector):
    def __del__(self) -> None:
        """Nothing: the package frees its tag family before the detector that still uses it, and may crash."""


@lru_cache(maxsize=1)
def april_detector() -> pupil_apriltags.Detector:
    """A tag36h11 detector that is never taken down."""
    return _Kept(families="tag36h11", nthreads=1)
