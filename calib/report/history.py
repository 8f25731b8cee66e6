"""The history plot: every judged figure with its tolerance and 95 % interval over the shoots of a vehicle's record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from calib.report.plots import INK, LEFT, NARROW, RIGHT, blank, style, write
from calib.report.record import home_of, record_path, so_far
from calib.report.sheet import short
from calib.report.whole import free_path
from calib.rig.reader import load_rig
from capture.csvcells import safe_cells
from capture.errors import UserError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ASIDE = 0.18  # of the way between two shoots: where the prediction stands before what came of it
MOST_DATES = {True: 4, False: 6}  # under one small plot, narrow or not
MOST_SHOOTS = 30  # the latest; the CSV has all


@dataclass(frozen=True)
class History:
    """A vehicle's record. ``record``: one row for each judged figure of each shoot, values in the figure's unit with
    95 % half-widths ``u95``, and what was ``predicted`` of it.
    """

    vehicle: str
    record: pd.DataFrame

    @property
    def shoots(self) -> pd.DataFrame:
        """One row per shoot in order of time: when, event, results, met, judged."""
        return shoots(self.record)

    @property
    def table(self) -> pd.DataFrame:
        """The record with the number of each line's ``shoot``, from 1, in order of time."""
        return over_shoots(self.record)

    def figure(self, name: str) -> pd.DataFrame:
        """One figure over the shoots, such as "toe". KeyError where no shoot judged it."""
        table = self.table
        judged = sorted(set(table["figure"]))
        if name not in judged:
            raise KeyError(f"no shoot of {self.vehicle} judged {name!r}; judged are {', '.join(judged)}")
        return table[table["figure"] == name].reset_index(drop=True)

    def lines(self) -> list[str]:
        """A line per shoot."""
        return [f"{k}. {str(s['when']).replace('T', ' ')} {s['event']}: {s['met']} of {s['judged']} tolerances met"
                for k, s in enumerate(self.shoots.to_dict("records"), 1)]

    def write(self, picture: str | Path, narrow: bool = False) -> tuple[Path, Path]:
        """Draw it, .svg or .png, with the table as CSV beside it; where both are: names that are taken get a number."""
        made = write(history_plot(self.record, narrow=narrow), free_path(Path(picture)))
        table = free_path(made.with_suffix(".csv"))
        safe_cells(self.table).to_csv(table, index=False, float_format="%.6g")
        return made, table


def history(rig_file: str | Path, said: Callable[[str], None] = lambda _: None) -> History:
    """All shoots in the record of a rig file's vehicle, which lies beside it (or where RIGTRUE_RECORD says).

    ``said`` is given remarks on the rig file. UserError where there is no record yet or it cannot be read.
    """
    path = Path(rig_file)
    rig = load_rig(path)
    for remark in rig.remarks:
        said(remark)
    record = so_far(path, rig.name)
    if record.empty:
        raise UserError(f"There is no record of {rig.name} beside {path} yet: rigtrue run and confirm keep it there, "
                        f"in {record_path(home_of(path), rig.name).parent}.", "no_record", str(path))
    return History(rig.name, record)


def shoots(record: pd.DataFrame) -> pd.DataFrame:
    """One row per shoot in order of time: when, event, results, met, judged; from a record's table."""
    rows = [{"when": when, "event": event, "results": results, "met": int((g["verdict"] == "met").sum()),
             "judged": len(g)} for (when, event, results), g in record.groupby(["when", "event", "results"], sort=True,
                                                                              dropna=False)]
    return pd.DataFrame(rows, columns=["when", "event", "results", "met", "judged"])


def over_shoots(record: pd.DataFrame) -> pd.DataFrame:
    """The record's lines with the number of their shoot, from 1, in order of time."""
    keys = list(shoots(record)[["when", "event", "results"]].itertuples(index=False, name=None))
    number = {k: i for i, k in enumerate(keys, 1)}
    each = list(record[["when", "event", "results"]].itertuples(index=False, name=None))
    out = record.assign(shoot=[number.get(k, 0) for k in each])
    return out.sort_values(["shoot"], kind="stable").reset_index(drop=True)


