"""The tables of the report as plain text cells; the templates make them HTML."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from calib.advice.proposal import percent
from calib.report.confirm import BeforeAfter
from calib.report.numbers import bare, places, pm
from calib.report.sheet import MET, NOT_MET, UNKNOWN, Sheet, asked, listing
from calib.results import LoadedFigure
from calib.rig.figures import FIGURES, kinds


@dataclass(frozen=True)
class Badge:
    """A word with its colour; the word itself tells, the colour only helps. ``kind``: met, not or empty."""

    text: str
    kind: str = ""


Cell = str | Badge | tuple[str, ...]  # several texts stand below each other


@dataclass(frozen=True)
class Table:
    """One table: column heads, rows of cells, and which columns hold numbers."""

    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numeric: tuple[int, ...] = ()


def table(head: Sequence[str], rows: Sequence[Sequence[Cell]], numeric: Sequence[int] = ()) -> Table | None:
    """A table, or None where it has no rows."""
    return Table(tuple(head), tuple(tuple(r) for r in rows), tuple(numeric)) if rows else None


def badge(verdict: str) -> Cell:
    """A verdict with its colour; empty where nothing is judged."""
    return Badge(verdict, {MET: "met", NOT_MET: "not"}.get(verdict, "")) if verdict else ""


def cell_text(v: object) -> str:
    """A table cell as text; nothing for an empty one."""
    return "" if v is None or (isinstance(v, float) and v != v) else str(v)


def spaced(name: str) -> str:
    """A name from the rig file as read aloud."""
    return name.replace("_", " ")


def _share(v: Any) -> str:
    return f"{100 * float(v):.0f} %" if pd.notna(v) else ""


def figures_table(figures: pd.DataFrame) -> Table | None:
    """Every figure with design, measured and verdict; those of one side where they are judged (see sides_table)."""
    rows: list[list[Cell]] = []
    for _, r in figures.iterrows():
        if FIGURES[str(r["name"])].of_one_side and not cell_text(r["verdict"]):
            continue
        unit, u, design = cell_text(r["unit"]), float(r["u95"]), float(r["design"])
        digits = places(u, unit)
        wanted = ""
        if pd.notna(r["tolerance"]):
            wanted = asked(str(r["name"]), float(r["target"]), float(r["tolerance"]))
        rows.append([str(r["label"]), f"{design:.{digits}f}" if math.isfinite(design) else "-",
                     bare(float(r["measured"]), u, unit), unit, wanted, badge(cell_text(r["verdict"])),
                     _share(r["from_photos"]), doubted(r)])
    return _without_empty(table(("figure", "drawn", "measured, 95 %", "unit", "wanted", "verdict", "from photos",
                                 DOUBT), rows, (1, 2, 4, 6)))


DOUBT = "in doubt"  # head of the column that is there only where something is


def doubted(row: Any) -> Cell:
    """Why the numbers of a table's row are not to be trusted yet; empty where nothing speaks against them."""
    why = cell_text(row.get("doubt", ""))
    return Badge(why, "not") if why else ""


def _without_empty(t: Table | None) -> Table | None:
    """The table without its last column where nothing stands in it."""
    if t is None or any(r[-1] for r in t.rows):
        return t
    return Table(t.head[:-1], tuple(r[:-1] for r in t.rows), t.numeric)


def positions_table(measured: pd.DataFrame) -> Table | None:
    """One row per lever position: lever angle, steer of both wheels and how far that is from the drawing, degrees."""
    rows = []
    for _, r in measured.iterrows():
        row = [str(r["position"]), bare(r["lever_deg"], r["lever_u95_deg"], "deg")]
        for side in ("left", "right"):
            for what in ("", "_difference"):
                value, u = r.get(f"{side}{what}_deg", math.nan), r.get(f"{side}{what}_u95_deg", math.nan)
                row.append(bare(float(value), float(u), "deg"))
        rows.append([*row, doubted(r)])
    return _without_empty(table(("position", "lever, deg", "left steer, deg", "left less drawn", "right steer, deg",
                                 "right less drawn", DOUBT), rows, (1, 2, 3, 4, 5)))


def loaded_table(figures: Sequence[LoadedFigure], doubts: Mapping[str, str]) -> Table | None:
    """Toe, camber and caster with the rider aboard, and what that changes; ``doubts`` by figure."""
    rows = [[f.name, bare(f.loaded, f.loaded_u95, "deg"), bare(f.change, f.change_u95, "deg"),
             doubted({"doubt": doubts.get(f.name, "")})] for f in figures]
    return _without_empty(table(("figure", "with the rider, deg", "change, deg", DOUBT), rows, (1, 2)))


