"""From the estimate's unknowns to the rig as built, in frame axes, with its covariance.

The mapping is differentiated numerically (central differences along the estimate's own steps) and the
covariance follows the law of propagation of uncertainty (JCGM 100, 5.2.2).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.estimation.unknowns import Layout, State, retract
from calib.linkage.rotations import skew
from calib.rig.model import Point, Rig, Vec
from calib.rig.parameters import Kind, length_name, parsed, travel_names, vector_names
from calib.uncertainty import K95, differences, each, standard

Array = NDArray[np.float64]
DRILL_SD = 0.1  # mm: spacing of holes drilled in one set-up (common practice, no source)
STEP = 1e-5  # mm or rad, central differences
MEASURED_STOP = np.deg2rad(0.1)  # rad, 95 %: how alike a lever comes to rest at its stop (common practice, no source)
USUAL_CENTRE = 2.0  # mm, 95 %
FURTHEST_OFF = np.deg2rad(10.0)  # rad, 95 %: nobody holds straight ahead further off (common practice, no source)
LEAST_ARM = 5.0  # mm: a shorter arm says nothing of where its part points
ARM_TILT_SD = 0.02  # rad: how far an arm's row of holes may lean from the drawing


def as_built_rig(layout: Layout, s: State, measured_wheels: Sequence[str]) -> Rig:
    """The rig with everything measured put in, straight ahead, frame axes (mm)."""
    rig = layout.rig
    bodies, points, rods, wheels = dict(rig.bodies), dict(rig.points), dict(rig.rods), dict(rig.wheels)

    def vec(x: Array) -> Vec:
        return (float(x[0]), float(x[1]), float(x[2]))

    turns: dict[str, tuple[Array, Array]] = {}
    for i, name in enumerate(layout.bodies):
        d = s.align_R @ s.axis_d[i]
        p = s.align_R @ s.axis_p[i] + s.align_t
        drawn = np.asarray(rig.bodies[name].pivot)
        p = p + d * (d @ (drawn - p))  # the point of the axis nearest the drawn pivot stands for it
        bodies[name] = replace(bodies[name], pivot=vec(p), axis=vec(d))
        turns[name] = (p, d)
    for i, name in enumerate(layout.points):
        pt = rig.points[name]
        x = s.align_R @ s.points[i] + s.align_t
        r = np.eye(3)
        if pt.body in turns:
            r = _arm_turn(np.asarray(rig.bodies[pt.body].pivot), np.asarray(rig.bodies[pt.body].axis),
                          np.asarray(pt.xyz), turns[pt.body][0], turns[pt.body][1], x)
        holes = {h: vec(x + r @ (np.asarray(v) - np.asarray(pt.xyz))) for h, v in pt.holes.items()}
        bolt = None if pt.bolt is None else vec(r @ np.asarray(pt.bolt))
        points[name] = replace(pt, holes=holes, bolt=bolt)
    for name in layout.bodies:
        if bodies[name].travel is not None or (name == rig.driver and measured_stops(layout)):
            bodies[name] = replace(bodies[name], travel=_stops(layout, s, name, turns[name], points))
    for i, name in enumerate(layout.rods):
        rods[name] = replace(rods[name], length=float(s.rods[i]))
    for side, w in rig.wheels.items():
        if side in measured_wheels and w.spin_body is not None:
            p, d = turns[w.spin_body]
            d = d * np.sign(d @ np.asarray(w.spin))
            centre = np.asarray(w.centre)
            wheels[side] = replace(w, centre=vec(p + d * (d @ (centre - p))), spin=vec(d), measured=True)
    known = MEASURED_STOP if measured_stops(layout) else K95 * stops_doubt(rig, bodies[rig.driver].pivot)
    return replace(rig, bodies=bodies, points=points, rods=rods, wheels=wheels, stop_tol=known)


def measured_stops(layout: Layout) -> bool:
    """Whether both stops of the driver were photographed."""
    return len(layout.rig.stops) == 2 and set(layout.rig.stops) <= set(layout.positions)


def stop_slots(layout: Layout) -> list[int]:
    """Slots of the driver's angles at its photographed stops."""
    if not measured_stops(layout):
        return []
    slots = [layout.angle(layout.rig.driver, p) for p in layout.rig.stops]
    return [k for k in slots if k is not None]


