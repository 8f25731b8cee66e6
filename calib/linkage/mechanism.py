"""Where every part of the linkage stands for a given lever angle, and how that changes.

Each rod is one equation: the distance between its two ball centres equals its length. A rod that joins
parts already placed to one part still free is a spatial four-bar of two hinges and two ball joints (RSSR)
and has a closed form; parts that only several rods together can place are solved by Newton, following the
solution outwards from the assembled pose.

Closed form: with the free ball at c + u cos t + v sin t on its hinge circle and the other ball at p,
|c + u cos t + v sin t - p| = L gives A cos t + B sin t = C, hence t = atan2(B, A) +/- arccos(C / |(A, B)|)
(the half-angle form of McCarthy and Soh, Geometric Design of Linkages, 2nd ed., spatial RSSR linkage, and
Suh and Radcliffe, Kinematics and Mechanisms Design, 1978; both from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage.rotations import about, cross, unit
from calib.rig.model import FRAME, Rig
from calib.rig.parameters import Kind, ParameterName, parsed
from capture.shapes import of_shape, one_number

Array = NDArray[np.float64]

WALK = np.deg2rad(1.0)  # longest step between followed poses
MAX_COUPLED = 6  # parts placed together by one group of rods
SINGULAR = 1e-7  # mm per rad; below this a rod has no hold on the part it places


class CannotAssemble(Exception):
    """The rods and parts do not go together at this lever angle."""


class Toggle(CannotAssemble):
    """The linkage goes over centre: a rod and the arm it moves line up, beyond it there is no way on."""


class EndKind(StrEnum):
    """Why a sweep ends."""

    TOGGLE = "toggle"  # a rod lines up with the arm it moves
    CANNOT_ASSEMBLE = "cannot_assemble"  # the rods do not go together even at zero


@dataclass(frozen=True)
class SweepEnd:
    """Where and why a sweep ends. ``at`` rad of ``driver``; ``off`` mm that the rod is too long, negative too short."""

    kind: EndKind
    rods: tuple[str, ...]
    driver: str
    at: float = 0.0
    arm_of: str = ""  # toggle even at zero: drawn in line with this body's arm
    off: float | None = None  # None: not known, several rods together

    @property
    def text(self) -> str:
        """As words, without a full stop."""
        names = " and ".join(self.rods)
        if self.kind is EndKind.CANNOT_ASSEMBLE:
            if self.off is None:
                return f"cannot assemble {names} at 0 deg: no pose found with their lengths"
            return (f"cannot assemble {names} at 0 deg: it is {abs(self.off):.1f} mm too "
                    f"{'long' if self.off > 0 else 'short'}")
        if self.arm_of:
            return f"toggle of {names} at 0 deg: drawn in line with the arm of {self.arm_of}, it has no hold on it"
        return f"toggle of {names} at {np.rad2deg(self.at):.2f} deg of {self.driver}"


# --- places and distances ---------------------------------------------------------------------------------


def body_motions(rig: Rig, angles: Mapping[str, ArrayLike]) -> dict[str, tuple[Array, Array]]:
    """Motion of every body from where it is drawn, frame axes, "frame" included.

    ``angles`` are joint angles (rad) from the straight-ahead assembly, right-handed about each body's axis,
    any common (broadcast) shape; a body left out stands at 0. Returns R (..., 3, 3) and t (..., 3) in mm with
    ``x_now = R @ x_drawn + t``, composed through the parents. Raises ValueError for a body the rig has not.
    """
    known_bodies(rig, angles)
    shape = np.broadcast_shapes(*[np.shape(a) for a in angles.values()]) if angles else ()
    out: dict[str, tuple[Array, Array]] = {FRAME: (_wide(np.eye(3), shape), np.zeros(shape + (3,)))}
    for b in rig.parents_first():
        R0, t0 = out[b.parent]
        if b.name not in angles:
            out[b.name] = (R0, t0)
            continue
        c = np.asarray(b.pivot, float)
        r = about(unit(b.axis), np.asarray(angles[b.name], float))
        out[b.name] = (_wide(R0 @ r, shape), t0 + _matvec(R0, c - _matvec(r, c)))
    return out


def carried(motions: Mapping[str, tuple[Array, Array]], body: str, xyz: ArrayLike) -> Array:
    """Straight-ahead places (..., 3) of a body where ``motions`` (from ``body_motions``, one pose) has taken them."""
    R, t = motions[body]
    return np.asarray(xyz, float) @ np.asarray(R).T + np.asarray(t)


def points_now(rig: Rig, angles: Mapping[str, ArrayLike]) -> dict[str, Array]:
    """Places of all attachment points (hole in use), (..., 3) mm in frame axes; see body_motions."""
    motions = body_motions(rig, angles)
    out = {}
    for p in rig.points.values():
        R, t = motions[p.body]
        out[p.name] = _matvec(R, np.asarray(p.xyz, float)) + t
    return out


def rod_lengths(rig: Rig, angles: Mapping[str, ArrayLike]) -> dict[str, Array]:
    """Distance between the ball centres of each rod, (...) mm, at joint angles (rad); see body_motions."""
    at = points_now(rig, angles)
    return {r.name: np.linalg.norm(at[r.a] - at[r.b], axis=-1) for r in rig.rods.values()}


def known_bodies(rig: Rig, angles: Mapping[str, ArrayLike]) -> None:
    """ValueError for an angle of a body the rig has not."""
    for n in angles:
        if n not in rig.bodies and n != FRAME:
            raise ValueError(f"no body is called {n!r}; the rig has {', '.join(rig.bodies)}")


def _wide(a: Array, shape: tuple[int, ...]) -> Array:
    return np.array(np.broadcast_to(a, shape + a.shape[-2:]))


def _matvec(R: Array, v: Array) -> Array:
    return np.einsum("...ij,...j->...i", R, v)


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("...i,...i->...", a, b)


@dataclass(frozen=True)
class _Hinge:
    pivot: Array
    axis: Array

    def turn(self, x: Array, angle: Array, *, place: bool = True) -> Array:
        """x (..., 3) turned by angle (...); ``place`` False for directions."""
        r = x - self.pivot if place else x
        along = _dot(r, self.axis)[..., None] * self.axis
        u = r - along
        a = np.asarray(angle, float)[..., None]
        y = along + u * np.cos(a) + cross(self.axis, u) * np.sin(a)
        return y + self.pivot if place else y

    def rate(self, y: Array) -> Array:
        """Change of a turned place y (..., 3) per rad."""
        return cross(self.axis, y - self.pivot)


@dataclass(frozen=True)
class _Loop:
    """One rod with the hinges that change its length: from each ball outwards to the common carrier."""

    rod: str
    xa: Array
    xb: Array
    path_a: tuple[str, ...]
    path_b: tuple[str, ...]

    @property
    def moved_by(self) -> tuple[str, ...]:
        return self.path_a + self.path_b


def _ancestry(rig: Rig, body: str) -> list[str]:
    out = []
    while body != FRAME:
        out.append(body)
        body = rig.bodies[body].parent
    return out


def _loops(rig: Rig) -> dict[str, _Loop]:
    out = {}
    for r in rig.rods.values():
        a, b = rig.points[r.a], rig.points[r.b]
        pa, pb = _ancestry(rig, a.body), _ancestry(rig, b.body)
        both = set(pa) & set(pb)  # carries both balls, so it cannot change their distance
        out[r.name] = _Loop(r.name, np.asarray(a.xyz, float), np.asarray(b.xyz, float),
                            tuple(x for x in pa if x not in both), tuple(x for x in pb if x not in both))
    return out


# --- solving ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Block:
    """Rods that together place as many bodies."""

    rods: tuple[str, ...]
    bodies: tuple[str, ...]


@dataclass(frozen=True)
class SolvingOrder:
    """Order in which a linkage is solved."""

    blocks: tuple[Block, ...]
    inputs: tuple[str, ...]  # bodies whose angle is given: driver, fixed, and those no rod moves
    left_over: tuple[str, ...]  # rods not needed to place anything

    @property
    def placed(self) -> tuple[str, ...]:
        return tuple(b for k in self.blocks for b in k.bodies)

    @property
    def rods(self) -> tuple[str, ...]:
        return tuple(r for k in self.blocks for r in k.rods)


@dataclass(frozen=True)
class Sweep:
    """Joint angles over driver angles.

    ``driver_angles`` (n,) rad; ``angles`` body to (n,) rad for every body, nan where not ``reached`` (n,);
    ``ends`` why, for each end of the range that could not be reached (empty: all reached);
    ``closure_error`` (n,) mm for each rod not needed to place a part: ball distance minus its length, which a real
    rig has to take up as play or bending.
    """

    rig: Rig
    driver: str
    driver_angles: Array
    angles: Mapping[str, Array]
    reached: NDArray[np.bool_]
    ends: tuple[SweepEnd, ...]
    closure_error: Mapping[str, Array]
    ends_at: tuple[float | None, float | None] = (None, None)  # rad of the driver, low and high
    fixed: Mapping[str, float] = field(default_factory=dict)  # held bodies, rad

    @property
    def why(self) -> str:
        """What ends the range, in words; empty where all was reached."""
        return "; ".join(e.text for e in self.ends)


@dataclass
class _Run:
    """Poses on a grid, as far as they exist."""

    grid: Array
    angles: dict[str, Array]
    first: int  # reached from here
    last: int  # to here, both included; first > last: not even the starting pose
    low: Block | None = None  # what stopped it
    high: Block | None = None


class Linkage:
    """Solver for one rig. Raises ValueError where the rods cannot place every part."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._hinges = {n: _Hinge(np.asarray(b.pivot, float), unit(b.axis)) for n, b in rig.bodies.items()}
        self._loops = _loops(rig)
        self._lengths = {r.name: r.length for r in rig.rods.values()}
        self._orders: dict[tuple[str, frozenset[str]], SolvingOrder] = {}
        self._sides: dict[tuple[str, str], float] = {}

    # -- what places what

    def solving_order(self, driver: str | None = None, fixed: Iterable[str] = ()) -> SolvingOrder:
        """Order in which the rods place the bodies. ValueError naming loose bodies or wrong names."""
        drv, held = self._names(driver, fixed)
        key = (drv, held)
        if key not in self._orders:
            self._orders[key] = self._make_order(drv, held)
        return self._orders[key]

    def _names(self, driver: str | None, fixed: Iterable[str]) -> tuple[str, frozenset[str]]:
        drv = self.rig.driver if driver is None else driver
        held = frozenset(fixed)
        for n in (drv, *sorted(held)):
            if n not in self.rig.bodies:
                raise ValueError(f"no body is called {n!r}; the rig has {', '.join(self.rig.bodies)}")
        if drv in held:
            raise ValueError(f"{drv} cannot both drive the linkage and be held")
        return drv, held

    def _make_order(self, driver: str, held: frozenset[str]) -> SolvingOrder:
        moved = {b for loop in self._loops.values() for b in loop.moved_by}
        inputs = {driver, *held}
        for b in self.rig.bodies.values():
            if b.role == "lean" or (b.role == "wheel" and b.name not in moved):
                inputs.add(b.name)  # leaning is a second freedom; a wheel turns by hand
        free = {n for n in self.rig.bodies if n not in inputs}
        rest = {n: set(loop.moved_by) & free for n, loop in self._loops.items()}
        blocks: list[Block] = []
        left_over: list[str] = []
        while rest:
            idle = [n for n, s in rest.items() if not s]
            left_over += idle
            for n in idle:
                del rest[n]
            found = _smallest_block(rest)
            if found is None:
                break
            blocks.append(found)
            free -= set(found.bodies)
            for n in found.rods:
                del rest[n]
            for s in rest.values():
                s -= set(found.bodies)
        if free:
            raise ValueError("the rods do not hold " + ", ".join(n for n in self.rig.bodies if n in free)
                             + f" when {driver} is moved: a rod is missing, or a part must be held")
        return SolvingOrder(tuple(blocks), tuple(n for n in self.rig.bodies if n in inputs), tuple(left_over))

    # -- one equation and its derivatives

    def _ball(self, x: Array, path: Sequence[str], angles: Mapping[str, Array]) -> Array:
        for n in path:
            x = self._hinges[n].turn(x, angles[n])
        return x

    def _gap(self, rod: str, angles: Mapping[str, Array]) -> Array:
        """Ball distance minus rod length (mm)."""
        loop = self._loops[rod]
        d = self._ball(loop.xa, loop.path_a, angles) - self._ball(loop.xb, loop.path_b, angles)
        return np.sqrt(_dot(d, d)) - self._lengths[rod]

    def _slopes(self, rod: str, angles: Mapping[str, Array]) -> tuple[Array, dict[str, Array]]:
        """Ball distance (mm) and its derivative for each hinge that changes it (mm/rad)."""
        loop = self._loops[rod]
        ends, rates = [], []
        for x, path in ((loop.xa, loop.path_a), (loop.xb, loop.path_b)):
            got: dict[str, Array] = {}
            for n in path:
                h = self._hinges[n]
                x = h.turn(x, angles[n])
                got = {k: h.turn(v, angles[n], place=False) for k, v in got.items()}
                got[n] = h.rate(x)
            ends.append(x)
            rates.append(got)
        d = ends[0] - ends[1]
        dist = np.sqrt(_dot(d, d))
        e = d / np.maximum(dist, 1e-300)[..., None]
        out = {n: _dot(e, v) for n, v in rates[0].items()}
        out |= {n: -_dot(e, v) for n, v in rates[1].items()}
        return dist, out

    def _matrix(self, rods: Sequence[str], bodies: Sequence[str],
                angles: Mapping[str, Array]) -> tuple[Array, Array]:
        """Gaps (..., n_rods) and their derivatives for the bodies (..., n_rods, n_bodies)."""
        shape = np.broadcast_shapes(*[np.shape(a) for a in angles.values()])
        gaps = np.zeros(shape + (len(rods),))
        J = np.zeros(shape + (len(rods), len(bodies)))
        for i, rod in enumerate(rods):
            dist, slopes = self._slopes(rod, angles)
            gaps[..., i] = dist - self._lengths[rod]
            for j, n in enumerate(bodies):
                if n in slopes:
                    J[..., i, j] = slopes[n]
        return gaps, J

    # -- closed form of one rod and one free body

    def _circle(self, rod: str, body: str, angles: Mapping[str, Array]) -> tuple[Array, Array, Array]:
        """A, B, C of A cos t + B sin t = C for the free body's angle t."""
        loop = self._loops[rod]
        x, path, y, other = loop.xa, loop.path_a, loop.xb, loop.path_b
        if body not in path:
            x, path, y, other = y, other, x, path
        k = path.index(body)
        inner, outer = path[:k], path[k + 1:]
        h = self._hinges[body]
        q = self._ball(x, inner, angles)
        p = self._ball(y, other, angles)
        for n in reversed(outer):  # look at the far ball from the part that carries the free hinge
            p = self._hinges[n].turn(p, -np.asarray(angles[n], float))
        r = q - h.pivot
        along = _dot(r, h.axis)[..., None] * h.axis
        u = r - along
        w = h.pivot + along - p
        A = 2 * _dot(u, w)
        B = 2 * _dot(cross(h.axis, u), w)
        C = self._lengths[rod] ** 2 - _dot(w, w) - _dot(u, u)
        return A, B, C

    def _side(self, rod: str, body: str) -> float:
        """Branch of the closed form the arm is drawn on: +1 or -1; 0 where it is drawn on its dead line."""
        if (rod, body) not in self._sides:
            zero = {n: np.zeros(()) for n in self.rig.bodies}
            _, slopes = self._slopes(rod, zero)
            s = float(slopes[body])
            # d(A cos t + B sin t)/dt = -|(A, B)| sin(t - phi), and it has the sign of the slope
            self._sides[rod, body] = -float(np.sign(s)) if abs(s) > SINGULAR else 0.0
        return self._sides[rod, body]

    def _closed(self, rod: str, body: str, angles: Mapping[str, Array]) -> tuple[Array, NDArray[np.bool_]]:
        A, B, C = self._circle(rod, body, angles)
        m = np.hypot(A, B)
        with np.errstate(invalid="ignore", divide="ignore"):
            q = C / m
            side = self._side(rod, body)
            ok = (np.abs(q) <= 1.0) & (side != 0)
            t = np.arctan2(B, A) + side * np.arccos(q)
            slope = B * np.cos(t) - A * np.sin(t)
            # arccos is coarse near its ends: one Newton step where there is hold enough
            fix = np.where(np.abs(slope) > 1e-3 * m, (A * np.cos(t) + B * np.sin(t) - C) / slope, 0.0)
        return np.where(ok, t - fix, np.nan), ok

    # -- coupled bodies

    def _newton(self, block: Block, angles: Mapping[str, Array], start: Array,
                lengths: Mapping[str, float] | None = None) -> tuple[Array, float] | None:
        """Angles of the block's bodies and the determinant's sign, or None where Newton does not converge."""
        x = start.copy()
        now = dict(angles)
        want = np.array([(lengths or self._lengths)[r] for r in block.rods])
        have = np.array([self._lengths[r] for r in block.rods])
        for _ in range(30):
            for n, v in zip(block.bodies, x, strict=True):
                now[n] = np.asarray(v)
            gaps, J = self._matrix(block.rods, block.bodies, now)
            gaps = gaps + have - want
            try:
                step = np.linalg.solve(J, gaps)
            except np.linalg.LinAlgError:
                return None
            big = float(np.max(np.abs(step)))
            if not np.isfinite(big):
                return None
            x = x - step * min(1.0, 0.3 / big) if big > 0 else x
            if big < 1e-13 or (big < 1e-11 and np.max(np.abs(gaps)) < 1e-9):
                sign, logdet = np.linalg.slogdet(J)
                if np.linalg.svd(J, compute_uv=False)[-1] < SINGULAR * max(1.0, float(np.abs(J).max())):
                    return None
                return x, float(sign)
        return None

    def _walk(self, block: Block, grid: Array, i0: int, angles: Mapping[str, Array], first: int, last: int,
              start: Mapping[str, float] | None) -> tuple[dict[str, Array], NDArray[np.bool_]]:
        n = len(grid)
        ok = np.zeros(n, bool)
        got = np.full((n, len(block.bodies)), np.nan)

        def at(i: int) -> dict[str, Array]:
            return {k: a[i] for k, a in angles.items()}

        if start is None:
            begin = self._assemble(block, at(i0))
        else:
            begin = self._newton(block, at(i0), np.array([start[b] for b in block.bodies]))
        if begin is not None:
            got[i0], sign0 = begin
            ok[i0] = True
            for way, stop in ((1, last + 1), (-1, first - 1)):
                prev, before = got[i0], None
                for i in range(i0 + way, stop, way):
                    h = grid[i] - grid[i - way]
                    guess = prev if before is None else prev + (prev - before[0]) * h / before[1]
                    one = self._newton(block, at(i), guess)
                    # another branch shows as a jump or a turned determinant
                    if one is None or one[1] != sign0 or np.max(np.abs(one[0] - prev)) > 0.5:
                        break
                    before = (prev, h)
                    prev = got[i] = one[0]
                    ok[i] = True
        return {b: got[:, j] for j, b in enumerate(block.bodies)}, ok

    def _assemble(self, block: Block, known: Mapping[str, Array]) -> tuple[Array, float] | None:
        """Assembled pose of coupled bodies, following the rods from their drawn to their set lengths."""
        zero = {n: np.zeros(()) for n in self.rig.bodies}
        drawn = {r: float(self._slopes(r, zero)[0]) for r in block.rods}
        x, out = np.zeros(len(block.bodies)), None
        steps = 8
        for k in range(1, steps + 1):
            f = k / steps
            lengths = {r: (1 - f) * drawn[r] + f * self._lengths[r] for r in block.rods}
            part = {n: f * np.asarray(a) for n, a in known.items()}
            out = self._newton(block, part, x, lengths)
            if out is None:
                return None
            x = out[0]
        return out

    # -- the walk over the driver's angle

    def _run(self, order: SolvingOrder, grid: Array, i0: int, driver: str, fixed: Mapping[str, float],
             start: Mapping[str, float] | None = None) -> _Run:
        n = len(grid)
        angles: dict[str, Array] = {b: np.full(n, float(fixed.get(b, 0.0))) for b in order.inputs}
        angles[driver] = grid.astype(float)
        run = _Run(grid, angles, 0, n - 1)
        for block in order.blocks:
            if len(block.bodies) == 1:
                t, ok = self._closed(block.rods[0], block.bodies[0], angles)
                new = {block.bodies[0]: t}
            else:
                new, ok = self._walk(block, grid, i0, angles, run.first, run.last, start)
            bad_low, bad_high = np.flatnonzero(~ok[:i0 + 1]), np.flatnonzero(~ok[i0:])
            if len(bad_high) and i0 + bad_high[0] <= run.last:
                run.last, run.high = i0 + int(bad_high[0]) - 1, block
            if len(bad_low) and bad_low[-1] >= run.first:
                run.first, run.low = int(bad_low[-1]) + 1, block
            for b, t in new.items():
                near = 0.0 if start is None else start[b]
                angles[b] = _follow(t, i0, run.first, run.last, near)
            if run.first > run.last:
                run.low = run.high = block
                break
        return run

    def _limit(self, order: SolvingOrder, run: _Run, way: int, driver: str,
               fixed: Mapping[str, float]) -> tuple[float, Block]:
        """Driver angle (rad) at which the walk ends in direction ``way``, closed in on, and what ends it."""
        i, block = (run.last, run.high) if way > 0 else (run.first, run.low)
        lo, hi = float(run.grid[i]), float(run.grid[i + way])
        start = {b: float(a[i]) for b, a in run.angles.items()}
        for _ in range(4):
            fine = np.linspace(lo, hi, 17)
            sub = self._run(order, fine, 0, driver, fixed, start)
            if sub.high is None or sub.last < 0:
                break
            block, k = sub.high, sub.last
            start = {b: float(a[k]) for b, a in sub.angles.items()}
            lo, hi = float(fine[k]), float(fine[min(k + 1, 16)])
        assert block is not None
        return 0.5 * (lo + hi), block

    def sweep(self, driver_angles: ArrayLike, *, driver: str | None = None,
              fixed: Mapping[str, float] | None = None) -> Sweep:
        """Poses over driver angles (n,) rad, followed from the assembled pose at zero outwards.

        ``fixed`` holds bodies (a lean joint, a wheel) at an angle (rad). With rods set longer or shorter than
        drawn, the pose at driver zero is not all zeros. Poses beyond a toggle are nan and ``ends`` says why.
        ValueError where rods cannot place every part, a body is unknown or the angles are not (n,) finite numbers.

        >>> from calib import parse_rig, starter_text
        >>> swept = Linkage(parse_rig(starter_text())).sweep(np.radians([-20, 0, 20]))
        >>> swept.reached
        array([ True,  True,  True])
        >>> np.degrees(swept.angles["left_upright"]).round(1)
        array([ 16. ,   0. , -15.3])
        """
        hold = {n: one_number(f"the held angle of {n}", a) for n, a in (fixed or {}).items()}
        order = self.solving_order(driver, hold)
        drv = self.rig.driver if driver is None else driver
        want = of_shape("driver angles", np.atleast_1d(np.asarray(driver_angles, float)), ("n",))
        if not len(want) or not np.all(np.isfinite(want)):
            raise ValueError("driver angles must be one or more finite numbers")
        grid, i0, places = _grid(want)
        run = self._run(order, grid, i0, drv, hold)
        reached = (places >= run.first) & (places <= run.last)
        angles = {b: np.where(reached, run.angles[b][places], np.nan) if b in run.angles
                  else np.full(len(want), np.nan) for b in self.rig.bodies}
        angles[drv] = want.copy()
        ends: list[SweepEnd] = []
        at: list[float | None] = [None, None]
        if run.first > run.last:
            assert run.high is not None
            ends.append(self._why_not(run.high, run, i0, drv))
        else:
            for k, (way, stop) in enumerate(((-1, run.low), (1, run.high))):
                if stop is not None:
                    where, block = self._limit(order, run, way, drv, hold)
                    at[k] = where
                    ends.append(SweepEnd(EndKind.TOGGLE, block.rods, drv, where))
        closure_error = {}
        if order.left_over:
            closure_error = {r: np.where(reached, self._gap(r, angles), np.nan) for r in order.left_over}
        return Sweep(self.rig, drv, want, angles, reached, tuple(ends), closure_error, (at[0], at[1]), hold)

    def _why_not(self, block: Block, run: _Run, i0: int, driver: str) -> SweepEnd:
        """Why there is no pose even at zero."""
        if len(block.rods) > 1:
            return SweepEnd(EndKind.CANNOT_ASSEMBLE, block.rods, driver)
        if self._side(block.rods[0], block.bodies[0]) == 0:
            return SweepEnd(EndKind.TOGGLE, block.rods, driver, arm_of=block.bodies[0])
        A, B, C = (float(np.atleast_1d(v)[min(i0, np.size(v) - 1)])
                   for v in self._circle(block.rods[0], block.bodies[0], run.angles))
        L = self._lengths[block.rods[0]]
        mean = L * L - C  # squared distance halfway between nearest and farthest
        near, far = np.sqrt(max(mean - np.hypot(A, B), 0.0)), np.sqrt(mean + np.hypot(A, B))
        return SweepEnd(EndKind.CANNOT_ASSEMBLE, block.rods, driver, off=float(L - near if near > L else L - far))

    def solve(self, driver_angle: float, *, driver: str | None = None,
              fixed: Mapping[str, float] | None = None,
              start: Mapping[str, float] | None = None) -> dict[str, float]:
        """Joint angles (rad) of all bodies at one driver angle (rad).

        Without ``start`` the pose is followed from the assembled pose at zero; with it (angles from a nearby
        pose) Newton runs from there. Raises Toggle beyond an over-centre position, CannotAssemble where the
        rods do not go together at all, ValueError where parts are loose, a body is unknown or an angle is not one
        number.

        >>> from calib import parse_rig, starter_text
        >>> pose = Linkage(parse_rig(starter_text())).solve(np.radians(10))
        >>> print(round(float(np.degrees(pose["left_upright"])), 1))
        -7.8
        """
        driver_angle = one_number("driver angle", driver_angle)
        hold = {n: one_number(f"the held angle of {n}", a) for n, a in (fixed or {}).items()}
        order = self.solving_order(driver, hold)
        drv = self.rig.driver if driver is None else driver
        if start is not None:
            return self._from_start(order, float(driver_angle), drv, hold, start)
        s = self.sweep(np.array([driver_angle]), driver=drv, fixed=hold)
        if not s.reached[0]:
            error = CannotAssemble if s.ends[0].kind is EndKind.CANNOT_ASSEMBLE else Toggle
            raise error(f"{drv} cannot be at {np.rad2deg(driver_angle):.2f} deg: {s.why}")
        return {b: float(a[0]) for b, a in s.angles.items()}

    def _from_start(self, order: SolvingOrder, angle: float, driver: str, fixed: Mapping[str, float],
                    start: Mapping[str, float]) -> dict[str, float]:
        angles: dict[str, Array] = {b: np.asarray(float(fixed.get(b, 0.0))) for b in order.inputs}
        angles[driver] = np.asarray(angle)
        for block in order.blocks:
            one = self._newton(block, angles, np.array([float(start.get(b, 0.0)) for b in block.bodies]))
            if one is None:
                raise Toggle(f"no pose of {' and '.join(block.rods)} near the start with {driver} at "
                             f"{np.rad2deg(angle):.2f} deg")
            angles |= {b: np.asarray(v) for b, v in zip(block.bodies, one[0], strict=True)}
        return {b: float(angles[b]) for b in self.rig.bodies}

    # -- derivatives

    def rates(self, angles: Mapping[str, ArrayLike], *, driver: str | None = None,
              fixed: Iterable[str] = ()) -> dict[str, Array]:
        """Turn of every body per rad of the driver, (...), at solved ``angles`` (rad, any common shape).

        Analytic, from the closure equations; nan at a toggle or where angles are nan.
        """
        order = self.solving_order(driver, fixed)
        drv = self.rig.driver if driver is None else driver
        full = self._full(angles)
        bodies = order.placed
        _, J = self._matrix(order.rods, (*bodies, drv), full)
        shape = J.shape[:-2]
        x = _solve(J[..., :-1], -J[..., -1:])[..., 0]
        out = {b: np.zeros(shape) for b in self.rig.bodies}
        out[drv] = np.ones(shape)
        for j, b in enumerate(bodies):
            out[b] = x[..., j]
        return out

    def _full(self, angles: Mapping[str, ArrayLike]) -> dict[str, Array]:
        known_bodies(self.rig, angles)
        shape = np.broadcast_shapes(*[np.shape(a) for a in angles.values()]) if angles else ()
        return {b: np.broadcast_to(np.asarray(angles.get(b, 0.0), float), shape) for b in self.rig.bodies}

    def sensitivities(self, angles: Mapping[str, ArrayLike], names: Sequence[str], *,
                      driver: str | None = None, fixed: Iterable[str] = ()) -> dict[str, Array]:
        """Change of every body's angle per unit of named parameters (see calib.rig.parameters), (..., len(names)).

        The driver's and held bodies' angles stay. Implicit differentiation of the closure equations: analytic
        in rod lengths, hole places, pivots and axes (an axis is taken as brought back to unit length); holes
        not in use and wheel parameters have no effect.
        """
        order = self.solving_order(driver, fixed)
        full = self._full(angles)
        _, J = self._matrix(order.rods, order.placed, full)
        D = np.stack([self._parameter_slopes(r, full, parsed(names)) for r in order.rods], axis=-2)
        x = _solve(J, -np.broadcast_to(D, J.shape[:-1] + (len(names),)))
        out = {b: np.zeros(J.shape[:-2] + (len(names),)) for b in self.rig.bodies}
        for j, b in enumerate(order.placed):
            out[b] = x[..., j, :]
        return out

    def _parameter_slopes(self, rod: str, angles: Mapping[str, Array], names: Sequence[ParameterName]) -> Array:
        """Derivative of a rod's gap for named parameters, (..., len(names))."""
        loop, r = self._loops[rod], self.rig.rods[rod]
        ends, moves = [], []
        for x, path, point in ((loop.xa, loop.path_a, r.a), (loop.xb, loop.path_b, r.b)):
            y, got = self._moved(x, path, point, angles, names)
            ends.append(y)
            moves.append(got)
        d = ends[0] - ends[1]
        e = d / np.linalg.norm(d, axis=-1, keepdims=True)
        shape = np.broadcast_shapes(e.shape[:-1], *[np.shape(a) for a in angles.values()])
        out = np.zeros(shape + (len(names),))
        for k, name in enumerate(names):
            if name.kind is Kind.LENGTH and name.owner == rod:
                out[..., k] -= 1.0
            for got, s in zip(moves, (1.0, -1.0), strict=True):
                if k in got:
                    out[..., k] += s * _dot(e, got[k])
        return out

    def _moved(self, x: Array, path: Sequence[str], point: str, angles: Mapping[str, Array],
               names: Sequence[ParameterName]) -> tuple[Array, dict[int, Array]]:
        """Ball place now, and its change per unit of each named parameter that moves it."""
        E = np.eye(3)
        p = self.rig.points[point]
        got: dict[int, Array] = {}
        for k, name in enumerate(names):
            if name.kind is Kind.HOLE and (name.owner, name.hole) == (point, p.use):
                got[k] = E[name.component]
        for n in path:
            h, a = self._hinges[n], angles[n]
            v = x - h.pivot
            x = h.turn(x, a)
            got = {k: h.turn(dx, a, place=False) for k, dx in got.items()}
            s, c = np.sin(a)[..., None], 1.0 - np.cos(a)[..., None]
            for k, name in enumerate(names):
                e = E[name.component]
                if name.owner == n and name.kind is Kind.PIVOT:
                    add = e - h.turn(e, a, place=False)
                elif name.owner == n and name.kind is Kind.AXIS:
                    dn = e - (e @ h.axis) * h.axis  # keeps unit length
                    tilt = _dot(h.axis, v)[..., None] * dn + _dot(dn, v)[..., None] * h.axis
                    add = s * cross(dn, v) + c * tilt
                else:
                    continue
                got[k] = got[k] + add if k in got else add
        return x, got


