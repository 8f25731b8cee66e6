"""A drawing from the photos alone: every hinge, ball and axle that they show, in a frame that rules of thumb give.

The cold start's rough poses (``calib.estimation.start``) need no drawing. From them come a hinge for every part that
turned, a ball under every bolt tag and the frame (``calib.estimation.frame``); that is the drawing of the estimate
proper, so wide that it pulls on nothing. What the photos do not show stays as the file has it; where the file has
nothing either, there is no survey.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.estimation import frame, start
from calib.estimation.bundle import Options, begin
from calib.estimation.frame import FrameRule, Line, Rows
from calib.estimation.loaded import apart
from calib.estimation.unknowns import Layout, State
from calib.findings import Code, Finding
from calib.rig.model import FRAME, Body, Point, Rig, Rod, Vec, Wheel
from calib.rig.survey import SurveyRig
from calib.uncertainty import K95
from capture.errors import UserError
from capture.observations import Observations

Array = NDArray[np.float64]
WIDE_MM, WIDE_RAD = 500.0, np.deg2rad(45.0)  # tolerances that say nothing
ROUGH_FROM = 10.0  # mm: a place given no better than this may well mirror another
TRACK_MM = 5.0  # 95 %: each tyre's middle, by a track read off a tape
TAG_OFF_MM = 40.0  # 95 %: how far a tyre's middle is from where its tag is stuck; common practice, no source
BY_TAG_MM = TAG_OFF_MM * float(np.sqrt(2))  # both tyres are off by the same rule, and means take sides as independent
LEAST_GIVEN = 3  # places that make a frame
LEAST_TURN = np.deg2rad(2.0)  # a part that turned less has no hinge of its own
SPUN = np.deg2rad(20.0)  # a wheel that turned less was not turned by hand
SURE_TURN = np.deg2rad(8.0)  # a tag that turned by less tells its own hinge too roughly
OTHER_MM, OTHER_RAD = 60.0, np.deg2rad(15.0)  # seen: 16 mm and 2.5 deg between tags of one part, 400 mm else
ENOUGH_POSES = 4  # of which one may be wrong
ACROSS_MM = 20.0  # a tag this far beyond the centre line is on the other side
KNOWN_MM = 5.0  # 95 %: a place known no better makes everything that hangs on it more than a little wrong
STEEP = 0.5  # of a kingpin's direction upwards
BOUNDS = K95 / np.sqrt(3)  # a rough place is as likely anywhere within what is said of it (JCGM 100, 4.3.7)


@dataclass(frozen=True)
class Drawn:
    """The rig as the photos draw it, and what they leave to the file: a sentence by part or point."""

    rig: Rig
    frame: FrameRule
    unseen: Mapping[str, str]
    findings: tuple[Finding, ...] = ()  # of what is unseen, where much hangs on it


class _Seen(NamedTuple):
    """What the rough poses say, board frame, straight ahead."""

    hinges: dict[str, Line]  # by body that turned enough
    balls: dict[str, Array]  # by point
    bolts: dict[str, Array]  # direction out of the bolt's tag, by point
    tags: dict[str, Array]  # middle of each tag
    normals: dict[str, Array]
    up: Array  # roughly


def drawing_from_photos(rough: SurveyRig, obs: Observations, options: Options | None = None) -> Drawn:
    """What to hand to the estimate as drawing and frame.

    Raises UserError naming everything that neither the photos nor the file give, and where nothing says which way is
    ahead.
    """
    still, _ = apart(rough.rig, obs)
    started = begin(rough.rig, still, options or Options())
    layout, cold = started.arranged.layout, started.cold
    named = {(layout.tags[k], p): m for (k, p), m in cold.poses.items()}
    hinges, ahead = start.body_hinges(rough.rig, named, layout.reference, layout.bodies, layout.positions)
    odd = _on_other_parts(rough.rig, named, hinges, ahead, layout.reference)
    if odd:
        raise UserError("\n".join(odd), "wrong_part", rough.rig.name)
    cameras = -np.einsum("pji,pj->pi", cold.state.photo_R, cold.state.photo_t)
    seen = _seen(rough.rig, hinges, ahead, cameras)
    rule = _frame(rough, seen)
    return _drawn(rough, seen, rule)


def _on_other_parts(rig: Rig, poses: Mapping[tuple[str, str], start.Motion], hinges: Mapping[str, start.Hinge],
                    ahead: Mapping[str, start.Motion], reference: str) -> list[str]:
    """A sentence for every tag that turns about another hinge than the rest of its part, with the part it turns with.

    No drawing says where a part is, so that a tag in another's place would make another vehicle.
    """
    out = []
    for tag in dict.fromkeys(t for t, _ in poses):
        body = rig.tags[tag].body
        mine = hinges.get(body)
        if body == FRAME or rig.bodies[body].role == "wheel" or rig.bodies[body].parent != FRAME or mine is None:
            continue  # a wheel is turned by hand as it comes; what rides on another part turns with that too
        seen = {p: [m] for (t, p), m in poses.items() if t == tag}
        own = start.common_hinge(seen, reference if reference in seen else next(iter(seen)))
        if own is None or not mine.certain or np.ptp([0.0, *own[0].angles.values()]) < SURE_TURN:
            continue
        at = ahead[tag][1]
        if _apart(own[0], mine, at) < 1.0 or _one_pose_wrong(seen, mine, at, reference):
            continue
        fits = [b for b, h in hinges.items() if b != body and h.certain and _apart(own[0], h, at) < 1.0]
        turns = f'turns with {" or ".join(fits)}' if fits else "turns about another hinge than its other tags"
        out.append(f'tag "{tag}" is on {body} in the file, but it {turns}: correct the file, or the tag. If it sits '
                   f"where it should, it is another tag of {body} that does not.")
    return out


def _one_pose_wrong(seen: Mapping[str, list[start.Motion]], mine: start.Hinge, at: Array, reference: str) -> bool:
    """Whether a tag turns with its part but for one position, whose photos gave the wrong one of a plane's poses."""
    for left_out in seen if len(seen) >= ENOUGH_POSES else ():
        rest = {p: m for p, m in seen.items() if p != left_out}
        own = start.common_hinge(rest, reference if reference in rest else next(iter(rest)))
        if own is not None and np.ptp([0.0, *own[0].angles.values()]) > SURE_TURN and _apart(own[0], mine, at) < 1.0:
            return True
    return False


