"""Decoding with the decoder's own complaints heard: it repairs a damaged picture as it can and only says so aside."""

from __future__ import annotations

import os
import tempfile
import threading

import cv2
import numpy as np
from numpy.typing import NDArray

_ONE = threading.Lock()  # what the decoder says goes to the process's one error output
# how libjpeg begins what it says of data that cannot be right (jerror.h, the JWRN texts, from memory); what it
# makes up for them stands shifted, from there to the end of the picture
_DAMAGE = (b"Corrupt JPEG data", b"Premature end of JPEG")


def decode_gray(data: bytes) -> tuple[NDArray[np.uint8] | None, bool]:
    """Grey pixels (H, W) in the stored order, None where there are none, and whether the data were damaged."""
    with _ONE, tempfile.TemporaryFile() as heard:
        try:
            terminal = os.dup(2)
        except OSError:  # no error output, so nothing to hear
            return _decoded(data), False
        try:
            os.dup2(heard.fileno(), 2)
            gray = _decoded(data)
        finally:
            os.dup2(terminal, 2)
            os.close(terminal)
        heard.seek(0)
        said = heard.read()
    return gray, any(words in said for words in _DAMAGE)


def _decoded(data: bytes) -> NDArray[np.uint8] | None:
    out = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_IGNORE_ORIENTATION | cv2.IMREAD_GRAYSCALE)
    return None if out is None else np.asarray(out, np.uint8)
