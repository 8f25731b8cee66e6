"""Reading a result folder back: the state before an adjustment, what was predicted, and how it came out."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.report.sheet import Sheet, make_sheet
from calib.report.whole import check_whole
from calib.rig.adjustables import adjusted, moves_of
from calib.rig.model import Rig
from calib.rig.reader import load_rig
from calib.uncertainty import own_half_widths
from capture.errors import UserError

FIGURE_COLUMNS = ("name", "label", "design", "measured", "u95", "unit", "target", "tolerance", "verdict", "says",
                  "from_photos")


@dataclass(frozen=True)
class BeforeAfter:
    """One figure before, as predicted and after, surface units with 95 % half-widths; NaN where unknown."""

    name: str
    label: str
    unit: str
    before: tuple[float, float]
    predicted: tuple[float, float]
    after: tuple[float, float]
    verdict: str

    @property
    def as_predicted(self) -> bool | None:
        """Whether after and predicted agree: |E_n| <= 1 (ISO/IEC 17043, E_n number; clause from memory)."""
        d = self.after[0] - self.predicted[0]
        u = math.hypot(self.after[1], self.predicted[1])
        if not (math.isfinite(d) and math.isfinite(u)):
            return None
        return abs(d) <= u


@dataclass(frozen=True)
class Before:
    """A result folder read back, with the proposal that was followed."""

    folder: Path
    figures: pd.DataFrame
    curves: pd.DataFrame
    predicted: pd.DataFrame | None  # curves
    predicted_figures: Mapping[str, tuple[float, float]]
    changes: tuple[str, ...]
    items: tuple[Mapping[str, Any], ...] = ()  # the same as data: kind, item, before, after, mm, turns
    asked: tuple[str, ...] = ()  # lever positions that the work list asked for; empty: all
    rig: Rig | None = None  # as it was measured then
    u95: Mapping[str, float] = field(default_factory=dict)  # of its parameters

    @property
    def holes(self) -> dict[str, str]:
        """Point to the hole its rod end was to move to."""
        return {i["item"]: i["after"] for i in self.items if i["kind"] == "hole"}

    def outcomes(self, after: pd.DataFrame) -> list[BeforeAfter]:
        """Before, predicted and after of every figure with a target; ``after`` is a figures table."""
        was = {str(r["name"]): (float(r["measured"]), float(r["u95"])) for _, r in self.figures.iterrows()}
        none = (math.nan, math.nan)
        return [BeforeAfter(str(r["name"]), str(r["label"]), text(r["unit"]), was.get(str(r["name"]), none),
                        self.predicted_figures.get(str(r["name"]), none), (float(r["measured"]), float(r["u95"])),
                        text(r["verdict"]))
                for _, r in after.iterrows() if text(r["verdict"])]


def text(v: object) -> str:
    """A table cell as text; nothing for an empty one."""
    return "" if v is None or (isinstance(v, float) and v != v) else str(v)


def load_before(folder: Path, proposal: int = 1) -> Before:
    """The result folder of an earlier run and its ``proposal``-th proposal (1 is the first, 0 is none of them).

    Raises UserError where the folder is no result folder, is unfinished or altered, or has no such proposal.
    """
    check_whole(folder)
    work = read_json(folder, "proposals.json")
    made = work.get("proposals", [])
    if made and proposal > len(made):
        raise UserError(f"{folder / 'proposals.json'} holds {len(made)} proposals; --proposal {proposal} is not one "
                        "of them.", "no_such_proposal", str(proposal))
    chosen: Mapping[str, Any] = made[proposal - 1] if made and proposal else {}
    curves = chosen.get("curves")
    predicted = {f["name"]: (number(f["value"]), number(f["u95"])) for f in chosen.get("predicted", ())}
    rig, u95 = _measured_then(folder)
    return Before(folder, read_table(folder, "figures.csv", FIGURE_COLUMNS),
                  read_table(folder, "curves.csv", ("lever_deg", "left_asbuilt_deg")),
                  None if curves is None else pd.DataFrame(curves).astype(float), predicted,
                  tuple(chosen.get("changes", ())), tuple(chosen.get("items", ())),
                  tuple(p for labels in chosen.get("shoot", {}).values() for p in labels), rig, u95)


def _measured_then(folder: Path) -> tuple[Rig | None, dict[str, float]]:
    """The rig measured before and the half-widths of its parameters; None where a folder lacks them."""
    if not (folder / "as_built.toml").is_file():
        return None, {}
    known = read_json(folder, "fit.json").get("parameters", {})
    u95 = own_half_widths(np.array(known.get("covariance") or np.zeros((0, 0)), float))
    return load_rig(folder / "as_built.toml"), dict(zip(known.get("names", ()), u95.tolist(), strict=True))


def after_changes(rig: Rig, before: Before, shot: Collection[str] = ()) -> tuple[Rig, list[str]]:
    """The rig with rod ends in the holes that the followed proposal names, and a line for each one moved.

    The design curve stays that of the rig file; only where the rod end is looked for changes. Of the lever positions
    those stay that the work list asked for and those that were ``shot``, so that no other is missed.
    """
    if before.asked:
        wanted = {*before.asked, *shot}
        every = (rig.positions, rig.spin_positions, rig.lean_positions)
        kept, spun, leaned = (tuple(p for p in labels if p in wanted) for labels in every)
        rig = replace(rig, positions=kept, spin_positions=spun, lean_positions=leaned)
    points, said = dict(rig.points), []
    for name, hole in before.holes.items():
        p = points.get(name)
        if p is None or hole not in p.holes or p.use == hole:
            continue
        points[name] = replace(p, use=hole)
        said.append(f'{name}: taken to be in hole {hole} now, as the work list said (the drawing has "{p.use}").')
    rig = replace(rig, points=points)
    moved = {str(i["item"]): number(i.get("amount")) for i in before.items if i["kind"] not in ("hole", "rod")}
    here = {n: x for n, x in moved.items() if n in moves_of(rig) and x == x}
    said += [f"{n}: taken to be set by {moves_of(rig)[n].amount_words(x)} from the drawing now, as the work list said."
             for n, x in here.items()]
    return adjusted(rig, {}, here), said


def load_sheet(folder: Path) -> tuple[Sheet, str]:
    """The go / no-go sheet of a result folder, and the vehicle's name. UserError where it is none, or altered."""
    check_whole(folder)
    fit = read_json(folder, "fit.json")
    limits = read_table(folder, "limits.csv", ("kept", "text"))
    kept = [(_yes(r["kept"], folder / "limits.csv"), str(r["text"])) for _, r in limits.iterrows()]
    figures = read_table(folder, "figures.csv", FIGURE_COLUMNS)
    return make_sheet(figures, fit.get("findings", []), kept), str(fit.get("vehicle", ""))


