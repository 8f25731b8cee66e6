"""Mistakes of the shoot or the build, named by cause and item."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.estimation.blocks.closure import Closure
from calib.estimation.blocks.corners import Corners
from calib.estimation.blocks.expected import DC_SD, DF_SD, BarAlong, PrintScale, Spread
from calib.estimation.camera import camera_matrix, project
from calib.estimation.creep import creep_findings, still_finding
from calib.estimation.equations import KINDS, RigProblem
from calib.estimation.moved import Moved, slipped_tag, what_moved
from calib.estimation.onboard import calibrate_on_board
from calib.estimation.solver import reduced_system
from calib.estimation.start import Motion, PhotoPoses, compose, group_misfit, planar_poses, refine_pose
from calib.estimation.unknowns import Layout, State, tightened
from calib.findings import EVERYTHING, Code
from calib.results import Finding, Repeatability
from calib.rig.model import FRAME
from calib.uncertainty import K95
from capture.observations import Observations

Array = NDArray[np.float64]
TOLD_MM, TOLD_DEG = 0.04, 0.03  # how badly a joint repeats to be told
TOLD_HAND_MM, TOLD_HAND_DEG, TOLD_PX = 0.15, 0.01, 0.1  # and hand and lens
TOLD_FACTOR = 1.2
LOOSE_MM, LOOSE_DEG = 0.18, 0.3  # a joint that repeats worse than this is not sound; common practice, no source
STEP_F = 6.0  # of a step between two positions against the scatter about it: worth a second look
STEP_LEAVES = 0.7  # and what one move on a sound hinge leaves unexplained then; scattered play 0.71 and more (25 parts)
CURLED = 0.25  # mm across the view: corners no further off than this are those of a tag whose paper is not flat
STEP = Spread(0.1, 1.5e-3)  # least step to be told
MOST_LOST = 0.5  # of a wheel's tag that each position shows in one photo
OFF_PX = 4.0  # a tag further than this from where the position's other photos put it has moved
SIZE = 0.01  # a tag's size over that in the rig file, beyond which it is another print
SURE = 4.5  # standard uncertainties between bar and drawing; lengths are off together now and then
PART_TAGS = "part tags"
REFERENCE = "reference"  # kind of the rows that say where straight ahead and level are
ZOOM = 0.015  # relative focal change beyond what focusing and stabilising do to a phone lens
STRAY = 4.0  # times the median distance from where a photo's board corners should be
FEIGNED = 0.04  # relative: a board in an S and a hand that moves look like a zoom of half that in one photo of it alone


def zoomed_photos(c: Corners, layout: Layout, photos: PhotoPoses) -> list[Finding]:
    """Photos whose own focal length is far off the others': digital zoom, or cropped and blown up again.

    Strong zooms pull the shared lens and so the other photos, so only the photos nearly as far off as the worst
    are named; ask again without them.
    """
    off = np.abs(photos.df - np.median(photos.df))
    if off.max(initial=0.0) < ZOOM:
        return []
    worst = np.flatnonzero(off > max(ZOOM, 0.6 * float(off.max())))
    rest = np.argsort(off)[:5]
    usual = float(np.median([_zoom_of(c, int(p), photos) for p in rest]))
    zooms = {int(p): _zoom_of(c, int(p), photos) / usual for p in worst}
    most = max(abs(np.log(z)) for z in zooms.values())
    out = []
    for p, zoom in zooms.items():
        if abs(np.log(zoom)) > max(FEIGNED, 0.4 * most):  # a smaller one shows at the end, in all corners
            name = layout.photos[p]
            out.append(Finding(Code.DIGITAL_ZOOM, name, facts={"zoom": zoom}))
    return out


def zoom_or_camera(found: Mapping[str, Finding], obs: Observations) -> dict[str, Finding]:
    """Findings by photo, those of a zoom in a file that does not name its camera saying that it may be another one."""
    unnamed = {p.name for p in obs.photos if not p.camera}
    return {n: replace(f, facts={**f.facts, "camera_named": False}) if f.code is Code.DIGITAL_ZOOM and n in unnamed
            else f for n, f in found.items()}


def _zoom_of(c: Corners, p: int, photos: PhotoPoses) -> float:
    """Focal length over the shared one that suits a photo's board alone, to 1 %."""
    g = np.flatnonzero((c.photo == p) & (c.tag < 0))
    flat, uv = c.flat[g][c.seen[g]], c.uv[g][c.seen[g]]
    off = np.linalg.norm(project(flat @ photos.R[p][:, :2].T + photos.t[p], photos.own_lens(p)) - uv, axis=1)
    fair = off <= STRAY * np.median(off)  # a few corners far off would be followed by the focal length
    flat, uv = flat[fair][::5], uv[fair][::5]
    best = (np.inf, 1.0)
    for zoom in np.geomspace(0.5, 3.0, 181):
        lens = photos.lens.copy()
        lens[0] *= zoom
        poses = planar_poses(flat, uv, camera_matrix(lens), lens[4:9])
        if poses and poses[0][2] < best[0]:
            best = (poses[0][2], float(zoom))
    return best[1]


