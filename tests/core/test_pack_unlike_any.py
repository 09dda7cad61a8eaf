"""Voltages that no pack has: what is believed of it then, and that the pilot is told."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import pytest

from supervisor.core import cells
from supervisor.core.estimate import pack
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.events import PackReport
from tests.core.flights import cruise, flight
from tests.core.test_pack import amps_at

PACK = flight().pack
HOUR_S = 3600
WHERE = [pack.BELIEVED.index(i) for i in (pack.CHARGE, pack.CAPACITY)]
Told = Callable[[float, float], float]  # (charge, current) -> mean cell voltage told


class Found(NamedTuple):
    """The doubts that were; whether the voltage is refused at the end; energy left by the mean, and
    in truth, over nameplate."""

    doubts: set[str]
    refused: bool
    left: float
    true: float


def believed(told_v: Told) -> Found:
    """What is believed after an hour whose draw was counted rightly, beside these voltages."""
    estimator, doubts, charge = Estimator(flight()), set[str](), 1.0
    for obs in cruise(1.0, HOUR_S):
        if isinstance(obs, PackReport):
            amps = amps_at(int(obs.t_s))
            charge -= amps / 3600.0 / PACK.capacity_ah
            volts = told_v(charge, amps) + 1e-4 * (int(obs.t_s) % 7)
            obs = replace(obs, pack_v=12 * volts, cell_v=(volts,) * 12, current_a=amps)
        estimator.observe(obs)
        if isinstance(obs, PackReport):  # the last of each second's: now all of them were heard
            doubts.update(estimator.doubts(obs.t_s))
    belief = estimator.belief(float(HOUR_S))
    assert belief is not None
    mean, log_c = (float(belief.pack.mean[i]) for i in WHERE)
    left = float(cells.pack_energy_wh(PACK, mean, PACK.capacity_ah * math.exp(log_c)))
    true = float(cells.pack_energy_wh(PACK, charge, PACK.capacity_ah))
    return Found(doubts, belief.voltage_refused, left / PACK.nameplate_wh, true / PACK.nameplate_wh)


def ocv(charge: float) -> float:
    return float(cells.ocv_v(PACK.cell, charge))


@pytest.mark.parametrize("straight", [False, True], ids=["as at rest", "a straight line"])
@pytest.mark.parametrize("rise_ohm", [0.0, 0.01], ids=["no sag", "rising with the load"])
def test_a_voltage_that_does_not_sag_teaches_no_larger_pack(
    straight: bool, rise_ohm: float
) -> None:
    def told_v(charge: float, amps: float) -> float:
        at_rest = 4.15 - 0.85 * (1.0 - charge) if straight else ocv(charge)
        return at_rest + rise_ohm * amps / PACK.parallel

    doubts, refused, left, true = believed(told_v)
    print(f"left {left:.3f}, in truth {true:.3f}")
    assert left < true + 0.1
    assert "does not follow its current" in str(doubts)
    assert not refused


@pytest.mark.parametrize("series", [13, 14])
def test_more_cells_than_the_file_says_fill_no_pack(series: int) -> None:
    """Told as twelve: full they are above any pack, half empty they would pass for a full one."""

    def told_v(charge: float, amps: float) -> float:
        return series / 12 * (ocv(charge) - 0.02 * amps / PACK.parallel)

    doubts, refused, left, true = believed(told_v)
    print(f"left {left:.3f}, in truth {true:.3f}")
    assert left == pytest.approx(true, abs=0.05)
    assert "above a full pack's" in str(doubts)
    assert refused


def test_a_pack_like_any_is_not_doubted() -> None:
    def told_v(charge: float, amps: float) -> float:
        return ocv(charge) - 0.03 * amps / PACK.parallel

    doubts, refused, left, true = believed(told_v)
    assert left == pytest.approx(true, abs=0.05)
    assert not doubts
    assert not refused
