"""Bytes to observations, and recordings, each against the reference library in the same run.

Run: ``python tests/bench/bench_intake.py`` prints the rows as JSON. ``ratio`` is how many times
faster (or smaller) ours is than the reference; all times are CPU time, medians of interleaved runs.
"""

from __future__ import annotations

import asyncio
import json
import math
import multiprocessing
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from mcap.reader import NonSeekingReader
from mcap.writer import Writer
from pymavlink.dialects.v20 import common
from structlog.testing import capture_logs

from supervisor.edge.clock import ReceiptClock
from supervisor.edge.decoder import Decoder
from supervisor.edge.intake import Intake
from supervisor.edge.link import make_link
from supervisor.edge.mcap_format import chunk_record, message_record
from supervisor.edge.recorder import opening
from supervisor.edge.recording import Recording
from supervisor.edge.udp_link import UdpLink

FLOOD_HZ = 10_000
SIZES = (5_000, 15_000, 45_000)
DATAGRAM_FRAMES = 10
REPEATS = 5
RECORDED_S, RECORDED_HZ = 9000, 100  # 2.5 h
CHUNK_S = 0.4  # what the recorder waits before it writes

Send = Callable[[Any, int], None]


def _used(rng: random.Random) -> list[tuple[int, Send]]:
    """What the supervisor asks for, with how often each is sent."""
    u, n = rng.uniform, rng.randint
    cells = lambda: [n(3500, 4200) for _ in range(6)] + [0xFFFF] * 4  # noqa: E731
    return [
        (10, lambda m, t: m.global_position_int_send(
            t, n(4 * 10**8, 5 * 10**8), n(-(10**8), 10**8), 10**5, 9 * 10**4,
            n(-2000, 2000), n(-2000, 2000), n(-200, 200), n(0, 36000))),
        (10, lambda m, _: m.vfr_hud_send(
            u(15, 25), u(15, 25), n(0, 360), n(0, 100), u(0, 120), u(-3, 3))),
        (10, lambda m, _: m.battery_status_send(
            0, 1, 1, 2500, cells(), n(0, 9000), n(0, 19000), -1, 50, 0, 0, [0] * 4)),
        (4, lambda m, t: m.attitude_send(t, u(-1, 1), u(-1, 1), u(-3, 3), 0.1, 0.1, 0.1)),
        (4, lambda m, _: m.extended_sys_state_send(4, 2)),
        (2, lambda m, _: m.sys_status_send(1, 1, 1, 500, 44000, 1500, 50, 0, 0, 0, 0, 0, 0)),
        (2, lambda m, t: m.system_time_send(17 * 10**14, t)),
        (2, lambda m, t: m.gps_raw_int_send(
            t, 3, 4 * 10**8, 10**8, 100, 100, 100, 100, 100, 12, 100, 1000, 1000, 100, 0, 0)),
        (2, lambda m, t: m.scaled_pressure_send(t, u(900, 1013), 1.0, 1500)),
        (2, lambda m, t: m.wind_cov_send(t, u(-9, 9), u(-9, 9), 0, 0.1, 0.1, 100, 0.5, 0.5)),
        (2, lambda m, _: m.mission_current_send(3)),
        (2, lambda m, _: m.heartbeat_send(22, 0, 0x80, 0, 4)),
    ]  # fmt: skip


def _unused(rng: random.Random) -> list[tuple[int, Send]]:
    """What an autopilot commonly sends besides, for others on the link."""
    u = rng.uniform
    return [
        (15, lambda m, t: m.attitude_quaternion_send(t, u(-1, 1), 0, 0, 0, 0.1, 0.1, 0.1)),
        (15, lambda m, t: m.highres_imu_send(t, u(-1, 1), 1, 1, 1, 1, 1, 0, 0, 0, 1, 1, 1, 1, 1)),
        (10, lambda m, t: m.servo_output_raw_send(t, 0, *[1500] * 8)),
        (10, lambda m, t: m.local_position_ned_send(t, u(0, 1), u(0, 1), u(0, 1), 0, 0, 0)),
    ]


def stream(count: int, *, with_unused: bool, seed: int = 1) -> list[bytes]:
    """Frames of one aircraft, made by the reference library."""
    rng, frames = random.Random(seed), list[bytes]()

    class Sink:
        def write(self, data: bytes) -> None:
            frames.append(bytes(data))

    mav = common.MAVLink(Sink(), srcSystem=1, srcComponent=1)
    mix = _used(rng) + (_unused(rng) if with_unused else [])
    kinds = rng.choices([send for _, send in mix], [weight for weight, _ in mix], k=count)
    for number, send in enumerate(kinds):
        send(mav, number * 10)
    return frames


