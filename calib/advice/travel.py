"""What the steering does over the whole travel of its driver, curve by curve, as drawn and as built.

Tables are in surface units (mm, degrees) with 95 % half-widths where they are worked out.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.advice.propagation import with_wheel_doubt
from calib.advice.search import driver_grid
from calib.linkage import batch
from calib.linkage.contacts import Ground
from calib.linkage.limits import TOGGLE_SEARCH, Places, clearances, misalignment_angles, transmission_angles
from calib.linkage.mechanism import CannotAssemble, Linkage, Sweep
from calib.linkage.positions import unseen_sides
from calib.linkage.steering import (
    cambers_of,
    drawn_way,
    force_ratio,
    headings_of,
    level_spin_axes,
    on_curve,
    outer_ideal,
    straight_at,
    toe,
    turn_circle,
    turn_radius,
)
from calib.results import AsBuilt
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, parsed, steps, varied, with_parameters
from calib.uncertainty import differences, half_width

Array = NDArray[np.float64]
STEPS = 65
AT_ONCE = 32  # variants worked on side by side, so that what is made of them stays in the processor's cache
TURNING = math.radians(3.0)  # below this mean steer a turn is too wide for its radius to mean anything
CLOSEST = 4


@dataclass(frozen=True)
class HoldOverTravel:
    """The weakest transmission angle in the travel and beyond it, up to a toggle.

    ``lever`` and ``weakest`` (n,) rad, nan where not reached; ``toggles`` the driver angle (rad) of the toggle
    below and above, None where none was found within TOGGLE_SEARCH beyond the travel.
    """

    lever: Array
    weakest: Array
    toggles: tuple[float | None, float | None]


@dataclass(frozen=True)
class Travel:
    """Curves over the travel.

    ``table``: lever_deg and for every curve <curve>_design and, of a measured rig, <curve>_asbuilt and
    <curve>_u95 (nan where no band was worked out). ``ends`` every (rod, point) with a misalignment, ``pairs`` the
    closest pairs for clearance, closest first.
    """

    rig: Rig
    table: pd.DataFrame
    ends: tuple[tuple[str, str], ...]
    pairs: tuple[tuple[str, str], ...]
    design_hold: HoldOverTravel
    built_hold: HoldOverTravel | None


def curves_of(rig: Rig, lever: Array, way: float | None = None, unseen: Collection[str] = ()) -> dict[str, Array]:
    """Every curve of one rig over driver angles ``lever`` (n,) rad, in surface units, nan where not reached.

    Steer is the wheel's heading, left positive, for sides in ``unseen`` less that at driver zero. Inner and outer
    wheel, Ackermann error, turning circle and change of toe count from the driver angle at which the mean heading is
    zero (see straight_at). Ratios are d heading / d driver of each wheel, positive where it goes the way the pair
    does in the drawing: ``way``, see drawn_way; None: this is the drawing. Raises CannotAssemble or ValueError where
    the linkage does not go together.
    """
    return _curves(rig, lever, Linkage(rig).sweep(lever), way, unseen)


def _curves(rig: Rig, lever: Array, s: Sweep, way: float | None, unseen: Collection[str]) -> dict[str, Array]:
    """Every curve of a sweep, (n,); of a ``stacked`` rig with joint angles (m, n), (m, n)."""
    ok = s.reached
    if np.min(ok.sum(axis=-1)) < 4:
        raise CannotAssemble(s.why)
    spins = level_spin_axes(rig, s)
    h = headings_of(spins)
    straight = straight_at(lever, 0.5 * (h["left"] + h["right"]))
    straight = np.where(np.isfinite(straight), straight, 0.0)
    turn = {k: v - on_curve(lever, v, straight)[0][..., None] for k, v in h.items()}
    left, right = turn["left"], turn["right"]
    slope = {k: np.gradient(v, lever, axis=-1, edge_order=2) for k, v in h.items()}
    way = drawn_way(lever, h["left"], h["right"]) if way is None else way
    mean = 0.5 * (left + right)
    inner, outer = np.where(mean >= 0, left, -right), np.where(mean >= 0, right, -left)
    ground = Ground.of(rig)
    ideal = outer_ideal(ground, left, right)
    turning = np.abs(mean) > TURNING
    with np.errstate(invalid="ignore"):
        circle = np.where(turning, turn_circle(ground, left, right), np.nan)
        radius = np.where(turning, turn_radius(ground, left, right), np.nan)
    deg = np.degrees
    out = {f"ratio_{k}": way * v for k, v in slope.items()}
    out |= {f"steer_{k}_deg": deg(v - (on_curve(lever, v, 0.0)[0][..., None] if k in unseen else 0.0))
            for k, v in h.items()}
    out |= {"inner_deg": deg(inner), "outer_deg": deg(outer), "outer_ideal_deg": deg(ideal),
            "ackermann_error_deg": deg(outer - ideal),
            "turn_radius_mm": radius, "turn_circle_mm": circle, "toe_change_deg": deg(toe(turn))}
    out |= {f"camber_{k}_deg": deg(v) for k, v in cambers_of(spins).items()}
    now = Places(rig, s)
    out |= {end_key("transmission", e): deg(v) for e, v in transmission_angles(rig, now).items()}
    out |= {end_key("misalignment", e): deg(v) for e, v in misalignment_angles(rig, now).items()}
    out |= {pair_key(p): v for p, v in clearances(rig, now).items()}
    out["force_ratio"] = force_ratio(rig, s, 1.0)
    return {k: np.where(ok, v, np.nan) for k, v in out.items()}


def _variants(rig: Rig, names: Sequence[str], rows: Array, lever: Array, way: float,
              unseen: Collection[str]) -> Iterator[dict[str, Array]]:
    """Curves of the rig with its named parameters set to each of ``rows`` (m, n), a few dozen variants at a time."""
    if batch.loop_order(rig) is None:
        for row in rows:
            yield {k: v[None] for k, v in curves_of(with_parameters(rig, names, row), lever, way, unseen).items()}
        return
    for i in range(0, len(rows), AT_ONCE):
        many = varied(rig, names, rows[i:i + AT_ONCE])
        angles = batch.Batch(many, len(rows[i:i + AT_ONCE])).angles(lever)
        reached = np.all([np.isfinite(a) for a in angles.values()], axis=0)
        yield _curves(many, lever, Sweep(many, rig.driver, lever, angles, reached, (), {}), way, unseen)


def end_key(what: str, end: tuple[str, str]) -> str:
    """Name of a rod end's curve: "transmission_left_rod_at_crank_left_in_deg"."""
    return _heading(f"{what}_{end[0]}_at_{end[1]}_deg")


