"""A steppable drawing of the linkage for the report: plan and side view, design under as built.

The places are worked out beforehand and kept in the page, so it needs no network and no libraries. Both views lie as
those of the picture that ``check`` draws: forward to the right, left at the top, the side seen from the right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.findings import spoken
from calib.linkage.mechanism import CannotAssemble, Linkage, Sweep, body_motions
from calib.linkage.rotations import cross, dot, rotation
from calib.rig.labels import Box, leader, place_labels
from calib.rig.model import FRAME, Body, Rig

if TYPE_CHECKING:
    from calib.report.contents import Results

Array = NDArray[np.float64]

TIMES = (1, 5, 10)  # by how much the difference from the drawing is shown enlarged
RIM = np.linspace(0.0, 2 * np.pi, 49)
MARGIN = 40.0  # mm round each view
LETTER = 0.036  # height of a letter on a phone, by the width of a view; twice what a wide screen needs


@dataclass(frozen=True)
class Line:
    """One polyline at one lever angle or at each of many, in frame axes, (..., n, 3) mm. ``kind``: part, rod or hinge.

    ``of``: the body or rod it belongs to; ``side``: left, right or middle.
    """

    of: str
    kind: str
    xyz: Array
    side: str = "middle"


@dataclass(frozen=True)
class Wheel:
    """A front wheel at one lever angle or at each of many: centre and axle in frame axes, (..., 3) mm."""

    side: str
    centre: Array
    spin: Array
    radius: float

    @property
    def rim(self) -> Array:
        """Its circle, (..., n, 3)."""
        return rim(self.centre, self.spin, self.radius)


@dataclass(frozen=True)
class Frame:
    """The linkage at one lever angle, or at each of many."""

    lines: tuple[Line, ...]
    wheels: tuple[Wheel, ...]

    def at(self, which: NDArray[np.bool_]) -> Frame:
        """Of many lever angles these."""
        return Frame(tuple(replace(x, xyz=x.xyz[which]) for x in self.lines),
                     tuple(replace(w, centre=w.centre[which], spin=w.spin[which]) for w in self.wheels))


def skeleton(rig: Rig, angles: Mapping[str, ArrayLike]) -> Frame:
    """Parts, hinges, rods and wheels for joint angles (rad) of one shape (...); same order every time, rods last."""
    motion = body_motions(rig, angles)

    def carried(body: str, xyz: ArrayLike) -> Array:
        R, t = motion[body]
        return np.asarray(np.asarray(xyz, float) @ np.swapaxes(R, -1, -2) + t[..., None, :])

    out: list[Line] = []
    for b in rig.bodies.values():
        pivot, axis = np.asarray(b.pivot), np.asarray(b.axis)
        if b.role == "wheel":
            continue
        reach = {"upright": 80.0, "lean": 0.0}.get(b.role, 22.0)
        if reach:
            ends = pivot + np.array([[-reach], [reach]]) * axis
            out.append(Line(b.name, "hinge", carried(b.parent, ends), _side(b)))
        if b.role == "lever":  # a handle, so that the lever reads as one
            arms = [np.asarray(p.xyz) - pivot for p in rig.points.values() if p.body == b.name]
            up = arms[0] - (arms[0] @ axis) * axis if arms else np.array([0.0, 0.0, 1.0])
            length = np.linalg.norm(up)
            if length > 1:
                tip = pivot + up / length * max(280.0, 1.3 * length)
                out.append(Line(b.name, "part", carried(b.name, np.array([pivot, tip])), _side(b)))
    for p in rig.points.values():
        if p.body == FRAME:
            continue
        b = rig.bodies[p.body]
        pivot, axis, at = np.asarray(b.pivot), np.asarray(b.axis), np.asarray(p.xyz)
        foot = pivot + ((at - pivot) @ axis) * axis
        out.append(Line(b.name, "part", carried(p.body, np.array([foot, at])), _side(b)))
    for rod in rig.rods.values():
        a_, b_ = rig.points[rod.a], rig.points[rod.b]
        ends = np.concatenate([carried(p.body, [p.xyz]) for p in (a_, b_)], axis=-2)
        out.append(Line(rod.name, "rod", ends, _of(float(ends[..., 1].mean()))))
    wheels = []
    for side, w in rig.wheels.items():
        hub = np.array([w.centre, np.asarray(w.centre) + np.asarray(w.spin)])
        places = carried(w.upright, hub)
        wheels.append(Wheel(side, places[..., 0, :], places[..., 1, :] - places[..., 0, :], w.radius))
    return Frame(tuple(out), tuple(wheels))


def _side(b: Body) -> str:
    return _of(float(b.pivot[1]))


def _of(y: float) -> str:
    return "left" if y > 1 else "right" if y < -1 else "middle"


def rim(centre: Array, spin: Array, radius: float) -> Array:
    """A wheel's circle, (..., n, 3) of (..., 3): round whatever the axle's direction."""
    spin = spin / np.linalg.norm(spin, axis=-1, keepdims=True)
    u = cross(spin, np.array([0.0, 0.0, 1.0]))
    u = u / np.linalg.norm(u, axis=-1, keepdims=True)
    u, v, centre = (x[..., None, :] for x in (u, cross(spin, u), centre))
    return np.asarray(centre + radius * (np.cos(RIM)[:, None] * u + np.sin(RIM)[:, None] * v))


def enlarged(drawn: Frame, built: Frame, times: float) -> list[Array]:
    """Lines and rims of the rig as built with its difference from the drawing so many times as large.

    Places are moved along their difference; an axle is turned that many times as far, so that wheels stay round.
    """
    out = [d.xyz + times * (b.xyz - d.xyz) for d, b in zip(drawn.lines, built.lines, strict=True)]
    for d, b in zip(drawn.wheels, built.wheels, strict=True):
        turn = cross(d.spin, b.spin)
        sine = np.linalg.norm(turn, axis=-1)
        angle = np.arctan2(sine, dot(d.spin, b.spin))
        far = rotation(turn * (times * angle / np.maximum(sine, 1e-12))[..., None])
        spin = np.where(sine[..., None] > 1e-12, (far @ d.spin[..., None])[..., 0], b.spin)
        out.append(rim(d.centre + times * (b.centre - d.centre), spin, b.radius))
    return out


@dataclass(frozen=True)
class Sight:
    """How a view is seen: ``rows`` give page right and page up from frame axes, as in ``calib.rig.drawing``."""

    name: str
    title: str
    rows: tuple[tuple[float, float, float], tuple[float, float, float]]

    def flat(self, xyz: Array) -> Array:
        """(..., 3) mm to (..., 2) mm, right and down as pages of HTML count."""
        right, up = np.asarray(self.rows)
        return np.stack([xyz @ right, -(xyz @ up)], axis=-1)


SIGHTS = (Sight("plan", "From above: forward to the right, left at the top", ((1.0, 0, 0), (0, 1.0, 0))),
          Sight("side", "From the right: forward to the right", ((1.0, 0, 0), (0, 0, 1.0))))


@dataclass(frozen=True)
class Stroke:
    """One polyline of a view as first shown. ``points``: "x,y x,y" in the view's own mm."""

    kind: str
    name: str
    points: str


