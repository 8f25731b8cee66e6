"""Shapes of arrays that come in from outside: a wrong one is refused in a sentence, before it is computed with."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def of_shape(what: str, value: ArrayLike, shape: tuple[int | str, ...], *, stack: bool = False) -> NDArray[np.float64]:
    """``value`` as floats of ``shape``; a letter in it stands for any length, ``stack`` allows further axes ahead.

    Raises ValueError: "rotation vector must have shape (3,), got (4,)".

    >>> of_shape("rotation vector", [0, 0, 1], (3,))
    array([0., 0., 1.])
    """
    try:
        a = np.asarray(value, float)
    except (TypeError, ValueError):
        raise ValueError(f"{what} must be numbers of shape {_said(shape, False)}, got {type(value).__name__}") from None
    tail = a.shape[max(a.ndim - len(shape), 0):]
    fits = len(tail) == len(shape) and all(isinstance(w, str) or n == w for n, w in zip(tail, shape, strict=True))
    if not fits or (a.ndim > len(shape) and not stack):
        raise ValueError(f"{what} must have shape {_said(shape, stack and a.ndim > len(shape))}, got {a.shape}")
    return a


def one_number(what: str, value: object) -> float:
    """``value`` as a float; ValueError where it is not a single number."""
    try:
        a = np.asarray(value, float)
    except (TypeError, ValueError):
        raise ValueError(f"{what} must be one number, got {type(value).__name__}") from None
    if a.ndim:
        raise ValueError(f"{what} must be one number, got an array of shape {a.shape}")
    return float(a)


def _said(shape: tuple[int | str, ...], stack: bool) -> str:
    parts = [*(["..."] if stack else []), *map(str, shape)]
    return f"({parts[0]},)" if len(parts) == 1 else f"({', '.join(parts)})"
