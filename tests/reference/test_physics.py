"""The belief's physics against published values and reference libraries.

Each source is named beside its numbers. "Recomputed" marks a value that follows from the cited
formula, worked by hand or by a reference library and not by our code.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core import atmosphere, cells, geodesy, power
from supervisor.core.constants import G0_MPS2
from supervisor.core.plan import Aircraft, Cell

# --- standard atmosphere -------------------------------------------------------------------

# ISO 2533 constants, geopotential altitude [m] -> density [kg/m^3]; recomputed from the standard's
# formula. The library ambiance 1.3.1 (ICAO Doc 7488) is asked as well, below.
ISA_DENSITY = {
    0: 1.22500, 500: 1.16727, 1000: 1.11164, 1500: 1.05807, 2000: 1.00649, 3000: 0.90912,
    5000: 0.73612,
}  # fmt: skip


@pytest.mark.parametrize(("alt_m", "density"), ISA_DENSITY.items())
def test_standard_density(alt_m: int, density: float) -> None:
    assert atmosphere.density_kgpm3(alt_m) == pytest.approx(density, abs=6e-6)


def test_standard_atmosphere_agrees_with_ambiance() -> None:
    ambiance = pytest.importorskip("ambiance")
    for geometric_m in (0.0, 800.0, 2400.0, 4000.0):
        reference = ambiance.Atmosphere(geometric_m)
        geopotential_m = float(reference.H[0])
        assert atmosphere.pressure_pa(geopotential_m) == pytest.approx(
            float(reference.pressure[0]), rel=1e-6
        )
        assert atmosphere.density_kgpm3(geopotential_m) == pytest.approx(
            float(reference.density[0]), rel=1e-6
        )


def test_warm_day_is_thinner_by_the_ratio_of_temperatures() -> None:
    offset = atmosphere.day_offset_k(35.0, 0.0)
    assert offset == pytest.approx(20.0)
    assert atmosphere.density_kgpm3(0.0, offset) == pytest.approx(1.225 * 288.15 / 308.15, rel=1e-6)


# --- hover ---------------------------------------------------------------------------------

DISK_M2 = 4 * math.pi * 0.2794**2


def aircraft(**changes: float) -> Aircraft:
    """12 kg on four rotors of 0.5588 m; the wing of the synthetic case below."""
    figures = {
        "mass_kg": 12.0, "payload_kg": 0.0, "wing_area_m2": 0.6, "wing_span_m": 2.6,
        "stall_mps": 13.0, "cruise_mps": 20.0, "climb_mps": 2.5, "descent_mps": 2.5,
        "disk_area_m2": DISK_M2, "hover_efficiency": 0.56, "cd0": 0.03, "k": 0.05,
        "cruise_efficiency": 1.0, "avionics_w": 0.0,
    } | changes  # fmt: skip
    return Aircraft("a1", "A", **figures)


# Worked size: 12 kg, four rotors of 0.5588 m, figure of merit 0.70, motor and controller 0.80.
# Formula P = T^1.5/sqrt(2 rho A)/efficiency (momentum theory); recomputed by hand.
@pytest.mark.parametrize(("alt_m", "watt"), [(0, 1470), (1000, 1544), (2000, 1622), (3000, 1707)])
def test_hover_power_of_the_worked_size(alt_m: int, watt: float) -> None:
    density = atmosphere.density_kgpm3(alt_m)
    assert power.hover_w(aircraft(), 12.0, density) == pytest.approx(watt, abs=1.5)


def test_hover_and_cruise_of_a_published_aircraft() -> None:
    # Kasliwal et al., Nature Communications 10:1555 (2019), as quoted in public code: 1187.5 kg,
    # disk loading 450 N/m^2, hover efficiency 0.63 -> 250.6 kW.
    big = aircraft(disk_area_m2=1187.5 * G0_MPS2 / 450.0, hover_efficiency=0.63)
    assert power.hover_w(big, 1187.5, 1.225) == pytest.approx(250_600, rel=1e-3)


# Momentum theory in climb, P/P_h = x/2 + sqrt(x^2/4 + 1) with x = V_c/v_h; recomputed. Of it
# sqrt(x^2/4 + 1) - x/2 is induced and the rest climb.
@pytest.mark.parametrize(("x", "ratio"), [(0.5, 1.2808), (1.0, 1.6180), (2.0, 2.4142)])
def test_climb_power_ratio(x: float, ratio: float) -> None:
    """With ``INDUCED_FACTOR`` on what is induced, beside a profile power that stays."""
    inflow = math.sqrt(12.0 * G0_MPS2 / (2 * 1.225 * DISK_M2))
    hover = power.hover_w(aircraft(), 12.0, 1.225)
    share, kappa = power.INDUCED_SHARE, power.INDUCED_FACTOR
    expected = share * (ratio - x) + share * x / kappa + 1.0 - share
    climbing = power.hover_w(aircraft(), 12.0, 1.225, x * inflow)
    assert climbing / hover == pytest.approx(expected, abs=1e-4)


# --- wing ----------------------------------------------------------------------------------


def test_polar_speeds_and_powers_of_the_synthetic_case() -> None:
    # Traub, J. Aircraft 48(2) 2011 eq. 4 with W 117.68 N, S 0.6 m^2, CD0 0.03, k 0.05 at sea level;
    # recomputed: V_md 20.332 m/s, 185.34 W there, 162.61 W at V_mp = 15.449 m/s.
    plane = aircraft()
    best = power.best_range_speed_mps(plane, 12.0, 1.225)
    assert best == pytest.approx(20.332, abs=1e-3)
    assert power.wing_w(plane, 12.0, 1.225, best) == pytest.approx(185.34, abs=0.01)
    assert power.wing_w(plane, 12.0, 1.225, 15.449) == pytest.approx(162.61, abs=0.01)


def test_speed_for_least_power_is_3_to_the_minus_quarter_of_best_range() -> None:
    speeds = np.linspace(10.0, 30.0, 200_001)
    watts = power.wing_w(aircraft(), 12.0, 1.225, speeds)
    least = speeds[np.argmin(watts)]
    dearest_per_km = speeds[np.argmin(watts / speeds)]
    assert least / dearest_per_km == pytest.approx(3.0**-0.25, abs=1e-4)


# Best-range speed in wind, d/dV [P/(V-W)] = 0 on the same polar: 2x^5 - 3wx^4 - 2x + w = 0;
# recomputed roots x for headwind w, both in units of V_md.
@pytest.mark.parametrize(
    ("w", "x"), [(0.1, 1.0274), (0.25, 1.0789), (0.5, 1.2040), (-0.25, 0.9490), (-0.5, 0.9146)]
)
def test_best_range_speed_in_wind(w: float, x: float) -> None:
    best = power.best_range_speed_mps(aircraft(), 12.0, 1.225)
    speeds = np.linspace(0.7, 1.5, 80_001) * best
    watts = power.wing_w(aircraft(), 12.0, 1.225, speeds)
    cost = watts / (speeds - w * best)
    assert speeds[np.argmin(cost)] / best == pytest.approx(x, abs=2e-4)


@given(st.floats(5, 30), st.floats(0.6, 1.3), st.floats(12, 35))
def test_heavier_never_costs_less(mass_kg: float, density: float, tas_mps: float) -> None:
    plane = aircraft()
    for model in (
        lambda m: power.hover_w(plane, m, density),
        lambda m: power.wing_w(plane, m, density, tas_mps),
    ):
        assert model(mass_kg * 1.01) > model(mass_kg)


# --- geodesy -------------------------------------------------------------------------------

# Karney's test table as shipped with geographiclib (test_geodesic.py); the Flinders Peak to
# Buninyong line of Vincenty's method is on GRS 80, which WGS 84 equals to 0.1 mm at this length.
INVERSE = [
    (35.60777, -139.44815, -11.17491, -69.95921, 8935244.5604818305, 111.098748429560326),
    (-37.951033417, 144.424867889, -37.652821139, 143.926495528, 54972.271, 306.86816),
    (50.06632, -5.71475, 58.64402, -3.07009, 969954.166, 9.1419),
]


@pytest.mark.parametrize(("lat1", "lon1", "lat2", "lon2", "metres", "azimuth"), INVERSE)
def test_inverse_geodesic(
    lat1: float, lon1: float, lat2: float, lon2: float, metres: float, azimuth: float
) -> None:
    found, towards = geodesy.inverse(*map(math.radians, (lat1, lon1, lat2, lon2)))
    assert found == pytest.approx(metres, abs=2e-3)
    assert math.degrees(towards) % 360 == pytest.approx(azimuth, abs=1e-4)


@given(
    st.floats(-80, 80), st.floats(-179, 179), st.floats(-200_000, 200_000),
    st.floats(-200_000, 200_000),
)  # fmt: skip
def test_map_and_back(lat: float, lon: float, north: float, east: float) -> None:
    here = geodesy.LocalMap(math.radians(lat), math.radians(lon))
    assert here.to_map(*here.to_place(north, east)) == pytest.approx((north, east), abs=1e-3)


def test_geodesics_agree_with_geographiclib() -> None:
    reference = pytest.importorskip("geographiclib.geodesic").Geodesic.WGS84
    rng = np.random.default_rng(1)
    for _ in range(200):
        lat, lon, azimuth = rng.uniform(-70, 70), rng.uniform(-180, 180), rng.uniform(-180, 180)
        metres = rng.uniform(10, 300_000)
        line = reference.Direct(lat, lon, azimuth, metres)
        place = geodesy.direct(*map(math.radians, (lat, lon, azimuth)), metres)
        assert math.degrees(place[0]) == pytest.approx(line["lat2"], abs=1e-8)
        found, _ = geodesy.inverse(math.radians(lat), math.radians(lon), *place)
        assert found == pytest.approx(metres, abs=1e-3)


# --- cells ---------------------------------------------------------------------------------


def toy_cell() -> Cell:
    return Cell(
        name="toy", capacity_ah=5.0, charge_grid=(0.0, 0.5, 1.0), ocv_v=(3.0, 3.6, 4.2),
        r0_ohm=(0.03, 0.02, 0.02), r1_ohm=0.01, tau1_s=30.0, r2_ohm=0.01, tau2_s=400.0,
        resistance_temperature_k=2000.0, cold_capacity_per_k=0.004, heat_capacity_jpk=70.0,
        cooling_wpk=0.1, max_v=4.2, source="invented",
    )  # fmt: skip


def test_current_at_power_is_the_circuit_s_own_answer() -> None:
    # I = (Voc - sqrt(Voc^2 - 4 R P)) / 2R as in the pack model of Sierra et al., RESS 182 (2019),
    # with the library's worked point: Voc 11.135 V, R 27 mohm, 200 W -> 18.82 A, 10.627 V.
    current = cells.current_at_power_a(11.135, 0.027, 200.0)
    assert current == pytest.approx(18.82, abs=0.01)
    assert 11.135 - current * 0.027 == pytest.approx(10.627, abs=1e-3)
    assert current * (11.135 - current * 0.027) == pytest.approx(200.0)


def test_more_power_than_the_circuit_can_give_stays_at_its_maximum() -> None:
    assert cells.current_at_power_a(3.0, 0.05, 1e6) == pytest.approx(3.0 / 0.1)


def test_cold_raises_resistance_and_lowers_capacity() -> None:
    cell = toy_cell()
    assert cells.temperature_factor(cell, 25.0) == pytest.approx(1.0, abs=1e-3)
    assert cells.temperature_factor(cell, 0.0) > 1.5
    assert cells.capacity_factor(cell, 5.0) == pytest.approx(0.92)


def test_open_circuit_energy_is_the_integral() -> None:
    cell = toy_cell()
    grid, below = cells.energy_grid_wh(cell)
    assert below[-1] == pytest.approx(3.6)
    assert list(grid) == [0.0, 0.5, 1.0]
    slope_v = (cells.ocv_v(cell, 0.255) - cells.ocv_v(cell, 0.245)) / 0.01
    assert slope_v == pytest.approx(1.2)