def screen_photos(c: Corners, layout: Layout, photos: PhotoPoses, poses: Mapping[tuple[int, str], Motion],
                  ) -> tuple[NDArray[np.bool_], list[Finding]]:
    """Groups to leave out before the estimate (g,), with the photos or tags that they belong to named.

    A photo most of whose moving tags lie away from where the other photos of its position put them was
    filed under the wrong position, or the rig moved between shots.
    """
    drop = np.zeros(len(c.tag), bool)
    findings: list[Finding] = []
    rig = layout.rig
    gap = np.full(len(c.tag), np.nan)
    for k in range(len(c.tag)):
        key = (int(c.tag[k]), layout.photo_positions[c.photo[k]])
        if c.tag[k] >= 0 and key in poses:
            gap[k] = group_misfit(c, k, photos, *poses[key])
    for p, name in enumerate(layout.photos):
        mine = np.flatnonzero((c.photo == p) & (c.tag >= 0) & np.isfinite(gap))
        moving = [int(g) for g in mine if rig.tags[layout.tags[c.tag[g]]].body != FRAME]
        off = [g for g in moving if gap[g] > OFF_PX]
        if len(moving) >= 3 and len(off) >= 0.6 * len(moving):
            drop[mine] = True
            other = _better_position(c, layout, photos, poses, moving, layout.photo_positions[p])
            here = layout.photo_positions[p]
            findings.append(Finding(Code.WRONG_POSITION, name, (here,), {} if other is None else {"other": other}))
        else:
            for g in off:
                drop[g] = True
                tag = layout.tags[c.tag[g]]
                findings.append(Finding(Code.TAG_MISREAD, f"{name}: {tag}", (layout.photo_positions[p],),
                                        {"tag": tag, "photo": name}))
    return drop, findings


