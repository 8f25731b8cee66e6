"""A drawing of the rig as described, for finding typing errors: plan, side and front view at one scale."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from calib.rig.discs import front_disc, rear_disc, touch
from calib.rig.labels import Box, leader, place_labels
from calib.rig.model import FRAME, Body, Rig, Rod, Tag
from capture.errors import UserError

Array = NDArray[np.float64]

# Okabe and Ito's palette, told apart with any common colour blindness.
LEFT, RIGHT, MIDDLE, TAG = "#0072B2", "#D55E00", "#009E73", "#B0589A"
ROD, PALE = "#222222", "#8A8F94"
TYRE_WIDTH = 40.0  # mm; drawn where the rig file does not give it, so that a wheel shows from above
AXIS_REACH = 70.0  # mm either way of a hinge line drawn
MARGIN = 70.0  # mm round each view
DPI = 110


@dataclass(frozen=True)
class View:
    """An orthographic view: rows of ``to_page`` give page x and page y from frame axes."""

    title: str
    to_page: Array  # (2, 3)
    words: tuple[str, str]  # what points right, what points up

    def project(self, xyz: object) -> Array:
        """(..., 3) mm to (..., 2) mm on the page."""
        return np.asarray(xyz, float) @ self.to_page.T

    @property
    def depth(self) -> Array:
        """Unit vector towards the viewer, (3,)."""
        return np.cross(self.to_page[0], self.to_page[1])


SIDE = View("Side, from the right", np.array([[1.0, 0, 0], [0, 0, 1]]), ("forward x", "up z"))
FRONT = View("Front, from ahead", np.array([[0, 1.0, 0], [0, 0, 1]]), ("left y", "up z"))
PLAN = View("Plan, from above", np.array([[1.0, 0, 0], [0, 1, 0]]), ("forward x", "left y"))


@dataclass
class _Sheet:
    """One view being drawn: what labels must not cover, and the labels still to be placed."""

    ax: Axes
    view: View
    segments: list[Array] = field(default_factory=list)  # (2, 2) mm on the page
    labels: list[tuple[str, Array, str, str]] = field(default_factory=list)  # text, anchor, colour, kind

    def line(self, a: object, b: object, **style: object) -> None:
        p = self.view.project([a, b])
        self.ax.plot(p[:, 0], p[:, 1], **style)  # type: ignore[arg-type]
        self.segments.append(p)

    def label(self, text: str, xyz: object, colour: str, kind: str) -> None:
        self.labels.append((text, self.view.project(xyz), colour, kind))


def draw_rig(rig: Rig, path: Path) -> None:
    """Draw plan, side and front view of the rig to ``path`` (.svg or .png); first-angle arrangement, mm.

    Raises UserError for another suffix or a path that cannot be written.
    """
    save_drawing(lambda: rig_figure(rig), Path(path))


def save_drawing(drawn: Callable[[], Figure], path: Path) -> None:
    """Write what ``drawn`` draws, .svg or .png; of the same drawing always the same file.

    Raises UserError for another suffix, before anything is drawn, or a path that cannot be written.
    """
    svg = path.suffix.lower() == ".svg"
    if not svg and path.suffix.lower() != ".png":
        raise UserError(f"{path}: a drawing is written as .svg or .png; give the file one of these endings.",
                        "wrong_ending", str(path))
    figure = drawn()
    try:
        with matplotlib.rc_context({"svg.hashsalt": "rigtrue"}):
            figure.savefig(path, dpi=DPI, metadata={"Date": None} if svg else None)
    except OSError as exc:
        raise UserError(f"{path}: cannot be written ({exc.strerror}); name a folder that exists.",
                        "cannot_write", str(path)) from None


def rig_figure(rig: Rig) -> Figure:
    """The drawing as a figure (canvas attached)."""
    low, high = _extent(rig)
    dx, dy, dz = high - low
    edge, gap, head = 60.0, 95.0, 55.0
    width, height = dy + gap + dx, dz + gap + dy
    inch = 14.0 / max(width, 0.8 * height)  # inches per mm of drawing
    figure = Figure(figsize=((width + 2 * edge) * inch, (height + 2 * edge + head) * inch), dpi=DPI)
    FigureCanvasAgg(figure)
    w, h = width + 2 * edge, height + 2 * edge + head

    def axes(x: float, y: float, wide: float, tall: float) -> Axes:
        return figure.add_axes((x / w, y / h, wide / w, tall / h))

    places = [
        (FRONT, axes(edge, edge + dy + gap, dy, dz), low[[1, 2]], high[[1, 2]]),
        (SIDE, axes(edge + dy + gap, edge + dy + gap, dx, dz), low[[0, 2]], high[[0, 2]]),
        (PLAN, axes(edge + dy + gap, edge, dx, dy), low[[0, 1]], high[[0, 1]]),
    ]
    figure.text(edge / w, 1 - 45 / h, rig.name, parse_math=False, fontsize=17, weight="bold", va="center")
    figure.text(1 - edge / w, 1 - 45 / h, f"mm; straight ahead, as described; wheelbase {rig.wheelbase:g}",
                fontsize=10, ha="right", va="center", color=PALE)
    for view, ax, lo, hi in places:
        sheet = _Sheet(ax, view)
        _frame(sheet, lo, hi)
        _content(sheet, rig)
        _place(sheet, figure)
    _table(figure, rig, (edge / w, (edge + dy) / h), (dy + gap * 0.5) / w, dy / h)
    return figure


def _extent(rig: Rig) -> tuple[Array, Array]:
    """Corners of the box the views show, (3,) each: parts and wheels with a margin; tubes may run out."""
    places = [np.asarray(b.pivot) for b in rig.bodies.values()]
    places += [np.asarray(h) for p in rig.points.values() for h in p.holes.values()]
    for wheel in rig.wheels.values():
        places += list(_rim(wheel.centre, wheel.spin, wheel.radius, (wheel.tyre or TYRE_WIDTH) / 2))
    if rig.wheels and (rig.rear.centre is not None or rig.rear.spin_body is not None):
        rear = rear_disc(rig)
        places += list(_rim(rear.centre, rear.spin, rear.radius, (rear.tyre or TYRE_WIDTH) / 2))
    places += [np.asarray(t.place) for t in rig.tags.values() if t.place is not None]
    box = np.array(places, float)
    low, high = box.min(axis=0) - MARGIN, box.max(axis=0) + MARGIN
    low[2] = min(low[2], -30.0)
    return low, high


def _across(axis: object) -> tuple[Array, Array]:
    """Two unit vectors square to a direction and to each other."""
    a = np.asarray(axis, float)
    u = np.cross(a, np.eye(3)[int(np.argmin(np.abs(a)))])
    u /= np.linalg.norm(u)
    return u, np.cross(a, u)


def _rim(centre: object, axis: object, radius: float, half_width: float) -> Array:
    """Points on both edges of a disc, (2 n, 3) mm."""
    u, v = _across(axis)
    t = np.linspace(0, 2 * np.pi, 73)[:, None]
    ring = np.asarray(centre, float) + radius * (np.cos(t) * u + np.sin(t) * v)
    off = half_width * np.asarray(axis, float)
    return np.concatenate([ring - off, ring + off])


def _hull(page: Array) -> Array:
    """Outline of projected points, (k, 2)."""
    try:
        return page[ConvexHull(page).vertices]
    except QhullError:  # all on one line
        order = np.argsort(page @ np.ptp(page, axis=0))
        return page[order[[0, -1]]]


def _colour(rig: Rig, body: str) -> str:
    side = rig.bodies[body].side if body in rig.bodies else ""
    return {"left": LEFT, "right": RIGHT}.get(side, MIDDLE)


def _frame(sheet: _Sheet, low: Array, high: Array) -> None:
    """Limits, title, grid with its figures, and the directions in words."""
    ax, view = sheet.ax, sheet.view
    ax.set_xlim(low[0], high[0])
    ax.set_ylim(low[1], high[1])
    ax.set_title(view.title, fontsize=12, loc="left", color="#333333", pad=6)
    ax.tick_params(labelsize=8, colors=PALE, length=2)
    for set_ticks, lo, hi in ((ax.set_xticks, low[0], high[0]), (ax.set_yticks, low[1], high[1])):
        set_ticks(np.arange(math.ceil(lo / 100) * 100, hi, 100))
    ax.grid(color="#E8EAEC", linewidth=0.6)
    ax.set_axisbelow(True)
    for spine in ax.spines.values():
        spine.set_color("#C8CCD0")
    ax.set_xlabel(view.words[0] + " \N{RIGHTWARDS ARROW}", fontsize=9, color=PALE, loc="right", labelpad=1)
    ax.set_ylabel(view.words[1] + " \N{RIGHTWARDS ARROW}", fontsize=9, color=PALE, loc="top", labelpad=1)
    if view is not PLAN:
        ax.axhline(0, color="#9A8F80", linewidth=1.2)


def _content(sheet: _Sheet, rig: Rig) -> None:
    _wheels(sheet, rig)
    _obstacles(sheet, rig)
    for body in rig.bodies.values():
        _body(sheet, rig, body)
    for rod in rig.rods.values():
        a, b = np.array(rig.points[rod.a].xyz), np.array(rig.points[rod.b].xyz)
        sheet.line(a, b, color=ROD, linewidth=2.0, zorder=4, solid_capstyle="round")
        sheet.label(rod.name, 0.5 * (a + b), ROD, "rod")
    _points(sheet, rig)
    _tags(sheet, rig)


def _wheels(sheet: _Sheet, rig: Rig) -> None:
    discs = {side: front_disc(rig, side) for side in rig.wheels}
    if discs:
        discs["rear"] = rear_disc(rig)
    for side, wheel in discs.items():
        outline = _hull(sheet.view.project(_rim(wheel.centre, wheel.spin, wheel.radius,
                                                (wheel.tyre or TYRE_WIDTH) / 2)))
        colour = {"left": LEFT, "right": RIGHT}.get(side, MIDDLE)
        sheet.ax.add_patch(Polygon(outline, facecolor=colour, alpha=0.06, zorder=1))
        sheet.ax.add_patch(Polygon(outline, fill=False, edgecolor=colour, alpha=0.6, linewidth=1.2, zorder=1))
        a = np.asarray(wheel.centre) - 45 * np.asarray(wheel.spin)
        b = np.asarray(wheel.centre) + 45 * np.asarray(wheel.spin)
        sheet.line(a, b, color=colour, linewidth=0.8, linestyle=(0, (8, 3, 1, 3)), zorder=2)


def _obstacles(sheet: _Sheet, rig: Rig) -> None:
    low = np.array([sheet.ax.get_xlim()[0], sheet.ax.get_ylim()[0]])
    high = np.array([sheet.ax.get_xlim()[1], sheet.ax.get_ylim()[1]])
    for o in rig.obstacles:
        a, b = np.array(o.a), np.array(o.b)
        axis = (b - a) / np.linalg.norm(b - a)
        ends = np.concatenate([_rim(a, axis, o.radius, 0.0), _rim(b, axis, o.radius, 0.0)])
        sheet.ax.add_patch(Polygon(_hull(sheet.view.project(ends)), facecolor="#BFC4C9", edgecolor="#8A8F94",
                                   alpha=0.45, linewidth=0.8, zorder=1))
        line = sheet.view.project(a + np.linspace(0, 1, 101)[:, None] * (b - a))
        seen = line[np.all((line > low) & (line < high), axis=1)]
        if len(seen):
            sheet.labels.append((o.name, seen[len(seen) // 5], "#5D6369", "obstacle"))


def _body(sheet: _Sheet, rig: Rig, body: Body) -> None:
    """The hinge line, and an arm from it to everything the part carries."""
    colour = _colour(rig, body.name)
    pivot, axis = np.array(body.pivot), np.array(body.axis)
    wheel = next((w for w in rig.wheels.values() if w.spin_body == body.name), None)
    if body.role == "wheel" and wheel is not None:
        sheet.label(_with_codes(rig, body.name), pivot, colour, "body")
        return
    reach = sheet.view.project(axis) * AXIS_REACH
    p = sheet.view.project(pivot)
    if np.linalg.norm(reach) > 0.15 * AXIS_REACH:
        sheet.line(pivot - AXIS_REACH * axis, pivot + AXIS_REACH * axis, color=colour, linewidth=1.0,
                   linestyle=(0, (9, 3, 2, 3)), zorder=3)
        sheet.ax.plot(*p, marker="D", color=colour, markersize=4, zorder=5)
    else:
        sheet.ax.plot(*p, marker="o", color="white", markeredgecolor=colour, markersize=10, zorder=4)
        sheet.ax.plot(*p, marker="+", color=colour, markersize=15, zorder=5)
    carried = [np.array(q.xyz) for q in rig.points.values() if q.body == body.name]
    carried += [np.array(w.centre) for w in rig.wheels.values() if w.upright == body.name]
    carried += [np.array(h) for q in rig.points.values() if q.body == body.name for h in q.holes.values()]
    for place in carried:
        foot = pivot + axis * float(np.dot(place - pivot, axis))
        sheet.line(foot, place, color=colour, linewidth=5, alpha=0.3, solid_capstyle="round", zorder=2)
        sheet.line(pivot, foot, color=colour, linewidth=5, alpha=0.3, solid_capstyle="round", zorder=2)
    sheet.label(_with_codes(rig, body.name), pivot, colour, "body")


def _with_codes(rig: Rig, body: str) -> str:
    """A part's name with the codes of the tags stuck on it."""
    codes = [str(t.code) for t in rig.tags.values()
             if t.body == body and t.centres_on is None and t.place is None]
    return body + (f" [{', '.join(codes)}]" if codes else "")


