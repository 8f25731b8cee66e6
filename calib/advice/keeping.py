"""Which adjusted variants keep every limit over the travel: many at once in closed form, then one by one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.advice.search import Model, Variant, apply
from calib.linkage import batch
from calib.linkage.limits import (
    TOGGLE_MARGIN,
    Places,
    Worked,
    check_limits,
    gaps,
    misalignments,
    transmissions,
)
from calib.linkage.mechanism import Linkage
from calib.rig.adjustables import Move
from calib.rig.model import Rig

Array = NDArray[np.float64]

ANGLE_SLACK = float(np.deg2rad(0.5))  # a limit broken already may be broken by this much more, rad
SLACK = {"clearance": 0.5, "rod_length": 0.5, "reach": 0.0}  # the same for mm and shares of the sweep
LOST = -50.0  # room where the rods lose hold
PLENTY = 1e-3  # room beyond which a clearance need not be known, mm
STEEP = 3.0  # residual for each degree or millimetre a limit is broken by


class Limits:
    """Which limits a variant breaks clearly worse than the vehicle or the drawing already does.

    ``margin``, rad: how far beyond the driver's travel they must hold.
    """

    def __init__(self, model: Model, design: Rig, margin: float) -> None:
        self.model, self.rig = model, model.rig
        d = model.driver
        self.driver = np.concatenate([[d[0] - margin], d, [d[-1] + margin]]) if margin > 0 else d
        self.few = self.driver[sorted({*np.linspace(0, len(self.driver) - 1, 7).round().astype(int)})]
        self.drawn = self._check(design)
        self.had: dict[tuple[str, str], float] = {}
        for name, item, miss, _ in [*self._check(self.rig), *self.drawn]:
            self.had[name, item] = max(miss, self.had.get((name, item), 0.0))

    def _check(self, rig: Rig) -> list[tuple[str, str, float, str]]:
        sweep = Linkage(rig).sweep(self.driver)
        return [(x.name, x.item, abs(x.value - x.allowed), x.text) for x in check_limits(rig, sweep) if not x.ok]

    def _allowed(self, name: str, item: str) -> float:
        """By how much a limit may be broken, rad or mm."""
        if (name, item) not in self.had:
            return 0.0
        return self.had[name, item] + SLACK.get(name, ANGLE_SLACK)

    def broken(self, variant: Variant) -> list[str]:
        """Sentences, empty where the variant may be used; walks the one variant through its travel."""
        return [_told(variant, self.model.moves, text) for n, i, miss, text in self._check(apply(self.rig, variant))
                if miss > self._allowed(n, i)]

    def room(self, b: batch.Batch, driver: Array | None = None) -> Array:
        """Room to each limit at its worst over a few driver angles, (m, limits) in degrees and mm.

        Below zero: that limit is broken for certain. Where there is plenty it may be more than is said. Toggles and
        the rods' ranges are not looked at.
        """
        grid = self.few if driver is None else driver
        turned, rig, deg = b.turned(grid), self.rig, np.rad2deg(1.0)
        now = Places.turned(b.as_rig(), turned)
        lost = np.inf if ("reach", rig.driver) in self.had else LOST

        def worst(values: Array, room_of: Callable[[Array], Array]) -> Array:
            """Room (n, m) made of the least of values (n, m, k) over the driver angles."""
            out = room_of(values.min(axis=-1))
            if (gone := np.isnan(out)).any():
                out = np.where(gone, np.fmin(room_of(np.fmin.reduce(values, axis=-1)), lost), out)
            return np.broadcast_to(out, (len(out), b.m))

        held, bent, apart = transmissions(now), misalignments(now), gaps(now, rig.min_clearance + PLENTY)
        most = np.array([rig.points[end].misalignment for _, end in bent.items])[:, None]
        rooms = [worst(held.values, lambda a: (a - rig.min_transmission + self._more(held, "transmission")) * deg),
                 worst(-bent.values, lambda a: (most + a + self._more(bent, "misalignment")) * deg),
                 worst(apart.values, lambda gap: gap - rig.min_clearance + self._more(apart, "clearance"))]
        own = rig.bodies[rig.driver].travel
        within = np.ones(len(grid), bool) if own is None else (grid >= own[0] - 1e-9) & (grid <= own[1] + 1e-9)
        for n, (c, s) in turned.items():
            span = rig.bodies[n].travel if n in rig.bodies and n != rig.driver else None
            if span is not None:
                a = np.arctan2(s, c)
                spare = np.where(within, np.minimum(a - span[0], span[1] - a), np.inf)
                rooms.append(worst(spare[None], partial(self._beyond, n)))
        return np.concatenate(rooms).T

    def _more(self, worked: Worked, name: str) -> Array:
        """By how much each item's limit may be broken, (n, 1)."""
        join = " to " if name == "clearance" else " at "
        return np.array([self._allowed(name, join.join(item)) for item in worked.items])[:, None]

    def _beyond(self, body: str, spare: Array) -> Array:
        """Room in degrees to a part's own stops, from what is spare (...) rad."""
        return (spare + self._allowed("travel", body)) * np.rad2deg(1.0)

    def penalty(self, b: batch.Batch) -> Array:
        """Residuals for limits that are broken, (m, limits)."""
        return STEEP * np.minimum(self.room(b), 0.0)

    def maybe(self, variants: Sequence[Variant]) -> NDArray[np.bool_]:
        """Which variants break no limit at a few driver angles, (m,); the others break one for certain."""
        if not variants or not self.model.fast:
            return np.ones(len(variants), bool)
        out = [np.all(self.room(self.model.side_by_side(variants[i:i + 1000])) >= -1e-9, axis=1)
               for i in range(0, len(variants), 1000)]
        return np.concatenate(out)

    def clear(self, variants: Sequence[Variant]) -> NDArray[np.bool_]:
        """Which variants keep every limit for certain, (m,): over the whole grid, and no toggle within the margin."""
        if not variants or not self.model.fast:
            return np.zeros(len(variants), bool)
        b = self.model.side_by_side(variants)
        keep = np.all(self.room(b, self.driver) >= 1e-7, axis=1)
        own = self.rig.bodies[self.rig.driver].travel or (self.driver[0], self.driver[-1])
        far = TOGGLE_MARGIN + np.deg2rad(0.5)  # check_limits finds the toggle itself; here a hair more is asked for
        ends = min(own[0] - far, self.driver[0]), max(own[1] + far, self.driver[-1])
        wide = np.unique(np.concatenate([np.arange(ends[0], ends[1], np.deg2rad(1.0)), ends, [0.0]]))
        reach = [np.isfinite(c).all(axis=1) for c, _ in b.turned(wide).values()]
        lengths = [self._within(n, b.length[n]) for n in self.rig.rods]
        return np.asarray(np.all([keep, *reach, *lengths], axis=0))

    def _within(self, rod: str, length: Array) -> NDArray[np.bool_]:
        r, more = self.rig.rods[rod], self._allowed("rod_length", rod)
        return np.asarray((length >= r.shortest - more - 1e-9) & (length <= r.longest + more + 1e-9))

    def kept(self, variants: Sequence[Variant]) -> NDArray[np.bool_]:
        """Which variants may be used, (m,); what is not clear at once is walked."""
        sure = self.clear(variants)
        return np.array([bool(s) or not self.broken(v) for s, v in zip(sure, variants, strict=True)], bool)


def _told(variant: Variant, moves: Mapping[str, Move], text: str) -> str:
    what = [f"{p} at hole {h}" for p, h in variant.holes.items()]
    what += [f"{n} {moves[n].amount_words(x)}" for n, x in variant.moves.items()]
    return f"With {', '.join(what) or 'the present setting'}: {text}"
