"""The job in one call, from the rig file and photos to a result folder and the vehicle's record.

What the command line does for ``run``, ``confirm`` and ``again``; a script gets the same files.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from calib.progress import Progress, for_photos, quiet
from calib.report.whole import check_can_write
from capture.errors import UserError

if TYPE_CHECKING:
    from calib.report.confirm import Before, BeforeAfter
    from calib.report.contents import Results
    from calib.report.inputs import Inputs
    from calib.report.same import Sameness
    from calib.rig.model import Rig
    from calib.second_process import SecondProcess
    from capture.kept import KeptCorners
    from capture.observations import Observations
    from capture.workers import Readers

Said = Callable[[str], None]
DRAWERS = 3  # processes that draw while this one measures, at most
DRAW_WITH = ("matplotlib.figure", "matplotlib.backends.backend_agg", "matplotlib.backends.backend_svg",
             "matplotlib.backends.backend_pdf", "fontTools.subset")  # loaded while there is nothing to draw yet


def unsaid(line: str) -> None:
    """Says nothing."""


@dataclass(frozen=True)
class Done:
    """What came of it: ``results`` as ``calib.measure`` gives them, the ``folder`` they are written in, and the
    vehicle's ``record``. Where that could not be added to it is None and ``unrecorded`` says why; results are whole.
    ``outcomes``: of ``confirm_shoot``, each judged figure before, predicted and after, in its own unit with 95 %
    half-widths, and ``explained``, why some are not as predicted.
    """

    results: Results
    folder: Path
    record: Path | None = None
    outcomes: tuple[BeforeAfter, ...] = ()
    explained: tuple[str, ...] = ()
    unrecorded: UserError | None = None


@dataclass(frozen=True)
class Again:
    """A result made once more in ``folder``: ``sameness`` with the one before, and ``versions`` that changed since."""

    folder: Path
    sameness: Sameness
    versions: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether every number is the same to the digit."""
        return not self.sameness.differs


def run_shoot(rig_file: str | Path, photos: str | Path, out: str | Path = "out", *, workers: int | None = None,
              kept: KeptCorners | None = None, progress: Progress = quiet, said: Said = unsaid) -> Done:
    """Measure a shoot and write its result folder, ``out`` or its next free name; it enters the vehicle's record.

    ``photos``: folder with one folder for each lever position, or CSV with the columns photo, position; only read.
    ``workers``: photos read side by side (None: a process for each core; a script on Python 3.14 or newer then needs
    the usual ``if __name__ == "__main__":``). ``kept``: where corners are kept, so that photos read before are not read
    again. ``progress``: see ``calib.Progress``; what it raises leaves nothing of the folder. ``said`` is given lines
    worth reading at once, as remarks on the rig file. UserError where rig file or photos cannot carry it or the folder
    cannot be written.
    """
    from calib.report.inputs import given

    check_can_write(Path(out))
    inputs = given("run", Path(rig_file), Path(photos), workers=workers)
    return _made(inputs, Path(out), None, kept, progress, said)


def confirm_shoot(rig_file: str | Path, before: str | Path, photos: str | Path, out: str | Path = "confirmed",
                  proposal: int = 1, *, workers: int | None = None, kept: KeptCorners | None = None,
                  progress: Progress = quiet, said: Said = unsaid) -> Done:
    """Measure again after an adjustment and set it against the result folder ``before`` and what it predicted.

    ``proposal``: which of its list was followed, 1 the first, 0 none of them. The rest as for ``run_shoot``.
    UserError also where ``before`` is no result folder, is unfinished or altered, or has no such proposal.
    """
    from calib.report.confirm import load_before
    from calib.report.inputs import given

    then = load_before(Path(before), proposal)
    check_can_write(Path(out))
    inputs = given("confirm", Path(rig_file), Path(photos), Path(before), proposal, workers=workers)
    return _made(inputs, Path(out), then, kept, progress, said)


def run_again(folder: str | Path, out: str | Path | None = None, *, photos: str | Path | None = None,
              before: str | Path | None = None, workers: int | None = None, progress: Progress = quiet,
              said: Said = unsaid) -> Again:
    """Make a result once more from the very photos and rig file it was made from, and compare every number.

    ``folder``: of ``run_shoot`` or ``confirm_shoot``; ``photos`` and ``before``: where these are now, if not where they
    were. Photos added since are left alone. Written beside ``folder`` unless ``out`` says where; the record is not
    touched. UserError where a photo, the result before or the copy of the rig file is missing or changed.
    """
    from calib.report.confirm import load_before
    from calib.report.inputs import changed_versions, check_before, check_photos, given, read_inputs
    from calib.report.same import sameness

    folder = Path(folder)
    told = read_inputs(folder)
    source = told.source if photos is None else Path(photos)
    others = check_photos(told, source)
    then = told.before if before is None else Path(before)
    if then is not None:
        check_before(told, then)
    for line in (told.rig_changed(), _left_alone(others, source)):
        if line:
            said(line)
    out = folder.absolute().with_name(f"{folder.absolute().name}-again") if out is None else Path(out)
    check_can_write(out)
    inputs = given(told.command, told.rig, source, then, told.proposal, told.photos, workers=workers)
    done = _made(inputs, out, None if then is None else load_before(then, told.proposal), None, progress, said,
                 only=told.photos, recorded=False)  # anew, not from what is kept
    return Again(done.folder, sameness(folder, done.folder), tuple(changed_versions(told)))


