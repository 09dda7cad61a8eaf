"""The stream: rates, contents, determinism, cost. Decoded by the reference library."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from pymavlink.dialects.v20 import common
from true_states import CRUISING, flown

from sim.instruments import Reports
from sim.messages import START_UNIX_S
from sim.scenario import Fault, Scenario, load
from sim.state import AircraftState, Phase
from sim.telemetry import Telemetry
from sim.wire import SigningKey


@pytest.fixture
def scenario() -> Scenario:
    return load("estuary")


def decoded(frames: list[tuple[float, bytes]]) -> list[tuple[float, Any]]:
    """Every frame through the reference library's parser, CRC checked."""
    parser = common.MAVLink(None)
    out = []
    for t_s, frame in frames:
        messages = parser.parse_buffer(frame)
        assert messages is not None
        assert len(messages) == 1
        out.append((t_s, messages[0]))
    return out


def stream(telemetry: Telemetry, states: list[AircraftState]) -> list[tuple[float, bytes]]:
    return [item for state in states for item in telemetry.frames(state)]


def one(telemetry: Telemetry, name: str, states: list[AircraftState]) -> Any:
    """The last message of that name."""
    found = [m for _, m in decoded(stream(telemetry, states)) if m.get_type() == name]
    return found[-1]


def test_default_rates_are_1_to_5_hz(scenario: Scenario) -> None:
    frames = decoded(stream(Telemetry(scenario, 1), flown(60.0)))
    counts = Counter(m.get_type() for _, m in frames)
    for name, hz in {
        "HEARTBEAT": 1, "GLOBAL_POSITION_INT": 5, "VFR_HUD": 5, "ATTITUDE": 5, "SYS_STATUS": 2,
        "BATTERY_STATUS": 2, "GPS_RAW_INT": 2, "SYSTEM_TIME": 1, "EXTENDED_SYS_STATE": 1,
        "MISSION_CURRENT": 1, "SCALED_PRESSURE": 1,
    }.items():  # fmt: skip
        assert counts[name] == pytest.approx(60 * hz, abs=1), name
    assert "WIND_COV" not in counts


def test_frames_are_in_order_and_numbered(scenario: Scenario) -> None:
    frames = decoded(stream(Telemetry(scenario, 1), flown(30.0)))
    times = [t for t, _ in frames]
    assert times == sorted(times)
    assert [m.get_seq() for _, m in frames] == [i % 256 for i in range(len(frames))]


def test_interval_can_be_set_stopped_and_restored(scenario: Scenario) -> None:
    telemetry = Telemetry(scenario, 1)
    stream(telemetry, flown(1.0))

    def count(start: float) -> int:
        frames = decoded(stream(telemetry, flown(10.0, t_s=start)))
        return sum(m.get_type() == "ATTITUDE" for _, m in frames)

    assert telemetry.set_interval(30, 100_000)
    assert count(1.0) == pytest.approx(100, abs=1)
    assert telemetry.set_interval(30, -1)
    assert count(11.0) == 0
    assert telemetry.set_interval(30, 0)
    assert count(21.0) == pytest.approx(50, abs=1)
    assert not telemetry.set_interval(9999, 100_000)


def test_position_and_speed_agree_with_the_truth(scenario: Scenario) -> None:
    states = flown(20.0)
    frames = decoded(stream(Telemetry(scenario, 1), states))
    for t_s, message in frames:
        if message.get_type() != "GLOBAL_POSITION_INT":
            continue
        true_lon = CRUISING.lon_deg + 25.0 * t_s / (111_320.0 * math.cos(math.radians(44.2)))
        assert abs(message.lon * 1e-7 - true_lon) * 79_936.3 < 6.0  # wander, m
        assert message.vx * 0.01 == pytest.approx(0.0, abs=0.3)
        assert message.vy * 0.01 == pytest.approx(25.0, abs=0.3)
        assert message.time_boot_ms == pytest.approx((t_s + 60.0) * 1000.0, abs=1)