def cpu_s(*works: Callable[[], object]) -> list[float]:
    """Median CPU time of each, run in turns so that a busy machine is unfair to none."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(REPEATS):
        for own, work in zip(times, works, strict=True):
            start = time.process_time()
            work()
            own.append(time.process_time() - start)
    return [statistics.median(own) for own in times]


def _datagrams(frames: list[bytes]) -> list[bytes]:
    starts = range(0, len(frames), DATAGRAM_FRAMES)
    return [b"".join(frames[at : at + DATAGRAM_FRAMES]) for at in starts]


def _ours(datagrams: list[bytes]) -> None:
    intake, decoder = Intake(system_id=1), Decoder()
    for data in datagrams:
        for frame in intake.feed(data):
            decoder.decode(frame, 1.0)


def _reference(datagrams: list[bytes]) -> None:
    mav = common.MAVLink(None)
    mav.robust_parsing = True
    for data in datagrams:
        mav.parse_buffer(data)


def _growth(seconds: list[float]) -> float:
    """Exponent of time over size, from the smallest and the largest."""
    return math.log(seconds[-1] / seconds[0]) / math.log(SIZES[-1] / SIZES[0])


def intake_rows() -> list[dict[str, Any]]:
    """Bytes to observations against the reference's bytes to messages."""
    rows = []
    for name, with_unused in (("all that is sent", True), ("only what we use", False)):
        frames = stream(SIZES[-1], with_unused=with_unused)
        parts = [_datagrams(frames[:size]) for size in SIZES]
        ours = [cpu_s(partial(_ours, part))[0] for part in parts[:-1]]
        last, reference = cpu_s(partial(_ours, parts[-1]), partial(_reference, parts[-1]))
        rows.append(
            {
                "subject": f"one frame to its observation; {name}",
                "value": 1e6 * last / SIZES[-1],
                "unit": "CPU us",
                "reference": 1e6 * reference / SIZES[-1],
                "ratio": reference / last,
                "aim": 3.0,
                "growth": _growth([*ours, last]),
            }
        )
    return rows


