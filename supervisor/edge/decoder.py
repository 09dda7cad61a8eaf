"""Frames to observations: units to SI, degrees to radians, every "unknown" marker to NaN.

Markers and units are those of the field descriptions in the ``common`` message set. A value
outside the range its description allows is no measurement either and becomes NaN; a position that
is none (out of range, or exactly 0, 0) gives no observation at all.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from math import isfinite
from typing import Any

from supervisor.core.events import (
    AirData,
    AirPressure,
    Attitude,
    ClockFix,
    FlightState,
    GpsQuality,
    Heartbeat,
    HomeFix,
    Landed,
    Lift,
    LinkQuality,
    MissionProgress,
    Observation,
    PackReport,
    Position,
    WindReport,
)
from supervisor.edge import wire
from supervisor.edge.frames import MAGIC_1, Frame, read_frame
from supervisor.edge.quick import maker
from supervisor.edge.wire import CUT_OFF, LAYOUTS, unpack

Values = tuple[Any, ...]

NAN = math.nan
INT8_UNKNOWN, UINT8_UNKNOWN = -1, 0xFF
INT16_UNKNOWN, UINT16_UNKNOWN = 0x7FFF, 0xFFFF
ARMED = 0x80  # MAV_MODE_FLAG_SAFETY_ARMED
PAYLOAD_PACKS = (3, 4)  # MAV_BATTERY_FUNCTION avionics, payload: not what flies us home
ANY_CELL_MAX_V = 5.0  # no rechargeable cell reaches 5 V: what is above is a whole pack
ROLLED_OVER_CA = -10_000  # no pack is charged with 100 A in flight: int16 rolled over
CELL_REPORT_S = 5.0  # so long a BATTERY_STATUS keeps SYS_STATUS from speaking for the pack
FULL_REPORTS = (10, 14)  # cells for which BATTERY_STATUS has room, without and with its extension
DATE_KNOWN_US = 1_420_070_400_000_000  # 2015-01-01: an earlier date is a clock that was never set
_LIFT = {int(lift): lift for lift in Lift}
_LANDED = {int(landed): landed for landed in Landed}
DEG7 = math.radians(1e-7)
CDEG = math.radians(1e-2)


_make_air_data = maker(AirData)
_make_air_pressure = maker(AirPressure)
_make_attitude = maker(Attitude)
_make_clock_fix = maker(ClockFix)
_make_flight_state = maker(FlightState)
_make_gps_quality = maker(GpsQuality)
_make_heartbeat = maker(Heartbeat)
_make_home_fix = maker(HomeFix)
_make_link_quality = maker(LinkQuality)
_make_mission_progress = maker(MissionProgress)
_make_pack_report = maker(PackReport)
_make_position = maker(Position)
_make_wind_report = maker(WindReport)


class Decoder:
    """Turns one aircraft's frames into observations; remembers only which pack to believe."""

    def __init__(self) -> None:
        self._pack_id = 256
        self._pack_s = -math.inf
        self._total_v, self._total_s = NAN, -math.inf
        readers = _READERS | {wire.SYS_STATUS: self._totals}
        self._readers = {msgid: (reader, LAYOUTS[msgid]) for msgid, reader in readers.items()}

    def decode(self, frame: Frame, t_s: float) -> Observation | None:
        """What the frame says, as received at ``t_s``; None: nothing for the core."""
        raw, msgid, _, _, _, payload = frame
        if msgid == wire.BATTERY_STATUS:
            return self._battery(t_s, unpack(msgid, payload), raw[0] == MAGIC_1)
        known = self._readers.get(msgid)
        if known is None:
            return None
        reader, layout = known
        return reader(t_s, layout(payload + CUT_OFF))

    def observe(self, raw: bytes, t_s: float) -> Observation | None:
        """The same for one frame's bytes in memory: for recordings and simulations."""
        frame = read_frame(raw)
        return self.decode(frame, t_s) if frame is not None else None

    def _battery(self, t_s: float, values: Values, mavlink_1: bool) -> PackReport | None:
        consumed, temperature = values[0], values[2]
        current, pack_id, function, _, remaining = values[13:18]
        if function in PAYLOAD_PACKS or pack_id > self._pack_id:
            return None
        self._pack_id, self._pack_s = pack_id, t_s
        pack_v, cell_v = _voltages(values[3:13], values[20:24])
        if len(cell_v) in FULL_REPORTS:
            pack_v = self._whole_v(t_s, pack_v, len(cell_v), mavlink_1)
        if current < ROLLED_OVER_CA:
            current += 1 << 16
        return _make_pack_report(
            t_s,
            pack_v,
            cell_v,
            NAN if current == INT8_UNKNOWN else current * 1e-2,
            NAN if consumed == INT8_UNKNOWN else consumed * 1e-3,
            NAN if temperature == INT16_UNKNOWN else temperature * 1e-2,
            remaining * 1e-2 if 0 <= remaining <= 100 else NAN,
        )

    def _whole_v(self, t_s: float, cells_v: float, cells: int, mavlink_1: bool) -> float:
        """The pack's voltage when all places for cells are taken: there may be more of them.

        SYS_STATUS knows the whole; more than half a cell above the sum means hidden cells. MAVLink
        1 has no room for an eleventh: there, without SYS_STATUS, nobody knows the whole.
        """
        if t_s - self._total_s > CELL_REPORT_S or math.isnan(self._total_v):
            return NAN if mavlink_1 else cells_v
        return self._total_v if self._total_v > cells_v * (1.0 + 0.5 / cells) else cells_v

    def _totals(self, t_s: float, values: Values) -> PackReport | None:
        voltage, current, remaining = values[4], values[5], values[12]
        self._total_v = NAN if voltage == UINT16_UNKNOWN else voltage * 1e-3
        self._total_s = t_s
        if t_s - self._pack_s < CELL_REPORT_S:
            return None
        return _make_pack_report(
            t_s,
            self._total_v,
            (),
            NAN if current == INT8_UNKNOWN else current * 1e-2,
            NAN,
            NAN,
            remaining * 1e-2 if 0 <= remaining <= 100 else NAN,
        )


