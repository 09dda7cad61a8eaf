"""The optional return request over real sockets: armed by a signature, asked once; else never."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from aboard import FLIGHT, Daemon
from airframe import Airframe
from brokers import Mosquitto, plain
from patience import PATIENCE_S
from pymavlink.dialects.v20 import common

from supervisor.keys import Fleet, Wanted

pytestmark = pytest.mark.system
RETURN = 20  # MAV_CMD_NAV_RETURN_TO_LAUNCH (MAVLink common)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("keys")
    Fleet(folder).make(Wanted(("localhost",), ("heron-1",), ("ann",)))
    return folder


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    running = plain(tmp_path / "broker").start()
    yield running
    running.stop()


def anxious(folder: Path) -> Path:
    """So large a reserve that it must turn soon, and a policy that lets the request be made."""
    text = FLIGHT.read_text(encoding="utf-8")
    policy = "final_reserve = { nameplate_percent = 66.0 }"
    policy += "\nreturn_request = { after_s = 30.0, countdown_s = 20.0 }"
    text = text.replace("final_reserve = { hover_min = 3.0 }", policy)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "anxious.toml"
    path.write_text(text, encoding="utf-8")
    return path


def wish(broker: Mosquitto, keys: Path, *more: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "supervisor", "arm", "--aircraft", "heron-1", "--as", "ann"]
    where = ["--broker", f"mqtt://127.0.0.1:{broker.port}", "--keys", str(keys / "people" / "ann")]
    return subprocess.run([*command, *where, "--yes", *more], capture_output=True, text=True)


def asked(frames: list[bytes]) -> int:
    parsed = common.MAVLink(None).parse_buffer(b"".join(frames)) or []
    return sum(m.get_type() == "COMMAND_LONG" and m.command == RETURN for m in parsed)


def flown(daemon: Daemon, until_s: int = 840) -> tuple[int, list[str]]:
    """Requests that came over the link, and what was said of them."""
    airframe, frames = Airframe(), []
    for second in range(until_s):
        fast = second < 100  # take-off and climb closely, the cruise each second
        times = [second + tick / 5 for tick in range(5)] if fast else [float(second)]
        daemon.fly(airframe, times)
        frames += daemon.heard()
    daemon.wait(lambda: (daemon.recorded("status") or [{"t": 0}])[-1]["t"] > until_s - 20, "all")
    time.sleep(0.3)
    frames += daemon.heard()
    said = [a for a in daemon.recorded("advisory") if a["condition"] == "return-request"]
    assert any(a["condition"] == "turn-back-now" for a in daemon.recorded("advisory"))
    return asked(frames), [a["sentence"] for a in said]


def daemon_for(folder: Path, broker: Mosquitto, keys: Path) -> Daemon:
    section = {
        "address": f"mqtt://127.0.0.1:{broker.port}",
        "people": str(keys / "aircraft" / "heron-1" / "people.toml"),
    }
    return Daemon(folder, flight=anxious(folder), sections={"broker": section})


def test_armed_and_unanswered_it_announces_and_asks_once(
    tmp_path: Path, broker: Mosquitto, keys: Path
) -> None:
    with daemon_for(tmp_path, broker, keys) as daemon:
        daemon.wait(lambda: daemon.events("broker_connected"), "broker")
        sent = wish(broker, keys)
        assert sent.returncode == 0, sent.stderr
        daemon.wait(lambda: daemon.events("return_request_wish"), "the wish arrives")
        requests, said = flown(daemon)
        daemon.stop()
    assert requests == 1
    assert "in 20 s" in said[0]
    assert "has asked the autopilot" in said[-1]
    # A warning that ends and comes again in between only begins the countdown anew.
    assert all("in 20 s" in text or "No return" in text for text in said[:-1])


def test_stopped_nothing_is_asked(tmp_path: Path, broker: Mosquitto, keys: Path) -> None:
    with daemon_for(tmp_path, broker, keys) as daemon:
        daemon.wait(lambda: daemon.events("broker_connected"), "broker")
        assert wish(broker, keys).returncode == 0
        daemon.wait(lambda: daemon.events("return_request_wish"), "armed")
        assert wish(broker, keys, "--stop").returncode == 0
        daemon.wait(lambda: len(daemon.events("return_request_wish")) == 2, "stopped")
        requests, said = flown(daemon)
        daemon.stop()
    assert (requests, said) == (0, [])


def test_an_old_wish_does_not_arm_a_new_flight_though_the_disk_was_wiped(
    tmp_path: Path, broker: Mosquitto, keys: Path
) -> None:
    where = ["-p", str(broker.port), "-t", "homeleg/v1/heron-1/return"]
    with daemon_for(tmp_path / "first", broker, keys) as daemon:
        daemon.wait(lambda: daemon.events("broker_connected"), "broker")
        first = daemon.events("daemon_ready")[0]["flight"]
        listen = ["mosquitto_sub", *where, "-C", "1", "-N", "-i", "tap"]
        tap = subprocess.Popen(listen, stdout=subprocess.PIPE)
        daemon.wait(lambda: "Sending SUBACK to tap" in broker.log(), "the tap")
        assert wish(broker, keys).returncode == 0
        captured, _ = tap.communicate(timeout=PATIENCE_S)
        daemon.wait(lambda: daemon.events("return_request_wish"), "it counts for its own flight")
        daemon.stop()
    with daemon_for(tmp_path / "second", broker, keys) as daemon:  # as if its disk were new
        daemon.wait(lambda: daemon.events("broker_connected"), "broker")
        second = daemon.events("daemon_ready")[0]["flight"]
        assert first.rsplit("-", 1)[0] == second.rsplit("-", 1)[0]  # the same count of power-ups
        subprocess.run(["mosquitto_pub", *where, "-q", "1", "-s"], input=captured, check=True)
        daemon.wait(lambda: daemon.events("ack_refused") or daemon.events("wish_refused"), "no")
        assert not daemon.events("return_request_wish")
        daemon.stop()
