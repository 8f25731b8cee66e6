"""From a shoot's photos to the table of corners, with what was set aside and why."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import closing, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capture.corners import Saddles, fit_planes, project, refine_tag
from capture.detection import Tag, board_homography, find_tags, looks_mirrored
from capture.errors import UserError
from capture.held import hold
from capture.kept import KeptCorners, Reading, hashes
from capture.labels import as_named
from capture.observations import COLUMNS, Observations, PhotoInfo, SetAside, aside_lines
from capture.photos import PhotoMeta, list_shoot, read_photo
from capture.targets import BOARD_IDS, CELLS, SADDLES, Board
from capture.workers import Readers

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[int, int, str], None]
LEAST_SADDLES = 8  # of a tag's 32; fewer say the tag is mostly hidden
_LEAST_OF_BOARD = 4  # tags that say well where the camera was, and so where others should be
_MESSENGER_PX = 2048  # longer side that messengers leave of a picture, at most (common practice, no source)
_LAYOUT_MISFIT = 0.12  # of a tag's edge: a board printed to another layout is out by far more


@dataclass(frozen=True)
class _Job:
    path: Path
    position: str
    name: str
    part_codes: frozenset[int]
    board: Board
    kept: KeptCorners | None = None
    patient: bool = True


@dataclass(frozen=True)
class Outcome:
    """One photo's result: either info and rows, or the reason it was set aside."""

    name: str
    info: PhotoInfo | None = None
    rows: NDArray[np.float64] | None = None  # tag, corner, u, v, cuu, cuv, cvv
    reason: str = ""
    sha256: str = ""
    unknown: tuple[int, ...] = ()
    code: str = ""


def read_shoot(source: str | Path, known_codes: Collection[int], board: Board, workers: int | None = None,
               progress: Progress | None = None, meanwhile: Callable[[], None] | None = None,
               positions: Sequence[str] = (), kept: KeptCorners | None = None, only: Collection[str] | None = None,
               hashed: Mapping[str, str] | None = None, readers: Readers | None = None,
               parts: Collection[Collection[int]] = ()) -> Observations:
    """Corners of every photo of a shoot.

    ``source``: folder with one folder per lever position, or CSV with the columns photo, position. Corners of
    tags on ``board`` and of part tags in ``known_codes`` enter the table; other part tags seen are noted.
    ``positions``: labels that the rig file names; a folder that is hardly one of them is refused before any photo is
    read. Photos are only read, never changed. ``progress(done, all, name)`` is called here, in this process, and
    ``meanwhile()`` once, when other processes have begun to read; what either raises stops the reading. ``kept``: where
    corners are kept, so that photos read before need not be read again; what is returned is the same to the last digit.
    ``only`` the photos of these names are read; ``hashed``: SHA-256 by name where that is known already. ``workers``:
    processes that read; ``readers``: those of the caller instead, which go on living. ``parts``: codes on each part,
    given where a second look follows (``look_again``): tags hard to find are left to that, as it knows where they
    should be, save in photos that show little of the board, in positions where no tag of some part was seen, and where
    some tag was not seen at all.
    Raises UserError when no photo, or only one, is left to work with.

    >>> from capture import Board
    >>> read_shoot("no_such_folder", {60, 61}, Board.for_paper("A4"))
    Traceback (most recent call last):
    capture.errors.UserError: no_such_folder does not exist: give the folder that holds one folder of photos for ...
    """
    there = [p for p in list_shoot(Path(source)) if only is None or p[2] in only]
    listed, notes = as_named(there, positions, str(source))
    jobs = [_Job(path, position, name, frozenset(known_codes), board, kept, not parts)
            for path, position, name in listed]
    tell = progress or _quiet

    def told(done: int, whole: int, name: str) -> None:
        if done < whole or not parts:  # with a second look to come, whether that was all is known a little later
            tell(done, whole, name)

    with Readers(workers) if readers is None else nullcontext(readers) as processes:
        done = _read(jobs, processes, kept, hashed or {}, told, meanwhile)
        poor = _seen_poorly(jobs, done, parts)
        again = [replace(j, patient=True) for j in jobs if j.position in poor]
        if parts:
            tell(len(jobs), len(jobs) + len(again), jobs[-1].name)
        better = dict(zip((j.name for j in again),
                          _read(again, processes, kept, hashed or {},
                                lambda k, of, name: tell(len(jobs) + k, len(jobs) + of, name)), strict=True))
    obs = gathered([better.get(o.name, o) for o in done], str(source))
    return replace(obs, notes=(*notes, *obs.notes))


