"""The drawing: pivots, axes, points, rods and datum tags where the builder drew them, within the stated tolerances.

Only as far as the straight-ahead lever setting does not matter. Places and directions are carried from the board to
the frame by the alignment (``align``), x_frame = R x_board + t, which these rows settle. A tolerance is a 95 %
half-width; see ``calib.uncertainty.standard``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.estimation.blocks.base import Array, RowBlock, slots_of
from calib.estimation.unknowns import Layout, Motions
from calib.linkage.rotations import perpendiculars, skew
from calib.rig.model import Vec
from calib.uncertainty import standard


@dataclass(frozen=True)
class _OnAxis(RowBlock):
    """Rows over the alignment (6) and one axis (4: a turn across it and a shift across it)."""

    axis: int  # in State.axis_p
    drawn_point: Vec
    drawn_axis: Vec
    sd: float

    kind = "drawing"
    robust = True

    @cached_property
    def _across(self) -> Array:
        return perpendiculars(np.asarray(self.drawn_axis))

    def _direction(self, m: Motions) -> Array:
        return m.state.align_R @ m.state.axis_d[self.axis]

    def _gap(self, m: Motions) -> Array:
        return m.state.align_R @ m.state.axis_p[self.axis] + m.state.align_t - np.asarray(self.drawn_point)

    def _d_direction(self, m: Motions) -> Array:
        """Derivative (3, 10) of the direction in the frame."""
        r, d = m.state.align_R, m.state.axis_d[self.axis]
        return np.concatenate([-skew(r @ d), np.zeros((3, 3)), -r @ skew(d) @ perpendiculars(d), np.zeros((3, 2))],
                              axis=1)

    def _d_point(self, m: Motions) -> Array:
        """Derivative (3, 10) of the axis point in the frame."""
        r, d, p = m.state.align_R, m.state.axis_d[self.axis], m.state.axis_p[self.axis]
        return np.concatenate([-skew(r @ p), np.eye(3), np.zeros((3, 2)), r @ perpendiculars(d)], axis=1)


@dataclass(frozen=True)
class DrawnPivot(_OnAxis):
    """Where the axis passes the plane through the drawn pivot square to the drawn axis: two rows, mm over ``sd`` mm.

    A pivot may slide along its axis: with g the gap of the axis point from the drawn pivot, d the measured and a the
    drawn direction, what counts is g - h d, h = (a . g) / (a . d).
    """

    def _slid(self, m: Motions) -> tuple[float, Array]:
        """How far to slide (mm), and the matrix (2, 3) that takes a gap to the plane along the measured axis."""
        a, d = np.asarray(self.drawn_axis), self._direction(m)
        h = float(a @ self._gap(m) / (a @ d))
        return h, self._across.T @ (np.eye(3) - np.outer(d, a) / (a @ d))

    def residual(self, m: Motions) -> Array:
        return self._slid(m)[1] @ self._gap(m) / self.sd

    def jacobian(self, m: Motions) -> Array:
        h, flat = self._slid(m)
        return flat @ (self._d_point(m) - h * self._d_direction(m)) / self.sd


@dataclass(frozen=True)
class DrawnAxis(_OnAxis):
    """Part of the axis direction square to the drawn one: two rows, rad over ``sd`` rad."""

    def residual(self, m: Motions) -> Array:
        return self._across.T @ self._direction(m) / self.sd

    def jacobian(self, m: Motions) -> Array:
        return self._across.T @ self._d_direction(m) / self.sd


@dataclass(frozen=True)
class DrawnHub(_OnAxis):
    """A wheel's spin axis near its drawn hub: two rows across the drawn axis, mm over ``sd`` mm.

    Wide: only needed where the wheel was never turned.
    """

    def residual(self, m: Motions) -> Array:
        return self._across.T @ self._gap(m) / self.sd

    def jacobian(self, m: Motions) -> Array:
        return self._across.T @ self._d_point(m) / self.sd


@dataclass(frozen=True)
class DrawnPoint(RowBlock):
    """Rod point in its hole: three rows in frame axes, mm over ``sd`` mm.

    ``plain_sd`` is the drawing's own; ``sd`` has the doubt which of several holes it is in added.
    """

    point: int  # in State.points
    drawn: Vec
    sd: float
    plain_sd: float

    kind = "drawing"
    robust = True

    def residual(self, m: Motions) -> Array:
        s = m.state
        return (s.align_R @ s.points[self.point] + s.align_t - np.asarray(self.drawn)) / self.sd

    def jacobian(self, m: Motions) -> Array:
        s = m.state
        return np.concatenate([-skew(s.align_R @ s.points[self.point]), np.eye(3), s.align_R], axis=1) / self.sd


@dataclass(frozen=True)
class DrawnRod(RowBlock):
    """Rod length: one row, mm over ``sd`` mm."""

    rod: int  # in State.rods
    drawn: float
    sd: float

    kind = "drawing"
    robust = True

    def residual(self, m: Motions) -> Array:
        return np.array([(m.state.rods[self.rod] - self.drawn) / self.sd])

    def jacobian(self, m: Motions) -> Array:
        return np.array([[1 / self.sd]])


@dataclass(frozen=True)
class DatumTag(RowBlock):
    """Middle of a tag at its drawn place on the frame: three rows in frame axes, mm over ``sd`` mm."""

    tag: int  # in State.tag_t
    drawn: Vec
    sd: float

    kind = "drawing"
    robust = True

    def residual(self, m: Motions) -> Array:
        s = m.state
        return (s.align_R @ s.tag_t[self.tag] + s.align_t - np.asarray(self.drawn)) / self.sd

    def jacobian(self, m: Motions) -> Array:
        s = m.state
        return np.concatenate([-skew(s.align_R @ s.tag_t[self.tag]), np.eye(3), s.align_R], axis=1) / self.sd


def drawing_blocks(layout: Layout, scale: float = 1.0, hole_sd: Mapping[str, float] | None = None) -> list[RowBlock]:
    """All that the drawing says of what is unknown; the stated standard uncertainties times ``scale``.

    ``hole_sd`` mm by point: doubt which hole it is drawn in.
    """
    return [*_axis_blocks(layout, scale), *_point_blocks(layout, scale, hole_sd or {}), *_rod_blocks(layout, scale),
            *_tag_blocks(layout, scale)]


def _axis_blocks(layout: Layout, scale: float) -> list[RowBlock]:
    out: list[RowBlock] = []
    for i, name in enumerate(layout.bodies):
        b = layout.rig.bodies[name]
        slots = slots_of(layout.align, layout.axis(name))
        if b.role == "wheel":  # its direction is loose, its hub drawn within a few mm
            out.append(DrawnAxis(slots, name, i, b.pivot, b.axis, 3 * b.axis_tol))
            out.append(DrawnHub(slots, name, i, b.pivot, b.axis, 5 * b.pivot_tol))
        else:
            out.append(DrawnPivot(slots, name, i, b.pivot, b.axis, scale * standard(b.pivot_tol)))
            out.append(DrawnAxis(slots, name, i, b.pivot, b.axis, scale * standard(b.axis_tol)))
    return out


def _point_blocks(layout: Layout, scale: float, hole_sd: Mapping[str, float]) -> list[RowBlock]:
    out: list[RowBlock] = []
    for i, name in enumerate(layout.points):
        p, slots = layout.rig.points[name], slots_of(layout.align, layout.point(name))
        sd = scale * standard(p.tol)
        out.append(DrawnPoint(slots, name, i, p.xyz, float(np.hypot(sd, hole_sd.get(name, 0.0))), sd))
    return out


def _rod_blocks(layout: Layout, scale: float) -> list[RowBlock]:
    rods = [layout.rig.rods[n] for n in layout.rods]
    return [DrawnRod(slots_of(layout.rod(r.name)), r.name, i, r.length, scale * standard(r.tol))
            for i, r in enumerate(rods)]


def _tag_blocks(layout: Layout, scale: float) -> list[RowBlock]:
    out: list[RowBlock] = []
    for i, name in enumerate(layout.tags):
        tag, slots = layout.rig.tags[name], layout.tag(name)
        if tag.place is not None:
            own = range(slots.start + 3, slots.stop)
            out.append(DatumTag(slots_of(layout.align, own), name, i, tag.place, scale * standard(tag.place_tol)))
    return out
