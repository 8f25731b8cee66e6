"""Which settings are tried: hole sets and tried places, sets of moves, and the whole steps about a solved setting."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.advice.search import Model, Variant, side_rods
from calib.rig.adjustables import HoleChoice, Move
from calib.rig.model import Rig

MOST_PLACES = 7  # tried places of a move that is not solved for
MOST_BESIDE = 200  # hole sets of the rods to a second lever
MOST_LATTICE = 300  # whole-step settings about one solved setting


@dataclass(frozen=True)
class HoleSets:
    """Holes by point where they differ from the present: ``main`` steer, ``beside`` only set a second lever."""

    main: list[dict[str, str]]
    beside: list[dict[str, str]]
    places: list[dict[str, float]]  # amounts of the moves that are tried place by place
    complete: bool  # nothing was left out

    @property
    def count(self) -> int:
        """Hole combinations."""
        return len(self.main) * len(self.beside)

    def rows(self) -> list[Variant]:
        """Every main hole set at every tried place."""
        return [Variant(h, p) for p in self.places for h in self.main]


def side_points(rig: Rig) -> set[str]:
    """Points whose rod only brings in a lever that steers nothing."""
    return {p for r in side_rods(rig) for p in (rig.rods[r].a, rig.rods[r].b)}


def hole_sets(rig: Rig, choices: Mapping[str, HoleChoice], moves: Mapping[str, Move], most: int) -> HoleSets:
    """Every combination of holes, up to ``most``."""
    side = side_points(rig)

    def every(names: Sequence[str], limit: int) -> tuple[list[dict[str, str]], bool]:
        rows = itertools.product(*(choices[n].holes for n in names))
        picks = list(itertools.islice(rows, limit))
        return ([{n: h for n, h in zip(names, p, strict=True) if h != choices[n].now} for p in picks],
                next(rows, None) is None)

    main, all_main = every([n for n in choices if n not in side], most)
    beside, all_beside = every([n for n in choices if n in side], MOST_BESIDE)
    return HoleSets(main, beside, tried_places(moves), all_main and all_beside)


def tried_places(moves: Mapping[str, Move], most: int = MOST_PLACES) -> list[dict[str, float]]:
    """Amounts of the moves that are not solved for, one of them at a time, evenly over its range."""
    out: list[dict[str, float]] = [{}]
    for n, mv in moves.items():
        if not mv.solved:
            first, last = int(np.ceil(mv.low / mv.step)), int(np.floor(mv.high / mv.step))
            ks = {int(k) for k in np.linspace(first, last, min(most, last - first + 1)).round()} - {0}
            out += [{n: k * mv.step} for k in sorted(ks)]
    return out


def subsets(names: Sequence[str]) -> list[tuple[str, ...]]:
    """Sets of moves made together: all of them up to five moves, else up to three at a time and all."""
    most = len(names) if len(names) <= 5 else 3
    out = [s for k in range(most + 1) for s in itertools.combinations(names, k)]
    return out if most == len(names) else [*out, tuple(names)]


def whole_steps(model: Model, v: Variant, free: Sequence[str], telling: Sequence[str]) -> list[Variant]:
    """Settings in whole steps about a solved one: on either side, and one step further for the ``telling`` moves."""

    def choices(wide: bool) -> list[tuple[float, ...]]:
        out = []
        for n in free:
            mv, x = model.moves[n], v.moves.get(n, 0.0)
            k0, k1 = int(np.floor(x / mv.step)), int(np.ceil(x / mv.step))
            out.append(mv.steps(k0 - 1, k1 + 1) if wide and n in telling else mv.whole(x))
        return out

    picked = choices(model.fast)
    if np.prod([len(c) for c in picked], initial=1.0) > MOST_LATTICE:
        picked = choices(False)
    return [set_to(v, dict(zip(free, pick, strict=True))) for pick in itertools.product(*picked)]


def set_to(v: Variant, amounts: Mapping[str, float]) -> Variant:
    """The variant with amounts set; a move of nothing is none."""
    return replace(v, moves={n: x for n, x in {**v.moves, **amounts}.items() if x})


def around(model: Model, v: Variant, free: Sequence[str]) -> list[Variant]:
    """The settings one whole step away in any of the free moves, together or alone, and two steps in one alone."""
    own = [model.moves[n] for n in free]
    ks = [int(round(v.moves.get(n, 0.0) / mv.step)) for n, mv in zip(free, own, strict=True)]
    rows = list(itertools.product((-1, 0, 1), repeat=len(free))) if len(free) <= 4 else []
    rows += [tuple(s * d if i == j else 0 for j in range(len(free))) for i in range(len(free))
             for d in (1, 2) for s in (-1, 1)]
    out = {}
    for row in rows:
        want = [mv.steps(k + d, k + d) for mv, k, d in zip(own, ks, row, strict=True)]
        if any(row) and all(w[0] == (k + d) * mv.step for w, mv, k, d in zip(want, own, ks, row, strict=True)):
            new = set_to(v, {n: w[0] for n, w in zip(free, want, strict=True)})
            out[new.key()] = new
    return list(out.values())