def _stops(layout: Layout, s: State, name: str, hinge: tuple[Array, Array], points: Mapping[str, Point],
           ) -> tuple[float, float]:
    """Stops of a body, rad from where it stood straight ahead: as photographed, else as drawn.

    The drawn ones count from where the part is drawn, so that how far it stood from there is taken off.
    """
    if name == layout.rig.driver and measured_stops(layout):
        low, high = sorted(float(s.angles[k - layout.first_angle]) for k in stop_slots(layout))
        return low, high
    travel = layout.rig.bodies[name].travel
    assert travel is not None
    off = stood_off(layout.rig, name, hinge, points)
    return travel[0] - off, travel[1] - off


def stood_off(drawn: Rig, name: str, hinge: tuple[Array, Array], points: Mapping[str, Point]) -> float:
    """Angle (rad, about the body's axis) by which its arms point off the drawing: where the part was held."""
    body = drawn.bodies[name]
    turned = []
    for p in drawn.points.values():
        if p.body != name or p.name not in points:
            continue
        a = np.asarray(body.axis)
        was = np.subtract(p.xyz, body.pivot)
        now = np.subtract(points[p.name].xyz, hinge[0])
        was, now = was - a * (a @ was), now - a * (a @ now)
        if min(np.linalg.norm(was), np.linalg.norm(now)) > LEAST_ARM:
            turned.append(np.arctan2(a @ np.cross(was, now), was @ now))
    return float(np.mean(turned)) if turned else 0.0


def stops_doubt(rig: Rig, pivot: Vec) -> float:
    """Standard uncertainty (rad) of where the driver's stops are, where they were not photographed.

    How well its arm tells where it stood (tolerances of hole and pivot, which are stated apart, over the arm), and how
    far stops may be off. ``pivot``: where the driver's is, since one that stands off by more than its tolerance turns
    the arm by that much, or not at all if the whole lever stands there.
    """
    body = rig.bodies[rig.driver]
    off = max(body.pivot_tol, float(np.linalg.norm(np.subtract(pivot, body.pivot))))
    arms = [min(float(np.hypot(p.tol, off)) / r, FURTHEST_OFF) for p in rig.points.values() if p.body == rig.driver
            for r in [float(np.linalg.norm(np.cross(np.subtract(p.xyz, body.pivot), body.axis)))] if r > LEAST_ARM]
    return standard(float(np.hypot(min(arms, default=0.0), rig.stop_tol)))


def with_rows(measured: Point, file: Rig, built: Rig) -> Point:
    """A point with all holes of its row, where they stand beside the hole in use as in the ``file``.

    The row is turned with the part, by its hinge and the arm to the hole in use.
    """
    drawn = file.points[measured.name]
    if len(drawn.holes) == len(measured.holes) or drawn.body not in file.bodies:
        return measured
    a, b, x = file.bodies[drawn.body], built.bodies[drawn.body], np.asarray(measured.xyz)
    r = _arm_turn(np.asarray(a.pivot), np.asarray(a.axis), np.asarray(drawn.xyz), np.asarray(b.pivot),
                  np.asarray(b.axis), x)
    holes = {h: x + r @ np.subtract(v, drawn.xyz) for h, v in drawn.holes.items()}
    return replace(measured, holes={h: (float(v[0]), float(v[1]), float(v[2])) for h, v in holes.items()},
                   order=drawn.order)


def _arm_turn(pivot: Array, axis: Array, hole: Array, pivot_m: Array, axis_m: Array, hole_m: Array) -> Array:
    """Turn that takes the drawn hinge and arm directions of a part to the measured ones."""

    def triad(p: Array, a: Array, h: Array) -> Array | None:
        arm = (h - p) - a * (a @ (h - p))
        n = float(np.linalg.norm(arm))
        if n < 1e-6:
            return None
        return np.stack([a, arm / n, skew(a) @ arm / n], axis=1)

    drawn, real = triad(pivot, axis, hole), triad(pivot_m, axis_m, hole_m)
    return np.eye(3) if drawn is None or real is None else real @ drawn.T


