"""Where to stick each tag and clamp the board on a vehicle that is only drawn.

A tag on a bolt sits on its end; others go where cameras beside and above the vehicle see them from far and near: on
levers above the rod, on uprights inside the wheel, on wheels outside at the hub (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.linkage.rotations import about
from calib.rig.discs import front_disc, rear_disc, touch
from calib.rig.model import FRAME, Body, Rig, Tag

Array = NDArray[np.float64]
Pose = tuple[Array, Array]  # (R, t): x_frame = R @ x_own + t
UP = np.array([0.0, 0.0, 1.0])
LEAN_OUT = np.deg2rad(15.0)  # a plate's tag leans outwards by so much
LEVER_UP, LEVER_OUT = 220.0, 60.0  # mm from the hinge along the arm, and outwards
UPRIGHT_IN, UPRIGHT_UP, UPRIGHT_BACK = 45.0, 105.0, 60.0  # mm from the hinge's pivot
HUB_OUT, HUB_UP = 35.0, 55.0  # mm from the wheel's middle
ABOVE = 60.0  # mm over the hinge of any other part


@dataclass(frozen=True)
class Stuck:
    """A tag's place: pose straight ahead in frame axes, and the same in words."""

    name: str
    R: Array  # (3, 3) tag to frame
    at: Array  # (3,) mm
    words: str


def tag_places(rig: Rig) -> dict[str, Stuck]:
    """Where each tag of the rig file should sit, straight ahead."""
    return {n: stuck for n, tag in rig.tags.items() if (stuck := _place(rig, tag)) is not None}


def _place(rig: Rig, tag: Tag) -> Stuck | None:
    if tag.centres_on is not None:
        p = rig.points[tag.centres_on]
        z = _end(np.asarray(p.bolt if p.bolt is not None else rig.bodies[p.body].axis), float(p.xyz[1]))
        return Stuck(tag.name, facing(z), np.asarray(p.xyz) + tag.offset * z,
                     f"on the bolt of {tag.centres_on}, its middle on the bolt's axis, facing {compass(z)}")
    if tag.place is not None:
        return Stuck(tag.name, facing(UP), np.asarray(tag.place, float),
                     f"on the frame at the place that the rig file gives, facing {compass(UP)}")
    if tag.reference:
        return _reference(rig, tag)
    return None if tag.body not in rig.bodies else _plate(rig, rig.bodies[tag.body], tag.name)


def _plate(rig: Rig, b: Body, name: str) -> Stuck:
    """On a flat piece that is fixed to the part."""
    pivot, part = np.asarray(b.pivot, float), _named(b.name)
    side = _side(b)
    out = np.array([0.0, side, 0.0])
    if b.role == "wheel":
        z = out if side else np.asarray(b.axis, float)
        at = pivot + HUB_OUT * z + HUB_UP * UP
        return Stuck(name, facing(z), at, f"on the outside of {part} near the hub, where no spoke or fork hides it, "
                                          f"facing {compass(z)}")
    lean = side * LEAN_OUT
    z = np.array([0.0, np.sin(lean), np.cos(lean)])
    if b.role == "lever":
        arm = _arm(rig, b)
        at = pivot + LEVER_UP * arm + LEVER_OUT * out
        where = f"about {LEVER_UP:.0f} mm {compass(arm)} from its hinge and {LEVER_OUT:.0f} mm further out"
        return Stuck(name, facing(z), at, f"on a flat piece fixed to {part}, {where}, facing {compass(z)}")
    if b.role == "upright":
        at = pivot - UPRIGHT_IN * out + UPRIGHT_UP * UP - UPRIGHT_BACK * np.array([1.0, 0, 0])
        return Stuck(name, facing(UP), at, f"on a flat piece fixed to {part}, inside the wheel and about "
                                           f"{UPRIGHT_UP:.0f} mm above the kingpin's middle, facing up")
    return Stuck(name, facing(UP), pivot + ABOVE * UP, f"on {part} above its hinge, facing up")


