"""The campaign's arithmetic, on records made by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import pytest

from sim.scoring import (
    average_consumption,
    clopper_pearson,
    distance_proportional,
    fixed_percentage,
    judged,
    rate_and_efficiency,
    table,
    tuned,
    verification,
)


@dataclass
class Hand:
    """A record with only what scoring reads."""

    scenario: str = "made-up"
    t_star_s: float | None = 1000.0
    bound_s: float = math.nan
    reaction_s: float = 30.0
    nameplate_wh: float = 800.0
    reserve_wh: float = 80.0
    alert_s: float = 900.0
    alerts: dict[str, float] = field(default_factory=dict)
    checks: list[Any] = field(default_factory=list)
    series: list[list[float]] = field(default_factory=list)
    airborne_s: float = 1800.0
    fault_s: float = math.inf
    swept: bool = True


# All n pass: the one-sided 95 % bound is the lower end of the two-sided 90 % interval. Own list of
# the exact values: 20/20 0.861, 29/29 0.902, 59/59 0.950, 299/299 0.990.
@pytest.mark.parametrize(("n", "bound"), [(20, 0.861), (29, 0.902), (59, 0.950), (299, 0.990)])
def test_clopper_pearson_when_all_pass(n: int, bound: float) -> None:
    low, high = clopper_pearson(n, n, level=0.90)
    assert low == pytest.approx(bound, abs=5e-4)
    assert high == 1.0


def test_clopper_pearson_against_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    for hits, count in ((0, 50), (1, 100), (7, 60), (59, 60)):
        exact = stats.binomtest(hits, count).proportion_ci(0.95, method="exact")
        low, high = clopper_pearson(hits, count)
        assert low == pytest.approx(exact.low, abs=1e-9)
        assert high == pytest.approx(exact.high, abs=1e-9)


def test_late_is_after_t_star_less_the_reaction_or_never() -> None:
    records = [Hand(), Hand(), Hand(), Hand()]
    row = rate_and_efficiency([960.0, 980.0, math.inf, 500.0], records)
    assert row["late"] == 2
    assert row["late_rate"] == 0.5
    assert row["efficiency_p50"] == pytest.approx((0.96 + 0.98) / 2)


def test_flights_that_nobody_could_judge_are_left_out() -> None:
    after = Hand(t_star_s=1000.0, fault_s=1200.0)  # T* knows a fault that is still to come
    whole, never, plain = Hand(t_star_s=math.inf), Hand(t_star_s=None), Hand()
    assert judged([after, whole, never, plain]) == [plain]


def test_an_alert_in_a_flight_that_fits_is_false() -> None:
    records = [Hand(t_star_s=math.inf, alert_s=100.0), Hand(t_star_s=math.inf, alert_s=math.inf)]
    assert table([*records, Hand()])["false_alarms_per_h"] == pytest.approx(1 / 1.5)


ROWS = [
    [0, 1.0, 0, 0, 0],
    [600, 0.8, 12, 160, 12],
    [1200, 0.6, 24, 320, 24],
    [1800, 0.4, 36, 480, 36],
]


def test_the_simple_rules() -> None:
    record = Hand(series=[[float(x) for x in row] for row in ROWS])
    assert fixed_percentage(record, 0.6) == 1200.0
    # Kept 10 %, 1.5 % a kilometre: 0.1 + 0.36 < 0.6 at 24 km, 0.1 + 0.54 >= 0.4 at 36 km.
    assert distance_proportional(record, 0.015) == 1800.0
    # 13.3 Wh/km: at 24 km 400 Wh are left above the reserve and 320 needed; at 36 km 240 and 480.
    assert average_consumption(record, 1.0) == 1800.0
    assert average_consumption(record, 1.3) == 1200.0
    assert math.isinf(fixed_percentage(record, 0.1))


def test_a_rule_is_tuned_to_a_late_rate() -> None:
    curve = [
        {"late_rate": 0.0, "efficiency_p50": 0.3, "threshold": 1},
        {"late_rate": 0.04, "efficiency_p50": 0.5, "threshold": 2},
        {"late_rate": 0.2, "efficiency_p50": 0.9, "threshold": 3},
    ]
    best = tuned(curve, 0.05)
    assert best is not None
    assert best["threshold"] == 2
    assert tuned(curve, -1.0) is None


def test_coverage_counts_both_sides() -> None:
    checks = [("e", 600.0, 0.0, 5.0, 10.0, x) for x in (-1.0, 4.0, 6.0, 11.0)]
    row = table([Hand(checks=checks)])["coverage_p05_p95"]["e"]
    assert (row["p05_p95"], row["below"], row["above"], row["median_error"]) == (0.5, 0.25, 0.25, 0)
    assert (row["before_a_fault"], row["p05_p95_with_those"]) == (0, 0.5)


def test_looks_before_a_fault_that_nobody_could_foresee_are_counted_apart() -> None:
    checks = [("e", 600.0, 0.0, 5.0, 10.0, -1.0), ("e", 900.0, 0.0, 5.0, 10.0, 6.0)]
    row = table([Hand(checks=checks, fault_s=700.0)])["coverage_p05_p95"]["e"]
    assert (row["count"], row["p05_p95"]) == (1, 1.0)
    assert (row["before_a_fault"], row["p05_p95_with_those"]) == (1, 0.5)
    row = table([Hand(checks=checks[:1], fault_s=700.0)])["coverage_p05_p95"]["e"]
    assert (row["count"], row["p05_p95"]) == (0, None)


def test_verification_window() -> None:
    row = verification([119.0, 120.0, 150.0, 180.0, 181.0])
    assert row["within"] == pytest.approx(0.6)
    assert row["not_too_late"] == row["not_too_early"] == pytest.approx(0.8)
