"""Cold start: rough camera, photo poses, tag poses, hinge axes and board-to-frame alignment.

Only a start for the one estimate. Nothing here needs a guess from the user: the focal length comes from the
board's homographies (Zhang, 2000, eq. 3-4, with the principal point at the middle of the picture) or EXIF.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.corners import Corners
from calib.estimation.camera import camera_matrix, project, project_with_slopes
from calib.estimation.unknowns import State
from calib.linkage.rotations import about, cross, perpendiculars, rigid_fit, rotation, rotation_vector
from calib.rig.model import FRAME, Rig

Array = NDArray[np.float64]
Motion = tuple[Array, Array]
WORST = 10.0  # mm that a tag may stand off its hinge, see ``hinge_misfits``, roughly as all is here


def focal_from_board(homographies: Sequence[Array], centre: Array) -> float | None:
    """Focal length (px) from board-plane homographies (3, 3), or None where they do not determine it."""
    rows, rhs = [], []
    for h in homographies:
        h = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1]]) @ h
        h = h / np.linalg.norm(h[:, :2])
        a, b = h[:, 0], h[:, 1]
        rows += [a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2]
        rhs += [-a[2] * b[2], -(a[2] ** 2 - b[2] ** 2)]
    r, q = np.asarray(rows), np.asarray(rhs)
    if not len(r) or float(r @ r) == 0:
        return None
    inverse_square = float(r @ q) / float(r @ r)
    for _ in range(10):  # least absolute deviation: one badly seen board must not decide
        w = 1 / np.maximum(np.abs(r * inverse_square - q), 1e-12)
        inverse_square = float(np.sum(w * r * q) / np.sum(w * r * r))
    return 1 / np.sqrt(inverse_square) if inverse_square > 0 else None


def board_homography(flat: Array, uv: Array) -> Array | None:
    """Board mm to pixels from (n, 2) corners each, robust against a misread tag; None if impossible."""
    if len(flat) < 8:
        return None
    h, ok = cv2.findHomography(flat, uv, cv2.RANSAC, 6.0)
    if h is None or ok is None or ok.sum() < 8:
        return None
    return np.asarray(h, float)


def planar_poses(flat: Array, uv: Array, k: Array, dist: Array | None = None) -> list[tuple[Array, Array, float]]:
    """Both poses of a plane seen in one photo: (R, t, rms px), better first (Collins and Bartoli, IPPE)."""
    obj = np.concatenate([flat, np.zeros((len(flat), 1))], axis=1)
    n, rv, tv, err = cv2.solvePnPGeneric(obj, uv[:, None], k, dist if dist is not None else np.zeros(5),
                                         flags=cv2.SOLVEPNP_IPPE)
    out = []
    for i in range(n):
        r = np.asarray(cv2.Rodrigues(rv[i])[0], float)
        t = np.asarray(tv[i], float).ravel()
        if t[2] > 0:
            out.append((r, t, float(np.ravel(err[i])[0])))
    return sorted(out, key=lambda p: p[2])


@dataclass(frozen=True)
class PhotoPoses:
    """Board poses of the photos and candidate tag poses, all in rough form."""

    lens: Array
    R: Array
    t: Array
    df: Array  # (p,)
    dc: Array  # (p, 2)

    @classmethod
    def of(cls, s: State) -> PhotoPoses:
        """Lens and poses as they stand in a state."""
        return cls(s.lens, s.photo_R, s.photo_t, s.df, s.dc)

    def own_lens(self, p: int) -> Array:
        """Lens (9,) of one photo with its own focal and principal-point change put in."""
        lens = self.lens.copy()
        lens[0] *= 1 + self.df[p]
        lens[2:4] += self.dc[p]
        return lens


def photo_poses(c: Corners, n_photos: int, size: tuple[int, int], exif_focal: float | None) -> PhotoPoses:
    """Rough lens and one board pose a photo. ``size`` (width, height) px. Photos without a pose hold nan."""
    centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    boards: list[tuple[Array, Array] | None] = []
    homs: list[Array] = []
    for p in range(n_photos):
        g = np.flatnonzero((c.photo == p) & (c.tag < 0))
        if not len(g):
            boards.append(None)
            continue
        flat, uv = c.flat[g][c.seen[g]], c.uv[g][c.seen[g]]
        boards.append((flat, uv))
        h = board_homography(flat, uv)
        if h is not None:
            homs.append(h)
    f = focal_from_board(homs, centre)
    plausible = f is not None and 0.3 * size[0] < f < 6 * size[0]
    if exif_focal is not None and (not plausible or f is None or abs(np.log(f / exif_focal)) > 0.2):
        f = exif_focal
    elif not plausible:
        f = 0.8 * max(size)
    assert f is not None
    lens = np.array([f, 1.0, centre[0], centre[1], 0, 0, 0, 0, 0])
    k = camera_matrix(lens)
    rs, ts = np.full((n_photos, 3, 3), np.nan), np.full((n_photos, 3), np.nan)
    for p, b in enumerate(boards):
        if b is None:
            continue
        poses = planar_poses(*b, k)
        if poses:
            rs[p], ts[p] = poses[0][:2]
    return PhotoPoses(lens, rs, ts, np.zeros(n_photos), np.zeros((n_photos, 2)))


def tag_poses(c: Corners, photos: PhotoPoses, positions: Sequence[str]) -> dict[tuple[int, str], tuple[Array, Array]]:
    """Board-frame pose of each (tag, position), by the candidate that all photos of the position agree on.

    Settles the two-fold ambiguity of a plane: each photo offers both of its poses, and the one with the
    least median reprojection error over the position's photos is kept.
    """
    groups: dict[tuple[int, str], list[int]] = {}
    for g in range(len(c.tag)):
        if c.tag[g] >= 0 and np.isfinite(photos.t[c.photo[g], 0]) and c.seen[g].sum() >= 4:
            groups.setdefault((int(c.tag[g]), positions[c.photo[g]]), []).append(g)
    keys: list[tuple[int, str]] = []
    starts: list[Motion] = []
    for key, members in groups.items():
        view = _Members.of(c, members, photos)
        offered: list[Motion] = []
        for i, g in enumerate(members):
            own, seen = photos.own_lens(int(c.photo[g])), c.seen[g]
            for r, t, _ in planar_poses(c.flat[g][seen], c.uv[g][seen], camera_matrix(own), own[4:9]):
                offered.append((view.R[i].T @ r, view.R[i].T @ (t - view.t[i])))
        if not offered:
            continue
        errs = view.misfits(np.array([r for r, _ in offered]), np.array([t for _, t in offered]))
        score = np.median(errs, axis=1) + 0.1 * np.mean(np.minimum(errs, 50), axis=1)
        keys.append(key)
        starts.append(offered[int(np.argmin(score))])
    if not keys:
        return {}
    rb, tb = refine_poses(c, [groups[key] for key in keys], photos, *(np.array(x) for x in zip(*starts, strict=True)))
    return dict(zip(keys, zip(rb, tb, strict=True), strict=True))


@dataclass(frozen=True)
class _Members:
    """One tag in all photos of a position, with those photos' poses and lenses."""

    flat: Array  # (m, 32, 2)
    uv: Array  # (m, 32, 2)
    seen: NDArray[np.bool_]  # (m, 32)
    R: Array  # (m, 3, 3)
    t: Array  # (m, 3)
    df: Array  # (m, 1)
    dc: Array  # (m, 1, 2)
    lens: Array

    @classmethod
    def of(cls, c: Corners, members: Sequence[int], photos: PhotoPoses) -> _Members:
        g = np.asarray(members)
        p = c.photo[g]
        return cls(c.flat[g], c.uv[g], c.seen[g], photos.R[p], photos.t[p], photos.df[p][:, None],
                   photos.dc[p][:, None], photos.lens)

    def some(self, rows: NDArray[np.intp]) -> _Members:
        """Some of the photos."""
        return _Members(self.flat[rows], self.uv[rows], self.seen[rows], self.R[rows], self.t[rows], self.df[rows],
                        self.dc[rows], self.lens)

    def misfits(self, rb: Array, tb: Array) -> Array:
        """RMS distance (k, m) px of each photo's corners for k board-frame poses (k, 3, 3), (k, 3)."""
        x = self.flat @ rb[:, None, :, :2].swapaxes(-1, -2) + tb[:, None, None]
        xc = x @ self.R.swapaxes(-1, -2) + self.t[:, None]
        behind = np.any((xc[..., 2] < 1) & self.seen, axis=-1)
        xc[..., 2] = np.maximum(xc[..., 2], 1.0)
        e = project(xc, self.lens, self.df, self.dc) - self.uv
        e2 = np.where(self.seen, e[..., 0] ** 2 + e[..., 1] ** 2, 0.0)
        return np.where(behind, 1e6, np.sqrt(e2.sum(axis=-1) / self.seen.sum(axis=-1)))


