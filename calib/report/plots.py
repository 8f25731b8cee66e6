"""Plots of the comparison, drawn from the same tables the result folder keeps.

Tables are in surface units (mm, degrees). Colours are from the Okabe-Ito set, told apart by colour-blind
readers too; left and right also differ by marker and dash.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.report.sheet import short
from calib.trust import UNTRUSTED

if TYPE_CHECKING:  # a process that draws nothing has no need of it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]
LEFT, RIGHT, GREY, GREEN, INK = "#0072B2", "#D55E00", "#767676", "#009E73", "#222222"
DRAWN: Any = ((0, (4, 3)), (0, (1.2, 1.6)))  # dashes of the drawing's lines, left and right
SIDES: Any = (("left", LEFT, "o", "-", DRAWN[0]), ("right", RIGHT, "s", "-", DRAWN[1]))
_STYLE: Any = {
    "font.size": 11, "font.family": "DejaVu Sans", "axes.edgecolor": "#555555", "axes.labelcolor": INK,
    "axes.spines.top": False, "axes.spines.right": False, "axes.grid": True, "grid.color": "#e3e3e3",
    "grid.linewidth": 0.8, "legend.frameon": False, "legend.fontsize": 9.5, "svg.fonttype": "none",
    "svg.hashsalt": "rigtrue", "lines.linewidth": 1.6,
}


def style() -> AbstractContextManager[None]:
    """The look of all plots, to be in force while one is made and written."""
    import matplotlib

    return matplotlib.rc_context(_STYLE)


def blank(**settings: Any) -> Figure:
    """An empty figure that no window shows."""
    from matplotlib.figure import Figure

    return Figure(**settings)


def save(figure: Figure, stem: Path) -> list[Path]:
    """Write ``stem``.svg and ``stem``.png; returns both paths."""
    return [write(figure, stem.with_name(stem.name + end)) for end in (".svg", ".png")]


_SVG: Any = {"metadata": dict.fromkeys(("Creator", "Date", "Format", "Type"))}  # none: same rig, same file
_PNG: Any = {"pil_kwargs": {"compress_level": 3}}  # in half the time, with a tenth more bytes


def write(figure: Figure, path: Path) -> Path:
    """Write a picture as SVG or PNG, by the path's ending."""
    drawn = path.suffix.lower() == ".svg"
    with style():
        engine = figure.get_layout_engine()
        if engine is not None:  # once: each time it is asked to be written, it would be laid out twice
            engine.execute(figure)
            figure.set_layout_engine(None)
        figure.savefig(path, dpi=150, **(_SVG if drawn else _PNG))
    if drawn:
        path.write_text(tidy_svg(path.read_text(encoding="utf-8")), encoding="utf-8")
    return path


_TAGS = re.compile(r"(?:<[^>]*>\s*)+")
_FINER = re.compile(r"(?<=\.\d\d)\d+(?![\w.])")


def tidy_svg(svg: str) -> str:
    """The same picture with hundredths of a point, and with fonts that other machines have; what it says is left."""
    svg = svg.replace("font-family: 'DejaVu Sans'", "font-family: 'DejaVu Sans', Verdana, sans-serif")
    return _TAGS.sub(lambda tags: _FINER.sub("", tags[0]), svg).replace(" \n", "\n")


Shape = Literal["tall", "narrow", "wide"]  # for a screen, for a phone held upright, for the printed page
NARROW = 3.9  # inches: what a phone shows without making it smaller, so that text stays readable there


def _frame(heights: Sequence[float], size: tuple[float, float]) -> tuple[Figure, list[Axes]]:
    figure = blank(figsize=size, layout="constrained")
    axes = figure.subplots(len(heights), 1, sharex=True, height_ratios=list(heights), squeeze=False)[:, 0]
    return figure, list(axes)


