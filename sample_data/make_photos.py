"""Draw the sample photos of the invented vehicle and write down the truth behind them.

Run from the project's top folder: ``python -m sample_data.make_photos`` (``--preview`` for small, quick ones).
Seeded: the same photos every time.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from calib.rig.reader import load_rig
from tests.render.camera import Camera, Lens
from tests.render.scene import photograph
from tests.render.shoot import code_cell_px, focal_guess
from tests.render.truth import (
    SAMPLE_ERRORS,
    Shot,
    Truth,
    make_truth,
    repaired,
    solve,
    with_rod_play,
)
from tests.render.workshop import Workshop, in_workshop

HERE = Path(__file__).parent
SEED = 20
QUALITY = 72
SHARPENED = 0.6  # halo of the phone's sharpening, see tests.render.scene.photograph
ROD_PLAY = 0.03  # mm, how differently a rod seats at every position
# what is the same in both shoots: the lens beyond its five terms, the tags' paper, the board's
SAME = Workshop(lens_px=0.2, warp_mm=0.04, s_bow_mm=0.15)
# and what is new at each position and in each photo
ANEW = Workshop(play_mm=0.05, play_rad={"lever": 1.2e-3, "crank": 0.5e-3, "upright": 0.25e-3}, flex_mm=0.08,
                flex_rad=0.15e-3, readout_s=(0.02, 0.03), hand_rad_s=float(np.deg2rad(1.0)), hand_mm_s=15.0)
FOCAL_MM = 4.6  # the invented phone's true focal length, as EXIF would say
AFTER_VIEWS: Mapping[str, tuple[int, ...]] = {
    "back3": (0, 1, 2), "back1": (0, 1, 3), "ahead": (0, 1, 2, 3), "push1": (0, 1, 2), "push3": (0, 1, 3),
    "spin1": (0, 2), "spin2": (1, 3)}


def shoots() -> dict[str, Truth]:
    """The two shoots by folder name: as first built, and after the repair."""
    rng = np.random.default_rng(SEED)
    before = make_truth(load_rig(HERE / "rig.toml"), SAMPLE_ERRORS, rng)
    after = repaired(before, rng, point="left_lever.rod", hole="B", rod="left_rod", tie="right_tie",
                     tie_change=2.5, positions=tuple(p for p in AFTER_VIEWS if not p.startswith("spin")),
                     plan=AFTER_VIEWS)
    return {"before": _as_found(before, 1), "after": _as_found(after, 2)}


def _as_found(truth: Truth, number: int) -> Truth:
    """The shoot with a workshop's play, flex, moving hand, paper and lens in it."""
    truth = in_workshop(truth, SAME, np.random.default_rng([SEED, 0]))
    rng = np.random.default_rng([SEED, number])
    return with_rod_play(in_workshop(truth, ANEW, rng), ROD_PLAY, rng)


