"""Corners that were read before, kept by the photo's SHA-256 in one folder of the user, so that no photo is read twice.

Photos lie where their owner put them and are only read; so nothing is written beside them. The folder may be deleted at
any time. An entry counts only for the same bytes, the same paper of the board, this very code and these versions of the
libraries under it, and only if its own hash is right; anything else is read again. What cannot be written is not kept.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import json
import os
import platform
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.corners import Saddles
from capture.detection import Tag
from capture.files import digest
from capture.photos import PhotoMeta
from capture.targets import Board

MOST = 500_000_000  # bytes in the folder; the entries longest unused go first
ROOM = 300_000_000  # bytes that stay free on the disk
_LIBRARIES = ("numpy", "opencv-python", "opencv-python-headless", "pillow", "pillow-heif", "scipy")
_MAGIC = b"rigtrue kept 1\n"
_ENTRY, _PART = ".kept", ".part"
_LOADED = time.time()  # sources changed since are not those that run
_OLD_PART = 86_400  # s after which what an ended process left half-written is removed

Arrays = dict[str, NDArray[Any]]


class Reading(NamedTuple):
    """All that one photo's pixels tell, whichever tags are asked for: every tag found and its saddles.

    ``patient``: whether the looks that take longer were taken too. ``mirrored``: part codes for which it was asked
    whether the photo reads only in the mirror, and the answer.
    """

    meta: PhotoMeta
    tags: dict[int, Tag]
    saddles: Saddles  # 32 rows a tag, in the tags' order
    mirrored: tuple[frozenset[int], bool] | None = None
    patient: bool = True


def usual_folder() -> Path:
    """Where corners are kept: RIGTRUE_CACHE, else the system's folder for what may be deleted at any time."""
    if named := os.environ.get("RIGTRUE_CACHE"):
        return Path(named)
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "rigtrue" / "cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "rigtrue"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "rigtrue"


@functools.cache
def code_version() -> str:
    """A digest of what turns pixels into corners: this package's sources, the libraries' versions, the machine.

    "" where the sources cannot be read, or were changed after this program began; nothing is kept then.
    """
    import cv2

    h = hashlib.sha256()
    try:
        sources = sorted(Path(__file__).parent.rglob("*.py"))
        for path in sources:
            if path.stat().st_mtime > _LOADED:
                return ""
            h.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    except OSError:
        return ""
    for said in (cv2.__version__, *map(_version, _LIBRARIES), platform.python_version(), platform.machine(),
                 platform.node(), sys.platform):
        h.update(said.encode() + b"\0")
    return h.hexdigest()[:24] if sources else ""


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return ""


