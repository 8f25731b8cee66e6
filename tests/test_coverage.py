"""Stated intervals hold what they promise, over simulated shoots with outliers, a bent tag and a bowed board."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bench.coverage import run

Array = NDArray[np.float64]


def test_intervals_over_a_few_shoots() -> None:
    result = run(6, first_seed=1000, bound=False)
    z = np.concatenate([v[:, 0] for v in result.values()])
    assert {"steer angle", "toe", "rod length", "pivot point", "lever angle"} <= set(result)
    assert len(z) > 300 and np.isfinite(z).all()
    # figures of one shoot hang together, so that six shoots scatter about 95 % more than their number says
    assert 0.88 <= np.mean(np.abs(z) < 1.96) <= 1.0
    assert np.sqrt(np.mean(z**2)) < 1.25
    assert np.sqrt(np.mean(z**2)) > 0.5, "intervals far wider than the errors help nobody either"


@pytest.mark.slow
def test_intervals_by_class_over_many_shoots() -> None:
    result = run(60, first_seed=2000, bound=False)
    for name, v in result.items():
        inside = float(np.mean(np.abs(v[:, 0]) < 1.96))
        if len(v) >= 300:
            assert 0.92 <= inside <= 0.99, (name, inside)
        else:  # one or two a shoot: three standard deviations of the share itself
            assert inside >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(v)), (name, inside)
