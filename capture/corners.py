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
_SAMPLES = 20000.0  # in one batch: what a core's own cache holds of them and their derivatives
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
_ALIKE = 1.3  # times the smallest window of a batch, the largest
_CALMER = 0.2  # times the damping, after a step that did well
_TAMED = 1e-2  # damping below which a small step is a sign of rest
_PROBED = 60000.0  # samples of the corners of a size among which every eighth from the first is probed for noise
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
    weave: F32  # (m, S, S) 1 where a strip across line 1 and a strip across line 2 cross in black
    offsets: F32 | None  # (m, 4) px to the outer strips

    def pick(self, which: NDArray[Any] | slice) -> _Corners:
        """The corners picked out."""
        return _Corners(*(None if v is None else v[which] for v in self))  # type: ignore[arg-type]


# rows of the samples' table: grey, then what the model leaves of it; and the model's derivatives
_GREY, _TURN, _SHADE, _BLUR, _U, _SHARE, _WHITE, _HIGH = 0, 1, 3, 5, 7, 9, 10, 11
_ROWS = np.array([_U, _U + 1, _WHITE, _SHARE, _TURN, _TURN + 1, _BLUR, _BLUR + 1, _SHADE, _SHADE + 1])  # by parameter
_PAIRS = (_ROWS[:, None] * _HIGH + _ROWS).ravel()


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
    offsets = None
    if black is not None and edges is not None:
        offsets = (edges * np.repeat(heights, 2, axis=1))[usable].astype(np.float32)
    ax = ax[usable]
    ways = []
    for line, towards in ((ax[:, 1], ax[:, 0]), (ax[:, 0], ax[:, 1])):
        v = np.stack([-line[:, 1], line[:, 0]], axis=1) / np.linalg.norm(line, axis=1, keepdims=True)
        ways.append(v * np.where((v * towards).sum(axis=1) < 0, -1.0, 1.0)[:, None])
    return _Corners(uv[usable], ways[0], ways[1], heights[usable], (heights * reach)[usable], span[usable],
                    pattern.swapaxes(1, 2), offsets), usable


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


class _Grid(NamedTuple):
    """Where m windows are sampled: places px from both lines, roots of the px each stands for, nought past the end."""

    half: NDArray[np.int_]  # (m,) half of the samples across a window; the others stand either side of them
    at: F32  # (2, m, 2 H)
    root: F32

    def pick(self, which: NDArray[Any] | slice) -> _Grid:
        """The windows picked out, as wide as the largest of them needs."""
        half, wide = self.half[which], self.at.shape[2] // 2
        most = int(half.max(initial=1))
        return _Grid(half, *(v[:, which, wide - most:wide + most] for v in (self.at, self.root)))


def _grid(limit: F64, half: NDArray[np.int_], band: float, fine: float, wide: float) -> _Grid:
    """Samples across windows of half widths ``limit`` (m, 2) px, twice ``half`` (m,) of them each way."""
    share = np.minimum(np.arange(half.max(initial=1) + 1) / half[:, None], 1.0)
    inner = np.minimum(limit, band).T[:, :, None]
    at = _counts(limit, band, fine, wide).T[:, :, None] * share
    borders = np.where(at * fine < inner, at * fine, inner + (at - inner / fine) * wide)
    x = ((borders[..., 1:] + borders[..., :-1]) / 2).astype(np.float32)
    root = np.sqrt((borders[..., 1:] - borders[..., :-1]).astype(np.float32))
    return _Grid(half, np.concatenate([-x[..., ::-1], x], axis=2), np.concatenate([root[..., ::-1], root], axis=2))


