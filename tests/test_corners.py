"""Saddle corners against rendered truth: every picture is area-sampled, so the true places are exact."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.corners import fit_planes, project, refine_checker, refine_saddles, refine_tag, surroundings, tag_axes
from capture.tagart import tag_cells
from capture.targets import CELLS, SADDLES, saddle_points, saddle_signs
from tests.bench.corners import BASE, CODE, FRAME, bound, corner_sub_pix, picture
from tests.render_tag import expose, facing, paint, tag_homography

BLACK, EDGES = surroundings()


def fits(change: dict, frames: int = 4, seed: int = 3, off: float = 0.3):
    """Errors (n, 2), covariances (n, 2, 2), bound, cornerSubPix errors, share of corners kept."""
    rng = np.random.default_rng(seed)
    case = {**BASE, **change}
    errors, covs, bounds, rival, kept = [], [], [], [], 0
    sub_pix = corner_sub_pix(5)
    for _ in range(frames):
        noisy, clean, h = picture(case, rng)
        uv, axes = tag_axes(h)
        fit = refine_saddles(noisy, uv + rng.uniform(-off, off, uv.shape), axes, saddle_signs(), black=BLACK,
                             edges=EDGES)
        errors.append((fit.uv - uv)[fit.ok])
        covs.append(fit.cov[fit.ok])
        kept += int(fit.ok.sum())
        bounds.append(bound(clean, h, case["noise"]))
        got = sub_pix(noisy, h)
        assert got is not None
        rival.append(got[0] - got[1])
    return (np.concatenate(errors), np.concatenate(covs), float(np.sqrt(np.mean(np.square(bounds)))),
            np.concatenate(rival), kept / (32 * frames))


@pytest.mark.parametrize("change", [
    {}, {"gain": 3}, {"gain": -3}, {"tilt": 45.0}, {"tilt": 60.0}, {"tilt": 60.0, "gain": 3}, {"distance": 800.0},
    {"distance": 2000.0, "blur": 1.2, "noise": 6.0}, {"motion": 3.0}, {"jpeg": 90},
], ids=lambda c: " ".join(f"{k}={v}" for k, v in c.items()) or "base")
def test_error_close_to_the_bound_and_below_opencv(change: dict) -> None:
    """RMS under 0.05 px and 1.5 of the Cramer-Rao bound, smaller than cornerSubPix, covariance honest."""
    e, cov, least, rival, kept = fits(change)
    rms = np.sqrt((e**2).mean())
    assert rms < 0.05
    assert rms < 1.5 * least
    assert rms < np.sqrt((rival**2).mean())
    assert kept > 0.97
    z2 = np.einsum("ni,nij,nj->n", e, np.linalg.inv(cov), e) / 2
    # chi-square of about 256 values has a scatter of 0.09; the rest is what the model leaves over
    # motion is no Gaussian blur: its misfit counts as noise there, which errs on the safe side
    assert (0.5 if "motion" in change else 0.75) < z2.mean() < 1.35


def test_no_half_pixel_offset() -> None:
    """Pixel centres are whole numbers: over many places the mean error vanishes within its own scatter."""
    e, cov, _, _, _ = fits({"noise": 1.0}, frames=8)
    assert np.abs(e.mean(axis=0)).max() < 0.002


def test_small_cells_stay_unbiased_and_useful() -> None:
    """Cells 3 by 6 px: the next edges show in the window, and the fit must still be honest."""
    e, cov, least, rival, kept = fits({"focal": 1900.0, "size": 44.0, "tilt": 55.0}, off=0.2)
    assert np.sqrt((e**2).mean()) < 1.4 * least, "what lies beyond the next edges counts where it really lies"
    assert np.abs(e.mean(axis=0)).max() < 0.01
    assert kept > 0.9
    z2 = np.einsum("ni,nij,nj->n", e, np.linalg.inv(cov), e) / 2
    assert 0.6 < z2.mean() < 1.6


def test_windows_of_all_sizes_are_measured_together_as_alone() -> None:
    """Cells of four sizes in one picture: each corner as if there were only those of its size."""
    rng = np.random.default_rng(8)
    shown = [picture({**BASE, "distance": d}, rng) for d in (1300.0, 1400.0, 1500.0, 1600.0)]
    gray = np.hstack([noisy for noisy, _, _ in shown])
    uv, axes = (np.concatenate(v) for v in zip(*(tag_axes(h) for _, _, h in shown), strict=True))
    uv[:, 0] += np.repeat(np.arange(4) * FRAME, SADDLES)

    def fit(which: slice) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        n = len(uv[which]) // SADDLES
        got = refine_saddles(gray, uv[which], axes[which], np.tile(saddle_signs(), n), black=np.tile(BLACK, (n, 1, 1)),
                             edges=np.tile(EDGES, (n, 1)))
        assert got.ok.all()
        return got.uv, got.cov

    together = fit(slice(None))
    alone = [fit(slice(k, k + SADDLES)) for k in range(0, 4 * SADDLES, SADDLES)]
    assert np.abs(together[0] - np.concatenate([v for v, _ in alone])).max() < 0.002
    # how noisy the picture is, is learned from all corners
    np.testing.assert_allclose(together[1], np.concatenate([v for _, v in alone]), rtol=0.15, atol=3e-6)


def test_gain_and_blur_are_read_off() -> None:
    """0.3 mm of white growing into black comes back as the gain, and the lens blur as the blur."""
    rng = np.random.default_rng(8)
    noisy, _, h = picture({**BASE, "tilt": 0.0, "gain": 3}, rng)
    fit = refine_tag(noisy, [h])
    per_mm = 3000.0 / 1300.0
    assert np.median(fit.gain) == pytest.approx(0.3 * per_mm, abs=0.05)
    # the blur seen is the lens's and the pixel's own box, sigma 1/sqrt(12) px, together
    assert np.median(fit.blur) == pytest.approx(np.hypot(0.8, 1 / np.sqrt(12)), abs=0.04)


def test_slanted_lamp_light_does_not_pull() -> None:
    """A lamp from the side: grey runs by 40 % over the tag."""
    rng = np.random.default_rng(9)
    h = tag_homography(60.0, np.array([0.0, 0, 1300.0]), facing(30, 20, 10), 3000.0, (150.0, 150.0))
    canvas = np.full((300, 300), 110, np.float32)
    paint(canvas, h, CODE)
    ramp = np.linspace(0.5, 1.2, 300, dtype=np.float32)
    noisy = expose(canvas * ramp[None], 0.8, 1.0, rng)
    fit = refine_tag(noisy, [h])
    e = fit.uv[fit.ok] - tag_axes(h)[0][fit.ok]
    assert fit.ok.sum() == 32
    assert np.abs(e.mean(axis=0)).max() < 0.01


def test_covered_corners_are_rejected() -> None:
    """A grey strap over the top of the tag: its corners go, the others stay right."""
    rng = np.random.default_rng(10)
    noisy, _, h = picture(BASE, rng)
    uv, axes = tag_axes(h)
    top = uv[:8]
    cv2.line(noisy, tuple(int(x) for x in top[0]), tuple(int(x) for x in top[7]), 130, 26)
    fit = refine_saddles(noisy, uv, axes, saddle_signs(), black=BLACK, edges=EDGES)
    assert fit.ok[1:7].sum() <= 1
    e = (fit.uv - uv)[10:30][fit.ok[10:30]]
    assert fit.ok[10:30].sum() >= 14
    assert np.sqrt((e**2).mean()) < 0.05


def bar_over(canvas: NDArray[np.float32], h: NDArray[np.float64], way: NDArray[np.float64], edge: float, width: float,
             grey: float) -> NDArray[np.float32]:
    """The canvas with a flat grey bar over it: cells whose distance along ``way`` is ``edge`` to ``edge + width``."""
    sub = 4
    t = (np.arange(FRAME * sub) + 0.5) / sub - 0.5
    back = np.linalg.inv(h)
    back /= back[2] @ (FRAME / 2, FRAME / 2, 1)  # the tag lies before the camera
    inside = np.ones((FRAME * sub, FRAME * sub), bool)
    for line in (way @ back[:2] - edge * back[2], (edge + width) * back[2] - way @ back[:2]):
        inside &= line[0] * t[None] + line[1] * t[:, None] + line[2] > 0
    share = inside.reshape(FRAME, sub, FRAME, sub).mean(axis=(1, 3))
    return np.asarray(canvas * (1 - share) + grey * share, np.float32)


@pytest.mark.parametrize("change", [{}, {"focal": 1900.0, "size": 44.0, "tilt": 45.0}, {"noise": 8.0}],
                         ids=["base", "small cells", "noise"])
def test_half_covered_saddles_are_dropped_and_the_rest_stays(change: dict) -> None:
    """A dark rod or a skin-grey finger whose edge passes within half a cell of a saddle, from every direction."""
    rng = np.random.default_rng(21)
    case = {**BASE, **change}
    half, deep, clear, wrong = [], [], [], []
    for k in range(6):
        h = tag_homography(case["size"], np.array([*rng.uniform(-1, 1, 2), case["distance"]]),
                           facing(case["tilt"], *rng.uniform(0, 360, 2)), case["focal"], (FRAME / 2 - 0.5,) * 2)
        canvas = np.full((FRAME, FRAME), 110, np.float32)
        paint(canvas, h, CODE)
        turn = rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(turn), np.sin(turn)])
        along = saddle_points(float(CELLS)) @ way
        edge, width = along[rng.integers(SADDLES)] + rng.uniform(-0.5, 0.5), 2.5
        hidden = bar_over(canvas, h, way, edge, width, (40.0, 130.0)[k % 2])
        fit = refine_tag(expose(hidden, case["blur"], case["noise"], rng), [h])
        gap = np.minimum(np.abs(along - edge), np.abs(along - edge - width))
        under = (along > edge) & (along < edge + width)
        miss = np.linalg.norm(fit.uv - tag_axes(h)[0], axis=1)
        half.append(fit.ok[gap < 0.5])
        deep.append(fit.ok[under])
        clear.append(fit.ok[(gap > 1.3) & ~under])  # the window reaches 1.1 cells, and blur a little further
        # what the plane fit over a whole tag later allows
        wrong.append((miss > 0.06 + 4 * np.sqrt(np.trace(fit.cov, axis1=1, axis2=2)))[fit.ok])
    assert len(np.concatenate(half)) > 25 and len(np.concatenate(clear)) > 80
    # kept in 30 frames of each case: 3 of 474 half covered (2 of them in noise), 0 of 558 under the bar, all 1731
    # clear ones; of the 1945 kept in all, 1 was off by more than that
    assert np.concatenate(half).mean() < 0.06
    assert np.concatenate(deep).mean() < 0.03
    assert np.concatenate(clear).mean() > 0.98
    assert np.concatenate(wrong).mean() < 0.01


def test_stray_corners_do_not_move_the_plane() -> None:
    """Planes through corners of 0.01 px scatter stay where they were, whatever two strays and a hidden corner say."""
    rng = np.random.default_rng(12)
    true = np.array([tag_homography(60.0, np.array([x, 5.0, 1300.0]), facing(40, 30, 10), 3000.0, (150.0, 150.0))
                     for x in (-100.0, 40.0)])
    at = np.array([project(h, saddle_points(float(CELLS))) for h in true])
    uv = at + rng.normal(0, 0.01, at.shape)
    start = true @ (np.eye(3) + np.array([[4e-3, 0, 0.03], [0, -4e-3, -0.02], [2e-4, 0, 0]]))
    ok = np.ones(uv.shape[:2], bool)
    clean, _ = fit_planes(start, uv, ok)
    uv[0, 3] += (5.0, -2.0)
    uv[0, 20] += (-0.5, 0.4)
    uv[1, 7] = 0
    ok[1, 7] = False
    planes, miss = fit_planes(start, uv, ok)
    for before, after, places in zip(clean, planes, at, strict=True):
        found = project(after, saddle_points(float(CELLS)))
        assert np.linalg.norm(found - places, axis=1).max() < 0.02  # eight numbers from 64 readings of 0.01 px
        assert np.linalg.norm(found - project(before, saddle_points(float(CELLS))), axis=1).max() < 0.006
    assert miss[0, 3] == pytest.approx(np.hypot(5, 2), abs=0.03)
    assert miss[0, 20] == pytest.approx(np.hypot(0.5, 0.4), abs=0.03)
    assert miss[1, 7] == 0
    rest = np.delete(miss[0], [3, 20])
    assert np.sqrt((rest**2).mean() / 2) == pytest.approx(0.01, rel=0.3)


def test_flat_and_outside_places_give_nothing() -> None:
    """No contrast, or a window over the edge of the photo: not ok, and no number pretends otherwise."""
    flat = np.full((60, 60), 120, np.uint8)
    axes = np.tile(np.array([[[10.0, 0], [0, -10.0]]]), (2, 1, 1))
    fit = refine_saddles(flat, np.array([[30.0, 30.0], [2.0, 30.0]]), axes, np.ones(2))
    assert not fit.ok.any()
    assert len(refine_saddles(flat, np.zeros((0, 2)), np.zeros((0, 2, 2)), np.zeros(0)).uv) == 0


def test_plain_checkerboard() -> None:
    """Corners of a plain checkerboard, exactly sampled by 8 x 8 points a pixel."""
    square, sub = 14.0, 8
    angle = np.radians(11.0)
    a = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) / square
    t = (np.arange(200 * sub) + 0.5) / sub - 0.5
    uu, vv = np.meshgrid(t - 40.3, t - 30.7)
    cell = np.floor(a[0, 0] * uu + a[0, 1] * vv) + np.floor(a[1, 0] * uu + a[1, 1] * vv)
    img = np.where(cell % 2 == 0, 40.0, 210.0).reshape(200, sub, 200, sub).mean(axis=(1, 3)).astype(np.float32)
    noisy = expose(img, 0.7, 2.0, np.random.default_rng(1))
    jj, ii = np.mgrid[1:6, 1:8]
    back = np.linalg.inv(a)
    true = np.stack([ii, jj], axis=-1) @ back.T + np.array([40.3, 30.7])
    # cell (0, 0) lies up-left of lattice point (1, 1) and is black
    fit = refine_checker(noisy, true + np.random.default_rng(2).uniform(-0.5, 0.5, true.shape), first_black=True)
    assert fit.ok.all()
    assert np.sqrt(((fit.uv - true.reshape(-1, 2))**2).mean()) < 0.02


def test_surroundings_are_what_is_printed() -> None:
    """The cells round each saddle beside the print itself, and the code's border where a strip is to begin there."""
    grid, _ = tag_cells(60)
    n = len(grid) // CELLS

    def printed(x: float, y: float) -> bool:
        row, col = int(np.floor((CELLS / 2 - y) * n)), int(np.floor((x + CELLS / 2) * n))
        return 0 <= row < len(grid) and 0 <= col < len(grid) and bool(grid[row, col])

    assert set(np.unique(BLACK)) == {0.0, 1.0}
    towards = np.array([[-1, 0], [1, 0], [0, -1], [0, 1]])  # left, right, below, above
    strips = (np.s_[:, 0], np.s_[:, 3], np.s_[0, :], np.s_[3, :])
    met = 0
    for place, black, edges in zip(saddle_points(float(CELLS)), BLACK, EDGES, strict=True):
        for j, i in np.ndindex(2, 2):  # the four cells that meet in the saddle
            x, y = place + (i - 0.5, j - 0.5)
            assert black[1 + j, 1 + i] == printed(x, y)
        for way, edge, strip in zip(towards, edges, strips, strict=True):
            if edge != 1:
                met += 1
                assert (black[strip] == 1).all()
                assert printed(*(place + way * (edge + 0.1))) and not printed(*(place + way * (edge - 0.1)))
    assert met == 20, "five saddles a side lie along the code"
