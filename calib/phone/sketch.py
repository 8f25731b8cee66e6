"""Where to stand, drawn: the vehicle from above, front upwards, with the places for the phone round it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.planning.views import View
from calib.rig.discs import front_disc, rear_disc
from calib.rig.model import Rig
from calib.shooting.session import Standing

RING = 120.0  # how far from the middle phones are drawn
REACH = 78.0  # half of the vehicle's length or width, whichever is longer
BLUE, GREEN, INK, SOFT = "#0a4f8f", "#0b6b3a", "#16191d", "#5f666e"


def sketch(rig: Rig, standing: Standing, taken: Sequence[View]) -> str:
    """An SVG picture. Views asked for are rings, ticked when there; the next one is full and has its beam; dots are
    photos taken."""
    parts = ['<svg xmlns="http://www.w3.org/2000/svg" viewBox="-158 -140 316 286" role="img">', *_vehicle(rig)]
    todo = next((i for i, done in enumerate(standing.views) if not done), None)
    for v in taken:
        x, y = _at(v.azimuth, RING - 24)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{GREEN}"/>')
    for i, (v, done) in enumerate(zip(standing.ask.views, standing.views, strict=True)):
        parts += _phone(v, done, i == todo and not standing.done)
    if todo is not None and not standing.done:
        parts += _height(standing.ask.views[todo])
    return "".join([*parts, "</svg>"])


def _vehicle(rig: Rig) -> list[str]:
    """Wheels, axle and spine to scale among each other; no more than it takes to tell front from rear."""
    fronts, rear = [front_disc(rig, s) for s in rig.wheels], rear_disc(rig)
    discs = [*fronts, rear]
    ends = np.array([d.centre[:2] + k * d.radius * np.array([1.0, 0.0]) for d in discs for k in (-1, 1)])
    middle = (ends.min(axis=0) + ends.max(axis=0)) / 2
    scale = REACH / max(float(np.ptp(ends, axis=0).max()) / 2, 1.0)

    def at(p: np.ndarray) -> tuple[float, float]:
        """Frame x forward, y left as picture x right, y down."""
        d = (np.asarray(p[:2], float) - middle) * scale
        return float(-d[1]), float(-d[0])

    out = []
    if fronts:
        axle = np.mean([d.centre for d in fronts], axis=0)
        (ax, ay), (rx, ry) = at(axle), at(rear.centre)
        out.append(f'<line x1="{ax:.1f}" y1="{ay:.1f}" x2="{rx:.1f}" y2="{ry:.1f}" stroke="{SOFT}" stroke-width="6" '
                   'stroke-linecap="round"/>')
        out.append(f'<path d="M{ax - 7:.1f} {ay - 16:.1f} l7 -12 l7 12 z" fill="{INK}"/>')
        for d in fronts:
            x, y = at(d.centre)
            out.append(f'<line x1="{ax:.1f}" y1="{ay:.1f}" x2="{x:.1f}" y2="{y:.1f}" stroke="{SOFT}" '
                       'stroke-width="4"/>')
    for d in discs:
        x, y = at(d.centre)
        half = d.radius * scale
        out.append(f'<rect x="{x - 4:.1f}" y="{y - half:.1f}" width="8" height="{2 * half:.1f}" rx="4" fill="{INK}"/>')
    return out


def _phone(v: View, done: bool, now: bool) -> list[str]:
    x, y = _at(v.azimuth, RING)
    turn = -v.azimuth
    if done:
        return [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="15" fill="{GREEN}"/>',
                f'<path d="M{x - 7:.1f} {y:.1f} l5 6 l9 -11" fill="none" stroke="#fff" stroke-width="4"/>']
    if not now:
        return [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="14" fill="#fff" stroke="{SOFT}" stroke-width="3"/>']
    near = 34.0
    a, b = _at(v.azimuth - 16, near), _at(v.azimuth + 16, near)
    return [f'<path d="M{x:.1f} {y:.1f} L{a[0]:.1f} {a[1]:.1f} L{b[0]:.1f} {b[1]:.1f} z" fill="{BLUE}" '
            'fill-opacity="0.16"/>',
            f'<g transform="translate({x:.1f} {y:.1f}) rotate({turn:.1f})">'
            f'<rect x="-24" y="-15" width="48" height="30" rx="6" fill="{BLUE}"/>'
            '<circle cx="0" cy="0" r="8" fill="#fff"/></g>']


def _height(v: View) -> list[str]:
    """How steeply to hold the phone: a floor, the vehicle as a lump on it, and the phone at its angle."""
    a, far = np.deg2rad(v.elevation), 40.0
    x, y = 104 + far * np.cos(a), 138 - far * np.sin(a)
    return [f'<line x1="88" y1="140" x2="152" y2="140" stroke="{SOFT}" stroke-width="3"/>',
            f'<path d="M94 140 a10 10 0 0 1 20 0 z" fill="{INK}"/>',
            f'<line x1="104" y1="138" x2="{x:.1f}" y2="{y:.1f}" stroke="{BLUE}" stroke-width="3" '
            'stroke-dasharray="5 4"/>',
            f'<g transform="translate({x:.1f} {y:.1f}) rotate({90 - v.elevation:.1f})">'
            f'<rect x="-11" y="-4" width="22" height="8" rx="3" fill="{BLUE}"/></g>']


def _at(azimuth: float, far: float) -> tuple[float, float]:
    """A place on the picture; azimuth 0 is the front, which is up, 90 the left."""
    a = np.deg2rad(azimuth)
    return float(-far * np.sin(a)), float(-far * np.cos(a))
