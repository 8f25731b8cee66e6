"""What the linkage must not do over its travel: lose hold, go over centre, bind a rod end, touch a part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage import batch
from calib.linkage.columns import about, beside, column, cross, dot, empty, picked, stacked, unit, vectors
from calib.linkage.mechanism import Linkage, Sweep, known_bodies
from calib.linkage.rotations import dot as _dot
from calib.linkage.rotations import unit as _unit
from calib.linkage.steering import Pose
from calib.rig.model import FRAME, Body, Rig
from calib.rig.parameters import stacked as side_by_side

Array = NDArray[np.float64]
Item = TypeVar("Item")

AT_ONCE = 4000  # numbers of one kind worked on together

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


@dataclass(frozen=True)
class Worked:
    """What was worked out of each item, (n, ...): the items' names, and the values row by row."""

    items: tuple[tuple[str, str], ...]
    values: Array

    def by_item(self) -> dict[tuple[str, str], Array]:
        """The rows by their items."""
        return dict(zip(self.items, self.values, strict=True))


def transmission_angles(rig: Rig, pose: Pose | Places) -> dict[tuple[str, str], Array]:
    """Transmission angle at each rod end, (rod, point) to (...) rad in 0..pi/2.

    Angle between the rod and the plane through the hinge axis and the ball, the direction along which a rod
    turns nothing: sin = |rod direction . (axis x arm)| / |axis x arm|. In a planar linkage this is the usual
    angle between rod and arm (Norton, Design of Machinery; edition and section from memory). Ends on the
    frame are left out.
    """
    return transmissions(Places.of(rig, pose)).by_item()


def transmissions(now: Places) -> Worked:
    """The same at places worked out already."""
    rig = now.rig
    ends = [(r.name, end, rig.bodies[b]) for r in rig.rods.values() for end in (r.a, r.b)
            if (b := rig.points[end].body) in rig.bodies]
    if not ends:
        return Worked((), np.empty((0, 1, 1)))
    hinges = [b for *_, b in ends]
    pivots, axes = now.carried([(b.pivot, b.parent) for b in hinges], [(b.axis, b.parent) for b in hinges])
    t = cross(now.columns(axes), now.columns([now.at[end] for _, end, _ in ends]) - now.columns(pivots))
    s = np.abs(dot(now.columns([now.directions[rod] for rod, *_ in ends]), t)) / np.maximum(np.sqrt(dot(t, t)), 1e-12)
    return Worked(tuple((rod, end) for rod, end, _ in ends), np.arcsin(np.clip(s, 0.0, 1.0)))


def misalignment_angles(rig: Rig, pose: Pose | Places) -> dict[tuple[str, str], Array]:
    """Angle of the rod out of the plane square to the bolt at each end, (rod, point) to (...) rad, 0..pi/2.

    What a rod end's misalignment limit refers to (tilt of the inner ring, ISO 12240-4). The bolt turns with its
    body.
    """
    return misalignments(Places.of(rig, pose)).by_item()


def misalignments(now: Places) -> Worked:
    """The same at places worked out already."""
    rig = now.rig
    ends = [(r.name, p) for r in rig.rods.values() for p in (rig.points[r.a], rig.points[r.b])
            if p.bolt is not None or p.body in rig.bodies]
    if not ends:
        return Worked((), np.empty((0, 1, 1)))
    _, bolts = now.carried([], [(_unit(p.bolt if p.bolt is not None else rig.bodies[p.body].axis), p.body)
                                for _, p in ends])
    s = np.abs(dot(now.columns([now.directions[rod] for rod, _ in ends]), now.columns(bolts)))
    return Worked(tuple((rod, p.name) for rod, p in ends), np.arcsin(np.clip(s, 0.0, 1.0)))


def clearances(rig: Rig, pose: Pose | Places, least: float = np.inf) -> dict[tuple[str, str], Array]:
    """Gap (mm, negative where they overlap) of everything that may touch as parts move, (one, other) to (...).

    Rods against rods and obstacles: distance of the straight segments less both radii; two rods on the same bolt are
    left out. Front wheels ("left wheel", "right wheel") against rods and obstacles: distance of the disc less half
    its tyre's width and the segment's radius; obstacles that the wheel's own upright carries are left out. Gaps above
    ``least`` mm may come out smaller than they are, though not below it.
    """
    return gaps(Places.of(rig, pose), least).by_item()


