"""The pack filter beside a sigma-point filter of the same model, made of filterpy's parts.

Ours takes the voltage by sigma points of the two directions in which it bends, and time by its
derivatives; the other takes everything by points of the whole state (S. Julier, J. Uhlmann 1997; R.
van der Merwe's points; filterpy). On the same reports, with the same noise, it must not know
better. The reports are those of tests/core/test_pack.py, whose packs are neither filter's own.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import MerweScaledSigmaPoints, UnscentedKalmanFilter

from supervisor.core.estimate import pack
from supervisor.core.estimate.kalman import decay
from supervisor.core.estimate.pack import CHARGE, STATES, PackSample, PackState
from tests.core.test_pack import CURVES, NAN, PACK, Truth, amps_at, energy_error, truth

CELL = PACK.cell


class SigmaPoints:
    """The equations of pack.py's head, to be asked point by point."""

    def __init__(self, first: PackState) -> None:
        points = MerweScaledSigmaPoints(STATES, alpha=0.3, beta=2.0, kappa=0.0)
        self.filter = UnscentedKalmanFilter(STATES, 1, 1.0, self._seen, self._moved, points)
        self.filter.x, self.filter.P = first.x.copy(), first.p.copy()
        self.before_a = 0.0

    def step(self, sample: PackSample, celsius: float) -> None:
        """One report, a second after the last."""
        self.hot = pack.resistance_factor(CELL, celsius)
        self.mean_a, self.now_a = sample.current_a, sample.now_a
        ukf, mean = self.filter, self.filter.x
        i_cell = sample.current_a * math.exp(mean[pack.GAIN]) / PACK.parallel
        hot = self.hot * math.exp(mean[pack.RESISTANCE])
        full_ah = PACK.capacity_ah * math.exp(mean[pack.CAPACITY])
        used = i_cell * PACK.parallel / 3600.0 / full_ah
        self.age = 1.0 / pack.ERROR_TAU_S + abs(used) / pack.ERROR_CHARGE
        ukf.Q = np.diag(
            pack._noise(
                1.0, used, i_cell, CELL, hot, False, self.age, abs(mean[pack.FAST]),
                abs(mean[pack.SLOW]),
            )
        )  # fmt: skip
        ukf.predict()
        r0 = CURVES.at(ukf.x[CHARGE])[1] * self.hot * math.exp(ukf.x[pack.RESISTANCE])
        drop = self.now_a * math.exp(ukf.x[pack.GAIN]) / PACK.parallel * r0
        blur = 0.5 * (self.now_a - self.before_a) / PACK.parallel * r0
        lasting = 2.0 * pack.MISMATCH_S
        ukf.R = pack.READING_SD_V**2 + (pack.MISMATCH * drop) ** 2 * lasting + blur * blur
        ukf.update(np.array([sample.voltage_v]))
        self.before_a = self.now_a

    def _moved(self, x: np.ndarray, dt_s: float) -> np.ndarray:
        charge, fast, slow, log_r, log_c, log_g, error, log_s = x
        i_cell = self.mean_a * math.exp(log_g) / PACK.parallel
        used = i_cell * PACK.parallel * dt_s / 3600.0 / (PACK.capacity_ah * math.exp(log_c))
        ohm = self.hot * math.exp(log_r)
        a1, a2 = decay(dt_s, CELL.tau1_s), decay(dt_s, CELL.tau2_s)
        return np.array([
            charge - used,
            a1 * fast + (1.0 - a1) * i_cell * CELL.r1_ohm * ohm,
            a2 * slow + (1.0 - a2) * i_cell * CELL.r2_ohm * ohm * math.exp(log_s),
            log_r, log_c, log_g, decay(self.age, 1.0) * error, log_s,
        ])  # fmt: skip

    def _seen(self, x: np.ndarray) -> np.ndarray:
        ocv, r0 = CURVES.at(x[CHARGE])
        i_cell = self.now_a * math.exp(x[pack.GAIN]) / PACK.parallel
        drop = i_cell * r0 * self.hot * math.exp(x[pack.RESISTANCE])
        return np.array([ocv - x[pack.FAST] - x[pack.SLOW] - drop + x[pack.ERROR]])


def both(true: Truth, seconds: int) -> list[tuple[float, float, float, float]]:
    """Every two minutes (energy error, its sigma) of the filter and of the other, in nameplates."""
    state = pack.start(PACK, 0.0, 20.0)
    other, rows, before = SigmaPoints(state), [], 0.6
    for t in range(1, seconds):
        told_v, told_a = true.step(amps_at(t), 1.0)
        sample = PackSample(float(t), told_v, (), 0.5 * (before + told_a), told_a, NAN)
        before = told_a
        other.step(sample, state.temperature_c)
        state = pack.observe(state, PACK, CURVES, sample, 15.0)
        if t % 120 == 0 and 0.2 <= true.charge <= 0.8:
            twin = state._replace(x=other.filter.x, p=other.filter.P)
            rows.append((*energy_error(state, true), *energy_error(twin, true)))
    return rows


@pytest.mark.slow
def test_it_tells_what_a_sigma_point_filter_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    """As near to the truth, apart by less than a quarter of a sigma, which is the same to 5 %.

    Over six packs: 1.42 % of nameplate, as the other; apart 0.18 sigma. With the voltage's
    derivative instead of points: 1.49 %, apart 0.24. Resistance is learned throughout here:
    Schmidt's considered state has no sigma-point twin.
    """
    monkeypatch.setattr(pack, "STEADY_SHARE", 0.0)
    rows = np.array([r for seed in range(6) for r in both(truth(seed), 5400)])
    mine, mine_sd, theirs, their_sd = rows.T
    apart = np.sqrt(np.mean(((mine - theirs) / mine_sd) ** 2))
    print(
        f"rms: ours {np.sqrt(np.mean(mine**2)):.4f}, sigma points {np.sqrt(np.mean(theirs**2)):.4f}"
        f" of nameplate; apart {apart:.3f} sigma; sigma {np.mean(mine_sd / their_sd):.3f} of theirs"
    )
    assert np.sqrt(np.mean(mine**2)) < 1.1 * np.sqrt(np.mean(theirs**2))
    assert apart < 0.25
    assert np.mean(mine_sd / their_sd) == pytest.approx(1.0, abs=0.05)
