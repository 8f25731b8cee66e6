"""What the rider's weight does: where both uprights stand at straight ahead with the rider aboard.

A loaded frame bends, so a loaded photo obeys none of the hinges that the rest of the shoot is measured by. It is
therefore kept out of the bundle adjustment. Afterwards, with lens, print and tag places from it, the photos of
the loaded label give each upright's motion against the board by a small adjustment of its own, and the wheel and
kingpin that ride on the upright are carried along by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.expected import Priors
from calib.estimation.camera import project, undistort
from calib.estimation.unknowns import Layout, State, bow_terms
from calib.findings import Code
from calib.linkage.rotations import rotation
from calib.linkage.steering import cambers, kingpin_geometry, wheel_headings
from calib.results import AsBuilt, Finding, LoadedFigure
from calib.rig.model import Rig, Vec
from calib.rig.parameters import Kind, ParameterName, get_parameters, with_parameters
from calib.uncertainty import K95
from capture.errors import UserError
from capture.observations import Observations
from capture.targets import Board, saddle_points

Array = NDArray[np.float64]
LEAST_PHOTOS = 3  # one view tells a tag's tilt poorly, two may share a direction
OUT = 5.0  # corners further out than this many standard uncertainties are left out


@dataclass(frozen=True)
class LoadedPhoto:
    """Corners of one photo. ``board`` and ``parts`` hold (flat or tag index, pixels, whitening) by corner.

    board_xyz (n, 3) mm in the board frame, board_uv (n, 2) px, board_whiten (n, 2, 2); part_tag (m,) index into
    the tags, part_xy (m, 2) mm in the tag frame (true to print), part_uv (m, 2), part_whiten (m, 2, 2).
    """

    board_xyz: Array
    board_uv: Array
    board_whiten: Array
    part_tag: NDArray[np.intp]
    part_xy: Array
    part_uv: Array
    part_whiten: Array


@dataclass(frozen=True)
class TagPlaces:
    """Tags on the uprights straight ahead without load: pose in the board frame, joint covariance, upright of each.

    R (k, 3, 3), t (k, 3) mm, cov (6k, 6k) of small turns about the board's axes (rad) and shifts (mm), tag by tag.
    """

    R: Array
    t: Array
    cov: Array
    upright: tuple[str, ...]


@dataclass(frozen=True)
class LoadedMotion:
    """Motion of each upright in the board frame, unloaded to loaded, and its covariance.

    step (u, 6): turn about ``centre`` (u, 3) as a rotation vector (rad), then shift (mm); cov (6u, 6u) of it, upright
    by upright in the order of ``uprights``.
    """

    uprights: tuple[str, ...]
    step: Array
    centre: Array
    cov: Array
    photos: int
    corners: int
    sigma0: float

    def in_frame(self, align_R: Array, align_t: Array, step: Array | None = None) -> dict[str, tuple[Array, Array]]:
        """Motions x -> R x + t (mm) in frame axes, where x_frame = align_R x_board + align_t; of another ``step``."""
        R, t = _motions(self.step if step is None else step, self.centre)
        out = {}
        for name, r, s in zip(self.uprights, R, t, strict=True):
            q = align_R @ r @ align_R.T
            out[name] = (q, align_R @ s + align_t - q @ align_t)
        return out


def _motions(step: Array, centre: Array) -> tuple[Array, Array]:
    """(u, 3, 3), (u, 3) of steps (u, 6) about centres (u, 3)."""
    R = rotation(step[:, :3])
    return R, centre + step[:, 3:] - np.einsum("uij,uj->ui", R, centre)


def loaded_motion(photos: Sequence[LoadedPhoto], tags: TagPlaces, lens: Array, df_sd: float, dc_sd: float,
                  corner_scale: float = 1.0) -> LoadedMotion:
    """Least-squares motion of the uprights from the loaded photos.

    ``lens`` (9,) as the bundle adjustment gave it, held: what it is off by moves loaded and unloaded alike. Every
    photo has its pose, focal change (sd ``df_sd``) and principal-point change (sd ``dc_sd`` px). ``corner_scale``
    is the factor by which the bundle adjustment widened the corners' covariance. Raises UserError where fewer than
    LEAST_PHOTOS photos show the board, or an upright is not seen.
    """
    from scipy.optimize import least_squares  # here, as few shoots need it and it takes long to load

    good = [p for p in photos if len(p.board_xyz) >= 12 and len(p.part_tag)]
    if len(good) < LEAST_PHOTOS:
        raise UserError(f"only {len(good)} loaded photo(s) show the board and an upright's tag; take at least "
                        f"{LEAST_PHOTOS}, better six, from both sides and the front.", "few_photos")
    seen = {tags.upright[k] for p in good for k in p.part_tag}
    uprights = tuple(dict.fromkeys(tags.upright))
    for name in uprights:
        if name not in seen:
            raise UserError(f"no loaded photo shows a tag of {name}; photograph its side too.", "tag_missing", name)
    problem = _Problem(good, tags, uprights, np.asarray(lens, float), df_sd, dc_sd, corner_scale)
    x = problem.start()
    for _ in range(2):
        sol = least_squares(problem.residuals, x, problem.jacobian, method="lm", xtol=1e-12, ftol=1e-12)
        x = sol.x
        problem.leave_out(x)
    sol = least_squares(problem.residuals, x, problem.jacobian, method="lm", xtol=1e-12, ftol=1e-12)
    j = problem.jacobian(sol.x)
    dof = max(problem.used - 9 * len(good) - 6 * len(uprights), 1)
    sigma0 = float(np.sqrt(problem.corner_cost(sol.x) / dof))
    cov = np.linalg.inv(j.T @ j) * max(sigma0, 1.0) ** 2
    a = problem.motions
    step: Array = np.asarray(sol.x[a], float).reshape(-1, 6)
    return LoadedMotion(uprights, step, problem.centre, np.asarray(cov[a, a], float), len(good), problem.used // 2,
                        sigma0)


class _Problem:
    """Unknowns: a pose, focal and centre change for each photo (9), a motion for each upright (6), tag places (6)."""

    def __init__(self, photos: Sequence[LoadedPhoto], tags: TagPlaces, uprights: tuple[str, ...], lens: Array,
                 df_sd: float, dc_sd: float, corner_scale: float) -> None:
        self.photos, self.tags, self.uprights, self.lens = photos, tags, uprights, lens
        self.own_sd = np.array([df_sd, dc_sd, dc_sd])
        self.of = np.array([uprights.index(u) for u in tags.upright])
        n = 9 * len(photos)
        self.motions = slice(n, n + 6 * len(uprights))
        self.places = slice(self.motions.stop, self.motions.stop + 6 * len(tags.upright))
        self.size = self.places.stop
        # a floor keeps the weights finite where a tag's place hardly has any doubt
        root = np.linalg.cholesky(tags.cov + np.diag(np.tile([1e-10] * 3 + [1e-6] * 3, len(tags.upright))))
        self.place_weight = np.linalg.inv(root)
        self.weight = [np.concatenate([p.board_whiten, p.part_whiten]) / corner_scale for p in photos]
        self.keep = [np.ones(len(w), bool) for w in self.weight]
        # which motion is centred where: about the tags' middle, so that turn and shift part well
        self.centre = np.array([tags.t[self.of == u].mean(axis=0) for u in range(len(uprights))])

    @property
    def used(self) -> int:
        """Corner residuals in use."""
        return 2 * int(sum(k.sum() for k in self.keep))

    def start(self) -> Array:
        import cv2

        x = np.zeros(self.size)
        self.base = []
        for p in self.photos:
            flat = np.ascontiguousarray(undistort(p.board_uv, self.lens))
            ok, r, t = cv2.solvePnP(np.ascontiguousarray(p.board_xyz), flat, np.eye(3), None,
                                    flags=cv2.SOLVEPNP_ITERATIVE)
            if not ok:
                raise UserError("a loaded photo's board gives no camera place; is it flat and whole?", "no_board")
            self.base.append((cv2.Rodrigues(r)[0], t.ravel()))
        return x

    def _tag_poses(self, x: Array) -> tuple[Array, Array]:
        """Loaded tag poses in the board frame (k, 3, 3), (k, 3)."""
        R, t = _motions(x[self.motions].reshape(-1, 6), self.centre)
        d = x[self.places].reshape(-1, 6)
        return (R[self.of] @ rotation(d[:, :3]) @ self.tags.R,
                np.einsum("kij,kj->ki", R[self.of], self.tags.t + d[:, 3:]) + t[self.of])

    def _photo(self, x: Array, k: int, tags: tuple[Array, Array]) -> Array:
        """Whitened corner residuals of photo ``k`` (n, 2), zero where left out."""
        p, step = self.photos[k], x[9 * k:9 * k + 9]
        part = np.einsum("nij,nj->ni", tags[0][p.part_tag][:, :, :2], p.part_xy) + tags[1][p.part_tag]
        world = np.concatenate([p.board_xyz, part])
        cam = world @ (rotation(step[:3]) @ self.base[k][0]).T + self.base[k][1] + step[3:6]
        gap = project(cam, self.lens, float(step[6]), step[7:]) - np.concatenate([p.board_uv, p.part_uv])
        return np.einsum("nij,nj->ni", self.weight[k], gap)

    def _corners(self, x: Array) -> list[Array]:
        tags = self._tag_poses(x)
        return [self._photo(x, k, tags) for k in range(len(self.photos))]

    def corner_cost(self, x: Array) -> float:
        """Sum of squared corner residuals in use, standard units."""
        return float(sum(np.sum(r[k] ** 2) for r, k in zip(self._corners(x), self.keep, strict=True)))

    def residuals(self, x: Array) -> Array:
        parts = [(r * k[:, None]).ravel() for r, k in zip(self._corners(x), self.keep, strict=True)]
        own = np.concatenate([x[9 * k + 6:9 * k + 9] / self.own_sd for k in range(len(self.photos))])
        return np.concatenate([*parts, own, self.place_weight @ x[self.places]])

    def jacobian(self, x: Array) -> Array:
        """Central differences; only the photo's own rows for a photo's own unknowns."""
        rows = [2 * len(w) for w in self.weight]
        first = np.concatenate([[0], np.cumsum(rows)])
        out = np.zeros((first[-1] + 3 * len(self.photos) + self.places.stop - self.places.start, self.size))
        tags = self._tag_poses(x)
        h = np.array([1e-6] * 3 + [1e-4] * 3)
        own_h = np.concatenate([h, [1e-6, 1e-3, 1e-3]])
        for k in range(len(self.photos)):
            for c in range(9):
                d = np.zeros(self.size)
                d[9 * k + c] = own_h[c]
                slope = (self._photo(x + d, k, tags) - self._photo(x - d, k, tags)) / (2 * own_h[c])
                out[first[k]:first[k + 1], 9 * k + c] = (slope * self.keep[k][:, None]).ravel()
            out[first[-1] + 3 * k + np.arange(3), 9 * k + 6 + np.arange(3)] = 1 / self.own_sd
        for c in range(self.motions.start, self.size):
            d = np.zeros(self.size)
            d[c] = h[(c - self.motions.start) % 6]
            up, down = self._corners(x + d), self._corners(x - d)
            for k, keep in enumerate(self.keep):
                out[first[k]:first[k + 1], c] = ((up[k] - down[k]) * keep[:, None]).ravel() / (2 * d[c])
        out[first[-1] + 3 * len(self.photos):, self.places] = self.place_weight
        return out

    def leave_out(self, x: Array) -> None:
        """Corners beyond OUT times the scatter of the rest take no further part."""
        r = self._corners(x)
        length = np.concatenate([np.linalg.norm(a, axis=1) for a in r])
        scatter = max(float(np.median(length)) / 1.1774, 0.3)
        self.keep = [np.linalg.norm(a, axis=1) < OUT * scatter for a in r]


def apart(rig: Rig, obs: Observations) -> tuple[Observations, Observations | None]:
    """The photos without the rider and those with; None where there are none of these, or no label for them."""
    aboard = [p.name for p in obs.photos if rig.loaded and p.position == rig.loaded]
    if not aboard:
        return obs, None
    loaded = obs.table["photo"].isin(aboard)
    return (replace(obs, table=obs.table[~loaded], photos=tuple(p for p in obs.photos if p.name not in aboard)),
            replace(obs, table=obs.table[loaded], photos=tuple(p for p in obs.photos if p.name in aboard)))


def loaded_of(layout: Layout, s: State, cov: Array, sigma: float, priors: Priors, built: AsBuilt,
              aboard: Observations | None) -> tuple[tuple[LoadedFigure, ...], list[Finding]]:
    """Figures with the rider aboard; where they cannot be had, none, and the finding that says why.

    ``cov`` (n, n) of the bundle adjustment's shared unknowns, ``sigma`` its factor on the corners' covariances.
    """
    rig = layout.rig
    try:
        if aboard is None:
            raise UserError("there is no photo of it.", "no_position", rig.loaded)
        tags = _places(layout, s, cov)
        photos = _photos(rig, s, aboard, [n for n in layout.tags if rig.tags[n].body in tags.upright])
        motion = loaded_motion(photos, tags, s.lens, priors.df_sd, priors.dc_sd, max(sigma, 0.3))
    except UserError as err:
        return (), [Finding(Code.NOT_LOADED, rig.loaded, (rig.loaded,), {"why": str(err), "why_code": err.code})]
    return loaded_figures(built, motion, s.align_R, s.align_t), []


def _places(layout: Layout, s: State, cov: Array) -> TagPlaces:
    """Tags on the uprights as the bundle adjustment has them. Its steps turn a tag as ``TagPlaces`` says."""
    uprights = [w.upright for w in layout.rig.wheels.values()]
    mine = [i for i, n in enumerate(layout.tags) if layout.rig.tags[n].body in uprights]
    slots = np.concatenate([np.arange(sl.start, sl.stop) for sl in (layout.tag(layout.tags[i]) for i in mine)]) \
        if mine else np.zeros(0, int)
    if {layout.rig.tags[layout.tags[i]].body for i in mine} != set(uprights):
        raise UserError("an upright has no tag that was seen unloaded.", "tag_missing")
    return TagPlaces(s.tag_R[mine], s.tag_t[mine], cov[np.ix_(slots, slots)],
                     tuple(layout.rig.tags[layout.tags[i]].body for i in mine))


def _photos(rig: Rig, s: State, obs: Observations, names: Sequence[str]) -> list[LoadedPhoto]:
    """The loaded photos' corners on the board and on the tags ``names``."""
    flat = Board.for_paper(rig.board.paper).saddles()
    code = {rig.tags[n].code: k for k, n in enumerate(names)}
    cov = obs.covariances()
    whiten = np.linalg.inv(np.linalg.cholesky(cov))
    tag, corner = obs.table["tag"].to_numpy(int), obs.table["corner"].to_numpy(int)
    uv, photo = obs.table[["u", "v"]].to_numpy(float), obs.table["photo"].to_numpy()
    on_board, on_part = np.isin(tag, list(flat)), np.isin(tag, list(code))
    out = []
    for p in obs.photos:
        b, t = np.flatnonzero(on_board & (photo == p.name)), np.flatnonzero(on_part & (photo == p.name))
        xy = np.array([flat[tag[k]][corner[k]] for k in b]).reshape(-1, 2)
        xyz = np.column_stack([s.print_scale * xy, bow_terms(xy) @ s.bow])
        part = np.array([saddle_points(rig.tags[names[code[tag[k]]]].size)[corner[k]] for k in t]).reshape(-1, 2)
        out.append(LoadedPhoto(xyz, uv[b], whiten[b], np.array([code[tag[k]] for k in t], int), s.print_scale * part,
                               uv[t], whiten[t]))
    return out


