"""The wind triangle: exact textbook cases, what can and what cannot be seen, and broken sensors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from supervisor.core.estimate import wind, wind_sensors, wind_state
from supervisor.core.estimate.forecast_wind import ForecastWind, Series
from supervisor.core.estimate.wind_kernel import Kernel
from tests.core.test_gusts import gust_series

CALM = ForecastWind(())


def forecast(n: float, e: float) -> ForecastWind:
    one = np.zeros(1)
    return ForecastWind((Series(None, 100.0, one, one + n, one + e),))


def leg(
    state: wind_state.WindState, start_s: float, seconds: int, heading: float, tas: float,
    blow: tuple[float, float], *, told_tas: float | None = None, offset: float = 0.0,
    rng: np.random.Generator | None = None, assumed: bool = False,
) -> wind_state.WindState:  # fmt: skip
    """A straight leg flown in truth; what is told may differ by airspeed and compass."""
    for i in range(seconds):
        t = start_s + i
        gust = rng.normal(0.0, 0.3, 2) if rng is not None else np.zeros(2)
        vn = tas * math.cos(heading) + blow[0] + gust[0]
        ve = tas * math.sin(heading) + blow[1] + gust[1]
        told = tas if told_tas is None else told_tas
        sample = wind_state.Sample(
            t, vn * i, ve * i, 100.0, vn, ve, 0.0, heading - offset, told, 1.0, assumed
        )
        state = wind.observe(state, sample)
    return state


def found(state: wind_state.WindState, t_s: float) -> tuple[float, float, np.ndarray]:
    field = wind_state.solve(state, t_s)
    last = field.nodes[-1]
    mean, cov = field.moments(last[:1], last[1:2], last[2:3], np.array([last[3] - t_s]))
    return float(mean[0, 0]), float(mean[0, 1]), cov


@pytest.mark.parametrize(
    ("course_deg", "gs", "heading_deg", "tas", "from_deg", "speed"),
    [
        # references 1.13: MathWorks driftvel, course 0, GS 155, HDG 10, TAS 160
        (0.0, 155.0, 10.0, 160.0, 84.717, 27.902),
        # references 1.12: MathWorks driftcorr, HDG 347.56, GS 127.32, wind from 310/45
        (0.0, 127.32, 347.558, 160.0, 310.0, 45.0),
        # references 1.16: Smithsonian exercise 16, exact answer 33.06 from 154.07
        (94.0, 146.0, 104.0, 165.0, 154.07, 33.06),
    ],
)
def test_the_textbook_wind_with_perfect_instruments(
    course_deg: float, gs: float, heading_deg: float, tas: float, from_deg: float, speed: float
) -> None:
    """Knots read as metres a second; the sensors' own errors are held at nothing."""
    course, heading = math.radians(course_deg), math.radians(heading_deg)
    state = wind_state.start(CALM, Kernel(bias_mps=1e3, vary_mps=1e-3), 0.0)
    state = state._replace(sensor_var=np.full(4, 1e-18))
    v = (gs * math.cos(course), gs * math.sin(course))
    for i in range(300):
        sample = wind_state.Sample(float(i), 0.0, 0.0, 100.0, *v, 0.0, heading, tas, 1.0)
        state = wind.observe(state, sample)
    n, e, _ = found(state, 300.0)
    assert math.hypot(n, e) == pytest.approx(speed, abs=0.03)
    assert math.degrees(math.atan2(-e, -n)) % 360.0 == pytest.approx(from_deg, abs=0.05)


def test_a_straight_leg_leaves_the_cross_wind_open_and_a_turn_closes_it() -> None:
    rng = np.random.default_rng(8)
    state = leg(wind_state.start(CALM, Kernel(), 0.0), 0.0, 600, 0.0, 21.0, (2.0, 3.0), rng=rng)
    _, _, cov = found(state, 600.0)
    # the compass alone leaves V times its spread open across, and airspeed its own along
    assert math.sqrt(cov[1, 1]) > 0.8 * 21.0 * wind_state.SENSOR_SD[2]
    assert math.sqrt(cov[0, 0]) > 0.8 * 21.0 * wind_state.SENSOR_SD[0]
    turned = leg(state, 600.0, 120, math.pi / 2, 21.0, (2.0, 3.0), rng=rng)
    turned = leg(turned, 720.0, 120, math.pi, 21.0, (2.0, 3.0), rng=rng)
    n, e, cov = found(turned, 840.0)
    assert max(cov[0, 0], cov[1, 1]) < 0.35**2
    assert abs(n - 2.0) < 3.0 * math.sqrt(cov[0, 0])
    assert abs(e - 3.0) < 3.0 * math.sqrt(cov[1, 1])


