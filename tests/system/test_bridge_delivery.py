"""Every advisory, in order, once to the user - through what brokers do (real mosquitto)."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from brokers import Mosquitto, free_port, plain
from patience import PATIENCE_S, allowed
from reader import Reader, cancelled, until

from supervisor.edge import delivery as delivery_module
from supervisor.edge.broker import Uplink
from supervisor.edge.dial import BrokerAddress
from supervisor.edge.outbox import Outbox
from supervisor.edge.uplinkoptions import UplinkOptions
from supervisor.messages import Ack, History, Presence, Status

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "edge"))
from examples import advisory, plan, status

pytestmark = pytest.mark.system


@asynccontextmanager
async def uplink(
    port: int, outbox: Outbox | None = None, host: str = "127.0.0.1", **more: Any
) -> AsyncIterator[Uplink]:
    """An uplink that runs; ``events`` on it collects what it said."""
    events: list[tuple[str, dict[str, Any]]] = []
    callbacks = {k: more.pop(k) for k in ("on_ack", "unix_s", "telemetry_age_s") if k in more}
    options = UplinkOptions(
        BrokerAddress.parse(f"mqtt://{host}:{port}"), "saltmere-1", "f1", **more
    )
    up = Uplink(
        options,
        outbox or Outbox(None),
        on_event=lambda name, fields: events.append((name, fields)),
        **callbacks,
    )
    up.events = events  # type: ignore[attr-defined]
    task = asyncio.create_task(up.run())
    try:
        yield up
    finally:
        await cancelled(task)


async def raise_some(up: Uplink, first: int, last: int, pause_s: float = 0.0) -> None:
    for seq in range(first, last + 1):
        up.submit_advisory(advisory(seq))
        await asyncio.sleep(pause_s)


def shows(reader: Reader, last: int) -> Callable[[], bool]:
    return lambda: len(reader.seqs()) >= last


async def test_all_topics_reach_a_watcher(tmp_path: Path) -> None:
    broker = plain(tmp_path / "b").start()
    try:
        async with Reader(broker.port) as reader, uplink(broker.port) as up:
            up.submit_plan(plan())
            up.submit_status(status(1.0))
            for t in range(310):
                up.submit_track(float(t), -47.2 + t * 1e-4, 12.1, 120.0)
            await raise_some(up, 1, 20)
            await until(shows(reader, 20), "advisories")
            await until(lambda: len(reader.payloads("track")) == 1, "track")
            await until(lambda: len(reader.payloads("status")) == 1, "status")
            assert reader.seqs() == list(range(1, 21))
            assert reader.raw == reader.shown
            sent = Status.model_validate_json(reader.payloads("status")[0])
            assert sent == status(1.0).model_copy(update={"next_s": sent.next_s})
            assert sent.next_s is not None
            assert reader.payloads("plan") == [plan().payload()]
            assert up.protocol == 5
            await until(lambda: len(up.outbox) == 0, "acknowledged")
    finally:
        broker.stop()


async def test_presence_tells_stopped_from_lost(tmp_path: Path) -> None:
    broker = plain(tmp_path / "b").start()
    try:
        async with Reader(broker.port) as reader:
            async with uplink(broker.port, telemetry_age_s=lambda: 0.5):
                await until(lambda: len(reader.payloads("presence")) == 1, "online")
            await until(lambda: len(reader.payloads("presence")) == 2, "stopped")
            on, off = (Presence.model_validate_json(p) for p in reader.payloads("presence"))
            assert (on.state, on.telemetry_age_s, on.flight) == ("online", 0.5, "f1")
            assert (off.state, off.reason) == ("offline", "stopped")
            daemon = subprocess.Popen(small_daemon(broker.port, tmp_path / "o.db", "f2"))
            await until(lambda: len(reader.payloads("presence")) == 3, "online again")
            daemon.kill()
            daemon.wait()
            await until(lambda: len(reader.payloads("presence")) == 4, "last will")
            will = Presence.model_validate_json(reader.payloads("presence")[3])
            assert (will.state, will.reason, will.flight) == ("offline", "lost", "f2")
    finally:
        broker.stop()


def small_daemon(port: int, outbox: Path, flight: str) -> list[str]:
    script = Path(__file__).with_name("small_daemon.py")
    return [sys.executable, str(script), f"mqtt://127.0.0.1:{port}", str(outbox), flight]


async def test_acknowledgements_come_back_even_after_an_absence(tmp_path: Path) -> None:
    broker = plain(tmp_path / "b").start()
    acks: list[Ack] = []
    try:
        outbox = Outbox(None)
        async with uplink(broker.port, outbox, on_ack=acks.append) as up:
            await raise_some(up, 1, 2)
            await until(lambda: up.counts.advisories == 2)
            await send_ack(broker.port, 1)
            await until(lambda: len(acks) == 1)
            # The link goes without a word; the acknowledgement waits in the broker for us.
            assert up._session is not None
            up._session._client._client.socket().shutdown(2)
            await send_ack(broker.port, 2)
            await until(lambda: len(acks) == 2)
            await send_ack(broker.port, 9)  # never raised
            await until(lambda: up.counts.acks_refused == 1)
    finally:
        broker.stop()


async def send_ack(port: int, seq: int) -> None:
    ack = Ack(aircraft="saltmere-1", flight="f1", seq=seq, by="ann", utc="2026-11-25T10:00:00Z")
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.publish("homeleg/v1/saltmere-1/ack", ack.payload(), qos=1)


@pytest.mark.parametrize("persistent", [True, False], ids=["persistent", "forgetful"])
async def test_broker_killed_and_restarted(tmp_path: Path, persistent: bool) -> None:
    broker = plain(tmp_path / "b", persistent=persistent).start()
    try:
        async with Reader(broker.port) as reader, uplink(broker.port) as up:
            up.submit_plan(plan())
            await raise_some(up, 1, 10)
            await until(shows(reader, 10))
            broker.kill()
            await raise_some(up, 11, 30, 0.01)
            reader.subscribed.clear()
            broker.start()
            back_s = time.monotonic()
            if not persistent:
                # A broker that forgot its readers drops what nobody has subscribed to yet:
                # that is the reader's loss, and only persistence on shore prevents it.
                await until(reader.subscribed.is_set)
            await raise_some(up, 31, 40)
            await until(lambda: len(up.outbox) == 0, "the broker has all")
            await until(lambda: 40 in reader.seqs(), "the last one")
            assert reader.at_s[-1] - back_s < allowed(3.0, 2.0)
            if persistent:
                assert reader.seqs() == list(range(1, 41))
            assert reader.seqs() == sorted(reader.seqs())
            assert len(set(reader.shown)) == len(reader.shown)
            # A broker that lost its retained messages gets plan and presence again.
            async with Reader(broker.port, name="late") as late:
                await until(lambda: len(late.payloads("plan")) == 1, "plan is there again")
    finally:
        broker.stop()


async def test_the_next_flight_tells_its_own_plan_and_history(tmp_path: Path) -> None:
    """A new daemon takes up the session that the broker kept: that holds the last flight's plan."""
    broker = plain(tmp_path / "b").start()
    try:
        await tell_all(broker.port, "f1")
        await tell_all(broker.port, "f2")
    finally:
        broker.stop()


