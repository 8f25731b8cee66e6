"""Found rate and false tags: this project's finder beside other readers of the same code on the same pictures.

References: OpenCV's ArucoDetector with its defaults and tuned for small, soft and unevenly lit squares, and the
apriltag library (pupil-apriltags) with its defaults and on undivided pixels. A tag counts as found where its code is
read within a fifth of the code's edge of its true centre; "read" where at least six of its saddles also come out.
References look for the code square alone, so they need no ring; they accept every code, board codes are not counted.

Measured, 12 frames a case and 500 cluttered frames, % found of 600 tags and false part tags in the clutter:

| reader | found | wrong codes in those frames | false tags in clutter |
|---|---|---|---|
| find_tags, read_tags | 95.2, 95.2 | 0, 0 | 0, 0 |
| ArUco, ArUco tuned | 70.0, 88.7 | 0, 6 | 1, 18 |
| apriltag, apriltag full | 47.8, 63.0 | 0, 0 | 0, 0 |

No case is below the best reference. What stays hard: 25 px a side (50, references 0), 70 deg at 72 px (83, best 33),
blur of 5 px (75, best 42), motion of 12 px (42, best 33), a shadow of a fifth of the light (8, best 8).

Run: OMP_NUM_THREADS=1 python -m tests.bench.detection [frames a case, default 10] [cluttered frames, default 500]
"""

from __future__ import annotations

import functools
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.rig.reader import load_rig
from capture.corners import project
from capture.detection import find_tags
from capture.shoot import read_tags
from capture.targets import BOARD_IDS, CELLS, CODE_SHARE, PART_IDS, SADDLES, Board, cell_is_black, code_corners
from tests.april import april_detector
from tests.render_tag import expose, facing, paint, tag_homography

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
Gray = NDArray[np.uint8]
F64 = NDArray[np.float64]
Reader = Callable[[Gray], dict[int, F64]]  # code to the centre of its code square, (2,) px
PARTS = frozenset(PART_IDS)
FRAME = (640, 480)  # width, height px of a found-rate picture
BIG = (4000, 3000)
CODES = np.random.default_rng(5).choice(np.array(PART_IDS), 24, replace=False)  # few, as their prints are kept


@dataclass(frozen=True)
class Case:
    """One row of the table: a tag of ``side`` px before its tilt, and what spoils the picture."""

    name: str
    side: float = 138.0  # 60 mm at 1.3 m through 3,000 px
    tilt: float = 30.0
    blur: float = 0.8
    noise: float = 3.0
    motion: float = 0.0
    shade: float = 1.0  # brightness beyond a shadow's edge across the tag
    black: float = 40.0
    white: float = 200.0
    gain: int = 0  # sixtieths of a cell by which white grows into black
    jpeg: int | None = None
    big: bool = False  # a 12-megapixel photo with 24 tags at once


CASES = (
    *(Case(f"tilt {t} deg, 138 px", tilt=t) for t in (0, 15, 30, 45, 60, 70, 75)),
    *(Case(f"tilt {t} deg, 72 px", tilt=t, side=72) for t in (45, 60, 70)),
    *(Case(f"distance {d} m (60 mm: {180 / d:.0f} px)", tilt=20, side=180 / d) for d in (0.6, 1, 2, 3, 4)),
    *(Case(f"side {s} px", tilt=20, side=s) for s in (40, 35, 30, 25)),
    Case("half shaded", shade=0.5), Case("half shaded, 60 px", shade=0.5, side=60, tilt=20),
    Case("half shaded, tilt 60", shade=0.5, tilt=60), Case("shaded to a fifth", shade=0.2),
    *(Case(f"blur {b} px", blur=b) for b in (2, 3, 4, 5)), Case("blur 1.5 px, 60 px", blur=1.5, side=60),
    Case("motion 8 px", motion=8), Case("motion 12 px", motion=12),
    *(Case(f"noise {n}", noise=n) for n in (10, 20, 30)), Case("noise 10, 60 px", noise=10, side=60),
    Case("grey 60 on 85", black=60, white=85), Case("gain +0.3 mm", gain=3), Case("gain -0.3 mm", gain=-3),
    Case("JPEG 30", jpeg=30),
    Case("12 MP, 138 px", big=True), Case("12 MP, 60 px, tilt 45", big=True, side=60, tilt=45),
    Case("12 MP, blur 4 px", big=True, blur=4), Case("12 MP, grey 60 on 85", big=True, black=60, white=85),
    Case("12 MP, 35 px", big=True, side=35, tilt=20), Case("12 MP, tilt 70", big=True, tilt=70),
)


