"""Units and markers, against the field descriptions of the open common message set.

Each test quotes the description it checks. Numbers are worked out by hand from it.
"""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core import events
from supervisor.edge import wire
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import build

NAN = math.nan
ABSENT = 0xFFFF
NO_CELLS = (ABSENT,) * 10


def observe(msgid: int, decoder: Decoder | None = None, t_s: float = 1.0, **values: Any) -> Any:
    raw = build(msgid, wire.pack(msgid, **values), sysid=1, compid=1, seq=0)
    return (decoder or Decoder()).observe(raw, t_s)


def same(a: object, b: object) -> bool:
    """Equal, and NaN where the other is NaN."""
    return repr(a) == repr(b)


def battery(decoder: Decoder | None = None, t_s: float = 1.0, **values: Any) -> Any:
    blank = {
        "voltages": NO_CELLS, "current_battery": -1, "current_consumed": -1,
        "energy_consumed": -1, "temperature": 0x7FFF, "battery_remaining": -1,
    }  # fmt: skip
    return observe(wire.BATTERY_STATUS, decoder, t_s, **(blank | values))


def test_heartbeat() -> None:
    # base_mode bit 128: MAV_MODE_FLAG_SAFETY_ARMED
    assert observe(0, base_mode=81, system_status=4) == events.Heartbeat(1.0, False, 4)
    assert observe(0, base_mode=81 | 128, system_status=5) == events.Heartbeat(1.0, True, 5)


def test_position() -> None:
    # lat, lon [degE7], alt and relative_alt [mm], vx vy vz [cm/s], hdg [cdeg]
    found = observe(
        33, lat=442_000_000, lon=-286_000_000, alt=108_250, relative_alt=100_250,
        vx=-1234, vy=56, vz=-78, hdg=27_000,
    )  # fmt: skip
    assert math.degrees(found.lat_rad) == pytest.approx(44.2, abs=1e-12)
    assert math.degrees(found.lon_rad) == pytest.approx(-28.6, abs=1e-12)
    assert (found.alt_m, found.height_m) == (108.25, 100.25)
    assert (found.vn_mps, found.ve_mps, found.vd_mps) == pytest.approx((-12.34, 0.56, -0.78))
    assert math.degrees(found.heading_rad) == pytest.approx(270.0)
    assert type(found) is events.Position


def test_position_markers() -> None:
    # hdg: "If unknown, set to: UINT16_MAX"
    assert math.isnan(observe(33, lat=1, lon=1, hdg=0xFFFF).heading_rad)
    assert observe(33, lat=0, lon=0, alt=5) is None
    assert observe(33, lat=900_000_001, lon=1) is None
    assert observe(33, lat=1, lon=-1_800_000_001) is None


def test_air_data() -> None:
    # heading [deg] 0..360, throttle [%] 0..100
    found = observe(74, airspeed=21.5, groundspeed=18.0, heading=90, throttle=55, climb=-1.5)
    assert found == events.AirData(1.0, 21.5, 18.0, math.pi / 2, 0.55, -1.5)
    odd = observe(74, airspeed=NAN, groundspeed=math.inf, heading=-1, throttle=0xFFFF, climb=NAN)
    assert same(odd, events.AirData(1.0, NAN, NAN, NAN, NAN, NAN))


def test_attitude_and_pressure() -> None:
    found = observe(30, roll=0.5, pitch=-0.25, yaw=NAN)
    assert same(found, events.Attitude(1.0, 0.5, -0.25, NAN))
    # press_abs [hPa], temperature [cdegC]
    found = observe(29, press_abs=1013.25, temperature=-550)
    assert found.pressure_pa == pytest.approx(101_325.0)
    assert found.temperature_c == pytest.approx(-5.5)
    assert math.isnan(observe(29, press_abs=0.0).pressure_pa)


def test_gps() -> None:
    # satellites_visible: "If unknown, set to UINT8_MAX"; h_acc [mm], an extension
    assert observe(24, fix_type=3, satellites_visible=14, h_acc=1500) == events.GpsQuality(
        1.0, 3, 14, 1.5
    )
    unknown = observe(24, fix_type=2, satellites_visible=255)
    assert same(unknown, events.GpsQuality(1.0, 2, 0, NAN))


def test_system_time() -> None:
    found = observe(2, time_unix_usec=1_764_064_800_000_000, time_boot_ms=61_500)
    assert found == events.ClockFix(1.0, 1_764_064_800.0, 61.5)
    for never_set in (0, 315_964_800_000_000):  # no date yet; the GPS epoch, 1980-01-06
        assert math.isnan(observe(2, time_unix_usec=never_set).unix_s)


