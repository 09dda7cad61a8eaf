"""Sensors against the errors they were told to have; bounds from the statistics of the draw."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from statistics import fmean, pstdev

import pytest
from true_states import CRUISING, flown

from sim.instruments import SENSOR_DEFAULTS
from sim.noise import Lag, Wander, draw_figures, normals, stepped
from sim.scenario import Fault
from sim.sensors import Sensors

# One degree of longitude at 44.2 deg N, geographiclib 2.1: 1000 * Inverse(44.2, 0, 44.2, 0.001).
M_PER_DEG = 79_936.3
QUIET = dict.fromkeys(SENSOR_DEFAULTS, (0.0, 0.0)) | {
    "current_gain": (1.0, 1.0),
    "voltage_gain": (1.0, 1.0),
    "current_step_a": (0.01, 0.01),
    "voltage_step_v": (0.001, 0.001),
    "pack_temperature_step_c": (0.01, 0.01),
    "gps_period_s": (0.2, 0.2),
}


def sensors(*faults: Fault, seed: int = 1, factor: float = 1.0, **ranges: float) -> Sensors:
    """Perfect sensors but for what is named."""
    changed = {key: (value, value) for key, value in ranges.items()}
    return Sensors(seed, QUIET | changed, faults, factor, 20.0)


def test_perfect_sensors_tell_the_truth() -> None:
    s = sensors()
    s.update(CRUISING)
    assert s.airspeed_mps() == pytest.approx(CRUISING.cas_mps)
    assert s.heading_rad(0.0) == pytest.approx(CRUISING.heading_rad)
    assert s.static_pa() == CRUISING.pressure_pa
    assert s.pack(0.0).cell_v == pytest.approx(CRUISING.cell_v)
    assert s.fused(0.0).lat_deg == pytest.approx(CRUISING.lat_deg, abs=1e-9)


def test_gps_is_late_by_its_delay() -> None:
    # 25 m/s eastward, 0.2 s late: 5 m behind (by hand).
    s = sensors(gps_delay_s=0.2)
    s.update(CRUISING)
    behind_deg = CRUISING.lon_deg - s.gps(0.0).lon_deg
    assert behind_deg * M_PER_DEG == pytest.approx(5.0, abs=0.01)


def test_gps_keeps_its_own_rate() -> None:
    s = sensors(gps_period_s=0.2)
    s.update(CRUISING)
    times = [s.gps(t / 100.0).t_s for t in range(100)]
    assert len(set(times)) == 5


def test_gps_loss_freezes_the_receiver_and_lets_the_filter_drift() -> None:
    fault = Fault("gps-loss", at_s=10.0, end_s=30.0)
    s = sensors(fault)
    for state in flown(10.0):
        s.update(state)
    before = s.gps(9.9)
    # The wind changes by 2 m/s while there is no fix: 20 s of dead reckoning are 40 m out.
    for state in flown(19.5, t_s=10.0, wind_e_mps=4.0)[:1] + flown(19.0, t_s=10.5, wind_e_mps=6.0):
        s.update(state)
    lost = s.gps(29.5)
    assert (lost.fix_type, lost.lat_deg, lost.lon_deg) == (1, before.lat_deg, before.lon_deg)
    last = flown(19.0, t_s=10.5)[-1]
    assert (last.lon_deg - s.fused(29.5).lon_deg) * M_PER_DEG == pytest.approx(39.0, abs=1.5)
    for state in flown(20.0, t_s=30.0):
        s.update(state)
    assert s.gps(50.0).fix_type == 3
    back = flown(20.0, t_s=30.0)[-1]
    assert (back.lon_deg - s.fused(50.0).lon_deg) * M_PER_DEG == pytest.approx(0.0, abs=0.5)


def test_airspeed_carries_factor_and_offset() -> None:
    s = sensors(factor=1.02, airspeed_offset_mps=0.3)
    s.update(CRUISING)
    assert s.airspeed_mps() == pytest.approx(1.02 * 21.0 + 0.3)


def test_blocked_tube_reads_height() -> None:
    # Total pressure trapped at 21 m/s: q = 0.5 * 1.225 * 21^2 = 270.1 Pa. Where the static pressure
    # is 100 Pa lower the tube shows sqrt(2 * 370.1 / 1.225) = 24.58 m/s. (Worked by hand.)
    s = sensors(Fault("airspeed-blocked", at_s=5.0))
    s.update(CRUISING)
    s.update(replace(CRUISING, t_s=5.0))
    assert s.airspeed_mps() == pytest.approx(21.0)
    s.update(replace(CRUISING, t_s=6.0, cas_mps=17.0, pressure_pa=CRUISING.pressure_pa - 100.0))
    assert s.airspeed_mps() == pytest.approx(24.58, abs=0.01)


def test_compass_offset_fault_comes_on_its_ramp() -> None:
    s = sensors(Fault("compass-offset", at_s=0.0, amount=30.0, ramp_s=10.0))
    s.update(CRUISING)
    assert math.degrees(s.heading_rad(5.0)) == pytest.approx(105.0)
    assert math.degrees(s.heading_rad(60.0)) == pytest.approx(120.0)


def test_current_gain_fault_falsifies_the_counter_too() -> None:
    # 8 A shown as 4 A for 36 s: 0.04 Ah counted of 0.08 (by hand).
    s = sensors(Fault("current-gain", amount=0.5))
    for state in flown(36.0):
        s.update(state)
    assert s.pack(36.0).current_a == pytest.approx(4.0)
    assert s.pack(36.0).consumed_ah == pytest.approx(0.04)


def test_frozen_monitor_repeats_itself() -> None:
    s = sensors(Fault("battery-frozen", at_s=10.0))
    for state in flown(9.5):
        s.update(state)
    before = s.pack(9.5)
    s.update(replace(CRUISING, t_s=20.0, pack_v=40.0, current_a=30.0))
    assert s.pack(20.0) == before


def test_readings_come_in_steps() -> None:
    # A 10-bit-like step: multiples only.
    s = sensors(current_step_a=0.25, current_noise_a=0.3)
    shown = set()
    for state in flown(100.0):
        s.update(state)
        shown.add(s.pack(state.t_s).current_a)
    assert all(math.isclose(a / 0.25, round(a / 0.25), abs_tol=1e-9) for a in shown)
    assert 4 < len(shown) < 12
    assert stepped(1.26, 0.5) == 1.5


def test_every_converter_has_its_step() -> None:
    s = sensors(
        baro_step_pa=2.0, baro_noise_pa=5.0, airspeed_step_mps=0.5, airspeed_noise_mps=0.4,
        compass_step_deg=1.0, attitude_noise_deg=2.0,
    )  # fmt: skip
    for state in flown(50.0):
        s.update(state)
        readings = (s.static_pa(), s.airspeed_mps(), math.degrees(s.heading_rad(state.t_s)))
        for reading, step in zip(readings, (2.0, 0.5, 1.0), strict=True):
            assert reading / step == pytest.approx(round(reading / step), abs=1e-6)


def test_lag_is_first_order() -> None:
    """A step of one is 1 - e^-1 = 0.6321 after one time constant, however it is walked."""
    for dt_s in (0.01, 0.1, 0.3):
        lag = Lag(0.3)
        lag.step(0.0, 0.0)
        for _ in range(round(0.3 / dt_s)):
            lag.step(1.0, dt_s)
        assert lag.value == pytest.approx(0.6321, abs=1e-4)


def test_what_lags_comes_late() -> None:
    """On a ramp a first-order lag is late by its time constant (by hand): 0.3 s x slope."""
    s = sensors(airspeed_lag_s=0.3, baro_lag_s=0.3, pack_lag_s=0.3)
    for i in range(101):
        t = 0.1 * i
        s.update(
            replace(
                CRUISING, t_s=t, cas_mps=20.0 + t, pressure_pa=1e5 - 30.0 * t, current_a=8.0 + t
            )
        )
    # The input is held over each step of 0.1 s, which takes half a step off.
    assert s.airspeed_mps() == pytest.approx(30.0 - 0.25, abs=0.01)
    assert s.static_pa() == pytest.approx(1e5 - 30.0 * (10.0 - 0.25), abs=0.3)
    assert s.pack(10.0).current_a == pytest.approx(18.0 - 0.25, abs=0.02)


def test_compass_is_late_in_a_turn() -> None:
    # 10 degrees a second, 0.05 s late: half a degree behind (by hand).
    s = sensors(compass_delay_s=0.05)
    for i in range(11):
        s.update(replace(CRUISING, t_s=0.5 * i, heading_rad=math.radians(5.0 * i)))
    assert math.degrees(s.heading_rad(5.0)) == pytest.approx(49.5)
    assert math.degrees(s.heading_rad(4.8)) == pytest.approx(47.5)


def test_pack_monitor_keeps_its_own_rate() -> None:
    s = sensors(pack_period_s=0.1, voltage_noise_v=0.02)
    s.update(CRUISING)
    assert len({s.pack(t / 100.0).pack_v for t in range(100)}) == 10


def test_wander_keeps_its_standard_deviation_at_any_step() -> None:
    # Gauss-Markov: stationary sd 2, correlation exp(-dt/T). 40 000 samples a tenth of T apart are
    # about 2 000 independent ones: sd within 8 % with near certainty.
    import numpy as np

    for dt_s in (1.0, 5.0):
        wander = Wander(normals(np.random.default_rng(3)), 2.0, 10.0)
        values = []
        for _ in range(40_000):
            wander.step(dt_s)
            values.append(wander.value)
        assert pstdev(values) == pytest.approx(2.0, rel=0.08)
        lagged = fmean(a * b for a, b in pairwise(values)) / pstdev(values) ** 2
        assert lagged == pytest.approx(math.exp(-dt_s / 10.0), abs=0.03)


def test_a_changed_range_moves_no_other_draw() -> None:
    import numpy as np

    one = draw_figures({}, np.random.default_rng(5), SENSOR_DEFAULTS)
    other = draw_figures({"gps_noise_m": (5.0, 9.0)}, np.random.default_rng(5), SENSOR_DEFAULTS)
    assert 5.0 <= other["gps_noise_m"] <= 9.0
    assert {k: v for k, v in one.items() if k != "gps_noise_m"} == {
        k: v for k, v in other.items() if k != "gps_noise_m"
    }


def test_asking_one_instrument_more_often_changes_no_other() -> None:
    def pack_readings(ask_airspeed: int) -> list[float]:
        s = Sensors(7, {}, (), 1.0, 20.0)
        out = []
        for state in flown(20.0):
            s.update(state)
            for _ in range(ask_airspeed):
                s.airspeed_mps()
            out.append(s.pack(state.t_s).pack_v)
        return out

    assert pack_readings(0) == pack_readings(3)


def test_seeds_draw_within_the_ranges_and_differ() -> None:
    gains = [Sensors(seed).figures["current_gain"] for seed in range(50)]
    assert all(0.98 <= g <= 1.02 for g in gains)
    assert len(set(gains)) == 50
