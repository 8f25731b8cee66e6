"""The observation table: what the photos gave, as plain data between detection and the estimate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capture.csvcells import safe_cells

if TYPE_CHECKING:  # the processes that read photos have no need of it
    import pandas as pd

COLUMNS = ["photo", "position", "tag", "corner", "u", "v", "cuu", "cuv", "cvv"]


@dataclass(frozen=True)
class PhotoInfo:
    """What is known of one photo beside its corners. Pixels are those of the sensor frame (EXIF turn ignored)."""

    name: str  # path relative to the photo folder, with / between parts; unique
    position: str  # label of the lever position
    width: int
    height: int
    focal_px_guess: float | None = None  # from EXIF where it says enough
    camera: str = ""  # maker and model from EXIF
    digital_zoom: float = 1.0
    sha256: str = ""
    path: str = ""
    sharpness_px: float = float("nan")  # median edge blur of the corners found, sigma in pixels
    tags_found: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class SetAside:
    """A photo that was not used, and the sentence saying why."""

    name: str
    reason: str
    code: str = ""  # of the error that stands behind it


SHARED = {"too_large": "have more than 100 million pixels: switch the camera from its 108 or 200 megapixel mode to its "
                       "usual size (12 to 50 million) and take them again."}


def aside_lines(aside: Sequence[SetAside]) -> list[str]:
    """Why photos were not used, a line for each; one for all of those that share a cause which is the camera's."""
    shared = {code: [a.name for a in aside if a.code == code] for code in SHARED}
    out = [f"{', '.join(names[:3])}{f' and {len(names) - 3} more' if len(names) > 3 else ''} {SHARED[code]}"
           for code, names in shared.items() if len(names) > 1]
    return out + [a.reason for a in aside if len(shared.get(a.code, ())) < 2]


@dataclass(frozen=True)
class Observations:
    """One row per corner: ``table`` has the columns COLUMNS; u, v in pixels (centres at integers), c.. in px^2.

    ``tag`` is the code (int), ``corner`` the index into ``targets.saddle_points``. ValueError for a table without
    these columns.
    """

    table: pd.DataFrame
    photos: tuple[PhotoInfo, ...]
    set_aside: tuple[SetAside, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        missing = [c for c in COLUMNS if c not in self.table]
        if missing:
            raise ValueError(f"the table of corners lacks the columns {', '.join(missing)}; it needs "
                             f"{', '.join(COLUMNS)}")

    def covariances(self) -> NDArray[np.float64]:
        """(n, 2, 2) pixel covariance per row."""
        t = self.table
        c = np.empty((len(t), 2, 2))
        c[:, 0, 0], c[:, 1, 1] = t["cuu"], t["cvv"]
        c[:, 0, 1] = c[:, 1, 0] = t["cuv"]
        return c


def write_observations(obs: Observations, path: Path) -> None:
    """Write the corner table as CSV with the photo list beside it (``<stem>_photos.csv``)."""
    import pandas as pd

    safe_cells(obs.table).to_csv(path, index=False, float_format="%.5f")
    rows = [{"name": p.name, "position": p.position, "width": p.width, "height": p.height,
             "focal_px_guess": p.focal_px_guess, "camera": p.camera, "digital_zoom": p.digital_zoom,
             "sha256": p.sha256, "sharpness_px": p.sharpness_px, "tags_found": p.tags_found,
             "notes": "; ".join(p.notes)} for p in obs.photos]
    rows += [{"name": s.name, "notes": "set aside: " + s.reason} for s in obs.set_aside]
    safe_cells(pd.DataFrame(rows)).to_csv(path.with_name(path.stem + "_photos.csv"), index=False)
