"""How well each joint repeats from position to position, each photo's focus, hand and lens, from the shoot itself.

Parts standing off their hinges, and all parts off the board, are random effects with a variance for each kind: two a
part (tilt, shift) and two for the board; so are each photo's own focal length and principal point (a stabilised phone
moves the latter by 40 px, another camera not at all; held too tight, that goes into all else), and hand (turn, drift)
and lens where they are allowed for. They are estimated by iterated variance components: the squares of a kind over its
share of the redundancy, n - tr(C) / s^2, with C the covariance of its effects (Koch, 1999; Foerstner and Wrobel, 2016;
from memory); at its fixed point that is the restricted maximum likelihood (Harville, 1977; from memory).
A stated usual size counts as a few effects seen, so that what the photos cannot tell stays there.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.estimation.blocks.expected import Looseness, Priors, Spread
from calib.estimation.equations import RigProblem
from calib.estimation.fields import wave_sizes
from calib.estimation.solver import whole_step
from calib.estimation.unknowns import PRIVATE, State

Array = NDArray[np.float64]
USUAL = Spread(0.005, 0.05e-3)  # a sound bearing of a home-built vehicle; common practice, no source
USUAL_BOARD = Spread(0.005, 0.01e-3)  # a board clamped to a tube; common practice, no source
USUAL_HAND = Spread(0.02, 0.02e-3)  # a camera whose rows are read all at once
USUAL_LENS = 0.01  # px
WEIGHT = 1.0  # effects seen that the usual size counts as
WIDE = Looseness(board=Spread(0.15, 0.3e-3), usual=Spread(0.1, 1.5e-3))  # to start from: a worn vehicle, so that its
# play is not taken for slipped tags
SETTLED = 0.05  # relative change of a standard deviation below which another round is of no use
FASTEST = Spread(45.0, float(np.radians(3.0)))  # mm/s, rad/s: a hand hardly moves faster; common practice, no source
LEAST = Spread(1e-3, 1e-6)  # mm, rad: less is nothing
LEAST_LENS = 1e-3  # px
LEAST_OWN = 0.01  # of what a photo's own focal length and principal point usually change by


class Certainty(NamedTuple):
    """Covariance (n, n) of the shared unknowns, of each photo's own (photos, private) the variances, and the state."""

    shared: Array
    own: Array
    state: State


def certainty(problem: RigProblem, s: State) -> Certainty:
    """From the normal equations at a state near the minimum, with one step towards it."""
    after, cov, n, reduced = whole_step(problem, s)
    back = (n.cross @ reduced.inverse).transpose(0, 2, 1).reshape(-1, len(cov))  # one row for each of a photo's own
    spread = np.sum((back @ cov) * back, axis=1).reshape(n.g_private.shape)
    return Certainty(cov, np.diagonal(reduced.inverse, axis1=1, axis2=2) + spread, after)


def repeatability(problem: RigProblem, known: Certainty, usual: Priors) -> Priors:
    """One round: standard deviations anew from the effects and their certainty; ``usual`` before any photo."""
    s, was = known.state, problem.priors
    return replace(was, loose=_looseness(problem, known),
                   df_sd=_sd(s.df, known.own[:, 6], was.df_sd, usual.df_sd, LEAST_OWN * usual.df_sd),
                   dc_sd=_sd(s.dc, known.own[:, 7:9], was.dc_sd, usual.dc_sd, LEAST_OWN * usual.dc_sd))


def _looseness(problem: RigProblem, known: Certainty) -> Looseness:
    lay, now, s = problem.layout, problem.priors.loose, known.state
    var = np.diag(known.shared)
    hinges = {}
    for body in lay.off_bodies:
        rows = [k for k, (b, _) in enumerate(lay.off_keys) if b == body]
        slots = np.array([np.arange(lay.off(*lay.off_keys[k]).start, lay.off(*lay.off_keys[k]).stop) for k in rows])
        was, off = now.hinge(body), s.off[rows]
        w = _weights(off, was, problem.prior_scale)
        hinges[body] = Spread(_sd(w * off[:, 3:], var[slots[:, 2:]], was.mm, USUAL.mm, LEAST.mm),
                              _sd(w * off[:, :3], var[slots[:, :2]], was.rad, USUAL.rad, LEAST.rad))
    board = now.board
    if lay.flex_keys:
        slots = np.array([np.arange(lay.flex(p).start, lay.flex(p).stop) for p in lay.flex_keys])
        w = _weights(s.flex, board, problem.prior_scale)
        board = Spread(_sd(w * s.flex[:, 3:], var[slots[:, 3:]], board.mm, USUAL_BOARD.mm, LEAST.mm),
                       _sd(w * s.flex[:, :3], var[slots[:, :3]], board.rad, USUAL_BOARD.rad, LEAST.rad))
    hand, lens = now.hand, now.lens_px
    if lay.fields:
        hand = Spread(_sd(s.hand[:, 3:], known.own[:, PRIVATE + 3:], hand.mm, USUAL_HAND.mm, LEAST.mm),
                      _sd(s.hand[:, :3], known.own[:, PRIVATE:PRIVATE + 3], hand.rad, USUAL_HAND.rad, LEAST.rad))
        hand = within_readout(hand, problem.rig.readout)
        sizes = wave_sizes()
        lens = _sd(s.waves / sizes, var[lay.waves] / sizes**2, lens, USUAL_LENS, LEAST_LENS)
    return replace(now, hinges=hinges, board=board, hand=hand, lens_px=lens)


def within_readout(hand: Spread, readout: float | None) -> Spread:
    """How far a hand moves in a picture, no further than it can in ``readout`` s; None: not known. 0: not at all."""
    if readout is None:
        return hand
    most = Spread(max(FASTEST.mm * readout, LEAST.mm), max(FASTEST.rad * readout, LEAST.rad))
    return Spread(min(hand.mm, most.mm), min(hand.rad, most.rad))


def settled(new: Priors, old: Priors) -> bool:
    """Whether two rounds differ by nothing that matters."""
    a, b = new.loose, old.loose
    pairs = [(a.board, b.board), (a.hand, b.hand), *((a.hinge(k), b.hinge(k)) for k in b.hinges)]
    sizes = [xy for p, q in pairs for xy in ((p.mm, q.mm), (p.rad, q.rad))]
    sizes += [(a.lens_px, b.lens_px), (new.df_sd, old.df_sd), (new.dc_sd, old.dc_sd)]
    return all(abs(x - y) < SETTLED * y for x, y in sizes)


def _sd(effects: Array, variance: Array, was: float, usual: float, least: float) -> float:
    """Standard deviation from effects (n,) and their variances (m,), m of them free."""
    redundancy = max(variance.size - float(variance.sum()) / was**2, 0.0)
    return max(float(np.sqrt((np.sum(effects**2) + WEIGHT * usual**2) / (redundancy + WEIGHT))), least)


def _weights(effects: Array, sd: Spread, scale: float) -> Array:
    """Root of the weight (n, 1) that each position's effects keep: a knock is no repeatability."""
    e2 = np.sum((effects / sd.six) ** 2, axis=1)
    return np.sqrt(1 / (1 + e2 / (scale**2 * 6)))[:, None]