def _points(sheet: _Sheet, rig: Rig) -> None:
    for point in rig.points.values():
        colour = _colour(rig, point.body)
        for hole, place in point.holes.items():
            p = sheet.view.project(place)
            face = colour if hole == point.use else "white"
            sheet.ax.plot(*p, marker="o", markersize=5, markerfacecolor=face, markeredgecolor=colour,
                          markeredgewidth=1.1, zorder=6 if hole == point.use else 5.5)
        codes = [str(t.code) for t in rig.tags.values() if t.centres_on == point.name]
        text = point.name + (f": {point.use}" if len(point.holes) > 1 else "")
        sheet.label(text + (f" [{', '.join(codes)}]" if codes else ""), point.xyz, colour, "point")


def _tags(sheet: _Sheet, rig: Rig) -> None:
    """Outlines of the tags whose place the file gives: on bolts, and at drawn places."""
    for tag in rig.tags.values():
        if tag.centres_on is not None:
            point = rig.points[tag.centres_on]
            hinge = rig.bodies[point.body].axis if point.body in rig.bodies else (0.0, 0.0, 1.0)
            axis = point.bolt or hinge
            centre = np.array(point.xyz) + tag.offset * np.array(axis)
            u, v = _across(axis)
            square = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * tag.size / 2
            outline = _hull(sheet.view.project(centre + square @ np.array([u, v])))
            sheet.ax.add_patch(Polygon(outline, fill=False, edgecolor=TAG, linewidth=0.8, alpha=0.7,
                                       zorder=3))
        elif tag.place is not None:
            p = sheet.view.project(tag.place)
            sheet.ax.plot(*p, marker="s", color=TAG, markersize=6, zorder=5)
            sheet.label(f"{tag.name} [{tag.code}]", tag.place, TAG, "tag")
    _references(sheet, rig)