def _apart(a: start.Hinge, b: start.Hinge, near: Array) -> float:
    """How far two hinges are apart near a place; beyond 1 they are not the same."""
    p, q = (h.point + h.axis * (h.axis @ (near - h.point)) for h in (a, b))
    turned = np.arccos(min(1.0, abs(float(a.axis @ b.axis))))
    return max(float(np.linalg.norm(p - q)) / OTHER_MM, float(turned) / OTHER_RAD)


def frame_of(rough: SurveyRig, layout: Layout, s: State) -> FrameRule:
    """The frame by everything that speaks of it, from what was solved for."""
    tags = {n: s.tag_t[i] for i, n in enumerate(layout.tags)}
    normals = {n: s.tag_R[i, :, 2] for i, n in enumerate(layout.tags)}
    balls = {n: s.points[i] for i, n in enumerate(layout.points)}
    lines = {n: Line(s.axis_p[i], s.axis_d[i]) for i, n in enumerate(layout.bodies)}
    bolts = {t.centres_on: normals[n] for n, t in rough.rig.tags.items() if t.centres_on and n in normals}
    balls = {n: x for n, x in balls.items() if n in bolts}
    turned = {b for (b, _), a in zip(layout.angle_keys, s.angles, strict=True) if abs(a) > _least_turn(rough.rig, b)}
    cameras = -np.einsum("pji,pj->pi", s.photo_R, s.photo_t)
    return _frame(rough, _with_lines(rough.rig, {n: x for n, x in lines.items() if n in turned}, balls, bolts, tags,
                                     normals, cameras))


def _least_turn(rig: Rig, body: str) -> float:
    """How far (rad) a part must have turned for its hinge to be seen; wheels creep, and an axle must be known well."""
    return SPUN if rig.bodies[body].role == "wheel" else LEAST_TURN


