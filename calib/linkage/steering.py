"""Wheel angles and steering-axis geometry: what a builder reads off the linkage.

Terms and signs follow ISO 8855 (x forward, y left, z up; steer and heading positive to the left; camber
positive with the wheel's top leaning outwards). Radians and mm throughout.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple, TypedDict

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage.columns import about, beside, column, vectors
from calib.linkage.contacts import Ground, ideal_outer, outer_circle, stance, turning_centre
from calib.linkage.mechanism import Linkage, Sweep, body_motions, known_bodies
from calib.linkage.rotations import unit
from calib.rig.discs import front_disc, touch
from calib.rig.figures import AxisFacts, Facts, LeanFacts, TravelFacts, figures
from calib.rig.model import Rig

Array = NDArray[np.float64]
Stops = tuple[ArrayLike, ArrayLike]  # rad, low and high
Pose = Sweep | Mapping[str, ArrayLike]

LEAN = float(np.deg2rad(10.0))  # lean each way where the rig file gives no limits


def _angles(pose: Pose) -> Mapping[str, ArrayLike]:
    return pose.angles if isinstance(pose, Sweep) else pose


def spin_axes(rig: Rig, pose: Pose) -> dict[str, Array]:
    """Wheel spin directions now, by side: (..., 3) unit, pointing left, carried by the upright."""
    motions = body_motions(rig, _angles(pose))
    return {side: np.einsum("...ij,...j->...i", motions[w.upright][0], unit(w.spin))
            for side, w in rig.wheels.items()}


def level_spin_axes(rig: Rig, pose: Pose) -> dict[str, Array]:
    """As spin_axes, in axes that stay level with the ground while the vehicle leans.

    Two wheels stand on the ground through the part that carries their uprights. Where a lean joint lies
    between them and the frame, it is the frame that leans, so its turn is taken back.
    """
    angles = _angles(pose)
    known_bodies(rig, angles)
    shape = np.broadcast_shapes(*(np.shape(a) for a in angles.values()))
    out = {}
    for side, w in rig.wheels.items():
        s, carrier = column(unit(w.spin)), w.upright
        while carrier in rig.bodies and rig.bodies[carrier].role != "lean":
            if carrier in angles:
                angle = np.asarray(angles[carrier], float)
                still, u, v = (beside([x], 1, angle.ndim)[0] for x in about(s, column(rig.bodies[carrier].axis)))
                s = still + u * np.cos(angle) + v * np.sin(angle)
            carrier = rig.bodies[carrier].parent
        s = beside([s], 1, len(shape))[0]
        out[side] = vectors(np.broadcast_to(s, (3, *np.broadcast_shapes(s.shape[1:], shape))))
    return out


def wheel_headings(rig: Rig, pose: Pose) -> dict[str, Array]:
    """Heading of each wheel plane on the ground, (...) rad, left positive, by side.

    The wheel plane meets the ground along spin x z, so the heading is atan2(-spin_x, spin_y) (ISO 8855 steer
    angle, vehicle x axis to wheel plane about z). ``pose``: a Sweep, or joint angles of bodies (rad). Raises
    ValueError for a body the rig has not. The level is the drawing's, carried by the part that holds the uprights;
    where a vehicle leaned over stands on its three wheels, see ``contacts.stance``.

    >>> from calib import Linkage, parse_rig, starter_text
    >>> rig = parse_rig(starter_text())
    >>> headings = wheel_headings(rig, Linkage(rig).solve(np.radians(10)))
    >>> {side: float(np.degrees(h).round(2)) for side, h in headings.items()}
    {'left': -7.52, 'right': -7.77}
    """
    return headings_of(level_spin_axes(rig, pose))


def headings_of(spins: Mapping[str, Array]) -> dict[str, Array]:
    """The same of wheels whose level spin axes (..., 3) are known."""
    return {side: np.arctan2(-s[..., 0], s[..., 1]) for side, s in spins.items()}


def steer_angles(rig: Rig, pose: Pose) -> dict[str, Array]:
    """Heading less the heading with every joint at zero (as drawn straight ahead), (...) rad, by side."""
    zero = wheel_headings(rig, {})
    return {side: h - zero[side] for side, h in wheel_headings(rig, pose).items()}


def cambers(rig: Rig, pose: Pose) -> dict[str, Array]:
    """Camber of each wheel, (...) rad, positive with the top leaning outwards (ISO 8855), by side."""
    return cambers_of(level_spin_axes(rig, pose))


def cambers_of(spins: Mapping[str, Array]) -> dict[str, Array]:
    """The same of wheels whose level spin axes (..., 3) are known."""
    return {side: np.arcsin(np.clip(-_outward(side) * s[..., 2], -1.0, 1.0)) for side, s in spins.items()}


def toe(headings: Mapping[str, Array]) -> Array:
    """Total toe of both wheels, (...) rad, toe-in positive: right heading less left heading."""
    return headings["right"] - headings["left"]


class KingpinGeometry(TypedDict):
    """Steering axis of one side as drawn straight ahead; rad and mm."""

    caster: float
    kingpin_inclination: float
    trail: float
    offset_at_ground: float
    ground: tuple[float, float, float]  # where the steering axis meets the ground
    contact: tuple[float, float, float]  # middle of the tyre's contact


def kingpin_geometry(rig: Rig, side: str) -> KingpinGeometry:
    """Steering-axis figures of one side, straight ahead (ISO 8855 terms).

    caster: axis leaning back at the top is positive, in side view; kingpin inclination: leaning inward at the
    top is positive, in front view; trail: steering axis ahead of the contact point along the wheel's heading
    is positive; offset at ground: steering axis inboard of the contact point is positive. The ground is the
    level plane through the tyre's contact point. Raises KeyError for a side without a wheel, ValueError for a
    level axis.

    >>> from calib import parse_rig, starter_text
    >>> round(kingpin_geometry(parse_rig(starter_text()), "left")["trail"], 1)
    50.3
    """
    out = _outward(side)
    k, ground, contact, forward = _on_the_ground(rig, side)
    gap = ground - contact
    return KingpinGeometry(
        caster=float(np.arctan2(-k[0], k[2])), kingpin_inclination=float(np.arctan2(-out * k[1], k[2])),
        trail=float(gap @ forward), offset_at_ground=float(_offset(rig, side)),
        ground=(float(ground[0]), float(ground[1]), float(ground[2])),
        contact=(float(contact[0]), float(contact[1]), float(contact[2])))


def _on_the_ground(rig: Rig, side: str) -> tuple[Array, Array, Array, Array]:
    """Steering axis upwards, where it meets the ground, the tyre's contact and the wheel's heading, (..., 3) each."""
    w = rig.wheels[side]
    b = rig.bodies[w.upright]
    k = unit(b.axis)
    k = np.where(k[..., 2:] > 0, k, -k)
    if np.min(k[..., 2]) < 1e-6:
        raise ValueError(f"the axis of {b.name} lies level: it never meets the ground")
    disc = front_disc(rig, side)
    s, contact = disc.spin, touch(disc)
    pivot = np.asarray(b.pivot, float)
    ground = pivot + k * (contact[..., 2:] - pivot[..., 2:]) / k[..., 2:]
    forward = np.stack([s[..., 1], -s[..., 0], np.zeros(s.shape[:-1])], axis=-1)
    return k, ground, contact, forward / np.hypot(s[..., :1], s[..., 1:2])


def _offset(rig: Rig, side: str) -> Array:
    """Offset at ground, mm (...); see kingpin_geometry."""
    _, ground, contact, forward = _on_the_ground(rig, side)
    gap = contact - ground
    return np.asarray(_outward(side) * (gap[..., 1] * forward[..., 0] - gap[..., 0] * forward[..., 1]))


def kingpin_distance(rig: Rig) -> Array:
    """Distance (mm) between the two steering axes at the ground, across the vehicle; () or as the rig's variants."""
    return np.abs(_on_the_ground(rig, "left")[1][..., 1] - _on_the_ground(rig, "right")[1][..., 1])