async def tell_all(port: int, flight: str) -> None:
    """One daemon's life, until whoever comes late is told this flight's plan and history."""
    own = plan().model_copy(update={"flight": flight})
    async with uplink(port) as up, Reader(port, name=f"watcher-{flight}") as late:
        up.submit_plan(own)
        up.submit_history(history(flight))
        await until(lambda: own.payload() in late.payloads("plan"), "its own plan")
        past = history(flight).payload()
        await until(lambda: past in late.payloads("history"), "its own history")


def history(flight: str) -> History:
    return History(aircraft="saltmere-1", flight=flight, t=9.0, points=[(1, 2, 3, 4, 5, 6, 7)],
                   before=[])  # fmt: skip


async def test_what_came_while_away_goes_when_the_broker_knows_us_again(tmp_path: Path) -> None:
    """The same process, the same session: what was given before is not sent twice, news is."""
    broker = plain(tmp_path / "b").start()
    try:
        async with Reader(broker.port) as reader, uplink(broker.port) as up:
            up.submit_plan(plan())
            await until(lambda: len(reader.payloads("plan")) == 1, "the plan")
            # it is given when the broker has said so: a reader may have it before
            await until(lambda: up._latest._plan_given is not None, "the broker's word")
            assert up._session is not None
            up.submit_history(history("f1"))
            up._session._client._client.socket().shutdown(2)  # before the history could go
            await until(lambda: len(reader.payloads("history")) == 1, "the history")
            assert up.counts.connects == 2
            assert len(reader.payloads("plan")) == 1
    finally:
        broker.stop()


