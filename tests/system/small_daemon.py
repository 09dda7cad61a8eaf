"""The least daemon: raises an advisory now and then, says each number once it counts as raised.

``small_daemon.py ADDRESS OUTBOX FLIGHT [PAUSE_S [COUNT [SCALE]]]``. Numbers go to standard output
after ``submit_advisory`` has returned; what the uplink says goes there as lines of JSON. SCALE
divides what the protocol promises for an hour: session expiry, keepalive, beat.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from pathlib import Path
from typing import Any

from supervisor.edge import broker, session
from supervisor.edge.broker import Uplink
from supervisor.edge.dial import BrokerAddress
from supervisor.edge.outbox import Outbox
from supervisor.edge.uplinkoptions import UplinkOptions

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "edge"))
from examples import advisory, status


def say(name: str, fields: dict[str, Any]) -> None:
    print(json.dumps({"event": name, "at_s": time.monotonic()} | fields), flush=True)


def hasten(scale: float) -> None:
    session.SESSION_EXPIRY_S = max(round(session.SESSION_EXPIRY_S / scale), 1)
    broker.KEEPALIVE_S = max(round(broker.KEEPALIVE_S / scale), 2)
    broker.BEAT_S = max(broker.BEAT_S / scale, 1.5)


async def main(
    address: str, place: str, flight: str, pause: str = "", count: str = "", scale: str = "1"
) -> None:
    if scale != "1":
        hasten(float(scale))
    options = UplinkOptions(BrokerAddress.parse(address), "saltmere-1", flight)
    uplink = Uplink(
        options,
        Outbox(Path(place)),
        on_event=say,
        on_ack=lambda ack: say("acknowledged", {"seq": ack.seq}),
    )
    running = asyncio.create_task(uplink.run())
    seq = 0
    while pause and seq < int(count or 1_000_000):
        seq += 1
        uplink.submit_advisory(advisory(seq, flight))
        uplink.submit_status(status(float(seq)))
        print(seq, flush=True)
        await asyncio.sleep(float(pause))
    await running


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