def parameter_names(layout: Layout, measured_wheels: Sequence[str]) -> tuple[str, ...]:
    """Names (see calib.rig.parameters) of everything ``as_built_rig`` sets."""
    rig = layout.rig
    names = [n for b in layout.bodies for kind in (Kind.PIVOT, Kind.AXIS) for n in vector_names(b, kind)]
    names += [n for p in layout.points for h in rig.points[p].holes for n in vector_names(p, Kind.HOLE, h)]
    names += [length_name(r) for r in layout.rods]
    if rig.driver in layout.bodies and (rig.bodies[rig.driver].travel is not None or measured_stops(layout)):
        names += travel_names(rig.driver)
    names += [n for s in rig.wheels for kind in (Kind.CENTRE, Kind.SPIN) for n in vector_names(s, kind)]
    return tuple(names)


def jacobian(layout: Layout, s: State, values: Callable[[State], Array], slots: Sequence[int]) -> Array:
    """d values / d slots by central differences, (m, len(slots)); steps suit mm and rad unknowns.

    The rig as built does not depend on where tags were stuck: their columns are zero.
    """
    # photos have no part in the values either, and stepping their poses would take time
    s = replace(s, photo_R=s.photo_R[:0], photo_t=s.photo_t[:0], df=s.df[:0], dc=s.dc[:0], hand=s.hand[:0])
    none = np.zeros((0, layout.private))
    tags = range(layout.align.stop, layout.align.stop + 6 * len(layout.tags))
    moving = [i for i, k in enumerate(slots) if k not in tags]
    which = np.asarray(slots)[moving]

    def stepped(x: Array) -> Array:
        d = np.zeros(layout.size)
        d[which] = x
        return values(retract(layout, s, d, none))

    base, J = differences(each(stepped), np.zeros(len(moving)), STEP)
    out = np.zeros((len(base), len(slots)))
    out[:, moving] = J
    return out


def extra_covariance(layout: Layout, names: Sequence[str], measured_wheels: Sequence[str], stop_tol: float) -> Array:
    """Covariance of what the estimate does not carry: unused holes, unmeasured wheels and stops, (n, n).

    ``stop_tol`` rad, 95 %: how well the stops are known, see ``as_built_rig``.
    """
    rig = layout.rig
    var = np.zeros(len(names))
    for i, n in enumerate(parsed(names)):
        if not n.of_hole_in_use(rig):
            pt = rig.points[n.owner]
            gap = float(np.linalg.norm(np.subtract(pt.holes[n.hole], pt.xyz)))
            var[i] = DRILL_SD**2 + (ARM_TILT_SD * gap) ** 2
        elif n.kind in (Kind.CENTRE, Kind.SPIN):
            w = rig.wheels[n.owner]
            if w.side not in measured_wheels:
                var[i] = standard(w.spin_tol) ** 2 if n.kind is Kind.SPIN else 1.0
            elif n.kind is Kind.CENTRE:
                wide = n.owner not in measured_wheels and rig.wheels[n.owner].centre_tol > USUAL_CENTRE
                var[i] = standard(rig.wheels[n.owner].centre_tol) ** 2 if wide else 1.0  # a hub is no truer than 1 mm
    out = np.diag(var)
    for side in measured_wheels:  # where the tyre sits along its axle is not seen: more than the same 2 mm counts there
        w = rig.wheels[side]
        own = [i for i, n in enumerate(parsed(names)) if n.kind is Kind.CENTRE and n.owner == side]
        more = max(standard(w.centre_tol) ** 2 - standard(USUAL_CENTRE) ** 2, 0.0)
        out[np.ix_(own, own)] += more * np.outer(w.spin, w.spin)
    if not measured_stops(layout):
        ends = [i for i, n in enumerate(parsed(names)) if n.kind is Kind.TRAVEL]
        out[np.ix_(ends, ends)] = standard(stop_tol) ** 2  # both move together: one unknown place of the lever
    return out
