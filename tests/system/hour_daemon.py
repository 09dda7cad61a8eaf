"""Hours of the bridge in less time: every period of the pacing divided by one number.

``hour_daemon.py ADDRESS KEYS SCALE HOURS [news | FLIGHT.jsonl]``: calm example figures; with
``news`` everything changes all the time; or the statuses and advisories of a flight, one JSON
object a line. Packets stay far enough apart to be acknowledged one by one, so bytes an hour are
those of a real hour. Prints statuses, advisories, and the uplink's own count of bytes.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Iterator
from pathlib import Path

from supervisor.chronicle import Chronicle
from supervisor.edge import broker, rates
from supervisor.edge.broker import Uplink
from supervisor.edge.dial import BrokerAddress, Credentials
from supervisor.edge.outbox import Outbox
from supervisor.edge.signatures import Signer, load_keyring
from supervisor.edge.uplinkoptions import UplinkOptions
from supervisor.messages import Advisory, Status

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "edge"))
from examples import advisory, health, plan, status

HEALTH_S = 300.0  # HealthSection.period_s
NAME, FLIGHT = "saltmere-1", "f1"


def example(hours: float, *, news: bool) -> Iterator[Status | Advisory]:
    """A status every two seconds and five advisories an hour."""
    seq = 0
    for t in range(0, round(hours * 3600.0), 2):
        yield status(float(t), level="caution" if news and t % 4 else "normal")
        if t > seq * 720.0 + 100.0:
            seq += 1
            yield advisory(seq).model_copy(update={"t": float(t)})


def flown(path: Path) -> Iterator[Status | Advisory]:
    """What a daemon said in a flight, in the name of the aircraft whose keys we have."""
    for line in path.read_text(encoding="utf-8").splitlines():
        row = json.loads(line) | {"aircraft": NAME, "flight": FLIGHT}
        yield (Advisory if "seq" in row else Status).model_validate(row)


def hurried(scale: float) -> None:
    """Divide all periods of the bridge."""
    for module, name in (
        (rates, "CHANGING_S"), (rates, "CALM_S"), (rates, "POOR_S"), (rates, "BUCKET_S"),
        (rates, "WHOLE_EVERY_S"), (broker, "BEAT_S"),
    ):  # fmt: skip
        setattr(module, name, getattr(module, name) / scale)


def uplink_of(address: str, keys: Path, scale: float) -> Uplink:
    folder = keys / "aircraft" / NAME
    at = BrokerAddress.parse(address)
    options = UplinkOptions(
        at,
        NAME,
        FLIGHT,
        credentials=Credentials(folder / "ca.pem", folder / "client.pem", folder / "client.key"),
        signer=Signer.from_file(folder / "signing.pem"),
        people=load_keyring(folder / "people.toml"),
        budget_kb_per_hour=300.0 * scale,
        compress="always",
    )
    return Uplink(options, Outbox(None), telemetry_age_s=lambda: 0.1)


async def say(uplink: Uplink, said: Iterator[Status | Advisory], scale: float) -> None:
    """Submit all of it as the daemon's own wiring does."""
    loop = asyncio.get_running_loop()
    chronicle = Chronicle(NAME, FLIGHT)
    start_s, first, health_t = loop.time(), None, -HEALTH_S
    for message in said:
        first = message.t if first is None else first
        await asyncio.sleep(max(start_s + (message.t - first) / scale - loop.time(), 0.0))
        if isinstance(message, Advisory):
            chronicle.advisory(message)
            uplink.submit_advisory(message)
            continue
        uplink.submit_status(message)
        history = chronicle.status(message)
        if history:
            uplink.submit_history(history)
        if message.where:
            where = message.where
            uplink.submit_track(message.t, where.lat_deg, where.lon_deg, where.height_m)
        if message.t - health_t >= HEALTH_S:
            health_t = message.t
            uplink.submit_health(health(message.t))


async def main(address: str, keys: str, scale: float, hours: float, what: str) -> None:
    hurried(scale)
    uplink = uplink_of(address, Path(keys), scale)
    running = asyncio.create_task(uplink.run())
    uplink.submit_plan(plan())
    async with asyncio.timeout(120.0):
        while not uplink.is_connected:
            await asyncio.sleep(0.01)
    told = flown(Path(what)) if what.endswith(".jsonl") else example(hours, news=what == "news")
    await say(uplink, told, scale)
    await uplink.drained(60.0)
    session = uplink._session
    assert session is not None
    uplink._count_wire(session)
    print(uplink.statuses, uplink.counts.advisories, uplink.counts.wire_bytes, flush=True)
    sys.stdin.read()  # the link is read out before we say goodbye
    running.cancel()


if __name__ == "__main__":
    where, folder, faster, long, *words = sys.argv[1:]
    asyncio.run(main(where, folder, float(faster), float(long), words[0] if words else ""))
