"""Detection of tags in a photo: codes by thresholding, then ring and code aligned to the pixels and verified."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.corners import project
from capture.targets import BOARD_IDS, CELLS, CODE_SHARE, PART_IDS, Board, cell_is_black, code_corners

_CODES = (*BOARD_IDS, *PART_IDS)
_CODE_CELLS = 8  # 36h11: six by six bits inside a one-cell black border
_PER_CELL = 4  # alignment samples along a tag cell
_FINER = 10  # steps of a sample by which the edges of a template's code are placed
_COARSE_SIDE = 1600  # px: photos are first looked at in the half size whose longer side is at most this
_BUSY_SIDE = 1000  # px: the size in which places that may still hold a tag are sought
# what makes a place textured, from the map's level on: slope in grey levels a pixel, root mean square in the weaker
# direction, and least width in px of the texture's half size
_TEXTURES = ((2.2, 4), (2.2, 4), (3.5, 6))
_LEAST_PLACE = 4  # px of the first texture: least width of what the tags found leave
_FAINT = 0.25  # of the slope in the tags found: less is no tag
_LEAST_RING = 0.72  # correlation with the printed ring a tag must show
_LEAST_RING_EVENED = 0.69  # the same of evened tones, which part of a ring washed out or covered spoils more
_LEAST_CODE = 0.6  # correlation with its code bits; 11 of 36 bits wrong, the nearest other code, give 0.4
_SURE_CODE = 0.85  # codes seen in a mirror correlate with others up to 0.81
_LEAST_CODE_PLACED = 0.35  # the same where the board's plan says which tag it must be
_LEAST_BITS = 0.62  # correlation of sampled bits for a first guess of the code
_LEAST_OUTLINE = 26  # px round a code's border: below this its bits cannot be told apart
_LEAST_SADDLE = 500.0  # Hessian strength of a printed corner (Sobel units); noise stays well below
_LEAST_PEAKS = 14  # of a ring's 32 saddles and its code's own: what must be seen to look closer
_ASIDE = 2  # cells to every side of an expected tag in which it is looked for
_ROUND = 1.5  # of its own size, what is cut out of the photo round an expected tag
_NEXT = np.ones((3, 3), np.uint8)
_REACH = 45.0  # px: neighbours in a ring are no further apart
_MANY = 6000  # points above which a tree of them is quicker than distances
_LEAST_MARGIN = 0.12  # by which the best code must beat the next
F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
_Box = tuple[int, int, int, int, NDArray[np.uint8]]  # left, top, right, bottom px; 255 where textured
_Look = Callable[[NDArray[np.uint8], float, list[_Box]], F64]


class Tag(NamedTuple):
    """A tag found. H (3, 3) maps tag cells (10 across, origin centre, x right, y up as read) to pixels;
    code_corners (4, 2) px, clockwise from upper left as read; ring, code: correlation with the print, up to 1;
    patiently: it was only found by the looks that take longer.
    """

    H: F64
    code_corners: F64
    ring: float
    code: float
    patiently: bool = False


def find_tags(gray: NDArray[np.uint8], allowed: Iterable[int] | None = None,
              board: Board | None = None, patient: bool = True) -> dict[int, Tag]:
    """Tags in a grey photo (H, W), by code. Only codes in ``allowed`` are looked for (None: all 587).

    With ``board`` its tags are also looked for where the ones already found say they must be. A tag is kept only
    if both its ring of checker cells and its code correlate with the print, so clutter does not pass. Without
    ``patient`` only codes whose black border stands free are found, as nearly all are, in half the time; patient
    looks, which come after, leave those as they are.
    """
    codes = np.array(sorted(set(allowed) if allowed is not None else _CODES), int)
    found: dict[int, Tag] = {}
    if len(codes) == 0 or min(gray.shape) < 16:
        return found
    pyramid = _pyramid(gray)
    grain = [_grain(img) for img in pyramid]
    rough = next((k for k, img in enumerate(pyramid) if max(img.shape) <= _BUSY_SIDE), len(pyramid) - 1)
    half = rough > 0  # in small pictures the smallest tags need every pixel
    texture = [_texture(img, half) for img in pyramid[rough:rough + len(_TEXTURES)]]
    coarse = next((k for k, img in enumerate(pyramid) if max(img.shape) <= _COARSE_SIDE), len(pyramid) - 1)
    board_codes = set(board.ids) if board is not None else set()
    # codes standing free first, coarse to fine, then more patiently where something textured is left over
    top = min(coarse + 1, len(pyramid) - 1)
    looks: list[tuple[_Look, int]] = [(functools.partial(_contour_quads, block=block), k)
                                      for k in range(coarse, -1, -1) for block in (23, 9)]
    quick = len(looks)
    if patient:
        looks += [(functools.partial(_sharpened_quads, block=15), top),
                  (functools.partial(_sharpened_quads, block=5), 0)]
        looks += [(_ring_quads, k) for k in range(top, -1, -1)]
    textured: dict[tuple[bool, int], NDArray[np.uint8]] = {}
    field = rough + int(half)
    places: dict[tuple[int, int, bool], list[_Box]] = {}
    hopeless: dict[tuple[int, ...], bool] = {}
    missing, largest, known = codes, 0.0, 0
    for nth, (look, level) in enumerate(looks):
        if len(found) > known:
            known = len(found)
            missing = np.array([c for c in codes.tolist() if c not in found], int)
            # of one size with those found, half as large again at most
            largest = 1.5 * float(_cell_px(np.array([tag.H for tag in found.values()])).max()) / 2**rough
        if len(missing) == 0:
            break
        # what is large enough for the coarse look need not be looked for in the finer ones
        sizes = 1 if level < coarse else len(texture)
        if found:
            # a texture shows cells up to its window
            sizes = min(sizes, 1 + max(int(np.ceil(np.log2(largest / 7))), 0))
        for kind in range(min(sizes, len(texture))):
            if (bool(found), kind) not in textured:
                part = _textured(texture[kind], kind, grain[rough + kind], found, field + kind, half)
                wide = texture[0].shape[::-1]
                part = np.asarray(cv2.resize(part, wide, interpolation=cv2.INTER_NEAREST), np.uint8)
                textured[bool(found), kind] = part if kind == 0 else part | textured[bool(found), kind - 1]
        key = (len(found), sizes, nth >= quick)
        if key not in places:
            last = min(sizes, len(texture)) - 1
            left_over = _left_over(textured[bool(found), last], field, found, half)
            places[key] = _with_corners(left_over, field, pyramid[:top + 1], hopeless) if nth >= quick else left_over
        boxes = _boxes(places[key], field, level, pyramid[level].shape)
        if len(boxes) == 0:
            continue
        quads = _outside(_to_photo(look(pyramid[level], grain[level], boxes), level), found)
        before = set(found)
        new = _verify(pyramid, _soft_decode(gray, quads, missing))
        _keep(found, new)
        if board is not None and any(c in board_codes for c in new):
            _keep(found, _verify(pyramid, _predict_board(found, board), placed=True))
        if nth >= quick:
            found.update({c: tag._replace(patiently=True) for c, tag in found.items() if c not in before})
    return found


def tags_near(gray: NDArray[np.uint8], planes: Mapping[int, F64]) -> dict[int, Tag]:
    """Tags in a grey photo (H, W) that match the print near where they are expected, as strictly as anywhere.

    ``planes``: by code, homographies (3, 3) of tag cells to pixels, of the right size and turn, and up to two cells
    beside the tag.
    """
    out: dict[int, Tag] = {}
    for code, plane in planes.items():
        ends = np.maximum(_outlines([plane], _ROUND * CELLS / 2)[0], 0)
        left, top = np.floor(ends.min(axis=0)).astype(int)
        right, bottom = np.ceil(ends.max(axis=0)).astype(int)
        cut = gray[top:bottom, left:right]
        if min(cut.shape) < 16:
            continue
        move = np.array([[1.0, 0, left], [0, 1, top], [0, 0, 1]])
        pyramid = _pyramid(np.ascontiguousarray(cut))
        start = _slid(pyramid, np.linalg.inv(move) @ plane, code)
        for tag in _verify(pyramid, {code: [start]}).values():
            out[code] = tag._replace(H=move @ tag.H, code_corners=tag.code_corners + (left, top))
    return out


def _slid(pyramid: list[NDArray[np.uint8]], plane: F64, code: int) -> F64:
    """The plane moved on itself to where the print resembles the picture most."""
    side = CELLS + 2 * _ASIDE
    t = (np.arange(side * _PER_CELL) + 0.5) / _PER_CELL - side / 2
    x, y = np.meshgrid(t, -t)
    level = int(np.clip(np.log2(max(float(_cell_px(plane)), 1.0) / _PER_CELL), 0, len(pyramid) - 1))
    uv = project(_down(level) @ plane, np.stack([x.ravel(), y.ravel()], axis=1)).astype(np.float32)
    flat = cv2.remap(pyramid[level], uv[:, 0].reshape(x.shape), uv[:, 1].reshape(x.shape), cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    like = cv2.matchTemplate(flat, _template(code).reshape(CELLS * _PER_CELL, -1), cv2.TM_CCOEFF_NORMED)
    down, right = np.unravel_index(int(np.nan_to_num(like).argmax()), like.shape)
    slide = np.eye(3)
    slide[:2, 2] = right / _PER_CELL - _ASIDE, _ASIDE - down / _PER_CELL
    return np.asarray(plane @ slide, np.float64)


def _grain(img: NDArray[np.uint8]) -> float:
    """Standard deviation of a picture's noise, grey levels: from the second differences of most of its pixels.

    Immerkaer 1996 with the median in place of the mean, so that edges do not count.
    """
    rows = img[::max(1, img.size // 40000)].astype(np.int16)
    if rows.shape[1] < 8:
        return 1.0
    second = np.abs(2 * rows[:, 1:-1] - rows[:, :-2] - rows[:, 2:])
    below = np.bincount(second.ravel()).cumsum()
    return float(np.searchsorted(below, 0.5 * below[-1])) / (0.6745 * np.sqrt(6))


def _texture(img: NDArray[np.uint8], half: bool) -> F32:
    """How print-like each place is: squared slope across the weaker direction, grey levels a pixel; maybe half size.

    The lesser eigenvalue of the gradient products' mean over 6 or 7 px (Shi and Tomasi 1994): high only where edges
    of two directions meet closely, as all over a tag whose cells are a few pixels; rods, rims, shadow edges and
    grained wood have one direction.
    """
    if not half:
        # for 8-bit pictures the function divides Sobel sums, 8 to the grey level, by 4 * 255 * window
        return np.asarray(cv2.cornerMinEigenVal(img, 7, ksize=3) * np.float32(127.5**2), np.float32)
    along, down = cv2.spatialGradient(img)
    xx, yy, xy = (cv2.blur(cv2.resize(cv2.multiply(a, b, dtype=cv2.CV_32F), None, fx=0.5, fy=0.5,
                                      interpolation=cv2.INTER_AREA), (3, 3))
                  for a, b in ((along, along), (down, down), (along, down)))
    weaker = cv2.subtract(cv2.add(xx, yy), cv2.magnitude(cv2.subtract(xx, yy), cv2.add(xy, xy)))
    return np.asarray(weaker, np.float32) * np.float32(0.5 / 8**2)  # Sobel sums are 8 to the grey level


def _textured(strength: F32, kind: int, grain: float, found: dict[int, Tag], level: int, half: bool
              ) -> NDArray[np.uint8]:
    """Where print-like texture is, 255 there, on the texture's ``level``."""
    slope, wide = _TEXTURES[kind]
    least = max(slope, 0.8 * grain)**2  # noise alone gives 0.4 of its deviation
    if found:
        # the tags of one photo hang in much the same light: what is far fainter than those found is no tag
        tags = _filled(np.zeros(strength.shape, np.uint8), found, 5.0, level, 255) > 0
        if tags.any():
            least = max(least, _FAINT**2 * float(np.median(strength[tags])))
    textured = np.asarray(cv2.compare(strength, np.array(least), cv2.CMP_GT), np.uint8)
    near = np.ones((3, 3) if half else (5, 5), np.uint8)
    return _opened(np.asarray(cv2.morphologyEx(textured, cv2.MORPH_CLOSE, near), np.uint8),
                   wide if half else 2 * wide + 1)