def _seen(rig: Rig, hinges: Mapping[str, start.Hinge], ahead: Mapping[str, start.Motion], cameras: Array) -> _Seen:
    tags = {n: t for n, (_, t) in ahead.items()}
    normals = {n: r[:, 2] for n, (r, _) in ahead.items()}
    balls, bolts = {}, {}
    for n in ahead:
        tag = rig.tags[n]
        if tag.centres_on is not None:
            balls[tag.centres_on] = tags[n] - tag.offset * normals[n]
            bolts[tag.centres_on] = normals[n]
    lines = {n: Line(h.point, h.axis) for n, h in hinges.items()
             if h.certain and np.ptp([0.0, *h.angles.values()]) > _least_turn(rig, n)}
    return _with_lines(rig, lines, balls, bolts, tags, normals, cameras)


def _with_lines(rig: Rig, hinges: Mapping[str, Line], balls: dict[str, Array], bolts: dict[str, Array],
                tags: dict[str, Array], normals: dict[str, Array], cameras: Array) -> _Seen:
    """All of it, each hinge's point brought to the middle of its part."""
    lines = {}
    for name, h in hinges.items():
        near = _middle(rig, name, balls, tags)
        lines[name] = Line(h.point + h.axis * (h.axis @ (near - h.point)), h.axis)
    for name, line in list(lines.items()):  # a kingpin is known by where it passes its wheel's axle
        axle = next((lines[b.name] for b in rig.bodies.values() if b.parent == name and b.role == "wheel"
                     and b.name in lines), None)
        if rig.bodies[name].role == "upright" and axle is not None:
            lines[name] = Line(_nearest(line, axle), line.axis)
    up = cameras.mean(axis=0) - np.mean(list(tags.values()), axis=0)
    return _Seen(lines, balls, bolts, tags, normals, up / np.linalg.norm(up))


def _middle(rig: Rig, body: str, balls: Mapping[str, Array], tags: Mapping[str, Array]) -> Array:
    """The middle of what is seen on a part; of its own tags where it has no balls."""
    own = [x for n, x in balls.items() if rig.points[n].body == body]
    own = own or [x for n, x in tags.items() if rig.tags[n].body == body]
    return np.asarray(np.mean(own, axis=0), float)


def _nearest(a: Line, b: Line) -> Array:
    """The point of line ``a`` nearest to line ``b``; its own point where they are parallel."""
    n = np.cross(a.axis, b.axis)
    if n @ n < 1e-3:
        return a.point
    return a.point + a.axis * float(np.cross(b.point - a.point, b.axis) @ n) / float(n @ n)


# --- the frame ------------------------------------------------------------------------------------------------


def _frame(rough: SurveyRig, seen: _Seen) -> FrameRule:
    """The frame that the file's places, references and rules give together."""
    given = list(_given(rough, seen))
    by_file = len(given) >= LEAST_GIVEN
    first = _rough_frame(rough.rig, seen)
    tries = [] if first is None else [first]
    if by_file:
        laid = _laid_on(rough, seen)
        tries += ([] if first is None else [np.diag([-1.0, 1.0, -1.0]) @ first]) + ([] if laid is None else [laid])
    best: tuple[float, FrameRule] | None = None
    for R in tries:
        rows, said = _rows(rough, seen, R, by_file)
        t = _rough_shift(rough, seen, R, by_file)
        rule = frame.settle(rows, R, t, said)
        if rule is not None:
            cost = sum(float(np.sum(np.log1p((f(rule.R, rule.t) / 3) ** 2))) for f in rows)
            if best is None or cost < best[0]:
                best = (cost, rule)
    if best is None and tries:
        raise UserError("too little was seen to lay out the frame: only the hinges of "
                        f"{', '.join(seen.hinges) or 'no part'} and the bolts of "
                        f"{', '.join(seen.balls) or 'no rod end'}; stick a tag on every rod-end bolt and "
                        "move the parts through their whole travel.",
                        "no_frame", rough.rig.name)
    if best is None:
        raise UserError("nothing says which way is ahead: a survey needs tags on parts of the left and of the right "
                        '(give the parts their "side"), or rough places of at least three of pivots, rod ends and '
                        "tags on the frame.", "no_frame", rough.rig.name)
    return best[1]


