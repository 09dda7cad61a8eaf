"""An OpenMetrics page on loopback, for those who collect such things. Off unless a port is given.

It answers every request on 127.0.0.1 with the same text (OpenMetrics 1.0, text format). Flat
numbers of the health message become gauges; nothing is kept, nothing is read from the request
beyond its first bytes, and there are never more than a few at once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import suppress

from pydantic import BaseModel

from supervisor.errors import LinkError

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
ASK_S = 2.0  # a client that has not asked by then is let go
MOST_AT_ONCE = 4


class MetricsPage:
    """Serves ``page()`` on ``127.0.0.1:port`` until closed."""

    def __init__(self, port: int, page: Callable[[], str]) -> None:
        self._port, self._page = port, page
        self._server: asyncio.Server | None = None
        self._busy = 0

    async def open(self) -> None:
        """Listen; LinkError when the port is taken."""
        try:
            self._server = await asyncio.start_server(
                self._answer, "127.0.0.1", self._port, limit=8192
            )
        except OSError as error:
            where = f"metrics_port {self._port}"
            raise LinkError(where, f"cannot be opened: {error.strerror}") from None

    @property
    def port(self) -> int:
        """The port it got."""
        assert self._server is not None
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        """Let go."""
        if self._server is not None:
            self._server.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._busy += 1
        try:
            if self._busy <= MOST_AT_ONCE:
                async with asyncio.timeout(ASK_S):
                    await reader.readuntil(b"\r\n\r\n")
                    writer.write(_response(self._page()))
                    await writer.drain()
        except (TimeoutError, OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            pass
        finally:
            self._busy -= 1
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()


def _response(text: str) -> bytes:
    body = text.encode()
    head = (
        f"HTTP/1.1 200 OK\r\nContent-Type: {CONTENT_TYPE}\r\n"
        f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    )
    return head.encode() + body


def openmetrics(message: BaseModel, aircraft: str) -> str:
    """All numbers and yes-or-noes of a message, one gauge each, named by their place in it."""
    lines = []
    for name, value in _flat("homeleg", message.model_dump()):
        lines.append(f"# TYPE {name} gauge")
        lines.append(f'{name}{{aircraft="{aircraft}"}} {float(value):g}')
    return "\n".join([*lines, "# EOF", ""])


def _flat(name: str, value: object) -> Iterator[tuple[str, float]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flat(f"{name}_{key}", inner)
    elif isinstance(value, list | tuple):
        yield f"{name}_count", float(len(value))
    elif isinstance(value, bool | int | float):
        yield name, float(value)
