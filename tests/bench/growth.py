"""Time and memory by number of photos, stage by stage.

Each stage of each size runs in a process of its own (one worker), so that the largest memory is its own. Finding reads
the sample's photos over and over, each made another file by a comment in it; the later stages have simulated corners of
the sample vehicle, the photos shared out over its positions. The exponent is that of the last two sizes: log of the
ratio of times over log of the ratio of photos.

Run: python -m tests.bench.growth [sizes, default 10 42 200 1000] [finding: with that stage; it takes long]
"""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
STAGES = ("finding", "starting", "solving", "findings and figures", "comparing and proposing", "reports")


def many_photos(folder: Path, n: int) -> None:
    """``n`` different files from the sample's photos: a comment segment behind the start of the picture."""
    photos = sorted((SAMPLE / "before").rglob("*.jpg"))
    for k in range(n):
        path = photos[k % len(photos)]
        data, note = path.read_bytes(), f"copy {k}".encode()
        to = folder / path.parent.name / f"{k:04d}.jpg"
        to.parent.mkdir(parents=True, exist_ok=True)
        # COM: marker, length with itself, text (ITU-T T.81, B.2.4.5)
        to.write_bytes(data[:2] + b"\xff\xfe" + (len(note) + 2).to_bytes(2, "big") + note + data[2:])


def simulated(n: int):
    """The sample vehicle's design and a shoot of about ``n`` photos, spread over its positions."""
    from calib.rig.reader import load_rig
    from tests.render.shoot import simulate_observations
    from tests.render.truth import SPIN_VIEWS, VIEWS, plan_shots, sample_truth

    rng = np.random.default_rng(n)
    design, truth = load_rig(SAMPLE / "rig.toml"), sample_truth(SAMPLE / "rig.toml")
    ahead = design.straight_ahead
    order = (ahead, design.positions[0], design.positions[-1], *design.spin_positions, *design.positions[1:-1])
    labels = list(dict.fromkeys(order))[:max(3, n // 4)]
    design = replace(design, positions=tuple(p for p in design.positions if p in labels),
                     spin_positions=tuple(p for p in design.spin_positions if p in labels))
    plan: dict[str, list] = {p: [] for p in labels}
    for k in range(n):
        p = labels[k % len(labels)]
        views = SPIN_VIEWS if p in design.spin_positions else VIEWS
        plan[p].append(views[len(plan[p]) % len(views)])
    truth = replace(truth, shots=plan_shots(truth.lens, plan, rng))
    return design, simulate_observations(truth, 0.05, rng)


def timed(times: dict[str, float], name: str, work: Callable) -> object:
    """What ``work`` gives; its seconds go to ``times``."""
    began = time.perf_counter()
    out = work()
    times[name] = time.perf_counter() - began
    return out


def _watched(times: dict[str, float], name: str, work: Callable) -> Callable:
    return lambda *a, **k: timed(times, name, lambda: work(*a, **k))


def one(what: str, n: int) -> None:
    """One stage of one size, in this process; prints seconds by part, memory and output as JSON."""
    times: dict[str, float] = {}
    size = 0
    if what == "finding":
        with tempfile.TemporaryDirectory() as folder:
            many_photos(Path(folder), n)
            from calib.rig.reader import load_rig
            from capture.shoot import read_shoot
            from capture.targets import Board

            rig = load_rig(SAMPLE / "rig.toml")
            obs = timed(times, "finding", lambda: read_shoot(
                Path(folder), set(rig.tag_by_code()), Board.for_paper(rig.board.paper), workers=1))
            assert len(obs.photos) == n  # type: ignore[attr-defined]
    else:
        from calib.estimation import bundle
        from calib.report.folder import write_results
        from calib.run import measure

        design, obs = simulated(n)
        for name, function in (("starting", "begin"), ("solving", "solve"), ("findings and figures", "fit_of")):
            setattr(bundle, function, _watched(times, name, getattr(bundle, function)))
        began = time.perf_counter()
        results = measure(design, obs)
        times["comparing and proposing"] = time.perf_counter() - began - sum(times.values())
        times["memory before reports"] = peak()
        with tempfile.TemporaryDirectory() as folder:
            timed(times, "reports", lambda: write_results(results, Path(folder) / "out"))
            size = sum(f.stat().st_size for f in Path(folder).rglob("*") if f.is_file())
    print(json.dumps({"times": times, "mb": peak(), "output_mb": size / 1e6}))


def peak() -> float:
    """Largest memory so far, MB (ru_maxrss is kB on Linux, bytes on macOS)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def main(sizes: list[int], finding: bool) -> None:
    """Print a table."""
    rows: dict[int, dict[str, float]] = {}
    for n in sizes:
        rows[n] = {}
        for what in (["finding"] if finding else []) + ["rest"]:
            said = subprocess.run([sys.executable, "-m", "tests.bench.growth", "one", what, str(n)], check=True,
                                  capture_output=True, text=True).stdout
            got = json.loads(said.splitlines()[-1])
            rows[n] |= got["times"] | {f"MB, {what}": got["mb"]}
            if what == "rest":
                rows[n]["MB of output"] = got["output_mb"]
        print(n, {k: round(v, 2) for k, v in rows[n].items()}, flush=True)
    names = list(dict.fromkeys(k for r in rows.values() for k in r))
    print("\n| photos | " + " | ".join(names) + " |\n|" + "---|" * (len(names) + 1))
    for n, r in rows.items():
        print(f"| {n} | " + " | ".join(f"{r.get(k, math.nan):.3g}" for k in names) + " |")
    if len(sizes) > 1:
        a, b = sizes[-2:]
        whole = ("starting", "solving", "findings and figures")
        steps = [(k, rows[a].get(k, 0), rows[b].get(k, 0)) for k in STAGES]
        steps.append(("the whole estimate", *(sum(rows[n][k] for k in whole) for n in (a, b))))
        for name, x, y in steps:
            if x > 0 and y > 0:
                print(f"{name}: exponent {math.log(y / x) / math.log(b / a):.2f} from {a} to {b} photos")


if __name__ == "__main__":
    if sys.argv[1:2] == ["one"]:
        one(sys.argv[2], int(sys.argv[3]))
    else:
        main([int(a) for a in sys.argv[1:] if a.isdigit()] or [10, 42, 200, 1000], "finding" in sys.argv)
