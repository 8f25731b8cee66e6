"""The measured axes, rods and ball centres drawn over the builder's own photos.

A line that misses the real rod in the photo shows a mistake that a table would hide.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageDraw, ImageFont, ImageOps

from calib.estimation.camera import project
from calib.linkage.mechanism import body_motions, carried
from calib.results import Fit
from calib.rig.model import FRAME, Rig
from capture.errors import UserError
from capture.observations import PhotoInfo
from capture.photos import read_photo

Array = NDArray[np.float64]
ROD, AXIS, BALL, HALO = (0, 114, 178), (213, 94, 0), (0, 158, 115), (255, 255, 255)
SHOWN_PX = 1200


@dataclass(frozen=True)
class Stroke:
    """A polyline in frame axes, (n, 3) mm. ``kind``: rod, axis or ball (a single point)."""

    kind: str
    name: str
    xyz: Array


def strokes(rig: Rig, angles: Mapping[str, float]) -> list[Stroke]:
    """What is drawn for one set of joint angles (rad from straight ahead), in frame axes, mm."""
    motion = body_motions(rig, angles)

    out: list[Stroke] = []
    along = np.linspace(-70.0, 70.0, 9)[:, None]
    for b in rig.bodies.values():
        if b.role == "wheel":
            continue  # the wheel's spin axis would hide the kingpin
        # the hinge is fixed in the parent; the body's own motion leaves it where it is
        out.append(Stroke("axis", b.name, carried(motion, b.parent, np.asarray(b.pivot) + along * np.asarray(b.axis))))
    balls = {p.name: carried(motion, p.body, np.asarray(p.xyz)[None, :]) for p in rig.points.values()}
    part = np.linspace(0.0, 1.0, 13)[:, None]
    for rod in rig.rods.values():
        a, c = balls[rod.a], balls[rod.b]
        out.append(Stroke("rod", rod.name, a + part * (c - a)))
    return out + [Stroke("ball", n, xyz) for n, xyz in balls.items()]


def to_pixels(fit: Fit, photo: str, xyz: Array, motion_board: tuple[Array, Array] | None = None) -> Array:
    """Sensor-frame pixels (n, 2) of frame points (n, 3) mm in one photo; NaN behind or far outside the lens.

    ``motion_board`` moves the board's body from straight ahead, where it is not fixed to the frame.
    """
    p, c = fit.photos[photo], fit.camera
    if motion_board is not None:
        xyz = (xyz - motion_board[1]) @ motion_board[0]
    cam = ((xyz - fit.board_t) @ fit.board_R) @ p.R.T + p.t
    with np.errstate(divide="ignore", invalid="ignore"):
        # beyond about 50 degrees off the middle the distortion terms say nothing
        bad = (cam[:, 2] < 1.0) | (np.hypot(cam[:, 0], cam[:, 1]) > 1.2 * cam[:, 2])
        lens = np.array([c.f, c.aspect, c.cx, c.cy, *np.asarray(c.dist, float)[:5]])
        uv = project(cam, lens, p.df, np.asarray(p.dc, float))
    uv[bad] = np.nan
    return uv


def upright(uv: Array, orientation: int, width: int, height: int) -> Array:
    """Sensor-frame pixels moved into the photo turned upright as its EXIF orientation (1 to 8) says.

    ``width`` and ``height`` are the sensor frame's. Orientation values: EXIF 2.32, tag 0x0112.
    """
    x, y = uv[..., 0], uv[..., 1]
    w, h = width - 1, height - 1
    pairs = {1: (x, y), 2: (w - x, y), 3: (w - x, h - y), 4: (x, h - y), 5: (y, x), 6: (h - y, x),
             7: (h - y, w - x), 8: (y, w - x)}
    a, b = pairs.get(orientation, (x, y))
    return np.stack([a, b], axis=-1)


def draw_over(fit: Fit, info: PhotoInfo) -> Image.Image | None:
    """One photo, upright and about SHOWN_PX on its long edge, with the measured parts over it.

    None where the picture is gone or is not the one that was measured (size differs).
    """
    opened = _opened(info)
    if opened is None:
        return None
    shown, orientation = opened
    shown.thumbnail((SHOWN_PX, SHOWN_PX))
    wide = info.width if orientation < 5 else info.height
    scale = shown.width / wide
    position = fit.photos[info.name].position
    angles = {b: a for (b, at), a in fit.joint_angles.items() if at == position}
    rig = fit.as_built.rig
    board = None if rig.board.body == FRAME else body_motions(rig, angles)[rig.board.body]
    pen = ImageDraw.Draw(shown)
    font = ImageFont.load_default(size=max(14, round(shown.width / 52)))
    names: list[tuple[str, tuple[float, float], tuple[int, int, int]]] = []
    for s in strokes(rig, angles):
        uv = upright(to_pixels(fit, info.name, s.xyz, board), orientation, info.width, info.height)
        # pixel centres are at whole numbers in both pictures
        uv = (uv + 0.5) * scale - 0.5
        keep = np.isfinite(uv).all(axis=1)
        keep &= (np.abs(uv - [shown.width / 2, shown.height / 2]) < 2 * SHOWN_PX).all(axis=1)
        line = [(float(a), float(b)) for a, b in uv[keep]]
        colour = {"rod": ROD, "axis": AXIS, "ball": BALL}[s.kind]
        if s.kind == "ball":
            for x, y in line:
                pen.ellipse((x - 6, y - 6, x + 6, y + 6), outline=HALO, width=4)
                pen.ellipse((x - 5, y - 5, x + 5, y + 5), outline=colour, width=2)
            continue
        if len(line) < 2:
            continue
        pen.line(line, fill=HALO, width=7)
        pen.line(line, fill=colour, width=3)
        names.append((s.name.replace("_", " "), line[len(line) // 2] if s.kind == "rod" else line[-1], colour))
    taken: list[tuple[float, float, float, float]] = []
    for text, at, colour in names:  # last, so that no line runs through a name
        _label(pen, font, text, at, colour, taken, shown.size)
    return shown


def _opened(info: PhotoInfo) -> tuple[Image.Image, int] | None:
    """The photo in colour, upright, and the EXIF orientation that took the sensor frame there."""
    try:
        if Path(info.path).suffix.lower() in (".heic", ".heif"):
            return _opened_heif(info)
        image = Image.open(info.path)
        if image.size != (info.width, info.height):
            return None
        shown = SHOWN_PX / max(image.size)
        image.draft("RGB", (math.ceil(shown * image.width), math.ceil(shown * image.height)))  # decoded no larger
        orientation = int(image.getexif().get(ExifTags.Base.Orientation, 1))
        ImageOps.exif_transpose(image, in_place=True)
        return image if image.mode == "RGB" else image.convert("RGB"), orientation
    except (OSError, ValueError, UserError):
        return None


def _opened_heif(info: PhotoInfo) -> tuple[Image.Image, int] | None:
    """A HEIC decoder turns the picture itself, so the turn is found by comparing with the measured sensor frame."""
    from pillow_heif import register_heif_opener

    register_heif_opener()
    shown = Image.open(info.path).convert("RGB")
    decoded = np.asarray(shown.convert("L"), float)[::16, ::16]
    sensor = read_photo(Path(info.path))[0]
    if sensor.shape != (info.height, info.width):
        return None
    off = {}
    for orientation, quarters in ((1, 0), (8, 1), (3, 2), (6, 3)):
        turned = np.rot90(sensor, quarters)[::16, ::16]
        if turned.shape == decoded.shape:
            off[orientation] = float(np.abs(turned - decoded).mean())
    best = min(off, key=lambda k: off[k])
    return (shown, best) if off[best] < 2.0 else None  # grey levels; a mirrored picture fits no turn


def _label(pen: ImageDraw.ImageDraw, font: ImageFont.ImageFont | ImageFont.FreeTypeFont, text: str,
           at: tuple[float, float], colour: tuple[int, int, int], taken: list[tuple[float, float, float, float]],
           size: tuple[int, int]) -> None:
    """Write a name beside a line, moved down while it would lie on another."""
    x, y = at[0] + 8, at[1] + 4
    if not (0 <= at[0] < size[0] and 0 <= at[1] < size[1]):
        return
    box = pen.textbbox((x, y), text, font=font)
    x -= max(0.0, box[2] + 4 - size[0])
    for _ in range(8):
        box = pen.textbbox((x, y), text, font=font)
        if not any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in taken):
            break
        y += box[3] - box[1] + 3
    taken.append((box[0], box[1], box[2], box[3]))
    pen.rectangle((box[0] - 3, box[1] - 2, box[2] + 3, box[3] + 2), fill=HALO)
    pen.text((x, y), text, fill=colour, font=font)


def choose(fit: Fit, photos: Sequence[PhotoInfo], straight_ahead: str, most: int = 4) -> list[PhotoInfo]:
    """Photos worth showing: straight ahead first, then the ends of the travel, each its position's fullest."""
    best: dict[str, PhotoInfo] = {}
    for p in photos:
        f = fit.photos.get(p.name)
        if f is None or not p.path:
            continue
        if p.position not in best or f.corners > fit.photos[best[p.position].name].corners:
            best[p.position] = p
    driver = fit.as_built.rig.driver
    spun = set(fit.as_built.rig.spin_positions)
    order = sorted((p for p in best if p not in spun), key=lambda p: fit.joint_angles.get((driver, p), 0.0))
    wanted = [straight_ahead, *([order[0], order[-1]] if order else []), *order]
    return [best[p] for p in dict.fromkeys(wanted) if p in best][:most]


def overlays(fit: Fit, photos: Sequence[PhotoInfo], folder: Path, most: int = 4) -> list[tuple[str, Path]]:
    """Write up to ``most`` overlays as JPEG into ``folder``; (caption, path) each."""
    out: list[tuple[str, Path]] = []
    for info in choose(fit, photos, fit.as_built.rig.straight_ahead, most):
        image = draw_over(fit, info)
        if image is None:
            continue
        path = folder / f"overlay_{len(out) + 1}_{''.join(c if c.isalnum() else '_' for c in info.position)}.jpg"
        image.save(path, quality=80)
        out.append((f"{info.name}, lever position {info.position}", path))
    return out


def data_uri(path: Path, shown_px: int = SHOWN_PX) -> str:
    """A JPEG or PNG file as a data URI, made smaller where it is wider than ``shown_px``; a small JPEG as it is."""
    image = Image.open(path)
    if image.format == "JPEG" and image.mode == "RGB" and max(image.size) <= shown_px:
        return "data:image/jpeg;base64," + base64.b64encode(path.read_bytes()).decode("ascii")
    image.thumbnail((shown_px, shown_px))
    buffer = BytesIO()
    image.convert("RGB").save(buffer, "JPEG", quality=80)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