class KeptCorners:
    """The folder of entries. Nothing here raises for a folder or entry that is damaged, closed or on a full disk.

    >>> import tempfile
    >>> kept = KeptCorners(Path(tempfile.mkdtemp()))
    >>> kept.put("00ff", {"n": 1}, {"uv": np.zeros(2)}), kept.get("00ff"), kept.get("00fe")
    (True, ({'n': 1}, {'uv': array([0., 0.])}), None)
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = usual_folder() if folder is None else Path(folder)

    def path(self, key: str) -> Path:
        """Where the entry of ``key`` lies."""
        return self.folder / code_version() / f"{hashlib.sha256(key.encode()).hexdigest()}{_ENTRY}"

    def get(self, key: str) -> tuple[dict[str, Any], Arrays] | None:
        """What was put under ``key`` by the same code; None where there is nothing sound."""
        if not code_version():
            return None
        path = self.path(key)
        try:
            out = _unpacked(path.read_bytes(), _seal(key))
        except (OSError, ValueError):
            return None
        with contextlib.suppress(OSError):  # read lately: goes last
            os.utime(path)
        return out

    def put(self, key: str, said: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bool:
        """Keep JSON data and arrays; whether that went well. The entry is there whole or not at all."""
        if not code_version():
            return False
        path, part = self.path(key), None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            if shutil.disk_usage(path.parent).free < ROOM:
                return False
            handle, part = tempfile.mkstemp(suffix=_PART, dir=path.parent)
            with os.fdopen(handle, "wb") as f:
                f.write(_packed(said, arrays, _seal(key)))
            os.replace(part, path)
        except OSError:
            if part is not None:
                with contextlib.suppress(OSError):
                    os.unlink(part)
            return False
        return True

    def reading(self, sha256: str, board: Board) -> Reading | None:
        """One photo's corners as read before for this board."""
        found = self.get(photo_key(sha256, board))
        if found is None:
            return None
        said, arrays = found
        meta = PhotoMeta(**{**said["meta"], "notes": tuple(said["meta"]["notes"])})
        tags = {c: Tag(h, np.array(corners), ring, code, patiently)
                for (c, ring, code, patiently, corners), h in zip(said["tags"], arrays["H"], strict=True)}
        asked = said["mirrored"]
        return Reading(meta, tags, Saddles(*(arrays[n] for n in Saddles._fields)),
                       None if asked is None else (frozenset(asked[0]), asked[1]), said["patient"])

    def put_reading(self, board: Board, r: Reading) -> bool:
        """Keep one photo's corners."""
        asked = None if r.mirrored is None else [sorted(r.mirrored[0]), r.mirrored[1]]
        tags = [[int(c), float(t.ring), float(t.code), bool(t.patiently), np.asarray(t.code_corners, float).tolist()]
                for c, t in r.tags.items()]
        said = {"meta": asdict(r.meta), "tags": tags, "mirrored": asked, "patient": r.patient}
        return self.put(photo_key(r.meta.sha256, board), said,
                        {"H": np.array([t.H for t in r.tags.values()]).reshape(-1, 3, 3), **r.saddles._asdict()})

    def tidy(self) -> None:
        """Throw out what was not used for longest where the folder has grown over its limit."""
        with contextlib.suppress(OSError):
            files = [(p, p.stat()) for p in self.folder.glob("*/*") if p.suffix in (_ENTRY, _PART)]
            size = sum(s.st_size for _, s in files)
            for p, s in sorted(files, key=lambda f: f[1].st_mtime):
                forgotten = p.suffix == _PART and time.time() - s.st_mtime > _OLD_PART
                if forgotten or (size > MOST and p.suffix == _ENTRY):
                    p.unlink(missing_ok=True)
                    size -= s.st_size


def photo_key(sha256: str, board: Board) -> str:
    """What a photo's corners are kept under; all of the board is in it, as it is looked for by its layout."""
    return f"photo {sha256} {board}"


def _seal(key: str) -> str:
    return f"{code_version()} {key}"


def _packed(said: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]], seal: str) -> bytes:
    body = io.BytesIO()
    body.write(json.dumps([seal, said, list(arrays)]).encode() + b"\n")
    for a in arrays.values():
        np.save(body, a, allow_pickle=False)
    data = body.getvalue()
    return _MAGIC + hashlib.sha256(data).digest() + data


def _unpacked(data: bytes, seal: str) -> tuple[dict[str, Any], Arrays]:
    """ValueError for an entry that is cut, altered or another's."""
    start = len(_MAGIC) + 32
    body = data[start:]
    if data[:len(_MAGIC)] != _MAGIC or hashlib.sha256(body).digest() != data[len(_MAGIC):start]:
        raise ValueError("not as it was written")
    f = io.BytesIO(body)
    mine, said, names = json.loads(f.readline())
    if mine != seal:
        raise ValueError("another's entry")
    return said, {n: np.load(f, allow_pickle=False) for n in names}


def hashes(paths: Iterable[Path]) -> list[str]:
    """SHA-256 of every file; "" for one that cannot be read."""
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        return list(pool.map(_hash, paths))


def _hash(path: Path) -> str:
    try:
        return digest(path)
    except OSError:
        return ""