def _references(sheet: _Sheet, rig: Rig) -> None:
    """The centre line and the floor with the codes of the tags on them; the file leaves open where along them."""
    (left, right), (low, high) = sheet.ax.get_xlim(), sheet.ax.get_ylim()
    line = [t for t in rig.tags.values() if t.on_centre_line]
    floor = [t for t in rig.tags.values() if t.on_floor]
    if line and sheet.view is not SIDE:
        ends = ([left, 0.0], [right, 0.0]) if sheet.view is PLAN else ([0.0, low], [0.0, high])
        sheet.ax.plot(*np.array(ends).T, color=TAG, linewidth=0.9, linestyle=(0, (12, 3, 2, 3)), zorder=2)
        at = np.array([left + 0.94 * (right - left), 0.0] if sheet.view is PLAN else [0.0, low + 0.94 * (high - low)])
        sheet.labels.append((_listed("centre line", line), at, TAG, "tag"))
    if floor and sheet.view is not PLAN:
        ground = float(np.mean([touch(front_disc(rig, s))[2] for s in rig.wheels])) if rig.wheels else 0.0
        sheet.ax.plot([left, right], [ground, ground], color=TAG, linewidth=1.2, zorder=2)
        sheet.labels.append((_listed("floor", floor), np.array([left + 0.9 * (right - left), ground]), TAG, "tag"))


