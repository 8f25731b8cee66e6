"""Templates into HTML, and pictures into the page itself, so that one file holds the whole report."""

from __future__ import annotations

import base64
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


def picture(path: Path, words: str, caption: str = "", small: bool = False) -> Picture | None:
    """The picture in a file, an SVG as drawn; None where there is no such file."""
    if not path.exists():
        return None
    if path.suffix == ".svg":
        uri = "data:image/svg+xml;base64," + base64.b64encode(path.read_bytes()).decode("ascii")
    else:
        uri = data_uri(path)
    return Picture(uri, words, caption, small)


def sentence(words: str) -> str:
    """Words from elsewhere with a full stop and without underscores."""
    words = words.replace("_", " ").strip()
    return words if words.endswith((".", "!", "?")) else words + "."


def render(template: str, **context: Any) -> str:
    """A template of ``calib/report/templates`` filled in; every text from outside is escaped."""
    return _environment().get_template(template).render(**context)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from calib.advice.proposal import percent
    from calib.report.sheet import listing

    env = Environment(loader=PackageLoader("calib.report"), autoescape=True, undefined=StrictUndefined,
                      trim_blocks=True, lstrip_blocks=True)
    env.filters.update(percent=percent, sentence=sentence, listing=listing)
    env.policies["json.dumps_kwargs"] = {"separators": (",", ":")}
    return env
