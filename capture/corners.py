"""Sub-pixel saddle corners: a photometric model of the print fitted to the pixels round each corner."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.targets import CELLS, CODE_SHARE, SADDLES, cell_is_black, saddle_points, saddle_signs

REACH = 0.78  # half width of the window along each cell direction, in cells: never reaches the next corner
_MAX_HALF_PX = 24.0  # longer edge stretches add little and cost time
_BATCH = 96
_FIRST_STEPS = 5  # enough for nearly all; the few stragglers go round once more together
_LAST_STEP = 0.02  # px: one step leaves about a tenth of the last, so after one below this the fit is there
_PARAMS = 10  # u, v, white level, contrast, turn of line 1, turn of line 2, blur, gain, two shading slopes
_FLOOR_PX = 0.002  # what the model itself leaves over on noise-free renders
_PER_SIGMA = 1365.0  # steps of the normal table per sigma, six sigma each way
_Z = (np.arange(16384) - 8192) / _PER_SIGMA
_NORMAL = np.array([0.5 * math.erfc(-z / math.sqrt(2)) for z in _Z], np.float32)
_BELL = np.asarray(np.exp(-0.5 * _Z**2) / np.sqrt(2 * np.pi), np.float32)
F32 = NDArray[np.float32]
F64 = NDArray[np.float64]


class Saddles(NamedTuple):
    """Fitted corners. uv (n, 2) px, cov (n, 2, 2) px^2, ok (n,) bool, blur (n,) sigma px, gain (n,) px.

    ``blur`` includes the pixel's own box (0.29 px); ``gain`` is how far every white edge has grown into black.
    """

    uv: F64
    cov: F64
    ok: NDArray[np.bool_]
    blur: F64
    gain: F64


def surroundings() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What lies round each of a tag's saddles: black (32, 4, 4) and edge places (32, 4) in cells.

    ``black[k, j, i]`` is 1 where the cell in column i (left to right) and row j (bottom to top) of the four by
    four round saddle k is black. ``edges[k]`` says how far from the saddle the outer strips begin: left, right,
    below, above; 1 except towards the code, whose black border begins further in.
    """
    pts = saddle_points(float(CELLS))
    code = CELLS * CODE_SHARE / 2
    black = np.zeros((SADDLES, 4, 4), np.float32)
    edges = np.ones((SADDLES, 4), np.float32)
    for k, (x, y) in enumerate(pts):
        for j in range(4):
            for i in range(4):
                cx, cy = x + i - 1.5, y + j - 1.5
                row, col = int(np.floor(5 - cy)), int(np.floor(cx + 5))
                if 0 <= row < CELLS and 0 <= col < CELLS:
                    black[k, j, i] = cell_is_black(row, col)
        # only saddles whose whole inner strip lies along the code see it as one straight edge
        for axis, sides in ((0, (1, 0)), (1, (3, 2))):
            here, along = (x, y) if axis == 0 else (y, x)
            if abs(here) > 3.5 and abs(along) < 2.5:
                side = sides[0] if here < 0 else sides[1]
                edges[k, side] = abs(here) - code
                strip = 3 if here < 0 else 0
                if axis == 0:
                    black[k, :, strip] = 1
                else:
                    black[k, strip, :] = 1
    return black, edges