def test_wind_blows_toward_as_the_message_defines(scenario: Scenario) -> None:
    # WIND_COV: wind_x north, wind_y east, the direction the air moves to (NED velocity). A west
    # wind (from 270 degrees) of 4 m/s is (0, +4). The sign joins wind FROM with wind toward.
    scenario = replace(
        scenario, telemetry=Reports(wind=True), sensors={"wind_error_mps": (0.01, 0.01)}
    )
    wind = one(Telemetry(scenario, 1), "WIND_COV", flown(3.0))
    assert (wind.wind_x, wind.wind_y) == pytest.approx((0.0, 4.0), abs=0.05)
    assert wind.horiz_accuracy == pytest.approx(0.01)
    from_deg = math.degrees(math.atan2(-wind.wind_y, -wind.wind_x)) % 360.0
    assert from_deg == pytest.approx(270.0, abs=2.0)


def test_no_wind_from_the_ground(scenario: Scenario) -> None:
    scenario = replace(scenario, telemetry=Reports(wind=True))
    frames = decoded(stream(Telemetry(scenario, 1), flown(5.0, phase=Phase.GROUND)))
    assert not [m for _, m in frames if m.get_type() == "WIND_COV"]


def test_twelve_cells_need_the_extension(scenario: Scenario) -> None:
    battery = one(Telemetry(scenario, 1), "BATTERY_STATUS", flown(2.0))
    cells = [*battery.voltages, *battery.voltages_ext[:2]]
    assert cells == pytest.approx([1000.0 * v for v in CRUISING.cell_v], abs=25)
    assert battery.voltages_ext[2:] == [0, 0]  # absent there is 0


def test_total_only_stands_in_the_first_cell_and_spills_over(scenario: Scenario) -> None:
    # common set: without cell voltages the total is in cell 0, above 65534 mV also in 1.
    scenario = replace(scenario, telemetry=Reports(cells=False, current=False))
    battery = one(Telemetry(scenario, 1), "BATTERY_STATUS", flown(2.0))
    assert battery.voltages[0] == pytest.approx(45_000, abs=200)
    assert battery.voltages[1:] == [65535] * 9
    assert (battery.current_battery, battery.current_consumed, battery.battery_remaining) == (
        -1,
        -1,
        -1,
    )
    high = one(Telemetry(scenario, 1), "BATTERY_STATUS", flown(2.0, pack_v=70.0))
    assert high.voltages[0] == 65534
    assert high.voltages[0] + high.voltages[1] == pytest.approx(70_000, abs=300)


def test_current_temperature_and_counters_in_their_units(scenario: Scenario) -> None:
    quiet = {"current_gain": (1.0, 1.0), "current_offset_a": (0.0, 0.0)}
    scenario = replace(scenario, sensors=quiet)
    battery = one(Telemetry(scenario, 1), "BATTERY_STATUS", flown(360.0))
    assert battery.current_battery == pytest.approx(800, abs=80)  # 8 A in cA
    assert battery.current_consumed == pytest.approx(800, abs=3)  # 8 A * 0.1 h in mAh
    assert battery.energy_consumed == pytest.approx(36 * 36, abs=5)  # 36 Wh; 1 Wh = 36 hJ
    assert battery.temperature == pytest.approx(1830, abs=200)  # cdegC


@pytest.mark.parametrize(
    ("phase", "vtol", "landed"),
    [
        # MAV_VTOL_STATE 1 to-wing 2 to-rotors 3 rotors 4 wing; MAV_LANDED_STATE 1 ground 2 air
        # 3 take-off 4 landing
        (Phase.GROUND, 3, 1),
        (Phase.HOVER_CLIMB, 3, 3),
        (Phase.TRANSITION, 1, 2),
        (Phase.CRUISE, 4, 2),
        (Phase.BACK_TRANSITION, 2, 2),
        (Phase.HOVER_LANDING, 3, 4),
        (Phase.LANDED, 3, 1),
    ],
)
def test_extended_state(scenario: Scenario, phase: Phase, vtol: int, landed: int) -> None:
    message = one(Telemetry(scenario, 1), "EXTENDED_SYS_STATE", flown(2.0, phase=phase))
    assert (message.vtol_state, message.landed_state) == (vtol, landed)