def _voltages(first: Values, more: Values) -> tuple[float, tuple[float, ...]]:
    """Pack voltage and cells. Absent: UINT16_MAX or 0 in cells 1-10, 0 in cells 11-14."""
    cells = [mv * 1e-3 for mv in first if mv and mv != UINT16_UNKNOWN]
    if any(more):
        cells += [mv * 1e-3 for mv in more if mv and mv != UINT16_UNKNOWN]
    if not cells:
        return NAN, ()
    if max(cells) > ANY_CELL_MAX_V:  # cells unknown: the whole pack stands in the first places
        return sum(cells), ()
    return sum(cells), tuple(cells)


def _heartbeat(t_s: float, values: Values) -> Heartbeat:
    return _make_heartbeat(t_s, bool(values[3] & ARMED), values[4])


def _system_time(t_s: float, values: Values) -> ClockFix:
    unix_us, boot_ms = values
    return _make_clock_fix(t_s, unix_us * 1e-6 if unix_us >= DATE_KNOWN_US else NAN, boot_ms * 1e-3)


def _gps(t_s: float, values: Values) -> GpsQuality:
    satellites, h_acc_mm = values[9], values[11]
    return _make_gps_quality(
        t_s,
        values[8],
        0 if satellites == UINT8_UNKNOWN else satellites,
        h_acc_mm * 1e-3 if h_acc_mm else NAN,  # an extension: 0 is "not sent"
    )


def _pressure(t_s: float, values: Values) -> AirPressure:
    hpa = values[1]
    return _make_air_pressure(t_s, hpa * 100.0 if 0.0 < hpa < math.inf else NAN, values[3] * 1e-2)