def refine_saddles(gray: NDArray[Any], uv0: F64, axes: F64, sign: NDArray[Any], sigma: float = 0.8,
                   noise: float = 0.5, black: NDArray[np.float32] | None = None,
                   edges: NDArray[np.float32] | None = None, iterations: int = 12) -> Saddles:
    """Fit the saddle model to the pixels round each corner.

    gray (H, W); uv0 (n, 2) first guess px; axes (n, 2, 2) px per cell, ``axes[:, 0]`` along the tag's x and
    ``axes[:, 1]`` along its y; sign (n,) +1 where the cell towards +x +y is black; sigma first guess of the
    blur px; noise floor of the grey noise. ``black``, ``edges`` as from ``surroundings`` (n rows) say what lies
    beyond the next edges, needed for cells under about 12 px.

    Grey = white - contrast * (share of black seen through a Gaussian of the blur) + shading slopes. For a
    quadrant between two straight edges that share is the bivariate normal integral, taken by its tetrachoric
    series (Pearson 1900) to second order in the cosine between the edges. Gauss-Newton over all corners at once;
    covariance s^2 (J'J)^-1 with every nuisance value free.
    """
    n = len(uv0)
    uv = np.array(uv0, np.float64).reshape(n, 2)
    cov = np.full((n, 2, 2), np.nan)
    ok = np.zeros(n, bool)
    blur = np.full(n, np.nan)
    gain = np.full(n, np.nan)
    if n == 0:
        return Saddles(uv, cov, ok, blur, gain)
    ax = np.array(axes, np.float64)
    det = ax[:, 0, 0] * ax[:, 1, 1] - ax[:, 0, 1] * ax[:, 1, 0]
    length = np.maximum(np.linalg.norm(ax, axis=2), 1e-9)
    heights = np.abs(det)[:, None] / length[:, ::-1]  # px from the line to its next parallel, per axis
    height, width = gray.shape
    reach = np.minimum(REACH, _MAX_HALF_PX / length)  # (n, 2)
    reach = np.maximum(reach, np.minimum(1.0, 1.6 / np.maximum(heights, 1e-9)))  # at least a few pixels
    span = np.abs(ax[:, 0]) * reach[:, :1] + np.abs(ax[:, 1]) * reach[:, 1:]
    inside = ((uv - span > 1) & (uv + span < np.array([width, height]) - 2)).all(axis=1)
    usable = np.flatnonzero(inside & (heights.min(axis=1) > 1.2) & np.isfinite(uv).all(axis=1))
    if black is None:
        wide = np.ones(n, bool)
    else:
        wide = (1 - REACH) * heights.min(axis=1) > 2.5 * sigma
    s2 = np.full(n, np.nan)
    dof = np.zeros(n)
    unit = np.full((n, 2, 2), np.nan)
    start_from = (sigma, 0.0)

    def run(group: NDArray[np.int_], steps: int) -> None:
        nonlocal start_from
        group = group[np.argsort(np.prod(span[group], axis=1))]
        for first in range(0, len(group), _BATCH):
            idx = group[first:first + _BATCH]
            simple = bool(wide[idx[0]])
            pattern = _quadrants(np.asarray(sign)[idx]) if simple or black is None else black[idx]
            offsets = None if simple or edges is None else edges[idx]
            fit = _fit_batch(gray, uv[idx], ax[idx], heights[idx], reach[idx], span[idx], pattern, offsets,
                             sigma, start_from, steps)
            uv[idx], unit[idx], s2[idx], dof[idx], ok[idx], blur[idx], gain[idx] = fit
            if ok[idx].sum() > 8:
                # one lens and one exposure: what one batch learnt is the next one's start
                start_from = (float(np.median(blur[idx][ok[idx]])), float(np.median(gain[idx][ok[idx]])))

    uv0 = uv.copy()
    for group in (usable[wide[usable]], usable[~wide[usable]]):
        run(group, _FIRST_STEPS)
        late = group[~ok[group]]
        near = np.linalg.norm(uv[late] - uv0[late], axis=1) < 0.5 * heights[late].min(axis=1) + 0.3
        run(late[near], iterations)
    ok &= np.linalg.norm(uv - uv0, axis=1) < 0.5 * heights.min(axis=1) + 0.3
    if ok.any():
        # few pixels make a shaky noise figure: lean on the corners' common one
        common = float(np.median(s2[ok]))
        pooled = (s2 * dof + common * 40.0) / (dof + 40.0)
        cov = unit * np.maximum(pooled, noise**2)[:, None, None] + _FLOOR_PX**2 * np.eye(2)
        bad = ~np.isfinite(cov).all(axis=(1, 2))
        ok &= ~bad & (s2 < 5 * common + 4.0)  # two grey levels for what the model leaves out
    return Saddles(uv, cov, ok, blur, gain)


def refine_checker(gray: NDArray[Any], grid: F64, first_black: bool = True) -> Saddles:
    """Refine the inner corners of a plain checkerboard, grid (rows, columns, 2) px as a detector gave them.

    ``first_black``: the square up-left of grid[0, 0] is black. Columns run along the board's x and rows against
    its y. Corners come back row by row.
    """
    rows, columns = grid.shape[:2]
    along = np.gradient(grid, axis=1)
    up = -np.gradient(grid, axis=0)
    axes = np.stack([along, up], axis=2).reshape(-1, 2, 2)
    jj, ii = np.mgrid[0:rows, 0:columns]
    # up-left black at an even corner means up-right white there
    sign = np.where((ii + jj) % 2 == (1 if first_black else 0), 1, -1).ravel()
    return refine_saddles(gray, grid.reshape(-1, 2), axes, sign)