def steer_curves(curves: pd.DataFrame, measured: pd.DataFrame, driver: str = "lever",
                 positive: str = "forward", shape: Shape = "tall") -> Figure:
    """The central plot: steer of both wheels over the driver angle, and measured minus design below (wide: beside).

    ``curves`` has lever_deg and, per side, <side>_design_deg, <side>_asbuilt_deg, <side>_u95_deg.
    ``measured`` has position, lever_deg, lever_u95_deg and, per side, <side>_deg, <side>_u95_deg,
    <side>_difference_deg and <side>_difference_u95_deg; it may be empty.
    """
    with style():
        if shape == "wide":
            figure = blank(figsize=(7.4, 2.9), layout="constrained")
            top, low = figure.subplots(1, 2)
        else:
            figure, (top, low) = _frame((1.5, 1.0), (NARROW, 5.6) if shape == "narrow" else (7.0, 7.4))
        small = None if shape == "tall" else 9
        x = curves["lever_deg"].to_numpy(float)
        ends: tuple[dict[str, Array], dict[str, Array]] = ({}, {})
        for side, colour, marker, dash, drawn in SIDES:
            if f"{side}_design_deg" not in curves:
                continue
            design = curves[f"{side}_design_deg"].to_numpy(float)
            built = curves[f"{side}_asbuilt_deg"].to_numpy(float)
            u = curves[f"{side}_u95_deg"].to_numpy(float)
            top.plot(x, design, color=colour, linestyle=drawn, linewidth=1.1, label=f"{side}, drawn")
            for ax, y in ((top, built), (low, built - design)):
                ax.fill_between(x, y - u, y + u, color=colour, alpha=0.22, linewidth=0)
                ax.plot(x, y, color=colour, linestyle=dash, label=f"{side}, as built")
            ends[0][side], ends[1][side] = built, built - design
            if len(measured):
                m = measured[np.isfinite(measured[f"{side}_deg"].to_numpy(float))]
                xm, ym = m["lever_deg"].to_numpy(float), m[f"{side}_deg"].to_numpy(float)
                ex, ey = m["lever_u95_deg"].to_numpy(float), m[f"{side}_u95_deg"].to_numpy(float)
                bars: Any = {"color": colour, "marker": marker, "markersize": 5, "linestyle": "none", "capsize": 3,
                        "markerfacecolor": "white", "elinewidth": 1.1}
                top.errorbar(xm, ym, xerr=ex, yerr=ey, label=f"{side}, measured", **bars)
                low.errorbar(xm, m[f"{side}_difference_deg"], yerr=m[f"{side}_difference_u95_deg"], **bars)
        top.set_ylabel("steer angle, deg (left +)", fontsize=small)
        low.set_ylabel("steer less drawn, deg", fontsize=small)
        for ax, y in zip((top, low), ends, strict=True):
            ax.axhline(0, color="#999999", linewidth=0.8, zorder=0)
            ax.axvline(0, color="#999999", linewidth=0.8, zorder=0)
            ax.tick_params(labelsize=small)
            _named_at_end(ax, x, y, 0.1 if shape == "tall" else 0.17)
        for ax in (top, low) if shape == "wide" else (low,):
            ax.set_xlabel(f"{driver} angle, deg ({positive} +)", fontsize=small)
        if "doubt" in curves and curves["doubt"].astype(bool).any():
            top.text(0.02, 0.04, UNTRUSTED, color=RIGHT, transform=top.transAxes, va="bottom")
        lines = _legend_rows(top)
        if shape == "wide":
            figure.legend(*lines, ncols=6, loc="outside upper center", fontsize=9, handlelength=1.6, columnspacing=1.0)
        else:
            top.legend(*lines, ncols=3, loc="lower center", bbox_to_anchor=(0.44, 1.0), columnspacing=1.0,
                       fontsize=8.7 if shape == "narrow" else None, handlelength=1.5)
    return figure


def _legend_rows(ax: Axes) -> tuple[list[Any], list[str]]:
    """Lines and names of a legend in three columns: drawn, as built, measured, left above right."""
    handles, names = ax.get_legend_handles_labels()
    kinds = ("drawn", "as built", "measured")
    order = sorted(range(len(names)), key=lambda k: kinds.index(names[k].partition(", ")[2]))
    return [handles[k] for k in order], [names[k] for k in order]