@dataclass(frozen=True)
class Label:
    """A name beside its part ``at``. ``end``: of the line that leads to it, where the text begins, ends or has its
    middle (``anchor``); ``y``: its base line.
    """

    name: str
    line: int
    at: tuple[float, float]
    end: tuple[float, float]
    anchor: str
    y: float


@dataclass(frozen=True)
class View:
    """One view of the linkage. ``box``: x, y, width, height, mm; ``groups``: strokes of design and as built."""

    name: str
    title: str
    box: tuple[float, float, float, float]
    groups: Mapping[str, Sequence[Stroke]]
    labels: Sequence[Label]


@dataclass(frozen=True)
class LinkageView:
    """What the template draws: the views at ``start``, and ``data`` for every step of the slider."""

    views: Sequence[View]
    steps: int
    start: int
    said: str
    data: Mapping[str, Any]


def linkage_view(lever: Array, design: Sweep, built: Sweep, said: Sequence[str]) -> LinkageView | None:
    """The view as data, None where nothing assembles.

    ``lever`` (k,) deg; ``said`` is the line shown under the slider at each.
    """
    both = design.reached & built.reached
    if not both.any():
        return None
    start = int(np.argmin(np.where(both, np.abs(lever), np.inf)))
    drawn, real = (skeleton(s.rig, s.angles) for s in (design, built))
    boxes = _boxes(drawn.at(both), real.at(both))
    first = [skeleton(s.rig, {b: a[start] for b, a in s.angles.items()}) for s in (design, built)]
    views = [View(s.name, s.title, boxes[1][s.name], {"design": _strokes(first[0], s), "built": _strokes(first[1], s)},
                  _labels(first[1], s, boxes[1][s.name])) for s in SIGHTS]
    data = {"said": list(said), "boxes": boxes,
            "sights": {s.name: [list(s.rows[0]), [-x for x in s.rows[1]]] for s in SIGHTS},
            "design": _frames(drawn, design.reached), "built": _frames(real, built.reached)}
    return LinkageView(views, len(lever), start, said[start], data)