async def test_broker_not_there_at_the_start(tmp_path: Path) -> None:
    broker = plain(tmp_path / "b")
    try:
        async with uplink(broker.port) as up:
            await raise_some(up, 1, 25)
            await asyncio.sleep(1.5)
            assert len(up.outbox) == 25
            broker.start()
            async with Reader(broker.port) as reader:
                began = time.monotonic()
                await until(lambda: up.counts.advisories == 25)
                assert time.monotonic() - began < allowed(3.0, 2.0)
                await raise_some(up, 26, 30)
                await until(lambda: 30 in reader.seqs())
    finally:
        broker.stop()


async def test_a_broker_that_stands_still(tmp_path: Path) -> None:
    """Frozen: TCP still answers, MQTT does not. Nothing blocks, nothing is lost."""
    broker = plain(tmp_path / "b").start()
    try:
        async with Reader(broker.port) as reader, uplink(broker.port) as up:
            await raise_some(up, 1, 5)
            await until(shows(reader, 5))
            broker.freeze()
            many = [status(float(t)) for t in range(1000)]
            await raise_some(up, 6, 40)
            began = time.monotonic()
            for one in many:
                up.submit_status(one)
            assert time.monotonic() - began < allowed(
                0.0, 1.0
            )  # a wait for the broker would be 8 s
            await asyncio.sleep(2.0)
            broker.thaw()
            await until(shows(reader, 40))
            assert reader.seqs() == list(range(1, 41))
            await asyncio.sleep(0.2)
            assert len(reader.payloads("status")) < 10  # they coalesced instead of piling up
    finally:
        broker.thaw()
        broker.stop()


async def test_another_client_with_our_name(tmp_path: Path) -> None:
    """Two that throw each other out would both be useless: ours takes another name."""
    broker = plain(tmp_path / "b").start()
    try:
        async with Reader(broker.port) as reader, uplink(broker.port) as up:
            await until(lambda: up.is_connected)
            rival = asyncio.create_task(insistent(broker.port, "homeleg-saltmere-1"))
            for seq in range(1, 31):
                up.submit_advisory(advisory(seq))
                await asyncio.sleep(0.05)
            await until(shows(reader, 30))
            assert reader.seqs() == list(range(1, 31))
            await until(lambda: up._redial.suffix != "" and up.is_connected, "another name")
            connects = up.counts.connects
            await asyncio.sleep(1.0)
            assert up.counts.connects == connects  # no more fighting
            await cancelled(rival)
    finally:
        broker.stop()


async def insistent(port: int, name: str) -> None:
    while True:
        try:
            async with aiomqtt.Client("127.0.0.1", port, identifier=name) as client:
                async for _ in client.messages:
                    pass
        except aiomqtt.MqttError:
            await asyncio.sleep(0.05)


