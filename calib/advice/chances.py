"""The chance that a variant meets every tolerance: what is known of the rig, and how well a setting can be made.

Variants with the same holes share their slopes: rod lengths change them little. The doubt has three parts, all of
them first order: the joint covariance of the measured rig, the error of each move that is made, and the seat of each
ball that is moved to another hole (JCGM 100, 5.1 and 5.2; joint chance by Monte Carlo, JCGM 101).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.advice.propagation import Slopes, slopes_about
from calib.advice.search import Curves, Model, Objective, Perturbed, Variant
from calib.results import AsBuilt
from calib.rig.adjustables import HoleChoice
from calib.rig.parameters import Kind, get_parameters, vector_names

Array = NDArray[np.float64]
SEAT_NUDGE = 0.02  # mm
SLOPES_AT_ONCE = 8  # variants whose slopes are taken together: the same
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

    def spread(self, variant: Variant, first: int) -> Array:
        """Covariance (n, n) of the ``first`` n outputs once the variant has been set."""
        s, J = self.setting(variant)[:first], self.slopes.J[:first]
        return np.asarray(J @ self.slopes.cov @ J.T + s @ s.T)

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
        key = self._alike_key(variant)
        if key not in self._doubts:
            self.take_slopes([variant])
        return self._doubts[key]

    def take_slopes(self, variants: Sequence[Variant]) -> None:
        """Has the slopes of each set of holes and tried places taken about the first of its variants, side by side."""
        new = {k: v for v in reversed(variants) if (k := self._alike_key(v)) not in self._doubts}
        self._doubts |= zip(new, doubts_of(self.as_built, self.model, self.choices, [*new.values()],
                                           self.objective.residuals), strict=True)

    def _alike_key(self, variant: Variant) -> object:
        """The same for variants that share their slopes."""
        return replace(variant, moves={n: x for n, x in variant.moves.items() if not self.model.moves[n].solved}).key()

    def bound(self, variants: Sequence[Variant], residuals: Array) -> Array:
        """The least of the targets' own chances, (m,): the chance of all together is no larger."""
        return np.min(self._each(variants, residuals), axis=1, initial=1.0)

    def _each(self, variants: Sequence[Variant], residuals: Array) -> Array:
        r, sd = residuals[:, :self.n], np.empty((len(variants), self.n))
        for group, key in self._alike(variants):
            sd[group] = np.sqrt(np.maximum(np.diag(self._spreads[key]), 1e-18))
        return np.asarray(ndtr((1.0 - r) / sd) - ndtr((self.objective.lowest - r) / sd))

    def _alike(self, variants: Sequence[Variant]) -> Iterator[tuple[list[int], object]]:
        """The variants that share holes and which moves are made, by their indices, with the key of their spread."""
        groups: dict[object, list[int]] = {}
        solved = {n: mv.solved for n, mv in self.model.moves.items()}
        for i, v in enumerate(variants):
            made = tuple([n if solved[n] else (n, x) for n, x in v.moves.items() if x])
            groups.setdefault((tuple(v.holes.items()), made), []).append(i)
        for key, group in groups.items():
            if key not in self._spreads:  # covariance of the targets' residuals
                v = variants[group[0]]
                self._spreads[key] = self.doubt(v).spread(v, self.n) + np.diag(
                    (self.objective.doubt / self.objective.tolerance)**2)
            yield group, key

    @cached_property
    def _spreads(self) -> dict[object, Array]:
        return {}

    def _draws(self, key: object) -> Array:
        """Draws (d, n) of the errors whose covariance stands under ``key``."""
        if key not in self._drawn:
            self._drawn[key] = np.asfortranarray(self.z @ root(self._spreads[key]).T)
        return self._drawn[key]

    @cached_property
    def _drawn(self) -> dict[object, Array]:
        return {}

    def of(self, variants: Sequence[Variant], residuals: Array, least: float = 0.0) -> Array:
        """Chance that every target is met together, (m,); where its bound is below ``least``, that bound."""
        out, lowest = self.bound(variants, residuals), self.objective.lowest
        for group, key in self._alike(variants):
            open_ = [i for i in group if out[i] >= max(least, 1e-6)]
            drawn = self._draws(key) if open_ else self.z
            for k in range(0, len(open_), AT_ONCE):
                i = open_[k:k + AT_ONCE]
                met = np.ones((len(i), len(drawn)), bool)
                for x, r, low in zip(drawn.T, residuals[i, :self.n].T, lowest, strict=True):  # target by target
                    met &= x <= (1.0 - r)[:, None]
                    if np.isfinite(low):
                        met &= x >= (low - r)[:, None]
                out[i] = met.mean(axis=1)
        return out


