"""Single values of a rig file, read by the kind that ``calib.rig.schema`` gives them."""

from __future__ import annotations

import math
import re
from typing import Any

from calib.rig.errors import nearest
from calib.rig.model import Vec
from calib.rig.schema import FAR, WAYS, Key
from calib.rig.units import angle_rad, length_mm


class Bad(Exception):
    """A value that is not allowed; the text says what is."""


def _limits(key: Key, unit: str) -> str:
    parts = []
    if key.above is not None:
        parts.append(f"above {key.above:g}")
    if key.lo is not None:
        parts.append(f"at least {key.lo:g}")
    if key.hi is not None:
        parts.append(f"at most {key.hi:g}")
    return (" " + " and ".join(parts) + f" {unit}".rstrip()) if parts else ""


def _in_limits(x: float, key: Key) -> bool:
    return not (
        (key.above is not None and x <= key.above)
        or (key.lo is not None and x < key.lo)
        or (key.hi is not None and x > key.hi)
    )


def _length(value: object, key: Key) -> float:
    allowed = 'a length in mm or text with its unit such as "7/8 in"' + _limits(key, "mm")
    try:
        x = length_mm(value)
    except ValueError as exc:
        raise Bad(f"{allowed} ({exc})") from None
    if not _in_limits(x, key):
        raise Bad(allowed)
    return x


def _angle(value: object, key: Key) -> float:
    allowed = 'an angle in degrees or text such as "5 deg"' + _limits(key, "deg")
    try:
        x = angle_rad(value)
    except ValueError as exc:
        raise Bad(f"{allowed} ({exc})") from None
    if not _in_limits(math.degrees(x), key):
        raise Bad(allowed)
    return x


def _number(value: object, key: Key) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Bad("a number" + _limits(key, ""))
    if not _in_limits(value, key):
        raise Bad("a number" + _limits(key, ""))
    return float(value)


def _place(value: object, key: Key) -> Vec:
    allowed = f"three lengths [x, y, z] in mm, x forward, y left, z up, each within {FAR:g} mm"
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise Bad(allowed)
    x, y, z = (_part(v, allowed) for v in value)
    return (x, y, z)


def _part(value: object, allowed: str) -> float:
    try:
        return _length(value, Key("length", None, "", lo=-FAR, hi=FAR))
    except Bad:
        raise Bad(allowed) from None


def _direction(value: object, _key: Key) -> Vec:
    allowed = f"three numbers [x, y, z], not all zero, or one of the words {', '.join(WAYS)}"
    if isinstance(value, str):
        if value not in WAYS:
            raise Bad(allowed + nearest(value, WAYS))
        return WAYS[value]
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise Bad(allowed)
    try:
        x, y, z = (_number(v, Key("number", None, "")) for v in value)
    except Bad:
        raise Bad(allowed) from None
    size = math.sqrt(x * x + y * y + z * z)
    if not 1e-9 < size < 1e9:
        raise Bad(allowed)
    if abs(size - 1.0) < 1e-12:  # already unit: keep the digits, so that a written file reads back the same
        return (x, y, z)
    return (x / size, y / size, z / size)


def _pair(value: object, key: Key, what: str) -> tuple[float, float]:
    one, unit = (_angle, "deg") if what == "angles" else (_length, "mm")
    allowed = f"two {what} [from, to] in {unit}, the smaller first" + _limits(key, unit)
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise Bad(allowed)
    try:
        a, b = one(value[0], key), one(value[1], key)
    except Bad:
        raise Bad(allowed) from None
    if a > b:
        raise Bad(allowed)
    return a, b


def _label(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if not isinstance(value, str) or not value.strip():
        raise Bad("a name in quotes")
    return value


def _labels(value: object, key: Key) -> tuple[str, ...]:
    allowed = 'a list of names in quotes such as ["back", "ahead"]'
    if not isinstance(value, list | tuple):
        raise Bad(allowed)
    try:
        labels = tuple(_label(v) for v in value)
    except Bad:
        raise Bad(allowed) from None
    if key.kind == "labels":
        if len(set(labels)) != len(labels):
            raise Bad(allowed + ", each once")
        wrong = [x for x in labels if re.search(r'[/\\:*?"<>|]', x) or x.startswith(".") or x != x.strip()]
        if wrong:
            raise Bad(allowed + f', usable as folder names ("{wrong[0]}" is not)')
    return labels


def _choice(value: object, key: Key) -> str:
    allowed = "one of " + ", ".join(f'"{c}"' for c in key.choices)
    if isinstance(value, str) and (value in key.choices or value == key.default):
        return value
    raise Bad(allowed + (nearest(value, key.choices) if isinstance(value, str) else ""))


def _holes(value: object, key: Key) -> dict[str, Vec]:
    if not isinstance(value, dict) or not value:
        raise Bad("a table of hole names and places such as { A = [0, 0, 0], B = [0, 0, 9] }")
    out = {}
    for name, place in value.items():
        if not plain_name(name):
            raise Bad(f'hole names of letters, digits, - and _ ("{name}" is not)')
        try:
            out[name] = _place(place, key)
        except Bad as exc:
            raise Bad(f"for hole {name}, {exc}") from None
    return out


def plain_name(name: str, dots: bool = False) -> bool:
    return re.fullmatch(r"[\w .-]+" if dots else r"[\w -]+", name) is not None and name == name.strip()


def convert(value: object, key: Key) -> Any:
    match key.kind:
        case "length":
            return _length(value, key)
        case "angle":
            return _angle(value, key)
        case "number":
            return _number(value, key)
        case "whole":
            if isinstance(value, bool) or not isinstance(value, int) or not _in_limits(value, key):
                raise Bad("a whole number" + _limits(key, ""))
            return value
        case "flag":
            if not isinstance(value, bool):
                raise Bad("true or false")
            return value
        case "place":
            return _place(value, key)
        case "direction":
            return _direction(value, key)
        case "angle range":
            return _pair(value, key, "angles")
        case "length range":
            return _pair(value, key, "lengths")
        case "name" | "label":
            return _label(value)
        case "labels" | "texts":
            return _labels(value, key)
        case "choice":
            return _choice(value, key)
        case "holes":
            return _holes(value, key)
    raise AssertionError(key.kind)
