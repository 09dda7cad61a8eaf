"""The wind as a random field: exact where a closed form or another filter exists."""

from __future__ import annotations

import math

import filterpy.kalman
import numpy as np
import pytest
from scipy import stats

from supervisor.core.draws import FREEDOM
from supervisor.core.estimate.forecast_wind import ForecastWind, forecast_wind
from supervisor.core.estimate.wind_kernel import Jump, Kernel
from supervisor.core.estimate.windfield import TAIL_SCALE, Evidence, Field, log_evidence, posterior
from supervisor.core.plan import Weather, WindRow

NOWHERE = ForecastWind(())
FAST = Kernel(bias_mps=1e-9, vary_mps=2.0, vary_s=1800.0, vary_m=30e3, vary_log_h=1e9)


def everywhere(lat_rad: float, lon_rad: float) -> tuple[float, float]:
    return (lat_rad * 6371e3, lon_rad * 6371e3)


def fix(t_s: float, north_m: float, wind_mps: float, var: float, sensors: int = 0) -> Evidence:
    """A direct measurement of the north component at 100 m."""
    j, y = np.zeros((2 + sensors, 2 + sensors)), np.zeros(2 + sensors)
    j[0, 0], y[0] = 1.0 / var, wind_mps / var
    return Evidence(np.array([north_m, 0.0, 100.0, t_s]), 1.0, j, y)


def at(field: Field, north_m: float, ahead_s: float) -> tuple[float, float]:
    """Mean and variance of the north component."""
    one = (np.array([v]) for v in (north_m, 0.0, 100.0, ahead_s))
    mean, cov = field.moments(*one)
    return float(mean[0, 0]), float(cov[0, 0])


def test_on_a_straight_track_it_is_a_kalman_filter() -> None:
    """A flight at constant speed meets an Ornstein-Uhlenbeck process: as filterpy, to 1e-9."""
    rng = np.random.default_rng(1)
    step_s, speed = 60.0, 21.0
    keep = math.exp(-step_s / FAST.vary_s - speed * step_s / FAST.vary_m)
    theirs = filterpy.kalman.KalmanFilter(dim_x=1, dim_z=1)
    theirs.F, theirs.H = np.array([[keep]]), np.array([[1.0]])
    theirs.Q, theirs.R = np.array([[4.0 * (1.0 - keep * keep)]]), np.array([[0.5]])
    theirs.x, theirs.P = np.array([[0.0]]), np.array([[4.0]])
    seen: tuple[Evidence, ...] = ()
    for i, z in enumerate(rng.standard_normal(25) * 2.0):
        if i:
            theirs.predict()
        theirs.update(np.array([[z]]))
        now_s = i * step_s
        seen = (*seen, fix(now_s, speed * now_s, float(z), 0.5))
        field = posterior(NOWHERE, FAST, seen, np.zeros(0), now_s, 0.0)
        mean, var = at(field, speed * now_s, 0.0)
        assert mean == pytest.approx(float(theirs.x[0, 0]), abs=1e-9)
        assert var == pytest.approx(float(theirs.P[0, 0]), abs=1e-9)


def test_the_way_home_remembers_the_way_out_less_the_older_and_farther_it_is() -> None:
    field = posterior(NOWHERE, Kernel(), (fix(0.0, 0.0, 3.0, 0.01),), np.zeros(0), 0.0, 0.0)
    prior = Kernel().bias_mps ** 2 + Kernel().vary_mps ** 2
    here, later = at(field, 0.0, 0.0), at(field, 0.0, 3600.0)
    far, both = at(field, 40e3, 0.0), at(field, 40e3, 3600.0)
    assert 3.0 > here[0] > later[0] > both[0] > 0.0
    assert here[0] > far[0] > both[0]
    assert here[1] < later[1] < both[1] < prior
    assert here[1] < far[1] < both[1]


def test_an_error_of_the_sensors_common_to_all_is_found_by_flying_back() -> None:
    """Out and home on one line: v = V(1 + s) + w and v = -V(1 + s) + w; closed form of the pair."""
    speed, scale, wind = 20.0, 0.02, 3.0
    j_out = np.array([[1.0, 0, speed], [0, 0, 0], [speed, 0, speed**2]]) / 0.01
    j_home = np.array([[1.0, 0, -speed], [0, 0, 0], [-speed, 0, speed**2]]) / 0.01
    # z is the ground velocity less the air velocity as told
    z_out, z_home = wind + scale * speed, wind - scale * speed
    y_out = np.array([1.0, 0, speed]) * z_out / 0.01
    y_home = np.array([1.0, 0, -speed]) * z_home / 0.01
    place = np.array([0.0, 0.0, 100.0, 0.0])
    still = Kernel(bias_mps=3.0, bias_s=1e12, vary_mps=1e-6)
    one = posterior(
        NOWHERE, still, (Evidence(place, 60.0, j_out, y_out),), np.array([0.04**2]), 0, 0
    )
    two = posterior(
        NOWHERE,
        still,
        (Evidence(place, 60.0, j_out, y_out), Evidence(place, 60.0, j_home, y_home)),
        np.array([0.04**2]),
        0,
        0,
    )
    # one leg: the error is shared in proportion to the priors: sd 3 of wind, 0.8 of scale
    share = 9.0 / (9.0 + 0.64 + 0.01)
    assert at(one, 0.0, 0.0)[0] == pytest.approx(z_out * share, rel=1e-6)
    assert math.sqrt(at(one, 0.0, 0.0)[1]) > 0.7
    assert at(two, 0.0, 0.0)[0] == pytest.approx(wind, abs=0.01)
    assert float(two.sensor_mean[0]) == pytest.approx(scale, abs=1e-3)
    assert math.sqrt(at(two, 0.0, 0.0)[1]) < 0.08


