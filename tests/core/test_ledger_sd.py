"""The ledger's sigmas are those of its terms over the members. (For tests/core.)"""

from __future__ import annotations

import numpy as np
import pytest

from supervisor.core.forecast.forecaster import Forecaster
from tests.core.flights import flight
from tests.core.test_forecast import doubtful


def test_each_phase_carries_the_spread_of_its_members() -> None:
    run = Forecaster(flight(), members=256, points=8, explain=False).run(doubtful())
    forecast = run.summary()
    sd, ledger = dict(forecast.ledger_sd_wh), dict(forecast.ledger_wh)
    for name, parts in run.landings[0].parts_wh.items():
        assert sd[name] == pytest.approx(np.std(parts), rel=1e-5)
    # A normal spread has 3.29 sigma between its 5th and 95th percentile (from memory of tables).
    low, high = forecast.numbers.above_reserve_wh.p05, forecast.numbers.above_reserve_wh.p95
    assert sd["extra"] == pytest.approx((high - low) / 3.29, rel=0.15)
    assert set(sd) <= set(ledger)
