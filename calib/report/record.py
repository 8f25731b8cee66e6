"""A record kept per vehicle: one CSV that only ever grows, a few lines for each measurement."""

from __future__ import annotations

import csv
import re
from datetime import datetime
from pathlib import Path

import pandas as pd

from capture.errors import UserError

COLUMNS = ["when", "vehicle", "event", "results", "figure", "value", "u95", "unit", "target", "tolerance", "verdict",
           "predicted", "predicted_u95"]


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
    fresh = not path.exists()
    if not fresh:
        with path.open(newline="", encoding="utf-8") as f:
            if next(csv.reader(f), []) != COLUMNS:
                raise UserError(f"{path} is not a record kept by rigtrue; move it away or choose another --out.",
                                "not_ours", str(path))
    try:
        with path.open("a", newline="", encoding="utf-8") as f:
            w = csv.writer(f)
            if fresh:
                w.writerow(COLUMNS)
            for _, r in figures.iterrows():
                told = (predicted or {}).get(str(r["name"]), (float("nan"), float("nan")))
                w.writerow([stamp, vehicle, event, results, r["name"], *(_cell(r[c]) for c in (
                    "measured", "u95", "unit", "target", "tolerance", "verdict")), _cell(told[0]), _cell(told[1])])
    except OSError as e:
        raise UserError(f"Cannot write the record {path}: {e.strerror}.", "cannot_write", str(path)) from e
    return path


def _cell(v: object) -> str:
    if isinstance(v, float):
        return "" if v != v else f"{v:.6g}"
    return "" if v is None else str(v)


def read_record(path: Path) -> pd.DataFrame:
    """The record as a table; UserError where it does not read."""
    try:
        table = pd.read_csv(path, dtype={"vehicle": str, "event": str, "results": str, "figure": str})
    except (OSError, ValueError) as e:
        raise UserError(f"Cannot read the record {path}; is it a CSV kept by rigtrue?", "unreadable", str(path)) from e
    if list(table.columns) != COLUMNS:
        raise UserError(f"{path} is not a record kept by rigtrue.", "not_ours", str(path))
    return table