# --- turning ----------------------------------------------------------------------------------------------


def ackermann_ideal(inner: ArrayLike, wheelbase: float, kingpin_distance: ArrayLike) -> Array:
    """Outer wheel angle (rad) that rolls round the same centre as ``inner`` (rad, >= 0), same shape: textbook form.

    cot(outer) - cot(inner) = kingpin distance at ground / wheelbase (Gillespie 1992, Fundamentals of Vehicle
    Dynamics, the steering chapter), written with sines so that it holds through zero. It holds for wheels that
    touch the ground on their kingpin axes; ``outer_ideal`` takes the contacts where they are.
    """
    i = np.asarray(inner, float)
    return np.arctan2(np.sin(i), np.cos(i) + np.asarray(kingpin_distance) / wheelbase * np.sin(i))


def outer_ideal(rig: Rig | Ground, left: ArrayLike, right: ArrayLike) -> Array:
    """Steer (rad, positive into the turn) of the outer wheel that rolls round the inner one's centre, (...).

    From the wheels' own contacts on level ground, see ``contacts.ideal_outer``; ``left`` and ``right`` as for
    ``ackermann_error``.
    """
    return _turn_sense(left, right) * ideal_outer(rig, left, right)


def _turn_sense(left: ArrayLike, right: ArrayLike) -> Array:
    return np.where(np.asarray(left, float) + np.asarray(right, float) >= 0, 1.0, -1.0)