def _named_at_end(ax: Axes, x: Array, lines: Mapping[str, Array], share: float) -> None:
    """Left and right written on their lines, at the end where these are further apart: in grey no colour tells.

    ``share`` of the width is kept free for it.
    """
    if len(lines) < 2:
        return
    a, b = lines.values()
    end = 0 if np.nan_to_num(abs(a[0] - b[0])) > np.nan_to_num(abs(a[-1] - b[-1])) else -1
    for side, y in lines.items():
        if np.isfinite(y[end]):
            ax.annotate(side, (x[end], y[end]), xytext=(5 if end else -5, 0), textcoords="offset points", fontsize=9,
                        ha="left" if end else "right", va="center", color=INK)
    room = share * float(np.ptp(x))
    ax.set_xlim(x[0] - (0.3 if end else 1.0) * room, x[-1] + (1.0 if end else 0.3) * room)


def confirm_curves(before: pd.DataFrame, predicted: pd.DataFrame | None, after: pd.DataFrame,
                   measured_after: pd.DataFrame, driver: str = "lever", positive: str = "forward",
                   shape: Shape = "tall") -> Figure:
    """Before, predicted and after as differences from the design, left above right.

    Tables as ``curves`` in ``steer_curves``; ``predicted`` may be None where no proposal was followed.
    """
    with style():
        figure, axes = _frame((1.0, 1.0), (NARROW, 5.6) if shape == "narrow" else (7.0, 7.4))
        small = 9 if shape == "narrow" else None
        for ax, (side, colour, marker, *_) in zip(axes, SIDES, strict=True):
            for table, name, tint, dash in ((before, "before", GREY, ":"), (predicted, "predicted", GREEN, "--"),
                                            (after, "after", colour, "-")):
                if table is None or f"{side}_asbuilt_deg" not in table:
                    continue
                x = table["lever_deg"].to_numpy(float)
                d = (table[f"{side}_asbuilt_deg"] - table[f"{side}_design_deg"]).to_numpy(float)
                u = table[f"{side}_u95_deg"].to_numpy(float)
                ax.fill_between(x, d - u, d + u, color=tint, alpha=0.18, linewidth=0)
                ax.plot(x, d, label=name, color=tint, linestyle=dash)
            if len(measured_after) and f"{side}_design_deg" in after:
                m = measured_after
                ax.errorbar(m["lever_deg"], m[f"{side}_difference_deg"], yerr=m[f"{side}_difference_u95_deg"],
                            color=colour, marker=marker, markerfacecolor="white", markersize=5, linestyle="none",
                            capsize=3, label="measured after")
            ax.axhline(0, color="#999999", linewidth=0.8, zorder=0)
            ax.set_ylabel(f"{side} steer less drawn, deg", fontsize=small)
            ax.tick_params(labelsize=small)
            ax.legend(ncols=2 if shape == "narrow" else 4, loc="lower center", bbox_to_anchor=(0.5, 0.98))
        axes[-1].set_xlabel(f"{driver} angle, deg ({positive} +)", fontsize=small)
    return figure


def narrowed(figure: Figure, letters: float | None = None) -> Figure:
    """The same figure as wide as a phone; ``letters``: size of its labels, points, where that must be smaller then."""
    figure.set_size_inches(NARROW, figure.get_figheight())
    figure.set_layout_engine("constrained")
    if letters is not None:
        for ax in figure.axes:
            ax.tick_params(labelsize=letters)
            ax.xaxis.label.set_fontsize(letters)
            ax.yaxis.label.set_fontsize(letters)
    return figure