def _rough_frame(rig: Rig, seen: _Seen) -> Array | None:
    """Which way is left and up, from what is on which side and from where the photos were taken."""
    sides: dict[str, list[Array]] = {"left": [], "right": []}
    for n, x in seen.tags.items():
        body = rig.tags[n].body
        while body != FRAME and rig.bodies[body].side not in sides:
            body = rig.bodies[body].parent
        if body != FRAME:
            sides[rig.bodies[body].side].append(x)
    if not all(sides.values()):
        return None
    left, right = (np.mean(sides[s], axis=0) for s in ("left", "right"))
    return frame.rough(left, seen.up, right)


def _laid_on(rough: SurveyRig, seen: _Seen) -> Array | None:
    """The rotation that lays what is seen on the places that the file gives."""
    hinges = {b: start.Hinge(x.point, x.axis, {}, not rough.is_open("bodies", b, "axis"))
              for b, x in seen.hinges.items() if not rough.is_open("bodies", b, "pivot")}
    balls = {n: x for n, x in seen.balls.items() if not rough.is_open("points", n, "at")}
    places = {n: x for n, x in seen.tags.items() if rough.rig.tags[n].place is not None}
    try:
        return start.align(rough.rig, hinges, balls, places)[0]
    except ValueError:
        return None


def _given(rough: SurveyRig, seen: _Seen) -> Iterator[tuple[Array, Vec]]:
    """Places that the file gives of what is seen: as seen, and as given."""
    for b, line in seen.hinges.items():
        if not rough.is_open("bodies", b, "pivot"):
            yield line.point, rough.rig.bodies[b].pivot
    for n, x in seen.balls.items():
        if not rough.is_open("points", n, "at"):
            yield x, rough.rig.points[n].xyz
    for n, x in seen.tags.items():
        place = rough.rig.tags[n].place
        if place is not None:
            yield x, place


def _rough_shift(rough: SurveyRig, seen: _Seen, R: Array, by_file: bool) -> Array:
    if by_file:
        return np.asarray(np.mean([np.asarray(p) - R @ x for x, p in _given(rough, seen)], axis=0), float)
    hubs = [x for _, x in _hubs(rough.rig, seen)] or list(seen.tags.values())
    return np.array([0.0, 0.0, 240.0]) - R @ np.mean(hubs, axis=0)


def _hubs(rig: Rig, seen: _Seen) -> list[tuple[Wheel, Array]]:
    """Front wheels whose axle is seen, and a point of it by the wheel's tag."""
    return [(w, seen.hinges[w.spin_body].point) for w in rig.wheels.values()
            if w.spin_body is not None and w.spin_body in seen.hinges]


def _rows(rough: SurveyRig, seen: _Seen, R: Array, by_file: bool) -> tuple[list[Rows], list[str]]:
    """Everything that speaks of the frame, and what it rests on in words. ``R``: roughly."""
    rig = rough.rig
    mirrored = list(_mirrored(rough, seen))
    rows, said = list(mirrored), list[str]()
    if mirrored:
        said.append(f"straight ahead and the centre line: left and right parts mirror each other within "
                    f"{frame.ALIKE_MM:g} mm and {frame.ALIKE_DEG:g} deg")
    line = [x for n, x in seen.tags.items() if rig.tags[n].on_centre_line]
    rows += [frame.in_plane(x, 1, 0.0, rig.tags[n].centre_line_tol) for n, x in seen.tags.items()
             if rig.tags[n].on_centre_line]
    if line:
        said.append(f"centre line: {len(line)} tag(s) on it")
    if by_file:
        rows += _given_rows(rough, seen, R)
        said.append("the origin, and the frame as far as their tolerances go: the places in the file")
    else:
        hubs = _hubs(rig, seen)
        points = [x for _, x in hubs] or [x.point for b, x in seen.hinges.items() if rig.bodies[b].role == "upright"]
        if points:
            rows.append(frame.middle_at_zero(points))
            said.append("the origin: under the middle of the front " + ("hubs" if hubs else "kingpins"))
        rows += [frame.in_plane(x, 2, w.radius, frame.HUB_MM) for w, x in hubs]
        if not hubs and rig.wheels:
            radius = float(np.mean([w.radius for w in rig.wheels.values()]))
            rows += [frame.in_plane(x, 2, radius, frame.PIN_MM) for x in points]
            said.append(f"height: the kingpins, about a wheel's radius above the ground within {frame.PIN_MM:g} mm")
        if hubs:
            said.append(f"height: the front hubs, a wheel's radius above the ground within {frame.HUB_MM:g} mm")
    levels, words = _level(rough, seen, R, by_file)
    return rows + levels, said + words


