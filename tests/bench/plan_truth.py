"""Whether the plan tells the truth: predicted over reported 95 % half-widths, on random rigs shot as planned.

    python -m tests.bench.plan_truth [rigs, default 30] [first seed]

prints for every figure the least, median and largest ratio, and the share of rigs within 0.8 to 1.25.
"""

from __future__ import annotations

import sys
import time

from tests.plan_trials import DRAWN_STOPS, Trial, table, trial


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    trials: list[Trial] = []
    for k in range(first, first + n):
        began = time.perf_counter()
        t = trial(k)
        trials.append(t)
        outside = {m: round(r, 2) for m, r in t.ratios.items() if not 0.8 < r < 1.25}
        serious = [f.code for f in t.fit.findings if f.serious]
        print(f"rig {k}: {t.plan.photos} photos, {time.perf_counter() - began:.0f} s, driver's pivot "
              f"{t.lever_off:.1f} tolerances off, drawing x {t.fit.drawing.factor:.2f}, serious {serious}; "
              f"outside: {outside}", flush=True)
    print("\n| figure | least | median | largest | within 0.8 to 1.25 |\n|---|---|---|---|---|")
    for name, low, mid, high, share in table(trials):
        mark = " (drawn stops)" if name in DRAWN_STOPS else ""
        print(f"| {name}{mark} | {low:.2f} | {mid:.2f} | {high:.2f} | {100 * share:.0f} % |")


if __name__ == "__main__":
    main()
