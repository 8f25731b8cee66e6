"""Where to stand, drawn: the vehicle from above, front upwards, with the places for the phone round it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.rig.model import Rig
from calib.shooting.around import RING, Point, outline, place, places

if TYPE_CHECKING:
    from calib.planning.views import View
    from calib.shooting.session import Standing

BLUE, GREEN, INK, SOFT = "#0a4f8f", "#06532b", "#16191d", "#4c535b"


def sketch(rig: Rig, standing: Standing, taken: Sequence[View]) -> str:
    """An SVG picture. Views asked for are rings, ticked when there; where to stand now is a phone with its beam, the
    very place that the words beside it say; dots are photos taken."""
    parts = ['<svg xmlns="http://www.w3.org/2000/svg" viewBox="-158 -140 316 286" role="img">', *_vehicle(rig)]
    for v in taken:
        x, y = place(v.azimuth, RING - 24)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{GREEN}"/>')
    asked, now = standing.ask.views, standing.stand
    for v, done, at in zip(asked, standing.views, places(asked), strict=True):
        parts += _phone(v, at) if v == now else _spot(at, done)
    if now is not None:
        parts += [] if now in asked else _phone(now, place(now.azimuth, RING))
        parts += _height(now)
    return "".join([*parts, "</svg>"])


def _vehicle(rig: Rig) -> list[str]:
    drawn, out = outline(rig), []
    if drawn.spine is not None:
        (ax, ay), (rx, ry) = drawn.spine
        out.append(f'<line x1="{ax:.1f}" y1="{ay:.1f}" x2="{rx:.1f}" y2="{ry:.1f}" stroke="{SOFT}" stroke-width="6" '
                   'stroke-linecap="round"/>')
        out.append(f'<path d="M{ax - 7:.1f} {ay - 16:.1f} l7 -12 l7 12 z" fill="{INK}"/>')
    for (ax, ay), (x, y) in drawn.axles:
        out.append(f'<line x1="{ax:.1f}" y1="{ay:.1f}" x2="{x:.1f}" y2="{y:.1f}" stroke="{SOFT}" stroke-width="4"/>')
    for (x, y), half in drawn.wheels:
        out.append(f'<rect x="{x - 4:.1f}" y="{y - half:.1f}" width="8" height="{2 * half:.1f}" rx="4" fill="{INK}"/>')
    return out


def _spot(at: Point, done: bool) -> list[str]:
    """A place asked for, taken or still to come."""
    x, y = at
    if done:
        return [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="15" fill="{GREEN}"/>',
                f'<path d="M{x - 7:.1f} {y:.1f} l5 6 l9 -11" fill="none" stroke="#fff" stroke-width="4"/>']
    return [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="14" fill="#fff" stroke="{SOFT}" stroke-width="3"/>']


def _phone(v: View, at: Point) -> list[str]:
    """Where to stand now, with the phone's beam."""
    x, y = at
    near = 34.0
    a, b = place(v.azimuth - 16, near), place(v.azimuth + 16, near)
    return [f'<path d="M{x:.1f} {y:.1f} L{a[0]:.1f} {a[1]:.1f} L{b[0]:.1f} {b[1]:.1f} z" fill="{BLUE}" '
            'fill-opacity="0.16"/>',
            f'<g transform="translate({x:.1f} {y:.1f}) rotate({-v.azimuth:.1f})">'
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
