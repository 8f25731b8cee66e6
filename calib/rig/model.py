"""The rig as plain data: bodies on hinges, rods between points, wheels, tags, targets.

All vectors are in the frame axes (ISO 8855: x forward, y left, z up, mm) and describe the rig assembled
straight ahead, as drawn or as measured. Angles are radians inside; every joint angle is zero in the
straight-ahead assembly and right-handed about the body's ``axis``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from capture.targets import SCALE_BAR_MM

Vec = tuple[float, float, float]
FRAME = "frame"
DEFAULT_TRAVEL = np.deg2rad(30.0)  # rad each way, of a driver whose stops the rig file does not give


@dataclass(frozen=True)
class Body:
    """A part that turns about one hinge in ``parent``."""

    name: str
    pivot: Vec
    axis: Vec  # unit
    parent: str = FRAME
    role: str = "other"  # lever, crank, upright, wheel, lean, other
    side: str = ""  # left, right or empty
    travel: tuple[float, float] | None = None  # rad from straight ahead
    pivot_tol: float = 2.0  # mm, 95 %
    axis_tol: float = np.deg2rad(1.0)  # rad, 95 %
    locked: bool = False  # lean joint: its lock holds it upright except at the lean positions
    grip: float | None = None  # mm, of a lever: from its hinge to the middle of the hand grip


@dataclass(frozen=True)
class Point:
    """A rod attachment on a body: one or more holes, one of them in use."""

    name: str  # "left_lever.rod"
    body: str
    holes: Mapping[str, Vec]
    use: str
    tol: float = 1.0  # mm, 95 %
    misalignment: float = np.deg2rad(25.0)  # rad, how far the rod end may tilt out of square with its bolt
    bolt: Vec | None = None  # unit bolt direction; None: the body's axis
    order: tuple[str, ...] = ()  # holes from nearest the pivot outwards
    seat: float = 0.2  # mm, half-width: how far a ball moved to another hole may sit beside its middle
    clock: tuple[float, float] | None = None  # rad, how far its arm may be turned on its bar, about the body's axis
    clock_step: float = np.deg2rad(1.0)  # rad, finest turn that can be set

    @property
    def xyz(self) -> Vec:
        """Place of the hole in use."""
        return self.holes[self.use]


@dataclass(frozen=True)
class Thread:
    """What a screwed rod is set by."""

    pitch: float = 1.0  # mm a turn of one end
    ends: int = 1  # threaded ends that move the rod's length as it is turned
    name: str = ""  # "M8", "M8x1", "1/4-28"; empty where only the change in a turn is known
    diameter: float | None = None  # mm, where known

    @property
    def per_turn(self) -> float:
        """mm that a turn changes the rod's length, all ends counted."""
        return self.pitch * self.ends


@dataclass(frozen=True)
class Rod:
    """A rod between two points through ball joints."""

    name: str
    a: str  # point name
    b: str
    length: float
    shortest: float
    longest: float
    adjuster: str = "screw"  # screw, clamp or fixed
    step: float = 0.5  # mm; smallest change that can be set
    thread: Thread | None = Thread()  # of a screwed rod
    radius: float = 6.0  # mm, for clearance
    tol: float = 2.0  # mm, 95 %
    overlap: float | None = None  # mm, least overlap of a clamp
    overlap_now: float | None = None  # mm, overlap at ``length``
    engaged_now: float | None = None  # mm, thread engaged at each end at ``length``
    setting: float | None = None  # mm, half-width of a careful setting's error; None: what its adjuster usually gives

    @property
    def per_turn(self) -> float | None:
        """mm a turn for a screwed rod, None for another."""
        return None if self.thread is None else self.thread.per_turn


@dataclass(frozen=True)
class Wheel:
    """A steered wheel on an upright. ``spin`` unit, pointing left; ``centre`` on the spin axis."""

    side: str
    upright: str
    centre: Vec
    spin: Vec
    radius: float
    spin_body: str | None = None  # the body that turns by hand with the wheel, if tagged
    measured: bool = False  # True where the spin axis came from photos
    spin_tol: float = np.deg2rad(1.0)
    tyre: float = 0.0  # mm, width of the tyre, round on the rim; 0: a thin disc
    centre_tol: float = 2.0  # mm, 95 %: where the tyre sits along its axle, which no photo shows


@dataclass(frozen=True)
class RearWheel:
    """The wheel behind, not steered. None: see ``calib.rig.discs.rear_disc`` for what is taken."""

    radius: float | None = None
    centre: Vec | None = None
    spin: Vec = (0.0, 1.0, 0.0)  # unit, pointing left
    body: str = FRAME  # what its axle is fixed to
    tyre: float = 0.0  # mm, width of the tyre; 0: a thin disc
    tol: float = 5.0  # mm, 95 %
    spin_tol: float = np.deg2rad(1.0)  # rad, 95 %
    spin_body: str | None = None  # the body that turns by hand with the wheel, if tagged; its hinge is the axle
    square_tol: float = np.deg2rad(0.03)  # rad, 95 %: the axle against straight ahead, where it is a reference
    level_tol: float = np.deg2rad(0.5)  # rad, 95 %: the same against level


