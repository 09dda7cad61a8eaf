"""A watcher in little: what its user would see of the advisories, and what came in raw."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, field

import aiomqtt
from patience import PATIENCE_S

from supervisor.edge.delta import Unpacker
from supervisor.edge.signatures import Verdict, Verifier
from supervisor.messages import Advisory


@dataclass
class Reader:
    """Subscribes with a session that the broker keeps; drops doubles by flight and number."""

    port: int
    host: str = "127.0.0.1"
    verifier: Verifier | None = None
    tls: object = None
    name: str = "watcher"
    raw: list[tuple[str, int]] = field(default_factory=list)
    shown: list[tuple[str, int]] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    verdicts: list[Verdict] = field(default_factory=list)
    other: list[tuple[str, bytes]] = field(default_factory=list)
    subscribed: asyncio.Event = field(default_factory=asyncio.Event)
    unpacker: Unpacker = field(default_factory=Unpacker)
    _task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Reader:
        self._task = asyncio.create_task(self._run())
        await asyncio.wait_for(self.subscribed.wait(), PATIENCE_S)
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        with suppress(asyncio.CancelledError):
            await self._task

    async def _run(self) -> None:
        while True:
            client = aiomqtt.Client(
                self.host,
                self.port,
                identifier=self.name,
                clean_session=False,
                timeout=10,
                tls_context=self.tls,  # type: ignore[arg-type]
            )
            with suppress(aiomqtt.MqttError):
                async with client:
                    await client.subscribe("homeleg/v1/#", qos=1)
                    self.subscribed.set()
                    async for message in client.messages:
                        self._take(str(message.topic), bytes(message.payload))  # type: ignore[arg-type]
            await asyncio.sleep(0.1)

    def _take(self, topic: str, payload: bytes) -> None:
        if not topic.endswith("/advisory"):
            self.other.append((topic, self.unpacker.open(topic, payload)))
            return
        advisory = Advisory.model_validate_json(payload)
        key = (advisory.flight, advisory.seq)
        self.raw.append(key)
        if self.verifier is not None:
            checked = self.verifier.check(topic, payload)
            self.verdicts.append(checked.verdict)
            if not checked.genuine:
                return
        if key not in self.shown:
            self.shown.append(key)
            self.at_s.append(time.monotonic())

    def seqs(self, flight: str = "f1") -> list[int]:
        """Numbers shown, in the order in which they were shown."""
        return [seq for name, seq in self.shown if name == flight]

    def payloads(self, leaf: str) -> list[bytes]:
        return [payload for topic, payload in self.other if topic.endswith(f"/{leaf}")]


async def until(true: Callable[[], bool], what: str = "", within_s: float = PATIENCE_S) -> None:
    """Wait for a condition; fail when it does not come."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, f"not within {within_s} s: {what}"
        await asyncio.sleep(0.02)


async def cancelled(task: asyncio.Task[None] | Awaitable[None]) -> None:
    """End a task and wait for its farewell."""
    assert isinstance(task, asyncio.Task)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
