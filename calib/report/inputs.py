"""What a result was made from, kept beside it: command, versions, options, the rig file itself, every photo's hash."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import os
import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from capture.errors import UserError
from capture.files import digest
from capture.kept import hashes
from capture.photos import list_shoot

FILE, RIG = "inputs.json", "rig.toml"
FORMAT = 1
PACKAGES = ("rigtrue", "numpy", "scipy", "pandas", "opencv-python", "pillow", "pillow-heif", "matplotlib", "tomlkit")


@dataclass(frozen=True)
class Inputs:
    """What one run was given. ``before`` and ``proposal``: of ``confirm``; ``rig``: the bytes of the rig file."""

    command: str
    rig_file: Path
    rig: bytes
    photos: Path
    before: Path | None = None
    proposal: int = 0
    options: Mapping[str, Any] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)  # of the photos, by name, as the run began


@dataclass(frozen=True)
class Told:
    """The same as read back from a result folder. ``photos``: hash by name; ``rig``: the copy kept of the rig file."""

    command: str
    rig_file: Path
    rig: Path
    source: Path
    photos: Mapping[str, str]
    before: Path | None
    before_hash: str
    proposal: int
    options: Mapping[str, Any]
    versions: Mapping[str, str]

    def rig_changed(self) -> str:
        """A sentence where the rig file is not what it was, and the copy kept of it is used; "" else."""
        try:
            same = text_hash(self.rig_file.read_bytes()) == text_hash(self.rig.read_bytes())
        except OSError:
            return f"{self.rig_file} is not there any more; the copy kept with the result is used."
        return "" if same else f"{self.rig_file} was edited since; the copy kept with the result is used."


def given(command: str, rig_file: Path, photos: Path, before: Path | None = None, proposal: int = 0,
          hashed: Mapping[str, str] | None = None, **options: Any) -> Inputs:
    """Inputs as they are now, before anything is read; what cannot be had is left to the reading of it to say.

    ``hashed``: the photos' hashes by name, where these are known already.
    """
    rig, photo = b"", dict[str, str](hashed or {})
    with contextlib.suppress(OSError, UserError):
        rig = rig_file.read_bytes()
        photo = photo if hashed is not None else photo_hashes(photos)
    return Inputs(command, rig_file, rig, photos, before, proposal, options, photo)


def keep_inputs(inputs: Inputs, folder: Path) -> None:
    """Write ``inputs.json`` and a copy of the rig file, byte for byte, into a result folder."""
    (folder / RIG).write_bytes(inputs.rig)
    before = inputs.before
    data = {
        "format": FORMAT, "command": inputs.command, "when": datetime.now().isoformat(timespec="seconds"),
        "versions": versions(), "options": dict(inputs.options),
        "rig_file": {"path": os.path.abspath(inputs.rig_file), "sha256": text_hash(inputs.rig)},
        "photos": {"source": os.path.abspath(inputs.photos), "files": dict(inputs.hashes)},
        "before": None if before is None else {
            "folder": os.path.abspath(before), "proposal": inputs.proposal, "sha256": before_hash(before)}}
    (folder / FILE).write_text(json.dumps(data, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def read_inputs(folder: Path) -> Told:
    """What a result was made from; UserError where it does not say, or its copy of the rig file was changed."""
    path = folder / FILE
    if not path.is_file():
        raise UserError(f"{folder} holds no {FILE}, so it does not say what it was made from: it is no result folder "
                        "of run or confirm, or an earlier version wrote it.", "no_inputs", str(path))
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        rig, photos, before = data["rig_file"], data["photos"], data["before"] or {}
        told = Told(str(data["command"]), Path(rig["path"]), folder / RIG, Path(photos["source"]),
                    {str(k): str(v) for k, v in photos["files"].items()},
                    Path(before["folder"]) if before else None, str(before.get("sha256", "")),
                    int(before.get("proposal", 0)), dict(data["options"]), dict(data["versions"]))
        kept = text_hash(told.rig.read_bytes())
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as e:
        raise UserError(f"{path} or the {RIG} beside it cannot be read; put the folder back as it was.", "unreadable",
                        str(path)) from e
    if kept != rig["sha256"]:
        raise UserError(f"{told.rig}, the copy kept of the rig file, was changed since; put it back as it was.",
                        "altered", str(told.rig))
    return told


def check_photos(told: Told, source: Path) -> int:
    """How many photos in ``source`` the result was not made from, which are left alone.

    UserError, naming photos, where one that it was made from is missing or not the very same.
    """
    if not source.exists():
        raise UserError(f"The photos are not at {source} any more; say where they are now: --photos FOLDER.",
                        "no_file", str(source))
    paths = {name: path for path, _, name in list_shoot(source)}
    mine = [n for n in told.photos if n in paths]
    now = dict(zip(mine, hashes(paths[n] for n in mine), strict=True))
    for names, what, do in (
            ([n for n in told.photos if n not in now], "missing", "put it back"),
            ([n for n in mine if now[n] != told.photos[n]], "not the file it was then", "put the original back")):
        if names:
            more = f" (and {len(names) - 1} more)" if len(names) > 1 else ""
            raise UserError(f"{names[0]}{more} in {source} is {what}, so the result cannot be made again; {do}.",
                            "photos_differ", names[0])
    return len(paths) - len(mine)


def check_before(told: Told, folder: Path) -> None:
    """UserError where the result folder that ``confirm`` set itself against is gone or another one."""
    if not folder.is_dir():
        raise UserError(f"The result before the adjustment is not at {folder} any more; say where it is now: "
                        "--before FOLDER.", "no_folder", str(folder))
    if before_hash(folder) != told.before_hash:
        raise UserError(f"{folder} is not the result, or not as it was, that this one was confirmed against; put it "
                        "back or give --before.", "altered", str(folder))


def changed_versions(told: Told) -> list[str]:
    """What runs in another version now than when the result was made: "numpy 2.1.0, now 2.2.1"."""
    now = versions()
    return [f"{name} {told.versions.get(name) or 'none'}, now {now.get(name) or 'none'}"
            for name in sorted(told.versions.keys() | now.keys()) if told.versions.get(name) != now.get(name)]


def photo_hashes(source: Path) -> dict[str, str]:
    """SHA-256 of every photo of a shoot, by name, used or not."""
    listed = list_shoot(source)
    return dict(zip((name for _, _, name in listed), hashes(p for p, _, _ in listed), strict=True))


def before_hash(folder: Path) -> str:
    """A hash of what ``confirm`` takes from the result folder before, whatever its line endings; "" without it."""
    try:
        parts = [text_hash((folder / n).read_bytes())
                 for n in ("figures.csv", "curves.csv", "proposals.json", "as_built.toml")]
    except OSError:
        return ""
    return hashlib.sha256(" ".join(parts).encode()).hexdigest()


def text_hash(data: bytes) -> str:
    """SHA-256 of a text file, the same whatever its line endings."""
    return hashlib.sha256(data.replace(b"\r\n", b"\n")).hexdigest()


@functools.cache
def versions() -> dict[str, str]:
    """Versions of the program, of what it stands on and of the machine's kind; ``source``: a hash of its own code."""
    return {**{p: v for p in PACKAGES if (v := _version(p))}, "source": _source(), "python": platform.python_version(),
            "system": platform.system(), "machine": platform.machine()}


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return ""


def _source() -> str:
    root = Path(__file__).resolve().parents[2]
    return _together(p for top in ("calib", "capture") for p in sorted((root / top).rglob("*.py")))


def _together(paths: Iterable[Path]) -> str:
    h = hashlib.sha256()
    for p in paths:
        try:
            h.update(digest(p).encode())
        except OSError:
            return ""
    return h.hexdigest()[:16]
