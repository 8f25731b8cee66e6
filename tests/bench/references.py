"""Straight ahead and level with and without measured references: half-widths and coverage over simulated shoots.

Each shoot is a new vehicle within the sample's tolerances, with references off by as much as theirs say. Heading:
both wheels against the vehicle's true straight ahead; caster and kingpin inclination: both sides, against true level.
Both sides hang together, so the last column gives the uncertainty of the share as the scatter of shoots shows it.

Run: python -m tests.bench.references [shoots, default 44] [line] [rear] [floor]   (all three where none is named)
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np

from calib.estimation.bundle import estimate
from calib.linkage.steering import kingpin_geometry, wheel_headings
from calib.results import Fit
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, parsed, with_parameters
from calib.uncertainty import differences, each, half_width
from tests.render.references import ALL, reference_shoot
from tests.render.truth import Truth

KINDS = ("heading", "caster", "kingpin inclination")


def absolute(rig: Rig) -> np.ndarray:
    """Heading, caster and kingpin inclination of the left and the right side, degrees, (6,)."""
    h, k = wheel_headings(rig, {}), {s: kingpin_geometry(rig, s) for s in ("left", "right")}
    return np.degrees([*(float(h[s]) for s in k), *(g["caster"] for g in k.values()),
                       *(g["kingpin_inclination"] for g in k.values())])


def judged(fit: Fit, truth: Truth) -> tuple[np.ndarray, np.ndarray]:
    """Errors and 95 % half-widths of ``absolute``, (6,) each."""
    b = fit.as_built
    owners = {*b.rig.wheels, *(w.upright for w in b.rig.wheels.values())}
    idx = [i for i, n in enumerate(parsed(b.names)) if n.owner in owners and not n.hole]
    names = [b.names[i] for i in idx]
    values, slopes = differences(each(lambda x: absolute(with_parameters(b.rig, names, x))),
                                 get_parameters(b.rig, names), 1e-5)
    return values - absolute(truth.rig), half_width(slopes, b.cov[np.ix_(idx, idx)])


def run(n: int, which: Sequence[str], first_seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Errors and half-widths, (n, 6) each."""
    out = []
    for seed in range(first_seed, first_seed + n):
        design, truth, obs = reference_shoot(seed, tuple(which))
        out.append(judged(estimate(design, obs), truth))
    return np.array([e for e, _ in out]), np.array([u for _, u in out])


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 44
    which = sys.argv[2:] or list(ALL)
    errors, u95 = run(n, which)
    print(f"{n} shoots with {', '.join(which)}")
    print(f"{'kind':22s} {'u95 (mean)':>10s} {'RMS error':>10s} {'inside 95 %':>12s} {'+/-':>6s}")
    for i, kind in enumerate(KINDS):
        e, u = errors[:, 2 * i:2 * i + 2], u95[:, 2 * i:2 * i + 2]
        each_shoot = (np.abs(e) < u).mean(axis=1)
        print(f"{kind:22s} {u.mean():10.3f} {np.sqrt(np.mean(e**2)):10.3f} {each_shoot.mean():12.3f} "
              f"{1.96 * each_shoot.std(ddof=1) / np.sqrt(n):6.3f}")


if __name__ == "__main__":
    main()
