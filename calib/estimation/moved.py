"""What moved between two lever positions: the board, a part against its hinge, or a tag on its part.

Works on tag poses alone, each from all photos of a position. Whatever moved did so once, between two positions in
the order of the rig file, so that every such moment is tried for every thing that could have moved, and the one that
leaves least unexplained is taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.expected import Spread
from calib.estimation.blocks.loose import OffBoard, OffHinge, loose_blocks
from calib.estimation.equations import RigProblem
from calib.estimation.start import Motion, compose
from calib.estimation.unknowns import Layout, Motions, State, retract
from calib.findings import Fact
from calib.linkage.rotations import rotation, rotation_vector, skew
from calib.results import Code, Finding

Array = NDArray[np.float64]
BUMP_MM, BUMP_RAD = 0.5, 0.003  # least shift or turn of the board that counts as a bump
SUSPECT = 0.4  # mean robust cost of a tag pose above which something moved
STILL = np.array([0.0015] * 3 + [0.3] * 3)  # rad, mm: how still a board usually is
POSE_MM, POSE_RAD = 0.15, 0.003  # rough standard uncertainty of a tag's pose at one position
WIDE_TO_NARROW = (32.0, 16.0, 8.0, 4.0, 2.0)  # scales of the loss before its own, for starts spoilt by the move
Key = tuple[int, str]  # index of a tag, position


@dataclass(frozen=True)
class Moved:
    """What explains a part's tag poses best. ``tags`` moved together; at ``odd`` positions they stand elsewhere."""

    tags: tuple[str, ...]
    odd: tuple[str, ...]
    mm: float
    deg: float
    ratio: float  # what it leaves unexplained over what is unexplained without it
    rivals: tuple[tuple[str, ...], ...]  # other sets of tags that would explain nearly as much


def board_bumps(problem: RigProblem, s: State, poses: Mapping[Key, Motion]) -> dict[str, Motion]:
    """Shift of the board against the rig at each position, counted from straight ahead, (R, t) in mm.

    Fits every hinge, tag place and joint angle by Gauss-Newton with Cauchy weights per tag, so that one slipped
    tag does not pass for a bump. Where that leaves much unexplained, a board that moved once is tried between every
    two positions; where none of these explains it, a free board motion at every position. Only positions with a
    bump beyond BUMP_MM or BUMP_RAD are returned.
    """
    layout = problem.layout
    role = {b.name: b.role for b in problem.rig.bodies.values()}
    keys = [k for k in poses if role.get(problem.rig.tags[layout.tags[k[0]]].body) != "wheel"]  # wheels roll
    still, _ = _pose_fit(problem, s, poses, keys, {})
    if still < SUSPECT * len(keys):
        return {}
    best: tuple[float, dict[str, Motion]] = (np.inf, {})
    for odd in _sides(layout):
        cost, board = _pose_fit(problem, s, poses, keys, {k: 1 for k in keys if k[1] in odd})
        if cost < best[0]:
            best = (cost, dict.fromkeys(odd, board[1]))
    if best[0] > 0.5 * still:
        others = [p for p in layout.positions if p != layout.reference]
        group = {k: others.index(k[1]) + 1 for k in keys if k[1] in others}
        cost, board = _pose_fit(problem, s, poses, keys, group, hold=True)
        best = (cost, {p: board[i + 1] for i, p in enumerate(others)})
    if best[0] > 0.5 * still:
        return {}
    return {p: m for p, m in best[1].items()
            if np.linalg.norm(m[1]) > BUMP_MM or np.linalg.norm(rotation_vector(m[0])) > BUMP_RAD}


def bump_finding(layout: Layout, bumps: Mapping[str, Motion]) -> tuple[list[Finding], tuple[str, ...]]:
    """The finding of a bumped board, and the positions to set aside (none where too few would be left)."""
    if not bumps:
        return [], ()
    rest = [p for p in layout.positions if p not in bumps and p not in layout.rig.spin_positions]
    worst = max(bumps, key=lambda p: float(np.linalg.norm(bumps[p][1])))
    mm = float(np.linalg.norm(bumps[worst][1]))
    deg = float(np.rad2deg(np.linalg.norm(rotation_vector(bumps[worst][0]))))
    aside = tuple(bumps) if len(rest) >= 3 else ()
    facts: dict[str, Fact] = {"mm": mm, "deg": deg, "reference": layout.reference, "set_aside": bool(aside)}
    return [Finding(Code.FRAME_BUMPED, "board", tuple(bumps), facts)], aside


