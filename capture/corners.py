"""Sub-pixel saddle corners: a photometric model of the print fitted to the pixels round each corner."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.targets import CELLS, CODE_SHARE, SADDLES, cell_is_black, saddle_points, saddle_signs

REACH = 0.78  # half width of the window along each cell direction, in cells: never reaches the next corner
_MAX_HALF_PX = 24.0  # longer edge stretches add little and cost time
_SAMPLES = 60000.0  # in one batch: what a core's own cache holds of them and their derivatives
_COARSE = 1.4  # px between samples near the lines at the first look
_FINE = 0.65  # of the blur's sigma, between samples near the lines
_BAND = 3.0  # sigma either side of a line that are sampled finely
_WIDE = 1.4  # px between samples further out
_TENT = 1 / math.sqrt(6)  # px, the mean blur of sampling between pixels by straight lines
_SMOOTHED = 4 / 9  # what it leaves of white noise's variance, on the mean
_MOST_LOOKS = 8  # corners that rest by then; hardly any comes to rest later
_TALLEST = 8192  # px of pieces above each other; the sampling takes pictures up to 32767
_HOPELESS = 12  # times the residual's variance that is refused, after three looks
_FEW = 32  # corners that go on together whatever their size
_REST_PX = 2.5e-3  # what the steps not taken any more may add up to
_PARAMS = 10  # u, v, white level, contrast, turn of line 1, turn of line 2, blur, gain, two shading slopes
_FLOOR_PX = 0.002  # what the model itself leaves over on noise-free renders
_LEFT_OUT = 0.008  # of the contrast: the same in grey; 0.6 % at worst on noise-free sheets, dim or bright
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
                row, col = int(np.floor(CELLS / 2 - cy)), int(np.floor(cx + CELLS / 2))
                if 0 <= row < CELLS and 0 <= col < CELLS:
                    black[k, j, i] = cell_is_black(row, col)
        # only saddles whose whole inner strip lies along the code see it as one straight edge
        for axis, sides in ((0, (1, 0)), (1, (3, 2))):
            here, along = (x, y) if axis == 0 else (y, x)
            if abs(here) > CELLS / 2 - 1.5 and abs(along) < code - 0.1:
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
                   edges: NDArray[np.float32] | None = None, iterations: int = _MOST_LOOKS,
                   reach: float = REACH) -> Saddles:
    """Fit the saddle model to the pixels round each corner.

    gray (H, W); uv0 (n, 2) first guess px; axes (n, 2, 2) px per cell, ``axes[:, 0]`` along the tag's x and
    ``axes[:, 1]`` along its y; sign (n,) +1 where the cell towards +x +y is black; sigma first guess of the
    blur px; noise floor of the grey noise. ``black``, ``edges`` as from ``surroundings`` (n rows) say what lies
    beyond the next edges, needed for cells under about 12 px. ``reach``: half width of the window in cells; a
    narrower one gives less and is spoilt less by what stands near the corner.

    Grey = white - contrast * (share of black seen through a Gaussian of the blur) + shading slopes. For a
    quadrant between two straight edges that share is the bivariate normal integral, taken by its tetrachoric
    series (Pearson 1900) to second order in the cosine between the edges. The photo is sampled on a grid along
    the corner's own two lines, where the model and its derivatives are sums of a few products of a function of
    one coordinate and a function of the other. Gauss-Newton over all corners at once; covariance s^2 (J'J)^-1
    with every nuisance value free.
    """
    uv = np.asarray(uv0, np.float64).reshape(-1, 2)
    corners, usable = _set_up(gray, uv, axes, sign, black, edges, reach)
    photo, moved_by = _floating(gray, uv, corners, usable)
    corners = corners._replace(centre=corners.centre + moved_by[usable])
    soft = math.hypot(sigma, _TENT)
    par = _first_par(len(usable), soft, 0.0, corners)
    par = _look(photo, corners, par, soft)
    return _gauss_newton(photo, corners, usable, uv, par, soft, noise, iterations)


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


class _Corners(NamedTuple):
    """What is known of m corners before the fit."""

    centre: F64  # (m, 2) px, first guess
    n1: F64  # (m, 2) unit normals of the two lines at first
    n2: F64
    heights: F64  # (m, 2) px from a line to its next parallel
    limit: F64  # (m, 2) half width of the window across each line, px
    span: F64  # (m, 2) half width of the window along u and v, px
    weave: F32  # (m, E + 1, E + 1) black share as a sum over products of two edges' blurred steps, and of 1
    offsets: F32 | None  # (m, 4) px to the outer strips

    def pick(self, which: NDArray[Any]) -> _Corners:
        """The corners picked out."""
        return _Corners(*(None if v is None else v[which] for v in self))  # type: ignore[arg-type]


# strips across a line as sums of edges. Edges: the black above the line begins, the black below ends; then, where
# the next parallels count, the strip beyond begins above, ends below, and the inner strip ends above, begins below
_STRIPS = {2: np.array([[0, 1], [1, 0]], np.float32),
           4: np.array([[0, 0, 0, 1, 0, 0], [0, 1, 0, 0, 0, -1], [1, 0, 0, 0, -1, 0], [0, 0, 1, 0, 0, 0]], np.float32)}
_SIDE = np.array([1, -1, 1, -1, 1, -1], np.float32)[:, None]  # which way an edge rises
_GROWS = np.array([-1, -1, -1, -1, 1, 1], np.float32)[:, None]  # which way gain moves what lies beyond it


def _set_up(gray: NDArray[Any], uv: F64, axes: F64, sign: NDArray[Any], black: F32 | None,
            edges: F32 | None, wide: float = REACH) -> tuple[_Corners, NDArray[np.int_]]:
    """Geometry of the corners whose window lies in the photo and is large enough, and which those are."""
    ax = np.array(axes, np.float64)
    det = ax[:, 0, 0] * ax[:, 1, 1] - ax[:, 0, 1] * ax[:, 1, 0]
    length = np.maximum(np.linalg.norm(ax, axis=2), 1e-9)
    heights = np.abs(det)[:, None] / length[:, ::-1]  # px from the line to its next parallel, per axis
    reach = np.minimum(wide, _MAX_HALF_PX / length)  # (n, 2)
    reach = np.maximum(reach, np.minimum(1.0, 1.6 / np.maximum(heights, 1e-9)))  # at least a few pixels
    span = np.abs(ax[:, 0]) * reach[:, :1] + np.abs(ax[:, 1]) * reach[:, 1:]
    inside = ((uv - span > 1) & (uv + span < np.array(gray.shape[::-1]) - 2)).all(axis=1)
    usable = np.flatnonzero(inside & (heights.min(axis=1) > 1.2) & np.isfinite(uv).all(axis=1))
    pattern = (_quadrants(np.asarray(sign)) if black is None else np.asarray(black, np.float32))[usable]
    strips = _STRIPS[pattern.shape[1]]
    weave = np.zeros((len(usable), strips.shape[1] + 1, strips.shape[1] + 1), np.float32)
    weave[:, :-1, :-1] = strips.T @ np.swapaxes(pattern, 1, 2) @ strips
    offsets = None
    if black is not None and edges is not None:
        offsets = (edges * np.repeat(heights, 2, axis=1))[usable].astype(np.float32)
    ax = ax[usable]
    ways = []
    for line, towards in ((ax[:, 1], ax[:, 0]), (ax[:, 0], ax[:, 1])):
        v = np.stack([-line[:, 1], line[:, 0]], axis=1) / np.linalg.norm(line, axis=1, keepdims=True)
        ways.append(v * np.where((v * towards).sum(axis=1) < 0, -1.0, 1.0)[:, None])
    return _Corners(uv[usable], ways[0], ways[1], heights[usable], (heights * reach)[usable], span[usable], weave,
                    offsets), usable


def _floating(gray: NDArray[Any], uv: F64, corners: _Corners, usable: NDArray[np.int_]) -> tuple[F32, F64]:
    """What lies round the usable ones of n corners in floating point, piece beside piece, and (n, 2) where each went.

    ``uv`` (n, 2) px as given. There is room for corners that are half a cell off.
    """
    gone = np.zeros((len(uv), 2))
    if len(usable) == 0:
        return np.zeros((1, 1), np.float32), gone
    room = corners.span + 0.5 * corners.heights.min(axis=1)[:, None] + 4
    piece = usable // SADDLES  # tag by tag, where tags are refined
    first = np.flatnonzero(np.diff(piece, prepend=-1))
    low = np.minimum.reduceat(np.maximum(corners.centre - room, 0).astype(int), first)
    high = np.maximum.reduceat(np.minimum((corners.centre + room).astype(int) + 2, gray.shape[::-1]), first)
    size = high - low
    column = size[:, 1].cumsum() // _TALLEST
    at = np.zeros_like(low)
    right = 0
    for k in np.unique(column):
        here = column == k
        at[here, 0] = right
        at[here, 1] = size[here, 1].cumsum() - size[here, 1]
        right += size[here, 0].max()
    photo = np.zeros(((at + size)[:, 1].max(), right), np.float32)
    for (u0, v0), (u1, v1), (u, v), (w, h) in zip(low, high, at, size, strict=True):
        photo[v:v + h, u:u + w] = gray[v0:v1, u0:u1]
    of_piece = np.zeros((piece[-1] + 1, 2))
    of_piece[piece[first]] = at - low
    held = np.minimum(np.arange(len(uv)) // SADDLES, piece[-1])
    return photo, of_piece[held]


def _counts(limit: F64, band: float, fine: float, wide: float) -> F64:
    """How many samples half a window needs: one every ``fine`` px within ``band`` of the line, then ``wide``."""
    inner = np.minimum(limit, band)
    return inner / fine + (limit - inner) / wide


def _nodes(limit: F64, band: float, fine: float, wide: float, half: int) -> tuple[F32, F32]:
    """Sample places (m, 2 half) across windows of half width ``limit`` (m,) px, and the px each stands for."""
    inner = np.minimum(limit, band)[:, None]
    at = _counts(limit, band, fine, wide)[:, None] * (np.arange(half + 1) / half)
    borders = np.where(at * fine < inner, at * fine, inner + (at - inner / fine) * wide)
    x = (borders[:, 1:] + borders[:, :-1]) / 2
    w = np.diff(borders, axis=1)
    return (np.concatenate([-x[:, ::-1], x], axis=1).astype(np.float32),
            np.concatenate([w[:, ::-1], w], axis=1).astype(np.float32))


def _steps(x: F32, sigma: F32, g: F32, low: F32 | None, high: F32 | None, root: F32) -> F32:
    """Blurred edges across one axis times ``root``, (m, 5, E + 1, G), after them the constant 1.

    In the order value, d/dx, sigma d/dsigma, value, d/dg. E = 2 for the line alone, E = 6 with the next parallels,
    ``low`` and ``high`` px away.
    """
    inv = 1 / sigma
    edge = [x - g, -x - g]
    if low is not None and high is not None:
        edge += [x - high - g, -x - low - g, x - high + g, -x - low + g]
    e = len(edge)
    arg = np.empty((len(x), e, x.shape[1]), np.float32)
    for k, v in enumerate(edge):
        np.multiply(v, inv, out=arg[:, k])
    at = (arg * np.float32(_PER_SIGMA) + np.float32(8192.5)).astype(np.intp)
    out = np.zeros((len(x), 5, e + 1, x.shape[1]), np.float32)
    root = root[:, None]
    np.multiply(_NORMAL.take(at, mode="clip"), root, out=out[:, 0, :e])
    out[:, 0, e:] = root
    bell = _BELL.take(at, mode="clip")
    bell *= root
    np.multiply(-arg, bell, out=out[:, 2, :e])
    bell *= inv[:, None]
    np.multiply(bell, _SIDE[:e], out=out[:, 1, :e])
    np.multiply(bell, _GROWS[:e], out=out[:, 4, :e])
    out[:, 3] = out[:, 0]
    return out


# the order in which the derivatives are worked out, and where each parameter is in it
_ROWS = np.array([0, 1, 6, 7, 2, 3, 4, 5, 9, 10, 8])


def _normal_equations(photo: F32, win: _Corners, par: F64, x: F32, wx: F32, y: F32, wy: F32,
                      first: bool) -> tuple[F64, F64, F64, F64, F64]:
    """J'J (m, 10, 10), J'r (m, 10), r'r (m,) over the windows, the px (m, 2, 2) of a step across each line, and the
    white noise's variance, grey^2, at every eighth corner.

    Derivatives after the corner's place across line 1 and across line 2 (px), white, contrast, the lines' turns,
    ln blur, gain, shading along x and along y. ``first``: white and contrast are not known yet; they are put into
    ``par`` by linear least squares.
    """
    m, gx, gy = len(par), x.shape[1], y.shape[1]

    def column(v: NDArray[Any]) -> F32:
        return v.astype(np.float32)[:, None]

    c1, s1, c2, s2 = np.cos(par[:, 4:5]), np.sin(par[:, 4:5]), np.cos(par[:, 5:6]), np.sin(par[:, 5:6])
    n1 = c1 * win.n1 + s1 * np.stack([-win.n1[:, 1], win.n1[:, 0]], 1)
    n2 = c2 * win.n2 + s2 * np.stack([-win.n2[:, 1], win.n2[:, 0]], 1)
    cross = n1[:, 0] * n2[:, 1] - n1[:, 1] * n2[:, 0]
    p = np.stack([n2[:, 1], -n2[:, 0]], 1) / cross[:, None]  # px for one px across line 1, along line 2
    q = np.stack([-n1[:, 1], n1[:, 0]], 1) / cross[:, None]
    rho = column((n1 * n2).sum(axis=1))
    at = win.centre + par[:, :2]
    rows = np.empty((_PARAMS + 1, m, gy, gx), np.float32)
    lefts = np.empty((m, gy, 2), np.float32)
    rights = np.empty((m, 2, gx), np.float32)

    def ramp(start: F64, along_x: F64, along_y: F64, out: F32) -> None:
        """start + along_x x + along_y y over each window."""
        np.multiply(x, column(along_x), out=rights[:, 0])
        rights[:, 0] += column(start)
        np.multiply(y, column(along_y), out=lefts[:, :, 1])
        np.matmul(lefts, rights, out=out)

    lefts[:, :, 0] = 1
    rights[:, 1] = 1
    nil = np.zeros(m)
    ramp(at[:, 0], p[:, 0], q[:, 0], rows[0])
    ramp(at[:, 1], p[:, 1], q[:, 1], rows[1])
    # a sample between pixels keeps this share of white noise's variance, but all of a misfit's
    few = [rows[k, ::8].reshape(len(rho[::8]), -1) for k in (0, 1)]
    few = [f - np.floor(f) for f in few]
    kept = (1 - 2 * few[0] * (1 - few[0])) * (1 - 2 * few[1] * (1 - few[1]))
    kept -= kept.mean(axis=1, keepdims=True)
    seen = np.asarray(cv2.remap(photo, rows[0].reshape(-1, gx), rows[1].reshape(-1, gx), cv2.INTER_LINEAR,
                                borderMode=cv2.BORDER_REPLICATE), np.float32).reshape(m, gy, gx)
    root_x, root_y = np.sqrt(wx), np.sqrt(wy / column(np.abs(cross)))
    sg, g = column(np.exp(par[:, 6])), column(par[:, 7])
    off = [None] * 4 if win.offsets is None else [win.offsets[:, k:k + 1] for k in range(4)]
    # a print's gain is the same all ways on the paper, so foreshortened as the cells are
    slim = column(np.sqrt(win.heights[:, 0] / win.heights[:, 1]))
    across = _steps(x, sg, g * slim, off[0], off[1], root_x)
    e = across.shape[2]
    weave = win.weave
    if (g < 0).any():
        # where black has grown its squares share a band, counted once
        share = np.zeros(e, np.float32)
        share[[0, 1, e - 1]] = (1, 1, -1)
        weave = weave - (g < 0).astype(np.float32)[:, :, None] * np.outer(share, share)
    up = weave[:, None] @ _steps(y, sg, g * (np.float32(1) / slim), off[2], off[3], root_y)
    r1 = rho[:, :, None]

    def into(k: int, left: F32, right: F32) -> None:
        np.matmul(left.reshape(m, -1, gy).swapaxes(1, 2), right.reshape(m, -1, gx), out=rows[k])

    # share of black, by value, d/dx, sigma d/dsigma; the last is also sigma^2 d2/dx2
    shares = np.empty((m, 3, e, gy), np.float32)
    shares[:, 0] = up[:, 0]
    np.multiply(up[:, 1], r1 * sg[:, :, None]**2, out=shares[:, 1])
    np.multiply(up[:, 2], r1**2 / 2, out=shares[:, 2])
    into(7, shares, across[:, :3])
    np.multiply(up[:, 1], r1, out=shares[:, 1])
    into(0, shares[:, :2], across[:, 1:3])
    shares[:, 0] = up[:, 1]
    np.multiply(up[:, 2], r1, out=shares[:, 1])
    into(1, shares[:, :2], across[:, :2])
    into(4, up[:, 3:1:-1], across[:, 2:4])
    np.multiply(up[:, 4], 1 / slim[:, :, None], out=shares[:, 0])
    np.multiply(up[:, 3], slim[:, :, None], out=shares[:, 1])
    into(5, shares[:, :2], across[:, 3:])
    np.matmul(root_y[:, :, None], root_x[:, None], out=rows[6])
    inv = 1 / cross
    ramp(nil, rho[:, 0] * inv, -inv, rows[2])
    ramp(nil, inv, -rho[:, 0] * inv, rows[3])
    rows[2] *= rows[0]
    rows[3] *= rows[1]
    mid = seen.reshape(m, -1).mean(axis=1)
    seen -= mid[:, None, None]
    np.multiply(seen, rows[6], out=rows[8])
    by_corner = rows.reshape(_PARAMS + 1, m, gy * gx).transpose(1, 0, 2)
    if first:
        part = by_corner[:, 6:9]
        two = (part @ np.ascontiguousarray(part).swapaxes(1, 2)).astype(np.float64)
        d = np.maximum(two[:, 0, 0] * two[:, 1, 1] - two[:, 0, 1]**2, 1e-9)
        par[:, 2] = (two[:, 0, 2] * two[:, 1, 1] - two[:, 1, 2] * two[:, 0, 1]) / d + mid
        par[:, 3] = (two[:, 0, 2] * two[:, 0, 1] - two[:, 1, 2] * two[:, 0, 0]) / d
    # light that runs across the window dims white and black alike: a factor, not an addend
    contrast = par[:, 3]
    np.multiply(rows[6], column(par[:, 2])[:, :, None], out=seen)
    seen -= rows[7] * column(contrast)[:, :, None]
    per_cell = 1 / win.heights.min(axis=1)
    ramp(nil, per_cell, nil, rows[9])
    ramp(nil, nil, per_cell, rows[10])
    rows[9] *= seen
    rows[10] *= seen
    # a plain product of two arrays is several times faster here than the symmetric one of an array with itself
    gram = (by_corner @ np.ascontiguousarray(by_corner).swapaxes(1, 2)).astype(np.float64)
    mix = np.zeros((m, _PARAMS + 1))  # the residual: grey less white, plus contrast times share, less shading
    mix[:, 6], mix[:, 7], mix[:, 8] = mid - par[:, 2], contrast, 1
    mix[:, 9:] = -par[:, 8:]
    grad = (gram @ mix[:, :, None])[:, :, 0]
    square = np.maximum((grad * mix).sum(axis=1), 0.0)
    res = (mix[::8, None].astype(np.float32) @ by_corner[::8])[:, 0] / by_corner[::8, 6]
    white = ((res**2 * kept).sum(axis=1) / np.maximum((kept**2).sum(axis=1), 1e-9)).astype(np.float64)
    scale = np.ones((m, _PARAMS))
    scale[:, [0, 1]] = contrast[:, None]
    scale[:, 3] = -1
    scale[:, 4:8] = -contrast[:, None]
    scale[:, 4:6] *= -1
    at_rows = _ROWS[:_PARAMS]
    hess = gram[:, at_rows[:, None], at_rows] * scale[:, :, None] * scale[:, None, :]
    return hess, grad[:, at_rows] * scale, square, np.stack([p, q], axis=2), white


def _kinks(corners: _Corners, par: F64) -> F64:
    """Mean square, grey^2, that sampling by straight lines between pixels adds to the residual, (m,).

    At the share a of the way from pixel to pixel it is off by f'' (a (1 - a) - 1/6) / 2 from its mean blur's; over all
    a that squares to f''^2 / 720, and f'' of a blurred edge to contrast^2 / (4 sqrt(pi) sigma^3) px of its length.
    """
    sigma = np.exp(par[:, 6])
    total = np.zeros(len(par))
    for k, normal in enumerate((corners.n1, corners.n2)):
        # the next parallels' edges begin where the window ends
        z = (corners.heights[:, k] - corners.limit[:, k]) / sigma
        beyond = 2 * (0.5 * np.array([math.erfc(x) for x in z]) + z / np.sqrt(np.pi) * np.exp(-z**2))
        total += (normal**4).sum(axis=1) * (1 + beyond) / (2 * corners.limit[:, k])
    return par[:, 3]**2 / (720 * 4 * np.sqrt(np.pi) * sigma**3) * total


def _batches(need: NDArray[np.int_]) -> Iterator[tuple[NDArray[np.int_], int]]:
    """Corners that can share a grid, and half its width."""
    size = np.maximum(need, 3)
    for half in np.unique(size):
        same = np.flatnonzero(size == half)
        most = max(int(_SAMPLES / (2 * half)**2), 8)
        for first in range(0, len(same), most):
            yield same[first:first + most], int(half)


def _first_par(m: int, soft: float, gain: float, corners: _Corners) -> F64:
    """Starting values (m, 10): the place as given, no turn, no shading."""
    par = np.zeros((m, _PARAMS))
    par[:, 6] = math.log(soft)
    par[:, 7] = np.clip(gain, -0.1 * corners.heights.min(axis=1), 0.1 * corners.heights.min(axis=1))
    return par


def _ridge(cell: F64) -> F64:
    """Prior weights (m, 10): light changes by about a per cent a cell; blur and gain are held to stay physical."""
    ridge = np.zeros((len(cell), _PARAMS))
    ridge[:, 4:6] = 1 / 0.15**2
    ridge[:, 6] = 1 / 0.5**2
    ridge[:, 7] = 1 / np.minimum(1.5, 0.15 * cell)**2
    ridge[:, 8:10] = 1 / 0.01**2
    return ridge


def _clip(delta: F64, cell: F64) -> F64:
    """Steps (m, 10) cut to what the linear model can be trusted for; the place still across the lines."""
    most = np.full(delta.shape, np.inf)
    most[:, :2] = 0.3 * cell[:, None] + 0.5
    most[:, 4:8] = (0.15, 0.15, 0.5, 0.7)
    return np.clip(delta, -most, most)


def _look(photo: F32, corners: _Corners, par: F64, soft: float) -> F64:
    """Parameters (m, 10) after one step on a coarse grid."""
    out = par.copy()
    band = 3 * soft + 1
    need = np.ceil(_counts(corners.limit, band, _COARSE, 2 * _COARSE).max(axis=1) / 2).astype(int) * 2
    for idx, half in _batches(need):
        win, here = corners.pick(idx), out[idx]
        x, wx = _nodes(win.limit[:, 0], band, _COARSE, 2 * _COARSE, half)
        y, wy = _nodes(win.limit[:, 1], band, _COARSE, 2 * _COARSE, half)
        hess, grad, square, way, _ = _normal_equations(photo, win, here, x, wx, y, wy, True)
        cell = win.heights.min(axis=1)
        prior = _ridge(cell) * np.maximum(square / (4 * win.limit.prod(axis=1)), 0.25)[:, None]
        hess[:, np.arange(_PARAMS), np.arange(_PARAMS)] += prior + 1e-9
        here[:, 8:] = 0
        delta = _clip(np.asarray(np.linalg.solve(hess, grad[:, :, None])[:, :, 0], np.float64), cell)
        delta[:, :2] = (way @ delta[:, :2, None])[:, :, 0]
        out[idx] = here + delta
    return out


def _gauss_newton(photo: F32, corners: _Corners, usable: NDArray[np.int_], uv0: F64, par: F64, soft: float,
                  noise: float, iterations: int) -> Saddles:
    """Gauss-Newton on a fine grid until each corner rests; most need one look. All n corners' results."""
    n, m = len(uv0), len(usable)
    cell = corners.heights.min(axis=1)
    blur = float(np.exp(np.median(par[:, 6]))) if m else soft
    band, fine, wide = _BAND * blur + 0.5, _FINE * blur, _WIDE
    need = np.ceil(_counts(corners.limit, band, fine, wide).max(axis=1)).astype(int)
    ridge = _ridge(cell)
    best = par.copy()
    white = np.full(m, np.nan)
    unit, var, free, converged = np.full((m, 2, 2), np.nan), np.full(m, np.nan), np.ones(m), np.zeros(m, bool)
    moved, damping, last = np.full(m, np.inf), np.full(m, 1e-3), np.full(m, np.inf)
    hess, grad, way = np.zeros((m, _PARAMS, _PARAMS)), np.zeros((m, _PARAMS)), np.zeros((m, 2, 2))
    act = np.arange(m)
    gathered = False
    for step_no in range(iterations if m else 0):
        if len(act) < _FEW and not gathered:
            # the last few share one grid; on a new grid old sums of squares say nothing
            need[act], last[act], gathered = need[act].max(), np.inf, True
        for some, half in _batches(need[act]):
            idx = act[some]
            win, here = corners.pick(idx), par[idx]
            x, wx = _nodes(win.limit[:, 0], band, fine, wide, half)
            y, wy = _nodes(win.limit[:, 1], band, fine, wide, half)
            new_hess, new_grad, square, new_way, some_white = _normal_equations(photo, win, here, x, wx, y, wy,
                                                                                 step_no == 0)
            white[idx[::8]] = some_white
            area = 4 * win.limit.prod(axis=1) * np.abs(np.linalg.det(new_way))
            held = np.einsum("kii->ki", new_hess)
            taken = (held / (held + ridge[idx] * np.maximum(square / area, 0.25)[:, None] + 1e-9)).sum(axis=1)
            # sampling between pixels averages noise; what the parameters took up is smooth and was not averaged
            left = np.maximum(area - taken / _SMOOTHED, 0.2 * area)
            now = square / left
            prior = ridge[idx] * np.maximum(now / _SMOOTHED, 0.25)[:, None]
            off_prior = here.copy()
            off_prior[:, :4] = 0
            off_prior[:, 6] -= math.log(soft)
            cost = square + (prior * off_prior**2).sum(axis=1)
            better = ~(cost > last[idx] * 1.01)
            damping[idx] = np.where(better, np.maximum(damping[idx] * 0.2, 1e-6), damping[idx] * 30)
            new_hess[:, np.arange(_PARAMS), np.arange(_PARAMS)] += prior
            up = idx[better]
            hess[up], grad[up], way[up] = new_hess[better], (new_grad - prior * off_prior)[better], new_way[better]
            best[up], var[up], free[up], last[up] = here[better], now[better], left[better], cost[better]
        lifted = hess[act]
        diag = np.einsum("kii->ki", lifted)
        diag += damping[act, None] * diag + 1e-9
        right = np.zeros((len(act), _PARAMS, 3))
        right[:, :, 0] = grad[act]
        right[:, 0, 1] = right[:, 1, 2] = 1
        solved = np.asarray(np.linalg.solve(lifted, right), np.float64)
        delta = _clip(solved[:, :, 0], cell[act])
        # what the step takes off the squares, as the linear model has it
        gained = (delta * grad[act]).sum(axis=1) / free[act]
        moved[act] = np.abs(delta[:, :2]).max(axis=1)
        light = np.abs(delta[:, 3]) / np.maximum(best[act, 3], 1.0)
        # the next step would be about this one's share of the change in blur and contrast
        rest = moved[act] * (np.abs(delta[:, 6]) + light + moved[act] + np.abs(delta[:, 7]))
        small = (rest < _REST_PX) & (damping[act] < 1e-2) & (moved[act] < 0.15)
        delta[:, :2] = (way[act] @ delta[:, :2, None])[:, :, 0]
        par[act] = best[act] + delta
        done = act[small]
        unit[done] = (way[act] @ solved[:, :2, 1:] @ way[act].swapaxes(1, 2))[small]
        var[done] = np.maximum(var[act] - gained, 0.3 * var[act])[small]
        converged[done] = True
        act = act[~small]
        # a corner that ran off its place will not come back
        act = act[np.linalg.norm(par[act, :2], axis=1) < 0.5 * cell[act] + 0.3]
        if step_no >= 2 and converged.any():
            # what would be refused in the end by far, as it is no saddle, need not come to rest
            most = 5 * float(np.median(var[converged])) + (_LEFT_OUT * par[act, 3])**2
            act = act[var[act] < _HOPELESS * most]
        if len(act) == 0:
            break
    sigma = np.exp(par[:, 6])
    unit *= (sigma / np.hypot(sigma, _TENT))[:, None, None]
    converged &= ((np.linalg.norm(par[:, :2], axis=1) < 0.5 * cell + 0.3) & (par[:, 3] > 12)
                & (par[:, 3] > 3 * np.sqrt(np.maximum(var / _SMOOTHED, 0.0))) & (np.abs(par[:, 4:6]).max(axis=1) < 0.5)
                & (4 * corners.limit.prod(axis=1) >= 14) & (sigma < np.maximum(1.2, corners.limit.max(axis=1))))
    uv, cov, ok = uv0.copy(), np.full((n, 2, 2), np.nan), np.zeros(n, bool)
    out_blur, gain = np.full(n, np.nan), np.full(n, np.nan)
    if converged.any():
        # few pixels make a shaky noise figure: lean on the corners' common one
        kinks = _kinks(corners, par)
        var -= np.minimum(kinks, 0.8 * var)
        white -= 2.5 * kinks
        common = float(np.median(var[converged]))
        pooled = (var * free + common * 90.0) / (free + 90.0)
        clean = white[converged & np.isfinite(white)]
        lost = (1 - _SMOOTHED) * float(np.median(clean)) if len(clean) else 0.0
        lost = min(max(lost, 0.0), common * (1 / _SMOOTHED - 1))
        cov[usable] = unit * np.maximum(pooled + lost, noise**2)[:, None, None] + _FLOOR_PX**2 * np.eye(2)
        converged &= np.isfinite(cov[usable]).all(axis=(1, 2))
        converged &= var < common + 4 * (common + lost) + (_LEFT_OUT * par[:, 3])**2
    uv[usable] += par[:, :2]
    ok[usable] = converged
    out_blur[usable] = np.sqrt(np.maximum(sigma**2 - _TENT**2, 0.01))
    gain[usable] = par[:, 7]
    return Saddles(uv, cov, ok, out_blur, gain)


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
_PTS, _SIGNS = saddle_points(float(CELLS)), saddle_signs()
_SOME = np.rint(np.arange(12) * SADDLES / 12).astype(int)  # saddles enough to place a tag by


def refine_tag(gray: NDArray[Any], homographies: list[F64], size: float = float(CELLS), sigma: float = 0.8,
               noise: float = 0.5) -> Saddles:
    """Refine every saddle of several tags at once: rows 32 per tag, in the order of ``homographies``.

    A few saddles of each tag are looked at first, to place the tag and to learn the photo's blur and gain, so
    that nearly all saddles then need one look.
    """
    k = len(homographies)
    if k == 0:
        empty = np.zeros((0, 2))
        return refine_saddles(gray, empty, np.zeros((0, 2, 2)), np.zeros(0))
    start = np.array(homographies, np.float64) @ np.diag([size / CELLS, size / CELLS, 1.0])
    uv, axes = _all_saddles(start)
    signs = np.tile(_SIGNS, k)
    black, edges = np.tile(_BLACK, (k, 1, 1)), np.tile(_EDGES, (k, 1))
    soft, gain = math.hypot(sigma, _TENT), 0.0
    soft_now = soft
    corners, usable = _set_up(gray, uv, axes, signs, black, edges)
    photo, moved_by = _floating(gray, uv, corners, usable)
    some = np.flatnonzero(np.isin(usable % SADDLES, _SOME))
    if len(some) > 0:
        few = corners.pick(some)._replace(centre=corners.centre[some] + moved_by[usable[some]])
        par = _look(photo, few, _first_par(len(some), soft, gain, few), soft)
        moved = np.full(len(some), np.inf)
        restless = np.arange(len(some))
        for _ in range(3):
            first = par[restless, :2].copy()
            par[restless] = _look(photo, few.pick(restless), par[restless], soft)
            moved[restless] = np.abs(par[restless, :2] - first).max(axis=1)
            restless = np.flatnonzero(moved >= 0.1)
            if len(restless) < 0.2 * len(some):
                break
        cell = few.heights.min(axis=1)
        good = (par[:, 3] > 12) & (moved < 0.2) & (np.linalg.norm(par[:, :2], axis=1) < 0.5 * cell + 0.3)
        if good.sum() >= 6:
            # one lens and one exposure: all corners start from their common blur and gain
            soft_now, gain = float(np.exp(np.median(par[good, 6]))), float(np.median(par[good, 7]))
            at = usable[some[good]]
            better = uv.copy()
            better[at] += par[good, :2]
            seen = np.isin(np.arange(k * SADDLES), at).reshape(k, SADDLES)
            placed = seen.sum(axis=1) >= 6
            planes = start.copy()
            planes[placed], _ = fit_planes(start[placed], better.reshape(k, SADDLES, 2)[placed], seen[placed], 4)
            uv, axes = _all_saddles(planes)
    there = usable
    corners, usable = _set_up(gray, uv, axes, signs, black, edges)
    held = np.isin(usable, there)
    corners, usable = corners.pick(held), usable[held]
    corners = corners._replace(centre=corners.centre + moved_by[usable])
    return _gauss_newton(photo, corners, usable, uv, _first_par(len(usable), soft_now, gain, corners), soft, noise,
                         _MOST_LOOKS)


def _all_saddles(planes: F64) -> tuple[F64, F64]:
    """Saddle pixels (32 k, 2) and axes (32 k, 2, 2) of tags, homographies (k, 3, 3) from cells."""
    q = np.c_[_PTS, np.ones(SADDLES)] @ planes.transpose(0, 2, 1)
    uv = q[..., :2] / q[..., 2:]
    axes = (planes[:, None, :2, :2] - uv[..., None] * planes[:, None, 2:, :2]) / q[..., 2, None, None]
    return uv.reshape(-1, 2), axes.transpose(0, 1, 3, 2).reshape(-1, 2, 2)


def fit_planes(start: F64, uv: F64, ok: NDArray[np.bool_], steps: int = 7) -> tuple[F64, F64]:
    """Homographies (k, 3, 3) from tag cells to px through saddles uv (k, 32, 2), and distances px (k, 32) from them.

    Saddles not ``ok`` (k, 32) are left out and their distance is nought. Gauss-Newton from ``start`` with Cauchy
    weights whose scale is the tag's own median distance, so that a few stray ones do not pull.
    """
    src = _PTS
    x, y, one, nil = src[:, 0], src[:, 1], np.ones(SADDLES), np.zeros(SADDLES)
    # small changes of the plane's coordinates, (32, 2, 8)
    turn = np.stack([np.stack([x, y, one, nil, nil, nil, -x * x, -x * y], 1),
                     np.stack([nil, nil, nil, x, y, one, -x * y, -y * y], 1)], axis=1)
    h = start.copy()
    miss = np.zeros(ok.shape)
    count = ok.sum(axis=1, keepdims=True)
    middle = np.clip(np.concatenate([(count - 1) // 2, count // 2], axis=1), 0, SADDLES - 1)
    at_rest = False
    for step in range(steps + 1):
        q = np.c_[src, one] @ h.transpose(0, 2, 1)
        at = q[..., :2] / q[..., 2:]
        res = np.where(ok[..., None], uv - at, 0.0)
        miss = np.sqrt((res**2).sum(axis=2))
        if step == steps or at_rest:
            break
        local = (h[:, None, :2, :2] - at[..., None] * h[:, None, 2:, :2]) / q[..., 2, None, None]
        ordered = np.sort(np.where(ok, miss, np.inf), axis=1)
        scale = np.clip(np.take_along_axis(ordered, middle, axis=1).mean(axis=1), 0.01, 1e6)
        weight = ok / (1 + (miss / (2 * scale[:, None]))**2)
        jac = (local @ turn).reshape(len(h), 2 * SADDLES, 8)
        heavy = jac * np.repeat(weight, 2, axis=1)[..., None]
        normal = heavy.transpose(0, 2, 1) @ jac + 1e-9 * np.eye(8)
        delta = np.linalg.solve(normal, heavy.transpose(0, 2, 1) @ res.reshape(len(h), -1, 1))[..., 0]
        change = np.concatenate([delta, np.zeros((len(h), 1))], axis=1).reshape(-1, 3, 3) + np.eye(3)
        h = h @ change
        at_rest = bool(np.abs(delta).max(initial=0.0) < 1e-5)  # of a cell
    return h, miss
