"""The photos of a shoot as files: stored untouched, never overwritten, never deleted.

photos/push1/007-1f2e3d4c.jpg holds the seventh photo, named after its number and its hash; nothing that a phone says
of itself is part of a name. Undone ones lie in photos/aside with ``.aside`` behind their names, where no command reads.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from capture.errors import UserError
from capture.files import digest
from capture.photos import list_shoot

ASIDE, UNDONE, PART = "aside", ".aside", ".part"
ROOM = 200_000_000  # bytes that stay free on the disk
_NAME = re.compile(r"(\d{3,})-[0-9a-f]{8}\.[a-z]+(?:\.aside)?")
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")


@dataclass(frozen=True)
class Kept:
    """A photo's file in the shoot."""

    path: Path
    position: str
    number: int
    sha256: str

    @property
    def name(self) -> str:
        """position/file, as everywhere else."""
        return f"{self.position}/{self.path.name}"


def kind_of(head: bytes) -> str | None:
    """The ending for a picture that begins so: ".jpg", ".png" or ".heic"; None for anything else."""
    if head.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    return ".heic" if head[4:8] == b"ftyp" and head[8:12] in _HEIF_BRANDS else None


def prepare(folder: Path, positions: Sequence[str]) -> None:
    """Make the shoot's folder and throw out what an upload that broke off left. UserError where that cannot be."""
    for p in positions:
        if p != p.strip() or p in ("", ".", "..", ASIDE) or p.startswith(".") or re.search(r'[/\\:*?"<>|\x00-\x1f]', p):
            raise UserError(f'The position "{p}" cannot be a folder\'s name: rename it in the rig file.', "odd_name", p)
    if folder.exists() and not folder.is_dir():
        raise UserError(f"{folder} is a file: name a folder for the photos.", "not_a_folder", str(folder))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for left in folder.glob(f".*{PART}"):
            left.unlink()
    except OSError as err:
        raise UserError(f"{folder} cannot be written ({err.strerror or err}): choose another folder.", "cannot_write",
                        str(folder)) from err


def part_file(folder: Path, tag: str) -> Path:
    """Where an upload is written before it is whole; ``tag`` is ours, not the phone's."""
    return folder / f".{tag}{PART}"


def check_room(folder: Path, size: int) -> None:
    """UserError where ``size`` bytes more would fill the disk."""
    if shutil.disk_usage(folder).free < size + ROOM:
        raise full_disk()


def full_disk() -> UserError:
    """What is said where the disk is full."""
    return UserError("The laptop's disk is full: make room there, then send again. Nothing is lost.", "disk_full")


def not_written(err: OSError, what: str) -> UserError:
    """What is said where a write failed: that the disk is full, or ``what`` failed and why."""
    full = err.errno in (errno.ENOSPC, errno.EDQUOT)
    return full_disk() if full else UserError(f"{what} ({err.strerror or err}).", "cannot_write")


def next_number(folder: Path) -> int:
    """A number no photo of the shoot has had, undone ones too."""
    found = [int(m[1]) for p in folder.glob("*/*") if (m := _NAME.fullmatch(p.name))]
    return max(found, default=0) + 1


def keep(part: Path, folder: Path, position: str, sha256: str, number: int) -> Kept:
    """Move a whole upload to its place. Its bytes are read back from the disk and compared with ``sha256``.

    UserError where they differ, or where it is no picture; an existing file is never replaced.
    """
    with part.open("rb") as f:
        head = f.read(32)
    ending = kind_of(head)
    if ending is None:
        raise UserError("Not a photo (JPEG, HEIC or PNG).", "not_a_picture")
    if digest(part) != sha256:
        raise UserError("Came over damaged: send again.", "damaged")
    place = folder / position
    try:
        place.mkdir(exist_ok=True)
        while True:
            path = place / f"{number:03d}-{sha256[:8]}{ending}"
            try:
                _move(part, path)
                return Kept(path, position, number, sha256)
            except FileExistsError:
                number += 1
    except OSError as err:
        raise not_written(err, f"Cannot write {place}") from err


def write_part(part: Path, data: bytes) -> str:
    """Write bytes that are whole already; their SHA-256. UserError where the disk is full."""
    check_room(part.parent, len(data))
    try:
        with part.open("xb") as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())
    except OSError as err:
        part.unlink(missing_ok=True)
        raise not_written(err, f"Cannot write {part.parent}") from err
    return hashlib.sha256(data).hexdigest()


def put_aside(kept: Kept, folder: Path) -> Path:
    """Move a photo to where no command reads it. UserError where that cannot be."""
    place = folder / ASIDE / kept.position
    try:
        place.mkdir(parents=True, exist_ok=True)
        to = place / f"{kept.path.name}{UNDONE}"
        for k in range(2, 1000):
            if not to.exists():
                break
            to = place / f"{kept.path.stem}-{k}{kept.path.suffix}{UNDONE}"
        _move(kept.path, to)
    except OSError as err:
        raise UserError(f"Cannot put {kept.name} aside ({err.strerror or err}).", "cannot_write", kept.name) from err
    return to


def stored(folder: Path, positions: Sequence[str]) -> list[Kept]:
    """Photos that are there already, in order; copied in by hand or from an earlier run. Hashes are read."""
    if not any(folder.glob("*/*")):
        return []
    try:
        listed = list_shoot(folder)
    except UserError as err:
        if err.code in ("no_photos", "no_position_folders"):
            return []
        raise
    out = []
    for path, position, _ in listed:
        if position in positions and path.parent.name == position and path.parent.parent == folder:
            number = _NAME.fullmatch(path.name)
            out.append(Kept(path, position, int(number[1]) if number else 0, digest(path)))
    return sorted(out, key=lambda k: (k.number, k.name))


def _move(old: Path, new: Path) -> None:
    """Rename without replacing. FileExistsError where the new name is taken."""
    try:
        os.link(old, new)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links, such as a memory card
        if new.exists():
            raise FileExistsError(errno.EEXIST, "is there", str(new)) from None
        old.rename(new)
        return
    old.unlink()
