"""Reading photos: grey pixels in the sensor frame, what EXIF says of the lens, and the photos of a shoot."""

from __future__ import annotations

import csv
import hashlib
import io
import posixpath
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from capture.decoding import decode_gray
from capture.errors import UserError

PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif"}
_KINDS = ((b"\xff\xd8\xff", "jpeg"), (b"\x89PNG\r\n\x1a\n", "png"), (b"II*\x00", "tiff"), (b"MM\x00*", "tiff"))
_FULL_FRAME_DIAGONAL = 43.2666  # mm, 36 x 24
_MOST_PIXELS = 100_000_000  # some phones offer 108 or 200: coarser by the pixel, and hundreds of MB each
_LONGEST_CELL = 240  # characters; file systems take 255 bytes a name
_HEIF_BLOCK = 64  # px; encoders fill up to whole blocks at the right and below and cut that away again


@dataclass(frozen=True)
class PhotoMeta:
    """What a photo file says of itself. Sizes in pixels of the sensor frame (before any EXIF turn)."""

    width: int
    height: int
    camera: str = ""
    focal_px_guess: float | None = None
    digital_zoom: float = 1.0
    sha256: str = ""
    notes: tuple[str, ...] = ()


def read_photo(path: Path) -> tuple[NDArray[np.uint8], PhotoMeta]:
    """Grey image (H, W) uint8 in the sensor frame and the photo's own data. The file is only read.

    Raises UserError when the file is missing, empty, cut short, damaged, of more than 100 million pixels, or no JPEG,
    PNG, TIFF or HEIC picture.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as err:
        raise UserError(f"{path.name} cannot be read ({err.strerror or err}): check that the file is there.",
                        "unreadable", path.name) from err
    return decode_photo(data, path.name)


def decode_photo(data: bytes, name: str) -> tuple[NDArray[np.uint8], PhotoMeta]:
    """What ``read_photo`` gives, from a file's bytes; ``name`` is what errors call it. UserError as there."""
    kind = _kind(data)
    if not data:
        raise UserError(f"{name} is empty (0 bytes): copy it from the camera again.", "empty", name)
    if kind is None:
        raise UserError(f"{name} is not a picture this tool reads (JPEG, PNG, TIFF or HEIC), "
                        "whatever its name says: copy the photo from the camera again.", "not_a_picture", name)
    cut = UserError(f"{name} is cut short or damaged: copy it from the camera again.", "cut_short", name)
    if (kind == "jpeg" and not _jpeg_complete(data)) or (kind == "png" and b"IEND" not in data[-64:]):
        raise cut
    large = UserError(f"{name} has more than {_MOST_PIXELS // 1_000_000} million pixels: switch the camera from "
                      "its 108 or 200 megapixel mode to its usual size (12 to 50 million) and take it again.",
                      "too_large", name)
    try:
        if kind == "heif":
            gray, info = _read_heif(data, large)
        else:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # the size is judged here, and what the EXIF data lack is lacking
                with Image.open(io.BytesIO(data)) as img:
                    if img.size[0] * img.size[1] > _MOST_PIXELS:
                        raise large
                    info = _exif(img.getexif(), img.size)
                    turned = int(img.getexif().get(ExifTags.Base.Orientation, 1)) if kind == "tiff" else 1
            decoded, damaged = decode_gray(data)
            if decoded is None:
                raise cut
            if damaged:
                raise UserError(f"{name} is damaged inside, so that parts of it stand shifted: copy it from the "
                                "camera again.", "damaged", name)
            gray = _untiff(decoded, turned) if kind == "tiff" else decoded
    except UserError:
        raise
    except Image.DecompressionBombError as err:
        raise large from err
    except Exception as err:  # decoders raise many kinds; whatever they say, the file is the trouble
        raise cut from err
    height, width = gray.shape
    focal, camera, zoom, notes = _lens(info, width, height)
    return gray, PhotoMeta(width, height, camera, focal, zoom, hashlib.sha256(data).hexdigest(), notes)


def list_shoot(source: Path) -> list[tuple[Path, str, str]]:
    """Photos of a shoot as (path, position label, name), in name order.

    ``source`` is a folder holding one folder for each lever position, or a CSV with the columns ``photo`` (path
    relative to the CSV) and ``position``. Raises UserError when nothing usable is there.
    """
    source = Path(source)
    if not source.exists():
        raise UserError(f"{source} does not exist: give the folder that holds one folder of photos for each "
                        "lever position.", "no_file", str(source))
    if source.is_file():
        return _list_csv(source)
    out = []
    for folder in sorted(p for p in source.iterdir() if p.is_dir() and not p.name.startswith(".")):
        for path in sorted(folder.rglob("*")):
            if is_photo(path):
                _check_name(path.relative_to(source).as_posix(), source)
                out.append((path, folder.name, path.relative_to(source).as_posix()))
    if not out:
        loose = [p for p in source.iterdir() if is_photo(p)]
        if loose:
            raise UserError(f"{source} holds {len(loose)} photo(s) but no folder for each lever position: move the "
                            "photos of each position into a folder named after it.", "no_position_folders", str(source))
        raise UserError(f"{source} holds no photos: put the photos of each lever position into a folder named after "
                        "it (JPEG, PNG, TIFF or HEIC).", "no_photos", str(source))
    return out


