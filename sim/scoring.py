"""From the records of many flights to the table: late rate, efficiency, coverage, rules, bounds.

Definitions (design of the campaign): an alert is *late* when it comes after T* less the pilot's
reaction time, or not at all although T* exists. *Efficiency* is the alert's time over T*. Flights
whose whole plan lands well have no T*; an alert in one of them is a *false alarm*. Flights in which
a sudden fault makes an early enough alert impossible (T* lies before the fault) are counted apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np


class Flown(Protocol):
    """What is needed of a record; see ``sim.campaign.Record``."""

    scenario: str
    t_star_s: float | None
    bound_s: float
    reaction_s: float
    nameplate_wh: float
    reserve_wh: float
    alert_s: float
    alerts: dict[str, float]
    checks: list[Any]
    series: list[list[float]]
    airborne_s: float
    fault_s: float
    swept: bool


Row = dict[str, Any]


def clopper_pearson(hits: int, count: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a rate (C. Clopper and E. Pearson, Biometrika 26, 1934), by bisection."""
    if count == 0:
        return 0.0, 1.0
    tail = 0.5 * (1.0 - level)
    low = 0.0 if hits == 0 else _bisect(lambda p: 1.0 - _binomial_cdf(hits - 1, count, p) - tail)
    high = 1.0 if hits == count else _bisect(lambda p: tail - _binomial_cdf(hits, count, p))
    return low, high


def _binomial_cdf(k: int, n: int, p: float) -> float:
    if p <= 0.0 or p >= 1.0:
        return 1.0 if p <= 0.0 else float(k >= n)
    log_p, log_q = math.log(p), math.log1p(-p)
    terms = (
        math.lgamma(n + 1)
        - math.lgamma(i + 1)
        - math.lgamma(n - i + 1)
        + i * log_p
        + (n - i) * log_q
        for i in range(k + 1)
    )
    return min(sum(math.exp(t) for t in terms), 1.0)


def _bisect(rising: Callable[[float], float]) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if rising(middle) > 0.0 else (middle, high)
    return 0.5 * (low + high)


def judged(records: Sequence[Flown]) -> list[Flown]:
    """Those with a T* that an alert could have met."""
    return [r for r in records if _finite(r.t_star_s) and not unavoidable(r)]


def unavoidable(record: Flown) -> bool:
    """T* lay before the fault that nobody could foresee."""
    star = record.t_star_s
    return star is not None and math.isfinite(star) and star < record.fault_s < math.inf


