"""Where tyres touch the ground: level ground as the front wheels steer, and one flat ground under three wheels.

A wheel is a disc with a round tyre on its rim (``Wheel.tyre``, zero for a thin disc); the ground is a plane.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.linkage.mechanism import body_motions
from calib.linkage.rotations import cross, dot, unit
from calib.rig.discs import UP, front_disc, rear_disc, touch
from calib.rig.model import Rig

Array = NDArray[np.float64]
REAR = "rear"
ROUNDS = 8  # of the ground under three wheels: Newton's method, three or four are enough
AT_ONCE = 8000  # angles worked on together: more no longer stay near the processor, at half the speed
OUTER_ROUNDS = 4  # of the outer wheel's angle: each leaves about trail / wheelbase of the error before


# --- three wheels on one flat ground -----------------------------------------------------------------------


@dataclass(frozen=True)
class Stance:
    """A vehicle on its three wheels, seen from its frame.

    ``up`` (..., 3) the ground's normal in frame axes; ``contacts`` (..., 3) mm where each wheel touches, "left",
    "right" and "rear"; ``headings`` (...) rad of the front wheels on the ground from the rear wheel's heading,
    left positive.
    """

    up: Array
    contacts: Mapping[str, Array]
    headings: Mapping[str, Array]


def stance(rig: Rig, angles: Mapping[str, ArrayLike]) -> Stance:
    """How the vehicle stands at joint angles (rad, any common shape; a body left out stands at 0).

    The height of a wheel's lowest place changes with the ground's normal by that place itself, so the plane through
    the three lowest places is Newton's next one. Raises KeyError for a rig without both front wheels.
    """
    motions = body_motions(rig, angles)
    carriers = {s: rig.wheels[s].upright for s in ("left", "right")} | {REAR: rig.rear.body}
    discs = {}
    for name, body in carriers.items():
        d = rear_disc(rig) if name == REAR else front_disc(rig, name)
        R, t = motions[body]
        discs[name] = d._replace(centre=_turn(R, d.centre) + t, spin=_turn(R, d.spin))
    up = np.broadcast_to(UP, np.broadcast_shapes(*[d.centre.shape for d in discs.values()]))
    for _ in range(ROUNDS):
        at = {n: touch(d, up) for n, d in discs.items()}
        up = unit(cross(at["left"] - at[REAR], at["right"] - at[REAR]))
        up = np.where(up[..., 2:] < 0, -up, up)
    ahead = {n: cross(d.spin, up) for n, d in discs.items()}
    turned = {s: np.arctan2(dot(up, cross(ahead[REAR], ahead[s])), dot(ahead[REAR], ahead[s]))
              for s in ("left", "right")}
    return Stance(up, {n: touch(d, up) for n, d in discs.items()}, turned)


# --- turning on level ground --------------------------------------------------------------------------------


@dataclass(frozen=True)
class SteeredWheel:
    """Where one front tyre touches level ground as its wheel is steered.

    The wheel turns about its inclined kingpin, and its contact moves with the trail and the offset at ground. Toe is
    taken out: at zero each wheel stands as both do with a mean heading of zero. The frame is held level: the little
    that jacking rolls it is left out.
    """

    # cosine and sine of toe (2); x and y of what the kingpin turn leaves of the spin direction and of its cosine and
    # sine part (6), their z times the rim's radius (3), and x, y of the same of the wheel's middle (6): (17, ...)
    own: Array

    def __call__(self, steer: ArrayLike) -> Array:
        """Contact x and y (2, ...) mm for steer (...) rad from straight ahead, left positive."""
        return np.stack(self.towards(np.cos(steer), np.sin(steer)))

    def towards(self, ahead: Array, left: Array) -> tuple[Array, Array]:
        """The same for the cosine and sine (...) of the steer."""
        # plain columns: this runs over every point of every curve of a search
        toe_c, toe_s, ax, ay, ux, uy, vx, vy, az, uz, vz, px, py, qx, qy, rx, ry = self.own
        x, y = ahead * toe_c - left * toe_s, left * toe_c + ahead * toe_s
        # the kingpin turn t nearest zero at which the spin direction is square to the heading: A cos t + B sin t = -C
        A, B, C = ux * x + uy * y, vx * x + vy * y, ax * x + ay * y
        m = A * A + B * B
        with np.errstate(invalid="ignore", divide="ignore"):
            bow, over = np.copysign(np.sqrt(m - C * C), B), -1.0 / m
            c, s = (A * C - B * bow) * over, (A * bow + B * C) * over
            out = az + uz * c + vz * s  # of the lowest place from the middle, across the heading: see ``touch``
            return px + qx * c + rx * s - out * y, py + qy * c + ry * s + out * x


def steered_wheels(rig: Rig) -> dict[str, SteeredWheel]:
    """Both front wheels, by side."""
    discs = {s: front_disc(rig, s) for s in rig.wheels}
    own = {s: np.arctan2(-d.spin[..., 0], d.spin[..., 1]) for s, d in discs.items()}
    mean = np.mean(list(own.values()), axis=0)
    out = {}
    for side, disc in discs.items():
        b = rig.bodies[rig.wheels[side].upright]
        k, pivot = unit(b.axis), np.asarray(b.pivot, float)
        still, u, v = _about(disc.centre - pivot, k)
        turned, toe, rim = _about(disc.spin, k), own[side] - mean, disc.radius - 0.5 * disc.tyre
        columns = [np.cos(toe), np.sin(toe), *(q[..., j] for q in turned for j in range(2))]
        columns += [rim * q[..., 2] for q in turned]
        columns += [q[..., j] for q in (pivot + still, u, v) for j in range(2)]
        out[side] = SteeredWheel(np.array(np.broadcast_arrays(*columns)))
    return out


def _either(first: NDArray[np.bool_], one: SteeredWheel, other: SteeredWheel) -> SteeredWheel:
    """A wheel that is ``one`` where ``first`` (...) and the ``other`` elsewhere."""
    like = (len(one.own), *[1] * (first.ndim + 1 - one.own.ndim))
    return SteeredWheel(np.where(first, *(w.own.reshape(*like, *w.own.shape[1:]) for w in (one, other))))


class RearLine(NamedTuple):
    """The rear wheel's axle on level ground, straight ahead: a place x, y and a unit direction a, b to the left."""

    x: Array
    y: Array
    a: Array
    b: Array

    @staticmethod
    def of(rig: Rig) -> RearLine:
        """The rear wheel's line."""
        d = rear_disc(rig)
        at, a, b = touch(d), d.spin[..., 0], d.spin[..., 1]
        size = np.sqrt(a * a + b * b)
        return RearLine(at[..., 0], at[..., 1], a / size, b / size)

    def meets(self, contact: tuple[Array, Array], ahead: Array, left: Array) -> tuple[Array, Array]:
        """Numerator and denominator of where a wheel's axle line meets it, mm to the left of its place.

        ``contact`` x and y, and cosine and sine of its steer, (...) each.
        """
        return (contact[0] - self.x) * ahead + (contact[1] - self.y) * left, self.a * ahead + self.b * left


