"""The phone page from outside: who gets in, what is refused, and that nothing is lost."""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import shutil
import socket
import struct
import threading
import time
import tracemalloc
import zlib
from collections.abc import AsyncIterator, Callable, Coroutine
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calib.phone.network import cautions, checked_address, listen, new_token, qr, qr_for
from calib.phone.receiving import Limits, receive
from calib.rig.model import Rig
from calib.rig.reader import load_rig
from calib.shooting.desk import Shoot, judge_file
from calib.shooting.session import ShootSession
from calib.shooting.store import ROOM, Kept
from calib.shooting.wanted import Wanted, wanted
from capture.errors import UserError
from capture.judging import Judged
from capture.shoot import Outcome
from capture.targets import Board

httpx = pytest.importorskip("httpx", reason="httpx asks the page without a network; group test installs it")
pytest.importorskip("starlette", reason="the page needs the group shoot")
from calib.phone.app import make_app  # noqa: E402
from calib.phone.bench import AT_ONCE, Bench  # noqa: E402

ROOT = Path(__file__).resolve().parents[1]
HOST, TOKEN = "192.168.1.20:8317", new_token()
OWN = {"origin": f"http://{HOST}", "sec-fetch-site": "same-origin"}
JPEG = b"\xff\xd8\xff\xe0"


@cache
def want() -> tuple[Rig, Wanted]:
    rig = load_rig(ROOT / "sample_data" / "rig.toml")
    return rig, wanted(rig)


class Quick(Bench):
    """The bench with photos looked at here and at once: only the way in is tested."""

    async def _judge(self, kept: Any) -> Judged:
        await asyncio.sleep(0)
        return Judged(Outcome(kept.name, reason="No board tag found"), {})


def bench(folder: Path, **limits: Any) -> Quick:
    folder.mkdir(exist_ok=True)
    return Quick(Shoot(want()[0], folder, ShootSession(want()[1])), Limits(**limits))


def asked(folder: Path, do: Callable[[Any], Coroutine[Any, Any, Any]], host: str = HOST, **limits: Any) -> Any:
    """What ``do(client)`` gives, with the page answering in this process."""
    async def run() -> Any:
        app = make_app(bench(folder, **limits), TOKEN, HOST)
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=f"http://{host}") as client:
            return await do(client)

    return asyncio.run(run())


def files(folder: Path) -> list[Path]:
    return [p for p in folder.rglob("*") if p.is_file()]


@pytest.mark.parametrize(("path", "headers"), [
    ("/", {}), ("/state", {}), (f"/{TOKEN}", {}), (f"/{TOKEN[:-1]}/", {}), (f"/{new_token()}/", {}),
    (f"/{TOKEN.swapcase()}/", {}), (f"/{TOKEN}/", {"host": "evil.example"}), (f"/{TOKEN}/", {"host": "192.168.1.20"}),
    (f"/{TOKEN}/state", {"sec-fetch-site": "cross-site", "sec-fetch-mode": "cors"}),
    (f"/{TOKEN}/", {"origin": "http://evil.example"}), (f"/{TOKEN}/rig.toml", {}),
    (f"/{TOKEN}/../rig.toml", {}), (f"/{TOKEN}/%2e%2e/%2e%2e/etc/passwd", {}), (f"/{TOKEN}//etc/passwd", {}),
], ids=map(str, range(14)))  # a token in a test's name would be another one in every process
def test_who_is_not_let_in_learns_nothing(tmp_path: Path, path: str, headers: dict[str, str]) -> None:
    """No token, a wrong or old one, another name for this machine, another site's page, a file: the same empty 404."""
    got = asked(tmp_path, lambda c: c.get(path, headers=headers))
    assert (got.status_code, got.content) == (404, b"")
    assert "content-type" not in got.headers and "server" not in got.headers


