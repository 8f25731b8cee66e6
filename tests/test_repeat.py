"""The same shoot gives the same digits and words whatever order Python keeps its sets of strings in."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SCRIPT = """
import numpy as np
from calib import compare, estimate, propose
from tests.bench.estimate import shoot

rig, obs = shoot(2, seed=5)
fit = estimate(rig, obs)
built = fit.as_built
np.set_printoptions(floatmode="unique", threshold=10**9)
print(fit.summary(), [(f.code, f.item, f.text) for f in fit.findings], fit.iterations, fit.sigma0.hex())
print([(f.name, f.value.hex(), f.u95.hex(), f.from_photos) for f in fit.figures])
print(built.rig, built.names, built.cov, built.from_photos, fit.angle_cov, fit.cross_cov, fit.rod_misfit)
comparison = compare(rig, fit)
for table in (fit.pivot_table, comparison.figure_table(), comparison.curves(), comparison.measured()):
    print(table.to_csv(float_format="%.17g"))
print(comparison.notes, propose(rig, built))
"""


def _run(seed: str) -> str:
    env = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)}
    return subprocess.run([sys.executable, "-c", SCRIPT], env=env, cwd=ROOT, check=True, capture_output=True,
                          text=True).stdout


def test_hash_seed_changes_nothing() -> None:
    first = _run("1")
    assert "steer left" in first and "left_lever" in first
    assert _run("2") == first
    assert _run("3") == first
