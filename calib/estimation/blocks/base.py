"""What every kind of row has in common."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.estimation.solver import Normal
from calib.estimation.unknowns import Motions

Array = NDArray[np.float64]
Slots = tuple[int, ...]


@dataclass(frozen=True)
class RowBlock(ABC):
    """A few scalar equations over some of the shared unknowns.

    ``slots``: the unknowns touched, in the order of the Jacobian's columns; one may come twice, and then its columns
    add up. ``robust`` kinds lose weight beyond the problem's ``prior_scale``.
    """

    slots: Slots
    item: str  # what the row is about: a rod, tag, body or point of the rig file

    kind: ClassVar[str]
    robust: ClassVar[bool] = False

    @abstractmethod
    def residual(self, m: Motions) -> Array:
        """Residual (rows,) in standard units at the state of ``m``."""

    @abstractmethod
    def jacobian(self, m: Motions) -> Array:
        """Derivative (rows, slots) of ``residual`` along the steps of ``unknowns.retract``."""

    @cached_property
    def _index(self) -> NDArray[np.intp]:
        return np.asarray(self.slots, dtype=np.intp)

    @cached_property
    def _repeats(self) -> bool:
        return len(set(self.slots)) < len(self.slots)

    def add_to(self, n: Normal, m: Motions, scale: float) -> float:
        """Add the rows to the normal equations with their weight; returns their cost (twice)."""
        r, j = self.residual(m), self.jacobian(m)
        w, cost = weight(self, r, scale)
        ix = self._index
        square, pull = w * j.T @ j, w * j.T @ r
        if self._repeats:  # a rod between two bodies of one chain
            np.add.at(n.shared, (ix[:, None], ix[None, :]), square)
            np.add.at(n.g_shared, ix, pull)
        else:
            n.shared[ix[:, None], ix] += square
            n.g_shared[ix] += pull
        return cost


@dataclass(frozen=True)
class Row:
    """A block at one state: residual r (m,) in standard units, derivative J (m, k) over its slots (k,)."""

    block: RowBlock
    r: Array
    J: Array

    @property
    def kind(self) -> str:
        return self.block.kind

    @property
    def item(self) -> str:
        return self.block.item

    @property
    def slots(self) -> Slots:
        return self.block.slots


def weight(block: RowBlock, r: Array, scale: float) -> tuple[float, float]:
    """Weight and cost (twice) of a block with residual ``r`` (m,): Cauchy's beyond ``scale``, where it is robust."""
    e2 = float(r @ r)
    if not block.robust:
        return 1.0, e2
    c2 = scale**2 * len(r)
    return 1 / (1 + e2 / c2), c2 * float(np.log1p(e2 / c2))


def slots_of(*parts: slice | int | Sequence[int]) -> Slots:
    """Slots put one behind the other."""
    out: list[int] = []
    for p in parts:
        if isinstance(p, slice):
            out += range(p.start, p.stop)
        elif isinstance(p, int):
            out.append(p)
        else:
            out += p
    return tuple(out)
