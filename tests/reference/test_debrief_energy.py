"""Energy totals against the recording's own current and voltage, read by other people's code.

Reader: the reference libraries mcap (open container) and pymavlink (message definitions); integral:
numpy's trapezoid. Asked for: 0.1 %.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from mcap.reader import NonSeekingReader
from pymavlink.dialects.v20 import common

from sim.framefile import FrameFile
from sim.headless import Sortie, fly
from sim.scenario import read_scenario
from supervisor.debrief.flown import read_flight
from supervisor.debrief.readings import observations
from supervisor.edge.recording import Recording
from supervisor.flightfile import parse_flight

EXAMPLE = Path(__file__).parents[2] / "deploy" / "ci-example"


def reference_wh(path: Path) -> float:
    """Sum of cells times current of every BATTERY_STATUS, over the times of receipt."""
    link = common.MAVLink(None)
    times, watts = [], []
    with path.open("rb") as file:
        for _, channel, message in NonSeekingReader(file).iter_messages(log_time_order=False):
            if channel.topic != "mavlink":
                continue
            for told in link.parse_buffer(message.data) or []:
                if told.get_type() == "BATTERY_STATUS":
                    cells = [mv for mv in told.voltages if mv != 0xFFFF]
                    cells += [mv for mv in told.voltages_ext if mv]
                    times.append(message.log_time * 1e-9)
                    watts.append(sum(cells) * 1e-3 * told.current_battery * 1e-2)
    return float(np.trapezoid(watts, times)) / 3600.0


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """A recording, and what the simulated pack really delivered [Wh]."""
    path = tmp_path_factory.mktemp("energy") / "flown.mcap"
    sortie = Sortie(read_scenario(EXAMPLE / "scenario.toml"), seed=2)
    delivered = [0.0, 0.0]

    def watch(state: object, frames: list[tuple[float, bytes]]) -> None:
        for t, frame in frames:
            file.write(t, frame)
        now, power = state.t_s, state.power_w  # type: ignore[attr-defined]
        delivered[1] += power * (now - delivered[0]) / 3600.0
        delivered[0] = now

    with FrameFile(path, sortie.metadata()) as file:
        fly(sortie, watch)
    return path, delivered[1]


def test_energy_is_the_integral_of_current_times_voltage(flown: tuple[Path, float]) -> None:
    recording = Recording(flown[0])
    flight = parse_flight(recording.metadata["flight_file"], "flight")
    seen = read_flight(flight, observations(recording))
    wanted = reference_wh(flown[0])
    assert wanted > 80.0
    assert seen.pack.total_wh == pytest.approx(wanted, rel=1e-3)
    assert sum(b.energy_wh for b in seen.blocks) == pytest.approx(wanted, rel=1e-3)


def test_energy_is_what_the_pack_delivered(flown: tuple[Path, float]) -> None:
    # the sensors' gains: current within 2 %, voltage within 0.2 % (sim/instruments.py)
    assert reference_wh(flown[0]) == pytest.approx(flown[1], rel=0.03)
