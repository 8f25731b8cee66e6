"""What a builder waits for at the rig: one photo judged from its bytes, and what is known after one photo more.

The 42 photos of ``phone_photos`` (12 megapixels) come one by one as to the phone's page, position by position. Judging:
processor seconds of one core from bytes to verdict, over grey decoding of the same bytes. What is known: from the
estimate before, over the estimate from nothing of the same photos, and how far the two are apart in half-widths.

Measured (OpenCV 5.0, one core of a machine busy with other work):

|   | median | least | most |
|---|---|---|---|
| judging one photo, bytes to verdict | 0.36 | 0.27 | 0.50 s |
| its grey decoding | 0.068 | 0.060 | 0.081 s |
| what is known, from the estimate before | 0.24 | 0.18 | 0.35 s |
| from nothing | 2.1 | 1.3 | 2.5 s |
| apart, worst figure over its half-width | 0.04 | 0.001 | 0.14 |

24 of 29 estimates went on from the one before. The aims are 0.6 s for the photo and 0.3 s for what is known.

Run: OMP_NUM_THREADS=1 python -m tests.bench.while_shooting [FOLDER of the 12-megapixel photos]
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np

from calib.rig.reader import load_rig
from calib.shooting.desk import Shoot
from calib.shooting.known import Knowing, Known
from capture.judging import judge
from capture.photos import list_shoot
from capture.targets import Board
from tests.bench.phone_photos import make
from tests.bench.whole_run import SAMPLE

Out = TypeVar("Out")
EVERY = 5  # photos between two estimates from nothing


def spent(work: Callable[[], Out]) -> tuple[float, Out]:
    """Processor seconds, and what came of it."""
    began = time.process_time()
    out = work()
    return time.process_time() - began, out


def apart(a: Known, b: Known) -> float:
    """Largest difference of a figure over its half-width."""
    return max((abs(f.value - g.value) / g.u95 for f, g in zip(a.figures, b.figures, strict=True)), default=0.0)


def row(name: str, values: list[float], unit: str = "s") -> None:
    v = np.array(values)
    print(f"{name:44}{np.median(v):9.3f}{v.min():9.3f}{v.max():9.3f} {unit}", flush=True)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.gettempdir()) / "rigtrue_phone_photos"
    make(folder)
    cv2.setNumThreads(1)
    rig = load_rig(SAMPLE / "rig.toml")
    board, codes = Board.for_paper(rig.board.paper), frozenset(rig.tag_by_code())
    judging, decoding, going, nothing, gaps, cold = [], [], [], [], [], 0
    with tempfile.TemporaryDirectory() as here:
        shoot = Shoot.open(rig, here)
        for n, (path, position, name) in enumerate(list_shoot(folder)):
            data = (folder / name).read_bytes() if not path.is_absolute() else path.read_bytes()
            judging.append(spent(lambda d=data, p=position, m=name: judge(d, m, p, codes, board))[0])  # type: ignore[misc]
            decoding.append(spent(lambda d=data: cv2.imdecode(  # type: ignore[misc]
                np.frombuffer(d, np.uint8), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION))[0])
            shoot.add(data, position)
            took, soon = spent(lambda: shoot.known(soon=True))
            if soon.went_on:
                going.append(took)
            elif not soon.trouble:
                cold += 1
                nothing.append(took)
            if soon.went_on and n % EVERY == 0:
                took, whole = spent(lambda: Knowing(rig).whole(shoot.session.observations()))
                nothing.append(took)
                gaps.append(apart(soon, whole))
    print(f"{'':44}{'median':>9}{'least':>9}{'most':>9}")
    row("judging one photo, bytes to verdict", judging)
    row("its grey decoding", decoding)
    row("judging over decoding", list(np.array(judging) / decoding), "x")
    row("what is known, from the estimate before", going)
    row("from nothing", nothing)
    row("apart, worst figure over its half-width", gaps, "u95")
    print(f"{len(going)} of {len(going) + cold} estimates went on from the one before")


if __name__ == "__main__":
    main()
