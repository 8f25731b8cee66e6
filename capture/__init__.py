"""Everything up to numbers from pixels: printed targets, photo reading, corner detection.

What a script needs is here; everything else may change without notice:

>>> from capture import Board
>>> Board.for_paper("A4").columns
3

Nothing is loaded before it is asked for, so that ``import capture`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capture.detection import find_tags
    from capture.errors import UserError
    from capture.hidden import look_again
    from capture.kept import KeptCorners
    from capture.observations import Observations, PhotoInfo, SetAside, write_observations
    from capture.photos import read_photo
    from capture.printing import PrintTag, print_targets
    from capture.shoot import read_shoot
    from capture.targets import Board, saddle_points
    from capture.workers import Readers

__all__ = [
    "Board", "KeptCorners", "Observations", "PhotoInfo", "PrintTag", "Readers", "SetAside", "UserError", "find_tags",
    "look_again", "print_targets", "read_photo", "read_shoot", "saddle_points", "write_observations",
]
_HOMES = {
    "capture.errors": ("UserError",),
    "capture.detection": ("find_tags",),
    "capture.hidden": ("look_again",),
    "capture.kept": ("KeptCorners",),
    "capture.observations": ("Observations", "PhotoInfo", "SetAside", "write_observations"),
    "capture.photos": ("read_photo",),
    "capture.printing": ("PrintTag", "print_targets"),
    "capture.shoot": ("read_shoot",),
    "capture.targets": ("Board", "saddle_points"),
    "capture.workers": ("Readers",),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = found = getattr(import_module(_HOME[name]), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
