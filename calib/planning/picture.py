"""The shoot on a map: the vehicle from above, the board, every tag and where to stand, with heights."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from numpy.typing import NDArray

from calib.linkage.rotations import about
from calib.planning.predict import ShootPlan
from calib.planning.stage import Shot, Stage
from calib.planning.stands import marked, marked_turned, stand
from calib.rig.discs import front_disc, rear_disc
from calib.rig.drawing import DPI, LEFT, MIDDLE, RIGHT, TAG, save_drawing
from calib.rig.labels import Box, leader, place_labels
from capture.targets import PAPERS_MM

Array = NDArray[np.float64]
CAMERA, TURNED, INK, PALE = "#222222", "#6A5ACD", "#333333", "#8A8F94"
MARGIN = 130.0  # mm round all that is drawn
TYRE = 40.0  # mm, drawn where the rig file does not give it
COVERED = 30.0  # mm between middles, seen from above, under which one tag hides the code of another
WRAP = 62  # characters of the list's lines


def draw_shoot(plan: ShootPlan, path: Path) -> None:
    """Draw the map to ``path`` (.svg or .png). UserError for another ending or a path that cannot be written."""
    save_drawing(lambda: shoot_figure(plan), path)


def shoot_figure(plan: ShootPlan) -> Figure:
    """The map and the list of tags as a figure (canvas attached)."""
    stage = plan.stage
    assert stage is not None
    cameras = [*((m, s, CAMERA) for m, s in marked(stage, plan.asked)),
               *((m, s, TURNED) for m, s in marked_turned(stage))]
    low, high = _extent(stage, [s.seat.eye for _, s, _ in cameras])
    lines = _list(plan, cameras)
    span = high - low
    scale = 8.6 / max(span)  # inches per mm
    wide, tall = span * scale
    text = 0.155 * len(lines) + 0.3
    height = max(tall + 1.15, text + 0.9)
    figure = Figure(figsize=(wide + 6.6, height), dpi=DPI)
    FigureCanvasAgg(figure)
    w, h = figure.get_size_inches()
    ax = figure.add_axes((0.6 / w, 0.45 / h, wide / w, tall / h))
    figure.text(0.6 / w, 1 - 0.28 / h, f"{stage.rig.name}: where to stand, where the tags go", parse_math=False,
                fontsize=15, weight="bold", va="center", color=INK)
    _axes(ax, low, high)
    _vehicle(ax, stage)
    _tags(ax, stage)
    _cameras(figure, ax, stage, cameras)
    figure.text((0.6 + wide + 0.3) / w, 1 - 0.62 / h, "\n".join(lines), fontsize=8.6, va="top", color=INK,
                linespacing=1.28, parse_math=False)
    return figure


Named = tuple[str, Shot, str]  # number or letter, the photo, colour


def _extent(stage: Stage, eyes: Sequence[Array]) -> tuple[Array, Array]:
    places = [np.asarray(e)[:2] for e in eyes] + [s.at[:2] for s in stage.tags.values()] + _sheet(stage)
    for d in [front_disc(stage.rig, s) for s in stage.rig.wheels]:
        places += list(_rim(d.centre, d.spin, d.radius, d.tyre))
    box = np.array(places)
    return box.min(axis=0) - MARGIN, box.max(axis=0) + MARGIN


def _sheet(stage: Stage) -> list[Array]:
    """Corners of the board from above."""
    R, at = stage.board
    half = np.array(PAPERS_MM[stage.rig.board.paper]) / 2
    return [(R @ [*(half * s), 0.0] + at)[:2] for s in ((1, 1), (1, -1), (-1, -1), (-1, 1))]


def _rim(centre: Array, spin: Array, radius: float, tyre: float) -> Array:
    """Corners (4, 2) of a wheel seen from above."""
    along = np.cross(spin, [0, 0, 1.0])[:2]
    along, across = along / np.linalg.norm(along) * radius, np.asarray(spin)[:2] * (tyre or TYRE) / 2
    return np.array([centre[:2] + i * along + j * across for i, j in ((1, 1), (1, -1), (-1, -1), (-1, 1))])


def _axes(ax: Axes, low: Array, high: Array) -> None:
    ax.set_xlim(low[0], high[0])
    ax.set_ylim(low[1], high[1])
    ax.grid(color="#EEF0F2", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=8, colors=PALE, length=2)
    for spine in ax.spines.values():
        spine.set_color("#C8CCD0")
    ax.set_title("from above, mm", fontsize=10, loc="left", color=PALE, pad=5)
    ax.set_xlabel("forward x \N{RIGHTWARDS ARROW}", fontsize=9, color=PALE, loc="right", labelpad=1)
    ax.set_ylabel("left y \N{RIGHTWARDS ARROW}", fontsize=9, color=PALE, loc="top", labelpad=1)


def _vehicle(ax: Axes, stage: Stage) -> None:
    rig = stage.rig
    for o in rig.obstacles:
        ends = np.array([o.a, o.b])[:, :2]
        d = ends[1] - ends[0]
        if np.linalg.norm(d) > 1:
            n = np.array([-d[1], d[0]]) / np.linalg.norm(d) * o.radius
            ax.add_patch(Polygon([ends[0] + n, ends[1] + n, ends[1] - n, ends[0] - n], facecolor="#DDE0E3",
                                 edgecolor="none", zorder=1))
    for side, d in [*((s, front_disc(rig, s)) for s in rig.wheels), ("", rear_disc(rig))]:
        colour = {"left": LEFT, "right": RIGHT}.get(side, MIDDLE)
        ax.add_patch(Polygon(_rim(d.centre, d.spin, d.radius, d.tyre), facecolor=colour, alpha=0.12, zorder=1))
        ax.add_patch(Polygon(_rim(d.centre, d.spin, d.radius, d.tyre), fill=False, edgecolor=colour, linewidth=1,
                             alpha=0.7, zorder=1))
    for b in rig.bodies.values():
        colour = {"left": LEFT, "right": RIGHT}.get(b.side, MIDDLE)
        for p in rig.points.values():
            if p.body == b.name:
                ax.plot(*np.array([b.pivot, p.xyz])[:, :2].T, color=colour, linewidth=4, alpha=0.35, zorder=2,
                        solid_capstyle="round")
    for r in rig.rods.values():
        ax.plot(*np.array([rig.points[r.a].xyz, rig.points[r.b].xyz])[:, :2].T, color=INK, linewidth=1.6, zorder=3)
    at = stage.board[1]
    ax.add_patch(Polygon(np.array(_sheet(stage)), facecolor="white", edgecolor=INK, linewidth=1.2, alpha=0.9, zorder=4))
    ax.text(at[0], at[1], "board", fontsize=9, ha="center", va="center", color=INK, zorder=5)


def _tags(ax: Axes, stage: Stage) -> None:
    """Each tag as a square at its size, a tick the way that it faces where that is not up, and its code."""
    for n, s in stage.tags.items():
        size = stage.rig.tags[n].size
        square = np.array([s.R @ [i * size / 2, j * size / 2, 0.0] + s.at for i, j in ((1, 1), (1, -1), (-1, -1),
                                                                                       (-1, 1))])[:, :2]
        ax.add_patch(Polygon(square, facecolor="white", edgecolor=TAG, linewidth=1.4, zorder=6, alpha=0.95))
        z = s.R[:2, 2]
        if np.linalg.norm(z) > 0.2:
            tip = s.at[:2] + 80 * z / np.linalg.norm(z)
            ax.annotate("", (float(tip[0]), float(tip[1])), (float(s.at[0]), float(s.at[1])), zorder=5.5,
                        arrowprops={"arrowstyle": "-|>", "color": TAG, "linewidth": 1.2, "mutation_scale": 8})
        x, y = s.at[:2] + _aside(stage, n)
        ax.text(float(x), float(y), str(stage.rig.tags[n].code), zorder=7, color=TAG,
                fontsize=6.5, ha="center", va="center",
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.3})


def _aside(stage: Stage, tag: str) -> Array:
    """How far (2,) mm a tag's code stands off its middle, so that it is read where another tag covers that."""
    at = stage.tags[tag].at[:2]
    off = [at - s.at[:2] for n, s in stage.tags.items() if n != tag and np.linalg.norm(at - s.at[:2]) < COVERED]
    away = np.sum(off, axis=0) if off else np.zeros(2)
    return away / far * 0.3 * stage.rig.tags[tag].size if (far := np.linalg.norm(away)) > 1e-6 else np.zeros(2)