def ackermann_error(rig: Rig | Ground, left: ArrayLike, right: ArrayLike) -> Array:
    """Outer wheel angle less the ideal one for the inner wheel, (...) rad; positive: the outer turns too far.

    ``left`` and ``right`` are steer angles from straight ahead (rad, left positive). The inner wheel is the
    left one in a left turn (mean steer above zero). Ideal is ``outer_ideal``, trail and offset at ground included.
    """
    turn = _turn_sense(left, right)
    outer = np.where(turn > 0, np.asarray(right, float), -np.asarray(left, float))
    return outer - turn * ideal_outer(rig, left, right)


def turn_radius(rig: Rig | Ground, left: ArrayLike, right: ArrayLike) -> Array:
    """Radius (mm) of the rear wheel's path, left turns positive, inf straight ahead.

    Mean of what the two front wheels ask for, from where they touch the ground; tyres without slip.
    """
    return turning_centre(rig, left, right)


def turn_circle(rig: Rig | Ground, left: ArrayLike, right: ArrayLike) -> Array:
    """Diameter (mm) of the circle the outer front wheel's contact point draws, (...); inf straight ahead."""
    return outer_circle(rig, left, right)


# --- figures ----------------------------------------------------------------------------------------------


def travel_facts(rig: Rig, driver_angles: ArrayLike, left: ArrayLike, right: ArrayLike,
                 travel: Stops | None = None, way: float | None = None, ground: Ground | None = None) -> TravelFacts:
    """What the figures of heading curves stand on; many curves at once.

    ``driver_angles`` (k,) rad increasing, at least 4; ``left`` and ``right`` headings (..., k) rad.
    ``travel`` (rad, from driver zero, one for all or (...) each; None: the rig's for its driver) is cut to the range
    given. Steer counts
    from ``straight``, the driver angle nearest zero where the mean heading is zero. nan where the curve has no
    such place. ``way`` (1 or -1): which way the wheels go in the drawing, see drawn_way; None: these curves are it.
    ``ground``: the rig's ``Ground``, where it is known already.
    """
    d = np.asarray(driver_angles, float)
    hl, hr = np.asarray(left, float), np.asarray(right, float)
    if hl.shape != hr.shape:
        hl, hr = np.broadcast_arrays(hl, hr)
    if d.ndim != 1 or len(d) < 4 or hl.shape[-1] != len(d) or np.any(np.diff(d) <= 0):
        raise ValueError("figures need at least 4 driver angles in increasing order, and a heading for each")
    straight = straight_at(d, 0.5 * (hl + hr))
    (l0, r0), slopes = on_curve(d, np.stack([hl, hr]), np.stack([straight] * 2))
    slope = 0.5 * (slopes[0] + slopes[1])
    span = travel if travel is not None else rig.bodies[rig.driver].travel
    low, high = (d[0], d[-1]) if span is None else span
    lo, hi = np.maximum(d[0], low), np.minimum(d[-1], high)
    sl, sr = hl - l0[..., None], hr - r0[..., None]
    inside = (d >= lo[..., None] - 1e-12) & (d <= hi[..., None] + 1e-12)
    ends = [{"left": on_curve(d, sl, x)[0], "right": on_curve(d, sr, x)[0]} for x in (lo, hi)]

    def ackermann() -> Array:
        steer = [np.concatenate([np.where(inside, s, 0.0), *(e[side][..., None] for e in ends)], axis=-1)
                 for side, s in (("left", sl), ("right", sr))]
        return ackermann_error(ground or rig, *steer)

    def circles() -> Array:
        level = Ground.of(ground or rig)
        return np.stack([turn_circle(level, e["left"], e["right"]) for e in ends], axis=-1)

    return TravelFacts(straight, {"left": l0, "right": r0}, slope,
                       np.sign(slope) if way is None else np.full(slope.shape, way), (ends[0], ends[1]),
                       ackermann, circles)