@pytest.mark.parametrize("headers", [
    {}, {"origin": "http://evil.example"}, {**OWN, "sec-fetch-site": "cross-site"}, {"origin": "null"},
    {**OWN, "host": "evil.example"}, {"sec-fetch-site": "same-origin"},
])
def test_a_post_of_another_site_is_refused(tmp_path: Path, headers: dict[str, str]) -> None:
    got = asked(tmp_path, lambda c: c.post(f"/{TOKEN}/photo?at=ahead", content=JPEG, headers=headers))
    assert (got.status_code, got.content) == (404, b"") and not files(tmp_path)


def test_the_page_loads_and_allows_nothing_from_elsewhere(tmp_path: Path) -> None:
    for name, kind in (("", "text/html"), ("page.js", "text/javascript"), ("page.css", "text/css")):
        got = asked(tmp_path, lambda c, n=name: c.get(f"/{TOKEN}/{n}"))
        assert got.status_code == 200 and got.headers["content-type"].startswith(kind)
        assert got.headers["content-security-policy"].startswith("default-src 'none'; script-src 'self';")
        assert "unsafe" not in got.headers["content-security-policy"] and got.headers["cache-control"] == "no-store"
        assert "http://" not in got.text and "https://" not in got.text, "nothing from another place"


def test_a_photo_is_stored_untouched_under_a_name_of_ours(tmp_path: Path) -> None:
    data = JPEG + b"untouched"
    headers = {**OWN, "x-sha256": hashlib.sha256(data).hexdigest(), "x-upload": "0" * 16, "x-phone": "../../../../../x",
               "content-disposition": 'attachment; filename="../../evil.sh"'}

    async def twice(c: Any) -> Any:
        first = await c.post(f"/{TOKEN}/photo?at=ahead", content=data, headers=headers)
        lost = await c.post(f"/{TOKEN}/photo?at=ahead", content=data, headers=headers)
        again = await c.post(f"/{TOKEN}/photo?at=push1", content=data, headers={**headers, "x-upload": "1" * 16})
        return first, lost, again

    first, lost, again = asked(tmp_path, twice)
    assert first.status_code == 200 and first.json()["word"] == "again" and first.json()["lines"] == ["No board seen"]
    assert lost.json()["name"] == first.json()["name"] and not lost.json()["again"], "who lost the answer gets it"
    assert again.json()["again"]
    (stored,) = files(tmp_path)
    assert stored == tmp_path / "ahead" / f"001-{headers['x-sha256'][:8]}.jpg" and stored.read_bytes() == data


@pytest.mark.parametrize("at", ["../up", "..%2f..", "/etc", "", "aside", "nowhere", "ahead%00"])
def test_no_path_from_the_phone(tmp_path: Path, at: str) -> None:
    got = asked(tmp_path / "in", lambda c: c.post(f"/{TOKEN}/photo?at={at}", content=JPEG, headers=OWN))
    assert got.status_code == 404 and not files(tmp_path)


@pytest.mark.parametrize(("data", "headers", "status", "code"), [
    (b"<html>", {}, 400, "not_a_picture"), (JPEG, {"x-sha256": "0" * 64}, 400, "damaged"),
    (JPEG + b"x" * 2000, {}, 413, "too_large"), (b"", {}, 400, "not_a_picture"),
])
def test_what_is_no_good_photo_is_refused_in_one_sentence(tmp_path: Path, data: bytes, headers: dict[str, str],
                                                          status: int, code: str) -> None:
    got = asked(tmp_path, lambda c: c.post(f"/{TOKEN}/photo?at=ahead", content=data, headers={**OWN, **headers}),
                most=1000)
    assert (got.status_code, got.json()["code"]) == (status, code) and not files(tmp_path)


