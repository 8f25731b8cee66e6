"""Honest intervals: the share of true values inside the stated 95 % intervals, over many simulated shoots.

Every shoot has its own rig (errors drawn from the stated tolerances), tag placements, camera, number of
photos, print scale and stretch, board bow, one slightly bent tag and 3 % gross corner outliers; each photo its own
focal and principal-point change, and each rod its own seat at every position. What the estimate takes for known
beforehand is drawn just as wide as it is taken; only lens, bow and print scale without a bar are drawn narrower,
since the photos say so much more of them. The last columns are the RMS error over the Cramer-Rao bound of the
same corners without outliers (normal equations at known noise, drawing rows included), and the RMS error, mm, deg or %.

Measured over 200 shoots (toe and print stretch, one value a shoot, are known to 1.9 points), the Ackermann error over
60 since tyres stand off their axles here as the estimate takes for possible:

| class | inside 95 % | RMS/stated | worst/stated | RMS/bound | RMS error |
|---|---|---|---|---|---|
| Ackermann error | 0.961 | 0.95 | 2.9 | | 0.0193 |
| axis direction | 0.958 | 0.94 | 2.9 | 0.94 | 0.127 |
| camber | 0.960 | 0.96 | 2.8 | 0.96 | 0.135 |
| caster | 0.963 | 0.92 | 2.8 | 0.92 | 0.132 |
| kingpin inclination | 0.960 | 0.95 | 2.8 | 0.95 | 0.135 |
| lever angle | 0.950 | 1.00 | 4.3 | 1.03 | 0.0023 |
| pivot point | 0.966 | 0.95 | 3.1 | 0.95 | 0.626 |
| print stretch | 0.985 | 0.93 | 2.3 | 0.94 | 0.0009 |
| rod length | 0.954 | 0.97 | 3.2 | 0.97 | 0.237 |
| steer angle | 0.955 | 0.98 | 3.2 | 0.98 | 0.0077 |
| toe | 0.980 | 0.92 | 2.8 | 0.94 | 0.0079 |

With the print taken as even, on 40 shoots: toe 0.43 inside, lever angle 0.91, rod length 0.91; RMS error 5 times
larger for toe (0.044 deg) and 2.5 times for lever angles (0.0056 deg).

Run: python -m tests.bench.coverage [shoots, default 200] [even: as if the print were known not to be stretched]
or:  python -m tests.bench.coverage workshop [shoots a row, default 24] [part of a row's name] [first seed]
which is the same with each nuisance of a workshop added (tests/render/workshop.py), and with all: share inside 95 %
(RMS error over stated; stated standard uncertainty, RMS, in deg, mm or none), and shoots with anything wrongly accused.

Measured over 24 shoots a row, seeds from 100, share inside (RMS error over stated); ratio, lock and toe
are one value a shoot, known to 4 points:

| nuisance | steer | lever | ratio | lock | toe | pivots | wrongly accused |
|---|---|---|---|---|---|---|---|
| none | 0.98 (0.86) | 0.98 (0.84) | 0.92 (1.06) | 1.00 (0.66) | 0.96 (0.92) | 0.95 (0.99) | 0 of 24 |
| hinge play | 0.97 (0.90) | 0.96 (0.91) | 0.92 (0.89) | 0.92 (0.76) | 0.96 (0.90) | 0.94 (1.01) | 0 of 24 |
| frame flex | 0.98 (0.87) | 0.99 (0.83) | 0.92 (1.08) | 1.00 (0.66) | 0.96 (0.97) | 0.95 (0.99) | 0 of 24 |
| rolling readout | 0.96 (0.89) | 0.98 (0.82) | 0.96 (1.02) | 1.00 (0.65) | 0.96 (0.87) | 0.94 (1.00) | 0 of 24 |
| lens residue | 0.98 (0.87) | 0.98 (0.83) | 0.92 (1.05) | 1.00 (0.64) | 0.96 (0.96) | 0.95 (0.99) | 0 of 24 |
| tag warp | 0.97 (0.86) | 0.99 (0.82) | 0.92 (1.06) | 1.00 (0.65) | 0.92 (0.99) | 0.95 (0.99) | 1 of 24 |
| board in an S | 0.98 (0.76) | 0.99 (0.68) | 0.92 (1.06) | 1.00 (0.66) | 1.00 (0.66) | 0.95 (0.99) | 0 of 24 |
| stabiliser | 0.98 (0.87) | 0.98 (0.82) | 0.92 (1.05) | 1.00 (0.66) | 0.96 (0.98) | 0.95 (0.99) | 0 of 24 |
| the mix | 0.96 (0.97) | 0.91 (1.13) | 0.92 (0.92) | 0.96 (0.77) | 1.00 (0.83) | 0.95 (1.01) | 0 of 24 |

Before play, flex, hand, lens and paper were allowed for, on 14 to 24 shoots: steer 0.33 (hinge play) to 0.74, lever
0.23 to 0.66, with everything 0.52 and 0.26, and somebody wrongly accused in every shoot with everything.
"""

