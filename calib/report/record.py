"""A record kept per vehicle: one CSV that only ever grows, a few lines for each measurement."""

from __future__ import annotations

import codecs
import contextlib
import csv
import io
import os
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import pandas as pd

from capture.csvcells import safe_text
from capture.errors import UserError

COLUMNS = ["when", "vehicle", "event", "results", "figure", "value", "u95", "unit", "target", "tolerance", "verdict",
           "predicted", "predicted_u95"]
LOCKED_BYTE = 2**30


def record_path(folder: Path, vehicle: str) -> Path:
    """Where the record of ``vehicle`` lies in ``folder``."""
    slug = re.sub(r"[^a-z0-9]+", "-", vehicle.lower()).strip("-") or "vehicle"
    return folder / f"record-{slug}.csv"


def append_record(folder: Path, vehicle: str, event: str, results: str, figures: pd.DataFrame,
                  predicted: dict[str, tuple[float, float]] | None = None, when: datetime | None = None) -> Path:
    """Add one line per figure to the record and return its path; lines already there are never touched.

    ``event`` is "measured" or "confirmed"; ``results`` names the result folder; ``predicted`` gives value and
    95 % half-width by figure name where a proposal was followed. Raises UserError where the file there is
    not such a record or cannot be written.
    """
    path = record_path(folder, vehicle)
    stamp = (when or datetime.now()).isoformat(timespec="seconds")
    none = (float("nan"), float("nan"))
    rows = []
    for _, r in figures.iterrows():
        told = (predicted or {}).get(str(r["name"]), none)
        rows.append([stamp, vehicle, event, results, r["name"], *(r[c] for c in (
            "measured", "u95", "unit", "target", "tolerance", "verdict")), *told])
    text = io.StringIO()
    csv.writer(text).writerows([_cell(v) for v in row] for row in rows)
    try:
        with path.open("a+b", buffering=0) as f, _alone(f):
            _grow(f, text.getvalue(), path)
    except OSError as e:
        raise UserError(f"Cannot write the record {path}: {e.strerror}. The results themselves are whole.",
                        "cannot_write", str(path)) from e
    return path


def _grow(f: BinaryIO, rows: str, path: Path) -> None:
    """Add ``rows`` below what the open record holds; all of them or, where the disk is full, none."""
    size = f.seek(0, os.SEEK_END)
    head = ",".join(COLUMNS) + "\r\n"
    if size:
        f.seek(0)
        if f.readline(10_000).removeprefix(codecs.BOM_UTF8).strip() != head.strip().encode():
            raise UserError(f"{path} is not a record kept by rigtrue; move it away or choose another --out. The "
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
        table = pd.read_csv(path, dtype={"vehicle": str, "event": str, "results": str, "figure": str})
    except (OSError, ValueError) as e:
        raise UserError(f"Cannot read the record {path}; is it a CSV kept by rigtrue?", "unreadable", str(path)) from e
    if list(table.columns) != COLUMNS:
        raise UserError(f"{path} is not a record kept by rigtrue.", "not_ours", str(path))
    return table
