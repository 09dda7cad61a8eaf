"""A calm hour of the bridge in less time: every period of the pacing divided by one number.

``hour_daemon.py ADDRESS KEYS SCALE HOURS [news]``: with ``news`` everything changes all the time.
Packets are as far apart as they need to be to be
acknowledged one by one, so bytes an hour are those of a real hour.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from supervisor.edge import broker, rates
from supervisor.edge.broker import Uplink, UplinkOptions
from supervisor.edge.dial import BrokerAddress, Credentials
from supervisor.edge.outbox import Outbox
from supervisor.edge.signatures import Signer, load_keyring

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "edge"))
from examples import advisory, plan, status


async def main(address: str, keys: str, scale: float, hours: float, *, news: bool) -> None:
    for module, name in (
        (rates, "CHANGING_S"), (rates, "CALM_S"), (rates, "POOR_S"), (rates, "BUCKET_S"),
        (rates, "FULL_EVERY_S"), (broker, "BEAT_S"),
    ):  # fmt: skip
        setattr(module, name, getattr(module, name) / scale)
    folder = Path(keys) / "aircraft" / "saltmere-1"
    options = UplinkOptions(
        BrokerAddress.parse(address),
        "saltmere-1",
        "f1",
        credentials=Credentials(folder / "ca.pem", folder / "client.pem", folder / "client.key"),
        signer=Signer.from_file(folder / "signing.pem"),
        people=load_keyring(folder / "people.toml"),
        budget_kb_per_hour=300.0 * scale,
    )
    uplink = Uplink(options, Outbox(None), telemetry_age_s=lambda: 0.1)
    running = asyncio.create_task(uplink.run())
    uplink.submit_plan(plan())
    while not uplink.is_connected:
        await asyncio.sleep(0.01)
    loop = asyncio.get_running_loop()
    start_s, seq = loop.time(), 0
    while (t := (loop.time() - start_s) * scale) < hours * 3600.0:
        level = "caution" if news and int(t) % 2 else "normal"
        uplink.submit_status(status(t, level=level))
        uplink.submit_track(t, -47.2 + t * 2e-4, 12.1 + 0.002 * ((t // 300) % 2), 120.0)
        if t > seq * 720.0 + 100.0:  # five advisories an hour
            seq += 1
            uplink.submit_advisory(advisory(seq))
        await asyncio.sleep(1.0 / scale)
    await uplink.drained(5.0)
    session = uplink._session
    assert session is not None
    uplink._count_wire(session)
    counts = uplink.counts
    print(counts.statuses, counts.advisories, counts.wire_bytes, flush=True)
    sys.stdin.read()  # the link is read out before we say goodbye
    running.cancel()


if __name__ == "__main__":
    where, folder, faster, long, *words = sys.argv[1:]
    asyncio.run(main(where, folder, float(faster), float(long), news="news" in words))