def angle_sensitivities(rig: Rig, angles: Mapping[str, ArrayLike], driver: str | None,
                        names: Sequence[str]) -> dict[str, Array]:
    """Change of body angles (rad) per unit of named parameters; see Linkage.sensitivities."""
    return Linkage(rig).sensitivities(angles, names, driver=driver)


def _smallest_block(rest: Mapping[str, set[str]]) -> Block | None:
    for size in range(1, min(MAX_COUPLED, len(rest)) + 1):
        for rods in combinations(rest, size):
            bodies: set[str] = set().union(*(rest[r] for r in rods))
            if len(bodies) == size:
                return Block(rods, tuple(sorted(bodies)))
    return None


def _grid(want: Array) -> tuple[Array, int, NDArray[np.intp]]:
    """Sorted angles with zero, the wanted and no gap above WALK; index of zero; places of the wanted."""
    base = np.unique(np.append(want, 0.0))
    gaps = np.ceil(np.diff(base) / WALK - 1e-9).astype(int)
    parts = [base]
    for lo, hi, k in zip(base[:-1], base[1:], gaps, strict=True):
        if k > 1:
            parts.append(lo + (hi - lo) * np.arange(1, k) / k)
    grid = np.unique(np.concatenate(parts)) if len(parts) > 1 else base
    return grid, int(np.searchsorted(grid, 0.0)), np.searchsorted(grid, want)


