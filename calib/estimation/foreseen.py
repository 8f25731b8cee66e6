"""What the estimate would state of a shoot that is only planned: its own equations at the planned state, no noise.

Nothing is minimised, since made-up corners lie where the state puts them. Hinges, board, hand and lens are as uneven
as ``Conditions`` says, where the estimate of a real shoot finds these sizes out.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.estimation.arrange import arrange
from calib.estimation.blocks.corners import CornerBlock
from calib.estimation.blocks.expected import Looseness, Spread
from calib.estimation.bundle import Options, let_in, make_priors
from calib.estimation.clustered import some_corners
from calib.estimation.drawn import drawing_fit
from calib.estimation.equations import KINDS, RigProblem
from calib.estimation.fitted import Solved, fit_of, shared_covariance
from calib.estimation.repeat import within_readout
from calib.estimation.solver import Normal, reduced_system
from calib.estimation.unknowns import BOW_N, PRIVATE, Layout, State, loosened
from calib.results import Finding, Fit
from calib.rig.model import Rig
from capture.observations import Observations

Array = NDArray[np.float64]
UNSEEN = 1e-7  # information on what has none, over that of all views together
WIDTH = 4000.0  # px, of the picture that sizes in px are stated for
Pose = tuple[Array, Array]  # (R, t): x_out = R @ x_in + t


@dataclass(frozen=True)
class Conditions:
    """How even a shoot is, as standard deviations; usual ones are common practice, no source.

    ``hinge_rad``: tilt across the hinge by the part's role; others have ``other_rad``. ``hand``: from the first row
    of a photo to its last. Pixels are those of a picture 4000 px wide.
    """

    corner_px: float = 0.048  # a saddle, per axis, with what the saddles of a tag share
    hinge_mm: float = 0.05
    hinge_rad: Mapping[str, float] = field(default_factory=lambda: {"lever": 0.8e-3, "crank": 0.5e-3,
                                                                    "upright": 0.25e-3})
    other_rad: float = 0.5e-3
    board_mm: float = 0.08
    board_rad: float = 0.15e-3
    hand_mm: float = 0.36
    hand_rad: float = 0.5e-3
    lens_px: float = 0.16

    def times(self, k: float) -> Conditions:
        """With hinges and frame ``k`` times as loose."""
        return replace(self, hinge_mm=k * self.hinge_mm, board_mm=k * self.board_mm, board_rad=k * self.board_rad,
                       hinge_rad={r: k * v for r, v in self.hinge_rad.items()}, other_rad=k * self.other_rad)


@dataclass(frozen=True)
class Planned:
    """Where everything would be; frame axes, mm and rad."""

    lens: Array  # (9,)
    board: Pose  # board to frame
    tags: Mapping[str, Pose]  # tag to frame, straight ahead
    angles: Mapping[str, Mapping[str, float]]  # position -> body -> rad
    cameras: Mapping[str, Pose]  # photo -> frame to camera


def foreseen(rig: Rig, obs: Observations, planned: Planned, conditions: Conditions) -> Fit:
    """The Fit that a shoot would give if all were as drawn. ``obs``: where its corners would be, without noise.

    Raises UserError where such a shoot could not be evaluated at all, as ``estimate`` does.
    """
    findings: list[Finding] = []
    problem, state = _problem(rig, obs, planned, conditions, findings)
    stated = drawing_fit(problem, state, shared_covariance(problem, state))
    problem = replace(problem, drawing_scale=_widened(stated.dof))
    used, layout = problem.corners.seen, problem.layout
    dof = max(2 * int(used.sum()) - layout.angles.stop - PRIVATE * len(layout.photos), 1)
    return fit_of(Solved(problem, state, used, 1.0, 1.0, dof, 0, True), findings, made_up=True)


def _widened(dof: float) -> float:
    """How much wider the drawing is taken on the average (``calib.estimation.drawn``) where its tolerances hold.

    The Birge ratio scatters about 1 by 1 / sqrt(2 dof) and is taken where it is larger: half a normal distribution.
    """
    return 1.0 if dof < 1 else 1 + 1 / np.sqrt(2 * np.pi) / np.sqrt(2 * dof)


def most_telling(rig: Rig, obs: Observations, planned: Planned, conditions: Conditions,
                 groups: Sequence[Collection[str]], count: int) -> list[int]:
    """Indices of ``count`` groups of photos, each the one that tells most beside those before it.

    What counts is the determinant of the covariance of hinges, rod ends, rods and joint angles, all else eliminated:
    D_s-optimal, built up greedily (Atkinson and Donev, Optimum experimental designs, 1992; for the choice of poses in
    kinematic calibration, with which it shares the determinant: Borm and Menq, 1991; from memory). Hand and lens do
    not tell one view from another and are left out.
    """
    problem, state = _problem(rig, obs, planned, conditions, [], even=True)
    layout = problem.layout
    index = {name: i for i, name in enumerate(layout.photos)}
    known = problem.linearise(state, [k for k in KINDS if k != "corner"]).shared
    tells = [_told(problem, state, [index[p] for p in group if p in index]) for group in groups]
    wanted = np.zeros(layout.size, bool)
    wanted[layout.align.stop + 6 * len(layout.tags):layout.angles.stop] = True
    # in units in which numbers are of one size
    scale = 1 / np.sqrt(np.maximum(np.diag(known + sum(tells)), 1e-30))
    known, tells = (known * np.outer(scale, scale), [t * np.outer(scale, scale) for t in tells])
    known[np.diag_indices_from(known)] += UNSEEN  # a tag that no view of those chosen sees could be anywhere

    def worth(information: Array) -> float:
        whole, rest = (np.linalg.cholesky(m) for m in (information, information[np.ix_(~wanted, ~wanted)]))
        return float(np.log(np.diag(whole)).sum() - np.log(np.diag(rest)).sum())

    chosen: list[int] = []
    now = worth(known)
    gain = [np.inf] * len(groups)  # upper bounds: the more is known, the less a group adds (Minoux, 1978; from memory)
    while len(chosen) < min(count, len(groups)):
        fresh: set[int] = set()
        while True:
            best = max((i for i in range(len(groups)) if i not in chosen), key=lambda i: gain[i])
            if best in fresh:
                break
            gain[best] = worth(known + tells[best]) - now
            fresh.add(best)
        chosen.append(best)
        known, now = known + tells[best], now + gain[best]
    return chosen


def _told(problem: RigProblem, s: State, photos: Sequence[int]) -> Array:
    """Information (n, n) of some photos on the shared unknowns, each photo's own eliminated."""
    layout, c = problem.layout, problem.corners
    mine = np.isin(c.photo, photos)
    weights = None if problem.weights is None else problem.weights[mine]
    n = Normal.zeros(layout.size, len(layout.photos), layout.private)
    CornerBlock(layout, some_corners(c, mine), problem.robust_scale, weights).add_to(n, problem.motions(s))
    problem.photo_block.add_to(n, s)
    own = list(photos)
    n = replace(n, cross=n.cross[own], private=n.private[own], g_private=n.g_private[own])
    return reduced_system(n).matrix if own else n.shared


