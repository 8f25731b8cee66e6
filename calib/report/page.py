"""One self-contained HTML page: verdict first, then what to do, then everything it rests on."""

from __future__ import annotations

import base64
import html
import math
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from calib.advice.proposal import percent
from calib.advice.travel import Travel
from calib.advice.worklist import CAUTIONS as WORK_CAUTIONS
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.report import linkage_view
from calib.report.confirm import Before, Outcome
from calib.report.overlay import data_uri
from calib.report.sheet import CAUTIONS, MET, NOT_MET, Sheet, short
from calib.report.travel_plots import band_note, panels
from calib.results import Figure, Fit

if TYPE_CHECKING:
    from calib.report.contents import Results

_CSS = """
:root{--ink:#1f2328;--soft:#5a6068;--line:#d6d9dd;--ok:#00674a;--okbg:#e3f3ec;--no:#a23b00;--nobg:#fdebe0;
--dk:#4b4f57;--dkbg:#eceef1;--blue:#005b8f}
*{box-sizing:border-box}html{-webkit-text-size-adjust:100%}
body{margin:0;background:#fff;color:var(--ink);
font:16px/1.5 "DejaVu Sans",Verdana,"Segoe UI",Helvetica,Arial,sans-serif}
main{max-width:60rem;margin:0 auto;padding:1.2rem 1rem 4rem}
header h1{font-size:1.5rem;line-height:1.25;margin:.2rem 0}header p{color:var(--soft);margin:.1rem 0}
h2{font-size:1.2rem;margin:2.6rem 0 .6rem;padding-top:.7rem;border-top:2px solid var(--ink)}
h3{font-size:1rem;margin:1.3rem 0 .3rem}
p,li{max-width:46rem}.soft{color:var(--soft);font-size:.9rem}
.verdict{border-left:.5rem solid var(--dk);background:var(--dkbg);padding:1rem 1.2rem;margin:1.2rem 0}
.verdict.met{border-color:var(--ok);background:var(--okbg)}
.verdict.not{border-color:var(--no);background:var(--nobg)}
.verdict h2{border:0;margin:0 0 .3rem;padding:0;font-size:1.25rem}.verdict p{margin:.35rem 0}
.tag{display:inline-block;padding:0 .5em;border-radius:3px;font-size:.88rem;white-space:nowrap;background:var(--dkbg);
color:var(--dk)}
.tag.met{background:var(--okbg);color:var(--ok)}.tag.not{background:var(--nobg);color:var(--no);font-weight:bold}
.wide{overflow-x:auto;margin:.6rem 0}table{border-collapse:collapse;font-size:.88rem;width:100%}
th{text-align:left;border-bottom:2px solid var(--line);padding:.3rem .6rem .3rem 0;
vertical-align:bottom;font-weight:600}

td{border-bottom:1px solid var(--line);padding:.32rem .6rem .32rem 0;vertical-align:top}
td:first-child{min-width:6.5rem}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
figure{margin:1rem 0}
figure img{width:100%;max-width:46rem;height:auto;display:block}figure.small img{max-width:24rem}
.marks{list-style:none;padding:0;margin:.6rem 0;display:flex;flex-wrap:wrap;gap:.3rem 1.3rem}
.marks li{white-space:nowrap}
figcaption{color:var(--soft);font-size:.88rem;margin-top:.3rem}
.photos{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,26rem),1fr));gap:1rem}
.photos figure{margin:0}
.curves{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,20rem),1fr));gap:1.4rem 1rem}
.curves figure{margin:0}
.job{border:1px solid var(--line);border-left:.4rem solid var(--blue);padding:.7rem 1rem;margin:.8rem 0}
.job.other{border-left-color:var(--line)}
.job h3{margin:.1rem 0 .4rem}.job ul,.job ol{margin:.3rem 0;padding-left:1.4rem}
.swatch{display:inline-block;width:1.1em;height:.28em;vertical-align:middle;margin-right:.3em}
details>summary{cursor:pointer;color:var(--blue)}
.check{list-style:none;padding-left:0}.check li{padding-left:1.8rem;text-indent:-1.8rem;margin:.35rem 0}
.check li::before{content:"\\2610";display:inline-block;width:1.8rem;text-indent:0;font-size:1.1em}
@media print{body{font-size:9.5pt}main{max-width:none;padding:0}h2,h3,section>p{break-after:avoid}
.photos,.curves{grid-template-columns:1fr 1fr}figure img{max-width:15cm}section:last-of-type{break-before:page}
figure,.job,.verdict,tr{break-inside:avoid}details::details-content{content-visibility:visible;height:auto}}
"""