def refine_pose(c: Corners, members: Sequence[int], photos: PhotoPoses, rb: Array, tb: Array) -> Motion:
    """Board-frame pose of one tag from all photos of a position, robust Gauss-Newton (Cauchy at 1 px)."""
    r, t = refine_poses(c, [members], photos, rb[None], tb[None])
    return r[0], t[0]


def refine_poses(c: Corners, groups: Sequence[Sequence[int]], photos: PhotoPoses, rb: Array, tb: Array) -> Motion:
    """As ``refine_pose``, of k tags at once: poses (k, 3, 3), (k, 3)."""
    rb, tb = rb.copy(), tb.copy()
    every = _Members.of(c, [g for members in groups for g in members], photos)
    of_row = np.repeat(np.arange(len(groups)), [len(members) for members in groups])
    n = every.seen.sum(axis=1)
    act = np.arange(len(groups))
    for _ in range(8):
        rows = np.flatnonzero(np.isin(of_row, act))
        v, of = every.some(rows), of_row[rows]
        arm = v.flat @ rb[of][:, :, :2].swapaxes(-1, -2)
        xc = (arm + tb[of][:, None]) @ v.R.swapaxes(-1, -2) + v.t[:, None]
        usable = ~np.any((xc[..., 2] < 1) & v.seen, axis=-1)
        xc[..., 2] = np.maximum(xc[..., 2], 1.0)
        uv, d_x = project_with_slopes(xc, v.lens, v.df, v.dc)
        e = np.where(v.seen[..., None], uv - v.uv, 0.0)
        # a photo that disagrees loses weight as a whole
        w = usable / (1 + np.sum(e * e, axis=(1, 2)) / n[rows])
        d_b = d_x @ v.R[:, None]
        j = np.concatenate([cross(arm[:, :, None], d_b), d_b], axis=-1) * v.seen[..., None, None]
        j = j.reshape(len(rows), -1, 6)
        turned = j.swapaxes(-1, -2) * w[:, None, None]
        first = np.flatnonzero(np.diff(of, prepend=-1))
        h = np.add.reduceat(turned @ j, first)
        b = np.add.reduceat((turned @ e.reshape(len(rows), -1, 1))[..., 0], first)
        told = h.any(axis=(1, 2))
        act, h, b = act[told], h[told], b[told]
        if not len(act):
            break
        d = -np.linalg.solve(h * (1 + 1e-9 * np.eye(6)), b[..., None])[..., 0]
        rb[act], tb[act] = rotation(d[:, :3]) @ rb[act], tb[act] + d[:, 3:]
        act = act[(np.abs(d[:, :3]).max(axis=1) >= 1e-5) | (np.abs(d[:, 3:]).max(axis=1) >= 1e-3)]
        if not len(act):
            break
    return rb, tb


