"""A record kept per vehicle: one folder beside the rig file that only ever grows.

``record.csv`` has a line for each judged figure of each measurement, ``adjusted.csv`` one for each change that was
confirmed, and a folder per measurement holds the rig file as it was, the photos' hashes, the figures and the proposals.
"""

from __future__ import annotations

import codecs
import contextlib
import csv
import hashlib
import io
import os
import shutil
import unicodedata
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import pandas as pd

from calib.report.whole import appearing
from calib.trust import UNTRUSTED
from capture.csvcells import safe_text
from capture.errors import UserError

COLUMNS = ["when", "vehicle", "event", "results", "figure", "value", "u95", "unit", "target", "tolerance", "verdict",
           "predicted", "predicted_u95", "entry"]
ADJUSTED = ["when", "vehicle", "before", "proposal", "change", "entry"]
KEPT = ("inputs.json", "rig.toml", "figures.csv", "proposals.json", "as_built.toml")  # of a result
LONGEST = 40  # letters of a vehicle's name in a folder's name
LOCKED_BYTE = 2**30


def record_path(folder: Path, vehicle: str) -> Path:
    """The table in the record of ``vehicle``, whose rig file lies in ``folder``."""
    return folder / f"record-{folder_name(vehicle)}" / "record.csv"


def home_of(rig_file: Path) -> Path:
    """The folder that holds the record of a rig file's vehicle: its own, or that named by RIGTRUE_RECORD."""
    return Path(os.environ.get("RIGTRUE_RECORD") or Path(os.path.abspath(rig_file)).parent)


def folder_name(vehicle: str) -> str:
    """A name as part of a folder's: letters of any script, digits and hyphens.

    Where more was dropped than spaces and punctuation, a few digits of the name's hash keep two vehicles apart.

    >>> folder_name("Moorhen (invented)"), folder_name("\u041b\u0438\u0441\u0430"), folder_name("\u2603")
    ('moorhen-invented', '\u043b\u0438\u0441\u0430', 'vehicle-516433')
    """
    name = unicodedata.normalize("NFC", vehicle).casefold()
    words = "".join(c if c.isalnum() else "-" for c in name)
    slug = "-".join(w for w in words.split("-") if w)
    lost = any(not (c.isalnum() or c.isspace() or c in "-_.,;:()'\"") for c in name)
    if lost or not slug or len(slug) > LONGEST:
        told = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:6]
        return f"{slug[:LONGEST].strip('-') or 'vehicle'}-{told}"
    return slug


def keep_entry(rig_file: Path, vehicle: str, event: str, results: Path, figures: pd.DataFrame,
               predicted: dict[str, tuple[float, float]] | None = None, changes: Sequence[str] = (), before: str = "",
               proposal: int = 0) -> Path:
    """Add a measurement to the record beside ``rig_file`` and return the record's folder.

    ``results``: the finished result folder. ``changes``: what was adjusted before, by the ``proposal``-th of the result
    folder ``before``. UserError, in one sentence, where the record cannot be written.
    """
    when = datetime.now()
    record = record_path(home_of(rig_file), vehicle).parent
    try:
        with appearing(record / f"{when:%Y-%m-%d %H.%M.%S} {event}") as made:
            for name in KEPT:
                if (results / name).is_file():
                    shutil.copyfile(results / name, made.here / name)
    except (OSError, UserError) as e:
        why = e.__cause__.strerror if isinstance(e.__cause__, OSError) else getattr(e, "strerror", "") or str(e)
        raise UserError(f"Cannot write the record {record}: {why}. The results themselves are whole.", "cannot_write",
                        str(record)) from e
    append_record(record.parent, vehicle, event, os.path.abspath(results), figures, predicted, when, made.final.name)
    if changes:
        stamp = when.isoformat(timespec="seconds")
        _append(record / "adjusted.csv", ADJUSTED,
                [[stamp, vehicle, before, proposal, c, made.final.name] for c in changes])
    return record


def append_record(folder: Path, vehicle: str, event: str, results: str, figures: pd.DataFrame,
                  predicted: dict[str, tuple[float, float]] | None = None, when: datetime | None = None,
                  entry: str = "") -> Path:
    """Add one line per figure to the record and return its path; lines already there are never touched.

    ``event`` is "measured" or "confirmed"; ``results`` names the result folder; ``predicted`` gives value and
    95 % half-width by figure name where a proposal was followed; ``entry`` is the folder kept of it. Raises
    UserError where the file there is not such a record or cannot be written.
    """
    path = record_path(folder, vehicle)
    _append(path, COLUMNS, lines(vehicle, event, results, figures, predicted, when, entry))
    return path


