"""A second look for tags that the first one missed: half hidden, or with a code that cannot be read.

The estimate says where in a photo each tag's saddles should be; here they are looked for round there, one by one, and
measured in the picture alone. What was expected says where to look and never enters a corner, so that a tag that
slipped is found where it is. A tag counts only with saddles enough that agree with each other, see ``judged``.
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.corners import Saddles, fit_planes, local_axes, project, refine_saddles, surroundings
from capture.detection import Tag, code_cells, tags_near
from capture.errors import UserError
from capture.held import held
from capture.kept import KeptCorners
from capture.observations import COLUMNS, Observations, PhotoInfo
from capture.photos import read_photo
from capture.shoot import LEAST_SADDLES as LEAST_READ
from capture.shoot import measured
from capture.targets import BOARD_IDS, CELLS, CODE_SHARE, PART_IDS, SADDLES, saddle_points, saddle_signs
from capture.workers import Readers

if TYPE_CHECKING:
    import pandas as pd

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]
LEAST_SADDLES = 10  # that agree; two more than the eight numbers of a plane's view need would pass by chance
_PER_CELL = 6  # samples along a cell of the levelled picture
_REACH = 3  # samples, half a cell: 3 mm on a tag of 60 mm, beyond a slip worth naming and short of the next saddle
_HALF = 4  # samples from a saddle to the end of what is compared with the print
_SLACK = 1  # samples by which a saddle may be off the common shift
_LIKE = 0.72  # correlation with the print of a saddle that is there
_LEAST_CELL = 3.5  # px: smaller cells have too few pixels to be judged one by one
_NARROWEST = 2.35  # px: the same of a tag whose code tells it; glancing views of narrower ones disagree with the rest
_LEAST_AGREE = 0.3  # of the saddles that look like the print: spokes spoil many, a strange check pattern nearly all
_LEAST_SPREAD = 1.0  # cells: scatter of the saddles in the narrower direction, or their plane is not known
_STRETCH = 0.12  # by which the tag's outline may differ from the expected one
_WINDOW = 0.55  # cells: half the width of what a saddle is measured by; narrow, as things stand near it
_WORSE = 1.3  # times the usual standard deviation: something stands in front of that saddle
_OFF_PX = 0.06  # from the tag's plane, beside four standard deviations: what lens and paper bow do across a tag
_LEAST_BITS = 8  # code cells that can be told black or white, to say anything of the code
_TONE = 0.15  # of the contrast: a cell nearer than this to white or black is told
_NEARLY_ALL = 0.9  # of the cells told
_MARGIN = 2  # code cells by which another code must fit better than the tag's own to be believed
_EDGE = 5.6  # cells from a tag's middle to the end of its paper
_BLACK, _EDGES = surroundings()
_SIGNS = saddle_signs()
_PTS = saddle_points(float(CELLS))


class Seen(NamedTuple):
    """Saddles of one tag found by the second look: all 32, those with ``ok`` count."""

    uv: F64  # (32, 2) px
    cov: F64  # (32, 2, 2) px^2
    ok: Bools  # (32,)
    blur: F64  # (32,) sigma px


class _Start(NamedTuple):
    """Where a tag's saddles seem to be, before they are measured."""

    plane: F64  # (3, 3) tag cells to px
    like: Bools  # (32,) which look like the print there


def find_again(gray: NDArray[np.uint8], places: Mapping[int, F64], taken: Sequence[F64] = ()) -> dict[int, Seen]:
    """Tags of a grey photo (H, W) near where they are expected, by code.

    ``places``: code to the expected saddles, (32, 2) px. ``taken``: outlines (4, 2) px of tags found already. Where
    ring and code show up to two cells beside the place, that is the place; saddles are then looked for one by one, as
    something may stand near them, and a tag too narrow for that is measured as a whole.
    """
    planes = {code: _expected_plane(np.asarray(uv, np.float64), _NARROWEST) for code, uv in places.items()}
    read = tags_near(gray, {code: plane for code, plane in planes.items() if plane is not None})
    at = {code: project(read[code].H, _PTS) if code in read else uv for code, uv in places.items()}
    found = find_hidden(gray, at, taken)
    found.update(_whole(gray, {code: tag for code, tag in read.items() if code not in found}))
    return {code: found[code] for code in places if code in found}


