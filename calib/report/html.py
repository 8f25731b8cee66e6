"""Templates into HTML, and pictures into the page itself, so that one file holds the whole report."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.report.overlay import data_uri

if TYPE_CHECKING:
    from jinja2 import Environment


@dataclass(frozen=True)
class Picture:
    """A plot or photo inside the page. ``words`` stand for it where it cannot be seen."""

    uri: str
    words: str
    caption: str = ""
    small: bool = False
    narrow: str = ""
    wide: str = ""


def picture(path: Path, words: str, caption: str = "", small: bool = False, shapes: str = "") -> Picture | None:
    """The picture in a file, an SVG as drawn; None where there is no such file.

    ``shapes``: folder beside it where its other shapes are looked for, for a narrow screen and for wide paper.
    """
    if not path.exists():
        return None
    other = {s: _uri(p) for s in ("narrow", "wide")
             if shapes and (p := path.parent / shapes / f"{path.stem}_{s}.svg").exists()}
    return Picture(_uri(path) if path.suffix == ".svg" else data_uri(path), words, caption, small, **other)


def _uri(svg: Path) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.read_bytes()).decode("ascii")


def sentence(words: str) -> str:
    """Words from elsewhere with a full stop and without underscores."""
    words = words.replace("_", " ").strip()
    return words if words.endswith((".", "!", "?")) else words + "."


def anchor(title: str) -> str:
    """The name by which a section is linked to: "Go / no-go sheet" is "go-no-go-sheet"."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")


def sections(page: str) -> list[dict[str, str]]:
    """Title and anchor of every section that came to be in a piece of the page."""
    found = re.findall(r'<section id="([^"]*)"><h2>([^<]*)</h2>', page)
    return [{"anchor": a, "title": html.unescape(t)} for a, t in found]


def render(template: str, **context: Any) -> str:
    """A template of ``calib/report/templates`` filled in; every text from outside is escaped."""
    return _environment().get_template(template).render(**context)


def sketches() -> Callable[[str, str], str]:
    """The glossary's drawings: key and word to SVG."""
    macro = _environment().get_template("sketches.html.j2").module.sketch  # type: ignore[attr-defined]
    return lambda key, word: str(macro(key, word))


def _as_written(value: Any) -> Any:
    """The sign that tables use, where a sentence made for terminals has it in letters that every console knows."""
    return value.replace("+/-", "\u00b1") if isinstance(value, str) else value


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from calib.advice.proposal import percent
    from calib.report.sheet import listing

    env = Environment(loader=PackageLoader("calib.report"), autoescape=True, undefined=StrictUndefined,
                      trim_blocks=True, lstrip_blocks=True, finalize=_as_written)
    env.filters.update(percent=percent, sentence=sentence, listing=listing, anchor=anchor, sections=sections)
    env.policies["json.dumps_kwargs"] = {"separators": (",", ":")}
    return env
