"""All that one run found, as data and as the tables that are written and shown (mm, degrees, 95 %)."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import pandas as pd

from calib.advice.centring import centring
from calib.advice.compare import Comparison, predicted_curves
from calib.advice.proposal import Proposal, Proposals, percent, title
from calib.advice.sensitivity import sensitivity
from calib.advice.travel import Travel
from calib.advice.worklist import shoot_again, work_steps
from calib.report.sheet import Sheet, listing, make_sheet, short
from calib.results import AsBuilt, Fit, PhotoFit
from calib.rig.model import Rig
from calib.rig.parameters import ParameterName, length_name
from calib.second_process import Task
from calib.trust import Doubts
from calib.uncertainty import own_half_widths
from capture.observations import Observations

FORMAT = 1


@dataclass(frozen=True)
class Results:
    """All that one run found, as data and as the tables that are written and shown."""

    design: Rig
    observations: Observations
    fit: Fit
    comparison: Comparison
    proposals: Proposals | None
    curves: pd.DataFrame
    measured: pd.DataFrame
    figures: pd.DataFrame
    photos: pd.DataFrame
    work: dict[str, Any]  # the proposals as plain data, see ``work_data``
    limits: tuple[tuple[bool, str], ...] = ()  # of the rig as built: whether kept, and the sentence
    findings: tuple[dict[str, Any], ...] = ()
    sensitivity: pd.DataFrame = field(default_factory=pd.DataFrame)
    play: pd.DataFrame = field(default_factory=pd.DataFrame)
    lean: pd.DataFrame = field(default_factory=pd.DataFrame)
    hand: pd.DataFrame = field(default_factory=pd.DataFrame)  # hand travel and force by grip, see advice.hand
    riders: pd.DataFrame = field(default_factory=pd.DataFrame)  # rod lengths by place of a slide, see advice.riders
    offsets: pd.DataFrame = field(default_factory=pd.DataFrame)  # what a common error would do, see advice.offsets
    travel: Travel | None = None  # curves over the travel
    begun: Mapping[str, Task] = field(default_factory=dict)  # files that another process makes already

    @property
    def pivots(self) -> pd.DataFrame:
        """The fit's pivot table with what is not to be trusted yet."""
        t, doubts = self.fit.pivot_table, self.fit.doubts
        return t.assign(doubt=[doubts.on_parts((str(i),), str(u)) for i, u in zip(t["item"], t["unit"], strict=True)])

    def sheet(self) -> Sheet:
        """The go / no-go sheet."""
        return make_sheet(self.figures, self.findings, self.limits)

    def work_lines(self) -> list[str]:
        """The first proposal in a few lines for the terminal."""
        first = next(iter(self.work["proposals"]), None)
        if self.work["centre_first"]:
            return ["Centre the levers first.", self.work["centre_first"]]
        if first is None:
            return list(self.work["notes"])
        lines = [f"{first['title']}.", *first["notes"]] if first.get("doubt") else []
        for k, s in enumerate(first["steps"], 1):
            lines.append(f"{k}. {s['do']}")
            lines += [f"     {x}" for x in (s["how"], f"Recheck {listing(s['recheck'])}." if s["recheck"] else "") if x]
        if not lines:
            return ["Leave everything as it is.", *self.work["photos"]]
        if first["chance"] is not None:
            but_for = first.get("but_for", "")
            lines.append(f"Chance that every tolerance is then met{but_for}: {percent(first['chance'])}")
        return lines


def marked(table: pd.DataFrame, doubt: str) -> pd.DataFrame:
    """The table with a column that says why its numbers are not to be trusted yet, where there is anything."""
    return table.assign(doubt=doubt) if len(table) and doubt else table


def what_moves_what(rig: Rig, each: int = 4) -> pd.DataFrame:
    """For every figure with a target, the dimensions that move it most: figure, dimension, slope, tolerance, effect."""
    t = sensitivity(rig)
    rows = [{"figure": short(str(r["figure"])), "dimension": r["what"],
             "slope": f"{r['slope']:+.3g} {_per(str(r['unit']), str(r['dimension']))}",
             "tolerance": f"{r['tolerance']:g} {'deg' if _turns(str(r['dimension'])) else 'mm'}",
             "moves it by": f"{r['effect']:.2g} {r['unit']}".rstrip(), "share": f"{100 * r['share']:.0f} %"}
            for name in rig.targets for _, r in t[t["figure"] == name].head(each).iterrows()]
    return pd.DataFrame(rows)


def _turns(dimension: str) -> bool:
    return ParameterName.parse(dimension).direction


def _per(unit: str, dimension: str) -> str:
    return f"{unit} per {'deg' if _turns(dimension) else 'mm'}".strip()


def photos_table(obs: Observations, fits: Mapping[str, PhotoFit]) -> pd.DataFrame:
    """One row per photo: photo, position, corners, rms_px, outliers, sharpness_px, note. ``fits`` by photo."""
    rows: list[dict[str, Any]] = []
    for p in obs.photos:
        f = fits.get(p.name)
        rows.append({"photo": p.name, "position": p.position, "corners": f.corners if f else math.nan,
                     "rms_px": f.rms_px if f else math.nan, "outliers": f.outliers if f else math.nan,
                     "sharpness_px": p.sharpness_px, "note": "; ".join(p.notes) if f else "not used"})
    rows += [{"photo": s.name, "position": "", "corners": math.nan, "rms_px": math.nan, "outliers": math.nan,
              "sharpness_px": math.nan, "note": "set aside: " + s.reason} for s in obs.set_aside]
    return pd.DataFrame(rows)