def group_misfit(c: Corners, g: int, photos: PhotoPoses, rb: Array, tb: Array) -> float:
    seen = c.seen[g]
    x = c.flat[g][seen] @ rb[:, :2].T + tb
    xc = x @ photos.R[c.photo[g]].T + photos.t[c.photo[g]]
    if np.any(xc[:, 2] < 1):
        return 1e6
    e = project(xc, photos.own_lens(int(c.photo[g]))) - c.uv[g][seen]
    return float(np.sqrt(np.mean(np.sum(e * e, axis=1))))


@dataclass(frozen=True)
class Hinge:
    """A rough hinge: point, unit direction (sign open until aligned), angle at each position, reference."""

    point: Array
    axis: Array
    angles: Mapping[str, float]
    certain: bool  # False where the part hardly moved, so that the axis is only the drawing's


def hinge_from_motions(motions: Mapping[str, Motion]) -> Hinge | None:
    """Hinge of a body from its motions (R, t) relative to the reference position. None if it hardly moved."""
    names = list(motions)
    scatter = np.zeros((3, 3))
    largest = 0.0
    for a, b in itertools.combinations(names, 2):
        v = rotation_vector(motions[a][0] @ motions[b][0].T)
        scatter += np.outer(v, v)
        largest = max(largest, float(np.linalg.norm(v)))
    if largest < np.deg2rad(2.0):
        return None
    axis = np.linalg.eigh(scatter)[1][:, -1]
    e = perpendiculars(axis)
    rows = [e.T @ (np.eye(3) - r) @ e for r, _ in motions.values()]
    rhs = [e.T @ t for _, t in motions.values()]
    c = np.linalg.lstsq(np.concatenate(rows), np.concatenate(rhs), rcond=None)[0]
    angles = {}
    for n, (r, _) in motions.items():
        angles[n] = float(turned(axis, r))
    return Hinge(e @ c, axis, angles, True)