class Ground(NamedTuple):
    """Level ground under a rig straight ahead: the rear wheel's line, and where each front wheel touches, by side."""

    rear: RearLine
    wheels: Mapping[str, SteeredWheel]

    @staticmethod
    def of(rig: Rig | Ground) -> Ground:
        """That of a rig, or the one given."""
        return rig if isinstance(rig, Ground) else Ground(RearLine.of(rig), steered_wheels(rig))


def ideal_outer(rig: Rig | Ground, left: ArrayLike, right: ArrayLike) -> Array:
    """Steer (...) rad, left positive, at which the outer wheel rolls round the same centre as the inner one.

    ``left`` and ``right`` (...) rad: steer from straight ahead; the left wheel is the inner one in a left turn (mean
    steer above zero). Both wheels' axle lines, through their contacts, meet on the rear wheel's axle line, and the
    outer contact is taken where that steer brings it.
    """
    a, b = np.broadcast_arrays(np.asarray(left, float), np.asarray(right, float))
    leftwards = a + b >= 0
    (rear, wheels), inner = Ground.of(rig), np.where(leftwards, a, b)
    if wheels["left"].own.ndim > 1:  # many rigs: a wheel's own numbers are as many as its angles
        return _outer(rear, inner, *(_either(leftwards, wheels[s], wheels[o]) for s, o in
                                     (("left", "right"), ("right", "left"))))
    out = np.empty(inner.shape)
    for turn, side, other in ((leftwards, "left", "right"), (~leftwards, "right", "left")):
        steer = inner[turn]
        for i in range(0, len(steer), AT_ONCE):
            steer[i:i + AT_ONCE] = _outer(rear, steer[i:i + AT_ONCE], wheels[side], wheels[other])
        out[turn] = steer
    return out


