"""Rows of holes: the one that is far off, beside the row, or out of its even spacing or order."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from calib.remarks import Code, Remark
from calib.rig.model import Point, Rig

Array = NDArray[np.float64]
FAR_TIMES, FAR_MM = 3.0, 15.0  # a hole is far if so many times the usual spacing, and so many mm, from the next one
PAIR_MM = 80.0  # two holes alone: further apart than an arm has them (common practice, no source)
STRAIGHT_MM = 1.0  # the others count as a straight row below this
EVEN_MM = 0.2  # and as evenly spaced below this


def hole_remarks(rig: Rig) -> list[Remark]:
    """What is odd about each point's holes, one remark a hole."""
    return [r for p in rig.points.values() if len(p.holes) > 1 for r in _of(p)]


def _of(p: Point) -> list[Remark]:
    names, places = list(p.holes), np.array(list(p.holes.values()), float)
    far = _far(p, names, places)
    if far:
        return far
    if len(names) < 4:
        return _order(p, names, places)
    return _beside(p, names, places) or _order(p, names, places) or _uneven(p, names, places)


def _remark(code: Code, p: Point, k: int, mm: float, **more: float) -> Remark:
    names = list(p.holes)
    return Remark(code, p.name, {"hole": names[k], "at": tuple(p.holes[names[k]]), "mm": mm, **more})


def _far(p: Point, names: list[str], places: Array) -> list[Remark]:
    gaps = np.linalg.norm(places[:, None] - places[None], axis=-1)
    np.fill_diagonal(gaps, np.inf)
    nearest = gaps.min(axis=1)
    if len(names) == 2:
        spare = next(k for k, n in enumerate(names) if n != p.use)
        return [_remark(Code.HOLE_FAR, p, spare, nearest[spare], usual=20.0)] if nearest[spare] > PAIR_MM else []
    out = []
    for k in range(len(names)):
        rest = np.delete(np.arange(len(names)), k)
        among = gaps[np.ix_(rest, rest)].min(axis=1)
        usual = float(np.median(among))
        if nearest[k] > max(FAR_TIMES * usual, FAR_MM) and nearest[k] > float(among.max()) * 1.5:
            out.append(_remark(Code.HOLE_FAR, p, k, float(nearest[k]), usual=usual))
    return out


def _line(places: Array) -> tuple[Array, Array, float]:
    """Middle, direction and greatest distance of places (n, 3) from their line."""
    middle = places.mean(axis=0)
    along = np.linalg.svd(places - middle)[2][0]
    return middle, along, float(_off(places, middle, along).max())


def _off(places: Array, middle: Array, along: Array) -> Array:
    d = places - middle
    return np.asarray(np.linalg.norm(d - (d @ along)[..., None] * along, axis=-1))


def _beside(p: Point, names: list[str], places: Array) -> list[Remark]:
    """One hole off a line that all others are on."""
    out = []
    for k in range(len(names)):
        middle, along, worst = _line(np.delete(places, k, axis=0))
        off = float(_off(places[k], middle, along))
        if worst < STRAIGHT_MM and off > 3 * STRAIGHT_MM:
            out.append(_remark(Code.HOLE_BESIDE_ROW, p, k, off))
    return out if len(out) == 1 else []


def _uneven(p: Point, names: list[str], places: Array) -> list[Remark]:
    """One hole without which, or moved, the row would be even."""
    middle, along, worst = _line(places)
    if worst > STRAIGHT_MM:
        return []
    order = np.argsort((places - middle) @ along)
    at = ((places - middle) @ along)[order]
    steps = np.arange(len(at))
    if np.ptp(np.diff(at)) < EVEN_MM:
        return []
    for i in range(len(at)):
        rest = np.delete(steps, i)
        slope, start = np.polyfit(rest, at[rest], 1)
        off = abs(float(at[i] - start - slope * i))
        left_out = abs(off / slope - round(off / slope)) * slope < EVEN_MM  # places in the row without a hole
        if np.abs(at[rest] - start - slope * rest).max() < EVEN_MM / 2 and not left_out:
            return [_remark(Code.HOLE_UNEVEN, p, int(order[i]), off)]
    return []


def _order(p: Point, names: list[str], places: Array) -> list[Remark]:
    """Names that count on (A, B, C or 1, 2, 3) while the places along the row do not."""
    middle, along, worst = _line(places)
    if len(names) < 3 or worst > 5 * STRAIGHT_MM:
        return []
    keys = [[int(x) if x.isdigit() else x for x in re.split(r"(\d+)", n)] for n in names]
    try:
        by_name = sorted(range(len(names)), key=lambda k: keys[k])
    except TypeError:  # letters against digits
        return []
    where = ((places - middle) @ along)[by_name]
    rises = np.diff(where) > 0
    if rises.all() or not rises.any():
        return []
    return [Remark(Code.HOLE_ORDER, p.name, {"names": tuple(names[k] for k in by_name)})]