from __future__ import annotations

import re
import sys
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.advice.compare import compare
from calib.advice.search import Model, Variant, driver_grid
from calib.estimation.blocks.expected import DC_SD, DF_SD
from calib.estimation.bundle import LENS_SD, STRETCH_SD, Options, estimate
from calib.estimation.measured import raw_figures, steer_name
from calib.estimation.play import lost_motion, play_findings
from calib.linkage.positions import steer
from calib.linkage.steering import ackermann_error, wheel_headings
from calib.results import Fit
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, with_parameters
from calib.rig.reader import load_rig
from calib.uncertainty import K95
from capture.errors import UserError
from capture.observations import Observations
from capture.targets import saddle_points
from tests.render.shoot import simulate_observations
from tests.render.truth import Truth, glued_as_promised, random_truth, with_rod_play
from tests.render.workshop import ROWS, Workshop, in_workshop

RIG = Path(__file__).resolve().parents[2] / "sample_data" / "rig.toml"
Array = NDArray[np.float64]
ROD_PLAY = 0.05  # mm, how differently a rod seats at every position
FOLLOWS = ("few_photos", "no_position", "tag_missing", "angle_unknown")  # what setting photos aside brings with it
NO_BLAME = (*FOLLOWS, "rod_misfit", "play")  # where the nuisance is play itself, these say what is so


@dataclass(frozen=True)
class BentTruth(Truth):
    """A shoot in which one tag is a little bent: its edges stand off by ``bend`` mm."""

    bent: str = ""
    bend: float = 0.0

    def tag_saddles(self, tag: str, position: str) -> Array:
        flat = super().tag_saddles(tag, position)
        if tag != self.bent:
            return flat
        p = saddle_points(2.0)  # half edge 1
        return flat + np.outer(self.bend * p[:, 0] ** 2, self.tag_pose(tag, position)[0][:, 2])


def shoot(seed: int, outliers: float = 0.03, workshop: Workshop | None = None,
          ) -> tuple[Rig, Truth, Observations, Observations]:
    """Design (with its scale bar as read), truth, corners with outliers, and the same kind without.

    ``workshop``: nuisances on top of those that every shoot has; without any the shoots are what they were.
    """
    rng = np.random.default_rng(seed)
    truth = random_truth(RIG, rng, views=int(rng.integers(3, 7)))
    scale = 1 + float(rng.normal(0, 0.004))
    bow = (float(rng.normal(0, 0.1)), float(rng.normal(0, 0.1)), float(rng.normal(0, 0.05)))
    truth = replace(truth, scale=scale, bow=bow)
    bent = str(rng.choice([t.name for t in truth.rig.tags.values() if t.centres_on is None]))
    truth = BentTruth(**{f.name: getattr(truth, f.name) for f in fields(Truth)}, bent=bent,
                      bend=float(rng.normal(0, 0.05)))
    truth = _as_stated(truth, rng, workshop or Workshop(), np.random.default_rng([seed, 10]))
    design = load_rig(RIG)
    bar = design.board.bar_nominal * scale + float(rng.normal(0, design.board.bar_tol / 2))
    design = replace(design, board=replace(design.board, bar_measured=bar))
    truth = replace(truth, rig=_with_stops(truth.rig, design, np.random.default_rng([seed, 11])))
    truth = replace(truth, rig=_with_tyres(truth.rig, design, np.random.default_rng([seed, 12])))
    sigma = float(rng.uniform(0.03, 0.08))
    state = rng.bit_generator.state
    dirty = simulate_observations(truth, sigma, rng, outliers=outliers)
    rng.bit_generator.state = state
    return design, truth, dirty, simulate_observations(truth, sigma, rng)


