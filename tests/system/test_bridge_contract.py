"""The shipped AsyncAPI document and JSON Schemas against what is really published.

The witnesses are mosquitto, which carries it, and the `jsonschema` library, which judges it.
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from brokers import free_udp_port, plain
from jsonschema import Draft202012Validator
from patience import PATIENCE_S

from supervisor import asyncapi
from supervisor.edge.delta import Unpacker
from supervisor.edge.signatures import Verifier, load_keyring
from supervisor.keys import Fleet, Wanted

pytestmark = [pytest.mark.system, pytest.mark.slow]
ROOT = Path(__file__).resolve().parents[2]
SCENE = ROOT / "sim" / "scenarios" / "estuary"
HOMELEG = [sys.executable, "-m", "supervisor"]


def test_the_shipped_files_are_what_the_models_generate() -> None:
    for path, text in asyncapi.shipped().items():
        assert path.read_text(encoding="utf-8") == text, (
            f"{path.name} is stale: python -m supervisor.asyncapi --write"
        )


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if "$ref" in value:
            yield value["$ref"]
        for one in value.values():
            yield from references(one)
    elif isinstance(value, list):
        for one in value:
            yield from references(one)


def test_every_reference_leads_somewhere() -> None:
    document = json.loads((asyncapi.DATA / "asyncapi.json").read_text())
    assert document["asyncapi"] == "3.0.0"
    found = set(references(document))
    assert len(found) > 20
    for reference in found:
        place: Any = document
        for step in reference.removeprefix("#/").split("/"):
            place = place[step]
        assert place
    for name in document["components"]["schemas"].values():
        Draft202012Validator.check_schema(name)


def validators() -> dict[str, Draft202012Validator]:
    folder = asyncapi.DATA / "schema"
    return {
        path.stem: Draft202012Validator(json.loads(path.read_text()))
        for path in folder.glob("*.json")
    }


def test_the_schemas_can_say_no() -> None:
    judge = validators()["ack"]
    good = {"aircraft": "a", "flight": "f", "seq": 1, "by": "ann", "utc": "2026-01-01T00:00:00Z"}
    full = {"schema_version": 1, **good}
    assert judge.is_valid(full)
    assert not judge.is_valid(full | {"seq": "one"})
    assert not judge.is_valid(full | {"more": 1})
    assert not judge.is_valid({**full, "schema_version": 2})


async def test_everything_a_real_daemon_publishes_is_as_described(tmp_path: Path) -> None:
    """Daemon and simulator as processes; each topic, its retain flag and each payload checked."""
    Fleet(tmp_path / "keys").make(Wanted(aircraft=("heron-1",), people=("ann",)))
    keys = tmp_path / "keys" / "aircraft" / "heron-1"
    broker = plain(tmp_path / "b").start()
    udp = free_udp_port()
    daemon_file = tmp_path / "daemon.toml"
    daemon_file.write_text(
        f'clock = "telemetry"\n[link]\naddress = "udp:127.0.0.1:{udp}"\n'
        f'[broker]\naddress = "mqtt://127.0.0.1:{broker.port}"\ncompress = "always"\n'
        f'signing_key = "{keys / "signing.pem"}"\npeople = "{keys / "people.toml"}"\n'
        f'[storage]\ndirectory = "{tmp_path / "aboard"}"\n[health]\nperiod_s = 5\n'
    )
    flight = str(SCENE / "flight.toml")
    daemon = subprocess.Popen(
        [*HOMELEG, "run", "--flight", flight, "--config", str(daemon_file)],
        stderr=subprocess.DEVNULL,
    )
    aircraft = subprocess.Popen(
        [*HOMELEG, "fly", "--scenario", "estuary", "--rate", "40", "--to", f"udp:127.0.0.1:{udp}"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    got: dict[str, list[bytes]] = {}
    try:
        with suppress(TimeoutError):
            async with asyncio.timeout(900.0):
                await listen(broker.port, got, until={"advisory", "track", "health", "status"})
        kept = await retained(broker.port, wanted=meant_to_be_kept())
    finally:
        aircraft.kill()
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(PATIENCE_S)
        aircraft.wait()
        broker.stop()
    judges = validators()
    verifier = Verifier(load_keyring(tmp_path / "keys" / "aircraft.toml"))
    assert set(got) >= {"status", "advisory", "plan", "track", "presence", "health"}
    assert set(got) <= set(judges)
    reader = Unpacker()
    for leaf, payloads in got.items():
        for payload in payloads:
            topic = f"homeleg/v1/heron-1/{leaf}"
            whole = reader.open(topic, payload)
            judges[leaf].validate(json.loads(whole))
            checked = verifier.check(topic, whole)
            assert checked.genuine, (leaf, checked.verdict)
    assert kept == meant_to_be_kept()
    squeezed = {row.name for row in asyncapi.LEAVES if row.squeezed}
    assert {leaf for leaf, all_ in got.items() if any(p[:1] == b"\x01" for p in all_)} == squeezed


def meant_to_be_kept() -> set[str]:
    """What the document says is retained."""
    document = json.loads((asyncapi.DATA / "asyncapi.json").read_text())
    return {
        name.removeprefix("send-")
        for name, row in document["operations"].items()
        if row["action"] == "send" and row["bindings"]["mqtt"]["retain"]
    }


async def listen(port: int, got: dict[str, list[bytes]], until: set[str]) -> None:
    """Collect payloads by leaf until there is one of each wanted."""
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("homeleg/v1/+/+", qos=1)
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            got.setdefault(str(message.topic).rsplit("/", 1)[1], []).append(message.payload)
            if until <= set(got):
                return


async def retained(port: int, wanted: set[str]) -> set[str]:
    """Leaves that a late subscriber gets at once: those wanted, and others for a second more."""
    found: set[str] = set()
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("homeleg/v1/+/+", qos=1)
        with suppress(TimeoutError):
            async with asyncio.timeout(PATIENCE_S) as limit:
                async for message in client.messages:
                    if message.retain:
                        found.add(str(message.topic).rsplit("/", 1)[1])
                        if wanted <= found:
                            limit.reschedule(asyncio.get_running_loop().time() + 1.0)
    return found
