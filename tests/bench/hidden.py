"""Half-hidden tags: how many a second look finds, how far off its corners are, and what it takes for a tag.

Tags drawn with exact edges through a camera (tests/render), spokes, rods and tyres drawn over them before the lens's
blur, noise as in the sample. The expected places are off by a pixel or two, a little turned and scaled, as a first
estimate leaves them. A saddle counts as visible where nothing stands within half a cell of it.

Run: OMP_NUM_THREADS=1 python -m tests.bench.hidden [cases of each kind, default 100]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.hidden import find_again
from capture.shoot import read_tags
from capture.targets import BOARD_IDS, CELLS, PART_IDS, SADDLES, Board, saddle_points
from tests.bench.detection import KINDS, SIZE, clutter
from tests.render.camera import Camera, Lens
from tests.render.tags import BLACK, FINE, WHITE, blurred_to_pixels, tag_ink
from tests.render_tag import facing

Gray = NDArray[np.uint8]
F64 = NDArray[np.float64]
TAG_MM = 60.0
SIDE = 320  # px of a picture
PARTS = np.array(PART_IDS)
SPOKES, RODS, TYRE, BALL = "spokes", "rods", "tyre", "ball"


@dataclass(frozen=True)
class Picture:
    """A grey picture, the code and places expected in it, and what is there."""

    gray: Gray
    code: int
    expected: F64  # (32, 2) px
    true: F64  # (32, 2) px
    visible: NDArray[np.bool_]  # (32,)


def camera(rng: np.random.Generator) -> Camera:
    """A phone's lens, 2,000 to 3,000 px of focal length, the tag being near the middle of a cut-out of its picture."""
    dist = np.array([0.05, -0.1, 3e-4, -2e-4, 0.02])
    off = rng.uniform(-900, 900, 2)
    centre = SIDE / 2 + off
    lens = Lens(float(rng.uniform(2000, 3000)), 1.0, float(centre[0]), float(centre[1]), dist, SIDE, SIDE)
    return Camera(lens, np.eye(3), np.zeros(3), 0.0, np.zeros(2))


def _thing(kind: str, size: int, rng: np.random.Generator) -> tuple[F64, F64]:
    """Cover (0 to 1) and tone of one thing in front, on a square picture, ``size`` px across for a tag of 0.4 of it."""
    cover, tone = np.zeros((size, size), np.float32), np.zeros((size, size), np.float32)
    mid = size / 2 + rng.uniform(-0.18, 0.18, 2) * size
    way = rng.uniform(0, np.pi)
    d = np.array([np.cos(way), np.sin(way)])
    y, x = np.mgrid[0:size, 0:size]
    across = (x - mid[0]) * -d[1] + (y - mid[1]) * d[0]
    if kind == SPOKES:
        half, bright = rng.uniform(0.002, 0.006) * size, rng.uniform(60, 220)
    elif kind == RODS:
        half, bright = rng.uniform(0.02, 0.05) * size, rng.uniform(50, 190)
    elif kind == BALL:
        across = np.hypot(x - mid[0], y - mid[1])
        half, bright = rng.uniform(0.05, 0.10) * size, rng.uniform(20, 170)
    else:  # a tyre, curved a little, covering one side
        radius = rng.uniform(0.8, 2.0) * size
        centre = mid + np.array([-d[1], d[0]]) * (radius + rng.uniform(-0.02, 0.22) * size)
        across = np.hypot(x - centre[0], y - centre[1]) - (radius - 0.6 * radius / 2)
        half, bright = 0.3 * radius, rng.uniform(15, 50)
    cover[:] = np.clip(half - np.abs(across) + 0.5, 0, 1)
    tone[:] = bright * (1 - 0.5 * (across / max(half, 1e-6))**2)  # round things darken towards their edges
    return cover.astype(np.float64), np.clip(tone, 3, 250).astype(np.float64)


