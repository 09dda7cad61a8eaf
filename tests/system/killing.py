"""kill -9 of the real daemon at random moments, and what is left afterwards."""

from __future__ import annotations

import json
import random
import time
from pathlib import Path

from aboard import FLIGHT, Daemon
from airframe import Airframe

from supervisor.edge.outbox import Outbox
from supervisor.edge.recording import Recording

NOWHERE = {"broker": {"address": "mqtt://127.0.0.1:9"}}  # discard: nobody answers there
# 20 fifths of a second a second, of 3 to 8 frames each: 80 frames a second. Half as many again for
# a machine that is busy with other tests.
FRAMES_A_SECOND = 120


def nervous(folder: Path) -> Path:
    """So large a reserve that advisories come within minutes."""
    text = FLIGHT.read_text(encoding="utf-8")
    path = folder / "nervous.toml"
    reserve = "final_reserve = { nameplate_percent = 66.0 }"
    path.write_text(text.replace("final_reserve = { hover_min = 3.0 }", reserve), encoding="utf-8")
    return path


def flown_until_killed(daemon: Daemon, draw: random.Random) -> int:
    """Frames sent to a daemon that is then killed: at its own pace, or minutes a second."""
    airframe, sent = Airframe(), 0
    hurried = daemon.clock == "telemetry"
    for tick in range(draw.randrange(200, 2500) if hurried else draw.randrange(2, 30)):
        frames = airframe.frames(tick / 5)
        for frame in frames:
            daemon.send(frame)
        time.sleep(0.0002 if hurried else 0.05)
        sent += len(frames)
    daemon.process.kill()
    daemon.process.wait()
    return sent


def kills(folder: Path, count: int, seed: int = 9) -> str:
    """Asserts that nothing raised is lost; says what was seen.

    The broker is never there, so all must be found in the outbox at the end, life after life. That
    the next life starts at all shows that nothing the last one left is a hindrance.
    """
    draw = random.Random(seed)
    flight, losses = nervous(folder), []
    raised: list[tuple[str, int]] = []
    for life in range(count):
        clock = "telemetry" if life % 2 else "receipt"
        with Daemon(folder, flight=flight, clock=clock, sections=NOWHERE) as daemon:
            sent = flown_until_killed(daemon, draw)
        name = daemon.events("daemon_ready")[0]["flight"]
        raised += [(name, line["seq"]) for line in daemon.events("advisory")]
        if clock == "receipt":
            losses.append(sent - kept(daemon.storage / f"{name}.mcap"))
    assert max(losses) < FRAMES_A_SECOND, losses
    found = held(folder / "storage" / "outbox.sqlite")
    assert len(raised) >= count // 2
    assert set(raised) <= set(found)
    assert len(found) == len(set(found)) <= len(raised) + count  # one more a life may be on disk
    return f"{len(raised)} advisories raised, all held; at most {max(losses)} frames lost"


def kept(recording: Path) -> int:
    """Frames in a recording that was cut off; none if it was not begun."""
    if not recording.exists() or recording.stat().st_size < 8:
        return 0
    return len(list(Recording(recording).messages({"mavlink"})))


def held(outbox: Path) -> list[tuple[str, int]]:
    """Flight and number of every advisory in it; their order is without a gap."""
    rows = Outbox(outbox).pending()
    assert [row.order for row in rows] == list(range(1, len(rows) + 1))
    return [(m["flight"], m["seq"]) for m in (json.loads(row.payload) for row in rows)]