def _strips(at: F32, root: F32, sigma: F32, g: F32, far: F32 | None, band: bool) -> F32:
    """Blurred strips across both lines times ``root``, (S, 4, 2, m, G), behind ``root`` itself: (1 + 4 S, 2, m, G).

    Of each strip its value, sigma d/dx, -sigma d/dsigma and -sigma d/dg. From low to high: black below and above the
    line; with the next parallels, ``far`` (2, 2, m, 1) px away below and above, between what lies beyond these. Behind
    them, if ``band``, how far the two at the line overlap where black has grown.
    """
    z, near = at / sigma, -g / sigma
    falls, rises = [near], [near]
    if far is not None:
        low, high = far / sigma
        falls, rises = [near - low, near, -near - low], [near, near - high, -near - high]
    e = len(falls)
    arg = np.empty((2 * e, *at.shape), np.float32)
    for k in range(e):
        np.subtract(falls[k], z, out=arg[k])
        np.add(z, rises[k], out=arg[e + k])
    place = arg * np.float32(_PER_SIGMA)
    place += np.float32(8192.5)
    index = place.astype(np.intp)
    value, bell = _NORMAL.take(index, mode="clip"), _BELL.take(index, mode="clip")
    value *= root
    bell *= root
    arg *= bell
    s = 2 if far is None else 4
    whole = np.empty((1 + 4 * (s + band), *at.shape), np.float32)
    whole[0] = root
    out = whole[1:].reshape(s + band, 4, *at.shape)
    fall, rise = (0, 1) if far is None else (1, 3)  # the edges at the line
    if band:
        out[s, 0] = value[fall] + value[rise] - root
        out[s, 1] = bell[rise] - bell[fall]
        out[s, 2] = arg[fall] + arg[rise]
        out[s, 3] = bell[fall] + bell[rise]
    if far is not None:
        # the strips at the line end where those beyond begin, but that gain moves their ends the other way
        for k, begin, end in ((1, 1, 2), (2, 3, 5)):
            np.subtract(value[begin], value[end], out=out[k, 0])
            np.subtract(bell[begin], bell[end], out=out[k, 1])
            np.subtract(arg[begin], arg[end], out=out[k, 2])
            np.add(bell[begin], bell[end], out=out[k, 3])
        np.negative(out[1, 1], out=out[1, 1])
        fall, rise = 0, 4
    for k, edge in ((0, fall), (s - 1, rise)):
        out[k, 0], out[k, 1], out[k, 2], out[k, 3] = value[edge], bell[edge], arg[edge], bell[edge]
    np.negative(out[0, 1], out=out[0, 1])
    return whole


def _mixed(cosine: F32, slim: F32) -> F32:
    """(m, 24, 4) what of each function across line 2 goes into a row together with each across line 1.

    Rows blur, gain, u, v and share of black, times sigma where they are per px, and white's, which none goes into.
    """
    out = np.zeros((len(cosine), 4, 6, 4), np.float32)
    out[:, 2, 0, 0] = out[:, 0, 0, 2] = -1
    out[:, 0, 1, 3], out[:, 3, 1, 0] = -1 / slim, -slim
    out[:, 1, 2, 0] = out[:, 0, 3, 1] = out[:, 0, 4, 0] = 1
    out[:, 2, 2, 1] = out[:, 1, 3, 2] = -cosine
    out[:, 1, 4, 1] = cosine
    out[:, 2, 4, 2] = cosine**2 / 2
    return out.reshape(-1, 24, 4)


class _Lines(NamedTuple):
    """The two lines of m corners as the parameters have them."""

    at: F64  # (m, 2) px, where they cross
    p: F64  # (m, 2) px for one px across line 1, along line 2
    q: F64  # (m, 2) the same across line 2
    cosine: F64  # (m,) between their normals
    cross: F64  # (m,) the sine
    sigma: F64  # (m,) px
    slim: F64  # (m,) how much wider the cells are across line 1 than line 2, square root

    def pick(self, which: slice) -> _Lines:
        """The corners picked out."""
        return _Lines(*(v[which] for v in self))


def _lines(win: _Corners, par: F64) -> _Lines:
    """The lines at parameters (m, 10)."""
    c1, c2 = np.cos(par[:, 4:6]).T
    s1, s2 = np.sin(par[:, 4:6]).T
    (x1, y1), (x2, y2) = win.n1.T, win.n2.T
    x1, y1, x2, y2 = c1 * x1 - s1 * y1, c1 * y1 + s1 * x1, c2 * x2 - s2 * y2, c2 * y2 + s2 * x2
    cross = x1 * y2 - y1 * x2
    return _Lines(win.centre + par[:, :2], np.array([y2, -x2] / cross).T, np.array([-y1, x1] / cross).T,
                  x1 * x2 + y1 * y2, cross, np.exp(par[:, 6]), np.sqrt(win.heights[:, 0] / win.heights[:, 1]))