def _level(rough: SurveyRig, seen: _Seen, R: Array, by_file: bool) -> tuple[list[Rows], list[str]]:
    """What says which way is up, front to rear."""
    rig = rough.rig
    rows: list[Rows] = []
    said = []
    floor = [n for n in seen.tags if rig.tags[n].on_floor]
    for n in floor:
        rows += [frame.along(seen.normals[n], (0.0, 0.0, 1.0), rig.tags[n].flat_tol)]
        rows += [] if by_file else [frame.in_plane(seen.tags[n], 2, 0.0, rig.tags[n].floor_tol)]
    if floor:
        said.append(f"level: {len(floor)} tag(s) on the floor")
    rear = rig.rear
    if rear.spin_body in seen.hinges and not by_file:
        line, sign = seen.hinges[rear.spin_body], np.sign((R @ seen.hinges[rear.spin_body].axis)[1])
        rows.append(frame.along(sign * line.axis, (0.0, 1.0, 0.0), rear.level_tol))
        radius = rear.radius or next(iter(rig.wheels.values())).radius
        rows.append(frame.in_plane(line.point, 2, radius, frame.HUB_MM))
        said.append("level: the rear hub, its wheel's radius above the ground")
    if rough.level is not None:
        up = np.array([0.0, 0.0, np.sign(R[2, 2])])
        rows.append(frame.level_board(up, rough.level))
        said.append(f"level: the board, laid level within {np.degrees(rough.level):g} deg")
    if not rows:
        pins = [x.axis * np.sign((R @ x.axis)[2]) for b, x in seen.hinges.items() if rig.bodies[b].role == "upright"]
        up = np.sum(pins, axis=0) if pins else seen.up
        normal = np.array([0.0, 0.0, 1.0]) * (1.0 if up[2] > 0 else -1.0)
        if normal @ up > np.cos(frame.BOARD_TIPPED) * np.linalg.norm(up) or not pins:
            rows.append(frame.level_board(normal, np.deg2rad(frame.BOARD_DEG)))
            said.append(f"level: the board, taken to lie level within {frame.BOARD_DEG:g} deg")
        else:
            rows.append(frame.leaning_back(pins))
            said.append(f"level: the kingpins, taken to lean back by {frame.CASTER_DEG:g} deg within "
                        f"{frame.CASTER_U95:g} deg, since the board does not lie level")
    return rows, said


def _given_rows(rough: SurveyRig, seen: _Seen, R: Array) -> list[Rows]:
    rig, rows = rough.rig, list[Rows]()
    for b, line in seen.hinges.items():
        body = rig.bodies[b]
        wide = BOUNDS * (5.0 if body.role == "wheel" else 1.0)  # hubs are drawn loosely
        if not rough.is_open("bodies", b, "pivot"):
            rows.append(frame.through_place(line, body.pivot, wide * body.pivot_tol))
        if not rough.is_open("bodies", b, "axis") and body.role != "wheel":
            sign = np.sign(R @ line.axis @ np.asarray(body.axis)) or 1.0
            rows.append(frame.along(sign * line.axis, body.axis, BOUNDS * body.axis_tol))
    rows += [frame.at_place(x, rig.points[n].xyz, BOUNDS * rig.points[n].tol) for n, x in seen.balls.items()
             if not rough.is_open("points", n, "at")]
    for n, x in seen.tags.items():
        place = rig.tags[n].place
        if place is not None:
            rows.append(frame.at_place(x, place, BOUNDS * rig.tags[n].place_tol))
    return rows


