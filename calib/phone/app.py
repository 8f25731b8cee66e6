"""The page and what it asks for, as a small web application."""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from calib.phone.bench import Bench
from calib.phone.gate import Gate, nothing
from calib.phone.state import answer_data, state_data
from capture.errors import UserError

STATIC = Path(__file__).parent / "static"
FILES = {"": ("page.html", "text/html"), "page.js": ("page.js", "text/javascript"),
         "page.css": ("page.css", "text/css")}
_ID, _HASH = re.compile(r"[0-9a-f]{16}"), re.compile(r"[0-9a-f]{64}")
STATUS = {"too_large": 413, "too_slow": 408, "disk_full": 507, "cannot_write": 507, "not_the_last": 409,
          "nothing_to_undo": 409}
SEND_AGAIN = frozenset({"too_slow", "cut_short", "damaged", "disk_full", "cannot_write"})  # the photo itself is good


def make_app(bench: Bench, token: str, host: str) -> Gate:
    """The application, behind its gate; ``host`` as a browser names it, with its port."""
    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        await bench.start()
        yield
        await bench.stop()

    async def state(request: Request) -> Response:
        phones = bench.here(_said(request, "x-phone", _ID))
        return JSONResponse(state_data(bench, request.query_params.get("at", ""), phones))

    async def photo(request: Request) -> Response:
        phone = _said(request, "x-phone", _ID)
        position = request.query_params.get("at", "")
        try:
            size = _length(request)
            answer = await bench.photo(request.stream(), size, _said(request, "x-sha256", _HASH), position, phone,
                                       _said(request, "x-upload", _ID))
        except ClientDisconnect:  # nobody is left to answer
            return nothing()
        except KeyError:
            return nothing()
        except UserError as err:
            return _trouble(err)
        return JSONResponse(answer_data(answer) | {"state": state_data(bench, position, bench.here(phone))})

    async def undo(request: Request) -> Response:
        phone = _said(request, "x-phone", _ID)
        try:
            gone = bench.undo(request.query_params.get("name", ""))
        except UserError as err:
            return _trouble(err)
        return JSONResponse({"undone": gone,
                             "state": state_data(bench, request.query_params.get("at", ""), bench.here(phone))})

    routes = [Route(f"/{name}", _file(*what), methods=["GET"]) for name, what in FILES.items()]
    routes += [Route("/state", state, methods=["GET"]), Route("/photo", photo, methods=["POST"]),
               Route("/undo", undo, methods=["POST"])]
    app = Starlette(routes=routes, lifespan=life, exception_handlers={404: _nothing, 405: _nothing, 500: _mistake})
    return Gate(app, token, host)


def _file(name: str, kind: str) -> Callable[[Request], Any]:
    content = (STATIC / name).read_bytes()

    async def serve(_: Request) -> Response:
        return Response(content, media_type=kind)

    return serve


def _said(request: Request, header: str, form: re.Pattern[str]) -> str:
    """A header of the page's, "" where it does not look as it should."""
    value = request.headers.get(header, "")
    return value if form.fullmatch(value) else ""


def _length(request: Request) -> int | None:
    value = request.headers.get("content-length", "")
    return int(value) if value.isascii() and value.isdigit() and len(value) < 16 else None


def _trouble(err: UserError) -> Response:
    """One sentence for the phone. The connection ends, as the rest of a photo may still be coming."""
    body = {"say": str(err), "code": err.code, "again": err.code in SEND_AGAIN}
    return Response(json.dumps(body), STATUS.get(err.code, 400), {"connection": "close"}, "application/json")


async def _nothing(_: Request, __: Exception) -> Response:
    return nothing()


async def _mistake(_: Request, __: Exception) -> Response:
    body = {"say": "The laptop made a mistake. Send again.", "code": "mistake", "again": True}
    return Response(json.dumps(body), 500, {"connection": "close"}, "application/json")