def _outer(rear: RearLine, inner: Array, wheel: SteeredWheel, other: SteeredWheel) -> Array:
    """Steer (...) rad of the ``other`` wheel, the outer one, where the inner ``wheel`` steers ``inner`` (...) rad."""
    ahead, left = np.cos(inner), np.sin(inner)
    n, d = rear.meets(wheel.towards(ahead, left), ahead, left)
    rounds: list[Array] = []
    ahead, left = np.ones(()), np.zeros(())
    for k in range(OUTER_ROUNDS):
        size = np.sqrt(left * left + ahead * ahead)
        x, y = other.towards(ahead / size, left / size)
        left, ahead = d * (x - rear.x) - n * rear.a, d * (rear.y - y) + n * rear.b
        if k >= OUTER_ROUNDS - 3:
            rounds.append(np.arctan2(left, ahead))
    # where the rounds lead to, as each is about the same share of the one before (Aitken's delta squared)
    before, last = rounds[-2] - rounds[-3], rounds[-1] - rounds[-2]
    flat = np.abs(last - before) < 1e-15
    return np.asarray(rounds[-1] - np.where(flat, 0.0, last * last / np.where(flat, 1.0, last - before)))


def turning_centre(rig: Rig | Ground, left: ArrayLike, right: ArrayLike) -> Array:
    """Where the vehicle turns round, mm to the left of the rear contact along its axle line, (...).

    The mean of what the two front wheels ask for; tyres without slip; inf straight ahead.
    """
    rear, wheels = Ground.of(rig)
    asked = []
    for side, steer in (("left", left), ("right", right)):
        ahead, across = np.cos(steer), np.sin(steer)
        n, d = rear.meets(wheels[side].towards(ahead, across), ahead, across)
        with np.errstate(divide="ignore", invalid="ignore"):
            asked.append(n / d)
    straight = np.abs(np.asarray(left, float) + np.asarray(right, float)) < 2e-9
    return np.where(straight, np.inf, 0.5 * (asked[0] + asked[1]))


def outer_circle(rig: Rig | Ground, left: ArrayLike, right: ArrayLike) -> Array:
    """Diameter (mm) of the circle the outer front tyre's contact draws round ``turning_centre``, (...)."""
    ground = Ground.of(rig)
    (rear, wheels), r = ground, turning_centre(ground, left, right)
    to = np.where(np.isinf(r), 0.0, r)
    far = []
    for side, steer in (("left", left), ("right", right)):
        x, y = wheels[side](steer)
        far.append(np.hypot(x - rear.x - to * rear.a, y - rear.y - to * rear.b))
    return np.where(np.isinf(r), np.inf, 2 * np.where(r > 0, far[1], far[0]))


# --- small helpers ----------------------------------------------------------------------------------------


def _about(v: Array, k: Array) -> tuple[Array, Array, Array]:
    """v (..., 3) split for a turn t about the unit axis k: v = along + u, turned: along + u cos t + w sin t."""
    along = dot(v, k)[..., None] * k
    u = v - along
    return along, u, cross(k, u)


def _turn(R: Array, v: Array) -> Array:
    return np.asarray(np.einsum("...ij,...j->...i", R, v))
