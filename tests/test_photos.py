"""Reading photos: the sensor frame, EXIF, damaged files, and the list of a shoot."""

from __future__ import annotations

import io
import warnings
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from capture.errors import UserError
from capture.photos import _unturned, list_shoot, read_photo
from capture.shoot import read_tags
from capture.targets import SADDLES, Board

SAMPLE = Path(__file__).parents[1] / "sample_data" / "before"


def marked(width: int = 120, height: int = 80) -> np.ndarray:
    """A dark picture whose upper left eighth is white: shows how it was turned."""
    img = np.full((height, width, 3), 30, np.uint8)
    img[:height // 4, :width // 4] = 240
    return img


def save(path: Path, orientation: int = 1, exif: dict | None = None, size: tuple[int, int] = (120, 80)) -> Path:
    data = Image.Exif()
    data[0x0112] = orientation
    data[0x010F], data[0x0110] = "Pear", "P9"
    ifd = data.get_ifd(0x8769)
    for tag, value in (exif or {}).items():
        ifd[tag] = value
    img = Image.fromarray(marked(*size))
    if path.suffix == ".heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
        img.save(path, format="HEIF", exif=data.tobytes(), quality=90)
    else:
        img.save(path, exif=data.tobytes(), quality=95)  # quality: JPEG alone heeds it
    return path


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".heic"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_sensor_frame_kept(tmp_path: Path, suffix: str, orientation: int) -> None:
    """Whatever turn EXIF (or HEIC's own property) asks for, the pixels come as the sensor gave them."""
    gray, meta = read_photo(save(tmp_path / f"a{suffix}", orientation))
    assert gray.shape == (80, 120) and (meta.width, meta.height) == (120, 80)
    assert gray[:10, :20].mean() > 200 and gray[-10:, -20:].mean() < 60
    assert gray[:10, -20:].mean() < 60 and gray[-10:, :20].mean() < 60
    assert meta.camera == "Pear P9"


def test_stored_turns_of_a_heic_are_undone_in_reverse_order() -> None:
    """A picture turned by 90 deg and then mirrored; Pillow's own operations are the reference."""
    sensor = Image.fromarray(np.arange(12, dtype=np.uint8).reshape(3, 4))
    shown = np.asarray(sensor.transpose(Image.Transpose.ROTATE_90).transpose(Image.Transpose.FLIP_LEFT_RIGHT))
    back, cropped = _unturned(shown, (("irot", 90), ("imir", 1)))
    assert np.array_equal(back, np.asarray(sensor)) and not cropped
    shown = np.asarray(sensor.transpose(Image.Transpose.FLIP_TOP_BOTTOM).transpose(Image.Transpose.ROTATE_270))
    assert np.array_equal(_unturned(shown, (("imir", 0), ("irot", 270)))[0], np.asarray(sensor))


@pytest.mark.parametrize(("cut", "said"), [((0, 0, 0, 16), False), ((0, 0, 63, 63), False), ((8, 0, 0, 0), True),
                                           ((0, 0, 0, 64), True)])
def test_a_crop_inside_a_heic_is_told_from_filling_up(cut: tuple[int, ...], said: bool) -> None:
    """Encoders fill up to whole blocks at right and below; a crop that moves the lens's middle is another thing."""
    assert _unturned(np.zeros((4, 4), np.uint8), (("clap", *cut),))[1] is said


def test_focal_length_from_35mm_equivalent(tmp_path: Path) -> None:
    """26 mm equivalent on a 4:3 sensor of 4032 x 3024: 26 / 43.27 of the 5040 px diagonal (CIPA DCG-001)."""
    _, meta = read_photo(save(tmp_path / "a.jpg", exif={0xA405: 26, 0xA404: IFDRational(3, 2)}, size=(4032, 3024)))
    assert meta.focal_px_guess == pytest.approx(26 / 43.2666 * 5040, rel=1e-4)
    assert meta.digital_zoom == pytest.approx(1.5)
    assert len(meta.sha256) == 64


def test_focal_length_from_focal_plane(tmp_path: Path) -> None:
    """4.25 mm lens, 7000 px/cm (unit 3): 4.25 * 700 px; halved where the photo was shrunk by half, and said so."""
    exif = {0x920A: IFDRational(425, 100), 0xA20E: IFDRational(7000, 1), 0xA210: 3, 0xA002: 1600, 0xA003: 1200}
    _, meta = read_photo(save(tmp_path / "a.jpg", exif=exif, size=(1600, 1200)))
    assert meta.focal_px_guess == pytest.approx(2975.0) and meta.notes == ()
    _, small = read_photo(save(tmp_path / "b.jpg", exif=exif, size=(800, 600)))
    assert small.focal_px_guess == pytest.approx(1487.5)
    assert any("shrunk" in n for n in small.notes)


def test_no_exif_no_guess(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "a.jpg"), marked())
    assert read_photo(tmp_path / "a.jpg")[1].focal_px_guess is None