def _listed(what: str, tags: Sequence[Tag]) -> str:
    return f"{what} [{', '.join(str(t.code) for t in tags)}]"


def _merged(labels: Sequence[tuple[str, Array, str, str]], near: float) -> list[tuple[str, Array, str, str]]:
    """Labels of one kind at one place joined, as left and right are when seen from the side."""
    out: list[tuple[str, Array, str, str]] = []
    for text, place, colour, kind in labels:
        for k, (t, q, c, other) in enumerate(out):
            if kind == other and np.linalg.norm(q - place) < near:
                out[k] = (_joined(t, text), q, c if c == colour else "#333333", kind)
                break
        else:
            out.append((text, place, colour, kind))
    return out


def _joined(text: str, more: str) -> str:
    """left_rod and right_rod as left/right_rod, other names one under the other."""
    first, _, rest = more.partition("_")
    last = text.rpartition("\n")[2]
    if rest and first == "right" and last.partition("[")[0] == f"left_{rest}".partition("[")[0]:
        codes = [t.partition("[")[2].rstrip("]") for t in (last, more)]
        name = f"left/right_{rest}".partition(" [")[0] + (f" [{', '.join(codes)}]" if all(codes) else "")
        return text[: len(text) - len(last)] + name
    return text + "\n" + more


