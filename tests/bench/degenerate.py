"""Shoots that tell too little or something wrong: is any figure far off that nothing is said about?

Eleven kinds of degenerate shoots (tests/degenerate.py), in turn. A figure counts as silently wrong where it is off by
more than 1.5 times its stated 95 % half-width and no finding that a verdict waits for touches it. Toe, ratio, symmetry,
locks and where the wheels stand straight are held against kinematics that share nothing with ``calib.linkage``.

Run: python -m tests.bench.degenerate [shoots, default 200] [first seed, default 1] [photos a position, default all]
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from calib.advice.compare import Comparison
from calib.advice.verdict import Outcome
from calib.estimation.arrange import only_photos
from calib.estimation.bundle import estimate
from calib.estimation.measured import raw_figures, steer_name
from calib.estimation.play import lost_motion, play_findings
from calib.linkage.positions import steer
from calib.linkage.steering import axis_figures
from calib.results import Fit
from calib.rig.figures import FIGURES
from calib.run import as_found, compared
from capture.errors import UserError
from tests.degenerate import KINDS, Shoot, true_travel_figures

FAR = 1.5  # half-widths


@dataclass(frozen=True)
class Off:
    """A figure, how many stated half-widths it is off, and what speaks against it."""

    name: str
    error: float
    u95: float
    doubt: str

    @property
    def times(self) -> float:
        return abs(self.error) / self.u95 if self.u95 > 0 else 0.0


def told(s: Shoot) -> tuple[Fit, Comparison]:
    """What a run would say of a shoot. UserError where it refuses."""
    fit = estimate(s.design, s.obs)
    design = as_found(s.design, fit)
    fit = replace(fit, findings=(*fit.findings, *play_findings(lost_motion(design, fit))))
    return fit, compared(design, fit)


def figures_off(s: Shoot, fit: Fit, compared: Comparison) -> list[Off]:
    """Every figure that is shown with a half-width, against the truth."""
    rig = s.truth.rig
    true = {n: (np.degrees(v) if FIGURES[n].unit == "deg" else v) for n, v in axis_figures(rig).items()}
    true |= true_travel_figures(rig)
    out = [Off(f.name, f.measured - float(true[f.name]), f.u95, f.doubt) for f in compared.figures
           if f.name in true and np.isfinite(f.measured) and np.isfinite(f.u95)]
    positions = [p for p in fit.positions if p not in s.design.spin_positions]
    angles = {k: s.truth.angles.get(k, 0.0) for k in fit.joint_angles}
    own = {n: np.degrees(v) if unit == "rad" else v for n, (v, unit)
           in raw_figures(rig, angles, positions, s.design.straight_ahead).items()}
    crept: dict[str, float] = {}
    for p in positions:
        for b in rig.bodies:
            crept[f"{b} angle at {p}"] = s.spread.get((b, p), 0.0) + s.spread.get((b, s.design.straight_ahead), 0.0)
        for side, w in rig.wheels.items():
            if (w.upright, p) in angles:
                own[steer_name(side, p)] = np.degrees(steer(rig, side, angles[w.upright, p], True))
                crept[steer_name(side, p)] = crept[f"{w.upright} angle at {p}"]
    for f in fit.figures:
        if f.name in own and f.name not in FIGURES:
            error = abs(f.value - float(own[f.name])) - float(np.degrees(crept.get(f.name, 0.0)))
            out.append(Off(f.name, max(error, 0.0), f.u95, fit.doubt_on(f)))
    return out


def judged_anyway(fit: Fit, compared: Comparison) -> list[str]:
    """Figures with a verdict though a serious finding touches them."""
    return [f.name for f in compared.figures if f.doubt and f.verdict and f.verdict.outcome is not Outcome.CANNOT_TELL]


def thinned(s: Shoot, most: int) -> Shoot:
    """The shoot with ``most`` photos a position, spread over those taken; quicker, and with less to go by."""
    kept = set()
    for p in s.truth.positions:
        mine = [x.name for x in s.obs.photos if x.position == p]
        kept |= {mine[round(k * (len(mine) - 1) / max(most - 1, 1))] for k in range(most)} if mine else set()
    return replace(s, obs=only_photos(s.obs, [p for p in s.obs.photos if p.name in kept]))


def main(shoots: int = 200, first: int = 1, most: int = 0) -> None:
    """Print a line for every shoot that is told something wrong, and a table by kind."""
    kinds = KINDS
    count: dict[str, Counter[str]] = {n: Counter() for n in kinds}
    began = time.perf_counter()
    for k in range(shoots):
        name = list(kinds)[k % len(kinds)]
        c, seed = count[name], first + k
        s = kinds[name](seed)
        s = thinned(s, most) if most else s
        c["shoots"] += 1
        try:
            fit, compared = told(s)
        except UserError as e:
            c["refused"] += 1
            print(f"{name}, seed {seed}: refused: {e}", flush=True)
            continue
        off = figures_off(s, fit, compared)
        wrong = [x for x in off if x.times > FAR]
        silent = [x for x in wrong if not x.doubt]
        c["figures"] += len(off)
        c["in doubt"] += sum(bool(x.doubt) for x in off)
        c["wrong"] += len(wrong)
        c["silent"] += len(silent)
        c["shoots with silent"] += bool(silent)
        c["judged anyway"] += len(judged_anyway(fit, compared))
        said = ", ".join(f"{f.code}({f.item})" for f in fit.findings if f.serious) or "nothing"
        print(f"{name}, seed {seed}: {len(wrong)} of {len(off)} wrong, {len(silent)} silently; said {said}", flush=True)
        for x in sorted(silent, key=lambda x: -x.times)[:6]:
            print(f"    {x.name}: off {x.error:+.3f}, stated {x.u95:.3f}: {x.times:.1f} times", flush=True)
    columns = ("shoots", "refused", "figures", "in doubt", "wrong", "silent", "shoots with silent", "judged anyway")
    print("\n| kind | " + " | ".join(columns) + " |\n|" + "---|" * (len(columns) + 1))
    for name, c in [*count.items(), ("all", sum(count.values(), Counter[str]()))]:
        print(f"| {name} | " + " | ".join(str(c[x]) for x in columns) + " |")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:4]))
