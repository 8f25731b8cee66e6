"""A steppable drawing of the linkage for the report: plan and side view, design under as built.

The places are worked out beforehand and kept in the page, so it needs no network and no libraries.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.linkage.mechanism import CannotAssemble, Linkage, body_motions, carried
from calib.rig.model import FRAME, Rig

if TYPE_CHECKING:
    from calib.report.contents import Results

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One polyline at one lever angle, in frame axes, (n, 3) mm. ``kind``: part, rod, wheel or hinge."""

    name: str
    kind: str
    xyz: Array


def skeleton(rig: Rig, angles: Mapping[str, float]) -> list[Line]:
    """Parts, rods, hinges and wheels as lines for one set of joint angles (rad); same order every time."""
    motion = body_motions(rig, angles)

    out: list[Line] = []
    for b in rig.bodies.values():
        pivot, axis = np.asarray(b.pivot), np.asarray(b.axis)
        if b.role == "wheel":
            continue
        if b.role == "upright":
            out.append(Line(b.name, "hinge", carried(motion, b.parent, pivot + np.array([[-80.0], [80.0]]) * axis)))
        elif b.role != "lean":
            out.append(Line(b.name, "hinge", carried(motion, b.parent, pivot + np.array([[-22.0], [22.0]]) * axis)))
        if b.role == "lever":  # a handle, so that the lever reads as one
            arms = [np.asarray(p.xyz) - pivot for p in rig.points.values() if p.body == b.name]
            up = arms[0] - (arms[0] @ axis) * axis if arms else np.array([0.0, 0.0, 1.0])
            length = np.linalg.norm(up)
            if length > 1:
                tip = pivot + up / length * max(280.0, 1.3 * length)
                out.append(Line(b.name, "part", carried(motion, b.name, np.array([pivot, tip]))))
    for p in rig.points.values():
        if p.body == FRAME:
            continue
        b = rig.bodies[p.body]
        pivot, axis, at = np.asarray(b.pivot), np.asarray(b.axis), np.asarray(p.xyz)
        foot = pivot + ((at - pivot) @ axis) * axis
        out.append(Line(p.name, "part", carried(motion, p.body, np.array([foot, at]))))
    for w in rig.wheels.values():
        spin = np.asarray(w.spin)
        u = np.cross(spin, [0.0, 0.0, 1.0])
        u = u / np.linalg.norm(u)
        v = np.cross(spin, u)
        a = np.linspace(0, 2 * np.pi, 25)[:, None]
        rim = np.asarray(w.centre) + w.radius * (np.cos(a) * u + np.sin(a) * v)
        out.append(Line(f"{w.side} wheel", "wheel", carried(motion, w.upright, rim)))
    for rod in rig.rods.values():
        a_, b_ = rig.points[rod.a], rig.points[rod.b]
        ends = [carried(motion, p.body, np.asarray(p.xyz)[None, :])[0] for p in (a_, b_)]
        out.append(Line(rod.name, "rod", np.array(ends)))
    return out


def _plan(xyz: Array) -> Array:
    return np.stack([-xyz[:, 1], -xyz[:, 0]], axis=1)  # front up, left on the left


def _side(xyz: Array) -> Array:
    return np.stack([-xyz[:, 0], -xyz[:, 2]], axis=1)  # seen from the left, front to the left


def _numbers(xy: Array) -> list[float]:
    return [float(v) for v in np.round(xy, 1).ravel()]


VIEWS: tuple[tuple[str, Callable[[Array], Array], str], ...] = (
    ("plan", _plan, "From above, front up"), ("side", _side, "From the left, front to the left"))


@dataclass(frozen=True)
class Stroke:
    """One polyline of a view as first shown. ``points``: "x,y x,y" in the view's own mm."""

    kind: str
    name: str
    points: str