def test_gusts_on_a_straight_leg_teach_nothing_of_the_sensors() -> None:
    """They turn the nose and move the airspeed while the aircraft holds its way over ground.

    Regressed on, they would look like an airspeed that shows far too much (errors in variables).
    """
    scales = []
    for seed in range(6):
        state = wind_state.start(forecast(2.0, -4.0), Kernel(), 0.0)
        for i, gust in enumerate(gust_series(np.random.default_rng(seed), 1.0, 1500)):
            n, e = np.array([21.0, 0.0]) - np.array([2.0, -4.0]) - gust
            sample = wind_state.Sample(
                float(i), 21.0 * i, 0.0, 100.0, 21.0, 0.0, 0.0, math.atan2(e, n), math.hypot(n, e),
                1.0,
            )  # fmt: skip
            state = wind.observe(state, sample)
        assert state.solved is not None
        scales.append(state.solved.sensor_mean[0])
    assert abs(np.mean(scales)) < 0.002


def test_turns_find_the_errors_of_airspeed_and_compass() -> None:
    rng = np.random.default_rng(9)
    state = wind_state.start(CALM, Kernel(), 0.0)
    for i in range(12):
        state = leg(
            state, 90.0 * i, 90, i * math.pi / 2, 21.0, (-1.0, 4.0),
            told_tas=21.0 / 1.03, offset=math.radians(3.0), rng=rng,
        )  # fmt: skip
    field = wind_state.solve(state, 1080.0)
    n, e, _ = found(state, 1080.0)
    assert (n, e) == (pytest.approx(-1.0, abs=0.5), pytest.approx(4.0, abs=0.5))
    true_over_told = 1.0 + field.sensor_mean[0] + field.sensor_mean[1] / 21.0
    assert true_over_told == pytest.approx(1.03, abs=0.01)
    assert field.sensor_mean[2] == pytest.approx(math.radians(3.0), abs=0.01)


def test_without_airspeed_turns_still_find_the_wind_with_wider_bounds() -> None:
    with_air = without = wind_state.start(CALM, Kernel(), 0.0)
    for i in range(8):
        heading = i * math.pi / 2
        with_air = leg(with_air, 90.0 * i, 90, heading, 22.0, (3.0, -2.0))
        without = leg(
            without, 90.0 * i, 90, heading, 22.0, (3.0, -2.0), told_tas=20.0, assumed=True
        )
    n, e, cov = found(without, 720.0)
    assert (n, e) == (pytest.approx(3.0, abs=0.4), pytest.approx(-2.0, abs=0.4))
    straight = leg(
        wind_state.start(CALM, Kernel(), 0.0), 0.0, 300, 0.0, 22.0, (3.0, -2.0), told_tas=20.0,
        assumed=True,
    )  # fmt: skip
    assert found(straight, 300.0)[2][0, 0] > 4.0 * cov[0, 0]
    assert np.trace(cov) > 0.99 * np.trace(found(with_air, 720.0)[2])


def test_the_forecast_counts_where_nothing_was_measured() -> None:
    state = wind_state.start(forecast(-4.0, 1.0), Kernel(), 0.0)
    n, e, sd = wind_state.solve(state, 0.0).mean_at(20e3, 0.0, 100.0, 1800.0)
    assert (n, e) == (pytest.approx(-4.0), pytest.approx(1.0))
    assert sd == pytest.approx(math.hypot(Kernel().bias_mps, Kernel().vary_mps), rel=1e-6)


def test_a_report_of_the_wind_counts_by_its_accuracy_and_not_when_it_contradicts() -> None:
    place = np.array([0.0, 0.0, 100.0, 0.0])
    state = wind_state.start(CALM, Kernel(), 0.0)
    for i in range(300):
        place[3] = float(i)
        state = wind.observe_report(state, place.copy(), 3.0, -4.0, 0.5)
    n, e, sd = wind_state.solve(state, 300.0).mean_at(0.0, 0.0, 100.0, 0.0)
    assert (n, e) == (pytest.approx(3.0, abs=0.8), pytest.approx(-4.0, abs=0.8))
    assert sd < 0.9
    known = leg(wind_state.start(CALM, Kernel(), 0.0), 0.0, 600, 0.0, 21.0, (2.0, 3.0))
    place[3] = 600.0
    odd = known
    for i in range(60):
        odd = wind.observe_report(odd, place + np.array([0, 0, 0, float(i)]), -9.0, -9.0, 0.5)
    assert odd.report_odd > 10
    assert odd.evidence == known.evidence


