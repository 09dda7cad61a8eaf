"""A flight without sockets or clocks: as fast as it will go, into files."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sim import truth
from sim.endpoint import carried
from sim.flight import Flight
from sim.link import Kind, LossyLink
from sim.scenario import Scenario
from sim.state import AircraftState
from sim.telemetry import Telemetry
from sim.wire import SigningKey

LONGEST_S = 12 * 3600.0

Watch = Callable[[AircraftState, list[tuple[float, bytes]]], None]


@dataclass(frozen=True, slots=True)
class Sortie:
    """Which flight to fly: ``through`` is the link the frames cross (None: none, as aboard).

    With a ``key`` frames are signed, and clients must sign theirs. ``number`` counts the flights of
    one aircraft and pack from a box, from zero.
    """

    scenario: Scenario
    seed: int
    turn_back_s: float = math.inf
    through: Kind | None = None
    key: SigningKey | None = None
    number: int = 0

    def flight(self) -> Flight:
        """A fresh flight."""
        return Flight(self.scenario, self.seed, self.number)

    def begin(self) -> tuple[Flight, Telemetry]:
        """A fresh flight and its stream."""
        return self.flight(), Telemetry(self.scenario, self.seed, self.key, self.number)

    def link(self) -> LossyLink | None:
        """A fresh link, or None."""
        if self.through is None:
            return None
        scenario = self.scenario
        fate = f"{self.seed}.{self.number}" if self.number else self.seed
        return LossyLink(
            scenario.link,
            scenario.plan.home,
            fate,
            self.through,
            scenario.faults,
            scenario.weather.ridges,
        )

    def metadata(self) -> dict[str, str]:
        """What a recording says about itself; a replay takes the flight file from it."""
        text = self.scenario.flight_path.read_text(encoding="utf-8")
        return {
            "scenario": self.scenario.name,
            "simulator_seed": str(self.seed),
            "sortie": str(self.number),
            "flight_file": text,
        }


def fly(sortie: Sortie, watch: Watch) -> AircraftState:
    """Step to the end; ``watch`` gets each true state and the frames that have arrived by then."""
    flight, telemetry = sortie.begin()
    link = sortie.link()
    telemetry.begin(flight.state)
    while not flight.done and flight.t_s < LONGEST_S:
        if flight.t_s >= sortie.turn_back_s and not flight.state.returning:
            flight.command_return()
        state = flight.step()
        watch(state, carried(link, telemetry, state))
    return flight.state


def write_truth(
    path: Path, sortie: Sortie, series: list[AircraftState], last: AircraftState, grid_s: float
) -> None:
    """``truth.json``: the series, the latest turn-back time, the turn-backs every ``grid_s``."""
    rows = [truth.row(state) for state in series]
    content = truth.document(sortie.flight(), rows, last, grid_s)
    path.write_text(json.dumps(content, allow_nan=False) + "\n", encoding="utf-8")
