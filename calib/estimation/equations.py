"""The observation equations of the one estimate and their analytic normal equations.

Rows: two per corner (whitened by the corner's covariance), the rods' closure at every position, the ball
centres under the bolt-head tags, and the priors: lens, each photo's focal and principal-point change, print
scale and stretch, bow, drawn pivots, axes and points, datum tags.

Corners are grouped by (photo, tag). All 32 corners of a group depend on the same few quantities (twist of
the tag in the board frame, photo, lens, scale, stretch, bow), so their normal equations are formed there, from 19
columns a group, and carried to the unknowns afterwards. That keeps the work proportional to the number of tags.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.estimation.camera import project_terms
from calib.estimation.solver import Normal
from calib.estimation.unknowns import BOW_N, LENS_N, PRIVATE, Layout, Motions, State, retract
from calib.linkage.rotations import perpendiculars, skew
from calib.rig.model import FRAME, Rig, approach_pairs

Array = NDArray[np.float64]
GROUP = 6 + PRIVATE + LENS_N + 2 + BOW_N  # columns of one group's Jacobian
_XI, _OWN = slice(0, 6), slice(6, 15)
_SCALE, _STRETCH = 24, 25
_AT_ONCE = 128  # groups worked on at once, so that what is made of them stays in the processor's cache
_BASE = 19  # columns formed corner by corner: photo's own 9, aspect, k1 k2 p1 p2 k3, bow 3, stretch


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


@dataclass(frozen=True)
class Priors:
    """Expected values with standard uncertainties; see ``calib.estimation.bundle`` for where they come from."""

    lens: Array  # (9,)
    lens_sd: Array  # (9,)
    df_sd: float
    dc_sd: float
    scale: float
    scale_sd: float
    bow_sd: float
    stretch_sd: float = 0.001  # print scale along the sheet over that across it, about 1
    scale_along: float | None = None  # print scale along the sheet by its own bar, where that was measured
    scale_along_sd: float = 1.0
    rod_play_sd: float = 0.05  # mm, closure of a rod at one position
    approached_sd: float = 1.0  # mm, the same where a position was approached from both sides to see play
    angle_sd: float = 2.0  # rad, only keeps an unseen joint from being free
    lock_sd: float = np.deg2rad(0.1)  # rad, how well a lean lock holds upright; common practice, no source
    point_sd: float = 300.0  # mm, likewise
    rod_sd: float = 300.0
    tag_sd: float = 1000.0


@dataclass
class Row:
    """A few scalar equations: residual r (m,) in standard units with J (m, k) over the slots (k,)."""

    kind: str  # closure, ball, drawing, prior
    item: str
    r: Array
    J: Array
    slots: list[int]
    robust: bool = False


@dataclass(frozen=True)
class _View:
    """Corners in the photos at one state: camera-frame points, distortion terms, residuals."""

    state: State
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


@dataclass
class RigProblem:
    """The problem handed to the solver. ``robust_scale`` None means plain least squares."""

    layout: Layout
    corners: Corners
    priors: Priors
    rig: Rig
    robust_scale: float | None = None
    prior_scale: float = 3.0  # drawing rows lose weight beyond this many standard uncertainties
    weights: Array | None = field(default=None)  # (g, 32) extra corner weights, 0 = put aside
    closure_off: frozenset[str] = frozenset()  # rods whose closure is not used
    poses_held: bool = False  # photo poses known (camera on a stand): they do not move

    # -- corners ------------------------------------------------------------------------------------------
    def _board_points(self, s: State) -> Array:
        """Board-frame points (g, 32, 3)."""
        c, board, part = self.corners, self._board, self._part
        x = np.zeros(c.flat.shape[:-1] + (3,))
        x[..., :2] = s.print_scale * c.flat
        x[board, :, 2] = self._bow_flat @ s.bow
        if len(part):
            r, t = self._tag_motions(s)
            k = self._group_motion[part]
            x[part] = x[part, :, :2] @ r[k][:, :, :2].transpose(0, 2, 1) + t[k][:, None]
        return x

    def __post_init__(self) -> None:
        lay = self.layout
        pairs: dict[tuple[int, str], int] = {}
        self._group_motion = np.full(len(self.corners.tag), -1)
        for g, (p, t) in enumerate(zip(self.corners.photo, self.corners.tag, strict=True)):
            if t >= 0:
                key = (int(t), lay.photo_positions[p])
                self._group_motion[g] = pairs.setdefault(key, len(pairs))
        self._pairs = list(pairs)
        self._approached = {p for both in approach_pairs(lay.positions).values() for p in both}
        self._motions: Motions | None = None
        self._seen_from: _View | None = None
        self._rows_at: tuple[State, list[Row]] | None = None
        self._pairs_at: tuple[State, tuple[Array, Array]] | None = None
        self._board, self._part = np.flatnonzero(self.corners.tag < 0), np.flatnonzero(self.corners.tag >= 0)
        self._bow_flat = _bow_terms(self.corners.flat[self._board])
        self._bow_columns = np.zeros((len(self.corners.tag), BOW_N, self.corners.flat.shape[1]))
        self._bow_columns[self._board] = self._bow_flat.transpose(0, 2, 1)
        n_photos = len(lay.photos)
        self._board_sum = _summing(self.corners.photo[self._board], n_photos)
        self._part_sum = _summing(self.corners.photo[self._part], n_photos)
        self._pair_sum = _summing(self._group_motion[self._part], len(self._pairs))

    def motions(self, s: State) -> Motions:
        """Body motions at a state; kept until another state is asked for."""
        if self._motions is None or self._motions.state is not s:
            self._motions = Motions(self.layout, s)
        return self._motions

    def _tag_motions(self, s: State) -> tuple[Array, Array]:
        """Tag-to-board rotation and shift for every (tag, position) pair that was seen."""
        if self._pairs_at is not None and self._pairs_at[0] is s:
            return self._pairs_at[1]
        rs, ts = np.empty((len(self._pairs), 3, 3)), np.empty((len(self._pairs), 3))
        motions = self.motions(s)
        for k, (tag, pos) in enumerate(self._pairs):
            r, t = motions.motion(self.rig.tags[self.layout.tags[tag]].body, pos)
            rs[k], ts[k] = r @ s.tag_R[tag], r @ s.tag_t[tag] + t
        self._pairs_at = (s, (rs, ts))
        return rs, ts

    def _view(self, s: State) -> _View:
        """The corners as the photos see them at a state; kept until another state is asked for."""
        if self._seen_from is None or self._seen_from.state is not s:
            c = self.corners
            rp = s.photo_R[c.photo]
            xc = self._board_points(s) @ rp.transpose(0, 2, 1) + s.photo_t[c.photo][:, None]
            uv, (x, y, _, r2, radial, xd, yd, _) = project_terms(xc, s.lens, s.df[c.photo][:, None],
                                                                 s.dc[c.photo][:, None])
            gap = np.where(c.seen[..., None], uv - c.uv, 0.0)
            r = np.empty_like(gap)
            for row in range(2):
                r[..., row] = c.whiten[..., row, 0] * gap[..., 0] + c.whiten[..., row, 1] * gap[..., 1]
            e2 = r[..., 0] ** 2 + r[..., 1] ** 2
            self._seen_from = _View(s, xc, x, y, r2, radial, xd, yd, gap, r, e2)
        return self._seen_from

    def corner_residuals(self, s: State) -> Array:
        """Pixel residuals observed minus predicted, (g, 32, 2); zero where not seen."""
        return -self._view(s).gap

    def normalised(self, residual: Array) -> Array:
        """Length of each corner residual in standard units, (g, 32)."""
        w = (self.corners.whiten @ residual[..., None])[..., 0]
        return np.sqrt(w[..., 0] ** 2 + w[..., 1] ** 2)

    def _corner_weights(self, e2: Array) -> tuple[Array, Array]:
        """IRLS weight and cost for squared normalised residuals (Cauchy loss where robust)."""
        base = self.corners.seen.astype(float) if self.weights is None else self.weights
        if self.robust_scale is None:
            return base, base * e2
        c2 = self.robust_scale**2
        return base / (1 + e2 / c2), base * c2 * np.log1p(e2 / c2)

    # -- the rest -----------------------------------------------------------------------------------------
    def rows(self, s: State) -> list[Row]:
        """All equations that are not corners, with their derivatives."""
        if self._rows_at is None or self._rows_at[0] is not s:
            self._rows_at = (s, [*self._prior_rows(s), *self._closure_rows(s), *self._ball_rows(s),
                                 *self._drawing_rows(s)])
        return self._rows_at[1]

    def _prior_rows(self, s: State) -> list[Row]:
        lay, p = self.layout, self.priors
        out = [Row("prior", "lens", (s.lens - p.lens) / p.lens_sd, np.diag(1 / p.lens_sd), list(range(LENS_N))),
               Row("prior", "print scale", np.array([(s.scale - p.scale) / p.scale_sd]),
                   np.array([[1 / p.scale_sd]]), [lay.scale]),
               Row("prior", "print stretch", np.array([(s.stretch - 1) / p.stretch_sd]),
                   np.array([[1 / p.stretch_sd]]), [lay.stretch]),
               Row("prior", "board bow", s.bow / p.bow_sd, np.eye(BOW_N) / p.bow_sd,
                   list(range(lay.bow.start, lay.bow.stop)))]
        if p.scale_along is not None:
            out.append(Row("prior", "print scale along", np.array([(s.print_scale[1] - p.scale_along)
                                                                   / p.scale_along_sd]),
                           np.array([[s.stretch, s.scale]]) / p.scale_along_sd, [lay.scale, lay.stretch]))
        if not lay.bodies:  # nothing to align to a drawing: hold the board frame
            al = list(range(lay.align.start, lay.align.stop))
            out.append(Row("prior", "alignment", np.zeros(6), np.eye(6), al))
        n = len(s.angles)
        if n:
            sd = np.array([self._angle_sd(b, pos) for b, pos in lay.angle_keys])
            out.append(Row("prior", "angles", s.angles / sd, np.diag(1 / sd),
                           list(range(lay.first_angle, lay.first_angle + n))))
        return out

    def _angle_sd(self, body: str, position: str) -> float:
        held = self.rig.bodies[body].locked and position not in self.rig.lean_positions
        return self.priors.lock_sd if held else self.priors.angle_sd

    def _point_now(self, s: State, name: str, pos: str) -> tuple[Array, Array, list[int]]:
        """A rod point at a position, (3,), with its derivative (3, m) over slots."""
        body = self.rig.points[name].body
        x = s.points[self.layout.points.index(name)]
        sl = self.layout.point(name)
        if body == FRAME:
            return x, np.eye(3), list(range(sl.start, sl.stop))
        r, t = self.motions(s).motion(body, pos)
        g, slots = self.motions(s).derivative(body, pos)
        now = r @ x + t
        j = np.concatenate([r, g[3:] - skew(now) @ g[:3]], axis=1)
        return now, j, [*range(sl.start, sl.stop), *slots]

    def closure_sd(self, position: str) -> float:
        """Standard uncertainty (mm) of a rod's closure: wide where play is being looked for, so as not to hide it."""
        return self.priors.approached_sd if position in self._approached else self.priors.rod_play_sd

    def _closure_rows(self, s: State) -> list[Row]:
        out = []
        for name in self.layout.rods:
            if name in self.closure_off:
                continue
            rod = self.rig.rods[name]
            for pos in self.layout.positions:
                sd = self.closure_sd(pos)
                a, ja, sa = self._point_now(s, rod.a, pos)
                b, jb, sb = self._point_now(s, rod.b, pos)
                d = b - a
                length = float(np.linalg.norm(d))
                u = d / length
                r = (length - s.rods[self.layout.rods.index(name)]) / sd
                j = np.concatenate([-u @ ja, u @ jb, [-1.0]]) / sd
                out.append(Row("closure", f"{name}|{pos}", np.array([r]), j[None],
                               [*sa, *sb, self.layout.rod(name)], robust=True))
        return out

    def _ball_rows(self, s: State) -> list[Row]:
        """Ball centre of a rod end under its bolt-head tag."""
        out = []
        for i, name in enumerate(self.layout.tags):
            tag = self.rig.tags[name]
            if tag.centres_on is None or tag.centres_on not in self.layout.points:
                continue
            x = s.points[self.layout.points.index(tag.centres_on)]
            local = s.tag_R[i].T @ (x - s.tag_t[i])
            sd = tag.offset_tol / 2
            r = (local + np.array([0, 0, tag.offset])) / sd
            # turning the tag by dw moves the local place by R^T ((x - t) x dw)
            j = np.concatenate([s.tag_R[i].T @ skew(x - s.tag_t[i]), -s.tag_R[i].T, s.tag_R[i].T], axis=1) / sd
            st, sp = self.layout.tag(name), self.layout.point(tag.centres_on)
            out.append(Row("ball", name, r, j, [*range(st.start, st.stop), *range(sp.start, sp.stop)]))
        return out

    def _drawing_rows(self, s: State) -> list[Row]:
        """Drawn places and directions, as far as the straight-ahead lever setting does not matter to them."""
        lay, rig = self.layout, self.rig
        al = list(range(lay.align.start, lay.align.stop))
        ar, at = s.align_R, s.align_t
        out = []
        for i, name in enumerate(lay.bodies):
            body = rig.bodies[name]
            e = perpendiculars(s.axis_d[i])
            sl = lay.axis(name)
            d_now = ar @ s.axis_d[i]
            across = perpendiculars(np.asarray(body.axis))
            if body.role != "wheel":
                gap = ar @ s.axis_p[i] + at - np.asarray(body.pivot)
                sd = body.pivot_tol / 2
                # only the part square to the drawn axis: a point may slide along its axis
                jp = across.T @ np.concatenate([-skew(ar @ s.axis_p[i]), np.eye(3), ar @ e], axis=1) / sd
                # sliding to the drawn point's height along the measured axis
                h = np.asarray(body.axis) @ gap / (np.asarray(body.axis) @ d_now)
                r = across.T @ (gap - h * d_now) / sd
                tilt = across.T @ (-h * np.concatenate([-skew(d_now), np.zeros((3, 3))], axis=1)) / sd
                jp[:, :6] += tilt
                jd = across.T @ (-h * (-ar @ skew(s.axis_d[i]) @ e)) / sd
                slide = across.T @ d_now[:, None] / (np.asarray(body.axis) @ d_now)
                jh = np.asarray(body.axis)[None] @ np.concatenate(
                    [-skew(ar @ s.axis_p[i]), np.eye(3), ar @ e], axis=1) / sd
                jp -= slide @ jh
                # h changes with the direction too, a second-order term here (gap x tilt): kept exact
                dh_dir = -h / (np.asarray(body.axis) @ d_now) * (
                    np.asarray(body.axis)[None] @ np.concatenate([-skew(d_now), np.zeros((3, 3))], axis=1))
                dh_axis = -h / (np.asarray(body.axis) @ d_now) * (
                    np.asarray(body.axis)[None] @ (-ar @ skew(s.axis_d[i]) @ e))
                jp[:, :6] -= across.T @ d_now[:, None] @ dh_dir / sd
                jd -= across.T @ d_now[:, None] @ dh_axis / sd
                out.append(Row("drawing", f"{name}.pivot", r, np.concatenate([jp[:, :6], jd, jp[:, 6:]], axis=1),
                               [*al, *range(sl.start, sl.stop)], robust=True))
            sd = body.axis_tol / 2 if body.role != "wheel" else 3 * body.axis_tol
            r = across.T @ d_now / sd
            j = across.T @ np.concatenate([-skew(d_now), np.zeros((3, 3)), -ar @ skew(s.axis_d[i]) @ e,
                                           np.zeros((3, 2))], axis=1) / sd
            out.append(Row("drawing", f"{name}.axis", r, j, [*al, *range(sl.start, sl.stop)], robust=True))
            if body.role == "wheel":  # its hub is where drawn within a few mm: only needed when never turned
                gap = ar @ s.axis_p[i] + at - np.asarray(body.pivot)
                sd = 5 * body.pivot_tol
                r = across.T @ gap / sd
                j = across.T @ np.concatenate([-skew(ar @ s.axis_p[i]), np.eye(3), np.zeros((3, 2)), ar @ e],
                                              axis=1) / sd
                out.append(Row("drawing", f"{name}.hub", r, j, [*al, *range(sl.start, sl.stop)], robust=True))
        for name in lay.points:
            p = rig.points[name]
            x = s.points[lay.points.index(name)]
            gap = ar @ x + at - np.asarray(p.xyz)
            sd = p.tol / 2
            j = np.concatenate([-skew(ar @ x), np.eye(3), ar], axis=1) / sd
            sp = lay.point(name)
            out.append(Row("drawing", name, gap / sd, j, [*al, *range(sp.start, sp.stop)], robust=True))
        for i, name in enumerate(lay.rods):
            rod = rig.rods[name]
            sd = rod.tol / 2
            out.append(Row("drawing", name, np.array([(s.rods[i] - rod.length) / sd]), np.array([[1 / sd]]),
                           [lay.rod(name)], robust=True))
        for i, name in enumerate(lay.tags):
            tag = rig.tags[name]
            if tag.place is None:
                continue
            gap = ar @ s.tag_t[i] + at - np.asarray(tag.place)
            sd = tag.place_tol / 2
            st = lay.tag(name)
            j = np.concatenate([-skew(ar @ s.tag_t[i]), np.eye(3), ar], axis=1) / sd
            out.append(Row("drawing", f"tag {name}", gap / sd, j, [*al, *range(st.start + 3, st.stop)],
                           robust=True))
        return out

    def row_weight(self, row: Row) -> tuple[float, float]:
        """IRLS weight and cost of one row block (Cauchy beyond ``prior_scale``)."""
        e2 = float(row.r @ row.r)
        if not row.robust:
            return 1.0, e2
        c2 = self.prior_scale**2 * len(row.r)
        return 1 / (1 + e2 / c2), c2 * float(np.log1p(e2 / c2))

    # -- for the solver -----------------------------------------------------------------------------------
    def cost(self, s: State) -> float:
        _, c = self._corner_weights(self._view(s).e2)
        total = float(c.sum()) + sum(self.row_weight(r)[1] for r in self.rows(s))
        total += float(np.sum((s.df / self.priors.df_sd) ** 2) + np.sum((s.dc / self.priors.dc_sd) ** 2))
        return total / 2 if np.isfinite(total) else float("inf")

    def retract(self, s: State, d_shared: Array, d_private: Array) -> State:
        return retract(self.layout, s, d_shared, d_private)

    def linearise(self, s: State, parts: tuple[str, ...] = ("corner", "closure", "ball", "drawing", "prior"),
                  ) -> Normal:
        """Normal equations, optionally of some kinds of rows only (to tell photos from drawing)."""
        lay = self.layout
        n, n_photos = lay.size, len(lay.photos)
        shared, g_shared = np.zeros((n, n)), np.zeros(n)
        cross = np.zeros((n_photos, n, PRIVATE))
        private, g_private = np.zeros((n_photos, PRIVATE, PRIVATE)), np.zeros((n_photos, PRIVATE))
        cost = 0.0
        if "corner" in parts:
            cost += self._add_corners(s, shared, g_shared, cross, private, g_private)
        for row in self.rows(s):
            if row.kind not in parts:
                continue
            w, c = self.row_weight(row)
            cost += c
            ix = np.asarray(row.slots)
            if len(set(row.slots)) == len(ix):
                shared[ix[:, None], ix] += w * row.J.T @ row.J
                g_shared[ix] += w * row.J.T @ row.r
            else:  # a slot appears twice (a rod between two bodies of one chain)
                np.add.at(shared, (ix[:, None], ix[None, :]), w * row.J.T @ row.J)
                np.add.at(g_shared, ix, w * row.J.T @ row.r)
        if "prior" in parts:
            p = self.priors
            private[:, 6, 6] += 1 / p.df_sd**2
            private[:, 7, 7] += 1 / p.dc_sd**2
            private[:, 8, 8] += 1 / p.dc_sd**2
            g_private[:, 6] += s.df / p.df_sd**2
            g_private[:, 7:] += s.dc / p.dc_sd**2
            cost += float(np.sum((s.df / p.df_sd) ** 2) + np.sum((s.dc / p.dc_sd) ** 2))
        if self.poses_held:
            private[:, range(6), range(6)] += 1e15
            g_private[:, :6] = 0
        return Normal(cost / 2, shared, g_shared, cross, private, g_private)

    def _add_corners(self, s: State, shared: Array, g_shared: Array, cross: Array, private: Array,
                     g_private: Array) -> float:
        c, lay = self.corners, self.layout
        photo, part, cost = self._group_normals(s)
        slots = np.r_[0:LENS_N, lay.scale, lay.stretch, lay.bow]
        common = slice(PRIVATE, PRIVATE + len(slots))
        private += photo[:, :PRIVATE, :PRIVATE]
        g_private += photo[:, :PRIVATE, -1]
        cross[:, slots] += photo[:, common, :PRIVATE]
        shared[np.ix_(slots, slots)] += photo[:, common, common].sum(axis=0)
        g_shared[slots] += photo[:, common, -1].sum(axis=0)
        if not self._pairs:
            return cost

        # twists of the tags over their slots, filled up with zeros to one width; the filling goes to slot n
        n = lay.size
        chain = [self.tag_twist(s, tag, pos) for tag, pos in self._pairs]
        width = max(len(ix) for _, ix in chain)
        twist, index = np.zeros((len(chain), 6, width)), np.full((len(chain), width), n)
        for k, (gk, ix) in enumerate(chain):
            twist[k, :, :len(ix)], index[k, :len(ix)] = gk, ix
        turned = twist.transpose(0, 2, 1)
        per_pair = _sums(self._pair_sum, part)
        mine = turned @ per_pair  # (pairs, width, 30)
        square = np.zeros((n + 1, n + 1))
        np.add.at(square, (index[:, :, None], index[:, None, :]), mine[:, :, _XI] @ twist)
        shared += square[:n, :n]
        edge = np.zeros((n + 1, len(slots) + 1))
        np.add.at(edge, index, mine[:, :, _OWN.stop:])
        shared[:, slots] += edge[:n, :-1]
        shared[slots] += edge[:n, :-1].T
        g_shared += edge[:n, -1]
        of = self._group_motion[self._part]
        wide = np.zeros((len(cross), n + 1, PRIVATE))
        np.add.at(wide, (c.photo[self._part][:, None], index[of]), turned[of] @ part[:, :, _OWN])
        cross += wide[:, :n]
        return cost

    def _group_normals(self, s: State) -> tuple[Array, Array, float]:
        """Squares and products of the columns, [J r]^T [J r], and the cost (twice).

        Returns them for each photo without the tags' twists (photos, 24, 24: own 9, lens 9, scale, stretch, bow 3,
        residual), and for each part tag in a photo the twist's rows (tags seen, 6, 30: twist 6 and those).

        Only 19 columns are formed corner by corner. The others follow from them within a group: the tag's
        twist is the photo's turned into the board frame; the focal length and principal point act as the
        photo's own do; and since moving along the line of sight changes nothing
        (d uv / d x_cam . x_cam = 0), print scale acts as a shift of the photo less the bow's part.
        """
        c = self.corners
        view = self._view(s)
        weight, cost = self._corner_weights(view.e2)
        g = len(c.tag)
        along = self._along(s)
        square = np.empty((g, _BASE + 1, _BASE + 1))
        for first in range(0, g, _AT_ONCE):
            some = slice(first, first + _AT_ONCE)
            square[some] = self._squares(s, view, weight, along, some)

        # all columns in terms of those formed: twist 6, own 9, lens 9, scale, stretch, bow 3, residual
        by_photo = np.zeros((len(s.photo_t), _BASE + 1, GROUP + 1))
        by_photo[:, range(9), range(6, 15)] = 1.0
        by_photo[:, 6, 15] = (1 + s.df) / s.lens[0]
        by_photo[:, 9, 16] = 1.0
        by_photo[:, 7, 17] = by_photo[:, 8, 18] = 1.0
        by_photo[:, range(10, 15), range(19, 24)] = 1.0
        by_photo[:, range(15, 18), range(26, 29)] = 1.0
        by_photo[:, 18, _STRETCH] = by_photo[:, 19, 29] = 1.0
        by_photo[:, 0:3, 0:3] = by_photo[:, 3:6, 3:6] = s.photo_R
        by_photo[:, 3:6, _SCALE] = -s.photo_t / s.scale
        part = self._part
        of = c.photo[part]
        e = by_photo[of]
        by_photo[:, 15:18, _SCALE] = -s.bow / s.scale
        own = by_photo[:, :, 6:]
        photo = own.transpose(0, 2, 1) @ _sums(self._board_sum, square[self._board]) @ own
        if not len(part):
            return photo, np.zeros((0, 6, GROUP + 1)), float(cost.sum())
        _, shift = self._tag_motions(s)
        # a part tag differs from the others of its photo in the scale's column alone, by ``off``: summed first
        off = -(s.photo_R[of] @ shift[self._group_motion[part]][..., None])[..., 0] / s.scale
        mine = square[part]
        along = (mine[:, :, 3:6] @ off[..., None])[..., 0]
        by_photo[:, 15:18, _SCALE] = 0.0
        turned = own.transpose(0, 2, 1)
        photo += turned @ _sums(self._part_sum, mine) @ own
        edge = (turned @ _sums(self._part_sum, along)[..., None])[..., 0]
        photo[:, :, _SCALE - 6] += edge
        photo[:, _SCALE - 6] += edge
        photo[:, _SCALE - 6, _SCALE - 6] += _sums(self._part_sum, np.sum(off * along[:, 3:6], axis=1))
        e[:, 3:6, _SCALE] += off
        twist = e[:, :6, :6].transpose(0, 2, 1) @ mine[:, :6] @ e
        return photo, twist, float(cost.sum())

    def _along(self, s: State) -> Array:
        """The way along the printed sheet (y as the print is read) as the camera sees it, (g, 3), of every group."""
        c, part = self.corners, self._part
        out = s.photo_R[c.photo][:, :, 1]
        if len(part):
            r, _ = self._tag_motions(s)
            out[part] = (s.photo_R[c.photo[part]] @ r[self._group_motion[part]][:, :, 1:2])[..., 0]
        return out

    def _squares(self, s: State, view: _View, weight: Array, along: Array, some: slice) -> Array:
        """Products of the 19 columns and the residual with each other for some of the groups, (k, 20, 20)."""
        c = self.corners
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
        store = np.empty((g, _BASE + 1, 2, n))
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
            o[:, 15:18] = (up[:, :1] * tx + up[:, 1:2] * ty + up[:, 2:] * tz)[:, None] * self._bow_columns[some]
            o[:, 18] = (way[:, :1] * tx + way[:, 1:2] * ty + way[:, 2:] * tz) * length
            o[:, 19] = view.r[some, :, row] * root
        j = store.reshape(g, _BASE + 1, 2 * n)
        return j @ j.transpose(0, 2, 1)

    def tag_twist(self, s: State, tag: int, pos: str) -> tuple[Array, list[int]]:
        """Twist (w, v) in the board frame of a tag at a position, (6, m), over its slots (m,)."""
        name = self.layout.tags[tag]
        body = self.rig.tags[name].body
        sl = self.layout.tag(name)
        own = list(range(sl.start, sl.stop))
        if body == FRAME:
            t0 = s.tag_t[tag]
            first = np.zeros((6, 6))
            first[:3, :3] = np.eye(3)
            first[3:, :3] = skew(t0)
            first[3:, 3:] = np.eye(3)
            return first, own
        r, t = self.motions(s).motion(body, pos)
        centre = r @ s.tag_t[tag] + t
        first = np.zeros((6, 6))
        first[:3, :3] = r
        first[3:, :3] = skew(centre) @ r  # w x X about the tag's middle: v = -w x centre = centre x w
        first[3:, 3:] = r
        g, slots = self.motions(s).derivative(body, pos)
        return np.concatenate([first, g], axis=1), [*own, *slots]


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


def _bow_terms(flat: Array) -> Array:
    """x^2, y^2 and xy in units of 100 mm, (..., 3)."""
    x, y = flat[..., 0] / 100, flat[..., 1] / 100
    return np.stack([x * x, y * y, x * y], axis=-1)
