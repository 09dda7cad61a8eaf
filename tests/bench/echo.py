"""The least that could stand in the daemon's place: every datagram goes to the broker as it is.

``echo.py UDP_PORT BROKER_PORT``: bare aiomqtt, QoS 0, topic ``echo``.
"""

from __future__ import annotations

import asyncio
import sys

import aiomqtt


async def main(udp_port: int, broker_port: int) -> None:
    heard: asyncio.Queue[bytes] = asyncio.Queue()

    class Door(asyncio.DatagramProtocol):
        def datagram_received(self, data: bytes, _address: object) -> None:
            heard.put_nowait(data)

    loop = asyncio.get_running_loop()
    await loop.create_datagram_endpoint(Door, local_addr=("127.0.0.1", udp_port))
    async with aiomqtt.Client("127.0.0.1", broker_port) as client:
        print("ready", flush=True)
        while True:
            await client.publish("echo", await heard.get())


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2])))
