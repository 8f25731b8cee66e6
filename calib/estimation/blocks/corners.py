"""The corners in the photos: two rows each, pixels whitened by the corner's covariance.

Corners are grouped by (photo, tag). All 32 corners of a group depend on the same few quantities (twist of the tag in
the board frame, photo, lens, scale, stretch, bow), so their normal equations are formed there, from few columns a
group, and carried to the unknowns afterwards. That keeps the work proportional to the number of tags.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.estimation.camera import project_terms
from calib.estimation.fields import Fields
from calib.estimation.solver import Normal
from calib.estimation.unknowns import BOW_N, HAND_N, LENS_N, LENS_WAVES, PRIVATE, Layout, Motions, State, bow_terms

Array = NDArray[np.float64]
GROUP = 6 + PRIVATE + LENS_N + 2 + BOW_N  # columns of one group's Jacobian
_XI, _OWN = slice(0, 6), slice(6, 15)
_SCALE, _STRETCH = 24, 25
_AT_ONCE = 128  # groups worked on at once, so that what is made of them stays in the processor's cache
_BOW, _WAY = slice(15, 15 + BOW_N), 15 + BOW_N  # among the columns formed corner by corner: photo's own 9, aspect,
_BASE = 16 + BOW_N  # k1 k2 p1 p2 k3, bow, stretch; the residual comes after them
_SLOPES = slice(_BASE + 1, _BASE + 5)  # and with fields four more: slopes of the shift over a group
_PATCH = [7, 8, *range(_SLOPES.start, _SLOPES.stop)]  # the columns of a group's shift and slopes


@dataclass(frozen=True)
class Corners:
    """Corners grouped by (photo, tag), padded to 32 a group."""

    photo: NDArray[np.intp]  # (g,)
    tag: NDArray[np.intp]  # (g,) index into Layout.tags, or -1 for the board
    code: NDArray[np.intp]  # (g,)
    flat: Array  # (g, 32, 2) mm in the tag frame, or in the board frame for board tags
    uv: Array  # (g, 32, 2) px
    whiten: Array  # (g, 32, 2, 2): whiten @ residual has unit covariance
    seen: NDArray[np.bool_]  # (g, 32)
    fields: Fields | None = None  # with a layout that has them


@dataclass(frozen=True)
class CornerView:
    """Corners in the photos at one state: camera-frame points, distortion terms, residuals."""

    motions: Motions
    tag_R: Array  # (pairs, 3, 3) tag to board for every tag and position seen together
    tag_t: Array  # (pairs, 3) mm
    xc: Array  # (g, 32, 3) mm
    x: Array  # (g, 32) and so on: normalised image coordinates
    y: Array
    r2: Array
    radial: Array
    xd: Array  # distorted
    yd: Array
    gap: Array  # (g, 32, 2) px, predicted minus observed; zero where not seen
    r: Array  # (g, 32, 2) whitened
    e2: Array  # (g, 32) squared length of r


@dataclass(frozen=True)
class _Weights:
    """Weight of each corner (g, 32) and the cost (twice) of all."""

    weight: Array
    cost: float


@dataclass(frozen=True)
class _GroupNormals:
    """Products [J r]^T [J r] of the columns that a group's corners share.

    ``photo`` (photos, GROUP - 5, same) without the tags' twists: own 9, lens 9, scale, stretch, bow, residual;
    ``twist`` (part groups, 6, GROUP + 1): for each part tag in a photo the rows of its twist over twist 6 and those.
    """

    photo: Array
    twist: Array


@dataclass(frozen=True)
class _Twists:
    """Twists of the seen tags over their slots, filled up with zeros to one width (the filling goes to slot n)."""

    of: Array  # (pairs, 6, width)
    index: NDArray[np.intp]  # (pairs, width)


class CornerBlock:
    """All corners of a shoot. ``robust_scale`` None means plain least squares; ``weights`` (g, 32), 0 = put aside.

    Robust loss: Cauchy's, c^2 log(1 + e^2 / c^2) for a corner e standard units off.
    """

    kind = "corner"

    def __init__(self, layout: Layout, corners: Corners, robust_scale: float | None = None,
                 weights: Array | None = None) -> None:
        self.layout, self.corners = layout, corners
        self.robust_scale, self.weights = robust_scale, weights
        pairs: dict[tuple[int, str], int] = {}
        self._pair = np.full(len(corners.tag), -1)  # of each group
        for g, (p, t) in enumerate(zip(corners.photo, corners.tag, strict=True)):
            if t >= 0:
                self._pair[g] = pairs.setdefault((int(t), layout.photo_positions[p]), len(pairs))
        self._pairs = list(pairs)
        self._board, self._part = np.flatnonzero(corners.tag < 0), np.flatnonzero(corners.tag >= 0)
        self._bow_flat = bow_terms(corners.flat[self._board])
        self._bow_columns = np.zeros((len(corners.tag), BOW_N, corners.flat.shape[1]))
        self._bow_columns[self._board] = self._bow_flat.transpose(0, 2, 1)
        n_photos = len(layout.photos)
        self._board_sum = _summing(corners.photo[self._board], n_photos)
        self._part_sum = _summing(corners.photo[self._part], n_photos)
        self._photo_sum = _summing(corners.photo, n_photos)
        self._pair_sum = _summing(self._pair[self._part], len(self._pairs))
        self._width = _SLOPES.stop if corners.fields is not None else _BASE + 1
        self._seen_from: CornerView | None = None

    # -- residuals ------------------------------------------------------------------------------------------
    def view(self, m: Motions) -> CornerView:
        """The corners as the photos see them at a state; kept until another state is asked for."""
        if self._seen_from is None or self._seen_from.motions is not m:
            self._seen_from = self._look(m)
        return self._seen_from

    def cost(self, m: Motions) -> float:
        """Robust sum of squares."""
        return self._weigh(self.view(m).e2).cost

    def _look(self, m: Motions) -> CornerView:
        c, s = self.corners, m.state
        tag_r, tag_t = m.tag_places(self._pairs) if self._pairs else (np.zeros((0, 3, 3)), np.zeros((0, 3)))
        xc = self._board_points(s, tag_r, tag_t) @ s.photo_R[c.photo].transpose(0, 2, 1) + s.photo_t[c.photo][:, None]
        uv, (x, y, _, r2, radial, xd, yd, _) = project_terms(xc, s.lens, s.df[c.photo][:, None],
                                                             s.dc[c.photo][:, None])
        if c.fields is not None:
            uv = uv + c.fields.shift(s.waves, s.hand[c.photo])
        gap = np.where(c.seen[..., None], uv - c.uv, 0.0)
        r = np.empty_like(gap)
        for row in range(2):
            r[..., row] = c.whiten[..., row, 0] * gap[..., 0] + c.whiten[..., row, 1] * gap[..., 1]
        e2 = r[..., 0] ** 2 + r[..., 1] ** 2
        return CornerView(m, tag_r, tag_t, xc, x, y, r2, radial, xd, yd, gap, r, e2)

    def _board_points(self, s: State, tag_r: Array, tag_t: Array) -> Array:
        """Board-frame points (g, 32, 3) mm."""
        c, board, part = self.corners, self._board, self._part
        x = np.zeros(c.flat.shape[:-1] + (3,))
        x[..., :2] = s.print_scale * c.flat
        x[board, :, 2] = self._bow_flat @ s.bow
        if len(part):
            k = self._pair[part]
            x[part] = x[part, :, :2] @ tag_r[k][:, :, :2].transpose(0, 2, 1) + tag_t[k][:, None]
        return x

    def _weigh(self, e2: Array) -> _Weights:
        """IRLS weight and cost for squared normalised residuals."""
        base = self.corners.seen.astype(float) if self.weights is None else self.weights
        if self.robust_scale is None:
            return _Weights(base, float((base * e2).sum()))
        c2 = self.robust_scale**2
        return _Weights(base / (1 + e2 / c2), float((base * c2 * np.log1p(e2 / c2)).sum()))

    # -- normal equations -----------------------------------------------------------------------------------
    def add_to(self, n: Normal, m: Motions) -> float:
        """Add all corners to the normal equations; returns their cost (twice)."""
        view = self.view(m)
        weights = self._weigh(view.e2)
        square = self._all_squares(view, weights.weight)
        plain = square[:, :_BASE + 1, :_BASE + 1]
        group = self._group_normals(view, plain)
        twists = _Twists(*m.tag_twists(self._pairs)) if self._pairs else None
        self._add_photos(n, group.photo)
        if twists is not None:
            self._add_tags(n, group.twist, twists)
        if self.corners.fields is not None:
            self._add_fields(n, view, square, self.corners.fields, twists)
        return weights.cost

    def group_products(self, m: Motions, weight: Array) -> tuple[Array, Array]:
        """Products of the columns of each part tag in a photo, and of each photo, at corner weights (g, 32).

        (part groups, 6, 30), rows of the tag's twist over twist 6, photo's own 9, shared 14, residual; and
        (photos, 24, 24) over own 9, shared 14, residual.
        """
        view = self.view(m)
        normals = self._group_normals(view, self._all_squares(view, weight)[:, :_BASE + 1, :_BASE + 1])
        return normals.twist, normals.photo

    def _add_fields(self, n: Normal, view: CornerView, square: Array, f: Fields, twists: _Twists | None) -> None:
        """What hand and lens share with each other and with all else; each group has six columns of them."""
        waves, hand = self.layout.waves, slice(PRIVATE, PRIVATE + HAND_N)
        lens, shaken = slice(0, LENS_WAVES), slice(LENS_WAVES, LENS_WAVES + HAND_N)
        both = np.concatenate([f.lens, f.hand], axis=2)  # (g, 6, 64)
        by = square[:, :, _PATCH]  # (g, width, 6)
        own, common, slots = slice(0, PRIVATE), slice(PRIVATE, -1), self._shared
        mine = self._photos_by(view, by[:, :_BASE + 1], both)
        n.private[:, :PRIVATE, hand] += mine[:, own, shaken]
        n.private[:, hand, :PRIVATE] += mine[:, own, shaken].transpose(0, 2, 1)
        n.g_private[:, hand] += mine[:, -1, shaken]
        n.cross[:, slots, hand] += mine[:, common, shaken]
        n.cross[:, waves, :PRIVATE] += mine[:, own, lens].transpose(0, 2, 1)
        all_of = mine[:, :, lens].sum(axis=0)
        n.shared[slots, waves] += all_of[common]
        n.shared[waves, slots] += all_of[common].T
        n.g_shared[waves] += all_of[-1]
        patch = by[:, _PATCH] @ both
        of_hand = _product_sums(self._photo_sum, f.hand.transpose(0, 2, 1), patch)
        n.private[:, hand, hand] += of_hand[:, :, shaken]
        n.cross[:, waves, hand] += of_hand[:, :, lens].transpose(0, 2, 1)
        n.shared[waves, waves] += np.tensordot(f.lens, patch[:, :, lens], ((0, 1), (0, 1)))
        if twists is None:
            return
        part = self._part
        turned = _columns_of_photos(view.motions.state)[:, :6, :6].transpose(0, 2, 1)
        by_twist = turned[self.corners.photo[part]] @ by[part, :6]
        by_pair = _product_sums(self._pair_sum, by_twist, f.lens[part])
        edge = _spread(twists.index, twists.of.transpose(0, 2, 1) @ by_pair, self.layout.size + 1)[:-1]
        n.shared[:, waves] += edge
        n.shared[waves] += edge.T
        self._add_cross(n, by_twist @ f.hand[part], twists, hand)

    def _photos_by(self, view: CornerView, by: Array, what: Array) -> Array:
        """Products (photos, 24, m) of what is ``by`` (g, _BASE + 1, 6) and ``what`` (g, 6, m) of each group.

        Rows: photo's own 9, shared 14, residual.
        """
        columns = _columns_of_photos(view.motions.state)
        board, part = self._board, self._part
        out = columns[:, :, 6:].transpose(0, 2, 1) @ _product_sums(self._board_sum, by[board], what[board])
        if len(part):
            columns[:, _BOW, _SCALE] = 0.0
            out += columns[:, :, 6:].transpose(0, 2, 1) @ _product_sums(self._part_sum, by[part], what[part])
            along = self._scale_shift(view)[:, None, :] @ by[part, 3:6]
            out[:, _SCALE - 6] += _product_sums(self._part_sum, along, what[part])[:, 0]
        return out

    @property
    def _shared(self) -> NDArray[np.intp]:
        """Slots of lens, scale, stretch and bow, in the order of a group's columns."""
        lay = self.layout
        return np.r_[0:LENS_N, lay.scale, lay.stretch, lay.bow]

    def _add_photos(self, n: Normal, photo: Array) -> None:
        slots = self._shared
        common = slice(PRIVATE, PRIVATE + len(slots))
        n.private[:, :PRIVATE, :PRIVATE] += photo[:, :PRIVATE, :PRIVATE]
        n.g_private[:, :PRIVATE] += photo[:, :PRIVATE, -1]
        n.cross[:, slots, :PRIVATE] += photo[:, common, :PRIVATE]
        n.shared[np.ix_(slots, slots)] += photo[:, common, common].sum(axis=0)
        n.g_shared[slots] += photo[:, common, -1].sum(axis=0)

    def _add_tags(self, normal: Normal, part: Array, twists: _Twists) -> None:
        slots, n, index = self._shared, self.layout.size, twists.index
        turned = twists.of.transpose(0, 2, 1)
        mine = turned @ _sums(self._pair_sum, part)  # (pairs, width, 30)
        square = (mine[:, :, _XI] @ twists.of).ravel()
        both = (index[:, :, None] * (n + 1) + index[:, None, :]).ravel()
        normal.shared += np.bincount(both, square, (n + 1) ** 2).reshape(n + 1, n + 1)[:n, :n]
        edge = _spread(index, mine[:, :, _OWN.stop:], n + 1)
        normal.shared[:, slots] += edge[:n, :-1]
        normal.shared[slots] += edge[:n, :-1].T
        normal.g_shared += edge[:n, -1]
        self._add_cross(normal, part[:, :, _OWN], twists, slice(0, PRIVATE))

    def _add_cross(self, normal: Normal, part: Array, twists: _Twists, own: slice) -> None:
        """Products (part groups, 6, k) of each part tag's twist with some of its photo's ``own`` unknowns."""
        of, n, photos = self._pair[self._part], self.layout.size + 1, len(normal.cross)
        to = self.corners.photo[self._part][:, None] * n + twists.index[of]
        wide = _spread(to, twists.of.transpose(0, 2, 1)[of] @ part, photos * n)
        normal.cross[:, :, own] += wide.reshape(photos, n, -1)[:, :-1]

    def _group_normals(self, view: CornerView, square: Array) -> _GroupNormals:
        """Products of all columns, by photo and by tag in a photo.

        Only _BASE columns are formed corner by corner. The others follow from them within a group: the tag's
        twist is the photo's turned into the board frame; the focal length and principal point act as the
        photo's own do; and since moving along the line of sight changes nothing
        (d uv / d x_cam . x_cam = 0), print scale acts as a shift of the photo less the bow's part.
        """
        s = view.motions.state
        columns = _columns_of_photos(s)  # with the bow's part of the scale, which only the board has
        own = columns[:, :, 6:]
        turned = own.transpose(0, 2, 1)
        photo = turned @ _sums(self._board_sum, square[self._board]) @ own
        if not len(self._part):
            return _GroupNormals(photo, np.zeros((0, 6, GROUP + 1)))
        columns[:, _BOW, _SCALE] = 0.0
        mine, off = square[self._part], self._scale_shift(view)
        # a part tag differs from the others of its photo in the scale's column alone, by ``off``: summed first
        along = (mine[:, :, 3:6] @ off[..., None])[..., 0]
        photo += turned @ _sums(self._part_sum, mine) @ own
        edge = (turned @ _sums(self._part_sum, along)[..., None])[..., 0]
        k = _SCALE - 6
        photo[:, :, k] += edge
        photo[:, k] += edge
        photo[:, k, k] += _sums(self._part_sum, np.sum(off * along[:, 3:6], axis=1))
        twist, of = np.empty((len(mine), 6, GROUP + 1)), self.corners.photo[self._part]
        for first in range(0, len(mine), _AT_ONCE):  # all at once would be the largest thing of a large shoot
            some = slice(first, first + _AT_ONCE)
            e = columns[of[some]]
            e[:, 3:6, _SCALE] += off[some]
            twist[some] = e[:, :6, :6].transpose(0, 2, 1) @ mine[some, :6] @ e
        return _GroupNormals(photo, twist)

    def _scale_shift(self, view: CornerView) -> Array:
        """How each part tag's shift enters the scale's column, (part groups, 3), camera frame."""
        s, of = view.motions.state, self.corners.photo[self._part]
        return -(s.photo_R[of] @ view.tag_t[self._pair[self._part]][..., None])[..., 0] / s.scale

    def _all_squares(self, view: CornerView, weight: Array) -> Array:
        """Products of the columns and the residual, and the fields' slopes, with each other, (g, width, width)."""
        g = len(self.corners.tag)
        along = self._along(view)
        square = np.empty((g, self._width, self._width))
        for first in range(0, g, _AT_ONCE):
            some = slice(first, first + _AT_ONCE)
            j = self._columns(view, weight, along, some)
            square[some] = j @ j.transpose(0, 2, 1)
        return square

    def _along(self, view: CornerView) -> Array:
        """The way along the printed sheet (y as the print is read) as the camera sees it, (g, 3), of every group."""
        c, part, s = self.corners, self._part, view.motions.state
        out = s.photo_R[c.photo][:, :, 1]
        if len(part):
            out[part] = (s.photo_R[c.photo[part]] @ view.tag_R[self._pair[part]][:, :, 1:2])[..., 0]
        return out

    def _columns(self, view: CornerView, weight: Array, along: Array, some: slice) -> Array:
        """The columns and the residual of some groups, (k, width, 64): u rows of all corners, then v rows."""
        c, s = self.corners, view.motions.state
        photo = c.photo[some]
        rx = view.xc[some] - s.photo_t[photo][:, None]
        rx0, rx1, rx2 = (np.ascontiguousarray(rx[..., k]) for k in range(3))
        f, aspect, _, _, k1, k2, p1, p2, k3 = s.lens
        x, y, r2, radial, xd, yd = (v[some] for v in (view.x, view.y, view.r2, view.radial, view.xd, view.yd))
        xy, xx, yy = x * y, x * x, y * y
        slope = 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))
        iz = 1 / view.xc[some, :, 2]
        dxdx = (radial + xx * slope + 2 * p1 * y + 6 * p2 * x) * iz
        dxdy = (xy * slope + 2 * p1 * x + 2 * p2 * y) * iz
        dydy = (radial + yy * slope + 6 * p1 * y + 2 * p2 * x) * iz
        xy2, xx3, yy3 = 2 * xy, r2 + 2 * xx, r2 + 2 * yy
        root = np.sqrt(weight[some])
        fu = (f * (1 + s.df[photo]))[:, None]
        up = np.where(c.tag[some, None] < 0, s.photo_R[photo][:, :, 2], 0.0)  # the board's z as the camera sees it
        way, length = along[some], s.scale * c.flat[some, :, 1]
        g, n = x.shape
        store = np.empty((g, self._width, 2, n))
        for row in range(2):
            w0, w1 = c.whiten[some, :, row, 0] * root, c.whiten[some, :, row, 1] * root
            wx, wy = w0 * fu, w1 * (fu * aspect)  # whitened pixels per distorted x and y
            tx = wx * dxdx + wy * dxdy
            ty = wx * dxdy + wy * dydy
            tz = -(tx * x + ty * y)
            radially = (wx * x + wy * y) * r2
            o = store[:, :, row]
            o[:, 0] = rx1 * tz - rx2 * ty
            o[:, 1] = rx2 * tx - rx0 * tz
            o[:, 2] = rx0 * ty - rx1 * tx
            o[:, 3], o[:, 4], o[:, 5] = tx, ty, tz
            o[:, 6] = (wx * xd + wy * yd) / (fu / f)
            o[:, 7], o[:, 8] = w0, w1
            o[:, 9] = wy * yd / aspect
            o[:, 10] = radially
            radially = radially * r2
            o[:, 11] = radially
            o[:, 12] = wx * xy2 + wy * yy3
            o[:, 13] = wx * xx3 + wy * xy2
            o[:, 14] = radially * r2
            o[:, _BOW] = (up[:, :1] * tx + up[:, 1:2] * ty + up[:, 2:] * tz)[:, None] * self._bow_columns[some]
            o[:, _WAY] = (way[:, :1] * tx + way[:, 1:2] * ty + way[:, 2:] * tz) * length
            o[:, _BASE] = view.r[some, :, row] * root
            if c.fields is not None:
                ax, ay = c.fields.apart[some, :, 0], c.fields.apart[some, :, 1]
                for k, slope_of in zip(_PATCH[2:], (w0 * ax, w0 * ay, w1 * ax, w1 * ay), strict=True):
                    o[:, k] = slope_of
        return store.reshape(g, self._width, 2 * n)


