"""The main job, end to end, with real processes, real sockets and a real broker."""

from __future__ import annotations

import itertools
import json
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from brokers import Mosquitto, free_port, free_udp_port, program
from patience import PATIENCE_S

from sim import scenario

pytestmark = [pytest.mark.system, pytest.mark.slow]

FLIGHT = scenario.FOLDER / "estuary" / "flight.toml"
HOMELEG = [sys.executable, "-m", "supervisor"]
FAST = "1000"  # the demo waits for its daemon: as fast as this machine is


def homeleg(*words: str, timeout: float = 900.0) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*HOMELEG, *words], capture_output=True, text=True, timeout=timeout)


def open_broker(folder: Path) -> Mosquitto:
    program()
    port = free_port()
    config = f"listener {port} 127.0.0.1\nallow_anonymous true\n"
    return Mosquitto(folder / "broker", config, port).start()


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """One demo with the embedded broker: its folder and what it printed."""
    out = tmp_path_factory.mktemp("demo")
    run = homeleg("demo", "--seed", "3", "--rate", FAST, "--out", str(out))
    assert run.returncode == 0, run.stdout + run.stderr
    return out, run.stdout


@pytest.fixture(scope="module")
def replayed(shown: tuple[Path, str]) -> list[str]:
    """What a replay of the demo's recording prints, advisories and statuses."""
    recording = str(shown[0] / "flight.mcap")
    run = homeleg("replay", recording, "--flight", str(FLIGHT), "--json", "--status")
    assert run.returncode == 0, run.stderr
    return run.stdout.splitlines(keepends=True)


def lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