def esc(text: object) -> str:
    """Text made safe for HTML."""
    return html.escape(str(text))


def pm(value: float, u95: float, unit: str = "") -> str:
    """"12.34 +/- 0.05 mm" with two figures of the uncertainty kept, as text; a dash where not known."""
    if value is None or not math.isfinite(value):
        return "-"
    tail = f" {unit}" if unit and unit != "plain" else ""
    if u95 is None or not math.isfinite(u95):
        return f"{value:.2f}{tail}"
    digits = places(u95, unit)
    value = round(value, digits) + 0.0  # no minus before a zero
    if u95 == 0:  # fixed by convention, so nothing to doubt
        return f"{value:.{digits}f}{tail}"
    return f"{value:.{digits}f} \u00b1 {_up(u95, digits):.{digits}f}{tail}"


FINEST = {"mm": 2, "deg": 3}  # decimals; finer is never used at a vehicle


def places(u95: float, unit: str = "") -> int:
    """Decimals that keep two figures of ``u95`` (GUM, JCGM 100:2008, 7.2.6), but no more than a unit is good for."""
    most = FINEST.get(unit, 4)
    if u95 <= 0 or not math.isfinite(u95):
        return min(2, most)
    return min(most, max(0, 1 - math.floor(math.log10(u95))))


def _up(u95: float, digits: int) -> float:
    """An uncertainty never shown as zero."""
    return max(u95, 10.0**-digits) if u95 > 0 else u95


def badge(verdict: str) -> str:
    """A verdict word with its colour; the word itself tells, the colour only helps."""
    kind = {MET: " met", NOT_MET: " not"}.get(verdict, "")
    return f'<span class="tag{kind}">{esc(verdict)}</span>' if verdict else ""


def table(head: Sequence[str], rows: Sequence[Sequence[str]], numeric: Sequence[int] = ()) -> str:
    """An HTML table from cells that are already HTML; ``numeric`` columns stand to the right."""
    if not rows:
        return ""

    def cell(tag: str, k: int, text: str) -> str:
        return f"<{tag}{' class=' + chr(34) + 'n' + chr(34) if k in numeric else ''}>{text}</{tag}>"

    top = "".join(cell("th", k, esc(h)) for k, h in enumerate(head))
    body = "".join("<tr>" + "".join(cell("td", k, c) for k, c in enumerate(r)) + "</tr>" for r in rows)
    return f'<div class="wide"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def picture(path: Path, words: str, caption: str = "", small: bool = False) -> str:
    """A plot or photo put into the page itself; an SVG is kept as drawn."""
    if not path.exists():
        return ""
    if path.suffix == ".svg":
        uri = "data:image/svg+xml;base64," + base64.b64encode(path.read_bytes()).decode("ascii")
    else:
        uri = data_uri(path)
    tail = f"<figcaption>{esc(caption)}</figcaption>" if caption else ""
    return f'<figure{" class=small" if small else ""}><img src="{uri}" alt="{esc(words)}">{tail}</figure>'


def page(title: str, lead: Sequence[str], body: Sequence[str]) -> str:
    """A whole page around HTML fragments."""
    head = "".join(f"<p>{esc(x)}</p>" for x in lead)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{esc(title)}</title><style>{_CSS}{linkage_view.STYLE}</style></head>\n"
        f"<body><main><header><h1>{esc(title)}</h1>{head}</header>\n" + "\n".join(b for b in body if b)
        + "\n</main></body></html>\n")


def section(title: str, *parts: str, lead: str = "") -> str:
    """A section, or nothing where its parts are all empty."""
    inner = "\n".join(p for p in parts if p)
    if not inner:
        return ""
    say = f'<p class="soft">{esc(lead)}</p>' if lead else ""
    return f"<section><h2>{esc(title)}</h2>{say}\n{inner}</section>"


