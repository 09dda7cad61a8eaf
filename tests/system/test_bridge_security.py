"""Both set-ups over TLS with the deployed configurations; who is refused, and how it is said."""

from __future__ import annotations

import asyncio
import datetime
import json
import shutil
import socket
import ssl
import stat
import struct
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from brokers import Mosquitto, aboard, free_port, shore
from reader import Reader, cancelled, until

from supervisor.edge.broker import Uplink
from supervisor.edge.dial import BrokerAddress, Credentials
from supervisor.edge.failures import HUNG_UP
from supervisor.edge.outbox import Outbox
from supervisor.edge.signatures import Signer, Verdict, Verifier, load_keyring
from supervisor.edge.uplinkoptions import UplinkOptions
from supervisor.keys import Fleet, Wanted
from supervisor.messages import Ack

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "edge"))
from examples import advisory, status

pytestmark = pytest.mark.system
LONG_AGO = datetime.datetime(2020, 1, 1, tzinfo=datetime.UTC)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One fleet: two aircraft, two people, and a certificate that was revoked."""
    folder = tmp_path_factory.mktemp("keys")
    fleet = Fleet(folder)
    wanted = Wanted(
        servers=("127.0.0.1", "shore.example"),
        aircraft=("saltmere-1", "farrow-2", "revoked-3"),
        people=("ann", "bob"),
    )
    fleet.make(wanted)
    fleet.revoke(folder / "aircraft" / "revoked-3" / "client.pem")
    return folder


@pytest.fixture(scope="module")
def broker(keys: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    running = shore(tmp_path_factory.mktemp("shore"), keys).start()
    yield running
    running.stop()


def party(keys: Path, kind: str, name: str) -> Credentials:
    folder = keys / kind / name
    return Credentials(folder / "ca.pem", folder / "client.pem", folder / "client.key")


def options(keys: Path, port: int, name: str = "saltmere-1", **more: Any) -> UplinkOptions:
    defaults: dict[str, Any] = {
        "credentials": party(keys, "aircraft", name),
        "signer": Signer.from_file(keys / "aircraft" / name / "signing.pem"),
        "people": load_keyring(keys / "aircraft" / name / "people.toml"),
    }
    address = BrokerAddress.parse(f"mqtts://127.0.0.1:{port}")
    return UplinkOptions(address, name, "f1", **(defaults | more))


def watcher(keys: Path, port: int, name: str = "ann") -> Reader:
    ring = load_keyring(keys / "people" / name / "aircraft.toml")
    tls = party(keys, "people", name).context()
    return Reader(port, verifier=Verifier(ring), tls=tls, name=name)


async def test_straight_to_the_shore(keys: Path, broker: Mosquitto) -> None:
    """Set-up 1: signed advisories over TLS, a signed acknowledgement back."""
    acks: list[Ack] = []
    up = Uplink(options(keys, broker.port), Outbox(None), on_ack=acks.append)
    async with watcher(keys, broker.port) as reader:
        task = asyncio.create_task(up.run())
        for seq in range(1, 21):
            up.submit_advisory(advisory(seq))
        await until(lambda: len(reader.shown) == 20)
        assert reader.seqs() == list(range(1, 21))
        assert set(reader.verdicts) == {Verdict.GENUINE}
        await acknowledge(keys, broker.port, "ann", seq=3)
        await until(lambda: len(acks) == 1)
        assert (acks[0].seq, acks[0].by) == (3, "ann")
        await cancelled(task)


async def acknowledge(
    keys: Path, port: int, who: str, seq: int, signed_by: str = "", hours_off: float = 0.0
) -> None:
    folder = keys / "people" / (signed_by or who)
    now = datetime.datetime.now(datetime.UTC) + datetime.timedelta(hours=hours_off)
    ack = Ack(aircraft="saltmere-1", flight="f1", seq=seq, by=who, utc=now.isoformat())
    topic = "homeleg/v1/saltmere-1/ack"
    signer = Signer.from_file(folder / "signing.pem")
    payload = signer.sign(topic, ack.payload(), boot=1, order=seq)
    tls = party(keys, "people", who).context()
    async with aiomqtt.Client("127.0.0.1", port, tls_context=tls) as client:
        await client.publish(topic, payload, qos=1)


async def test_by_way_of_a_broker_aboard(keys: Path, broker: Mosquitto, tmp_path: Path) -> None:
    """Set-up 2: the daemon on loopback, a mosquitto that bridges over TLS, shore away a while."""
    local = aboard(tmp_path / "aboard", keys, "farrow-2", broker.port).start()
    signer = Signer.from_file(keys / "aircraft" / "farrow-2" / "signing.pem")
    people = load_keyring(keys / "aircraft" / "farrow-2" / "people.toml")
    address = BrokerAddress.parse(f"mqtt://127.0.0.1:{local.port}")
    local_options = UplinkOptions(address, "farrow-2", "f1", signer=signer, people=people)
    said: list[str] = []
    up = Uplink(
        replace(local_options, compress="always"),
        Outbox(None),
        on_event=lambda name, _fields: said.append(name),
    )
    task = asyncio.create_task(up.run())
    try:
        async with watcher(keys, broker.port, "bob") as reader:
            for seq in range(1, 11):
                up.submit_advisory(advisory(seq, aircraft="farrow-2"))
            up.submit_status(status(1.0))
            await until(lambda: len(reader.shown) == 10)
            await until(lambda: "bridge_up" in said, "the daemon knows of the bridge")
            assert up.is_connected
            broker.kill()
            await until(lambda: not up.is_connected, "the daemon knows of the outage")
            assert said[-1] == "bridge_down"
            assert up.troubles == ["the broker aboard has no link to the shore"]
            for seq in range(11, 31):
                up.submit_advisory(advisory(seq, aircraft="farrow-2"))
            await until(lambda: len(up.outbox) == 0, "taken over aboard")
            saved = tmp_path / "aboard" / "mosquitto.db"
            await until(lambda: b'"seq":30,' in saved.read_bytes(), "its own autosave")
            local.kill()  # and power goes aboard too
            local.start()
            broker.start()
            await until(lambda: len(reader.shown) == 30)
            assert reader.seqs() == list(range(1, 31))
            assert Verdict.FORGED not in reader.verdicts
            assert [p for p in reader.payloads("status") if b"saltmere-1" in p]
            bridge = [p for topic, p in reader.other if topic.endswith("farrow-2/bridge")]
            assert bridge[-1] == b"1"  # tells "link down" from "daemon down"
    finally:
        await cancelled(task)
        local.stop()


async def refused(settings: UplinkOptions, lost: str = HUNG_UP) -> str:
    """Run against the broker until it says why it was refused.

    A reason that was ``lost`` on the way comes with one of the next attempts.
    """
    said: list[str] = []
    up = Uplink(settings, Outbox(None), on_event=lambda _n, f: said.append(str(f.get("why", ""))))
    up.submit_advisory(advisory(1))
    task = asyncio.create_task(up.run())
    try:
        await until(lambda: any(text not in ("", lost) for text in said), "a refusal")
        assert len(up.outbox) == 1
        return next(text for text in said if text not in ("", lost))
    finally:
        await cancelled(task)


async def test_wrong_authority_of_the_broker(keys: Path, broker: Mosquitto, tmp_path: Path) -> None:
    Fleet(tmp_path).make(Wanted(aircraft=("saltmere-1",)))
    mixed = replace(party(keys, "aircraft", "saltmere-1"), ca=tmp_path / "ca" / "ca.pem")
    why = await refused(options(keys, broker.port, credentials=mixed))
    assert why == "the broker's certificate is from an unknown authority"


async def test_wrong_authority_of_the_aircraft(
    keys: Path, broker: Mosquitto, tmp_path: Path
) -> None:
    Fleet(tmp_path).make(Wanted(aircraft=("saltmere-1",)))
    foreign = replace(party(tmp_path, "aircraft", "saltmere-1"), ca=keys / "ca" / "ca.pem")
    why = await refused(options(keys, broker.port, credentials=foreign))
    assert why == "the broker does not know the authority of our certificate"


async def test_no_certificate(keys: Path, broker: Mosquitto) -> None:
    why = await refused(options(keys, broker.port, credentials=Credentials(keys / "ca" / "ca.pem")))
    assert why == "the broker wants a client certificate; none is set"


async def test_revoked(keys: Path, broker: Mosquitto) -> None:
    why = await refused(options(keys, broker.port, "revoked-3"))
    assert why == "the broker says that our certificate was revoked"


async def test_expired_certificate_of_the_aircraft(
    keys: Path, broker: Mosquitto, tmp_path: Path
) -> None:
    shutil.copytree(keys / "ca", tmp_path / "ca")
    Fleet(tmp_path, now=LONG_AGO).make(Wanted(aircraft=("old-4",)))
    old = party(tmp_path, "aircraft", "old-4")
    why = await refused(options(keys, broker.port, credentials=old))
    assert why == "the broker says that our certificate has expired"


async def other_shore(keys: Path, folder: Path, fleet: Fleet, names: tuple[str, ...]) -> str:
    """What we say of a broker whose certificate is not what it should be."""
    fleet.make(Wanted(servers=names))
    running = shore(folder / "b", folder).start()
    try:
        return await refused(options(keys, running.port))
    finally:
        running.stop()


async def test_expired_certificate_of_the_broker(keys: Path, tmp_path: Path) -> None:
    shutil.copytree(keys / "ca", tmp_path / "ca")
    why = await other_shore(keys, tmp_path, Fleet(tmp_path, now=LONG_AGO), ("127.0.0.1",))
    assert why == "the broker's certificate has expired (is the date right?)"


async def test_wrong_name(keys: Path, tmp_path: Path) -> None:
    shutil.copytree(keys / "ca", tmp_path / "ca")
    why = await other_shore(keys, tmp_path, Fleet(tmp_path), ("elsewhere.example", "192.0.2.1"))
    assert why == "the broker's certificate is for another address"


async def test_a_port_without_tls(keys: Path, tmp_path: Path) -> None:
    port = free_port()
    plain = Mosquitto(tmp_path, f"listener {port}\nallow_anonymous true\n", port).start()
    try:
        assert await refused(options(keys, port), lost="") == HUNG_UP
    finally:
        plain.stop()


@pytest.mark.parametrize("abrupt", [False, True], ids=["closed", "reset"])
async def test_a_broker_that_hangs_up_without_a_reason(keys: Path, abrupt: bool) -> None:
    """As when the alert that says why is overtaken by the end of the connection."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(keys / "server" / "server.pem", keys / "server" / "server.key")

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        if abrupt:  # closing with a linger of nothing resets
            linger = struct.pack("ii", 1, 0)
            writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
        writer.transport.abort()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0, ssl=context)
    async with server:
        port = server.sockets[0].getsockname()[1]
        assert await refused(options(keys, port), lost="") == HUNG_UP


