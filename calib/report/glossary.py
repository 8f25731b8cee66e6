"""The words of the report, one sentence each; of a figure the sentence of the table of figures, and no other."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from calib.rig.figures import FIGURES


@dataclass(frozen=True)
class Term:
    """A word, what it is, and the key of its sketch in ``templates/sketches.html.j2``."""

    word: str
    meaning: str
    sketch: str


OTHERS: tuple[Term, ...] = (  # in alphabetical order
    Term("95 % interval, \u00b1", "the true value lies at most this far to either side of the number shown, nineteen "
         "times out of twenty", "interval"),
    Term("Ackermann", "both front wheels and the rear wheel roll round one point, so the inner front wheel must turn "
         "further than the outer", "ackermann"),
    Term("as built", "the rig as the photos show it, beside as drawn: what the rig file says", "built"),
    Term("band", "the 95 % interval of a curve, at every lever angle", "band"),
    Term("clearance", "the gap between the surfaces of two parts that pass each other", "clearance"),
    Term("hinge", "the line a part turns about", "hinge"),
    Term("kingpin", "the hinge of an upright: the line about which its wheel steers", "kingpin"),
    Term("misalignment, rod end", "how far the rod tilts out of the plane of its rod end; too far and the ball binds",
         "misalignment"),
    Term("play", "motion of a part that its rod does not pass on", "play"),
    Term("toggle, over centre", "rod and arm in one line: past it the arm goes on the wrong way and cannot be pulled "
         "back", "toggle"),
    Term("transmission angle", "between a rod and the direction along which it would turn nothing; 90 deg is best, and "
         "near zero the rod loses its hold", "transmission"),
)


def glossary(figures: Collection[str]) -> list[Term]:
    """The terms of a report that shows these figures, in alphabetical order."""
    own: dict[str, Term] = {}
    for name in figures:
        if name in FIGURES:
            k = FIGURES[name]
            base = FIGURES[name.removesuffix(f"_{k.side}")] if k.of_one_side else k
            if base.side == "both":
                own[base.short] = Term(base.short, base.meaning, base.sketch)
    return sorted([*OTHERS, *own.values()], key=lambda t: t.word.lower())