def test_wind_blows_toward() -> None:
    # wind_x: "Wind in North (NED) direction (NAN if unknown)": the air's velocity. A wind of
    # 5 m/s FROM the west (270 deg) moves air to the east: wind_y = +5.
    found = observe(231, wind_x=0.0, wind_y=5.0, horiz_accuracy=0.5)
    assert found == events.WindReport(1.0, 0.0, 5.0, 0.5)
    assert math.degrees(math.atan2(-found.wind_e_mps, -found.wind_n_mps)) % 360 == 270.0
    unknown = observe(231, wind_x=NAN, wind_y=NAN, horiz_accuracy=NAN)
    assert same(unknown, events.WindReport(1.0, NAN, NAN, NAN))


def test_reference_frames() -> None:
    """Frames of the reference generator with stated inputs (see tests/reference)."""
    decoder = Decoder()
    pack = decoder.observe(
        bytes.fromhex(
            "fd24000000010193000088130000ffffffffc4093c0f320f280f1e0f140f0a0f"
            "ffffffffffffffffd204000103494958"
        ),
        2.0,
    )
    assert isinstance(pack, events.PackReport)
    assert pack.cell_v == pytest.approx((3.90, 3.89, 3.88, 3.87, 3.86, 3.85))
    assert pack.pack_v == pytest.approx(23.25)
    assert pack.current_a == pytest.approx(12.34)
    assert pack.consumed_ah == pytest.approx(5.0)
    assert pack.temperature_c == pytest.approx(25.0)
    assert pack.remaining == pytest.approx(0.73)
    state = decoder.observe(bytes.fromhex("fd020000000101f5000003021a2c"), 2.0)
    assert state == events.FlightState(2.0, events.Lift.ROTORS, events.Landed.IN_AIR)


@pytest.mark.parametrize(
    ("vtol", "landed", "lift", "ground"),
    [
        (0, 0, events.Lift.UNKNOWN, events.Landed.UNKNOWN),
        (1, 1, events.Lift.TO_WING, events.Landed.ON_GROUND),
        (2, 3, events.Lift.TO_ROTORS, events.Landed.TAKE_OFF),
        (4, 4, events.Lift.WING, events.Landed.LANDING),
        (5, 9, events.Lift.UNKNOWN, events.Landed.UNKNOWN),  # not in the enumerations
    ],
)
def test_flight_state(vtol: int, landed: int, lift: events.Lift, ground: events.Landed) -> None:
    found = observe(245, vtol_state=vtol, landed_state=landed)
    assert found == events.FlightState(1.0, lift, ground)


def test_nothing_known_of_a_pack() -> None:
    assert same(battery(), events.PackReport(1.0, NAN, (), NAN, NAN, NAN, NAN))


@given(st.integers(1, 14), st.data())
def test_cells(count: int, data: st.DataObject) -> None:
    # "Cells in this field above the valid cell count should have the UINT16_MAX value";
    # voltages_ext: cells 11 to 14, "a value of 0 if the cell is unsupported"
    cells = data.draw(st.lists(st.integers(500, 4999), min_size=count, max_size=count))
    first = tuple(cells[:10]) + (ABSENT,) * (10 - len(cells[:10]))
    more = tuple(cells[10:]) + (0,) * (4 - len(cells[10:]))
    found = battery(voltages=first, voltages_ext=more)
    assert found.cell_v == pytest.approx([mv / 1000 for mv in cells])
    assert found.pack_v == pytest.approx(sum(cells) / 1000)


def old_report(decoder: Decoder, mv: int, t_s: float = 1.0) -> Any:
    """A MAVLink 1 BATTERY_STATUS with all ten places taken, as the reference library packs it."""
    from pymavlink.dialects.v10 import common as common_1

    mav = common_1.MAVLink(None, srcSystem=1, srcComponent=1)
    message = mav.battery_status_encode(0, 1, 1, 2000, [mv] * 10, 800, 100, -1, 80)
    return decoder.observe(bytes(message.pack(mav)), t_s)


def test_mavlink_1_has_room_for_ten_cells_and_the_totals_know_the_rest() -> None:
    decoder = Decoder()
    # Nobody knows whether there is an eleventh: no voltage rather than a low one.
    assert math.isnan(old_report(decoder, 4000).pack_v)
    observe(1, decoder, t_s=2.0, voltage_battery=48_000)
    found = old_report(decoder, 4000, 2.1)
    assert found.pack_v == 48.0
    assert len(found.cell_v) == 10
    observe(1, decoder, t_s=3.0, voltage_battery=40_500)  # a pack of ten, read a moment before
    assert old_report(decoder, 4000, 3.1).pack_v == pytest.approx(40.0)
    assert math.isnan(old_report(decoder, 4000, 9.0).pack_v)  # that was too long ago
    observe(1, decoder, t_s=9.5, voltage_battery=0xFFFF)
    assert math.isnan(old_report(decoder, 4000, 9.6).pack_v)


