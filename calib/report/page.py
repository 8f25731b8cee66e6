"""One self-contained HTML page: verdict first, then what to do, then everything it rests on.

What is said and in which order stands in ``templates/report.html.j2``; here it is gathered.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.advice.travel import Travel, ways
from calib.advice.worklist import CAUTIONS as WORK_CAUTIONS
from calib.findings import Code, in_order
from calib.report import tables
from calib.report.confirm import Before
from calib.report.glossary import glossary
from calib.report.html import Picture, picture, render, sentence
from calib.report.linkage_view import travel_view
from calib.report.misses import explain
from calib.report.numbers import pm
from calib.report.paper import paper_for
from calib.report.pictures import SHAPES
from calib.report.sheet import CHECKS, MOST_WARNINGS, NOT_MET, RULES, TRIAL, WARNING, Sheet, print_size
from calib.report.tables import Badge, Cell, badge, spaced
from calib.report.travel_plots import band_note, panels
from calib.report.whatif_view import chosen
from calib.results import Fit, loaded_doubts
from calib.rig.model import Rig
from calib.trust import UNTRUSTED
from capture.observations import Observations

if TYPE_CHECKING:
    from calib.report.contents import Results


@dataclass(frozen=True)
class Warned:
    """What is to be settled first, and where in the page it stands; "" where there is no such place."""

    text: str
    anchor: str = ""


@dataclass(frozen=True)
class Card:
    """The answer at the top. ``marks``: each judged figure with its verdict; ``steps``: what to do, under ``head``."""

    headline: str
    kind: str  # met, not or empty: the colour
    marks: tuple[tuple[str, Cell], ...]
    head: str
    steps: tuple[str, ...]
    chance: float | None
    go: bool
    first: tuple[Warned, ...] = ()  # what to settle before anything is adjusted
    remarks: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()  # limits over the travel
    but_for: str = ""  # what the chance is not of


def verdict_card(sheet: Sheet, head: str, steps: Sequence[str], chance: float | None,
                 anchors: Mapping[str, str] | None = None, but_for: str = "") -> Card:
    """What the verdicts come to and the first adjustment, or what to do instead. ``anchors``: of findings, by text."""
    bad = bool(sheet.broken) or any(x.verdict == NOT_MET for x in sheet.lines)
    return Card(sheet.headline, "met" if sheet.go else "not" if bad else "",
                tuple((x.label, Badge(f"{x.verdict}: {UNTRUSTED}") if x.doubt else badge(x.verdict))
                      for x in sheet.lines), head, tuple(steps), chance, sheet.go,
                tuple(Warned(w, (anchors or {}).get(w, "")) for w in sheet.warnings), sheet.remarks, sheet.broken,
                but_for)


def lens_line(fit: Fit) -> str:
    """The fitted lens and how well the stated corner uncertainties describe the residuals."""
    c = fit.camera
    said = (f"Lens as fitted: focal length {pm(c.f, c.u95.get('f', math.nan))} px; principal point "
            f"{pm(c.cx, c.u95.get('cx', math.nan))}, {pm(c.cy, c.u95.get('cy', math.nan))} px.")
    if (p := fit.printed) is not None:
        over, more = (pm(100 * (x - 1), 100 * p.u95[k]) for k, x in (("scale", p.scale), ("stretch", p.stretch)))
        said += f" Print as fitted: {over} % over drawn size, and {more} % more along the sheet than across it."
    return (f"{said} Residuals over their stated uncertainty: {fit.sigma0:.2f} (1 is as stated); the intervals take "
            "this into account.")


def offsets_line(fit: Fit) -> str:
    """What the shoot itself says of a common error of the bolt-tag offsets; empty without bolt tags."""
    if fit.offsets is None:
        return ""
    return (f"Rods over the travel and drawing together put such an error at {pm(fit.offsets.mm, fit.offsets.u95)} mm; "
            "what lies inside that interval nothing here can see, so measure one offset twice.")


def travel_pictures(t: Travel | None, folder: Path) -> list[Picture]:
    """The small pictures of the travel that lie in ``folder``."""
    if t is None:
        return []
    made = [picture(folder / f"{p.stem}.svg", f"{p.title} over the travel", f"{p.caption} {band_note(t, p)}")
            for p in panels(t)]
    return [p for p in made if p is not None]


def report_html(results: Results, folder: Path, drawn: Sequence[tuple[str, Path]], before: Before | None = None,
                whatif: Mapping[str, Any] | None = None) -> str:
    """The report of a run whose plots and overlays already lie in ``folder``. ``whatif``: see whatif_data."""
    sheet = results.sheet()
    shown, plots = _tables(results), _plots(results, folder, drawn)
    findings = _findings(results, [s for s, there in (
        ("Drawn over your photos", plots["photos"]), ("Play", shown["play"]),
        ("What a wrong tag offset would do", shown["offsets"])) if not there])
    return render(
        "report.html.j2", title=f"{results.design.name}: steering as measured",
        lead=lead(results.observations, results.fit),
        card=_card(results, sheet, {f["text"]: f["anchor"] for f in findings}), doubt=results.comparison.doubt,
        confirm=None if before is None else _confirm(results, folder, before),
        work=_work(results.work), plots=plots, tables=shown,
        linkage=travel_view(results), findings=findings,
        glossary=glossary([str(n) for n in results.figures["name"]]),
        whatif=_whatif(results, whatif), whatif_caution=WHATIF_CAUTION,
        lens=lens_line(results.fit), offsets=offsets_line(results.fit), sheet_lead="",
        paper=paper_for(results.design.board.paper), **sheet_words(sheet))


def sheet_html(results: Results) -> str:
    """The go / no-go sheet as a page of its own."""
    sheet, title, said, paper = on_paper(results.design, results.observations, results.fit, results.sheet())
    return render("sheet.html.j2", title=title, lead=said, paper=paper, **sheet_words(sheet))


def on_paper(design: Rig, obs: Observations, fit: Fit, sheet: Sheet) -> tuple[Sheet, str, str, str]:
    """The sheet, its head, what it rests on, and the paper: what draw_sheet takes."""
    return sheet, f"Go / no-go sheet: {design.name}", lead(obs, fit), paper_for(design.board.paper)


def sheet_words(sheet: Sheet) -> dict[str, Any]:
    """What the sheet's template reads."""
    return {"sheet": sheet, "print_size": print_size(sheet), "most_warnings": MOST_WARNINGS,
            "gonogo": tables.sheet_table(sheet), "checks": CHECKS, "trial": TRIAL, "rules": RULES, "warning": WARNING}


