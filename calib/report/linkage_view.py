"""A steppable drawing of the linkage for the report: plan and side view, design under as built.

The places are worked out beforehand and kept in the page, so it needs no network and no libraries.
"""

from __future__ import annotations

import html
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.linkage.mechanism import body_motions, carried
from calib.rig.model import FRAME, Rig

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


def _points(xy: Array) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in xy)


def _numbers(xy: Array) -> list[float]:
    return [float(v) for v in np.round(xy, 1).ravel()]


_SCRIPT = """
(function () {
  var d = JSON.parse(document.getElementById('linkage-data').textContent);
  var slider = document.getElementById('linkage-slider'), said = document.getElementById('linkage-said');
  var times = document.getElementById('linkage-times');
  function line(a, b, k) {
    var out = '';
    for (var i = 0; i < a.length; i++) {
      var v = b && b.length === a.length ? b[i] + k * (a[i] - b[i]) : a[i];
      out += v.toFixed(1) + (i % 2 ? ' ' : ',');
    }
    return out;
  }
  function show(i) {
    ['design', 'built'].forEach(function (which) {
      ['plan', 'side'].forEach(function (view) {
        var g = document.getElementById('lv-' + which + '-' + view), f = d[which][i];
        var base = which === 'built' ? d.design[i] : null;
        if (!g) { return; }
        for (var k = 0; k < g.children.length; k++) {
          g.children[k].setAttribute('points', f ? line(f[view][k], base && base[view][k], +times.value) : '');
        }
      });
    });
    said.textContent = d.said[i];
  }
  slider.addEventListener('input', function () { show(+slider.value); });
  times.addEventListener('change', function () { show(+slider.value); });
  function step(by) { slider.value = +slider.value + by; show(+slider.value); }
  document.getElementById('linkage-back').addEventListener('click', function () { step(-1); });
  document.getElementById('linkage-on').addEventListener('click', function () { step(1); });
}());
"""


def linkage_html(design: Rig, built: Rig | None, lever: Array, design_angles: Sequence[Mapping[str, float] | None],
                 built_angles: Sequence[Mapping[str, float] | None], said: Sequence[str]) -> str:
    """The view as an HTML fragment.

    ``lever`` (k,) deg; the angle lists hold joint angles (rad) per lever angle, None where the rods cannot
    reach; ``said`` is the line shown under the slider at each.
    """
    sets: dict[str, list[list[Line] | None]] = {
        "design": [None if a is None else skeleton(design, a) for a in design_angles]}
    if built is not None:
        sets["built"] = [None if a is None else skeleton(built, a) for a in built_angles]
    everything = [line.xyz for frames in sets.values() for f in frames if f for line in f]
    if not everything:
        return ""
    cloud = np.concatenate(everything)
    start = int(np.argmin(np.abs(lever)))
    data: dict[str, object] = {"said": list(said), "design": [], "built": []}
    for which, frames in sets.items():
        data[which] = [None if f is None else
                       {"plan": [_numbers(_plan(s.xyz)) for s in f], "side": [_numbers(_side(s.xyz)) for s in f]}
                       for f in frames]
    views = []
    for view, flat, title in (("plan", _plan, "From above, front up"),
                              ("side", _side, "From the left, front to the left")):
        xy = flat(cloud)
        lo, hi = xy.min(0) - 30, xy.max(0) + 30
        groups = []
        for which, frames in sets.items():
            lines = frames[start] or next(f for f in frames if f)
            inner = "".join(
                f'<polyline class="{s.kind}" points="{_points(flat(s.xyz)) if frames[start] else ""}">'
                f"<title>{html.escape(s.name.replace('_', ' '))}</title></polyline>" for s in lines)
            groups.append(f'<g id="lv-{which}-{view}" class="lv-{which}">{inner}</g>')
        ground = (f'<line class="ground" x1="{lo[0]:.0f}" x2="{hi[0]:.0f}" y1="0" y2="0"/>' if view == "side" else "")
        views.append(
            f'<figure class="lv-{view}"><svg viewBox="{lo[0]:.0f} {lo[1]:.0f} {hi[0] - lo[0]:.0f} '
            f'{hi[1] - lo[1]:.0f}" role="img" aria-label="{title}">{ground}{"".join(groups)}</svg>'
            f"<figcaption>{title}</figcaption></figure>")
    blob = json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")
    return (
        '<div class="linkage"><div class="lv-views">' + "".join(views) + "</div>"
        '<div class="lv-bar"><button type="button" id="linkage-back" aria-label="one step back">&#8722;</button>'
        f'<input id="linkage-slider" type="range" min="0" max="{len(lever) - 1}" value="{start}" '
        'aria-label="lever angle"><button type="button" id="linkage-on" aria-label="one step on">+</button>'
        '<label>difference <select id="linkage-times"><option value="1">true</option>'
        '<option value="5">5 times</option>'
        '<option value="10">10 times</option></select></label></div>'
        f'<p id="linkage-said" class="lv-said">{html.escape(said[start])}</p></div>'
        f'<script type="application/json" id="linkage-data">{blob}</script><script>{_SCRIPT}</script>')


STYLE = """
.lv-views{display:grid;grid-template-columns:minmax(0,1fr) minmax(0,1fr);gap:1rem;align-items:end}
.lv-views figure{margin:0}.lv-views svg{width:100%;height:auto;max-height:30rem}
.lv-views polyline{fill:none;vector-effect:non-scaling-stroke;stroke-linejoin:round;stroke-linecap:round}
.lv-design polyline{stroke:#a3a3a3;stroke-width:1.6;stroke-dasharray:4 4}
.lv-built .part{stroke:#4a4a4a;stroke-width:2.6}.lv-built .rod{stroke:#0072B2;stroke-width:3}
.lv-built .hinge{stroke:#D55E00;stroke-width:3.4}.lv-built .wheel{stroke:#8c8c8c;stroke-width:1.2}
.lv-design .wheel{stroke-width:1}.ground{stroke:#c9c4b8;stroke-width:2}
.lv-bar{display:flex;flex-wrap:wrap;gap:.6rem;align-items:center;margin-top:.6rem}
.lv-bar input{min-width:8rem;flex:1;accent-color:#0072B2}
.lv-bar button{font:inherit;width:2.4rem;height:2.4rem;border:1px solid #b8b2a4;background:#fff;border-radius:4px}
.lv-bar label{white-space:nowrap}.lv-bar select{font:inherit;padding:.3rem}
.lv-said{font-variant-numeric:tabular-nums;min-height:1.5em}
@media(max-width:640px){.lv-views{grid-template-columns:1fr}}
@media print{.lv-bar{display:none}}
"""
