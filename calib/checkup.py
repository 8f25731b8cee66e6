"""What `check` says of a rig file: what to look at twice, left against right, figures, limits, what no check sees."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from calib.linkage.designcheck import (
    all_limits,
    design_sweep,
    figure_rows,
    motion_remarks,
    target_remarks,
    worst_limits,
)
from calib.linkage.plausible import rig_remarks
from calib.linkage.sides import Difference, differences
from calib.linkage.steering import curve_figures
from calib.remarks import Remark, sentences
from calib.report.whole import free_path
from calib.rig import drawing
from calib.rig.model import Obstacle, Rig
from calib.rig.stamp import replaceable, stamped
from capture.files import need_folder

ALWAYS = ("caster", "inclination")  # lines of the left/right table shown though both sides agree
UNSEEN = ("What no check of a file can see: both sides wrong alike (both levers 10 mm too high), a figure that is "
          "wrong but likely (a wheelbase 20 mm off), tags whose codes were changed over when they were stuck on. "
          "Measure those twice.")


@dataclass(frozen=True)
class Checkup:
    """What there is to say. ``remarks`` to look at, ``notes`` on what is given up; ``rows`` and ``limits`` as of
    ``designcheck.design_rows``.
    """

    rig: Rig
    remarks: Sequence[Remark]
    notes: Sequence[Remark]
    sides: Sequence[Difference]
    rows: Sequence[tuple[str, str, str]]
    limits: Sequence[tuple[bool, str]]

    @property
    def broken(self) -> int:
        """How many limits are broken."""
        return sum(not ok for ok, _ in self.limits)

    @property
    def well(self) -> bool:
        """Whether there is nothing to look at twice."""
        return not self.remarks and not self.broken


def still_remarks(rig: Rig) -> tuple[list[Remark], list[Difference]]:
    """What can be said before anything moves, and the left/right table."""
    table = differences(rig)
    return rig_remarks(rig, table), table


def check_up(rig: Rig) -> Checkup:
    """Everything `check` finds in a rig with both wheels. UserError where it does not go together."""
    found, table = still_remarks(rig)
    sweep = design_sweep(rig)
    figures = curve_figures(rig, sweep)
    found += [*motion_remarks(rig, sweep), *target_remarks(rig, figures)]
    return Checkup(rig, [r for r in found if not r.note], [r for r in found if r.note], table,
                   figure_rows(rig, figures), worst_limits(all_limits(rig, sweep)))


def headline(c: Checkup) -> list[str]:
    """Whether the file reads well, and what to look at if not."""
    if c.well:
        return [f"{c.rig.name}: the rig file reads well."]
    broken = f"{c.broken} limit{'s are' if c.broken > 1 else ' is'} broken over the travel, see below."
    more = [broken] if c.broken else []
    return [f"{c.rig.name}: the rig file reads, but look at these:", *(f"  - {s}" for s in sentences(c.remarks)),
            *(f"  - {m}" for m in more)]


def side_lines(table: Sequence[Difference], measured: bool = False) -> list[str]:
    """The left/right table: the kingpins, every line that differs, and how many agree.

    Of a rig as measured no line is marked: its sides differ as it was built, and the report judges that.
    """
    if not table:
        return []
    shown = [d for d in table if d.shows or d.what in ALWAYS]
    rows = [(_pair(d), d.what, d.here, d.there, f"{d.by:.2f} {d.unit}".rstrip() if d.unit else "",
             "look" if d.beyond and d.typed and not measured else "") for d in shown]
    wide = [max(len(r[k]) for r in (*rows, HEAD)) for k in range(5)]
    out = ["  " + "  ".join(f"{cell:<{w}}" for cell, w in zip(r, (*wide, 4), strict=True)).rstrip()
           for r in ([HEAD, *rows] if rows else [])]
    agree = len(table) - len(shown)
    if agree:
        out.append(f"  {agree} other numbers are mirror images.")
    return ["", "Left against right:", *out]


HEAD = ("pair", "what", "left", "right", "apart", "")


def _pair(d: Difference) -> str:
    """left_lever and right_lever as left/right_lever."""
    for a, b in (("left", "right"), ("Left", "Right")):
        if d.left.replace(a, b, 1) == d.right:
            return d.left.replace(a, f"{a}/{b}", 1)
    return f"{d.left}, {d.right}"


def lines(c: Checkup) -> list[str]:
    """The whole page for the terminal."""
    wide = max((len(r[0]) for r in c.rows), default=0)
    out = [*headline(c), *side_lines(c.sides, c.rig.as_built), "", "What the design gives:"]
    out += [f"  {label:<{wide}}  {value:>12}  {wanted}".rstrip() for label, value, wanted in c.rows]
    out += ["", "Limits over the travel (the tightest of each kind):"]
    out += [f"  {'good   ' if ok else 'BROKEN '} {text}" for ok, text in c.limits]
    if c.rig.obstacles:
        out += ["", "What rods must clear, as it runs:", *(f"  {run_of(o)}" for o in c.rig.obstacles)]
    if c.notes:
        out += ["", "Without a tag:", *(f"  {s}" for s in sentences(c.notes))]
    return [*out, "", UNSEEN]


def run_of(o: Obstacle) -> str:
    """An obstacle in words, so that a wrong sign is read: from where to where."""
    on = "" if o.body == "frame" else f", on {o.body}"
    return f"{o.name}, {2 * o.radius:g} mm{on}: from {_where(o.a)} to {_where(o.b)}"


def _where(v: Sequence[float]) -> str:
    x, y, z = v
    along = f"{abs(x):g} {'ahead of' if x > 0 else 'behind'}" if x else "level with"
    across = f"{abs(y):g} {'left' if y > 0 else 'right'}" if y else "in the middle"
    return f"{along} the front axle, {across}, {z:g} up"


def draw(rig: Rig, wanted: Path, source: Path, how: Callable[[Rig, Path], None] | None = None, *,
         by: str = "check") -> Path:
    """The rig drawn to ``wanted``, over an earlier picture of the same rig file that nobody has changed; beside any
    other file that stands there. ``how``: another picture than the drawing; ``by``: the command that draws it.
    """
    how = how or drawing.draw_rig
    if wanted.suffix.lower() not in (".svg", ".png"):
        how(rig, wanted)  # says what is allowed
    need_folder(wanted)
    own = (p for p in _numbered(wanted) if replaceable(p, source))
    picture, free = next(own, free_path(wanted)), free_path(wanted)
    try:
        stamped(lambda path: how(rig, path), picture, source, by)
    except PermissionError:  # held open by another program
        if picture == free:
            raise
        picture = free
        stamped(lambda path: how(rig, path), picture, source, by)
    return picture


def _numbered(wanted: Path) -> Iterator[Path]:
    """``wanted``, name-2, name-3 ... as far as they are there."""
    yield wanted
    k = 2
    while (path := wanted.with_name(f"{wanted.stem}-{k}{wanted.suffix}")).exists():
        yield path
        k += 1
