"""Met, not met or not yet known: the decision rule of ISO 14253-1 and the words for it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from calib.rig.figures import FigureKind, Rule
from calib.rig.model import Target
from capture.errors import UserError
from capture.shapes import one_number


class Outcome(Enum):
    """What a measured figure says about its tolerance."""

    MET = "met"
    NOT_MET = "not met"
    CANNOT_TELL = "can't tell yet"


@dataclass(frozen=True)
class Verdict:
    """The outcome and the sentence shown. ``spare``: room left (negative: missing), in the value's unit.

    ``value`` and ``u95``: what was judged, in the same unit, with all that was allowed for; ``remark``: the sentence
    that says so.
    """

    outcome: Outcome
    text: str
    spare: float
    value: float = float("nan")
    u95: float = float("nan")
    remark: str = ""

    @property
    def met(self) -> bool:
        """Whether the whole 95 % interval lies inside the tolerance."""
        return self.outcome is Outcome.MET

    @property
    def not_met(self) -> bool:
        """Whether the whole 95 % interval lies outside the tolerance."""
        return self.outcome is Outcome.NOT_MET


def judge(kind: FigureKind, value: float, u95: float, target: Target, remark: str = "") -> Verdict:
    """Judge a figure ``value`` +/- ``u95`` (rad, mm or plain, as inside) against its target; see verdict.

    The target's own doubt is added to ``u95`` as the root of the sum of squares. ``remark``: a sentence to go with
    what is said.
    """
    k = kind.scale
    u = float(np.hypot(u95, target.doubt))
    v = verdict(value * k, u * k, target.value * k, target.tolerance * k, kind.unit, kind.label, kind.digits, kind.rule)
    return replace(v, text=f"{v.text} {remark}", remark=remark) if remark else v


def not_yet(kind: FigureKind, value: float, u95: float, doubt: str) -> Verdict:
    """No verdict on a figure ``value`` +/- ``u95`` (rad, mm or plain) in doubt: can't tell until that is settled."""
    digits, k = max(kind.digits, 3 if kind.unit == "" else 2), kind.scale
    said = f"{value * k:.{digits}f} +/- {u95 * k:.{digits}f} {kind.unit}".rstrip()
    return Verdict(Outcome.CANNOT_TELL, f"{kind.label}: can't tell yet: {said} is {doubt}.", float("nan"),
                   value * k, u95 * k)


def verdict(value: float, u95: float, target_value: float, tolerance: float, unit: str = "", name: str = "",
            digits: int | None = None, rule: Rule = "within") -> Verdict:
    """Judge ``value`` +/- ``u95`` (95 %) against ``target_value`` +/- ``tolerance``, all in one unit.

    ISO 14253-1 rule: met only where the whole interval lies inside the tolerance, not met only where it lies
    wholly outside, else not yet known. An interval that just touches a limit from inside counts as met. With the
    rule "at most" (magnitudes) everything below target plus tolerance is inside. ``digits`` shown, more where the
    tolerance needs them. Raises UserError for a negative tolerance, ValueError for anything but single numbers.
    nan as value or uncertainty: can't tell.

    >>> verdict(0.12, 0.05, target_value=0.1, tolerance=0.2, unit="deg", name="toe").text
    'toe: met: 0.12 +/- 0.05 deg lies wholly inside -0.10 to 0.30 deg.'
    >>> verdict(0.28, 0.05, target_value=0.1, tolerance=0.2).outcome.value
    "can't tell yet"
    """
    value, u95 = one_number("the value", value), one_number("its 95 % uncertainty", u95)
    target_value, tolerance = one_number("the target", target_value), one_number("the tolerance", tolerance)
    if not tolerance >= 0:
        raise UserError(f"The tolerance of {name or 'a target'} is {tolerance}; give zero or more.",
                        "out_of_range", name)
    label = f"{name}: " if name else ""
    un = f" {unit}" if unit and unit != "plain" else ""
    digits = max((3 if unit in ("", "plain") else 2) if digits is None else digits, _decimals(tolerance))
    low = 0.0 if rule == "at most" else target_value - tolerance
    band = f"{low:.{digits}f} to {target_value + tolerance:.{digits}f}{un}"
    if not (np.isfinite(value) and np.isfinite(u95)):
        text = f"{label}can't tell yet: not measured; wanted {band}."
        return Verdict(Outcome.CANNOT_TELL, text, float("nan"))
    u95 = abs(u95)
    off = value - target_value if rule == "at most" else abs(value - target_value)
    spare = tolerance - off - u95
    said = f"{value:.{digits}f} +/- {u95:.{digits}f}{un}"
    slack = 1e-9 * max(1.0, abs(tolerance), abs(off))  # a touch is inside, whatever the last bit says
    if spare >= -slack:
        return Verdict(Outcome.MET, f"{label}met: {said} lies wholly inside {band}.", spare, value, u95)
    if off - u95 > tolerance + slack:
        return Verdict(Outcome.NOT_MET, f"{label}not met: {said} lies wholly outside {band}.", spare, value, u95)
    why = ("the measurement is coarser than the tolerance, so only better photos can tell" if u95 > tolerance
           else "the interval straddles a limit")
    return Verdict(Outcome.CANNOT_TELL, f"{label}can't tell yet: {said} against {band}; {why}.", spare, value, u95)


def _decimals(tolerance: float) -> int:
    """Decimals that show a tolerance as a person wrote it, at most four."""
    return len(f"{tolerance:.4g}".partition(".")[2]) if tolerance < 1e4 else 0
