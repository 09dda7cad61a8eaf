"""The footprint: wind triangle on every bearing, and agreement with the forecast from here."""

from __future__ import annotations

import numpy as np
import pytest

from supervisor.core.forecast.footprint import SLOWEST_MPS, ground_speed_mps


def test_ground_speed_is_the_wind_triangle() -> None:
    # Course 0, airspeed 160, wind from 310 at 45 -> ground speed 127.32: worked example of a
    # general mapping toolbox (drift correction page), reference row 1.12.
    angle = np.radians(310.0)
    tail, cross = -45.0 * np.cos(angle), -45.0 * np.sin(angle)
    speed = ground_speed_mps(160.0, np.array([tail]), np.array([cross]))
    assert speed[0] == pytest.approx(127.32, abs=0.01)


def test_no_way_home_against_more_wind_than_airspeed() -> None:
    speed = ground_speed_mps(20.0, np.array([-30.0]), np.array([0.0]))
    assert speed[0] == SLOWEST_MPS