def _left_alone(others: int, source: Path) -> str:
    what = "1 photo" if others == 1 else f"{others} photos"
    return f"{what} in {source} came later and {'is' if others == 1 else 'are'} left out." if others else ""


def _made(inputs: Inputs, out: Path, before: Before | None, kept: KeptCorners | None, progress: Progress, said: Said,
          only: Collection[str] | None = None, recorded: bool = True) -> Done:
    """Read, measure, write and record."""
    from capture.workers import Readers

    workers = inputs.options.get("workers")
    with drawing_beside(workers) as second, Readers(workers) as readers:
        rig, obs = found(inputs.rig_file, inputs.photos, readers, True, kept, progress, said, only, inputs.hashes)
        from calib.report.confirm import after_changes
        from calib.report.folder import history, record_results, write_results
        from calib.report.misses import explain
        from calib.run import measure

        stands, moved = None, list[str]()
        if before is not None:
            stands, moved = after_changes(rig, before, {p.position for p in obs.photos})
        for line in moved:
            said(line)
        results = measure(rig, obs, progress=progress, stands=stands, second=second, kept=kept,
                          readers=readers)
        folder = write_results(results, out, progress=progress, before=before, second=second, inputs=inputs,
                               history=history(results, inputs, before) if recorded else None)
    if folder.name != out.absolute().name:
        said(f"{out} already holds something and is left as it is; results are in {out.with_name(folder.name)}.")
    folder = out.with_name(folder.name) if out.name else folder
    if not recorded:
        return Done(results, folder)
    outcomes = () if before is None else tuple(before.outcomes(results.figures))
    why = () if before is None else tuple(explain(before, results.fit.as_built, outcomes))
    try:
        return Done(results, folder, record_results(results, folder, inputs, before), outcomes, why)
    except UserError as e:  # what was measured is not lost for that
        return Done(results, folder, None, outcomes, why, e)


def drawing_beside(workers: int | None) -> SecondProcess:
    """What draws while this process measures: a process for every other core, three at most."""
    from calib.second_process import SecondProcess

    return SecondProcess(min(DRAWERS, (workers or os.cpu_count() or 1) - 1),
                         ("calib.report.pictures", "calib.report.sheet_pdf", *DRAW_WITH))


def found(rig_file: Path, photos: Path, readers: Readers, to_measure: bool = False,
          kept: KeptCorners | None = None, progress: Progress = quiet, said: Said = unsaid,
          only: Collection[str] | None = None, hashed: Mapping[str, str] | None = None) -> tuple[Rig, Observations]:
    """Rig and corners; where they are ``to_measure`` with, the rest of the program is loaded while photos are read.

    ``only`` these photos; ``hashed``: SHA-256 of photos by name as the run began. UserError where one changed since.
    """
    from calib.advice.search import need_both_wheels
    from calib.linkage.designcheck import design_sweep
    from calib.rig.reader import load_rig

    rig = load_rig(rig_file)
    for remark in rig.remarks:
        said(str(remark))
    if to_measure:  # corners alone can be had of any rig
        need_both_wheels(rig)
    design_sweep(rig)  # a design that does not go together is better known before an hour of photos is read
    obs = corners_of(rig, photos, readers, for_photos(progress), _load if to_measure else None, kept, only, hashed,
                     to_measure)
    changed = [p.name for p in obs.photos if ((hashed or {}).get(p.name) or p.sha256) != p.sha256]
    if changed:
        raise UserError(f"{changed[0]} in {photos} was changed while it was being read; run it again when nothing "
                        "writes there any more.", "photos_differ", changed[0])
    return rig, obs


def corners_of(rig: Rig, photos: Path, readers: Readers, progress: Callable[[int, int, str], None],
               meanwhile: Callable[[], None] | None = None, kept: KeptCorners | None = None,
               only: Collection[str] | None = None, hashed: Mapping[str, str] | None = None,
               looked_at_again: bool = False) -> Observations:
    """The corners of a rig's photos. ``looked_at_again``: a second look for hidden tags follows."""
    from capture.shoot import read_shoot
    from capture.targets import Board

    return read_shoot(photos, set(rig.tag_by_code()), Board.for_paper(rig.board.paper), progress=progress,
                      meanwhile=meanwhile, positions=rig.labels, kept=kept, only=only, hashed=hashed, readers=readers,
                      parts=_on_parts(rig) if looked_at_again else ())


def _on_parts(rig: Rig) -> list[list[int]]:
    """Codes of the tags on each part; none where some lie on the floor, which a second look does not look for."""
    if any(tag.on_floor for tag in rig.tags.values()):
        return []
    return [[t.code for t in rig.tags.values() if t.body == body] for body in {t.body: 0 for t in rig.tags.values()}]


def _load() -> None:
    import calib.report.folder
    import calib.run  # noqa: F401
