"""The three senders that bench_bridge compares, each a process of its own.

``senders.py WHICH HOST PORT OUTBOX COUNT PAUSE_S``: prints each number when it has been raised.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import aiomqtt

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "edge"))

from examples import advisory

from supervisor.edge.broker import Uplink
from supervisor.edge.dial import BrokerAddress
from supervisor.edge.outbox import Outbox
from supervisor.edge.uplinkoptions import UplinkOptions

TOPIC = "homeleg/v1/saltmere-1/advisory"


def raised(seq: int) -> None:
    print(seq, flush=True)


async def ours(host: str, port: int, outbox: str, count: int, pause_s: float) -> None:
    """The bridge. After a restart it goes on with the next number, as a daemon would."""
    box = Outbox(Path(outbox))
    first = box.next_order()
    address = BrokerAddress.parse(f"mqtt://{host}:{port}")
    up = Uplink(UplinkOptions(address, "saltmere-1", "f1"), box)
    running = asyncio.create_task(up.run())
    for seq in range(first, count + 1):
        up.submit_advisory(advisory(seq))
        raised(seq)
        await asyncio.sleep(pause_s)
    await running


async def plain(host: str, port: int, outbox: str, count: int, pause_s: float) -> None:
    """aiomqtt as its documentation shows: QoS 1, reconnect in a loop, a queue in memory."""
    waiting: asyncio.Queue[int] = asyncio.Queue()

    async def send() -> None:
        seq: int | None = None
        while True:
            try:
                async with aiomqtt.Client(host, port, identifier="plain") as client:
                    while True:
                        seq = await waiting.get() if seq is None else seq
                        await client.publish(TOPIC, advisory(seq).payload(), qos=1)
                        seq = None
            except aiomqtt.MqttError:
                await asyncio.sleep(5.0)  # the documentation's own interval

    sending = asyncio.create_task(send())
    for seq in range(first_after(outbox), count + 1):
        waiting.put_nowait(seq)
        raised(seq)
        note(outbox, seq)
        await asyncio.sleep(pause_s)
    await sending


def first_after(place: str) -> int:
    """The next number after a restart (a number is kept; what was queued is not)."""
    path = Path(place)
    return int(path.read_text()) + 1 if path.exists() else 1


def note(place: str, seq: int) -> None:
    Path(place).write_text(str(seq))


if __name__ == "__main__":
    which, host, port, outbox, count, pause = sys.argv[1:]
    sender = ours if which == "ours" else plain
    asyncio.run(sender(host, int(port), outbox, int(count), float(pause)))
