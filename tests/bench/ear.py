"""The least that could stand in the watch server's place: the last status of each, as a dict.

``ear.py BROKER_PORT``: bare aiomqtt and json.loads, no check, no picture, no page.
"""

from __future__ import annotations

import asyncio
import json
import sys
from typing import Any

import aiomqtt


async def main(port: int) -> None:
    last: dict[str, Any] = {}
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("homeleg/v1/+/status")
        print("ready", flush=True)
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            last[str(message.topic)] = json.loads(message.payload)


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))