def _check_name(name: str, source: Path) -> None:
    """UserError for a name that no table or report can hold."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        shown = name.encode("utf-8", errors="backslashreplace").decode()
        raise UserError(f"The name of {shown} in {source} is not readable text (UTF-8): rename the file or its folder "
                        "with plain letters and digits.", "odd_name", shown) from None


def is_photo(path: Path) -> bool:
    """Whether a file counts as a photo by its name."""
    return path.is_file() and path.suffix.lower() in PHOTO_SUFFIXES and not path.name.startswith(".")


def _list_csv(source: Path) -> list[tuple[Path, str, str]]:
    out = []
    seen: set[str] = set()
    for line, photo, position in _csv_rows(source):
        if not photo:
            raise UserError(f"{source}, line {line}: no photo is named; give its path or delete the line.",
                            "photo_missing", str(source))
        for what, cell in (("photo", photo), ("position", position)):
            if len(cell) > _LONGEST_CELL or not cell.isprintable():
                raise UserError(f"{source}, line {line}: the {what} {cell[:40]!r} is no name: it is longer than "
                                f"{_LONGEST_CELL} characters or holds characters that cannot be shown.",
                                "odd_name", str(source))
        if not position:
            raise UserError(f"{source}, line {line}: {photo} has no lever position; fill in the column position.",
                            "position_missing", photo)
        name = posixpath.normpath(photo.replace("\\", "/"))
        path = source.parent / name
        if not path.is_file():
            raise UserError(f"{source}, line {line}: the photo {name} is not there; paths count from the CSV's "
                            "own folder.", "no_file", name)
        if name in seen:
            raise UserError(f"{source}, line {line}: the photo {name} is listed twice; delete one of the lines.",
                            "listed_twice", name)
        seen.add(name)
        out.append((path, position, name))
    if not out:
        raise UserError(f"{source} lists no photos: add one line for each photo.", "no_photos", str(source))
    return sorted(out, key=lambda row: row[2])


def _csv_rows(source: Path) -> list[tuple[int, str, str]]:
    """Line number, photo and position of every line, as they stand: "NA" is a name like any other."""
    try:
        text = source.read_bytes().decode("utf-8-sig")
        first = text.lstrip().splitlines()[0] if text.strip() else ""
        by = max(",;\t", key=first.count)  # spreadsheets of many countries write semicolons
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=by, skipinitialspace=True, strict=True)
        lines = [(reader.line_num, [c.strip() for c in row]) for row in reader if any(c.strip() for c in row)]
        if not lines:
            raise ValueError("nothing in it")
    except (ValueError, csv.Error, OSError) as err:
        raise UserError(f"{source} cannot be read as a CSV table: it needs a line 'photo,position' and one line "
                        "for each photo, saved as UTF-8.", "unreadable", str(source)) from err
    head = [c.lower() for c in lines[0][1]]
    for name in ("photo", "position"):
        if name not in head:
            raise UserError(f"{source} has no column '{name}': its first line must name the columns "
                            "photo and position.", "column_missing", name)
        if head.count(name) > 1:
            raise UserError(f"{source} has two columns '{name}': delete one of them.", "column_twice", name)
    out = []
    for number, row in lines[1:]:
        if any(row[len(head):]):
            raise UserError(f"{source}, line {number}: there are more cells than columns; put a name that holds the "
                            "separator in quotes.", "too_many_cells", str(source))
        row += [""] * (len(head) - len(row))
        out.append((number, row[head.index("photo")], row[head.index("position")]))
    return out


def _kind(data: bytes) -> str | None:
    for magic, kind in _KINDS:
        if data.startswith(magic):
            return kind
    if data[4:8] != b"ftyp":  # the box that every HEIF file begins with; spares loading the decoder for nothing
        return None
    import pillow_heif

    return "heif" if pillow_heif.is_supported(io.BytesIO(data)) else None


def _jpeg_complete(data: bytes) -> bool:
    """Whether the first picture in a JPEG file runs to its end marker (ITU-T T.81, B.1.1.3 and B.2.1).

    Decoders fill a missing lower part with grey and keep quiet. Thumbnails in the header have end markers of
    their own, so header segments are skipped before looking; in scan data FF D9 can only be the end.
    """
    pos = 2
    while pos + 4 <= len(data):
        if data[pos] != 0xFF:
            return False
        marker = data[pos + 1]
        if marker == 0xFF:
            pos += 1
            continue
        size = int.from_bytes(data[pos + 2:pos + 4], "big")
        pos += 2 + size
        if marker == 0xDA:
            return data.find(b"\xff\xd9", pos) >= 0
    return False


def _untiff(gray: NDArray[np.uint8], turned: int) -> NDArray[np.uint8]:
    """TIFF pixels turned back to the stored order: its decoder applies the orientation tag whatever it is told."""
    if turned in (2, 3, 6, 7):
        gray = gray[:, ::-1]
    if turned in (3, 4, 7, 8):
        gray = gray[::-1]
    return np.ascontiguousarray(gray.T if turned >= 5 else gray)


def _read_heif(data: bytes, large: UserError) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Grey HEIC pixels turned back to the sensor frame: the decoder has already applied the stored turns.

    ``large`` is raised for more pixels than are read.
    """
    import pillow_heif

    heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
    if heif.size[0] * heif.size[1] > _MOST_PIXELS:
        raise large
    img = heif.to_pillow()
    info = _exif(img.getexif(), img.size)
    try:
        applied = heif[heif.primary_index]._c_image.transformations  # not public there; no other call tells it
    except AttributeError:
        raise UserError("HEIC photos cannot be turned back to the sensor's frame with the pillow-heif installed "
                        "here: send the photos as JPEG, or install the version that rigtrue asks for.",
                        "heif_reader") from None
    gray, info["cropped"] = _unturned(np.asarray(img.convert("L"), np.uint8), applied)
    return gray, info


