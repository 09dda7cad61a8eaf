"""kill -9 of the daemon at random moments: nothing that was raised is lost.

10 moments here; ``HOMELEG_LONG=1`` takes 200. What counts as raised is what the daemon wrote to
standard output after ``submit_advisory`` returned; the watcher's user is the judge.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from brokers import free_udp_port, plain
from reader import Reader, until

from supervisor.edge.outbox import Outbox
from supervisor.messages import Advisory

pytestmark = [pytest.mark.system, pytest.mark.slow]
MOMENTS = 200 if os.environ.get("HOMELEG_LONG") == "1" else 10
SCRIPT = str(Path(__file__).with_name("small_daemon.py"))


async def flight(number: int, port: int, outbox: Path, draw: random.Random) -> int:
    """One life of the daemon; the number of advisories that counted as raised."""
    command = [sys.executable, SCRIPT, f"mqtt://127.0.0.1:{port}", str(outbox), f"f{number}"]
    daemon = subprocess.Popen(
        [*command, str(draw.choice([0.0, 0.003, 0.02]))], stdout=subprocess.PIPE
    )
    assert daemon.stdout is not None
    if draw.random() < 0.8:
        # So many raised, and then any moment: a busy machine is not killed earlier in its work.
        most = draw.choice([1, 2, 5, 20])
        first = b"".join([await asyncio.to_thread(daemon.stdout.readline) for _ in range(most)])
        await asyncio.sleep(draw.expovariate(1 / 0.1))
    else:  # while it starts and reads what the last life left
        first = b""
        await asyncio.sleep(draw.uniform(0.0, 0.6))
    daemon.send_signal(signal.SIGKILL)
    rest, _ = daemon.communicate()
    lines = (first + rest).split(b"\n")[:-1]  # a line cut off was not said
    return max((int(line) for line in lines if line.isdigit()), default=0)


async def test_nothing_raised_is_lost(tmp_path: Path, record_property: object) -> None:
    draw = random.Random(20261125)
    broker = plain(tmp_path / "b", persistent=True, extra=["max_queued_messages 0"]).start()
    outbox = tmp_path / "outbox.db"
    raised: dict[str, int] = {}
    try:
        async with Reader(broker.port) as reader:
            for number in range(MOMENTS):
                if draw.random() < 0.25:  # some lives pass without a broker at all
                    broker.stop()
                    raised[f"f{number}"] = await flight(number, broker.port, outbox, draw)
                    broker.start()
                else:
                    raised[f"f{number}"] = await flight(number, broker.port, outbox, draw)
            command = [sys.executable, SCRIPT, f"mqtt://127.0.0.1:{broker.port}", str(outbox)]
            last = subprocess.Popen([*command, "last", "0.01", "1"], stdout=subprocess.DEVNULL)
            await until(lambda: reader.seqs("last") == [1], "the last life delivers all")
            last.kill()
            last.wait()
    finally:
        broker.stop()
    assert sum(raised.values()) > MOMENTS
    for name, count in raised.items():
        shown = reader.seqs(name)
        assert shown == list(range(1, len(shown) + 1)), name
        # One more may have reached the disk without having been said.
        assert count <= len(shown) <= count + 1, name
    order = [int(name[1:]) for name, _ in reader.shown if name != "last"]
    assert order == sorted(order)  # flights in order too
    left = Outbox(outbox)
    # What the last life was told of but had no time to delete has been shown: it would come again,
    # as a double that the watcher drops.
    told = [Advisory.model_validate_json(held.payload) for held in left.pending()]
    assert {(one.flight, one.seq) for one in told} <= set(reader.shown)
    print(f"{MOMENTS} kills, {sum(raised.values())} raised, {len(reader.shown) - 1} shown once,")
    print(f"{len(reader.raw) - len(reader.shown)} doubles on the wire dropped")
    if callable(record_property):
        record_property("raised", sum(raised.values()))


HOMELEG = [sys.executable, "-m", "supervisor"]
SCENE = Path(__file__).resolve().parents[2] / "sim" / "scenarios" / "estuary"


def life(command: list[str], log: Path) -> subprocess.Popen[bytes]:
    with log.open("wb") as file:
        return subprocess.Popen(command, stderr=file)


def told(log: Path) -> tuple[str, list[int]]:
    """The flight of one life and the advisories that it wrote into its log as raised."""
    flight, seqs = "", []
    for line in log.read_bytes().split(b"\n")[:-1]:
        row = json.loads(line)
        flight = row.get("flight", flight) if row["event"] == "daemon_ready" else flight
        if row["event"] == "advisory":
            seqs.append(row["seq"])
    return flight, seqs


async def test_the_real_daemon_on_a_real_link(tmp_path: Path) -> None:
    """`homeleg run` behind a flying simulator, killed in flight and started again by systemd's
    stand-in; every advisory that any life logged reaches the watcher, each life's in order.
    """
    text = (SCENE / "flight.toml").read_text(encoding="utf-8")
    nervous = "final_reserve = { nameplate_percent = 69.0 }"  # so advisories come early and many
    flight = tmp_path / "nervous.toml"
    flight.write_text(re.sub(r"final_reserve = .*", nervous, text), encoding="utf-8")
    broker = plain(tmp_path / "b", persistent=True).start()
    link = f"udp:127.0.0.1:{free_udp_port()}"
    command = [*HOMELEG, "run", "--flight", str(flight), "--clock", "telemetry", "--link", link]
    command += ["--broker", f"mqtt://127.0.0.1:{broker.port}", "--log", "json"]
    command += ["--storage", str(tmp_path / "aboard")]
    aircraft = subprocess.Popen(
        [*HOMELEG, "fly", "--scenario", "estuary", "--rate", "60", "--to", link, "--wait", "2"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    draw = random.Random(7)
    logs = [tmp_path / f"log{n}" for n in range(4)]
    try:
        async with Reader(broker.port) as reader:
            for log in logs:
                daemon = life(command, log)
                await until(lambda log=log: b'"advisory"' in log.read_bytes(), "an advisory")
                await asyncio.sleep(draw.uniform(0.0, 0.3))
                daemon.kill()
                daemon.wait()
            aircraft.kill()
            last = life(command, tmp_path / "last")
            await until(lambda: b"broker_connected" in (tmp_path / "last").read_bytes())
            raised = {(flight, seq) for flight, seqs in map(told, logs) for seq in seqs}
            await until(lambda: raised <= set(reader.shown), "all that was raised")
            last.kill()
            last.wait()
            for name, _ in map(told, logs):
                assert reader.seqs(name) == list(range(1, len(reader.seqs(name)) + 1))
            assert len({name for name, _ in raised}) == 4
    finally:
        aircraft.kill()
        aircraft.wait()
        broker.stop()