def _quiet(done: int, whole: int, name: str) -> None:
    pass


def _read(jobs: Sequence[_Job], processes: Readers, kept: KeptCorners | None, hashed: Mapping[str, str],
          progress: Progress, meanwhile: Callable[[], None] | None = None) -> list[Outcome]:
    """Outcomes of the jobs, from what is kept or from the photos."""
    before = {} if kept is None else _read_before(jobs, kept, hashed)
    left = [j for k, j in enumerate(jobs) if k not in before]
    done: list[Outcome] = []
    with closing(processes.each(_look, left, meanwhile)) as fresh:  # so that it ends too, whatever progress raises
        for k, job in enumerate(jobs):
            done.append(before[k] if k in before else next(fresh))
            progress(len(done), len(jobs), job.name)
        for _ in fresh:  # to its end
            pass
    if kept is not None and left:
        kept.tidy()
    return done


def _seen_poorly(jobs: Sequence[_Job], done: Sequence[Outcome], parts: Collection[Collection[int]]) -> set[str]:
    """Positions in which a second look could not know where to look for some part's tags."""
    seen: dict[str, set[int]] = {j.position: set() for j in jobs}
    for job, outcome in zip(jobs, done, strict=True):
        if outcome.rows is not None:
            seen[job.position].update(outcome.rows[:, 0].astype(int).tolist())
    ever = set[int]().union(*seen.values())
    if any(code not in ever for part in parts for code in part):
        return set(seen)
    return {position for position, codes in seen.items() if any(codes.isdisjoint(part) for part in parts)}


def _read_before(jobs: Sequence[_Job], kept: KeptCorners, hashed: Mapping[str, str]) -> dict[int, Outcome]:
    """Outcomes, by place among the jobs, of the photos whose corners are kept."""
    out = {}
    new = [j for j in jobs if not hashed.get(j.name)]
    known = {**hashed, **dict(zip((j.name for j in new), hashes(j.path for j in new), strict=True))}
    for k, job in enumerate(jobs):
        outcome = _before(job, kept, known[job.name])
        if outcome is not None:
            out[k] = outcome
    return out


def _before(job: _Job, kept: KeptCorners, sha256: str) -> Outcome | None:
    reading = kept.reading(sha256, job.board) if sha256 else None
    return None if reading is None else _outcome(reading, job)


def outcome_before(kept: KeptCorners, sha256: str, position: str, name: str, part_codes: Collection[int],
                   board: Board) -> Outcome | None:
    """What ``examined`` gave for a photo read before; None where it has to be read."""
    return _before(_Job(Path(name), position, name, frozenset(part_codes), board), kept, sha256)


