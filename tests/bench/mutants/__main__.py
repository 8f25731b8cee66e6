"""Mutation run: how many small wrong changes to the code no test notices.

A seeded sample of the changes that ``changes`` knows, over the modules whose numbers are shown, each tried by itself
with the tests that should notice it, in a fork (``live``) or, outside functions, in a copy of the tree (``trial``). A
mutant no test notices is "alive", unless ``known.toml`` says why that is no fault: "equivalent", no number shown
changes; "chosen", another value of a chosen constant, with its effect. Add a test for each that is alive, or the
reason.

A run goes on until its time is over and can be taken up again with the same --log.

Run: python -m tests.bench.mutants [--street S ...] [--each 10] [--seed 1] [--minutes 9] [--log FILE] [--again]
[--first N] [--trust]
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from tests.bench.mutants.live import Live
from tests.bench.mutants.trial import Candidate, Key, Known, Tree, candidates, known_mutants, sample, tried

ROOT = Path(__file__).resolve().parents[3]
STREETS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {  # modules; tests, quickest first
    "figures": (("calib/linkage/steering.py", "calib/linkage/contacts.py"),
                ("tests/test_axes.py", "tests/test_contacts.py", "tests/test_lean.py", "tests/test_compare.py",
                 "tests/test_outside_references.py", "tests/test_variants.py")),
    "linkage": (("calib/linkage/mechanism.py", "calib/linkage/batch.py"),
                ("tests/test_linkage.py", "tests/test_shapes.py", "tests/test_axes.py", "tests/test_layouts.py",
                 "tests/test_limits.py", "tests/test_variants.py", "tests/test_blocks.py")),
    "rotations": (("calib/linkage/rotations.py",),
                  ("tests/test_rotations.py", "tests/test_shapes.py", "tests/test_linkage.py", "tests/test_axes.py",
                   "tests/test_blocks.py")),
    "residuals": (("calib/estimation/blocks/*.py", "calib/estimation/equations.py", "calib/estimation/unknowns.py",
                   "calib/estimation/camera.py"),
                  ("tests/test_blocks.py", "tests/test_cameras.py", "tests/test_estimate.py", "tests/test_layouts.py",
                   "tests/test_play.py", "tests/test_coverage.py")),
    "solver": (("calib/estimation/solver.py", "calib/estimation/bundle.py", "calib/estimation/fitted.py",
                "calib/estimation/start.py", "calib/estimation/coldstart.py"),
               ("tests/test_start.py", "tests/test_blocks.py", "tests/test_estimate.py", "tests/test_layouts.py",
                "tests/test_drawn.py", "tests/test_mistakes.py", "tests/test_coverage.py")),
    "spread": (("calib/estimation/repeat.py", "calib/estimation/shared.py", "calib/estimation/fields.py",
                "calib/estimation/drawn.py"),
               ("tests/test_repeatability.py", "tests/test_blocks.py", "tests/test_drawn.py", "tests/test_repeat.py",
                "tests/test_coverage.py")),
    "propagator": (("calib/uncertainty.py", "calib/advice/propagation.py", "calib/advice/sensitivity.py"),
                   ("tests/test_uncertainty.py", "tests/test_verdict_proof.py", "tests/test_compare.py",
                    "tests/test_travel_plots.py",
                    "tests/test_figures.py", "tests/test_outside_references.py", "tests/test_plan.py",
                    "tests/test_lean.py", "tests/test_play.py")),
    "measured": (("calib/estimation/measured.py", "calib/estimation/asbuilt.py", "calib/estimation/play.py",
                  "calib/estimation/loaded.py", "calib/advice/compare.py", "calib/advice/verdict.py"),
                 ("tests/test_compare.py", "tests/test_stops.py", "tests/test_loaded.py", "tests/test_play.py",
                  "tests/test_estimate.py", "tests/test_layouts.py", "tests/test_report.py", "tests/test_coverage.py")),
    "search": (("calib/advice/search.py", "calib/advice/finder.py", "calib/advice/keeping.py",
                "calib/advice/chances.py", "calib/advice/ranking.py", "calib/advice/adjust.py",
                "calib/advice/proposal.py", "calib/linkage/limits.py"),
               ("tests/test_candidates.py",
                "tests/test_limits.py", "tests/test_adjust.py", "tests/test_advice_trials.py", "tests/test_variants.py",
                "tests/test_report.py", "tests/test_main_job.py")),
    "advice": (("calib/advice/travel.py", "calib/advice/hand.py", "calib/advice/centring.py", "calib/advice/rider.py",
                "calib/advice/riders.py", "calib/advice/knownholes.py", "calib/advice/worklist.py",
                "calib/advice/hints.py", "calib/advice/candidates.py"),
               ("tests/test_candidates.py",
                "tests/test_centring.py", "tests/test_worklist.py", "tests/test_rider.py", "tests/test_adjustables.py",
                "tests/test_travel_plots.py", "tests/test_variants.py", "tests/test_adjust.py", "tests/test_holes.py")),
    "corners": (("capture/corners.py", "capture/targets.py"),
                ("tests/test_corners.py", "tests/test_shapes.py", "tests/test_detection.py", "tests/test_printing.py")),
}


def main() -> None:
    args = _arguments()
    known = known_mutants()
    log = _read(args.log)
    begun = time.monotonic()
    wanted: list[Candidate] = []
    for street in args.street or STREETS:
        modules, tests = STREETS[street]
        wanted += sample(candidates(ROOT, street, modules, tests[:args.first]), args.each, args.seed)
    left = [c for c in wanted if log.get(c.name) != "killed" and (args.again or c.name not in log)]
    with tempfile.TemporaryDirectory(prefix="mutants_") as folder:
        for c, fate in tried(Tree(ROOT, Path(folder)), left, known, fast=Live(ROOT) if hasattr(os, "fork") else None,
                             trust=args.trust):
            log[c.name] = fate
            if args.log:
                with args.log.open("a", encoding="utf-8") as f:
                    f.write(json.dumps([c.name, fate]) + "\n")
            if fate == "alive":
                print(f"alive: {c.path}:{c.mutant.line} {c.mutant.within}, {c.mutant.kind}\n"
                      f"  was {c.mutant.was}\n  now {c.mutant.now}", flush=True)
            if time.monotonic() - begun > 60 * args.minutes:
                break
    _table(wanted, log, known)


def _arguments() -> argparse.Namespace:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--street", nargs="+", choices=list(STREETS))
    ask.add_argument("--each", type=int, default=10, help="mutants a street")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--minutes", type=float, default=9.0, help="begin no further mutant after this")
    ask.add_argument("--log", type=Path, help="file of what was tried, to take up again")
    ask.add_argument("--first", type=int, help="only that many of a street's test files; then --again with all")
    ask.add_argument("--trust", action="store_true", help="the tests are known to pass as the code is")
    ask.add_argument("--again", action="store_true", help="try again those that were not killed")
    return ask.parse_args()


def _read(log: Path | None) -> dict[str, str]:
    if log is None or not log.exists():
        return {}
    return dict(json.loads(line) for line in log.read_text(encoding="utf-8").splitlines())


def _table(wanted: list[Candidate], log: dict[str, str], known: Mapping[Key, Known]) -> None:
    fates = ("killed", "equivalent", "chosen", "alive")
    print(f"\n{'street':12}{'tried':>8}" + "".join(f"{f:>12}" for f in fates) + f"{'not yet':>10}")
    streets = list(dict.fromkeys(c.street for c in wanted))
    total: Counter[str] = Counter()
    for street in (*streets, "all"):
        n = total if street == "all" else Counter(log.get(c.name, "") for c in wanted if c.street == street)
        total = total if street == "all" else total + n
        print(f"{street:12}{sum(n[f] for f in fates):8}" + "".join(f"{n[f]:12}" for f in fates) + f"{n['']:10}")
    for fate in ("equivalent", "chosen"):
        print(f"\n{fate}:")
        for c in wanted:
            if log.get(c.name) == fate:
                print(f"  {c.path}:{c.mutant.line} {c.mutant.now}\n    {known[c.mutant.key].why}")
    texts = [" ".join(p.read_text(encoding="utf-8").split()) for top in ("calib", "capture")
             for p in (ROOT / top).rglob("*.py")]
    for within, was, _ in known:
        if not any(was in text and (not within or f"def {within}(" in text) for text in texts):
            print(f"\nno longer in the code, take it out of known.toml: {within}: {was}")


if __name__ == "__main__":
    main()