def _write_long(path: Path, frames: list[bytes]) -> int:
    """A recording of 2.5 h, in chunks as the recorder makes them in flight."""
    each = round(CHUNK_S * RECORDED_HZ)
    count = RECORDED_S * RECORDED_HZ
    with path.open("wb") as file:
        file.write(opening({"flight": "bench"})[0])
        for first in range(0, count, each):
            times = [number * 10**9 // RECORDED_HZ for number in range(first, first + each)]
            records = b"".join(
                message_record(1, first + i, t_ns, frames[(first + i) % len(frames)])
                for i, t_ns in enumerate(times)
            )
            file.write(chunk_record(records, times[0], times[-1]))
    return count


def _read_reference(path: Path) -> None:
    with path.open("rb") as file, suppress(Exception):  # it raises where the file ends
        for _ in NonSeekingReader(file).iter_messages(log_time_order=False):
            pass


def _read_ours(path: Path) -> None:
    for _ in Recording(path).messages():
        pass


def _write_reference(path: Path, frames: list[bytes]) -> None:
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        channel = writer.register_channel("mavlink", "mavlink2", 0)
        for number, frame in enumerate(frames):
            writer.add_message(channel, number, frame, number)
        writer.finish()


def _write_ours(path: Path, frames: list[bytes]) -> None:
    with path.open("wb") as file:
        for first in range(0, len(frames), 40):
            part = frames[first : first + 40]
            records = b"".join(message_record(1, 0, first, frame) for frame in part)
            file.write(chunk_record(records, first, first + 39))


def recording_rows() -> list[dict[str, Any]]:
    """Reading and writing against the format's own library."""
    frames = stream(SIZES[1], with_unused=False)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.mcap"
        count = _write_long(path, frames)
        megabytes = path.stat().st_size / 1e6
        start = time.process_time()
        _read_ours(path)
        ours = time.process_time() - start
        start = time.process_time()
        _read_reference(path)
        reference = time.process_time() - start
        other = Path(folder) / "other.mcap"
        write, write_reference = cpu_s(
            lambda: _write_ours(other, frames), lambda: _write_reference(other, frames)
        )
    return [
        {
            "subject": f"reading a recording of 2.5 h ({count} frames)",
            "value": ours,
            "unit": "CPU s",
            "reference": reference,
            "ratio": reference / ours,
            "aim": reference / 2.0,  # 2 s
        },
        {
            "subject": "recording 3 h at 100 frames a second, in chunks of 0.4 s",
            "value": megabytes * 3 * 3600 / RECORDED_S,
            "unit": "MB",
            "reference": 60.0,
            "ratio": 60.0 / (megabytes * 3 * 3600 / RECORDED_S),
            "aim": 1.0,
        },
        {
            "subject": "writing one frame, in chunks of 0.4 s (reference: 1 MiB)",
            "value": 1e6 * write / len(frames),
            "unit": "CPU us",
            "reference": 1e6 * write_reference / len(frames),
            "ratio": write_reference / write,
            "aim": 1.0,
        },
    ]


def _send_flood(frames: list[bytes], port: int) -> None:
    """One datagram a frame, ``FLOOD_HZ`` a second, from a process of its own."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        start = time.monotonic()
        for number, frame in enumerate(frames):
            while time.monotonic() < start + number / FLOOD_HZ:
                pass
            sender.sendto(frame, ("127.0.0.1", port))


async def _live(frames: list[bytes]) -> tuple[int, float]:
    """Frames that came through the UDP link, and the CPU time that they took."""
    intake, decoder = Intake(system_id=1), Decoder()

    def on_bytes(t_ns: int, data: bytes) -> bool:
        found = intake.feed(data)
        for frame in found:
            decoder.decode(frame, t_ns * 1e-9)
        return bool(found)

    link = make_link("udp:127.0.0.1:0", on_bytes, ReceiptClock())
    assert isinstance(link, UdpLink)
    await link.open()
    sender = multiprocessing.Process(target=_send_flood, args=(frames, link.port))
    sender.start()
    start = time.process_time()
    while sender.is_alive():
        await asyncio.sleep(0.05)
    await asyncio.sleep(0.2)
    used = time.process_time() - start
    await link.close()
    return intake.counts.accepted, used


def flood_rows() -> list[dict[str, Any]]:
    """Ten thousand messages a second on loopback: are those we need all heard?"""
    frames = stream(2 * FLOOD_HZ, with_unused=True)
    needed = len(Intake(system_id=1).feed(b"".join(frames)))
    with capture_logs():  # the output is JSON
        heard, used = asyncio.run(_live(frames))
    return [
        {
            "subject": f"share of the needed frames heard at {FLOOD_HZ} a second",
            "value": heard / needed,
            "unit": "",
            "reference": 1.0,
            "ratio": heard / needed,
            "aim": 1.0,
            "core_share": used * FLOOD_HZ / len(frames),
        }
    ]


_COST = """
import hashlib, json, pathlib, time
import supervisor.core.events  # there in any case
def resident_kb():
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))
before, start = resident_kb(), time.process_time()
import {module}
print(time.process_time() - start, resident_kb() - before)
"""


def _import_cost(module: str) -> tuple[float, float]:
    """CPU seconds and resident MB that importing it costs a fresh interpreter."""
    command = [sys.executable, "-c", _COST.format(module=module)]
    root = Path(__file__).resolve().parents[2]
    shown = subprocess.run(command, capture_output=True, text=True, check=True, cwd=root).stdout
    seconds, kilobytes = shown.split()
    return float(seconds), float(kilobytes) / 1024.0


def import_rows() -> list[dict[str, Any]]:
    """A table of the messages used against the whole generated library."""
    ours_s, ours_mb = _import_cost("supervisor.edge.intake, supervisor.edge.decoder")
    reference_s, reference_mb = _import_cost("pymavlink.dialects.v20.common")
    values = (("import", ours_s, reference_s, "CPU s"), ("memory", ours_mb, reference_mb, "MB"))
    return [
        {
            "subject": f"{name} of what reads MAVLink",
            "value": ours,
            "unit": unit,
            "reference": reference,
            "ratio": reference / ours,
            "aim": 1.0,
        }
        for name, ours, reference, unit in values
    ]


def rows() -> list[dict[str, Any]]:
    """One row a subject."""
    return intake_rows() + flood_rows() + recording_rows() + import_rows()


if __name__ == "__main__":
    print(json.dumps(rows(), indent=2))
