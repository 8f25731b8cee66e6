"""Wheels as discs, straight ahead, and where a disc is lowest.

A wheel is a disc with a round tyre on its rim (``Wheel.tyre``, zero for a thin disc).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.rig.model import Rig

Array = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


class Disc(NamedTuple):
    """A wheel: middle (..., 3) mm, spin direction (..., 3) unit pointing left, radius and width of the tyre, mm."""

    centre: Array
    spin: Array
    radius: float
    tyre: float


def touch(disc: Disc, up: ArrayLike = UP) -> Array:
    """The wheel's lowest place (..., 3) against ``up`` (..., 3), any length: where it touches that ground."""
    n = _unit(up)
    flat = n - np.sum(n * disc.spin, axis=-1, keepdims=True) * disc.spin
    half = 0.5 * disc.tyre
    return np.asarray(disc.centre - (disc.radius - half) * _unit(flat) - half * n)


def front_disc(rig: Rig, side: str) -> Disc:
    """A front wheel as drawn or measured."""
    w = rig.wheels[side]
    return Disc(np.asarray(w.centre, float), _unit(w.spin), w.radius, w.tyre)


def rear_disc(rig: Rig) -> Disc:
    """The rear wheel.

    What the rig leaves open: the front wheels' mean radius, and a place on the centre line one wheelbase behind
    the front wheels' middles, standing on the level ground under them. A wheel with a body that turns by hand has
    that body's hinge for its axle.
    """
    r, front = rig.rear, [front_disc(rig, s) for s in rig.wheels]
    radius = float(np.mean([d.radius for d in front])) if r.radius is None else r.radius
    if r.spin_body is not None:
        axle = rig.bodies[r.spin_body]
        spin, pivot = _unit(axle.axis), np.asarray(axle.pivot, float)
        spin = np.where(spin[..., 1:2] < 0, -spin, spin)
        along = (pivot[..., 1:2] / spin[..., 1:2] if r.centre is None
                 else np.sum((pivot - np.asarray(r.centre)) * spin, axis=-1, keepdims=True))
        return Disc(pivot - along * spin, spin, radius, r.tyre)
    spin = _unit(r.spin)
    if r.centre is not None:
        return Disc(np.asarray(r.centre, float), spin, radius, r.tyre)
    middle = np.mean([d.centre for d in front], axis=0)
    ground = np.mean([touch(d)[..., 2] for d in front], axis=0)
    height = -touch(Disc(np.zeros(3), spin, radius, r.tyre))[2]
    x = middle[..., 0] - rig.wheelbase
    return Disc(np.stack([x, np.zeros_like(x), ground + height], axis=-1), spin, radius, r.tyre)


def _unit(v: ArrayLike) -> Array:
    a = np.asarray(v, float)
    return np.asarray(a / np.sqrt(np.einsum("...i,...i->...", a, a))[..., None])