def _normal_equations(photo: F32, win: _Corners, grid: _Grid, par: F64, first: bool,
                      probed: NDArray[np.bool_]) -> tuple[F64, F64, F64, F64, F64]:
    """J'J (m, 10, 10), J'r (m, 10), r'r (m,) over the windows, the px (m, 2, 2) of a step across each line, and the
    white noise's variance (m,), grey^2, at the corners ``probed``. The windows come from small to large.

    Derivatives after the corner's place across line 1 and across line 2 (px), white, contrast, the lines' turns,
    ln blur, gain, shading along x and along y. ``first``: white and contrast are not known yet; they are put into
    ``par`` by linear least squares.
    """
    m = len(par)
    lines = _lines(win, par)
    gram, white = np.empty((m, _HIGH, _HIGH)), np.full(m, np.nan)
    for some in _batches(grid.half):
        _sums(photo, win.pick(some), grid.pick(some), lines.pick(some), par[some], first, probed[some], gram[some],
              white[some])
    gram[:, _WHITE, :_WHITE] = gram[:, :_WHITE, _WHITE]
    contrast, per_px = par[:, 3], par[:, 3] / lines.sigma
    mix = np.zeros((m, _HIGH))  # the residual: what is left of grey, less the shading
    mix[:, _GREY] = 1
    mix[:, _SHADE:_BLUR] = -par[:, 8:]
    grad = (gram @ mix[:, :, None])[:, :, 0]
    square = np.maximum((grad * mix).sum(axis=1), 0.0)
    scale = np.ones((m, _PARAMS))
    scale[:, [0, 1, 4, 5]] = per_px[:, None]
    scale[:, 3] = -1
    scale[:, 6] = -contrast
    scale[:, 7] = -per_px
    hess = gram.reshape(m, _HIGH**2)[:, _PAIRS].reshape(m, _PARAMS, _PARAMS)
    hess *= scale[:, :, None]
    hess *= scale[:, None, :]
    return hess, grad[:, _ROWS] * scale, square, np.stack([lines.p, lines.q], axis=2), white


def _column(v: NDArray[Any]) -> F32:
    return v.astype(np.float32)[..., None]


def _factors(win: _Corners, grid: _Grid, lines: _Lines, par: F64) -> tuple[F32, F32, F32, F32]:
    """What the share of black and its derivatives are made of: functions across line 1, the weight's root first,
    (m, 1 + 4 S, G); functions across line 2 (m, S, 4, G), put together as the squares lie; what of these goes with
    what of those, see ``_mixed``; and the weight's roots (2, m, G)."""
    (_, m, wide), weave = grid.at.shape, win.weave
    grown = par[:, 7] < 0
    s, band = weave.shape[1], bool(grown.any())
    if band:
        # where black has grown its squares share a band, counted once
        s += 1
        weave = np.zeros((m, s, s), np.float32)
        weave[:, :-1, :-1] = win.weave
        weave[grown, -1, -1] = -1
    # a print's gain is the same all ways on the paper, so foreshortened as the cells are
    g = _column(np.array([par[:, 7] * lines.slim, par[:, 7] / lines.slim]))
    far = None if win.offsets is None else win.offsets.T.reshape(2, 2, m, 1).swapaxes(0, 1)
    root = grid.root.copy()
    root[1] /= _column(np.sqrt(np.abs(lines.cross)))
    strips = _strips(grid.at, root, _column(lines.sigma), g, far, band)
    up = np.empty((m, s, 4, wide), np.float32)
    np.matmul(weave[:, None], strips[1:, 1].reshape(s, 4, m, wide).transpose(2, 1, 0, 3), out=up.swapaxes(1, 2))
    mixed = _mixed(lines.cosine.astype(np.float32), lines.slim.astype(np.float32))
    return strips[:, 0].swapaxes(0, 1), up, mixed, root


def _planes(win: _Corners, grid: _Grid, lines: _Lines) -> tuple[F32, F32]:
    """Planes over m windows, u and v px, the lines' turns and the shades, as products of (m, 6, G, 2) and (m, 2, G)."""
    m, wide = grid.at.shape[1:]
    cosine, inv, per_cell, nil = lines.cosine, 1 / lines.cross, 1 / win.heights.min(axis=1), np.zeros(m)
    along = np.array([[*lines.p.T, cosine * inv, inv, per_cell, nil], [*lines.q.T, -inv, -cosine * inv, nil, per_cell]])
    along_x, along_y = _column(along.swapaxes(1, 2))
    left, right = np.empty((m, 6, wide, 2), np.float32), np.ones((m, 2, wide), np.float32)
    np.multiply(along_y, grid.at[1][:, None], out=left[..., 0])
    left[:, :2, :, 0] += _column(lines.at)
    left[..., 1] = along_x
    right[:, 1] = grid.at[0]
    return left, right


