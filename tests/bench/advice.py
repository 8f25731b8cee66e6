"""Proposals on random vehicles beside every hole and whole step tried with independent kinematics.

    python -m tests.bench.advice [RIGS] [--tie 0]

Prints for each vehicle the best chance that trying everything finds, that of the first proposal, the best on the page
and whether the first keeps the limits; then how often the tolerances were met where proposals were followed on
vehicles drawn from the covariance, beside the chances stated.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence

import numpy as np

from calib.advice.adjust import AdjustOptions, Proposal, propose
from calib.advice.ranking import Rules
from tests.advice_trials import Trial, trial
from tests.steering_scene import design


def setting(p: Proposal) -> tuple[dict[str, str], dict[str, float]]:
    """Holes and rod changes of a proposal."""
    return ({c.item: c.after for c in p.changes if c.kind == "hole"},
            {c.item: c.mm for c in p.changes if c.kind == "rod"})


def chances(t: Trial, page: Sequence[Proposal]) -> list[float]:
    """Chance of each proposal, independent kinematics."""
    return [t.chance(*setting(p)) for p in page]


def reliability(pairs: Sequence[tuple[float, float]]) -> list[str]:
    """Stated chance against share met, by bins of the stated chance."""
    x = np.array(pairs)
    out = [f"{'stated':>14} {'proposals':>10} {'mean stated':>12} {'share met':>10}"]
    edges = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0001)
    for lo, hi in zip(edges[:-1], edges[1:], strict=True):
        k = (x[:, 0] >= lo) & (x[:, 0] < hi)
        if k.any():
            out.append(f"{lo:6.2f} to {min(hi, 1):4.2f} {k.sum():10d} {x[k, 0].mean():12.3f} {x[k, 1].mean():10.3f}")
    return [*out, f"largest difference of one proposal {np.abs(x[:, 0] - x[:, 1]).max():.3f}"]


def main() -> None:
    """Print the tables."""
    ask = argparse.ArgumentParser()
    ask.add_argument("rigs", nargs="?", type=int, default=30)
    ask.add_argument("--tie", type=float, default=Rules().tie)
    args = ask.parse_args()
    options = AdjustOptions(rules=Rules(tie=args.tie))
    pairs: list[tuple[float, float]] = []
    short, behind, apart, seconds = 0, 0, 0, []
    print(f"{'rig':>4} {'tried':>7} {'best':>6} {'first':>6} {'page':>6} {'stated':>6} kept")
    for k in range(args.rigs):
        t = trial(design(), k)
        start = time.process_time()
        got = propose(t.design, t.built, options)
        seconds.append(time.process_time() - start)
        best, _, tried = t.best()
        own = chances(t, got.all)
        kept = all(t.kept(*setting(p)) for p in got.all)
        first, page = own[0], max(own)
        short += best - first > 0.02
        apart += best - page > 0.02
        behind += page - first >= 0.1
        pairs += [(p.chance_all, t.followed(*setting(p))) for p in got.all]
        print(f"{k:4d} {tried:7d} {best:6.3f} {first:6.3f} {page:6.3f} {got.best.chance_all:6.3f} "
              f"{'yes' if kept else 'NO'}", flush=True)
    print(f"first more than 0.02 behind everything tried: {short} of {args.rigs}; best of the page: {apart}; "
          f"first at least 0.1 behind another on the page: {behind}; {np.mean(seconds):.2f} s a search")
    print("\n".join(reliability(pairs)))


if __name__ == "__main__":
    main()