async def test_a_port_with_tls_spoken_to_without(keys: Path, broker: Mosquitto) -> None:
    address = BrokerAddress.parse(f"mqtt://127.0.0.1:{broker.port}")
    why = await refused(replace(options(keys, broker.port), address=address))
    assert why.endswith("(before MQTT began: does this port want TLS, mqtts://?)")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
async def test_tls_1_1_is_refused(keys: Path, broker: Mosquitto) -> None:
    context = party(keys, "people", "ann").context()
    context.minimum_version = ssl.TLSVersion.TLSv1
    context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.raises((OSError, ssl.SSLError)):
        await asyncio.open_connection("127.0.0.1", broker.port, ssl=context)


async def test_an_aircraft_writes_only_below_its_own_topic(keys: Path, broker: Mosquitto) -> None:
    """Its advisory is refused (MQTT 5 says so) and kept, not thrown away as delivered."""
    stolen = party(keys, "aircraft", "farrow-2")
    why = await refused(options(keys, broker.port, "saltmere-1", credentials=stolen))
    assert "saltmere-1/" in why
    assert "not" in why


FORGED, LAST = b'{"forged":1}', b'{"last":1}'


async def writes(
    keys: Path, broker: Mosquitto, kind: str, name: str, topics: list[str], mark: str = ""
) -> None:
    """Publish there; ``mark``: and at last here, after which a reader need wait for no more."""
    tls = party(keys, kind, name).context()
    async with aiomqtt.Client("127.0.0.1", broker.port, tls_context=tls) as client:
        for topic in topics:
            await client.publish(topic, FORGED, qos=1)
        if mark:
            await client.publish(mark, LAST, qos=1)


