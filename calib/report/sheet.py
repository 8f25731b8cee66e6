"""The go / no-go sheet: each tolerance met, not met or not yet known, then what must be checked by hand."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from calib.advice.verdict import Outcome
from calib.report.numbers import pm
from calib.rig.figures import FIGURES
from calib.trust import UNTRUSTED

MET, NOT_MET, UNKNOWN = Outcome.MET.value, Outcome.NOT_MET.value, Outcome.CANNOT_TELL.value

# Common practice of vehicle building, no source; the local rules and the inspector come before any of it.
CHECKS: tuple[str, ...] = (  # each is done by hand at the vehicle, and can come out wrong
    "Locknuts and clamp bolts: a spanner on every one, none moves. Tube clamps at no less than their least overlap.",
    "Thread in every rod end, measured: at least 1.5 diameters in steel (9 mm on M6, 12 mm on M8), more in aluminium.",
    "Every rod-end bolt has its locking nut or pin, and a washer wide enough to hold the rod if the ball pulls out.",
    "One rod with a tape, between ball centres: as in the report. The work list's changes are done as written.",
    "From stop to stop by hand, slowly, unloaded: nothing touches, binds, clicks or goes over centre, and the stops "
    "end the travel, not the rods.",
    "The same with the rider aboard, and leaned both ways on a vehicle that leans.",
    "Lever held, each wheel pushed and pulled: no slack. Each wheel shaken: no play in bearing or kingpin.",
    "Brakes: each holds the vehicle by itself with the rider aboard. Wheel nuts tight, tyres hard.",
    "Tags, plates, straps and tools are off; nothing can catch a rod, a cable, the chain or clothes.",
)
TRIAL: tuple[str, ...] = (  # each only after the one before it
    "Helmet, gloves, closed shoes; a helper who watches; level, empty ground away from traffic.",
    "Walking pace: straight on, stop, a wide circle each way, full steer each way.",
    "Halt: every nut, clamp and rod end looked over again.",
    "Running pace, then faster only in small steps, looked over after each. Shimmy, noise, new slack or a pull to one "
    "side: stop and look for the cause.",
)
RULES: tuple[str, ...] = (
    "What the local rules ask for where it is ridden is met.",
    "A qualified person has inspected the steering. No road before that.",
)
WARNING = ("A steering failure injures. This sheet judges geometry only: it says nothing of strength, welds, wear or "
           "brakes, and a wrong number in the rig file makes it wrong.")


FIRST = ("hole_mismatch", "hole_uncertain")  # a rod end in another hole than the file says: every move hangs on it


def short(name: str) -> str:
    """A figure's name in a sentence."""
    return FIGURES[name].short if name in FIGURES else name.replace("_", " ")


MOST_REMARKS = 5  # shown beside the verdict; the rest are counted
MOST_WARNINGS = 6  # said on the sheet; the rest are counted


@dataclass(frozen=True)
class SheetLine:
    """One tolerance. ``verdict`` is met, not met or can't tell yet; ``doubt``: what must be settled before.

    ``name``: the figure in full; ``wanted`` and ``measured``: both as shown, the latter as it was judged; ``remark``:
    what was allowed for in that.
    """

    label: str
    verdict: str
    text: str
    doubt: str = ""
    name: str = ""
    wanted: str = ""
    measured: str = ""
    remark: str = ""


@dataclass(frozen=True)
class Sheet:
    """All lines, the serious findings, and what they come to."""

    lines: tuple[SheetLine, ...]
    broken: tuple[str, ...]  # limits over the travel that are not kept
    warnings: tuple[str, ...]
    headline: str
    remarks: tuple[str, ...] = ()  # facts about the vehicle that stand beside the verdict

    @property
    def go(self) -> bool:
        """Whether every tolerance is met, every limit kept and nothing serious was found."""
        return bool(self.lines) and not self.warnings and not self.broken and all(x.verdict == MET for x in self.lines)

    @property
    def word(self) -> str:
        """The answer in a word or two, for the head of the sheet."""
        if self.go:
            return "Go, once every box is ticked"
        return "No go" if self.broken or any(x.verdict == NOT_MET for x in self.lines) else "No go yet"

    @property
    def notes(self) -> tuple[str, ...]:
        """What was allowed for in the figures judged, each said once."""
        return tuple(dict.fromkeys(x.remark for x in self.lines if x.remark))


def make_sheet(figures: pd.DataFrame, findings: Sequence[Mapping[str, object]] = (),
               limits: Sequence[tuple[bool, str]] = ()) -> Sheet:
    """The sheet from the figures table (name, verdict, says; no verdict: no target), the findings and the limits.

    A figure that the column ``doubt`` speaks against has no verdict, whatever stands there. A finding is a mapping
    with text, serious and remark, as the result folder keeps them; a limit is (kept, sentence).
    """
    rows = figures[figures["verdict"].fillna("").astype(str) != ""]
    lines = tuple(_line(r) for _, r in rows.iterrows())
    serious = sorted((f for f in findings if f.get("serious")), key=lambda f: f.get("code") not in FIRST)
    warnings = tuple(str(f["text"]) for f in serious)
    broken = tuple(text.replace("_", " ") for kept, text in limits if not kept)
    return Sheet(lines, broken, warnings, headline(lines, broken, warnings), _remarks(findings))