def _better_position(c: Corners, layout: Layout, photos: PhotoPoses, poses: Mapping[tuple[int, str], Motion],
                      groups: Sequence[int], here: str) -> str | None:
    best: tuple[float, str] | None = None
    for pos in layout.positions:
        if pos == here:
            continue
        errs = [group_misfit(c, g, photos, *poses[int(c.tag[g]), pos]) for g in groups if (int(c.tag[g]), pos) in poses]
        if len(errs) >= max(2, len(groups) // 2):
            score = float(np.median(errs))
            if best is None or score < best[0]:
                best = (score, pos)
    return best[1] if best is not None and best[0] < OFF_PX else None


def loose_tags(problem: RigProblem, s: State, residuals: pd.DataFrame) -> list[Finding]:
    """Tags much of whose corners were put aside: of another size, slipped, or on a part that bent."""
    layout, rig = problem.layout, problem.rig
    by_tag = residuals[residuals["tag"] != "board"].groupby(["tag", "position"])["weight"].agg(["size", "sum"])
    lost = 1 - by_tag["sum"] / by_tag["size"]
    seen = {t: lost[t] for t in layout.tags if t in lost.index.get_level_values(0)}
    bad = {t: tuple(str(p) for p in x.index[x > 0.3]) for t, x in seen.items() if (x > 0.3).any()}
    photos = residuals.groupby(["tag", "position"])["photo"].nunique()
    wheels = {b.name for b in rig.bodies.values() if b.role == "wheel"}
    # a wheel rolls, so that its tag in one photo has no other to be held against
    bad = {t: p for t, p in bad.items() if rig.tags[t].body not in wheels or photos[t, p[0]] > 1
           or len(p) > 1 and lost[t][list(p)].max() > MOST_LOST}
    if not bad:
        return []
    loose, shaken = problem, s
    problem, s = _on_sound_hinges(problem, s)
    layout = problem.layout
    out = _wrong_sizes(problem, s, [t for t, p in bad.items() if 2 * len(p) >= len(seen[t])])
    if any(f.code is Code.PART_TAGS_SIZE for f in out):
        return out
    poses = _tag_poses(problem, s, {rig.tags[t].body for t in bad})
    far = {t: off_by_much(loose, shaken, t, p) for t, p in bad.items() if t not in {f.item for f in out}}
    bad = {t: bad[t] for t, p in far.items() if p}
    for body in dict.fromkeys(rig.tags[t].body for t in bad):
        mine = [t for t in bad if rig.tags[t].body == body]
        moved = None
        if body != FRAME and rig.bodies[body].role != "wheel":  # wheels are turned by hand
            moved = slipped_tag(loose, shaken, poses, body) or what_moved(problem, s, poses, body)
        if moved is None:
            out += [_slipped(t, far[t], len(seen[t])) for t in mine]
        else:
            out += _moved_findings(moved, body, mine, layout)
    return out


def off_by_much(problem: RigProblem, s: State, tag: str, positions: Sequence[str]) -> tuple[str, ...]:
    """Those of ``positions`` at which a photo shows most of the tag's corners further than CURLED from their places.

    What makes corners outliers is how sharp the photos are; paper that stands off by a tenth of a millimetre is no
    slip.
    """
    c, layout = problem.corners, problem.layout
    mine = np.flatnonzero((c.tag == layout.tags.index(tag)) & c.seen.any(axis=1))
    depth = problem.corner_block.view(problem.motions(s)).xc[mine, :, 2].mean(axis=1)
    off = np.where(c.seen[mine], np.linalg.norm(problem.corner_residuals(s)[mine], axis=-1), np.nan)
    mm = np.nanmedian(off, axis=1) * depth / s.lens[0]
    far = {layout.photo_positions[p] for p in c.photo[mine[mm > CURLED]]}
    return tuple(p for p in positions if p in far)


def without_carried(findings: Sequence[Finding], layout: Layout) -> list[Finding]:
    """The findings less those of wheels' tags where something moved on the upright: it carries its wheel along."""
    rig, moved = layout.rig, (Code.TAG_SLIPPED, Code.TAG_UNFIT, Code.PART_BENT, Code.JOINT_LOOSE)
    wheels = {b.name for b in rig.bodies.values() if b.role == "wheel"}
    body = {f.item: rig.tags[f.item].body if f.item in rig.tags else f.item for f in findings if f.code in moved}
    blamed = set(body.values()) - wheels
    return [f for f in findings if f.code not in moved or body[f.item] not in wheels
            or not blamed & set(layout.chain(body[f.item]))]


def _slipped(tag: str, positions: Sequence[str], seen_at: int) -> Finding:
    nearly_everywhere = len(positions) > max(2, 0.6 * seen_at)
    return Finding(Code.TAG_UNFIT if nearly_everywhere else Code.TAG_SLIPPED, tag, tuple(positions))


def _moved_findings(m: Moved, body: str, bad: Sequence[str], layout: Layout) -> list[Finding]:
    """What moved; of explanations that are as good, the one that the whole estimate took."""
    where, by = tuple(m.odd), {"mm": m.mm, "deg": m.deg}
    choices = [m.tags, *m.rivals]
    fitting = [c for c in choices if set(c) == set(bad)] or choices
    single = [c for c in fitting if len(c) == 1]
    if len(fitting) == 1 and len(fitting[0]) == 1:
        return [Finding(Code.TAG_SLIPPED, fitting[0][0], where,
                        {"body": body, **(by if fitting[0] == m.tags else {})})]
    if len(fitting) == 1:
        return [Finding(Code.PART_BENT, body, where, by)]
    names = tuple(c[0] for c in single)
    if len(single) == len(fitting):
        return [Finding(Code.TAG_SLIPPED, tag, where, {"body": body, "one_of": names}) for tag in names]
    return [Finding(Code.PART_BENT, body, where, {"or_tags": names})]


def _tag_poses(problem: RigProblem, s: State, bodies: set[str], least: int = 1) -> dict[tuple[int, str], Motion]:
    """Board-frame pose of every tag of some parts at every position, from the photos as they stand in the estimate.

    ``least``: photos a position must show the tag in. From one photo alone it is known along the view to millimetres.
    """
    c, layout = problem.corners, problem.layout
    photos = PhotoPoses.of(s)
    printed = replace(c, flat=c.flat * s.print_scale)
    out = {}
    for (tag, pos), members in _members(c, layout).items():
        body = problem.rig.tags[layout.tags[tag]].body
        if body in bodies and len(members) >= least:
            start = compose(problem.motions(s).motion(body, pos), (s.tag_R[tag], s.tag_t[tag]))
            out[tag, pos] = refine_pose(printed, members, photos, *start)
    return out


def _members(c: Corners, layout: Layout) -> dict[tuple[int, str], list[int]]:
    out: dict[tuple[int, str], list[int]] = {}
    for g in range(len(c.tag)):
        if c.tag[g] >= 0 and c.seen[g].sum() >= 4:
            out.setdefault((int(c.tag[g]), layout.photo_positions[c.photo[g]]), []).append(g)
    return out


def _wrong_sizes(problem: RigProblem, s: State, tags: Sequence[str]) -> list[Finding]:
    """Tags that fit, seen from several sides at once, only as larger or smaller ones than the rig file says.

    Held against the board alone: all tags together bend poses and focal lengths of the photos towards their own size.
    """
    if not tags:
        return []
    layout = problem.layout
    s = _by_board(problem, s)
    poses = _tag_poses(problem, s, {problem.rig.tags[t].body for t in tags})
    tried = {t: _size_ratio(problem, s, poses, layout.tags.index(t)) for t in tags}
    ratios = {t: r for t, (r, better) in tried.items() if better < 0.5 and abs(r - 1) > SIZE}
    if not ratios:
        return []
    mid = float(np.median(list(ratios.values())))
    if len(ratios) >= 2:  # one print of all part tags, at another scale than the board's?
        others = [t for t in layout.tags if t not in tried]
        poses = _tag_poses(problem, s, {problem.rig.tags[t].body for t in layout.tags})
        tried |= {t: _size_ratio(problem, s, poses, layout.tags.index(t)) for t in others}
        alike = [t for t, (r, better) in tried.items() if better < 0.9 and abs(r - mid) < max(SIZE, abs(mid - 1) / 3)]
        if 2 * len(alike) > sum(better < 1.0 for _, better in tried.values()):
            return [Finding(Code.PART_TAGS_SIZE, PART_TAGS, facts={"percent": 100 * mid})]
    drawn = {t: problem.rig.tags[t].size for t in ratios}
    return [Finding(Code.TAG_SIZE, t, facts={"mm": r * drawn[t], "drawn_mm": drawn[t]}) for t, r in ratios.items()]


def _by_board(problem: RigProblem, s: State) -> State:
    """The state with lens, photos and print as the board alone shows them."""
    usual = replace(problem.priors, df_sd=DF_SD, dc_sd=DC_SD * max(problem.priors.size))
    board = calibrate_on_board(problem.layout, problem.corners, PhotoPoses.of(s), usual, robust_scale=1.0)
    return replace(s, lens=board.lens, scale=board.scale, stretch=board.stretch, photo_R=board.photo_R,
                   photo_t=board.photo_t, df=board.df, dc=board.dc)


def _size_ratio(problem: RigProblem, s: State, poses: Mapping[tuple[int, str], Motion], tag: int,
                ) -> tuple[float, float]:
    """True size of a tag over that in the rig file, and the squared misfit with it over that without."""
    from scipy.optimize import minimize_scalar  # here, as few shoots need it and it takes long to load

    c = problem.corners
    photos = PhotoPoses.of(s)
    several = {k: m for k, m in _members(c, problem.layout).items() if k[0] == tag and len(m) >= 2}

    def misfit(ratio: float) -> float:
        flat = replace(c, flat=c.flat * s.print_scale * ratio)
        total = 0.0
        for k, members in several.items():
            pose = refine_pose(flat, members, photos, *poses[k])
            total += sum(min(group_misfit(flat, g, photos, *pose), 10.0) ** 2 for g in members)
        return total

    if not several:
        return 1.0, 1.0
    now = misfit(1.0)
    found = minimize_scalar(misfit, bounds=(0.8, 1.25), method="bounded", options={"xatol": 5e-4})
    return float(found.x), float(found.fun) / max(now, 1e-12)


def scale_finding(problem: RigProblem, s: State, cov: Array) -> list[Finding]:
    """Whether the bar's reading agrees with the scale that the drawn lengths ask for, each by its uncertainty.

    The bar's rows are taken out of the normal equations (``cov`` (n, n) is their inverse) and the print scale is
    solved for without them: a check of one observation against all others (JCGM 100, 5.2.2 for its uncertainty).
    """
    board, k = problem.rig.board, problem.layout.scale
    if board.bar_measured is None or not problem.layout.bodies:
        return []
    info, pull = np.linalg.inv(cov), np.zeros(len(cov))
    for row in problem.rows(s):
        if isinstance(row.block, PrintScale | BarAlong):
            ix = np.asarray(row.slots)
            info[np.ix_(ix, ix)] -= row.J.T @ row.J
            pull[ix] += row.J.T @ row.r
    scale = 1 / np.sqrt(np.diag(info))
    without: Array = np.asarray(np.linalg.inv(info * scale[:, None] * scale) * scale[:, None] * scale, float)
    drawn = s.scale + float(without[k] @ pull)
    off = board.bar_measured / board.bar_nominal / drawn - 1
    sd = float(np.sqrt(without[k, k] + problem.priors.scale_sd**2)) / drawn
    if abs(off) < SURE * sd:
        return []
    return [Finding(Code.SCALE_DISAGREES, "board", facts={
        "percent": 100 * off, "u95": 100 * K95 * sd, "drawn_mm": drawn * board.bar_nominal,
        "read_mm": board.bar_measured})]


def reference_findings(problem: RigProblem, s: State, cov: Array) -> list[Finding]:
    """References that disagree with each other, or as a whole with the drawn pivots.

    The second is a test of how far the alignment would go without them: at the minimum their pull is balanced by
    all else, so that step is C0 g with C0 the covariance without them, and its covariance is C0 less that with them.
    """
    mine = [b for b in problem.blocks(s) if b.kind == REFERENCE]
    if not mine:
        return []
    m, out = problem.motions(s), []
    for b in mine:
        worst = float(np.abs(b.residual(m)).max()) / K95
        if worst > SURE / K95:
            out.append(Finding(Code.REFERENCE_OFF, b.item, facts={"times": worst}))
    others = tuple(k for k in KINDS if k != REFERENCE)
    reduced = reduced_system(problem.linearise(s, others)).matrix
    scale = 1 / np.sqrt(np.diag(reduced))
    alone = np.linalg.inv(reduced * scale[:, None] * scale) * scale[:, None] * scale
    turn = list(range(problem.layout.align.start, problem.layout.align.start + 3))
    away = (alone @ problem.linearise(s, (REFERENCE,)).g_shared)[turn]
    spread = np.sqrt(np.maximum(np.diag(alone - cov)[turn], 1e-16))
    k = int(np.argmax(np.abs(away) / spread))
    if abs(away[k]) > SURE * spread[k]:
        about = ("about its length", "about its width", "about the vertical")[k]
        out.append(Finding(Code.REFERENCES_TURN, "frame", facts={"deg": float(np.degrees(-away[k])), "about": about}))
    return out


def _unseen_somewhere(problem: RigProblem, residuals: pd.DataFrame) -> list[Finding]:
    """Tags that no photo of some position shows: a wheel's where wheels are turned, other parts' at the levers'."""
    rig, layout = problem.rig, problem.layout
    seen = set(zip(residuals["tag"], residuals["position"], strict=True))
    out = []
    for tag in layout.tags:
        body = rig.bodies.get(rig.tags[tag].body)
        if body is None:
            continue
        due = [p for p in layout.positions if (p in rig.spin_positions) == (body.role == "wheel")]
        gone = tuple(p for p in due if (tag, p) not in seen)
        if gone:
            out.append(Finding(Code.TAG_UNSEEN, tag, gone))
    return out


def final_findings(problem: RigProblem, s: State, cov: Array, residuals: pd.DataFrame, sigma: float,
                   ) -> list[Finding]:
    """What the finished estimate shows to be odd: photos, tags, rods and joints that do not fit or are not known."""
    out: list[Finding] = []
    layout, rig = problem.layout, problem.rig
    total = residuals.groupby("photo")["weight"].agg(["size", "sum"])
    for name, row in total.iterrows():
        lost = 1 - row["sum"] / row["size"]
        if lost > 0.25:
            where = layout.photo_positions[layout.photos.index(str(name))]
            out.append(Finding(Code.PHOTO_POOR, str(name), (where,), {"lost": float(lost)}))
    out += loose_tags(problem, s, residuals)
    crept = creep_findings(problem, s)
    out = [*crept, *still_finding(problem, s), *(f for f in out if not _by_creep(f, crept))]
    out += scale_finding(problem, s, cov)
    if any(f.code is Code.PART_TAGS_SIZE for f in out):
        return [f for f in out if f.code is not Code.SCALE_DISAGREES]  # all else rests on the part tags
    slipped = {f.item for f in out if f.code is Code.TAG_SLIPPED}
    bent = {f.item for f in out if f.code is Code.PART_BENT}
    knocked = {rig.tags[t].centres_on for t in slipped}
    for i, name in enumerate(layout.photos):
        if abs(s.df[i]) > ZOOM:
            out.append(Finding(Code.DIGITAL_ZOOM, name, facts={"off": float(s.df[i])}, touches=(EVERYTHING,)))
    m = problem.motions(s)
    closures = [b for b in problem.blocks(s) if isinstance(b, Closure)]
    for rod in layout.rods:
        worst = max((b for b in closures if b.item == rod), key=lambda b: abs(b.residual(m)[0]), default=None)
        ends = {rig.rods[rod].a, rig.rods[rod].b}
        if ends & knocked or {rig.points[p].body for p in ends} & bent:
            continue  # the slipped tag on its end, or its bent part, explains it
        if worst is not None and abs(worst.residual(m)[0]) > 4:
            out.append(Finding(Code.ROD_MISFIT, rod, (worst.position,), {"mm": worst.error_mm(m)}))
    for body in layout.bodies:
        known = [k for k in layout.angle_keys if k[0] == body]
        if rig.bodies[body].role == "wheel":
            continue
        for key in known:
            slot = layout.angle(*key)
            if slot is not None and np.sqrt(cov[slot, slot]) > np.deg2rad(1.0):
                out.append(Finding(Code.ANGLE_UNKNOWN, body, (key[1],)))
    out += _unseen_somewhere(problem, residuals)
    out += reference_findings(problem, s, cov)
    if sigma > 2.0:
        out.append(Finding(Code.CORNERS_ROUGH, "all photos", facts={"factor": sigma}))
    board = np.abs(s.bow).max()
    if board > 1.0:
        out.append(Finding(Code.BOARD_BOWED, "board", facts={"mm": float(board)}))
    if rig.board.bar_measured is None:
        out.append(Finding(Code.SCALE_UNKNOWN, "board"))
    return out


def _by_creep(f: Finding, crept: Sequence[Finding]) -> bool:
    """Whether what does not fit does so only where the whole linkage moved while it was photographed."""
    where = {p for c in crept for p in c.positions}
    return f.code in (Code.TAG_SLIPPED, Code.TAG_UNFIT, Code.PART_BENT) and set(f.positions) <= where


def spread_findings(problem: RigProblem, s: State, inflation: float, repeats: Sequence[Repeatability]) -> list[Finding]:
    """What no single tag, photo or board is to blame for, and is allowed for: joints that repeat badly, hand, lens."""
    layout, out = problem.layout, list[Finding]()
    for r in repeats:
        if r.mm > TOLD_MM or r.deg > TOLD_DEG:
            loose = r.joint != "board" and _is_loose(Spread(r.mm, float(np.radians(r.deg))))
            out.append(Finding(Code.JOINT_LOOSE if loose else Code.REPEATS, r.joint, facts={"mm": r.mm, "deg": r.deg}))
    if layout.fields and problem.corners.fields is not None:
        deg, mm = (float(np.sqrt(np.mean(np.sum(h**2, axis=1)))) for h in (np.degrees(s.hand[:, :3]), s.hand[:, 3:]))
        if mm > TOLD_HAND_MM or deg > TOLD_HAND_DEG:
            out.append(Finding(Code.HAND_MOVED, "all photos", facts={"mm": mm, "deg": deg}))
        px = float(np.abs((problem.corners.fields.lens @ s.waves)[:, :2]).max(initial=0.0))
        if px > TOLD_PX:
            out.append(Finding(Code.LENS_TERMS, "camera", facts={"px": px}))
    if inflation > TOLD_FACTOR:
        out.append(Finding(Code.SPREAD_MISFIT, "all photos", facts={"factor": inflation}))
    return out


def step_findings(problem: RigProblem, s: State, accused: Collection[str]) -> list[Finding]:
    """Parts that shifted against their hinge once, between two positions, and stayed so; ``accused`` are left out.

    Scattered play and a step have the same spread: they are told apart by how much of the scatter a step at the best
    moment takes away (F of two means; that moment is chosen among all, and the scatter is shrunk, so that it is only a
    first look) and by how much of the tags' poses one move explains on a hinge taken for sound (``what_moved``). Both
    must say so. A step is no play, so it is not only allowed for.
    """
    layout, out = problem.layout, list[Finding]()
    for body in layout.off_bodies:
        where = [p for p in layout.positions if (body, p) in layout.off_keys]
        if body in accused or len(where) < 4:
            continue
        off = s.off[[layout.off_keys.index((body, p)) for p in where]]
        f, k = max((_step_f(off / STEP.six, k), k) for k in range(1, len(where)))
        step = off[k:].mean(axis=0) - off[:k].mean(axis=0)
        rad, mm = float(np.linalg.norm(step[:3])), float(np.linalg.norm(step[3:]))
        if f > STEP_F and (mm > STEP.mm or rad > STEP.rad):
            out += _stepped(problem, s, body, Finding(
                Code.PART_BENT, body, tuple(where[k:] if layout.reference in where[:k] else where[:k]),
                {"mm": mm, "deg": float(np.degrees(rad))}))
        elif _is_loose(problem.priors.loose.hinge(body)):
            out += _stepped(problem, s, body, None)
    return out


def _is_loose(spread: Spread) -> bool:
    return spread.mm > LOOSE_MM or float(np.degrees(spread.rad)) > LOOSE_DEG


def _stepped(problem: RigProblem, s: State, body: str, bent: Finding | None) -> list[Finding]:
    """The tag of a part that slipped and passed for play; else ``bent``, where that explains most on a sound hinge."""
    sound, still = _on_sound_hinges(problem, s)
    poses = _tag_poses(sound, still, {body})
    slipped = slipped_tag(problem, s, _tag_poses(sound, still, {body}, 2), body)
    if slipped is not None and all(len(c) == 1 for c in slipped.rivals):
        return _moved_findings(slipped, body, slipped.tags, problem.layout)
    moved = what_moved(sound, still, poses, body) if bent else None
    return [bent] if bent and moved is not None and moved.ratio < STEP_LEAVES else []


def _on_sound_hinges(problem: RigProblem, s: State) -> tuple[RigProblem, State]:
    """The same with every part on its hinge: what moved for good is sought there. Hand and lens are taken off."""
    c = problem.corners
    uv = c.uv if c.fields is None else c.uv - c.fields.shift(s.waves, s.hand[c.photo])
    layout, s = tightened(problem.layout, s)
    return replace(problem, layout=layout, corners=replace(c, uv=uv, fields=None)), s


def _step_f(x: Array, k: int) -> float:
    """F of two means, rows (n, 6) before and from the k-th on, over one."""
    within = float(np.sum((x[:k] - x[:k].mean(axis=0)) ** 2) + np.sum((x[k:] - x[k:].mean(axis=0)) ** 2))
    gained = float(np.sum((x - x.mean(axis=0)) ** 2)) - within
    return gained * (len(x) - 2) / max(within, 1e-9)