def _sums(photo: F32, win: _Corners, grid: _Grid, lines: _Lines, par: F64, first: bool, probed: NDArray[np.bool_],
          gram: F64, white: F64) -> None:
    """Fill in the products of the table's rows, ``gram`` (m, R, R); ``white`` where ``probed``; at first ``par``."""
    across, up, mixed, root = _factors(win, grid, lines, par)
    planes, line = _planes(win, grid, lines)
    area = (root**2).sum(axis=2).prod(axis=0)
    gram[:, _WHITE, _WHITE] = area
    (m, k, wide), s, halves = across.shape, up.shape[1], grid.half.tolist()
    begin = 0
    while begin < m:
        end = min(m, begin + max(int(_SAMPLES / (2 * halves[begin])**2), 4))
        half = halves[end - 1]
        n, size, here, inside = end - begin, 2 * half, slice(begin, end), slice(wide // 2 - half, wide // 2 + half)
        maps = np.empty((2, n, size, size), np.float32)
        np.matmul(planes[here, :2, inside], line[here, None, :, inside], out=maps.swapaxes(0, 1))
        maps = maps.reshape(2, n, size * size)
        seen = cv2.remap(photo, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        left = np.empty((n, k, 6, size), np.float32)
        left[:, 0, :5] = 0
        left[:, 0, 5] = root[1, here, inside]
        np.matmul(mixed[here, None], up[here, :, :, inside], out=left[:, 1:].reshape(n, s, 24, size))
        rows = np.empty((n, _HIGH, size * size), np.float32)
        np.matmul(left.reshape(n, k, 6 * size).swapaxes(1, 2), across[here, :, inside],
                  out=rows[:, _BLUR:].reshape(n, 6 * size, size))
        np.matmul(planes[here, 2:, inside].reshape(n, 4 * size, 2), line[here, :, inside],
                  out=rows[:, _TURN:_BLUR].reshape(n, 4 * size, size))
        rows[:, _TURN:_SHADE] *= rows[:, _U:_SHARE]
        np.multiply(seen, rows[:, _WHITE], out=rows[:, _GREY])
        if first:
            two = (rows[:, _SHARE:] @ rows[:, :_WHITE:_SHARE].swapaxes(1, 2)).astype(np.float64)
            (sg, ss), (wg, ws) = two.transpose(1, 2, 0)
            d = np.maximum(area[here] * ss - ws**2, 1e-9)
            par[here, 2] = (wg * ss - sg * ws) / d
            par[here, 3] = (wg * ws - sg * area[here]) / d
        # light that runs across the window dims white and black alike: a factor, not an addend
        light = (par[here, 3:1:-1] * (-1, 1)).astype(np.float32)
        lit = (light[:, None] @ rows[:, _SHARE:])[:, 0]
        rows[:, _GREY] -= lit
        rows[:, _SHADE:_BLUR] *= lit[:, None]
        # the plain product of two arrays, which is several times faster here than the symmetric one of one with itself
        gram[here, :_WHITE] = rows[:, :_WHITE] @ rows.swapaxes(1, 2)
        some = probed[here].nonzero()[0]
        if len(some) > 0:
            white[begin + some] = _white_noise(rows, maps, par[here, 8:].astype(np.float32), some)
        begin = end


def _white_noise(rows: F32, maps: F32, shade: F32, some: NDArray[np.int_]) -> F32:
    """Variance (k,) of the noise that has nothing to do from pixel to pixel, at ``some`` (k,) of the corners with rows
    (n, R, N), at maps (2, n, N)."""
    weight, maps = rows[some, _WHITE], maps[:, some]
    res = rows[some, _GREY]
    res -= rows[some, _SHADE] * shade[some, :1]
    res -= rows[some, _SHADE + 1] * shade[some, 1:]
    res /= np.maximum(weight, np.float32(1e-9))
    # a sample between pixels keeps this share of white noise's variance, but all of a misfit's
    part = np.floor(maps)
    np.subtract(maps, part, out=part)
    part -= np.float32(0.5)
    part *= part
    part += np.float32(0.25)
    kept = part[0] * part[1]
    if rows[0, _WHITE, 0] > 0:
        kept -= np.add.reduce(kept, axis=1, keepdims=True) / kept.shape[1]
    else:
        # the smaller windows end before the table does
        valid = weight > 0
        kept *= valid
        kept -= valid * (kept.sum(axis=1) / valid.sum(axis=1))[:, None]
    res *= res
    fit = (res[:, None] @ kept[:, :, None])[:, 0, 0]
    return fit / np.maximum(4 * (kept[:, None] @ kept[:, :, None])[:, 0, 0], 1e-9)


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
        beyond = 2 * (_NORMAL.take((8192.5 - _PER_SIGMA * np.sqrt(2) * z).astype(np.intp), mode="clip")
                      + z / np.sqrt(np.pi) * np.exp(-z**2))
        total += (normal**4).sum(axis=1) * (1 + beyond) / (2 * corners.limit[:, k])
    return par[:, 3]**2 / (720 * 4 * np.sqrt(np.pi) * sigma**3) * total


def _batches(half: NDArray[np.int_]) -> Iterator[slice]:
    """Windows of much the same size, out of such as come from small to large."""
    first = 0
    while first < len(half):
        end = max(int(np.searchsorted(half, _ALIKE * half[first], "right")), first + _FEW)
        yield slice(first, end)
        first = end


def _probed(half: NDArray[np.int_]) -> NDArray[np.bool_]:
    """Which corners' noise is looked at, out of such as come from small to large."""
    rank = np.arange(len(half)) - np.searchsorted(half, half)
    rank %= np.maximum((_PROBED / (2 * half)**2).astype(int), 8)
    return rank % 8 == 0


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
    out = np.empty_like(par)
    band = 3 * soft + 1
    need = np.ceil(_counts(corners.limit, band, _COARSE, 2 * _COARSE).max(axis=1) / 2).astype(int) * 2
    order = np.argsort(need, kind="stable")
    win, here = corners.pick(order), par[order]
    grid = _grid(win.limit, np.maximum(need[order], 3), band, _COARSE, 2 * _COARSE)
    hess, grad, square, way, _ = _normal_equations(photo, win, grid, here, True, np.zeros(len(here), bool))
    cell = win.heights.min(axis=1)
    prior = _ridge(cell) * np.maximum(square / (4 * win.limit.prod(axis=1)), 0.25)[:, None]
    np.einsum("kii->ki", hess)[:] += prior + 1e-9
    here[:, 8:] = 0
    delta = _clip(np.asarray(np.linalg.solve(hess, grad[:, :, None])[:, :, 0], np.float64), cell)
    delta[:, :2] = (way @ delta[:, :2, None])[:, :, 0]
    out[order] = here + delta
    return out


def _gauss_newton(photo: F32, corners: _Corners, usable: NDArray[np.int_], uv0: F64, par: F64, soft: float,
                  noise: float, iterations: int) -> Saddles:
    """Gauss-Newton on a fine grid until each corner rests; most need one look. All n corners' results."""
    n, m = len(uv0), len(usable)
    cell = corners.heights.min(axis=1)
    blur = float(np.exp(np.median(par[:, 6]))) if m else soft
    band, fine, wide = _BAND * blur + 0.5, _FINE * blur, _WIDE
    need = np.maximum(np.ceil(_counts(corners.limit, band, fine, wide).max(axis=1)).astype(int), 3)
    ridge = _ridge(cell)
    best = par.copy()
    white = np.full(m, np.nan)
    unit, var, free, converged = np.full((m, 2, 2), np.nan), np.full(m, np.nan), np.ones(m), np.zeros(m, bool)
    damping, last = np.full(m, 1e-3), np.full(m, np.inf)
    hess, grad, way = np.zeros((m, _PARAMS, _PARAMS)), np.zeros((m, _PARAMS)), np.zeros((m, 2, 2))
    act = np.argsort(need, kind="stable")
    win, grid = corners.pick(act), _grid(corners.limit[act], need[act], band, fine, wide)
    gathered = False
    for step_no in range(iterations if m else 0):
        if len(act) < _FEW and not gathered:
            # the last few share one grid; on a new grid old sums of squares say nothing
            act, gathered = np.sort(act), True
            last[act] = np.inf
            win = corners.pick(act)
            grid = _grid(win.limit, np.full(len(act), grid.half[-1]), band, fine, wide)
        here, probed = par[act], _probed(grid.half)
        new_hess, new_grad, square, new_way, new_white = _normal_equations(photo, win, grid, here, step_no == 0, probed)
        white[act[probed]] = new_white[probed]
        (pu, qu), (pv, qv) = new_way.transpose(1, 2, 0)
        area = 4 * win.limit.prod(axis=1) * np.abs(pu * qv - qu * pv)
        held = np.einsum("kii->ki", new_hess)
        taken = (held / (held + ridge[act] * np.maximum(square / area, 0.25)[:, None] + 1e-9)).sum(axis=1)
        # sampling between pixels averages noise; what the parameters took up is smooth and was not averaged
        left = np.maximum(area - taken / _SMOOTHED, 0.2 * area)
        now = square / left
        prior = ridge[act] * np.maximum(now / _SMOOTHED, 0.25)[:, None]
        off_prior = here.copy()
        off_prior[:, :4] = 0
        off_prior[:, 6] -= math.log(soft)
        cost = square + (prior * off_prior**2).sum(axis=1)
        better = ~(cost > last[act] * 1.01)
        damping[act] = np.where(better, np.maximum(damping[act] * _CALMER, 1e-6), damping[act] * 30)
        held += prior
        up = act[better]
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
        moved = np.abs(delta[:, :2]).max(axis=1)
        light = np.abs(delta[:, 3]) / np.maximum(best[act, 3], 1.0)
        # the next step would be about this one's share of the change in blur and contrast
        rest = moved * (np.abs(delta[:, 6]) + light + moved + np.abs(delta[:, 7]))
        small = (rest < _REST_PX) & (damping[act] < _TAMED) & (moved < 0.15)
        delta[:, :2] = (way[act] @ delta[:, :2, None])[:, :, 0]
        par[act] = best[act] + delta
        done = act[small]
        unit[done] = way[done] @ solved[small, :2, 1:] @ way[done].swapaxes(1, 2)
        var[done] = np.maximum(var[act] - gained, 0.3 * var[act])[small]
        converged[done] = True
        # a corner that ran off its place will not come back
        goes_on = ~small & (np.linalg.norm(par[act, :2], axis=1) < 0.5 * cell[act] + 0.3)
        if step_no >= 2 and converged.any():
            # what would be refused in the end by far, as it is no saddle, need not come to rest
            most = 5 * float(np.median(var[converged])) + (_LEFT_OUT * par[act, 3])**2
            goes_on &= var[act] < _HOPELESS * most
        act, win, grid = act[goes_on], win.pick(goes_on), grid.pick(goes_on)
        # steps that failed too often leave no time to come to rest
        if not (damping[act] * _CALMER**(iterations - 1 - step_no) < _TAMED).any():
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
_FIRST = np.zeros(SADDLES, bool)  # saddles enough to place a tag by
_FIRST[np.rint(np.arange(12) * SADDLES / 12).astype(int)] = True


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
    some = np.flatnonzero(_FIRST[usable % SADDLES])
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
            better, seen = uv.copy(), np.zeros((k, SADDLES), bool)
            better[at] += par[good, :2]
            seen.ravel()[at] = True
            placed = seen.sum(axis=1) >= 6
            planes = start.copy()
            planes[placed], _ = fit_planes(start[placed], better.reshape(k, SADDLES, 2)[placed], seen[placed], 4)
            uv, axes = _all_saddles(planes)
    there = np.zeros(len(uv), bool)
    there[usable] = True
    corners, usable = _set_up(gray, uv, axes, signs, black, edges)
    held = there[usable]
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
    whole = np.stack([x, y, one], axis=1)
    h = start.copy()
    miss = np.zeros(ok.shape)
    count = ok.sum(axis=1, keepdims=True)
    middle = np.clip(np.concatenate([(count - 1) // 2, count // 2], axis=1), 0, SADDLES - 1)
    at_rest = False
    for step in range(steps + 1):
        q = whole @ h.transpose(0, 2, 1)
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