def picture(case: Case, rng: np.random.Generator) -> tuple[Gray, dict[int, F64]]:
    """A grey picture of the case and its true homographies, tag cells to px, by code."""
    w, h = BIG if case.big else FRAME
    small = rng.uniform(70, 150, (h // 60 + 2, w // 60 + 2)).astype(np.float32)
    canvas = np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC), np.float32)
    for _ in range(14 * (20 if case.big else 1)):
        p, q = rng.uniform(0, 1, (2, 2)) * (w, h)
        cv2.line(canvas, (int(p[0]), int(p[1])), (int(q[0]), int(q[1])), float(rng.uniform(20, 230)),
                 int(rng.integers(2, 10)), cv2.LINE_AA)
    if case.big:
        x, y = np.meshgrid((np.arange(6) + 0.5) * w / 6, (np.arange(4) + 0.5) * h / 4)
        places, codes = np.column_stack([x.ravel(), y.ravel()]), CODES
    else:
        places, codes = np.array([[w / 2, h / 2]]), rng.choice(CODES, 1)
    places = places + rng.uniform(-20, 20, places.shape)
    truth: dict[int, F64] = {}
    for code, at in zip(codes.tolist(), places, strict=True):
        turn = facing(case.tilt, rng.uniform(0, 360), rng.uniform(0, 360))
        distance = 3000.0 * 60.0 / case.side
        hom = tag_homography(60.0, np.array([0.0, 0.0, distance]), turn, 3000.0, (float(at[0]), float(at[1])))
        paint(canvas, hom, code, case.white, case.black, case.gain, samples=5)
        truth[code] = hom
    if case.shade < 1:
        # the shadow's edge runs through the code, soft over about a pixel
        a = rng.uniform(0, 2 * np.pi)
        v, u = np.mgrid[0:h, 0:w]
        over = (u - places[0, 0]) * np.cos(a) + (v - places[0, 1]) * np.sin(a) - rng.uniform(-0.2, 0.2) * case.side
        canvas *= np.where(over > 0, case.shade, 1).astype(np.float32)
    return expose(canvas, case.blur, case.noise, rng, case.jpeg, case.motion), truth


# --- readers ------------------------------------------------------------------------------------------------


def ours(gray: Gray) -> dict[int, F64]:
    return {c: t.code_corners.mean(axis=0) for c, t in find_tags(gray, PARTS).items()}


def ours_read(gray: Gray) -> dict[int, F64]:
    tags, saddles = read_tags(gray, PARTS, Board.for_paper("A4"))
    enough = saddles.ok.reshape(-1, SADDLES).sum(axis=1) >= 6
    return {c: t.code_corners.mean(axis=0) for (c, t), ok in zip(tags.items(), enough, strict=True)
            if ok and c in PARTS}


@functools.cache
def _aruco(tuned: bool, longest: int = 1) -> cv2.aruco.ArucoDetector:
    p = cv2.aruco.DetectorParameters()
    if tuned:
        p.adaptiveThreshWinSizeMin, p.adaptiveThreshWinSizeMax, p.adaptiveThreshWinSizeStep = 5, 45, 10
        # outlines of 40 px, the code of the smallest tag; shorter ones take seconds a picture
        p.minMarkerPerimeterRate = 40 / longest
        p.polygonalApproxAccuracyRate = 0.06
        p.perspectiveRemovePixelPerCell = 8
        p.minOtsuStdDev = 2.0
        p.errorCorrectionRate = 1.0
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), p)


def aruco(gray: Gray, tuned: bool = False) -> dict[int, F64]:
    corners, ids, _ = _aruco(tuned, max(gray.shape) if tuned else 1).detectMarkers(gray)
    if ids is None:
        return {}
    return {int(i): np.asarray(c, np.float64).reshape(4, 2).mean(axis=0)
            for i, c in zip(np.asarray(ids).ravel(), corners, strict=True) if int(i) in PARTS}