def hinge_misfits(point: Array, axis: Array, r: Array, t: Array, angle: Array) -> Array:
    """How far motions (..., 3, 3), (..., 3) are from turns (...) rad about a hinge, mm, (...).

    A tilt counts at 100 mm from the hinge.
    """
    turn = about(axis, angle)
    tilt = 2 * np.arcsin(np.minimum(np.linalg.norm(r - turn, axis=(-2, -1)) / np.sqrt(8), 1.0))
    shift = (r @ point + t - point) @ perpendiculars(axis)
    return np.maximum(100 * tilt, np.linalg.norm(shift, axis=-1))


def common_hinge(offered: Mapping[str, Sequence[Motion]], base: str, worst: float = WORST,
                 ) -> tuple[Hinge, dict[str, Motion]] | None:
    """The hinge that the poses of one tag share, and the pose of each position that lies on it.

    ``offered``: poses (R, t) of the tag by position, one or, where a plane's two-fold ambiguity is open, more.
    Where the only poses do not agree within ``worst`` mm (see ``hinge_misfits``), or there is a choice, every two
    of different positions propose a hinge and the one with the least sum of misfits, each bounded, wins. A
    position whose best pose is further off than ``worst`` is left out, at most a third of them: it has no pose and
    no angle in the result. Angles count from ``base``, which stays. None where the tag hardly turned.
    """
    chosen = {p: poses[0] for p, poses in offered.items()}
    left_out: list[str] = []
    h = hinge_from_motions(_since(chosen, base))
    if any(len(o) > 1 for o in offered.values()) or h is None or _worst(h, _since(chosen, base)) > worst:
        found = _proposed(offered, worst)
        if found is None:
            return None if h is None else (h, chosen)
        chosen, off = found
        doubtful = sorted((p for p in off if off[p] > worst and p != base), key=lambda p: -off[p])
        left_out = doubtful[:len(offered) // 3]
    kept = {p: m for p, m in chosen.items() if p not in left_out}
    h = hinge_from_motions(_since(kept, base))
    return None if h is None else (h, kept)


def _since(poses: Mapping[str, Motion], base: str) -> dict[str, Motion]:
    """Motions from the pose at ``base``."""
    back = inverse(poses[base])
    return {p: compose(m, back) for p, m in poses.items()}


def _worst(h: Hinge, motions: Mapping[str, Motion]) -> float:
    r, t = np.array([m[0] for m in motions.values()]), np.array([m[1] for m in motions.values()])
    return float(hinge_misfits(h.point, h.axis, r, t, np.array([h.angles[p] for p in motions])).max())


def _proposed(offered: Mapping[str, Sequence[Motion]], worst: float,
              ) -> tuple[dict[str, Motion], dict[str, float]] | None:
    """Pose by position and its misfit, mm, on the best hinge that two of the poses propose."""
    names = list(offered)
    where = np.array([i for i, p in enumerate(names) for _ in offered[p]])
    r = np.array([m[0] for p in names for m in offered[p]])
    t = np.array([m[1] for p in names for m in offered[p]])
    best: tuple[float, Array, Array] | None = None
    for a, b in itertools.combinations(range(len(where)), 2):
        if where[a] == where[b]:
            continue
        since_r = r @ r[a].T
        since_t = t - since_r @ t[a]
        h = hinge_from_motions({"a": (np.eye(3), np.zeros(3)), "b": (since_r[b], since_t[b])})
        if h is None:
            continue
        off = hinge_misfits(h.point, h.axis, since_r, since_t, turned(h.axis, since_r))
        least = np.full(len(names), np.inf)
        np.minimum.at(least, where, off)
        score = float(np.minimum(least, 2 * worst).sum())
        if best is None or score < best[0]:
            best = (score, off, least)
    if best is None:
        return None
    chosen = {p: next(m for m, d in zip(offered[p], best[1][where == i], strict=True) if d == best[2][i])
              for i, p in enumerate(names)}
    return chosen, dict(zip(names, map(float, best[2]), strict=True))


def fill_angles(known: Mapping[str, Mapping[str, float]], positions: Sequence[str]) -> dict[str, dict[str, float]]:
    """Angles by body and position, with those not seen guessed from the bodies seen together with them.

    The parts of a linkage move together, so the angle of one is nearly a quadratic of another's; the body
    with the most positions in common gives the guess. Straight ahead all are zero.
    """
    out = {b: dict(a) for b, a in known.items()}
    for b, mine in known.items():
        for p in positions:
            if p in mine:
                continue
            best: tuple[int, float] | None = None
            for other, theirs in known.items():
                common = [q for q in mine if q in theirs and q != p]
                x = np.array([theirs[q] for q in common])
                if other == b or p not in theirs or len(common) < 3 or np.ptp(x) < np.deg2rad(5):
                    continue
                y = np.array([mine[q] for q in common])
                guess = float(np.polyval(np.polyfit(x, y, 2 if len(common) > 3 else 1), theirs[p]))
                if best is None or len(common) > best[0]:
                    best = (len(common), guess)
            if best is not None:
                out[b][p] = best[1]
    return out


def compose(a: Motion, b: Motion) -> Motion:
    """Motion a after b."""
    return a[0] @ b[0], a[0] @ b[1] + a[1]


def inverse(a: Motion) -> Motion:
    """The motion that undoes ``a``."""
    return a[0].T, -a[0].T @ a[1]


def turn_about(point: Array, axis: Array, angle: float) -> Motion:
    """Motion of a turn about a hinge."""
    r = about(axis, angle)
    return r, point - r @ point


def align(rig: Rig, hinges: Mapping[str, Hinge], balls: Mapping[str, Array], places: Mapping[str, Array],
          ) -> tuple[Array, Array]:
    """Rough board-to-frame motion from hinge lines, ball centres and datum tags against the drawing.

    Tries 72 starting directions and refines each by matching closest points, so that no guess of how the
    board lies is needed. Hinge directions count without sign. Raises ValueError with fewer than three
    things to match.
    """
    lines = [(hinges[b].point, hinges[b].axis, np.asarray(rig.bodies[b].pivot), np.asarray(rig.bodies[b].axis))
             for b in hinges if hinges[b].certain and rig.bodies[b].role != "wheel"]
    pts = [(x, np.asarray(rig.points[n].xyz)) for n, x in balls.items()]
    pts += [(x, np.asarray(rig.tags[n].place)) for n, x in places.items()]
    if len(lines) + len(pts) < 3:
        raise ValueError("fewer than three pivots or rod ends were measured")
    arm = 200.0  # mm, lever that weighs a direction against a place
    starts = []
    for perm in itertools.permutations(range(3)):
        for signs in itertools.product((1, -1), repeat=3):
            m = np.zeros((3, 3))
            m[range(3), perm] = signs
            if np.linalg.det(m) > 0:
                starts += [about(np.array([0, 0, 1.0]), a) @ m for a in np.deg2rad([0, 30, 60])]
    # all starts at once; each stops when it no longer gains
    r = np.array(starts)
    k = len(r)
    src0 = np.array([x for x, _ in pts] + [c for c, *_ in lines])
    dst0 = np.array([y for _, y in pts] + [p for _, _, p, _ in lines])
    t = dst0.mean(axis=0) - r @ src0.mean(axis=0)
    cost = np.full(k, np.inf)
    going = np.arange(k)
    for _ in range(40):
        rg, tg = r[going], t[going]
        src = [np.broadcast_to(x, (len(going), 3)) for x, _ in pts]
        dst = [y for _, y in pts]
        for c, a, p, d in lines:
            along = (rg.swapaxes(-1, -2) @ (p - tg)[..., None])[..., 0] - c
            near = c + a * (along @ a)[:, None]
            sign = np.where(rg @ a @ d > 0, 1.0, -1.0)
            src += [near, near + (sign * arm)[:, None] * a]
            dst += [p, p + arm * d]
        s, q = np.stack(src, axis=1), np.array(dst)
        gap = np.linalg.norm(s @ rg.swapaxes(-1, -2) + tg[:, None] - q, axis=-1)
        rg, tg = rigid_fit(s, q, 1 / np.maximum(gap, 5.0))
        new = np.linalg.norm(s @ rg.swapaxes(-1, -2) + tg[:, None] - q, axis=-1).sum(axis=-1)
        r[going], t[going] = rg, tg
        gains = ~(new > cost[going] - 1e-3)
        cost[going[gains]] = new[gains]
        going = going[gains]
        if not len(going):
            break
    best = int(np.argmin(cost))
    return r[best], t[best]


def body_hinges(rig: Rig, poses: Mapping[tuple[str, str], Motion], reference: str, bodies: Sequence[str],
                positions: Sequence[str]) -> tuple[dict[str, Hinge], dict[str, Motion]]:
    """Hinges of all bodies from tag poses keyed by (tag, position), and each tag's pose straight ahead.

    ``bodies`` parents first. A tag is brought straight ahead by its body's hinge from wherever it was seen, and the
    pose that most positions agree on is taken.
    """
    hinges: dict[str, Hinge] = {}
    ahead: dict[str, Motion] = {}
    moved: dict[tuple[str, str], Motion] = {(FRAME, p): (np.eye(3), np.zeros(3)) for p in positions}
    for name in [FRAME, *bodies]:
        tags = sorted(dict.fromkeys(t for t, _ in poses if rig.tags[t].body == name),
                      key=lambda t: -sum((t, p) in poses for p in positions))
        if name == FRAME:
            for tag in tags:
                ahead[tag] = most_agreed([poses[tag, p] for p in positions if (tag, p) in poses])
            continue
        parent = rig.bodies[name].parent
        local = {(t, p): compose(inverse(moved[parent, p]), poses[t, p]) for t in tags for p in positions
                 if (t, p) in poses}
        hinge, best = None, (False, False, 0)
        for tag in sorted(tags, key=lambda t: (t, reference) not in local):
            seen = [p for p in positions if (tag, p) in local]
            base = reference if reference in seen else seen[0]
            if (True, base == reference, len(seen)) <= best:
                continue
            found = common_hinge({p: [local[tag, p]] for p in seen}, base)
            if found is None:
                continue
            # the wrong one of a plane's two poses straight ahead would turn all others
            fits = _worst(found[0], _since(found[1], base)) <= WORST
            rank = (fits, base == reference, len(found[0].angles))
            if rank > best:
                hinge, best = found[0], rank
        if hinge is None:
            hinge = Hinge(np.zeros(3), np.array([0, 0, 1.0]), {}, False)
        angles = dict(hinge.angles)
        hinges[name] = Hinge(hinge.point, hinge.axis, angles, hinge.certain)
        for p in positions:
            own = turn_about(hinge.point, hinge.axis, angles.get(p, 0.0))
            moved[name, p] = compose(moved[parent, p], own)
        for tag in tags:
            seen = [q for q in positions if (tag, q) in local]
            known = [q for q in seen if q in angles] or ([reference] if reference in seen else seen[:1])
            # local is already free of the parent's turn; undo the body's own
            ahead[tag] = most_agreed([
                compose(inverse(turn_about(hinge.point, hinge.axis, angles.get(q, 0.0))), local[tag, q])
                for q in sorted(known, key=lambda q: q != reference)])
    return hinges, ahead


def most_agreed(poses: Sequence[Motion], far: float = 20.0) -> Motion:
    """The pose that most of them agree with, the first of equals; beyond ``far`` mm (see ``hinge_misfits``) all alike.

    One position seen in too few photos may have taken the wrong one of a plane's two poses.
    """
    r, t = np.array([m[0] for m in poses]), np.array([m[1] for m in poses])
    tilt = 2 * np.arcsin(np.minimum(np.linalg.norm(r[:, None] - r[None], axis=(-2, -1)) / np.sqrt(8), 1.0))
    gap = np.minimum(np.maximum(100 * tilt, np.linalg.norm(t[:, None] - t[None], axis=-1)), far)
    return poses[int(np.argmin(gap.sum(axis=1)))]


def turned(axis: Array, r: Array) -> Array:
    """Angles (...) rad of rotations (..., 3, 3) about a unit axis, by their parts square to the axis."""
    e = perpendiculars(axis)
    q = e.T @ r @ e
    return np.arctan2(q[..., 1, 0] - q[..., 0, 1], q[..., 0, 0] + q[..., 1, 1])
