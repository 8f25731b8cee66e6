"""Honest intervals of what leaning does: the share of true values inside them, over independent simulated shoots.

Each shoot gives one or a few values of a kind that hang together (two positions, two wheels), so the last column
gives the uncertainty of the share as the scatter of whole shoots shows it.

Run: python -m tests.bench.lean [shoots, default 60]
"""

from __future__ import annotations

import sys

import numpy as np

from calib.estimation.bundle import estimate
from calib.linkage.lean import lean_from_photos, roll_steer_band
from calib.linkage.steering import roll_steer
from calib.uncertainty import K95
from tests.render.leaning import lean_shoot, steer_by_leaning


def run(n: int, first_seed: int = 0) -> dict[str, list[list[float]]]:
    """By kind and shoot: errors over their stated standard uncertainty."""
    out: dict[str, list[list[float]]] = {}
    for seed in range(first_seed, first_seed + n):
        design, truth, obs = lean_shoot(seed)
        fit = estimate(design, obs)
        mine: dict[str, list[float]] = {}
        for p in lean_from_photos(design, fit):
            off = p.lean - np.degrees(truth.angles["axle", p.position])
            mine.setdefault("lean angle", []).append(K95 * off / p.lean_u95)
            true, by_rods = steer_by_leaning(truth, p.position)
            for s in true:
                mine.setdefault("steer", []).append(K95 * (p.steer[s] - np.degrees(true[s])) / p.steer_u95[s])
                off = p.difference[s] - np.degrees(true[s] - by_rods[s])
                mine.setdefault("measured less model", []).append(K95 * off / p.difference_u95[s])
        value, u95, _ = roll_steer_band(fit.as_built)
        mine["roll steer"] = [K95 * (value - roll_steer(truth.rig)) / u95]
        for k, v in mine.items():
            out.setdefault(k, []).append([float(x) for x in v])
    return out


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    print(f"{'kind':22s} {'n':>5s} {'inside 95 %':>12s} {'+/-':>6s} {'RMS/stated':>11s} {'worst/stated':>13s}")
    for kind, shoots in run(n).items():
        z = np.abs(np.concatenate(shoots))
        each = np.array([np.mean(np.abs(s) < K95) for s in shoots])
        print(f"{kind:22s} {len(z):5d} {np.mean(z < K95):12.3f} {K95 * each.std(ddof=1) / np.sqrt(n):6.3f} "
              f"{np.sqrt(np.mean(z**2)):11.2f} {z.max():13.1f}")


if __name__ == "__main__":
    main()
