"""Pictures that may be replaced: a stamp in the file says what drew it, from which rig file, and that nobody has
changed it since.
"""

from __future__ import annotations

import hashlib
import os
import re
import struct
import tempfile
import zlib
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

from capture.files import umask

_MAKER = "drawn by rigtrue check"
_SVG = re.compile(rb"<!-- " + _MAKER.encode() + rb" from (\S*), sha256 of all before this line (\w{64}) -->\n\Z")
_PNG = re.compile(_MAKER.encode() + rb" from (\S*), sha256 of the rest (\w{64})\Z")
_KEY = b"Source\0"


def replaceable(picture: Path, source: Path) -> bool:
    """Whether a file (.svg or .png) was drawn by ``stamped`` from the rig file ``source`` and not changed since."""
    try:
        data = picture.read_bytes()
    except OSError:
        return False
    name = _relative(source, picture)
    if data[:4] == b"\x89PNG":
        rest, text = _without_text(data)
        found, body = _PNG.search(text), rest
    else:
        found = _SVG.search(data)
        body = data[:found.start()] if found else b""
    return bool(found) and found[1] == name and found[2].decode() == hashlib.sha256(body).hexdigest()  # type: ignore[index]


def stamped(draw: Callable[[Path], None], picture: Path, source: Path) -> None:
    """``draw`` to a file beside ``picture``, stamp it and move it there, over what stands there.

    OSError where it cannot be written or, on some systems, while another program has the old one open.
    """
    fd, name = tempfile.mkstemp(prefix=f".{picture.stem}-", suffix=picture.suffix, dir=picture.parent)
    os.close(fd)
    made = Path(name)
    try:
        draw(made)
        made.write_bytes(_with_stamp(made.read_bytes(), _relative(source, picture)))
        made.chmod(0o666 & ~umask())
        os.replace(made, picture)
    finally:
        made.unlink(missing_ok=True)


def _with_stamp(data: bytes, name: bytes) -> bytes:
    digest = hashlib.sha256(data).hexdigest().encode()
    if data[:4] == b"\x89PNG":
        text = b"%s from %s, sha256 of the rest %s" % (_MAKER.encode(), name, digest)
        chunk = b"tEXt" + _KEY + text
        size, check = (struct.pack(">I", n) for n in (len(chunk) - 4, zlib.crc32(chunk)))
        return data[:-12] + size + chunk + check + data[-12:]
    return data + b"<!-- %s from %s, sha256 of all before this line %s -->\n" % (_MAKER.encode(), name, digest)


def _without_text(data: bytes) -> tuple[bytes, bytes]:
    """A PNG without its last text chunk, and that text."""
    start = data.rfind(b"tEXt" + _KEY) - 4
    if start < 0:
        return data, b""
    size = struct.unpack(">I", data[start:start + 4])[0]
    end = start + 12 + size
    return data[:start] + data[end:], data[start + 8 + len(_KEY):end - 4]


def _relative(source: Path, picture: Path) -> bytes:
    """The rig file as seen from the picture's folder, so that both may move together; safe inside a comment."""
    try:
        name = os.path.relpath(source, picture.parent)
    except ValueError:  # another drive
        name = str(source.absolute())
    return quote(name.replace(os.sep, "/")).replace("--", "-%2D").encode()
