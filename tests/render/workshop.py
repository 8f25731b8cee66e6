"""What a real workshop adds to a shoot: play, flex, a moving hand, a lens of its own, paper that is not flat.

Sizes are those of DESIGN.md's workshop mix as standard deviations, per axis where there are several. Common practice,
no source: what bearings, frames and hands of a home-built vehicle do. Nothing here uses the estimate's own model of
any of it: hinges, rods and rows of pixels are moved in the true geometry and the rods are closed again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.rig.model import Body
from tests.render.camera import Residue, Sweep
from tests.render.truth import Pose, Truth

Array = NDArray[np.float64]
TILTS = {"lever": 2.5e-3, "crank": 1e-3, "upright": 0.5e-3}  # rad, a hinge's wobble by the part on it


@dataclass(frozen=True)
class Workshop:
    """How large each nuisance is; zero switches it off."""

    play_mm: float = 0.0  # a part on its hinge, new at each position
    play_rad: Mapping[str, float] = field(default_factory=dict)  # role -> its tilt there
    flex_mm: float = 0.0  # all parts against the board, new at each position
    flex_rad: float = 0.0
    readout_s: tuple[float, float] = (0.0, 0.0)  # first to last row, drawn once a shoot between these
    hand_rad_s: float = 0.0  # new in each photo
    hand_mm_s: float = 0.0
    lens_px: float = 0.0  # greatest residue of the lens, the same in every photo
    lens_waves: float = 1.5  # over the picture's width
    warp_mm: float = 0.0  # of a tag at half its edge, the same in every photo
    s_bow_mm: float = 0.0  # of the board along its longer side
    steady_px: float = 0.0  # the stabiliser's shift at 4000 px of width, new in each photo

    def __or__(self, other: Workshop) -> Workshop:
        """Both together; where both have a nuisance, the other's size."""
        base = Workshop()
        mine = {k: v for k, v in vars(self).items() if v != getattr(base, k)}
        return replace(other, **{k: v for k, v in mine.items() if getattr(other, k) == getattr(base, k)})


ROWS: dict[str, Workshop] = {
    "none": Workshop(),
    "hinge play": Workshop(play_mm=0.1, play_rad=TILTS),
    "frame flex": Workshop(flex_mm=0.15, flex_rad=0.3e-3),
    "rolling readout": Workshop(readout_s=(0.02, 0.03), hand_rad_s=float(np.deg2rad(1.0)), hand_mm_s=15.0),
    "lens residue": Workshop(lens_px=0.3),
    "tag warp": Workshop(warp_mm=0.1),
    "board in an S": Workshop(s_bow_mm=0.5),
    "stabiliser": Workshop(steady_px=15.0),
}
MIX = "the mix"


def mix() -> Workshop:
    """All of ROWS at once."""
    out = Workshop()
    for w in ROWS.values():
        out = out | w
    return out


ROWS[MIX] = mix()


def in_workshop(truth: Truth, w: Workshop, rng: np.random.Generator) -> Truth:
    """The shoot with the nuisances of ``w``. Joint angles are left: close the rods again (``with_rod_play``)."""
    rig = truth.rig
    here = truth.positions
    if w.play_mm or w.play_rad:
        hinged = [b for b in rig.bodies.values() if b.role != "wheel"]
        truth = replace(truth, play={(b.name, p): _off_hinge(b, w, rng) for p in here for b in hinged})
    if w.flex_mm or w.flex_rad:
        about = np.mean([b.pivot for b in rig.bodies.values()], axis=0)
        truth = replace(truth, flex={p: _about(about, rng.normal(0, w.flex_rad, 3), rng.normal(0, w.flex_mm, 3))
                                     for p in here})
    if w.warp_mm:
        truth = replace(truth, warps={t: _warp(rng.normal(0, w.warp_mm), rng.uniform(0, np.pi)) for t in rig.tags})
    if w.s_bow_mm:
        truth = replace(truth, s_bow=float(rng.normal(0, w.s_bow_mm)))
    lens = truth.lens
    if w.lens_px:
        waves = rng.uniform(0, 2 * np.pi, 2)
        k = 2 * np.pi * w.lens_waves / lens.width
        lens = replace(lens, residue=Residue(w.lens_px, k * np.column_stack([np.cos(waves), np.sin(waves)]),
                                             rng.uniform(0, 2 * np.pi, 2)))
    seconds = float(rng.uniform(*w.readout_s)) if w.readout_s[1] else 0.0
    shots = []
    for s in truth.shots:
        c = replace(s.camera, lens=lens)
        if seconds:
            c = replace(c, sweep=Sweep(seconds, rng.normal(0, w.hand_rad_s, 3), rng.normal(0, w.hand_mm_s, 3)))
        if w.steady_px:
            c = replace(c, dc=c.dc + rng.normal(0, w.steady_px * lens.width / 4000, 2))
        shots.append(replace(s, camera=c))
    return replace(truth, lens=lens, shots=tuple(shots))


def _off_hinge(b: Body, w: Workshop, rng: np.random.Generator) -> Pose:
    """A part's motion off its hinge: a shift any way and a tilt across the axis; about it the joint turns anyway."""
    tilt = rng.normal(0, w.play_rad.get(b.role, 0.0), 3)
    axis = np.asarray(b.axis)
    return _about(np.asarray(b.pivot), tilt - axis * (axis @ tilt), rng.normal(0, w.play_mm, 3))


def _about(centre: Array, turn: Array, shift: Array) -> Pose:
    """Motion (R, t) that turns about ``centre`` (turn vector, rad) and shifts."""
    R = np.asarray(Rotation.from_rotvec(turn).as_matrix(), float)
    return R, centre - R @ centre + shift


def _warp(edge: float, way: float) -> tuple[float, float, float]:
    """A sheet rolled along ``way`` so that its edge stands off by ``edge`` mm: x^2, y^2, xy at half edge 1."""
    c, s = float(np.cos(way)), float(np.sin(way))
    return edge * c * c, edge * s * s, 2 * edge * c * s