def _boxes(drawn: Frame, built: Frame) -> dict[int, dict[str, tuple[float, float, float, float]]]:
    """Boxes of the views for each enlargement, all of one width so that they are at one scale, round everything."""
    out: dict[int, dict[str, tuple[float, float, float, float]]] = {}
    still = enlarged(drawn, drawn, 1)
    for times in TIMES:
        xyz = np.concatenate([p.reshape(-1, 3) for p in (*enlarged(drawn, built, times), *still)])
        out[times] = {}
        for s in SIGHTS:
            xy = s.flat(xyz)
            (x, y), (w, h) = xy.min(0) - MARGIN, np.ptp(xy, axis=0) + 2 * MARGIN
            out[times][s.name] = (float(x), float(y), float(w), float(h))
    return out


def _frames(f: Frame, reached: NDArray[np.bool_]) -> list[dict[str, Any] | None]:
    """Each lever angle as data: every line by view, and each wheel as centre, axle and radius; None out of reach."""
    lines = {s.name: [np.round(s.flat(x.xyz), 1).reshape(len(reached), -1).tolist() for x in f.lines] for s in SIGHTS}
    wheels = [(np.round(w.centre, 1).tolist(), np.round(w.spin, 5).tolist(), w.radius) for w in f.wheels]
    return [{**{name: [x[k] for x in some] for name, some in lines.items()},
             "wheels": [[*centre[k], *spin[k], radius] for centre, spin, radius in wheels]} if there else None
            for k, there in enumerate(reached)]


def _strokes(f: Frame, s: Sight) -> list[Stroke]:
    out = [(f"{x.kind} {x.side}", spoken(x.of), x.xyz) for x in f.lines]
    out += [(f"wheel {w.side}", f"{w.side} wheel", w.rim) for w in f.wheels]
    return [Stroke(kind, name, " ".join(f"{x:.1f},{y:.1f}" for x, y in s.flat(xyz))) for kind, name, xyz in out]


def _labels(f: Frame, s: Sight, box: tuple[float, float, float, float]) -> list[Label]:
    """Each part named once, at its longest line; from the side only what is not hidden behind its like."""
    chosen: dict[str, int] = {}
    for k, x in enumerate(f.lines):
        if x.kind == "hinge" or (s.name == "side" and x.side == "left"):
            continue
        best = chosen.get(x.of)
        if best is None or _length(s, x) > _length(s, f.lines[best]):
            chosen[x.of] = k
    lines = [s.flat(x.xyz) for x in f.lines]
    unit = LETTER * box[2] / 11.0  # a letter of 11 units
    left, top, wide, high = (v / unit for v in box)
    at = [(float(p[0]), float(p[1])) for p in (lines[k].mean(axis=0) / unit for k in chosen.values())]
    sizes = [(6.6 * len(spoken(n)), 13.0) for n in chosen]
    segments = np.array([[a[i], a[i + 1]] for a in lines for i in range(len(a) - 1)]) / unit
    placed = place_labels(at, sizes, Box(left, top, left + wide, top + high), segments)
    out = []
    for (n, k), p, b in zip(chosen.items(), at, placed, strict=True):
        ex, ey = (float(v) for v in leader(p, b)[1])
        anchor = "start" if ex <= b.x0 + 1 else "end" if ex >= b.x1 - 1 else "middle"
        below, above = ey <= b.y0 + 1, ey >= b.y1 - 1
        base = b.y0 + 9.0 if below else b.y1 - 2.0 if above else 0.5 * (b.y0 + b.y1) + 4.0
        out.append(Label(spoken(n), k, (p[0] * unit, p[1] * unit), (ex * unit, ey * unit), anchor, base * unit))
    return out


def _length(s: Sight, x: Line) -> float:
    return float(np.linalg.norm(np.ptp(s.flat(x.xyz), axis=0)))


def travel_view(results: Results) -> LinkageView | None:
    """The steppable view over the design driver's travel; None where a rig does not assemble."""
    sweeps = []
    lever = np.linspace(*results.design.driver_travel, 33)
    for rig in (results.design, results.fit.as_built.rig):
        try:
            sweeps.append(Linkage(rig).sweep(lever))
        except (ValueError, CannotAssemble):
            return None
    degrees = np.degrees(lever)
    return linkage_view(degrees, sweeps[0], sweeps[1], _said(results, degrees))


def _said(results: Results, lever_deg: Array) -> list[str]:
    """The line under the slider at each lever angle: lever and wheels."""
    c = results.curves
    wheels = {side: [np.interp(lever_deg, c["lever_deg"], c[f"{side}_{which}_deg"], left=np.nan, right=np.nan)
                     for which in ("asbuilt", "design")] for side in ("left", "right") if f"{side}_asbuilt_deg" in c}
    out = []
    for k, x in enumerate(lever_deg):
        parts = [f"{spoken(results.design.driver)} {x:+.0f} deg"]
        for side, (a, d) in wheels.items():
            parts.append(f"{side} wheel {a[k]:+.2f} deg (drawn {d[k]:+.2f})" if math.isfinite(a[k]) else
                         f"{side} wheel out of reach")
        out.append("; ".join(parts))
    return out