@dataclass(frozen=True)
class View:
    """One view of the linkage. ``box``: x, y, width, height, mm; ``groups``: strokes of design and as built."""

    name: str
    title: str
    box: tuple[float, float, float, float]
    groups: Mapping[str, Sequence[Stroke]]


@dataclass(frozen=True)
class LinkageView:
    """What the template draws: the views at ``start``, and ``data`` for every step of the slider."""

    views: Sequence[View]
    steps: int
    start: int
    said: str
    data: Mapping[str, Any]


def linkage_view(design: Rig, built: Rig | None, lever: Array, design_angles: Sequence[Mapping[str, float] | None],
                 built_angles: Sequence[Mapping[str, float] | None], said: Sequence[str]) -> LinkageView | None:
    """The view as data, None where nothing assembles.

    ``lever`` (k,) deg; the angle lists hold joint angles (rad) per lever angle, None where the rods cannot
    reach; ``said`` is the line shown under the slider at each.
    """
    sets: dict[str, list[list[Line] | None]] = {
        "design": [None if a is None else skeleton(design, a) for a in design_angles]}
    if built is not None:
        sets["built"] = [None if a is None else skeleton(built, a) for a in built_angles]
    everything = [line.xyz for frames in sets.values() for f in frames if f for line in f]
    if not everything:
        return None
    cloud = np.concatenate(everything)
    start = int(np.argmin(np.abs(lever)))
    data: dict[str, Any] = {"said": list(said), "design": [], "built": []}
    for which, frames in sets.items():
        data[which] = [None if f is None else {name: [_numbers(flat(s.xyz)) for s in f] for name, flat, _ in VIEWS}
                       for f in frames]
    views = []
    for name, flat, title in VIEWS:
        xy = flat(cloud)
        lo, hi = xy.min(0) - 30, xy.max(0) + 30
        groups = {which: _strokes(frames, start, flat) for which, frames in sets.items()}
        views.append(View(name, title, (lo[0], lo[1], hi[0] - lo[0], hi[1] - lo[1]), groups))
    return LinkageView(views, len(lever), start, said[start], data)


def _strokes(frames: Sequence[list[Line] | None], start: int, flat: Callable[[Array], Array]) -> list[Stroke]:
    """The lines at ``start``, without points where the rods do not reach there: the slider fills them later."""
    shown = frames[start]
    return [Stroke(s.kind, s.name.replace("_", " "),
                   " ".join(f"{x:.1f},{y:.1f}" for x, y in flat(s.xyz)) if shown else "")
            for s in shown or next(f for f in frames if f)]


def travel_view(results: Results) -> LinkageView | None:
    """The steppable view over the design driver's travel; None where a rig does not assemble."""
    design, built = results.design, results.fit.as_built.rig
    sweeps = []
    lo, hi = design.driver_travel
    lever = np.linspace(lo, hi, 33)
    for rig in (design, built):
        try:
            s = Linkage(rig).sweep(lever)
        except (ValueError, CannotAssemble):
            return None
        sweeps.append([{b: float(a[k]) for b, a in s.angles.items()} if s.reached[k] else None
                       for k in range(len(lever))])
    degrees = np.degrees(lever)
    return linkage_view(design, built, degrees, sweeps[0], sweeps[1], [_said(results, x) for x in degrees])


def _said(results: Results, lever_deg: float) -> str:
    """The line under the slider: lever and wheels at that lever angle."""
    c = results.curves
    parts = [f"{results.design.driver.replace('_', ' ')} {lever_deg:+.0f} deg"]
    for side in ("left", "right"):
        if f"{side}_asbuilt_deg" in c:
            a, d = (np.interp(lever_deg, c["lever_deg"], c[f"{side}_{which}_deg"], left=np.nan, right=np.nan)
                    for which in ("asbuilt", "design"))
            parts.append(f"{side} wheel {a:+.2f} deg (design {d:+.2f})" if math.isfinite(a) else
                         f"{side} wheel out of reach")
    return "; ".join(parts)