def lines(vehicle: str, event: str, results: str, figures: pd.DataFrame,
          predicted: dict[str, tuple[float, float]] | None = None, when: datetime | None = None,
          entry: str = "") -> list[list[object]]:
    """The record's lines of one measurement, as ``append_record`` adds them."""
    stamp = (when or datetime.now()).isoformat(timespec="seconds")
    none = (float("nan"), float("nan"))
    rows: list[list[object]] = []
    for _, r in figures.iterrows():
        told = (predicted or {}).get(str(r["name"]), none)
        verdict = f"{r['verdict']}: {UNTRUSTED}" if str(r.get("doubt") or "") not in ("", "nan") else r["verdict"]
        rows.append([stamp, vehicle, event, results, r["name"], *(r[c] for c in (
            "measured", "u95", "unit", "target", "tolerance")), verdict, *told, entry])
    return rows


def _append(path: Path, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Add lines to one of the record's tables; UserError where that is something else or cannot be written."""
    text = io.StringIO()
    csv.writer(text).writerows([_cell(v) for v in row] for row in rows)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a+b", buffering=0) as f, _alone(f):
            _grow(f, text.getvalue(), path, columns)
    except OSError as e:
        raise UserError(f"Cannot write the record {path}: {e.strerror}. The results themselves are whole.",
                        "cannot_write", str(path)) from e


def _grow(f: BinaryIO, rows: str, path: Path, columns: Sequence[str] = COLUMNS) -> None:
    """Add ``rows`` below what the open record holds; all of them or, where the disk is full, none."""
    size = f.seek(0, os.SEEK_END)
    head = ",".join(columns) + "\r\n"
    if size:
        f.seek(0)
        if f.readline(10_000).removeprefix(codecs.BOM_UTF8).strip() != head.strip().encode():
            raise UserError(f"{path} is not a record kept by rigtrue; move it away. The "
                            "results themselves are whole.", "not_ours", str(path))
        f.seek(-1, os.SEEK_END)
        head = "" if f.read(1) == b"\n" else "\r\n"  # some editors leave the last line open
    try:
        left = (head + rows).encode("utf-8", errors="backslashreplace")
        while left:
            left = left[f.write(left):]
    except OSError:
        with contextlib.suppress(OSError):
            f.truncate(size)
        raise


@contextlib.contextmanager
def _alone(f: BinaryIO) -> Iterator[None]:
    """Others that add to the same file wait meanwhile; let go when it is closed."""
    try:
        import fcntl
    except ImportError:
        import msvcrt  # on Windows: one byte far beyond the end stands for the file

        f.seek(LOCKED_BYTE)
        msvcrt.locking(f.fileno(), msvcrt.LK_LOCK, 1)  # type: ignore[attr-defined]
        try:
            yield
        finally:
            f.seek(LOCKED_BYTE)
            msvcrt.locking(f.fileno(), msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined]
        return
    fcntl.flock(f, fcntl.LOCK_EX)
    yield


def _cell(v: object) -> str:
    if isinstance(v, float):
        return "" if v != v else f"{v:.6g}"
    return "" if v is None else safe_text(str(v))


def read_record(path: Path) -> pd.DataFrame:
    """The record as a table; UserError where it does not read."""
    try:
        table = pd.read_csv(path, dtype={"vehicle": str, "event": str, "results": str, "figure": str, "entry": str})
    except (OSError, ValueError) as e:
        raise UserError(f"Cannot read the record {path}; is it a CSV kept by rigtrue?", "unreadable", str(path)) from e
    if list(table.columns) != COLUMNS:
        raise UserError(f"{path} is not a record kept by rigtrue.", "not_ours", str(path))
    return table


def so_far(rig_file: Path, vehicle: str, now: Sequence[Sequence[object]] = ()) -> pd.DataFrame:
    """The record beside ``rig_file`` as a table, with lines of a measurement that is still to be added.

    UserError where there is a record that does not read.
    """
    path = record_path(home_of(rig_file), vehicle)
    added = pd.DataFrame(list(now), columns=COLUMNS)
    if not path.exists():
        return added
    before = read_record(path)
    return before if added.empty else pd.concat([before, added], ignore_index=True)