def sides_table(figures: pd.DataFrame) -> Table | None:
    """Caster, camber and the like of each side and left less right, from the table of all figures."""
    by = {str(r["name"]): r for _, r in figures.iterrows()}
    rows = []
    for k in kinds("axes"):
        three = [by.get(f"{k.name}_{side}") for side in ("left", "right", "difference")]
        if any(r is not None for r in three):
            rows.append([k.short, *("-" if r is None else bare(float(r["measured"]), float(r["u95"]), k.unit)
                                    for r in three), k.unit, _which_side(three)])
    return _without_empty(table(("figure", "left, 95 %", "right, 95 %", "left less right, 95 %", "unit", DOUBT), rows,
                                (1, 2, 3)))


def _which_side(three: Sequence[Any]) -> Cell:
    """Which of left, right and their difference is in doubt, and why."""
    by: dict[str, list[str]] = {}
    for side, r in zip(("left", "right", "difference"), three, strict=True):
        if r is not None and cell_text(r.get("doubt", "")):
            by.setdefault(cell_text(r["doubt"]), []).append(side)
    return Badge("; ".join(f"{listing(s)} {why}" for why, s in by.items()), "not") if by else ""


def misfit_table(misfit: Mapping[tuple[str, str], float]) -> Table | None:
    """Where each rod's ball distance is furthest from its length: what play, bending or a wrong tag would show."""
    rows = []
    for rod in dict.fromkeys(r for r, _ in misfit):
        at = max((p for r, p in misfit if r == rod), key=lambda p: abs(misfit[rod, p]))
        rows.append([spaced(rod), f"{misfit[rod, at]:+.2f}", at])
    return table(("rod", "worst misfit, mm", "at position"), rows, (1,))


def pivots_table(pivots: pd.DataFrame) -> Table | None:
    """The pivot table of the estimate: what, design, measured, difference, u95, unit, from_photos.

    A cell holds one number or x, y, z.
    """
    rows: list[list[Cell]] = []
    for _, r in pivots.iterrows():
        design, built, off, u = (_numbers(r[c]) for c in ("design", "measured", "difference", "u95"))
        unit = cell_text(r["unit"])
        d = [max(places(x, unit), 1) for x in (u if len(u) == len(built) else u[:1] * len(built))]
        turn = len(built) == 3 and len(off) == 1  # a direction: the turn is what counts
        place = [tuple(f"{x:.{4 if turn else n}f}" for x, n in zip(v, d, strict=False)) for v in (design, built)]
        change = tuple(("+" if x > 0 else "") + bare(x, e, unit) for x, e in zip(off, u, strict=False))
        rows.append([spaced(cell_text(r["what"])), ("x", "y", "z") if len(built) == 3 else "", *place, change, unit,
                     _share(r["from_photos"]), doubted(r)])
    return _without_empty(table(("what", "", "drawn", "measured", "measured less drawn, 95 %", "unit", "from photos",
                                 DOUBT), rows, (2, 3, 4, 6)))


def _numbers(v: object) -> list[float]:
    return [float(x) for x in np.atleast_1d(np.asarray(v, float))]


def photos_table(photos: pd.DataFrame) -> Table | None:
    """Photo by photo: position, corners used, RMS, corners set aside, sharpness, notes."""
    numbers = (("corners", 0), ("rms_px", 3), ("outliers", 0), ("sharpness_px", 2))
    rows = [[str(r["photo"]), str(r["position"]), *(f"{r[c]:.{n}f}" if pd.notna(r[c]) else "" for c, n in numbers),
             cell_text(r["note"])] for _, r in photos.iterrows()]
    return table(("photo", "position", "corners", "RMS px", "set aside", "edge blur px", "note"), rows, (2, 3, 4, 5))


def predicted_table(predicted: Sequence[Mapping[str, Any]]) -> Table | None:
    """What a proposal would give, figure by figure, as ``contents.work_data`` holds it."""
    rows = []
    for f in predicted:
        unit, chance = f.get("unit", ""), f.get("chance")
        rows.append([f["label"], pm(f.get("now", math.nan), f.get("now_u95", math.nan), unit),
                     pm(f["value"], f["u95"], unit),
                     asked(f["name"], f["target"], f["tolerance"]) if f.get("tolerance") is not None else "",
                     percent(chance) if chance is not None else ""])
    return table(("figure", "now", "predicted after", "wanted", "chance met"), rows, (1, 2, 3, 4))


def confirm_table(outcomes: Sequence[BeforeAfter]) -> Table | None:
    """Before, predicted and after, figure by figure."""
    words = {True: "as predicted", False: "not as predicted", None: ""}
    rows: list[list[Cell]] = [
        [o.label, *(bare(*x, o.unit) for x in (o.before, o.predicted, o.after)), o.unit, badge(o.verdict),
         words[o.as_predicted]] for o in outcomes]
    return table(("figure", "before", "predicted", "after", "unit", "verdict", ""), rows, (1, 2, 3))