def _problem(rig: Rig, obs: Observations, planned: Planned, conditions: Conditions, findings: list[Finding],
             even: bool = False) -> tuple[RigProblem, State]:
    """The normal equations that the estimate ends with, at the planned state; ``even``: without hand and lens."""
    arranged = arrange(rig, obs, Options().min_photos, findings)
    layout, corners = arranged.layout, arranged.corners
    first = arranged.obs.photos[0]
    priors = make_priors(rig, (first.width, first.height), float(planned.lens[0]))
    layout, state = loosened(layout, _state(layout, planned, priors.scale))
    tilt = {b: conditions.hinge_rad.get(rig.bodies[b].role, conditions.other_rad) for b in layout.off_bodies}
    loose = Looseness({b: Spread(conditions.hinge_mm, tilt[b]) for b in layout.off_bodies},
                      Spread(conditions.board_mm, conditions.board_rad),
                      within_readout(Spread(conditions.hand_mm, conditions.hand_rad), rig.readout),
                      conditions.lens_px * first.width / WIDTH)
    problem = RigProblem(layout, corners, replace(priors, loose=loose), weights=corners.seen.astype(float))
    return (problem, state) if even else let_in(problem, state)


def _state(layout: Layout, planned: Planned, scale: float) -> State:
    rig, (ar, at) = layout.rig, planned.board

    def placed(x: object) -> Array:
        return (np.asarray(x, float).reshape(-1, 3) - at) @ ar

    def turned(x: object) -> Array:
        return np.asarray(x, float).reshape(-1, 3) @ ar

    cameras = [planned.cameras[p] for p in layout.photos]
    n = len(cameras)
    return State(
        planned.lens.copy(), scale, np.zeros(BOW_N), ar, at,
        np.array([ar.T @ planned.tags[t][0] for t in layout.tags]).reshape(-1, 3, 3),
        placed([planned.tags[t][1] for t in layout.tags]), placed([rig.bodies[b].pivot for b in layout.bodies]),
        turned([rig.bodies[b].axis for b in layout.bodies]), placed([rig.points[p].xyz for p in layout.points]),
        np.array([rig.rods[r].length for r in layout.rods]),
        np.array([planned.angles[p].get(b, 0.0) for b, p in layout.angle_keys]),
        np.array([r @ ar for r, _ in cameras]), np.array([r @ at + t for r, t in cameras]), np.zeros(n),
        np.zeros((n, 2)))