def _columns_of_photos(s: State) -> Array:
    """All columns (twist 6, own 9, lens 9, scale, stretch, bow, residual) in terms of those formed and the residual.

    (photos, _BASE + 1, GROUP + 1), for the board's groups.
    """
    out = np.zeros((len(s.photo_t), _BASE + 1, GROUP + 1))
    out[:, range(9), range(6, 15)] = 1.0
    out[:, 6, 15] = (1 + s.df) / s.lens[0]
    out[:, 9, 16] = 1.0
    out[:, 7, 17] = out[:, 8, 18] = 1.0
    out[:, range(10, 15), range(19, 24)] = 1.0
    out[:, range(_BOW.start, _BOW.stop), range(_STRETCH + 1, GROUP)] = 1.0
    out[:, _WAY, _STRETCH] = out[:, _BASE, GROUP] = 1.0
    out[:, 0:3, 0:3] = out[:, 3:6, 3:6] = s.photo_R
    out[:, 3:6, _SCALE] = -s.photo_t / s.scale
    out[:, _BOW, _SCALE] = -s.bow / s.scale
    return out


@dataclass(frozen=True)
class _Summing:
    """How m things add up to n sums: their order, where each run of it begins, and the sums these are."""

    n: int
    order: NDArray[np.intp] | None  # None: as they are
    begin: NDArray[np.intp]
    sums: NDArray[np.intp]