def limits_table(limits: Sequence[tuple[bool, str]], doubt: str = "") -> Table | None:
    """What the rig as built must not do over the travel, one sentence each; none passes for kept while in doubt."""
    kept = Badge(UNKNOWN) if doubt else Badge("kept", "met")
    rows: list[list[Cell]] = [[kept if ok else Badge("broken", "not"), spaced(text)] for ok, text in limits]
    return table(("", "tightest of each kind, and every one broken"), rows)


def play_table(play: pd.DataFrame) -> Table | None:
    """Lost motion of every rod at every position approached both ways."""
    rows = [[str(r["position"]), spaced(str(r["rod"])), spaced(str(r["to"])), pm(abs(r["mm"]), r["u95_mm"]),
             pm(abs(r["deg"]), r["u95_deg"]), "play" if r["seen"] else "none seen"] for _, r in play.iterrows()]
    return table(("position", "rod", "moves", "mm along the rod", "deg", ""), rows, (3, 4))


def lean_table(lean: pd.DataFrame) -> Table | None:
    """Steer that leaning caused, measured against the rods as built and as drawn."""
    rows = [[str(r["position"]), str(r["side"]), pm(r["lean_deg"], r["lean_u95_deg"]), pm(r["steer_deg"], r["u95_deg"]),
             f"{r['model_deg']:.2f}", f"{r['design_deg']:.2f}", pm(r["difference_deg"], r["difference_u95_deg"])]
            for _, r in lean.iterrows()]
    return table(("position", "wheel", "lean, deg", "steer from it, deg", "model", "drawn", "measured less model"),
                 rows, (2, 3, 4, 5, 6))


def hand_table(hand: pd.DataFrame) -> Table | None:
    """Hand travel and force by where the hand grips, see calib.advice.hand."""
    rows = [[spaced(str(r["lever"])), f"{r['grip_mm']:.0f}", pm(r["travel_mm"], r["travel_u95_mm"], "mm"),
             pm(r["force_ahead_N"], r["force_ahead_u95_N"]), pm(r["force_most_N"], r["force_most_u95_N"])]
            for _, r in hand.iterrows()]
    return table(("lever", "grip, mm", "hand travel", "push straight ahead, N", "push at its most, N"), rows,
                 (1, 2, 3, 4))


def riders_table(riders: pd.DataFrame) -> Table | None:
    """Rod lengths by place of a slide, and what stands against it, see calib.advice.riders."""
    rods = [c.removesuffix("_u95_mm") for c in map(str, riders.columns) if c.endswith("_u95_mm")]
    rows = [[spaced(str(r["slide"])), f"{r['place_mm']:+g}",
             *(pm(r[f"{n}_mm"], r[f"{n}_u95_mm"], "mm") if math.isfinite(r[f"{n}_mm"]) else "" for n in rods),
             f"{r['steer_change_deg']:.2f}", "yes" if r["may_be_set"] else f"no: {r['against']}"]
            for _, r in riders.iterrows()]
    return table(("slide", "place, mm", *(spaced(n) for n in rods), "steer changes by, deg", "may be set"), rows,
                 tuple(range(1, 3 + len(rods))))


def offsets_table(offsets: pd.DataFrame) -> Table | None:
    """Change of every figure for a common error of the bolt-tag offsets, see calib.advice.offsets."""
    rows = [[str(r["label"]), f"{r['per_mm']:+.3g}", str(r["unit"])] for _, r in offsets.iterrows()]
    return table(("figure", "for 1 mm on every offset", "unit"), rows, (1,))


def sheet_table(sheet: Sheet) -> Table | None:
    """The go / no-go sheet: one line per tolerance."""
    rows: list[list[Cell]] = [[x.name, x.wanted, (x.measured, x.doubt) if x.doubt else x.measured, badge(x.verdict)]
                              for x in sheet.lines]
    return table(("figure", "wanted", "measured, 95 %", "verdict"), rows)


def plain_table(t: pd.DataFrame | None) -> Table | None:
    """Any table of results; numbers to three significant figures."""
    if t is None or not len(t):
        return None
    numeric = [k for k, c in enumerate(t.columns) if pd.api.types.is_numeric_dtype(t[c])]
    rows = [[(("" if pd.isna(v) else f"{float(v):.3g}") if k in numeric else cell_text(v))
             for k, v in enumerate(r)] for r in t.itertuples(index=False)]
    return table([spaced(str(c)) for c in t.columns], rows, numeric)