def root(cov: Array) -> Array:
    """A matrix whose product with its transpose is ``cov`` (p, p), singular allowed."""
    w, v = np.linalg.eigh(0.5 * (cov + cov.T))
    return np.asarray(v * np.sqrt(np.maximum(w, 0.0)))


def doubts_of(as_built: AsBuilt, model: Model, choices: Mapping[str, HoleChoice], variants: Sequence[Variant],
              of: Callable[[Curves], Array]) -> list[Doubt]:
    """Slopes of ``of`` (curves of m variants to (m, o)) about each variant, by central differences."""
    known = {n for n, v in zip(as_built.names, np.diag(as_built.cov), strict=True) if v > 0}
    out = []
    for i in range(0, len(variants), SLOPES_AT_ONCE):
        out += _doubts(as_built, model, choices, variants[i:i + SLOPES_AT_ONCE], of, known)
    return out


def _doubts(as_built: AsBuilt, model: Model, choices: Mapping[str, HoleChoice], variants: Sequence[Variant],
            of: Callable[[Curves], Array], known: Collection[str]) -> list[Doubt]:
    """The same side by side; ``known``: parameters that slopes are taken of anyway."""
    names = [[n for n, mv in model.moves.items() if mv.setting_sd > 0 and (mv.solved or v.moves.get(n))]
             for v in variants]
    more = [p for v, own in zip(variants, names, strict=True)
            for p in (*(_moved(model, v, n) for n in own), *(_seated(model, v, p) for p in _unknown(v, known)))]
    base, got = slopes_about(model, as_built, variants, of, [p for pair in more for p in pair])
    rows = iter(got)  # as they were asked for

    def slope(size: int, step: float) -> Array:
        up, down = (np.array([next(rows) for _ in range(size)]) for _ in range(2))
        return np.asarray((up - down) / (2 * step)).T

    out = []
    for v, own, s in zip(variants, names, base, strict=True):
        moves = {n: slope(1, model.moves[n].nudge)[:, 0] * model.moves[n].setting_sd for n in own}
        new = {p: slope(3, SEAT_NUDGE) for p in _unknown(v, known)}
        seats = {p: (new[p] if p in new else s.J[:, [s.names.index(n) for n in _seat(v, p)]]) * choices[p].seat_sd
                 for p in v.holes}
        out.append(Doubt(s, moves, seats))
    return out


def _moved(model: Model, v: Variant, name: str) -> tuple[Perturbed, Perturbed]:
    """The variant with a move made a little further, and a little less far."""
    up, down = (Perturbed(replace(v, moves={**v.moves, name: v.moves.get(name, 0.0) + sign * model.moves[name].nudge}),
                          (), np.zeros((1, 0))) for sign in (1.0, -1.0))
    return up, down


def _seat(v: Variant, point: str) -> tuple[str, str, str]:
    """Names of the place of a ball in its new hole."""
    return vector_names(point, Kind.HOLE, v.holes[point])


def _unknown(v: Variant, known: Collection[str]) -> list[str]:
    """Points whose new hole's place is not among the measured parameters."""
    return [p for p in v.holes if not set(_seat(v, p)) <= set(known)]


def _seated(model: Model, v: Variant, point: str) -> tuple[Perturbed, Perturbed]:
    """The variant with a ball a little off along each axis (3 rows), to either side."""
    names, off = _seat(v, point), SEAT_NUDGE * np.eye(3)
    x = get_parameters(model.rig, names)
    return Perturbed(v, names, x + off), Perturbed(v, names, x - off)


def figures_of(objective: Objective, c: Curves) -> Array:
    """Target figures of the curves, (m, targets), rad, mm or plain."""
    f = objective.figures(c, objective.names)
    return np.stack([f[t.name] for t in objective.targets], axis=1)