def heading_figures(rig: Rig, driver_angles: ArrayLike, left: ArrayLike, right: ArrayLike,
                    travel: Stops | None = None, names: Collection[str] | None = None,
                    way: float | None = None, ground: Ground | None = None) -> dict[str, Array]:
    """The figures (see calib.rig.figures) that stand on heading curves, (...) each by name; see travel_facts.

    ``names``: only those.
    """
    return figures(Facts(travel=travel_facts(rig, driver_angles, left, right, travel, way, ground)), names)


def drawn_way(driver_angles: ArrayLike, left: ArrayLike, right: ArrayLike) -> float:
    """1 where the mean heading (k,) of a drawing turns left as the driver angle (k,) grows, near zero; else -1.

    Raises ValueError where the curves do not reach round zero.
    """
    d, mean = np.asarray(driver_angles, float), 0.5 * (np.asarray(left, float) + np.asarray(right, float))
    slope = float(on_curve(d, mean, np.asarray(0.0))[1])
    if not np.isfinite(slope):
        raise ValueError("the drawn linkage does not move round straight ahead")
    return 1.0 if slope >= 0 else -1.0


def axis_facts(rig: Rig) -> dict[str, AxisFacts]:
    """Steering-axis geometry and camber of each side straight ahead, by side; () each, or as the rig's variants."""
    c = cambers(rig, {})
    out = {}
    for side in rig.wheels:
        k, ground, contact, forward = _on_the_ground(rig, side)
        out[side] = AxisFacts(
            caster=np.arctan2(-k[..., 0], k[..., 2]),
            kingpin_inclination=np.arctan2(-_outward(side) * k[..., 1], k[..., 2]), camber=c[side],
            trail=np.sum((ground - contact) * forward, axis=-1), offset_at_ground=_offset(rig, side))
    return out


def axis_figures(rig: Rig) -> dict[str, float]:
    """The figures of steering axes and wheels, straight ahead, by name; angles in rad, lengths in mm."""
    return {k: float(v) for k, v in figures(Facts(axes=axis_facts(rig))).items()}


def axis_table(rig: Rig, names: Sequence[str]) -> Array:
    """Those of ``names`` side by side, (n,); of many rigs (m, 1) as ``varied`` makes them, (m, 1, n)."""
    found = figures(Facts(axes=axis_facts(rig)), names)
    return np.stack(np.broadcast_arrays(*(found[n] for n in names)), axis=-1)


def lean_facts(rig: Rig, n: int = 9) -> LeanFacts | None:
    """Steer that leaning causes over its range, driver straight ahead; None without a lean joint apart from it."""
    lean = lean_joint(rig)
    if lean is None or lean == rig.driver:
        return None
    return LeanFacts(lean_steer(rig, lean, lean_range(rig, n)))