def picture(rng: np.random.Generator, things: tuple[str, ...] = (), drawn: int | None = None, slip_mm: float = 0.0,
            visible: tuple[int, int] = (0, SADDLES)) -> Picture:
    """A tag in the middle with ``things`` in front and so many saddles ``visible``; ``drawn``: another's code."""
    code = int(rng.choice(PARTS))
    pts = saddle_points(TAG_MM)
    while True:
        cam = camera(rng)
        cell = float(rng.uniform(6, 14))
        R = facing(float(rng.uniform(0, 55)), float(rng.uniform(0, 360)), float(rng.uniform(0, 360)))
        ray = np.array([*np.array(cam.normalised(np.array(SIDE / 2), np.array(SIDE / 2))), 1.0])
        t = ray * cam.fx * TAG_MM / (CELLS * cell)
        slip = slip_mm * np.array([np.cos(a := rng.uniform(0, 2 * np.pi)), np.sin(a)])
        there = t + R[:, :2] @ slip
        true = cam.project(np.c_[pts, np.zeros(SADDLES)] @ R.T + there)
        cover, tone = _in_front(things, true, cell, rng)
        seen = _visible(cam, R, there, cover)
        if visible[0] <= seen.sum() <= visible[1]:
            break
    # what the estimate expects: the tag where it was before it slipped, a pixel or two off
    turn, scale = np.deg2rad(rng.normal(0, 0.15)), 1 + rng.normal(0, 0.002)
    spun = scale * pts @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    expected = cam.project(np.c_[spun, np.zeros(SADDLES)] @ R.T + t) + rng.normal(0, 0.8, 2)
    ink, paper = tag_ink(cam, code if drawn is None else drawn, TAG_MM, R, there, (0, 0, SIDE, SIDE))
    wide = SIDE * FINE
    behind = np.asarray(cv2.resize(rng.uniform(50, 170, (7, 7)), (wide, wide), interpolation=cv2.INTER_CUBIC), float)
    light = 1 + 0.25 * rng.uniform(-1, 1) * np.linspace(-1, 1, wide)[None]
    fine = behind * (1 - paper) + paper * (WHITE + (BLACK - WHITE) * ink) * light
    fine = fine * (1 - cover) + cover * tone
    return Picture(_exposed(blurred_to_pixels(fine, float(rng.uniform(0.7, 1.0))), rng), code, expected, true, seen)


def _exposed(image: F64, rng: np.random.Generator) -> Gray:
    """With the sample's noise, and whole grey levels."""
    noisy = image + rng.standard_normal(image.shape) * np.sqrt(1.4**2 + 0.017 * np.maximum(image, 0))
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def _in_front(things: tuple[str, ...], true: F64, cell: float, rng: np.random.Generator) -> tuple[F64, F64]:
    """Cover and tone of all things, at FINE samples a pixel."""
    wide, size = SIDE * FINE, int(10 * cell * FINE / 0.4)
    at = np.rint((true.mean(axis=0) + 0.5) * FINE - size / 2)
    move = np.array([[1.0, 0, at[0]], [0, 1.0, at[1]]])
    all_cover, all_tone = np.zeros((wide, wide)), np.zeros((wide, wide))
    for kind in things:
        cover, tone = (np.asarray(cv2.warpAffine(a, move, (wide, wide)), float) for a in _thing(kind, size, rng))
        all_tone = all_tone * (1 - cover) + tone * cover
        all_cover = np.maximum(all_cover, cover)
    return all_cover, all_tone / np.maximum(all_cover, 1e-6)


def _visible(cam: Camera, R: F64, t: F64, covered: F64) -> NDArray[np.bool_]:
    """Saddles with nothing in front within half a cell, looked at on rings in the tag's plane."""
    turn = np.linspace(0, 2 * np.pi, 25)[:-1]
    rings = np.concatenate([[[0, 0]], *(r * np.column_stack([np.cos(turn), np.sin(turn)])
                                       for r in TAG_MM / CELLS * np.array([0.12, 0.25, 0.37, 0.5]))])
    about = saddle_points(TAG_MM)[:, None] + rings
    uv = cam.project(np.concatenate([about, np.zeros((*about.shape[:2], 1))], axis=2) @ R.T + t)
    at = np.clip(np.rint((uv + 0.5) * FINE - 0.5).astype(int), 0, np.array(covered.shape[::-1]) - 1)
    return np.asarray((covered[at[..., 1], at[..., 0]] < 0.02).all(axis=1), bool)


def half_hidden(seed: int, low: int, high: int, slip_mm: float = 0.0, drawn: int | None = None) -> Picture:
    """A tag with ``low`` to ``high`` saddles visible behind things of a kind that goes by the seed."""
    rng = np.random.default_rng([seed, low, 17])
    kinds = ((SPOKES,) * 2, (RODS,), (TYRE,), (SPOKES,) * 4, (RODS, SPOKES), (BALL, SPOKES), (TYRE, SPOKES, SPOKES),
             (RODS, RODS), (BALL, RODS))[seed % 9]
    return picture(rng, kinds, drawn, slip_mm, (low, high))