def _quadrants(sign: NDArray[Any]) -> F32:
    """(m, 2, 2) black pattern [row below/above, column left/right] of a plain saddle."""
    plus = np.array([[1, 0], [0, 1]], np.float32)
    return np.where(sign[:, None, None] > 0, plus, 1 - plus).astype(np.float32)


def _gather(gray: NDArray[Any], centre: F64, n1: F64, n2: F64, heights: F64, reach: F64, span: F64,
            sigma: float) -> tuple[F32, F32, F32, F32]:
    """Pixels of each parallelogram window: du, dv from the whole-pixel centre, grey, weight; (m, P) each."""
    half = np.ceil(span.max(axis=0)).astype(int) + 1
    gu, gv = np.meshgrid(np.arange(-half[0], half[0] + 1), np.arange(-half[1], half[1] + 1))
    base = np.rint(centre).astype(int)
    off = (base - centre).astype(np.float32)
    du = gu.ravel()[None].astype(np.float32) + off[:, :1]
    dv = gv.ravel()[None].astype(np.float32) + off[:, 1:]
    x = n1[:, :1].astype(np.float32) * du + n1[:, 1:].astype(np.float32) * dv
    y = n2[:, :1].astype(np.float32) * du + n2[:, 1:].astype(np.float32) * dv
    limit = (heights * reach).astype(np.float32)
    ax_, ay_ = np.abs(x), np.abs(y)
    keep = (ax_ <= limit[:, :1]) & (ay_ <= limit[:, 1:])
    # far from both edges the grey is flat and says nothing of the corner: one pixel in four is enough there
    band = np.float32(3.0 * sigma + 1.5)
    thin = ((gu + gv) % 2 == 0).ravel()[None] & (gu % 2 == 0).ravel()[None]
    keep &= (ax_ < band) | (ay_ < band) | thin
    count = keep.sum(axis=1)
    most = max(int(count.max()), 1)
    order = np.argsort(~keep, axis=1, kind="stable")[:, :most]
    weight = np.take_along_axis(keep, order, axis=1).astype(np.float32)
    du = np.take_along_axis(np.broadcast_to(du, keep.shape), order, axis=1)
    dv = np.take_along_axis(np.broadcast_to(dv, keep.shape), order, axis=1)
    cols = np.clip(base[:, :1] + gu.ravel()[order], 0, gray.shape[1] - 1)
    rows = np.clip(base[:, 1:] + gv.ravel()[order], 0, gray.shape[0] - 1)
    return du, dv, gray[rows, cols].astype(np.float32), weight


def _strips(x: F32, sigma: F32, g: F32, low: F32 | None, high: F32 | None) -> tuple[F32, F32, F32, F32, F32]:
    """Blurred strips across one axis: value, d/dx, sigma d/dsigma, d/dg (m, K, P); overlap (m, P).

    K = 2: the half-planes below and above the line; K = 4: with the strips beyond the next parallels, which
    begin ``low`` and ``high`` px away. The overlap is the band two opposite black squares share when g < 0.
    """
    inv = 1 / sigma
    per = np.float32(_PER_SIGMA) * inv

    def step(arg: F32) -> tuple[Any, Any, Any]:
        at = (arg * per + np.float32(8192.5)).astype(np.intp)
        bell = _BELL.take(at, mode="clip") * inv
        return _NORMAL.take(at, mode="clip"), bell, -arg * bell

    fa, da, sa = step(x - g)
    fb, db, sb = step(-x - g)
    over = fa + fb - 1
    if low is None or high is None:
        return (np.stack([fb, fa], 1), np.stack([-db, da], 1), np.stack([sb, sa], 1), np.stack([-db, -da], 1), over)
    f_hi, d_hi, s_hi = step(x - high - g)
    f_lo, d_lo, s_lo = step(-x - low - g)
    # inner strips end g before the next line: they are what lies this side of it
    f_end, d_end, s_end = step(x - high + g)
    f_beg, d_beg, s_beg = step(-x - low + g)
    value = np.stack([f_lo, fb - f_beg, fa - f_end, f_hi], 1)
    dx = np.stack([-d_lo, -db + d_beg, da - d_end, d_hi], 1)
    ds = np.stack([s_lo, sb - s_beg, sa - s_end, s_hi], 1)
    dg = np.stack([-d_lo, -db - d_beg, -da - d_end, -d_hi], 1)
    return value, dx, ds, dg, over