def what_moved(problem: RigProblem, s: State, poses: Mapping[Key, Motion], body: str) -> Moved | None:
    """The tags of a part that moved once against its hinge: one of them on the part, or all with the part bent.

    None where nothing of the kind explains the poses, or there is nothing to explain.
    """
    layout = problem.layout
    tags = [i for i, t in enumerate(layout.tags) if problem.rig.tags[t].body == body]
    keys = [k for k in poses if k[0] in tags]
    still, _ = _pose_fit(problem, s, poses, keys, {})
    if len(keys) < 4 or still < SUSPECT:
        return None
    sets = [(t,) for t in tags] + ([tuple(tags)] if len(tags) > 1 else [])
    tried = _single_moves(problem, s, poses, keys, sets)
    if not tried:
        return None
    best = min(tried, key=lambda c: tried[c][0])
    cost, odd, motion = tried[best]
    gain = still - cost
    if gain < max(1.0, 0.1 * still):
        return None

    def names(c: Sequence[int]) -> tuple[str, ...]:
        return tuple(layout.tags[i] for i in c)

    rivals = tuple(names(c) for c, v in tried.items() if c != best and still - v[0] > 0.8 * gain)
    where = s.tag_t[list(best)].mean(axis=0)
    shift = float(np.linalg.norm(motion[0] @ where + motion[1] - where))
    return Moved(names(best), odd, shift, float(np.rad2deg(np.linalg.norm(rotation_vector(motion[0])))), cost / still,
                 rivals)


def slipped_tag(problem: RigProblem, s: State, poses: Mapping[Key, Motion], body: str) -> Moved | None:
    """The one tag of a part that moved once against the others, the part free to stand off its hinge as found.

    Play carries all tags of a part alike, so that it can neither hide nor mimic a tag that moved among them; and the
    part is taken to play no more than the worst other joint, since a tag that moved may pass for play. What else
    explains nearly as much is named as a rival. None where the part has one tag only, the joints are taken for tight,
    no one tag explains much, or all together explain more (a part that bent).
    """
    layout, problem = problem.layout, _no_worse_than_others(problem, body)
    tags = [i for i, t in enumerate(layout.tags) if problem.rig.tags[t].body == body]
    keys = [k for k in poses if k[0] in tags]
    if len(tags) < 2 or not layout.loose:
        return None
    still, _ = _pose_fit(problem, s, poses, keys, {})
    if len(keys) < 4 or still < SUSPECT:
        return None
    best = _single_moves(problem, s, poses, keys, [*((tag,) for tag in tags), tuple(tags)])
    if not best:
        return None
    chosen = min(best, key=lambda c: best[c][0])
    cost, odd, motion = best[chosen]
    gain = still - cost
    if len(chosen) > 1 or gain < 1.0:
        return None
    tag = chosen[0]
    near = [c for c, v in best.items() if c != chosen and still - v[0] > 0.8 * gain]
    rivals = tuple(tuple(layout.tags[i] for i in c) for c in near)
    where = s.tag_t[tag]
    return Moved((layout.tags[tag],), odd, float(np.linalg.norm(motion[0] @ where + motion[1] - where)),
                 float(np.rad2deg(np.linalg.norm(rotation_vector(motion[0])))), cost / still, rivals)


def _single_moves(problem: RigProblem, s: State, poses: Mapping[Key, Motion], keys: Sequence[Key],
                  sets: Sequence[tuple[int, ...]]) -> dict[tuple[int, ...], tuple[float, tuple[str, ...], Motion]]:
    """For each set of a part's tags the moment of moving together that leaves least: its cost, positions and motion."""
    tried: dict[tuple[int, ...], tuple[float, tuple[str, ...], Motion]] = {}
    for chosen in sets:
        for odd in _sides(problem.layout):
            group = {k: 1 for k in keys if k[0] in chosen and k[1] in odd}
            if not group or len({k for k in keys if k[0] in chosen}) == len(group):
                continue
            cost, m = _pose_fit(problem, s, poses, keys, group, inside=True)
            if chosen not in tried or cost < tried[chosen][0]:
                tried[chosen] = (cost, odd, m[1])
    return tried


def _no_worse_than_others(problem: RigProblem, body: str) -> RigProblem:
    """The problem with a part's play at most that of the worst other joint."""
    loose = problem.priors.loose
    mine, others = loose.hinge(body), [loose.hinge(b) for b in problem.layout.off_bodies if b != body]
    if not others:
        return problem
    capped = Spread(min(mine.mm, max(x.mm for x in others)), min(mine.rad, max(x.rad for x in others)))
    return replace(problem, priors=replace(problem.priors, loose=replace(loose, hinges={**loose.hinges, body: capped})))


def _sides(layout: Layout) -> list[tuple[str, ...]]:
    """Positions on the side without straight ahead, for each moment between two positions in order."""
    order, spins = layout.positions, set(layout.rig.spin_positions)
    out = []
    for k in range(1, len(order)):
        if set(order[:k]) <= spins or set(order[k:]) <= spins:
            continue  # the wheel photos alone have nothing to compare with
        out.append(tuple(order[k:] if layout.reference in order[:k] else order[:k]))
    return out


