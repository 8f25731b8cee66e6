"""The commented rig.toml a builder starts from: every key explained, or a usual layout said in short."""

from __future__ import annotations

import json
from pathlib import Path

from calib.rig.errors import nearest
from calib.rig.figures import targets
from calib.rig.schema import defaults, implied
from capture.errors import UserError

_TEMPLATE = Path(__file__).with_name("starter_template.toml")
_LAYOUTS = Path(__file__).with_name("layouts")
_SHARED = ("head", "survey", "prints", "end")  # what the layouts have in common
_PLACES = {"bodies": ("pivot", "axis", "caster", "inclination", "pivot_tolerance", "axis_tolerance", "travel"),
           "wheels": ("centre", "spin_axis"), "points": ("at", "bolt", "tolerance"),
           "rods": ("tolerance", "plus_minus")}

LAYOUTS: dict[str, str] = {
    "direct": "two levers, each with a rod straight to its wheel's upright, and a tie rod",
    "crank": "two levers working one crank, and a tie rod from it to each wheel",
    "bar": "one handlebar or tiller with a rod to each wheel",
    "leaning": "two levers and a crank on a front axle that leans against the frame",
}


def starter_text(name: str = "my vehicle", layout: str = "", drawn: bool = True) -> str:
    """A commented rig.toml of an invented vehicle called ``name``; it loads as it is.

    Without a ``layout`` two levers with direct rods, every key at length and explained; with one of ``LAYOUTS`` that
    layout, the left side only and in the short forms. Not ``drawn``: that layout without any place, for a survey (see
    ``load_survey``). Raises UserError for another layout, or none where it is not ``drawn``.

    >>> print(*[line for line in starter_text("Pipit").splitlines() if line.startswith("name")])
    name = "Pipit"
    """
    if layout or not drawn:
        return _layout_text(layout, drawn).replace("@NAME@", json.dumps(name, ensure_ascii=False))
    template = _TEMPLATE.read_text(encoding="utf-8")
    wanted = [f"#   {t:20s} {k.unit or 'plain':6s} {k.meaning}" for t, k in targets().items() if not k.of_one_side]
    split = sorted({t.rpartition("_")[0] for t, k in targets().items() if k.of_one_side})
    wanted.append(f"# {', '.join(split)} are means of both sides; with _left, _right or _difference (left less "
                  "right)\n# at the end of the name you judge each side.")
    assumed = [f"#   {path:30s} {default:13s} {what}" for path, default, what in defaults()
               if default != "left out"]
    follows = [f"#   {path:18s} {what}" for path, what in implied()]
    text = template.replace("@NAME@", json.dumps(name, ensure_ascii=False))
    for mark, lines in (("@TARGETS@", wanted), ("@DEFAULTS@", assumed), ("@IMPLIED@", follows)):
        text = text.replace(mark, "\n".join(lines))
    return text


def _layout_text(layout: str, drawn: bool) -> str:
    if layout not in LAYOUTS:
        raise UserError(f'There is no layout "{layout}"{nearest(layout, LAYOUTS)}; there are: {", ".join(LAYOUTS)}.',
                        "no_layout", layout)
    text = (_LAYOUTS / f"{layout}.toml").read_text(encoding="utf-8")
    if not drawn:
        text = _without_places(text)
    for part in _SHARED:
        text = text.replace(f"@{part.upper()}@\n", (_LAYOUTS / f"{part}.txt").read_text(encoding="utf-8"))
    return text


def _without_places(text: str) -> str:
    """A layout's text as a survey takes it: no place, direction, length or tolerance, and no targets."""
    text = text.replace("@HEAD@", "@SURVEY@").partition("# --- what you want")[0] + "@END@\n"
    text = text.replace("rods: as long as the places above say", "rods: what each joins, and how it is set")
    text = text.replace("where rods attach: always the middle of the ball", "where rods attach: a tag on every bolt")
    by_tag = "[tags.left_wheel]" in text  # else no photo shows where a wheel is
    lines, section = [], ""
    for line in text.splitlines():
        if line.startswith("["):
            section = line[1:].split(".")[0].rstrip("]")
        key = line.partition("=")[0].strip()
        if key in _PLACES.get(section, ()) and (by_tag or key != "centre"):
            continue
        lines.append(line)
        if line.startswith("wheelbase"):
            lines.append("# track = 720                 # between the middles of the front tyres, by tape: yours")
    return "\n".join(lines).replace("# middle of the tyre", "# middle of the tyre, yours to 50 mm") + "\n"


def write_starter(path: Path, name: str = "my vehicle", layout: str = "", drawn: bool = True) -> None:
    """Write ``starter_text(name, layout, drawn)``. Raises UserError where the file exists: it is never overwritten."""
    text = starter_text(name, layout, drawn)
    try:
        with Path(path).open("x", encoding="utf-8") as f:
            f.write(text)
    except FileExistsError:
        raise UserError(f"{path}: exists already and was left as it is; choose another name",
                        "exists", str(path)) from None
    except OSError as exc:
        raise UserError(f"{path}: cannot be written ({exc.strerror}); name a folder that exists",
                        "cannot_write", str(path)) from None
