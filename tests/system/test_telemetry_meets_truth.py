"""The simulated aircraft speaks, the intake hears: in memory, signed and unsigned.

The two share no code: the simulator packs and signs with its own tables. What is compared is the
truth it flew and the observation that comes out, with the tolerance of its sensors' errors.
"""

from __future__ import annotations

import math

import pytest

from sim.flight import Flight
from sim.scenario import load
from sim.state import AircraftState
from sim.telemetry import Telemetry
from sim.wire import SigningKey
from supervisor.core import events
from supervisor.edge.decoder import Decoder
from supervisor.edge.frame_signing import Signer
from supervisor.edge.intake import Intake
from supervisor.edge.outgoing import Outgoing
from supervisor.edge.requests import RATES_HZ, Requests
from supervisor.edge.wire import WIND_COV

KEY = bytes(range(32))
FLOWN_S = 400.0  # take-off, transition, climb and some cruise


class Aircraft:
    """One simulated flight with its stream, and one listener that asks for what it needs."""

    def __init__(self, secret: bytes | None) -> None:
        scenario = load("estuary")
        self.flight = Flight(scenario, 3)
        self.telemetry = Telemetry(scenario, 3, SigningKey(secret, 1) if secret else None)
        self.intake = Intake(key=secret)
        self.decoder = Decoder()
        signer = Signer(secret, heard=self.intake.verifier) if secret else None
        self.requests = Requests(Outgoing(1, signer=signer), plan=True)
        self.heard: list[tuple[events.Observation, AircraftState]] = []

    def fly(self, seconds: float) -> None:
        self.telemetry.begin(self.flight.state)
        while self.flight.t_s < seconds:
            state = self.flight.step()
            data = [frame for _, frame in self.telemetry.frames(state)]
            self._hear(b"".join(data), state)
            if self.intake.system_id is not None:
                self._ask(self.requests.due(state.t_s), state)

    def _hear(self, data: bytes, state: AircraftState) -> None:
        for frame in self.intake.feed(data):
            observation = self.decoder.decode(frame, state.t_s)
            if observation is not None:
                self.heard.append((observation, state))
            self._ask(self.requests.handle(frame, state.t_s), state)

    def _ask(self, questions: list[bytes], state: AircraftState) -> None:
        for question in questions:
            for reply in self.telemetry.handle(question):
                self._hear(reply, state)


@pytest.fixture(scope="module", params=[None, KEY], ids=["plain", "signed"])
def aircraft(request: pytest.FixtureRequest) -> Aircraft:
    one = Aircraft(request.param)
    one.fly(FLOWN_S)
    return one


def test_nothing_is_lost_refused_or_taken_for_something_else(aircraft: Aircraft) -> None:
    counts, order = aircraft.intake.counts, aircraft.intake.order
    assert aircraft.intake.bytes_counts.damaged == 0
    assert (order.lost, order.repeated, order.late, order.restarts) == (0, 0, 0, 0)
    assert (counts.unsigned, counts.wrong_signature, counts.replayed) == (0, 0, 0)
    assert counts.accepted > 10 * FLOWN_S


def test_every_rate_is_had_and_the_plan_is_the_flight_file_s(aircraft: Aircraft) -> None:
    assert aircraft.requests.settled
    assert aircraft.requests.refused == [WIND_COV]  # this aircraft makes no estimate of the wind
    for msgid in RATES_HZ.keys() - {WIND_COV}:
        rate_hz = RATES_HZ[msgid]
        assert aircraft.telemetry.interval_us(msgid) == pytest.approx(1e6 / rate_hz)
    assert aircraft.requests.plan
    places = {(round(i.lat_deg, 6), round(i.lon_deg, 6)) for i in aircraft.requests.plan}
    for point in load("estuary").plan.route:
        assert (round(point.lat_deg, 6), round(point.lon_deg, 6)) in places


def test_position_and_velocity_are_the_truth_s(aircraft: Aircraft) -> None:
    found = [(o, s) for o, s in aircraft.heard if isinstance(o, events.Position)]
    assert len(found) > 4 * FLOWN_S
    for seen, true in found:
        # 10 m and 1 m/s are several sigma of a GPS; a wrong unit or sign is far outside.
        north_m = (seen.lat_rad - math.radians(true.lat_deg)) * 6_371_000.0
        east_m = (seen.lon_rad - math.radians(true.lon_deg)) * 6_371_000.0 * 0.72  # cos 44.2 deg
        assert math.hypot(north_m, east_m) < 15.0
        assert seen.height_m == pytest.approx(true.height_m, abs=15.0)
        assert seen.alt_m - seen.height_m == pytest.approx(true.alt_m - true.height_m, abs=1.0)
        assert seen.vn_mps == pytest.approx(true.vn_mps, abs=1.5)
        assert seen.ve_mps == pytest.approx(true.ve_mps, abs=1.5)
        assert seen.vd_mps == pytest.approx(true.vd_mps, abs=1.5)


def test_pack_air_and_state_are_the_truth_s(aircraft: Aircraft) -> None:
    kinds = {type(o) for o, _ in aircraft.heard}
    assert kinds >= {
        events.Heartbeat, events.Position, events.GpsQuality, events.AirData, events.Attitude,
        events.AirPressure, events.PackReport, events.FlightState, events.MissionProgress,
        events.HomeFix, events.ClockFix,
    }  # fmt: skip
    before_a, jumped_s = 0.0, 0.0  # a monitor lags behind a step
    for seen, true in aircraft.heard:
        match seen:
            case events.PackReport() if seen.cell_v:
                assert len(seen.cell_v) == len(true.cell_v)
                assert seen.pack_v == pytest.approx(true.pack_v, rel=0.03)
                if abs(true.current_a - before_a) > 3.0:
                    jumped_s = true.t_s
                elif true.t_s > jumped_s + 1.0:
                    assert seen.current_a == pytest.approx(true.current_a, rel=0.15, abs=5.0)
                before_a = true.current_a
            case events.AirPressure():
                assert seen.pressure_pa == pytest.approx(true.pressure_pa, abs=150.0)
            case events.AirData() if true.cas_mps > 12.0:
                assert seen.cas_mps == pytest.approx(true.cas_mps, rel=0.1, abs=2.5)
            case events.Attitude():
                assert seen.roll_rad == pytest.approx(true.roll_rad, abs=0.2)


def test_lift_is_told_apart(aircraft: Aircraft) -> None:
    states = [o for o, _ in aircraft.heard if isinstance(o, events.FlightState)]
    lifts = {state.lift for state in states}
    assert lifts >= {events.Lift.ROTORS, events.Lift.WING}
    assert {state.landed for state in states} >= {events.Landed.ON_GROUND, events.Landed.IN_AIR}