_SHOWN_IN: Mapping[str, tuple[Code, ...]] = {  # the section that shows more of a finding
    "Photo by photo": (Code.TWO_CAMERAS, Code.RESIZED, Code.DIGITAL_ZOOM, Code.NO_BOARD, Code.FEW_PHOTOS,
                       Code.WRONG_POSITION, Code.PHOTO_POOR, Code.CORNERS_ROUGH, Code.FRAME_BUMPED),
    "Drawn over your photos": (Code.TAG_MISREAD, Code.TAG_UNFIT, Code.TAG_SLIPPED, Code.PART_BENT),
    "Pivots and rods": (Code.ROD_MISFIT, Code.UNLIKE_DRAWING, Code.NOT_AS_DRAWN, Code.TOLERANCES_TIGHT,
                        Code.HOLE_MISMATCH, Code.HOLE_UNCERTAIN, Code.SCALE_DISAGREES, Code.TAG_SIZE,
                        Code.PART_TAGS_SIZE),
    "Play": (Code.PLAY, Code.NO_PLAY),
    "What a wrong tag offset would do": (Code.OFFSETS_TOGETHER,)}


def _findings(results: Results, missing: Collection[str]) -> list[dict[str, Any]]:
    """The findings in order, each with its anchor and the section that shows more; sections in ``missing`` are not."""
    of = {str(c): s for s, codes in _SHOWN_IN.items() if s not in missing for c in codes}
    return [{**f, "anchor": f"finding-{k}", "section": of.get(str(f.get("code")), "")}
            for k, f in enumerate(in_order(results.findings), 1)]


def lead(obs: Observations, fit: Fit) -> str:
    """What was measured, and when this was written."""
    aside = len(obs.set_aside)
    return (f"{len(fit.photos)} photos in {len(fit.positions)} lever positions"
            + (f", {aside} more set aside" if aside else "")
            + f"; every \u00b1 is a 95 % interval. Report of {date.today():%d %B %Y}.")


def _card(results: Results, sheet: Sheet, anchors: Mapping[str, str] | None = None) -> Card:
    if results.work["centre_first"]:
        return verdict_card(sheet, "Centre the levers first", [results.work["centre_first"]], None, anchors)
    first = next(iter(results.work.get("proposals", ())), None)
    head, steps = "First adjustment", list(results.work.get("notes", ()))
    if first is not None:
        steps = [s["do"] for s in first["steps"] if s["kind"] in ("change", "shoot")]
    if not steps:
        photos_first = [sentence(x) for x in results.work.get("photos", ())]
        head, steps = ("First", photos_first) if photos_first else (head, ["none; leave it as it is."])
    return verdict_card(sheet, head, steps, first["chance"] if first and first["changes"] else None,
                        anchors, first.get("but_for", "") if first else "")