def gaps(now: Places, least: float = np.inf) -> Worked:
    """The same at places worked out already."""
    rig, rods, obstacles = now.rig, now.rig.rods.values(), now.rig.obstacles
    bolts = [{_bolt(rig, r.a), _bolt(rig, r.b)} for r in rods]
    names, carriers = [*rig.rods, *(o.name for o in obstacles)], [*[None] * len(bolts), *(o.body for o in obstacles)]
    pairs = [(i, j) for i in range(len(bolts)) for j in range(i + 1, len(names))
             if j >= len(bolts) or not bolts[i] & bolts[j]]
    discs = [(w, side, j) for side, w in rig.wheels.items() for j, body in enumerate(carriers)
             if body not in (w.upright, w.spin_body or w.upright)]
    if not pairs and not discs:
        return Worked((), np.empty((0, 1, 1)))
    fixed, spins = now.carried([(x, o.body) for o in obstacles for x in (o.a, o.b)]
                               + [(w.centre, w.upright) for w in rig.wheels.values()],
                               [(_unit(w.spin), w.upright) for w in rig.wheels.values()])
    a, b = (beside([*(now.at[getattr(r, x)] for r in rods), *fixed[k:2 * len(obstacles):2]], 1, now.rank)
            for k, x in enumerate("ab"))
    rank = max(a.ndim, b.ndim) - 2
    radius = np.array([*(r.radius for r in rods), *(o.radius for o in obstacles)]).reshape(-1, *[1] * rank)

    def some(ends: Array, which: Sequence[int]) -> Array:
        return vectors(picked(ends, which, rank), 1)

    keys, out = [(names[i], names[j]) for i, j in pairs], []
    size = int(np.prod(np.broadcast_shapes(a.shape[2:], b.shape[2:])))
    for some_pairs in _few(pairs, size):
        one, two = (list(k) for k in zip(*some_pairs, strict=True))
        d = segment_distance(some(a, one), some(b, one), some(a, two), some(b, two))
        out.append(d - radius[one] - radius[two])
    for some_discs in _few(discs, size):
        near, wheels = [j for *_, j in some_discs], [[*rig.wheels].index(side) for _, side, _ in some_discs]
        half = np.array([0.5 * w.tyre for w, *_ in some_discs]).reshape(-1, *[1] * rank)
        rim = np.array([w.radius for w, *_ in some_discs]).reshape(half.shape) - half
        centre, axle = (vectors(beside([of[k] for k in wheels], 1, rank), 1) for of in (fixed[2 * len(obstacles):],
                                                                                       spins))
        d = disc_distance(centre, axle, rim, some(a, near), some(b, near), least + radius[near] + half)
        out.append(d - radius[near] - half)
        keys += [(wheel_name(side), names[j]) if j >= len(bolts) else (names[j], wheel_name(side))
                 for _, side, j in some_discs]
    return Worked(tuple(keys), beside([x for part in out for x in part], rank=rank))


