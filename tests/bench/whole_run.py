"""The whole run over bare JPEG decoding of the same photos, in one process run on the same machine.

Reference: cv2.imdecode to grey of every photo, one after another, on both cores by a process pool, as the
finder reads them. Run: python -m tests.bench.whole_run [photo folder]
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from calib.cli import main as rigtrue

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"


def decode(path: Path) -> int:
    """Pixels of one decoded photo."""
    cv2.setNumThreads(1)
    image = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
    return 0 if image is None else int(image.size)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLE / "before"
    photos = sorted(folder.rglob("*.jpg"))
    pixels = sum(decode(p) for p in photos)  # warms the file cache for both
    began = time.perf_counter()
    for p in photos:
        decode(p)
    one = time.perf_counter() - began
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        list(pool.map(decode, photos[:4]))
        began = time.perf_counter()
        list(pool.map(decode, photos))
        both = time.perf_counter() - began
    with tempfile.TemporaryDirectory() as out:
        began = time.perf_counter()
        code = rigtrue(["run", str(SAMPLE / "rig.toml"), str(folder), "--out", str(Path(out) / "out")])
        whole = time.perf_counter() - began
    print(f"{len(photos)} photos, {pixels / 1e6:.0f} megapixels, exit code {code}")
    print(f"decoding only: {one:.2f} s on one core, {both:.2f} s on {os.cpu_count()} cores")
    print(f"whole run: {whole:.2f} s, {whole / one:.1f} times decoding on one core, {whole / both:.1f} times on all")


if __name__ == "__main__":
    main()