def april(gray: Gray, decimate: float = 2.0) -> dict[int, F64]:
    detector = april_detector()
    # the one detector serves both settings: a second one cannot be taken down safely
    detector.tag_detector_ptr.contents.quad_decimate = decimate
    try:
        found = detector.detect(gray)
    finally:
        detector.tag_detector_ptr.contents.quad_decimate = 2.0
    return {int(d.tag_id): np.asarray(d.center) - 0.5 for d in found if int(d.tag_id) in PARTS}


READERS: dict[str, Reader] = {
    "find_tags": ours, "read_tags": ours_read, "ArUco": aruco, "ArUco tuned": functools.partial(aruco, tuned=True),
    "apriltag": april, "apriltag full": functools.partial(april, decimate=1.0),
}


@dataclass
class Score:
    """Tags found of those there, codes read that are not there, and seconds."""

    found: int = 0
    there: int = 0
    wrong: int = 0
    seconds: float = 0.0

    @property
    def rate(self) -> float:
        return self.found / max(self.there, 1)


def run_case(case: Case, frames: int, seed: int = 0, readers: dict[str, Reader] | None = None,
             missed: list[tuple[int, int]] | None = None) -> dict[str, Score]:
    """Scores by reader. ``missed`` collects (frame, code) that a reference found and ``find_tags`` did not."""
    readers = readers or READERS
    scores = {name: Score() for name in readers}
    for k in range(frames):
        gray, truth = picture(case, np.random.default_rng([seed, k]))
        got: dict[str, set[int]] = {}
        for name, reader in readers.items():
            began = time.perf_counter()
            tags = reader(gray)
            scores[name].seconds += time.perf_counter() - began
            right = set()
            for code, hom in truth.items():
                centre, edge = project(hom, np.zeros((1, 2)))[0], case.side * CODE_SHARE
                if code in tags and np.linalg.norm(tags[code] - centre) < 0.2 * edge:
                    right.add(code)
            got[name] = right
            scores[name].found += len(right)
            scores[name].there += len(truth)
            scores[name].wrong += len(set(tags) - right)
        if missed is not None:
            others = set().union(*(s for n, s in got.items() if not n.endswith("_tags")))
            missed += [(k, c) for c in sorted(others - got["find_tags"])]
    return scores


# --- clutter ------------------------------------------------------------------------------------------------

SIZE = (640, 480)
_Draw = Callable[[NDArray[np.float32], np.random.Generator], None]


def _polygons(canvas: NDArray[np.float32], rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(15, 80))):
        r = rng.uniform(4, 90)
        angle = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 7))))
        ring = np.stack([np.cos(angle), np.sin(angle)], 1) * r + rng.uniform(0, 1, 2) * SIZE
        cv2.fillPoly(canvas, [np.rint(ring).astype(np.int32)], float(rng.uniform(5, 250)), cv2.LINE_AA)


def _warped(canvas: NDArray[np.float32], art: NDArray[np.floating], rng: np.random.Generator, edge: float) -> None:
    """A square picture put down tilted and turned, about ``edge`` px wide; blurred first where it shrinks."""
    n = art.shape[0]
    hom = tag_homography(CELLS, np.array([0, 0, 10 * 3000 / edge / 1.0]), facing(
        rng.uniform(0, 65), rng.uniform(0, 360), rng.uniform(0, 360)), 3000.0,
        (float(rng.uniform(0, SIZE[0])), float(rng.uniform(0, SIZE[1]))))
    to_cells = np.array([[CELLS / n, 0, -CELLS / 2], [0, -CELLS / n, CELLS / 2], [0, 0, 1.0]])
    soft = cv2.GaussianBlur(art, (0, 0), max(0.4 * n / edge, 0.1))
    laid = cv2.warpPerspective(soft, hom @ to_cells, SIZE, flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones_like(art), hom @ to_cells, SIZE, flags=cv2.INTER_LINEAR)
    canvas[:] = canvas * (1 - cover) + laid


def _checkers(canvas: NDArray[np.float32], rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(2, 7))):
        n = int(rng.integers(4, 16))
        board = np.indices((n, n)).sum(axis=0) % 2
        art = np.kron(board, np.ones((12, 12))).astype(np.float32) * rng.uniform(100, 200) + rng.uniform(5, 50)
        _warped(canvas, art, rng, float(rng.uniform(40, 320)))