async def test_what_the_access_list_lets_through(keys: Path, broker: Mosquitto) -> None:
    """Every leaf, as every kind of party; only what is meant arrives."""
    leaves = (
        "status",
        "advisory",
        "plan",
        "track",
        "presence",
        "health",
        "ack",
        "return",
        "bridge",
        "x",
    )
    names = ("saltmere-1", "farrow-2", "person.ann")
    topics = [f"homeleg/v1/{name}/{leaf}" for name in names for leaf in leaves] + ["other/topic"]
    seen: set[str] = set()
    tls = party(keys, "people", "bob").context()
    async with aiomqtt.Client("127.0.0.1", broker.port, tls_context=tls) as client:
        await client.subscribe("#", qos=1)
        for kind, name in (("aircraft", "saltmere-1"), ("people", "ann")):
            mark = "status" if kind == "aircraft" else "ack"
            await writes(keys, broker, kind, name, topics, mark=f"homeleg/v1/saltmere-1/{mark}")
            got = set()
            while (message := await anext(client.messages)).payload != LAST:
                if message.payload == FORGED:
                    got.add(str(message.topic))
            if kind == "aircraft":
                own = [leaf for leaf in leaves if leaf not in ("ack", "return", "x")]
                assert got == {f"homeleg/v1/saltmere-1/{leaf}" for leaf in own}
            else:
                mine = ("ack", "return")
                assert got == {f"homeleg/v1/{name}/{leaf}" for name in names for leaf in mine}
            seen |= got
    assert seen