def _mirrored(rough: SurveyRig, seen: _Seen) -> Iterator[Rows]:
    """A row for each pair of parts and of rod ends that should mirror each other; not where the file says otherwise."""
    rig = rough.rig
    for b, line in seen.hinges.items():
        body = rig.bodies[b]
        others = [o for o in rig.bodies.values() if (o.role, o.side) == (body.role, "right") and o.name in seen.hinges]
        mine = [o for o in rig.bodies.values() if (o.role, o.side) == (body.role, "left") and o.name in seen.hinges]
        if body.side == "left" and len(others) == len(mine) == 1:
            other = others[0]
            tight = not (rough.is_open("bodies", b, "pivot") or rough.is_open("bodies", other.name, "pivot"))
            if not (tight and _told_apart(body.pivot, other.pivot, body.pivot_tol + other.pivot_tol, body.role)):
                yield frame.alike_lines(line, seen.hinges[other.name])
    for n, x in seen.balls.items():
        twin = n.replace("left", "right")
        if twin != n and twin in seen.balls:
            p, q = rig.points[n], rig.points[twin]
            tight = not (rough.is_open("points", n, "at") or rough.is_open("points", twin, "at"))
            if not (tight and _told_apart(p.xyz, q.xyz, p.tol + q.tol, "")):
                yield frame.alike_points(x, seen.balls[twin])


def _told_apart(left: Vec, right: Vec, tol: float, role: str) -> bool:
    """Whether given places do not mirror each other as far as they are known; along a lever's hinge any place will do.
    """
    gap = np.abs(frame.MIRROR @ np.asarray(left) - np.asarray(right))
    if role in ("lever", "wheel"):
        gap[1] = 0.0
    return float(gap.max()) > max(tol, 2 * ROUGH_FROM)


# --- the drawing ----------------------------------------------------------------------------------------------


def _vec(x: Array) -> Vec:
    return (float(x[0]), float(x[1]), float(x[2]))


def _drawn(rough: SurveyRig, seen: _Seen, rule: FrameRule) -> Drawn:
    rig = rough.rig
    unseen: dict[str, str] = {}
    missing: list[str] = []
    place = _Placed(rough, seen, rule, unseen, missing)
    missing += _across(rig, seen, rule)
    bodies = {n: place.body(b) for n, b in rig.bodies.items()}
    wheels = {s: place.wheel(w) for s, w in rig.wheels.items()}
    for w in wheels.values():
        if w.spin_body is not None and w.spin_body not in seen.hinges:
            b = bodies[w.spin_body]
            bodies[w.spin_body] = replace(b, pivot=w.centre, axis=w.spin)
    points = {n: place.point(p) for n, p in rig.points.items()}
    if missing:
        raise UserError("\n".join(missing), "not_surveyed", rig.name, missing)
    rods = {n: place.rod(r, points) for n, r in rig.rods.items()}
    found = [Finding(Code.NOT_SEEN, n, facts={"why": unseen[n]}, touches=(part,)) for n, part, tol in
             [*((b.name, b.name, b.pivot_tol) for b in rig.bodies.values()),
              *((p.name, p.body, p.tol) for p in rig.points.values())] if n in unseen and tol > KNOWN_MM]
    return Drawn(replace(rig, bodies=bodies, points=points, rods=rods, wheels=wheels), rule, unseen, tuple(found))


def _across(rig: Rig, seen: _Seen, rule: FrameRule) -> list[str]:
    """A sentence for every tag of a left part on the right, and the other way round."""
    out = []
    for n, x in seen.tags.items():
        body = rig.tags[n].body
        side = "" if body == FRAME else rig.bodies[body].side
        y = float(rule.R[1] @ x + rule.t[1]) * {"left": 1.0, "right": -1.0}.get(side, 0.0)
        if y < -ACROSS_MM:
            out.append(f'tag "{n}" is on {body} in the file, on the {side}, but lies {-y:.0f} mm beyond the centre '
                       "line: is it in another's place?")
    return out