def test_a_huge_body_is_cut_early_with_memory_bounded(tmp_path: Path) -> None:
    """2 GB in pieces that say no length: stopped at the limit, a few pieces in memory, nothing left on the disk."""
    sent = 0

    async def endless() -> AsyncIterator[bytes]:
        nonlocal sent
        for _ in range(32_000):
            sent += 65_536
            yield b"\xff\xd8\xff\xe0" + bytes(65_532)

    tracemalloc.start()
    with pytest.raises(UserError, match="too large"):
        asyncio.run(receive(endless(), tmp_path / ".a.part", None, Limits(most=4_000_000)))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sent < 5_000_000 and peak < 3_000_000 and not files(tmp_path)
    before = sent
    with pytest.raises(UserError, match="too large"):  # said beforehand: not a byte is read
        asyncio.run(receive(endless(), tmp_path / ".b.part", 2_000_000_000, Limits()))
    assert sent == before


def test_slow_and_broken_uploads_end_and_leave_nothing(tmp_path: Path) -> None:
    async def slow() -> AsyncIterator[bytes]:
        yield JPEG
        await asyncio.sleep(5)

    async def short() -> AsyncIterator[bytes]:
        yield JPEG

    async def drip() -> AsyncIterator[bytes]:
        while True:
            await asyncio.sleep(0.02)
            yield b"x"

    with pytest.raises(UserError, match="Too slow"):
        asyncio.run(receive(slow(), tmp_path / ".a.part", 100, Limits(quiet=0.1)))
    with pytest.raises(UserError, match="Too slow"):
        asyncio.run(receive(drip(), tmp_path / ".b.part", 100_000, Limits(grace=0.2, slowest=10**9)))
    with pytest.raises(UserError, match="Cut short"):
        asyncio.run(receive(short(), tmp_path / ".c.part", 100, Limits()))
    assert not files(tmp_path)


def test_a_full_disk_is_said_before_a_byte_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for less than the photo and what stays free; then for both."""
    read: list[bytes] = []

    async def one() -> AsyncIterator[bytes]:
        read.append(JPEG)
        yield JPEG

    for spare, goes in ((len(JPEG) - 1, False), (len(JPEG), True)):
        usage = shutil._ntuple_diskusage(10**12, 0, ROOM + spare)  # type: ignore[attr-defined]
        monkeypatch.setattr(shutil, "disk_usage", lambda _, usage=usage: usage)
        part = tmp_path / f".{goes}.part"
        if goes:
            asyncio.run(receive(one(), part, len(JPEG), Limits()))
            assert part.read_bytes() == JPEG
        else:
            with pytest.raises(UserError, match="disk is full"):
                asyncio.run(receive(one(), part, len(JPEG), Limits()))
            assert not read and not part.exists()


def test_two_hundred_uploads_at_once_lose_nothing(tmp_path: Path) -> None:
    photos = [JPEG + json.dumps(k).encode() * 500 for k in range(200)]

    async def all_at_once(c: Any) -> Any:
        return await asyncio.gather(*(c.post(f"/{TOKEN}/photo?at=ahead", content=p, headers=OWN) for p in photos))

    got = asked(tmp_path, all_at_once)
    assert {g.status_code for g in got} == {200}
    assert sorted(p.read_bytes() for p in files(tmp_path)) == sorted(photos)


def test_the_same_photo_twice_at_once_is_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second comes while the first is on its way to its place."""
    store = Shoot.store

    def slow(*args: Any) -> Kept:
        time.sleep(0.3)
        return store(*args)

    monkeypatch.setattr(Shoot, "store", slow)

    async def both(c: Any) -> Any:
        return await asyncio.gather(*(c.post(f"/{TOKEN}/photo?at=ahead", content=JPEG + b"one",
                                             headers={**OWN, "x-upload": k * 16}) for k in "ab"))

    got = asked(tmp_path, both)
    assert [g.status_code for g in got] == [200, 200] and sorted(g.json()["again"] for g in got) == [False, True]
    assert len(files(tmp_path)) == 1