def _unturned(gray: NDArray[np.uint8], applied: Sequence[tuple[Any, ...]]) -> tuple[NDArray[np.uint8], bool]:
    """Pixels before the turns and mirrors that a HEIC file asks for, and whether it also crops the picture.

    ``applied`` holds, in the order in which the decoder went through them, ("irot", degrees anticlockwise),
    ("imir", 0 top to bottom or 1 left to right) and ("clap", left, top, right, bottom cut away, px); ISO/IEC
    23008-12, 6.5.9 to 6.5.12 (from memory).
    """
    cropped = False
    for kind, *values in reversed(applied):
        if kind == "irot":
            gray = np.rot90(gray, -(values[0] // 90))
        elif kind == "imir":
            gray = gray[:, ::-1] if values[0] else gray[::-1]
        elif kind == "clap":
            left, top, right, bottom = values
            cropped |= bool(left or top or max(right, bottom) >= _HEIF_BLOCK)
    return np.ascontiguousarray(gray), cropped


def _exif(exif: Image.Exif, size: tuple[int, int]) -> dict[str, Any]:
    base, detail = ExifTags.Base, exif.get_ifd(ExifTags.IFD.Exif)
    info: dict[str, Any] = {"size": size, "make": exif.get(base.Make), "model": exif.get(base.Model)}
    for key, tag in (("f", base.FocalLength), ("f35", base.FocalLengthIn35mmFilm), ("zoom", base.DigitalZoomRatio),
                     ("plane", base.FocalPlaneXResolution), ("unit", base.FocalPlaneResolutionUnit),
                     ("exif_width", base.ExifImageWidth), ("exif_height", base.ExifImageHeight)):
        info[key] = _number(detail.get(tag))
    return info


def _number(value: Any) -> float | None:
    try:
        out = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return out if np.isfinite(out) and out > 0 else None


def _lens(info: dict[str, Any], width: int, height: int) -> tuple[float | None, str, float, tuple[str, ...]]:
    """Focal length in pixels, camera name, digital zoom and remarks.

    35 mm equivalent: same diagonal angle of view as a 36 x 24 mm frame (CIPA DCG-001, from memory), so
    f_px = f35 / 43.27 mm * diagonal in pixels. Otherwise focal length times focal-plane resolution (Exif 2.32,
    FocalPlaneXResolution, unit 2 inch, 3 cm, 4 mm).
    """
    notes: list[str] = []
    words = [str(w).strip("\x00 ") for w in (info.get("make"), info.get("model")) if w]
    camera = " ".join(words)
    focal = None
    exif_size = sorted(v for v in (info.get("exif_width"), info.get("exif_height")) if v)
    shrunk = len(exif_size) == 2 and exif_size != sorted([float(width), float(height)])
    if info.get("f35"):
        focal = info["f35"] / _FULL_FRAME_DIAGONAL * float(np.hypot(width, height))
    elif info.get("f") and info.get("plane"):
        per_mm = info["plane"] / {3.0: 10.0, 4.0: 1.0}.get(info.get("unit") or 2.0, 25.4)
        grown = max(width, height) / exif_size[-1] if shrunk else 1.0
        focal = info["f"] * per_mm * grown
    if focal is not None and not 0.2 < focal / max(width, height) < 20:
        focal = None
    if info.get("cropped"):
        notes.append("was cropped after it was taken: the lens is not in its middle any more; send photos as taken")
    if shrunk:
        notes.append(f"is {width} x {height} pixels but left the camera as {exif_size[1]:.0f} x {exif_size[0]:.0f}: "
                     "it was shrunk or cropped on the way; send photos as files")
    return focal, camera, info.get("zoom") or 1.0, tuple(notes)