def _follow(t: Array, i0: int, first: int, last: int, near: float) -> Array:
    """Angles without jumps of a whole turn over first..last, at i0 nearest ``near``; nan elsewhere."""
    out = np.full(np.shape(t), np.nan)
    if first <= last:
        seg = np.unwrap(t[first:last + 1])
        out[first:last + 1] = seg - 2 * np.pi * np.round((seg[i0 - first] - near) / (2 * np.pi))
    return out


def _regular(J: Array) -> NDArray[np.bool_]:
    """Whether the least singular value of J (..., n, n) is above SINGULAR, (...).

    The others' product is at most the mean of their squares to the power (n - 1) / 2, so the determinant bounds the
    least from below; only what that leaves open is taken apart.
    """
    n = J.shape[-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        others = np.sqrt(np.sum(J * J, axis=(-2, -1)) / max(n - 1, 1)) ** (n - 1)
        out = np.asarray(np.abs(np.linalg.det(J)) / others > 2 * SINGULAR)
    if not out.all():
        out[~out] = np.linalg.svd(J[~out], compute_uv=False)[..., -1] > SINGULAR
    return out


def _solve(J: Array, rhs: Array) -> Array:
    """J x = rhs over stacks, nan where J is singular or not finite."""
    good = np.all(np.isfinite(J), axis=(-2, -1)) & np.all(np.isfinite(rhs), axis=(-2, -1))
    if J.shape[-1]:
        safe = np.where(good[..., None, None], J, np.eye(J.shape[-1]))
        good &= _regular(safe)
    J = np.where(good[..., None, None], J, np.eye(J.shape[-1]))
    x = np.linalg.solve(J, np.where(good[..., None, None], rhs, 0.0))
    return np.where(good[..., None, None], x, np.nan)
