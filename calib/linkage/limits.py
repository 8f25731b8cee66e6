"""What the linkage must not do over its travel: lose hold, go over centre, bind a rod end, touch a part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage import batch
from calib.linkage.mechanism import Linkage, Sweep, body_motions
from calib.linkage.rotations import cross, dot
from calib.linkage.steering import Pose
from calib.rig.model import Body, Rig
from calib.rig.parameters import stacked

Array = NDArray[np.float64]
Motions = Mapping[str, tuple[Array, Array]]

TOGGLE_SEARCH = float(np.deg2rad(45.0))  # how far beyond the swept range a toggle is looked for
TOGGLE_MARGIN = float(np.deg2rad(5.0))  # least distance from the travel end to a toggle; common practice, no source


@dataclass(frozen=True)
class Limit:
    """One thing checked over a sweep, at its worst.

    ``name``: transmission, misalignment, clearance, toggle, reach, travel or rod_length; ``item``: the rod end,
    pair, rod or body; ``value`` and ``allowed`` in rad or mm; ``at_driver`` rad, nan where it does not depend
    on the driver; ``text`` the sentence shown, in degrees and mm.
    """

    name: str
    item: str
    value: float
    allowed: float
    ok: bool
    at_driver: float
    text: str


def transmission_angles(rig: Rig, pose: Pose | Places) -> dict[tuple[str, str], Array]:
    """Transmission angle at each rod end, (rod, point) to (...) rad in 0..pi/2.

    Angle between the rod and the plane through the hinge axis and the ball, the direction along which a rod
    turns nothing: sin = |rod direction . (axis x arm)| / |axis x arm|. In a planar linkage this is the usual
    angle between rod and arm (Norton, Design of Machinery; edition and section from memory). Ends on the
    frame are left out.
    """
    now = Places.of(rig, pose)
    out = {}
    for rod, e in now.directions.items():
        for end in (rig.rods[rod].a, rig.rods[rod].b):
            b = rig.bodies.get(rig.points[end].body)
            if b is None:
                continue
            t = cross(now.direction(b.axis, b.name), now.at[end] - now.place(b.pivot, b.name))
            s = np.abs(dot(e, t)) / np.maximum(np.sqrt(dot(t, t)), 1e-12)
            out[rod, end] = np.arcsin(np.clip(s, 0.0, 1.0))
    return out


def misalignment_angles(rig: Rig, pose: Pose | Places) -> dict[tuple[str, str], Array]:
    """Angle of the rod out of the plane square to the bolt at each end, (rod, point) to (...) rad, 0..pi/2.

    What a rod end's misalignment limit refers to (tilt of the inner ring, ISO 12240-4). The bolt turns with its
    body.
    """
    now = Places.of(rig, pose)
    out = {}
    for rod, e in now.directions.items():
        for end in (rig.rods[rod].a, rig.rods[rod].b):
            p = rig.points[end]
            if p.bolt is None and p.body not in rig.bodies:
                continue
            bolt = p.bolt if p.bolt is not None else rig.bodies[p.body].axis
            s = np.abs(dot(e, now.direction(bolt, p.body)))
            out[rod, end] = np.arcsin(np.clip(s, 0.0, 1.0))
    return out


def clearances(rig: Rig, pose: Pose | Places, least: float = np.inf) -> dict[tuple[str, str], Array]:
    """Gap (mm, negative where they overlap) of everything that may touch as parts move, (one, other) to (...).

    Rods against rods and obstacles: distance of the straight segments less both radii; two rods on the same bolt are
    left out. Front wheels ("left wheel", "right wheel") against rods and obstacles: distance of the disc less half
    its tyre's width and the segment's radius; obstacles that the wheel's own upright carries are left out. Gaps above
    ``least`` mm may come out smaller than they are, though not below it.
    """
    now = Places.of(rig, pose)
    parts = [(r.name, now.at[r.a], now.at[r.b], r.radius, {_bolt(rig, r.a), _bolt(rig, r.b)})
             for r in rig.rods.values()]
    others = parts + [(o.name, now.place(o.a, o.body), now.place(o.b, o.body), o.radius, set())
                      for o in rig.obstacles]
    pairs = [(i, j) for i, p in enumerate(parts) for j, q in enumerate(others) if j > i and not p[4] & q[4]]
    shape = np.broadcast_shapes(*[p[1].shape for p in others]) if others else ()
    ends = np.empty((2, len(others), *shape))
    for i, q in enumerate(others):
        ends[0, i], ends[1, i] = q[1:3]
    out = {}
    if pairs:
        one, two = (ends[:, list(k)] for k in zip(*pairs, strict=True))
        d = segment_distance(*one, *two)
        out = {(parts[i][0], others[j][0]): d[k] - parts[i][3] - others[j][3] for k, (i, j) in enumerate(pairs)}
    carried = {o.name: o.body for o in rig.obstacles}
    for side, w in rig.wheels.items():
        near = [i for i, q in enumerate(others) if carried.get(q[0]) not in (w.upright, w.spin_body or w.upright)]
        if near:
            a, b = ends[:, near]
            half = 0.5 * w.tyre
            enough = np.reshape([least + others[i][3] + half for i in near], (-1, *[1] * (len(shape) - 1)))
            d = disc_distance(now.place(w.centre, w.upright), now.direction(w.spin, w.upright), w.radius - half, a, b,
                              enough)
            name = wheel_name(side)
            for k, q in enumerate(others[i] for i in near):
                out[(name, q[0]) if q[0] in carried else (q[0], name)] = d[k] - q[3] - half
    return out


def wheel_name(side: str) -> str:
    """What a front wheel is called among the things that may touch."""
    return f"{side} wheel"


def disc_distance(centre: Array, axle: Array, radius: float, a: Array, b: Array, enough: ArrayLike = np.inf) -> Array:
    """Least distance between a flat disc and the segment a b, (..., 3) each, to (...); zero where it goes through.

    ``centre`` and ``axle`` (..., 3): the disc's middle and unit normal. The squared distance along the segment is
    convex, so the sign of its slope is halved down to a millionth of the segment. Where the segment keeps ``enough``
    (...) off the disc's plane, on one side of it, that distance stands for what can only be more.
    """
    u, v = b - a, a - centre
    h0, h1 = dot(v, axle), dot(u, axle)  # height over the disc's plane: h0 + h1 t
    off = np.where(h0 * (h0 + h1) > 0, np.minimum(np.abs(h0), np.abs(h0 + h1)), 0.0)
    near = ~(off > enough)
    if not near.any():
        return off
    h0, h1, vv, uv, uu = (np.broadcast_to(x, near.shape)[near] for x in (h0, h1, dot(v, v), dot(u, v), dot(u, u)))
    c0, c1, c2 = vv - h0 * h0, uv - h0 * h1, uu - h1 * h1  # distance from the axle, squared
    low, high = np.zeros(c0.shape), np.ones(c0.shape)
    for _ in range(22):
        t = 0.5 * (low + high)
        r = np.sqrt(np.maximum(c0 + (2 * c1 + c2 * t) * t, 1e-18))
        down = (h0 + h1 * t) * h1 + np.maximum(1.0 - radius / r, 0.0) * (c1 + c2 * t) < 0
        low, high = np.where(down, t, low), np.where(down, high, t)
    ends = []
    for t in (low, high):
        r = np.sqrt(np.maximum(c0 + (2 * c1 + c2 * t) * t, 0.0))
        ends.append(np.hypot(h0 + h1 * t, np.maximum(r - radius, 0.0)))
    off[near] = np.minimum(*ends)
    return off


def segment_distance(a0: Array, a1: Array, b0: Array, b1: Array) -> Array:
    """Least distance between segments a0 a1 and b0 b1, (..., 3) each, to (...).

    Closest points of two segments with their parameters clamped in turn (Ericson, Real-Time Collision
    Detection, 2005, section 5.1.9; from memory).
    """
    u, v, w = a1 - a0, b1 - b0, a0 - b0
    uu, vv, uv = dot(u, u), dot(v, v), dot(u, v)
    uw, vw = dot(u, w), dot(v, w)
    den = uu * vv - uv * uv
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.where(den > 1e-12 * uu * vv, np.clip((uv * vw - vv * uw) / den, 0.0, 1.0), 0.0)
        t = np.where(vv > 0, (uv * s + vw) / vv, 0.0)
        tc = np.clip(t, 0.0, 1.0)
        s = np.where(uu > 0, np.clip((uv * tc - uw) / uu, 0.0, 1.0), 0.0)
    d = w + s[..., None] * u - tc[..., None] * v
    return np.sqrt(dot(d, d))


def check_limits(rig: Rig, sweep: Sweep) -> list[Limit]:
    """Everything checked over a sweep's reached positions, each at its worst, in a fixed order.

    Transmission against ``rig.min_transmission``, misalignment against each point's limit, clearance against
    ``rig.min_clearance``, distance to a toggle beyond the swept range against TOGGLE_MARGIN, parts other than
    the driver against their own ``travel`` (while the driver is within its), rods against their adjusting
    range, and whether the whole sweep was reached.

    >>> from calib import Linkage, parse_rig, starter_text
    >>> rig = parse_rig(starter_text())
    >>> [limit.name for limit in check_limits(rig, Linkage(rig).sweep(np.radians([-30, 0, 30]))) if not limit.ok]
    []
    """
    out = [_reach(sweep)]
    if sweep.reached.any():
        out += _toggles(rig, sweep)
        now = Places(rig, sweep)
        for (rod, end), a in transmission_angles(rig, now).items():
            out.append(_worst("transmission", f"{rod} at {end}", a, rig.min_transmission, sweep, True))
        for (rod, end), a in misalignment_angles(rig, now).items():
            out.append(_worst("misalignment", f"{rod} at {end}", a, rig.points[end].misalignment, sweep, False))
        for (rod, other), gap in clearances(rig, now).items():
            out.append(_worst("clearance", f"{rod} to {other}", gap, rig.min_clearance, sweep, True))
        own = rig.bodies[sweep.driver].travel
        for b in rig.bodies.values():
            if b.travel is not None and b.name != sweep.driver:
                out.append(_over_travel(b, b.travel, sweep, own))
    for r in rig.rods.values():
        ok = r.shortest - 1e-9 <= r.length <= r.longest + 1e-9
        allowed = r.shortest if r.length < 0.5 * (r.shortest + r.longest) else r.longest
        out.append(Limit("rod_length", r.name, r.length, allowed, ok, float("nan"),
                         f"{r.name} is {r.length:.1f} mm long; it can be set from {r.shortest:g} to "
                         f"{r.longest:g} mm"))
    return out


def certainly_within(rigs: Sequence[Rig], driver: Array) -> NDArray[np.bool_]:
    """Which of many variants of one rig clearly keep every limit over driver angles (n,), increasing: (m,).

    All at once, in closed form. What check_limits would find ``ok`` by less than rounding, or with a toggle up to
    half a degree beyond the margin, counts as not sure; where the rig has no closed form nothing is.
    """
    if not rigs or batch.loop_order(rigs[0]) is None:
        return np.zeros(len(rigs), bool)
    many, tiny = stacked(rigs), 1e-9
    own = many.bodies[many.driver].travel
    far = TOGGLE_MARGIN + np.deg2rad(0.5)
    low, high = own or (driver[0], driver[-1])
    ends = min(low - far, driver[0]), max(high + far, driver[-1])
    wide = np.unique(np.concatenate([driver, np.arange(ends[0], ends[1], np.deg2rad(1.0)), ends, [0.0]]))
    angles = batch.Batch(many, len(rigs)).angles(wide)
    keep = np.all([np.isfinite(a).all(axis=1) for a in angles.values()], axis=0)
    angles = {n: a[:, np.searchsorted(wide, driver)] for n, a in angles.items()}
    now = Places(many, angles)
    with np.errstate(invalid="ignore"):
        for a in transmission_angles(many, now).values():
            keep &= (a >= many.min_transmission + tiny).all(axis=-1)
        for (_, end), a in misalignment_angles(many, now).items():
            keep &= (a <= many.points[end].misalignment - tiny).all(axis=-1)
        for gap in clearances(many, now, many.min_clearance + 1e-3).values():
            keep &= (gap >= many.min_clearance + tiny).all(axis=-1)
        within = np.ones(len(driver), bool) if own is None else (driver >= own[0] - 1e-9) & (driver <= own[1] + 1e-9)
        for n, a in angles.items():
            travel = many.bodies[n].travel if n in many.bodies and n != many.driver else None
            if travel is not None:
                keep &= (~within | ((a >= travel[0] + tiny) & (a <= travel[1] - tiny))).all(axis=-1)
    return keep & [all(r.shortest <= r.length <= r.longest for r in rig.rods.values()) for rig in rigs]


# --- one check each ---------------------------------------------------------------------------------------

_SAYS = {"transmission": ("transmission angle", "at least"), "misalignment": ("rod end misalignment", "at most"),
         "clearance": ("gap", "at least")}


def _worst(name: str, item: str, values: Array, allowed: float, sweep: Sweep, least: bool) -> Limit:
    driver, who = sweep.driver_angles, sweep.driver
    v = np.where(sweep.reached, values, np.nan)
    i = int(np.nanargmin(v) if least else np.nanargmax(v))
    value = float(v[i])
    ok = value >= allowed if least else value <= allowed
    what, bound = _SAYS[name]
    unit, scale = (" mm", 1.0) if name == "clearance" else (" deg", float(np.rad2deg(1.0)))
    return Limit(name, item, value, float(allowed), bool(ok), float(driver[i]),
                 f"{item}: {what} {value * scale:.1f}{unit} with {who} at {np.rad2deg(driver[i]):.1f} deg; "
                 f"{bound} {allowed * scale:.1f}{unit}")


def _reach(sweep: Sweep) -> Limit:
    ok = bool(sweep.reached.all())
    d = sweep.driver_angles
    lost = d[~sweep.reached]
    worst = float(lost[np.argmin(np.abs(lost))]) if len(lost) else float(d[np.argmax(np.abs(d))])
    return Limit("reach", sweep.driver, float(np.mean(sweep.reached)), 1.0, ok, worst,
                 f"{sweep.driver} moves through its whole range" if ok else sweep.why)


def _toggles(rig: Rig, sweep: Sweep) -> list[Limit]:
    d = sweep.driver_angles
    lo, hi = float(d.min()), float(d.max())
    wide = Linkage(rig).sweep(np.array([lo - TOGGLE_SEARCH, hi + TOGGLE_SEARCH]), driver=sweep.driver,
                              fixed=sweep.fixed)
    travel = rig.bodies[sweep.driver].travel or (lo, hi)
    out = []
    for way, end, at in zip(("below", "above"), travel, wide.ends_at, strict=True):
        item = f"{sweep.driver} {way}"
        if at is None:
            seen = (lo - TOGGLE_SEARCH, hi + TOGGLE_SEARCH)
            far = abs((seen[0] if way == "below" else seen[1]) - end)
            out.append(Limit("toggle", item, far, TOGGLE_MARGIN, True, end,
                             f"no toggle within {np.rad2deg(far):.0f} deg beyond {np.rad2deg(end):.1f} deg"))
            continue
        margin = (end - at) if way == "below" else (at - end)
        text = next(e.text for e in wide.ends if e.at == at)
        out.append(Limit("toggle", item, float(margin), TOGGLE_MARGIN, bool(margin >= TOGGLE_MARGIN), end,
                         f"{text}, {np.rad2deg(margin):.1f} deg beyond the end of travel; at least "
                         f"{np.rad2deg(TOGGLE_MARGIN):.0f} deg"))
    return out


def _over_travel(b: Body, travel: tuple[float, float], sweep: Sweep,
                 own: tuple[float, float] | None) -> Limit:
    d, a = sweep.driver_angles, sweep.angles[b.name]
    if own is not None:
        a = np.where((d >= own[0] - 1e-9) & (d <= own[1] + 1e-9), a, np.nan)
    if not np.isfinite(a).any():
        return Limit("travel", b.name, 0.0, travel[1], True, float("nan"), f"{b.name} was not moved")
    over = np.maximum(a - travel[1], travel[0] - a)
    i = int(np.nanargmax(over))
    allowed = travel[1] if a[i] - travel[1] >= travel[0] - a[i] else travel[0]
    return Limit("travel", b.name, float(a[i]), float(allowed), bool(over[i] <= 1e-9), float(d[i]),
                 f"{b.name} turns to {np.rad2deg(a[i]):.1f} deg with {sweep.driver} at "
                 f"{np.rad2deg(d[i]):.1f} deg; "
                 f"its stops are at {np.rad2deg(travel[0]):.1f} and {np.rad2deg(travel[1]):.1f} deg")


# --- small helpers ----------------------------------------------------------------------------------------


class Places:
    """Places and directions of one pose or a sweep of them, worked out once for all that is asked of it."""

    def __init__(self, rig: Rig, pose: Pose) -> None:
        angles = pose.angles if isinstance(pose, Sweep) else pose
        self.motions: Motions = body_motions(rig, angles)
        self.at = {p.name: self.place(p.xyz, p.body) for p in rig.points.values()}
        self.directions = {}
        for r in rig.rods.values():
            self.directions[r.name] = _unit(self.at[r.b] - self.at[r.a])

    @classmethod
    def of(cls, rig: Rig, pose: Pose | Places) -> Places:
        """The places of a pose, or those given."""
        return pose if isinstance(pose, Places) else cls(rig, pose)

    def place(self, x: ArrayLike, body: str) -> Array:
        """Where a straight-ahead place (..., 3) of ``body`` is now."""
        R, t = self.motions[body]
        return np.asarray(np.einsum("...ij,...j->...i", R, np.asarray(x, float)) + t)

    def direction(self, x: ArrayLike, body: str) -> Array:
        """Where a straight-ahead direction of ``body`` points now, unit."""
        return _unit(np.einsum("...ij,...j->...i", self.motions[body][0], np.asarray(x, float)))


def _bolt(rig: Rig, point: str) -> tuple[str, tuple[float, ...]]:
    p = rig.points[point]
    return p.body, tuple(np.asarray(p.xyz, float).reshape(-1, 3)[0])  # the first, where the rig stands for many


def _unit(v: Array) -> Array:
    return np.asarray(v / np.sqrt(dot(v, v))[..., None])
