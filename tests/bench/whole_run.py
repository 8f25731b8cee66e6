"""The whole run, photos to report, over bare JPEG decoding of the same photos in the same sitting.

Two cases: the 36 sample photos, small and quick to decode, and 42 invented photos as a 12-megapixel phone writes them
(see phone_photos; drawn on first use, about 10 minutes, and kept in the folder given). Reference decoder:
cv2.imdecode (libjpeg-turbo in OpenCV's own wheels) of the file's bytes, (a) to grey, which is what finding tags needs,
and (b) to colour; photos one after another on one core, and spread over the cores by a process pool. The run itself
is a new process each time, so that starting and loading count; on one core it is held to that core where the system
can. Best of several. The phases are processor time of a one-core run in this process, after what it loads. On a
machine busy with other work the processor times are those to compare; they rise too, but for both alike.

Measured with --times 2 on a machine of two cores with nothing else at work (OpenCV 5.0); the machine itself is shared,
and from one sitting to the next the same run took up to a quarter longer. The least and the most of two sittings:

| case | whole run | over grey | over colour |
|---|---|---|---|
| sample, one core | 11.4 to 14.6 s | 32 to 44 | 17 to 21 |
| sample, two cores | 8.5 to 10.7 s | 63 to 72 | 23 |
| 12-megapixel phone, one core | 16.6 to 17.7 s | 8.2 to 8.3 | 5.2 to 5.5 |
| 12-megapixel phone, two cores | 10.2 to 12.4 s | 9.4 to 10.0 | 6.6 |

Processor seconds of the phone's 17.7 by phase (the later sitting): decoding 3.4 (2.1 where its memory is used again:
pictures are held until the second look), detection 2.5, refining 2.1, plots 1.9, start and second look 1.8, estimate
1.2, tables 1.0, adjustment 0.9, sheet 0.7, all else 2.2. The aim is at most 4 times bare decoding; it is not reached.

Last comes the same shoot measured by a script on OpenCV, see ``by_hand``, in time and in how wrong steer is.

Run: python -m tests.bench.whole_run [--no-script] [--phone FOLDER] [--photos FOLDER] [--times N]
"""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import redirect_stderr, redirect_stdout
from functools import wraps
from io import StringIO
from pathlib import Path
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.rig.reader import load_rig
from tests.bench.by_hand import side_by_side
from tests.bench.phone_photos import make, shoot

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
RECORD = "RIGTRUE_RECORD"  # each run is the vehicle's first, so that there is no history to draw
PHASES = {  # what counts for which line; a phase's time is without that of others called within it
    "reading and decoding": [("capture.shoot", "read_photo"), ("capture.hidden", "read_photo")],
    "detection": [("capture.shoot", "find_tags"), ("capture.shoot", "looks_mirrored")],
    "refining": [("capture.shoot", "read_tags")],
    "corner table": [("capture.shoot", "read_shoot")],
    "estimate": [("calib.run", "estimate")],
    "start": [("calib.run", "second_look")],
    "diagnosis": [("calib.estimation.fitted", "final_findings"), ("calib.run", "lost_motion")],
    "comparison, travel": [("calib.run", n) for n in ("compare", "travel", "_limits", "what_moves_what")],
    "adjustment": [("calib.run", n) for n in ("propose", "work_data")],
    "plots": [("calib.report.pictures", n)
              for n in ("save", "save_panels", "steer_curves", "figure_bars", "photo_quality", "residual_arrows")],
    "overlays": [("calib.report.pictures", "overlays")],
    "what if": [("calib.run", "whatif_data")],
    "sheet": [("calib.run", "draw_sheet")],
    "tables": [("calib.report.folder", "write_results"), ("calib.report.pictures", "draw_fit"),
               ("calib.report.pictures", "write_observations")],
    "report": [("calib.report.folder", "report_html")],
    "the rest": [("calib.commands", "cmd_run")],
}


def decode(path: Path, colour: bool = False) -> int:
    """Pixels of one decoded photo."""
    cv2.setNumThreads(1)
    how = (cv2.IMREAD_COLOR if colour else cv2.IMREAD_GRAYSCALE) | cv2.IMREAD_IGNORE_ORIENTATION
    image = cv2.imdecode(np.fromfile(path, np.uint8), how)
    return 0 if image is None else int(image.shape[0] * image.shape[1])


def colourful(path: Path) -> int:
    """Pixels of one photo decoded to colour."""
    return decode(path, True)


def best(times: int, what: Callable[[], Any]) -> NDArray[np.float64]:
    """Least wall time and least processor time of several, s, (2,); the latter with that of processes ended within."""
    took = []
    for _ in range(times):
        began, spent = time.perf_counter(), sum(os.times()[:4])
        what()
        took.append((time.perf_counter() - began, sum(os.times()[:4]) - spent))
    return np.min(took, axis=0)


def decoding(photos: Sequence[Path], cores: int, work: Callable[[Path], int], times: int) -> NDArray[np.float64]:
    """Wall and processor time of decoding all photos, s, (2,); the latter on one core only."""
    if cores == 1:
        return best(times, lambda: [work(p) for p in photos])
    with ProcessPoolExecutor(cores) as pool:
        list(pool.map(work, photos[:2 * cores]))
        return best(times, lambda: list(pool.map(work, photos)))