def _whole(gray: NDArray[np.uint8], tags: dict[int, Tag]) -> dict[int, Seen]:
    """Tags measured as in the first look."""
    if not tags:
        return {}
    each = _by_tag(measured(gray, tags))
    return {code: seen for code, seen in zip(tags, each, strict=True) if seen.ok.sum() >= LEAST_READ}


def find_hidden(gray: NDArray[np.uint8], places: Mapping[int, F64], taken: Sequence[F64] = ()) -> dict[int, Seen]:
    """Tags of a grey photo (H, W) near where they are expected, by code.

    ``places``: code to the expected saddles, (32, 2) px. ``taken``: outlines (4, 2) px of tags found already; what
    lies on one is not another's.
    """
    starts: dict[int, _Start] = {}
    expected: dict[int, F64] = {}
    for code, uv in places.items():
        plane = _expected_plane(np.asarray(uv, np.float64))
        start = None if plane is None else _start(gray, plane, taken)
        if plane is not None and start is not None:
            starts[code], expected[code] = start, plane
    if not starts:
        return {}
    found = _measured(gray, list(starts.values()))
    out = {}
    for code, seen in zip(starts, found, strict=True):
        good = judged(gray, code, starts[code], expected[code], seen)
        if good is not None:
            out[code] = good
    return out


def _expected_plane(uv: F64, least: float = _LEAST_CELL) -> F64 | None:
    """Tag cells to px through the expected saddles (32, 2); None where the tag is seen from behind or too small.

    ``least``: px that a cell must be wide.
    """
    if not np.isfinite(uv).all():
        return None
    fitted, _ = cv2.findHomography(_PTS, uv, 0)
    if fitted is None:
        return None
    plane = np.array(fitted, np.float64)
    if np.linalg.det(plane / plane[2, 2]) >= 0:  # rows count downwards: a front view mirrors
        return None
    axes = local_axes(plane, _PTS, 1.0)
    area = np.abs(axes[:, 0, 0] * axes[:, 1, 1] - axes[:, 0, 1] * axes[:, 1, 0])
    longest = np.linalg.norm(axes, axis=2).max(axis=1)
    return plane if float((area / np.maximum(longest, 1e-9)).min()) >= least else None


# --- where the saddles seem to be -----------------------------------------------------------------------------


@functools.cache
def _level() -> tuple[F64, NDArray[np.intp]]:
    """Places (n * n, 2) in tag cells of the levelled picture, row by row from the top, and the saddles' samples."""
    half = int(CELLS / 2 - 1) * _PER_CELL + _HALF + _REACH + 2 * _SLACK
    t = np.arange(-half, half + 1) / _PER_CELL
    xx, yy = np.meshgrid(t, -t)
    column = np.rint(_PTS[:, 0] * _PER_CELL).astype(np.intp) + half
    row = half - np.rint(_PTS[:, 1] * _PER_CELL).astype(np.intp)
    return np.stack([xx.ravel(), yy.ravel()], axis=1), np.stack([row, column], axis=1)


@functools.cache
def _print() -> NDArray[np.float32]:
    """Tone round a saddle whose cell towards +x +y is black, rows downwards."""
    t = np.arange(-_HALF, _HALF + 1) / _PER_CELL
    soft = np.clip(3 * t, -1, 1)
    return np.asarray(np.outer(soft, soft), np.float32)