def _few(items: Sequence[Item], size: int) -> list[Sequence[Item]]:
    """The items in groups; what is worked out of a group, ``size`` numbers each, stays near the processor."""
    n = max(1, AT_ONCE // max(size, 1))
    return [items[i:i + n] for i in range(0, len(items), n)]


def wheel_name(side: str) -> str:
    """What a front wheel is called among the things that may touch."""
    return f"{side} wheel"


def disc_distance(centre: Array, axle: Array, radius: ArrayLike, a: Array, b: Array,
                  enough: ArrayLike = np.inf) -> Array:
    """Least distance between a flat disc and the segment a b, (..., 3) each, to (...); zero where it goes through.

    ``centre`` and ``axle`` (..., 3), ``radius`` (...): the disc's middle, unit normal and rim. The squared distance
    along the segment is convex, so the sign of its slope is halved down to a millionth of the segment. Where the
    segment keeps ``enough`` (...) off the disc's plane, on one side of it, that distance stands for what can only be
    more.
    """
    u, v = b - a, a - centre
    h0, h1 = _dot(v, axle), _dot(u, axle)  # height over the disc's plane: h0 + h1 t
    off = np.where(h0 * (h0 + h1) > 0, np.minimum(np.abs(h0), np.abs(h0 + h1)), 0.0)
    near = ~(off > enough)
    if not near.any():
        return off
    h0, h1, radius, *parts = (np.broadcast_to(x, near.shape)[near] for x in (
        h0, h1, radius, *(y[..., k] for y in (u, v) for k in range(3))))
    u, v = np.array(parts[:3]).T, np.array(parts[3:]).T
    c0, c1, c2 = _dot(v, v) - h0 * h0, _dot(u, v) - h0 * h1, _dot(u, u) - h1 * h1  # distance from the axle, squared

    def down(t: Array, h0: Array, h1: Array, c0: Array, c1: Array, c2: Array, radius: Array) -> NDArray[np.bool_]:
        """Whether the distance still falls at t."""
        r = np.sqrt(np.maximum(c0 + (2 * c1 + c2 * t) * t, 1e-18))
        return np.asarray((h0 + h1 * t) * h1 + np.maximum(1.0 - radius / r, 0.0) * (c1 + c2 * t) < 0)

    own = (h0, h1, c0, c1, c2, radius)
    low, high = np.zeros(c0.shape), np.ones(c0.shape)
    low[down(high, *own)] = 1.0
    high[~down(np.zeros(c0.shape), *own)] = 0.0
    between = np.flatnonzero(low < high)
    within = [x[between] for x in own]
    lo, hi = low[between], high[between]
    for _ in range(22):
        t = 0.5 * (lo + hi)
        falls = down(t, *within)
        lo, hi = np.where(falls, t, lo), np.where(falls, hi, t)
    low[between], high[between] = lo, hi
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
    uu, vv, uv = _dot(u, u), _dot(v, v), _dot(u, v)
    uw, vw = _dot(u, w), _dot(v, w)
    den = uu * vv - uv * uv
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.where(den > 1e-12 * uu * vv, np.clip((uv * vw - vv * uw) / den, 0.0, 1.0), 0.0)
        t = np.where(vv > 0, (uv * s + vw) / vv, 0.0)
        tc = np.clip(t, 0.0, 1.0)
        s = np.where(uu > 0, np.clip((uv * tc - uw) / uu, 0.0, 1.0), 0.0)
    d = w + s[..., None] * u - tc[..., None] * v
    return np.sqrt(_dot(d, d))


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
    many, tiny = side_by_side(rigs), 1e-9
    own = many.bodies[many.driver].travel
    far = TOGGLE_MARGIN + np.deg2rad(0.5)
    low, high = own or (driver[0], driver[-1])
    ends = min(low - far, driver[0]), max(high + far, driver[-1])
    wide = np.unique(np.concatenate([driver, np.arange(ends[0], ends[1], np.deg2rad(1.0)), ends, [0.0]]))
    turned = batch.Batch(many, len(rigs)).turned(wide)
    keep = np.all([np.isfinite(c).all(axis=1) for c, _ in turned.values()], axis=0)
    at = np.searchsorted(wide, driver)
    turned = {n: (c[:, at], s[:, at]) for n, (c, s) in turned.items()}
    now = Places.turned(many, turned)
    with np.errstate(invalid="ignore"):
        for a in transmissions(now).values:
            keep &= (a >= many.min_transmission + tiny).all(axis=-1)
        for (_, end), a in misalignments(now).by_item().items():
            keep &= (a <= many.points[end].misalignment - tiny).all(axis=-1)
        for gap in gaps(now, many.min_clearance + 1e-3).values:
            keep &= (gap >= many.min_clearance + tiny).all(axis=-1)
        within = np.ones(len(driver), bool) if own is None else (driver >= own[0] - 1e-9) & (driver <= own[1] + 1e-9)
        for n, (c, s) in turned.items():
            travel = many.bodies[n].travel if n in many.bodies and n != many.driver else None
            if travel is not None:
                a = np.arctan2(s, c)
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
    """Places and directions of one pose or a sweep of them, worked out once for all that is asked of it.

    They are columns (3, ...), see calib.linkage.columns; what stands still has no axis for the positions.
    """

    def __init__(self, rig: Rig, pose: Pose) -> None:
        angles = pose.angles if isinstance(pose, Sweep) else pose
        known_bodies(rig, angles)
        self._stand(rig, {n: (np.cos(a), np.sin(a)) for n, a in angles.items()})

    @classmethod
    def of(cls, rig: Rig, pose: Pose | Places) -> Places:
        """The places of a pose, or those given."""
        return pose if isinstance(pose, Places) else cls(rig, pose)

    @classmethod
    def turned(cls, rig: Rig, turned: Mapping[str, batch.Turn]) -> Places:
        """The places with every body turned by an angle of this cosine and sine, (...) each."""
        out = cls.__new__(cls)
        out._stand(rig, turned)
        return out

    def _stand(self, rig: Rig, turned: Mapping[str, batch.Turn]) -> None:
        self.rig = rig
        self._turned = {n: (np.asarray(c), np.asarray(s)) for n, (c, s) in turned.items() if n != FRAME and np.any(s)}
        self.rank = max((np.ndim(c) for c, _ in turned.values()), default=0)
        points, rods = rig.points.values(), rig.rods.values()
        self._ways: dict[str, list[str]] = {}
        points, rods = rig.points.values(), rig.rods.values()
        self.at = dict(zip(rig.points, self.carried([(p.xyz, p.body) for p in points])[0], strict=True))
        self.directions = {}
        if rods:
            apart = self.columns([self.at[r.b] for r in rods]) - self.columns([self.at[r.a] for r in rods])
            self.directions = dict(zip(rig.rods, unit(apart).swapaxes(0, 1), strict=True))

    def columns(self, vectors: Sequence[Array]) -> Array:
        """Places or directions (3, ...) as (3, n, ...)."""
        return stacked(vectors, self.rank)

    def carried(self, places: Sequence[tuple[ArrayLike, str]],
                directions: Sequence[tuple[ArrayLike, str]] = ()) -> tuple[list[Array], list[Array]]:
        """Where straight-ahead places and directions (..., 3) of bodies are now, (3, ...) each."""
        asked = [*places, *directions]
        now, ways = [column(x) for x, _ in asked], [self._way(body) for _, body in asked]
        for level in range(max(map(len, ways), default=0)):
            some = [i for i, way in enumerate(ways) if len(way) > level]
            hinges = [self.rig.bodies[ways[i][level]] for i in some]
            pivot = self.columns([column(b.pivot) if i < len(places) else _NOWHERE
                                  for i, b in zip(some, hinges, strict=True)])
            still, u, v = about(self.columns([now[i] for i in some]) - pivot,
                                self.columns([column(b.axis) for b in hinges]))
            cos, sin = (beside([self._turned[b.name][k] for b in hinges], rank=self.rank) for k in (0, 1))
            moved = empty((len(some), 3, *np.broadcast_shapes(u.shape[2:], cos.shape[1:])), self.rank)
            for k, (a, b, c) in enumerate(zip(still + pivot, u, v, strict=True)):
                moved[:, k] = a + b * cos + c * sin
            for i, m in zip(some, moved, strict=True):
                now[i] = m
        return now[:len(places)], now[len(places):]

    def _way(self, body: str) -> list[str]:
        """Turned bodies that carry what hangs on ``body``, the nearest first."""
        if body not in self._ways:
            own = self.rig.bodies.get(body)
            self._ways[body] = [] if own is None else [*([body] if body in self._turned else []),
                                                       *self._way(own.parent)]
        return self._ways[body]


_NOWHERE = np.zeros(3)


def _bolt(rig: Rig, point: str) -> tuple[str, tuple[float, ...]]:
    p = rig.points[point]
    return p.body, tuple(np.asarray(p.xyz, float).reshape(-1, 3)[0])  # the first, where the rig stands for many
