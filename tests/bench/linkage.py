"""Time of a 101-position sweep with all limits, against a general root finder in the same run.

Run: python -m tests.bench.linkage
"""

from __future__ import annotations

import time

import numpy as np
from scipy.optimize import root

from calib.linkage.limits import check_limits
from calib.linkage.mechanism import Linkage, rod_lengths
from calib.linkage.steering import curve_figures
from tests.moorhen import moorhen

N = 101


def best(f, repeats: int) -> float:
    """Least wall time of f() in seconds."""
    times = []
    for _ in range(repeats):
        t = time.perf_counter()
        f()
        times.append(time.perf_counter() - t)
    return min(times)


def main() -> None:
    rig = moorhen()
    x = np.deg2rad(np.linspace(-32, 32, N))
    lk = Linkage(rig)
    sweep = lk.sweep(x)
    free = lk.solving_order().placed
    lengths = np.array([r.length for r in rig.rods.values()])

    def general() -> np.ndarray:
        # one position after another outwards from straight ahead, each started from its neighbour
        got = np.full((N, len(free)), np.nan)
        for order in (range(N // 2, N), range(N // 2, -1, -1)):
            v = np.zeros(len(free))
            for i in order:
                def gaps(v: np.ndarray, i: int = i) -> np.ndarray:
                    a = {rig.driver: x[i], **dict(zip(free, v, strict=True))}
                    return np.array([float(d) for d in rod_lengths(rig, a).values()]) - lengths
                v = root(gaps, v, tol=1e-12).x
                got[i] = v
        return got

    t_sweep = best(lambda: Linkage(rig).sweep(x), 10)
    t_limits = best(lambda: check_limits(rig, sweep), 10)
    t_figures = best(lambda: curve_figures(rig, sweep), 10)
    t_root = best(general, 1)
    got = general()
    apart = max(float(np.abs(got[:, j] - sweep.angles[b]).max()) for j, b in enumerate(free))
    whole = t_sweep + t_limits + t_figures
    print(f"sweep of {N} positions        {1e3 * t_sweep:8.2f} ms")
    print(f"all limits                    {1e3 * t_limits:8.2f} ms")
    print(f"figures                       {1e3 * t_figures:8.2f} ms")
    print(f"sweep, limits and figures     {1e3 * whole:8.2f} ms   (aim: at most 50 ms on one core)")
    print(f"scipy root, angles only       {1e3 * t_root:8.2f} ms   {t_root / t_sweep:.0f} times the sweep, "
          f"{t_root / whole:.0f} times the whole")
    print(f"largest difference            {apart:.1e} rad")


if __name__ == "__main__":
    main()