class _Windows(NamedTuple):
    """Pixels of m corners, du, dv, grey, weight (m, P), with what the model needs of each corner."""

    du: F32
    dv: F32
    grey: F32
    weight: F32
    n1: F64  # (m, 2) unit normals of the two lines at first
    n2: F64
    heights: F64  # (m, 2)
    scale: F64  # (m,)
    offsets: F32 | None  # (m, 4)
    pattern: F32  # (m, columns, rows)

    def keep(self, which: NDArray[np.bool_]) -> _Windows:
        """The corners picked out."""
        return _Windows(self.du[which], self.dv[which], self.grey[which], self.weight[which], self.n1[which],
                        self.n2[which], self.heights[which], self.scale[which],
                        None if self.offsets is None else self.offsets[which], self.pattern[which])


def _over(a: F32, b: F32) -> F32:
    """Sum over the strips (m, K, P) of a product; spelt out, as K is two or four."""
    out = a[:, 0] * b[:, 0]
    for k in range(1, a.shape[1]):
        out += a[:, k] * b[:, k]
    return out


def _residuals(win: _Windows, par: F64) -> tuple[F32, F32]:
    """Grey less model (m, P) and the model's derivatives (m, 10, P) at the parameters (m, 10)."""
    f32 = np.float32
    du, dv, grey, weight, n1_0, n2_0, heights, scale, offsets, pat_t = win
    m = len(par)

    def column(v: NDArray[Any]) -> F32:
        return v.astype(f32)[:, None]

    c1, s1 = np.cos(par[:, 4:5]), np.sin(par[:, 4:5])
    c2, s2 = np.cos(par[:, 5:6]), np.sin(par[:, 5:6])
    n1 = c1 * n1_0 + s1 * np.stack([-n1_0[:, 1], n1_0[:, 0]], 1)
    n2 = c2 * n2_0 + s2 * np.stack([-n2_0[:, 1], n2_0[:, 0]], 1)
    eu, ev = du - column(par[:, 0]), dv - column(par[:, 1])
    x = column(n1[:, 0]) * eu + column(n1[:, 1]) * ev
    y = column(n2[:, 0]) * eu + column(n2[:, 1]) * ev
    tx = column(-n1[:, 1]) * eu + column(n1[:, 0]) * ev
    ty = column(-n2[:, 1]) * eu + column(n2[:, 0]) * ev
    rho = (n1 * n2).sum(axis=1)
    sg, g = column(np.exp(par[:, 6])), column(par[:, 7])
    if offsets is None:
        fx, fx1, fxs, fxg, ox = _strips(x, sg, g, None, None)
        fy, fy1, fys, fyg, oy = _strips(y, sg, g, None, None)
    else:
        hx, hy = column(heights[:, 0]), column(heights[:, 1])
        fx, fx1, fxs, fxg, ox = _strips(x, sg, g, offsets[:, 0:1] * hx, offsets[:, 1:2] * hx)
        fy, fy1, fys, fyg, oy = _strips(y, sg, g, offsets[:, 2:3] * hy, offsets[:, 3:4] * hy)
    my, my1, mys, myg = (pat_t @ fy, pat_t @ fy1, pat_t @ fys, pat_t @ fyg)
    r1 = column(rho)
    share = _over(fx, my) + r1 * sg**2 * _over(fx1, my1) + r1**2 / 2 * _over(fxs, mys)
    b_x = _over(fx1, my) + r1 * _over(fxs, my1)  # sigma d/dsigma is also sigma^2 d2/dx2
    b_y = _over(fx, my1) + r1 * _over(fx1, mys)
    b_s = _over(fxs, my) + _over(fx, mys)
    b_g = _over(fxg, my) + _over(fx, myg)
    grows = (g < 0).astype(f32)
    share = share - grows * ox * oy
    b_g = b_g - grows * (ox * (fyg[:, -2:].sum(1) if offsets is None else fyg[:, 1:3].sum(1))
                         + oy * (fxg[:, -2:].sum(1) if offsets is None else fxg[:, 1:3].sum(1)))
    contrast = column(par[:, 3])
    shade_x, shade_y = eu / column(scale**2), ev / column(scale**2)
    # light that runs across the window dims white and black alike: a factor, not an addend
    plain = column(par[:, 2]) - contrast * share
    lamp = 1 + column(par[:, 8]) * shade_x + column(par[:, 9]) * shade_y
    model = plain * lamp
    res = (grey - model) * weight
    jac = np.empty((m, _PARAMS, res.shape[1]), f32)
    lit = contrast * lamp
    cx, cy = -lit * b_x, -lit * b_y
    jac[:, 0] = -(cx * column(n1[:, 0]) + cy * column(n2[:, 0]))
    jac[:, 1] = -(cx * column(n1[:, 1]) + cy * column(n2[:, 1]))
    jac[:, 2] = lamp
    jac[:, 3] = -share * lamp
    jac[:, 4] = cx * tx
    jac[:, 5] = cy * ty
    jac[:, 6] = -lit * b_s
    jac[:, 7] = -lit * b_g
    jac[:, 8] = plain * shade_x
    jac[:, 9] = plain * shade_y
    jac *= weight[:, None]
    return res, jac


