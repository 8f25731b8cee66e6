"""Whether the plan tells the truth: predicted over reported 95 % half-widths, on random rigs shot as planned.

    python -m tests.bench.plan_truth [rigs, default 30] [first seed]

prints for every figure the least, median and largest ratio, the share of rigs within 0.8 to 1.25, and the share whose
reported half-width lies in the plan's range, its ends widened by 0.8 and 1.25.

Measured over 30 rigs (range: largest over least of the plan's, median):

| figures | least | median | largest | within | range | in the range |
|---|---|---|---|---|---|---|
| toe, ratio | 0.87 | 1.01 | 1.17 | 100 % | 1.2 | 100 % |
| rod lengths | 0.89 | 0.97 | 1.08 | 100 % | 1.0 | 100 % |
| steer at a position | 0.72 | 1.01 | 1.34 | 90 to 100 % | 1.2 | 93 to 100 % |
| lever angle at a position | 0.56 | 1.03 | 1.39 | 83 to 97 % | 1.4 | 97 to 100 % |
| steering axes, camber by side | 0.76 | 1.00 | 1.65 | 93 to 100 % | 1.0 | 93 to 100 % |
| camber, mean of both | 0.63 | 1.07 | 1.46 | 73 % | 1.9 | 100 % |
| toe at the position straight ahead | 0.51 | 0.99 | 1.50 | 53 % | 2.5 | 100 % |
| symmetry, locks by side, straight | 0.69 | 0.98 | 1.29 | 93 to 97 % | 1.2 | 97 to 100 % |
| turning circle | 0.51 | 0.92 | 1.13 | 90 % | 1.1 | 90 % |
| lock, mean | 0.58 | 1.09 | 2.16 | 33 % | 2.3 | 97 % |
| Ackermann error | 0.46 | 1.03 | 4.91 | 33 % | 7.4 | 100 % |

Why a range, and not one number: mean lock and Ackermann error hang on how unlike the two sides of the vehicle turned
out; mean camber and toe straight ahead on how far the corners stand off, which in these workshops differs three times
from one to the next (tags' paper, sharpness): with the corners as the plan has them the ratio of the worst rig is 1.18
instead of 0.51. The range was chosen on these 30 rigs; on 30 others (seeds 30 to 59) 93 to 100 % lie in it, the turning
circle 90 %, mean kingpin inclination 87 %. Serious findings on these sound rigs: none of the first 30 (9 before a tag's
slip and a zoom were held against what paper and hand do); of the others one, a false zoom (seed 54).
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
    print("\n| figure | least | median | largest | within 0.8 to 1.25 | in the range |\n"
          "|---|---|---|---|---|---|")
    for name, low, mid, high, share, ranged in table(trials):
        mark = " (drawn stops)" if name in DRAWN_STOPS else ""
        print(f"| {name}{mark} | {low:.2f} | {mid:.2f} | {high:.2f} | {100 * share:.0f} % | {100 * ranged:.0f} % |")


if __name__ == "__main__":
    main()
