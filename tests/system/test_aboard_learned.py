"""What one flight taught, the daemon's next flight starts from; and so does a replay of it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from aboard import Daemon
from airframe import Airframe

from supervisor import learned
from supervisor.edge.recording import Recording

pytestmark = pytest.mark.system
LAND_S, END_S = 700, 720


def flown(folder: Path) -> Path:
    """One sortie of a power-up of its own; the recording."""
    airframe = Airframe()
    airframe.turn_s, airframe.land_s, airframe.cell_ohm = 300.0, LAND_S, 0.006
    airframe.cruise_a = 10.0
    with Daemon(folder) as daemon:
        daemon.fly(airframe, [tick / 5 for tick in range(END_S * 5)])
        daemon.wait(lambda: (daemon.recorded("status") or [{"t": 0.0}])[-1]["t"] > END_S - 12,
                    "all of it reckoned")  # fmt: skip
        daemon.stop()
    return max(daemon.storage.glob("*.mcap"))


def said(recording: Path) -> list[bytes]:
    return [data for _, _, data in Recording(recording).messages({"advisory"})]


def replayed(recording: Path) -> list[bytes]:
    command = [sys.executable, "-m", "supervisor", "replay", str(recording), "--json"]
    run = subprocess.run(command, capture_output=True, timeout=600)
    assert run.returncode == 0, run.stderr
    return run.stdout.splitlines()


def test_the_second_flight_starts_from_the_first_and_its_replay_too(tmp_path: Path) -> None:
    first = flown(tmp_path)
    assert Recording(first).metadata["prior"] == ""
    kept = learned.load_aircraft(tmp_path / "storage", "heron-1")
    assert kept is not None
    assert kept.flights == 1
    second = flown(tmp_path)
    prior = json.loads(Recording(second).metadata["prior"])
    assert prior["power"]["log_mean"] == [*kept.log_mean, kept.slope]
    assert said(second)
    assert replayed(second) == said(second)
    # It matters: without the prior the same frames lead to other words.
    text = json.dumps({**Recording(second).metadata, "prior": ""})
    assert strange(second, tmp_path / "untaught.mcap", json.loads(text)) != said(second)
    # A recording of before the slope carries five figures; flown at one speed they say the same.
    five = {"log_mean": prior["power"]["log_mean"][:5],
            "log_cov": [row[:5] for row in prior["power"]["log_cov"][:5]]}  # fmt: skip
    text = json.dumps({**Recording(second).metadata, "prior": json.dumps(prior | {"power": five})})
    assert len(strange(second, tmp_path / "older.mcap", json.loads(text))) == len(said(second))
    again = learned.load_pack(tmp_path / "storage", "P07")
    assert again is not None
    assert [round(row.airborne_s) for row in again.logbook] == pytest.approx([680, 680], abs=25)


def strange(recording: Path, out: Path, metadata: dict[str, str]) -> list[bytes]:
    """The replay of the same frames under other metadata."""
    from supervisor.recordings import write_recording

    write_recording(out, metadata, Recording(recording).messages())
    return replayed(out)


def test_a_spoilt_file_is_said_not_believed_and_kept_aside(tmp_path: Path) -> None:
    storage = tmp_path / "storage"
    storage.mkdir()
    path = learned.aircraft_path(storage, "heron-1")
    path.write_text('{"schema_version": 2, "aircraft_id": "heron-1", "flights": 3')
    with Daemon(tmp_path) as daemon:
        daemon.wait(lambda: daemon.events("troubles"), "it is said")
        assert "what was learned is not used" in str(daemon.events("troubles")[0]["troubles"])
        daemon.stop()
    flown(tmp_path)
    assert (storage / f"{path.name}.spoilt").read_text().endswith('"flights": 3')
    kept = learned.load_aircraft(storage, "heron-1")
    assert kept is not None
    assert kept.flights == 1
