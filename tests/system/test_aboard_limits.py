"""A daemon that runs out of disk, of file descriptors, and of luck (kill -9)."""

from __future__ import annotations

import os
import resource
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from aboard import Daemon
from airframe import Airframe
from killing import kills

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
        daemon.wait(lambda: daemon.metrics()["process_looks"] > 20, "it goes on reckoning")
        looks = daemon.metrics()["process_looks"]
        filler.unlink()
        daemon.wait(lambda: daemon.events("recording_resumed"), "room again")
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
        # A new one would get a number below the limit: all three of those are taken.
        resource.prlimit(pid, resource.RLIMIT_NOFILE, (3, before[1]))
        airframe = Airframe()
        airframe.used_ah = 0.3
        daemon.fly(airframe, fifths(30, 150), paced=False)  # it cannot answer

        def troubles() -> str:
            return str([line["troubles"] for line in daemon.events("troubles")])

        daemon.wait(lambda: "no file descriptor is left" in troubles(), "the trouble is said")
        resource.prlimit(pid, resource.RLIMIT_NOFILE, before)
        daemon.wait(lambda: daemon.metrics()["process_looks"] > 10, "it answers again")
        # Nothing that happened meanwhile is missing from the recording.
        daemon.wait(lambda: (daemon.recorded("status") or [{"t": 0.0}])[-1]["t"] > 100.0, "kept")
        daemon.stop()


def test_kill_9_at_any_moment(tmp_path: Path) -> None:
    """Less than a second of recording is lost, and no advisory that was logged as raised."""
    print(f"{KILLS} kills: {kills(tmp_path, KILLS)}")