def carried(rig: Rig, motions: Mapping[str, tuple[Array, Array]]) -> Rig:
    """The rig straight ahead with uprights, and the wheels on them, moved by (R, t) in frame axes (mm).

    What both uprights turned by alike about their kingpins is taken back: it is where the lever was held, not load.
    """
    turned = _moved(rig, motions)
    mean = _mean_heading(turned) - _mean_heading(rig)
    back = {}
    for name in motions:
        b = turned.bodies[name]
        axis, p = np.asarray(b.axis), np.asarray(b.pivot)
        q = rotation(axis * (-mean * np.sign(axis[2])))
        back[name] = (q, p - q @ p)
    return _moved(turned, back)


def _moved(rig: Rig, motions: Mapping[str, tuple[Array, Array]]) -> Rig:
    def vec(a: Array) -> Vec:
        return (float(a[0]), float(a[1]), float(a[2]))

    bodies, wheels = dict(rig.bodies), dict(rig.wheels)
    for name, (r, t) in motions.items():
        b = bodies[name]
        bodies[name] = replace(b, pivot=vec(r @ np.asarray(b.pivot) + t), axis=vec(r @ np.asarray(b.axis)))
        for side, w in wheels.items():
            if w.upright == name:
                wheels[side] = replace(w, centre=vec(r @ np.asarray(w.centre) + t), spin=vec(r @ np.asarray(w.spin)))
    return replace(rig, bodies=bodies, wheels=wheels)