def test_armed_in_the_air_only(scenario: Scenario) -> None:
    beat = one(Telemetry(scenario, 1), "HEARTBEAT", flown(2.0))
    assert (beat.base_mode & 128, beat.type, beat.autopilot, beat.system_status) == (128, 22, 0, 4)
    beat = one(Telemetry(scenario, 1), "HEARTBEAT", flown(2.0, phase=Phase.LANDED))
    assert (beat.base_mode & 128, beat.system_status) == (0, 3)


def test_clock_jump_shifts_the_date_not_the_boot_time(scenario: Scenario) -> None:
    scenario = replace(scenario, faults=(Fault("clock-jump", at_s=5.0, amount=120.0),))
    telemetry = Telemetry(scenario, 1)
    before = one(telemetry, "SYSTEM_TIME", flown(4.0))
    after = one(telemetry, "SYSTEM_TIME", flown(6.0, t_s=4.5))
    assert before.time_unix_usec == pytest.approx((START_UNIX_S + 4.0) * 1e6, abs=1e6)
    gained = after.time_unix_usec - before.time_unix_usec
    assert gained - (after.time_boot_ms - before.time_boot_ms) * 1000 == pytest.approx(120e6)


def test_dropout_loses_its_share_and_leaves_gaps_in_the_numbers(scenario: Scenario) -> None:
    lossy = replace(scenario, faults=(Fault("telemetry-dropout", amount=0.5),))
    states = flown(100.0)
    full = stream(Telemetry(scenario, 1), states)
    half = stream(Telemetry(lossy, 1), states)
    # About 2 500 frames, each lost with one half: sd 25, so 0.5 within 0.05 is five sigma.
    assert len(half) / len(full) == pytest.approx(0.5, abs=0.05)
    assert {m for _, m in half} <= {m for _, m in full}


def test_phase_changes_are_told(scenario: Scenario) -> None:
    telemetry = Telemetry(scenario, 1)
    states = [*flown(1.0), *flown(1.0, t_s=1.5, phase=Phase.BACK_TRANSITION, returning=True)]
    said = [m.text for _, m in decoded(stream(telemetry, states)) if m.get_type() == "STATUSTEXT"]
    assert said == ["Transition to rotors", "Returning"]


def test_a_lost_aircraft_is_silent(scenario: Scenario) -> None:
    telemetry = Telemetry(scenario, 1)
    stream(telemetry, flown(1.0))
    assert stream(telemetry, flown(5.0, t_s=1.5, phase=Phase.LOST)) == []


def test_one_seed_one_byte_stream(scenario: Scenario) -> None:
    states = flown(60.0)
    first, again = (stream(Telemetry(scenario, 3), states) for _ in range(2))
    assert first == again
    assert first != stream(Telemetry(scenario, 4), states)


def test_signed_stream_is_accepted_with_the_key_only(scenario: Scenario) -> None:
    key = SigningKey(b"s" * 32, link_id=2)
    frames = stream(Telemetry(scenario, 1, key), flown(5.0))
    receiver = common.MAVLink(None)
    receiver.signing.secret_key = b"s" * 32
    receiver.signing.timestamp = int((START_UNIX_S - 1420070400) * 1e5)
    assert all(m.get_type() != "BAD_DATA" for _, f in frames for m in receiver.parse_buffer(f))
    stranger = common.MAVLink(None)
    stranger.robust_parsing = True
    stranger.signing.secret_key = b"x" * 32
    assert all(m.get_type() == "BAD_DATA" for m in stranger.parse_buffer(frames[0][1]))