def curve_figures(rig: Rig, sweep: Sweep) -> dict[str, float]:
    """All figures of one rig by the names of the table (rad, mm, plain); those of leaning where it has that joint.

    A figure the sweep does not reach is nan.

    >>> from calib import Linkage, parse_rig, starter_text
    >>> rig = parse_rig(starter_text())
    >>> figures = curve_figures(rig, Linkage(rig).sweep(np.radians(np.linspace(-30, 30, 61))))
    >>> round(figures["ratio"], 3), round(float(np.degrees(figures["caster"])), 1)
    (0.759, 12.3)
    """
    h = wheel_headings(rig, sweep)
    order = np.argsort(sweep.driver_angles)
    t = travel_facts(rig, sweep.driver_angles[order], h["left"][order], h["right"][order],
                     rig.bodies[sweep.driver].travel)
    return {k: float(v) for k, v in figures(Facts(t, axis_facts(rig), lean_facts(rig))).items()}


def force_ratio(rig: Rig, sweep: Sweep, hand_arm: float) -> Array:
    """Moment about the steering axes (N mm, both sides together) one newton at the hand gives, (n,) mm.

    ``hand_arm``: mm from the driver's hinge to the hand, pushed square to it. Virtual work without friction:
    F hand_arm d(driver) = M d(mean upright turn), both sides sharing the moment alike; nan where not reached.
    """
    rates = Linkage(rig).rates(sweep.angles, driver=sweep.driver)
    mean = np.mean([np.abs(rates[w.upright]) for w in rig.wheels.values()], axis=0)
    with np.errstate(divide="ignore"):
        return np.asarray(hand_arm / mean)


def lean_steer(rig: Rig, lean: str, lean_angles: ArrayLike, driver_angle: float = 0.0) -> dict[str, Array]:
    """Steer caused by leaning with the driver held still, (n,) rad by side, left positive, zero upright.

    ``lean`` is the lean body's name, ``lean_angles`` (n,) rad about its axis. A front wheel's heading on the ground
    counts from the rear wheel's, with all three wheels on one flat ground (see ``contacts.stance``). nan where the
    rods do not allow it.
    """
    lk = Linkage(rig)
    base = stance(rig, lk.solve(driver_angle)).headings
    swept = stance(rig, lk.sweep(lean_angles, driver=lean, fixed={rig.driver: driver_angle}).angles).headings
    return {side: h - base[side] for side, h in swept.items()}


def lean_joint(rig: Rig) -> str | None:
    """Name of the rig's lean joint (the first body with that role), None where it has none."""
    return next((b.name for b in rig.bodies.values() if b.role == "lean"), None)