def _attitude(t_s: float, values: Values) -> Attitude:
    roll, pitch, yaw = values[1:4]
    return _make_attitude(
        t_s,
        roll if isfinite(roll) else NAN,
        pitch if isfinite(pitch) else NAN,
        yaw if isfinite(yaw) else NAN,
    )


def _position(t_s: float, values: Values) -> Position | None:
    _, lat, lon, alt, height, vn, ve, vd, heading = values
    if not _is_place(lat, lon):
        return None
    return _make_position(
        t_s,
        lat * DEG7,
        lon * DEG7,
        alt * 1e-3,
        height * 1e-3,
        vn * 1e-2,
        ve * 1e-2,
        vd * 1e-2,
        heading * CDEG if heading <= 36_000 else NAN,
    )


def _air_data(t_s: float, values: Values) -> AirData:
    airspeed, groundspeed, _, climb, heading, throttle = values
    return _make_air_data(
        t_s,
        airspeed if isfinite(airspeed) else NAN,
        groundspeed if isfinite(groundspeed) else NAN,
        math.radians(heading) if 0 <= heading <= 360 else NAN,
        throttle * 1e-2 if throttle <= 100 else NAN,
        climb if isfinite(climb) else NAN,
    )


def _wind(t_s: float, values: Values) -> WindReport:
    north, east, accuracy = values[1], values[2], values[7]
    return _make_wind_report(
        t_s,
        north if isfinite(north) else NAN,
        east if isfinite(east) else NAN,
        accuracy
        if 0.0 < accuracy < math.inf
        else NAN,  # no estimate is exact: 0 is "not filled in"
    )


def _flight_state(t_s: float, values: Values) -> FlightState:
    lift, landed = values
    return _make_flight_state(
        t_s,
        _LIFT.get(lift, Lift.UNKNOWN),
        _LANDED.get(landed, Landed.UNKNOWN),
    )


def _mission(t_s: float, values: Values) -> MissionProgress | None:
    seq, total, *_ = values
    return _make_mission_progress(t_s, seq) if total != UINT16_UNKNOWN else None  # none is loaded


def _home(t_s: float, values: Values) -> HomeFix | None:
    lat, lon, alt, *_ = values
    return _make_home_fix(t_s, lat * DEG7, lon * DEG7, alt * 1e-3) if _is_place(lat, lon) else None


def _radio(t_s: float, values: Values) -> LinkQuality:
    strengths = [rssi for rssi in values[2:4] if rssi != UINT8_UNKNOWN]
    return _make_link_quality(t_s, min(strengths) / 254.0 if strengths else NAN)


def _cellular(t_s: float, values: Values) -> LinkQuality:
    quality = values[6]
    return _make_link_quality(t_s, quality * 1e-2 if quality <= 100 else NAN)


def _is_place(lat_e7: int, lon_e7: int) -> bool:
    if lat_e7 == 0 == lon_e7:  # a receiver without a fix
        return False
    return -900_000_000 <= lat_e7 <= 900_000_000 and -1_800_000_000 <= lon_e7 <= 1_800_000_000


_READERS: dict[int, Callable[[float, Values], Observation | None]] = {
    wire.HEARTBEAT: _heartbeat,
    wire.SYSTEM_TIME: _system_time,
    wire.GPS_RAW_INT: _gps,
    wire.SCALED_PRESSURE: _pressure,
    wire.ATTITUDE: _attitude,
    wire.GLOBAL_POSITION_INT: _position,
    wire.VFR_HUD: _air_data,
    wire.WIND_COV: _wind,
    wire.EXTENDED_SYS_STATE: _flight_state,
    wire.MISSION_CURRENT: _mission,
    wire.HOME_POSITION: _home,
    wire.RADIO_STATUS: _radio,
    wire.CELLULAR_STATUS: _cellular,
}