def gathered(done: Sequence[Outcome], source: str = "") -> Observations:
    """Photos' corners as one table; a file that is there twice counts once. UserError with fewer than two photos.

    ``source``: where they lie, for what errors say.
    """
    import pandas as pd  # here, as the processes that read photos have no need of it

    photos: list[PhotoInfo] = []
    aside: list[SetAside] = []
    tables: list[pd.DataFrame] = []
    first_with: dict[str, str] = {}
    unknown: dict[int, int] = {}
    for outcome in done:
        twin = first_with.get(outcome.sha256) if outcome.sha256 else None
        if twin is not None:
            aside.append(SetAside(outcome.name, f"{outcome.name} is the same file as {twin}: one of the two is in "
                                                "the wrong place or copied twice."))
            continue
        if outcome.sha256:
            first_with[outcome.sha256] = outcome.name
        if outcome.info is None or outcome.rows is None:
            aside.append(SetAside(outcome.name, outcome.reason, outcome.code))
            continue
        for code in outcome.unknown:
            unknown[code] = unknown.get(code, 0) + 1
        photos.append(outcome.info)
        tables.append(_table(outcome))
    if not photos:
        lines = aside_lines(aside)
        reasons = " ".join(lines[:3])
        more = f" (and {len(lines) - 3} more)" if len(lines) > 3 else ""
        raise UserError(f"None of the {len(done)} photos in {source} could be used. {reasons}{more}",
                        "no_usable_photo", source)
    if len(photos) == 1:
        also = f" {aside[0].reason}" if aside else ""
        raise UserError(f"Only one usable photo in {source} ({photos[0].name}): take at least three of each lever "
                        f"position, from different sides.{also}", "few_photos", photos[0].name)
    notes = [f"Tag {code} is in {count} photo(s) but not in the rig file: add it there if it sits on a part."
             for code, count in sorted(unknown.items())] + _through_a_messenger(photos)
    return Observations(pd.concat(tables, ignore_index=True), tuple(photos), tuple(aside), tuple(notes))


def _through_a_messenger(photos: Sequence[PhotoInfo]) -> list[str]:
    """What is said of a shoot of small pictures none of which says anything of its camera."""
    largest = max(max(p.width, p.height) for p in photos)
    if largest > _MESSENGER_PX or any(p.camera or p.focal_px_guess for p in photos):
        return []
    sizes = sorted({f"{max(p.width, p.height)} x {min(p.width, p.height)}" for p in photos})
    return [f"All photos are small ({', '.join(sizes[:3])} pixels) and none says which camera took it, as after a "
            "messenger, which shrinks pictures and drops what the camera wrote into them: all is known worse than need "
            "be. Copy the photos off the phone by cable or as files and run it again."]


def _look(job: _Job) -> Outcome:
    try:
        gray, meta = read_photo(job.path)
    except UserError as err:
        return Outcome(job.name, reason=str(err).replace(job.path.name, job.name, 1), code=err.code)
    if not job.patient:  # there will be a second look
        hold(meta.sha256, gray)
    tags = find_tags(gray, None, job.board, patient=job.patient)
    if not job.patient and _thin(tags, job.board):
        tags, job = find_tags(gray, None, job.board), replace(job, patient=True)
    return _examined(gray, meta, job, tags)


def _thin(tags: Mapping[int, Tag], board: Board) -> bool:
    """Whether too little of the board was found quickly to do without the patient looks."""
    return sum(code in board.ids for code in tags if not tags[code].patiently) < _LEAST_OF_BOARD


def examined(gray: NDArray[np.uint8], meta: PhotoMeta, position: str, name: str, part_codes: Collection[int],
             board: Board, tags: dict[int, Tag], path: Path | None = None,
             kept: KeptCorners | None = None) -> Outcome:
    """One photo's corners, or why it cannot be used; ``tags``: what ``find_tags`` gave for all codes."""
    return _examined(gray, meta, _Job(path or Path(name), position, name, frozenset(part_codes), board, kept), tags)