def _arm(rig: Rig, b: Body) -> Array:
    """Unit direction of a lever from its hinge to its rod, up where it has none."""
    axis = np.asarray(b.axis, float)
    for p in rig.points.values():
        if p.body == b.name:
            d = np.subtract(p.xyz, b.pivot)
            d = d - axis * (axis @ d)
            if np.linalg.norm(d) > 1:
                d = d / np.linalg.norm(d)
                return d if d[2] > -0.2 else -d  # a rod below the hinge: the handle is above
    return UP


def _side(b: Body) -> float:
    """+1 left, -1 right, 0 in the middle."""
    if b.side:
        return 1.0 if b.side == "left" else -1.0
    return float(np.sign(b.pivot[1])) if abs(b.pivot[1]) > 20 else 0.0


def _end(axis: Array, y: float) -> Array:
    """The end of a bolt that can be seen: the outer one of a level bolt, else the upper one."""
    axis = axis / np.linalg.norm(axis)
    if abs(axis[1]) > 0.7:
        return axis * np.sign(axis[1]) * (np.sign(y) or 1.0)
    return axis * (np.sign(axis[2]) or 1.0)


def _reference(rig: Rig, tag: Tag) -> Stuck:
    """A tag on the centre line or on the floor: spread along the vehicle, or beside the wheels."""
    alike = [t.name for t in rig.tags.values() if t.reference and t.on_floor == tag.on_floor and t.place is None]
    k = alike.index(tag.name)
    if tag.on_floor:
        at = [touch(front_disc(rig, s)) for s in rig.wheels] + [touch(rear_disc(rig))]
        inward = [np.array([0, -120.0 * np.sign(x[1]), 0]) if abs(x[1]) > 1 else np.array([150.0, 0, 0]) for x in at]
        spot = np.asarray(at[k % len(at)] + inward[k % len(at)] + np.array([60.0 * (k // len(at)), 0, 0]))
        return Stuck(tag.name, facing(UP), spot, "flat on the floor beside a wheel, facing up")
    x = np.array([b.pivot[0] for b in rig.bodies.values() if b.role != "wheel"])
    z = max(b.pivot[2] for b in rig.bodies.values() if b.role != "wheel")
    share = 0.5 if len(alike) == 1 else k / (len(alike) - 1)
    return Stuck(tag.name, facing(UP), np.array([x.min() + share * np.ptp(x), 0.0, z + 40.0]),
                 "on the frame with its middle on the centre line, facing up")


def board_pose(at: Array) -> Pose:
    """The board level at ``at``, its long side along the vehicle."""
    return about(UP, np.pi / 2), np.asarray(at, float)


def board_spots(rig: Rig, tags: Mapping[str, Stuck]) -> list[Array]:
    """Places on the centre line where the board could be clamped, the one most among the tags first."""
    own = np.array([t.at for n, t in tags.items() if rig.tags[n].body != FRAME])
    x = np.linspace(own[:, 0].min(), own[:, 0].max(), 13)
    z = own[:, 2].mean() + np.array([60.0, 130.0])
    spots = [np.array([a, 0.0, b]) for a in x for b in z]
    return sorted(spots, key=lambda s: float(np.linalg.norm(s - own.mean(axis=0))))


def facing(z: Array) -> Array:
    """(3, 3) tag to frame, the paper's normal along ``z``."""
    z = z / np.linalg.norm(z)
    x = np.cross(UP, z) if abs(z[2]) < 0.9 else np.cross([0, 1.0, 0], z)
    x = x / np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z], axis=1)


def compass(d: Array) -> str:
    """A direction in a builder's words: "up, leaning left"."""
    words = (("forward", "back"), ("left", "right"), ("up", "down"))
    d = np.asarray(d, float) / np.linalg.norm(d)
    order = np.argsort(-np.abs(d))
    main = words[order[0]][int(d[order[0]] < 0)]
    aside = [words[k][int(d[k] < 0)] for k in order[1:] if abs(d[k]) > 0.2]
    return main + (", leaning " + " and ".join(aside) if aside else "")


def _named(name: str) -> str:
    return "the " + name.replace("_", " ")