def history_plot(record: pd.DataFrame, narrow: bool = False) -> Figure:
    """Small plots, one a figure, over the shoots: tolerance as a field, measured, predicted.

    ``record`` as ``read_record`` gives it, values in its units with 95 % half-widths.
    """
    table = over_shoots(record)
    last = int(table["shoot"].max())
    table = table[table["shoot"] > last - MOST_SHOOTS]
    names = list(dict.fromkeys(table["figure"]))
    columns = 1 if narrow else 2
    rows = -(-len(names) // columns)
    with style():
        figure = blank(figsize=(NARROW if narrow else 7.6, 0.9 + 1.85 * rows), layout="constrained")
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        when = {int(k): str(w) for k, w in zip(table["shoot"], table["when"], strict=True)}
        for ax, name in zip(axes, names, strict=False):
            _one(ax, table[table["figure"] == name], str(name), when, narrow)
        for ax in axes[len(names):]:
            ax.set_axis_off()
        handles = {label: h for ax in axes for h, label in zip(*ax.get_legend_handles_labels(), strict=True)}
        figure.legend(list(handles.values()), list(handles), loc="outside upper center", ncols=2 if narrow else 4,
                      fontsize=9, handlelength=2.0, columnspacing=1.0)
    return figure


def _one(ax: Axes, t: pd.DataFrame, name: str, when: dict[int, str], narrow: bool) -> None:
    x, y, u = (t[c].to_numpy(float) for c in ("shoot", "value", "u95"))
    target, tolerance = t["target"].to_numpy(float), t["tolerance"].to_numpy(float)
    for k in range(len(t)):  # each shoot was judged by the rig file of its time
        if np.isfinite(target[k]) and np.isfinite(tolerance[k]):
            at, low, high = [x[k] - 0.5, x[k] + 0.5], target[k] - tolerance[k], target[k] + tolerance[k]
            ax.fill_between(at, low, high, color="#dcdcdc", linewidth=0, label="tolerance", zorder=0.4)
            ax.plot(at, [target[k]] * 2, color=INK, linestyle=(0, (1.2, 1.6)), linewidth=1.1, label="target",
                    zorder=1.8)
    ax.plot(x, y, color=LEFT, linewidth=1.4, label="measured, \u00b1 95 %", zorder=2)
    for verdict, face in (("met", LEFT), ("not met", "white"), ("", "white")):
        mine = (t["verdict"] == verdict).to_numpy() if verdict else ~t["verdict"].isin(["met", "not met"]).to_numpy()
        if mine.any():
            bars: Any = {"color": LEFT, "marker": {"met": "o", "not met": "X"}.get(verdict, "o"), "capsize": 3,
                         "markerfacecolor": LEFT if verdict == "not met" else face, "linestyle": "none",
                         "markersize": 7 if verdict == "not met" else 5, "elinewidth": 1.2}
            ax.errorbar(x[mine], y[mine], yerr=np.nan_to_num(u[mine]), label=verdict or "not known yet", zorder=3,
                        **bars)
    _predicted(ax, t, x, y)
    ax.set_title(short(name), fontsize=10, loc="left", color=INK)
    ax.set_ylabel("" if str(t["unit"].iloc[0]) in ("nan", "plain", "1", "") else str(t["unit"].iloc[0]), fontsize=9)
    first, last = min(when), max(when)
    ax.set_xlim(first - 0.6, last + 0.6)
    step = max(1, -(-len(when) // MOST_DATES[narrow]))
    ticks = sorted(when)[::-step][::-1]
    ax.set_xticks(ticks, [f"{k}\n{_day(when[k])}" for k in ticks], fontsize=8.5)
    ax.tick_params(axis="y", labelsize=9)
    ax.set_axisbelow(True)
    ax.grid(axis="x", visible=False)


def _predicted(ax: Axes, t: pd.DataFrame, x: np.ndarray, y: np.ndarray) -> None:
    """What was predicted of a shoot, a little before it, dashed from the shoot before."""
    p, pu = t["predicted"].to_numpy(float), t["predicted_u95"].to_numpy(float)
    for k in np.flatnonzero(np.isfinite(p)):
        at = x[k] - ASIDE
        if k and np.isfinite(y[k - 1]):
            ax.plot([x[k - 1], at], [y[k - 1], p[k]], color=RIGHT, linestyle="--", linewidth=1.2, zorder=2)
        ax.errorbar(at, p[k], yerr=np.nan_to_num(pu[k]), color=RIGHT, marker="D", markerfacecolor="white", markersize=5,
                    capsize=3, linestyle="--", elinewidth=1.2, label="predicted, \u00b1 95 %", zorder=3)


def _day(when: str) -> str:
    try:
        day = datetime.fromisoformat(when)
    except ValueError:
        return when[:10]
    return f"{day.day} {day:%b %y}"
