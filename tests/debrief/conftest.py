"""One short simulated flight with its debrief, shared by the tests of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from sim.framefile import FrameFile
from sim.headless import Sortie, fly
from sim.scenario import read_scenario
from sim.state import AircraftState
from supervisor.debrief.answer import Debrief
from supervisor.debrief.compute import make_debrief
from supervisor.edge.recording import Recording
from supervisor.flightfile import parse_flight

EXAMPLE = Path(__file__).parents[2] / "deploy" / "ci-example"


@pytest.fixture(scope="session")
def mission(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, AircraftState]:
    """The CI example's mission, flown: the recording, and how it truly ended."""
    path = tmp_path_factory.mktemp("flown") / "flown.mcap"
    sortie = Sortie(read_scenario(EXAMPLE / "scenario.toml"), seed=1)
    with FrameFile(path, sortie.metadata()) as file:
        last = fly(sortie, lambda _, frames: [file.write(t, frame) for t, frame in frames] and None)
    return path, last


@pytest.fixture(scope="session")
def recorded(mission: tuple[Path, AircraftState]) -> Path:
    """The recording alone."""
    return mission[0]


@pytest.fixture(scope="session")
def debrief(recorded: Path) -> Debrief:
    """Its debrief."""
    recording = Recording(recorded)
    flight = parse_flight(recording.metadata["flight_file"], "flight")
    return make_debrief(recording, flight, "flown")