class TestDemo:
    def test_the_pilot_is_warned_and_lands_with_the_reserve(self, shown: tuple[Path, str]) -> None:
        out, text = shown
        summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
        assert summary["exit_reason"] == "landed with the final reserve"
        assert summary["landing_energy_wh"] >= summary["final_reserve_wh"] > 0
        assert summary["turn_back_s"] > 600
        assert "Turn back now" in text
        assert "local rules" in text

    def test_advisories_came_in_order(self, shown: tuple[Path, str]) -> None:
        said = lines(shown[0] / "advisories.jsonl")
        assert [a["seq"] for a in said] == list(range(1, len(said) + 1))
        conditions = [a["condition"] for a in said if a["level"] != "normal"]
        assert conditions.index("turn-back-soon") < conditions.index("turn-back-now")
        for advisory in said:
            assert {"t", "condition", "level", "numbers"} <= advisory.keys()

    def test_one_seed_is_one_demo(self, shown: tuple[Path, str], tmp_path: Path) -> None:
        # Through another broker, protocol version and pace: nothing of it may show.
        broker = open_broker(tmp_path)
        again = homeleg(
            "demo", "--seed", "3", "--rate", "200", "--out", str(tmp_path / "again"),
            "--broker", f"mqtt://127.0.0.1:{broker.port}",
        )  # fmt: skip
        broker.stop()
        assert again.returncode == 0, again.stdout + again.stderr
        first = (shown[0] / "advisories.jsonl").read_bytes()
        assert (tmp_path / "again" / "advisories.jsonl").read_bytes() == first

    def test_a_replay_gives_the_same_bytes(
        self, shown: tuple[Path, str], replayed: list[str]
    ) -> None:
        advisories = "".join(line for line in replayed if "phase" not in json.loads(line))
        assert advisories == (shown[0] / "advisories.jsonl").read_text(encoding="utf-8")

    def test_replay_shows_a_status_each_ten_seconds(
        self, shown: tuple[Path, str], replayed: list[str]
    ) -> None:
        times = [m["t"] for m in map(json.loads, replayed) if "phase" in m]
        flight_s = json.loads((shown[0] / "summary.json").read_text(encoding="utf-8"))["flight_s"]
        assert len(times) == pytest.approx(flight_s / 10, rel=0.05)
        assert all(a // 10 < b // 10 for a, b in itertools.pairwise(times))


def hasty_flight(folder: Path) -> Path:
    """The gauge round for a nervous owner: so large a reserve that the turn comes early."""
    text = FLIGHT.read_text(encoding="utf-8")
    text = re.sub(r"final_reserve = .*", "final_reserve = { nameplate_percent = 69.0 }", text)
    path = folder / "hasty.toml"
    path.write_text(text, encoding="utf-8")
    return path


def until(true: Callable[[], bool], what: str) -> None:
    """Wait for a condition; fail when it does not come."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, what
        time.sleep(0.05)


def quiet_for(seconds: float, path: Path) -> None:
    """Wait until nothing about the flight has been heard for a while (at most five minutes);
    presence goes on as long as the daemon does."""
    end, count, since = time.monotonic() + 300.0, -1, time.monotonic()
    while time.monotonic() < end and time.monotonic() - since < seconds:
        told = sum(b"/status " in line for line in path.read_bytes().splitlines())
        if told != count:
            count, since = told, time.monotonic()
        time.sleep(0.5)


def test_simulator_daemon_broker_and_subscriber_are_four_processes(tmp_path: Path) -> None:
    broker = open_broker(tmp_path)
    udp = free_udp_port()
    topics = ["-t", "homeleg/v1/heron-1/#", "-F", "%t %p", "-q", "1"]
    heard_file = tmp_path / "heard"
    with heard_file.open("wb") as heard_by:
        listener = subprocess.Popen(
            ["mosquitto_sub", "-p", str(broker.port), *topics], stdout=heard_by
        )
    daemon = subprocess.Popen(
        [*HOMELEG, "run", "--flight", str(hasty_flight(tmp_path)), "--clock", "telemetry",
         "--link", f"udp:127.0.0.1:{udp}", "--broker", f"mqtt://127.0.0.1:{broker.port}",
         "--storage", str(tmp_path / "aboard"), "--log", "json"],
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    aircraft = homeleg(
        "fly", "--scenario", "estuary", "--seed", "1", "--rate", "120", "--turn-back-at", "1500",
        "--to", f"udp:127.0.0.1:{udp}",
    )  # fmt: skip
    assert aircraft.returncode == 0, aircraft.stderr
    quiet_for(8.0, heard_file)  # on a busy machine the daemon still works through what it heard
    daemon.send_signal(signal.SIGTERM)
    _, log = daemon.communicate(timeout=PATIENCE_S)
    assert daemon.returncode == 0, log
    assert "Traceback" not in log
    until(lambda: b'"state":"offline"' in heard_file.read_bytes(), "goodbye")
    listener.terminate()
    listener.wait(PATIENCE_S)
    heard = heard_file.read_text(encoding="utf-8")
    broker.stop()
    by_leaf: dict[str, list[dict[str, Any]]] = {}
    for line in heard.splitlines():
        topic, payload = line.split(" ", 1)
        by_leaf.setdefault(topic.rsplit("/", 1)[1], []).append(json.loads(payload))
    said = by_leaf["advisory"]
    assert [a["seq"] for a in said] == list(range(1, len(said) + 1))
    assert {"turn-back-soon", "turn-back-now"} <= {a["condition"] for a in said}
    assert by_leaf["presence"][-1]["state"] == "offline"
    assert by_leaf["plan"][0]["home"]["name"] == "Saltmere box"
    assert len(by_leaf["status"]) > 50
    assert (tmp_path / "aboard" / "heron-1-00001.mcap").stat().st_size > 100_000


# --- bad input: a sentence and a status, never a traceback ----------------------------------------


def refused(*words: str) -> str:
    run = homeleg(*words, timeout=PATIENCE_S)
    assert run.returncode == 2, run.stderr
    assert "Traceback" not in run.stderr
    return run.stderr


def test_a_missing_flight_file(tmp_path: Path) -> None:
    assert "nowhere.toml" in refused("run", "--flight", str(tmp_path / "nowhere.toml"))


def test_a_malformed_flight_file(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("[aircraft\n", encoding="utf-8")
    assert "bad.toml" in refused("run", "--flight", str(bad))


def test_a_contradictory_flight_file(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    text = FLIGHT.read_text(encoding="utf-8").replace("confidence = 0.99", "confidence = 99.0")
    bad.write_text(text, encoding="utf-8")
    message = refused("run", "--flight", str(bad))
    assert "confidence" in message
    assert "99" in message


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--link", "carrier-pigeon:7"),
        ("--link", "udp:127.0.0.1:99999"),
        ("--link", "serial:/dev/no-such-port:57600"),
        ("--broker", "http://127.0.0.1"),
    ],
)
def test_addresses_that_cannot_work(option: str, value: str, tmp_path: Path) -> None:
    words = ("run", "--flight", str(FLIGHT), "--storage", str(tmp_path), option, value)
    assert value.split(":")[1].split("/")[-1] in refused(*words)


def test_a_busy_port(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"udp:127.0.0.1:{taken.getsockname()[1]}"
        words = ("run", "--flight", str(FLIGHT), "--storage", str(tmp_path), "--link", address)
        assert address in refused(*words)


def test_replay_of_what_is_no_recording(tmp_path: Path) -> None:
    bad = tmp_path / "bad.mcap"
    bad.write_bytes(b"not a recording")
    assert "bad.mcap" in refused("replay", str(bad))


def test_garbage_and_an_absent_broker_are_lived_with(tmp_path: Path) -> None:
    udp, log_file = free_udp_port(), tmp_path / "log"
    with log_file.open("w") as log_by:
        daemon = subprocess.Popen(
            [*HOMELEG, "run", "--flight", str(FLIGHT), "--link", f"udp:127.0.0.1:{udp}",
             "--broker", f"mqtt://127.0.0.1:{free_port()}", "--storage", str(tmp_path),
             "--log", "json"],
            stderr=log_by,
        )  # fmt: skip
    until(lambda: "broker_lost" in log_file.read_text(), "it says that it cannot reach it")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as noise:
        for size in range(1, 280):
            noise.sendto(bytes((size * k) & 0xFF for k in range(size)), ("127.0.0.1", udp))
        noise.sendto(b"\xfd" * 4000, ("127.0.0.1", udp))
    time.sleep(1.0)
    assert daemon.poll() is None
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(PATIENCE_S) == 0
    assert "Traceback" not in log_file.read_text()