def _with_stops(rig: Rig, design: Rig, rng: np.random.Generator) -> Rig:
    """The rig with its stops where the drawing has them on the frame, off by what the drawing is trusted to.

    A lever's travel counts from where it stood straight ahead, which is not where it was drawn.
    """
    name, point = design.driver, f"{design.driver}.rod"

    def angle(r: Rig) -> float:
        x, _, z = np.subtract(r.points[point].xyz, r.bodies[name].pivot)
        return float(np.arctan2(x, z))  # the hinge lies across the vehicle

    off = float(rng.normal(0, design.stop_tol / K95)) + angle(design) - angle(rig)
    low, high = design.driver_travel
    return replace(rig, bodies={**rig.bodies, name: replace(rig.bodies[name], travel=(low + off, high + off))})


def _with_tyres(rig: Rig, design: Rig, rng: np.random.Generator) -> Rig:
    """The rig with its tyres as far off their axles as the estimate takes for possible, which no photo shows.

    Along the axle that is the drawing's tolerance; across it the hub runs as true as 1 mm (standard deviation).
    """
    wheels = {}
    for side, w in rig.wheels.items():
        axle, drawn = np.asarray(w.spin) / np.linalg.norm(w.spin), design.wheels[side]
        across = rng.normal(0, 1.0, 3)
        across -= axle * (axle @ across)
        along = float(rng.normal(0, drawn.centre_tol / K95)) - float(axle @ np.subtract(w.centre, drawn.centre))
        x, y, z = np.asarray(w.centre) + along * axle + across
        wheels[side] = replace(w, centre=(float(x), float(y), float(z)))
    return replace(rig, wheels=wheels)


def _as_stated(truth: Truth, rng: np.random.Generator, workshop: Workshop, other: np.random.Generator) -> Truth:
    """The shoot with what the estimate takes for known beforehand drawn just as wide as it is taken."""
    lens = replace(truth.lens, aspect=1 + float(rng.normal(0, LENS_SD[1])))
    shots = tuple(replace(s, camera=replace(s.camera, lens=lens, df=float(rng.normal(0, DF_SD)),
                                            dc=rng.normal(0, DC_SD * lens.width, 2))) for s in truth.shots)
    truth = replace(truth, lens=lens, shots=shots, stretch=1 + float(rng.normal(0, STRETCH_SD)))
    truth = in_workshop(truth, workshop, other)
    return with_rod_play(glued_as_promised(truth, rng), ROD_PLAY, rng)


def errors(design: Rig, truth: Truth, fit: Fit) -> list[tuple[str, str, float, float]]:
    """(class, item, error, stated standard uncertainty) of every figure, surface units."""
    out = []
    positions = tuple(p for p in fit.positions if p not in design.spin_positions)
    angles = {k: truth.angles.get(k, 0.0) for k in fit.joint_angles}
    true = raw_figures(truth.rig, angles, positions, design.straight_ahead)
    true |= {steer_name(s, p): (steer(truth.rig, s, angles[w.upright, p], True), "rad")
             for s, w in truth.rig.wheels.items() for p in positions if (w.upright, p) in angles}
    kinds = {"steer": "steer angle", "toe": "toe", "camber": "camber", "length": "rod length", "caster": "caster",
             "kingpin_inclination": "kingpin inclination"}
    for f in fit.figures:
        one_sided = FIGURES[f.name].of_one_side if f.name in FIGURES else True
        kind = "lever angle" if "lever angle" in f.name else kinds.get(re.split(r" |_(?:left|right)$", f.name)[0], "")
        kind = kind if one_sided else ""
        if kind and f.u95 > 0:
            value, unit = true[f.name]
            out.append((kind, f.name, f.value - (np.rad2deg(value) if unit == "rad" else value), f.u95 / 1.96))
    sd = dict(zip(fit.as_built.names, np.sqrt(np.diag(fit.as_built.cov)), strict=True))
    for b, body in fit.as_built.rig.bodies.items():
        if body.role == "wheel" or f"{b}.pivot.x" not in sd:
            continue
        t = truth.rig.bodies[b]
        axis = np.asarray(t.axis)
        drawn = np.asarray(design.bodies[b].pivot)
        p = np.asarray(t.pivot) + axis * (axis @ (drawn - np.asarray(t.pivot)))
        for k, c in enumerate("xyz"):
            if sd[f"{b}.pivot.{c}"] > 1e-2 and abs(axis[k]) < 0.9:
                out.append(("pivot point", f"{b} {c}", body.pivot[k] - p[k], sd[f"{b}.pivot.{c}"]))
            if abs(axis[k]) < 0.9:
                d = np.rad2deg(body.axis[k] - axis[k])
                out.append(("axis direction", f"{b} {c}", d, np.rad2deg(sd[f"{b}.axis.{c}"])))
    if fit.printed is not None and fit.printed.u95["stretch"] > 1e-6:
        out.append(("print stretch", "", 100 * (fit.printed.stretch - truth.stretch),
                    100 * fit.printed.u95["stretch"] / 1.96))
    out += _ackermann(truth, fit, positions)
    out += _over_the_travel(design, truth, fit)
    return out


