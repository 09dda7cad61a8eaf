"""Air, hover, cruise, range and endurance of the budget command's JSON against published values."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "budget"))
from ideal import CHAIN, cruise_power_w, flight_text, run_budget

# ISO 2533, geopotential altitude: T = 288.15 - 0.0065 H, p = p0 (T/T0)^(g0/(R L)).
# Density at 0, 500, 1000, 1500, 2000, 3000, 5000 m, kg/m^3.
STANDARD = [
    (0, 1.22500), (500, 1.16727), (1000, 1.11164), (1500, 1.05807), (2000, 1.00649),
    (3000, 0.90912), (5000, 0.73612),
]  # fmt: skip


def at_elevation(text: str, elevation_m: float) -> str:
    """The same flight from a home this high on a standard day."""
    celsius = 15.0 - 0.0065 * elevation_m
    text = text.replace("temperature_c = 15.0\nwind", f"temperature_c = {celsius}\nwind")
    return text.replace("[route]", f"elevation_m = {elevation_m}\n[route]")


@pytest.mark.parametrize(("elevation_m", "density"), STANDARD)
def test_standard_atmosphere(tmp_path: Path, elevation_m: float, density: float) -> None:
    text = flight_text(25.0, 90.0, 20e3, 270.0, 0.0, 500.0)
    answer = run_budget(tmp_path, at_elevation(text, elevation_m))
    assert answer["performance"]["density_home_kgpm3"] == pytest.approx(density, abs=2e-5)


# Worked size: 12 kg, 4 rotors of 0.5588 m, figure of merit 0.70, motor and controller 0.80:
# electrical 1470 W at sea level, 1544 at 1000 m, 1622 at 2000 m, 1707 at 3000 m. Momentum theory
# P = T^1.5 / sqrt(2 rho A); computed from the formula, rounded to the watt.
@pytest.mark.parametrize(
    ("elevation_m", "watts"), [(0, 1470), (1000, 1544), (2000, 1622), (3000, 1707)]
)
def test_hover_power_measured_low_holds_high(
    tmp_path: Path, elevation_m: float, watts: float
) -> None:
    text = flight_text(25.0, 90.0, 20e3, 270.0, 0.0, 500.0)
    text = text.replace("polar =", "measured_hover = { power_w = 1470.3, mass_kg = 12.0 }\npolar =")
    answer = run_budget(tmp_path, at_elevation(text, elevation_m))
    assert answer["performance"]["hover_w"] == pytest.approx(watts, abs=1.5)


def test_best_speeds_of_the_polar(tmp_path: Path) -> None:
    """W 117.68 N, S 0.6 m^2, CD0 0.03, k 0.05: V_md 20.332, V_mp 15.449 m/s, P(V_md) 185.34 W.

    From Traub 2011 eq. 4 (V_md = sqrt(2W/(rho S)) (k/CD0)^(1/4), V_mp = V_md / 3^(1/4)).
    """
    answer = run_budget(tmp_path, flight_text(20.332, 90.0, 20e3, 270.0, 0.0, 500.0))
    figures = answer["performance"]
    assert figures["best_range_cas_mps"] == pytest.approx(20.332, abs=0.002)
    assert figures["least_power_cas_mps"] == pytest.approx(15.449, abs=0.002)
    assert figures["cruise_w"] * CHAIN == pytest.approx(185.34, abs=0.05)


def test_endurance_and_range(tmp_path: Path) -> None:
    """t = E / P and R = V t (Traub 2011, n = 1); 0.3 % is what the pack's relaxations lose."""
    answer = run_budget(tmp_path, flight_text(22.0, 90.0, 20e3, 270.0, 0.0, 500.0))
    figures = answer["performance"]
    hours = 500.0 / cruise_power_w(22.0)
    assert figures["endurance_s"] == pytest.approx(3600.0 * hours, rel=0.004)
    assert figures["range_m"] == pytest.approx(22.0 * 3600.0 * hours, rel=0.004)


def test_the_longest_still_air_flight_is_flown_on_paper(tmp_path: Path) -> None:
    """Out and home as far as the range equation says, the pack is empty at home, within 1 %."""
    hours = 500.0 / cruise_power_w(22.0)
    out_m = 0.5 * 22.0 * 3600.0 * hours
    answer = run_budget(tmp_path, flight_text(22.0, 90.0, out_m, 270.0, 0.0, 500.0))
    assert answer["landing_wh"] == pytest.approx(0.0, abs=5.0)


def test_the_built_in_cell_follows_the_published_set() -> None:
    """Chen et al. 2020 (J. Electrochem. Soc. 167 080534): half-cell functions and stoichiometries.

    OCV at 5, 20, 50, 80 and 100 % of 5.153 Ah as computed from them: 3.109, 3.485, 3.751, 4.042,
    4.200 V.
    """
    from supervisor.celltable import built_in
    from supervisor.core.cells import ocv_v

    cell = built_in()["nmc-21700-5ah"]
    published = {0.05: 3.109, 0.20: 3.485, 0.50: 3.751, 0.80: 4.042, 1.00: 4.200}
    for charge, volts in published.items():
        assert float(ocv_v(cell, charge)) == pytest.approx(volts, abs=0.001)
