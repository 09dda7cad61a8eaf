"""The web shell: serves the page's own files, a stream of views, and takes acknowledgements.

Bound to loopback unless told. A strict content policy, no script from elsewhere, no inline style;
a request must name this host (so that no foreign site can reach in through a name of its own), and
only someone at this very computer may acknowledge.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from supervisor.watch.listener import Listener
from supervisor.watch.picture import Picture
from supervisor.watch.view import row, urgency, view

PAGE = Path(__file__).parent / "page"
KINDS = {
    ".html": "text/html",
    ".js": "text/javascript",
    ".css": "text/css",
    ".svg": "image/svg+xml",
}
TICK_S = 1.0  # the page counts on by the second
PAUSE_S = 0.2  # several messages within this time are shown at once


class AckWish(BaseModel):
    """What the page asks for."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    aircraft: str
    flight: str
    seq: int


class Guard:
    """Refuses foreign host names and adds the content policy to every answer."""

    def __init__(self, app: ASGIApp, host: str, tiles: str) -> None:
        self.app, self.host = app, host
        self.headers = security_headers(tiles)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        named = dict(scope["headers"]).get(b"host", b"").decode("latin-1")
        if not trusted_host(named, self.host):
            await Response("unknown host", 421)(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *self.headers]
            await send(message)

        await self.app(scope, receive, guarded)


def trusted_host(named: str, host: str) -> bool:
    """A bare address, localhost, or the name that was bound; never another name."""
    name = urlsplit(f"//{named}").hostname or ""
    if name in ("localhost", host):
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def security_headers(tiles: str) -> list[tuple[bytes, bytes]]:
    """Only our own files; pictures also from the tile server that the user named."""
    parts = urlsplit(tiles)
    images = f"'self' {parts.scheme}://{parts.netloc}" if tiles else "'self'"
    policy = (
        f"default-src 'none'; script-src 'self'; style-src 'self'; img-src {images}; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
        "require-trusted-types-for 'script'"
    )
    return [
        (b"content-security-policy", policy.encode()),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"cache-control", b"no-store"),
        (b"cross-origin-opener-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
    ]


def application(
    listener: Listener, *, host: str, tiles: str = "", units: str = "metric"
) -> ASGIApp:
    """The whole page as an ASGI application."""
    shell = Shell(listener, tiles, units)
    routes = [
        Route("/", shell.file),
        Route("/page/{name}", shell.file),
        Route("/events", shell.events),
        Route("/history", shell.history),
        Route("/ack", shell.ack, methods=["POST"]),
    ]
    return Starlette(routes=routes, middleware=[Middleware(Guard, host=host, tiles=tiles)])


class Shell:
    """The routes."""

    def __init__(self, listener: Listener, tiles: str, units: str) -> None:
        self.listener, self.tiles, self.units = listener, tiles, units
        self._files = {
            p.name: (p.read_bytes(), KINDS[p.suffix]) for p in PAGE.iterdir() if p.suffix in KINDS
        }

    async def file(self, request: Request) -> Response:
        """One of the page's files, from memory: no path of the request touches the disk."""
        found = self._files.get(request.path_params.get("name", "index.html"))
        if found is None:
            return Response("not found", 404)
        return Response(found[0], media_type=found[1])

    async def events(self, request: Request) -> Response:
        """Server-sent events: the fleet's rows, and the full view of the aircraft asked for."""
        wanted = request.query_params.get("aircraft", "")
        return StreamingResponse(
            self._stream(wanted, _is_here(request)), media_type="text/event-stream"
        )

    async def _stream(self, wanted: str, may_ack: bool) -> AsyncIterator[bytes]:
        listener = self.listener
        settings = {
            "tiles": self.tiles,
            "units": self.units,
            "person": listener.ring.person,
            "may_ack": may_ack,
        }
        yield _event("settings", settings)
        while True:
            seen, now_s, lost_s = listener.version, listener.clock(), listener.lost_s
            rows = [row(p, now_s, lost_s) for p in listener.pictures.values()]
            rows.sort(key=urgency)
            fleet = {
                "rows": rows,
                "lost_s": None if lost_s is None else now_s - lost_s,
                "now_s": now_s,
                "fault": listener.store.fault,
            }
            yield _event("fleet", fleet)
            shown = wanted or (rows[0].aircraft if len(rows) == 1 else "")
            picture = listener.pictures.get(shown)
            if picture is not None:
                yield _event("view", view(picture, now_s, lost_s))
            await asyncio.sleep(PAUSE_S)
            await listener.change(seen, TICK_S - PAUSE_S)

    async def history(self, request: Request) -> Response:
        """The flight so far: the margin strip's points and the track."""
        picture = self.listener.pictures.get(request.query_params.get("aircraft", ""))
        if picture is None:
            return JSONResponse({"error": "no such aircraft"}, 404)
        return JSONResponse(story(picture))

    async def ack(self, request: Request) -> Response:
        """Publish an acknowledgement in the name of the person who runs this watcher."""
        if not _is_here(request) or not _same_origin(request):
            return JSONResponse({"error": "acknowledge at the watcher's own computer"}, 403)
        try:
            wish = AckWish.model_validate_json(await request.body())
            ack = await self.listener.acknowledge(wish.aircraft, wish.flight, wish.seq)
        except ValidationError:
            return JSONResponse({"error": "aircraft, flight and seq are needed"}, 400)
        except ConnectionError as error:
            return JSONResponse({"error": str(error)}, 503)
        return JSONResponse(ack.model_dump())


def story(picture: Picture) -> dict[str, Any]:
    """Rows, oldest first: ``points`` [t, P5, P50, P95, safe, level], ``track`` [t, lat, lon, h]."""
    return {
        "aircraft": picture.aircraft,
        "flight": picture.flight,
        "recalled": picture.recalled,
        "points": [
            [p.t_s, p.p05_wh, p.p50_wh, p.p95_wh, p.safe_min, p.level] for p in picture.history
        ],
        "track": [[f.t_s, f.lat_deg, f.lon_deg, f.height_m] for f in picture.track],
    }


def _event(name: str, data: object) -> bytes:
    text = json.dumps(data, separators=(",", ":"), allow_nan=False, default=_fields)
    return f"event: {name}\ndata: {text}\n\n".encode()


def _fields(value: Any) -> dict[str, Any]:
    """A slotted dataclass as an object: ``asdict`` would copy all within it first."""
    return {name: getattr(value, name) for name in value.__slots__}


def _is_here(request: Request) -> bool:
    try:
        return request.client is not None and ipaddress.ip_address(request.client.host).is_loopback
    except ValueError:
        return False


def _same_origin(request: Request) -> bool:
    """A browser names the page that sent the request; it must be ours."""
    origin = request.headers.get("origin")
    json_body = request.headers.get("content-type", "").startswith("application/json")
    return json_body and origin is not None and urlsplit(origin).netloc == request.headers["host"]
