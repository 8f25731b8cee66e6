"""Corner error against rendered truth: this project's saddle fit beside other detectors' refinements.

Run: python tests/bench/corners.py        (under a minute; prints one table)

Every method sees the same pictures. "rms" is the error per axis in pixels, "bias" the length of the mean error,
"bound" the least RMS error any unbiased method can have on those pixels (Cramer-Rao: noise over the picture's
slopes inside the same windows, everything but the place known). Saddle methods are scored on the tag's 32
saddle corners, square methods on the code's four corners; "-" where a method found nothing.

Measured, 6 frames a case: RMS error px, ours over the bound, and the rivals that come nearest (cornerSubPix with half
windows of 3 and 5 px on the same saddles, started near the truth; the independent detector on the code's corners).
The ratio scatters by some 4 % (384 values a case); the bound counts the pixels of the window alone, while samples
between pixels draw on their neighbours just outside.

case                      bound   ours ratio  subpix 3  subpix 5   pupil
1.3 m, 29 deg            0.0084  0.009  1.12     0.047     0.032   0.048
gain +0.3 mm             0.0085  0.009  1.08     0.085     0.039   0.654
gain -0.3 mm             0.0086  0.011  1.27     0.091     0.041   0.578
45 deg                   0.0090  0.010  1.12     0.045     0.032   0.058
60 deg                   0.0106  0.012  1.12     0.053     0.062   0.119
60 deg, gain +0.3        0.0108  0.011  1.03     0.138     0.074   0.566
70 deg                   0.0136  0.017  1.25     0.117     2.190   0.222
0.8 m                    0.0064  0.006  1.02     0.046     0.032   0.040
2.0 m, soft, noisy       0.0257  0.023  0.89     0.144     0.084   0.224
soft 1.6 px              0.0115  0.013  1.14     0.154     0.057   0.165
motion 3 px              0.0091  0.012  1.27     0.056     0.039   0.056
noise 8                  0.0222  0.020  0.92     0.106     0.068   0.077
JPEG 90                  0.0083  0.009  1.07     0.047     0.032   0.038
JPEG 75                  0.0084  0.011  1.27     0.066     0.041   0.054
f 1900, 60 mm            0.0109  0.010  0.95     0.043     0.036   0.120
f 1900, 44 mm, 45 deg    0.0145  0.014  0.97     0.079     1.581   0.211
f 1900, 44 mm, 60 deg    0.0184  0.022  1.19     0.925     1.968       -
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from capture.corners import REACH, project, refine_tag, tag_axes  # noqa: E402
from capture.detection import find_tags  # noqa: E402
from capture.targets import CELLS, code_corners  # noqa: E402
from tests.render_tag import expose, facing, paint, tag_homography  # noqa: E402

F64 = NDArray[np.float64]
FRAME = 360
CODE = 77

# distance mm, focal px, tag mm, tilt deg, blur px, noise, gain in texels of a sixtieth cell, motion px, JPEG
BASE = {"distance": 1300.0, "focal": 3000.0, "size": 60.0, "tilt": 29.0, "blur": 0.8, "noise": 3.0, "gain": 0,
        "motion": 0.0, "jpeg": None}
CASES: list[tuple[str, dict]] = [
    ("1.3 m, 29 deg", {}),
    ("gain +0.3 mm", {"gain": 3}),
    ("gain -0.3 mm", {"gain": -3}),
    ("45 deg", {"tilt": 45.0}),
    ("60 deg", {"tilt": 60.0}),
    ("60 deg, gain +0.3", {"tilt": 60.0, "gain": 3}),
    ("70 deg", {"tilt": 70.0}),
    ("0.8 m", {"distance": 800.0}),
    ("2.0 m, soft, noisy", {"distance": 2000.0, "blur": 1.2, "noise": 6.0}),
    ("soft 1.6 px", {"blur": 1.6}),
    ("motion 3 px", {"motion": 3.0}),
    ("noise 8", {"noise": 8.0}),
    ("JPEG 90", {"jpeg": 90}),
    ("JPEG 75", {"jpeg": 75}),
    ("f 1900, 60 mm", {"focal": 1900.0}),
    ("f 1900, 44 mm, 45 deg", {"focal": 1900.0, "size": 44.0, "tilt": 45.0}),
    ("f 1900, 44 mm, 60 deg", {"focal": 1900.0, "size": 44.0, "tilt": 60.0}),
]


def picture(case: dict, rng: np.random.Generator) -> tuple[NDArray[np.uint8], NDArray[np.uint8], F64]:
    """One exposure, the same without noise or JPEG, and the tag's homography (cells to px)."""
    centre = np.array([rng.uniform(-1, 1), rng.uniform(-1, 1), case["distance"]])
    h = tag_homography(case["size"], centre, facing(case["tilt"], rng.uniform(0, 360), rng.uniform(0, 360)),
                       case["focal"], (FRAME / 2 - 0.5, FRAME / 2 - 0.5))
    canvas = np.full((FRAME, FRAME), 110, np.float32)
    paint(canvas, h, CODE, gain_texels=case["gain"])
    noisy = expose(canvas, case["blur"], case["noise"], rng, case["jpeg"], case["motion"])
    clean = expose(canvas, case["blur"], 0.0, rng, None, case["motion"])
    return noisy, clean, h