def _pose_fit(problem: RigProblem, s: State, poses: Mapping[Key, Motion], keys: Sequence[Key],
              group: Mapping[Key, int], hold: bool = False, inside: bool = False) -> tuple[float, dict[int, Motion]]:
    """Robust cost of the tag poses ``keys`` with one motion for each group of them (0 or not named: none).

    The motions are the board's, in its own frame, or with ``inside`` a part's tags' against its hinge, straight
    ahead. ``hold``: they are drawn to zero, which keeps out the drift that all hinges leaning together would allow.
    Parts of a loose layout stand off their hinges, and all off the board, as its spreads allow.
    Returns the cost, a few units at most for each tag pose, and the motions by group.
    """
    layout = problem.layout
    groups = sorted({g for g in group.values() if g})
    moves = {g: (np.eye(3), np.zeros(3)) for g in (0, *groups)}
    n = layout.size
    cost, last = np.inf, np.inf
    for loose in (*(WIDE_TO_NARROW if groups and not hold else ()), *[1.0] * 8):
        h, b = np.zeros((n + 6 * len(groups),) * 2), np.zeros(n + 6 * len(groups))
        motions = problem.motions(s)
        cost = _loosely(problem, motions, keys, h, b, loose)
        for tag, pos in keys:
            mine = group.get((tag, pos), 0)
            hinge = motions.seen(problem.rig.tags[layout.tags[tag]].body, pos)
            placed = (s.tag_R[tag], s.tag_t[tag])
            now = compose(hinge, compose(moves[mine], placed)) if inside else compose(moves[mine],
                                                                                      compose(hinge, placed))
            seen = poses[tag, pos]
            r = np.concatenate([rotation_vector(seen[0] @ now[0].T) / POSE_RAD, (seen[1] - now[1]) / POSE_MM])
            g, slots = motions.tag_twist(tag, pos)
            cols = list(slots)
            if mine:
                k = n + 6 * groups.index(mine)
                cols += range(k, k + 6)
                if inside:  # the tag's own steps are taken as if it had not moved: near enough for small moves
                    g = np.concatenate([g, _carried(hinge)], axis=1)
                else:
                    g = np.concatenate([_carried(moves[mine]) @ g, np.eye(6)], axis=1)
            # twist to turn and shift of the tag's middle
            j = np.concatenate([g[:3] / POSE_RAD, (g[3:] - skew(now[1]) @ g[:3]) / POSE_MM])
            e2 = float(r @ r) / 24
            w = 1 / (1 + e2 / loose**2)
            cost += float(np.log1p(e2))
            ix = np.asarray(cols)
            h[ix[:, None], ix[None, :]] += w * j.T @ j
            b[ix] += w * j.T @ r
        for i, p in enumerate(groups if hold else ()):
            own = np.arange(n + 6 * i, n + 6 * i + 6)
            h[own, own] += 1 / STILL**2
            b[own] -= np.concatenate([rotation_vector(moves[p][0]), moves[p][1]]) / STILL**2
        if loose == 1.0 and cost > 0.98 * last and not hold:
            break
        last = cost if loose == 1.0 else np.inf
        free = np.flatnonzero(np.diag(h) > 0)
        h = h[np.ix_(free, free)]
        h[np.diag_indices_from(h)] += 1e-6 * np.diag(h) + 1e-9
        d: Array = np.zeros(len(b))
        d[free] = np.linalg.solve(h, b[free])
        s = retract(layout, s, d[:n], np.zeros((len(layout.photos), layout.private)))
        for i, p in enumerate(groups):
            x = d[n + 6 * i:n + 6 * i + 6]
            moves[p] = compose((rotation(x[:3]), x[3:]), moves[p])
        if np.abs(d[layout.first_angle:n]).max(initial=0.0) < 1e-4 and loose == 1.0:
            break
    return cost, moves


def _loosely(problem: RigProblem, m: Motions, keys: Sequence[Key], h: Array, b: Array, loose: float) -> float:
    """Adds what holds parts near their hinges and the board to normal equations h, b; the robust cost of it."""
    layout, cost = problem.layout, 0.0
    if not layout.loose:
        return cost
    bodies = {problem.rig.tags[layout.tags[t]].body for t, _ in keys}
    chain = {x for body in bodies if body in layout.bodies for x in layout.chain(body)}
    for block in loose_blocks(layout, problem.priors):
        body, _, position = block.item.rpartition("|")
        if not isinstance(block, OffHinge | OffBoard) or body and body not in chain:
            continue
        if position not in {p for _, p in keys}:
            continue
        r, j, ix = block.residual(m), block.jacobian(m), np.asarray(block.slots)
        e2 = float(r @ r) / 24
        w = 1 / (1 + e2 / loose**2)
        cost += float(np.log1p(e2))
        h[ix[:, None], ix[None, :]] += w * j.T @ j
        b[ix] -= w * j.T @ r
    return cost


def _carried(m: Motion) -> Array:
    """Matrix (6, 6) that takes a twist (w, v) from before a motion to after it (the adjoint)."""
    out = np.zeros((6, 6))
    out[:3, :3] = out[3:, 3:] = m[0]
    out[3:, :3] = skew(m[1]) @ m[0]
    return out
