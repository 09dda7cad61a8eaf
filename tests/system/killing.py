"""kill -9 of the real daemon at random moments, and what is left afterwards."""

from __future__ import annotations

import json
import random
import time
from pathlib import Path

from aboard import FLIGHT, PACE, Daemon
from airframe import Airframe
from patience import stretch

from supervisor.edge.outbox import Outbox
from supervisor.edge.recording import Recording

NOWHERE = {"broker": {"address": "mqtt://127.0.0.1:9"}}  # discard: nobody answers there
# 20 fifths of a second a second, of 3 to 8 frames each: 80 frames a second. Half as many again for
# a disk that is busy with other tests; a busy processor is reckoned with as it is met.
FRAMES_A_SECOND = 120


def nervous(folder: Path) -> Path:
    """So large a reserve that advisories come within minutes."""
    text = FLIGHT.read_text(encoding="utf-8")
    path = folder / "nervous.toml"
    reserve = "final_reserve = { nameplate_percent = 66.0 }"
    path.write_text(text.replace("final_reserve = { hover_min = 3.0 }", reserve), encoding="utf-8")
    return path


def flown_until_killed(daemon: Daemon, draw: random.Random) -> int:
    """Frames that a daemon had heard when it was killed: at its own pace, or minutes a second.

    A hurried one is let catch up now and then, and killed at any moment in between; one at its own
    pace is asked what it has heard, and killed within 50 ms of the answer.
    """
    airframe = Airframe()
    hurried = daemon.clock == "telemetry"
    for tick in range(draw.randrange(200, 2500) if hurried else draw.randrange(2, 30)):
        for frame in airframe.frames(tick / 5):
            daemon.send(frame)
        time.sleep(0.0002 if hurried else 0.05)
        if hurried and tick % PACE == PACE - 1:
            daemon.keep_up()
    heard = 0 if hurried else round(daemon.metrics()["link_frames"])
    time.sleep(draw.uniform(0.0, 0.05))
    daemon.process.kill()
    daemon.process.wait()
    return heard


def kills(folder: Path, count: int, seed: int = 9) -> str:
    """Asserts that nothing raised is lost; says what was seen.

    The broker is never there, so all must be found in the outbox at the end, life after life. That
    the next life starts at all shows that nothing the last one left is a hindrance.
    """
    draw, second = random.Random(seed), 0.0
    flight, losses = nervous(folder), []
    raised: list[tuple[str, int]] = []
    for life in range(count):
        clock = "telemetry" if life % 2 else "receipt"
        with Daemon(folder, flight=flight, clock=clock, sections=NOWHERE) as daemon:
            heard = flown_until_killed(daemon, draw)
        name = daemon.events("daemon_ready")[0]["flight"]
        raised += [(name, line["seq"]) for line in daemon.events("advisory")]
        if clock == "receipt":
            losses.append(heard - kept(daemon.storage / f"{name}.mcap"))
            second = max(second, FRAMES_A_SECOND * stretch())
    assert max(losses) < second, losses
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