def work_data(design: Rig, built: AsBuilt, comparison: Comparison, proposals: Proposals | None, figures: pd.DataFrame,
              labels: Mapping[str, str], trouble: str = "", shot: Collection[str] = (), doubts: Doubts | None = None,
              ) -> dict[str, Any]:
    """Proposals as plain data: what ``proposals.json`` holds and the report shows.

    Keys: proposals (title, changes, steps, shoot, chance, side_effects, predicted, items, curves), withheld (text,
    reason), limited, photos, notes. ``changes`` are the steps as paragraphs, ``steps`` the same in parts (kind, item,
    do, how, recheck), ``shoot`` the positions to photograph again (positions, spin_positions), ``centre_first`` what
    comes before all of it where only the centring is wrong. ``shot``: the positions photographed. A proposal that
    changes what ``doubts`` touch says so and is not called one to do.
    """
    where = None if comparison.doubt else centring(design, comparison, shot)
    alone = where is not None and where.alone
    empty = {"format": FORMAT, "proposals": [], "withheld": [], "limited": [], "photos": [],
             "centre_first": where.text if where is not None and alone else ""}
    if proposals is None:
        return {**empty, "notes": [trouble] if trouble else []}
    now = {str(r["name"]): r for _, r in figures.iterrows()}
    least = min((p for p in proposals.all if not p.leaves_it), key=lambda p: (p.work, p.misfit), default=None)
    listed = list(proposals.all)
    if not any(p.leaves_it for p in listed):
        listed.append(proposals.leave)
    out = []
    for k, p in enumerate(listed):
        if k == 0:
            head = ("Leave the rest as it is" if alone else "Leave it as it is") if p.leaves_it else (
                "Only if it is still off then" if alone else "Do this first")
        elif p.leaves_it:
            head = "If nothing is done"
        else:
            head = f"Another way ({k})" + (", least work" if p is least and p is not listed[0] else "")
        data = _proposal_data(design, built, comparison, p, head, now, labels, where.where if where else "")
        doubt = "" if doubts is None else next(filter(None, (doubts.on_parts((c.item,), "mm") for c in p.changes)), "")
        out.append({**data, "title": f"{data['title']}: not before it is settled", "doubt": doubt,
                    "notes": [f"What this changes is {doubt}."]} if doubt else data)
    held = [{"text": title(w.item), "reason": w.reason} for w in proposals.withheld]
    return {**empty, "proposals": out, "withheld": held, "limited": list(proposals.limited_by),
            "photos": list(proposals.photos), "notes": list(proposals.notes)}


def _proposal_data(design: Rig, built: AsBuilt, comparison: Comparison, p: Proposal, head: str, now: Mapping[str, Any],
                   labels: Mapping[str, str], straight: str) -> dict[str, Any]:
    u95 = dict(zip(built.names, own_half_widths(built.cov), strict=True))
    steps = work_steps(p, built.rig, {r: float(u95[n]) for r in built.rig.rods if (n := length_name(r)) in u95},
                       straight)
    predicted = []
    for f in p.figures:
        row = now.get(f.name)
        words = labels.get(f.name, f.name.replace("_", " "))
        predicted.append({
            "name": f.name, "label": words, "value": f.value, "u95": f.u95, "unit": plain_unit(f.unit),
            "target": f.target, "tolerance": f.tolerance, "chance": f.chance, "verdict": f.verdict.outcome.value,
            "now": math.nan if row is None else float(row["measured"]),
            "now_u95": math.nan if row is None else float(row["u95"])})
    again = shoot_again(built.rig)
    return {"title": head, "changes": [s.text for s in steps], "chance": p.chance_all,
            "but_for": _left_open(design, p),
            "steps": [{"kind": s.kind, "item": s.item, "do": s.do, "how": s.how, "recheck": list(s.recheck)}
                      for s in steps],
            "shoot": asdict(again) if steps else {},
            "side_effects": list(p.side_effects), "predicted": predicted, "notes": [],
            "items": [{"kind": c.kind, "item": c.item, "before": c.before, "after": c.after, "mm": c.mm,
                       "turns": c.turns, "amount": c.amount} for c in p.changes],
            "curves": predicted_curves(design, replace(built, rig=p.rig),
                                       comparison.relative).to_dict("list")}


def _left_open(design: Rig, p: Proposal) -> str:
    """The targets that the chance says nothing of, since nothing is adjusted for them; "" where it is of all."""
    left = [short(n) for n in design.targets if n not in {f.name for f in p.figures}]
    return f", but for {listing(left)}, which nothing is adjusted for yet" if left else ""


def plain_unit(unit: str) -> str:
    """The unit as shown; a plain number has none."""
    return "" if unit in ("plain", "1") else unit


