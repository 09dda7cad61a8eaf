"""The noise of blocks, found from innovations; run lengths of the change detector."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from supervisor.core.estimate.kalman import Updated
from supervisor.core.estimate.power_noise import (
    ALLOWANCE,
    NOISE_GAIN,
    ROUGHER,
    THRESHOLD,
    Regime,
    cusum,
    expected_var,
    learned,
)


def squares(sds: np.ndarray, own_var: float, regime: Regime) -> tuple[np.ndarray, Regime]:
    """Normalised innovations squared of blocks with these deviations, before ``own_var`` of the
    state; each also teaches."""
    rng, nis = np.random.default_rng(21), []
    for sd in sds:
        r = expected_var(regime)
        innovation = math.hypot(sd, math.sqrt(own_var)) * rng.standard_normal()
        seen = Updated(np.zeros(1), np.zeros((1, 1)), innovation, r + own_var)
        nis.append(seen.nis)
        regime = learned(regime, seen, r, 0.01, 0.3)
    return np.array(nis), regime


@pytest.mark.parametrize("own_sd", [0.0, 0.05])
def test_a_steady_noise_is_found_and_its_doubt_is_students(own_sd: float) -> None:
    """Mean square of Student's t with 2 / g - 1 degrees (scipy.stats), over what is kept in hand
    for rougher air. 20,000 blocks: 1 % of a mean square is one sigma, three are allowed."""
    nis, regime = squares(np.full(20_000, 0.08), own_sd**2, Regime(0.06**2, 4.0))
    assert math.sqrt(regime.noise_var) == pytest.approx(0.08, rel=0.4)  # g of a variance: 16 %
    student = float(stats.t(2.0 / NOISE_GAIN - 1.0).var())
    assert student == pytest.approx(1.0 + NOISE_GAIN, rel=0.01)
    told = student / (1.0 + NOISE_GAIN + ROUGHER) if own_sd == 0.0 else 0.9
    assert float(np.mean(nis[50:])) == pytest.approx(told, rel=0.03 if own_sd == 0.0 else 0.1)


def test_rougher_air_is_learned_in_ten_minutes() -> None:
    """From 6 to 10 % at once: of the surprise (2.8) less than a third is left after 40 blocks."""
    firsts, lasts = [], []
    for seed in range(200):
        regime = Regime(0.06**2, blocks=100.0)
        rng = np.random.default_rng(seed)
        for k in range(45):
            r = expected_var(regime)
            seen = Updated(np.zeros(1), np.zeros((1, 1)), 0.10 * rng.standard_normal(), r)
            (firsts if k < 5 else lasts if k >= 40 else []).append(seen.nis)
            regime = learned(regime, seen, r, 0.01, 0.3)
    assert np.mean(firsts) > 1.8
    assert np.mean(lasts) < 1.2


def test_the_first_blocks_teach_most() -> None:
    """Twelve blocks bring a start of 6 % near a noise of 9 %, as a mean of their squares would."""
    found = [
        squares(
            0.09 * np.abs(np.random.default_rng(seed).standard_normal(12)), 0.0, Regime(0.0036, 4.0)
        )
        for seed in range(200)
    ]
    assert 0.065 < math.sqrt(np.mean([regime.noise_var for _, regime in found])) < 0.095


# --- sudden change -------------------------------------------------------------------------------


def run_length(shift: float, rng: np.random.Generator) -> int:
    up = down = 0.0
    for n in range(1, 400000):
        up, down = cusum(up, down, rng.standard_normal() + shift)
        if max(up, down) > THRESHOLD:
            return n
    return 400000


def siegmund(shift: float) -> float:
    """One-sided average run length: (exp(-2 D b) + 2 D b - 1) / (2 D^2), b = h + 1.166."""
    drift, b = shift - ALLOWANCE, THRESHOLD + 1.166
    return (math.exp(-2.0 * drift * b) + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)


@pytest.mark.parametrize("shift", [1.0, 1.5, 2.0, 3.0])
def test_the_delay_of_the_detector_is_siegmunds(shift: float) -> None:
    """Siegmund 1985, as in textbooks on quality control (formula from memory)."""
    rng = np.random.default_rng(11)
    mean = np.mean([run_length(shift, rng) for _ in range(400)])
    assert mean == pytest.approx(siegmund(shift), rel=0.12)


def test_false_alarms_of_the_detector_are_rare() -> None:
    """Two-sided: half of one side's. 27 % fewer than the formula would be odd at 20 runs."""
    assert siegmund(0.0) / 2.0 > 9000.0
    rng = np.random.default_rng(12)
    mean = np.mean([run_length(0.0, rng) for _ in range(8)])
    assert mean > 0.4 * siegmund(0.0) / 2.0


def test_false_alarms_on_innovations_as_flights_give_them() -> None:
    """Student's of 16 degrees (kurtosis 3.5), mean 0.05, mean square one: one in 15,000 by 4
    million draws; what flights give, a little odder still, is told beside the threshold."""
    rng, runs = np.random.default_rng(22), []
    for _ in range(16):
        up = down = 0.0
        for n in range(1, 400_000):  # noqa: B007
            z = 0.05 + rng.standard_t(16) * math.sqrt(14.0 / 16.0)
            up, down = cusum(up, down, z)
            if max(up, down) > THRESHOLD:
                break
        runs.append(n)
    # run lengths are exponential: the mean of 16 has a deviation of a quarter; 2.5 of these
    assert 0.37 < np.mean(runs) / 15_000 < 1.63