def _place(sheet: _Sheet, figure: Figure) -> None:
    """Set the labels, with a thin line back to what each names."""
    ax = sheet.ax
    to_px = ax.transData
    bounds = ax.get_window_extent()
    labels = _merged(sheet.labels, 12.0)
    labels.sort(key=lambda item: {"point": 0, "body": 1, "rod": 2, "tag": 3, "obstacle": 4}[item[3]])
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    anchors = [tuple(to_px.transform(place)) for _, place, _, _ in labels]
    texts = [
        ax.text(0, 0, text, fontsize=8 if kind == "point" else 9, color=colour, zorder=8, linespacing=1.05,
                weight="bold" if kind in ("body", "rod") else "normal", va="center", ha="center")
        for text, _, colour, kind in labels
    ]
    sizes = []
    for text in texts:
        extent = text.get_window_extent(renderer)
        sizes.append((extent.width + 4, extent.height + 3))
    lines = np.array([to_px.transform(s) for s in sheet.segments]).reshape(-1, 2, 2)
    room = Box(bounds.x0 + 2, bounds.y0 + 2, bounds.x1 - 2, bounds.y1 - 2)
    back = to_px.inverted()
    for text, anchor, box in zip(texts, anchors, place_labels(anchors, sizes, room, lines), strict=True):
        text.set_position(tuple(back.transform(((box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2))))
        text.set_bbox({"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6})
        lead = back.transform(leader(anchor, box))
        ax.plot(lead[:, 0], lead[:, 1], color=text.get_color(), linewidth=0.5, zorder=7)


def _table(figure: Figure, rig: Rig, corner: tuple[float, float], width: float, height: float) -> None:
    """Figures that follow from what was typed, to compare with a tape measure."""
    ax = figure.add_axes((corner[0], corner[1] - height, width, height))
    ax.axis("off")
    lines = ["rod               length      range     change"]
    for rod in rig.rods.values():
        lines.append(f"{rod.name:15s} {rod.length:8.1f}  {rod.shortest:4.0f} - {rod.longest:4.0f}  "
                     + _change(rod))
    lines += ["", "point               hole   from hinge line"]
    for p in rig.points.values():
        hole = p.use if len(p.holes) > 1 else "-"
        more = f"  (holes {', '.join(p.order)})" if len(p.holes) > 1 else ""
        lines.append(f"{p.name:20s} {hole:4s} {_arm(rig, p.body, p.xyz):8.1f}{more}")
    lines += ["", "kingpin             caster     inclination, deg"]
    for b in rig.bodies.values():
        if b.role == "upright":
            x, y, z = b.axis if b.axis[2] > 0 else (-b.axis[0], -b.axis[1], -b.axis[2])
            inward = -y if b.side == "left" else y
            caster, lean = math.degrees(math.atan2(-x, z)), math.degrees(math.atan2(inward, z))
            lines.append(f"{b.name:20s} {caster:5.1f}     {lean:5.1f}")
    if rig.wheels:
        rear = rear_disc(rig)
        lines += ["", f"rear wheel at x {rear.centre[0]:.0f}, y {rear.centre[1]:.0f}, radius {rear.radius:g}"]
    lines += ["", "tag  on"]
    for t in sorted(rig.tags.values(), key=lambda t: t.code):
        where = "centre line" if t.on_centre_line else "floor" if t.on_floor else t.body
        lines.append(f"{t.code:3d}  {'bolt of ' + t.centres_on if t.centres_on else where}, {t.size:g} mm")
    size = min(10.0, 0.86 * height * figure.get_figheight() * 72 / len(lines) / 1.25)
    ax.text(0, 1, "\n".join(lines), family="DejaVu Sans Mono", fontsize=size, va="top", color="#333333")
    _key(ax)


def _key(ax: Axes) -> None:
    """What the signs mean."""
    dash = (0, (9, 3, 2, 3))
    handles = [
        Line2D([], [], color=LEFT, linewidth=5, alpha=0.4, label="part, left"),
        Line2D([], [], color=RIGHT, linewidth=5, alpha=0.4, label="part, right"),
        Line2D([], [], color=MIDDLE, linewidth=5, alpha=0.4, label="part, middle"),
        Line2D([], [], color=ROD, linewidth=2, label="rod"),
        Line2D([], [], color=PALE, linewidth=1, linestyle=dash, marker="D", markersize=4,
               label="hinge line, pivot"),
        Line2D([], [], color=PALE, marker="o", linestyle="", markersize=5, label="hole in use"),
        Line2D([], [], color=PALE, marker="o", linestyle="", markersize=5, markerfacecolor="white",
               label="other hole"),
        Line2D([], [], color=TAG, marker="s", linestyle="", markersize=8, markerfacecolor="none",
               label="tag on a bolt, [code]"),
        Line2D([], [], color="#BFC4C9", linewidth=8, alpha=0.6, label="to be cleared"),
    ]
    ax.legend(handles=handles, loc="lower left", ncols=3, fontsize=9, frameon=False, borderaxespad=0,
              title="Tyre width is to scale where the file gives it.", title_fontsize=9,
              alignment="left", labelcolor="#333333")


def _change(rod: Rod) -> str:
    if rod.adjuster == "screw" and rod.per_turn:
        return f"{rod.per_turn:g} a turn"
    return f"steps of {rod.step:g}" if rod.adjuster == "clamp" else "fixed"


def _arm(rig: Rig, body: str, place: object) -> float:
    """Distance of a place from its part's hinge line, mm; from the origin for the frame."""
    if body == FRAME:
        return float(np.linalg.norm(np.asarray(place, float)))
    b = rig.bodies[body]
    return float(np.linalg.norm(np.cross(np.asarray(place, float) - np.asarray(b.pivot), b.axis)))
