"""A simulated flight through the supervisor's own line, in memory: truth to frames to advisories.

The only place besides the campaign and the command line where the simulator meets the supervisor.
They meet as they do on a real aircraft: over MAVLink frames. Nothing else passes between them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sim.flight import Flight
from sim.scenario import Scenario
from sim.telemetry import Telemetry
from supervisor.core.belief import Belief
from supervisor.core.conclusions import Advisory, Status
from supervisor.core.events import PackReport
from supervisor.core.monitor import Monitor, Output
from supervisor.core.plan import Flight as Plan
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import Splitter
from supervisor.flightfile import load_flight

# Messages that the belief lives on, at the rate its filters look; the rest stays as it is.
SLOW_MESSAGES = (1, 24, 30, 33, 74, 147)
SLOW_US = 1_000_000


@dataclass(frozen=True, slots=True)
class Heard:
    """What the supervisor concluded at one simulated moment."""

    t_s: float
    output: Output


class Harness:
    """One flight and its supervisor. ``slow`` asks the aircraft for 1 Hz, as a thin link would.

    ``explain``: with the plan beside every forecast, reasons and advice; decides nothing.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        *,
        plan: Plan | None = None,
        members: int = 200,
        points: int = 30,
        slow: bool = True,
        explain: bool = False,
    ) -> None:
        self.plan = plan or load_flight(scenario.flight_path)
        self.flight = Flight(scenario, seed)
        self.telemetry = Telemetry(scenario, seed)
        self.monitor = Monitor(
            self.plan, seed=seed, members=members, points=points, explain=explain
        )
        self._splitter, self._decoder = Splitter(), Decoder()
        self.charge_shown = math.nan  # 0..1, as the aircraft's own monitor reports it
        self.telemetry.begin(self.flight.state)
        if slow:
            ask_slowly(self.telemetry)

    def step(self) -> list[Heard]:
        """One step of the flight, and what was concluded from its frames."""
        heard: list[Heard] = []
        for t_s, raw in self.telemetry.frames(self.flight.step()):
            for frame in self._splitter.feed(raw):
                observation = self._decoder.decode(frame, t_s)
                if isinstance(observation, PackReport):
                    self._show(observation)
                if observation is not None:
                    heard += [Heard(t_s, out) for out in self.monitor.handle(observation)]
        return heard

    def _show(self, report: PackReport) -> None:
        """The charge that a pilot would read: the monitor's own, or what its counter leaves."""
        shown = report.remaining
        if shown != shown:
            shown = self.plan.pack.initial_charge - report.consumed_ah / self.plan.pack.capacity_ah
        if shown == shown:
            self.charge_shown = shown

    def belief(self) -> Belief:
        """What the supervisor believes now, once it has heard of the aircraft."""
        belief = self.monitor.belief(self.flight.t_s)
        assert belief is not None
        return belief

    def run(self, until: Callable[[Harness], bool] | None = None) -> Iterator[Heard]:
        """Everything concluded until the flight is over, or ``until`` says so."""
        while not self.flight.done and not (until and until(self)):
            yield from self.step()


def ask_slowly(telemetry: Telemetry) -> None:
    """1 Hz of what the belief lives on."""
    for message in SLOW_MESSAGES:
        telemetry.set_interval(message, SLOW_US)


def advisories(heard: list[Heard], condition: str) -> list[Advisory]:
    """Those of one condition, in order."""
    found = (h.output for h in heard)
    return [out for out in found if isinstance(out, Advisory) and out.condition == condition]


def statuses(heard: list[Heard]) -> list[Status]:
    """All statuses, in order."""
    return [h.output for h in heard if isinstance(h.output, Status)]