def _confirm(results: Results, folder: Path, before: Before) -> dict[str, Any]:
    outcomes = before.outcomes(results.figures)
    return {"plot": picture(folder / "confirm.svg", "Steer less drawn before, predicted and after", shapes=SHAPES),
            "notes": results.comparison.notes, "changes": before.changes,
            "table": tables.confirm_table(outcomes), "explained": explain(before, results.fit.as_built, outcomes)}


WHATIF_CAUTION = (  # common practice, no source
    "A steering failure injures, and this shows geometry only. The work list has searched all of it against every "
    "limit: prefer that. Whatever you set: one change at a time, locknuts and clamps tight, thread engaged 1.5 "
    "diameters, stop to stop by hand, and shoot again before you trust it.")


def _whatif(results: Results, data: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """The table for the page with what it needs from the run; None where nothing may be advised."""
    if not data or results.proposals is None or results.comparison.doubt:
        return None
    proposals: Sequence[Mapping[str, Any]] = results.work["proposals"]
    items = proposals[0].get("items", ()) if proposals else ()
    plain = all(i["kind"] in ("hole", "rod") for i in items)
    first = chosen(data, {i["item"]: i["after"] for i in items if i["kind"] == "hole"},
                   {i["item"]: i["amount"] for i in items if i["kind"] == "rod"}) if items and plain else None
    angle = f"{spaced(results.design.driver)} angle, deg ({ways(results.design)[1]} +)"
    return {**data, "first": first, "driver": angle}


MUCH = 1500  # characters of a work list beside which the printed plot is made smaller, to stay on one page


def _work(work: Mapping[str, Any]) -> dict[str, Any]:
    held = [f"{w['text']}: {w['reason']}" for w in work.get("withheld", ())]
    first: Mapping[str, Any] = next(iter(work["proposals"]), {})
    words = [*first.get("changes", ()), *first.get("side_effects", ()), *work.get("notes", ())]
    return {"long": sum(map(len, words)) > MUCH,
            "proposals": [{**p, "predicted": tables.predicted_table(p["predicted"])} for p in work["proposals"]],
            "notes": work.get("notes", ()), "centre_first": work["centre_first"], "cautions": WORK_CAUTIONS,
            "lists": (("Considered and withheld", held), ("What stops going further", work.get("limited", ())),
                      ("Photos that would settle the rest", work.get("photos", ())))}


def _plots(results: Results, folder: Path, drawn: Sequence[tuple[str, Path]]) -> dict[str, Any]:
    photos = [picture(path, f"Measured axes and rods drawn over {caption}", caption) for caption, path in drawn]
    return {
        "central": picture(folder / "steer.svg", "Steer angle of both wheels over the lever angle, measured and design",
                           "Open points: measured, with 95 % bars. Solid: the rig as built, with its 95 % band. "
                           "Dashed and dotted: the drawing. The lower plot: both less the drawing.", shapes=SHAPES),
        "bars": picture(folder / "tolerances.svg", "Every figure with its 95 % interval against its tolerance",
                        "Each bar is a figure's 95 % interval; the field in the middle is its tolerance.",
                        shapes=SHAPES),
        "travel": travel_pictures(results.travel, folder / "travel"),
        "history": picture(folder / "history.svg", "Every judged figure over the shoots, with its tolerance",
                           "Every shoot in the vehicle's record, this one last. Bars: 95 %. Field: the tolerance as it "
                           "was set then; dashed: what was predicted.", shapes=SHAPES),
        "hand": picture(folder / "hand.svg", "Hand travel and hand force by grip length",
                        "Bands: 95 %. The circle is the grip as it is; forces are without friction.", shapes=SHAPES),
        "photos": [p for p in photos if p is not None],
        "quality": picture(folder / "photo_quality.svg", "Corner residual of every photo", shapes=SHAPES),
        "residuals": picture(folder / "residuals.svg", "Residuals of all corners",
                             "Where corners were found against where the fit puts them, px. A round cloud is good; "
                             "crosses were set aside.", small=True)}


def _tables(results: Results) -> dict[str, tables.Table | None]:
    fit = results.fit
    return {"positions": tables.positions_table(results.measured), "figures": tables.figures_table(results.figures),
            "sides": tables.sides_table(results.figures), "pivots": tables.pivots_table(results.pivots),
            "misfit": tables.misfit_table(fit.rod_misfit), "play": tables.play_table(results.play),
            "lean": tables.lean_table(results.lean), "loaded": tables.loaded_table(fit.loaded, loaded_doubts(fit)),
            "hand": tables.hand_table(results.hand), "riders": tables.riders_table(results.riders),
            "limits": tables.limits_table(results.limits, results.comparison.doubt),
            "offsets": tables.offsets_table(results.offsets),
            "sensitivity": tables.plain_table(results.sensitivity), "photos": tables.photos_table(results.photos)}