@dataclass(frozen=True)
class Tag:
    """A printed tag on a part. With ``centres_on``: middle on that point's bolt, ``offset`` mm in front."""

    name: str
    code: int
    body: str
    size: float
    centres_on: str | None = None
    offset: float = 0.0
    offset_tol: float = 0.5
    place: Vec | None = None  # drawn place of the tag's middle, for datum tags on the frame
    place_tol: float = 2.0
    on_centre_line: bool = False  # its middle on the frame's centre line, y = 0
    centre_line_tol: float = 0.5  # mm, 95 %
    on_floor: bool = False  # lies on the floor under the vehicle; seen straight ahead only
    floor_tol: float = 1.0  # mm, 95 %: its height against the other floor tags'
    flat_tol: float = np.deg2rad(1.0)  # rad, 95 %: how flat it lies against the whole floor

    @property
    def reference(self) -> bool:
        """Whether it says where straight ahead or level is, by itself."""
        return self.on_centre_line or self.on_floor


@dataclass(frozen=True)
class Obstacle:
    """A segment with a radius that rods must clear (frame tube, chain line)."""

    name: str
    a: Vec
    b: Vec
    radius: float
    body: str = FRAME


@dataclass(frozen=True)
class BoardSpec:
    """The printed board: paper, and what its scale bars measured (mm against their nominal length)."""

    paper: str = "A4"
    body: str = FRAME
    bar_measured: float | None = None
    bar_nominal: float = SCALE_BAR_MM
    bar_tol: float = 0.1  # mm, 95 %
    bar_upright: float | None = None  # mm, the bar along the sheet


@dataclass(frozen=True)
class Target:
    """A figure wanted: ``value`` plus or minus ``tolerance``. mm, rad or plain, see ``unit``."""

    name: str  # toe, ratio ... see calib.rig.figures
    value: float
    tolerance: float
    unit: str = "deg"  # "deg" means value and tolerance are radians inside and degrees at the surface
    doubt: float = 0.0  # 95 % half-width of what stands between the figure as measured and the one wanted


@dataclass(frozen=True)
class Slide:
    """A group of bodies that moves along the frame together (the lever assembly)."""

    name: str
    bodies: tuple[str, ...]
    direction: Vec
    range: tuple[float, float]
    step: float = 5.0


@dataclass(frozen=True)
class Rig:
    """One vehicle's steering, as drawn or as measured."""

    name: str
    wheelbase: float
    bodies: Mapping[str, Body]
    points: Mapping[str, Point]
    rods: Mapping[str, Rod]
    wheels: Mapping[str, Wheel]  # by side
    tags: Mapping[str, Tag]
    targets: Mapping[str, Target]
    board: BoardSpec = BoardSpec()
    driver: str = "left_lever"
    straight_ahead: str = "ahead"
    positions: Sequence[str] = ()
    spin_positions: Sequence[str] = ()  # labels where only wheels were turned by hand, at straight ahead
    lean_positions: Sequence[str] = ()
    stops: Sequence[str] = ()  # labels of the two positions at the driver's stops, pulled and pushed; part of positions
    stop_tol: float = np.deg2rad(1.0)  # rad, 95 %: how far the stops may stand from the drawn travel
    loaded: str = ""  # label: straight ahead with the rider aboard
    load_allowance: float = np.deg2rad(0.3)  # rad, 95 %: what the rider may do to toe, where not photographed
    obstacles: Sequence[Obstacle] = ()
    slides: Mapping[str, Slide] = field(default_factory=dict)
    rear: RearWheel = RearWheel()
    readout: float | None = None  # s, from the camera's first row to its last; 0: all at once; None: not known
    min_transmission: float = np.deg2rad(30.0)  # least angle between rod and arm direction of no effect
    min_clearance: float = 5.0  # mm
    notes: Sequence[str] = ()  # the builder's own lines
    # rad, 95 %: how far the axes of all places may be turned from level and straight ahead, as after a survey
    roll_tol: float = 0.0
    pitch_tol: float = 0.0
    heading_tol: float = 0.0
    remarks: Sequence[str] = ()  # what reading the file has to say; shown to the builder, not written back
    as_built: bool = field(default=False, compare=False)  # whether the file gives itself as one of measured values

    @property
    def driver_travel(self) -> tuple[float, float]:
        """The driver's travel, rad; DEFAULT_TRAVEL each way where the rig file gives none."""
        return self.bodies[self.driver].travel or (-DEFAULT_TRAVEL, DEFAULT_TRAVEL)

    @property
    def labels(self) -> tuple[str, ...]:
        """Every position label that photos may be filed under."""
        loaded = (self.loaded,) if self.loaded else ()
        return tuple(dict.fromkeys([*self.positions, *self.spin_positions, *self.lean_positions, *loaded]))

    def tag_by_code(self) -> dict[int, Tag]:
        """Tags keyed by printed code."""
        return {t.code: t for t in self.tags.values()}

    def parents_first(self) -> list[Body]:
        """Bodies ordered so that a parent comes before what it carries."""
        done: list[Body] = []
        names = {FRAME}
        rest = list(self.bodies.values())
        while rest:
            ready = [b for b in rest if b.parent in names]
            if not ready:
                raise ValueError("bodies hang from each other in a ring: " + ", ".join(b.name for b in rest))
            done += ready
            names |= {b.name for b in ready}
            rest = [b for b in rest if b.name not in names]
        return done


PUSHED, PULLED = "+", "-"


def approach_pairs(labels: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Lever positions that were approached from both sides: "push1" -> ("push1+", "push1-").

    ``+``: the driver was brought there by pushing (its angle growing), ``-``: by pulling. A label with only one
    of the two is an ordinary position.
    """
    there = set(labels)
    return {p[:-1]: (p, p[:-1] + PULLED) for p in labels
            if len(p) > 1 and p.endswith(PUSHED) and p[:-1] + PULLED in there}