def verdict_card(sheet: Sheet, head: str, steps: Sequence[str], chance: float | None) -> str:
    """The answer at the top: what the verdicts come to and the first adjustment, or what to do instead."""
    bad = bool(sheet.broken) or any(x.verdict == NOT_MET for x in sheet.lines)
    kind = " met" if sheet.go else " not" if bad else ""
    step = ""
    if len(steps) == 1:
        step = f"<p><strong>{esc(head)}:</strong> {esc(steps[0])}</p>"
    elif steps:
        step = f"<p><strong>{esc(head)}:</strong></p><ol>" + "".join(f"<li>{esc(x)}</li>" for x in steps) + "</ol>"
    if step and chance is not None:
        step += f"<p>Chance that every tolerance is then met: {percent(chance)}.</p>"
    badges = "".join(f"<li>{esc(x.label)} {badge(x.verdict)}</li>" for x in sheet.lines)
    marks = f'<ul class="marks">{badges}</ul>' if badges else ""
    ride = "<p>This judges geometry only. Before riding, go through the checks at the end of this page.</p>"
    return (f'<div class="verdict{kind}"><h2>{esc(sheet.headline)}</h2>{marks}{step}{ride if sheet.go else ""}</div>')


def figures_section(figures: pd.DataFrame) -> str:
    """Every figure with design, measured and verdict."""
    rows = []
    for _, r in figures.iterrows():
        unit = _text(r["unit"])
        u = float(r["u95"])
        design = float(r["design"])
        digits = places(u, unit)
        wanted = ""
        if pd.notna(r["tolerance"]):
            wanted = f"{float(r['target']):.{_plain(r['target'])}f} \u00b1 {float(r['tolerance']):g}"
        share = r["from_photos"]
        rows.append([esc(r["label"]), f"{design:.{digits}f}" if math.isfinite(design) else "-",
                     esc(_bare(pm(float(r["measured"]), u, unit), unit)), esc(unit), wanted, badge(_text(r["verdict"])),
                     f"{100 * float(share):.0f} %" if pd.notna(share) else ""])
    return table(["figure", "design", "measured, 95 %", "unit", "wanted", "verdict", "from photos"], rows, (1, 2, 4, 6))


def _bare(text: str, unit: str) -> str:
    """The number without its unit, for a table that has a column for it."""
    return text.removesuffix(f" {unit}") if unit else text


def _plain(v: Any) -> int:
    text = f"{float(v):g}"
    return len(text.partition(".")[2])


def _text(v: object) -> str:
    return "" if v is None or (isinstance(v, float) and v != v) else str(v)


def positions_section(measured: pd.DataFrame) -> str:
    """One row per lever position: lever angle, steer of both wheels and how far that is from the drawing, degrees."""
    rows = []
    for _, r in measured.iterrows():
        row = [esc(r["position"]), esc(_bare(pm(r["lever_deg"], r["lever_u95_deg"], "deg"), "deg"))]
        for side in ("left", "right"):
            for what in ("", "_difference"):
                value, u = r.get(f"{side}{what}_deg", math.nan), r.get(f"{side}{what}_u95_deg", math.nan)
                row.append(esc(_bare(pm(float(value), float(u), "deg"), "deg")))
        rows.append(row)
    return table(["position", "lever, deg", "left steer, deg", "less design", "right steer, deg", "less design"], rows,
                 (1, 2, 3, 4, 5))


def sides_section(figures: Sequence[Figure]) -> str:
    """Caster, camber and the like of each side; ``figures`` as the estimate gives them ("caster left")."""
    names = ("caster", "kingpin_inclination", "camber", "trail", "offset_at_ground")
    by = {f.name: f for f in figures}
    rows = []
    for n in names:
        two = [by.get(f"{n} {side}") for side in ("left", "right")]
        unit = next((f.unit for f in two if f), "")
        if unit:
            rows.append([esc(short(n)), *(esc(_bare(pm(f.value, f.u95, unit), unit)) if f else "-" for f in two),
                         esc(unit)])
    return table(["figure", "left, 95 %", "right, 95 %", "unit"], rows, (1, 2))


