"""The chance that a variant meets every tolerance: what is known of the rig, and how well a setting can be made.

Variants with the same holes share their slopes: rod lengths change them little. The doubt has three parts, all of
them first order: the joint covariance of the measured rig, the error of each move that is made, and the seat of each
ball that is moved to another hole (JCGM 100, 5.1 and 5.2; joint chance by Monte Carlo, JCGM 101).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.advice.propagation import Slopes, slopes
from calib.advice.search import Curves, Model, Objective, Variant
from calib.results import AsBuilt
from calib.rig.adjustables import HoleChoice
from calib.rig.parameters import get_parameters

Array = NDArray[np.float64]
SEAT_NUDGE = 0.02  # mm
AT_ONCE = 32  # variants whose draws are looked at together: more no longer stay near the processor


@dataclass(frozen=True)
class Doubt:
    """How one set of holes answers, output by output (o): to the measured parameters, moves and seats."""

    slopes: Slopes
    moves: Mapping[str, Array]  # change of the outputs for one standard deviation of setting, (o,) by move
    seats: Mapping[str, Array]  # (o, 3) by point, the same for its seat

    def setting(self, variant: Variant) -> Array:
        """The outputs' changes for one standard deviation of each error made in setting the variant, (o, s)."""
        cols = [self.moves[n][:, None] for n, x in variant.moves.items() if x and n in self.moves]
        cols += [self.seats[p] for p in variant.holes]
        return np.concatenate(cols, axis=1) if cols else np.zeros((len(self.slopes.values), 0))

    def spread(self, variant: Variant) -> Array:
        """Covariance (o, o) of the outputs once the variant has been set."""
        s = self.setting(variant)
        return np.asarray(self.slopes.spread + s @ s.T)

    def extended(self, variant: Variant) -> Slopes:
        """The slopes with the setting errors as further parameters of unit variance."""
        s, own = self.setting(variant), self.slopes
        k = s.shape[1]
        cov = np.zeros((len(own.names) + k,) * 2)
        cov[:len(own.names), :len(own.names)] = own.cov
        cov[len(own.names):, len(own.names):] = np.eye(k)
        return Slopes(own.values, np.concatenate([own.J, s], axis=1),
                      (*own.names, *(f"setting.{i}" for i in range(k))), cov, own.bend)


class Chances:
    """Chances of many variants. Outputs are the objective's residuals: a target is met where its own is within 1."""

    def __init__(self, as_built: AsBuilt, model: Model, objective: Objective, choices: Mapping[str, HoleChoice],
                 draws: int, seed: int) -> None:
        self.as_built, self.model, self.objective, self.choices = as_built, model, objective, choices
        self.n = len(objective.targets)
        rng = np.random.default_rng(seed)
        self.z = rng.standard_normal((draws, self.n))
        self._doubts: dict[object, Doubt] = {}

    def doubt(self, variant: Variant) -> Doubt:
        """How the variant's holes answer, worked out once for each set of holes and tried places."""
        fixed = {n: x for n, x in variant.moves.items() if not self.model.moves[n].solved}
        key = replace(variant, moves=fixed).key()
        if key not in self._doubts:
            self._doubts[key] = doubt_of(self.as_built, self.model, self.choices, variant, self.objective.residuals)
        return self._doubts[key]

    def bound(self, variants: Sequence[Variant], residuals: Array) -> Array:
        """The least of the targets' own chances, (m,): the chance of all together is no larger."""
        return np.min(self._each(variants, residuals), axis=1, initial=1.0)

    def _each(self, variants: Sequence[Variant], residuals: Array) -> Array:
        r, sd = residuals[:, :self.n], np.empty((len(variants), self.n))
        for i, (cov, _) in self._alike(variants):
            sd[i] = np.sqrt(np.maximum(np.diag(cov), 1e-18))
        return np.asarray(ndtr((1.0 - r) / sd) - ndtr((self.objective.lowest - r) / sd))

    def _alike(self, variants: Sequence[Variant]) -> Iterator[tuple[list[int], tuple[Array, Array]]]:
        """The variants that share holes and which moves are made, by their indices, with their spreads."""
        groups: dict[object, list[int]] = {}
        for i, v in enumerate(variants):
            groups.setdefault((frozenset(v.holes.items()), frozenset((n, None if self.model.moves[n].solved else x)
                                                                     for n, x in v.moves.items() if x)), []).append(i)
        for group in groups.values():
            yield group, self._spreads(variants[group[0]])

    def _spreads(self, variant: Variant) -> tuple[Array, Array]:
        """Covariance of the targets' residuals and the draws made of it."""
        d = self.doubt(variant)
        moved = (id(d), frozenset(n for n, x in variant.moves.items() if x))
        if moved not in self._drawn:
            cov = d.spread(variant)[:self.n, :self.n] + np.diag((self.objective.doubt / self.objective.tolerance)**2)
            self._drawn[moved] = (cov, np.asfortranarray(self.z @ root(cov).T))
        return self._drawn[moved]

    @cached_property
    def _drawn(self) -> dict[object, tuple[Array, Array]]:
        return {}

    def of(self, variants: Sequence[Variant], residuals: Array, least: float = 0.0) -> Array:
        """Chance that every target is met together, (m,); where its bound is below ``least``, that bound."""
        out, lowest = self.bound(variants, residuals), self.objective.lowest
        for group, (_, drawn) in self._alike(variants):
            open_ = [i for i in group if out[i] >= max(least, 1e-6)]
            for k in range(0, len(open_), AT_ONCE):
                i = open_[k:k + AT_ONCE]
                met = np.ones((len(i), len(drawn)), bool)
                for x, r, low in zip(drawn.T, residuals[i, :self.n].T, lowest, strict=True):  # target by target
                    y = x + r[:, None]
                    met &= y <= 1.0
                    if np.isfinite(low):
                        met &= y >= low
                out[i] = met.mean(axis=1)
        return out


