"""How a Fit reports itself to a script: one line, a page of text, tables for a notebook."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.results import Figure, Finding, Fit


def line(fit: Fit) -> str:
    """What was fitted, how well and what is wrong, in one line."""
    serious = sum(f.serious for f in fit.findings)
    return f"<Fit of {fit.as_built.rig.name}: {state(fit)}; {serious} serious finding{'s' * (serious != 1)}>"


def state(fit: Fit) -> str:
    """Size and end of the fit."""
    end = f"converged in {fit.iterations} steps" if fit.converged else f"NOT CONVERGED after {fit.iterations} steps"
    return (f"{len(fit.photos)} photos, {len(fit.positions)} positions, sigma0 {fit.sigma0:.3f}, "
            f"{fit.dof} degrees of freedom, {end}")


def text(fit: Fit) -> str:
    """What was fitted, what was noticed (serious first) and every figure with its 95 % half-width."""
    width = max((len(f.name) for f in fit.figures), default=0)
    figures = [f"  {f.name:<{width}} {f.value:>10.3f} +/- {f.u95:<7.3f} {f.unit:<3} {_share(f)}" for f in fit.figures]
    return "\n".join([f"{fit.as_built.rig.name}: {state(fit)}",
                      *(f"  {'! ' if f.serious else '- '}{f.text}" for f in _sorted(fit.findings)),
                      *(line.rstrip() for line in figures)])


def html(fit: Fit) -> str:
    """The same as tables, everything escaped."""
    found = "".join(f"<li>{'<b>' if f.serious else ''}{escape(f.text)}{'</b>' if f.serious else ''}</li>"
                    for f in _sorted(fit.findings))
    rows = "".join(f"<tr><td>{escape(f.name)}</td><td>{f.value:.3f}</td><td>&plusmn; {f.u95:.3f}</td>"
                   f"<td>{escape(f.unit)}</td><td>{_share(f)}</td></tr>" for f in fit.figures)
    pivots = fit.pivot_table.to_html(index=False, border=0)
    return (f"<p><b>{escape(fit.as_built.rig.name)}</b>: {escape(state(fit))}</p><ul>{found}</ul>"
            f"<table><tr><th>figure</th><th>value</th><th>95 %</th><th>unit</th><th>from photos</th></tr>{rows}</table>"
            f"{pivots}")


def _sorted(findings: Sequence[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda f: not f.serious)


def _share(f: Figure) -> str:
    return "" if f.from_photos is None else f"{100 * f.from_photos:.0f} %"