def test_a_photo_counts_though_the_phone_hangs_up_while_it_is_looked_at(tmp_path: Path) -> None:
    class Slow(Quick):
        looking, go = asyncio.Event(), asyncio.Event()

        async def _judge(self, kept: Any) -> Judged:
            self.looking.set()
            await self.go.wait()
            return await super()._judge(kept)

    async def once() -> AsyncIterator[bytes]:
        yield JPEG

    async def run() -> None:
        slow = Slow(Shoot(want()[0], tmp_path, ShootSession(want()[1])), Limits())
        upload = asyncio.create_task(slow.photo(once(), len(JPEG), "", "ahead", "", ""))
        await slow.looking.wait()
        upload.cancel()
        with pytest.raises(asyncio.CancelledError):
            await upload
        assert not slow.shoot.session.photos
        slow.go.set()
        for _ in range(20):
            await asyncio.sleep(0)
        assert [t.position for t in slow.shoot.session.photos] == ["ahead"]

    asyncio.run(run())


def test_no_more_uploads_are_written_at_once_than_are_meant_to(tmp_path: Path) -> None:
    """Thirty that each stop after their first bytes: six are begun, the rest when those end."""
    begun, most, go = 0, 0, asyncio.Event()

    async def held(k: int) -> AsyncIterator[bytes]:
        nonlocal begun
        begun += 1
        yield JPEG + bytes([k])
        await go.wait()

    async def run() -> None:
        nonlocal most
        here = bench(tmp_path)
        tasks = [asyncio.create_task(here.photo(held(k), 5, "", "ahead", "", "")) for k in range(30)]
        for _ in range(50):
            await asyncio.sleep(0)
        most = begun
        go.set()
        await asyncio.gather(*tasks)

    asyncio.run(run())
    assert most == AT_ONCE < 30 == begun == len(files(tmp_path))


def test_two_phones_are_said_and_undo_is_of_the_photo_seen(tmp_path: Path) -> None:
    async def steps(c: Any) -> Any:
        await c.get(f"/{TOKEN}/state", headers={"x-phone": "a" * 16})
        two = await c.get(f"/{TOKEN}/state", headers={"x-phone": "b" * 16})
        sent = await c.post(f"/{TOKEN}/photo?at=ahead", content=JPEG + b"1", headers=OWN)
        other = await c.post(f"/{TOKEN}/undo?name=ahead/other.jpg", headers=OWN)
        gone = await c.post(f"/{TOKEN}/undo?name={sent.json()['name']}", headers=OWN)
        return two, other, gone

    two, other, gone = asked(tmp_path, steps)
    assert two.json()["phones"] == 2
    assert other.status_code == 409 and gone.status_code == 200
    assert [p.suffix for p in files(tmp_path)] == [".aside"]


def test_one_address_alone_and_words_of_care() -> None:
    for bad in ("0.0.0.0", "example.org", "224.0.0.1", "192.168.1.0/24"):
        with pytest.raises(UserError):
            checked_address(bad)
    with listen("127.0.0.1", 0) as bound:
        assert bound.getsockname()[0] == "127.0.0.1"
    assert len(cautions("192.168.1.20")) == 1 and len(cautions("8.8.8.8")) == 2
    assert len(new_token()) == 43 and new_token() != new_token()


def test_a_picture_that_would_burst_is_refused_by_its_header(tmp_path: Path) -> None:
    """30,000 x 30,000 pixels in a few kilobytes of PNG: judged as the other process does, without decoding it."""
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    pixels = zlib.compress(bytes(30_000_000), 9)  # a thirtieth of it is enough to be well formed at the start
    bomb = (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 30_000, 30_000, 8, 0, 0, 0, 0))
            + chunk(b"IDAT", pixels) + chunk(b"IEND", b""))
    assert len(bomb) < 50_000
    folder = tmp_path / "ahead"
    folder.mkdir()
    (folder / "001-00000000.png").write_bytes(bomb)
    kept = Kept(folder / "001-00000000.png", "ahead", 1, "0" * 64)
    tracemalloc.start()
    said = judge_file(kept, frozenset(), Board.for_paper("A4"))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert said.outcome.code == "too_large" and peak < 20_000_000


LINK = f"http://{HOST}/Wren-lever_8317{'aB3' * 9}z/"  # 43 letters as a token has; always the same


