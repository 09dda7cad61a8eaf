"""Simulation-based calibration: a truth drawn from the prior must lie where the posterior says.

S. Talts and others, Validating Bayesian inference algorithms with simulation-based calibration
(2018; after S. Cook, A. Gelman, D. Rubin, 2006; both from memory): over truths drawn from the
prior, the share of a posterior's draws below the truth is uniform. So P5..P95 holds 90 % of them,
whatever the data taught. What is drawn is what the flight file leaves open: capacity, resistance,
charge and temperature of the pack, whether it has aged unsaid, how far its cells are from their
table, hover, cruise, mass, the gain of the current sensor, the errors of airspeed and compass, and
the wind. The gusts and the other sensors stay the simulator's.

The power filter's normalised innovations squared come out at 0.68 in hover, 1.04 in climb and 0.94
in cruise (200 flights).

HOMELEG_FLIGHTS sets how many flights (12 by default).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from scipy.stats import chi2

from supervisor.core.estimate import pack
from tests.reference.believed import (
    FLIGHTS,
    LOOKS_S,
    SCENARIOS,
    Record,
    aged_and_cold,
    as_expected,
    fly,
)

pytestmark = pytest.mark.slow


def flown() -> list[Record]:
    """The flights with the filter as it is now."""
    names = [SCENARIOS[i % len(SCENARIOS)] for i in range(FLIGHTS)]
    return [fly(name, 9000 + i, as_expected) for i, name in enumerate(names)]


@pytest.fixture(scope="module")
def records() -> list[Record]:
    return flown()


class Energy(NamedTuple):
    """Of the energy left: share of the looks inside P5..P95, mean of the error squared over the
    stated variance."""

    inside: float
    z2: float


def energy(records: list[Record]) -> Energy:
    looks = [k for r in records for k in r.looks if k.charge >= 0.2]
    rank = np.array([k.energy_rank for k in looks])
    below, above = float(np.mean(rank <= 0.05)), float(np.mean(rank >= 0.95))
    inside = float(np.mean((rank > 0.05) & (rank < 0.95)))
    z2 = float(np.mean([(k.energy_error / k.energy_sd) ** 2 for k in looks]))
    print(
        f"energy: {inside:.3f} inside, {below:.3f} below, {above:.3f} above; "
        f"rms {math.sqrt(z2):.2f} of the stated"
    )
    return Energy(inside, z2)


def test_the_energy_left_lies_where_it_is_said_to_as_often_as_said(records: list[Record]) -> None:
    """Over 200 flights 0.97 inside P5..P95, rms 0.83 of the stated. Looks of one flight hang
    together: counted as one.

    More than 0.9, since what the belief leaves to relaxations that are no exponentials, to a table
    whose error wanders with the hours, and to a sensor's mistimed readings is less here than it is
    in real packs. So too modest is allowed, down to half of what chance allows of the error
    squared.
    """
    found = energy(records)
    assert found.inside > 0.9 - 3.0 * math.sqrt(0.9 * 0.1 / len(records))
    assert found.z2 > 0.5 * chi2.ppf(0.0005, len(records)) / len(records)


# What the filter expects of real cells and monitors, and the simulator's do not do: relaxations
# that are no exponentials, voltage and current read at different moments, resistances and a
# table's error that wander with the hours.
REAL = {
    "FAST_ODD": 0.02, "SLOW_ODD": 0.02, "MISMATCH": 0.01, "RESISTANCE_WANDER": 0.01,
    "ERROR_TAU_S": 1e9,
}  # fmt: skip


@pytest.fixture(scope="module")
def simulated() -> list[Record]:
    """The same flights with a filter that expects nothing of real cells."""
    with pytest.MonkeyPatch.context() as patched:
        for name, value in REAL.items():
            patched.setattr(pack, name, value)
        return flown()


def test_without_what_real_cells_add_the_range_is_as_wide_as_it_must_be(
    simulated: list[Record],
) -> None:
    """From both sides. Over 60 flights 0.90 inside, rms 1.08 of the stated."""
    found = energy(simulated)
    low, high = chi2.ppf((0.0005, 0.9995), len(simulated)) / len(simulated)
    assert low < found.z2 < high
    assert abs(found.inside - 0.9) < 3.0 * math.sqrt(0.9 * 0.1 / len(simulated))


def test_the_wind_lies_where_it_is_said_to_as_often_as_said(records: list[Record]) -> None:
    """Normalised error squared, chi-square of 2 degrees a flight (Bar-Shalom's test; as in
    test_belief_flights.py), at each look.

    Over 200 flights 0.88, 0.80, 0.96 and 1.07 at 15, 25, 35 and 45 min (2.5 and 97.5 % of chance:
    0.87 and 1.14; the bounds asked for here, 0.05 % on either side: 0.78 and 1.25).
    """
    for index, t_s in enumerate(LOOKS_S):
        looks = [r.looks[index] for r in records if len(r.looks) > index]
        nees = [k.wind_nees for k in looks]
        low, high = chi2.ppf([0.0005, 0.9995], 2 * len(looks))
        print(f"wind as expected, {t_s / 60:.0f} min: mean NEES {np.mean(nees) / 2:.2f} of 1")
        assert low < sum(nees) < high


def test_an_aged_cold_pack_is_known_to_five_percent() -> None:
    """Of what a pack of this capacity holds new, rms, from 80 to 20 % charge."""
    names = [SCENARIOS[i % len(SCENARIOS)] for i in range(max(FLIGHTS // 3, 4))]
    flown = [fly(name, 9500 + i, aged_and_cold) for i, name in enumerate(names)]
    off = np.array([k.energy_error for r in flown for k in r.looks if 0.2 <= k.charge <= 0.8])
    rms = float(np.sqrt(np.mean(off**2)))
    print(f"energy of aged cold packs: rms {rms:.4f}, mean {off.mean():+.4f} of {len(off)} looks")
    assert rms < 0.05
