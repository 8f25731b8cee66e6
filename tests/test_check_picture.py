"""The picture of `check` is drawn afresh in its place; a file that is anybody else's, or was changed, is left alone."""

from __future__ import annotations

import base64
import hashlib
import shutil
import sys
from pathlib import Path

import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from calib import checkup
from calib.cli import main
from calib.rig.stamp import replaceable, stamped
from tests.moorhen import SAMPLE

SVG = '<?xml version="1.0"?>\n<svg xmlns="http://www.w3.org/2000/svg">{}</svg>\n'

OLD_PNG = base64.b64decode(  # 8 x 8, red
    "iVBORw0KGgoAAAANSUhEUgAAAAgAAAAICAIAAABLbSncAAAAEklEQVR4nGP8z4AdMOEQH6QSAM1BAQ/oQeJvAAAAgHRFWHRTb3Vy"
    "Y2UAZHJhd24gYnkgcmlndHJ1ZSBjaGVjayBmcm9tIHJpZy50b21sLCBzaGEyNTYgb2YgdGhlIHJlc3QgOWZhMGYyYWUyYjY1NWM4"
    "Nzc2OTBjNmVkNTY0OWRhZDlmMjQ4MTQ3ZjdlMjFkMGY4MDExNjM2YzIwZDYyNzE2MoWzp9YAAAAASUVORK5CYII=")


def drawn(picture: Path, source: Path, what: str = "a", by: str = "check") -> None:
    stamped(lambda path: path.write_text(SVG.format(what), encoding="utf-8") and None, picture, source, by)


def dot(path: Path, colour: str = "red") -> None:
    Image.new("RGB", (8, 8), colour).save(path, dpi=(150, 150))


def test_own_picture_is_replaceable_and_no_other(tmp_path: Path) -> None:
    rig, svg = tmp_path / "rig--1 \N{GREEK SMALL LETTER ALPHA}.toml", tmp_path / "check.svg"
    drawn(svg, rig)
    assert replaceable(svg, rig) and svg.read_text(encoding="utf-8").count("<!--") == 1
    assert not replaceable(svg, tmp_path / "other.toml")
    svg.write_text(svg.read_text(encoding="utf-8").replace(">a<", ">my note<"), encoding="utf-8")
    assert not replaceable(svg, rig)
    svg.write_text(SVG.format(""), encoding="utf-8")
    assert not replaceable(svg, rig) and not replaceable(tmp_path / "none.svg", rig)


def test_pictures_move_with_their_rig_file(tmp_path: Path) -> None:
    (tmp_path / "here").mkdir()
    drawn(tmp_path / "here" / "check.svg", tmp_path / "here" / "rig.toml")
    shutil.move(tmp_path / "here", tmp_path / "there")
    assert replaceable(tmp_path / "there" / "check.svg", tmp_path / "there" / "rig.toml")


def test_png_is_stamped_without_harm(tmp_path: Path) -> None:
    rig, png = tmp_path / "rig.toml", tmp_path / "check.png"
    stamped(dot, png, rig, "check")
    assert replaceable(png, rig) and not replaceable(png, tmp_path / "other.toml")
    with Image.open(png) as im:
        im.load()
        assert im.getpixel((3, 3)) == (255, 0, 0) and "drawn by rigtrue check" in im.info["Source"]
        assert im.info["dpi"] == pytest.approx((150, 150), abs=0.1)
        im.save(tmp_path / "bare.png")
        stamp = PngInfo()
        stamp.add_text("Source", im.info["Source"])
        im.putpixel((3, 3), (254, 0, 0))
        im.save(tmp_path / "edited.png", pnginfo=stamp)
    assert not replaceable(tmp_path / "bare.png", rig) and not replaceable(tmp_path / "edited.png", rig)
    data = bytearray(png.read_bytes())
    data[40] ^= 1
    png.write_bytes(data)
    assert not replaceable(png, rig)


def test_each_command_signs_its_own_and_either_refreshes_the_other(tmp_path: Path) -> None:
    rig, svg, png = tmp_path / "rig.toml", tmp_path / "rig_shoot.svg", tmp_path / "rig_shoot.png"
    drawn(svg, rig, by="plan")
    stamped(dot, png, rig, "plan")
    assert svg.read_text(encoding="utf-8").count("drawn by rigtrue plan from rig.toml, ") == 1
    with Image.open(png) as im:
        im.load()
        assert im.info["Source"].startswith("drawn by rigtrue plan from rig.toml, ")
    assert replaceable(svg, rig) and replaceable(png, rig)


def test_pictures_stamped_before_the_command_was_named_are_ours_still(tmp_path: Path) -> None:
    """As drawn by versions that signed every picture as the check's, a PNG over the bytes of its file."""
    old, rig = tmp_path / "rig_shoot.png", tmp_path / "rig.toml"
    old.write_bytes(OLD_PNG)
    assert replaceable(old, rig) and not replaceable(old, tmp_path / "other.toml")
    old.write_bytes(OLD_PNG.replace(b"9fa0", b"9fa1"))
    assert not replaceable(old, rig)
    text = SVG.format("a")
    digest = hashlib.sha256(text.encode()).hexdigest()
    svg = tmp_path / "rig_shoot.svg"
    svg.write_bytes(f"{text}<!-- drawn by rigtrue check from rig.toml, sha256 of all before this line {digest} -->\n"
                    .encode())
    assert replaceable(svg, rig)


def test_a_failed_drawing_leaves_the_old_one_and_nothing_else(tmp_path: Path) -> None:
    svg = tmp_path / "check.svg"
    drawn(svg, tmp_path / "rig.toml", "old")

    def fails(path: Path) -> None:
        path.write_text("half", encoding="utf-8")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        stamped(fails, svg, tmp_path / "rig.toml", "check")
    assert [p.name for p in tmp_path.iterdir()] == ["check.svg"] and ">old<" in svg.read_text(encoding="utf-8")


def test_a_foreign_file_keeps_its_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = shutil.copy(SAMPLE, tmp_path / "rig.toml")
    (tmp_path / "rig_check.svg").write_text("mine", encoding="utf-8")
    for _ in range(2):
        assert main(["check", str(rig)]) == 0
        assert f"Drawn in {tmp_path / 'rig_check-2.svg'}" in capsys.readouterr().out or sys.platform == "win32"
    assert (tmp_path / "rig_check.svg").read_text(encoding="utf-8") == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["rig.toml", "rig_check-2.svg", "rig_check.svg"]


def test_a_picture_that_another_program_holds_open_is_drawn_beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                                   ) -> None:
    """As on Windows, where a file in use cannot be replaced."""
    from calib.rig import stamp

    picture, rig = tmp_path / "check.svg", tmp_path / "rig.toml"
    drawn(picture, rig, "old")
    real = stamp.os.replace

    def held(a: Path, b: Path) -> None:
        if Path(b) == picture:
            raise PermissionError(13, "in use")
        real(a, b)

    monkeypatch.setattr(stamp.os, "replace", held)
    monkeypatch.setattr(checkup.drawing, "draw_rig", lambda _, path: path.write_text(SVG, encoding="utf-8"))
    assert checkup.draw(None, picture, rig) == tmp_path / "check-2.svg"  # type: ignore[arg-type]
    assert ">old<" in picture.read_text(encoding="utf-8")