def misfit_section(misfit: Mapping[tuple[str, str], float]) -> str:
    """Where each rod's ball distance is furthest from its length: what play, bending or a wrong tag would show."""
    rows = []
    for rod in dict.fromkeys(r for r, _ in misfit):
        at = max((p for r, p in misfit if r == rod), key=lambda p: abs(misfit[rod, p]))
        rows.append([esc(rod.replace("_", " ")), f"{misfit[rod, at]:+.2f}", esc(at)])
    return table(["rod", "worst misfit, mm", "at position"], rows, (1,))


def lens_line(fit: Fit) -> str:
    """The fitted lens and how well the stated corner uncertainties describe the residuals."""
    c = fit.camera
    parts = [f"focal length {pm(c.f, c.u95.get('f', math.nan))} px",
             f"principal point {pm(c.cx, c.u95.get('cx', math.nan))}, {pm(c.cy, c.u95.get('cy', math.nan))} px"]
    said = ""
    if (p := fit.printed) is not None:
        over, more = (pm(100 * (x - 1), 100 * p.u95[k]) for k, x in (("scale", p.scale), ("stretch", p.stretch)))
        said = f" Print as fitted: {over} % over drawn size, and {more} % more along the sheet than across it."
    return (f'<p class="soft">Lens as fitted: {esc("; ".join(parts))}.{esc(said)} Residuals over their stated '
            f"uncertainty: {fit.sigma0:.2f} (1 is as stated); the intervals take this into account.</p>")


def pivots_section(pivots: pd.DataFrame) -> str:
    """The pivot table of the estimate: what, design, measured, difference, u95, unit, from_photos.

    A cell holds one number or x, y, z.
    """
    rows = []
    for _, r in pivots.iterrows():
        design, built, off, u = (_numbers(r[c]) for c in ("design", "measured", "difference", "u95"))
        unit = _text(r["unit"])
        d = [max(places(x, unit), 1) for x in (u if len(u) == len(built) else u[:1] * len(built))]
        turn = len(built) == 3 and len(off) == 1  # a direction: the turn is what counts
        place = ["<br>".join(f"{x:.{4 if turn else n}f}" for x, n in zip(v, d, strict=False)) for v in (design, built)]
        change = "<br>".join(esc(_bare(("+" if x > 0 else "") + pm(x, e, unit), unit))
                             for x, e in zip(off, u, strict=False))
        share = r["from_photos"]
        rows.append([esc(_text(r["what"]).replace("_", " ")), "x<br>y<br>z" if len(built) == 3 else "", *place, change,
                     esc(unit), f"{100 * float(share):.0f} %" if pd.notna(share) else ""])
    return table(["what", "", "design", "measured", "difference, 95 %", "unit", "from photos"], rows, (2, 3, 4, 6))


def _numbers(v: object) -> list[float]:
    return [float(x) for x in np.atleast_1d(np.asarray(v, float))]


def photos_section(photos: pd.DataFrame) -> str:
    """Photo by photo: position, corners used, RMS, corners set aside, sharpness, notes."""
    rows = [[esc(r["photo"]), esc(r["position"]), f"{r['corners']:.0f}" if pd.notna(r["corners"]) else "",
             f"{r['rms_px']:.3f}" if pd.notna(r["rms_px"]) else "",
             f"{r['outliers']:.0f}" if pd.notna(r["outliers"]) else "",
             f"{r['sharpness_px']:.2f}" if pd.notna(r["sharpness_px"]) else "", esc(_text(r["note"]))]
            for _, r in photos.iterrows()]
    return table(["photo", "position", "corners", "RMS px", "set aside", "edge blur px", "note"], rows, (2, 3, 4, 5))


def findings_section(findings: Sequence[Mapping[str, Any]]) -> str:
    """Serious findings first, each as its own sentence."""
    order = sorted(findings, key=lambda f: not f.get("serious"))
    items = "".join(
        f"<li>{'<strong>To settle: </strong>' if f.get('serious') else ''}{esc(f['text'])}</li>" for f in order)
    return f"<ul>{items}</ul>" if items else ""