def test_a_knocked_compass_is_noticed_and_found_again() -> None:
    rng = np.random.default_rng(10)
    state = wind_state.start(CALM, Kernel(), 0.0)
    for i in range(4):
        state = leg(state, 120.0 * i, 120, i * math.pi / 2, 21.0, (1.0, 1.0), rng=rng)
    assert state.sensors_s == -math.inf
    for i in range(8):
        state = leg(
            state, 480.0 + 120.0 * i, 120, i * math.pi / 2, 21.0, (1.0, 1.0),
            offset=math.radians(25.0), rng=rng,
        )  # fmt: skip
        assert state.sensors_s > 480.0  # noticed within the first leg
    n, e, cov = found(state, 1440.0)
    assert math.hypot(n - 1.0, e - 1.0) < 3.0 * math.sqrt(np.trace(cov))
    offset = wind_state.solve(state, 1440.0).sensor_mean[2]
    assert offset == pytest.approx(math.radians(25.0), abs=0.06)


def test_memory_does_not_grow() -> None:
    state = wind_state.start(CALM, Kernel(), 0.0)
    for i in range(40):
        state = leg(state, 120.0 * i, 120, 0.3 * i, 21.0, (1.0, 1.0))
    assert len(state.evidence) == wind.MAX_NODES
    total = sum(e.seconds for e in state.evidence)
    assert total == pytest.approx(40 * 120, rel=0.01)


def told(
    state: wind_state.WindState, start_s: float, seconds: int, heading: float, tas: float,
    blow: tuple[float, float], rng: np.random.Generator, *, offset: float = 0.0,
    shown: float | None = None, by_power: float = math.nan,
) -> tuple[wind_state.WindState, list[float]]:  # fmt: skip
    """As ``leg``, in usual gusts, up to where the airspeed is refuted; and when that was."""
    for i in range(seconds):
        t = start_s + i
        gust = rng.normal(0.0, 0.3, 2)
        vn = tas * math.cos(heading) + blow[0] + gust[0]
        ve = tas * math.sin(heading) + blow[1] + gust[1]
        show = tas if shown is None else shown
        sample = wind_state.Sample(
            t, vn * i, ve * i, 100.0, vn, ve, 0.0, heading - offset, show, 1.0,
            power_mps=by_power,
        )  # fmt: skip
        state = wind.observe(state, sample)
        if state.refuted:
            return state, [t]
    return state, []


def legs_before(rng: np.random.Generator) -> wind_state.WindState:
    state = wind_state.start(CALM, Kernel(), 0.0)
    for i, heading in enumerate((0.0, 1.2, 0.0, -0.8, 0.0)):
        state, refuted = told(state, 120.0 * i, 120, heading, 21.0, (3.0, -2.0), rng, by_power=21.0)
        assert not refuted
    return state


def test_faster_over_ground_and_by_power_alike_refutes_the_airspeed() -> None:
    """The tube shows 21 m/s still; the aircraft flies 26, and draws the power of that."""
    rng = np.random.default_rng(5)
    state, refuted = told(
        legs_before(rng), 600.0, 200, 0.0, 26.0, (3.0, -2.0), rng, shown=21.0, by_power=25.5
    )
    assert len(refuted) == 1
    assert state.kernel.jumps == ()
    n, e, _ = found(state, refuted[0])
    assert (n, e) == (pytest.approx(3.0, abs=1.0), pytest.approx(-2.0, abs=1.0))


def test_faster_over_ground_at_the_same_power_is_a_change_of_wind() -> None:
    rng = np.random.default_rng(5)
    state, refuted = told(legs_before(rng), 600.0, 200, 0.0, 21.0, (8.0, -2.0), rng, by_power=21.0)
    assert not refuted
    assert state.kernel.jumps


def test_a_compass_that_was_off_all_along_is_found_by_a_turn() -> None:
    """20 degrees off from the start: with legs on two headings no wind explains it as well."""
    rng = np.random.default_rng(6)
    off = math.radians(20.0)
    state = wind_state.start(CALM, Kernel(), 0.0)
    state, _ = told(state, 0.0, 240, 0.0, 21.0, (3.0, -2.0), rng, offset=off)
    state, _ = told(state, 240.0, 300, 1.0, 21.0, (3.0, -2.0), rng, offset=off)
    assert state.kernel.jumps == ()
    field = wind_state.solve(state, 540.0)
    sd = math.sqrt(field.sensor_cov[2, 2])
    assert abs(field.sensor_mean[2] - off) < 3.0 * sd
    assert field.sensor_mean[2] > 0.5 * off


def test_a_tube_found_blocked_before_anything_was_learned() -> None:
    """The climb right after take-off may show it: there is no evidence yet, and it goes on."""
    bare = wind_state.start(CALM, Kernel(), 0.0)
    for state in (wind_sensors.without_airspeed(bare, 5.0), wind_sensors.new_sensors(bare, 5.0)):
        assert state.evidence == ()
        assert leg(state, 6.0, 60, 0.0, 21.0, (3.0, 0.0), assumed=True).evidence
    assert wind_sensors.another_compass(bare, 5.0) is None
