"""Bytes to observations against the reference library's bytes to messages, and a flood."""

from __future__ import annotations

import asyncio
import multiprocessing
import socket
import time
from functools import partial

from pymavlink.dialects.v20 import common
from structlog.testing import capture_logs

from supervisor.edge.clock import ReceiptClock
from supervisor.edge.decoder import Decoder
from supervisor.edge.intake import Intake
from supervisor.edge.link import make_link
from supervisor.edge.udp_link import UdpLink
from tests.bench.robust_intake import identical
from tests.bench.row import Aim, Form, Growth, Row, cpu_s
from tests.bench.traffic import stream

FLOOD_HZ = 10_000
DATAGRAM_FRAMES = 10


def rows(form: Form) -> list[Row]:
    """One frame, twice; the flood."""
    sizes = form.pick((500, 1_000, 2_000), (5_000, 15_000, 45_000))
    compared = identical(form.pick(10_000, 50_000, 1_000_000))
    note = f"{compared['fields']:,} values of {compared['value']:,} frames identical"
    return [
        _frame("frame to observation; all that is sent", sizes, True, note),
        _frame("frame to observation; only what we use", sizes, False, note),
        _flood(form),
    ]


def _frame(name: str, sizes: tuple[int, ...], with_unused: bool, note: str) -> Row:
    frames = stream(sizes[-1], with_unused=with_unused)
    parts = [_datagrams(frames[:size]) for size in sizes]
    costs = [cpu_s(partial(_ours, part))[0] for part in parts[:-1]]
    ours, reference = cpu_s(partial(_ours, parts[-1]), partial(_reference, parts[-1]))
    each_us = 1e6 / sizes[-1]
    return Row(
        name,
        ours * each_us,
        "CPU us",
        reference * each_us,
        "pymavlink's parse_buffer of the same datagrams",
        Aim("ratio", 3.0),
        Growth("frames", sizes, (*costs, ours)),
        note,
    )


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


def _flood(form: Form) -> Row:
    """Ten thousand messages a second on loopback: are those we need all heard?"""
    frames = stream(form.pick(FLOOD_HZ // 5, 2 * FLOOD_HZ), with_unused=True)
    needed = len(Intake(system_id=1).feed(b"".join(frames)))
    with capture_logs():  # the output may be JSON
        heard, used = asyncio.run(_live(frames))
    return Row(
        f"UDP flood, {FLOOD_HZ:,} messages a second",
        used * FLOOD_HZ / len(frames),
        "cores",
        cpu_s(partial(_reference, frames), rounds=1)[0] * FLOOD_HZ / len(frames),
        "pymavlink parsing the same datagrams from memory, no link",
        note=f"{heard:,} of {needed:,} needed frames heard",
    )