def _fit_batch(gray: NDArray[Any], centre0: F64, axes: F64, heights: F64, reach: F64, span: F64,
               pattern: F32, offsets: F32 | None, sigma0: float, start: tuple[float, float], iterations: int,
               ) -> tuple[Any, ...]:
    """Gauss-Newton on one batch: uv, unit covariance, residual variance, freedom, ok, blur, gain."""
    m = len(centre0)
    a1, a2 = axes[:, 0], axes[:, 1]

    def normal(line: F64, towards: F64) -> F64:
        v = np.stack([-line[:, 1], line[:, 0]], axis=1) / np.linalg.norm(line, axis=1, keepdims=True)
        return v * np.where((v * towards).sum(axis=1) < 0, -1.0, 1.0)[:, None]

    n1_0, n2_0 = normal(a2, a1), normal(a1, a2)
    du, dv, grey, weight = _gather(gray, centre0, n1_0, n2_0, heights, reach, span, max(start[0], 0.6))
    count = weight.sum(axis=1)
    total = np.maximum(count, 1)
    bright = np.where(weight > 0, grey, -1).max(axis=1)
    dark = np.where(weight > 0, grey, 1e9).min(axis=1)
    par = np.zeros((m, _PARAMS))  # du, dv, white, contrast, turn1, turn2, ln sigma, gain px, slopes
    par[:, 2], par[:, 3] = bright, np.maximum(bright - dark, 1.0)
    par[:, 6] = np.log(start[0])
    par[:, 7] = np.clip(start[1], -0.1 * heights.min(axis=1), 0.1 * heights.min(axis=1))
    scale = np.sqrt(heights.min(axis=1))
    reach_px = (heights * reach).max(axis=1)
    # priors: light changes by about a per cent a cell; blur and gain are held loosely to stay physical
    ridge_px = heights.min(axis=1)
    ridge = np.zeros((m, _PARAMS))
    ridge[:, 4:6] = 1 / 0.15**2
    ridge[:, 6] = 1 / 0.5**2
    ridge[:, 7] = 1 / np.minimum(1.5, 0.15 * ridge_px)**2
    ridge[:, 8:10] = 1 / 0.01**2
    settled = np.zeros(m, bool)
    moved = np.full(m, np.inf)
    hess = np.zeros((m, _PARAMS, _PARAMS))
    grad = np.zeros((m, _PARAMS))
    damping = np.full(m, 1e-3)
    last = np.full(m, np.inf)
    best = par.copy()
    var = np.full(m, np.nan)
    free = np.maximum(count - _PARAMS, 1.0)
    win = _Windows(du, dv, grey, weight, n1_0, n2_0, heights, scale, offsets,
                   np.ascontiguousarray(np.swapaxes(pattern, 1, 2)))
    act = np.arange(m)  # the corners still moving; the others' pixels are not touched again
    for step_no in range(iterations + 1):
        res, jac = _residuals(win, par[act])
        now = (res.astype(np.float64)**2).sum(axis=1) / free[act]
        prior = ridge[act] * np.maximum(now, 0.25)[:, None]
        off_prior = par[act]
        off_prior[:, 6] -= np.log(sigma0)
        cost = now * free[act] + (prior * off_prior**2).sum(axis=1)
        worse = cost > last[act] * (1 + 1e-6)
        damping[act] = np.where(worse, damping[act] * 30, np.maximum(damping[act] * 0.2, 1e-6))
        ok = ~worse
        up = act[ok]
        new_hess = (jac @ np.swapaxes(jac, 1, 2)).astype(np.float64)
        new_hess[:, np.arange(_PARAMS), np.arange(_PARAMS)] += prior
        hess[up] = new_hess[ok]
        grad[up] = ((jac @ res[:, :, None])[:, :, 0].astype(np.float64) - prior * off_prior)[ok]
        best[up], var[up], last[up] = par[up], now[ok], cost[ok]
        settled[up] = moved[up] < 3e-3
        if step_no == iterations:
            break
        go = act[~settled[act]]
        if len(go) == 0:
            break
        lifted = hess[go]
        diag = np.einsum("kii->ki", lifted)
        diag += damping[go, None] * diag + 1e-9
        delta = np.linalg.solve(lifted, grad[go][:, :, None])[:, :, 0]
        most = 0.3 * ridge_px[go, None] + 0.5
        delta[:, :2] = np.clip(delta[:, :2], -most, most)
        delta[:, 4:6] = np.clip(delta[:, 4:6], -0.15, 0.15)
        delta[:, 6] = np.clip(delta[:, 6], -0.5, 0.5)
        delta[:, 7] = np.clip(delta[:, 7], -0.7, 0.7)
        par[go] = best[go] + delta
        moved[go] = np.abs(delta[:, :2]).max(axis=1)
        # a step this small leaves an error far smaller still: take it without another look
        small = ((moved[go] < _LAST_STEP) & (np.abs(delta[:, 6:8]).max(axis=1) < 3 * _LAST_STEP)
                 & (damping[go] < 1e-2))
        best[go[small]] = par[go[small]]
        # what the step takes off the squares, as the linear model has it
        gained = (delta * grad[go]).sum(axis=1) / free[go]
        var[go[small]] = np.maximum(var[go] - gained, 0.3 * var[go])[small]
        settled[go[small]] = True
        if settled[act].all():
            break
        if settled[act].mean() > 0.15:
            stay = ~settled[act]
            win = win.keep(stay)
            act = act[stay]
    unit = np.linalg.inv(hess)[:, :2, :2]
    shift = np.linalg.norm(best[:, :2], axis=1)
    sigma = np.exp(best[:, 6])
    noise = np.sqrt(np.maximum(var, 0.0))
    ok = ((moved <= _LAST_STEP) & (shift < 0.5 * ridge_px + 0.3) & (best[:, 3] > 12) & (best[:, 3] > 3 * noise)
          & (np.abs(best[:, 4:6]).max(axis=1) < 0.5) & (count >= 16) & (total > 0)
          & (sigma < np.maximum(1.2, reach_px)))
    return centre0 + best[:, :2], unit, var, free, ok, sigma, best[:, 7]


