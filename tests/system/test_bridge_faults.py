"""Bad links, in a network namespace of the aircraft's own: nothing lost, in order, once.

Short forms here. ``HOMELEG_LONG=1`` makes the outages ten minutes and an hour of real time.
What each test measured is printed with ``pytest -rP`` and kept in the report as properties.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
import pytest
from brokers import Mosquitto, free_port
from lab import KINDS, Lab
from patience import PATIENCE_S, allowed
from reader import Reader, until

from supervisor.edge.failures import ConnectionFailed
from supervisor.edge.redial import BACKOFF_MOST_S, BACKOFF_REFUSED_S, Redial
from supervisor.messages import Ack

pytestmark = [pytest.mark.system, pytest.mark.netns]
LONG = os.environ.get("HOMELEG_LONG") == "1"
NOON = "2026-06-01T12:00:00Z"
Report = Callable[[str, object], None]


@dataclass
class Scene:
    """A broker ashore, a watcher beside it, a daemon aboard behind the bad link."""

    lab: Lab
    broker: Mosquitto
    reader: Reader
    folder: Path
    daemon: subprocess.Popen[str] | None = None
    raised: int = 0
    events: list[dict[str, object]] = field(default_factory=list)

    def fly(self, pause_s: float, count: int, host: str = "", scale: float = 1) -> None:
        script = Path(__file__).with_name("small_daemon.py")
        address = f"mqtt://{host or self.lab.shore}:{self.broker.port}"
        aboard = [sys.executable, str(script), address, str(self.folder / "outbox.db"), "f1"]
        self.daemon = subprocess.Popen(
            [*self.lab.within, *aboard, str(pause_s), str(count), str(scale)],
            stdout=subprocess.PIPE,
            text=True,
        )
        asyncio.get_running_loop().run_in_executor(None, self._hear)

    def _hear(self) -> None:
        assert self.daemon is not None
        assert self.daemon.stdout is not None
        for line in self.daemon.stdout:
            if line.startswith("{"):
                self.events.append(json.loads(line))
            else:
                self.raised = int(line)

    async def all_shown(self, count: int, within_s: float = PATIENCE_S) -> None:
        await until(lambda: self.raised >= count, "raised", within_s)
        await until(lambda: len(self.reader.seqs()) >= count, "shown", within_s)
        assert self.reader.seqs() == list(range(1, count + 1))

    def since(self, moment_s: float) -> float:
        """Seconds from a moment to the last advisory shown."""
        return round(self.reader.at_s[-1] - moment_s, 2)


@asynccontextmanager
async def scene(tmp_path: Path, kind: str = "tun") -> AsyncIterator[Scene]:
    with Lab(kind) as lab:
        port = free_port()
        lines = f"listener {port} 127.0.0.1\nlistener {port} {lab.shore}\nallow_anonymous true\n"
        lines += f"user root\npersistence true\npersistence_location {tmp_path}/b/\n"
        lines += "autosave_on_changes true\nautosave_interval 1\nmax_queued_messages 10000\n"
        # As in deploy/mosquitto/shore.conf:
        lines += "set_tcp_nodelay true\nmax_inflight_messages 100\n"
        broker = Mosquitto(tmp_path / "b", lines, port).start()
        try:
            async with Reader(port) as reader:
                made = Scene(lab, broker, reader, tmp_path)
                try:
                    yield made
                finally:
                    if made.daemon is not None:
                        made.daemon.kill()
                        made.daemon.wait()
        finally:
            broker.stop()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("delay_s", "loss", "count"),
    [(0.2, 0.05, 40), (2.0, 0.0, 20), (0.05, 0.3, 20)],
    ids=["200ms-5%", "2s", "30%"],
)
async def test_slow_and_lossy(
    tmp_path: Path,
    record_property: Report,
    kind: str,
    delay_s: float,
    loss: float,
    count: int,
) -> None:
    async with scene(tmp_path, kind) as s:
        s.lab.link(delay_s=delay_s, loss=loss)
        began = time.monotonic()
        s.fly(0.2, count)
        await s.all_shown(count)
        record_property("all_delivered_after_s", s.since(began))
        record_property("doubles_on_the_wire", len(s.reader.raw) - count)
        lost = s.lab.lost()
        record_property("packets_lost", lost)
        assert lost is None or lost >= loss / 3  # the link really was bad
        record_property("connects", sum(e["event"] == "broker_connected" for e in s.events))


OUTAGES_S = [10.0, 600.0, 3600.0] if LONG else [10.0]


@pytest.mark.parametrize("outage_s", OUTAGES_S)
async def test_outage(tmp_path: Path, record_property: Report, outage_s: float) -> None:
    """An advisory every half second, before, during and after; back within 5 s."""
    count = int(2 * outage_s) + 10
    async with scene(tmp_path) as s:
        s.lab.link(delay_s=0.05)
        s.fly(0.5, count)
        await until(lambda: len(s.reader.seqs()) >= 4)
        s.lab.down()
        await asyncio.sleep(outage_s)
        held = s.raised - len(s.reader.seqs())
        s.lab.link(delay_s=0.05)
        back = time.monotonic()
        await until(lambda: len(s.reader.seqs()) >= held, "what was held", PATIENCE_S + held / 5)
        first = next(at for at in s.reader.at_s if at >= back) - back
        record_property("held", held)
        record_property("first_after_return_s", round(first, 2))
        await until(
            lambda: s.raised - len(s.reader.seqs()) <= 2, "caught up", PATIENCE_S + held / 5
        )
        caught_up = round(time.monotonic() - back, 2)
        record_property("caught_up_s", caught_up)
        assert first < allowed(3.0, 2.0)
        await s.all_shown(count, PATIENCE_S + outage_s / 5)


async def test_an_hour_away_hastened(tmp_path: Path, record_property: Report) -> None:
    """An hour in 20 s: the broker has forgotten our session and said that we are lost.

    What the protocol counts in time (session expiry, keepalive) is divided by 180, and so is the
    time between advisories, but for what the disk allows. What does not shrink is real: packets,
    the kernel's time limits, the pauses between attempts.
    """
    hour_s, scale = 20.0, 180.0
    async with scene(tmp_path) as s:
        s.lab.link(delay_s=0.05)
        s.fly(0.05, 300, scale=scale)
        await until(lambda: len(s.reader.seqs()) >= 10)
        s.lab.down()
        await asyncio.sleep(hour_s + 4.0)  # expiry begins when the broker has noticed
        await until(lambda: b'"lost"' in s.reader.payloads("presence")[-1])
        held = s.raised - len(s.reader.seqs())
        s.lab.link(delay_s=0.05)
        back = time.monotonic()
        await until(lambda: s.reader.at_s[-1] > back, "back")
        first = next(at for at in s.reader.at_s if at > back) - back
        assert first < allowed(3.0, 2.0)
        record_property("held", held)
        await s.all_shown(300)
        record_property("caught_up_s", s.since(back))
        ack = Ack(aircraft="saltmere-1", flight="f1", seq=300, by="ann", utc=NOON)
        async with aiomqtt.Client("127.0.0.1", s.broker.port) as client:
            await client.publish("homeleg/v1/saltmere-1/ack", ack.payload(), qos=1)
        await until(lambda: any(e["event"] == "acknowledged" for e in s.events), "it listens again")


async def test_many_short_outages(tmp_path: Path, record_property: Report) -> None:
    draw = random.Random(3)
    async with scene(tmp_path) as s:
        s.fly(0.1, 150)
        for _ in range(6):
            s.lab.link(delay_s=0.05)
            await asyncio.sleep(draw.uniform(0.5, 2.0))
            s.lab.down()
            await asyncio.sleep(draw.uniform(0.5, 2.5))
        s.lab.link(delay_s=0.05)
        back = time.monotonic()
        await s.all_shown(150)
        record_property("caught_up_s", s.since(back))


async def test_half_open(tmp_path: Path, record_property: Report) -> None:
    """The broker's host was reset during the outage: it knows nothing of our connection."""
    async with scene(tmp_path) as s:
        s.fly(0.2, 60)
        await until(lambda: len(s.reader.seqs()) >= 5)
        s.lab.down()
        s.broker.kill()
        await asyncio.sleep(3.0)
        s.broker.start()
        s.lab.link(delay_s=0.05)
        back = time.monotonic()
        await until(lambda: len(s.reader.seqs()) >= s.raised - 1)
        caught_up = round(time.monotonic() - back, 2)
        record_property("caught_up_s", caught_up)
        assert caught_up < allowed(3.0, 2.0)
        await s.all_shown(60)