def proposal_card(p: Mapping[str, Any], first: bool) -> str:
    """One proposal: the changes, what comes of them, and what moves along."""
    steps = "".join(f"<li>{esc(s)}</li>" for s in p.get("changes", ()))
    side = "".join(f"<li>{esc(s)}</li>" for s in p.get("side_effects", ()))
    rows = []
    for f in p.get("predicted", ()):
        chance = f.get("chance")
        rows.append([esc(f["label"]), esc(pm(f.get("now", math.nan), f.get("now_u95", math.nan), f.get("unit", ""))),
                     esc(pm(f["value"], f["u95"], f.get("unit", ""))),
                     f"{f['target']:g} \u00b1 {f['tolerance']:g}" if f.get("tolerance") is not None else "",
                     percent(chance) if chance is not None else ""])
    chance = p.get("chance")
    said = (f"<p>Chance that every tolerance is then met: <strong>{percent(chance)}</strong>.</p>"
            if chance is not None else "")
    notes = "".join(f'<p class="soft">{esc(n)}</p>' for n in p.get("notes", ()))
    body = (f"<ol>{steps}</ol>" if steps else "<p>Leave everything as it is.</p>") + said
    detail = table(["figure", "now", "predicted after", "wanted", "chance met"], rows, (1, 2, 3, 4))
    if side:
        detail += f"<p>What moves along:</p><ul>{side}</ul>"
    if not first and detail:
        detail = f"<details><summary>what it would give</summary>{detail}</details>"
    return (f'<div class="job{"" if first else " other"}"><h3>{esc(p["title"])}</h3>{body}{notes}{detail}</div>')


def work_section(proposals: Mapping[str, Any]) -> str:
    """The work list: best first, then the others, then what was withheld and why."""
    out = [proposal_card(p, k == 0) for k, p in enumerate(proposals.get("proposals", ()))]
    out += [f"<p>{esc(n)}</p>" for n in proposals.get("notes", ())]
    held = [f"{w['text']}: {w['reason']}" for w in proposals.get("withheld", ())]
    for head, items in (("Considered and withheld", held), ("What stops going further", proposals.get("limited", ())),
                        ("Photos that would settle the rest", proposals.get("photos", ()))):
        if items:
            inner = "<ul>" + "".join(f"<li>{esc(_sentence(x))}</li>" for x in items) + "</ul>"
            long = len(items) > 3
            out.append(f"<details><summary>{head}</summary>{inner}</details>" if long else f"<h3>{head}</h3>{inner}")
    return "\n".join(out)


def act_carefully() -> str:
    """What to watch at the vehicle, beside the work list."""
    return "<h3>After every change</h3><ul>" + "".join(f"<li>{esc(c)}</li>" for c in WORK_CAUTIONS) + "</ul>"


def _sentence(words: str) -> str:
    words = words.replace("_", " ").strip()
    return words if words.endswith((".", "!", "?")) else words + "."


def plain_table(t: pd.DataFrame) -> str:
    """Any table of results; numbers to three figures after the point."""
    if t is None or not len(t):
        return ""
    numeric = [k for k, c in enumerate(t.columns) if pd.api.types.is_numeric_dtype(t[c])]
    rows = [[(("" if pd.isna(v) else f"{float(v):.3g}") if k in numeric else esc(_text(v)))
             for k, v in enumerate(r)] for r in t.itertuples(index=False)]
    return table([str(c).replace("_", " ") for c in t.columns], rows, numeric)


def limits_section(limits: Sequence[tuple[bool, str]]) -> str:
    """What the rig as built must not do over the travel, one sentence each."""
    rows = [[f'<span class="tag{" met" if ok else " not"}">{"kept" if ok else "broken"}</span>',
             esc(text.replace("_", " "))] for ok, text in limits]
    return table(["", "tightest of each kind, and every one broken"], rows)


def play_section(play: pd.DataFrame) -> str:
    """Lost motion of every rod at every position approached both ways; empty where there is none."""
    rows = [[esc(r["position"]), esc(str(r["rod"]).replace("_", " ")), esc(str(r["to"]).replace("_", " ")),
             esc(pm(abs(r["mm"]), r["u95_mm"])), esc(pm(abs(r["deg"]), r["u95_deg"])),
             "play" if r["seen"] else "none seen"] for _, r in play.iterrows()]
    return table(["position", "rod", "moves", "mm along the rod", "deg", ""], rows, (3, 4))