def _line(r: pd.Series) -> SheetLine:
    doubt, unit, remark = (_text(r.get(c, "")) for c in ("doubt", "unit", "remark"))
    name = str(r["name"])
    # a folder of an earlier version has no column for what was judged
    value, u95 = (float(r.get(c, r.get(old, math.nan))) for c, old in (("judged", "measured"), ("judged_u95", "u95")))
    return SheetLine(short(name), UNKNOWN if doubt else str(r["verdict"]), str(r["says"]), doubt,
                     _text(r.get("label", "")) or short(name), _wanted(r, name, unit), pm(value, u95, unit), remark)


def _text(cell: object) -> str:
    return cell if isinstance(cell, str) else ""  # an empty cell read back is nan


def _wanted(r: pd.Series, name: str, unit: str) -> str:
    """The tolerance as the rig file gives it: "0 \u00b1 0.5 deg", "at most 1.7 deg"."""
    target, tolerance = (float(r.get(c, math.nan)) for c in ("target", "tolerance"))
    if not math.isfinite(target + tolerance):
        return ""
    said = asked(name, target, tolerance)
    return f"{said} {unit}" if unit and unit != "plain" else said


def asked(name: str, target: float, tolerance: float) -> str:
    """What a figure is to be, without unit: "0 \u00b1 0.5", or "at most 1.7" where only too much of it is wrong."""
    if name in FIGURES and FIGURES[name].rule == "at most":
        return f"at most {target + tolerance:.6g}"
    return f"{target:.6g} \u00b1 {tolerance:.6g}"


def _remarks(findings: Sequence[Mapping[str, object]]) -> tuple[str, ...]:
    """The first of the remarks as the findings are ordered, and how many more there are."""
    said = [str(f["text"]) for f in findings if f.get("remark")]
    more = len(said) - MOST_REMARKS
    if more <= 0:
        return tuple(said)
    return (*said[:MOST_REMARKS], f"{more} more {'parts are' if more > 1 else 'part is'} outside the stated tolerance; "
                                  "all stand among the findings.")


def headline(lines: Sequence[SheetLine], broken: Sequence[str] = (), warnings: Sequence[str] = ()) -> str:
    """What the verdicts come to, in one or two plain sentences."""
    bad = [x.label for x in lines if x.verdict == NOT_MET]
    open_ = [x.label for x in lines if x.verdict == UNKNOWN and not x.doubt]
    spoilt = [x.label for x in lines if x.doubt]
    if not lines:
        out = "No target is set in the rig file, so no tolerance can be judged."
    elif bad:
        out = f"Not ready: {listing(bad)} {'is' if len(bad) == 1 else 'are'} outside tolerance."
        if open_:
            out += f" Not yet known: {listing(open_)}."
    elif open_:
        out = f"Can't tell yet: {listing(open_)} {'needs' if len(open_) == 1 else 'need'} a surer measurement."
    elif spoilt:
        out = "Can't tell yet."
    else:
        out = "Every tolerance is met." if len(lines) > 1 else "The tolerance is met."
    if spoilt:
        out += f" {listing(spoilt)[:1].upper()}{listing(spoilt)[1:]} {'is' if len(spoilt) == 1 else 'are'} {UNTRUSTED}."
    if broken:
        many = "A limit is" if len(broken) == 1 else f"{len(broken)} limits are"
        out += f" {many} broken somewhere in the travel."
    if warnings:
        n = len(warnings)
        out += f" {n} warning{'s' if n > 1 else ''} about the photos or the rig must be settled first."
    return out


LETTER_WIDTH, LINE, PAGE_WIDTH, PAGE_HEIGHT = 0.58, 1.34, 505.0, 770.0  # em, em, points; tried on Letter


def print_size(sheet: Sheet, largest: float = 9.2, smallest: float = 6.0) -> float:
    """Size of the text (points) in which a browser prints the sheet on one page of A4 or Letter; a careful guess."""
    said = [*sheet.notes, *sheet.broken, *sheet.warnings[:MOST_WARNINGS], *sheet.remarks, *CHECKS, *TRIAL, *RULES,
            WARNING, sheet.headline]
    size = largest
    while size > smallest:
        letters = PAGE_WIDTH / (LETTER_WIDTH * size)
        lines = sum(math.ceil(len(t) / letters) + 0.15 for t in said) + 15.0  # heads, signatures
        lines += sum(max(math.ceil(len(x.name) / (0.42 * letters)), math.ceil(len(x.measured) / (0.32 * letters))
                         + math.ceil(len(x.doubt) / (0.32 * letters))) + 0.35 for x in sheet.lines)
        if lines * LINE * size <= PAGE_HEIGHT:
            break
        size -= 0.1
    return max(round(size, 1), smallest)


def listing(items: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def sheet_text(sheet: Sheet, vehicle: str = "") -> str:
    """The sheet for the terminal."""
    out = [f"Go / no-go sheet{': ' + vehicle if vehicle else ''}", sheet.headline, ""]
    for x in sheet.lines:
        box = {MET: "[met]", NOT_MET: "[NOT MET]"}.get(x.verdict, "[not known]")
        out.append(f"  {box:<12} {x.text}")
    if sheet.broken:
        out += ["", "Limits broken:"] + [f"  - {x}" for x in sheet.broken]
    if sheet.warnings:
        out += ["", "To settle first:"] + [f"  - {w}" for w in sheet.warnings]
    if sheet.remarks:
        out += ["", "Not as drawn:"] + [f"  - {r}" for r in sheet.remarks]
    for head, items in (("Check by hand, and tick:", CHECKS), ("Then the trial, step by step:", TRIAL),
                        ("Before the road:", RULES)):
        out += ["", head] + [f"  [ ] {c}" for c in items]
    return "\n".join([*out, "", WARNING])