async def test_change_of_address(tmp_path: Path, record_property: Report) -> None:
    """Another cell, another address: the old connection hangs, a new one is made."""
    async with scene(tmp_path) as s:
        s.lab.link(delay_s=0.05)
        s.fly(0.2, 40)
        await until(lambda: len(s.reader.seqs()) >= 5)
        s.lab.new_address()
        changed = time.monotonic()
        await until(lambda: len(s.reader.seqs()) >= s.raised - 1 >= 8)
        caught_up = round(time.monotonic() - changed, 2)
        record_property("caught_up_s", caught_up)
        assert caught_up < allowed(3.0, 2.0)
        await s.all_shown(40)


async def test_name_service_gone(tmp_path: Path, record_property: Report) -> None:
    """The name was known once; then the name service falls silent and the link breaks."""
    async with scene(tmp_path) as s:
        names = s.lab.files() / "hosts"
        names.write_text(f"{s.lab.shore} shore.example\n")
        (s.lab.files() / "resolv.conf").write_text("nameserver 10.97.0.1\n")  # answers nobody
        s.fly(0.2, 40, host="shore.example")
        await until(lambda: len(s.reader.seqs()) >= 5)
        names.write_text("")
        s.broker.kill()
        s.broker.start()
        back = time.monotonic()
        await s.all_shown(40)
        record_property("caught_up_s", s.since(back))


async def test_bytes_an_hour_in_calm(tmp_path: Path, record_property: Report) -> None:
    """Counted by the link itself: see test_bridge_volume for the figure over TLS."""
    async with scene(tmp_path) as s:
        s.fly(0.5, 20)
        await s.all_shown(20)
        assert s.lab.bytes() > 20 * 500
        record_property("ip_bytes_of_20_advisories", s.lab.bytes())


@pytest.mark.parametrize("refused", [False, True])
def test_pauses_between_attempts_stay_short_for_ever(refused: bool) -> None:
    """The part of an outage of any length that real time cannot test in a minute."""

    redial = Redial(local=False)
    found = [redial.failed(ConnectionFailed("no", refused=refused), 0.1) for _ in range(5000)]
    limit = BACKOFF_REFUSED_S if refused else BACKOFF_MOST_S
    assert max(found) <= limit <= 5.0
    assert max(found[2000:]) - min(found[2000:]) > 0.3 * limit  # jitter
