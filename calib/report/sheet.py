"""The go / no-go sheet: each tolerance met, not met or not yet known, then the usual cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from calib.advice.verdict import Outcome
from calib.rig.figures import FIGURES
from calib.trust import UNTRUSTED

MET, NOT_MET, UNKNOWN = Outcome.MET.value, Outcome.NOT_MET.value, Outcome.CANNOT_TELL.value

# Common practice of vehicle building, no source; the local rules and the inspector come before any of it.
CAUTIONS: tuple[str, ...] = (
    "A steering failure injures. This sheet judges geometry only: it says nothing of strength, welds, wear or brakes.",
    "Follow the rules that apply where you ride, and have a qualified person inspect the steering before the road.",
    "After every adjustment: locknuts tight, clamp bolts to their torque, thread engaged at least 1.5 diameters "
    "in steel (more in aluminium), and every rod end still in line with its bolt.",
    "Every rod-end bolt needs a locking nut or pin, and a washer wide enough to hold the rod if the ball pulls out.",
    "Turn from stop to stop by hand, unloaded and then with the rider aboard and leaned both ways: nothing may touch, "
    "bind, click or go over centre. The stops, not the rods, must end the travel.",
    "Push and pull at a wheel with the lever held: any slack is play, and play grows.",
    "First trial: walking pace, empty ground away from traffic, helmet on, brakes tested first; look over every bolt "
    "again afterwards.",
)


FIRST = ("hole_mismatch", "hole_uncertain")  # a rod end in another hole than the file says: every move hangs on it


def short(name: str) -> str:
    """A figure's name in a sentence."""
    return FIGURES[name].short if name in FIGURES else name.replace("_", " ")


MOST_REMARKS = 5  # shown beside the verdict; the rest are counted


@dataclass(frozen=True)
class SheetLine:
    """One tolerance. ``verdict`` is met, not met or can't tell yet; ``doubt``: what must be settled before."""

    label: str
    verdict: str
    text: str
    doubt: str = ""


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
    doubt = r.get("doubt", "")
    doubt = doubt if isinstance(doubt, str) else ""  # an empty cell read back is nan
    return SheetLine(short(str(r["name"])), UNKNOWN if doubt else str(r["verdict"]), str(r["says"]), doubt)


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
    out += ["", "Before the road trial:"] + [f"  [ ] {c}" for c in CAUTIONS]
    return "\n".join(out)
