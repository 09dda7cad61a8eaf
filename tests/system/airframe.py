"""A scripted aircraft that speaks through the reference library: telemetry for a daemon under test.

Not a simulator: it flies straight out at cruise speed and draws what its flight file says. What
matters here are the frames around it - repeats, restarts, foreign ones, floods.
"""

from __future__ import annotations

import math
import os

os.environ.setdefault("MAVLINK20", "1")
from pymavlink.dialects.v10 import common as common_1
from pymavlink.dialects.v20 import common

LAT_DEG, LON_DEG, ELEVATION_M = 44.2, -28.6, 8.0  # home of the estuary's flight file
TAKE_OFF_S, CLIMB_S = 20.0, 60.0
SPEED_MPS, HEIGHT_M = 21.0, 100.0
CAPACITY_AH, FULL_V, EMPTY_V, CELLS = 19.6, 4.15, 3.3, 12
DATE_S = 1_795_600_000  # 2026-11-25


class Airframe:
    """One aircraft's telemetry. ``used_ah`` goes on across restarts of its autopilot."""

    hover_a, cruise_a, cell_ohm = 34.0, 8.0, 0.009  # four cells side by side, half relaxed
    told_v = 1.0  # the voltage told, over that of twelve such cells
    turn_s = math.inf  # flies so long one way, then back, and so on
    land_s = math.inf  # on the ground and disarmed from then on

    def __init__(self, system: int = 1, component: int = 1, *, version: int = 2) -> None:
        dialect = common if version == 2 else common_1
        self.mav = dialect.MAVLink(None, srcSystem=system, srcComponent=component)
        self.boot_s = 0.0  # when its autopilot last started
        self.used_ah = 0.0
        self._at_s = 0.0

    def restart(self, t_s: float) -> None:
        """The autopilot reboots: its clock, sequence numbers and consumed charge begin anew."""
        self.boot_s, self.used_ah = t_s, 0.0
        self.mav.seq = 0

    def sign(self, key: bytes) -> None:
        """Sign from now on."""
        self.mav.signing.secret_key = key
        self.mav.signing.link_id = 1
        self.mav.signing.timestamp = (DATE_S - 1_420_070_400) * 100_000
        self.mav.signing.sign_outgoing = True

    def packed(self, name: str, *values: object) -> bytes:
        """One frame."""
        encode = getattr(self.mav, f"{name}_encode")
        data = bytes(encode(*values).pack(self.mav))
        self.mav.seq = (self.mav.seq + 1) % 256
        return data

    def frames(self, t_s: float) -> list[bytes]:
        """What it sends in this fifth of a second."""
        boot_ms = round((t_s - self.boot_s) * 1000)
        flying = max(t_s - TAKE_OFF_S, 0.0) if t_s < self.land_s else 0.0
        height_m = min(flying * 2.5, HEIGHT_M)
        on_way_s = max(flying - CLIMB_S, 0.0)
        if math.isfinite(self.turn_s):
            on_way_s = self.turn_s - abs(on_way_s % (2.0 * self.turn_s) - self.turn_s)
        out_m = on_way_s * SPEED_MPS
        winged = flying > CLIMB_S
        current_a = 1.0 if not flying else self.hover_a if not winged else self.cruise_a
        step_s, self._at_s = max(t_s - self._at_s, 0.0), t_s
        self.used_ah += current_a * step_s / 3600.0
        cell_mv = round(1000 * (FULL_V - (FULL_V - EMPTY_V) * self.used_ah / CAPACITY_AH))
        cell_mv = round(self.told_v * (cell_mv - 1000 * self.cell_ohm * current_a))
        lon_deg = LON_DEG + out_m / (111_320.0 * math.cos(math.radians(LAT_DEG)))
        cells = [cell_mv] * 10
        speed = SPEED_MPS if winged else 0.0
        sent = [
            self.packed(
                "global_position_int", boot_ms, round(LAT_DEG * 1e7), round(lon_deg * 1e7),
                round((ELEVATION_M + height_m) * 1000), round(height_m * 1000),
                0, round(speed * 100), 0, 9000,
            ),
            self.packed("vfr_hud", speed, speed, 90, 60 if flying else 0, height_m, 0.0),
            self._battery(cells, cell_mv, current_a),
        ]  # fmt: skip
        if round(t_s * 5) % 5 == 0:  # once a second
            armed = 0x80 if 10.0 < t_s < self.land_s else 0
            sent += [
                self.packed("heartbeat", 22, 12, armed, 0, 4, 3),
                self.packed("system_time", (DATE_S + round(t_s)) * 1_000_000, boot_ms),
                self.packed("extended_sys_state", 4 if winged else 3, 2 if flying else 1),
                self.packed(
                    "gps_raw_int", boot_ms * 1000, 3, round(LAT_DEG * 1e7), round(lon_deg * 1e7),
                    8000, 100, 100, 0, 9000, 14,
                ),
                self.packed("scaled_pressure", boot_ms, 1012.0, 0.0, 1500),
            ]  # fmt: skip
            if isinstance(
                self.mav, common_1.MAVLink
            ):  # knows of no eleventh cell: here is the whole
                whole = (
                    0,
                    0,
                    0,
                    300,
                    cell_mv * CELLS,
                    round(current_a * 100),
                    80,
                    0,
                    0,
                    0,
                    0,
                    0,
                    0,
                )
                sent.append(self.packed("sys_status", *whole))
        return sent

    def _battery(self, cells: list[int], cell_mv: int, current_a: float) -> bytes:
        common_fields = (
            0, 1, 1, 2000, cells, round(current_a * 100), round(self.used_ah * 1000), -1, 80,
        )  # fmt: skip
        if isinstance(self.mav, common_1.MAVLink):
            return self.packed("battery_status", *common_fields)
        return self.packed("battery_status", *common_fields, 0, 1, [cell_mv, cell_mv, 0, 0])
