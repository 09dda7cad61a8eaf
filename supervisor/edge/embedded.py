"""An MQTT 3.1.1 broker in a process of its own, for the demo and quick tests; not for flight.

``python -m supervisor.edge.embedded --port 0`` prints ``port 12345`` when it listens, on
loopback only, and ends with its standard input (so with its parent), or on SIGTERM.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import signal
import socket
import sys
import warnings
from typing import Any


def _configuration(host: str, port: int) -> dict[str, Any]:
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{host}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }


def free_port(host: str) -> int:
    """A port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


async def serve(host: str, port: int) -> None:
    """Run until standard input ends or SIGTERM comes."""
    from amqtt.broker import Broker

    broker = Broker(_configuration(host, port))
    await broker.start()
    print(f"port {port}", flush=True)
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ended.set)

    def hear_parent() -> None:
        if not os.read(sys.stdin.fileno(), 4096):
            ended.set()

    loop.add_reader(sys.stdin.fileno(), hear_parent)
    await ended.wait()
    await broker.shutdown()


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="supervisor.edge.embedded", description=__doc__)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=0, help="0 chooses a free one")
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)  # its own log would drown the demo's
    warnings.simplefilter("ignore")
    port = options.port or free_port(options.host)
    asyncio.run(serve(options.host, port))


if __name__ == "__main__":
    main()