def _text(canvas: NDArray[np.float32], rng: np.random.Generator) -> None:
    page = np.clip(canvas, 0, 255).astype(np.uint8)
    for _ in range(int(rng.integers(8, 30))):
        word = "".join(chr(c) for c in rng.integers(33, 127, int(rng.integers(2, 14))))
        at = (rng.uniform(-0.1, 0.9, 2) * SIZE).astype(int)
        cv2.putText(page, word, (int(at[0]), int(at[1])), int(rng.integers(0, 7)), float(rng.uniform(0.4, 3.0)),
                    float(rng.choice([10, 30, 220, 245])), int(rng.integers(1, 6)), cv2.LINE_AA)
    canvas[:] = page


def _blocks(canvas: NDArray[np.float32], rng: np.random.Generator) -> None:
    """Random black and white cells at several sizes, as in woven cloth or printed codes of other kinds."""
    for _ in range(int(rng.integers(2, 6))):
        n = int(rng.integers(6, 30))
        art = np.kron(rng.integers(0, 2, (n, n)), np.ones((8, 8))).astype(np.float32) * 170 + 30
        _warped(canvas, art, rng, float(rng.uniform(50, 350)))


def _strange(canvas: NDArray[np.float32], rng: np.random.Generator) -> None:
    """The right checker ring and black border round bits that are no code of the family."""
    for _ in range(int(rng.integers(2, 7))):
        art: NDArray[np.floating] = np.ones((CELLS, CELLS))
        if rng.uniform() < 0.8:
            art = np.array([[0.0 if cell_is_black(r, c) else 1.0 for c in range(CELLS)] for r in range(CELLS)])
        art = np.kron(art, np.ones((30, 30)))
        code = np.zeros((8, 8))
        code[1:7, 1:7] = rng.integers(0, 2, (6, 6))
        art[70:230, 70:230] = np.kron(code, np.ones((20, 20)))
        _warped(canvas, np.pad(art, 30, constant_values=1).astype(np.float32) * 160 + 40, rng,
                float(rng.uniform(40, 250)))


def _board_tags(canvas: NDArray[np.float32], rng: np.random.Generator) -> None:
    """Whole tags, but of board codes: no part tag may be read in them."""
    for code in rng.choice(np.array(BOARD_IDS)[:12], int(rng.integers(2, 6)), replace=False).tolist():
        hom = tag_homography(60.0, np.array([0, 0, 60 * 3000 / rng.uniform(25, 150)]), facing(
            rng.uniform(0, 70), rng.uniform(0, 360), rng.uniform(0, 360)), 3000.0,
            (float(rng.uniform(0, SIZE[0])), float(rng.uniform(0, SIZE[1]))))
        paint(canvas, hom, code, samples=4)


def _noise(canvas: NDArray[np.float32], rng: np.random.Generator) -> None:
    for octave in (1, 2, 4, 8, 16):
        w, h = SIZE[0] // octave, SIZE[1] // octave
        layer = rng.normal(0, rng.uniform(5, 40), (h, w)).astype(np.float32)
        canvas += cv2.resize(layer, SIZE, interpolation=cv2.INTER_LINEAR if rng.uniform() < 0.5 else
                             cv2.INTER_NEAREST)


@functools.cache
def _own_codes() -> frozenset[int]:
    """Part codes on the sample vehicle."""
    return frozenset(tag.code for tag in load_rig(SAMPLE / "rig.toml").tags.values())


@functools.cache
def _masked_photo(index: int) -> Gray | None:
    """A sample photo with every tag that any reader sees painted over, or None where there are none."""
    photos = sorted((SAMPLE / "before").rglob("*.jpg"))
    if not photos:
        return None
    gray = np.asarray(cv2.imread(str(photos[index * 7 % len(photos)]), cv2.IMREAD_GRAYSCALE), np.uint8)
    board = Board.for_paper("A4")
    half = CELLS / 2 + 1
    boxes = [project(t.H, np.array([[-half, half], [half, half], [half, -half], [-half, -half]]))
             for t in find_tags(gray, None, board).values()]
    corners, ids, _ = _aruco(True, max(gray.shape)).detectMarkers(gray)
    grow = cv2.getPerspectiveTransform  # from the code's square to the paper round it
    for c in corners if ids is not None else ():
        hom = grow(code_corners(float(CELLS)).astype(np.float32), np.asarray(c, np.float32).reshape(4, 2))
        boxes.append(project(np.asarray(hom, np.float64), np.array([[-half, half], [half, half], [half, -half],
                                                                      [-half, -half]])))
    for box in boxes:
        cv2.fillConvexPoly(gray, np.rint(box).astype(np.int32), 120)
    return gray


