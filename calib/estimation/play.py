"""Play (lost motion): what a rod and its joints take up when a lever position is approached from both sides.

The builder brings the lever to the same place twice, once pushing and once pulling, and photographs both
(folders "push1+" and "push1-"). Nothing changes but the side each joint rests on, so the distance between a
rod's two ball centres, worked out from the hinges and their measured turns, should come out the same; by what
it differs, the rod's chain has play. Errors of the as-built linkage enter both alike and cancel but for the
little that the lever was not brought back to quite the same place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.findings import Code, Fact
from calib.linkage.mechanism import Linkage, rod_lengths
from calib.results import Finding, Fit
from calib.rig.model import FRAME, Rig, approach_pairs
from calib.rig.parameters import Kind, get_parameters, parsed, steps, with_parameters
from calib.uncertainty import K95, differences, each, half_width, joint

Array = NDArray[np.float64]
LEAST = 0.05  # mm; less is the parts' own give under the hand; common practice, no source
FALSE_ALARM = 0.05  # chance that a rig without play shows any, over all rods and positions together
ANGLE_STEP = 1e-4  # rad, central differences


@dataclass(frozen=True)
class Play:
    """Lost motion of one rod at one lever position approached from both sides.

    ``mm`` along the rod: ball distance after pushing less that after pulling; ``deg`` the same at the driven
    body: its turn less what its driving body's turn asks for, pushing less pulling. ``u95_*`` 95 % half-widths.
    ``above`` mm: play larger than this would have shown. ``seen``: zero is ruled out with all rods and
    positions looked at together (FALSE_ALARM), and it is more than LEAST. ``joints``: where it can be.
    """

    position: str
    rod: str
    driving: str
    driven: str
    mm: float
    u95_mm: float
    deg: float
    u95_deg: float
    above: float
    seen: bool
    joints: tuple[str, ...]

    @property
    def finding(self) -> Finding:
        """Play seen, with where it can be; or that none was, and above what."""
        place = (self.position,)
        if not self.seen:
            return Finding(Code.NO_PLAY, self.rod, place, {"above_mm": self.above, "mm": self.mm,
                                                           "u95_mm": self.u95_mm})
        turn: dict[str, Fact] = {}
        if np.isfinite(self.deg):
            turn = {"deg": abs(self.deg), "u95_deg": self.u95_deg, "driven": self.driven}
        return Finding(Code.PLAY, self.rod, place, {"mm": abs(self.mm), "u95_mm": self.u95_mm, "joints": self.joints,
                                                    **turn})

    @property
    def text(self) -> str:
        """The same as a sentence."""
        return self.finding.text


def lost_motion(design: Rig, fit: Fit) -> tuple[Play, ...]:
    """Play of every rod at every position approached from both sides, in the order of the rig file.

    Uses the joint covariance of joint angles and as-built parameters (JCGM 100, 5.2.2). Empty where no position
    was photographed both ways. A rod between parts whose turn was not measured there is left out.
    """
    pairs = approach_pairs([p for p in fit.positions if p not in (*design.spin_positions, *design.lean_positions)])
    rig = fit.as_built.rig
    ends = {r: driving_and_driven(rig, r) for r in rig.rods}
    raw = []
    for place, both in pairs.items():
        for rod, (driving, driven) in ends.items():
            if any((b, p) not in fit.joint_angles for p in both for b in (driving, driven) if b != FRAME):
                continue
            mm, u95, arm = _difference(fit, rod, driven, both)
            raw.append((place, rod, driving, driven, mm, u95, arm))
    if not raw:
        return ()
    from scipy.special import ndtri  # here, as few shoots need it and it takes long to load

    strict = float(-ndtri(FALSE_ALARM / 2 / len(raw))) / K95  # Bonferroni: many looks, one false alarm allowed
    loose = {rod for _, rod, *_, mm, u95, _ in raw if abs(mm) > max(strict * u95, LEAST)}
    return tuple(_play(rig, *row, strict, loose) for row in raw)


def driving_and_driven(rig: Rig, rod: str) -> tuple[str, str]:
    """The part a rod takes its motion from and the part it moves, following the rig from its driver."""
    a, b = (rig.points[p].body for p in (rig.rods[rod].a, rig.rods[rod].b))
    found = Linkage(rig).solving_order()
    order = [*found.inputs, *found.placed]
    rank = {n: order.index(n) if n in order else -1 for n in (a, b)}
    if rank[b] >= rank[a]:
        return a, b
    return b, a


def play_table(plays: Sequence[Play]) -> pd.DataFrame:
    """One row per rod and position: position, rod, from, to, mm, u95_mm, deg, u95_deg, seen, says."""
    columns = ["position", "rod", "from", "to", "mm", "u95_mm", "deg", "u95_deg", "seen", "says"]
    return pd.DataFrame([(p.position, p.rod, p.driving, p.driven, p.mm, p.u95_mm, p.deg, p.u95_deg, p.seen, p.text)
                         for p in plays], columns=columns)


def play_findings(plays: Sequence[Play]) -> tuple[Finding, ...]:
    """What to tell the builder: play seen, rod by rod at its worst; or one line that none was seen, and above what."""
    out = []
    for rod in dict.fromkeys(p.rod for p in plays):
        seen = [p for p in plays if p.rod == rod and p.seen]
        if seen:
            out.append(max(seen, key=lambda p: abs(p.mm)).finding)
    clean = [p for p in plays if p.rod not in {f.item for f in out}]
    if clean:
        rods = " and ".join(dict.fromkeys(p.rod for p in clean))
        out.append(Finding(Code.NO_PLAY, rods, facts={"above_mm": max(p.above for p in clean)}))
    return tuple(out)


def _difference(fit: Fit, rod: str, driven: str, both: tuple[str, str]) -> tuple[float, float, float]:
    """Ball distance after pushing less after pulling (mm), its 95 % half-width, and mm per rad of the driven body."""
    rig = fit.as_built.rig
    chain = _carriers(rig, rod)
    angles = {b: np.array([fit.joint_angles.get((b, p), 0.0) for p in both]) for b in chain}

    def gap(r: Rig, at: dict[str, Array]) -> Array:
        return rod_lengths(r, at)[rod]

    def turned(body: str, by: Array) -> Array:
        return gap(rig, {**angles, body: angles[body] + by})

    here = gap(rig, angles)
    ga, row = np.zeros(len(fit.angle_names)), {k: i for i, k in enumerate(fit.angle_names)}
    arm = 0.0
    for b in chain:
        slope = differences(each(partial(turned, b)), [0.0], ANGLE_STEP)[1][:, 0]
        if b == driven:
            arm = float(slope.mean())
        for p, sign, g in zip(both, (1.0, -1.0), slope, strict=True):
            if (b, p) in row:
                ga[row[b, p]] += sign * g
    names = fit.as_built.names
    gp = np.zeros(len(names))
    idx = _matters(rig, rod, chain, names)
    some = [names[i] for i in idx]
    by_place = differences(each(lambda x: gap(with_parameters(rig, some, x), angles)), get_parameters(rig, some),
                           steps(some))[1]
    gp[idx] = by_place[0] - by_place[1]
    u95 = half_width(np.concatenate([ga, gp]), joint(fit.angle_cov, fit.cross_cov, fit.as_built.cov))
    return float(here[0] - here[1]), float(u95), arm


def _carriers(rig: Rig, rod: str) -> list[str]:
    """Bodies whose turn moves either end of a rod."""
    out: list[str] = []
    for p in (rig.rods[rod].a, rig.rods[rod].b):
        body = rig.points[p].body
        while body != FRAME:
            if body not in out:
                out.append(body)
            body = rig.bodies[body].parent
    return out


def _matters(rig: Rig, rod: str, chain: Sequence[str], names: Sequence[str]) -> list[int]:
    ends = (rig.rods[rod].a, rig.rods[rod].b)
    return [i for i, n in enumerate(parsed(names)) if n.kind in (Kind.PIVOT, Kind.AXIS) and n.owner in chain
            or n.kind is Kind.HOLE and n.owner in ends and n.of_hole_in_use(rig)]


def _play(rig: Rig, place: str, rod: str, driving: str, driven: str, mm: float, u95: float, arm: float,
          strict: float, loose: set[str]) -> Play:
    turn = float(np.degrees(mm / arm)) if abs(arm) > 1e-6 else float("nan")
    u_deg = float(np.degrees(u95 / abs(arm))) if abs(arm) > 1e-6 else float("nan")
    seen, above = abs(mm) > max(strict * u95, LEAST), max(abs(mm) + u95, LEAST)
    joints = _joints(rig, rod, driving, driven, loose)
    return Play(place, rod, driving, driven, mm, u95, turn, u_deg, above, seen, joints)


def _joints(rig: Rig, rod: str, driving: str, driven: str, loose: set[str]) -> tuple[str, ...]:
    """Where a rod's play can be; a hinge whose other rods show play too is named first."""
    r = rig.rods[rod]
    own = [f"the rod end at {r.a}", f"the rod end at {r.b}"]
    if r.adjuster != "fixed":
        own.append(f"the {'clamp' if r.adjuster == 'clamp' else 'lock nuts'} of {rod}")
    first: list[str] = []
    last: list[str] = []
    for b in (driving, driven):
        if b == FRAME:
            continue
        shared = any(b in (rig.points[x.a].body, rig.points[x.b].body) for n, x in rig.rods.items()
                     if n in loose and n != rod)
        (first if shared else last).append(f"the hinge of {b}")
    return (*first, *own, *last)
