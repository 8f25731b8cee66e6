"""The pictures of a run, and its longest tables, each group by a function that another process may carry out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from calib.advice.travel import Travel
from calib.report.history import history_plot
from calib.report.overlay import overlays
from calib.report.plots import (
    confirm_curves,
    figure_bars,
    narrowed,
    photo_quality,
    residual_arrows,
    save,
    steer_curves,
    write,
)
from calib.report.travel_plots import draw_hand, save_panels
from calib.results import Fit
from capture.csvcells import safe_cells
from capture.observations import Observations, PhotoInfo, write_observations

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

SHAPES = "shapes"  # folder of the plots in the shapes that a phone and the printed page want


def write_corners(folder: Path, obs: Observations) -> None:
    """Every corner found, as a table."""
    write_observations(obs, folder / "observations.csv")


def draw_fit(folder: Path, photos: pd.DataFrame, residuals: pd.DataFrame) -> None:
    """How well photos and corners fit, and the residuals as a table; ``photos`` has a row for every photo."""
    safe_cells(residuals).to_csv(folder / "residuals.csv", index=False, float_format="%.6g")
    seen = photos[photos["rms_px"].notna()]
    quality = photo_quality(seen)
    save(quality, folder / "photo_quality")
    _for_page(narrowed(quality), folder, "photo_quality_narrow")
    save(residual_arrows(residuals), folder / "residuals")


def draw_comparison(folder: Path, curves: pd.DataFrame, measured: pd.DataFrame, figures: pd.DataFrame, driver: str,
                    positive: str) -> None:
    """Steer over the driver's angle, and the figures against their tolerances."""
    save(steer_curves(curves, measured, driver, positive), folder / "steer")
    for shape in ("narrow", "wide"):
        _for_page(steer_curves(curves, measured, driver, positive, shape), folder, f"steer_{shape}")
    bars = figure_bars(figures)
    save(bars, folder / "tolerances")
    _for_page(narrowed(bars, 9), folder, "tolerances_narrow")


def _for_page(figure: Figure, folder: Path, name: str) -> None:
    """A picture's other shape, which only the report needs."""
    (folder / SHAPES).mkdir(exist_ok=True)
    write(figure, folder / SHAPES / f"{name}.svg")


def draw_travel(folder: Path, t: Travel) -> None:
    """The small pictures of the travel."""
    save_panels(t, folder / "travel")


def draw_at_hand(folder: Path, hand: pd.DataFrame) -> None:
    """Hand travel and force by grip length."""
    save(draw_hand(hand), folder / "hand")
    _for_page(draw_hand(hand, narrow=True), folder, "hand_narrow")


def draw_confirm(folder: Path, before: pd.DataFrame, predicted: pd.DataFrame | None, after: pd.DataFrame,
                 measured: pd.DataFrame, driver: str, positive: str) -> None:
    """Before, predicted and after."""
    args = before, predicted, after, measured, driver, positive
    save(confirm_curves(*args), folder / "confirm")
    _for_page(confirm_curves(*args, "narrow"), folder, "confirm_narrow")


def draw_history(folder: Path, record: pd.DataFrame) -> None:
    """Every judged figure over the shoots."""
    save(history_plot(record), folder / "history")
    _for_page(history_plot(record, narrow=True), folder, "history_narrow")


def draw_over_photos(folder: Path, fit: Fit, photos: Sequence[PhotoInfo]) -> list[tuple[str, str]]:
    """The measured parts over some of the photos; caption and file name of each."""
    return [(caption, path.name) for caption, path in overlays(fit, photos, folder)]
