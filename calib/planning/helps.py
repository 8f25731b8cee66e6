"""What would help where no number of photos is enough, and what tags that the rig file lacks cost: each predicted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from calib.advice.proposal import SHOOT_STOPS
from calib.estimation.foreseen import Conditions
from calib.linkage.tagging import untagged
from calib.planning.predict import ShootPlan, plan_on
from calib.planning.stage import staged
from calib.rig.figures import FIGURES
from calib.rig.model import FRAME, Body, Rig, Tag
from capture.targets import PART_IDS, PART_TAG_MM

ENOUGH = 1 / 3  # of a tolerance: an uncertainty above it leaves most verdicts open; common practice, no source
HELPS = 0.8  # of what it was, at most, for a remedy to be worth naming
MUCH = 0.5  # of what it was: a figure helped so far needs nothing else named
MATTERS = 0.75  # with a tag a length or figure is at most so much of what it is without, for the tag to be missed
BOLT_TAG_MM = 44.0
MEGAPIXELS = 12.0


@dataclass(frozen=True)
class Remedy:
    """Something to do beside more photos, and the figures it would bring: (name, 95 % half-width then)."""

    do: str
    brings: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class MissingTag:
    """A bolt or part without a tag, and what that costs: (figure or rod length, unit, 95 % without, with it)."""

    what: str
    costs: tuple[tuple[str, str, float, float], ...]


def wide(plan: ShootPlan, rig: Rig) -> list[str]:
    """Targets whose predicted uncertainty is too large a share of their tolerance to judge them well."""
    known = {f.name: f.u95 for f in plan.figures}
    return [n for n, t in rig.targets.items()
            if n in known and not known[n] <= t.tolerance * FIGURES[n].scale * ENOUGH]


def remedies(rig: Rig, plan: ShootPlan, conditions: Conditions) -> list[Remedy]:
    """What brings figures that ``plan`` leaves too wide; each tried, cheapest first, until none is left."""
    left, out = wide(plan, rig), list[Remedy]()
    was = {f.name: f.u95 for f in plan.figures}
    for words, changed in _ways(rig, left):
        if not left:
            break
        then = _again(changed, plan, conditions)
        now = {f.name: f.u95 for f in then.figures}
        helped = [n for n in left if n in now and now[n] < HELPS * was[n]]
        if helped:
            out.append(Remedy(words, tuple((n, now[n]) for n in helped)))
            left = [n for n in left if n not in helped or (n in wide(then, changed) and now[n] > MUCH * was[n])]
    return out


def missing_tags(rig: Rig, plan: ShootPlan, conditions: Conditions) -> list[MissingTag]:
    """Bolts of rods and parts that have no tag in the rig file, with what is known with one beside what is without."""
    lacks = list(lacking(rig))
    if not lacks:
        return []
    whole = rig
    for _, change in lacks:
        whole = change(whole)
    now = {f.name: (f.u95, f.unit) for f in plan.figures}
    then = {f.name: (f.u95, f.unit) for f in _again(whole, plan, conditions).figures}
    out = []
    for what, change in lacks:
        names = _touched(rig, change(rig))
        costs = [(n, then[n][1], now[n][0] if n in now else float("inf"), then[n][0]) for n in names if n in then
                 and (n not in now or then[n][0] < MATTERS * now[n][0])]
        out.append(MissingTag(what, tuple(costs)))
    return out


def _again(rig: Rig, plan: ShootPlan, conditions: Conditions) -> ShootPlan:
    """The plan with the same photos, for another rig file."""
    return plan_on(staged(rig, MEGAPIXELS), list(plan.asked), plan.photos_per_position, conditions)


# --- what could be done ----------------------------------------------------------------------------------------


def _ways(rig: Rig, figures: Sequence[str]) -> Iterator[tuple[str, Rig]]:
    if not rig.stops and any(FIGURES[n].one_stop for n in figures):
        names = ("back_stop", "push_stop")
        yield SHOOT_STOPS, replace(rig, stops=names, positions=(names[0], *rig.positions, names[1]))
    if not any(t.on_centre_line for t in rig.tags.values()):
        yield ("stick two tags on the frame's centre line, far apart, and name them on_centre_line in the rig file",
               _with_tags(rig, [_reference(rig, f"line {k}", on_centre_line=True) for k in (1, 2)]))
    if not any(t.on_floor for t in rig.tags.values()):
        yield ("lay three tags on a level floor, one beside each wheel, and name them on_floor in the rig file",
               _with_tags(rig, [_reference(rig, f"floor {k}", on_floor=True) for k in (1, 2, 3)]))
    closer = {n: replace(b, pivot_tol=b.pivot_tol / 2, axis_tol=b.axis_tol / 2) for n, b in rig.bodies.items()}
    points = {n: replace(p, tol=p.tol / 2) for n, p in rig.points.items()}
    yield ("measure pivots and holes twice as closely and halve their tolerances in the rig file",
           replace(rig, bodies=closer, points=points))


def _reference(rig: Rig, name: str, **what: bool) -> Tag:
    return Tag(name, -1, FRAME, PART_TAG_MM, **what)  # type: ignore[arg-type]


def _with_tags(rig: Rig, tags: Sequence[Tag]) -> Rig:
    """The rig with more tags, with codes of their own."""
    free = (c for c in PART_IDS if c not in {t.code for t in rig.tags.values()})
    return replace(rig, tags={**rig.tags, **{t.name: replace(t, code=next(free)) for t in tags}})


# --- what the rig file lacks -----------------------------------------------------------------------------------


def lacking(rig: Rig) -> Iterator[tuple[str, Callable[[Rig], Rig]]]:
    """Words for each bolt, part and wheel without a tag, and how a rig gets it."""
    lack = untagged(rig)
    for n in lack.bolts:
        yield f"the bolt of {_named(n)}", _bolt_tag(n)
    for n in lack.parts + lack.leaning + lack.bolt_only:
        yield f"the {_named(n)} itself, on a flat piece", _part_tag(n)
    for side in lack.wheels:
        yield f"the {side} wheel, photographed at two positions with the wheels turned by hand", _wheel_tag(side)


def _bolt_tag(point: str) -> Callable[[Rig], Rig]:
    return lambda rig: _with_tags(rig, [Tag(f"on {point}", -1, rig.points[point].body, BOLT_TAG_MM, centres_on=point,
                                            offset=16.0)])


def _part_tag(body: str) -> Callable[[Rig], Rig]:
    return lambda rig: _with_tags(rig, [Tag(f"on {body}", -1, body, PART_TAG_MM)])


def _wheel_tag(side: str) -> Callable[[Rig], Rig]:
    def change(rig: Rig) -> Rig:
        w = rig.wheels[side]
        name = w.spin_body or f"{side} wheel turned"
        bodies = dict(rig.bodies)
        if name not in bodies:
            bodies[name] = Body(name, w.centre, w.spin, w.upright, "wheel", side)
        rig = replace(rig, bodies=bodies, wheels={**rig.wheels, side: replace(w, spin_body=name)},
                      spin_positions=rig.spin_positions or ("spin1", "spin2"))
        return rig if any(t.body == name for t in rig.tags.values()) else _part_tag(name)(rig)

    return change


def _touched(rig: Rig, whole: Rig) -> list[str]:
    """Figures and rod lengths that a tag more may bear on."""
    new = [t for n, t in whole.tags.items() if n not in rig.tags]
    names = []
    for t in new:
        rods = [r.name for r in rig.rods.values() if t.centres_on in (r.a, r.b)] if t.centres_on else []
        names += [f"length of {r}" for r in rods]
        if not t.centres_on:
            names += list(rig.targets) or ["toe"]
    return list(dict.fromkeys(names))


def _named(name: str) -> str:
    return name.replace("_", " ").replace(".", ": ")
