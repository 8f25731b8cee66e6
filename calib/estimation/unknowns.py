"""The unknowns of the one estimate: where each sits in the vector, their values, and how a step changes them.

Everything is in the board frame (x right, y up as printed, z out of the paper; mm, rad) with all parts in
the straight-ahead position. Directions and rotations are stepped by small rotation vectors, so nothing is
over-parameterised: an axis has four unknowns, a tag six.

A ``loose`` layout also has, for each position, how each part stands off its hinge and all parts off the board; one
with ``fields`` what hand and lens do to the picture beyond pose and five terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.linkage.rotations import perpendiculars, rotation, skew
from calib.rig.model import FRAME, Rig

Array = NDArray[np.float64]

LENS_N, BOW_N = 9, 7
PRIVATE = 9  # pose 6 (turn, shift), df, dcx, dcy
HAND_N, LENS_WAVES = 6, 58  # with fields: a photo's hand (turn 3, drift 3 from first to last row); lens, see ``fields``
_STILL = np.eye(3)  # no turn; only read
OFF_N, FLEX_N = 5, 6  # a part off its hinge: tilt across the axis 2, shift 3; parts off the board: turn 3, shift 3


def bow_terms(flat: Array) -> Array:
    """What the board's paper may do off its plane at places (..., 2), drawn mm: (..., BOW_N) in units of 100 mm.

    x^2, y^2, xy for a bow and x^3, x^2 y, x y^2, y^3 for paper in an S.
    """
    x, y = flat[..., 0] / 100, flat[..., 1] / 100
    return np.stack([x * x, y * y, x * y, x**3, x * x * y, x * y * y, y**3], axis=-1)


@dataclass(frozen=True)
class Layout:
    """Names and slots of the shared unknowns."""

    rig: Rig
    tags: tuple[str, ...]  # part tags that were seen
    bodies: tuple[str, ...]  # bodies with unknown axes, parents first
    points: tuple[str, ...]
    rods: tuple[str, ...]
    positions: tuple[str, ...]
    angle_keys: tuple[tuple[str, str], ...]  # (body, position) without the reference position
    reference: str
    photos: tuple[str, ...]
    photo_positions: tuple[str, ...]
    loose: bool = False  # whether parts stand off their hinges and the board anew at each position
    fields: bool = False  # whether a hand that moves and a lens of more terms are allowed for

    @property
    def scale(self) -> int:
        return LENS_N

    @property
    def stretch(self) -> int:
        return LENS_N + 1

    @property
    def bow(self) -> slice:
        return slice(LENS_N + 2, LENS_N + 2 + BOW_N)

    @property
    def align(self) -> slice:
        return slice(LENS_N + 2 + BOW_N, LENS_N + 8 + BOW_N)

    def _start(self, group: int) -> int:
        sizes = [6 * len(self.tags), 4 * len(self.bodies), 3 * len(self.points), len(self.rods)]
        return LENS_N + 8 + BOW_N + sum(sizes[:group])

    def tag(self, name: str) -> slice:
        k = self._start(0) + 6 * self.tags.index(name)
        return slice(k, k + 6)

    def axis(self, body: str) -> slice:
        k = self._start(1) + 4 * self.bodies.index(body)
        return slice(k, k + 4)

    def point(self, name: str) -> slice:
        k = self._start(2) + 3 * self.points.index(name)
        return slice(k, k + 3)

    def rod(self, name: str) -> int:
        return self._start(3) + self.rods.index(name)

    @property
    def first_angle(self) -> int:
        return self._start(4)

    def angle(self, body: str, position: str) -> int | None:
        """Slot of a joint angle; None for the reference position, where it is zero."""
        if position == self.reference:
            return None
        return self.first_angle + self.angle_keys.index((body, position))

    @property
    def angles(self) -> slice:
        return slice(self.first_angle, self.first_angle + len(self.angle_keys))

    @cached_property
    def off_keys(self) -> tuple[tuple[str, str], ...]:
        """(body, position) of the parts that may stand off their hinges; wheels are turned by hand and do not count."""
        if not self.loose:
            return ()
        return tuple((b, p) for b in self.bodies if self.rig.bodies[b].role != "wheel" for p in self.positions)

    @cached_property
    def off_bodies(self) -> tuple[str, ...]:
        """The parts of ``off_keys``."""
        return tuple(dict.fromkeys(b for b, _ in self.off_keys))

    @cached_property
    def flex_keys(self) -> tuple[str, ...]:
        """Positions at which the parts may stand off the board."""
        return self.positions if self.loose and self.bodies else ()

    def off(self, body: str, position: str) -> slice:
        k = self.angles.stop + OFF_N * self.off_keys.index((body, position))
        return slice(k, k + OFF_N)

    def flex(self, position: str) -> slice:
        k = self.angles.stop + OFF_N * len(self.off_keys) + FLEX_N * self.flex_keys.index(position)
        return slice(k, k + FLEX_N)

    @property
    def waves(self) -> slice:
        """What the lens does beyond its five terms."""
        k = self.angles.stop + OFF_N * len(self.off_keys) + FLEX_N * len(self.flex_keys)
        return slice(k, k + LENS_WAVES * self.fields)

    @property
    def size(self) -> int:
        return self.waves.stop

    @property
    def private(self) -> int:
        """Unknowns of one photo."""
        return PRIVATE + HAND_N * self.fields

    def chain(self, body: str) -> tuple[str, ...]:
        """The body and what carries it, outermost first (parents before children)."""
        out: list[str] = []
        while body != FRAME:
            out.insert(0, body)
            body = self.rig.bodies[body].parent
        return tuple(out)


@dataclass(frozen=True)
class State:
    """Values of all unknowns."""

    lens: Array  # (9,)
    scale: float  # print scale across the sheet: true mm per nominal mm
    bow: Array  # (BOW_N,) mm at 100 mm, see bow_terms
    align_R: Array  # (3, 3) x_frame = align_R x_board + align_t
    align_t: Array
    tag_R: Array  # (n, 3, 3) tag frame to board frame
    tag_t: Array  # (n, 3)
    axis_p: Array  # (b, 3)
    axis_d: Array  # (b, 3) unit
    points: Array  # (q, 3)
    rods: Array  # (r,)
    angles: Array  # (a,)
    photo_R: Array  # (p, 3, 3) board to camera
    photo_t: Array  # (p, 3)
    df: Array  # (p,)
    dc: Array  # (p, 2)
    stretch: float = 1.0  # print scale along the sheet over that across it
    off: Array = field(default_factory=lambda: np.zeros((0, 6)))  # by Layout.off_keys: turn and shift off the hinge
    flex: Array = field(default_factory=lambda: np.zeros((0, 6)))  # by Layout.flex_keys: turn and shift of all parts
    waves: Array = field(default_factory=lambda: np.zeros(0))  # (LENS_WAVES,) px
    hand: Array = field(default_factory=lambda: np.zeros((0, HAND_N)))  # (p, 6) rad and mm over the frame

    @property
    def print_scale(self) -> Array:
        """True mm per nominal mm across (x) and along (y) the printed sheet, (2,)."""
        return self.scale * np.array([1.0, self.stretch])


def loosened(layout: Layout, s: State) -> tuple[Layout, State]:
    """The same with parts free to stand off their hinges and the board, which they do not yet."""
    loose = replace(layout, loose=True)
    return loose, replace(s, off=np.zeros((len(loose.off_keys), 6)), flex=np.zeros((len(loose.flex_keys), 6)))


def tightened(layout: Layout, s: State) -> tuple[Layout, State]:
    """The same with every part on its hinge and none off the board, a still hand and a lens of five terms."""
    return (replace(layout, loose=False, fields=False),
            replace(s, off=np.zeros((0, 6)), flex=np.zeros((0, 6)), waves=np.zeros(0), hand=np.zeros((0, HAND_N))))


def with_fields(layout: Layout, s: State) -> tuple[Layout, State]:
    """The same with hand and lens allowed for, which do nothing yet."""
    return replace(layout, fields=True), replace(s, waves=np.zeros(LENS_WAVES),
                                                 hand=np.zeros((len(layout.photos), HAND_N)))


def retract(layout: Layout, s: State, d: Array, dp: Array) -> State:
    """State after a step ``d`` (layout.size,) of the shared and ``dp`` (photos, private) of the private unknowns."""
    a = d[layout.align]
    dt = d[layout._start(0):layout._start(1)].reshape(-1, 6)
    da = d[layout._start(1):layout._start(2)].reshape(-1, 4)
    axis_d, axis_p = s.axis_d.copy(), s.axis_p.copy()
    across = [perpendiculars(d) for d in s.axis_d]
    for i in range(len(layout.bodies)):
        e = across[i]
        axis_d[i] = rotation(e @ da[i, :2]) @ s.axis_d[i]
        axis_p[i] = s.axis_p[i] + e @ da[i, 2:]
    return replace(
        s, lens=s.lens + d[:LENS_N], scale=s.scale + d[layout.scale],
        stretch=s.stretch + d[layout.stretch], bow=s.bow + d[layout.bow],
        align_R=rotation(a[:3]) @ s.align_R, align_t=s.align_t + a[3:],
        tag_R=rotation(dt[:, :3]) @ s.tag_R, tag_t=s.tag_t + dt[:, 3:], axis_p=axis_p, axis_d=axis_d,
        points=s.points + d[layout._start(2):layout._start(3)].reshape(-1, 3),
        rods=s.rods + d[layout._start(3):layout._start(4)], angles=s.angles + d[layout.angles],
        photo_R=rotation(dp[:, :3]) @ s.photo_R, photo_t=s.photo_t + dp[:, 3:6], df=s.df + dp[:, 6],
        dc=s.dc + dp[:, 7:9], **_shaken(layout, s, d, dp, across))


def _shaken(layout: Layout, s: State, d: Array, dp: Array, across: list[Array]) -> dict[str, Array]:
    """What a loose layout and one with fields have, after a step."""
    out = {"waves": s.waves + d[layout.waves], "hand": s.hand + dp[:, PRIVATE:]} if layout.fields else {}
    if not layout.loose:
        return out
    n = len(layout.off_keys)
    first = layout.angles.stop + OFF_N * n
    mine = d[layout.angles.stop:first].reshape(-1, OFF_N)
    off = s.off.copy()
    for k, (body, _) in enumerate(layout.off_keys):
        off[k, :3] += across[layout.bodies.index(body)] @ mine[k, :2]
    off[:, 3:] += mine[:, 2:]
    return {**out, "off": off, "flex": s.flex + d[first:layout.waves.start].reshape(-1, FLEX_N)}


class Motions:
    """Motions of all bodies at all positions for one state, with derivatives, each worked out once."""

    def __init__(self, layout: Layout, s: State) -> None:
        self.layout, self.state = layout, s
        self._where = {b: i for i, b in enumerate(layout.bodies)}
        self._slot = {key: layout.first_angle + i for i, key in enumerate(layout.angle_keys)}
        self._across = [perpendiculars(d) for d in s.axis_d]
        self._first_axis = layout._start(1)
        self._off = {key: i for i, key in enumerate(layout.off_keys)}
        self._flex = {p: i for i, p in enumerate(layout.flex_keys)}
        self._moved: dict[tuple[str, str], tuple[Array, Array]] = {}
        self._points: dict[tuple[int, str], Array] = {}
        self._derived: dict[tuple[str, str], tuple[Array, list[int]]] = {}
        self._carried: dict[tuple[str, str], tuple[Array, list[int]]] = {}
        self._seen: dict[tuple[str, str], tuple[Array, Array]] = {}
        self._hinges: dict[tuple[str, str], tuple[Array, Array, Array] | None] = {}
        self._bends: dict[str, tuple[Array, Array, Array]] = {}
        self._chains = {b: layout.chain(b) for b in layout.bodies}
        self._turns = dict(zip(layout.angle_keys, rotation(
            s.angles[:, None] * s.axis_d[[self._where[b] for b, _ in layout.angle_keys]]), strict=True)) \
            if layout.angle_keys else {}

    def motion(self, body: str, position: str) -> tuple[Array, Array]:
        """(R, t) taking straight-ahead board coordinates of a body to those at ``position``, on an unbent frame."""
        if (body, position) not in self._moved:
            r, t = _STILL, np.zeros(3)
            for name in self._chains.get(body, ()):
                now = self._hinge(name, position)
                if now is None:
                    continue
                q, w, shift = now
                c = self.state.axis_p[self._where[name]]
                r, t = r @ w @ q, r @ (c + shift - w @ (q @ c)) + t
            self._moved[body, position] = (r, t)
        return self._moved[body, position]

    def point(self, index: int, body: str, position: str) -> Array:
        """Board-frame place (3,) of a point of State.points, carried by its body to ``position``."""
        key = (index, position)
        if key not in self._points:
            r, t = self.motion(body, position)
            self._points[key] = r @ self.state.points[index] + t
        return self._points[key]

    def _hinge(self, name: str, position: str) -> tuple[Array, Array, Array] | None:
        """A hinge's own turn, and the tilt (3, 3) and shift of the part off it; None where it does not move."""
        key = (name, position)
        if key not in self._hinges:
            q, k = self._turns.get(key), self._off.get(key)
            if k is None:
                self._hinges[key] = None if q is None else (q, _STILL, np.zeros(3))
            else:
                self._hinges[key] = (_STILL if q is None else q, rotation(self.state.off[k, :3]),
                                     self.state.off[k, 3:])
        return self._hinges[key]

    def _bend(self, position: str) -> tuple[Array, Array, Array]:
        """What the frame gives between board and parts: turn (3, 3), skew matrix of its shift, and the twist (6, 6)
        of a step."""
        if position not in self._bends:
            turn, shift = self.state.flex[self._flex[position]].reshape(2, 3)
            off, last = skew(shift), np.zeros((6, 6))
            last[:3, :3] = _left(turn)
            last[3:, :3], last[3:, 3:] = off @ last[:3, :3], _STILL
            self._bends[position] = (rotation(turn), off, last)
        return self._bends[position]

    def seen(self, body: str, position: str) -> tuple[Array, Array]:
        """As ``motion``, as the board sees it: with what the frame gives between board and parts."""
        if (body, position) not in self._seen:
            r, t = self.motion(body, position)
            if position in self._flex:
                f = self._bend(position)[0]
                r, t = f @ r, f @ t + self.state.flex[self._flex[position], 3:]
            self._seen[body, position] = (r, t)
        return self._seen[body, position]

    def tag_place(self, tag: int, position: str) -> tuple[Array, Array]:
        """(R, t) taking tag coordinates to the board's at ``position``; ``tag`` is an index into Layout.tags."""
        r, t = self.seen(self._tag_body(tag), position)
        return r @ self.state.tag_R[tag], r @ self.state.tag_t[tag] + t

    def tag_places(self, pairs: Sequence[tuple[int, str]]) -> tuple[Array, Array]:
        """As ``tag_place``, of many (tag, position): (m, 3, 3) and (m, 3)."""
        r, t = (np.array(x) for x in zip(*(self.seen(self._tag_body(tag), at) for tag, at in pairs), strict=True))
        tags = [tag for tag, _ in pairs]
        return r @ self.state.tag_R[tags], (r @ self.state.tag_t[tags][:, :, None])[..., 0] + t

    def tag_twist(self, tag: int, position: str) -> tuple[Array, list[int]]:
        """Twist (w, v) in the board frame of a tag at a position, (6, m), over its slots (m,)."""
        own, body = self.layout.tag(self.layout.tags[tag]), self._tag_body(tag)
        r, t = self.seen(body, position)
        g, slots = self._seen_derivative(body, position)
        return (np.concatenate([_own_twist(r, r @ self.state.tag_t[tag] + t), g], axis=1),
                [*range(own.start, own.stop), *slots])

    def tag_twists(self, pairs: Sequence[tuple[int, str]]) -> tuple[Array, NDArray[np.intp]]:
        """As ``tag_twist``, of many (tag, position): (m, 6, width) over slots (m, width).

        Those over fewer slots are filled up with zeros, over the slot Layout.size. The slots are those of any state.
        """
        keys = [(self._tag_body(tag), at) for tag, at in pairs]
        r, t = (np.array(x) for x in zip(*(self.seen(*key) for key in keys), strict=True))
        tags = np.array([tag for tag, _ in pairs])
        carried = [self._seen_derivative(*key) for key in keys]
        width = 6 + max(len(slots) for _, slots in carried)
        of, index = np.zeros((len(pairs), 6, width)), np.full((len(pairs), width), self.layout.size)
        of[:, :, :6] = _own_twist(r, (r @ self.state.tag_t[tags][:, :, None])[..., 0] + t)
        index[:, :6] = self.layout._start(0) + 6 * tags[:, None] + np.arange(6)
        for k, (g, slots) in enumerate(carried):
            of[k, :, 6:6 + len(slots)], index[k, 6:6 + len(slots)] = g, slots
        return of, index

    def _seen_derivative(self, body: str, position: str) -> tuple[Array, list[int]]:
        """As ``derivative``, of ``seen``; worked out once for all tags of a part."""
        if (body, position) not in self._carried:
            g, slots = self.derivative(body, position)
            if position in self._flex:
                f, off, last = self._bend(position)
                turned = f @ g[:3]
                g = np.concatenate([np.concatenate([turned, f @ g[3:] + off @ turned]), last], axis=1)
                flex = self.layout.flex(position)
                slots = [*slots, *range(flex.start, flex.stop)]
            self._carried[body, position] = (g, slots)
        return self._carried[body, position]

    def _tag_body(self, tag: int) -> str:
        return self.layout.rig.tags[self.layout.tags[tag]].body

    def derivative(self, body: str, position: str) -> tuple[Array, list[int]]:
        """Derivative of a body's ``motion`` as a twist, and the slots it refers to.

        Returns G (6, m) and slots (m,): a step d[slots] moves a board-frame point X of the body (already at
        ``position``) by v + w x X with (w, v) = G d[slots]. The axis unknowns are a small turn (2) about
        the perpendiculars of the axis and a shift (2) along them.
        """
        if (body, position) not in self._derived:
            self._derived[body, position] = self._derive(body, position)
        return self._derived[body, position]

    def _derive(self, body: str, position: str) -> tuple[Array, list[int]]:
        s = self.state
        blocks: list[Array] = []
        slots: list[int] = []
        r, t = _STILL, np.zeros(3)
        for name in self._chains.get(body, ()):
            now = self._hinge(name, position)
            if now is None:
                continue
            q, w, shift = now
            i = self._where[name]
            c, e, rw, wq = s.axis_p[i], self._across[i], r @ w, w @ q
            cross, k = skew(r @ (c + shift) + t), self._first_axis + 4 * i
            turning = (name, position) in self._slot
            g = np.zeros((6, 5 if turning else 4))
            if turning:
                g[:3, 0] = rw @ s.axis_d[i]
                slots.append(self._slot[name, position])
            g[:3, -4:-2] = rw @ (_STILL - q) @ e  # R(a) changes by the twist (I - Q) dpsi about c
            g[3:] = cross @ g[:3]
            g[3:, -2:] = r @ (_STILL - wq) @ e
            slots += [k, k + 1, k + 2, k + 3]
            blocks.append(g)
            if (name, position) in self._off:
                own, h = self.layout.off(name, position), np.zeros((6, OFF_N))
                h[:3, :2] = r @ _left(s.off[self._off[name, position], :3]) @ e
                h[3:] = cross @ h[:3]
                h[3:, 2:] = r
                blocks.append(h)
                slots += range(own.start, own.stop)
            r, t = r @ wq, r @ (c + shift - wq @ c) + t
        return (np.concatenate(blocks, axis=1) if blocks else np.zeros((6, 0))), slots


def _own_twist(r: Array, centre: Array) -> Array:
    """Twists (..., 6, 6) of tags' own steps; ``r`` (..., 3, 3) of their part, ``centre`` (..., 3), board frame."""
    out = np.zeros((*centre.shape[:-1], 6, 6))
    out[..., :3, :3] = out[..., 3:, 3:] = r
    out[..., 3:, :3] = skew(centre) @ r  # w x X about the tag's middle: v = -w x centre = centre x w
    return out


def _left(turn: Array) -> Array:
    """What a small step of a rotation vector (3,) turns by, (3, 3), to the second order in the small ``turn``."""
    k = skew(turn)
    return _STILL + k / 2 + k @ k / 6
