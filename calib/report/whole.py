"""A result folder appears whole or not at all: made beside its place, sealed by a manifest, moved there when done."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from capture.errors import UserError
from capture.files import digest, umask

MANIFEST = "manifest.json"
_FORMAT = 1
PATIENCE = 3.0  # s for another program to let go of a fresh folder


class Unfinished:
    """A folder in the making; ``final`` is where it stands once it is sealed."""

    def __init__(self, here: Path, final: Path) -> None:
        self.here, self.final = here, final


def free_path(path: Path) -> Path:
    """``path``, or where that is taken the first free of name-2, name-3 ...; nothing is ever overwritten."""
    if not _taken(path):
        return path
    k = 2
    while _taken(path.with_name(f"{path.stem}-{k}{path.suffix}")):
        k += 1
    return path.with_name(f"{path.stem}-{k}{path.suffix}")


def _taken(path: Path) -> bool:
    if path.is_dir():
        return any(path.iterdir())
    return path.exists() or path.is_symlink()


@contextmanager
def appearing(folder: Path) -> Iterator[Unfinished]:
    """A fresh folder to write in, which becomes ``folder`` (or its next free name) when the block ends well.

    A full disk, an interruption or bad input leaves nothing of it. A mistake in the program leaves what was made
    under a name that says unfinished; without a manifest it is not read back. UserError where it cannot be written.
    """
    folder = Path(os.path.abspath(folder))
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Unfinished(Path(tempfile.mkdtemp(prefix=f".{folder.name}-unfinished-", dir=folder.parent)), folder)
    except OSError as e:
        raise cannot_write(folder, e) from e
    try:
        yield made
        made.here.chmod(0o777 & ~umask())
        seal(made.here)
        made.final = _moved(made.here, folder)
    except BaseException as e:
        if isinstance(e, Exception) and not isinstance(e, (OSError, UserError)):
            kept = free_path(folder.with_name(f"{folder.name}-unfinished"))
            made.here.rename(kept)
            e.add_note(f"What was finished is in {kept}.")
        else:
            shutil.rmtree(made.here, ignore_errors=True)
        if isinstance(e, OSError):
            raise cannot_write(folder, e) from e
        raise


def check_can_write(path: Path) -> None:
    """UserError now rather than after a long run, where ``path`` could not be made."""
    there = path if not path.is_dir() else path.absolute().parent  # the results are made beside it
    while not there.exists() and there != there.parent:
        there = there.parent
    if there != path and not there.is_dir():
        raise UserError(f"Cannot write {path}, because {there} is a file; choose another --out.",
                        "cannot_write", str(there))
    if not os.access(there, os.W_OK):
        raise UserError(f"Cannot write {path}: no permission to write in {there}; choose another --out.",
                        "cannot_write", str(there))


def write_whole(path: Path, text: str) -> Path:
    """Write ``text`` at ``path`` or its next free name, whole or not at all; where it stands.

    UserError where it cannot be written.
    """
    try:
        made, name = tempfile.mkstemp(prefix=f".{path.name}-unfinished-", dir=path.parent)
        here = Path(name)
        try:
            with os.fdopen(made, "w", encoding="utf-8") as f:
                f.write(text)
                f.flush()
                os.fsync(f.fileno())
            here.chmod(0o666 & ~umask())
            return _linked(here, path)
        finally:
            here.unlink(missing_ok=True)
    except OSError as e:
        raise cannot_write(path, e) from e


def _linked(here: Path, path: Path) -> Path:
    """The file ``here`` at ``path`` or its next free name; a link never takes another's place, as a move would."""
    while True:
        to = free_path(path)
        try:
            os.link(here, to)
        except FileExistsError:
            continue
        except OSError:
            return _moved(here, path)  # a disk without links
        return to


def cannot_write(folder: Path, e: OSError) -> UserError:
    """The one sentence for a disk that is full, gone or closed to us."""
    return UserError(f"Cannot write the results {folder} ({e.strerror or e}); free some room or choose another --out. "
                     "Nothing was left half-written.", "cannot_write", str(folder))


def _moved(here: Path, folder: Path) -> Path:
    """``here`` moved to ``folder``, or to the next free name where another run was there first."""
    until = time.monotonic() + PATIENCE
    while True:
        to = free_path(folder)
        try:
            if to.is_dir():
                to.rmdir()  # empty; a folder cannot be moved onto one everywhere
            here.rename(to)
        except FileExistsError:
            continue
        except PermissionError:  # a virus scanner looks into what is new, and on Windows holds it meanwhile
            if time.monotonic() > until:
                raise
            time.sleep(0.1)
            continue
        except OSError:
            if not _taken(to):
                raise
            continue
        return to


def _hashes(folder: Path) -> dict[str, str]:
    return {p.relative_to(folder).as_posix(): digest(p)
            for p in sorted(folder.rglob("*")) if p.is_file() and p != folder / MANIFEST}


def seal(folder: Path) -> None:
    """Write the manifest: the SHA-256 of every file in ``folder``. The last file of a run."""
    with (folder / MANIFEST).open("w", encoding="utf-8") as f:
        json.dump({"format": _FORMAT, "sha256": _hashes(folder)}, f, indent=1)
        f.write("\n")
        f.flush()
        os.fsync(f.fileno())


def check_whole(folder: Path) -> None:
    """UserError unless ``folder`` is the result folder of a finished run with every file as it was written."""
    if not folder.is_dir():
        raise UserError(f"{folder} is not a folder; give the result folder of a run.", "no_folder", str(folder))
    path = folder / MANIFEST
    if not path.exists():
        raise UserError(f"{folder} holds no {MANIFEST}: it is no result folder, its run did not finish, or an earlier "
                        "version of rigtrue wrote it; run the measurement again.", "no_manifest", str(folder))
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        told = {str(k): str(v) for k, v in data["sha256"].items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as e:
        raise UserError(f"{path} cannot be read; it is damaged, so run the measurement again.",
                        "unreadable", str(path)) from e
    for name, sha256 in told.items():
        try:
            same = digest(folder / name) == sha256
        except (OSError, ValueError):
            same = False
        if not same:
            raise UserError(f"{folder / name} is missing or was changed after the run wrote it, so the folder is not "
                            "used; put the file back, or run the measurement again.", "altered", name)
