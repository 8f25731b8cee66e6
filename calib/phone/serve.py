"""Serving the page until it is stopped."""

from __future__ import annotations

import asyncio
import socket
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from calib.phone.app import make_app
from calib.phone.bench import Bench
from calib.phone.receiving import Limits
from calib.shooting.desk import Shoot

MOST_CONNECTIONS = 600


class Impatient(H11Protocol):
    """Ends connections that do not say what they want in time: each holds a file of this process."""

    first_lines = Limits().first_lines

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._waits = asyncio.get_running_loop().call_later(self.first_lines, self._give_up)

    def _give_up(self) -> None:
        if self.cycle is None and not self.transport.is_closing():
            self.transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        self._waits.cancel()
        super().connection_lost(exc)


def server(shoot: Shoot, token: str, bound: socket.socket, limits: Limits | None = None) -> uvicorn.Server:
    """A server for one shoot on a socket that is bound; ``run(sockets=[bound])`` serves until it is told to stop."""
    address, port = bound.getsockname()[:2]
    limits = limits or Limits()
    impatient = type("Impatient", (Impatient,), {"first_lines": limits.first_lines})
    app = make_app(Bench(shoot, limits), token, f"{address}:{port}" if port != 80 else address)
    config = uvicorn.Config(app, http=impatient, ws="none", loop="asyncio", access_log=False, log_level="error",
                            server_header=False, proxy_headers=False, limit_concurrency=MOST_CONNECTIONS,
                            timeout_keep_alive=20, timeout_graceful_shutdown=3, lifespan="on")
    return uvicorn.Server(config)
