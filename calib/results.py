"""Results as plain data: what the estimate hands on to comparison, adjustment and report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.findings import Code, Finding
from calib.rig.model import Rig
from calib.trust import Doubts
from calib.uncertainty import half_width

if TYPE_CHECKING:  # takes long to load, and is not needed before the photos are read
    import pandas as pd

__all__ = [
    "AsBuilt", "CameraFit", "Code", "DrawingFit", "Figure", "Finding", "Fit", "LoadedFigure", "OffsetDoubt",
    "PhotoFit", "PrintFit",
]


@dataclass(frozen=True)
class Figure:
    """One number with its 95 % half-width. ``value`` and ``u95`` in ``unit`` (surface units: mm, deg)."""

    name: str
    value: float
    u95: float
    unit: str
    from_photos: float | None = None  # share of the information, 0..1; the rest came from the drawing
    note: str = ""
    rests: tuple[str, ...] = ()  # bodies and rods it rests on
    at: tuple[str, ...] = ()  # positions whose photos it hangs on, beside all others


@dataclass(frozen=True, repr=False)
class AsBuilt:
    """The rig as measured, in frame axes, with the joint covariance of its named parameters."""

    rig: Rig
    names: tuple[str, ...]  # see calib.rig.parameters
    cov: NDArray[np.float64]  # (n, n), mm and unit-vector parts; may be singular
    from_photos: Mapping[str, float]  # per parameter, 0..1
    # rod ends whose hole the photos do not settle: the holes it may be in, likeliest first; no hole move is safe there
    uncertain_holes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    drawn: NDArray[np.float64] | None = None  # (n, n): what of cov is there because of the drawing
    held: NDArray[np.float64] | None = None  # (n,): variances with the frame held, so between the parts alone

    turn_u95: tuple[float, float, float] | None = None  # rad: the frame against level (roll, pitch) and straight ahead

    @property
    def held_u95(self) -> NDArray[np.float64]:
        """(n,): 95 % half-widths of places against each other, which is what every table of places states."""
        return half_width(np.eye(len(self.names)), self.cov if self.held is None else np.diag(self.held))

    @property
    def drawing_cov(self) -> NDArray[np.float64]:
        """(n, n): what of ``cov`` comes from the drawing; where that was not worked out, by each parameter's share."""
        if self.drawn is not None:
            return self.drawn
        part = np.array([1 - self.from_photos.get(n, 0.0) for n in self.names])
        return np.sqrt(np.outer(part, part)) * self.cov

    def __repr__(self) -> str:
        return f"<AsBuilt {self.rig.name}: {len(self.names)} parameters>"


@dataclass(frozen=True)
class CameraFit:
    """Shared lens: focal length and principal point in px, OpenCV terms k1 k2 p1 p2 k3."""

    f: float
    aspect: float  # fy = f * aspect
    cx: float
    cy: float
    dist: NDArray[np.float64]  # (5,)
    u95: Mapping[str, float]


@dataclass(frozen=True)
class PrintFit:
    """Printer of board and tags: true mm per drawn mm across the sheet, and the scale along it over that."""

    scale: float
    stretch: float
    u95: Mapping[str, float]  # scale, stretch


@dataclass(frozen=True)
class DrawingFit:
    """The builder's stated tolerances against the vehicle."""

    chi2: float  # of the drawing's rows at the stated tolerances
    dof: float  # its expectation where they hold
    factor: float  # on the standard uncertainties that they stand for; 1 where they hold


@dataclass(frozen=True)
class PhotoFit:
    """Pose of one photo: x_cam = R @ x_board + t (mm), and its own focal and principal-point change."""

    name: str
    position: str
    R: NDArray[np.float64]
    t: NDArray[np.float64]
    df: float  # relative focal change
    dc: NDArray[np.float64]  # (2,) px
    rms_px: float
    corners: int
    outliers: int


@dataclass(frozen=True)
class LoadedFigure:
    """A figure straight ahead without and with the rider aboard, degrees, with 95 % half-widths."""

    name: str  # toe, camber left, camber right, caster left, caster right
    unloaded: float
    loaded: float
    loaded_u95: float
    change: float
    change_u95: float


@dataclass(frozen=True)
class Repeatability:
    """How a joint comes back to its place from position to position: standard deviations per axis.

    ``mm`` of the part on its hinge and ``deg`` of its tilt across the hinge, or of all parts against the board where
    ``joint`` is "board".
    """

    joint: str
    mm: float
    deg: float


@dataclass(frozen=True)
class OffsetDoubt:
    """A common error of all bolt-tag offsets: what the shoot says of it, and what it would do."""

    mm: float  # to be added to every offset of the rig file to suit rods and drawing best
    u95: float  # mm
    change: NDArray[np.float64]  # (n,) of the as-built parameters for 1 mm added to every offset, mm and rad


