"""What a shoot that is still going on knows of the figures that have a tolerance, and whether that is enough."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.advice.compare import ComparedFigure, figures_of
from calib.advice.proposal import SHOOT_LOADED, cure
from calib.advice.verdict import Outcome, judge
from calib.estimation.bundle import Estimated, estimated
from calib.estimation.going import go_on
from calib.linkage.mechanism import CannotAssemble
from calib.planning.helps import ENOUGH
from calib.progress import Progress, quiet, stoppable
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from capture.errors import UserError
from capture.observations import Observations


@dataclass(frozen=True)
class KnownFigure:
    """One figure with a tolerance, in the units of the surface. ``settled``: more photos would not change much;
    ``helps``: the photos that would settle it, "" where it is.
    """

    label: str
    unit: str
    value: float
    u95: float
    target: float
    tolerance: float
    digits: int
    outcome: str  # met, not met, can't tell yet
    settled: bool
    helps: str = ""

    @property
    def text(self) -> str:
        """"1.23 +/- 0.05 deg"."""
        return f"{self.value:.{self.digits}f} \u00b1 {self.u95:.{self.digits}f} {self.unit}".rstrip()

    @property
    def wanted(self) -> str:
        """"0.00 +/- 0.50 deg"."""
        return f"{self.target:.{self.digits}f} \u00b1 {self.tolerance:.{self.digits}f} {self.unit}".rstrip()


@dataclass(frozen=True)
class Known:
    """What the photos so far tell of the figures with a tolerance. ``figures`` in the units of the surface with 95 %
    half-widths; ``trouble``: why there is nothing yet; ``noticed``: serious findings, to be settled before anything is
    judged.
    """

    photos: int
    figures: tuple[KnownFigure, ...] = ()
    noticed: tuple[str, ...] = ()
    trouble: str = ""
    whole: bool = False  # straight ahead and both ends of the travel are there
    went_on: bool = False  # from the estimate before: what is odd in the photos since was not looked for

    @property
    def enough(self) -> bool:
        """Whether every tolerance can be judged, over the whole travel, all looked at and nothing left to settle."""
        return bool(self.figures) and self.whole and not self.went_on and not self.noticed \
            and all(f.settled for f in self.figures)


def summed_up(k: Known | None, all_taken: bool) -> tuple[str, str]:
    """What it comes to in a few words, and why; ``all_taken``: whether all photos asked for are there."""
    if k is None or k.trouble:
        return "Nothing yet", "" if k is None else k.trouble
    if k.noticed:
        return "Settle this first", ""
    if k.enough:
        return "Enough: all tolerances can be judged", ""
    left = sum(not f.settled for f in k.figures)
    if all_taken and left:
        helps = list(dict.fromkeys(f"{f.helps[:1].upper()}{f.helps[1:]}" for f in k.figures if f.helps))
        return (f"All taken. Can't tell yet: {left} of {len(k.figures)}",
                " ".join(helps) or "More photos may not help. rigtrue run says what would.")
    return f"Can be judged: {len(k.figures) - left} of {len(k.figures)}", ""


def in_words(k: Known, all_taken: bool) -> list[str]:
    """What is known, in lines for a terminal."""
    say, why = summed_up(k, all_taken)
    width = max((len(f.label) for f in k.figures), default=0)
    return [f"Known from {k.photos} photos: {say}. {why}".rstrip(), *(f"  ! {n}" for n in k.noticed),
            *(f"  {f.label:{width}}  {f.text}, wanted {f.wanted}: {f.outcome}" for f in k.figures)]


def known(rig: Rig, obs: Observations) -> Known:
    """The estimate from the photos so far, figure by figure. Nothing is raised where they are too few yet.

    >>> know = known(rig, observations)  # from load_rig and capture.read_shoot
    >>> know.trouble, [f.label for f in know.figures][:1]
    ('', ['toe, both wheels, toe-in positive'])
    """
    return Knowing(rig).whole(obs)


class Knowing:
    """What is known of a shoot as photos come, for ``Shoot.known``, or in another process than the one that has the
    shoot. It keeps the last estimate to go on from.
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._last: Estimated | None = None

    def soon(self, obs: Observations, progress: Progress = quiet) -> Known:
        """From the last estimate where that goes, which is quick, else as ``whole``."""
        if self._last is not None:
            try:
                now = go_on(self._last, self.rig, obs)
                if now is not None:
                    return self._known(obs, now, went_on=True)
            except (UserError, ValueError, CannotAssemble, np.linalg.LinAlgError):
                pass  # what the estimate from nothing makes of it is what counts
        return self.whole(obs, progress)

    def whole(self, obs: Observations, progress: Progress = quiet) -> Known:
        """From nothing, with all that can be wrong looked for. Takes seconds; ``progress``: see ``calib.Progress``."""
        with stoppable(progress) as told:
            return self._whole(obs, told)

    def _whole(self, obs: Observations, progress: Progress) -> Known:
        self._last = None
        try:
            return self._known(obs, estimated(self.rig, obs, progress=progress))
        except UserError as err:
            return Known(len(obs.photos), trouble=str(err))
        except (ValueError, CannotAssemble, np.linalg.LinAlgError) as err:
            return Known(len(obs.photos), trouble=f"not worked out yet ({err})")

    def _known(self, obs: Observations, now: Estimated, went_on: bool = False) -> Known:
        figures = tuple(_figures(self.rig, figures_of(self.rig, now.fit)))
        self._last = now
        serious = tuple(x.text for x in now.fit.findings if x.serious)
        return Known(len(obs.photos), figures, serious, whole=_whole(self.rig, now.fit.positions), went_on=went_on)


def _figures(rig: Rig, compared: Sequence[ComparedFigure]) -> Iterator[KnownFigure]:
    for f in compared:
        if f.verdict is None or f.target is None or f.tolerance is None:
            continue
        tight = bool(np.isfinite(f.u95)) and f.u95 <= ENOUGH * f.tolerance
        settled = not f.doubt and (f.verdict.outcome is not Outcome.CANNOT_TELL or tight)
        yield KnownFigure(f.label, f.unit, f.measured, f.u95, f.target, f.tolerance, max(2, FIGURES[f.name].digits),
                          f.verdict.outcome.value, settled, "" if settled else _helps(rig, f))


def _helps(rig: Rig, f: ComparedFigure) -> str:
    """The photos that would settle a figure: with the rider aboard where only that is open, else what limits it."""
    kind, target = FIGURES[f.name], rig.targets[f.name]
    unloaded = judge(kind, f.measured / kind.scale, f.u95 / kind.scale, replace(target, doubt=0.0))
    return cure(rig, f.limit) if unloaded.outcome is Outcome.CANNOT_TELL else SHOOT_LOADED


def _whole(rig: Rig, positions: Sequence[str]) -> bool:
    return {rig.straight_ahead, rig.positions[0], rig.positions[-1]} <= set(positions)
