"""Numbers and names as they are shown: a value with its 95 % half-width, rounded to what is known."""

from __future__ import annotations

import math

FINEST = {"mm": 2, "deg": 3}  # decimals; finer is never used at a vehicle


def pm(value: float | None, u95: float | None, unit: str = "") -> str:
    """ "12.34 ± 0.05 mm" with two figures of the uncertainty kept; a dash where the value is not known."""
    if value is None or not math.isfinite(value):
        return "-"
    tail = f" {unit}" if unit and unit != "plain" else ""
    if u95 is None or not math.isfinite(u95):
        return f"{value:.2f}{tail}"
    digits = places(u95, unit)
    value = round(value, digits) + 0.0  # no minus before a zero
    if u95 == 0:  # fixed by convention, so nothing to doubt
        return f"{value:.{digits}f}{tail}"
    return f"{value:.{digits}f} \u00b1 {_up(u95, digits):.{digits}f}{tail}"


def bare(value: float | None, u95: float | None, unit: str = "") -> str:
    """The same without its unit, for a table that has a column for it."""
    text = pm(value, u95, unit)
    return text.removesuffix(f" {unit}") if unit else text


def places(u95: float, unit: str = "") -> int:
    """Decimals that keep two figures of ``u95`` (GUM, JCGM 100:2008, 7.2.6), but no more than a unit is good for."""
    most = FINEST.get(unit, 4)
    if u95 <= 0 or not math.isfinite(u95):
        return min(2, most)
    return min(most, max(0, 1 - math.floor(math.log10(u95))))


def _up(u95: float, digits: int) -> float:
    """An uncertainty never shown as zero."""
    return max(u95, 10.0**-digits) if u95 > 0 else u95