@dataclass(frozen=True, repr=False)
class Fit:
    """Everything the one estimate gives."""

    as_built: AsBuilt
    camera: CameraFit
    photos: Mapping[str, PhotoFit]
    positions: tuple[str, ...]  # labels in shooting order
    joint_angles: Mapping[tuple[str, str], float]  # (body, position) -> rad from the straight-ahead label
    angle_names: tuple[tuple[str, str], ...]  # rows of angle_cov
    angle_cov: NDArray[np.float64]
    cross_cov: NDArray[np.float64]  # (len(angle_names), len(as_built.names))
    board_R: NDArray[np.float64]  # x_frame = board_R @ x_board + board_t
    board_t: NDArray[np.float64]
    tag_poses: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]  # tag -> (R, t) tag to frame, ahead
    residuals: pd.DataFrame  # photo, position, tag (name), corner, du, dv (px), weight
    figures: tuple[Figure, ...]
    findings: tuple[Finding, ...]
    sigma0: float  # RMS of the weighted residuals; 1 where the corner covariances were right
    rod_misfit: Mapping[tuple[str, str], float]  # (rod, position) -> closure error mm
    seconds: float
    iterations: int
    pivot_table: pd.DataFrame  # what, design xyz, measured xyz, difference, u95 ..., share from photos
    printed: PrintFit | None = None
    converged: bool = True  # False is a serious finding too: no figure can be trusted
    loaded: tuple[LoadedFigure, ...] = ()  # with the rider aboard, where that was photographed
    dof: int = 0  # degrees of freedom: corner coordinates used less unknowns
    drawing: DrawingFit = DrawingFit(0.0, 0.0, 1.0)
    repeatability: tuple[Repeatability, ...] = ()  # by joint
    offsets: OffsetDoubt | None = None  # None with fewer than two bolt tags

    @property
    def doubts(self) -> Doubts:
        """What the serious findings leave open."""
        return Doubts.of(self.as_built.rig, self.findings)

    def doubt_on(self, figure: Figure) -> str:
        """Why a figure of this fit is not to be trusted yet; "" where nothing speaks against it."""
        return self.doubts.on_parts(figure.rests, figure.unit, figure.at)

    def summary(self) -> str:
        """What was fitted, what was noticed and every figure with its 95 % half-width: a page of text to print."""
        return _text(self)

    def __repr__(self) -> str:
        return _line(self)

    def _repr_html_(self) -> str:
        return _html(self)


def loaded_doubts(fit: Fit) -> dict[str, str]:
    """Why figures with the rider aboard are not to be trusted yet, by their names; "" where they are."""
    return {f.name: fit.doubts.on_figure(f.name.replace(" ", "_")) for f in fit.loaded}


# --- how a Fit reports itself ---------------------------------------------------------------------------------


def _line(fit: Fit) -> str:
    """What was fitted, how well and what is wrong, in one line."""
    serious = sum(f.serious for f in fit.findings)
    return f"<Fit of {fit.as_built.rig.name}: {_state(fit)}; {serious} serious finding{'s' * (serious != 1)}>"


def _state(fit: Fit) -> str:
    """Size and end of the fit."""
    end = f"converged in {fit.iterations} steps" if fit.converged else f"NOT CONVERGED after {fit.iterations} steps"
    return (f"{len(fit.photos)} photos, {len(fit.positions)} positions, sigma0 {fit.sigma0:.3f}, "
            f"{fit.dof} degrees of freedom, {end}")


def _text(fit: Fit) -> str:
    """What was fitted, what was noticed (serious first) and every figure with its 95 % half-width."""
    width = max((len(f.name) for f in fit.figures), default=0)
    figures = [f"  {f.name:<{width}} {f.value:>10.3f} +/- {f.u95:<7.3f} {f.unit:<3} {_share(f):<5} {fit.doubt_on(f)}"
               for f in fit.figures]
    return "\n".join([f"{fit.as_built.rig.name}: {_state(fit)}",
                      *(f"  {'! ' if f.serious else '- '}{f.text}" for f in _sorted(fit.findings)),
                      *(line.rstrip() for line in figures)])


def _html(fit: Fit) -> str:
    """The same as tables, everything escaped."""
    found = "".join(f"<li>{'<b>' if f.serious else ''}{escape(f.text)}{'</b>' if f.serious else ''}</li>"
                    for f in _sorted(fit.findings))
    rows = "".join(f"<tr><td>{escape(f.name)}</td><td>{f.value:.3f}</td><td>&plusmn; {f.u95:.3f}</td>"
                   f"<td>{escape(f.unit)}</td><td>{_share(f)}</td><td>{escape(fit.doubt_on(f))}</td></tr>"
                   for f in fit.figures)
    pivots = fit.pivot_table.to_html(index=False, border=0)
    return (f"<p><b>{escape(fit.as_built.rig.name)}</b>: {escape(_state(fit))}</p><ul>{found}</ul>"
            "<table><tr><th>figure</th><th>value</th><th>95 %</th><th>unit</th><th>from photos</th><th></th></tr>"
            f"{rows}</table>"
            f"{pivots}")


def _sorted(findings: Sequence[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda f: not f.serious)


def _share(f: Figure) -> str:
    return "" if f.from_photos is None else f"{100 * f.from_photos:.0f} %"