def test_a_full_report_leans_on_the_totals() -> None:
    # An autopilot that fills no extension: ten of twelve cells, over MAVLink 2.
    decoder = Decoder()
    ten = (4000,) * 10
    assert battery(decoder, voltages=ten).pack_v == pytest.approx(40.0)
    observe(1, decoder, t_s=1.0, voltage_battery=48_000)
    assert battery(decoder, voltages=ten).pack_v == 48.0
    six = (4000,) * 6 + (ABSENT,) * 4  # not full: the cells are what there is
    assert battery(decoder, voltages=six).pack_v == pytest.approx(24.0)


@given(st.integers(5001, 400_000))
def test_pack_voltage_where_cells_are_unknown(pack_mv: int) -> None:
    # "If individual cell voltages are unknown [...] the overall battery voltage should be filled
    # in cell 0, with all others set to UINT16_MAX. If the voltage is greater than (UINT16_MAX - 1)
    # then cell 0 should be set to (UINT16_MAX - 1), and cell 1 to the remaining voltage."
    places, rest = [], pack_mv
    while rest > 0xFFFE:
        places.append(0xFFFE)
        rest -= 0xFFFE
    places += [rest] if rest else []
    places += [ABSENT] * (10 - len(places))
    found = battery(voltages=tuple(places))
    assert found.cell_v == ()
    assert found.pack_v == pytest.approx(pack_mv / 1000)


def test_current_markers() -> None:
    # current_battery [cA], int16: "-1: autopilot does not measure the current"
    assert math.isnan(battery(current_battery=-1).current_a)
    assert battery(current_battery=-250).current_a == pytest.approx(-2.5)  # charging
    assert battery(current_battery=32_767).current_a == pytest.approx(327.67)
    # 400.00 A does not fit: 40000 - 65536
    assert battery(current_battery=40_000 - 65_536).current_a == pytest.approx(400.0)


def test_the_pack_that_flies_is_believed() -> None:
    # battery_function: 3 avionics, 4 payload
    decoder = Decoder()
    assert battery(decoder, id=0, battery_function=4) is None
    assert battery(decoder, id=2, battery_function=1) is not None
    assert battery(decoder, id=1, battery_function=0) is not None  # the lower number from now on
    assert battery(decoder, id=2, battery_function=1) is None


def test_totals_speak_only_while_no_pack_report_does() -> None:
    # SYS_STATUS: voltage_battery [mV] UINT16_MAX unknown, current_battery [cA] -1, remaining [%] -1
    decoder = Decoder()
    found = observe(1, decoder, voltage_battery=44_400, current_battery=1500, battery_remaining=60)
    assert same(found, events.PackReport(1.0, 44.4, (), 15.0, NAN, NAN, 0.6))
    unknown = observe(1, decoder, voltage_battery=0xFFFF, current_battery=-1, battery_remaining=-1)
    assert same(unknown, events.PackReport(1.0, NAN, (), NAN, NAN, NAN, NAN))
    battery(decoder, t_s=10.0)
    assert observe(1, decoder, t_s=14.9, voltage_battery=44_400) is None
    assert observe(1, decoder, t_s=15.1, voltage_battery=44_400) is not None


def test_mission_and_home() -> None:
    assert observe(42, seq=7) == events.MissionProgress(1.0, 7)
    # total: "UINT16_MAX if no mission is present on the vehicle"
    assert observe(42, seq=0, total=0xFFFF) is None
    home = observe(242, latitude=442_000_000, longitude=-286_000_000, altitude=8_000)
    assert home.alt_m == 8.0
    assert observe(242, latitude=0, longitude=0) is None


def test_link_quality() -> None:
    # rssi "Values: [0-254], UINT8_MAX: invalid/unknown"; quality [%], UINT8_MAX unknown
    assert observe(109, rssi=254, remrssi=127).quality == pytest.approx(0.5)
    assert observe(109, rssi=254, remrssi=255).quality == 1.0
    assert math.isnan(observe(109, rssi=255, remrssi=255).quality)
    assert observe(334, quality=40).quality == pytest.approx(0.4)
    assert math.isnan(observe(334, quality=255).quality)


def test_protocol_messages_are_nothing_for_the_core() -> None:
    for msgid in (wire.COMMAND_ACK, wire.MISSION_COUNT, wire.MISSION_ITEM_INT, wire.STATUSTEXT):
        assert observe(msgid) is None


@given(st.sampled_from(sorted(wire.ROWS)), st.binary(min_size=1, max_size=255))
def test_no_payload_gives_infinity_or_an_unknown_marker(msgid: int, payload: bytes) -> None:
    """Any bytes at all with a right CRC: no exception, and every number finite or NaN."""
    raw = build(msgid, payload, sysid=1, compid=1, seq=0)
    found = Decoder().observe(raw, 1.0)
    if found is None:
        return
    for field in fields(found):
        value = getattr(found, field.name)
        numbers = value if isinstance(value, tuple) else (value,)
        assert not any(isinstance(n, float) and math.isinf(n) for n in numbers), field.name