async def test_a_watcher_that_reads_slowly_holds_nobody_up(tmp_path: Path) -> None:
    broker = plain(tmp_path / "b", extra=["max_queued_messages 10000"]).start()
    try:
        async with Reader(broker.port, name="quick") as quick, uplink(broker.port) as up:
            slow = aiomqtt.Client("127.0.0.1", broker.port, identifier="slow", clean_session=False)
            async with slow:
                await slow.subscribe("homeleg/v1/+/advisory", qos=1)
                sock = slow._client.socket()
                slow._loop.remove_reader(sock)  # it hears nothing from now on
                await raise_some(up, 1, 200)
                await until(shows(quick, 200))
                slow._client._sock_close()
            async with Reader(broker.port, name="slow") as late:  # the same session
                await until(shows(late, 200))
                assert late.seqs() == list(range(1, 201))
    finally:
        broker.stop()


async def test_the_embedded_broker_speaks_3_1_1_only() -> None:
    command = [sys.executable, "-m", "supervisor.edge.embedded", "--port", "0"]
    process = await asyncio.create_subprocess_exec(
        *command, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stdin is not None
    port = int((await process.stdout.readline()).split()[1])
    began = time.monotonic()
    async with uplink(port) as up:
        await until(lambda: up.is_connected)
        assert time.monotonic() - began < allowed(1.5, 1.5)
        assert up.protocol == 4
        async with Reader(port) as reader:
            await raise_some(up, 1, 50)
            await until(shows(reader, 50))
            assert reader.seqs() == list(range(1, 51))
    process.stdin.close()
    assert await asyncio.wait_for(process.wait(), PATIENCE_S) == 0


async def test_3_1_1_and_an_access_list_that_says_no(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The broker acknowledges what it throws away: both sides find out, and nothing is lost."""
    monkeypatch.setattr(delivery_module, "ECHO_S", 0.5)
    rules = tmp_path / "rules"
    rules.write_text("topic read homeleg/v1/#\ntopic write homeleg/v1/+/presence\n")
    broker = plain(tmp_path / "b", extra=[f"acl_file {rules}"]).start()
    try:
        async with Reader(broker.port) as reader, uplink(broker.port) as up:
            up._redial.protocol = 4
            await until(lambda: up.is_connected)
            assert up.protocol == 4
            await raise_some(up, 1, 30)
            await until(lambda: len(up.troubles) == 1, "it is said")
            assert "access list" in up.troubles[0]
            assert [f["why"] for name, f in up.events if name == "broker_hands_nothing_on"]
            assert (len(up.outbox), up.counts.advisories, reader.seqs()) == (30, 0, [])
            rules.write_text("topic readwrite homeleg/v1/#\n")
            broker.reload()
            assert up._session is not None
            up._session._client._client.socket().shutdown(2)  # the next connection sends it again
            await until(lambda: len(up.outbox) == 0, "delivered after all")
            await until(shows(reader, 30))
            assert reader.seqs() == list(range(1, 31))
            await until(lambda: up.troubles == [], "it is well again")
    finally:
        broker.stop()


async def test_3_1_1_proves_delivery_with_the_first_advisory(tmp_path: Path) -> None:
    broker = plain(tmp_path / "b").start()
    try:
        async with Reader(broker.port) as reader, uplink(broker.port) as up:
            up._redial.protocol = 4
            await until(lambda: up.is_connected)
            await raise_some(up, 1, 50)
            await until(lambda: len(up.outbox) == 0)
            await until(shows(reader, 50))
            assert reader.raw == [("f1", seq) for seq in range(1, 51)]
            assert up.troubles == []
    finally:
        broker.stop()


async def test_a_port_that_is_no_broker(tmp_path: Path) -> None:
    """It says something and goes on trying; the real broker appears there later."""
    port = free_port()

    async def rude(_r: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()

    server = await asyncio.start_server(rude, "127.0.0.1", port)
    async with uplink(port) as up:
        await raise_some(up, 1, 3)
        await until(lambda: up.counts.failures >= 3)
        server.close()
        await server.wait_closed()
        broker = Mosquitto(tmp_path / "b", f"listener {port}\nallow_anonymous true\n", port)
        try:
            broker.start()
            await until(lambda: up.counts.advisories == 3)
        finally:
            broker.stop()