def _over_the_travel(design: Rig, truth: Truth, fit: Fit) -> list[tuple[str, str, float, float]]:
    """Ratio and lock as a builder is told them, against the same read off the true linkage."""
    driver = driver_grid(truth.rig, 101)
    nothing = [Variant()]
    told = compare(design, fit)
    true = Model(truth.rig, driver).curves(nothing).figures(truth.rig)
    out = []
    for name, unit in (("ratio", 1.0), ("lock", 180 / np.pi)):
        f = told.figure(name)
        out.append((name, "", f.measured - unit * float(true[name][0]), f.u95 / 1.96))
    return out


def accused(fit: Fit, design: Rig) -> tuple[tuple[str, str], ...]:
    """(cause, item) of every serious finding of a shoot in which nothing slipped, bent or was bumped."""
    found = (*fit.findings, *play_findings(lost_motion(design, fit)))
    return tuple((f.code, f.item) for f in found if f.serious and f.code not in NO_BLAME)


def _ackermann(truth: Truth, fit: Fit, positions: tuple[str, ...]) -> list[tuple[str, str, float, float]]:
    """Ackermann error at each position, with its uncertainty through all that a heading depends on.

    Kingpin and spin axes share what is not known of the frame's level, and the spin axes are known against the
    kingpins: left out, either would make the figure look less certain than it is.
    """
    built = fit.as_built
    uprights = [w.upright for w in built.rig.wheels.values()]
    heads = {f"{u}.{w}" for u in uprights for w in ("axis", "pivot")}
    heads |= {f"{s}.{w}" for s in built.rig.wheels for w in ("spin", "centre")}
    names = [n for n in built.names if n.rpartition(".")[0] in heads]
    where = [built.names.index(n) for n in names]
    x0 = get_parameters(built.rig, names)
    told = {f.name: f.value for f in fit.figures}
    turned = [p for p in positions if abs(told.get(steer_name("left", p), 0.0)) >= 5]

    def at(r: Rig, angles: Mapping[tuple[str, str], float], more: str = "", by: float = 0.0) -> Array:
        pose = {b: np.array([angles.get((b, p), 0.0) for p in turned]) + by * (b == more) for b in r.bodies}
        h, z = wheel_headings(r, pose), wheel_headings(r, {b: 0.0 for b in r.bodies})
        return np.rad2deg(ackermann_error(r, h["left"] - z["left"], h["right"] - z["right"]))

    h, mine = 1e-4, fit.joint_angles
    slopes = [(at(built.rig, mine, u, h) - at(built.rig, mine, u, -h)) / (2 * h) for u in uprights]
    for d in h * np.eye(len(names)):
        slopes.append((at(with_parameters(built.rig, names, x0 + d), mine)
                       - at(with_parameters(built.rig, names, x0 - d), mine)) / (2 * h))
    off = at(built.rig, mine) - at(truth.rig, truth.angles)
    out = []
    for p, e, g in zip(turned, off, np.array(slopes).T, strict=True):
        rows = [fit.angle_names.index((u, p)) for u in uprights]
        cov = np.block([[fit.angle_cov[np.ix_(rows, rows)], fit.cross_cov[np.ix_(rows, where)]],
                        [fit.cross_cov[np.ix_(rows, where)].T, built.cov[np.ix_(where, where)]]])
        out.append(("Ackermann error", p, float(e), float(np.sqrt(g @ cov @ g))))
    return out


