"""Who gets in: the right address, the right token, and no page of another site. Everybody else learns nothing."""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from typing import Any

from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

GUARDS: Mapping[str, str] = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
                               "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff", "x-frame-options": "DENY", "referrer-policy": "no-referrer",
    "cache-control": "no-store", "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin", "permissions-policy": "geolocation=(), microphone=(), camera=()",
}


def nothing() -> Response:
    """The one answer to everybody who is not let in, whatever was wrong."""
    return Response(status_code=404, headers={"connection": "close"})


class Gate:
    """Lets requests through to ``app`` that name this ``host`` ("192.168.1.20:8317") and carry the ``token``.

    The token is the first part of the path; the app sees the path without it. A page of another site cannot post
    (Origin and Sec-Fetch-Site), and a name of another site that was made to point here is not answered (Host).
    """

    def __init__(self, app: ASGIApp, token: str, host: str) -> None:
        self.app, self.host = app, host.lower()
        self._token = token.encode("ascii")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # a web socket: closed before it is opened
            await send({"type": "websocket.close"})
            return
        rest = self._rest(scope)
        answer: Any = self.app if rest is not None else nothing()
        if rest is not None:
            scope = {**scope, "path": rest, "raw_path": rest.encode(), "root_path": ""}

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                mine = [(k.encode(), v.encode()) for k, v in GUARDS.items()]
                message = {**message, "headers": [*message.get("headers", []), *mine]}
            await send(message)

        await answer(scope, receive, guarded)

    def _rest(self, scope: Scope) -> str | None:
        """The path behind the token; None for who is not let in."""
        headers = Headers(scope=scope)
        said, slash, rest = scope["path"].lstrip("/").partition("/")
        # compared in any case, so that the time taken tells nothing about which of them was wrong
        known = hmac.compare_digest(said.encode("utf-8", "surrogateescape"), self._token)
        hosts = headers.getlist("host")
        here = len(hosts) == 1 and hosts[0].lower() == self.host
        own = self._own_page(scope["method"], headers)
        return f"/{rest}" if known and here and own and slash else None

    def _own_page(self, method: str, headers: Headers) -> bool:
        """Whether the request comes from the page itself, or is the link being opened."""
        if method not in ("GET", "POST"):
            return False
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        if origin is not None and origin.lower() != f"http://{self.host}":
            return False
        if method == "POST":
            return origin is not None and site in (None, "same-origin")
        # the link itself may be opened from a scanner's app, which counts as another site
        return site in (None, "same-origin", "none") or headers.get("sec-fetch-mode") == "navigate"
