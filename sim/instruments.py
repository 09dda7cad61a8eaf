"""What a scenario may say about the aircraft's instruments: sensor errors and what is reported."""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]

# Ranges from which a flight's sensor errors are drawn, evenly. Common practice of small aircraft,
# no source; a scenario overrides any of them in its [sensors] table.
SENSOR_DEFAULTS: dict[str, Range] = {
    "gps_noise_m": (0.1, 0.2),  # 1 sigma, white, each horizontal axis
    "gps_wander_m": (0.5, 1.2),  # 1 sigma, slow
    "gps_velocity_noise_mps": (0.04, 0.08),
    "gps_delay_s": (0.1, 0.2),
    "gps_period_s": (0.2, 0.2),
    "baro_offset_pa": (-60.0, 60.0),
    "baro_noise_pa": (2.0, 5.0),
    "baro_heating_c": (0.0, 4.0),  # the sensor sits in a warm box
    "airspeed_offset_mps": (-0.3, 0.3),
    "airspeed_noise_mps": (0.2, 0.4),
    "compass_offset_deg": (-2.0, 2.0),
    "attitude_noise_deg": (0.1, 0.3),
    "current_gain": (0.98, 1.02),
    "current_offset_a": (-0.1, 0.1),
    "current_noise_a": (0.05, 0.2),
    "current_step_a": (0.05, 0.05),
    "voltage_gain": (0.998, 1.002),
    "voltage_offset_v": (-0.03, 0.03),
    "voltage_noise_v": (0.005, 0.02),
    "voltage_step_v": (0.01, 0.01),
    "cell_noise_v": (0.001, 0.003),
    "pack_temperature_offset_c": (-1.5, 1.5),
    "pack_temperature_step_c": (0.5, 0.5),
    "baro_step_pa": (1.0, 1.0),
    "baro_lag_s": (0.05, 0.1),
    "airspeed_step_mps": (0.05, 0.05),
    "airspeed_lag_s": (0.1, 0.3),  # hose and filter
    "compass_step_deg": (0.1, 0.1),
    "compass_delay_s": (0.02, 0.06),
    "pack_period_s": (0.1, 0.1),
    "pack_lag_s": (0.1, 0.3),  # the monitor's filter, on current and total voltage
    "wind_error_mps": (0.3, 0.9),  # 1 sigma a component, of the autopilot's own estimate
}


@dataclass(frozen=True, slots=True)
class Reports:
    """What this aircraft's monitors tell; the [telemetry] table of a scenario."""

    cells: bool = True  # each cell group, or only the total
    current: bool = True
    pack_temperature: bool = True
    wind: bool = False  # the autopilot estimates the wind and sends it
    radio: bool = False  # RADIO_STATUS
    cellular: bool = False  # CELLULAR_STATUS
