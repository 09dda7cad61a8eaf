"""Bytes an hour of a flight: ours, and the raw telemetry of the same flight on the same wire.

Run as root: ``python tests/bench/bench_volume.py [SCENARIO]``. A simulated flight is flown and
replayed through the daemon's line; what it says is then sent over TLS across a link that counts
IP bytes both ways (see tests/system/lab.py), with every period of the pacing divided by SCALE.
The hour that is counted is the longest calm part of the flight, at most an hour.

The raw stream is the frames of the same flight as the simulated aircraft sends them unasked (1 to
5 Hz, 26 frames a second; a real one sends more), forwarded over TLS for RAW_S of real time in
three ways: each frame as it comes, the same with the kernel's own coalescing (Nagle), and packed
to one write a second, which no forwarder does but which is the least that it could be.
"""

from __future__ import annotations

import json
import socket
import ssl
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

from brokers import free_port, shore
from lab import Lab

from supervisor.edge.recorder import MAVLINK
from supervisor.edge.recording import Recording
from supervisor.flightfile import load_flight
from supervisor.keys import Fleet, Wanted
from supervisor.messages import Advisory, Status
from supervisor.replay import recorded_effort, replay

ROOT = Path(__file__).resolve().parents[2]
SYSTEM = ROOT / "tests" / "system"
SCALE = 60.0
RAW_S = 60.0
HOUR_S = 3600.0
DELAY_S = 0.03
WAYS = ("as it comes", "coalesced by the kernel", "packed, once a second")


def flown(scenario: str, folder: Path) -> Path:
    """The recording of one simulated flight."""
    command = [sys.executable, "-m", "supervisor", "fly", "--scenario", scenario, "--headless"]
    command += ["--rate", "max", "--out", str(folder)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=ROOT)
    return folder / "flight.mcap"


def said(path: Path, scenario: str) -> list[Status | Advisory]:
    """Everything that the daemon says in that flight."""
    recording = Recording(path)
    flight = load_flight(ROOT / "sim" / "scenarios" / scenario / "flight.toml")
    return list(replay(recording, flight, recorded_effort(recording)))


def calm(messages: list[Status | Advisory]) -> list[Status | Advisory]:
    """The longest stretch of level "normal", at most an hour."""
    best: list[Status | Advisory] = []
    now: list[Status | Advisory] = []
    for message in messages:
        if message.level != "normal" or (now and message.t - now[0].t > HOUR_S):
            now = []
        now.append(message)
        if now[-1].t - now[0].t > (best[-1].t - best[0].t if best else 0.0):
            best = list(now)
    return best