def root(cov: Array) -> Array:
    """A matrix whose product with its transpose is ``cov`` (p, p), singular allowed."""
    w, v = np.linalg.eigh(0.5 * (cov + cov.T))
    return np.asarray(v * np.sqrt(np.maximum(w, 0.0)))


def doubt_of(as_built: AsBuilt, model: Model, choices: Mapping[str, HoleChoice], variant: Variant,
             of: Callable[[Curves], Array]) -> Doubt:
    """Slopes of ``of`` (curves of m variants to (m, o)) about one variant, by central differences."""
    base = slopes(model, as_built, variant, of)
    names = [n for n, mv in model.moves.items() if mv.setting_sd > 0 and (mv.solved or variant.moves.get(n))]
    rows = []
    for sign in (1.0, -1.0):
        for n in names:
            x = variant.moves.get(n, 0.0) + sign * model.moves[n].nudge
            rows.append(replace(variant, moves={**variant.moves, n: x}))
    got: Array = of(model.curves(rows)) if rows else np.zeros((0, len(base.values)))
    k = len(names)
    moves = {n: (got[i] - got[k + i]) / (2 * model.moves[n].nudge) * model.moves[n].setting_sd
             for i, n in enumerate(names)}
    seats = {p: _seat(model, base, variant, p, of) * choices[p].seat_sd for p in variant.holes}
    return Doubt(base, moves, seats)


def _seat(model: Model, base: Slopes, variant: Variant, point: str, of: Callable[[Curves], Array]) -> Array:
    """Slopes (o, 3) of the outputs against the place of the ball in its hole, per mm."""
    at = [f"{point}@{variant.holes[point]}.{c}" for c in "xyz"]
    if set(at) <= set(base.names):
        return base.J[:, [base.names.index(n) for n in at]]
    x0, off = get_parameters(model.rig, at), SEAT_NUDGE * np.eye(3)
    y = of(model.perturbed(variant, at, np.concatenate([x0 + off, x0 - off])))
    return np.asarray((y[:3] - y[3:]) / (2 * SEAT_NUDGE)).T


def figures_of(objective: Objective, c: Curves) -> Array:
    """Target figures of the curves, (m, targets), rad, mm or plain."""
    f = objective.figures(c, objective.names)
    return np.stack([f[t.name] for t in objective.targets], axis=1)