def test_power_law_and_times_of_the_forecast() -> None:
    """Profile: references, wind-profile power law 1/7: 10 m -> 50/100/120/150 m."""
    weather = Weather((WindRow(0.0, 10.0, 0.0, 10.0), WindRow(3600.0, 10.0, 4.0, 6.0)), 2.0, 15.0)
    forecast = forecast_wind(weather, everywhere)
    heights = np.array([10.0, 50.0, 100.0, 120.0, 150.0])
    wind = forecast.at(np.zeros(5), np.zeros(5), heights, np.zeros(5))
    np.testing.assert_allclose(
        wind[:, 1] / 10.0, [1.0, 1.2585, 1.3895, 1.4262, 1.4724], rtol=0, atol=1e-4
    )
    half = forecast.at(np.zeros(1), np.zeros(1), np.array([10.0]), np.array([1800.0]))
    np.testing.assert_allclose(half, [[2.0, 8.0]])
    beyond = forecast.at(np.zeros(1), np.zeros(1), np.array([10.0]), np.array([9e9]))
    np.testing.assert_allclose(beyond, [[4.0, 6.0]])


def test_forecast_between_heights_and_places() -> None:
    rows = (
        WindRow(0.0, 50.0, 2.0, 0.0, 0.0, 0.0),
        WindRow(0.0, 200.0, 6.0, 0.0, 0.0, 0.0),
        WindRow(0.0, 100.0, 10.0, 0.0, 0.01, 0.0),
    )
    forecast = forecast_wind(Weather(rows, 2.0, 15.0), everywhere)
    near = forecast.at(np.zeros(1), np.zeros(1), np.array([100.0]), np.zeros(1))
    assert near[0, 0] == pytest.approx(4.0, abs=0.01)  # half way in the logarithm of height
    middle = forecast.at(np.array([0.005 * 6371e3]), np.zeros(1), np.array([100.0]), np.zeros(1))
    assert middle[0, 0] == pytest.approx(7.0, abs=0.01)


def full_field() -> Field:
    evidence = []
    for i in range(32):
        j = np.eye(6) * 2.0
        evidence.append(Evidence(np.array([900.0 * i, 50.0 * i, 100.0, 45.0 * i]), 45.0, j, j[0]))
    return posterior(NOWHERE, Kernel(), tuple(evidence), np.full(4, 0.01), 1440.0, 0.0)


def test_draws_have_the_stated_moments() -> None:
    field = full_field()
    query = (np.linspace(0, 30e3, 12), np.zeros(12), np.full(12, 90.0), np.linspace(0, 2400, 12))
    mean, cov = field.moments(*query)
    n, e = field.draw(np.random.default_rng(3), 20000, *query)
    both = np.hstack([n, e])
    np.testing.assert_allclose(
        both.mean(axis=0), np.concatenate([mean[:, 0], mean[:, 1]]), atol=0.08
    )
    # the variance of Student's t of v degrees is v / (v - 2)
    wider = TAIL_SCALE**2 * FREEDOM / (FREEDOM - 2.0)
    np.testing.assert_allclose(np.cov(both.T), wider * cov, atol=0.25)
    wn, _, factor = field.draw_air(np.random.default_rng(3), 20000, *query, 21.0)
    expected = 1.0 + field.sensor_mean[0] + field.sensor_mean[1] / 21.0
    assert factor.mean() == pytest.approx(expected, abs=2e-3)
    np.testing.assert_allclose(wn.mean(axis=0), mean[:, 0], atol=0.08)


def test_the_means_are_those_of_every_single_point() -> None:
    field = full_field()
    query = (np.linspace(0, 30e3, 5), np.full(5, 40.0), np.full(5, 90.0), np.linspace(0, 2400, 5))
    means = field.means(*query)
    np.testing.assert_allclose(means, field.moments(*query)[0], rtol=1e-12)
    for point, mean in zip(zip(*query, strict=True), means, strict=True):
        assert field.mean_at(*map(float, point))[:2] == pytest.approx(tuple(mean))


def test_log_evidence_is_the_gaussian_likelihood() -> None:
    """Against scipy's multivariate normal, but for a constant that no hypothesis changes."""
    rng = np.random.default_rng(4)
    places = np.array([(21.0 * t, 0.0, 100.0, t) for t in np.arange(6) * 300.0])
    z = rng.standard_normal(6) * 3.0
    seen = tuple(fix(p[3], p[0], float(v), 0.5, 1) for p, v in zip(places, z, strict=True))
    for e in seen:  # each also shows one sensor's error, with weight 2
        e.j[:, 2] = e.j[2, :] = 2.0 * e.j[0]
        e.j[2, 2], e.y[2] = 4.0 / 0.5, 2.0 * e.y[0]
    rest = []
    for kernel, var in (
        (Kernel(), 0.1),
        (Kernel(lively=8.0), 4.0),
        (Kernel(jumps=(Jump(700.0),)), 1e-3),
    ):
        cov = kernel.between(places, places) + 4.0 * var + 0.5 * np.eye(6)
        theirs = stats.multivariate_normal(np.zeros(6), cov).logpdf(z)
        rest.append(theirs - log_evidence(NOWHERE, kernel, seen, np.array([var]), 0.0))
    assert rest == pytest.approx([rest[0]] * 3, abs=1e-9)
