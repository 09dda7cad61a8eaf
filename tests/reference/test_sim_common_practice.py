"""The default aircraft against common practice for this class (figures without a source).

Winged cruise 1.5 to 3 h; hover-only endurance 20 to 30 min at most; about ten times the still-air
range of the same machine in hover flight.
"""

from __future__ import annotations

import math

import pytest
import still

from sim.flight import Flight

CRUISE_MPS = 21.1


def _drain(flight: Flight, power_w: float) -> float:
    """Hours until the pack cuts off at constant ``power_w``."""
    seconds = 0.0
    while not flight.pack.cut_off and seconds < 6 * 3600.0:
        flight.pack.step(power_w, 1.0, 15.0, 0.0)
        seconds += 1.0
    return seconds / 3600.0


def _fresh() -> Flight:
    return Flight(still.scenario(), 1)


def _hover_w(edge_mps: float) -> float:
    """Rotors alone at ``edge_mps`` [m/s]: they carry the weight and, tilted, the drag."""
    craft = _fresh().craft
    weight_n = craft.mass_kg * 9.80665
    drag_n = 0.5 * 1.225 * edge_mps**2 * craft.hover_drag_area_m2
    thrust_n = math.hypot(weight_n, drag_n)
    through = edge_mps * drag_n / thrust_n  # the tilted disk meets this much flow from above
    return craft.rotors.electrical_w(thrust_n, 1.225, through, edge_mps) + craft.avionics_w


def test_hover_endurance() -> None:
    assert 20.0 <= 60.0 * _drain(_fresh(), _hover_w(0.0)) <= 30.0


def test_winged_endurance() -> None:
    assert 1.5 <= _drain(_fresh(), 360.0) <= 3.0


def test_range_is_about_ten_times_that_of_hover_flight() -> None:
    winged_km = _drain(_fresh(), 360.0) * CRUISE_MPS * 3.6
    hover_km = max(_drain(_fresh(), _hover_w(v)) * v * 3.6 for v in (6.0, 8.0, 10.0, 12.0, 14.0))
    assert winged_km / hover_km == pytest.approx(10.0, abs=3.5)
