"""The two hypotheses against a filter for each of them, and against packs of which some have aged.

The packs are those of test_pack.py, which are not built as the filter thinks.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from supervisor.core.estimate import ageing, pack
from supervisor.core.estimate.ageing import AGED, AGED_COV, ALONG, ODDS, OPEN, Told
from supervisor.core.estimate.kalman import update
from supervisor.core.estimate.prior import PackPrior, next_pack
from tests.core.test_pack import CURVES, NAN, PACK, Truth, amps_at, energy_error, truth

AT = [1, 2, 3, 4]
TOLD = Told(np.array([0.0, -0.01, 0.0, 0.0]), np.diag(np.square([0.15, 0.02, 0.02, 0.4])), ODDS)
ROWS = np.array(
    [[0.9, -0.1, 0.0, 0.1, 0.0], [0.3, -0.2, 0.4, 0.0, -0.1], [0.1, 0.0, 1.0, 0.5, 0.0]]
)


def after(mean: np.ndarray, cov: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, ...]:
    """State, covariance and log-likelihood of three linear measurements; first state: a charge."""
    x = np.concatenate([[0.6], mean])
    p = np.zeros((5, 5))
    p[0, 0], p[1:, 1:] = 0.03**2, cov
    log = 0.0
    for h, z in zip(ROWS, seen, strict=True):
        done = update(x, p, float(z - h @ x), h, 0.02**2)
        log -= 0.5 * (done.nis + math.log(done.variance))
        x, p = done.x, done.p
    return x, p, np.array(log)


@pytest.mark.parametrize("seen", [(0.5, 0.15, 0.05), (0.55, 0.1, -0.1), (0.5, 0.05, -0.2)])
def test_one_wide_filter_tells_what_one_for_each_hypothesis_would(seen: tuple[float, ...]) -> None:
    """Exact where all is linear: the weight, the mean and the spread."""
    wide = after(TOLD.mean, TOLD.cov + OPEN, np.array(seen))
    found = ageing.weighed(wide[0], wide[1], TOLD, AT)
    x0, p0, log0 = after(TOLD.mean, TOLD.cov, np.array(seen))
    x1, p1, log1 = after(TOLD.mean + AGED * ALONG, TOLD.cov + AGED_COV, np.array(seen))
    odds = ODDS / (1.0 - ODDS) * math.exp(float(log1 - log0))
    aged = odds / (1.0 + odds)
    mean = (1.0 - aged) * x0 + aged * x1
    cov = (1.0 - aged) * (p0 + np.outer(x0 - mean, x0 - mean))
    cov += aged * (p1 + np.outer(x1 - mean, x1 - mean))
    assert found.aged == pytest.approx(aged, rel=1e-6)
    np.testing.assert_allclose(found.x, mean, atol=1e-9)
    np.testing.assert_allclose(found.p, cov, atol=1e-9)


def test_before_anything_is_seen_the_weight_is_the_odds() -> None:
    state = pack.start(PACK, 0.0, 20.0)
    first = pack.weighed(state)
    assert first.aged == pytest.approx(ODDS, rel=1e-6)
    told = math.log(PACK.resistance_scale) + ODDS * AGED
    assert first.x[pack.RESISTANCE] == pytest.approx(told, abs=1e-9)


Row = tuple[float, float, float, float]  # charge, energy error, its sigma, weight of aged


def flown(true: Truth, prior: PackPrior | None = None) -> tuple[pack.PackState, list[Row]]:
    """The filter after a flight; rows every two minutes."""
    state, before = pack.start(PACK, 0.0, 20.0, prior), 0.6
    rows = []
    for t in range(1, 5400):
        volts, now = true.step(amps_at(t), 1.0)
        sample = pack.PackSample(float(t), volts, (), 0.5 * (before + now), now, NAN)
        before = now
        state = pack.observe(state, PACK, CURVES, sample, 15.0)
        if t % 120 == 0 and 0.2 <= true.charge <= 0.8:
            rows.append((true.charge, *energy_error(state, true), pack.weighed(state).aged))
    return state, rows


def aged_pack(seed: int, capacity: float, resistance: float) -> Truth:
    """A pack of which the flight file does not know the age. New, these packs resist about 0.83 of
    the table's: ``resistance`` is over that."""
    new = truth(seed)
    return replace(
        new, capacity=capacity * new.capacity, resistance=resistance * new.resistance, v=np.zeros(3)
    )


@cache
def first_flight(seed: int, capacity: float, resistance: float) -> tuple[pack.PackState, list[Row]]:
    """Of a pack flown by what its flight file says."""
    return flown(aged_pack(seed, capacity, resistance))


def rms(rows: list[Row]) -> float:
    return math.sqrt(float(np.mean([r[1] ** 2 for r in rows])))


def test_unknown_age_is_found_and_is_in_the_spread_until_then() -> None:
    """A sixth of the capacity lost, half as stiff again as the table: below half charge within 6 %
    of nameplate, rms (measured: 4.4 %), and the truth in P5..P95 of at least 70 % of all looks
    (measured: 80 %)."""
    rows = [r for seed in range(6) for r in first_flight(seed, 0.83, 1.8)[1]]
    late = rms([r for r in rows if r[0] < 0.5])
    inside = float(np.mean([abs(r[1]) < 1.645 * r[2] for r in rows]))
    print(f"aged, not told: rms {late:.4f} below half charge, inside P5..P95 {inside:.2f}")
    assert late < 0.06
    assert inside > 0.7


def test_ampere_hours_tell_the_aged_from_the_stiff() -> None:
    """Packs of nearly the same resistance, of which one kind has lost nothing: that one is not
    taken for smaller."""
    stiff = [first_flight(seed, 1.0, 1.6)[1] for seed in range(6)]
    old = [first_flight(seed, 0.83, 1.8)[1] for seed in range(6)]
    late = rms([r for rows in stiff for r in rows if r[0] < 0.5])
    taken = float(np.mean([rows[-1][3] for rows in stiff]))
    found = float(np.mean([rows[-1][3] for rows in old]))
    print(f"stiff: rms {late:.4f} below half charge; aged at 20 %: {taken:.2f}, of old {found:.2f}")
    assert late < 0.03
    assert taken < 0.4
    assert found > 0.75


def test_what_age_took_is_not_taken_twice() -> None:
    """What the first flight of an aged pack taught is where the second starts."""
    for seed in range(3):
        first, _ = first_flight(seed, 0.83, 1.8)
        again = flown(aged_pack(seed, 0.83, 1.8), prior=next_pack(pack.posterior(first)))[1]
        print(f"flown again: rms {rms(again):.4f}, aged since {max(r[3] for r in again):.4f}")
        assert rms(again) < 0.03
        assert max(r[3] for r in again) < 0.01


@pytest.mark.parametrize("hours", [0.0, 10.0, 100.0])
def test_a_long_silence_leaves_a_belief(hours: float) -> None:
    """What wanders meanwhile may come to be less sure than the prior was."""
    state = pack.start(PACK, 0.0, 20.0)
    wander = [pack.RESISTANCE_WANDER, pack.CAPACITY_WANDER, pack.GAIN_WANDER, 0.06]
    p = state.p.copy()
    p[pack.LEARNED, pack.LEARNED] += np.square(wander) * hours
    found = ageing.weighed(state.x, p, state.told, pack.LEARNED)
    assert np.linalg.eigvalsh(found.p).min() > 0.0
    assert 0.0 < found.aged < 0.2
    assert np.isfinite(found.x).all()
