"""This project's lens and photos' own terms beside two general calibration libraries, on the same corners in one run.

mrcal 2.5.2.post1 (Apache 2.0) and lensboy 4.0.3 (Apache 2.0), each with OpenCV's five terms and with its spline
lens, board warp estimated, their own outlier rejection; corners by this project on every side. Neither is needed by
the project or its tests: install both beside it in an environment of its own to run this (mrcal wants Python 3.12 or
later); one that is not there is left out.

Hold-out: a quarter of the board's places (tags or corners) is kept from the estimate in every photo, and predicted
by its lens and poses; four times, RMS of the distances over all. Ours predicts with each photo's own focal length,
centre and hand as estimated from its other corners; the others know one camera for all photos.

Stated against seen: lenses of disjoint halves, as in ``tests.bench.halves``. Terms: share of the differences of
f, cx, cy, k1, k2, p1, p2, k3 within the stated 95 %. lensboy states no uncertainty.

Measured with 10 splits: held out px (share of halves inside the stated 95 %; difference over stated, RMS)

| | chessboard | phone_grid | charuco |
|---|---|---|---|
| ours | 0.133 (0.93; 1.01) | 0.388 (0.94; 0.99) | 0.198 (0.99; 0.51) |
| mrcal, five terms | 0.147 (0.68; 2.47) | 0.932 (0.62; 2.54) | 0.217 (0.82; 1.53) |
| mrcal, spline | 0.251 | 0.820 | 1.822 |
| lensboy, five terms | 0.148 | 0.901 | 0.270 |
| lensboy, spline | 0.173 | ends in a crash | 0.400 |

Ours over the better of the others: 0.91, 0.47, 0.91. The splines have more knots than these few photos can tell. On
the phone's photos most of the difference is the stabiliser, which the others do not know. The focal length of its
halves differs by 148 px RMS in ours, as stated, and by 27 px in mrcal's, 2.5 times what it states.
Run: python -m tests.bench.lens_models [splits, default 10]
"""

from __future__ import annotations

import contextlib
import importlib
import io
import multiprocessing
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.estimation.fields import fields
from calib.estimation.fitted import Solved, shared_covariance
from calib.uncertainty import K95
from tests.bench.halves import SETS, Photo, RealSet, halves
from tests.board_fit import as_in_a_run, board_corners

Array = NDArray[np.float64]
STEP = {"chessboard": 25.0, "phone_grid": 3.0, "charuco": 40.0}  # mm, of the regular grid that the corners lie on
KNOTS = {"chessboard": (8, 6), "phone_grid": (6, 8), "charuco": (8, 6)}  # over the picture's width and height
SEED = 7


class Calibrated(NamedTuple):
    """How one library sees the board: corners ``(photo, xy (n, 2), px (n, 2))`` to px; lens terms and covariance."""

    predict: Callable[[int, Array, Array], Array]
    terms: Array | None = None  # f cx cy k1 k2 p1 p2 k3
    cov: Array | None = None


Way = Callable[[Sequence[Photo], RealSet, str], Calibrated]


def ours(photos: Sequence[Photo], of: RealSet, name: str) -> Calibrated:
    solved = as_in_a_run([(p.xy, p.uv) for p in photos], [p.cov for p in photos], of.size, of.cell)
    keep = np.array([0, 2, 3, 4, 5, 6, 7, 8])
    cov = shared_covariance(solved.problem, solved.state)[np.ix_(keep, keep)]
    return Calibrated(lambda k, xy, uv: uv - _left_over(solved, of, len(photos), k, xy, uv), solved.state.lens[keep],
                      cov)


def _left_over(solved: Solved, of: RealSet, photos: int, k: int, xy: Array, uv: Array) -> Array:
    """Observed less predicted (n, 2) px of corners that took no part."""
    none = np.zeros((0, 2))
    one = board_corners([(xy, uv) if i == k else (none, none) for i in range(photos)], None, of.cell)
    problem, s = solved.problem, solved.state
    if problem.layout.fields:
        problem = replace(problem, corners=one, weights=None)
        depth = problem.corner_block.view(problem.motions(s)).xc[..., 2].mean(axis=1)
        one = replace(one, fields=fields(one.uv, one.seen, depth, float(s.lens[0]), of.size))
    r = replace(problem, corners=one, weights=None).corner_residuals(s)
    order = np.lexsort((one.flat[one.seen][:, 0], one.flat[one.seen][:, 1]))
    back = np.empty(len(xy), int)
    back[np.lexsort((xy[:, 0], xy[:, 1]))] = order
    return np.asarray(r[one.seen][back], float)


