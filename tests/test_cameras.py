"""Any camera, with and without EXIF: the same estimate, no setting to choose, judged against the truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from calib.estimation.bundle import estimate
from calib.estimation.camera import project, project_with_derivatives
from calib.rig.reader import load_rig
from tests.render.camera import Lens
from tests.render.shoot import simulate_observations
from tests.render.truth import Truth, sample_truth

RIG = Path(__file__).resolve().parents[1] / "sample_data" / "rig.toml"

CAMERAS = {  # invented, shaped like what people own
    "wide phone": Lens(1750.0, 1.0003, 1610.0, 1190.0, np.array([0.09, -0.16, 6e-4, -4e-4, 0.05]), 3200, 2400),
    "24 megapixels": Lens(4700.0, 1.0, 3010.0, 1985.0, np.array([-0.11, 0.10, 2e-4, 3e-4, -0.02]), 6000, 4000),
    "webcam": Lens(1150.0, 0.9998, 985.0, 525.0, np.array([-0.28, 0.10, -8e-4, 5e-4, -0.015]), 1920, 1080),
}


def seen_by(lens: Lens) -> Truth:
    """The sample shoot with another camera held at the same places, its own changes scaled to its picture."""
    truth = sample_truth(RIG)
    share = lens.width / truth.lens.width
    shots = tuple(replace(s, camera=replace(s.camera, lens=lens, dc=np.asarray(s.camera.dc) * share))
                  for s in truth.shots)
    return replace(truth, lens=lens, shots=shots)


@pytest.mark.parametrize("name", CAMERAS)
def test_camera(name: str) -> None:
    lens = CAMERAS[name]
    truth = seen_by(lens)
    obs = simulate_observations(truth, 0.06, np.random.default_rng(11))
    obs = replace(obs, photos=tuple(replace(p, focal_px_guess=None) for p in obs.photos))
    fit = estimate(load_rig(RIG), obs)
    assert fit.sigma0 == pytest.approx(1, abs=0.1), "the lens terms leave nothing over"
    keep = [i for i, (body, _) in enumerate(fit.angle_names) if not body.endswith("wheel")]
    error = np.array([fit.joint_angles[fit.angle_names[i]] - truth.angles[fit.angle_names[i]] for i in keep])
    # all angles count from one straight-ahead shoot and so err together: judged by their joint covariance
    spread = float(error @ np.linalg.solve(fit.angle_cov[np.ix_(keep, keep)], error))
    assert chi2.ppf(0.001, len(keep)) < spread < chi2.ppf(0.999, len(keep))
    assert fit.camera.f == pytest.approx(lens.f, abs=2.5 * fit.camera.u95["f"])


def test_camera_derivatives_are_the_slopes_of_the_projection() -> None:
    rng = np.random.default_rng(8)
    x = rng.normal(0, 1, (12, 3)) * [300, 250, 80] + [0, 0, 900]
    lens = np.array([2900.0, 1.003, 2010.0, 1490.0, 0.08, -0.2, 0.004, -0.003, 0.05])
    df, dc = np.full(12, 0.01), np.tile([3.0, -2.0], (12, 1))
    uv, by_place, by_lens, own = project_with_derivatives(x, lens, df, dc)
    np.testing.assert_allclose(uv, project(x, lens, df, dc), atol=1e-9)
    for k in range(3):
        h = np.eye(3)[k] * 1e-3
        slope = (project(x + h, lens, df, dc) - project(x - h, lens, df, dc)) / 2e-3
        np.testing.assert_allclose(by_place[..., k], slope, atol=1e-6)
    for k in range(9):
        h = np.eye(9)[k] * 1e-5 * max(1.0, abs(lens[k]))
        slope = (project(x, lens + h, df, dc) - project(x, lens - h, df, dc)) / (2 * h[k])
        np.testing.assert_allclose(by_lens[..., k], slope, atol=2e-6 * max(1.0, np.abs(slope).max()))
        assert np.abs(slope).max() > 1e-3
    for k, (a, b) in enumerate(((1e-6, [0, 0]), (0, [1e-3, 0]), (0, [0, 1e-3]))):
        slope = (project(x, lens, df + a, dc + b) - project(x, lens, df - a, dc - b)) / (2 * (a + sum(b)))
        np.testing.assert_allclose(own[..., k], slope, atol=1e-4 * max(1.0, np.abs(slope).max()))