def lean_range(rig: Rig, n: int = 9) -> Array:
    """``n`` lean angles (odd, upright in the middle), rad, over the lean joint's travel; LEAN where none is given."""
    lean = lean_joint(rig)
    low, high = (rig.bodies[lean].travel if lean else None) or (-LEAN, LEAN)
    return np.concatenate([np.linspace(low, 0.0, n // 2 + 1), np.linspace(0.0, high, n // 2 + 1)[1:]])


def roll_steer(rig: Rig, n: int = 9) -> float:
    """Most steer (rad, magnitude, either wheel) that leaning causes over its range, driver straight ahead.

    nan without a lean joint, or where the rods do not let it lean that far.
    """
    found = lean_facts(rig, n)
    return float("nan") if found is None else float(figures(Facts(lean=found))["roll_steer"])


# --- small helpers ----------------------------------------------------------------------------------------

_FOUR = np.arange(4)


def _outward(side: str) -> float:
    return 1.0 if side == "left" else -1.0


def straight_at(d: Array, y: Array) -> Array:
    """Where y (..., k), such as the mean heading, over d (k,) crosses zero, nearest d = 0: (...); nan where not."""
    cross = (y[..., :-1] * y[..., 1:] <= 0) & np.isfinite(y[..., :-1]) & np.isfinite(y[..., 1:])
    mid = np.abs(0.5 * (d[:-1] + d[1:]))
    i = np.argmin(np.where(cross, mid, np.inf), axis=-1)
    y0 = np.take_along_axis(y, i[..., None], -1)[..., 0]
    y1 = np.take_along_axis(y, i[..., None] + 1, -1)[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.where(y0 == y1, 0.0, y0 / (y0 - y1))
    x = d[i] + f * (d[i + 1] - d[i])
    there = _Cubic.at(d, y, np.clip(i - 1, 0, len(d) - 4))
    for _ in range(3):  # secant start, then Newton on the local cubic
        v, s = there(x)
        with np.errstate(divide="ignore", invalid="ignore"):
            x = np.clip(np.where(s == 0, x, x - v / s), d[i], d[i + 1])
    return np.where(cross.any(axis=-1), x, np.nan)


def on_curve(d: Array, y: Array, x: Array | float) -> tuple[Array, Array]:
    """Value and slope at x (...), or one for all, of the cubic through the four nodes about it, y (..., k) over d (k,).
    """
    if np.ndim(x) == 0:
        return _at_one(d, y, float(x))
    ok = np.isfinite(x)
    xs = np.where(ok, x, d[0])
    value, slope = _Cubic.at(d, y, np.clip(np.searchsorted(d, xs, side="right") - 2, 0, len(d) - 4))(xs)
    return np.where(ok, value, np.nan), np.where(ok, slope, np.nan)


def _at_one(d: Array, y: Array, x: float) -> tuple[Array, Array]:
    """The same at one place: all curves have the same nodes about it."""
    first = min(max(int(np.searchsorted(d, x, side="right")) - 2, 0), len(d) - 4)
    value, slope = _weights(*d[first:first + 4].tolist(), x)
    part = [y[..., first + j] for j in range(4)]
    return (np.asarray(sum(w * p for w, p in zip(value, part, strict=True))),
            np.asarray(sum(w * p for w, p in zip(slope, part, strict=True))))


@lru_cache(1000)
def _weights(m: float, n: float, o: float, p: float, x: float) -> tuple[list[float], list[float]]:
    """By what the values at four nodes count for the value and the slope at x of the cubic through them: Lagrange."""
    value, slope = [], []
    for node, a, b, c in ((m, n, o, p), (n, m, o, p), (o, m, n, p), (p, m, n, o)):
        size = (node - a) * (node - b) * (node - c)
        value.append((x - a) * (x - b) * (x - c) / size)
        slope.append(((x - a) * (x - b) + (x - a) * (x - c) + (x - b) * (x - c)) / size)
    return value, slope


class _Cubic(NamedTuple):
    """Cubics through four nodes each: places and values over the places' products of differences, (..., 4)."""

    nodes: Array
    parts: Array

    @staticmethod
    def at(d: Array, y: Array, first: NDArray[np.intp]) -> _Cubic:
        """Through the nodes from ``first`` (...) on of y (..., k) over d (k,)."""
        idx = first[..., None] + _FOUR
        m, n, o, p = (d[j:len(d) - 3 + j] for j in _FOUR)  # of each four nodes in a row the first to the last
        between = np.stack([(m - n) * (m - o) * (m - p), (n - m) * (n - o) * (n - p),
                            (o - m) * (o - n) * (o - p), (p - m) * (p - n) * (p - o)], axis=-1)
        return _Cubic(d[idx], np.take_along_axis(y, idx, -1) / between[first])

    def __call__(self, x: Array) -> tuple[Array, Array]:
        """Values and slopes at x (...): Lagrange's form."""
        dif = x[..., None] - self.nodes
        e, f, g, h = (dif[..., j] for j in _FOUR)
        one, two, three, four = (self.parts[..., j] for j in _FOUR)
        ef, gh, early, late = e * f, g * h, one * f + two * e, three * h + four * g
        return (early * gh + late * ef,
                (one + two) * gh + early * (g + h) + (three + four) * ef + late * (e + f))
