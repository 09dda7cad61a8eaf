"""The messages we use, as rows of one table: id, CRC seed, layout. Packs and unpacks payloads.

Layouts and CRC seeds are those of the open ``common`` message set. A table of two dozen rows, each
checked against the reference library in the tests, stands in for that library: reading bytes takes
a third of the time (tests/bench), and a person can read all that the daemon understands. On the
wire fields are sorted by size, extensions last, trailing zero bytes cut (MAVLink developer
guide, *Serialization*); ``base`` and ``extra`` below are already in that order.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from typing import Any

HEARTBEAT, SYS_STATUS, SYSTEM_TIME = 0, 1, 2
GPS_RAW_INT, SCALED_PRESSURE, ATTITUDE, GLOBAL_POSITION_INT = 24, 29, 30, 33
MISSION_REQUEST, MISSION_CURRENT, MISSION_REQUEST_LIST, MISSION_COUNT = 40, 42, 43, 44
MISSION_ACK, MISSION_REQUEST_INT, MISSION_ITEM_INT = 47, 51, 73
VFR_HUD, COMMAND_LONG, COMMAND_ACK, RADIO_STATUS = 74, 76, 77, 109
BATTERY_STATUS, WIND_COV, HOME_POSITION, EXTENDED_SYS_STATE = 147, 231, 242, 245
STATUSTEXT, CELLULAR_STATUS = 253, 334


@dataclass(frozen=True, slots=True)
class Row:
    """One message: how its payload is laid out and how its CRC is seeded."""

    msgid: int
    name: str
    crc_extra: int
    layout: struct.Struct  # base fields and extensions, in wire order
    base_size: int  # bytes before the extensions: the fixed length in MAVLink 1
    fields: tuple[tuple[str, int], ...]  # name and length; 0 is a scalar (also a string)


def _row(msgid: int, name: str, crc_extra: int, base: str, extra: str, fields: str) -> Row:
    parsed = tuple(
        (field, int(length or 0)) for field, length in re.findall(r"(\w+)(?:\[(\d+)\])?", fields)
    )
    size = struct.calcsize("<" + base)
    return Row(msgid, name, crc_extra, struct.Struct("<" + base + extra), size, parsed)


_ROWS = (
    _row(
        HEARTBEAT, "HEARTBEAT", 50, "IBBBBB", "",
        "custom_mode type autopilot base_mode system_status mavlink_version",
    ),
    _row(
        SYS_STATUS, "SYS_STATUS", 124, "IIIHHhHHHHHHb", "III",
        "onboard_control_sensors_present onboard_control_sensors_enabled "
        "onboard_control_sensors_health load voltage_battery current_battery drop_rate_comm "
        "errors_comm errors_count1 errors_count2 errors_count3 errors_count4 battery_remaining "
        "onboard_control_sensors_present_extended onboard_control_sensors_enabled_extended "
        "onboard_control_sensors_health_extended",
    ),
    _row(SYSTEM_TIME, "SYSTEM_TIME", 137, "QI", "", "time_unix_usec time_boot_ms"),
    _row(
        GPS_RAW_INT, "GPS_RAW_INT", 24, "QiiiHHHHBB", "iIIIIH",
        "time_usec lat lon alt eph epv vel cog fix_type satellites_visible "
        "alt_ellipsoid h_acc v_acc vel_acc hdg_acc yaw",
    ),
    _row(
        SCALED_PRESSURE, "SCALED_PRESSURE", 115, "Iffh", "h",
        "time_boot_ms press_abs press_diff temperature temperature_press_diff",
    ),
    _row(
        ATTITUDE, "ATTITUDE", 39, "Iffffff", "",
        "time_boot_ms roll pitch yaw rollspeed pitchspeed yawspeed",
    ),
    _row(
        GLOBAL_POSITION_INT, "GLOBAL_POSITION_INT", 104, "IiiiihhhH", "",
        "time_boot_ms lat lon alt relative_alt vx vy vz hdg",
    ),
    _row(
        MISSION_REQUEST, "MISSION_REQUEST", 230, "HBB", "B",
        "seq target_system target_component mission_type",
    ),
    _row(
        MISSION_CURRENT, "MISSION_CURRENT", 28, "H", "HBB",
        "seq total mission_state mission_mode",
    ),
    _row(
        MISSION_REQUEST_LIST, "MISSION_REQUEST_LIST", 132, "BB", "B",
        "target_system target_component mission_type",
    ),
    _row(
        MISSION_COUNT, "MISSION_COUNT", 221, "HBB", "B",
        "count target_system target_component mission_type",
    ),
    _row(
        MISSION_ACK, "MISSION_ACK", 153, "BBB", "B",
        "target_system target_component type mission_type",
    ),
    _row(
        MISSION_REQUEST_INT, "MISSION_REQUEST_INT", 196, "HBB", "B",
        "seq target_system target_component mission_type",
    ),
    _row(
        MISSION_ITEM_INT, "MISSION_ITEM_INT", 38, "ffffiifHHBBBBB", "B",
        "param1 param2 param3 param4 x y z seq command target_system target_component frame "
        "current autocontinue mission_type",
    ),
    _row(
        VFR_HUD, "VFR_HUD", 20, "ffffhH", "",
        "airspeed groundspeed alt climb heading throttle",
    ),
    _row(
        COMMAND_LONG, "COMMAND_LONG", 152, "fffffffHBBB", "",
        "param1 param2 param3 param4 param5 param6 param7 command target_system target_component "
        "confirmation",
    ),
    _row(
        COMMAND_ACK, "COMMAND_ACK", 143, "HB", "BiBB",
        "command result progress result_param2 target_system target_component",
    ),
    _row(
        RADIO_STATUS, "RADIO_STATUS", 185, "HHBBBBB", "",
        "rxerrors fixed rssi remrssi txbuf noise remnoise",
    ),
    _row(
        BATTERY_STATUS, "BATTERY_STATUS", 154, "iih10HhBBBb", "iB4HBI",
        "current_consumed energy_consumed temperature voltages[10] current_battery id "
        "battery_function type battery_remaining time_remaining charge_state voltages_ext[4] mode "
        "fault_bitmask",
    ),
    _row(
        WIND_COV, "WIND_COV", 105, "Qffffffff", "",
        "time_usec wind_x wind_y wind_z var_horiz var_vert wind_alt horiz_accuracy vert_accuracy",
    ),
    _row(
        HOME_POSITION, "HOME_POSITION", 104, "iiifff4ffff", "Q",
        "latitude longitude altitude x y z q[4] approach_x approach_y approach_z time_usec",
    ),
    _row(EXTENDED_SYS_STATE, "EXTENDED_SYS_STATE", 130, "BB", "", "vtol_state landed_state"),
    _row(STATUSTEXT, "STATUSTEXT", 83, "B50s", "HB", "severity text id chunk_seq"),
    _row(
        CELLULAR_STATUS, "CELLULAR_STATUS", 72, "HHHBBBB", "",
        "mcc mnc lac status failure_reason type quality",
    ),
)  # fmt: skip

ROWS: dict[int, Row] = {row.msgid: row for row in _ROWS}

# How a payload becomes its values, once the zero bytes that were cut off are behind it again; what
# a later edition has added is not read.
LAYOUTS = {row.msgid: row.layout.unpack_from for row in _ROWS}
CUT_OFF = bytes(255)

# Messages that carry other people's bytes (file transfer, log download, tunnels ...): id -> CRC
# seed. They are checked and skipped whole, so that a frame inside one is not taken for the
# aircraft's own.
CARRIERS: dict[int, int] = {
    110: 84,  # FILE_TRANSFER_PROTOCOL
    120: 134,  # LOG_DATA
    123: 250,  # GPS_INJECT_DATA
    126: 220,  # SERIAL_CONTROL
    131: 223,  # ENCAPSULATED_DATA
    233: 35,  # GPS_RTCM_DATA
    248: 8,  # V2_EXTENSION
    266: 193,  # LOGGING_DATA
    267: 35,  # LOGGING_DATA_ACKED
    385: 147,  # TUNNEL
}


def unpack(msgid: int, payload: bytes) -> tuple[Any, ...]:
    """Field values in wire order, arrays laid flat; cut-off zero bytes are put back."""
    return LAYOUTS[msgid](payload + CUT_OFF)


def named(msgid: int, payload: bytes) -> dict[str, Any]:
    """The same by name, arrays as tuples, strings up to their first zero byte."""
    values = iter(unpack(msgid, payload))
    result: dict[str, Any] = {}
    for field, length in ROWS[msgid].fields:
        value = tuple(next(values) for _ in range(length)) if length else next(values)
        if isinstance(value, bytes):
            value = value.partition(b"\0")[0].decode("utf-8", "replace")
        result[field] = value
    return result


def pack(msgid: int, **fields: Any) -> bytes:
    """A payload with trailing zeros cut (never its first byte); fields left out are zero."""
    row = ROWS[msgid]
    flat: list[Any] = []
    for field, length in row.fields:
        value = fields.pop(field, (0,) * length if length else 0)
        if length:
            flat.extend(value)
        else:
            flat.append(value)
    if fields:
        raise TypeError(f"{row.name} has no field {', '.join(fields)}")
    if msgid == STATUSTEXT and flat[1] == 0:
        flat[1] = b""
    payload = row.layout.pack(*flat).rstrip(b"\0")
    return payload or b"\0"
