"""Is the belief as sure as it may be? Simulated flights over MAVLink frames, truth beside belief.

Bar-Shalom's tests (Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and
Navigation, ch. 5; from memory): over N independent flights the sum of the normalised estimation
errors squared at one moment is chi-square with N times the dimension of the error as its degrees.
Above the upper bound the belief is too sure of itself. Below the lower one it is too modest: we
allow that down to a third, since sensors and packs here are better than what we expect of any
(truths as wide as what is expected: test_belief_calibrated.py).

HOMELEG_FLIGHTS sets how many flights (12 by default); the figures of 200 are in the text of each
test.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from supervisor.core.estimate.power_blocks import CLIMB, CRUISE, HOVER
from tests.reference.believed import FLIGHTS, LOOKS_S, SCENARIOS, Record, fly

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def records() -> list[Record]:
    return [fly(SCENARIOS[i % len(SCENARIOS)], 1000 + i) for i in range(FLIGHTS)]


def bounds(degrees: int) -> tuple[float, float]:
    """97.5 % above; a third of the 2.5 % below: see the module's text."""
    return float(chi2.ppf(0.025, degrees)) / 3.0, float(chi2.ppf(0.975, degrees))


@pytest.mark.parametrize("index", range(len(LOOKS_S)), ids=[f"{t / 60:.0f}min" for t in LOOKS_S])
def test_the_wind_is_as_sure_as_it_may_be(records: list[Record], index: int) -> None:
    looks = [r.looks[index] for r in records]
    nees = [k.wind_nees for k in looks]
    low, high = bounds(2 * len(looks))
    print(f"wind: mean NEES {np.mean(nees) / 2:.2f} of 1 over {len(looks)} flights")
    assert low < sum(nees) < high


def test_the_wind_along_the_track_after_ten_minutes_with_a_turn(records: list[Record]) -> None:
    """At most 0.8 m/s, 1 sigma."""
    along = [
        k.wind_error @ np.array([math.cos(k.track_rad), math.sin(k.track_rad)])
        for r in records
        for k in r.looks
    ]
    rms = float(np.sqrt(np.mean(np.square(along))))
    print(f"wind along the track: rms {rms:.2f} m/s over {len(along)} looks")
    assert rms < 0.8


def test_the_energy_left_is_within_three_percent_and_its_bounds_hold(records: list[Record]) -> None:
    """3 % of nameplate (rms); the truth lies in P5..P95 in at least 86 % of the looks."""
    looks = [k for r in records for k in r.looks if k.charge >= 0.2]
    off = np.array([k.energy_error for k in looks])
    inside = float(np.mean([0.05 < k.energy_rank < 0.95 for k in looks]))
    spread = float(np.mean([k.energy_sd for k in looks]))
    rms = float(np.sqrt(np.mean(off**2)))
    print(
        f"energy: rms {rms:.4f}, mean {off.mean():+.4f}, stated {spread:.4f}, inside {inside:.2f}"
    )
    assert rms < 0.03
    assert inside > 0.86


def test_cruise_power_is_within_two_percent(records: list[Record]) -> None:
    """Expected against mean power in cruise as the monitor reads it; rms over the flights.

    Against the true power the current sensor's own gain comes on top, of which a flight teaches
    little (drawn evenly from -2 to 2 %, 1.2 % rms). Over 200 flights: 1.6 % as read, 2.0 % true, of
    which 0.7 % is a bias to the safe side.
    """
    read = np.array([r.read_error for r in records])
    off = np.array([r.cruise_error for r in records])
    print(
        f"cruise power: as read rms {np.sqrt(np.mean(read**2)):.4f}, mean {read.mean():+.4f}; "
        f"true rms {np.sqrt(np.mean(off**2)):.4f}, mean {off.mean():+.4f}"
    )
    assert np.sqrt(np.mean(read**2)) < 0.02
    assert np.sqrt(np.mean(off**2)) < 0.025


def test_innovations_of_the_power_filter_are_white(records: list[Record]) -> None:
    """Autocorrelation at one block, all flights together: within 3 / sqrt(n)."""
    products, squares, count = 0.0, 0.0, 0
    for r in records:
        nu = np.array(r.innovations)
        products += float(nu[1:] @ nu[:-1])
        squares += float(nu @ nu)
        count += len(nu)
    rho = products / squares
    print(f"power: lag-1 correlation {rho:+.3f} over {count} blocks")
    assert abs(rho) < 3.0 / math.sqrt(count)


# A block's noise is not quite normal and the air of these four scenarios not quite that of others:
# a tenth beside what chance allows (chi-square, 0.5 % tails).
ALLOWED = 0.1


@pytest.mark.parametrize("regime", [CRUISE, CLIMB, HOVER], ids=["cruise", "climb", "hover"])
def test_the_power_filters_noise_is_what_it_says(records: list[Record], regime: int) -> None:
    """Mean normalised innovation squared by regime; 200 flights would tell it to 3 % in cruise.

    Over 200 flights 1.04, 1.02 and 0.27. Cruise, whose noise is learned in flight, is held from
    both sides. A flight has one climb and one block or two of its take-off, in which the builder's
    trust counts most: from above.
    """
    nis = np.array([
        nu * nu
        for r in records
        for nu, of in zip(r.innovations, r.regimes, strict=True)
        if of == regime
    ])  # fmt: skip
    low, high = chi2.ppf((0.005, 0.995), len(nis)) / len(nis)
    print(f"power: mean NIS {np.mean(nis):.2f} over {len(nis)} blocks of one regime")
    assert np.mean(nis) < high + ALLOWED
    if regime == CRUISE:
        assert np.mean(nis) > low - ALLOWED


def test_phases_are_those_flown(records: list[Record]) -> None:
    share = float(np.mean([s for r in records for s in r.same_phase]))
    print(f"phase: right {share:.3f} of the time")
    assert share > 0.85