def pair_key(pair: tuple[str, str]) -> str:
    """Name of a pair's clearance curve: "clearance_left_rod_to_chain_line_mm"."""
    return _heading(f"clearance_{pair[0]}_to_{pair[1]}_mm")


def _heading(name: str) -> str:
    """As every other column is named."""
    return name.replace(".", "_").replace(" ", "_")


def hold_over_travel(rig: Rig) -> HoldOverTravel:
    """The weakest transmission angle over the travel and TOGGLE_SEARCH beyond either end."""
    lo, hi = rig.driver_travel
    lever = np.linspace(lo - TOGGLE_SEARCH, hi + TOGGLE_SEARCH, 155)
    s = Linkage(rig).sweep(lever)
    weakest = np.min(list(transmission_angles(rig, s).values()), axis=0)
    return HoldOverTravel(lever, np.where(s.reached, weakest, np.nan), s.ends_at)


def toggle_margin(r: HoldOverTravel, lever: Array) -> Array:
    """Driver angle (rad) left to the nearer toggle at each ``lever`` (n,) rad; nan where none was found."""
    left = [lever - r.toggles[0]] if r.toggles[0] is not None else []
    left += [r.toggles[1] - lever] if r.toggles[1] is not None else []
    return np.min(left, axis=0) if left else np.full(lever.shape, np.nan)


