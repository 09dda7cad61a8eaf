"""The fit on figures that others published or that follow from published formulas.

Polar: P = 1/2 rho V^3 S CD0 + 2 k W^2/(rho V S) (Traub, Journal of Aircraft 48(2) 2011, eq. 4).
Worked size, recomputed from it: W 117.68 N, S 0.6 m2, CD0 0.03, k 0.05, sea level: best-range speed
20.332 m/s, power there 185.34 W, least power 162.61 W at 15.449 m/s.
Battery frame: the reference library's bytes of BATTERY_STATUS (cells 3.900 V falling by 10 mV to
3.850 V, 12.34 A).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.scenario import FOLDER
from supervisor.calibrate.blocks import Steady
from supervisor.calibrate.power import fit_power, level_w
from supervisor.core.plan import Aircraft
from supervisor.debrief.readings import pack_readings
from supervisor.edge.decoder import Decoder
from supervisor.flightfile import load_flight

WEIGHT_N, AREA_M2, CD0, K, RHO = 117.68, 0.6, 0.03, 0.05, 1.225
MASS_KG = WEIGHT_N / 9.80665
BATTERY_STATUS = bytes.fromhex(
    "fd24000000010193000088130000ffffffffc4093c0f320f280f1e0f140f0a0fffffffffffffffffd20400010349"
    "4958"
)


def believed() -> Aircraft:
    """The builder believes another polar than the published one; no avionics, no losses."""
    craft = load_flight(FOLDER / "estuary" / "flight.toml").aircraft
    return replace(
        craft, mass_kg=MASS_KG, wing_area_m2=AREA_M2, cd0=0.036, k=0.043, cruise_efficiency=1.0,
        avionics_w=0.0,
    )  # fmt: skip


def published_w(tas: np.ndarray) -> np.ndarray:
    return 0.5 * RHO * tas**3 * AREA_M2 * CD0 + 2.0 * K * WEIGHT_N**2 / (RHO * tas * AREA_M2)


@pytest.fixture(scope="module")
def fitted() -> tuple[Aircraft, np.ndarray]:
    craft = believed()
    tas = np.repeat([14.0, 17.0, 20.0, 24.0], 100)
    one, none = np.ones(len(tas)), np.zeros(len(tas))
    rows = Steady(none, published_w(tas), RHO * one, tas, none, one, 30.0 * one, *[none] * 6)
    return craft, fit_power(craft, MASS_KG, rows).fit.x


def test_polar_is_the_published_one(fitted: tuple[Aircraft, np.ndarray]) -> None:
    craft, x = fitted
    assert craft.cd0 * np.exp(x[1]) == pytest.approx(CD0, rel=2e-3)
    assert craft.k * np.exp(x[2]) == pytest.approx(K, rel=2e-3)


@pytest.mark.parametrize(("tas_mps", "power_w"), [(20.332, 185.34), (15.449, 162.61)])
def test_power_at_the_published_speeds(
    fitted: tuple[Aircraft, np.ndarray], tas_mps: float, power_w: float
) -> None:
    craft, x = fitted
    assert level_w(craft, MASS_KG, x, tas_mps, RHO) == pytest.approx(power_w, rel=2e-3)


def test_an_hour_of_the_reference_frame_is_its_power_in_watt_hours() -> None:
    decoder = Decoder()
    reports = [decoder.observe(BATTERY_STATUS, 10.0 * k) for k in range(361)]
    readings = pack_readings([r for r in reports if r is not None])  # type: ignore[misc]
    volts = sum(3.900 - 0.010 * k for k in range(6))
    assert readings.total_wh == pytest.approx(volts * 12.34, rel=1e-9)