def _grid(photos: Sequence[Photo], name: str) -> tuple[Array, tuple[int, int]]:
    """Photos as (photos, rows, columns, 3): px and weight, -1 where nothing was seen; the grid's shape."""
    step = STEP[name]
    xy = [np.rint(p.xy / step).astype(int) for p in photos]
    low = np.min([c.min(axis=0) for c in xy], axis=0)
    shape = np.max([c.max(axis=0) for c in xy], axis=0) - low + 1
    out = np.full((len(photos), shape[1], shape[0], 3), -1.0)
    for k, (p, c) in enumerate(zip(photos, xy, strict=True)):
        out[k, c[:, 1] - low[1], c[:, 0] - low[0]] = np.c_[p.uv, np.ones(len(p.uv))]
    return out, (int(low[0]), int(low[1]))


def with_mrcal(model: str) -> Way:
    """``model`` opencv5 or spline."""
    m = importlib.import_module("mrcal")

    def run(photos: Sequence[Photo], of: RealSet, name: str) -> Calibrated:
        seen, low = _grid(photos, name)
        step, n = STEP[name], len(photos)
        frames = np.c_[np.arange(n), np.zeros(n), -np.ones(n)].astype(np.int32)
        core, _, poses = m.seed_stereographic((of.size,), 0.8 * max(of.size), frames[:, :2].copy(), seen, step)
        given: dict[str, Any] = {
            "rt_cam_ref": None, "rt_ref_frame": poses, "points": None, "observations_board": seen,
            "indices_frame_camintrinsics_camextrinsics": frames, "observations_point": None,
            "indices_point_camintrinsics_camextrinsics": None, "imagersizes": np.array([of.size], np.int32),
            "calibration_object_spacing": step, "verbose": False, "do_apply_outlier_rejection": False}
        given |= {"intrinsics": core, "lensmodel": "LENSMODEL_STEREOGRAPHIC"}
        flat: dict[str, Any] = {"do_optimize_calobject_warp": False}
        m.optimize(**given, **flat, do_optimize_intrinsics_core=False, do_optimize_intrinsics_distortions=False)
        m.optimize(**given, **flat, do_optimize_intrinsics_distortions=False)
        if model == "spline":
            wide = float(np.degrees(2 * np.arctan(max(of.size[0], of.size[1]) / 2 / core[0, 0])))
            lens = (f"LENSMODEL_SPLINED_STEREOGRAPHIC_order=3_Nx={KNOTS[name][0] + 3}_Ny={KNOTS[name][1] + 3}"
                    f"_fov_x_deg={round(wide * of.size[0] / max(of.size) * 1.1 + 5)}")
        else:
            lens = "LENSMODEL_OPENCV5"
        more = m.lensmodel_num_params(lens) - 4
        given |= {"intrinsics": np.c_[core, np.zeros((1, more))], "lensmodel": lens}
        spline = model == "spline"
        m.optimize(**given, **flat, do_optimize_intrinsics_core=not spline)
        warp = np.zeros(2)
        given |= {"calobject_warp": warp, "do_apply_outlier_rejection": True}
        m.optimize(**given, do_optimize_intrinsics_core=not spline, do_optimize_calobject_warp=True)
        values = given["intrinsics"][0]
        rows, columns = seen.shape[1:3]
        board = m.ref_calibration_object(columns, rows, step, calobject_warp=warp)

        def predict(k: int, xy: Array, uv: Array) -> Array:
            c = np.rint(xy / step).astype(int) - low
            camera = m.transform_point_rt(given["rt_ref_frame"][k], board[c[:, 1], c[:, 0]])
            return np.asarray(m.project(camera, lens, values), float)

        if spline:
            return Calibrated(predict)
        return Calibrated(predict, *_mrcal_terms(m, given, values))

    return run


def _mrcal_terms(m: Any, given: dict[str, Any], values: Array) -> tuple[Array, Array]:
    """fx cx cy k1 k2 p1 p2 k3 and their covariance as mrcal's uncertainty takes it: J over the residuals' scatter."""
    x, jacobian = m.optimizer_callback(**given, do_optimize_calobject_warp=True, no_factorization=True)[1:3]
    j = jacobian.toarray()
    corners = given["observations_board"]
    rows = 2 * corners.shape[0] * corners.shape[1] * corners.shape[2]
    used = np.repeat((corners[..., 2] > 0).ravel(), 2)
    sd = float(np.sqrt(np.sum(x[:rows][used] ** 2) / (used.sum() - j.shape[1])))
    packed = np.linalg.inv(j.T @ j) * sd**2
    scale = np.ones(j.shape[1])
    m.unpack_state(scale, **{k: v for k, v in given.items() if k != "verbose"}, do_optimize_calobject_warp=True)
    cov = packed * np.outer(scale, scale)
    keep = np.array([0, 2, 3, 4, 5, 6, 7, 8])
    return values[keep].copy(), cov[np.ix_(keep, keep)]