def noisy_jpeg() -> bytes:
    img = np.random.default_rng(0).integers(0, 255, (200, 300), np.uint8)
    return cv2.imencode(".jpg", img)[1].tobytes()


def test_truncated_jpeg_is_refused_at_any_length(tmp_path: Path) -> None:
    """Decoders fill the missing part with grey: the reader must not."""
    data = noisy_jpeg()
    for share in (0.01, 0.3, 0.7, 0.99):
        (tmp_path / "cut.jpg").write_bytes(data[:int(len(data) * share)])
        with pytest.raises(UserError, match="cut.jpg is cut short"):
            read_photo(tmp_path / "cut.jpg")


def test_truncated_jpeg_with_whole_thumbnail(tmp_path: Path) -> None:
    """The thumbnail in the header has an end marker of its own; it must not stand in for the photo's."""
    buffer = io.BytesIO()
    Image.fromarray(marked()).save(buffer, "JPEG")
    thumb = buffer.getvalue()
    data = noisy_jpeg()
    app1 = b"\xff\xe1" + (len(thumb) + 2).to_bytes(2, "big") + thumb
    whole = data[:2] + app1 + data[2:]
    (tmp_path / "ok.jpg").write_bytes(whole + b"trailer of the phone")
    assert read_photo(tmp_path / "ok.jpg")[0].shape == (200, 300)
    (tmp_path / "cut.jpg").write_bytes(whole[:-2000])
    with pytest.raises(UserError, match="cut short"):
        read_photo(tmp_path / "cut.jpg")


@pytest.mark.parametrize("suffix", [".png", ".tif", ".heic"])
def test_truncated_other_kinds(tmp_path: Path, suffix: str) -> None:
    path = save(tmp_path / f"cut{suffix}")
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(UserError, match="cut short"):
        read_photo(path)


@pytest.mark.parametrize(("data", "says"), [(b"", "empty"), (b"lever at notch 3\n", "not a picture"),
                                            (b"\xff\xd8\xff\xe0", "cut short")])
def test_no_picture(tmp_path: Path, data: bytes, says: str) -> None:
    (tmp_path / "n.jpg").write_bytes(data)
    with pytest.raises(UserError, match=says):
        read_photo(tmp_path / "n.jpg")
    with pytest.raises(UserError, match="cannot be read"):
        read_photo(tmp_path / "absent.jpg")


def test_folders_and_csv(tmp_path: Path) -> None:
    """A folder a position, other files passed over; a CSV with paths from its own folder gives the same list."""
    for position, name in (("left", "a.jpg"), ("ahead", "b.JPG"), ("ahead", "c.heic")):
        (tmp_path / "s" / position).mkdir(parents=True, exist_ok=True)
        (tmp_path / "s" / position / name).write_bytes(b"x")
    (tmp_path / "s" / "ahead" / "notes.txt").write_text("x")
    (tmp_path / "s" / "ahead" / ".hidden.jpg").write_text("x")
    want = [("ahead", "ahead/b.JPG"), ("ahead", "ahead/c.heic"), ("left", "left/a.jpg")]
    assert [(p, n) for _, p, n in list_shoot(tmp_path / "s")] == want
    table = tmp_path / "s" / "list.csv"
    table.write_text("Photo,Position\nahead/b.JPG,ahead\nleft/a.jpg, left\nahead/c.heic,ahead\n")
    assert [(p, n) for _, p, n in list_shoot(table)] == want


@pytest.mark.parametrize(("text", "says"), [
    ("file,position\na.jpg,x\n", "no column 'photo'"), ("photo,place\na.jpg,x\n", "no column 'position'"),
    ("photo,position\nb.jpg,x\n", "b.jpg is not there"), ("photo,position\na.jpg,\n", "no lever position"),
    ("photo,position\n,x\n", "no photo is named"), ("photo,position\n", "lists no photos"),
    ("photo,position\na.jpg,x\na.jpg,y\n", "listed twice"), ("", "cannot be read"),
])
def test_bad_csv(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "a.jpg").write_bytes(b"x")
    (tmp_path / "l.csv").write_text(text)
    with pytest.raises(UserError, match=says):
        list_shoot(tmp_path / "l.csv")


def test_bad_folders(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="does not exist"):
        list_shoot(tmp_path / "absent")
    with pytest.raises(UserError, match="holds no photos"):
        list_shoot(tmp_path)
    (tmp_path / "a.jpg").write_bytes(b"x")
    with pytest.raises(UserError, match="no folder for each lever position"):
        list_shoot(tmp_path)


