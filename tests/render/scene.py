"""A believable picture of the vehicle in a workshop: rays against capsules and slabs, tags on top.

Shapes are shaded once a pixel; printed ink is drawn with the exact edges of tests.render.tags, masked by what
hides the paper. Light is added up linearly and encoded last, as in a phone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.targets import CELLS, PAPERS_MM
from tests.render.camera import Camera
from tests.render.tags import FINE, PAPER_CELLS, Height, blurred_to_pixels, pixel_box, tag_ink, tag_outline
from tests.render.truth import Pose, Shot, Truth

Array = NDArray[np.float64]
F32 = NDArray[np.float32]
Colour = tuple[float, float, float]  # linear red, green, blue

SUN = np.array([-0.35, 0.38, 0.86]) / np.linalg.norm([-0.35, 0.38, 0.86])
INK = 0.045
STEEL, DARK, RUBBER = (0.36, 0.38, 0.40), (0.05, 0.05, 0.055), (0.022, 0.022, 0.024)
PAINT, LEVER, PAPER, PLY, BRASS = (0.05, 0.16, 0.24), (0.42, 0.09, 0.05), (0.78, 0.78, 0.76), (0.42, 0.29, 0.17), \
    (0.45, 0.34, 0.13)


@dataclass(frozen=True)
class Capsule:
    """A round bar from a to b with ball ends."""

    a: Array
    b: Array
    radius: float
    colour: Colour
    gloss: float = 0.25


@dataclass(frozen=True)
class Slab:
    """A box: ``R`` its axes as columns, ``half`` its half sizes."""

    R: Array
    centre: Array
    half: Array
    colour: Colour
    gloss: float = 0.05


Shape = Capsule | Slab


@dataclass(frozen=True)
class Print:
    """Ink on the shape numbered ``paper``."""

    code: int
    edge: float
    pose: Pose
    centre: tuple[float, float]
    height: Height | None
    paper: int


@dataclass
class Scene:
    shapes: list[Shape]
    prints: list[Print]

    def bar(self, a: Array, b: Array, radius: float, colour: Colour, gloss: float = 0.25) -> None:
        self.shapes.append(Capsule(np.asarray(a, float), np.asarray(b, float), radius, colour, gloss))

    def slab(self, R: Array, centre: Array, size: tuple[float, float, float], colour: Colour) -> None:
        self.shapes.append(Slab(R, np.asarray(centre, float), np.asarray(size, float) / 2, colour))


def build_scene(truth: Truth, position: str) -> Scene:
    """Everything in view with the levers at ``position``; frame axes, mm."""
    s = Scene([], [])
    _frame(s, truth)
    _clutter(s)
    rig = truth.rig
    for name, body in rig.bodies.items():
        R, t = truth.flexed_pose(name, position)
        part = Scene([], [])
        pivot = np.asarray(body.pivot)
        if body.role == "lever":
            _lever(part, truth, name)
        elif body.role == "crank":
            for p in rig.points.values():
                if p.body == name:
                    part.bar(pivot * [1, 1, 0] + [0, 0, p.xyz[2] - 14], np.add(p.xyz, (0, 0, -14)), 7, PAINT)
            part.bar(pivot + [0, 0, -38], pivot + [0, 0, 8], 13, STEEL)
        elif body.role == "upright":
            _upright(part, truth, name)
        elif body.role == "wheel":
            _wheel(part, pivot, np.asarray(body.axis), truth.tags.get(name))
        s.shapes += [_moved(x, R, t) for x in part.shapes]
    for rod in rig.rods.values():
        ends = []
        for p in (rig.points[rod.a], rig.points[rod.b]):
            R, t = truth.flexed_pose(p.body, position)
            ends.append(R @ np.asarray(p.xyz) + t)
        a, b = ends
        d = (b - a) / np.linalg.norm(b - a)
        s.bar(a + 45 * d, b - 45 * d, rod.radius, STEEL, 0.5)
        for e, sign in ((a, 1), (b, -1)):
            s.bar(e, e + sign * 48 * d, 4, DARK)
            s.bar(e, e, 9, BRASS, 0.5)
    _tags(s, truth, position)
    return s


def _moved(x: Shape, R: Array, t: Array) -> Shape:
    if isinstance(x, Capsule):
        return Capsule(R @ x.a + t, R @ x.b + t, x.radius, x.colour, x.gloss)
    return Slab(R @ x.R, R @ x.centre + t, x.half, x.colour, x.gloss)


def _frame(s: Scene, truth: Truth) -> None:
    v = np.array
    for o in truth.rig.obstacles:
        if "chain" not in o.name:  # taken off for the measuring
            s.bar(v(o.a), v(o.b), o.radius, PAINT, 0.4)
    s.bar(v([-160, 0, 255]), v([-160, 0, 100]), 18, PAINT, 0.4)
    s.bar(v([20, 0, 100]), v([20, 0, 165]), 14, PAINT)
    for y in (1, -1):
        s.bar(v([10, 0, 112]), v([25, y * 285, 175]), 15, PAINT, 0.4)
        s.bar(v([25, y * 285, 175]), v([0, y * 306, 205]), 12, PAINT, 0.4)
    s.bar(v([-420, -96, 160]), v([-420, 96, 160]), 13, PAINT, 0.4)
    s.bar(v([-420, 0, 165]), v([-420, 0, 250]), 13, PAINT)
    s.bar(v([-1240, 0, 260]), v([-1240, 0, 60]), 16, PAINT)


def _lever(s: Scene, truth: Truth, name: str) -> None:
    body = truth.rig.bodies[name]
    out = 1.0 if body.side == "left" else -1.0
    p = np.asarray(body.pivot)
    hole = np.asarray(truth.rig.points[f"{name}.rod"].xyz)
    up = (hole - p) * [1, 0, 1]
    up /= np.linalg.norm(up)
    side = np.cross(up, [1.0, 0, 0])
    side /= np.linalg.norm(side)
    R = np.column_stack([np.cross(side, up), side, up])
    foot = p + [0, -out * 9, 0]
    s.slab(R, foot + up * 60, (30, 6, 150), STEEL)
    s.bar(p + [0, -out * 14, 0], p + [0, out * 10, 0], 15, STEEL)
    knee = foot + up * 132
    elbow = foot + up * 215 + np.array([0, out * 48, 0])
    s.bar(foot + up * 110, knee, 13, LEVER, 0.4)
    s.bar(knee, elbow, 13, LEVER, 0.4)
    s.bar(elbow, elbow + up * 130, 13, LEVER, 0.4)
    s.bar(elbow + up * 130, elbow + up * 235, 17, RUBBER, 0.05)
    tag = truth.tags.get(name)
    if tag is not None:
        s.bar(elbow + up * 25, tag[1] - tag[0][:, 2] * 12, 6, STEEL)


def _upright(s: Scene, truth: Truth, name: str) -> None:
    rig = truth.rig
    body = rig.bodies[name]
    p, a = np.asarray(body.pivot), np.asarray(body.axis)
    s.bar(p - 48 * a, p + 36 * a, 14, STEEL, 0.4)
    wheel = next(w for w in rig.wheels.values() if w.upright == name)
    s.bar(p, np.asarray(wheel.centre), 8, STEEL)
    arm = np.asarray(rig.points[f"{name}.arm"].xyz)
    s.bar(p - 35 * a, arm + [0, 0, -15], 7, STEEL)
    tag = truth.tags.get(name)
    if tag is not None:
        s.bar(p + 36 * a, tag[1] - tag[0][:, 2] * 12, 6, STEEL)


def _wheel(s: Scene, c: Array, axis: Array, tag: Pose | None) -> None:
    e = np.cross(axis, [0, 0, 1.0])
    e /= np.linalg.norm(e)
    f = np.cross(e, axis)
    n = 44
    ring = [np.cos(w) * e + np.sin(w) * f for w in 2 * np.pi * np.arange(n + 1) / n]
    for k in range(n):
        s.bar(c + 220 * ring[k], c + 220 * ring[k + 1], 20, RUBBER, 0.03)
        s.bar(c + 197 * ring[k], c + 197 * ring[k + 1], 7, STEEL, 0.5)
    for k in range(20):
        flange = c + axis * (20 if k % 2 else -20) + 22 * ring[(2 * k + 3) % n]
        s.bar(flange, c + 195 * ring[(k * n) // 20], 1.1, STEEL, 0.6)
    s.bar(c - 24 * axis, c + 24 * axis, 20, DARK, 0.4)
    if tag is not None:
        R, t = tag
        s.bar(c + 24 * R[:, 2], t - R[:, 2] * 10, 6, DARK)


def _clutter(s: Scene) -> None:
    rng = np.random.default_rng(11)
    crates: list[tuple[float, float, float, float, float, Colour]] = [
        (520, 470, 240, 160, 110, (0.38, 0.26, 0.15)), (560, -430, 180, 220, 60, (0.12, 0.2, 0.35)),
        (-860, 420, 200, 140, 90, (0.3, 0.3, 0.28)), (-820, -520, 230, 170, 40, (0.4, 0.12, 0.1)),
        (-760, -480, 160, 110, 80, (0.5, 0.45, 0.2)), (250, 760, 150, 120, 35, (0.15, 0.3, 0.18)),
        (-330, -800, 220, 150, 28, (0.2, 0.22, 0.3))]
    for x, y, w, d, h, colour in crates:
        turn = rng.uniform(-0.6, 0.6)
        R = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
        s.slab(R, np.array([x, y, h / 2]), (w, d, h), colour)
    run = np.cumsum(rng.normal(0, 0.45, 40))
    path = np.column_stack([-300 + 26 * np.cumsum(np.cos(run)), 560 + 26 * np.cumsum(np.sin(run)),
                            np.full(40, 4.0)])
    for a, b in zip(path[:-1], path[1:], strict=True):
        s.bar(a, b, 4, DARK)
    s.bar(np.array([380, -640, 40.0]), np.array([380, -640, 60.0]), 38, (0.5, 0.5, 0.46))
    s.bar(np.array([420, 300, 8.0]), np.array([520, 250, 8.0]), 7, LEVER)
    s.bar(np.array([520, 250, 8.0]), np.array([600, 212, 8.0]), 3.5, STEEL)


def _tags(s: Scene, truth: Truth, position: str) -> None:
    def sheet(code: int | None, edge: float, R: Array, t: Array, w: float, h: float, plate: float,
              height: Height | None = None) -> int:
        s.shapes.append(Slab(R, t - R[:, 2] * 0.3, np.array([w / 2, h / 2, 0.3]), PAPER))
        number = len(s.shapes) - 1
        s.slab(R, t - R[:, 2] * (0.7 + plate / 2), (w + 4, h + 4, plate), PLY)
        if code is not None:
            s.prints.append(Print(code, edge, (R, t), (0.0, 0.0), height, number))
        return number

    rig = truth.rig
    for name, tag in rig.tags.items():
        R, t = truth.tag_pose(name, position)
        edge = tag.size * truth.scale
        side = edge * (1 + 2 * PAPER_CELLS / CELLS)
        sheet(tag.code, edge, R, t, side, side, 3.0 if tag.centres_on else 6.0,
              partial(truth.tag_height, name) if name in truth.warps else None)
        if tag.centres_on:
            p = rig.points[tag.centres_on]
            Q, q = truth.flexed_pose(p.body, position)
            s.bar(Q @ np.asarray(p.xyz) + q, t - R[:, 2] * 9, 6, STEEL)
    R, t = truth.board_pose
    w, h = PAPERS_MM[truth.board.paper]
    paper = sheet(None, 0.0, R, t, w, h, 9.0)
    for code, c in truth.board.tag_centres().items():
        centre = (float(c[0] * truth.scale), float(c[1] * truth.scale))
        s.prints.append(Print(code, truth.board.tag_mm * truth.scale, (R, t), centre, truth.board_height, paper))


# --- rays ---


def _hit(shape: Shape, o: F32, d: F32) -> F32:
    """Distance along unit rays to a shape, inf where missed. ``o`` (3,) or like ``d`` (..., 3)."""
    if isinstance(shape, Slab):
        R = shape.R.astype(np.float32)
        lo = (o - shape.centre.astype(np.float32)) @ R
        ld = d @ R
        ld = np.where(np.abs(ld) < 1e-7, np.float32(1e-7), ld)
        near = (-np.sign(ld) * shape.half.astype(np.float32) - lo) / ld
        far = (np.sign(ld) * shape.half.astype(np.float32) - lo) / ld
        t0, t1 = near.max(axis=-1), far.min(axis=-1)
        return np.where((t0 < t1) & (t0 > 0), t0, np.float32(np.inf)).astype(np.float32)
    a, ba = shape.a.astype(np.float32), (shape.b - shape.a).astype(np.float32)
    oa = o - a
    r2 = np.float32(shape.radius**2)
    out = np.full(d.shape[:-1], np.inf, np.float32)
    baba = float(ba @ ba)
    rdoa, oaoa = np.sum(d * oa, axis=-1), np.sum(oa * oa, axis=-1)
    if baba > 1e-6:
        bard, baoa = d @ ba, oa @ ba
        A = baba - bard * bard
        B = baba * rdoa - baoa * bard
        C = baba * oaoa - baoa * baoa - r2 * baba
        disc = B * B - A * C
        ok = disc > 0
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (-B - np.sqrt(np.maximum(disc, 0))) / A
            y = baoa + t * bard
        out = np.where(ok & (y > 0) & (y < baba), t, np.float32(np.inf)).astype(np.float32)
    for end in (shape.a, shape.b):
        oe = o - end.astype(np.float32)
        b = np.sum(d * oe, axis=-1)
        disc = b * b - np.sum(oe * oe, axis=-1) + r2
        t = -b - np.sqrt(np.maximum(disc, 0))
        out = np.where((disc > 0) & (t > 0) & (t < out), t, out).astype(np.float32)
    return out


def _corners(shape: Shape) -> Array:
    signs = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float)
    if isinstance(shape, Slab):
        return shape.centre + (signs * shape.half) @ shape.R.T
    # eight corners of the box round each ball end
    return np.concatenate([end + signs * shape.radius for end in (shape.a, shape.b)])


def _normal(shape: Shape, x: F32) -> F32:
    if isinstance(shape, Slab):
        local = (x - shape.centre.astype(np.float32)) @ shape.R.astype(np.float32) / shape.half.astype(np.float32)
        k = np.abs(local).argmax(axis=-1)
        n = shape.R.T[k] * np.sign(np.take_along_axis(local, k[:, None], axis=1))
        return n.astype(np.float32)
    a, ba = shape.a.astype(np.float32), (shape.b - shape.a).astype(np.float32)
    h = np.clip((x - a) @ ba / max(float(ba @ ba), 1e-6), 0, 1)
    return ((x - a - h[:, None] * ba) / shape.radius).astype(np.float32)


@dataclass(frozen=True)
class ShadowMap:
    """Distance of the first thing the light meets, on a grid square to it."""

    axes: Array  # (3, 3) rows: across, down, along the light
    corner: Array  # (2,) mm
    depth: F32
    step: float

    def lit(self, x: F32, rng: np.random.Generator) -> F32:
        """Share of light reaching points (n, 3): eight looks in a small disc."""
        q = x @ self.axes.T.astype(np.float32)
        total = np.zeros(len(x), np.float32)
        h, w = self.depth.shape
        angle = rng.uniform(0, 2 * np.pi, len(x)).astype(np.float32)
        for k in range(8):
            r = 4.5 * np.sqrt((k + 0.5) / 8)
            a = angle + 2.4 * k
            i = ((q[:, 0] - self.corner[0] + r * np.cos(a)) / self.step).astype(np.int32)
            j = ((q[:, 1] - self.corner[1] + r * np.sin(a)) / self.step).astype(np.int32)
            inside = (i >= 0) & (j >= 0) & (i < w) & (j < h)
            d = self.depth[np.clip(j, 0, h - 1), np.clip(i, 0, w - 1)]
            total += ~inside | (q[:, 2] < d + 6)
        return np.asarray(total / 8, np.float32)


def shadow_map(scene: Scene, step: float = 1.5) -> ShadowMap:
    """Seen from the light, parallel rays."""
    z = -SUN
    x = np.cross([0, 1.0, 0], z)
    x /= np.linalg.norm(x)
    axes = np.stack([x, np.cross(z, x), z])
    everything = np.concatenate([_corners(s) for s in scene.shapes]) @ axes.T
    lo, hi = np.maximum(everything.min(axis=0), -1500), np.minimum(everything.max(axis=0), 1500)
    w, h = (np.ceil((hi[:2] - lo[:2]) / step)).astype(int)
    depth = np.full((h, w), np.float32(1e9))
    start = lo[2] - 100
    for shape in scene.shapes:
        c = _corners(shape) @ axes.T
        i0, j0 = np.maximum(np.floor((c[:, :2].min(axis=0) - lo[:2]) / step).astype(int), 0)
        i1, j1 = np.minimum(np.ceil((c[:, :2].max(axis=0) - lo[:2]) / step).astype(int) + 1, [w, h])
        if i1 <= i0 or j1 <= j0:
            continue
        i, j = np.meshgrid(np.arange(i0, i1), np.arange(j0, j1))
        o = (lo[0] + (i + 0.5) * step)[..., None] * axes[0] + (lo[1] + (j + 0.5) * step)[..., None] * axes[1] \
            + start * axes[2]
        t = _hit(shape, o.astype(np.float32), np.broadcast_to(z.astype(np.float32), o.shape)) + np.float32(start)
        view = depth[j0:j1, i0:i1]
        np.minimum(view, t, out=view)
    return ShadowMap(axes, lo[:2], depth, step)


def _floor(x: F32) -> F32:
    """Linear colour of a worn wooden floor at points (n, 3)."""
    rng = np.random.default_rng(3)
    white = rng.normal(0, 1, (512, 512)).astype(np.float32)
    grain = np.asarray(cv2.GaussianBlur(white, (0, 0), sigmaX=14, sigmaY=2.5), np.float32)
    grain = grain / grain.std()
    i, j = (x[:, 0] / 2.0).astype(np.int32) % 512, (x[:, 1] / 2.0).astype(np.int32) % 512
    plank = np.floor(x[:, 1] / 118.0).astype(np.int32)
    tone = np.random.default_rng(4).uniform(0.85, 1.12, 64).astype(np.float32)[plank % 64]
    seam = np.abs(x[:, 1] / 118.0 - np.floor(x[:, 1] / 118.0) - 0.5) > 0.487
    value = tone * (1 + 0.07 * grain[(j + 37 * plank) % 512, i]) * np.where(seam, 0.45, 1.0)
    return np.asarray(value[:, None] * np.array([0.30, 0.22, 0.15]), np.float32)


@dataclass(frozen=True)
class View:
    """What each pixel sees: linear colour (h, w, 3), shape number (h, w; -1 floor, -2 nothing)."""

    colour: F32
    shape: NDArray[np.int32]


def see(scene: Scene, camera: Camera, shadows: ShadowMap, rng: np.random.Generator) -> View:
    """Trace and shade one picture, one ray a pixel."""
    w, h = camera.lens.width, camera.lens.height
    coarse = 8  # rays are smooth: exact on every eighth pixel, interpolated between (shapes only, not ink)
    u, v = np.meshgrid(np.arange(-coarse, w + 2 * coarse, coarse, dtype=float),
                       np.arange(-coarse, h + 2 * coarse, coarse, dtype=float))
    gu, gv = np.meshgrid(np.arange(w, dtype=np.float32) / coarse + 1, np.arange(h, dtype=np.float32) / coarse + 1)

    def everywhere(a: Array) -> F32:
        """Camera axes on the coarse grid (..., 3) to frame axes at every pixel."""
        return np.asarray(cv2.remap(a.astype(np.float32), gu, gv, cv2.INTER_LINEAR) @ camera.R.astype(np.float32))

    origin, way = camera.sight(u, v)
    d = everywhere(way)
    d = d / np.linalg.norm(d, axis=-1, keepdims=True)
    o = camera.centre.astype(np.float32)
    if camera.sweep is not None:
        o = o + everywhere(origin)
    with np.errstate(divide="ignore"):
        depth = np.where(d[..., 2] < -1e-4, -o[..., 2] / d[..., 2], np.float32(np.inf)).astype(np.float32)
    seen = np.where(np.isfinite(depth), -1, -2).astype(np.int32)
    for k, shape in enumerate(scene.shapes):
        c = _corners(shape)
        if ((c @ camera.R.T + camera.t)[:, 2] < 60).any():
            continue
        box = pixel_box(camera.project(c), (w, h), 2)
        if box is None:
            continue
        u0, v0, u1, v1 = box
        t = _hit(shape, o if o.ndim == 1 else o[v0:v1, u0:u1], d[v0:v1, u0:u1])
        nearer = t < depth[v0:v1, u0:u1]
        depth[v0:v1, u0:u1][nearer] = t[nearer]
        seen[v0:v1, u0:u1][nearer] = k
    return View(_shade(scene, o, d, depth, seen, shadows, rng), seen)


def _shade(scene: Scene, o: F32, d: F32, depth: F32, seen: NDArray[np.int32], shadows: ShadowMap,
           rng: np.random.Generator) -> F32:
    colour = np.full(d.shape, 0.1, np.float32)
    flat = seen.ravel()
    order = np.argsort(flat, kind="stable")
    ids, starts = np.unique(flat[order], return_index=True)
    ends = np.append(starts[1:], len(order))
    rays, t, out = d.reshape(-1, 3), depth.ravel(), colour.reshape(-1, 3)
    origins = np.broadcast_to(o, d.shape).reshape(-1, 3)
    sun = SUN.astype(np.float32)
    for k, a, b in zip(ids, starts, ends, strict=True):
        if k == -2:
            continue
        at = order[a:b]
        x = origins[at] + rays[at] * t[at][:, None]
        if k == -1:
            n = np.broadcast_to(np.array([0, 0, 1], np.float32), x.shape)
            base, gloss = _floor(x), 0.02
        else:
            shape = scene.shapes[int(k)]
            n = _normal(shape, x)
            base, gloss = np.asarray(shape.colour, np.float32)[None], shape.gloss
        lit = shadows.lit(x, rng)
        facing = np.maximum(n @ sun, 0) * lit
        sky = 0.5 + 0.5 * n[:, 2]  # an even ceiling
        half = sun - rays[at]
        half /= np.linalg.norm(half, axis=1, keepdims=True)
        shine = gloss * np.maximum(np.sum(n * half, axis=1), 0) ** 24 * lit
        light = 0.62 * facing[:, None] * np.array([1.04, 1.0, 0.93], np.float32) \
            + (0.20 + 0.28 * sky)[:, None] * np.array([0.95, 1.0, 1.06], np.float32)
        out[at] = base * light + shine[:, None]
    return colour


def photograph(truth: Truth, shot: Shot, rng: np.random.Generator, *, blur: float = 0.8, exposure: float = 0.95,
               read_noise: float = 1.4, shot_noise: float = 0.017, sharpened: float = 0.0,
               scene: Scene | None = None, shadows: ShadowMap | None = None
               ) -> tuple[NDArray[np.uint8], dict[int, float]]:
    """One photo, (h, w, 3) red green blue in the sensor frame, and for each code the share of it in view.

    ``blur`` lens sigma px; grey noise variance is read_noise^2 + shot_noise * grey level; ``sharpened`` is how much
    of the picture less its own blur (1.5 px) a phone adds to it, which leaves a halo at every edge.
    """
    scene = scene or build_scene(truth, shot.position)
    shadows = shadows or shadow_map(scene)
    camera = shot.camera
    view = see(scene, camera, shadows, rng)
    w, h = camera.lens.width, camera.lens.height
    picture = np.asarray(cv2.GaussianBlur(view.colour, (0, 0), blur), np.float32)
    inked: dict[int, float] = {}
    rim = int(np.ceil(4 * blur)) + 2
    layers: list[tuple[tuple[int, int, int, int], F32]] = []
    for p in scene.prints:
        R, t = p.pose
        to = camera.centre - t
        if R[:, 2] @ to < 0.05 * np.linalg.norm(to):
            inked[p.code] = 0.0
            continue
        outline = tag_outline(p.edge, R, t + R[:, :2] @ np.asarray(p.centre))
        whole = pixel_box(camera.project(outline), (10**6, 10**6), 0)
        box = pixel_box(camera.project(outline), (w, h), rim)
        if box is None:
            inked[p.code] = 0.0
            continue
        u0, v0, u1, v1 = box
        ink, paper = tag_ink(camera, p.code, p.edge, R, t, box, centre=p.centre, height=p.height)
        mine = (view.shape[v0:v1, u0:u1] == p.paper).repeat(FINE, 0).repeat(FINE, 1)
        inside = camera.project(outline)
        cut = (inside < 1).any() or (inside[:, 0] > w - 2).any() or (inside[:, 1] > h - 2).any()
        inked[p.code] = 0.0 if whole is None or cut else float((mine * paper).sum() / max(paper.sum(), 1.0))
        layers.append((box, ((1 - INK / PAPER[1]) * ink * mine).astype(np.float32)))
    for (u0, v0, u1, v1), taken in layers:  # what ink takes away adds up, where neighbours share a rim too
        base = view.colour[v0:v1, u0:u1]
        for c in range(3):
            fine = base[..., c].repeat(FINE, 0).repeat(FINE, 1)
            lost = blurred_to_pixels((fine * taken).astype(float), blur)
            picture[v0:v1, u0:u1, c] -= lost.astype(np.float32)
    u, v = np.meshgrid(np.linspace(-1, 1, w, dtype=np.float32), np.linspace(-h / w, h / w, h, dtype=np.float32))
    picture *= (exposure * (1 - 0.22 * (u * u + v * v)))[..., None]
    grey = 255.0 * np.clip(picture, 0, 1) ** (1 / 2.2)
    noise = rng.standard_normal(grey.shape[:2], np.float32)[..., None] * 0.8 \
        + rng.standard_normal(grey.shape, np.float32) * 0.6
    grey += noise * np.sqrt(read_noise**2 + shot_noise * grey)
    if sharpened:
        grey += sharpened * (grey - cv2.GaussianBlur(grey, (0, 0), 1.5))
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8), inked