def lean_section(lean: pd.DataFrame) -> str:
    """Steer that leaning caused, measured against the rods as built and as drawn; empty where there is none."""
    rows = [[esc(r["position"]), esc(r["side"]), esc(pm(r["lean_deg"], r["lean_u95_deg"])),
             esc(pm(r["steer_deg"], r["u95_deg"])), esc(f"{r['model_deg']:.2f}"), esc(f"{r['design_deg']:.2f}"),
             esc(pm(r["difference_deg"], r["difference_u95_deg"]))] for _, r in lean.iterrows()]
    return table(["position", "wheel", "lean, deg", "steer from it, deg", "model", "drawing", "measured less model"],
                 rows, (2, 3, 4, 5, 6))


def sheet_section(sheet: Sheet) -> str:
    """The go / no-go sheet: one line per tolerance."""
    rows = [[badge(x.verdict), esc(x.text)] for x in sheet.lines]
    rows += [['<span class="tag not">limit broken</span>', esc(x)] for x in sheet.broken]
    rows += [['<span class="tag not">settle first</span>', esc(x)] for x in sheet.warnings]
    return table(["", "tolerance or limit"], rows)


def cautions_section() -> str:
    """The cautions as boxes to tick on paper."""
    return '<ul class="check">' + "".join(f"<li>{esc(c)}</li>" for c in CAUTIONS) + "</ul>"


# --- the whole report ---------------------------------------------------------------------------------------


def confirm_section(outcomes: Sequence[Outcome], changes: Sequence[str], plot: str, notes: Sequence[str] = ()) -> str:
    """Before, predicted and after, figure by figure, with the plot; ``notes`` say what it cannot show."""
    words = {True: "as predicted", False: "not as predicted", None: ""}
    rows = [[esc(o.label), *(esc(_bare(pm(*x, o.unit), o.unit)) for x in (o.before, o.predicted, o.after)),
             esc(o.unit), badge(o.verdict), words[o.as_predicted]] for o in outcomes]
    did = ""
    if changes:
        did = "<p>Proposed was:</p><ol>" + "".join(f"<li>{esc(c)}</li>" for c in changes) + "</ol>"
    plot += "".join(f"<p>{esc(n)}</p>" for n in notes)
    return plot + did + table(["figure", "before", "predicted", "after", "unit", "verdict", ""], rows, (1, 2, 3))


def linkage_section(results: Results) -> str:
    """The steppable view over the design driver's travel."""
    design, built = results.design, results.fit.as_built.rig
    sweeps = []
    lo, hi = design.bodies[design.driver].travel or (-math.radians(30), math.radians(30))
    lever = np.linspace(lo, hi, 33)
    for rig in (design, built):
        try:
            s = Linkage(rig).sweep(lever)
        except (ValueError, CannotAssemble):
            return ""
        sweeps.append([{b: float(a[k]) for b, a in s.angles.items()} if s.reached[k] else None
                       for k in range(len(lever))])
    degrees = np.degrees(lever)
    said = []
    c = results.curves
    for x in degrees:
        parts = [f"{design.driver.replace('_', ' ')} {x:+.0f} deg"]
        for side in ("left", "right"):
            if f"{side}_asbuilt_deg" in c:
                a = np.interp(x, c["lever_deg"], c[f"{side}_asbuilt_deg"], left=np.nan, right=np.nan)
                d = np.interp(x, c["lever_deg"], c[f"{side}_design_deg"], left=np.nan, right=np.nan)
                parts.append(f"{side} wheel {a:+.2f} deg (design {d:+.2f})" if math.isfinite(a) else
                             f"{side} wheel out of reach")
        said.append("; ".join(parts))
    return linkage_view.linkage_html(design, built, degrees, sweeps[0], sweeps[1], said)


def travel_section(t: Travel | None, folder: Path) -> str:
    """The small pictures of the travel that lie in ``folder``, in a grid that is one column on a phone."""
    if t is None:
        return ""
    shown = "".join(picture(folder / f"{p.stem}.svg", f"{p.title} over the travel", f"{p.caption} {band_note(t, p)}")
                    for p in panels(t))
    return f'<div class="curves">{shown}</div>' if shown else ""


