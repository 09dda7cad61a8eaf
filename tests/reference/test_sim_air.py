"""The simulator's air and earth against published values and reference libraries."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import numpy as np
import pytest
import still
from ambiance import Atmosphere
from geographiclib.geodesic import Geodesic

from sim import atmosphere, geodesy, gusts
from sim.weather import Air

# --- standard atmosphere: geometric altitude [m] -> (T [K], p [Pa], rho [kg/m3]) ---------------
# ambiance 1.3.1, an implementation of ICAO Doc 7488 (1993).
ISA = {
    0: (288.15, 101325.0, 1.2250),
    500: (284.900, 95461.3, 1.16727),
    1000: (281.651, 89876.3, 1.11166),
    1500: (278.402, 84559.7, 1.05810),
    2000: (275.154, 79501.4, 1.00655),
    3000: (268.659, 70121.1, 0.90925),
    5000: (255.676, 54048.3, 0.73643),
}


@pytest.mark.parametrize("alt_m", ISA)
def test_standard_atmosphere_table(alt_m: int) -> None:
    t_k, p_pa, rho = atmosphere.air(alt_m)
    assert t_k == pytest.approx(ISA[alt_m][0], abs=0.001)
    assert p_pa == pytest.approx(ISA[alt_m][1], rel=2e-6)
    assert rho == pytest.approx(ISA[alt_m][2], rel=1e-5)


def test_atmosphere_agrees_with_ambiance_everywhere_we_fly() -> None:
    for alt_m in range(-200, 6000, 137):
        reference = Atmosphere(alt_m)
        t_k, p_pa, rho = atmosphere.air(alt_m)
        assert t_k == pytest.approx(float(reference.temperature[0]), rel=1e-7)
        assert p_pa == pytest.approx(float(reference.pressure[0]), rel=1e-6)
        assert rho == pytest.approx(float(reference.density[0]), rel=1e-6)
        viscosity = float(reference.dynamic_viscosity[0])
        assert atmosphere.viscosity_pas(t_k) == pytest.approx(viscosity, rel=1e-4)


def test_offset_day_keeps_the_pressure_and_thins_the_air() -> None:
    """ISA + 15: rho = p/(R T), so the ratio of densities is the inverse ratio of temperatures."""
    standard, warm = atmosphere.air(1000.0), atmosphere.air(1000.0, 15.0)
    assert warm[1] == standard[1]
    assert warm[2] / standard[2] == pytest.approx(281.651 / 296.651, rel=1e-6)
    assert atmosphere.offset_for(20.0, 0.0) == pytest.approx(5.0)


# --- geodesics -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("point1", "point2", "distance_m", "azimuth_deg", "within_m"),
    [
        # GeodSolve0, the test suite of geographiclib
        ((40.6, -73.8), (49.01666667, 2.55), 5853226.0, 53.47022, 0.5),
        # table of the same suite
        (
            (35.60777, -139.44815), (-11.17491, -69.95921),
            8935244.5604818305, 111.098748429560326, 0.001,
        ),
        # Land's End to John o' Groats, quoted in public code
        ((50.06632, -5.71475), (58.64402, -3.07009), 969954.166, 9.1419, 0.01),
    ],
)  # fmt: skip
def test_published_geodesics(
    point1: tuple[float, float],
    point2: tuple[float, float],
    distance_m: float,
    azimuth_deg: float,
    within_m: float,
) -> None:
    found = geodesy.inverse(*map(math.radians, (*point1, *point2)))
    assert found[0] == pytest.approx(distance_m, abs=within_m)
    assert math.degrees(found[1]) == pytest.approx(azimuth_deg, abs=1e-4)


def test_geodesics_agree_with_geographiclib() -> None:
    rng = Random(7)
    for _ in range(200):
        lat, lon = rng.uniform(-65.0, 65.0), rng.uniform(-180.0, 180.0)
        azimuth, distance_m = rng.uniform(-180.0, 180.0), rng.uniform(100.0, 4e5)
        end = Geodesic.WGS84.Direct(lat, lon, azimuth, distance_m)
        lat2, lon2 = geodesy.direct(
            math.radians(lat), math.radians(lon), math.radians(azimuth), distance_m
        )
        assert math.degrees(lat2) == pytest.approx(end["lat2"], abs=1e-8)
        assert math.remainder(math.degrees(lon2) - end["lon2"], 360.0) == pytest.approx(
            0.0, abs=1e-8
        )
        back = geodesy.inverse(math.radians(lat), math.radians(lon), lat2, lon2)
        assert back[0] == pytest.approx(distance_m, abs=1e-3)
        turn = math.remainder(math.degrees(back[2]) - end["azi2"], 360.0)
        assert turn == pytest.approx(0.0, abs=1e-5)


def test_inner_loop_formula_against_geographiclib() -> None:
    """The mid-latitude formula is promised within 0.01 % and 0.01 degree below 150 km."""
    rng = Random(8)
    for _ in range(300):
        lat, lon = rng.uniform(-60.0, 60.0), rng.uniform(-180.0, 180.0)
        azimuth, distance_m = rng.uniform(-180.0, 180.0), rng.uniform(1000.0, 150e3)
        end = Geodesic.WGS84.Direct(lat, lon, azimuth, distance_m)
        north, east, half = geodesy.offset_m(
            *map(math.radians, (lat, lon, end["lat2"], end["lon2"]))
        )
        assert math.hypot(north, east) == pytest.approx(distance_m, rel=1e-4)
        here = math.degrees(math.atan2(east, north) - half)
        assert math.remainder(here - azimuth, 360.0) == pytest.approx(0.0, abs=0.01)


def test_small_steps_add_up_to_the_geodesic() -> None:
    """A thousand steps of 100 m north-east end where geographiclib's rhumb of 45 degrees is.

    Steps at constant azimuth follow a rhumb line: its length times cos(45) is the meridian arc.
    """
    lat, lon = math.radians(44.0), math.radians(-28.0)
    for _ in range(1000):
        lat, lon = geodesy.moved(lat, lon, 100.0 * math.sqrt(0.5), 100.0 * math.sqrt(0.5))
    arc = Geodesic.WGS84.Inverse(44.0, 0.0, math.degrees(lat), 0.0)["s12"]
    assert arc == pytest.approx(100e3 * math.sqrt(0.5), rel=2e-5)


# --- wind profile ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("exponent", "height_m", "ratio"),
    [
        # V(z)/V(10 m), the power law worked for 1/7 and for IEC 61400-1's 0.2
        (1.0 / 7.0, 50.0, 1.2585), (1.0 / 7.0, 100.0, 1.3895), (1.0 / 7.0, 120.0, 1.4262),
        (0.2, 50.0, 1.3797), (0.2, 100.0, 1.5849), (0.2, 150.0, 1.7188),
    ],
)  # fmt: skip
def test_power_law_profile(exponent: float, height_m: float, ratio: float) -> None:
    weather = replace(still.steady(270.0, 8.0), exponent=exponent)
    air = Air(weather, (0.7, -0.5), Random(1), Random(2))
    low = air.step(0.0, 0.5, 0.0, 0.0, 10.0, 10.0, 20.0)[1]
    high = air.step(0.5, 0.5, 0.0, 0.0, height_m, height_m, 20.0)[1]
    assert high / low == pytest.approx(ratio, abs=1e-4)


# --- Dryden turbulence ----------------------------------------------------------------------------
KNOT_MPS = 0.514444

# MIL-F-8785C below 1000 ft, worked: height m, wind at 20 ft kt -> L_u, L_w [m], sigma_u, sigma_w.
DRYDEN = [
    (100.0, 15.0, 262.8, 100.0, 1.065, 0.772),
    (100.0, 30.0, 262.8, 100.0, 2.130, 1.543),
    (100.0, 45.0, 262.8, 100.0, 3.195, 2.315),
    (120.0, 30.0, 275.0, 120.0, 2.035, 1.543),
    (304.8, 30.0, 304.8, 304.8, 1.543, 1.543),  # 1000 ft: L equal, sigma_u = sigma_w
]


@pytest.mark.parametrize(("height_m", "knots", "l_u", "l_w", "s_u", "s_w"), DRYDEN)
def test_dryden_scales(
    height_m: float, knots: float, l_u: float, l_w: float, s_u: float, s_w: float
) -> None:
    found = gusts.scales(height_m, knots * KNOT_MPS)
    assert found == pytest.approx((l_u, l_w, s_u, s_w), rel=1e-3)


def _record(dt_s: float, count: int) -> np.ndarray:
    turbulence = gusts.Gusts(Random(11))
    rows = [turbulence.step(dt_s, 20.0, 100.0, 10.0) for _ in range(count)]
    return np.array(rows)


@pytest.mark.parametrize("dt_s", [0.1, 0.5, 1.0])
def test_dryden_variance_does_not_depend_on_the_step(dt_s: float) -> None:
    """sigma from MIL-F-8785C; an hour and more of gusts knows it to about 5 %."""
    _, _, sigma_u, sigma_w = gusts.scales(100.0, 10.0)
    spread = _record(dt_s, 120_000).std(axis=0)
    assert spread == pytest.approx((sigma_u, sigma_u, sigma_w), rel=0.05)


def test_dryden_spectrum() -> None:
    """One-sided spectra over frequency f, with W = 2 pi f L/V (MIL-F-8785C):

    along: sigma^2 4 L/V / (1 + W^2); across: sigma^2 2 L/V (1 + 3 W^2)/(1 + W^2)^2.
    """
    dt_s, segment = 0.25, 4096
    data = _record(dt_s, segment * 60)
    length_u, length_w, sigma_u, sigma_w = gusts.scales(100.0, 10.0)
    window = np.hanning(segment)
    pieces = data.reshape(60, segment, 3) * window[None, :, None]
    power = 2.0 * dt_s * (np.abs(np.fft.rfft(pieces, axis=1)) ** 2).mean(axis=0)
    power /= (window**2).sum()
    frequency = np.fft.rfftfreq(segment, dt_s)
    for low, high in ((0.004, 0.008), (0.02, 0.04), (0.1, 0.2), (0.3, 0.5)):
        band = (frequency >= low) & (frequency < high)
        w_u = math.tau * frequency[band] * length_u / 20.0
        w_w = math.tau * frequency[band] * length_w / 20.0
        along = sigma_u**2 * 4.0 * length_u / 20.0 / (1.0 + w_u**2)
        across = sigma_u**2 * 2.0 * length_u / 20.0 * (1.0 + 3.0 * w_u**2) / (1.0 + w_u**2) ** 2
        down = sigma_w**2 * 2.0 * length_w / 20.0 * (1.0 + 3.0 * w_w**2) / (1.0 + w_w**2) ** 2
        for axis, expected in enumerate((along, across, down)):
            assert power[band, axis].mean() == pytest.approx(expected.mean(), rel=0.12)
