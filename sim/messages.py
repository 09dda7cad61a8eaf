"""One builder a message: from the true state, through the sensors, to a frame.

Values stand in wire order. What the scenario's aircraft does not tell is said to be unknown in
the way the message defines (UINT16_MAX, INT16_MAX, -1, NaN).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sim.faults import amount_of, share
from sim.instruments import Reports
from sim.sensors import Pack, Sensors
from sim.state import AircraftState, Phase
from sim.wire import CELLULAR_STATUS, Framer, Shape, shape

if TYPE_CHECKING:
    from sim.plan import Site
    from sim.scenario import Fault

START_UNIX_S = 1_780_300_800.0  # 2026-06-01 08:00 UTC: date of every first flight
BOOT_BEFORE_S = 60.0  # the autopilot was switched on this long before simulated time zero
US = 1_000_000

HEARTBEAT = shape("HEARTBEAT")
SYS_STATUS = shape("SYS_STATUS")
SYSTEM_TIME = shape("SYSTEM_TIME")
GPS_RAW_INT = shape("GPS_RAW_INT")
ATTITUDE = shape("ATTITUDE")
GLOBAL_POSITION_INT = shape("GLOBAL_POSITION_INT")
VFR_HUD = shape("VFR_HUD")
BATTERY_STATUS = shape("BATTERY_STATUS")
SCALED_PRESSURE = shape("SCALED_PRESSURE")
EXTENDED_SYS_STATE = shape("EXTENDED_SYS_STATE")
MISSION_CURRENT = shape("MISSION_CURRENT")
HOME_POSITION = shape("HOME_POSITION")
WIND_COV = shape("WIND_COV")
RADIO_STATUS = shape("RADIO_STATUS")

MAV_TYPE_VTOL_FIXED_ROTOR = 22  # separate lift rotors and pusher
MAV_AUTOPILOT_GENERIC = 0
ARMED, STABILIZED, GUIDED, AUTOMATIC = 128, 16, 8, 4
STANDBY, ACTIVE = 3, 4
MISSION_NOT_STARTED, MISSION_ACTIVE, MISSION_COMPLETE = 2, 3, 5
U16_UNKNOWN = 0xFFFF
I16_UNKNOWN = 0x7FFF

# MAV_SYS_STATUS_SENSOR bits: gyro, accelerometer, magnetometer, absolute and differential
# pressure, GPS; battery.
SENSORS_ABOARD = 0x3F | 0x2000000
GPS_BIT = 0x20

# phase: (MAV_VTOL_STATE, MAV_LANDED_STATE)
CARRIED_BY: dict[Phase, tuple[int, int]] = {
    Phase.GROUND: (3, 1),
    Phase.HOVER_CLIMB: (3, 3),
    Phase.TRANSITION: (1, 2),
    Phase.CLIMB: (4, 2),
    Phase.CRUISE: (4, 2),
    Phase.LOITER: (4, 2),
    Phase.DESCENT: (4, 2),
    Phase.BACK_TRANSITION: (2, 2),
    Phase.HOVER_LANDING: (3, 4),
    Phase.LANDED: (3, 1),
    Phase.LOST: (0, 0),
}
MAX_CELLS = 14  # ten in the base message, four in its extension
MONITOR_LOW, MONITOR_CRITICAL = 0.2, 0.1  # the monitor's own fixed percentages

Build = Callable[[AircraftState, float], bytes | None]


class Messages:
    """All messages of one aircraft; ``builders`` by message id."""

    def __init__(
        self,
        framer: Framer,
        sensors: Sensors,
        reports: Reports,
        faults: Sequence[Fault],
        home: Site,
        mission_items: int,
        start_unix_s: float,
    ) -> None:
        self._framer, self._sensors, self._reports = framer, sensors, reports
        self._clock_jumps = tuple(f for f in faults if f.kind == "clock-jump")
        self._home, self._mission_items = home, mission_items
        self._start_unix_s = start_unix_s
        self.link_quality = 1.0
        self.builders = self._builders()

    def _builders(self) -> dict[int, Build]:
        builders: dict[Shape, Build] = {
            HEARTBEAT: self._heartbeat,
            SYS_STATUS: self._sys_status,
            SYSTEM_TIME: self._system_time,
            GPS_RAW_INT: self._gps_raw,
            ATTITUDE: self._attitude,
            GLOBAL_POSITION_INT: self._global_position,
            VFR_HUD: self._vfr_hud,
            BATTERY_STATUS: self._battery_status,
            SCALED_PRESSURE: self._scaled_pressure,
            EXTENDED_SYS_STATE: self._extended_state,
            MISSION_CURRENT: self._mission_current,
            HOME_POSITION: self._home_position,
        }
        if self._reports.wind:
            builders[WIND_COV] = self._wind
        if self._reports.radio:
            builders[RADIO_STATUS] = self._radio
        if self._reports.cellular:
            builders[CELLULAR_STATUS] = self._cellular
        return {layout.id: build for layout, build in builders.items()}

    def _heartbeat(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        grounded = state.phase in (Phase.GROUND, Phase.LANDED)
        mode = STABILIZED | GUIDED | AUTOMATIC | (0 if grounded else ARMED)
        return self._framer.frame(
            HEARTBEAT,
            0,
            MAV_TYPE_VTOL_FIXED_ROTOR,
            MAV_AUTOPILOT_GENERIC,
            mode,
            STANDBY if grounded else ACTIVE,
            3,
        )

    def _sys_status(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        pack = self._sensors.pack(t_s)
        healthy = SENSORS_ABOARD & ~(GPS_BIT if self._sensors.gps_lost else 0)
        return self._framer.frame(
            SYS_STATUS,
            SENSORS_ABOARD,
            SENSORS_ABOARD,
            healthy,
            350,
            min(0xFFFE, round(pack.pack_v * 1000.0)),
            self._current_ca(pack),
            0, 0, 0, 0, 0, 0,
            self._remaining_percent(pack),
            0, 0, 0,
        )  # fmt: skip

    def _current_ca(self, pack: Pack) -> int:
        return min(0x7FFF, round(pack.current_a * 100.0)) if self._reports.current else -1

    def _remaining_percent(self, pack: Pack) -> int:
        if not self._reports.current:  # a monitor that counts no charge cannot tell
            return -1
        return max(0, min(100, round(100.0 * pack.remaining)))

    def _system_time(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        unix_s = self._start_unix_s + t_s
        for fault in self._clock_jumps:
            unix_s += amount_of(fault) * share(fault, t_s)
        return self._framer.frame(SYSTEM_TIME, round(unix_s * US), boot_ms(t_s))

    def _gps_raw(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        gps = self._sensors.gps(t_s)
        speed = math.hypot(gps.vn_mps, gps.ve_mps)
        course = math.degrees(math.atan2(gps.ve_mps, gps.vn_mps)) % 360.0
        fixed = gps.fix_type >= 3
        accuracy_mm = round(gps.h_acc_m * 1000.0) if fixed else 0
        return self._framer.frame(
            GPS_RAW_INT,
            boot_ms(t_s) * 1000,
            round(gps.lat_deg * 1e7),
            round(gps.lon_deg * 1e7),
            round(gps.alt_m * 1000.0),
            80 if fixed else U16_UNKNOWN,
            120 if fixed else U16_UNKNOWN,
            round(speed * 100.0) if fixed else U16_UNKNOWN,
            round(course * 100.0) % 36000 if fixed and speed > 1.0 else U16_UNKNOWN,
            gps.fix_type,
            gps.satellites,
            0,
            accuracy_mm,
            2 * accuracy_mm,
            0, 0, 0,
        )  # fmt: skip

    def _attitude(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        roll, pitch = self._sensors.tilt_rad()
        return self._framer.frame(
            ATTITUDE,
            boot_ms(t_s),
            roll,
            pitch,
            math.remainder(self._sensors.heading_rad(t_s), math.tau),
            0.0,
            0.0,
            self._sensors.yaw_rate_radps,
        )

    def _global_position(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        fused = self._sensors.fused(t_s)
        return self._framer.frame(
            GLOBAL_POSITION_INT,
            boot_ms(t_s),
            round(fused.lat_deg * 1e7),
            round(fused.lon_deg * 1e7),
            round(fused.alt_m * 1000.0),
            round(fused.height_m * 1000.0),
            round(fused.vn_mps * 100.0),
            round(fused.ve_mps * 100.0),
            round(fused.vd_mps * 100.0),
            round(math.degrees(self._sensors.heading_rad(t_s)) * 100.0) % 36000,
        )

    def _vfr_hud(self, state: AircraftState, t_s: float) -> bytes:
        fused = self._sensors.fused(t_s)
        return self._framer.frame(
            VFR_HUD,
            self._sensors.airspeed_mps(),
            math.hypot(fused.vn_mps, fused.ve_mps),
            fused.alt_m,
            -fused.vd_mps,
            round(math.degrees(self._sensors.heading_rad(t_s))) % 360,
            max(0, min(100, round(100.0 * state.throttle))),
        )

    def _battery_status(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        reports, pack = self._reports, self._sensors.pack(t_s)
        cells, extra = self._cells_mv(pack)
        counted = reports.current
        return self._framer.frame(
            BATTERY_STATUS,
            round(pack.consumed_ah * 1000.0) if counted else -1,
            round(pack.consumed_wh * 36.0) if counted else -1,  # 1 Wh = 36 hJ
            round(pack.temperature_c * 100.0) if reports.pack_temperature else I16_UNKNOWN,
            *cells,
            self._current_ca(pack),
            0, 1, 3,
            self._remaining_percent(pack),
            0,
            self._charge_state(pack),
            *extra,
            0, 0,
        )  # fmt: skip

    def _cells_mv(self, pack: Pack) -> tuple[list[int], list[int]]:
        """The ten voltages of the base message and the four of the extension [mV].

        Without cell voltages the total stands in the first; above 65.534 V it spills over.
        """
        if self._reports.cells and len(pack.cell_v) <= MAX_CELLS:
            known = [round(v * 1000.0) for v in pack.cell_v]
            absent = max(0, 10 - len(known))
            extra = known[10:]
            return known[:10] + [U16_UNKNOWN] * absent, extra + [0] * (4 - len(extra))
        total = round(pack.pack_v * 1000.0)
        first = min(total, U16_UNKNOWN - 1)
        rest = [total - first] if total > first else []
        return [first, *rest] + [U16_UNKNOWN] * (9 - len(rest)), [0, 0, 0, 0]

    def _charge_state(self, pack: Pack) -> int:
        if not self._reports.current:
            return 0
        if pack.remaining < MONITOR_CRITICAL:
            return 3
        return 2 if pack.remaining < MONITOR_LOW else 1

    def _scaled_pressure(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        speed = self._sensors.airspeed_mps()
        return self._framer.frame(
            SCALED_PRESSURE,
            boot_ms(t_s),
            self._sensors.static_pa() / 100.0,
            0.5 * 1.225 * speed * speed / 100.0,
            round(self._sensors.sensor_air_c() * 100.0),
            0,
        )

    def _extended_state(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        return self._framer.frame(EXTENDED_SYS_STATE, *CARRIED_BY[state.phase])

    def _mission_current(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        progress = MISSION_ACTIVE
        if state.phase is Phase.GROUND:
            progress = MISSION_NOT_STARTED
        elif state.phase is Phase.LANDED:
            progress = MISSION_COMPLETE
        return self._framer.frame(
            MISSION_CURRENT, state.mission_seq, self._mission_items, progress, 0
        )

    def _home_position(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        home, unknown = self._home, math.nan
        return self._framer.frame(
            HOME_POSITION,
            round(home.lat_deg * 1e7),
            round(home.lon_deg * 1e7),
            round(home.elevation_m * 1000.0),
            0.0, 0.0, 0.0,
            1.0, 0.0, 0.0, 0.0,
            unknown, unknown, unknown,
            boot_ms(t_s) * 1000,
        )  # fmt: skip

    def _wind(self, state: AircraftState, t_s: float) -> bytes | None:
        if state.phase in (Phase.GROUND, Phase.LANDED):  # nothing to estimate it from
            return None
        north, east, sigma = self._sensors.wind_mps()
        return self._framer.frame(
            WIND_COV,
            boot_ms(t_s) * 1000,
            north,
            east,
            math.nan,
            math.nan,
            math.nan,
            state.alt_m,
            sigma,
            math.nan,
        )

    def _radio(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        rssi = round(30.0 + 190.0 * self.link_quality)
        return self._framer.frame(RADIO_STATUS, 0, 0, rssi, rssi, 100, 40, 40)

    def _cellular(self, state: AircraftState, t_s: float) -> bytes:  # noqa: ARG002
        connected = 11  # CELLULAR_STATUS_FLAG_CONNECTED
        return self._framer.frame(
            CELLULAR_STATUS, 0, 0, 0, connected, 0, 4, round(100.0 * self.link_quality)
        )


def boot_ms(t_s: float) -> int:
    """Milliseconds since the autopilot was switched on."""
    return round((t_s + BOOT_BEFORE_S) * 1000.0)
