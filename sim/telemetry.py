"""From the true state to the aircraft's MAVLink stream.

Each message goes out at its own interval, which a client may change. Frames are stamped in
simulated seconds and depend on the states, the scenario and the seed only: the same flight gives
the same bytes.
"""

from __future__ import annotations

import heapq
from random import Random
from typing import TYPE_CHECKING

from sim.faults import amount_of, share
from sim.flight import drawn
from sim.messages import (
    ATTITUDE,
    BATTERY_STATUS,
    EXTENDED_SYS_STATE,
    GLOBAL_POSITION_INT,
    GPS_RAW_INT,
    HEARTBEAT,
    HOME_POSITION,
    MISSION_CURRENT,
    RADIO_STATUS,
    SCALED_PRESSURE,
    START_UNIX_S,
    SYS_STATUS,
    SYSTEM_TIME,
    US,
    VFR_HUD,
    WIND_COV,
    Messages,
)
from sim.protocol import Autopilot
from sim.sensors import Sensors
from sim.state import AircraftState, Phase
from sim.wire import CELLULAR_STATUS, Framer, Shape, SigningKey, shape

if TYPE_CHECKING:
    from sim.scenario import Scenario

STATUSTEXT = shape("STATUSTEXT")
INFO = 6  # MAV_SEVERITY

# Before anybody asks: 1 to 5 Hz, as common autopilots do on a telemetry link.
DEFAULT_INTERVAL_US: dict[int, int] = {
    HEARTBEAT.id: US,
    SYS_STATUS.id: US // 2,
    SYSTEM_TIME.id: US,
    GPS_RAW_INT.id: US // 2,
    ATTITUDE.id: US // 5,
    GLOBAL_POSITION_INT.id: US // 5,
    VFR_HUD.id: US // 5,
    BATTERY_STATUS.id: US // 2,
    SCALED_PRESSURE.id: US,
    EXTENDED_SYS_STATE.id: US,
    MISSION_CURRENT.id: US,
    HOME_POSITION.id: 10 * US,
    WIND_COV.id: US,
    RADIO_STATUS.id: US,
    CELLULAR_STATUS.id: US,
}
FASTEST_US = US // 50
STAGGER_US = 7_000  # messages of one rate do not all leave in the same instant

SAID: dict[Phase, str] = {
    Phase.HOVER_CLIMB: "Take-off",
    Phase.TRANSITION: "Transition to wing",
    Phase.BACK_TRANSITION: "Transition to rotors",
    Phase.LANDED: "Landed",
}


