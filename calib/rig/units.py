"""Lengths, angles and screw threads as a builder writes them, turned into mm and radians."""

from __future__ import annotations

import math
import re

INCH = 25.4  # mm
MM_PER: dict[str, float] = {
    "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": INCH, "inch": INCH, "inches": INCH, '"': INCH,
}

# ISO 261 coarse series, nominal diameter to pitch in mm (from memory).
COARSE_PITCH_MM: dict[str, float] = {
    "M3": 0.5, "M4": 0.7, "M5": 0.8, "M6": 1.0, "M8": 1.25, "M10": 1.5, "M12": 1.75,
}

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(
    r"^\s*(?:(?P<sign>[+-])?\s*(?:(?P<whole>\d+)[\s-]+)?(?P<num>\d+)\s*/\s*(?P<den>\d+)"
    rf"|(?P<value>{_NUMBER}))"
    r"\s*(?P<unit>[^\d\s.].*?)?\s*$"
)


def _quantity(text: str) -> tuple[float, str]:
    """Number and unit of "1 3/4 in", "22 mm", "0.5in"; ValueError where it does not read."""
    if re.search(r"\d,\d", text):
        raise ValueError("write a decimal point, not a comma")
    m = _QUANTITY.match(text)
    if m is None:
        raise ValueError("not a number with a unit")
    unit = (m["unit"] or "").strip()
    if m["value"] is not None:
        return float(m["value"]), unit
    if int(m["den"]) == 0:
        raise ValueError("a fraction over zero")
    size = int(m["whole"] or 0) + int(m["num"]) / int(m["den"])
    return (-size if m["sign"] == "-" else size), unit


def _plain(value: object) -> float | None:
    """A finite number as float, None for anything that is no number; ValueError for nan and inf."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if not math.isfinite(value):
        raise ValueError("not a finite number")
    return float(value)


def length_mm(value: object) -> float:
    """Length in mm from a number (mm) or text with its unit ("7/8 in", "22 mm", "2.2 cm").

    Raises ValueError with the reason where it does not read.
    """
    number = _plain(value)
    if number is not None:
        return number
    if not isinstance(value, str):
        raise ValueError("not a length")
    number, unit = _quantity(value)
    if unit == "":
        raise ValueError("text without a unit")
    if unit.lower() not in MM_PER:
        raise ValueError(f"unknown unit {unit!r}")
    return number * MM_PER[unit.lower()]


def angle_rad(value: object) -> float:
    """Angle in radians from a number (degrees) or text ("5 deg", "0.1 rad"). ValueError with the reason."""
    number = _plain(value)
    if number is not None:
        return math.radians(number)
    if not isinstance(value, str):
        raise ValueError("not an angle")
    number, unit = _quantity(value)
    if unit.lower() in ("deg", "degree", "degrees", "°"):
        return math.radians(number)
    if unit.lower() == "rad":
        return number
    raise ValueError("text without a unit" if unit == "" else f"unknown unit {unit!r}")


def thread(text: str) -> tuple[float, float]:
    """Nominal diameter and pitch in mm of "M8" (ISO 261 coarse), "M8x1" (metric fine) or "1/4-28" (inch).

    Raises ValueError with the reason where it does not read.
    """
    t = text.strip()
    m = re.fullmatch(r"[Mm]\s*(\d+(?:\.\d+)?)(?:\s*[xX×*]\s*(\d+(?:\.\d+)?))?", t)
    if m is not None:
        diameter = float(m[1])
        name = f"M{diameter:g}"
        if m[2] is None:
            if name not in COARSE_PITCH_MM:
                raise ValueError(f"no coarse pitch known for {name}; write the pitch too, such as {name}x1")
            return diameter, COARSE_PITCH_MM[name]
        pitch = float(m[2])
        if not 0.0 < pitch <= 0.3 * diameter:
            raise ValueError(f"a pitch of {pitch:g} mm does not fit a {diameter:g} mm thread")
        return diameter, pitch
    m = re.fullmatch(r"(\d+)/(\d+)(?:\s*in)?\s*-\s*(\d+)(?:\s*UN[CFS]?)?", t)
    if m is not None and int(m[2]) > 0 and int(m[1]) > 0 and int(m[3]) > 0:
        diameter, pitch = INCH * int(m[1]) / int(m[2]), INCH / int(m[3])
        if pitch > 0.3 * diameter:
            raise ValueError(f"{m[3]} threads per inch does not fit a {diameter:.2f} mm thread")
        return diameter, pitch
    raise ValueError("not a thread")