def _opened(mask: NDArray[np.uint8], wide: int) -> NDArray[np.uint8]:
    """Without what is narrower than ``wide`` px, which may be even."""
    kernel, last = np.ones((wide, wide), np.uint8), (wide - 1) // 2
    left = cv2.erode(mask, kernel, anchor=(wide - 1 - last, wide - 1 - last))
    return np.asarray(cv2.dilate(left, kernel, anchor=(last, last)), np.uint8)


def _outlines(planes: Iterable[F64], half: float) -> F64:
    """Photo px (n, 4, 2) of squares ``half`` cells from the tags' middles; 5 is a tag's own edge."""
    ends = np.array([[-half, half, 1.0], [half, half, 1.0], [half, -half, 1.0], [-half, -half, 1.0]])
    q = ends @ np.array([*planes]).reshape(-1, 3, 3).transpose(0, 2, 1)
    return np.asarray(q[..., :2] / q[..., 2:], np.float64)


def _filled(out: NDArray[np.uint8], found: dict[int, Tag], half: float, level: int, value: int) -> NDArray[np.uint8]:
    """``out``, of a pyramid level's size, with the same squares filled."""
    for square in np.rint((_outlines((tag.H for tag in found.values()), half) + 0.5) / 2**level - 0.5).astype(np.int32):
        cv2.fillConvexPoly(out, square, value)
    return out


