"""What doubts cost: less of them lets the turn come later."""

from __future__ import annotations

import pytest

from tests.bench.limits import look

pytestmark = pytest.mark.slow


def test_without_the_doubts_the_turn_comes_later() -> None:
    gains = look({"scenario": "beacons", "seed": 31000000, "alert_s": 2190.0, "t_star_s": 3289.0})
    assert gains["wind"] > 0.02
    assert gains["pack"] > 0.0
    assert gains["all"] > gains["wind"] + gains["pack"]
