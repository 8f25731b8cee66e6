"""Small things about files that several modules do alike."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from capture.errors import UserError

_BLOCK = 1 << 20


def umask() -> int:
    """The bits that new files of this process are made without."""
    mask = os.umask(0o077)  # there is no reading it without setting it
    os.umask(mask)
    return mask


def need_folder(path: Path) -> None:
    """UserError where the folder that ``path`` is to be written in is not there."""
    folder = path.parent
    if not folder.is_dir():
        raise UserError(f"The folder {folder} does not exist; make it first.", "no_folder", str(folder))


def digest(path: Path) -> str:
    """SHA-256 of a file, read block by block."""
    h = hashlib.sha256()
    with path.open("rb") as f:
        while block := f.read(_BLOCK):
            h.update(block)
    return h.hexdigest()