def bound(clean: NDArray[np.uint8], h: F64, noise: float) -> float:
    """Least RMS error per axis over the saddles, noise and rounding counted (Kay 1993, theorem 3.2)."""
    img = clean.astype(np.float64)
    gv, gu = (np.asarray(g) for g in np.gradient(img))
    uv, axes = tag_axes(h)
    traces = []
    for p, a in zip(list(uv), list(axes), strict=True):
        half = int(np.ceil(float(np.abs(a).sum(axis=0).max()))) + 1
        c = [round(float(x)) for x in p]
        uu, vv = np.meshgrid(np.arange(c[0] - half, c[0] + half + 1), np.arange(c[1] - half, c[1] + half + 1))
        cell = np.linalg.solve(a.T, np.stack([uu.ravel() - p[0], vv.ravel() - p[1]]))
        inside = np.asarray((np.abs(cell) < REACH).all(axis=0), bool).reshape(uu.shape)
        g = np.stack([gu[vv, uu][inside], gv[vv, uu][inside]])
        traces.append(float(np.trace(np.linalg.inv(g @ g.T))) / 2)
    return float(np.sqrt((noise**2 + 1 / 12) * np.mean(traces)))


Method = Callable[[NDArray[np.uint8], F64], tuple[F64, F64] | None]  # found places and true ones


def ours(img: NDArray[np.uint8], h: F64) -> tuple[F64, F64] | None:
    """Found and refined with nothing known beforehand."""
    tags = find_tags(img, [CODE])
    if CODE not in tags:
        return None
    fit = refine_tag(img, [tags[CODE].H])
    return fit.uv[fit.ok], tag_axes(h)[0][fit.ok]


def corner_sub_pix(window: int) -> Method:
    """OpenCV cornerSubPix started within 0.3 px of the truth, half window in px."""
    def run(img: NDArray[np.uint8], h: F64) -> tuple[F64, F64] | None:
        uv = tag_axes(h)[0]
        start = (uv + np.random.default_rng(5).uniform(-0.3, 0.3, uv.shape)).astype(np.float32)
        start = np.ascontiguousarray(start.reshape(-1, 1, 2))
        out = cv2.cornerSubPix(img, start, (window, window), (-1, -1), (3, 60, 1e-3))
        return np.asarray(out, np.float64).reshape(-1, 2), uv
    return run


def aruco(mode: int) -> Method:
    """OpenCV's marker detector with one of its corner refinements."""
    par = cv2.aruco.DetectorParameters()
    par.cornerRefinementMethod = mode
    par.minMarkerPerimeterRate = 0.02
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), par)

    def run(img: NDArray[np.uint8], h: F64) -> tuple[F64, F64] | None:
        corners, ids, _ = detector.detectMarkers(img)
        if ids is None or CODE not in ids:
            return None
        at = int(np.flatnonzero(np.ravel(ids) == CODE)[0])
        return np.asarray(corners[at], np.float64).reshape(4, 2), project(h, code_corners(float(CELLS)))
    return run


def pupil() -> Method:
    """An independent detector of the same family; its pixel centres lie at halves."""
    from pupil_apriltags import Detector

    detector = Detector(families="tag36h11", quad_decimate=1.0, nthreads=1)

    def run(img: NDArray[np.uint8], h: F64) -> tuple[F64, F64] | None:
        for d in detector.detect(img):
            if d.tag_id == CODE:
                true = project(h, code_corners(float(CELLS)))
                found = np.asarray(d.corners, np.float64) - 0.5
                # it starts at another corner and may run the other way: the order nearest the truth is meant
                turns = [np.roll(q, k, axis=0) for k in range(4) for q in (found, found[::-1])]
                return min(turns, key=lambda q: float(np.abs(q - true).sum())), true
        return None
    return run


def methods() -> dict[str, Method]:
    """Name to method, saddle methods first."""
    return {"ours": ours, "subpix 3": corner_sub_pix(3), "subpix 5": corner_sub_pix(5),
            "aruco none": aruco(cv2.aruco.CORNER_REFINE_NONE), "aruco subpix": aruco(cv2.aruco.CORNER_REFINE_SUBPIX),
            "aruco contour": aruco(cv2.aruco.CORNER_REFINE_CONTOUR),
            "aruco apriltag": aruco(cv2.aruco.CORNER_REFINE_APRILTAG), "pupil": pupil()}


def score(case: dict, frames: int, seed: int, which: dict[str, Method]) -> tuple[float, dict[str, tuple]]:
    """Bound and, by method, (rms, bias, share of frames found)."""
    rng = np.random.default_rng(seed)
    errors: dict[str, list[F64]] = {name: [] for name in which}
    bounds = []
    for _ in range(frames):
        noisy, clean, h = picture(case, rng)
        bounds.append(bound(clean, h, case["noise"]))
        for name, method in which.items():
            got = method(noisy, h)
            if got is not None and len(got[0]):
                errors[name].append(got[0] - got[1])
    out: dict[str, tuple] = {}
    for name, found in errors.items():
        if found:
            e = np.concatenate(found)
            out[name] = (float(np.sqrt((e**2).mean())), float(np.linalg.norm(e.mean(axis=0))), len(found) / frames)
    return float(np.sqrt(np.mean(np.square(bounds)))), out


def main(frames: int = 6) -> None:
    """Print the table."""
    which = methods()
    print(f"{'case':24s}{'bound':>7s}{'ratio':>6s} " + "".join(f"{n:>17s}" for n in which))
    print(f"{'':38s}" + f"{'rms/bias found':>17s}" * len(which))
    for k, (name, change) in enumerate(CASES):
        least, rows = score({**BASE, **change}, frames, 100 + k, which)
        cells = []
        for n in which:
            if n in rows:
                rms, bias, share = rows[n]
                cells.append(f"{rms:.3f}/{bias:.3f} {share:4.0%}".rjust(17))
            else:
                cells.append("-".rjust(17))
        ratio = rows["ours"][0] / least if "ours" in rows else float("nan")
        print(f"{name:24s}{least:7.4f}{ratio:6.2f} " + "".join(cells))


if __name__ == "__main__":
    main()
