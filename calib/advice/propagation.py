"""How the joint covariance of the measured rig reaches figures and curves (GUM, JCGM 100, first order)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.advice.search import Curves, Model, Perturbed, Variant
from calib.linkage.turned import bend
from calib.results import AsBuilt
from calib.rig.model import Rig
from calib.rig.parameters import (
    Kind,
    ParameterName,
    get_parameters,
    parsed,
    steps,
    varied,
    vector_names,
    with_parameters,
)
from calib.uncertainty import (
    block_diag,
    differences,
    each,
    from_nudged,
    half_width,
    nudged,
    share_beside,
    standard,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Slopes:
    """Values (o,) and their slopes (o, n) against the named parameters of the measured rig."""

    values: Array
    J: Array
    names: tuple[str, ...]
    cov: Array  # (n, n)
    bend: Array | float = 0.0  # (o,) of the squared half-widths, which slopes do not tell: see calib.linkage.turned

    @property
    def spread(self) -> Array:
        """Covariance of the values, (o, o)."""
        return self.J @ self.cov @ self.J.T

    @property
    def u95(self) -> Array:
        """95 % half-widths, (o,)."""
        first_order = half_width(self.J, self.cov)
        return np.asarray(np.sqrt(first_order ** 2 + self.bend)) if np.any(self.bend) else first_order


def touches(rig: Rig, names: Sequence[str], cov: Array, uses: dict[str, str] | None = None) -> list[int]:
    """Indices of parameters that can move a heading: not wheel centres, holes not in use, or fixed values."""
    keep = []
    for k, n in enumerate(parsed(names)):
        if cov[k, k] <= 0 or n.kind is Kind.CENTRE:
            continue
        if n.kind is Kind.HOLE and (uses or {}).get(n.owner, rig.points[n.owner].use) != n.hole:
            continue
        keep.append(k)
    return keep


def slopes(model: Model, as_built: AsBuilt, variant: Variant, of: Callable[[Curves], Array]) -> Slopes:
    """Central differences of ``of`` (curves of m variants -> (m, o)) against the measured parameters."""
    return slopes_about(model, as_built, [variant], of)[0][0]


def slopes_about(model: Model, as_built: AsBuilt, variants: Sequence[Variant], of: Callable[[Curves], Array],
                 more: Sequence[Perturbed] = ()) -> tuple[list[Slopes], Array]:
    """The slopes about each of many variants, side by side, and ``of`` for the rows of ``more`` (k, o)."""
    used = [touches(as_built.rig, as_built.names, as_built.cov, dict(v.holes)) for v in variants]
    names = [tuple(as_built.names[k] for k in idx) for idx in used]
    step = [steps(n) for n in names]
    rows = [nudged(get_parameters(as_built.rig, n), h) for n, h in zip(names, step, strict=True)]
    blocks = [Perturbed(v, n, r) for v, n, r in zip(variants, names, rows, strict=True)]
    got = of(model.all_perturbed([*blocks, *more]))
    own, out = np.split(got, np.cumsum([len(r) for r in rows])), []
    for v, n, idx, h, y in zip(variants, names, used, step, own[:-1], strict=True):
        bent = bend(partial(_alone, of, model.driver, v), as_built)
        out.append(Slopes(*from_nudged(y, h), n, as_built.cov[np.ix_(idx, idx)], bent))
    return out, own[-1]


def _alone(of: Callable[[Curves], Array], driver: Array, variant: Variant, rig: Rig) -> Array:
    return of(Model(rig, driver).curves([variant]))[0]


def rig_slopes(of: Callable[[Rig], Array], as_built: AsBuilt, wanted: Callable[[ParameterName], bool],
               at_once: bool = False) -> Slopes:
    """Central differences of ``of`` (rig -> (o,)) against those measured parameters that are ``wanted``.

    ``at_once``: whether ``of`` also takes many rigs as ``varied`` makes them, to (m, 1, o).
    """
    idx = [k for k, n in enumerate(parsed(as_built.names)) if as_built.cov[k, k] > 0 and wanted(n)]
    names = tuple(as_built.names[k] for k in idx)

    def many(rows: Array) -> Array:
        return of(varied(as_built.rig, names, rows))[:, 0]

    values, J = differences(many if at_once else each(lambda x: of(with_parameters(as_built.rig, names, x))),
                            get_parameters(as_built.rig, names), steps(names))
    return Slopes(values, J, names, as_built.cov[np.ix_(idx, idx)], bend(of, as_built))


def share_from_photos(s: Slopes, as_built: AsBuilt) -> list[float | None]:
    """Share of each value's variance that rests on photos, 0..1, the rest on the drawing; None for no variance."""
    at = {n: i for i, n in enumerate(as_built.names)}
    idx = [at[n] for n in s.names]
    return share_beside(s.J, s.cov, as_built.drawing_cov[np.ix_(idx, idx)])


def what_limits(s: Slopes, row: int) -> ParameterName | None:
    """The vector or length whose uncertainty weighs most on a value, by its first component; None: nothing does."""
    weight: dict[ParameterName, float] = {}
    for name, g, v in zip(parsed(s.names), s.J[row], np.diag(s.cov), strict=True):
        first = replace(name, component=0)
        weight[first] = weight.get(first, 0.0) + g * g * v
    return max(weight, key=lambda k: weight[k]) if weight else None


def with_wheel_doubt(as_built: AsBuilt) -> AsBuilt:
    """Gives a wheel never seen turning by hand the drawing's doubt on its spin axis, where it has none yet.

    Without it toe and camber would look exact: a tag on the upright says nothing of how the wheel sits on it.
    """
    names = list(as_built.names)
    doubt = []
    for side, w in as_built.rig.wheels.items():
        x, _, z = vector_names(side, Kind.SPIN)
        new = [n for n in (x, z) if not w.measured and n not in as_built.names]
        names += new
        doubt += [standard(w.spin_tol) ** 2] * len(new)
    if not doubt:
        return as_built
    cov, drawn = (block_diag(c, np.diag(doubt)) for c in (as_built.cov, as_built.drawing_cov))
    photos = {**as_built.from_photos, **dict.fromkeys(names[len(as_built.names):], 0.0)}
    return replace(as_built, names=tuple(names), cov=cov, from_photos=photos, drawn=drawn, held=None)