def test_bit_flips_that_shift_corners_are_refused(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Half a sample photo's size; whatever flip is not refused leaves each corner where it was."""
    board = Board.for_paper("A4")
    original = Image.open(sorted((SAMPLE / "ahead").glob("*.jpg"))[0])
    good = tmp_path / "good.jpg"
    original.reduce(2).save(good, quality=90)
    data = good.read_bytes()
    tags, saddles = read_tags(read_photo(good)[0], set(), board)
    assert len(tags) >= 10
    where = {code: saddles.uv[k * SADDLES:(k + 1) * SADDLES] for k, code in enumerate(tags)}
    draw, refused, shifted = np.random.default_rng(3), 0, 0
    for k in range(40):
        flipped = bytearray(data)
        flipped[draw.integers(700, len(data) - 2)] ^= 1 << draw.integers(8)
        path = tmp_path / f"{k}.jpg"
        path.write_bytes(flipped)
        try:
            gray = read_photo(path)[0]
        except UserError as e:
            refused += 1
            assert path.name in str(e) and e.code in ("damaged", "cut_short")
            continue
        found, now = read_tags(gray, set(), board)
        for i, code in enumerate(found):
            part = slice(i * SADDLES, (i + 1) * SADDLES)
            off = np.linalg.norm(now.uv[part] - where.get(code, now.uv[part]), axis=1)
            shifted += bool(np.any(now.ok[part] & (off > 0.5)))
    assert refused >= 5 and shifted == 0, (refused, shifted)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize(("suffix", "width", "height"), [(".png", 10001, 10000), (".jpg", 15000, 10000),
                                                         (".jpg", 40000, 10000), (".png", 100000, 100000)])
def test_too_many_pixels_are_refused_before_decoding(tmp_path: Path, suffix: str, width: int, height: int,
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the header says so large a size here: decoding would fail or fill the memory."""
    path = tmp_path / f"huge{suffix}"
    Image.fromarray(marked()).save(path)
    data = bytearray(path.read_bytes())
    if suffix == ".png":  # IHDR: width and height, big-endian, then its CRC (PNG specification, 11.2.2)
        data[16:24] = width.to_bytes(4, "big") + height.to_bytes(4, "big")
        data[29:33] = zlib.crc32(bytes(data[12:29])).to_bytes(4, "big")
    else:  # SOF0: length, precision, height, width (ITU-T T.81, B.2.2)
        at = data.index(b"\xff\xc0") + 5
        data[at:at + 4] = height.to_bytes(2, "big") + width.to_bytes(2, "big")
    path.write_bytes(data)
    monkeypatch.setattr("capture.photos.decode_gray", lambda _: pytest.fail("decoded"))
    with warnings.catch_warnings(), pytest.raises(UserError, match="more than 100 million pixels") as caught:
        warnings.simplefilter("error")
        read_photo(path)
    assert caught.value.code == "too_large"


GOOD_LISTS = {
    "semicolons": b"photo;position\na.jpg;NA\n", "mark": b"\xef\xbb\xbfphoto;position\r\na.jpg;NA\r\n",
    "tabs": b"photo\tposition\na.jpg\tNA\n", "more columns": b"n,photo,note,position\n1,a.jpg,\"x, y\",NA\n",
    "empty cells": b"photo,position\na.jpg,NA,,\n\n", "spaces": b"Photo , POSITION\n a.jpg , NA \n",
    "dot": b"photo,position\n./a.jpg,NA\n",
}
BAD_LISTS = {
    "ragged": (b"photo,position\na.jpg,NA,x\n", "more cells"), "two": (b"photo,photo,position\na,a.jpg,NA\n", "two"),
    "long": (b"photo,position\n" + b"x" * 5000 + b",ahead\n", "longer"),
    "long position": (b"photo,position\na.jpg," + b"x" * 5000 + b"\n", "longer"),
    "control": (b"photo,position\na.jpg,ah\x1b[31mead\n", "cannot be shown"),
    "zero": (b"photo,position\na\0.jpg,ahead\n", "cannot be"), "latin": (b"photo,position\n\xe9.jpg,ahead\n", "UTF-8"),
    "sixteen": ("photo,position\na.jpg,ahead\n".encode("utf-16"), "UTF-8"), "empty": (b"", "cannot be read"),
    "quote": (b"photo,position\n\"a.jpg,ahead\n", "CSV"), "only head": (b"photo,position\n", "lists no photos"),
    "twice": (b"photo,position\na.jpg,ahead\n./a.jpg,back\n", "twice"),
    "short": (b"photo,position\na.jpg\n", "no lever position"),
}


@pytest.mark.parametrize("name", GOOD_LISTS)
def test_lists_as_spreadsheets_write_them(tmp_path: Path, name: str) -> None:
    (tmp_path / "a.jpg").touch()
    (tmp_path / "list.csv").write_bytes(GOOD_LISTS[name])
    assert [row[1:] for row in list_shoot(tmp_path / "list.csv")] == [("NA", "a.jpg")]


@pytest.mark.parametrize("name", BAD_LISTS)
def test_lists_that_cannot_be_read_say_why(tmp_path: Path, name: str) -> None:
    content, said = BAD_LISTS[name]
    (tmp_path / "a.jpg").touch()
    (tmp_path / "list.csv").write_bytes(content)
    with pytest.raises(UserError, match=said) as caught:
        list_shoot(tmp_path / "list.csv")
    assert len(str(caught.value).replace(str(tmp_path), "")) < 250
