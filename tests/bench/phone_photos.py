"""A shoot as a 12-megapixel phone writes it, for benches only: 42 invented photos of 4000 x 3000 px.

Rendered by ``tests.render`` from the invented sample vehicle: five lever positions and two with the wheels turned by
hand, six photos each, lens blur 0.9 to 1.2 px, noise of about 3 grey levels in the mid tones, JPEG quality 95 with
halved colour, which makes files of 3 to 4 MB. Seeded. Made once into a folder and kept there; about 14 s a photo.
Run: python -m tests.bench.phone_photos FOLDER
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from calib.rig.reader import load_rig
from sample_data.make_photos import HERE, _exif
from tests.render.scene import photograph
from tests.render.truth import SAMPLE_ERRORS, SPIN_VIEWS, VIEWS, Shot, Truth, make_truth, plan_shots

SEED = 42
POSITIONS = ("back3", "back1", "ahead", "push1", "push3")
EACH = 6


def shoot() -> Truth:
    """The shoot's truth: camera, vehicle and the 42 photos to take."""
    rng = np.random.default_rng(SEED)
    truth = make_truth(load_rig(HERE / "rig.toml"), SAMPLE_ERRORS, rng, width=4000, height=3000)
    plan = {p: [VIEWS[k % len(VIEWS)] for k in range(EACH)] for p in POSITIONS}
    plan |= {p: [SPIN_VIEWS[k % len(SPIN_VIEWS)] for k in range(EACH)] for p in truth.rig.spin_positions}
    return replace(truth, shots=plan_shots(truth.lens, plan, rng))


def draw(folder: Path, truth: Truth, number: int, shot: Shot) -> int:
    """Render one photo into ``folder`` unless it is there; its bytes."""
    path = folder / shot.name
    if not path.exists():
        cv2.setNumThreads(1)
        rng = np.random.default_rng([SEED, number])
        picture, _ = photograph(truth, shot, rng, blur=float(rng.uniform(0.9, 1.2)),
                                exposure=float(rng.uniform(0.84, 1.0)), read_noise=2.0, shot_noise=0.035)
        path.parent.mkdir(parents=True, exist_ok=True)
        half = path.with_suffix(".part")  # a photo cut short by a stop would stay
        Image.fromarray(picture).save(half, "JPEG", quality=95, subsampling=2, exif=_exif(truth, shot, number))
        half.rename(path)
    return path.stat().st_size


def make(folder: Path, jobs: int = 2) -> list[Path]:
    """The shoot's photos in ``folder``, drawn where they are not there yet."""
    truth = shoot()
    todo = [(folder, truth, n, s) for n, s in enumerate(truth.shots) if not (folder / s.name).exists()]
    began = time.monotonic()
    with ProcessPoolExecutor(jobs) as pool:
        for n, size in enumerate(pool.map(draw, *zip(*todo, strict=True)) if todo else (), 1):
            print(f"{n}/{len(todo)} {size / 1e6:.1f} MB, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    return [folder / s.name for s in truth.shots]


if __name__ == "__main__":
    make(Path(sys.argv[1]))