def with_lensboy(model: str) -> Way:
    lb = importlib.import_module("lensboy")

    def run(photos: Sequence[Photo], of: RealSet, name: str) -> Calibrated:
        places = np.unique(np.concatenate([np.round(p.xy, 6) for p in photos]), axis=0)
        index = {tuple(p): i for i, p in enumerate(places)}
        frames = [lb.Frame(np.array([index[tuple(c)] for c in np.round(p.xy, 6)]), np.ascontiguousarray(p.uv))
                  for p in photos]
        size: dict[str, Any] = {"image_width": of.size[0], "image_height": of.size[1]}
        config = (lb.OpenCVConfig(**size) if model == "opencv5" else
                  lb.PinholeSplinedConfig(**size, num_knots_x=KNOTS[name][0], num_knots_y=KNOTS[name][1]))
        found = lb.calibrate_camera(np.c_[places, np.zeros(len(places))], frames, config)

        def predict(k: int, xy: Array, uv: Array) -> Array:
            points = np.c_[xy, np.zeros(len(xy))]
            if found.target_warp is not None:
                points = found.target_warp.warp_target(points)
            return np.asarray(found.camera_model.project_points(found.cameras_from_target[k].apply(points)), float)

        return Calibrated(predict)

    return run


def held_out(way: Way, of: RealSet, name: str) -> float:
    """RMS px of the distances of corners that took no part."""
    photos = of.photos()
    place = [np.rint(p.unit if name == "phone_grid" else p.xy @ [1, 100]).astype(int) for p in photos]
    every = np.unique(np.concatenate(place))
    fold = dict(zip(every.tolist(), (np.random.default_rng(SEED).permutation(len(every)) % 4).tolist(), strict=True))
    off = []
    for f in range(4):
        kept = [np.array([fold[u] != f for u in p.tolist()]) for p in place]
        c = way([Photo(*(v[k] for v in p)) for p, k in zip(photos, kept, strict=True)], of, name)
        off += [c.predict(i, p.xy[~k], p.uv[~k]) - p.uv[~k] for i, (p, k) in enumerate(zip(photos, kept, strict=True))
                if not k.all()]
    return float(np.sqrt(np.mean(np.sum(np.concatenate(off) ** 2, axis=1))))


def stated(way: Way, of: RealSet, name: str, splits: int) -> tuple[float, float, float] | None:
    """Share inside the stated 95 %, RMS of difference over stated, and of f's difference px; None: none is stated."""
    photos, rng = of.photos(), np.random.default_rng(0)
    z, focal = [], []
    for _ in range(splits):
        a, b = (way(h, of, name) for h in halves(photos, rng))
        if a.terms is None or a.cov is None or b.terms is None or b.cov is None:
            return None
        z.append((a.terms - b.terms) / np.sqrt(np.diag(a.cov) + np.diag(b.cov)))
        focal.append(a.terms[0] - b.terms[0])
    return (float(np.mean(np.abs(z) < K95)), float(np.sqrt(np.mean(np.square(z)))),
            float(np.sqrt(np.mean(np.square(focal)))))


WAYS: dict[str, Callable[[], Way]] = {
    "ours": lambda: ours, "mrcal opencv5": lambda: with_mrcal("opencv5"), "mrcal spline": lambda: with_mrcal("spline"),
    "lensboy opencv5": lambda: with_lensboy("opencv5"), "lensboy spline": lambda: with_lensboy("spline")}


def measured(label: str, name: str, splits: int) -> tuple[float, tuple[float, float, float] | None]:
    """Of one library on one set: what ``held_out`` and ``stated`` say."""
    with contextlib.redirect_stderr(io.StringIO()), contextlib.redirect_stdout(io.StringIO()):
        way = WAYS[label]()
        return held_out(way, SETS[name], name), stated(way, SETS[name], name, splits)


def main(splits: int) -> None:
    for name in SETS:
        own = float("nan")
        for label in WAYS:
            with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as alone:  # a library may fall over whole
                try:
                    rms, said = alone.submit(measured, label, name, splits).result()
                except Exception as e:  # what a library cannot do it says in its own words
                    print(f"{name:<11} {label:<16} none: {type(e).__name__}: {str(e)[:150]}", flush=True)
                    continue
            own = rms if label == "ours" else own
            share = "states none" if said is None else (f"inside {said[0]:.2f}, difference over stated {said[1]:.2f}, "
                                                        f"f of halves differs by {said[2]:.1f} px RMS")
            print(f"{name:<11} {label:<16} held out {rms:.3f} px (ours over it {own / rms:.2f})  {share}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