def figure_bars(figures: pd.DataFrame) -> Figure:
    """Each figure with a target as a 95 % bar on a scale where the tolerance is -1 to +1.

    Uses name, measured, u95, target, tolerance; rows without a tolerance are left out.
    """
    rows = figures[figures["tolerance"].notna() & (figures["tolerance"] > 0) & figures["measured"].notna()]
    with style():
        figure = blank(figsize=(7.0, 0.9 + 0.42 * max(len(rows), 1)), layout="constrained")
        ax = figure.subplots()
        ax.axvspan(-1, 1, color=GREEN, alpha=0.14, linewidth=0)
        for k, (_, r) in enumerate(rows.iloc[::-1].iterrows()):
            value = (r["measured"] - r["target"]) / r["tolerance"]
            bar = r["u95"] / r["tolerance"]
            shown = float(np.clip(value, -3.6, 3.6))
            colour = {"met": GREEN, "not met": RIGHT}.get(str(r["verdict"]), GREY)
            mark = {"met": "o", "not met": "X"}.get(str(r["verdict"]), "D")
            ax.errorbar(shown, k, xerr=min(bar, 8.0), color=colour, marker=mark, capsize=4, markersize=6)
            if shown != value:
                ax.annotate(f"{value:+.1f}", (shown, k), textcoords="offset points", xytext=(0, 7), fontsize=9,
                            ha="center")
        doubt = rows["doubt"].astype(bool) if "doubt" in rows else [False] * len(rows)
        names = [short(str(n)) + (f"\n{UNTRUSTED}" if d else "") for n, d in zip(rows["name"], doubt, strict=True)]
        ax.set_yticks(range(len(rows)), names[::-1])
        ax.set_ylim(-0.6, max(len(rows), 1) - 0.4)
        ax.set_xlim(-4, 4)
        ax.set_xlabel("off target, in tolerances (field: inside)")
        ax.grid(axis="y", visible=False)
    return figure


def photo_quality(photos: pd.DataFrame) -> Figure:
    """RMS corner residual of every photo, px. ``photos`` has photo, position, corners, rms_px, outliers."""
    with style():
        figure = blank(figsize=(7.0, 2.8), layout="constrained")
        ax = figure.subplots()
        x = np.arange(len(photos))
        ax.bar(x, photos["rms_px"], color="#9db8c7", width=0.8)
        bad = photos["outliers"].to_numpy(float) > 0.03 * photos["corners"].to_numpy(float)
        ax.plot(x[bad], photos["rms_px"].to_numpy(float)[bad], "X", color=RIGHT, label="over 3 % of corners set aside")
        positions = photos["position"].astype(str).to_numpy()
        starts = [i for i in range(len(positions)) if i == 0 or positions[i] != positions[i - 1]]
        ax.set_xticks(starts, [positions[i] for i in starts], rotation=35, ha="right", fontsize=9)
        ax.set_ylabel("RMS, px")
        ax.set_ylim(0, 1.25 * float(photos["rms_px"].max()) if len(photos) else 1.0)
        ax.set_axisbelow(True)
        if bad.any():
            ax.legend(loc="upper left")
        ax.grid(axis="x", visible=False)
    return figure


def residual_arrows(residuals: pd.DataFrame) -> Figure:
    """Residual vectors of all corners in px: a round cloud is good; a lump aside names a bad tag or photo.

    ``residuals`` has du, dv (px) and weight (0 for a corner set aside).
    """
    with style():
        figure = blank(figsize=(4.4, 4.2), layout="constrained")
        ax = figure.subplots()
        du, dv = residuals["du"].to_numpy(float), residuals["dv"].to_numpy(float)
        used = residuals["weight"].to_numpy(float) > 0.5
        ax.scatter(du[used], dv[used], s=3, color=LEFT, alpha=0.35, linewidths=0, rasterized=True)
        span = 1.05 * np.quantile(np.abs(np.concatenate([du[used], dv[used]])), 0.999) if used.any() else 1.0
        far = ~used
        ax.plot(np.clip(du[far], -span, span), np.clip(dv[far], -span, span), "x", color=RIGHT, markersize=4)
        ax.set_xlim(-span, span)
        ax.set_ylim(span, -span)
        ax.set_aspect("equal")
        ax.set_xlabel("sideways, px")
        ax.set_ylabel("down, px")
    return figure
