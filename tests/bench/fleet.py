"""A thousand aircraft that speak: statuses of many, published at a steady rate.

``fleet.py BROKER_PORT AIRCRAFT HZ SECONDS``; prints how many it sent.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Iterator

import aiomqtt

from supervisor.messages import topic
from tests.edge import examples

STATUS_S = 10.0  # of flight between two statuses of one aircraft


def spoken(aircraft: int) -> Iterator[tuple[str, bytes]]:
    """(topic, payload) without end: every aircraft in turn, each flying on."""
    whole = examples.status(0.0).payload()
    assert whole.count(b'"saltmere-1"') == 1
    assert whole.count(b'"t":0.0,') == 1
    turn = 0
    while True:
        turn += 1
        text = whole.replace(b'"t":0.0,', b'"t":%.1f,' % (STATUS_S * turn))
        for number in range(aircraft):
            name = f"bench-{number:04d}"
            yield topic(name, "status"), text.replace(b'"saltmere-1"', f'"{name}"'.encode())


async def main(port: int, aircraft: int, hz: float, seconds: float) -> None:
    count, begin = 0, time.monotonic()
    async with aiomqtt.Client("127.0.0.1", port) as client:
        for where, payload in spoken(aircraft):
            due = begin + count / hz
            if due > begin + seconds:
                break
            await asyncio.sleep(max(due - time.monotonic(), 0.0))
            await client.publish(where, payload, retain=True)
            count += 1
    print(count, flush=True)


if __name__ == "__main__":
    port, aircraft, hz, seconds = sys.argv[1:]
    asyncio.run(main(int(port), int(aircraft), float(hz), float(seconds)))