async def test_an_aircraft_hears_nothing_but_its_own_acknowledgements(
    keys: Path, broker: Mosquitto
) -> None:
    tls = party(keys, "aircraft", "farrow-2").context()
    async with aiomqtt.Client("127.0.0.1", broker.port, tls_context=tls) as client:
        await client.subscribe("#", qos=1)
        await writes(keys, broker, "aircraft", "saltmere-1", ["homeleg/v1/saltmere-1/status"])
        acks = [f"homeleg/v1/{name}/ack" for name in ("saltmere-1", "farrow-2")]
        await writes(keys, broker, "people", "ann", acks, mark="homeleg/v1/farrow-2/ack")
        heard = []
        while (message := await anext(client.messages)).payload != LAST:
            heard.append(str(message.topic))
        assert heard == ["homeleg/v1/farrow-2/ack"]


async def test_a_broker_that_was_taken_over_is_seen_through(keys: Path) -> None:
    """An evil broker between aircraft and watcher: invents, changes, replays, reorders."""
    signer = Signer.from_file(keys / "aircraft" / "saltmere-1" / "signing.pem")
    ring = load_keyring(keys / "people" / "ann" / "aircraft.toml")
    topic = "homeleg/v1/saltmere-1/advisory"
    true = {n: signer.sign(topic, advisory(n).payload(), boot=1, order=n) for n in range(1, 6)}
    invented = advisory(9).payload()
    changed = true[3].replace(b'"caution"', b'"normal"')
    verifier = Verifier(ring)
    sent = [true[1], invented, true[2], changed, true[3], true[1], true[5], true[4]]
    verdicts = [verifier.check(topic, payload).verdict.value for payload in sent]
    assert verdicts == [
        "genuine", "unsigned", "genuine", "forged", "genuine", "repeated", "genuine", "replayed",
    ]  # fmt: skip
    gap = Verifier(ring)
    gap.check(topic, true[1])
    assert gap.check(topic, true[3]).missing == 1  # withheld


async def waits_for_acks(
    keys: Path, broker: Mosquitto, **more: Any
) -> tuple[list[Ack], list[str], asyncio.Task[None]]:
    """An uplink whose first advisory is out: what counts, why others do not, and its task."""
    acks: list[Ack] = []
    said: list[str] = []
    up = Uplink(
        options(keys, broker.port),
        Outbox(None),
        on_ack=acks.append,
        on_event=lambda name, fields: said.append(fields["why"]) if name == "ack_refused" else None,
        **more,
    )
    task = asyncio.create_task(up.run())
    up.submit_advisory(advisory(1))
    await until(lambda: up.counts.advisories == 1)
    return acks, said, task


async def test_forged_acknowledgements_do_not_count(keys: Path, broker: Mosquitto) -> None:
    acks, said, task = await waits_for_acks(keys, broker)
    await acknowledge(keys, broker.port, "ann", 1, signed_by="bob")
    await until(lambda: len(said) == 1)
    assert said == ["signed by another person than it names"]
    assert acks == []
    await cancelled(task)


@pytest.mark.parametrize("hours_off", [-1.0, 1.0])
async def test_an_acknowledgement_of_another_time_does_not_count(
    keys: Path, broker: Mosquitto, hours_off: float
) -> None:
    """Rightly signed, but dated outside the window by the aircraft's own date."""
    acks, said, task = await waits_for_acks(keys, broker, unix_s=time.time)
    await acknowledge(keys, broker.port, "ann", 1, hours_off=hours_off)
    await until(lambda: len(said) == 1)
    assert said == ["its date is outside the window"]
    await acknowledge(keys, broker.port, "bob", 1)
    await until(lambda: len(acks) == 1)
    assert acks[0].by == "bob"
    await cancelled(task)


def test_keys_are_for_their_owner_only_and_never_overwritten(keys: Path, tmp_path: Path) -> None:
    for path in [*keys.rglob("*.key"), *keys.rglob("signing.pem")]:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
    fleet = Fleet(tmp_path)
    wanted = Wanted(("127.0.0.1",), ("saltmere-1",), ("ann",))
    fleet.make(wanted)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    again = Fleet(tmp_path)
    again.make(wanted)
    assert again.made == []
    assert before == {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}


async def test_no_secret_is_said(keys: Path, broker: Mosquitto, tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("correct-horse-battery\n")
    said: list[str] = []
    credentials = replace(party(keys, "aircraft", "saltmere-1"), password=password)
    settings = options(keys, broker.port, credentials=credentials)
    up = Uplink(
        replace(settings, address=replace(settings.address, user="x")),
        Outbox(None),
        on_event=lambda name, fields: said.append(json.dumps([name, fields])),
    )
    task = asyncio.create_task(up.run())
    await until(lambda: up.is_connected)
    await cancelled(task)
    text = " ".join(said) + repr(up.options)
    assert "correct-horse" not in text
    for path in keys.rglob("*.key"):
        assert path.read_text().splitlines()[1] not in text
