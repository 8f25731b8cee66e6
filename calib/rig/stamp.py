"""Pictures that may be replaced: a stamp in the file says which command drew it, from which rig file, and that nobody
has changed it since.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

from PIL import Image
from PIL.PngImagePlugin import PngInfo

from capture.files import umask

_BY = rb"drawn by rigtrue \w+ from (\S*), sha256 of "
_SVG = re.compile(rb"<!-- " + _BY + rb"all before this line (\w{64}) -->\n\Z")
_PNG = re.compile(_BY + rb"the pixels (\w{64})\Z")
_OLD_PNG = re.compile(_BY + rb"the rest (\w{64})\Z")  # of the file's bytes without the stamp: pictures of before
_KEY = "Source"


def replaceable(picture: Path, source: Path) -> bool:
    """Whether a file (.svg or .png) was drawn by ``stamped`` from the rig file ``source`` and not changed since."""
    try:
        data = picture.read_bytes()
        found, digest = _found(picture, data)
    except (OSError, SyntaxError, ValueError):  # what Pillow raises for a picture that is broken
        return False
    return found is not None and found[1] == _relative(source, picture) and found[2].decode() == digest


def stamped(draw: Callable[[Path], None], picture: Path, source: Path, by: str) -> None:
    """``draw`` to a file beside ``picture``, stamp it with the command ``by`` and move it there, over what is there.

    OSError where it cannot be written or, on some systems, while another program has the old one open.
    """
    fd, name = tempfile.mkstemp(prefix=f".{picture.stem}-", suffix=picture.suffix, dir=picture.parent)
    os.close(fd)
    made = Path(name)
    try:
        draw(made)
        _stamp(made, f"drawn by rigtrue {by} from {_relative(source, picture).decode()}, sha256 of")
        made.chmod(0o666 & ~umask())
        os.replace(made, picture)
    finally:
        made.unlink(missing_ok=True)


def _stamp(made: Path, says: str) -> None:
    data = made.read_bytes()
    if not _is_png(data):
        made.write_bytes(data + f"<!-- {says} all before this line {hashlib.sha256(data).hexdigest()} -->\n".encode())
        return
    with Image.open(made) as image:
        image.load()
        text = PngInfo()
        text.add_text(_KEY, f"{says} the pixels {_of_pixels(image)}")
        image.save(made, pnginfo=text, dpi=image.info.get("dpi"))


def _found(picture: Path, data: bytes) -> tuple[re.Match[bytes] | None, str]:
    """The stamp of a picture, if it has one, and what its digest should be."""
    if not _is_png(data):
        found = _SVG.search(data)
        return found, hashlib.sha256(data[:found.start()] if found else b"").hexdigest()
    with Image.open(picture) as image:
        image.load()
        text = str(image.info.get(_KEY, "")).encode("latin-1", "replace")
        if (old := _OLD_PNG.match(text)) is not None:
            stamp = 12 + len(_KEY) + 1 + len(text)  # the chunk before the last
            return old, hashlib.sha256(data[:-12 - stamp] + data[-12:]).hexdigest()
        return _PNG.match(text), _of_pixels(image)


def _is_png(data: bytes) -> bool:
    return data[:4] == b"\x89PNG"


def _of_pixels(image: Image.Image) -> str:
    return hashlib.sha256(f"{image.mode} {image.size} ".encode() + image.tobytes()).hexdigest()


def _relative(source: Path, picture: Path) -> bytes:
    """The rig file as seen from the picture's folder, so that both may move together; safe inside a comment."""
    try:
        name = os.path.relpath(source, picture.parent)
    except ValueError:  # another drive
        name = str(source.absolute())
    return quote(name.replace(os.sep, "/")).replace("--", "-%2D").encode()