def _mean_heading(rig: Rig) -> float:
    spins = [np.asarray(w.spin) for w in rig.wheels.values()]
    return float(np.mean([np.arctan2(-s[0], s[1]) for s in spins]))


def standing_figures(rig: Rig) -> dict[str, float]:
    """Toe, and camber and caster of each side, rad, of the rig straight ahead; see ``calib.linkage.steering``."""
    heads = wheel_headings(rig, {})
    out = {"toe": float(heads["right"] - heads["left"])} if {"left", "right"} <= set(heads) else {}
    out |= {f"camber {side}": float(c) for side, c in cambers(rig, {}).items()}
    return out | {f"caster {side}": float(kingpin_geometry(rig, side)["caster"]) for side in rig.wheels}


def loaded_figures(built: AsBuilt, motion: LoadedMotion, align_R: Array, align_t: Array) -> tuple[LoadedFigure, ...]:
    """Figures with the rider aboard and their change, degrees, with 95 % half-widths (JCGM 100, first order).

    The measured rig and the motions come from different photos and are taken as independent; lens and tag places,
    which both share, move loaded and unloaded alike and so hardly touch the change.
    """
    def both(rig: Rig, step: Array) -> Array:
        still, bent = (standing_figures(r) for r in (rig, carried(rig, motion.in_frame(align_R, align_t, step))))
        return np.array([[still[n], bent[n], bent[n] - still[n]] for n in still])

    owners = {*built.rig.wheels, *(w.upright for w in built.rig.wheels.values())}
    parsed = [ParameterName.parse(n) for n in built.names]
    idx = [i for i, n in enumerate(parsed) if n.owner in owners and n.kind is not Kind.HOLE and built.cov[i, i] > 0]
    names = [built.names[i] for i in idx]
    x0 = get_parameters(built.rig, names)
    base = both(built.rig, motion.step)
    j = np.zeros((*base.shape, len(idx)))
    for k, i in enumerate(idx):
        h = 1e-5 if parsed[i].direction else 1e-3
        d = h * np.eye(len(idx))[k]
        up, down = (both(with_parameters(built.rig, names, x0 + e), motion.step) for e in (d, -d))
        j[..., k] = (up - down) / (2 * h)
    m = np.zeros((*base.shape, motion.step.size))
    for k in range(motion.step.size):
        d = np.zeros(motion.step.size)
        d[k] = 1e-5
        up, down = (both(built.rig, motion.step + e.reshape(-1, 6)) for e in (d, -d))
        m[..., k] = (up - down) / 2e-5
    cov = built.cov[np.ix_(idx, idx)]
    var = np.einsum("fci,ij,fcj->fc", j, cov, j) + np.einsum("fci,ij,fcj->fc", m, motion.cov, m)
    u = K95 * np.sqrt(np.maximum(var, 0.0))
    return tuple(LoadedFigure(n, *(float(np.degrees(v)) for v in (b[0], b[1], w[1], b[2], w[2])))
                 for n, b, w in zip(standing_figures(built.rig), base, u, strict=True))
