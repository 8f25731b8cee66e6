"""A measured rig as a drawing: the tolerance of every place is how well it was measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from calib.results import AsBuilt
from calib.rig.model import Body, Point, Rig, Rod, Wheel
from calib.rig.parameters import Kind, length_name, vector_names

LEAST = 0.01  # mm and deg: nothing hand-built stays where it is more closely than that (common practice, no source)
MOST_MM, MOST_DEG = 500.0, 45.0  # as wide as a rig file allows
_FINE = 1000.0  # tolerances are written to 0.001, rounded up

Doubt = Callable[[str, str], str]


def measured_tolerances(built: AsBuilt, doubt: Doubt = lambda part, unit: "") -> Rig:
    """``built.rig`` with each tolerance the 95 % half-width between the parts, the largest of x, y and z.

    Of a row of holes that of the hole in use counts. What was not measured keeps the tolerance it had, and so does,
    where it is the larger, what is not to be trusted yet: ``doubt`` of a part (body, point, rod or wheel's side) and
    unit ("mm", "deg") says why, "" where it is. How far the frame itself may be turned goes along, since the places
    are given in it.
    """
    u95 = dict(zip(built.names, map(float, built.held_u95), strict=True))
    rig = built.rig

    def mm(owner: str, kind: Kind, had: float, hole: str = "") -> float:
        names = (length_name(owner),) if kind is Kind.LENGTH else vector_names(owner, kind, hole)
        return _tolerance(u95, names, had, MOST_MM, bool(doubt(owner, "mm")))

    def rad(owner: str, kind: Kind, had: float) -> float:
        shown = math.degrees(had)
        new = _tolerance({n: math.degrees(u) for n, u in u95.items()}, vector_names(owner, kind), shown, MOST_DEG,
                         bool(doubt(owner, "deg")))
        return had if new == shown else math.radians(new)

    def body(b: Body) -> Body:
        return replace(b, pivot_tol=mm(b.name, Kind.PIVOT, b.pivot_tol), axis_tol=rad(b.name, Kind.AXIS, b.axis_tol))

    def point(p: Point) -> Point:
        return replace(p, tol=mm(p.name, Kind.HOLE, p.tol, p.use))

    def rod(r: Rod) -> Rod:
        return replace(r, tol=mm(r.name, Kind.LENGTH, r.tol))

    def wheel(w: Wheel) -> Wheel:
        return replace(w, spin_tol=rad(w.side, Kind.SPIN, w.spin_tol)) if w.measured else w

    turned = [min(math.ceil(math.degrees(x) * 100) / 100, MOST_DEG) for x in built.turn_u95 or ()]
    if turned:
        roll, pitch, heading = map(math.radians, turned)
        rig = replace(rig, roll_tol=roll, pitch_tol=pitch, heading_tol=heading)
    return replace(rig, bodies={n: body(b) for n, b in rig.bodies.items()},
                   points={n: point(p) for n, p in rig.points.items()},
                   rods={n: rod(r) for n, r in rig.rods.items()},
                   wheels={n: wheel(w) for n, w in rig.wheels.items()})


def _tolerance(u95: Mapping[str, float], names: tuple[str, ...], had: float, most: float, doubtful: bool) -> float:
    """The largest half-width of some parameters as a tolerance; ``had`` where none was measured."""
    known = [u95[n] for n in names if n in u95 and math.isfinite(u95[n])]
    if not known:
        return had
    new = min(max(math.ceil(max(known) * _FINE - 1e-6) / _FINE, LEAST), most)
    return max(new, had) if doubtful else new
