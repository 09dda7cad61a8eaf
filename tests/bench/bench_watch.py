"""The watch server with up to a thousand aircraft, beside a bare aiomqtt subscriber.

Both hear the same statuses from the same broker at the same time. Costs are processor time, so
that what one core could take follows from them on a busy machine too.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from urllib.parse import urlsplit

import psutil

from supervisor.edge.dial import BrokerAddress
from supervisor.watch.listener import Broker, Listener
from supervisor.watch.shell import Shell
from supervisor.watch.store import Store
from supervisor.watch.trust import Ring
from tests.bench.fleet import spoken
from tests.bench.row import ROOT, Form, Row, cpu_s, growth, python, ran
from tests.system.brokers import Mosquitto, free_port

AIRCRAFT = (10, 100, 1000)
HZ = 200.0


@dataclass(frozen=True, slots=True)
class Heard:
    """Of one process: processor seconds a message, resident memory."""

    cpu_s: float
    rss_mb: float


def rows(form: Form) -> list[Row]:
    """Sizes are aircraft watched; the rate of messages stays the same."""
    aircraft = form.pick((20,), AIRCRAFT)
    seconds = form.pick(2.0, 15.0, 60.0)
    runs = [_watched(n, seconds, page=False) for n in aircraft]
    with_page, _ = _watched(aircraft[-1], seconds, page=True)
    ours, reference = runs[-1]
    return [
        Row(
            f"watch, one status of {aircraft[-1]:,} aircraft",
            1e6 * ours.cpu_s,
            "CPU us",
            1e6 * reference.cpu_s,
            "a bare aiomqtt subscriber with json.loads, at the same time",
            growth=growth("aircraft", aircraft, [heard.cpu_s for heard, _ in runs]),
            note=f"{1.0 / ours.cpu_s:,.0f} messages a second fill one core; with a page open "
            f"{1.0 / with_page.cpu_s:,.0f} (measured at {HZ:.0f} a second)",
        ),
        _fleet_event(form.pick((5, 10, 20), AIRCRAFT)),
        Row(
            f"watch, {aircraft[-1]:,} aircraft: resident memory",
            with_page.rss_mb,
            "MB",
            reference.rss_mb,
            "a bare aiomqtt subscriber that keeps the last of each",
            growth=growth("aircraft", aircraft, [heard.rss_mb for heard, _ in runs]),
        ),
    ]


def _fleet_event(aircraft: tuple[int, ...]) -> Row:
    """What a page is sent several times a second: one row an aircraft."""
    costs = []
    for count in aircraft:
        shell = Shell(_listening(count), "", "metric")
        text = _first_fleet(shell)
        data = json.loads(text.split(b"data: ", 1)[1])
        assert len(data["rows"]) == count, "not all aircraft are shown"
        costs.append(1e3 * cpu_s(partial(_first_fleet, shell))[0])
    dumped = cpu_s(partial(json.dumps, data))[0]
    return Row(
        f"watch, one event of a page with {aircraft[-1]:,} aircraft",
        costs[-1],
        "CPU ms",
        1e3 * dumped,
        "json.dumps of the same rows, made before",
        growth=growth("aircraft", aircraft, costs),
        note=f"{len(text) / 1000.0:,.0f} kB",
    )


def _listening(aircraft: int) -> Listener:
    broker = Broker(BrokerAddress.parse("mqtt://127.0.0.1:1"))
    listener = Listener(broker, Store(None), Ring.of(None, None, "Ada"))
    for where, payload in islice(spoken(aircraft), aircraft):
        listener.hear(where, payload, retained=False)
    return listener


def _first_fleet(shell: Shell) -> bytes:
    async def first() -> bytes:
        events = shell._stream("", True)
        while b"event: fleet" not in (event := await anext(events)):
            pass
        await events.aclose()
        return event

    return asyncio.run(first())


def _watched(aircraft: int, seconds: float, *, page: bool) -> tuple[Heard, Heard]:
    """Every aircraft is known before the time that counts begins."""
    with (
        tempfile.TemporaryDirectory() as place,
        _broker(Path(place)) as port,
        _watch(Path(place), port) as (ours, address),
        _ear(port) as theirs,
    ):
        _speak(port, aircraft, max(aircraft / HZ, 0.5))
        with _reader(address, page) as came:
            time.sleep(1.0)
            before = _used_s(ours), _used_s(theirs)
            sent = _speak(port, aircraft, seconds)
            time.sleep(0.5)
            spent = _used_s(ours) - before[0], _used_s(theirs) - before[1]
            assert not page or sum(came) > 100 * aircraft, "the page was sent nothing"
            memory = [p.memory_info().rss / 2**20 for p in (ours, theirs)]
    return Heard(spent[0] / sent, memory[0]), Heard(spent[1] / sent, memory[1])


def _speak(port: int, aircraft: int, seconds: float) -> int:
    words = "-m", "tests.bench.fleet", str(port), str(aircraft), str(HZ), str(seconds)
    return int(ran(python(*words)).out)


def _used_s(process: psutil.Process) -> float:
    used = process.cpu_times()
    return float(used.user + used.system)


@contextmanager
def _broker(folder: Path) -> Iterator[int]:
    port = free_port()
    config = f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nlog_type error\n"
    broker = Mosquitto(folder / "broker", config, port).start()
    try:
        yield port
    finally:
        broker.stop()


@contextmanager
def _watch(folder: Path, broker_port: int) -> Iterator[tuple[psutil.Process, str]]:
    """``homeleg watch`` as shipped: it keeps what it heard on disk, and serves its page."""
    words = ["-m", "supervisor", "watch", "--no-browser", "--name", "Ada"]
    words += ["--broker", f"mqtt://127.0.0.1:{broker_port}", "--store", str(folder / "store")]
    with _started(words) as (process, line):
        yield process, line.split("at ", 1)[1].split(" ", 1)[0]


@contextmanager
def _ear(broker_port: int) -> Iterator[psutil.Process]:
    with _started([str(Path(__file__).with_name("ear.py")), str(broker_port)]) as (process, _):
        yield process


@contextmanager
def _started(words: list[str]) -> Iterator[tuple[psutil.Process, str]]:
    """A Python process and the first line that it said."""
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        [sys.executable, *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=environment,
    )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        assert line, f"{words} said nothing"
        yield psutil.Process(process.pid), line
    finally:
        process.terminate()
        process.wait(20)


@contextmanager
def _reader(address: str, page: bool) -> Iterator[list[int]]:
    """What a page does: it takes every event that the server sends. Gives sizes of what came."""
    came: list[int] = []
    if not page:
        yield came
        return
    place = urlsplit(address)
    with socket.create_connection((place.hostname, place.port)) as stream:
        stream.sendall(f"GET /events HTTP/1.1\r\nHost: {place.netloc}\r\n\r\n".encode())
        thread = threading.Thread(target=_read_all, args=(stream, came), daemon=True)
        thread.start()
        yield came
        stream.shutdown(socket.SHUT_RDWR)
        thread.join(5.0)


def _read_all(stream: socket.socket, came: list[int]) -> None:
    while data := stream.recv(1 << 16):
        came.append(len(data))