KINDS: dict[str, tuple[_Draw, ...]] = {
    "polygons": (_polygons,), "checkers": (_checkers,), "text": (_text,), "noise": (_noise,),
    "random cells": (_blocks,), "ring, strange code": (_strange,), "board tags": (_board_tags,),
    "mixed": (_polygons, _checkers, _blocks, _strange, _text), "sample photo, tags masked": (),
}


def clutter(kind: str, rng: np.random.Generator) -> Gray | None:
    """A picture (480, 640) without any part tag; None where it needs a photo that is absent."""
    if not KINDS[kind]:
        photo = _masked_photo(int(rng.integers(0, 9)))
        if photo is None:
            return None
        v, u = (int(rng.integers(0, n - m)) for n, m in zip(photo.shape, SIZE[::-1], strict=True))
        return photo[v:v + SIZE[1], u:u + SIZE[0]].copy()
    small = rng.uniform(40, 210, (6, 8)).astype(np.float32)
    canvas = np.asarray(cv2.resize(small, SIZE, interpolation=cv2.INTER_CUBIC), np.float32)
    for draw in KINDS[kind]:
        draw(canvas, rng)
    return expose(canvas, float(rng.uniform(0.3, 1.5)), float(rng.uniform(0, 8)), rng)


def false_tags(frames: int, readers: dict[str, Reader] | None = None, seed: int = 1
               ) -> tuple[dict[str, dict[str, int]], dict[str, int]]:
    """Part tags read where there are none, by reader and kind of clutter, and the frames of each kind."""
    readers = readers or READERS
    kinds = list(KINDS)
    count = {name: dict.fromkeys(kinds, 0) for name in readers}
    looked = dict.fromkeys(kinds, 0)
    for k in range(frames):
        kind = kinds[k % len(kinds)]
        gray = clutter(kind, np.random.default_rng([seed, k]))
        if gray is None:
            continue
        looked[kind] += 1
        # a tag of the sample's own that no reader saw in the whole photo may show in the crop: not a false one
        real = frozenset() if KINDS[kind] else _own_codes()
        for name, reader in readers.items():
            count[name][kind] += len(set(reader(gray)) - real)
    return count, looked


def print_found(frames: int) -> None:
    names = list(READERS)
    print("Found, % of tags (wrong codes in brackets):")
    print("| case | tags | " + " | ".join(names) + " | only a reference |\n|---|---|" + "---|" * (len(names) + 1))
    total = {name: Score() for name in names}
    for case in CASES:
        missed: list[tuple[int, int]] = []
        scores = run_case(case, 1 if case.big else frames, missed=missed)
        cells = []
        for name in names:
            s = scores[name]
            cells.append(f"{100 * s.rate:.0f}" + (f" ({s.wrong})" if s.wrong else ""))
            for part in ("found", "there", "wrong", "seconds"):
                setattr(total[name], part, getattr(total[name], part) + getattr(s, part))
        print(f"| {case.name} | {scores[names[0]].there} | " + " | ".join(cells) + f" | {len(missed)} |", flush=True)
    print(f"| all | {total[names[0]].there} | " + " | ".join(
        f"{100 * total[n].rate:.1f} ({total[n].wrong})" for n in names) + " | |")
    print("| seconds | | " + " | ".join(f"{total[n].seconds:.1f}" for n in names) + " | |")


def print_false(frames: int) -> None:
    names = list(READERS)
    count, looked = false_tags(frames)
    print("\nFalse part tags, codes 60 to 586 allowed:")
    print("| clutter, 640 x 480 | frames | " + " | ".join(names) + " |\n|---|---|" + "---|" * len(names))
    for kind, n in looked.items():
        print(f"| {kind} | {n} | " + " | ".join(str(count[name][kind]) for name in names) + " |")
    print(f"| all | {sum(looked.values())} | " + " | ".join(str(sum(count[n].values())) for n in names) + " |")


def main(frames: int = 10, cluttered: int = 500) -> None:
    cv2.setNumThreads(1)
    if frames:
        print_found(frames)
    if cluttered:
        print_false(cluttered)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