def _examined(gray: NDArray[np.uint8], meta: PhotoMeta, job: _Job, tags: dict[int, Tag]) -> Outcome:
    """Corners of all tags found are measured, so that a change of those asked for reads nothing again."""
    # those found quickly by themselves, so that they come out the same whether others are found or not
    late = {code: tag for code, tag in tags.items() if tag.patiently}
    quick = {code: tag for code, tag in tags.items() if code not in late}
    each = [read_tags(gray, some.keys(), job.board, some)[1] for some in ((quick, late) if late else (quick,))]
    reading = Reading(meta, {**quick, **late}, Saddles(*map(np.concatenate, zip(*each, strict=True))),
                      patient=job.patient)
    if not _of_boards(tags):
        reading = reading._replace(mirrored=(job.part_codes, looks_mirrored(gray, [*BOARD_IDS, *job.part_codes])))
    if job.kept is not None and meta.sha256:
        job.kept.put_reading(job.board, reading)
    outcome = _outcome(reading, job)
    assert outcome is not None
    return outcome


def _outcome(reading: Reading, job: _Job) -> Outcome | None:
    """What a photo's corners give for the tags asked for; None where its pixels are needed once more."""
    patient = job.patient or _thin(reading.tags, job.board)
    if patient and not reading.patient:
        return None
    meta, everything = reading.meta, {c: t for c, t in reading.tags.items() if patient or not t.patiently}
    if not _of_boards(everything) and (reading.mirrored is None or reading.mirrored[0] != job.part_codes):
        return None
    wanted = job.part_codes | set(job.board.ids)
    tags = {code: tag for code, tag in everything.items() if code in wanted}
    theirs = np.repeat(np.array([code in tags for code in reading.tags], bool), SADDLES)
    saddles = Saddles(*(a[theirs] for a in reading.saddles))
    misplaced = _misplaced(tags, job.board)
    reason = _board_trouble(everything, reading.mirrored, misplaced, job)
    if reason:
        return Outcome(job.name, reason=reason, sha256=meta.sha256)
    notes = [f"{job.name} {note}" for note in meta.notes]
    if misplaced:
        notes.append(f"{job.name}: board tag(s) {_span(misplaced)} do not lie where the {job.board.paper} board has "
                     "them and were left out.")
    rows, blurs, seen = [], [], 0
    for k, code in enumerate(tags):
        part = slice(k * SADDLES, (k + 1) * SADDLES)
        ok = saddles.ok[part]
        if ok.sum() < LEAST_SADDLES or code in misplaced:
            continue
        seen += 1
        at = np.flatnonzero(ok)
        cov = saddles.cov[part][at]
        rows.append(np.column_stack([np.full(len(at), code), at, saddles.uv[part][at], cov[:, 0, 0], cov[:, 0, 1],
                                     cov[:, 1, 1]]))
        blurs.append(saddles.blur[part][at])
    if not any(int(r[0, 0]) in job.board.ids for r in rows):
        return Outcome(job.name, reason=_no_board(job.name), sha256=meta.sha256)
    info = PhotoInfo(job.name, job.position, meta.width, meta.height, meta.focal_px_guess, meta.camera,
                     meta.digital_zoom, meta.sha256, str(job.path),
                     float(np.median(np.concatenate(blurs))), seen,
                     tuple(notes))
    unknown = tuple(c for c in everything if c not in BOARD_IDS and c not in job.part_codes)
    return Outcome(job.name, info, np.concatenate(rows), sha256=meta.sha256, unknown=unknown)


def read_tags(gray: NDArray[np.uint8], part_codes: Collection[int], board: Board,
              found: dict[int, Tag] | None = None) -> tuple[dict[int, Tag], Saddles]:
    """Wanted tags of one grey photo (H, W) and their refined saddles, 32 rows a tag in the tags' order.

    ``found``: what ``find_tags`` gave for this photo, where that is known already.
    """
    wanted = set(board.ids) | set(part_codes)
    seen = find_tags(gray, wanted, board) if found is None else found
    tags = {code: tag for code, tag in seen.items() if code in wanted}
    return tags, measured(gray, tags)


def measured(gray: NDArray[np.uint8], tags: Mapping[int, Tag]) -> Saddles:
    """The refined saddles of tags found in a grey photo (H, W), 32 rows a tag in the tags' order."""
    return _consistent(tags, refine_tag(gray, [t.H for t in tags.values()]))