def _summing(to: NDArray[np.intp], n: int) -> _Summing:
    """How things add up that belong to the sums ``to`` (m,), 0 to n - 1."""
    order = np.argsort(to, kind="stable")
    sums, begin = np.unique(to[order], return_index=True)
    return _Summing(n, None if np.array_equal(order, np.arange(len(to))) else order, begin, sums)


def _sums(summing: _Summing, what: Array) -> Array:
    """Sums (n, ...) of things (m, ...)."""
    out = np.zeros((summing.n, *what.shape[1:]))
    if len(what):
        in_order = what if summing.order is None else what[summing.order]
        out[summing.sums] = np.add.reduceat(in_order, summing.begin, axis=0)
    return out


def _product_sums(summing: _Summing, a: Array, b: Array) -> Array:
    """Sums (n, i, k) of products of things (m, i, j) with things (m, j, k)."""
    out = np.zeros((summing.n, a.shape[1], b.shape[2]))
    if summing.order is not None:
        a, b = a[summing.order], b[summing.order]
    wide, long = a.transpose(1, 0, 2), b.reshape(-1, b.shape[2])  # side by side they are one product for each sum
    for k, first, last in zip(summing.sums, summing.begin, [*summing.begin[1:], len(a)], strict=True):
        out[k] = wide[:, first:last].reshape(a.shape[1], -1) @ long[first * a.shape[2]:last * a.shape[2]]
    return out


def _spread(to: NDArray[np.intp], what: Array, n: int) -> Array:
    """Sums (n, k) of ``what`` (m, width, k) that goes ``to`` (m, width)."""
    k = what.shape[-1]
    sums: Array = np.bincount((to[..., None] * k + np.arange(k)).ravel(), what.ravel(), n * k).astype(float, copy=False)
    return sums.reshape(n, k)