def _finite(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def rate_and_efficiency(alerts: Sequence[float], records: Sequence[Flown]) -> Row:
    """Late rate with its interval, and efficiency, of alert times against the records' T*."""
    stars = [float(r.t_star_s or 0.0) for r in records]
    late = sum(a > star - r.reaction_s for a, star, r in zip(alerts, stars, records, strict=True))
    used = [min(a, 2.0 * star) / star for a, star in zip(alerts, stars, strict=True)]
    low, high = clopper_pearson(late, len(records))
    return {
        "flights": len(records),
        "late": late,
        "late_rate": late / max(len(records), 1),
        "late_rate_interval": [low, high],
        "efficiency_p05": _quantile(used, 0.05),
        "efficiency_p50": _quantile(used, 0.50),
    }


def _quantile(values: Sequence[float], share: float) -> float | None:
    return float(np.quantile(values, share)) if len(values) else None


# --- simple rules ------------------------------------------------------------------------------

# A rule gives the time of its alert for one threshold. Rows of a series: t, monitor's charge,
# distance home [km], energy used [Wh], way flown [km].


def fixed_percentage(record: Flown, threshold: float) -> float:
    """Turn back at a fixed charge shown by the monitor (0..1)."""
    return _first(record, lambda row: row[1] <= threshold)


def distance_proportional(record: Flown, per_km: float) -> float:
    """Turn back when the charge shown is the final reserve plus so much a kilometre from home."""
    kept = record.reserve_wh / record.nameplate_wh
    return _first(record, lambda row: row[1] <= kept + per_km * row[2])


def average_consumption(record: Flown, factor: float) -> float:
    """Turn back when the average energy a kilometre so far, times the way home, times a safety
    factor, leaves no more than the final reserve of what the label promises."""

    def due(row: list[float]) -> bool:
        _, _, home_km, used_wh, way_km = row
        if way_km < 2.0:
            return False
        left = record.nameplate_wh - used_wh - record.reserve_wh
        return left <= factor * used_wh / way_km * home_km

    return _first(record, due)


def _first(record: Flown, due: Callable[[list[float]], bool]) -> float:
    return next((row[0] for row in record.series if due(row)), math.inf)


RULES: dict[str, tuple[Callable[[Flown, float], float], list[float]]] = {
    "fixed-percentage": (fixed_percentage, [round(0.20 + 0.01 * k, 2) for k in range(76)]),
    "distance-proportional": (
        distance_proportional,
        [round(0.002 * 1.04**k, 5) for k in range(90)],
    ),
    "average-consumption": (average_consumption, [round(0.5 * 1.03**k, 4) for k in range(100)]),
}


def rule_curve(name: str, records: Sequence[Flown]) -> list[Row]:
    """Late rate and efficiency of one rule over its thresholds."""
    rule, thresholds = RULES[name]
    return [
        {"threshold": x, **rate_and_efficiency([rule(r, x) for r in records], records)}
        for x in thresholds
    ]


def tuned(curve: Sequence[Row], late_rate: float) -> Row | None:
    """The threshold of greatest median efficiency that is late in at most ``late_rate``."""
    good = [row for row in curve if row["late_rate"] <= late_rate]
    return max(good, key=lambda row: row["efficiency_p50"] or 0.0, default=None)


# --- the table ---------------------------------------------------------------------------------


def coverage(records: Sequence[Flown]) -> dict[str, Row]:
    """How often P5..P95 held the truth, and how often the truth lay below and above.

    Looks made while a fault that nobody could foresee was still to come are counted apart.
    """
    rows: dict[str, list[Any]] = {}
    for record in records:
        for quantity, t_s, *figures in record.checks:
            unforeseen = t_s < record.fault_s < math.inf
            rows.setdefault(quantity, []).append((*figures, unforeseen))
    return {name: _covered(np.array(figures, dtype=float)) for name, figures in rows.items()}


def _covered(rows: Any) -> Row:
    apart = rows[:, 4] > 0.0
    return {
        **_inside(rows[~apart]),
        "before_a_fault": int(apart.sum()),
        "p05_p95_with_those": _inside(rows)["p05_p95"],
    }


def _inside(rows: Any) -> Row:
    if not len(rows):
        return {"count": 0, "p05_p95": None, "below": None, "above": None, "median_error": None}
    low, high, truth = rows[:, 0], rows[:, 2], rows[:, 3]
    inside = (truth >= low) & (truth <= high)
    error = truth - rows[:, 1]
    finite = error[np.isfinite(error)]
    return {
        "count": len(rows),
        "p05_p95": float(inside.mean()),
        "below": float((truth < low).mean()),
        "above": float((truth > high).mean()),
        "median_error": float(np.median(finite)) if len(finite) else None,
    }


def verification(alarms: Sequence[float]) -> Row:
    """Of the published requirement: alarm 2 to 3 minutes before the limit in 90 % of the runs.

    J. Hogge, B. Bole et al., Verification of a Remaining Flying Time Prediction System for Small
    Electric Aircraft, PHM 2015 (wording from memory). ``alarms``: seconds from alarm to limit.
    """
    good = sum(120.0 <= a <= 180.0 for a in alarms)
    low, high = clopper_pearson(good, len(alarms))
    return {
        "runs": len(alarms),
        "within": good / len(alarms) if alarms else None,
        "within_interval": [low, high],
        "not_too_late": sum(a >= 120.0 for a in alarms) / len(alarms) if alarms else None,
        "not_too_early": sum(a <= 180.0 for a in alarms) / len(alarms) if alarms else None,
    }


def table(records: Sequence[Flown], alarms: Sequence[float] = ()) -> Row:
    """Everything the campaign reports."""
    known = judged(records)
    ours = rate_and_efficiency([r.alert_s for r in known], known)
    hours = sum(r.airborne_s for r in records) / 3600.0
    whole = [r for r in records if r.t_star_s is not None and math.isinf(r.t_star_s)]
    false = sum(math.isfinite(r.alert_s) for r in whole)
    curves = {name: rule_curve(name, known) for name in RULES}
    aim = max(ours["late_rate"], 0.01)
    return {
        "flights": len(records),
        "with_t_star": len(known),
        "whole_plan_good": len(whole),
        "unavoidable": sum(unavoidable(r) for r in records),
        "never_good": sum(r.t_star_s is None for r in records),
        **{k: v for k, v in ours.items() if k != "flights"},
        "false_alarms_per_h": false / hours if hours else None,
        "hours": hours,
        "coverage_p05_p95": coverage(records),
        "baselines": {name: tuned(curve, aim) for name, curve in curves.items()},
        "baselines_at_5_percent": {name: tuned(curve, 0.05) for name, curve in curves.items()},
        "clairvoyant": _clairvoyant(known),
        "bound": _bound(known, whole),
        "operating_curve": _sweep(known),
        "verification_2_3_min": verification(alarms),
        "rule_curves": curves,
        "by_scenario": _by_scenario(records),
    }


def _clairvoyant(known: Sequence[Flown]) -> Row:
    """Knows T*, and leaves the pilot his reaction time."""
    return rate_and_efficiency([float(r.t_star_s or 0.0) - r.reaction_s for r in known], known)


def _bound(known: Sequence[Flown], whole: Sequence[Flown]) -> Row | None:
    """Perfect knowledge of the present, none of the gusts to come; and ours against it.

    It too must turn back from some plans that would have landed well: those are its false alarms.
    """
    some = [r for r in known if math.isfinite(r.bound_s)]
    if not some:
        return None
    theirs = rate_and_efficiency([r.bound_s - r.reaction_s for r in some], some)
    ratio = [r.alert_s / max(r.bound_s - r.reaction_s, 1.0) for r in some]
    theirs["ours_over_bound_p05"] = _quantile(ratio, 0.05)
    theirs["ours_over_bound_p50"] = _quantile(ratio, 0.50)
    weighed = [r for r in whole if not math.isnan(r.bound_s)]
    theirs["whole_plan_good"] = len(weighed)
    theirs["false_alarms"] = sum(math.isfinite(r.bound_s) for r in weighed)
    theirs["our_false_alarms"] = sum(math.isfinite(r.alert_s) for r in weighed)
    return theirs


def _sweep(known: Sequence[Flown]) -> list[Row]:
    known = [r for r in known if r.swept]
    names = sorted({name for r in known for name in r.alerts}, key=float)
    return [
        {
            "confidence": float(name),
            **rate_and_efficiency([r.alerts.get(name, math.inf) for r in known], known),
        }
        for name in names
    ]


def _by_scenario(records: Sequence[Flown]) -> dict[str, Row]:
    result: dict[str, Row] = {}
    for name in sorted({r.scenario for r in records}):
        mine = [r for r in records if r.scenario == name]
        known = judged(mine)
        row = rate_and_efficiency([r.alert_s for r in known], known) if known else {"flights": 0}
        result[name] = {"flown": len(mine), **row}
    return result