def _cameras(figure: Figure, ax: Axes, stage: Stage, cameras: Sequence[Named]) -> None:
    """Where to stand: a wedge that points where the camera looks, its number and its height over the ground."""
    labels = []
    for number, s, colour in cameras:
        eye, look = s.seat.eye[:2], s.seat.R[2, :2]
        far = np.linalg.norm(look)
        look = look / far if far > 1e-6 else np.array([1.0, 0.0])
        wedge = [eye, *(eye + 95 * (about(np.array([0, 0, 1.0]), a) @ [*look, 0.0])[:2] for a in (0.33, -0.33))]
        ax.add_patch(Polygon(np.array(wedge), facecolor=colour, alpha=0.25, edgecolor=colour, zorder=5))
        ax.plot(*eye, marker="o", markersize=9, color=colour, zorder=6)
        ax.text(float(eye[0]), float(eye[1]), number, zorder=7,
                fontsize=7, color="white", ha="center", va="center", weight="bold")
        labels.append((f"{s.seat.eye[2] / 1000:.2f} m up", tuple(eye), colour))
    figure.canvas.draw()
    to_px, bounds = ax.transData, ax.get_window_extent()
    texts = [ax.text(0, 0, t, fontsize=8.5, color=c, ha="center", va="center", zorder=8) for t, _, c in labels]
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    sizes = [(e.width + 4, e.height + 3) for e in (t.get_window_extent(renderer) for t in texts)]
    anchors = [tuple(to_px.transform(at)) for _, at, _ in labels]
    room = Box(bounds.x0 + 2, bounds.y0 + 2, bounds.x1 - 2, bounds.y1 - 2)
    back = to_px.inverted()
    for text, anchor, box in zip(texts, anchors, place_labels(anchors, sizes, room, np.zeros((0, 2, 2))), strict=True):
        text.set_position(tuple(back.transform(((box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2))))
        lead = back.transform(leader(anchor, box))
        ax.plot(lead[:, 0], lead[:, 1], color=text.get_color(), linewidth=0.5, zorder=4)


def _list(plan: ShootPlan, cameras: Sequence[Named]) -> list[str]:
    """What stands beside the map."""
    stage = plan.stage
    assert stage is not None
    lines = ["At each lever position:"]
    turned = False
    for number, s, colour in cameras:
        if colour == TURNED and not turned:
            turned = True
            lines += ["", f"At {' and '.join(stage.rig.spin_positions)}, wheels turned by hand:"]
        at = stand(stage, number, s)
        held = ", phone upright" if at.upright else ""
        lines.append(f"  {number}  {at.view.words}: {at.up:.2f} m up, {at.off:.1f} m from the board{held}")
    middle = stage.board[1]
    lines += ["", f"Board: level, middle at x {middle[0]:.0f}, y {middle[1]:.0f}, {middle[2]:.0f} mm up.", "", "Tags:"]
    for n, t in sorted(plan.tags.items(), key=lambda item: stage.rig.tags[item[0]].code):
        tag = stage.rig.tags[n]
        lines += textwrap.wrap(f"{tag.code} {n}, {tag.size:g} mm: {t.words}", WRAP, initial_indent="  ",
                               subsequent_indent="       ")
    return lines