def draw(folder: Path, truth: Truth, number: int, shot: Shot, preview: bool) -> tuple[str, int, dict[int, float]]:
    """Render one photo into ``folder``; name, bytes, and the share in view of every code."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([SEED, number])
    if preview:
        shot = replace(shot, camera=_smaller(shot.camera, 3))
    blur = float(rng.uniform(0.7, 0.9)) / (3 if preview else 1)
    picture, shares = photograph(truth, shot, rng, blur=blur, exposure=float(rng.uniform(0.84, 1.0)),
                                 sharpened=SHARPENED)
    path = folder / shot.name
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(picture).save(path, quality=QUALITY, subsampling=2, exif=_exif(truth, shot, number))
    return shot.name, path.stat().st_size, shares


def _smaller(c: Camera, k: int) -> Camera:
    s = c.lens
    residue = s.residue and replace(s.residue, size=s.residue.size / k, wave=s.residue.wave * k)
    lens = Lens(s.f / k, s.aspect, (s.cx + 0.5) / k - 0.5, (s.cy + 0.5) / k - 0.5, s.dist, s.width // k,
                s.height // k, residue)
    return replace(c, lens=lens, dc=c.dc / k)


def _exif(truth: Truth, shot: Shot, number: int) -> bytes:
    exif = Image.Exif()
    minute, second = divmod(17 * number, 60)
    when = f"2026:05:16 {10 + minute // 60:02d}:{minute % 60:02d}:{second:02d}"
    exif[0x010F], exif[0x0110], exif[0x0112], exif[0x0132] = "Example", "EX-1", shot.orientation, when
    detail = exif.get_ifd(0x8769)
    lens = truth.lens
    f35 = focal_guess(truth) / np.hypot(lens.width, lens.height) * np.hypot(36.0, 24.0)
    detail[0x9003], detail[0x920A], detail[0xA405], detail[0xA404] = when, FOCAL_MM, int(round(float(f35))), 1.0
    detail[0x829A] = 0.01  # s, exposure
    detail[0xA002], detail[0xA003] = lens.width, lens.height
    return exif.tobytes()


# --- the truth in writing ---


def numbers(values: np.ndarray | tuple[float, ...] | list[float], digits: int = 5) -> str:
    return "[" + ", ".join(f"{float(v) + 0.0:.{digits}f}" for v in np.ravel(values)) + "]"


def truth_text(name: str, t: Truth) -> str:
    """One shoot's truth as TOML; mm and degrees, frame axes, straight-ahead assembly.

    Wheel headings, toe and ratio are those of parts on the middle of their play.
    """
    deg = np.rad2deg
    t = replace(t, play={}, flex={})
    rig = t.rig
    toe = deg(t.heading("right", rig.straight_ahead) - t.heading("left", rig.straight_ahead))
    out = [f"[{name}.figures]", f"toe_deg = {toe:.5f}  # toe-in positive, both wheels together",
           f"ratio = {ratio(t):.5f}  # mean road-wheel steer over lever angle, 2 deg each way"]
    for side in ("left", "right"):
        b = rig.bodies[f"{side}_lever"]
        arm = np.linalg.norm(np.cross(np.subtract(rig.points[f"{side}_lever.rod"].xyz, b.pivot), b.axis))
        out.append(f"{side}_lever_arm = {arm:.4f}  # pivot axis to rod hole in use")
    for b in rig.bodies.values():
        out += ["", f"[{name}.bodies.{b.name}]", f"pivot = {numbers(b.pivot)}", f"axis = {numbers(b.axis, 7)}"]
    for p in rig.points.values():
        out += ["", f'[{name}.points."{p.name}"]', f'use = "{p.use}"',
                "holes = { " + ", ".join(f'"{h}" = {numbers(v)}' for h, v in p.holes.items()) + " }"]
    out += ["", f"[{name}.rods]"] + [f"{r.name} = {r.length:.5f}" for r in rig.rods.values()]
    for s, w in rig.wheels.items():
        out += ["", f"[{name}.wheels.{s}]", f"centre = {numbers(w.centre)}", f"spin = {numbers(w.spin, 7)}"]
    for position in t.positions:
        out += ["", f"[{name}.positions.{position}]", f"steer_left_deg = {deg(t.heading('left', position)):.5f}",
                f"steer_right_deg = {deg(t.heading('right', position)):.5f}"]
        out += [f"{b} = {deg(t.angles[b, position]) + 0.0:.5f}" for b in rig.bodies]
    for tag, (R, at) in t.tags.items():
        out += ["", f"[{name}.tags.{tag}]", f"middle = {numbers(at)}", f"rotation = {numbers(R, 7)}"]
    R, at = t.board_pose
    out += ["", f"[{name}.board]  # board to frame", f"origin = {numbers(at)}", f"rotation = {numbers(R, 7)}",
            f"scale = {t.scale:.7f}", f"bow_mm_at_100mm = {numbers(t.bow)}  # x^2, y^2, xy"]
    lens = t.lens
    out += ["", f"[{name}.lens]", f"f = {lens.f:.4f}", f"aspect = {lens.aspect:.7f}", f"cx = {lens.cx:.4f}",
            f"cy = {lens.cy:.4f}", f"k1_k2_p1_p2_k3 = {numbers(lens.dist, 7)}"]
    for shot in t.shots:
        c = shot.camera
        out += ["", f'[{name}.photos."{shot.name}"]  # x_cam = rotation x_frame + shift',
                f"rotation = {numbers(c.R, 8)}", f"shift = {numbers(c.t)}", f"df = {c.df:.7f}",
                f"dc = {numbers(c.dc)}"]
    return "\n".join(out) + "\n"


def ratio(t: Truth) -> float:
    """Mean road-wheel steer over lever angle near straight ahead, without sign."""
    step = np.deg2rad(2.0)
    means = []
    for d in (-step, step):
        rig = replace(t, angles={(b, "x"): a for b, a in solve(t.rig, float(d)).items()})
        means.append((rig.heading("left", "x") + rig.heading("right", "x")) / 2)
    return abs(float(means[1] - means[0]) / (2 * step))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--preview", action="store_true", help="a third of the size")
    ask.add_argument("--out", type=Path, default=HERE, help="where before/, after/ and truth.toml go")
    ask.add_argument("--jobs", type=int, default=2)
    ask.add_argument("--every", type=int, default=1, help="only every n-th photo")
    args = ask.parse_args()
    both = shoots()
    head = ("# The truth behind the sample photos, written by make_photos.py. The measuring never reads it.\n"
            "# mm and degrees, frame axes, straight-ahead assembly; joint angles count from there.\n\n")
    args.out.mkdir(parents=True, exist_ok=True)
    (args.out / "truth.toml").write_text(head + "\n".join(truth_text(n, t) for n, t in both.items()))
    jobs = [(args.out / n, t, 1000 * k + i, s, args.preview) for k, (n, t) in enumerate(both.items())
            for i, s in enumerate(t.shots)][::args.every]
    started, total = time.time(), 0
    seen: dict[tuple[str, int, str], int] = {}
    with ProcessPoolExecutor(args.jobs) as pool:
        for n, (job, (name, size, shares)) in enumerate(zip(jobs, pool.map(draw, *zip(*jobs, strict=True)),
                                                            strict=True)):
            total += size
            cells = _cell_sizes(job[1], job[3])
            for code, share in shares.items():
                key = (job[0].name, code, job[3].position)
                seen[key] = seen.get(key, 0) + int(share > 0.95 and cells.get(code, 0.0) >= 2.5)
            print(f"{n + 1}/{len(jobs)} {job[0].name}/{name} {size / 1e3:.0f} kB, "
                  f"{time.time() - started:.0f} s", flush=True)
    print(f"{total / 1e6:.2f} MB")
    for shoot, t in both.items():
        names = {tag.code: tag.name for tag in t.rig.tags.values()}
        print(f"\n{shoot}: photos with the whole tag in view and code cells of 2.5 px or more, by position")
        print(" " * 22 + " ".join(f"{p:>6s}" for p in t.positions))
        for code in sorted({c for f, c, _ in seen if f == shoot}):
            counts = " ".join(f"{seen.get((shoot, code, p), 0):6d}" for p in t.positions)
            print(f"{code:3d} {names.get(code, 'board'):18s}" + counts)


def _cell_sizes(truth: Truth, shot: Shot) -> dict[int, float]:
    out = {tag.code: code_cell_px(shot.camera.project(truth.tag_saddles(name, shot.position)))
           for name, tag in truth.rig.tags.items()}
    for code, xy in truth.board.saddles().items():
        out[code] = code_cell_px(shot.camera.project(truth.board_points(xy)))
    return out


if __name__ == "__main__":
    main()