def ours(lab: Lab, keys: Path, messages: list[Status | Advisory], folder: Path) -> dict[str, float]:
    """Send it all as the daemon does, in a SCALEth of the time."""
    path = folder / "said.jsonl"
    path.write_text("".join(f"{m.payload().decode()}\n" for m in messages), encoding="utf-8")
    broker = shore(folder / "shore", keys).start()
    try:
        lab.link(delay_s=DELAY_S / 2)
        before = lab.bytes()
        script = [
            sys.executable,
            str(SYSTEM / "hour_daemon.py"),
            f"mqtts://{lab.shore}:{broker.port}",
        ]
        daemon = subprocess.Popen(
            [*lab.within, *script, str(keys), str(SCALE), "1", str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert daemon.stdout is not None
        statuses, advisories, counted = map(int, daemon.stdout.readline().split())
        count = lab.bytes() - before
        daemon.communicate("")
    finally:
        broker.stop()
    hours = (messages[-1].t - messages[0].t) / HOUR_S
    return {
        "hours": round(hours, 3),
        "statuses_an_hour": round(statuses / hours),
        "advisories": advisories,
        "own_count_kb_an_hour": round(counted / hours / 1000.0, 1),
        "kb_an_hour": round(count / hours / 1000.0, 1),
    }


def frames(path: Path, after_s: float) -> Iterator[tuple[float, bytes]]:
    """RAW_S of frames with their times, from so long after the first."""
    first: int | None = None
    for _, t_ns, data in Recording(path).messages({MAVLINK}):
        first = t_ns if first is None else first
        t_s = (t_ns - first) * 1e-9 - after_s
        if t_s > RAW_S:
            return
        if t_s >= 0.0:
            yield t_s, data


def raw(lab: Lab, keys: Path, stream: Path, way: str) -> float:
    """kB an hour of the raw stream, sent in one of the WAYS."""
    port = free_port()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(keys / "server" / "server.pem", keys / "server" / "server.key")
    with closing(socket.create_server((lab.shore, port))) as listening:
        threading.Thread(target=_swallow, args=(listening, context), daemon=True).start()
        before = lab.bytes()
        command = [sys.executable, __file__, "--forward", lab.shore, str(port), str(stream), way]
        subprocess.run([*lab.within, *command, str(keys / "ca" / "ca.pem")], check=True)
        return (lab.bytes() - before) * HOUR_S / RAW_S / 1000.0


def _swallow(listening: socket.socket, context: ssl.SSLContext) -> None:
    with suppress(OSError):
        connection, _ = listening.accept()
        with context.wrap_socket(connection, server_side=True) as secured:
            while secured.recv(65536):
                pass


def forward(host: str, port: str, stream: str, way: str, ca: str) -> None:
    """The forwarder aboard."""
    context = ssl.create_default_context(cafile=ca)
    plain = socket.create_connection((host, int(port)))
    plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, way != WAYS[1])
    with context.wrap_socket(plain, server_hostname=host) as secured:
        start_s = time.monotonic()
        for t_s, data in _packed(Path(stream), 1.0 if way == WAYS[2] else 0.0):
            time.sleep(max(t_s - (time.monotonic() - start_s), 0.0))
            secured.sendall(data)
        time.sleep(0.5)


def _packed(stream: Path, period_s: float) -> Iterator[tuple[float, bytes]]:
    held, due_s = b"", period_s
    body = stream.read_bytes()
    at = 0
    while at < len(body):
        t_s, size = struct.unpack_from("<dH", body, at)
        held += body[at + 10 : at + 10 + size]
        at += 10 + size
        if t_s >= due_s:
            yield t_s, held
            held, due_s = b"", t_s + period_s if period_s else 0.0
    if held:
        yield due_s, held


def main(scenario: str) -> None:
    """Fly, send, count, print."""
    with tempfile.TemporaryDirectory() as place, Lab() as lab:
        folder = Path(place)
        keys = folder / "keys"
        Fleet(keys).make(Wanted(("127.0.0.1", lab.shore), ("saltmere-1",), ("ann",)))
        recording = flown(scenario, folder / "flight")
        everything = said(recording, scenario)
        stretch = calm(everything)
        row: dict[str, object] = {"scenario": scenario}
        row["calm"] = ours(lab, keys, stretch, folder)
        row["whole flight"] = ours(lab, keys, everything, folder)
        stream = folder / "frames"
        told = list(frames(recording, stretch[0].t))
        stream.write_bytes(b"".join(struct.pack("<dH", t, len(d)) + d for t, d in told))
        row["raw_frames_a_second"] = round(len(told) / RAW_S, 1)
        row["raw_bytes_a_second"] = round(sum(len(d) for _, d in told) / RAW_S)
        lab.link(delay_s=DELAY_S)
        per_hour = {way: raw(lab, keys, stream, way) for way in WAYS}
        row["raw_kb_an_hour"] = {way: round(kb) for way, kb in per_hour.items()}
        base = row["calm"]["kb_an_hour"]  # type: ignore[index]
        row["times_less"] = {way: round(kb / base, 1) for way, kb in per_hour.items()}
        print(json.dumps(row, indent=1))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--forward"]:
        forward(*sys.argv[2:])
    else:
        main(sys.argv[1] if len(sys.argv) > 1 else "estuary")
