"""Small multiples of what the steering does over its travel, one small picture for each question.

Dashed is the drawing, solid the rig as built with its 95 % band; a rig that was not measured is drawn solid.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.advice.travel import HoldOverTravel, Travel, beyond, end_key, pair_key, ways
from calib.findings import spoken
from calib.linkage.limits import TOGGLE_MARGIN
from calib.report.plots import GREEN, GREY, LEFT, RIGHT, blank, style, write

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = (LEFT, RIGHT, GREEN, "#CC79A7", "#000000", "#56B4E9", "#E69F00")  # Okabe and Ito's set
MARKS = ("o", "s", "^", "D", "v", "P", "X")
DASHED: Any = (0, (4, 3))
LIMIT = "#a23b00"
SMALLEST_ANGLE, LARGEST_TILT = "smallest allowed, deg:", "largest allowed, deg:"
SIZE = (4.15, 3.5)  # inches; on a phone held upright it becomes a tenth smaller
INSIDE = "legend_inside"  # marks a legend that needs no room below
Curve = tuple[str, str, str]  # column, name in the legend, colour


@dataclass(frozen=True)
class Panel:
    """One small picture: file stem, title, caption, whether its as-built lines carry a band, and its drawing."""

    stem: str
    title: str
    caption: str
    banded: bool
    draw: Callable[[Axes], None]


def panels(t: Travel) -> list[Panel]:
    """The pictures a rig's travel gives, in reading order."""
    rig = t.rig
    x = f"{spoken(rig.driver)} angle, deg ({ways(rig)[1]} +)"

    def over(*curves: Curve, y: str, limits: Sequence[tuple[float, str]] = (), zero: bool = False,
             low: float | None = None) -> Callable[[Axes], None]:
        def draw(ax: Axes) -> None:
            for column, name, colour in curves:
                _line(ax, t, column, name, colour, scale=0.001 if column.startswith("turn") else 1.0)
            for value, name in limits:
                _limit(ax, value, name)
            if zero:
                ax.axhline(0, color="#999999", linewidth=0.8, zorder=0)
            if low is not None:
                ax.set_ylim(bottom=low)
            ax.axvline(0, color="#999999", linewidth=0.8, zorder=0)
            ax.set_xlabel(x)
            ax.set_ylabel(y)
            if len(curves) > 1:
                _legend(ax)
        return draw

    def sides(name: str) -> tuple[Curve, Curve]:
        return (name.format("left"), "left wheel", LEFT), (name.format("right"), "right wheel", RIGHT)

    out = [
        Panel("ratio", "Steering ratio", "How far each wheel turns for one degree of the lever, at that lever angle.",
              True, over(*sides("ratio_{}"), y="wheel deg per lever deg")),
        Panel("outer_inner", "Outer against inner wheel",
              "Steer from straight ahead. Grey: rolling round one point on the rear axle's line (Ackermann), as the "
              "drawing's tyres touch the ground.", True, lambda ax: _outer_inner(ax, t)),
        Panel("ackermann_error", "Ackermann error", "Outer wheel less its ideal, each rig by its own tyre contacts; "
              "above zero it turns too far.", True,
              over(("ackermann_error_deg", "", LEFT), y="deg", zero=True)),
        Panel("turn", "Turning circle and turn radius",
              "Circle: diameter that the outer front wheel draws. Radius: middle of the rear axle. Tyres without slip; "
              "left out near straight ahead.", True, lambda ax: _turn(ax, t, x)),
        Panel("toe_change", "Toe change", "From toe at straight ahead, toe-in positive; steering makes the wheels toe "
              "out, as rolling round one point asks.", True, over(("toe_change_deg", "", LEFT), y="deg", zero=True)),
        Panel("camber", "Camber", "Top of the wheel outwards is positive.", True,
              over(*sides("camber_{}_deg"), y="deg", zero=True)),
    ]
    groups = _by_side(t)
    for what, title, y in (("transmission", "Transmission angle", "deg"),
                           ("misalignment", "Rod-end misalignment", "deg")):
        for side, ends in groups.items():
            here = [e for e in ends if f"{end_key(what, e)}_design" in t.table]
            if not here:
                continue
            curves = [(end_key(what, e), _end_name(t, e), COLOURS[k % len(COLOURS)]) for k, e in enumerate(here)]
            if what == "transmission":
                limits = [(float(np.degrees(rig.min_transmission)), SMALLEST_ANGLE)]
                words = "Between rod and the direction that turns nothing; below the line a rod loses its hold."
            else:
                limits = _misalignment_limits(t, here)
                words = "Tilt of the rod out of the rod end's plane; above the line the end binds. Bolts " \
                        "point as drawn; the band leaves out any doubt of that."
            out.append(Panel(f"{what}_{side}", f"{title}, {side} rods", words, True,
                             over(*curves, y=y, limits=limits, low=0.0)))
    reaches = (("as drawn", t.design_hold), ("as built", t.built_hold))
    said = ". ".join(f"{'Toggle' if t.built_hold is None else f'Toggle {n}'}: {beyond(r, rig)}"
                     for n, r in reaches if r is not None)
    out.append(Panel("toggle", "Toggle margin",
                     "Weakest transmission angle of any rod in the travel (grey field) and beyond it. Cross: the "
                     "linkage goes over centre, a toggle. Zero without a cross: a dead point, past which a part "
                     f"turns back. {said}. At least {np.degrees(TOGGLE_MARGIN):.0f} deg is wanted.", False,
                     lambda ax: _toggle(ax, t, x)))
    if t.pairs:
        pairs = [(pair_key(p), f"{spoken(p[0])} to {spoken(p[1])}", COLOURS[k]) for k, p in enumerate(t.pairs)]
        out.append(Panel("clearance", f"Clearance, the {len(pairs)} closest" if len(pairs) > 1 else "Clearance",
                         "Gap between the surfaces of straight round rods and tubes. Tubes are where the drawing has "
                         "them; the band leaves out any doubt of that.", True,
                         over(*pairs, y="mm", limits=[(rig.min_clearance, "smallest allowed, mm:")], low=_floor(t))))
    out.append(Panel("force", "Hand force ratio",
                     "Moment about the steering axes for one unit of moment at the lever, without friction. One "
                     "newton at the grip gives this many N mm for every mm from the lever's hinge to the grip.", True,
                     over(("force_ratio", "", LEFT), y="steering per lever moment")))
    return out