def tag_axes(homography: F64, size: float = float(CELLS)) -> tuple[F64, F64]:
    """Saddle pixels (32, 2) and local axes (32, 2, 2) px per cell of a tag seen through ``homography``.

    The homography maps tag coordinates (``size`` units across, x right, y up) to pixels.
    """
    pts = saddle_points(size)
    return project(homography, pts), local_axes(homography, pts, size / CELLS)


def project(homography: F64, pts: F64) -> F64:
    """Points (n, 2) through a homography (3, 3) to (n, 2)."""
    q = pts @ homography[:, :2].T + homography[:, 2]
    return q[:, :2] / q[:, 2:]


def local_axes(homography: F64, pts: F64, cell: float) -> F64:
    """(n, 2, 2) derivative of the projected place along x and y, times ``cell``."""
    q = pts @ homography[:, :2].T + homography[:, 2]
    w = q[:, 2:]
    p = q[:, :2] / w
    out = np.empty((len(pts), 2, 2))
    for k in range(2):
        out[:, k] = (homography[:2, k] - p * homography[2, k]) / w * cell
    return out


_BLACK, _EDGES = surroundings()


def refine_tag(gray: NDArray[Any], homographies: list[F64], size: float = float(CELLS), sigma: float = 0.8,
               noise: float = 0.5) -> Saddles:
    """Refine every saddle of several tags at once: rows 32 per tag, in the order of ``homographies``."""
    if not homographies:
        empty = np.zeros((0, 2))
        return refine_saddles(gray, empty, np.zeros((0, 2, 2)), np.zeros(0))
    pairs = [tag_axes(h, size) for h in homographies]
    k = len(homographies)
    return refine_saddles(gray, np.concatenate([p[0] for p in pairs]), np.concatenate([p[1] for p in pairs]),
                          np.tile(saddle_signs(), k), sigma, noise, np.tile(_BLACK, (k, 1, 1)),
                          np.tile(_EDGES, (k, 1)))