def run(n: int, first_seed: int = 0, bound: bool = True, options: Options | None = None,
        workshop: Workshop | None = None, blamed: list[tuple[tuple[str, str], ...]] | None = None,
        ) -> dict[str, Array]:
    """Per class (m, 4): error over stated standard uncertainty, over the bound's, the error and the stated itself.

    ``blamed`` is added to, for each shoot, what was wrongly accused in it.
    """
    options = options or Options()
    rows: dict[str, list[tuple[float, float, float, float]]] = {}
    for k in range(n):
        design, truth, dirty, clean = shoot(first_seed + k, workshop=workshop)
        try:
            fit = estimate(design, dirty, options)
        except UserError as e:  # a sound shoot refused is the worst accusation of all
            if blamed is None:
                raise
            blamed.append((("refused", str(e)),))
            continue
        if blamed is not None:
            blamed.append(accused(fit, design))
        mine = errors(design, truth, fit)
        best = {}
        if bound:
            known = estimate(design, clean, replace(options, noise_known=True))
            best = {(c, i): s for c, i, _, s in errors(design, truth, known)}
        for c, i, e, s in mine:
            rows.setdefault(c, []).append((e / s, e / best.get((c, i), np.nan), e, s))
    return {c: np.array(v) for c, v in rows.items()}


def show(result: dict[str, Array]) -> None:
    """The table."""
    print(f"{'class':22s} {'n':>6s} {'inside 95 %':>12s} {'RMS/stated':>11s} {'worst/stated':>13s} {'RMS/bound':>10s} "
          f"{'RMS error':>10s}")
    for c, v in sorted(result.items()):
        z = v[:, 0]
        bound = np.sqrt(np.nanmean(v[:, 1] ** 2)) if np.isfinite(v[:, 1]).any() else np.nan
        print(f"{c:22s} {len(z):6d} {np.mean(np.abs(z) < 1.96):12.3f} {np.sqrt(np.mean(z**2)):11.2f} "
              f"{np.max(np.abs(z)):13.1f} {bound:10.2f} {np.sqrt(np.mean(v[:, 2] ** 2)):10.4f}")


KINDS = {"steer": "steer angle", "lever": "lever angle", "ratio": "ratio", "lock": "lock", "toe": "toe",
         "pivots": "pivot point"}


def show_workshop(n: int, only: str = "", first_seed: int = 0) -> None:
    """One row per nuisance: share inside 95 %, scatter over stated, stated standard uncertainty; wrongly accused."""
    print("| nuisance | " + " | ".join(KINDS) + " | shoots with a wrong accusation |\n|" + "---|" * (len(KINDS) + 2))
    for name, w in ROWS.items():
        if only not in name:
            continue
        blamed: list[tuple[tuple[str, str], ...]] = []
        result = run(n, first_seed, bound=False, workshop=w, blamed=blamed)
        cells = []
        for kind in KINDS.values():
            z, stated = result[kind][:, 0], np.sqrt(np.mean(result[kind][:, 3] ** 2))
            cells.append(f"{np.mean(np.abs(z) < K95):.2f} ({np.sqrt(np.mean(z**2)):.2f}; {stated:.2g})")
        causes = Counter(c for shoot_ in blamed for c, _ in shoot_)
        said = ", ".join(f"{c} {k}" for c, k in causes.most_common(4))
        print(f"| {name} | " + " | ".join(cells) + f" | {sum(bool(b) for b in blamed)} of {len(blamed)}"
              + (f" ({said})" if said else "") + " |", flush=True)


def main() -> None:
    if sys.argv[1:2] == ["workshop"]:
        show_workshop(int(sys.argv[2]) if len(sys.argv) > 2 else 24, sys.argv[3] if len(sys.argv) > 3 else "",
                      int(sys.argv[4]) if len(sys.argv) > 4 else 0)
        return
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    even = "even" in sys.argv[2:]
    began = time.perf_counter()
    result = run(n, bound=not even, options=Options(stretch_sd=1e-9) if even else None)
    print(f"{n} shoots, {time.perf_counter() - began:.0f} s" + (", print taken as even" if even else ""))
    show(result)


if __name__ == "__main__":
    main()