def draw_panel(t: Travel, p: Panel, over: Figure | None = None) -> Figure:
    """One small picture by itself; all have their axes at the same place, so that they line up in a grid.

    ``over``: the figure of another one, which this one takes the place of.
    """
    with style():
        figure = blank(figsize=SIZE) if over is None else over
        _fill(figure.subplots() if over is None else _emptied(over.axes[0]), p)
        _place(figure, 1)
    return figure


def _emptied(ax: Axes) -> Axes:
    """Axes without what was drawn in them. Their ticks stay: making those anew takes as long as all else."""
    for artist in (*ax.lines, *ax.collections, *ax.patches, *ax.texts, *filter(None, [ax.get_legend()])):
        artist.remove()
    ax.relim()
    ax.autoscale()
    return ax


def draw_hand(hand: pd.DataFrame, narrow: bool = False) -> Figure:
    """Hand travel stop to stop, and the push straight ahead and at its most, over the grip length of every lever.

    ``hand``: see calib.advice.hand.hand_table. With 95 % bands; the circle is the grip as it is. ``narrow``: one above
    the other.
    """
    with style():
        figure = blank(figsize=(SIZE[0], 2 * SIZE[1]) if narrow else (2 * SIZE[0], SIZE[1]))
        travel, force = figure.subplots(*((2, 1) if narrow else (1, 2)))
        for colour, (lever, t) in zip(COLOURS, hand.groupby("lever", sort=False), strict=False):
            for ax, column, unit, name, dashes in ((travel, "travel", "mm", "", "-"),
                                                   (force, "force_ahead", "N", " straight ahead", "-"),
                                                   (force, "force_most", "N", " at its most", DASHED)):
                x, y, u = (t[k].to_numpy(float) for k in ("grip_mm", f"{column}_{unit}", f"{column}_u95_{unit}"))
                ax.plot(x, y, color=colour, linestyle=dashes, label=spoken(str(lever)) + name)
                ax.fill_between(x, y - u, y + u, color=colour, alpha=0.22, linewidth=0)
                ax.plot(x[:1], y[:1], "o", color=colour)
        for ax, title, unit in ((travel, "Hand travel, stop to stop", "mm"),
                                (force, "Push that steers with 10 N m", "N")):
            ax.set(xlabel="grip, mm from the lever's hinge", ylabel=unit, ylim=(0, None))
            ax.set_title(title, loc="left")
            ax.legend(fontsize=9.4)
        figure.tight_layout()
    return figure


def _fill(ax: Axes, p: Panel) -> None:
    p.draw(ax)
    ax.set_title(p.title, loc="left", fontsize=11.5, fontweight="bold", y=1.0)


