"""A real browser without a window, driven by its own debugging protocol; for tests of the phone page."""

from __future__ import annotations

import base64
import json
import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.request import urlopen

BROWSER = next((b for n in ("chromium", "chromium-browser", "google-chrome") if (b := shutil.which(n))), None)


class Chromium:
    """One tab; use in a with statement."""

    def __init__(self, width: int = 390, height: int = 844) -> None:
        from websockets.sync.client import connect

        assert BROWSER is not None
        self.home = tempfile.mkdtemp(prefix="rigtrue-chromium-")
        self.process = subprocess.Popen(
            [BROWSER, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
             "--remote-debugging-port=0", f"--user-data-dir={self.home}", f"--window-size={width},{height}",
             "about:blank"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
        try:
            said = Path(self.home) / "DevToolsActivePort"
            wait(lambda: said.is_file() and len(said.read_text().splitlines()) == 2, 60)
            port = said.read_text().split()[0]
            with urlopen(f"http://127.0.0.1:{port}/json/list") as r:
                pages = [p for p in json.load(r) if p["type"] == "page"]
            self._connection = connect(pages[0]["webSocketDebuggerUrl"], max_size=None)
            self.socket = self._connection.__enter__()
        except BaseException:
            self.close()
            raise
        self.count = 0
        self.screen(width, height)
        self("DOM.enable")
        self("Network.enable")

    def __call__(self, method: str, **params: Any) -> dict[str, Any]:
        """One command of the protocol, and its answer."""
        self.count += 1
        self.socket.send(json.dumps({"id": self.count, "method": method, "params": params}))
        while True:
            got = json.loads(self.socket.recv(timeout=60))
            if got.get("id") == self.count:
                assert "error" not in got, got
                return dict(got["result"])

    def screen(self, width: int, height: int) -> None:
        self("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=2, mobile=True)

    def open(self, url: str) -> None:
        self("Page.navigate", url=url)

    def js(self, code: str) -> Any:
        """The value of an expression in the page."""
        got = self("Runtime.evaluate", expression=code, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in got, got
        return got["result"].get("value")

    def until(self, code: str, seconds: float = 60) -> None:
        """Wait for an expression to hold in the page."""
        wait(lambda: self.js(code), seconds, code)

    def choose(self, selector: str, *files: Path) -> None:
        """Put files into a file input, as a person does."""
        root = self("DOM.getDocument")["root"]["nodeId"]
        node = self("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        self("DOM.setFileInputFiles", nodeId=node, files=[str(f) for f in files])

    def offline(self, off: bool) -> None:
        self("Network.emulateNetworkConditions", offline=off, latency=0, downloadThroughput=-1, uploadThroughput=-1)

    def picture(self, path: Path) -> None:
        path.write_bytes(base64.b64decode(self("Page.captureScreenshot", format="png")["data"]))

    def close(self) -> None:
        if hasattr(self, "socket"):
            self._connection.__exit__(None, None, None)
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        shutil.rmtree(self.home, ignore_errors=True)

    def __enter__(self) -> Chromium:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None,
                 ) -> None:
        self.close()


def wait(until: Any, seconds: float, what: str = "the browser") -> None:
    """Wait for ``until()`` to hold."""
    end = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < end, f"not within {seconds} s: {what}"
        time.sleep(0.05)
