"""The metrics page: loopback only, OpenMetrics text, deaf to rudeness."""

from __future__ import annotations

import asyncio
import re
import socket

import pytest
from pydantic import BaseModel

from supervisor.edge.metrics import CONTENT_TYPE, MetricsPage, openmetrics
from supervisor.errors import LinkError


class Inner(BaseModel):
    up: bool = True
    frames: int = 12
    age_s: float | None = None


class Outer(BaseModel):
    name: str = "text is left out"
    troubles: list[str] = ["one"]
    link: Inner = Inner()


def test_numbers_become_gauges_and_the_page_ends_as_it_must() -> None:
    page = openmetrics(Outer(), "heron-1")
    # OpenMetrics 1.0: lines of "# TYPE name gauge" and 'name{label="value"} number', then "# EOF".
    assert page.endswith("\n# EOF\n")
    rows = [line for line in page.splitlines() if not line.startswith("#")]
    assert all(re.fullmatch(r'[a-z_]+\{aircraft="heron-1"\} [-+0-9.e]+', row) for row in rows)
    assert 'homeleg_link_frames{aircraft="heron-1"} 12' in rows
    assert 'homeleg_link_up{aircraft="heron-1"} 1' in rows
    assert 'homeleg_troubles_count{aircraft="heron-1"} 1' in rows
    assert "age_s" not in page


async def ask(port: int, request: bytes) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request)
    answer = await reader.read()
    writer.close()
    return answer


async def test_it_answers_and_survives_rudeness(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("supervisor.edge.metrics.ASK_S", 0.2)
    page = MetricsPage(0, lambda: "x 1\n# EOF\n")
    await page.open()
    try:
        answer = await ask(page.port, b"GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n")
        assert answer.startswith(b"HTTP/1.1 200 OK")
        assert CONTENT_TYPE.encode() in answer
        assert answer.endswith(b"x 1\n# EOF\n")
        assert await ask(page.port, b"A" * 50_000) == b""
        assert await ask(page.port, b"never ends") == b""
        quiet = [await asyncio.open_connection("127.0.0.1", page.port) for _ in range(10)]
        for _, writer in quiet:
            writer.close()
        await asyncio.sleep(0.3)
        assert (await ask(page.port, b"\r\n\r\n")).startswith(b"HTTP/1.1 200 OK")
    finally:
        await page.close()


async def test_it_listens_on_loopback_only_and_says_when_the_port_is_taken() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(LinkError, match="metrics_port"):
            await MetricsPage(other.getsockname()[1], lambda: "").open()