def half_widths(built: AsBuilt, lever: Array, way: float | None = None,
                unseen: Collection[str] = ()) -> dict[str, Array]:
    """95 % half-widths of every curve of curves_of, (n,), first order (GUM, JCGM 100:2008, 5.2).

    Central differences against every measured parameter. A wheel never seen turning by hand keeps the
    drawing's doubt about its spin axis.
    """
    built = with_wheel_doubt(built)
    rig = built.rig
    use = [k for k, n in enumerate(parsed(built.names)) if built.cov[k, k] > 0 and n.of_hole_in_use(rig)]
    names = tuple(built.names[k] for k in use)
    cov = built.cov[np.ix_(use, use)]
    now = curves_of(rig, lever, way, unseen)
    keys: list[str] = list(now)
    way = drawn_way(lever, now["steer_left_deg"], now["steer_right_deg"]) if way is None else way
    if not names:
        return {x: np.zeros(lever.shape) for x in keys}

    def curves(rows: Array) -> Array:
        return np.concatenate([np.concatenate([c[x] for x in keys], axis=1)
                               for c in _variants(rig, names, rows, lever, way, unseen)])

    _, J = differences(curves, get_parameters(rig, names), steps(names))
    u = half_width(np.where(np.isfinite(J), J, 0.0), cov)
    u[~np.isfinite(J).all(axis=1)] = np.nan
    return dict(zip(keys, u.reshape(len(keys), -1), strict=True))


def travel(design: Rig, built: AsBuilt | None = None, bands: bool = True, steps: int = STEPS) -> Travel | None:
    """Curves over the design driver's travel; None where a linkage does not go together or lacks a wheel.

    >>> from calib import parse_rig, starter_text
    >>> table = travel(parse_rig(starter_text())).table
    >>> print(table["lever_deg"].round(1).tolist()[::len(table) - 1], "camber_left_deg_design" in table)
    [-30.0, 30.0] True
    """
    if set(design.wheels) != {"left", "right"}:
        return None
    lever = driver_grid(design, steps)
    unseen = unseen_sides(built.rig) if built else ()
    try:
        drawn = curves_of(design, lever, unseen=unseen)
        way = drawn_way(lever, drawn["steer_left_deg"], drawn["steer_right_deg"])
        real = curves_of(built.rig, lever, way, unseen) if built else None
        reaches = (hold_over_travel(design), hold_over_travel(built.rig) if built else None)
    except (ValueError, CannotAssemble):
        return None
    u: Mapping[str, Array] = {}
    if built is not None and bands:
        try:
            u = half_widths(built, lever, way, unseen)
        except (ValueError, CannotAssemble):  # so near a toggle that a small change does not go together
            u = {}
    drawn["toggle_margin_deg"] = np.degrees(toggle_margin(reaches[0], lever))
    columns: dict[str, Array] = {"lever_deg": np.degrees(lever)}
    if real is not None and reaches[1] is not None:
        real["toggle_margin_deg"] = np.degrees(toggle_margin(reaches[1], lever))
    nothing = np.full(lever.shape, np.nan)
    for k, v in drawn.items():
        columns[f"{k}_design"] = v
        if real is not None:
            columns[f"{k}_asbuilt"] = real.get(k, nothing)
            columns[f"{k}_u95"] = u.get(k, nothing)
    shown = drawn if real is None else real
    start: Sweep = Linkage(design).sweep(np.zeros(1))
    pairs = sorted((p for p in clearances(design, start) if np.isfinite(shown[pair_key(p)]).any()),
                   key=lambda p: float(np.nanmin(shown[pair_key(p)])))
    return Travel(design, pd.DataFrame(columns), tuple(misalignment_angles(design, start)), tuple(pairs[:CLOSEST]),
                  reaches[0], reaches[1])


def ways(rig: Rig) -> tuple[str, str]:
    """Words for the low and the high end of the driver's travel, from the way its hinge lies (ISO 8855 axes)."""
    x, y, z = rig.bodies[rig.driver].axis
    most, words = max((abs(y), ("back", "forward")), (abs(z), ("right", "left")), (abs(x), ("low", "high")),
                      key=lambda w: w[0])
    against = words[0] != "low" and (y if most == abs(y) else z) < 0
    return (words[1], words[0]) if against else words


def beyond(r: HoldOverTravel, rig: Rig) -> str:
    """The toggle margin at both ends of the travel in words."""
    lo, hi = rig.driver_travel
    said = []
    for k, (way, end, at) in enumerate(zip(ways(rig), (lo, hi), r.toggles, strict=True)):
        if at is None:
            said.append(f"none within {math.degrees(TOGGLE_SEARCH):.0f} deg {way}")
        else:
            margin = math.degrees((end - at) if k == 0 else (at - end))
            said.append(f"{abs(margin):.0f} deg {'beyond' if margin >= 0 else 'short of'} the {way} end")
    return " and ".join(said)
