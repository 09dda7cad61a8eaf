"""A daemon that runs out of disk, of file descriptors, and of luck (kill -9)."""

from __future__ import annotations

import json
import os
import random
import resource
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from aboard import FLIGHT, Daemon
from airframe import Airframe

from supervisor.edge.outbox import Outbox
from supervisor.edge.recording import Recording

pytestmark = pytest.mark.system
KILLS = 200 if os.environ.get("HOMELEG_LONG") == "1" else 4


def fifths(begin_s: int, end_s: int) -> list[float]:
    return [tick / 5 for tick in range(begin_s * 5, end_s * 5)]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 1 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True).returncode != 0:
        pytest.skip("cannot mount a small file system here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_disk_is_said_survived_and_made_up_for(tmp_path: Path, small_disk: Path) -> None:
    filler = small_disk / "old-recordings"
    filler.write_bytes(bytes(900_000))
    sections = {"storage": {"directory": str(small_disk / "storage")}}
    with Daemon(tmp_path, sections=sections) as daemon:
        daemon.storage = small_disk / "storage"
        daemon.fly(Airframe(), fifths(0, 300))
        daemon.wait(lambda: daemon.metrics()["troubles_count"] > 0, "the trouble is said")
        troubles = [t for line in daemon.events("troubles") for t in line["troubles"]]
        assert any("No space left" in text or "disk" in text for text in troubles)
        looks = daemon.metrics()["process_looks"]
        assert looks > 20  # it went on reckoning
        filler.unlink()
        daemon.wait(lambda: daemon.events("recording_resumed"), "room again", 20.0)
        daemon.stop()
        told = daemon.recorded("status")
    # Nothing is missing of what happened while there was no room.
    times = [status["t"] for status in told]
    assert times == sorted(times)
    assert len(told) >= looks


def test_without_file_descriptors_it_goes_on(tmp_path: Path) -> None:
    section = {"broker": {"address": "mqtt://127.0.0.1:9"}}  # discard: nobody answers there
    with Daemon(tmp_path, sections=section) as daemon:
        daemon.fly(Airframe(), fifths(0, 30))
        daemon.wait(lambda: daemon.metrics()["process_looks"] > 2, "looks")
        pid = daemon.process.pid
        before = resource.prlimit(pid, resource.RLIMIT_NOFILE)
        open_now = len(os.listdir(f"/proc/{pid}/fd"))
        resource.prlimit(pid, resource.RLIMIT_NOFILE, (open_now - 1, before[1]))
        airframe = Airframe()
        airframe.used_ah = 0.3
        daemon.fly(airframe, fifths(30, 150))

        def troubles() -> str:
            return str([line["troubles"] for line in daemon.events("troubles")])

        daemon.wait(lambda: "Too many open files" in troubles(), "the trouble is said")
        resource.prlimit(pid, resource.RLIMIT_NOFILE, before)
        daemon.wait(lambda: daemon.metrics()["process_looks"] > 10, "it answers again")
        # Nothing that happened meanwhile is missing from the recording.
        daemon.wait(lambda: (daemon.recorded("status") or [{"t": 0.0}])[-1]["t"] > 100.0, "kept")
        daemon.stop()


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
    for tick in range(draw.randrange(200, 4500) if hurried else draw.randrange(2, 40)):
        frames = airframe.frames(tick / 5)
        for frame in frames:
            daemon.send(frame)
        time.sleep(0.0002 if hurried else 0.05)
        sent += len(frames)
    daemon.process.kill()
    daemon.process.wait()
    return sent


def test_kill_9_at_any_moment(tmp_path: Path) -> None:
    """Less than a second of recording is lost, and no advisory that was logged as raised.

    The broker is never there, so all must be found in the outbox at the end, life after life. That
    the next life starts at all shows that nothing the last one left is a hindrance.
    """
    draw = random.Random(9)
    flight, lengths, raised = nervous(tmp_path), [], []
    section = {"broker": {"address": "mqtt://127.0.0.1:9"}}  # discard: nobody answers there
    for life in range(KILLS):
        clock = "telemetry" if life % 2 else "receipt"
        with Daemon(tmp_path, flight=flight, clock=clock, sections=section) as daemon:
            sent = flown_until_killed(daemon, draw)
        name = daemon.events("daemon_ready")[0]["flight"]
        raised += [(name, line["seq"]) for line in daemon.events("advisory")]
        newest = max(daemon.storage.glob("*.mcap"), default=None, key=lambda p: p.stat().st_mtime)
        kept = len(list(Recording(newest).messages({"mavlink"}))) if newest else 0
        lengths += [(sent, kept)] if clock == "receipt" else []
    boots = sorted(path.name for path in daemon.storage.glob("*.mcap"))
    assert len(set(boots)) == len(boots)
    # 20 fifths of a second a second here, of 3 to 8 frames: 80 frames a second. Half as many
    # again for a machine that is busy with other tests.
    assert all(sent - kept < 120 for sent, kept in lengths), lengths
    held = Outbox(daemon.storage / "outbox.sqlite").pending()
    assert [row.order for row in held] == list(range(1, len(held) + 1))
    found = [(m["flight"], m["seq"]) for m in (json.loads(row.payload) for row in held)]
    assert len(raised) >= KILLS // 2
    assert set(raised) <= set(found)
    assert len(found) == len(set(found)) <= len(raised) + KILLS  # one more a life may be on disk
    worst = max(sent - kept for sent, kept in lengths)
    print(f"{KILLS} kills, {len(raised)} advisories raised, all held; at most {worst} frames lost")
