"""The pack filter against packs that are built differently from its own model.

The truth here has three relaxations (2, 40 and 700 s) where the filter has two, resistances of its
own, sensor gain, offset and noise. Whole flights over MAVLink are in tests/reference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from supervisor.core import cells
from supervisor.core.estimate import pack
from supervisor.core.estimate.pack import CHARGE, PackSample, PackState
from tests.core.flights import NAN, flight

PACK = flight().pack
CURVES = pack.Curves(PACK.cell)
RELAX = ((2.0, 0.006), (40.0, 0.008), (700.0, 0.010))  # s, ohm


@dataclass
class Truth:
    """One true pack and its monitor."""

    capacity: float
    resistance: float
    gain: float
    offset_v: float
    charge: float
    rng: np.random.Generator
    v: np.ndarray = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        self.v = np.zeros(3)

    def step(self, amps: float, dt_s: float) -> tuple[float, float]:
        """(voltage, current) as told after ``dt_s`` at ``amps``."""
        self.charge -= amps * dt_s / 3600.0 / (PACK.capacity_ah * self.capacity)
        i = amps / PACK.parallel
        for k, (tau, ohm) in enumerate(RELAX):
            keep = math.exp(-dt_s / tau)
            self.v[k] = keep * self.v[k] + (1.0 - keep) * i * ohm * self.resistance
        drop = i * 0.020 * self.resistance
        volts = float(cells.ocv_v(PACK.cell, self.charge)) - float(self.v.sum()) - drop
        told = volts + self.offset_v + self.rng.normal(0.0, 0.003)
        return told, amps * self.gain + self.rng.normal(0.0, 0.1)

    def energy_wh(self) -> float:
        return float(cells.pack_energy_wh(PACK, self.charge, PACK.capacity_ah * self.capacity))


def truth(seed: int) -> Truth:
    rng = np.random.default_rng(seed)
    return Truth(
        capacity=math.exp(rng.normal(0.0, PACK.capacity_sd)),
        resistance=math.exp(rng.normal(0.0, 0.15)),
        gain=math.exp(rng.normal(0.0, 0.015)),
        offset_v=rng.normal(0.0, 0.003),
        charge=min(1.0, 1.0 - abs(rng.normal(0.0, 0.01))),
        rng=rng,
    )


def amps_at(t: int) -> float:
    """Rest, hover, cruise with lulls, one more hover half way."""
    if t < 30:
        return 0.6
    if t < 90 or 3000 <= t < 3060:
        return 36.0
    return 9.0 + 1.5 * math.sin(t / 37.0)


def fly(
    true: Truth, seconds: int, *, voltage: bool = True, current: bool = True
) -> tuple[PackState, list[tuple[float, float, float]]]:
    """The filter after a flight, and (charge, energy error share, sigma share) every 2 min."""
    state = pack.start(PACK, 0.0, 20.0)
    rows = []
    before = 0.6
    for t in range(1, seconds):
        amps = amps_at(t)
        told_v, told_a = true.step(amps, 1.0)
        now = told_a if current else amps * 1.08  # the power model's stand-in, 8 % off
        sample = PackSample(
            float(t), told_v if voltage else NAN, (), 0.5 * (before + now), now, NAN, not current
        )
        before = now
        state = pack.observe(state, PACK, CURVES, sample, 15.0)
        if t % 120 == 0:
            rows.append((true.charge, *energy_error(state, true)))
    return state, rows


def energy_error(state: PackState, true: Truth) -> tuple[float, float]:
    now = pack.weighed(state)
    x = np.random.default_rng(1).multivariate_normal(now.x, now.p, 300)
    capacity = PACK.capacity_ah * np.exp(x[:, pack.CAPACITY])
    energy = cells.pack_energy_wh(PACK, np.clip(x[:, CHARGE], 0, 1), capacity)
    off = float(np.median(energy)) - true.energy_wh()
    return off / PACK.nameplate_wh, float(np.std(energy)) / PACK.nameplate_wh


def test_energy_left_is_within_three_percent_and_the_bounds_hold() -> None:
    """Within 3 % of nameplate from 80 % to 20 % charge; rms and P5..P95 over 12 packs."""
    rows = [r for seed in range(12) for r in fly(truth(seed), 5400)[1] if 0.2 <= r[0] <= 0.8]
    off, sd = np.array([r[1] for r in rows]), np.array([r[2] for r in rows])
    assert np.sqrt(np.mean(off**2)) < 0.03
    inside = float(np.mean(np.abs(off) < 1.645 * sd))
    print(
        f"rms {np.sqrt(np.mean(off**2)):.4f}, stated {sd.mean():.4f}, inside P5..P95 {inside:.2f}"
    )
    assert inside > 0.80


@pytest.mark.parametrize(
    ("voltage", "current", "bound"), [(True, False, 0.06), (False, True, 0.07)]
)
def test_voltage_alone_or_current_alone_still_tell(
    voltage: bool, current: bool, bound: float
) -> None:
    both = fly(truth(3), 4000)[0]
    rows, spread = [], []
    for seed in range(6):
        state, told = fly(truth(seed), 4000, voltage=voltage, current=current)
        rows += [r for r in told if 0.2 <= r[0] <= 0.8]
        spread.append(state.p[CHARGE, CHARGE])
    off = np.array([r[1] for r in rows])
    assert np.sqrt(np.mean(off**2)) < bound
    assert np.mean(spread) > both.p[CHARGE, CHARGE]  # fewer sensors, wider bounds


@pytest.mark.parametrize("charge", [0.95, 0.6, 0.3])
def test_the_rest_voltage_overrules_the_flight_file(charge: float) -> None:
    """The file says full; the pack at rest says what its open-circuit voltage says."""
    state = pack.start(PACK, 0.0, 20.0)
    volts = float(cells.ocv_v(PACK.cell, charge))
    for t in range(1, 20):
        sample = PackSample(float(t), volts, (), 0.5, 0.5, NAN)
        state = pack.observe(state, PACK, CURVES, sample, 15.0)
    assert state.x[CHARGE] == pytest.approx(charge, abs=0.03)


def test_silence_drains_the_pack_and_widens_the_bounds() -> None:
    state, _ = fly(truth(5), 2000)
    later = state
    for t in range(2000, 2600):
        later = pack.predict(later, PACK, CURVES, float(t), 9.0, 15.0, stand_in=True)
    used = 9.0 * 600.0 / 3600.0 / PACK.capacity_ah
    assert state.x[CHARGE] - later.x[CHARGE] == pytest.approx(used, rel=0.1)
    spread = math.sqrt(later.p[CHARGE, CHARGE])
    assert spread > math.sqrt(state.p[CHARGE, CHARGE])
    # 8 % of what was used, for an error that lasts longer than the silence
    assert spread > 0.7 * pack.STAND_IN_SD * used


def test_a_step_in_two_halves_is_the_same_step() -> None:
    """The relaxations are advanced in closed form: exact for any step at constant current."""
    x = np.array([0.8, 0.01, 0.02, 0, 0, 0, 0.005, 0.2])
    state = pack.start(PACK, 0.0, 20.0)._replace(x=x)
    whole = pack.predict(state, PACK, CURVES, 10.0, 20.0, 20.0)
    half = pack.predict(state, PACK, CURVES, 5.0, 20.0, 20.0)
    halves = pack.predict(half, PACK, CURVES, 10.0, 20.0, 20.0)
    np.testing.assert_allclose(halves.x, whole.x, atol=2e-4)


def test_curves_are_the_tables() -> None:
    for z in (0.0, 0.013, 0.5, 0.777, 1.0):
        ocv, r0 = CURVES.at(z)
        assert ocv == pytest.approx(float(cells.ocv_v(PACK.cell, z)), abs=2e-3)
        assert r0 == pytest.approx(float(cells.r0_ohm(PACK.cell, z, 25.0)), abs=1e-4)


def test_the_pack_warms_by_its_own_loss() -> None:
    """Energy balance by hand: C dT = i^2 R dt over one second, no cooling."""
    cell = PACK.cell
    state = pack.start(replace(PACK, temperature_c=25.0), 0.0, 25.0)
    warm = pack.predict(state, PACK, CURVES, 1.0, 40.0, 25.0)
    r = float(cells.r0_ohm(cell, 1.0, 25.0)) + cell.r1_ohm + cell.r2_ohm
    rise = (40.0 / PACK.parallel) ** 2 * r / cell.heat_capacity_jpk
    assert warm.temperature_c - 25.0 == pytest.approx(rise, rel=0.02)