def scanned(cells: list[list[bool]]) -> str:
    """What another reader of QR codes reads; ``cells``: True where light."""
    wide = max(map(len, cells))
    square = np.array([row + [False] * (wide - len(row)) for row in cells])[:wide]
    for size in (8, 5, 11):  # px a module: the reader finds some codes at one size and not at another
        picture = np.kron(np.pad(square, 3, constant_values=True), np.ones((size, size))).astype(np.uint8) * 255
        if said := str(cv2.QRCodeDetector().detectAndDecode(picture)[0]):
            return said
    return ""


def test_the_code_says_the_link() -> None:
    """The printed half blocks, turned back into a picture, read by another reader of QR codes."""
    light = {" ": (False, False), "\u2580": (True, False), "\u2584": (False, True), "\u2588": (True, True)}
    cells = [[light[c][low] for c in line] for line in qr(LINK).splitlines() for low in (0, 1)]
    assert scanned(cells) == LINK
    coloured = qr(LINK, colours=True)
    assert all(line.startswith("\x1b[97;40m") and line.endswith("\x1b[0m") for line in coloured.splitlines())
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == qr(LINK)


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_console_without_blocks_shows_a_code_too(encoding: str) -> None:
    plain, live = qr_for(LINK, encoding, 80, False), qr_for(LINK, encoding, 80, True)
    assert plain.isascii() and live.isascii()
    assert {line[k:k + 2] for line in plain.splitlines() for k in range(0, len(line), 2)} == {"##", "  "}
    assert scanned([[c == "#" for c in line[::2]] for line in plain.splitlines()]) == LINK
    assert scanned([[c == "107" for c in re.findall(r"\x1b\[(107|40)m  ", line)] for line in live.splitlines()]) == LINK


def test_a_window_too_narrow_for_the_code_shows_none() -> None:
    assert qr_for(LINK, "utf-8", 80, False) == qr_for(LINK, "cp437", None, False) == qr(LINK)
    wide = max(map(len, qr(LINK).splitlines()))
    assert qr_for(LINK, "utf-8", wide, False) and not qr_for(LINK, "utf-8", wide - 1, False)
    assert qr_for(LINK, "ascii", 2 * wide, False) and not qr_for(LINK, "ascii", 2 * wide - 1, False)


def test_who_does_not_say_what_he_wants_is_put_off_and_nobody_waits_for_him(tmp_path: Path) -> None:
    """A hundred connections that say nothing, or a letter of a header at a time, beside one that asks for the page."""
    pytest.importorskip("uvicorn", reason="the page needs the group shoot")
    from calib.phone.serve import server

    shoot = Shoot(want()[0], tmp_path, ShootSession(want()[1]))
    with listen("127.0.0.1", 0) as bound:
        port = bound.getsockname()[1]
        serving = server(shoot, TOKEN, bound, Limits(first_lines=0.6))
        thread = threading.Thread(target=serving.run, kwargs={"sockets": [bound]}, daemon=True)
        thread.start()
        try:
            silent = [socket.create_connection(("127.0.0.1", port), 5) for _ in range(100)]
            began = time.monotonic()
            for s in silent[::2]:
                s.sendall(b"GET / HTTP/1.1\r\nHost: a")
            said = httpx.get(f"http://127.0.0.1:{port}/{TOKEN}/", timeout=5)
            assert said.status_code == 200 and time.monotonic() - began < 5
            ends = began + 10
            for k, s in enumerate(silent):
                s.settimeout(0.05)
                while (left := ends - time.monotonic()) > 0:
                    try:
                        if k % 2 == 0:
                            s.sendall(b"a")
                        if not s.recv(10):
                            break
                    except TimeoutError:
                        continue
                    except OSError:
                        break  # reset, as it was still sending
                assert left > 0, "held open"
                s.close()
        finally:
            serving.should_exit = True
            thread.join(10)
    assert not thread.is_alive()