def _place(figure: Figure, rows: int) -> None:
    """Fixed margins in inches, with room below each picture for its legend's lines."""
    legends = [ax.get_legend() for ax in figure.axes]
    lines = max([(len(x.get_texts()) + 1) // 2 for x in legends if x is not None and x.get_gid() != INSIDE],
                default=0)
    below = 0.62 + (0.06 + 0.2 * lines if lines else 0.0)
    one, width = SIZE[1] - 1.02 + 0.32 + below, figure.get_figwidth()
    figure.set_figheight(rows * one)
    inside = SIZE[1] - 1.02
    figure.subplots_adjust(left=0.8 / width, right=1 - 0.12 / width, bottom=below / (rows * one),
                           top=1 - 0.32 / (rows * one), hspace=(one - inside) / inside,
                           wspace=0.92 / (SIZE[0] - 0.92))


def travel_sheet(t: Travel) -> Figure:
    """All small pictures on one sheet, two columns."""
    some = panels(t)
    rows = (len(some) + 1) // 2
    with style():
        figure = blank(figsize=(2 * SIZE[0], rows * SIZE[1]))
        axes = figure.subplots(rows, 2, squeeze=False).ravel()
        for ax, p in zip(axes, some, strict=False):
            _fill(ax, p)
        for ax in axes[len(some):]:
            ax.set_axis_off()
        _place(figure, rows)
    return figure


def save_panels(t: Travel, folder: Path) -> list[Path]:
    """Write each picture as ``stem``.svg into ``folder``, made where it is not there."""
    folder.mkdir(exist_ok=True)
    out, figure = [], None
    for p in panels(t):
        figure = draw_panel(t, p, figure)
        out.append(write(figure, folder / f"{p.stem}.svg"))
    return out


def band_note(t: Travel, p: Panel) -> str:
    """What the caption says of the band: nothing where it is drawn."""
    if t.built_hold is None:
        return ""
    drawn = p.banded and any(np.isfinite(t.table[c]).any() for c in map(str, t.table.columns) if c.endswith("_u95"))
    return "" if drawn else "The solid line is the rig as built, without band."


# --- one picture each -----------------------------------------------------------------------------------------


def _line(ax: Axes, t: Travel, column: str, name: str, colour: str, scale: float = 1.0) -> None:
    x = t.table["lever_deg"].to_numpy(float)
    design = t.table[f"{column}_design"].to_numpy(float) * scale
    # marks set apart along the lines, so that they are told apart in grey too; hollow on the drawing's
    k = COLOURS.index(colour)
    apart = max(len(x) // 6, 1)
    mark: Any = {"marker": MARKS[k], "markersize": 4.5, "markevery": (k * apart // len(COLOURS), apart)} if name else {}
    if f"{column}_asbuilt" not in t.table:
        ax.plot(x, design, color=colour, label=name, **mark)
        return
    built, u = (t.table[f"{column}_{k}"].to_numpy(float) * scale for k in ("asbuilt", "u95"))
    hollow: Any = {"markerfacecolor": "white", "markeredgewidth": 0.8} if name else {}
    ax.plot(x, design, color=colour, linestyle=DASHED, linewidth=1.1, **mark, **hollow)
    if np.isfinite(u).any():
        ax.fill_between(x, built - u, built + u, color=colour, alpha=0.22, linewidth=0)
    ax.plot(x, built, color=colour, label=name, **mark)


def _limit(ax: Axes, value: float, name: str) -> None:
    ax.axhline(value, color=LIMIT, linewidth=1.2, linestyle=(0, (1, 1.5)))
    ax.annotate(f"{name} {value:g}", (0.995, value), xycoords=("axes fraction", "data"), ha="right",
                va="top" if name.startswith("smallest") else "bottom", color=LIMIT, fontsize=9.4,
                xytext=(0, -2 if name.startswith("smallest") else 2), textcoords="offset points")


def _legend(ax: Axes) -> None:
    count = len(ax.get_legend_handles_labels()[1])
    if count:
        ax.legend(ncols=2, loc="upper center", bbox_to_anchor=(0.5, -0.19), fontsize=9.4, handlelength=1.3,
                  columnspacing=1.2)


def _outer_inner(ax: Axes, t: Travel) -> None:
    steer = {k: (t.table[f"steer_left_deg_{k}"] + t.table[f"steer_right_deg_{k}"]).to_numpy(float)
             for k in ("design", "asbuilt") if f"steer_left_deg_{k}" in t.table}
    inner = {k: t.table[f"inner_deg_{k}"].to_numpy(float) for k in steer}
    outer = {k: t.table[f"outer_deg_{k}"].to_numpy(float) for k in steer}
    last = "asbuilt" if "asbuilt" in steer else "design"
    order = np.argsort(inner["design"])
    ideal = t.table["outer_ideal_deg_design"].to_numpy(float)
    ax.plot(inner["design"][order], ideal[order], color=GREY, linewidth=6, alpha=0.35, label="Ackermann")
    for name, colour, way, mark in (("left turn", LEFT, 1, "o"), ("right turn", RIGHT, -1, "s")):
        for k in steer:
            on = way * steer[k] >= 0
            design_below = k == "design" and last == "asbuilt"
            ax.plot(inner[k][on], outer[k][on], color=colour, linestyle=DASHED if design_below else "-",
                    linewidth=1.1 if design_below else 1.6, label=None if design_below else name,
                    marker=mark, markersize=4.5, markevery=(0 if way > 0 else 4, 8),
                    markerfacecolor="white" if design_below else colour)
            if k == "asbuilt":
                u = t.table["outer_deg_u95"].to_numpy(float)[on]
                if np.isfinite(u).any():
                    ax.fill_between(inner[k][on], outer[k][on] - u, outer[k][on] + u, color=colour, alpha=0.22,
                                    linewidth=0)
    ax.set_xlabel("inner wheel, deg")
    ax.set_ylabel("outer wheel, deg")
    ax.set_xlim(left=0)
    ax.set_ylim(bottom=0)
    ax.legend(loc="upper left", fontsize=9.4).set_gid(INSIDE)


def _turn(ax: Axes, t: Travel, x: str) -> None:
    table = t.table.copy()
    for k in ("design", "asbuilt"):
        if f"turn_radius_mm_{k}" in table:
            table[f"turn_radius_mm_{k}"] = table[f"turn_radius_mm_{k}"].abs()
    shown = Travel(t.rig, table, t.ends, t.pairs, t.design_hold, t.built_hold)
    _line(ax, shown, "turn_circle_mm", "circle, outer front wheel", LEFT, 0.001)
    _line(ax, shown, "turn_radius_mm", "radius, rear axle", RIGHT, 0.001)
    least = np.nanmin(table["turn_circle_mm_design"].to_numpy(float)) / 1000
    ax.set_ylim(0, 2.8 * float(least) if np.isfinite(least) else None)
    ax.axvline(0, color="#999999", linewidth=0.8, zorder=0)
    ax.set_xlabel(x)
    ax.set_ylabel("m")
    _legend(ax)


def _toggle(ax: Axes, t: Travel, x: str) -> None:
    lo, hi = np.degrees(t.rig.driver_travel)
    ax.axvspan(lo, hi, color="#eceef1", zorder=0)
    both = t.built_hold is not None

    def one(r: HoldOverTravel, colour: str, dash: Any, width: float, name: str) -> None:
        ax.plot(np.degrees(r.lever), np.degrees(r.weakest), color=colour, linestyle=dash, linewidth=width, label=name)
        for at in r.toggles:
            if at is not None:
                ax.plot(np.degrees(at), 0, "x", color=colour, markersize=9, markeredgewidth=2, clip_on=False)

    one(t.design_hold, GREY if both else LEFT, DASHED if both else "-", 1.1 if both else 1.6, "drawn")
    if t.built_hold is not None:
        one(t.built_hold, LEFT, "-", 1.6, "as built")
    _limit(ax, float(np.degrees(t.rig.min_transmission)), SMALLEST_ANGLE)
    ax.set_ylim(bottom=0)
    ax.set_xlabel(x)
    ax.set_ylabel("weakest transmission, deg")
    if both:
        _legend(ax)


def _floor(t: Travel) -> float | None:
    kinds = [c for c in map(str, t.table.columns) if c.startswith("clearance") and not c.endswith("_u95")]
    return 0.0 if float(np.nanmin(t.table[kinds].to_numpy(float))) >= 0 else None


def _by_side(t: Travel) -> dict[str, list[tuple[str, str]]]:
    """Rod ends by the side on which their rod's middle lies, left first."""
    out: dict[str, list[tuple[str, str]]] = {"left": [], "right": []}
    for rod, end in t.ends:
        r = t.rig.rods[rod]
        y = t.rig.points[r.a].xyz[1] + t.rig.points[r.b].xyz[1]
        out["left" if y >= 0 else "right"].append((rod, end))
    return out


def _misalignment_limits(t: Travel, ends: Sequence[tuple[str, str]]) -> list[tuple[float, str]]:
    """Each misalignment limit once, saying whose it is where they differ."""
    of: dict[float, list[str]] = {}
    for e in ends:
        of.setdefault(round(float(np.degrees(t.rig.points[e[1]].misalignment)), 6), []).append(_end_name(t, e))
    if len(of) == 1:
        return [(v, LARGEST_TILT) for v in of]
    common = max(of, key=lambda v: len(of[v]))
    return [(v, f"{'others' if v == common else '; '.join(of[v])}: {LARGEST_TILT}") for v in sorted(of)]


def _end_name(t: Travel, end: tuple[str, str]) -> str:
    shared = sum(e == end[1] for _, e in t.ends) > 1
    return f"{spoken(end[0])} at {spoken(end[1])}" if shared else spoken(end[1])
