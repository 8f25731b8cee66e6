"""The page in a real browser with real photos, served by the command itself."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from tests.chromium import BROWSER, Chromium, wait

pytest.importorskip("websockets", reason="websockets drives the browser; group test installs it")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium here (Debian: apt-get install chromium)")
ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_data" / "before"


class Served:
    """``rigtrue shoot`` in a process of its own."""

    def __init__(self, photos: Path, log: Path, port: str = "") -> None:
        self.log = log
        command = [sys.executable, "-m", "calib.cli", "shoot", "sample_data/rig.toml", str(photos), "--address",
                   "127.0.0.1", *(["--port", port] if port else [])]
        with log.open("wb") as out:
            self.process = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=subprocess.STDOUT,
                                            env={**os.environ, "PYTHONUNBUFFERED": "1"})
        wait(lambda: self._link() or self.process.poll() is not None, 90, "the link")
        self.link = self._link()
        assert self.link, log.read_text()

    def _link(self) -> str:
        found = re.search(r"open (http://\S+)", self.log.read_text())
        return found[1] if found else ""

    def end(self) -> int:
        self.process.send_signal(signal.SIGINT)
        try:
            return self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise


CONTRASTS = """(() => {
  const rgb = (c) => c.match(/[\\d.]+/g).map(Number);
  const light = (c) => { const [r, g, b] = rgb(c).slice(0, 3).map((v) => v / 255).map(
    (v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const behind = (e) => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor, v = rgb(c);
    if (v.length < 4 || v[3] > 0) return c; } return "rgb(255, 255, 255)"; };
  return [...document.querySelectorAll("body *")].filter((e) => e.getClientRects().length && !e.closest("svg")
    && [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())).map((e) => {
      const [a, b] = [light(getComputedStyle(e).color), light(behind(e))].sort((x, y) => y - x);
      return [e.id || e.className || e.tagName, (a + 0.05) / (b + 0.05)]; });
})()"""
SIZES = """[...document.querySelectorAll("button, label, summary")].map((e) => e.getBoundingClientRect())
  .filter((r) => r.width).map((r) => Math.min(r.width, r.height))"""


def for_gloves_and_sun(page: Chromium) -> None:
    """Every word of every kind at 7 to 1 against what is behind it (WCAG 2.2, 1.4.6), every button 56 px or more."""
    figure = {"label": "toe", "value": "0.1 deg", "wanted": "0.0 deg"}
    known = {"say": "All taken. Can't tell yet: 1 of 3",
             "why": "Photograph the levers at both stops, four photos each.",
             "enough": False, "working": True, "photos": 36, "noticed": ["The board moved"],
             "figures": [figure | {"outcome": o} for o in ("met", "not met", "can't tell yet")]}
    for width, height in ((390, 844), (844, 390)):
        page.screen(width, height)
        page.js("document.getElementById('known').open = true")
        for kind in ("good", "poor", "again", "wait"):
            page.js(f"tell('{kind}', 'Word', ['a line'])")
            for enough in (True, False):
                page.js(f"known({json.dumps(known | {'enough': enough})})")
                contrasts = dict(page.js(CONTRASTS))
                assert {"word", "take", "sofar", "met", "not", "open", "soft"} <= contrasts.keys()
                assert min(contrasts.values()) >= 7, (kind, min(contrasts.items(), key=lambda c: c[1]))
        assert known["say"] in page.js("document.getElementById('sofar').textContent")
        assert known["why"] in page.js("document.getElementById('figures').innerText")
        assert min(page.js(SIZES)) >= 56 and page.js("document.documentElement.scrollWidth") <= width


def test_a_shoot_with_a_phone(tmp_path: Path) -> None:
    """A photo and its verdict; the same again; a lost link; a reload; undo; the laptop's program started anew."""
    first, second, third = sorted((SAMPLE / "ahead").iterdir())[:3]
    photos = tmp_path / "photos"
    served = Served(photos, tmp_path / "log")
    try:
        with Chromium() as page:
            page.open(served.link)
            page.until("typeof state !== 'undefined' && state !== null")
            assert page.js("document.documentElement.scrollWidth <= 390"), "wider than the phone"
            page.js("go('ahead')")
            page.until("state.at.name === 'ahead'")
            page.choose("#camera", first)
            page.until("document.getElementById('word').textContent === 'Good'")
            (stored,) = (photos / "ahead").iterdir()
            assert stored.read_bytes() == first.read_bytes()
            page.choose("#camera", first)
            page.until("document.getElementById('lines').textContent.includes('Already there')")
            page.offline(True)
            page.choose("#camera", second)
            page.until("queue.length === 1 && !document.getElementById('alarm').hidden")
            page.offline(False)
            page.until("queue.length === 0 && state.at.good === 2")
            page.screen(844, 390)
            page.open(served.link)
            page.until("typeof state !== 'undefined' && state !== null && state.at.name === 'ahead'")
            assert page.js("state.at.good") == 2 and page.js("document.documentElement.scrollWidth <= 844")
            for_gloves_and_sun(page)
            page.js("undo()")
            page.until("state.at.good === 1")
            old, port = served.link, served.link.split(":")[2].split("/")[0]
            assert served.end() == 0 and "rigtrue run" in served.log.read_text()
            page.choose("#camera", third)  # the laptop is asleep: the photo waits in the browser
            page.until("queue.length === 1 && !linked")
            served = Served(photos, tmp_path / "log2", port)
            with pytest.raises(urllib.error.HTTPError, match="404"):
                urllib.request.urlopen(old)
            page.open(served.link)
            page.until("typeof state !== 'undefined' && state && queue.length === 0 && state.at.good === 2")
        assert third.read_bytes() in [p.read_bytes() for p in (photos / "ahead").iterdir()]
        assert [p.read_bytes() for p in (photos / "aside").rglob("*.aside")] == [second.read_bytes()]
    finally:
        if served.process.poll() is None:
            served.end()
        shutil.rmtree(photos, ignore_errors=True)