def _consistent(tags: Mapping[int, Tag], saddles: Saddles) -> Saddles:
    """Drop saddles that do not lie on their tag's plane: a finger or a rod crosses there."""
    ok = saddles.ok.reshape(-1, SADDLES).copy()
    ok[ok.sum(axis=1) < 6] = False
    keys = np.flatnonzero(ok.any(axis=1))
    if len(keys) == 0:
        return saddles._replace(ok=ok.ravel())
    seen = ok[keys]
    _, miss = fit_planes(np.array([t.H for t in tags.values()])[keys], saddles.uv.reshape(-1, SADDLES, 2)[keys], seen)
    spread = np.sqrt(np.trace(saddles.cov, axis1=1, axis2=2)).reshape(-1, SADDLES)[keys]
    # lens distortion and paper bow across one tag stay within a few hundredths of a pixel
    ok[keys] = seen & (miss <= 0.06 + 4 * spread)
    return saddles._replace(ok=ok.ravel())


def _no_board(name: str) -> str:
    return f"No board tag found in {name}: was the board in view and sharp?"


def _misplaced(tags: dict[int, Tag], board: Board) -> list[int]:
    """Board tags that do not lie where the board's layout has them."""
    centres = board.tag_centres()
    mine = {c: t for c, t in tags.items() if c in centres}
    h = board_homography(mine, board)
    if h is None or len(mine) < 2:
        return []
    out = []
    for code, tag in mine.items():
        here = project(tag.H, np.array([[0.0, 0.0], [CELLS / 2, 0.0], [0.0, CELLS / 2]]))
        edge = 2 * np.linalg.norm(here[1:] - here[0], axis=1).max()
        if np.linalg.norm(project(h, centres[code][None])[0] - here[0]) > _LAYOUT_MISFIT * edge:
            out.append(code)
    return out


def _of_boards(tags: Collection[int]) -> list[int]:
    """Those that belong on a board, of whichever paper."""
    return sorted(c for c in tags if c in BOARD_IDS)


def _board_trouble(tags: Collection[int], mirrored: tuple[frozenset[int], bool] | None, misplaced: list[int],
                   job: _Job) -> str:
    """The sentence saying why the photo's board cannot be used, or nothing. ``tags``: all that was found."""
    board = job.board
    mine = [c for c in tags if c in board.ids]
    if len(misplaced) > 0.4 * len(mine):
        return (f"{job.name}: tags {_span(mine)} do not lie as on the {board.paper} board of the rig file: "
                "was another board printed, or the sheet cut or folded?")
    if mine:
        return ""
    others = _of_boards(tags)
    if others:
        return (f"{job.name} shows a board with tags {_span(others)}, but the rig file's {board.paper} board has "
                f"tags {_span(board.ids)}: photograph the board the rig file names, or correct the rig file.")
    if mirrored is not None and mirrored[1]:
        return (f"{job.name} reads only in the mirror: the print or the photo is back to front; print without "
                "mirroring and switch off the camera's selfie mirror.")
    return _no_board(job.name)


def _span(codes: list[int]) -> str:
    ordered = sorted(codes)
    if len(ordered) > 2 and ordered == list(range(ordered[0], ordered[-1] + 1)):
        return f"{ordered[0]} to {ordered[-1]}"
    return ", ".join(str(c) for c in ordered)


def _table(outcome: Outcome) -> pd.DataFrame:
    import pandas as pd

    assert outcome.info is not None and outcome.rows is not None
    r = outcome.rows
    table = pd.DataFrame(r[:, 2:], columns=pd.Index(["u", "v", "cuu", "cuv", "cvv"]))
    table.insert(0, "corner", r[:, 1].astype(int))
    table.insert(0, "tag", r[:, 0].astype(int))
    table.insert(0, "position", outcome.info.position)
    table.insert(0, "photo", outcome.info.name)
    return table[COLUMNS]