@dataclass(frozen=True)
class _Placed:
    """Puts parts where the photos show them; says in ``unseen`` what stays as in the file, in ``missing`` what has no
    place at all."""

    rough: SurveyRig
    seen: _Seen
    rule: FrameRule
    unseen: dict[str, str]
    missing: list[str]

    def at(self, x: Array) -> Array:
        """A place in the frame."""
        return np.asarray(self.rule.R @ x + self.rule.t, float)

    def body(self, b: Body) -> Body:
        line = self.seen.hinges.get(b.name)
        given = {k: not self.rough.is_open("bodies", b.name, k) for k in ("pivot", "axis")}
        if line is None:
            if b.role == "wheel":
                return b  # goes with its wheel
            if not all(given.values()):
                self.missing.append(
                    f"{b.name} was hardly seen to turn (by 2 deg at least), so the photos do not show its hinge: give "
                    "its pivot and axis in the file, or photograph positions in which it turns further.")
            self.unseen[b.name] = f"not seen to turn: its hinge stays as in the file +/- {b.pivot_tol:g} mm"
            return b
        axis = self.rule.R @ line.axis
        axis = axis * self._sign(b, axis, given["axis"])
        p = self.at(line.point)
        if given["pivot"]:
            p = p + axis * (axis @ (np.asarray(b.pivot) - p))
        if b.role == "upright" and axis[2] < STEEP:
            self.missing.append(f"the hinge of {b.name} comes out {np.degrees(np.arccos(axis[2])):.0f} deg from "
                                "upright, which no kingpin is: check which tags are on it.")
        return replace(b, pivot=_vec(p), axis=_vec(axis), pivot_tol=WIDE_MM, axis_tol=WIDE_RAD)

    def _sign(self, b: Body, axis: Array, given: bool) -> float:
        """As in the file; else what lies across (levers, wheels) points left, what stands up, what lies along ahead."""
        if given:
            return 1.0 if axis @ np.asarray(b.axis) > 0 else -1.0
        k = {"lever": 1, "wheel": 1, "crank": 2, "upright": 2, "lean": 0}.get(b.role, int(np.argmax(np.abs(axis))))
        if abs(axis[k]) < STEEP:
            k = int(np.argmax(np.abs(axis)))
        return 1.0 if axis[k] > 0 else -1.0

    def wheel(self, w: Wheel) -> Wheel:
        given = {k: not self.rough.is_open("wheels", w.side, k) for k in ("centre", "spin_axis")}
        line = None if w.spin_body is None else self.seen.hinges.get(w.spin_body)
        if line is None:
            if not given["centre"]:
                self.missing.append(
                    f'the {w.side} wheel was not seen to turn on its axle: give "centre" under [wheels.{w.side}] in '
                    "the file, or stick a tag on it, give it a body, and shoot the spin positions.")
            self.unseen[f"{w.side} wheel"] = (
                "axle not seen: " + ("its direction stays as in the file" if given["spin_axis"] else
                                      "taken to lie square across the vehicle")
                + f" +/- {np.degrees(w.spin_tol):g} deg, so toe and camber are no better known")
            return w
        d = self.rule.R @ line.axis
        d = d * (1.0 if d[1] > 0 else -1.0)
        p = self.at(line.point)
        if given["centre"]:
            centre, tol = p + d * (d @ (np.asarray(w.centre) - p)), w.centre_tol
        elif self.rough.track is not None:
            y = (0.5 if w.side == "left" else -0.5) * self.rough.track
            centre, tol = p + d * (y - p[1]) / d[1], TRACK_MM
        else:
            centre, tol = p, BY_TAG_MM
            self.unseen[f"{w.side} wheel"] = (f"where the tyre sits along its axle is not seen: taken where its tag is "
                                              f"+/- {BY_TAG_MM:.0f} mm; vehicle.track in the file would tell")
        return replace(w, centre=_vec(centre), spin=_vec(d), centre_tol=tol)

    def point(self, p: Point) -> Point:
        ball, given = self.seen.balls.get(p.name), not self.rough.is_open("points", p.name, "at")
        if ball is None:
            if not given:
                self.missing.append(f"no tag was seen on the bolt of {p.name}: give its place in the file, to 50 mm, "
                                    "or stick a tag on its bolt.")
            self.unseen[p.name] = f"no tag seen on its bolt: stays as in the file +/- {p.tol:g} mm"
            return p
        bolt = p.bolt if p.bolt is not None else _vec(self.rule.R @ self.seen.bolts[p.name])
        return replace(p, holes={p.use: _vec(self.at(ball))}, order=(p.use,), bolt=bolt, tol=WIDE_MM)

    def rod(self, r: Rod, points: Mapping[str, Point]) -> Rod:
        if not self.rough.is_open("rods", r.name, "length"):
            return r
        length = float(np.linalg.norm(np.subtract(points[r.a].xyz, points[r.b].xyz)))
        return replace(r, length=length, tol=WIDE_MM)
