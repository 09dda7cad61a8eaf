"""The daemon live beside a bare aiomqtt echo: the same telemetry, the same broker, the same time.

Latency is from the moment that a status speaks of (for the echo: that its frame was sent) until a
subscriber has it; the forecast is made within.
"""

from __future__ import annotations

import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil
from paho.mqtt import client as paho

from supervisor.edge import wire
from supervisor.edge.delta import Unpacker
from tests.bench.feed import FLIGHT, frames_at, free_udp_port
from tests.bench.row import ROOT, Aim, Form, Row, growth, python
from tests.system.brokers import Mosquitto, free_port

START_S = 1950.0  # shortly before the turn: it looks every 2 s
RATES_HZ = (25.0, 50.0, 100.0)
WARM_S = 4.0  # until the first forecast


@dataclass(slots=True)
class Seen:
    """One process under one stream."""

    cpu_share: float = 0.0
    rss_mb: float = 0.0
    latencies_s: list[float] = field(default_factory=list)


def rows(form: Form) -> list[Row]:
    """Sizes are messages a second."""
    rates = form.pick((50.0,), RATES_HZ)
    seconds = form.pick((5.0,), (25.0, 25.0, 90.0), (60.0, 60.0, 600.0))
    runs = [_live(rate, span) for rate, span in zip(rates, seconds, strict=True)]
    _, echo = runs[-1]
    statuses = [s for ours, _ in runs for s in ours.latencies_s]
    against = "a bare aiomqtt echo of every frame, at the same time"
    name = f"daemon, {rates[-1]:.0f} messages a second"
    shares = [100.0 * ours.cpu_share for ours, _ in runs]
    memory = [ours.rss_mb for ours, _ in runs]
    return [
        Row(f"{name}: share of a core", shares[-1], "%", 100.0 * echo.cpu_share, against,
            Aim("ours", 4.0), growth("messages a second", rates, shares)),
        Row(f"{name}: resident memory", memory[-1], "MB", echo.rss_mb, against,
            Aim("ours", 90.0), growth("messages a second", rates, memory)),
        Row("daemon, telemetry to broker: median", 1e3 * statistics.median(statuses), "ms",
            1e3 * statistics.median(echo.latencies_s), against, Aim("ours", 20.0),
            note=f"{len(statuses)} statuses, forecast included"),
        Row("daemon, telemetry to broker: 99th percentile", 1e3 * _p99(statuses), "ms",
            1e3 * _p99(echo.latencies_s), against, Aim("ours", 60.0)),
    ]  # fmt: skip


def _p99(values: list[float]) -> float:
    return sorted(values)[min(int(0.99 * len(values)), len(values) - 1)]


def _live(rate_hz: float, seconds: float) -> tuple[Seen, Seen]:
    frames = list(frames_at(START_S, WARM_S + seconds, rate_hz))
    with tempfile.TemporaryDirectory() as place:
        port = free_port()
        config = f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nlog_type error\n"
        broker = Mosquitto(Path(place) / "broker", config, port).start()
        try:
            ears = _Ears(port)
            with _daemon(Path(place), port) as daemon, _echo(port) as echo:
                return _measured(frames, ears, daemon, echo)
        finally:
            broker.stop()


class _Ears:
    """A subscriber in a thread of its own; notes when what came."""

    def __init__(self, port: int) -> None:
        self.came: list[tuple[float, str, bytes]] = []
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._heard
        self._client.connect("127.0.0.1", port)
        self._client.subscribe([("homeleg/v1/+/status", 0), ("echo", 0)])
        self._client.loop_start()

    def _heard(self, _client: Any, _data: Any, message: Any) -> None:
        self.came.append((time.perf_counter(), message.topic, message.payload))

    def close(self) -> None:
        self._client.loop_stop()
        self._client.disconnect()


def _measured(
    frames: list[tuple[float, bytes]],
    ears: _Ears,
    daemon: tuple[psutil.Process, int],
    echo: tuple[psutil.Process, int],
) -> tuple[Seen, Seen]:
    ours, theirs = Seen(), Seen()
    begin, sent, first = time.perf_counter(), dict[bytes, float](), 0.0
    before: tuple[float, float, float] | None = None
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for t_s, frame in frames:
            time.sleep(max(begin + t_s - time.perf_counter(), 0.0))
            now = time.perf_counter()
            sent[frame] = now
            if not first and int.from_bytes(frame[7:10], "little") in wire.ROWS:
                first = now  # the daemon's time begins with it
            for _, port in (daemon, echo):
                sender.sendto(frame, ("127.0.0.1", port))
            if before is None and t_s >= WARM_S:
                before = (now, _used_s(daemon[0]), _used_s(echo[0]))
    assert before is not None
    span = time.perf_counter() - before[0]
    for seen, (process, _), was in ((ours, daemon, before[1]), (theirs, echo, before[2])):
        seen.cpu_share = (_used_s(process) - was) / span
        seen.rss_mb = process.memory_info().rss / 2**20
    time.sleep(0.3)
    ears.close()
    _take_latencies(ears, ours, theirs, sent, first)
    return ours, theirs


def _take_latencies(
    ears: _Ears, ours: Seen, theirs: Seen, sent: dict[bytes, float], first: float
) -> None:
    unpacker = Unpacker()
    for at, topic, payload in ears.came:
        if topic == "echo":
            theirs.latencies_s.append(at - sent[payload])
            continue
        status = json.loads(unpacker.open(topic, payload))
        if status["numbers"]:
            ours.latencies_s.append(at - first - status["t"])
    assert ours.latencies_s, "the daemon published no forecast"
    assert len(theirs.latencies_s) > 0.9 * len(sent), "the echo lost frames"


def _used_s(process: psutil.Process) -> float:
    used = process.cpu_times()
    return float(used.user + used.system)


@contextmanager
def _daemon(folder: Path, broker_port: int) -> Iterator[tuple[psutil.Process, int]]:
    port = free_udp_port()
    config = folder / "daemon.toml"
    config.write_text(
        f'log = "json"\n[link]\naddress = "udp:127.0.0.1:{port}"\nsystem_id = 1\n'
        f'[broker]\naddress = "mqtt://127.0.0.1:{broker_port}"\n'
        f'[storage]\ndirectory = "{folder}/kept"\n',
        encoding="utf-8",
    )
    words = python("-m", "supervisor", "run", "--flight", FLIGHT, "--config", config)
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [str(word) for word in words],
            cwd=ROOT,
            stderr=log,
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )
    try:
        deadline = time.monotonic() + 60.0
        while "broker_connected" not in (folder / "log").read_text(encoding="utf-8"):
            assert process.poll() is None, (folder / "log").read_text(encoding="utf-8")
            assert time.monotonic() < deadline, "the daemon did not reach the broker"
            time.sleep(0.05)
        yield psutil.Process(process.pid), port
    finally:
        process.terminate()
        process.wait(20)


@contextmanager
def _echo(broker_port: int) -> Iterator[tuple[psutil.Process, int]]:
    port = free_udp_port()
    script = Path(__file__).with_name("echo.py")
    process = subprocess.Popen(
        [sys.executable, str(script), str(port), str(broker_port)], stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == b"ready\n"
        yield psutil.Process(process.pid), port
    finally:
        process.kill()
        process.wait()