def _start(gray: NDArray[np.uint8], plane: F64, taken: Sequence[F64]) -> _Start | None:
    """The shift at which most saddles look like the print, and the plane through these; None where too few do.

    Every saddle is compared by itself with the print round it (normalised correlation), so hidden ones neither help
    nor hinder.
    """
    places, at = _level()
    n = int(round(np.sqrt(len(places))))
    uv = project(plane, places).astype(np.float32).reshape(n, n, 2)
    level = cv2.remap(gray, uv[..., 0], uv[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    like = np.asarray(cv2.matchTemplate(level.astype(np.float32), _print(), cv2.TM_CCOEFF_NORMED), np.float64)
    like = np.where(np.isfinite(like), like, 0.0)
    reach = _REACH + _SLACK
    steps = np.arange(-reach, reach + 1)
    rows, columns = at[:, :1, None] + steps[None, :, None] - _HALF, at[:, 1:, None] + steps[None, None, :] - _HALF
    each = like[rows, columns] * _SIGNS[:, None, None]  # (32, shifts down, shifts right)
    # a saddle may be a sample off the common shift, as where the tag has turned a little
    near = np.stack([cv2.dilate(e, np.ones((2 * _SLACK + 1, 2 * _SLACK + 1))) for e in each])[
        :, _SLACK:-_SLACK, _SLACK:-_SLACK]
    votes = np.maximum(near - 0.5, 0).sum(axis=0)
    down, right = np.unravel_index(int(votes.argmax()), votes.shape)
    good = near[:, down, right] >= _LIKE
    around = each[:, down:down + 2 * _SLACK + 1, right:right + 2 * _SLACK + 1].reshape(SADDLES, -1)
    k = around.argmax(axis=1)
    width = 2 * _SLACK + 1
    shift = np.stack([right + k % width - reach, -(down + k // width - reach)], axis=1) / _PER_CELL
    where = project(plane, _PTS + shift)
    good &= _free(where, taken, gray.shape)
    if good.sum() < LEAST_SADDLES or _spread(good) < _LEAST_SPREAD:
        return None
    moved = np.concatenate([np.eye(3)[:, :2], np.array([[right - _REACH, _REACH - down, 0]]).T / _PER_CELL], axis=1)
    moved[2, 2] = 1.0
    return _Start(_in_plane(plane @ moved, where, good), good)


def _free(uv: F64, taken: Sequence[F64], shape: tuple[int, ...]) -> Bools:
    """Which places (n, 2) px lie in the photo and on no tag found already."""
    free = ((uv > 3) & (uv < np.array(shape[::-1]) - 4)).all(axis=1)
    for box in taken:
        side = np.roll(box, -1, axis=0) - box
        rel = uv[:, None] - box
        turn = side[:, 0] * rel[:, :, 1] - side[:, 1] * rel[:, :, 0]
        free &= ~((turn > 0).all(axis=1) | (turn < 0).all(axis=1))
    return np.asarray(free, bool)


def _spread(which: Bools) -> float:
    """Scatter of saddles in the narrower direction, cells."""
    p = _PTS[which] - _PTS[which].mean(axis=0)
    return float(np.linalg.svd(p, compute_uv=False)[1] / np.sqrt(max(len(p), 1)))


def _in_plane(plane: F64, uv: F64, ok: Bools) -> F64:
    """``plane`` after the affine change on the paper that suits saddles (32, 2) px best; few saddles can tell it."""
    back = np.asarray(np.linalg.inv(plane), np.float64)
    seen = project(back, uv)
    src = np.c_[_PTS, np.ones(SADDLES)]
    for _ in range(3):
        change, *_ = np.linalg.lstsq(src[ok], seen[ok], rcond=None)
        miss = np.linalg.norm(src @ change - seen, axis=1)
        kept = ok & (miss < 3 * max(float(np.median(miss[ok])), 0.05))
        if kept.sum() == ok.sum() or kept.sum() < LEAST_SADDLES:
            break
        ok = kept
    affine = np.eye(3)
    affine[:2] = change.T
    return np.asarray(plane @ affine, np.float64)


# --- measuring ------------------------------------------------------------------------------------------------


def _measured(gray: NDArray[np.uint8], starts: Sequence[_Start]) -> list[Seen]:
    """The saddles that look like the print, refined in the picture."""
    return _by_tag(_refined(gray, np.array([s.plane for s in starts]), np.array([s.like for s in starts])))


def _by_tag(saddles: Saddles) -> list[Seen]:
    """Saddles, 32 rows a tag, tag by tag."""
    return [Seen(*(getattr(saddles, name)[k:k + SADDLES] for name in Seen._fields))
            for k in range(0, len(saddles.uv), SADDLES)]


def _refined(gray: NDArray[np.uint8], planes: F64, which: Bools) -> Saddles:
    """Saddles ``which`` (k, 32) of tags seen through ``planes`` (k, 3, 3) refined; all 32 k, others not ok."""
    uv = np.concatenate([project(h, _PTS) for h in planes])
    axes = np.concatenate([local_axes(h, _PTS, 1.0) for h in planes])
    k = len(planes)
    some = which.ravel()
    black, edges = np.tile(_BLACK, (k, 1, 1)), np.tile(_EDGES, (k, 1))
    part = refine_saddles(gray, uv[some], axes[some], np.tile(_SIGNS, k)[some], black=black[some], edges=edges[some],
                          reach=_WINDOW)
    n = len(uv)
    out = Saddles(uv, np.full((n, 2, 2), np.nan), np.zeros(n, bool), np.full(n, np.nan), np.full(n, np.nan))
    for whole, own in zip(out, part, strict=True):
        whole[some] = own
    return out


# --- judging --------------------------------------------------------------------------------------------------


def judged(gray: NDArray[np.uint8], code: int, start: _Start, expected: F64, seen: Seen) -> Seen | None:
    """The saddles that hold together, or None where they do not make a tag.

    Kept are saddles within four standard deviations (and what bow and lens do) of a plane that is theirs alone. A tag
    needs ten of them, spread over two directions: a view of a plane has eight numbers, so ten saddles make at least
    twelve statements that chance would have to meet to some hundredths of the room that each saddle has. They must be
    most of what looked like the print, their plane must be of the expected size and turn, and the code, as far as it
    can be seen, must not be better read as another one.
    """
    ok = seen.ok & start.like
    spread = np.nan_to_num(np.sqrt(np.trace(seen.cov, axis1=1, axis2=2)))
    ok &= spread < _WORSE * np.percentile(spread[ok], 25) if ok.any() else False
    plane = start.plane
    for _ in range(3):
        if ok.sum() < LEAST_SADDLES or _spread(ok) < _LEAST_SPREAD:
            return None
        planes, miss = fit_planes(plane[None], seen.uv[None], ok[None])
        kept = ok & (miss[0] <= np.minimum(_OFF_PX + 4 * spread, 0.04 + 3 * np.median(miss[0][ok])))
        plane, same = planes[0], kept.sum() == ok.sum()
        ok = kept
        if same:
            break
    if ok.sum() < LEAST_SADDLES or _spread(ok) < _LEAST_SPREAD or ok.sum() < _LEAST_AGREE * start.like.sum():
        return None
    if not _shaped_as(plane, expected) or _reads_otherwise(gray, plane, ok, code):
        return None
    return seen._replace(ok=ok)


def _shaped_as(plane: F64, expected: F64) -> bool:
    """Whether a tag's outline has the expected size and turn; where it is may differ by what a slip does."""
    ends = np.array([[-4.0, 4.0], [4.0, 4.0], [4.0, -4.0], [-4.0, -4.0]])
    change = project(np.asarray(np.linalg.inv(expected), np.float64), project(plane, ends))
    shape, *_ = np.linalg.lstsq(np.c_[ends, np.ones(4)], change, rcond=None)
    return bool(np.abs(shape[:2] - np.eye(2)).max() < _STRETCH and np.abs(shape[2]).max() < 1.5 * _REACH / _PER_CELL)


@functools.cache
def _codes() -> NDArray[np.int8]:
    """(587, 2, 36): every code's cells, +1 white, upright and upside down, which has the same ring."""
    cells = np.stack([code_cells(c) for c in (*BOARD_IDS, *PART_IDS)])[:, 1:-1, 1:-1]
    tone = np.where(cells > 0, 1, -1).astype(np.int8)
    return np.stack([tone.reshape(len(tone), 36), tone[:, ::-1, ::-1].reshape(len(tone), 36)], axis=1)


def _reads_otherwise(gray: NDArray[np.uint8], plane: F64, ok: Bools, code: int) -> bool:
    """Whether the code's cells that can be told, inside the saddles seen, fit another code better than the tag's own.

    Black and white are those round the saddles. What stands in front is of one tone as a rule, so that it can turn
    cells to white or to black; another code has cells wrong both ways, or fits nearly all that can be told.
    """
    tone = _code_tones(gray, plane, ok)
    told = int((tone != 0).sum())
    if told < _LEAST_BITS:
        return False
    match = ((_codes() * tone) > 0).sum(axis=2)
    own = [*BOARD_IDS, *PART_IDS].index(code)
    mine = int(match[own, 0])
    match[own, 0] = -1
    ahead = int(match.max()) - mine
    wrong = tone[_codes()[own, 0] * tone < 0]
    both_ways = min(int((wrong > 0).sum()), int((wrong < 0).sum())) >= 2
    return ahead >= _MARGIN and (both_ways or int(match.max()) >= _NEARLY_ALL * told)


def _code_tones(gray: NDArray[np.uint8], plane: F64, ok: Bools) -> NDArray[np.int8]:
    """The code's 36 cells: 1 white, -1 black, 0 neither or outside the saddles seen."""
    quarter = 0.45 * np.array([[1, 1], [-1, -1], [1, -1], [-1, 1]])
    about = _sampled(gray, project(plane, (_PTS[ok][:, None] + quarter).reshape(-1, 2))).reshape(-1, 2, 2)
    tones = np.median(about, axis=2)
    black = np.where(_SIGNS[ok] > 0, tones[:, 0], tones[:, 1])
    white = np.where(_SIGNS[ok] > 0, tones[:, 1], tones[:, 0])
    cell = CELLS * CODE_SHARE / 8
    t = (np.arange(6) - 2.5) * cell
    middle = np.stack(np.meshgrid(t, -t), axis=-1).reshape(-1, 2)
    jitter = 0.15 * cell * np.array([[0, 0], [1, 1], [-1, 1], [1, -1], [-1, -1]])
    grey = np.median(_sampled(gray, project(plane, (middle[:, None] + jitter).reshape(-1, 2))).reshape(36, 5), axis=1)
    # light that runs across the tag: levels of white and black are planes over it
    src = np.c_[_PTS, np.ones(SADDLES)][ok]
    levels, *_ = np.linalg.lstsq(src, np.stack([black, white], axis=1), rcond=None)
    dark, light = (np.c_[middle, np.ones(36)] @ levels).T
    share = (grey - dark) / np.maximum(light - dark, 1.0)
    tone = np.where(np.abs(share - 1) < _TONE, 1, np.where(np.abs(share) < _TONE, -1, 0)).astype(np.int8)
    hull = cv2.convexHull(_PTS[ok].astype(np.float32))
    tone[[cv2.pointPolygonTest(hull, (float(x), float(y)), False) < 0 for x, y in middle]] = 0
    return tone


def _sampled(gray: NDArray[np.uint8], uv: F64) -> NDArray[np.float32]:
    at = uv.astype(np.float32)
    return np.asarray(cv2.remap(gray, at[:, :1], at[:, 1:], cv2.INTER_LINEAR), np.float32)[:, 0]


# --- a shoot --------------------------------------------------------------------------------------------------


def look_again(obs: Observations, places: Mapping[str, Mapping[int, F64]],
               kept: KeptCorners | None = None, readers: Readers | None = None) -> Observations:
    """The observations with the tags that a second look finds at ``places`` (photo name to code to (32, 2) px).

    A photo that cannot be read any more, or is another one now, is left as the first look had it. ``kept``: where
    what such a look found is kept; a photo looked at in the very same places before need not be read again.
    ``readers``: processes that read the photos; None: this one does.
    """
    wanted = [p for p in obs.photos if places.get(p.name) and p.path]
    by_photo = {str(n): t for n, t in obs.table[obs.table["photo"].isin([p.name for p in wanted])].groupby("photo")}
    looks = []
    for info in wanted:
        table = by_photo.get(info.name)
        if table is not None:
            new = {c: uv for c, uv in places[info.name].items() if c not in set(table["tag"])}
            looks.append(_Look(info, new, _outlines(table, list(new.values()))))
    more: list[pd.DataFrame] = []
    gained: dict[str, int] = {}
    for (info, *_), found in zip(looks, _all_found(looks, kept, readers or Readers(1)), strict=True):
        more += [_rows(info.name, info.position, code, seen) for code, seen in found.items()]
        gained[info.name] = len(found)
    if not more:
        return obs
    import pandas as pd

    count = sum(gained.values())
    note = (f"{count} tag{'s' * (count != 1)} half hidden or hard to read {'were' if count != 1 else 'was'} found by a "
            "second look where the other photos say that they are.")
    photos = tuple(replace(p, tags_found=p.tags_found + gained.get(p.name, 0)) for p in obs.photos)
    return replace(obs, table=pd.concat([obs.table, *more], ignore_index=True), photos=photos,
                   notes=(*obs.notes, note))


class _Look(NamedTuple):
    """One photo to look at again: tags expected at ``places``, and outlines that are ``taken`` by others."""

    info: PhotoInfo
    places: Mapping[int, F64]
    taken: Sequence[F64]

    @property
    def name(self) -> str:
        """The photo's."""
        return self.info.name

    @property
    def key(self) -> str:
        """Says all that the outcome depends on."""
        h = hashlib.sha256()
        for code, uv in self.places.items():
            h.update(f"tag {code} ".encode() + np.ascontiguousarray(uv, np.float64).tobytes())
        for outline in self.taken:
            h.update(b"taken" + np.ascontiguousarray(outline, np.float64).tobytes())
        return f"again {self.info.sha256} {h.hexdigest()}"


def _all_found(looks: Sequence[_Look], kept: KeptCorners | None, readers: Readers) -> list[dict[int, Seen]]:
    """Tags found in each photo, from what is kept or from its pixels."""
    before = [None if kept is None or not x.info.sha256 else _found_before(kept, x) for x in looks]
    left = [x for x, found in zip(looks, before, strict=True) if found is None]
    out = []
    with closing(readers.each(_in_photo, left)) as fresh:
        for look, found in zip(looks, before, strict=True):
            if found is None:
                found, same = next(fresh)
                if same and kept is not None and look.info.sha256:
                    _keep(kept, look, found)
            out.append(found)
    return out


def _in_photo(look: _Look) -> tuple[dict[int, Seen], bool]:
    """Tags found in the photo's pixels, and whether it could be read and is the one that it was."""
    info = look.info
    gray = held(info.sha256)
    if gray is not None:
        return find_again(gray, look.places, look.taken), True
    try:
        gray, meta = read_photo(Path(info.path))
    except UserError:
        return {}, False
    if info.sha256 not in ("", meta.sha256) or gray.shape != (info.height, info.width):
        return {}, False
    return find_again(gray, look.places, look.taken), True


def _found_before(kept: KeptCorners, look: _Look) -> dict[int, Seen] | None:
    was = kept.get(look.key)
    if was is None:
        return None
    return {c: Seen(*(was[1][f"{name}{k}"] for name in Seen._fields)) for k, c in enumerate(was[0]["codes"])}


def _keep(kept: KeptCorners, look: _Look, found: Mapping[int, Seen]) -> None:
    kept.put(look.key, {"codes": [int(c) for c in found]},
             {f"{name}{k}": a for k, seen in enumerate(found.values()) for name, a in seen._asdict().items()})


def _outlines(table: pd.DataFrame, places: Sequence[F64]) -> list[F64]:
    """Outlines (4, 2) px of the tags' paper that a photo's corners show, where they come near expected ``places``."""
    tag, corner = table["tag"].to_numpy(int), table["corner"].to_numpy(int)
    uv = table[["u", "v"]].to_numpy(float)
    ends = np.array([[-_EDGE, _EDGE], [_EDGE, _EDGE], [_EDGE, -_EDGE], [-_EDGE, -_EDGE]])
    out = []
    for code in np.unique(tag):
        at = tag == code
        middle, size = uv[at].mean(axis=0), np.ptp(uv[at], axis=0)
        far = ((np.abs(p.mean(axis=0) - middle) > np.ptp(p, axis=0) + size).any() for p in places)
        if at.sum() < LEAST_SADDLES or all(far):
            continue
        plane, _ = cv2.findHomography(_PTS[corner[at]], uv[at], 0)
        if plane is not None:
            out.append(project(np.asarray(plane, np.float64), ends))
    return out


def _rows(photo: str, position: str, code: int, seen: Seen) -> pd.DataFrame:
    import pandas as pd

    at = np.flatnonzero(seen.ok)
    cov = seen.cov[at]
    return pd.DataFrame({"photo": photo, "position": position, "tag": code, "corner": at, "u": seen.uv[at, 0],
                         "v": seen.uv[at, 1], "cuu": cov[:, 0, 0], "cuv": cov[:, 0, 1], "cvv": cov[:, 1, 1]})[COLUMNS]