def report_html(results: Results, folder: Path, drawn: Sequence[tuple[str, Path]], before: Before | None = None) -> str:
    """The report of a run whose plots and overlays already lie in ``folder``."""
    fit, sheet = results.fit, results.sheet()
    first = next(iter(results.work.get("proposals", ())), None)
    head, steps = "First adjustment", list(results.work.get("notes", ())) if first is None else list(first["changes"])
    if not steps:
        photos_first = [_sentence(x) for x in results.work.get("photos", ())]
        head, steps = ("First", photos_first) if photos_first else (head, ["none; leave it as it is."])
    used = len(fit.photos)
    aside = len(results.observations.set_aside)
    lead = [f"{used} photos in {len(fit.positions)} lever positions"
            + (f", {aside} more set aside" if aside else "")
            + f"; every \u00b1 is a 95 % interval. Report of {date.today():%d %B %Y}."]
    central = picture(folder / "steer.svg", "Steer angle of both wheels over the lever angle, measured and design",
                      "Open points: measured, with 95 % bars. Solid: the rig as built, with its 95 % band. Dashed: the "
                      "drawing. Below: measured less drawing.")
    bars = picture(folder / "tolerances.svg", "Every figure with its 95 % interval against its tolerance",
                   "Each bar is a figure's 95 % interval; the green field is its tolerance.")
    photos = "".join(picture(path, f"Measured axes and rods drawn over {caption}", caption) for caption, path in drawn)
    quality = picture(folder / "photo_quality.svg", "Corner residual of every photo")
    cloud = picture(folder / "residuals.svg", "Residuals of all corners",
                    "Where corners were found against where the fit puts them, px. A round cloud is good; crosses were "
                    "set aside.", small=True)
    body = [
        verdict_card(sheet, head, steps, first["chance"] if first and first["changes"] else None),
        "" if before is None else section("Before, predicted, after", confirm_section(
            before.outcomes(results.figures), before.changes,
            picture(folder / "confirm.svg", "Steer less design before, predicted and after"),
            results.comparison.notes)),
        section("Steer against lever", central, positions_section(results.measured)),
        section("Work list", work_section(results.work), act_carefully(),
                lead="Left and right are as the rider sits. Nothing smaller than the photos can support is proposed."),
        section("Figures", bars, figures_section(results.figures),
                lead="Met only where the whole 95 % interval lies inside the tolerance, not met only where it lies "
                     "outside (ISO 14253-1)."),
        section("Over the travel", travel_section(results.travel, folder / "travel"),
                lead="Dashed: as drawn. Solid: as built, with its 95 % band, often thinner than the line. Dotted: the "
                     "limit. The numbers are in travel.csv."),
        section("Linkage", linkage_section(results),
                lead="Grey dashes: as drawn. Colour: as built (blue rods, orange hinges). Move the slider."),
        section("Drawn over your photos", f'<div class="photos">{photos}</div>' if photos else "",
                lead="Blue: rods. Orange: hinge axes. Green: ball centres. A line beside its part means that a tag or "
                     "a number in the rig file is wrong."),
        section("Findings", findings_section(results.findings) or "<p>Nothing stood out.</p>"),
        section("Axes by side", sides_section(fit.figures)),
        section("Pivots and rods", pivots_section(fit.pivot_table), misfit_section(fit.rod_misfit),
                lead="Places x, y, z in mm (forward, left, up), the drawing laid onto the measured pivots; each \u00b1 "
                     "holds between the parts. The last column: how much the photos decided; the rest is the drawing. "
                     "Along its hinge a pivot has no place of its own; the drawing's is shown."),
        section("Play", play_section(results.play),
                lead="What each rod takes up between a position reached by pushing and the same reached by pulling."),
        section("Steer from leaning", lean_section(results.lean),
                lead="Driver held still. Model: what the rods as built give at that lean."),
        section("Limits over the travel", limits_section(results.limits)),
        section("What moves what", plain_table(results.sensitivity),
                lead="How much each dimension moves a figure if it is off by the tolerance given for it in the rig "
                     "file, and its share among all."),
        section("Photo by photo", quality, cloud, lens_line(fit), photos_section(results.photos)),
        section("Go / no-go sheet", sheet_section(sheet), cautions_section()),
    ]
    return page(f"{results.design.name}: steering as measured", lead, body)