def absent(seed: int) -> Picture:
    """A tag expected where there is none: clutter of some kind, a bare plate, plain checks of that very size."""
    rng = np.random.default_rng([seed, 5])
    p = picture(rng)
    kinds = [k for k, draw in KINDS.items() if draw]
    kind = seed % (len(kinds) + 2)
    if kind < len(kinds):
        gray = clutter(kinds[kind], rng)
        assert gray is not None
        left, top = (np.array(SIZE) - SIDE) // 2
        cut = np.ascontiguousarray(gray[top:top + SIDE, left:left + SIDE])
        return Picture(cut, p.code, p.expected, p.true, p.visible)
    h, _ = cv2.findHomography(saddle_points(float(CELLS)), p.true, 0)
    y, x = np.mgrid[0:SIDE * 3, 0:SIDE * 3]
    q = np.stack([(x + 0.5) / 3 - 0.5, (y + 0.5) / 3 - 0.5, np.ones(x.shape)], axis=-1) @ np.linalg.inv(h).T
    cell = q[..., :2] / q[..., 2:]
    on = (np.abs(cell) < 6).all(axis=-1)
    check = np.floor(cell + 10).astype(int).sum(axis=-1) % 2 if kind == len(kinds) else np.ones(on.shape)
    fine = np.where(on, np.where(check > 0, WHITE, BLACK), 110.0)
    image = np.asarray(cv2.GaussianBlur(fine, (0, 0), 2.4)).reshape(SIDE, 3, SIDE, 3).mean(axis=(1, 3))
    return Picture(_exposed(image, rng), p.code, p.expected, p.true, p.visible)


def another(seed: int) -> Picture:
    """Another tag of the family stuck on in its place, every other time half hidden."""
    rng = np.random.default_rng([seed, 6])
    drawn = int(rng.choice(np.array([*BOARD_IDS, *PART_IDS])))
    return half_hidden(seed, 16, 31, drawn=drawn) if seed % 2 else picture(rng, drawn=drawn)


@dataclass
class Score:
    """Tags found and asked for; how far accepted corners are off, px; from the expected place, mm, where it slipped."""

    found: int = 0
    asked: int = 0
    first: int = 0  # found by the first look
    corners: int = 0
    worst: float = 0.0
    square: float = 0.0
    beyond: int = 0  # corners off by more than 0.3 px

    def add(self, p: Picture, first: bool = False) -> None:
        self.asked += 1
        seen = find_again(p.gray, {p.code: p.expected}).get(p.code)
        if first:
            tags, saddles = read_tags(p.gray, {p.code}, Board.for_paper("A4"))
            self.first += p.code in tags and bool(saddles.ok.sum() >= 8)
        if seen is None:
            return
        self.found += 1
        off = np.linalg.norm((seen.uv - p.true)[seen.ok], axis=1)
        self.corners += len(off)
        self.square += float((off**2).sum())
        self.worst = max(self.worst, float(off.max()))
        self.beyond += int((off > 0.3).sum())

    def line(self) -> str:
        rms = np.sqrt(self.square / max(self.corners, 1))
        share = 100 * self.found / self.asked
        return (f"{self.asked} | {self.first} | {self.found} ({share:.0f} %) | {self.corners} | "
                f"{rms:.3f} | {self.worst:.3f} | {self.beyond}")


ROWS: dict[str, Callable[[int], Picture]] = {
    "24 to 31 visible": lambda k: half_hidden(k, 24, 31),
    "16 to 23 visible": lambda k: half_hidden(k, 16, 23),
    "16 to 31 visible, slipped by 1 mm": lambda k: half_hidden(k, 16, 31, slip_mm=1.0),
    "absent: clutter, bare plate, plain checks": absent,
    "another tag in its place": another,
}


def run(row: str, n: int, first: bool = True) -> Score:
    score = Score()
    for k in range(n):
        score.add(ROWS[row](k), first)
    return score


def main(n: int = 100) -> None:
    cv2.setNumThreads(1)
    print("| | cases | first look | second look | corners | RMS px | worst px | beyond 0.3 px |\n" + "|---" * 8 + "|")
    for row in ROWS:
        print(f"| {row} | {run(row, n).line()} |", flush=True)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]))