def _yes(cell: object, path: Path) -> bool:
    if str(cell) not in ("True", "False"):  # such as a word cut short, which must not pass for yes
        raise UserError(f"{path} says {cell!r} where it must say True or False; it is damaged, so run the measurement "
                        "again.", "unreadable", str(path))
    return str(cell) == "True"


def number(v: object) -> float:
    """A JSON number, NaN for null."""
    return float(v) if isinstance(v, int | float) else math.nan


def _file(folder: Path, name: str) -> Path:
    path = folder / name
    if not folder.is_dir():
        raise UserError(f"{folder} is not a folder; give the result folder of a run.", "no_folder", str(folder))
    if not path.is_file():
        raise UserError(f"{folder} holds no {name}; give the result folder of a finished run.", "no_file", name)
    return path


def read_json(folder: Path, name: str) -> dict[str, Any]:
    """A JSON object from a result folder; UserError where it is missing or damaged."""
    path = _file(folder, name)
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as e:
        raise UserError(f"{path} cannot be read; it is damaged, so run the measurement again.",
                        "unreadable", str(path)) from e
    if not isinstance(data, dict):
        raise UserError(f"{path} is not a file that rigtrue wrote; give the result folder of a run.",
                        "not_ours", str(path))
    return data


def read_table(folder: Path, name: str, columns: tuple[str, ...]) -> pd.DataFrame:
    """A CSV from a result folder; UserError where it is missing, damaged or lacks ``columns``."""
    path = _file(folder, name)
    try:
        table = pd.read_csv(path)
    except (OSError, ValueError) as e:
        raise UserError(f"{path} cannot be read; it is damaged, so run the measurement again.",
                        "unreadable", str(path)) from e
    missing = [c for c in columns if c not in table.columns]
    if missing:
        raise UserError(f"{path} lacks the column {missing[0]}; it was changed, so run the measurement again.",
                        "unreadable", str(path))
    return table