def _left_over(textured: NDArray[np.uint8], level: int, found: dict[int, Tag], half: bool) -> list[_Box]:
    """Textured places that no found tag explains, px of the textures' ``level``."""
    left_over = _filled(textured.copy(), found, 6.0, level, 0)
    opened = _opened(left_over, _LEAST_PLACE if half else 2 * _LEAST_PLACE + 1)
    left_over = np.asarray(cv2.dilate(opened, np.ones((3, 3) if half else (5, 5), np.uint8)), np.uint8)
    blobs, _ = cv2.findContours(left_over, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return [(left, top, left + w, top + h, left_over[top:top + h, left:left + w])
            for left, top, w, h in map(cv2.boundingRect, blobs)]


def _boxes(places: list[_Box], field: int, level: int, shape: tuple[int, ...]) -> list[_Box]:
    """The boxes of places on the level ``field`` in the image of another level, of ``shape``."""
    grow = 2.0**(field - level)
    height, width = shape
    out = []
    for *ends, mask in places:
        left, top, right, bottom = (int(v * grow) for v in ends)
        right, bottom = min(right, width), min(bottom, height)
        if right - left >= 8 and bottom - top >= 8:
            large = cv2.resize(mask, (right - left, bottom - top), interpolation=cv2.INTER_NEAREST)
            out.append((left, top, right, bottom, np.asarray(large, np.uint8)))
    return out


def _with_corners(places: list[_Box], field: int, pyramid: list[NDArray[np.uint8]],
                  hopeless: dict[tuple[int, ...], bool]) -> list[_Box]:
    """The places, px of the level ``field``, that show the saddles of half a ring at least in one of the sizes.

    What was found of places is kept in ``hopeless``.
    """
    out = []
    for place in places:
        key = (*place[:4], cv2.countNonZero(place[4]))
        if key not in hopeless:
            hopeless[key] = True
            for level in range(len(pyramid) - 1, -1, -1):  # the small pictures are looked through soonest
                img = pyramid[level]
                for left, top, right, bottom, mask in _boxes([place], field, level, img.shape):
                    peaks = _saddle_peaks(img[top:bottom, left:right], mask)[0]
                    hopeless[key] &= len(peaks) < _LEAST_PEAKS
                if not hopeless[key]:
                    break
        if not hopeless[key]:
            out.append(place)
    return out


def looks_mirrored(gray: NDArray[np.uint8], codes: Iterable[int]) -> bool:
    """Whether tags read only in the mirror image: a print made back to front, or a mirrored (selfie) photo."""
    flipped = np.ascontiguousarray(gray[:, ::-1])
    return len(find_tags(flipped, codes)) >= 1


def _keep(found: dict[int, Tag], new: dict[int, Tag]) -> None:
    for code, tag in new.items():
        if code not in found or tag.ring + tag.code > found[code].ring + found[code].code:
            found[code] = tag


def _to_photo(quads: F64, level: int) -> F64:
    """Places on a pyramid level, px, to the photo's own px."""
    return (quads + 0.5) * 2**level - 0.5


def _outside(quads: F64, found: dict[int, Tag]) -> F64:
    """Quads whose centre lies on no tag found so far."""
    if len(quads) == 0 or not found:
        return quads
    box = _outlines((tag.H for tag in found.values()), 5.0)
    side = np.roll(box, -1, axis=1) - box
    rel = quads.mean(axis=1)[:, None, None] - box
    turn = side[..., 0] * rel[..., 1] - side[..., 1] * rel[..., 0]
    return quads[~((turn > 0).all(axis=2) | (turn < 0).all(axis=2)).any(axis=1)]


def _contour_quads(img: NDArray[np.uint8], grain: float, boxes: list[_Box], block: int) -> F64:
    """Outlines of dark four-cornered patches in the boxes, (n, 4, 2) px: where a code's black border stands free."""
    out: list[NDArray[np.int32]] = []
    for left, top, right, bottom, mask in boxes:
        part = img[top:bottom, left:right]
        out += _dark_patches(part, mask, block, _darker_by(part, grain), (left, top), False)
    return np.array(out, np.float64).reshape(-1, 4, 2)


def _sharpened_quads(img: NDArray[np.uint8], grain: float, boxes: list[_Box], block: int) -> F64:
    """The same in the boxes enlarged twofold and sharpened: for narrow gaps between border and ring, (n, 4, 2) px."""
    out: list[NDArray[np.int32]] = []
    for left, top, right, bottom, mask in boxes:
        part = img[top:bottom, left:right]
        crisp = cv2.addWeighted(part, 3, cv2.GaussianBlur(part, (0, 0), 1.5), -2, 0, dtype=cv2.CV_16S)
        large = cv2.resize(crisp, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        sharp = np.asarray(np.clip(large, 0, 255), np.uint8)
        wide = np.asarray(cv2.resize(mask, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST), np.uint8)
        step = _darker_by(part, grain)
        out += _dark_patches(sharp, wide, block, step, (2 * left, 2 * top), True)
    return (np.array(out, np.float64).reshape(-1, 4, 2) + 0.5) / 2 - 0.5


def _darker_by(img: NDArray[np.uint8], grain: float) -> float:
    """Grey levels under the mean of its neighbours that make a pixel dark: a share of the contrast, above noise."""
    below = np.bincount(img[::3, ::3].ravel(), minlength=256).cumsum()
    low, high = np.searchsorted(below, np.array([0.05, 0.95]) * below[-1])
    return max(0.06 * float(high - low), min(max(2 * grain, 3.5), 9.0))


def _dark_patches(img: NDArray[np.uint8], mask: NDArray[np.uint8], block: int, step: float,
                  offset: tuple[int, int], grainy: bool) -> list[NDArray[np.int32]]:
    """Four corners (4, 2) of each convex four-cornered outline, dark against its ``block`` px neighbourhood.

    ``grainy``: there are thousands of specks, quicker dropped than followed.
    """
    dark = cv2.adaptiveThreshold(img, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, block, step)
    patches = np.asarray(cv2.bitwise_and(dark, mask), np.uint8)
    if grainy:
        patches = _without_specks(patches)
    contours, _ = cv2.findContours(patches, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE, offset=offset)
    out = []
    for contour in contours:
        if _LEAST_OUTLINE <= len(contour) <= 2000:
            poly = cv2.approxPolyDP(contour, 0.05 * len(contour), True)
            if len(poly) == 4 and cv2.isContourConvex(poly):
                out.append(np.asarray(poly[:, 0], np.int32))
    return out


def _without_specks(dark: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The patches that are large enough for a code's border."""
    _, label, box, _ = cv2.connectedComponentsWithStats(dark, connectivity=8, ltype=cv2.CV_16U
                                                        if dark.size < 2**17 else cv2.CV_32S)
    large = 2 * (box[:, cv2.CC_STAT_WIDTH] + box[:, cv2.CC_STAT_HEIGHT]) >= _LEAST_OUTLINE
    large[0] = False
    return np.where(large, np.uint8(255), np.uint8(0)).take(np.asarray(label))


def _ring_quads(img: NDArray[np.uint8], grain: float, boxes: list[_Box]) -> F64:
    """Code squares inside rings of saddle corners, (n, 4, 2) px: works where the border runs into the ring.

    Neighbouring corners of a checker pattern are saddles of opposite sense, joined along an edge. Closed chains
    of such neighbours are gathered, and a chain's four-cornered hull is taken for the square of the ring's
    corners. With ``boxes`` only there.
    """
    maps = []
    for left, top, right, bottom, mask in boxes:
        peaks, derivatives = _saddle_peaks(img[top:bottom, left:right], mask)
        if len(peaks) < _LEAST_PEAKS:
            continue
        place, second = _saddle_map(peaks, *derivatives)
        if len(place) < 14:
            continue
        strength = second[:, 2]**2 - second[:, 0] * second[:, 1]
        # a ring has 32 corners of much the same strength: far weaker ones are paper grain
        real = strength > 0.15 * np.partition(strength, -14)[-14]
        if real.sum() < 20:
            continue
        maps.append((place[real] + np.array([left, top]), second[real]))
    if not maps:
        return np.zeros((0, 4, 2))
    uv, hess = np.concatenate([m[0] for m in maps]), np.concatenate([m[1] for m in maps])
    if len(uv) < 14:
        return np.zeros((0, 4, 2))
    strength = np.sqrt(hess[:, 2]**2 - hess[:, 0] * hess[:, 1])
    distance, near = _nearest(uv, 8)
    # the outer corners of black cells are saddles too, about half as strong in this measure
    real = strength > 0.65 * np.where(distance < 32, strength[near], 0).max(axis=1)
    uv, hess, strength = uv[real], hess[real], strength[real]
    if len(uv) < 14:
        return np.zeros((0, 4, 2))
    distance, near = _nearest(uv, 13)
    distance, near = distance[:, 1:], near[:, 1:]
    distance = np.maximum(distance, 0.5)  # two peaks on one plateau may fall together
    d = uv[near] - uv[:, None]

    def bend(h: F64) -> F64:
        return (h[..., 0] * d[..., 0]**2 + h[..., 1] * d[..., 1]**2 + 2 * h[..., 2] * d[..., 0] * d[..., 1]
                ) / distance**2

    sense = np.stack([hess[:, 0] - hess[:, 1], 2 * hess[:, 2]], axis=1)
    sense /= np.linalg.norm(sense, axis=1, keepdims=True)
    link = ((sense[:, None] * sense[near]).sum(axis=2) < -0.5) & (distance > 1.2) & (distance < _REACH)
    slack = 0.6 + 1.5 / distance  # of twice the sine between the step and the edge; near steps are coarse
    off_here = np.abs(bend(hess[:, None])) / strength[:, None]
    off_there = np.abs(bend(hess[near])) / strength[near]
    link &= (off_here < slack) & (off_there < slack)
    cost = distance * (1 + 2 * (off_here + off_there))
    # each corner keeps the nearest such neighbour along each of its four edges, where the choice is mutual
    half = 0.5 * np.arctan2(sense[:, 1], sense[:, 0])
    turn = (np.arctan2(d[..., 1], d[..., 0]) - half[:, None]) % (2 * np.pi)
    quarter = (turn // (np.pi / 2)).astype(int)
    i, j = [], []
    for q in range(4):
        far = np.where(link & (quarter == q), cost, np.inf)
        first = far.argmin(axis=1)
        has = np.flatnonzero(np.isfinite(far[np.arange(len(uv)), first]))
        i.append(has)
        j.append(near[has, first[has]])
    one, other = np.concatenate(i), np.concatenate(j)
    way = one * len(uv) + other
    mutual = (one < other) & np.isin(other * len(uv) + one, way)
    one, other = one[mutual], other[mutual]
    alive = np.ones(len(uv), bool)
    for _ in range(2):  # in a closed ring every corner has two neighbours: strands that hang off it go
        both = alive[one] & alive[other]
        alive &= np.bincount(np.concatenate([one[both], other[both]]), minlength=len(uv)) >= 2
    if alive.sum() < 14:
        return np.zeros((0, 4, 2))
    both = alive[one] & alive[other]
    label = _chains(len(uv), one[both], other[both])
    label[~alive] = -1
    out = []
    ring = np.array([[-4.0, 4.0], [4.0, 4.0], [4.0, -4.0], [-4.0, -4.0]], np.float32)
    size = np.bincount(label[alive])
    for k in np.flatnonzero((size >= 14) & (size <= 90)):
        hull = cv2.convexHull(uv[label == k].astype(np.float32))
        if len(hull) < 4 or cv2.contourArea(hull) < 100:
            continue
        quad = np.asarray(cv2.approxPolyN(hull, 4), np.float32).reshape(-1, 2)
        if len(quad) == 4:
            h = np.asarray(cv2.getPerspectiveTransform(ring, quad), np.float64)
            out.append(project(h, code_corners(float(CELLS))))
    return np.array(out, np.float64).reshape(-1, 4, 2)


def _nearest(uv: F64, count: int) -> tuple[F64, NDArray[np.intp]]:
    """Distances and numbers, (n, count) or fewer, of the points nearest to each, itself first.

    Only those up to ``_REACH`` px away are sure to be the nearest.
    """
    count = min(count, len(uv))
    if len(uv) > _MANY:
        from scipy.spatial import cKDTree  # takes longer to load than a photo takes otherwise

        distance, near = cKDTree(uv).query(uv, k=count)
        return np.asarray(distance, np.float64), np.asarray(near, np.intp)
    along = int(np.ptp(uv[:, 1]) > np.ptp(uv[:, 0]))
    order = np.argsort(uv[:, along], kind="stable")
    at = uv[order].astype(np.float32)
    near = np.empty((len(uv), count), np.intp)
    for first in range(0, len(uv), 64):
        part = at[first:first + 64]
        low, high = np.searchsorted(at[:, along], part[[0, -1], along] + np.array([-_REACH, _REACH], np.float32))
        high = min(max(high, low + count), len(uv))
        low = min(low, high - count)
        far = (part[:, :1] - at[low:high, 0])**2 + (part[:, 1:] - at[low:high, 1])**2
        far[np.arange(len(part)), first - low + np.arange(len(part))] = -1  # two may lie on one place
        some = np.argpartition(far, count - 1, axis=1)[:, :count]
        away = np.take_along_axis(far, some, axis=1)
        by_distance = np.argsort(away, axis=1, kind="stable")
        near[order[first:first + 64]] = order[low + np.take_along_axis(some, by_distance, axis=1)]
    return np.linalg.norm(uv[near] - uv[:, None], axis=2), near


def _chains(count: int, one: NDArray[np.intp], other: NDArray[np.intp]) -> NDArray[np.intp]:
    """The least number that each of ``count`` points is joined to, by links between ``one`` and ``other``."""
    label = np.arange(count)
    while True:
        before = label.copy()
        least = np.minimum(label[one], label[other])
        np.minimum.at(label, one, least)
        np.minimum.at(label, other, least)
        label = label[label]
        if (label == before).all():
            return label


def _saddle_peaks(img: NDArray[np.uint8], mask: NDArray[np.uint8]) -> tuple[NDArray[np.int32], tuple[Any, ...]]:
    """Pixels (n, 2) where a picture is most like a saddle, and its second derivatives xx, yy, xy and strength."""
    smooth = cv2.GaussianBlur(img, (0, 0), 0.8)
    xx = cv2.Sobel(smooth, cv2.CV_16S, 2, 0)
    yy = cv2.Sobel(smooth, cv2.CV_16S, 0, 2)
    xy = cv2.Sobel(smooth, cv2.CV_16S, 1, 1)
    strength = cv2.subtract(cv2.multiply(xy, xy, dtype=cv2.CV_32F), cv2.multiply(xx, yy, dtype=cv2.CV_32F))
    peak = cv2.compare(strength, cv2.dilate(strength, _NEXT), cv2.CMP_GE)
    strong = cv2.compare(strength, np.array(_LEAST_SADDLE), cv2.CMP_GT)
    at = cv2.findNonZero(cv2.bitwise_and(cv2.bitwise_and(peak, strong), mask))
    places = np.zeros((0, 2), np.int32) if at is None else np.asarray(at, np.int32).reshape(-1, 2)
    return places, (xx, yy, xy, strength)


def _saddle_map(peaks: NDArray[np.int32], xx: NDArray[Any], yy: NDArray[Any], xy: NDArray[Any], strength: F32
                ) -> tuple[F64, F64]:
    """Saddle points (n, 2) px and their second derivatives (n, 3): uu, vv, uv in Sobel units."""
    u, v = peaks.T
    # to a fraction of a pixel by the parabola through the neighbours: cells may be only 2 px apart
    h, w = strength.shape
    inside = (u > 0) & (v > 0) & (u < w - 1) & (v < h - 1)
    u, v = u[inside], v[inside]
    mid = strength[v, u]
    left, right, up, down = strength[v, u - 1], strength[v, u + 1], strength[v - 1, u], strength[v + 1, u]
    du = 0.5 * (left - right) / np.minimum(left + right - 2 * mid, -1e-3)
    dv = 0.5 * (up - down) / np.minimum(up + down - 2 * mid, -1e-3)
    place = np.stack([u + np.clip(du, -0.5, 0.5), v + np.clip(dv, -0.5, 0.5)], axis=1).astype(np.float64)
    return place, np.stack([xx[v, u], yy[v, u], xy[v, u]], axis=1).astype(np.float64)


def _from_code(quad: F64) -> F64:
    """Homography tag cells to px from the code's corners (4, 2), clockwise from upper left as read."""
    src = code_corners(float(CELLS)).astype(np.float32)
    return np.asarray(cv2.getPerspectiveTransform(src, quad.astype(np.float32)), np.float64)


@functools.cache
def code_cells(code: int) -> NDArray[np.float64]:
    """(8, 8) of the code as printed, rows from the top: 1 white, -1 black."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    img = cv2.aruco.generateImageMarker(dictionary, code, _CODE_CELLS)
    return np.where(np.asarray(img) > 127, 1.0, -1.0)


@functools.cache
def _turned_codes() -> F32:
    """(587, 4, 64): every code in four quarter turns, mean removed, unit length."""
    upright = np.stack([code_cells(c) for c in _CODES])
    books = np.stack([np.rot90(upright, k, axes=(1, 2)).reshape(len(_CODES), -1) for k in range(4)], axis=1)
    books -= books.mean(axis=2, keepdims=True)
    return (books / np.linalg.norm(books, axis=2, keepdims=True)).astype(np.float32)


def _sample(img: NDArray[Any], uv: F64) -> F32:
    """Bilinear grey at pixel places (..., 2); places off the image take its edge."""
    shape = uv.shape[:-1]
    flat = uv.reshape(-1, 2).astype(np.float32)
    out = np.empty(len(flat), np.float32)
    for start in range(0, len(flat), 16384):  # remap handles at most 32767 in a row
        part = flat[start:start + 16384]
        out[start:start + 16384] = cv2.remap(img, part[:, 0][None], part[:, 1][None], cv2.INTER_LINEAR,
                                             borderMode=cv2.BORDER_REPLICATE)[0]
    return out.reshape(shape)


def _in_quads(quads: F64, at: F64) -> F64:
    """Pixels (n, k, 2) of places ``at`` (k, 2) of the unit square, its corners at the quads' (n, 4, 2) in turn.

    Square to quadrilateral in closed form (Heckbert 1989, section 2.2.3, from memory).
    """
    p0, p1, p2, p3 = (quads[:, i] for i in range(4))
    d1, d2, d3 = p1 - p2, p3 - p2, p0 - p1 + p2 - p3
    det = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
    det = np.where(np.abs(det) < 1e-9, 1e-9, det)
    g = ((d3[:, 0] * d2[:, 1] - d3[:, 1] * d2[:, 0]) / det)[:, None]
    h = ((d1[:, 0] * d3[:, 1] - d1[:, 1] * d3[:, 0]) / det)[:, None]
    a, b = p1 - p0 + g * p1, p3 - p0 + h * p3
    x, y = at[:, 0], at[:, 1]
    w = 1 + g * x + h * y
    return np.stack([(a[:, i:i + 1] * x + b[:, i:i + 1] * y + p0[:, i:i + 1]) / w for i in range(2)], axis=2)


def _soft_decode(gray: NDArray[np.uint8], quads: F64, codes: NDArray[np.int_]) -> dict[int, list[F64]]:
    """First homographies by code: quads (n, 4, 2) px whose grey cells correlate with a wanted code in one of the
    four turns; the best two for each code.
    """
    if len(quads) == 0 or len(codes) == 0:
        return {}
    side = np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2)
    # clockwise as seen on the image (v down), as every unmirrored code appears
    area = 0.5 * (quads[:, :, 0] * np.roll(quads[:, :, 1], -1, 1) - quads[:, :, 1] * np.roll(quads[:, :, 0], -1, 1)
                  ).sum(axis=1)
    quads = np.where(area[:, None, None] < 0, quads[:, ::-1], quads)
    quads = quads[(side.max(axis=1) > 9) & (side.min(axis=1) > 4) & (np.abs(area) > 60)]
    if len(quads) == 0:
        return {}
    centres = (np.arange(_CODE_CELLS) + 0.5) / _CODE_CELLS
    jitter = np.array([-0.2, 0.2]) / _CODE_CELLS
    t = (centres[:, None] + jitter).ravel()
    xx, yy = np.meshgrid(t, t)
    places = _in_quads(quads, np.stack([xx.ravel(), yy.ravel()], 1))
    grey = _sample(gray, places).reshape(len(quads), _CODE_CELLS, 2, _CODE_CELLS, 2).mean(axis=(2, 4))
    rim = np.ones((_CODE_CELLS, _CODE_CELLS), bool)
    rim[1:-1, 1:-1] = False
    # a code's border is evenly darker than its middle: most stray quads fail already here
    inner = grey[:, ~rim]
    dark = grey[:, rim].mean(axis=1) + grey[:, rim].std(axis=1) < inner.mean(axis=1)
    dark &= inner.max(axis=1) - grey[:, rim].mean(axis=1) > 15
    quads, grey = quads[dark], grey[dark]
    if len(quads) == 0:
        return {}
    seen = grey.reshape(len(quads), 64)
    seen = seen - seen.mean(axis=1, keepdims=True)
    seen /= np.maximum(np.linalg.norm(seen, axis=1, keepdims=True), 1e-6)
    score = seen @ _turned_codes()[codes].reshape(-1, 64).T
    best = score.argmax(axis=1)
    peak = score[np.arange(len(score)), best]
    by_code = score.reshape(len(quads), len(codes), 4).max(axis=2)
    out: dict[int, list[F64]] = {}
    for i in np.argsort(-peak):
        if peak[i] < _LEAST_BITS:
            break
        code, turn = divmod(int(best[i]), 4)
        others = np.delete(by_code[i], code)
        if len(others) and peak[i] - others.max() < _LEAST_MARGIN:
            continue
        starts = out.setdefault(int(codes[code]), [])
        if len(starts) < 2:
            # the picture shows the marker turned so many quarter turns anticlockwise
            starts.append(_from_code(np.roll(quads[i], turn, axis=0)))
    return out


# --- alignment ----------------------------------------------------------------------------------------------


@functools.cache
def _grid() -> tuple[F64, NDArray[np.bool_], F32]:
    """Sample places (n, 2) in tag cells, which of them lie on the ring, and the ring's tone (+1 white)."""
    t = (np.arange(CELLS * _PER_CELL) + 0.5) / _PER_CELL - CELLS / 2
    xx, yy = np.meshgrid(t, -t)
    pts = np.stack([xx.ravel(), yy.ravel()], axis=1)
    row, col = np.floor(5 - pts[:, 1]).astype(int), np.floor(pts[:, 0] + 5).astype(int)
    black = np.array([cell_is_black(int(r), int(c)) for r, c in zip(row, col, strict=True)])
    ring = ~((row >= 2) & (row <= 7) & (col >= 2) & (col <= 7))
    return pts, ring, np.where(black, -1, 1).astype(np.float32)


@functools.cache
def _parts() -> tuple[F32, F32]:
    """What a template is made of, softened by about a third of a cell: ring and paper (n,), the code's cells (64, n).

    Each cell as if it were 1 there and nought elsewhere; edges between samples count by their share.
    """
    n, fine = CELLS * _PER_CELL, CELLS * _PER_CELL * _FINER
    t = (np.arange(fine) + 0.5) * CELLS / fine - CELLS / 2
    at = np.floor((t / (CELLS * CODE_SHARE) + 0.5) * _CODE_CELLS).astype(int)
    share = np.stack([(at == k).reshape(n, _FINER).mean(axis=1) for k in range(_CODE_CELLS)]).astype(np.float32)
    cells = (share[:, None, :, None] * share[None, :, None, :]).reshape(-1, n, n)
    ring = _grid()[2].reshape(n, n) * (1 - cells.sum(axis=0))
    edge = functools.partial(cv2.copyMakeBorder, top=4, bottom=4, left=4, right=4, borderType=cv2.BORDER_CONSTANT)
    ground = cv2.GaussianBlur(edge(ring, value=1.0), (0, 0), 0.75)
    soft = [cv2.GaussianBlur(edge(cell), (0, 0), 0.75) for cell in cells]
    return (np.asarray(ground[4:-4, 4:-4], np.float32).ravel(),
            np.stack([v[4:-4, 4:-4].ravel() for v in soft]).astype(np.float32))


def _templates(cells: NDArray[np.float64]) -> F32:
    """Tones (k, n) of prints at the sample places, from their codes' cells (k, 8, 8)."""
    ground, parts = _parts()
    return np.asarray(ground + cells.reshape(len(cells), -1).astype(np.float32) @ parts, np.float32)


@functools.cache
def _template(code: int) -> F32:
    """Tone of one print at the sample places."""
    return _templates(code_cells(code)[None])[0]


def _pyramid(gray: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """Half sizes; level k's pixel p lies at 2^k (p + 0.5) - 0.5 of the photo."""
    out = [gray]
    while min(out[-1].shape) > 200 and len(out) < 5:
        out.append(np.asarray(cv2.resize(out[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8))
    return out


def _cell_px(h: F64) -> F64:
    """Geometric mean size of a cell at the tag's centre, px; homographies (..., 3, 3)."""
    w = h[..., 2, 2]
    right, up = h[..., :2, 0] * w[..., None], h[..., :2, 1] * w[..., None]
    right, up = right - h[..., :2, 2] * h[..., 2:, 0], up - h[..., :2, 2] * h[..., 2:, 1]
    return np.asarray(np.sqrt(np.abs(right[..., 0] * up[..., 1] - right[..., 1] * up[..., 0])) / w**2, np.float64)


@functools.cache
def _coarse_grid() -> F32:
    """Two samples a cell, each amid four of ``_grid``: homogeneous places (n, 3) in tag cells.

    They lie alike on both sides of every cell's edges, or a photo sharper than the template would draw the tag aside.
    """
    pts = np.stack([_coarser(v) for v in _grid()[0].T], axis=1)
    return np.c_[pts, np.ones(len(pts))].astype(np.float32)


def _coarser(values: F64) -> F64:
    """Means of ``_grid``'s samples, two by two."""
    n = CELLS * _PER_CELL // 2
    return np.asarray(values.reshape(n, 2, n, 2).mean(axis=(1, 3)).ravel(), np.float64)


def _flatten(grey: NDArray[Any], side: int) -> F32:
    """Tones (k, side * side) less the mean of their surroundings, over its deviation: evens out a shadow's edge."""
    square = np.asarray(grey, np.float32).reshape(-1, side, side)
    reach = side // CELLS * 2 + 1  # two cells across: half black, half white
    out = np.empty_like(square)
    for k, tone in enumerate(square):
        mean = cv2.blur(tone, (reach, reach), borderType=cv2.BORDER_REPLICATE)
        power = cv2.blur(tone * tone, (reach, reach), borderType=cv2.BORDER_REPLICATE)
        spread = np.sqrt(np.maximum(np.asarray(power) - np.asarray(mean)**2, 0))
        out[k] = (tone - mean) / (spread + 0.1 * float(spread.mean()) + 1e-3)
    return out.reshape(len(square), -1)


@functools.cache
def _align_table(code: int, even: bool) -> F32:
    """What turns a photo's grey into the eight changes of the homography, and the centred tone, (9, n).

    Without ``even`` light both are of the flattened tones.
    """
    n = CELLS * _PER_CELL
    pts = _coarse_grid()
    soft = _template(code).reshape(n, n).astype(np.float64)
    if not even:
        soft = _flatten(soft.ravel()[None], n).reshape(n, n).astype(np.float64)
    down, right = np.gradient(soft)
    gx, gy = _coarser(right) * _PER_CELL, -_coarser(down) * _PER_CELL
    x, y = pts[:, 0].astype(np.float64), pts[:, 1].astype(np.float64)
    slope = gx * x + gy * y
    jac = np.stack([gx * x, gx * y, gx, gy * x, gy * y, gy, -slope * x, -slope * y], axis=1)
    tone = _coarser(soft)
    tone = tone - tone.mean()
    # brightness and contrast are free, in even light white's growth and another blur too: what they explain goes
    blur = _coarser(np.asarray(cv2.Laplacian(soft, cv2.CV_64F, borderType=cv2.BORDER_REPLICATE), np.float64))
    free, _ = np.linalg.qr(np.stack([np.ones(len(tone)), tone, np.hypot(gx, gy), blur][:4 if even else 2], axis=1))
    jac -= free @ (free.T @ jac)
    return np.concatenate([np.linalg.pinv(jac), tone[None]]).astype(np.float32)


def _align(img: NDArray[np.uint8], h0: F64, codes: list[int], steps: int, even: bool = True) -> F64:
    """Homographies (n, 3, 3) moved so that the prints' tones fit the image's.

    Inverse compositional Gauss-Newton (Baker and Matthews 2004): derivatives are the print's, so they are worked
    out once for each code. One that runs away comes back as it went in.
    """
    pts = np.ascontiguousarray(_coarse_grid().T)
    tables = np.stack([_align_table(c, even) for c in codes])
    power = (tables[:, 8]**2).sum(axis=1)
    h = h0 / h0[:, 2:, 2:]
    ends = np.array([[-5.0, 5.0, 1.0], [5.0, 5.0, 1.0], [5.0, -5.0, 1.0], [-5.0, -5.0, 1.0]])
    act = np.arange(len(h))
    for _ in range(steps):
        q = h[act].astype(np.float32) @ pts  # (k, 3, n), so that each of the three lies together
        front = np.asarray(q[:, 2].min(axis=1) > 1e-6, bool)
        w = 1 / np.where(front[:, None], q[:, 2], 1)
        grey = np.asarray(cv2.remap(img, q[:, 0] * w, q[:, 1] * w, cv2.INTER_LINEAR,
                                    borderMode=cv2.BORDER_REPLICATE), np.float32)
        if not even:
            grey = 100 * _flatten(grey, 2 * CELLS)
        told = ((tables if len(act) == len(h) else tables[act]) @ grey[:, :, None])[:, :, 0]
        gain = told[:, 8] / power[act]
        fine = np.array(front & (gain >= 1.0), bool)
        h[act[~fine]] = h0[act[~fine]]
        change = np.eye(3) + np.c_[told[:, :8] / np.maximum(gain, 1.0)[:, None], np.zeros(len(act))].reshape(-1, 3, 3)
        fine &= np.linalg.det(change) > 0.1
        act, change = act[fine], change[fine]
        old = ends @ h[act].transpose(0, 2, 1)
        moved = h[act] @ np.linalg.inv(change)
        moved /= moved[:, 2:, 2:]
        h[act] = moved
        new = ends @ moved.transpose(0, 2, 1)
        move = np.abs(new[..., :2] / new[..., 2:] - old[..., :2] / old[..., 2:]).max(axis=(1, 2))
        act = act[~(move < 0.1) & np.isfinite(moved).all(axis=(1, 2))]
        if len(act) == 0:
            break
    return h


def _correlations(a: F32, b: F32, which: NDArray[np.bool_]) -> F32:
    """Correlation of each row of ``a`` with that of ``b`` over ``which``, all (n, k)."""
    count = np.maximum(which.sum(axis=1, keepdims=True), 1)
    a = np.where(which, a - (a * which).sum(axis=1, keepdims=True) / count, 0)
    b = np.where(which, b - (b * which).sum(axis=1, keepdims=True) / count, 0)
    power = np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1))
    return np.asarray((a * b).sum(axis=1) / np.maximum(power, 1e-9), np.float32)


def _verify(pyramid: list[NDArray[np.uint8]], starts: dict[int, list[F64]],
            placed: bool = False) -> dict[int, Tag]:
    """Align the starts and keep of each code the first whose ring and code both match the print."""
    out: dict[int, Tag] = {}
    doubtful: list[tuple[int, F64]] = []
    for turn in range(max(map(len, starts.values()), default=0)):
        # most codes match at their first start
        tried = [(code, h[turn]) for code, h in starts.items() if code not in out and len(h) > turn]
        doubtful += _matched(pyramid, tried, placed, True, out)
    # a shadow's edge across the tag, or light that falls off steeply: the same with the tones evened out
    _matched(pyramid, [(code, h) for code, h in doubtful if code not in out], placed, False, out)
    return out


def _matched(pyramid: list[NDArray[np.uint8]], tried: list[tuple[int, F64]], placed: bool, even: bool,
             out: dict[int, Tag]) -> list[tuple[int, F64]]:
    """Put the tags that match into ``out``; what is left that resembles one, to be tried in another light."""
    tried = [(code, h) for code, h in tried if np.isfinite(h).all() and abs(h[2, 2]) > 1e-12]
    if not tried:
        return []
    codes, start = np.array([t[0] for t in tried]), np.array([t[1] for t in tried])
    cell = _cell_px(start)
    top = len(pyramid) - 1
    level = np.clip(np.floor(np.log2(np.maximum(cell, 1) / 4.5)), 0, top).astype(int)
    hs = start.copy()
    for at_level in ([np.where(cell > 6, np.minimum(level + 1, top), -1)] if even else []) + [level]:
        for k in np.unique(at_level[at_level >= 0]):
            which = np.flatnonzero(at_level == k)
            down = _down(int(k))
            hs[which] = np.linalg.inv(down) @ _align(pyramid[k], down @ hs[which], codes[which].tolist(), 12, even)
    least = _LEAST_CODE_PLACED if placed else _LEAST_CODE
    doubtful = []
    good = np.flatnonzero(np.isfinite(hs).all(axis=(1, 2)) & (np.abs(hs[:, 2, 2]) >= 1e-12))
    hs[good] /= hs[good][:, 2:, 2:]
    for k in np.unique(level[good]):
        which = good[level[good] == k]
        which, ring, code_like, best = _likeness(pyramid, int(k), hs[which], codes[which], even, which)
        for i, r, c, own in zip(which.tolist(), ring.tolist(), code_like.tolist(), best.tolist(), strict=True):
            code = int(codes[i])
            if r < (_LEAST_RING if even else _LEAST_RING_EVENED):
                if c > 0.5 * least and r > 0.3 * _LEAST_RING:
                    doubtful.append((code, start[i]))
            elif c > least and (placed or own) and code not in out:
                out[code] = Tag(hs[i], project(hs[i], code_corners(float(CELLS))), r, c)
    return doubtful


def _likeness(pyramid: list[NDArray[np.uint8]], level: int, hs: F64, codes: NDArray[np.int_], even: bool,
              which: NDArray[np.intp]) -> tuple[NDArray[np.intp], F32, F32, NDArray[np.bool_]]:
    """Of those of ``which`` that stand rightly in the photo: these, how ring and code correlate with the print, and
    whether no other code of the family fits better. hs (n, 3, 3) to photo px.
    """
    pts, ring, _ = _grid()
    bits = _bits()
    height, width = pyramid[0].shape
    q = hs @ np.ascontiguousarray(np.c_[pts, np.ones(len(pts))].T)  # (k, 3, n)
    upright = (q[:, 2].min(axis=1) > 1e-6) & (np.linalg.det(hs) < 0)
    which, codes, q = which[upright], codes[upright], q[upright]
    u, v = q[:, 0] / q[:, 2], q[:, 1] / q[:, 2]
    seen = (u > -0.5) & (u < width - 0.5) & (v > -0.5) & (v < height - 0.5)
    enough = (seen.mean(axis=1) >= 0.6) & ((bits & seen).sum(axis=1) >= 0.5 * bits.sum())
    which, codes, u, v, seen = which[enough], codes[enough], u[enough], v[enough], seen[enough]
    if len(which) == 0:
        none = np.zeros(0, np.float32)
        return which, none, none, np.zeros(0, bool)
    small = 0.5**level
    at_x, at_y = (((x + 0.5) * small - 0.5).astype(np.float32) for x in (u, v))
    grey = np.asarray(cv2.remap(pyramid[level], at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
                      np.float32)
    tone = np.stack([_template(c) for c in codes.tolist()])
    if not even:
        side = CELLS * _PER_CELL
        grey, tone = _flatten(grey, side), _flatten(tone, side)
    inner, counted = grey[:, bits], seen[:, bits]
    mean = (inner * counted).sum(axis=1) / counted.sum(axis=1)
    fits = np.where(counted, inner - mean[:, None], 0).astype(np.float32)
    best = np.array(_CODES)[(fits @ _all_codes(even).T).argmax(axis=1)] == codes
    code_like = _correlations(grey, tone, bits & seen)
    for i in np.flatnonzero(best & (code_like < _SURE_CODE)):
        # a print seen in a mirror has the same ring and may resemble a code, its own for one
        side = math.isqrt(fits.shape[1])
        mirrored = fits[i].reshape(side, side)[:, ::-1]
        turned = np.stack([np.rot90(mirrored, k).ravel() for k in range(4)], axis=1)
        best[i] = (_all_codes(even) @ fits[i]).max() > (_all_codes(even) @ turned).max()
    return which, _correlations(grey, tone, ring & seen), code_like, best


def _down(level: int) -> F64:
    """Photo px to px of a pyramid level."""
    s = 0.5**level
    return np.array([[s, 0, 0.5 * s - 0.5], [0, s, 0.5 * s - 0.5], [0, 0, 1.0]])


@functools.cache
def _bits() -> NDArray[np.bool_]:
    """Sample places inside the code's black border: border and margin look the same in every tag."""
    pts, _, _ = _grid()
    half = CELLS * CODE_SHARE / 2 * (_CODE_CELLS - 2) / _CODE_CELLS
    return np.asarray((np.abs(pts) < half).all(axis=1), bool)


@functools.cache
def _all_codes(even: bool) -> F32:
    """Unit templates of every code's bits, one row each; without ``even`` light of the flattened tones."""
    cells = np.stack([code_cells(c) for c in _CODES])
    if even:
        ground, parts = _parts()
        books = ground[_bits()] + cells.reshape(len(cells), -1).astype(np.float32) @ parts[:, _bits()]
    else:
        books = _flatten(_templates(cells), CELLS * _PER_CELL)[:, _bits()]
    books -= books.mean(axis=1, keepdims=True)
    return books / np.linalg.norm(books, axis=1, keepdims=True)




def board_homography(found: dict[int, Tag], board: Board) -> F64 | None:
    """Board mm to pixels from the tags found, or None when no board tag was."""
    centres = board.tag_centres()
    mine = [c for c in found if c in centres]
    if not mine:
        return None
    unit = board.tag_mm / CELLS
    corners = code_corners(float(CELLS)) * 1.5
    src = np.concatenate([centres[c] + corners * unit for c in mine])
    dst = np.concatenate([project(found[c].H, corners) for c in mine])
    h, _ = cv2.findHomography(src, dst, cv2.RANSAC, max(4.0, float(_cell_px(found[mine[0]].H))))
    return None if h is None else np.asarray(h, np.float64)


def _predict_board(found: dict[int, Tag], board: Board) -> dict[int, list[F64]]:
    """First homographies of board tags not found yet."""
    h = board_homography(found, board)
    if h is None:
        return {}
    unit = board.tag_mm / CELLS
    out: dict[int, list[F64]] = {}
    for code, centre in board.tag_centres().items():
        if code not in found:
            local = np.array([[unit, 0, centre[0]], [0, unit, centre[1]], [0, 0, 1.0]])
            out[code] = [h @ local]
    return out
