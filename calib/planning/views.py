"""Which tags a camera at some place would see, and where cameras could stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.estimation.camera import project
from calib.linkage.limits import segment_distance
from calib.linkage.rotations import rotation
from capture.targets import CELLS, saddle_points

Array = NDArray[np.float64]
Pose = tuple[Array, Array]
MOST_TILT = np.deg2rad(68.0)  # between a tag's normal and the line to the camera
LEAST_CELL_PX = 3.0  # ring cell across its narrow side, below which corners are too poor to count on
EDGE_PX = 12.0
FILL = 0.85  # of the picture that the tags fill: nobody frames more tightly by hand
NEAREST = 700.0  # mm from the camera to any tag
TYRE_FROM = 0.8  # of a wheel's radius: between spokes one can look through (common practice, no source)
BESIDE = 15.0  # mm: what is nearer to a tag than this is what it is stuck on
SIDES = ("in front", "front left", "left", "rear left", "behind", "rear right", "right", "front right")
HEIGHTS = ((32.0, "low"), (46.0, "half high"), (60.0, "high"), (91.0, "right above"))  # up to this elevation, deg
CORNERS = np.array([[0, 0], [0.5, 0.5], [-0.5, 0.5], [-0.5, -0.5], [0.5, -0.5]])  # of a tag, its middle first


@dataclass(frozen=True)
class View:
    """From where: azimuth (0 from the front, 90 from the left) and elevation over what it looks at, deg."""

    azimuth: float
    elevation: float

    @property
    def words(self) -> str:
        """Where to stand and hold the phone: "front left, phone high"."""
        height = next(h for most, h in HEIGHTS if self.elevation < most)
        return f"{SIDES[int(np.round(self.azimuth / 45.0)) % 8]}, phone {height}"


def walked(views: Sequence[View]) -> list[View]:
    """The views in the order in which to walk round the vehicle, from behind on the left forwards and on."""
    return sorted(views, key=lambda v: (-v.azimuth, v.elevation))


@dataclass(frozen=True)
class Seat:
    """A camera set up: the view, its eye (3,) mm in frame axes, and the pose, x_camera = R @ x_frame + t."""

    view: View
    eye: Array
    R: Array
    t: Array
    upright: bool = False  # the picture held upright


@dataclass(frozen=True)
class Ring:
    """A wheel that hides: middle, axle (unit) and radius."""

    centre: Array
    axle: Array
    radius: float


@dataclass(frozen=True)
class Bar:
    """A tube from a to b that hides."""

    a: Array
    b: Array
    radius: float


@dataclass(frozen=True)
class Sheet:
    """The board: pose and half sizes (2,)."""

    R: Array
    at: Array
    half: Array


Blocker = Ring | Bar | Sheet


@dataclass(frozen=True)
class Patch:
    """A printed tag as it stands: pose in the frame and edge, mm."""

    code: int
    R: Array
    at: Array
    size: float

    def points(self, flat: Array) -> Array:
        """Places (n, 3) of (n, 2) mm on it."""
        return np.asarray(flat @ self.R[:, :2].T + self.at)


def seat(view: View, points: Array, lens: Array, size: tuple[int, int], roll: float = 0.0,
         upright: bool = False) -> Seat:
    """A camera in the direction of ``view``, as near as it can stand with all ``points`` (n, 3) in the picture."""
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    a, e = np.deg2rad(view.azimuth), np.deg2rad(view.elevation)
    away = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    x = np.cross(-away, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    r = rotation(np.array([0, 0, np.deg2rad(roll) + (np.pi / 2 if upright else 0.0)])) @ np.stack(
        [x, np.cross(-away, x), -away])
    at = (points - middle) @ r.T
    reach = FILL * np.array(size) / 2 / lens[0]
    back = float(np.max(np.abs(at[:, :2]) / reach - at[:, 2:]))
    depth = (points - middle) @ away
    aside = np.linalg.norm(points - middle - np.outer(depth, away), axis=1)
    clear = float(np.max(depth + np.sqrt(np.maximum(NEAREST**2 - aside**2, 0.0))))
    eye = middle + max(back, clear) * away
    return Seat(view, eye, r, -r @ eye, upright)


def nearest_seat(view: View, points: Array, lens: Array, size: tuple[int, int], roll: float = 0.0) -> Seat:
    """The picture held level, or upright where that lets the camera come clearly nearer."""
    level, tall = (seat(view, points, lens, size, roll, u) for u in (False, True))
    middle = points.mean(axis=0)
    near = float(np.linalg.norm(tall.eye - middle)) < 0.9 * float(np.linalg.norm(level.eye - middle))
    return tall if near else level


def seen(s: Seat, patches: Sequence[Patch], lens: Array, size: tuple[int, int], blockers: Sequence[Blocker],
         ) -> dict[int, Array]:
    """Code to pixels (32, 2) of each tag's saddles, if it faces the camera, is large enough, inside and not hidden."""
    at, normal = np.array([p.at for p in patches]), np.array([p.R[:, 2] for p in patches])
    edge = np.array([p.size for p in patches])
    to = s.eye - at
    far = np.linalg.norm(to, axis=1)
    facing = np.sum(normal * to, axis=1) / far
    large = edge / CELLS * lens[0] / far * facing >= LEAST_CELL_PX
    left = [p for p, ok in zip(patches, (facing >= np.cos(MOST_TILT)) & large, strict=True) if ok]
    out = {}
    for p in left:
        uv = project(p.points(saddle_points(p.size)) @ s.R.T + s.t, lens)
        if (uv >= EDGE_PX).all() and (uv <= np.array(size) - 1 - EDGE_PX).all():
            out[p.code] = uv
    left = [p for p in left if p.code in out]
    if not left:
        return out
    behind = hidden(s.eye, np.array([p.points(CORNERS * p.size) for p in left]), blockers)
    return {p.code: out[p.code] for p, b in zip(left, behind, strict=True) if not b}


def hidden(eye: Array, points: Array, blockers: Sequence[Blocker]) -> NDArray[np.bool_]:
    """Whether more than half of a tag's ``points`` (m, n, 3) stand behind something, (m,)."""
    behind = np.zeros(points.shape[:2], bool)
    for b in blockers:
        behind |= _behind(eye, points, b)
    return np.asarray(behind.sum(axis=1) > points.shape[1] / 2)


def _behind(eye: Array, points: Array, b: Blocker) -> NDArray[np.bool_]:
    way = points - eye
    far = np.linalg.norm(way, axis=-1)
    if isinstance(b, Bar):
        near = eye + way * (1 - BESIDE / far)[..., None]
        return np.asarray(segment_distance(*(np.broadcast_to(x, way.shape) for x in (eye, near, b.a, b.b))) < b.radius)
    normal, at = (b.axle, b.centre) if isinstance(b, Ring) else (b.R[:, 2], b.at)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = ((at - eye) @ normal) / (way @ normal)
    cross = np.isfinite(share) & (share > 0) & (share < 1 - BESIDE / far)
    q = eye + np.where(cross, share, 0.0)[..., None] * way - at
    if isinstance(b, Ring):
        d = np.linalg.norm(q, axis=-1)
        return np.asarray(cross & (d < b.radius) & (d > TYRE_FROM * b.radius))
    return np.asarray(cross & (np.abs(q @ b.R[:, :2]) < b.half).all(axis=-1))