class Telemetry:
    """The stream of one flight: feed true states in, take frames out."""

    def __init__(
        self, scenario: Scenario, seed: int, key: SigningKey | None = None, sortie: int = 0
    ) -> None:
        plan, sorties = scenario.plan, scenario.sorties
        start_unix_s = START_UNIX_S + sortie * sorties.every_s
        self.sensors = Sensors(
            seed,
            scenario.sensors,
            scenario.faults,
            drawn(scenario, seed)["airspeed_factor"],
            plan.pack.capacity_ah,
            sorties.charge if sortie > 0 else plan.pack.initial_charge,
            sortie,
        )
        self._framer = Framer(key=key)
        self.autopilot = Autopilot(plan, self, secret=key.secret if key else None)
        self.messages = Messages(
            self._framer,
            self.sensors,
            scenario.telemetry,
            scenario.faults,
            plan.home,
            len(self.autopilot.mission),
            start_unix_s,
        )
        self._start_unix_s = start_unix_s
        self._dropouts = tuple(f for f in scenario.faults if f.kind == "telemetry-dropout")
        self._luck = Random(f"{seed} dropouts {sortie}")
        self._build = self.messages.builders
        self._interval_us = dict(DEFAULT_INTERVAL_US)
        self._state: AircraftState | None = None
        self._due: list[tuple[int, int]] = []  # heap of (time in us, message id)

    # --- the stream ---

    def begin(self, state: AircraftState) -> AircraftState:
        """The state before the first step: from here on clients get answers."""
        self._state = state
        self.sensors.update(state)
        self._framer.unix_s = self._start_unix_s + state.t_s
        self._due = self._first_due(state.t_s)
        return state

    def frames(self, state: AircraftState) -> list[tuple[float, bytes]]:
        """All frames due up to ``state.t_s`` since the last call, in order, with their times."""
        before = self._state or self.begin(state)
        self._state = state
        self.sensors.update(state)
        self._framer.unix_s = self._start_unix_s + state.t_s
        if state.phase is Phase.LOST:
            return []
        out: list[tuple[float, bytes]] = []
        due, now_us = self._due, round(state.t_s * US)
        while due and due[0][0] <= now_us:
            at_us, message = due[0]
            heapq.heapreplace(due, (at_us + self._interval_us[message], message))
            frame = self._build[message](state, at_us / US)
            if frame is not None and not (self._dropouts and self._lost(at_us / US)):
                out.append((at_us / US, frame))
        out.extend((state.t_s, text) for text in self._events(before, state))
        return out

    def _lost(self, t_s: float) -> bool:
        """Whether a dropout fault swallows this frame (its number is spent all the same)."""
        gone = max(amount_of(fault) * share(fault, t_s) for fault in self._dropouts)
        return self._luck.random() < gone

    def _first_due(self, t_s: float) -> list[tuple[int, int]]:
        start = round(t_s * US)
        return [
            (start + STAGGER_US * i, message)
            for i, message in enumerate(sorted(self._build))
            if self._interval_us[message] > 0
        ]

    def _events(self, before: AircraftState, state: AircraftState) -> list[bytes]:
        said = []
        if state.phase is not before.phase and state.phase in SAID:
            said.append(SAID[state.phase])
        if state.returning and not before.returning:
            said.append("Returning")
        return [self.text(text) for text in said]

    def text(self, text: str, severity: int = INFO) -> bytes:
        """One STATUSTEXT frame; at most 50 bytes of text."""
        return self.frame(STATUSTEXT, severity, text.encode()[:50], 0, 0)

    def frame(self, layout: Shape, *values: object) -> bytes:
        """One frame of this aircraft, numbered and signed like all others."""
        return self._framer.frame(layout, *values)

    # --- what clients may ask ---

    def set_interval(self, message: int, interval_us: int) -> bool:
        """Send ``message`` every ``interval_us``; 0 its default, -1 never. False: unknown here."""
        if message not in self._build:
            return False
        default = DEFAULT_INTERVAL_US[message]
        wanted = default if interval_us == 0 else interval_us
        self._interval_us[message] = -1 if wanted < 0 else max(FASTEST_US, wanted)
        self._due = [entry for entry in self._due if entry[1] != message]
        heapq.heapify(self._due)
        if self._state is not None and wanted > 0:
            start = round(self._state.t_s * US) + 1
            heapq.heappush(self._due, (start, message))
        return True

    def interval_us(self, message: int) -> int:
        """The interval of ``message`` now; -1 never, 0 unknown here."""
        return self._interval_us[message] if message in self._build else 0

    def one(self, message: int) -> bytes | None:
        """One frame of ``message`` now, as MAV_CMD_REQUEST_MESSAGE asks."""
        if self._state is None or message not in self._build:
            return None
        return self._build[message](self._state, self._state.t_s)

    def handle(self, data: bytes) -> list[bytes]:
        """Frames of a client in, replies out."""
        return self.autopilot.handle(data)

    def heartbeat(self, state: AircraftState) -> bytes:
        """A heartbeat outside the stream, for the time before simulated time runs."""
        frame = self._build[HEARTBEAT.id](state, state.t_s)
        assert frame is not None
        return frame

    @property
    def state(self) -> AircraftState | None:
        """The last true state fed in."""
        return self._state