def run(folder: Path, cores: int, out: Path) -> None:
    """One whole run in a process of its own."""
    def held() -> None:
        if cores == 1 and hasattr(os, "sched_setaffinity"):
            os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})

    with tempfile.TemporaryDirectory(dir=out) as here:
        subprocess.run([sys.executable, "-m", "calib.cli", "run", str(SAMPLE / "rig.toml"), str(folder), "--out",
                        str(Path(here) / "out"), "--workers", str(cores), "--no-cache"], check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=held, cwd=SAMPLE.parent,
                       env={**os.environ, RECORD: here})


def phases(folder: Path) -> dict[str, float]:
    """Processor seconds of each phase of a run on one core."""
    began = time.process_time()
    subprocess.run([sys.executable, "-c", ""], check=True)
    spent: dict[str, float] = {}
    stack: list[float] = []
    undo = []

    def watched(label: str, work: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(work)
        def timed(*args: Any, **kwargs: Any) -> Any:
            start = time.process_time()
            stack.append(0.0)
            try:
                return work(*args, **kwargs)
            finally:
                took = time.process_time() - start
                spent[label] = spent.get(label, 0.0) + took - stack.pop()
                if stack:
                    stack[-1] += took
        return timed

    for name in ("calib.cli", "calib.run", "matplotlib.backends.backend_svg", "matplotlib.backends.backend_agg"):
        importlib.import_module(name)
    spent["loading"] = time.process_time() - began
    for label, places in PHASES.items():
        for module, name in places:
            owner = importlib.import_module(module)
            undo.append((owner, name, getattr(owner, name)))
            setattr(owner, name, watched(label, getattr(owner, name)))
    try:
        with (tempfile.TemporaryDirectory() as out, patch.dict(os.environ, {RECORD: out}),
              redirect_stdout(StringIO()), redirect_stderr(StringIO())):
            importlib.import_module("calib.cli").main(["run", str(SAMPLE / "rig.toml"), str(folder), "--out",
                                                       str(Path(out) / "out"), "--workers", "1", "--no-cache"])
    finally:
        for owner, name, work in undo:
            setattr(owner, name, work)
    return spent


def case(title: str, folder: Path, times: int) -> None:
    """Print one case."""
    photos = sorted(folder.rglob("*.jpg"))
    pixels = sum(decode(p) for p in photos)  # warms the file cache for all that follows
    size = sum(p.stat().st_size for p in photos) / len(photos) / 1e6
    print(f"\n{title}: {len(photos)} photos, {pixels / 1e6 / len(photos):.1f} megapixels, {size:.2f} MB each")
    print(f"{'':18}{'whole run':>11}{'grey':>9}{'colour':>9}{'run / grey':>12}{'run / colour':>14}")
    with tempfile.TemporaryDirectory() as out:
        for cores in sorted({1, os.cpu_count() or 1}):
            grey, colour = decoding(photos, cores, decode, times), decoding(photos, cores, colourful, times)
            whole = best(times, lambda cores=cores: run(folder, cores, Path(out)))  # type: ignore[misc]
            kinds = ("wall", "processor") if cores == 1 else ("wall",)
            for kind, w, g, c in zip(kinds, whole, grey, colour, strict=False):
                print(f"{f'{cores}-core {kind}, s':20}{w:9.2f}{g:9.2f}{c:9.2f}{w / g:12.1f}{w / c:14.1f}", flush=True)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--phone", type=Path, default=Path(tempfile.gettempdir()) / "rigtrue_phone_photos",
                     help="where the 12-megapixel photos are, or are to be drawn")
    ask.add_argument("--photos", type=Path, help="time the photos of this folder only")
    ask.add_argument("--times", type=int, default=3)
    ask.add_argument("--no-script", action="store_true", help="leave out the same by a script on OpenCV (5 minutes)")
    args = ask.parse_args()
    if args.photos is None:
        make(args.phone, os.cpu_count() or 1)
    cases = ([("photos given", args.photos)] if args.photos else
             [("sample", SAMPLE / "before"), ("12-megapixel phone", args.phone)])
    for title, folder in cases:
        case(title, folder, args.times)
    print("\nprocessor seconds on one core" + "".join(f"{title:>20}" for title, _ in cases))
    tables = []
    for _, folder in cases:  # each in a process of its own, as the first would have loaded everything already
        with ProcessPoolExecutor(1) as pool:
            tables.append(pool.submit(phases, folder).result())
    for label in ("loading", *PHASES):
        print(f"{label:29}" + "".join(f"{t.get(label, 0.0):20.2f}" for t in tables))
    print(f"{'all':29}" + "".join(f"{sum(t.values()):20.2f}" for t in tables))
    if args.photos is None and not args.no_script:
        side_by_side(args.phone, shoot(), load_rig(SAMPLE / "rig.toml"))


if __name__ == "__main__":
    main()
