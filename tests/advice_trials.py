"""Every hole and whole step of a random rig tried, to hold a proposal against; used by a test and by a bench."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from calib.linkage.limits import check_limits
from calib.linkage.mechanism import CannotAssemble, Linkage
from calib.linkage.steering import heading_figures
from calib.results import AsBuilt
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from tests.independent import Many
from tests.steering_scene import names

Array = NDArray[np.float64]
Setting = tuple[tuple[tuple[str, str], ...], tuple[tuple[str, float], ...]]  # holes, moves

GRID = 13
MARGIN = np.deg2rad(3.0)
SLACK = {"clearance": 0.5, "rod_length": 0.5, "reach": 0.0}  # others half a degree


@dataclass
class Trial:
    """A rig as measured with its covariance, and what may be changed."""

    design: Rig
    built: AsBuilt
    targets: Sequence[str]
    rng: np.random.Generator
    settings: list[Setting] = field(default_factory=list)
    _noise: dict[object, Array] = field(default_factory=dict)
    _slopes: dict[object, tuple[list[str], Array]] = field(default_factory=dict)

    @property
    def rig(self) -> Rig:
        return self.built.rig

    @property
    def driver(self) -> Array:
        low, high = self.rig.bodies[self.rig.driver].travel or (-0.5, 0.5)
        half = GRID // 2
        return np.concatenate([np.linspace(low, 0, half + 1), np.linspace(0, high, half + 1)[1:]])

    def off(self, many: Many) -> Array:
        """Target figures less what is wanted, in tolerances, (m, targets)."""
        left, right = many.headings(self.driver)
        with np.errstate(all="ignore"):
            f = heading_figures(self.rig, self.driver, left, right, self.rig.bodies[self.rig.driver].travel)
        t = self.design.targets
        x = np.stack([(f[n] - t[n].value) / t[n].tolerance for n in self.targets], axis=1)
        return np.where(np.isfinite(x), x, 50.0)

    def many(self, holes: Mapping[str, str], moves: Mapping[str, Array], m: int) -> Many:
        """``m`` settings with the same holes."""
        many = Many.of(self.rig, m, holes)
        for n, x in moves.items():
            many.rod[n] = many.rod[n] + x
        return many

    def met(self, off: Array) -> NDArray[np.bool_]:
        """Whether every target is met, (...) of (..., targets); some have no lower limit."""
        low = np.array([-np.inf if FIGURES[n].rule == "at most" else -1.0 for n in self.targets])
        return np.asarray(((off <= 1) & (off >= low)).all(axis=-1))

    # --- chance -------------------------------------------------------------------------------------------

    def setting_errors(self, holes: Mapping[str, str], moves: Sequence[str]) -> dict[str, float]:
        """Half-width of a rectangular error by parameter: half a clamp step, a sixth of a turn, 0.2 mm of seat."""
        out = {}
        for n in moves:
            r = self.rig.rods[n]
            out[f"{n}.length"] = r.per_turn / 6 if r.adjuster == "screw" and r.per_turn else 0.5 * r.step
        for p, h in holes.items():
            out |= {f"{p}@{h}.{k}": 0.2 for k in "xyz"}
        return out

    def slopes(self, holes: Mapping[str, str], moves: Mapping[str, float]) -> tuple[list[str], Array]:
        """Parameters and slopes (n, targets) of ``off``, central differences; once for each set of holes."""
        key = tuple(sorted(holes.items()))
        if key not in self._slopes:
            ns = list(self.built.names)
            h = np.array([1e-4 if ".axis." in n or ".spin." in n else 0.02 for n in ns])
            x = {n: np.full(2 * len(ns), v) for n, v in moves.items()}
            many = self.many(holes, x, 2 * len(ns))
            for k, n in enumerate(ns):
                by = np.zeros(2 * len(ns))
                by[k], by[len(ns) + k] = h[k], -h[k]
                many.add(n, by, holes)
            f = self.off(many)
            self._slopes[key] = (ns, (f[:len(ns)] - f[len(ns):]) / (2 * h[:, None]))
        return self._slopes[key]

    def noise(self, holes: Mapping[str, str], moves: Mapping[str, float], draws: int = 4000) -> Array:
        """Draws (draws, targets) of what is not known of ``off``, first order."""
        key = (tuple(sorted(holes.items())), tuple(sorted(n for n, x in moves.items() if x)))
        if key not in self._noise:
            ns, J = self.slopes(holes, moves)
            cov = J.T @ self.built.cov @ J
            for n, half in self.setting_errors(holes, key[1]).items():
                cov = cov + np.outer(J[ns.index(n)], J[ns.index(n)]) * half**2 / 3
            self._noise[key] = np.random.default_rng(5).multivariate_normal(np.zeros(len(cov)), cov, draws)
        return self._noise[key]

    def chance(self, holes: Mapping[str, str], moves: Mapping[str, float], off: Array | None = None) -> float:
        """Chance that a setting meets every target."""
        if off is None:
            off = self.off(self.many(holes, {n: np.array([x]) for n, x in moves.items()}, 1))[0]
        return float(self.met(off + self.noise(holes, moves)).mean())

    # --- trying everything --------------------------------------------------------------------------------

    def best(self) -> tuple[float, Setting | None, int]:
        """The best chance of every setting within the limits, that setting, and how many were tried."""
        rods = [n for n, r in self.rig.rods.items() if r.adjuster != "fixed"]
        steps = []
        for n in rods:
            r = self.rig.rods[n]
            ks = range(int(np.ceil((r.shortest - r.length) / r.step - 1e-9)),
                       int(np.floor((r.longest - r.length) / r.step + 1e-9)) + 1)
            steps.append(np.array([k * r.step for k in ks]))
        grid = np.stack(np.meshgrid(*steps, indexing="ij"), -1).reshape(-1, len(rods))
        points = [n for n, p in self.rig.points.items() if len(p.holes) > 1]
        found: list[tuple[float, Setting, Array]] = []
        tried = 0
        for pick in itertools.product(*(self.rig.points[n].holes for n in points)):
            holes = {n: h for n, h in zip(points, pick, strict=True) if h != self.rig.points[n].use}
            off = self.off(self.many(holes, {n: grid[:, i] for i, n in enumerate(rods)}, len(grid)))
            tried += len(grid)
            near = grid[int(np.argmin((off**2).sum(-1)))]
            self.slopes(holes, dict(zip(rods, map(float, near), strict=True)))  # taken at the set's best setting
            worst = np.max(np.abs(off), axis=1)
            for i in np.argsort(worst):
                if worst[i] > 2.5:
                    break
                moves = {n: float(x) for n, x in zip(rods, grid[i], strict=True) if abs(x) > 1e-9}
                s = (tuple(sorted(holes.items())), tuple(sorted(moves.items())))
                sd = self.noise(holes, moves).std(axis=0) + 1e-12
                bound = float(np.min(norm.cdf((1 - off[i]) / sd) - norm.cdf((-1 - off[i]) / sd)))
                found.append((bound, s, off[i]))
        found.sort(key=lambda x: -x[0])
        top: tuple[float, Setting | None] = (0.0, None)
        waiting: list[tuple[float, Setting]] = []
        for bound, s, off_i in found:  # no setting with a lower bound can be better than the best found
            waiting.append((self.chance(dict(s[0]), dict(s[1]), off_i), s))
            if len(waiting) < 200 and bound > 1e-3:
                continue
            top = self._take(waiting, top)
            waiting = []
            if bound <= max(top[0], 1e-3):
                break
        return (*self._take(waiting, top), tried)

    def _take(self, waiting: list[tuple[float, Setting]], top: tuple[float, Setting | None]
              ) -> tuple[float, Setting | None]:
        for c, s in sorted(waiting, key=lambda x: -x[0]):
            if c <= top[0]:
                break
            if self.kept(dict(s[0]), dict(s[1])):
                return c, s
        return top

    def kept(self, holes: Mapping[str, str], moves: Mapping[str, float]) -> bool:
        """Whether a setting breaks no limit worse than the vehicle or the drawing does already."""
        if not hasattr(self, "_had"):
            self._had: dict[tuple[str, str], float] = {}
            for rig in (self.rig, self.design):
                for k, miss in self._broken(rig).items():
                    self._had[k] = max(miss, self._had.get(k, 0.0))
        points = {n: replace(p, use=holes.get(n, p.use)) for n, p in self.rig.points.items()}
        rods = {n: replace(r, length=r.length + moves.get(n, 0.0)) for n, r in self.rig.rods.items()}
        try:
            bad = self._broken(replace(self.rig, points=points, rods=rods))
        except CannotAssemble:
            return False
        return all(k in self._had and miss <= self._had[k] + SLACK.get(k[0], np.deg2rad(0.5))
                   for k, miss in bad.items())

    def _broken(self, rig: Rig) -> dict[tuple[str, str], float]:
        d = self.driver
        sweep = Linkage(rig).sweep(np.concatenate([[d[0] - MARGIN], d, [d[-1] + MARGIN]]))
        return {(x.name, x.item): abs(x.value - x.allowed) for x in check_limits(rig, sweep) if not x.ok}

    # --- following a proposal -----------------------------------------------------------------------------

    def followed(self, holes: Mapping[str, str], moves: Mapping[str, float], draws: int = 400) -> float:
        """Share of vehicles, drawn from the covariance, on which the setting made with its errors meets every target.

        Not linearised: each vehicle is moved through its travel.
        """
        dp = self.rng.standard_normal((draws, len(self.built.names))) * np.sqrt(np.diag(self.built.cov))
        many = self.many(holes, {n: np.full(draws, x) for n, x in moves.items()}, draws)
        for k, n in enumerate(self.built.names):
            many.add(n, dp[:, k], holes)
        for n, half in self.setting_errors(holes, [n for n, x in moves.items() if x]).items():
            many.add(n, self.rng.uniform(-half, half, draws), holes)
        return float(self.met(self.off(many)).mean())


def trial(design: Rig, seed: int, steps: int = 6, tie_steps: int = 4) -> Trial:
    """A vehicle built with errors, measured, with few enough settings to try all of them.

    The second lever's rod and holes are fixed: no target depends on them. In half of the rigs the least transmission
    angle is raised to where it bites.
    """
    rng = np.random.default_rng(seed)
    sizes = {"pivot": 2.5, "axis": np.deg2rad(0.5), "spin": np.deg2rad(0.4)}

    def near(v: Sequence[float], sd: float, unit: bool = False) -> tuple[float, float, float]:
        x = np.asarray(v, float) + rng.normal(0, sd, 3)
        x = x / np.linalg.norm(x) if unit else x
        return (float(x[0]), float(x[1]), float(x[2]))

    bodies = {n: replace(b, pivot=near(b.pivot, sizes["pivot"]), axis=near(b.axis, sizes["axis"], True))
              if b.role != "wheel" else b for n, b in design.bodies.items()}
    points = {}
    for n, p in design.points.items():
        by = rng.normal(0, 1.0, 3)
        holes = {h: near(np.asarray(v) + by, 0.1) for h, v in p.holes.items()}
        use = p.use
        if n in ("left_lever.rod", "crank.left_in"):
            use = str(rng.choice(list(holes)[1:-1] if len(holes) > 3 else list(holes)))
        else:
            holes = {use: holes[use]}
        points[n] = replace(p, holes=holes, use=use, order=tuple(holes))
    rods = {}
    for n, r in design.rods.items():
        a, b = points[r.a], points[r.b]  # set so that the vehicle stands about straight, then off by some steps
        length = float(np.linalg.norm(np.subtract(a.xyz, b.xyz))) + rng.normal(0, 1.5)
        k = steps if n == "left_rod" else tie_steps
        step = 1.0 if r.adjuster == "clamp" else r.step
        rods[n] = replace(r, length=length, step=step, shortest=length - k * step - 1e-6,
                          longest=length + k * step + 1e-6, adjuster="fixed" if n == "right_rod" else r.adjuster)
    wheels = {s: replace(w, spin=near(w.spin, sizes["spin"], True), measured=True) for s, w in design.wheels.items()}
    least = np.deg2rad(rng.uniform(27.0, 33.0)) if rng.random() < 0.5 else design.min_transmission
    wide = {n: replace(t, tolerance=t.tolerance * 1.4) for n, t in design.targets.items()}
    drawn = replace(design, min_transmission=min(least, design.min_transmission), targets=wide)
    rig = replace(design, bodies=bodies, points=points, rods=rods, wheels=wheels, min_transmission=float(least))
    ns = names(rig)
    place = float(rng.uniform(0.05, 0.25))
    sd = np.array([place if not (".axis." in n or ".spin." in n) else 0.0007 for n in ns])
    rig = replace(rig, stop_tol=np.deg2rad(0.1))  # its stops were photographed
    return Trial(drawn, AsBuilt(rig, ns, np.diag(sd**2), {n: 0.9 for n in ns}), list(design.targets),
                 np.random.default_rng(seed + 1000))
