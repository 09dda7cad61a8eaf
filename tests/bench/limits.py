"""What each doubt costs: a look on the way out, its doubts taken away one at a time.

python tests/bench/limits.py CAMPAIGN_DIR  # a campaign's results.jsonl; one flight a scenario

Each line: by how much of T* the safe turn-back time would lie later without that doubt, at a look
at 0.6 of the alert's time. They do not add up: a quantile of a sum is less than the sum of
quantiles. ``all`` leaves the middle of the belief alone, and no gust to come.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from sim.campaign import stretch
from sim.harness import Harness
from sim.scenario import load
from supervisor.core.belief import Belief
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.members import USUAL, Unforeseen
from supervisor.core.plan import Flight
from supervisor.flightfile import load_flight

SHARE, SURE = 0.6, Unforeseen(0.0, 0.0)


@dataclass(frozen=True)
class KnownWind:
    """The believed wind, taken for true."""

    believed: Any

    def __getattr__(self, name: str) -> Any:
        return getattr(self.believed, name)

    def draw_air(self, *query: Any) -> tuple[Any, ...]:
        """Every member meets what is expected."""
        drawn = self.believed.draw_air(*query)
        return tuple(np.broadcast_to(d.mean(axis=0), d.shape).copy() for d in drawn)


def without(belief: Belief) -> dict[str, tuple[Belief, Unforeseen]]:
    """The belief without one doubt, by its name."""
    pack, power = belief.pack, belief.power
    calm = KnownWind(belief.wind)
    full = {"weak_v_sd": 0.0, "weak_r_sd": 0.0, "weak_capacity_sd": 0.0, "temperature_sd_c": 0.0}
    known = replace(pack, cov=1e-9 * pack.cov, **full)
    hover, wing, nothing = power.log_cov.copy(), power.log_cov.copy(), 0.0 * power.log_cov
    hover[0, :] = hover[:, 0] = 0.0
    for k in (1, 2, 3, 5):  # climb, cruise, descent and the cruise's slope over airspeed
        wing[k, :] = wing[:, k] = 0.0
    sure = replace(power, log_cov=nothing, mass_sd_kg=0.0, gust_w_sd=0.0)
    return {
        "wind": (replace(belief, wind=calm), USUAL),
        "pack": (replace(belief, pack=known), USUAL),
        "hover power": (replace(belief, power=replace(power, log_cov=hover)), USUAL),
        "wing power": (replace(belief, power=replace(power, log_cov=wing)), USUAL),
        "mass": (replace(belief, power=replace(power, mass_sd_kg=0.0)), USUAL),
        "gusts": (replace(belief, power=replace(power, gust_w_sd=0.0)), USUAL),
        "landing's length, airspeed": (belief, SURE),
        "all": (replace(belief, wind=calm, pack=known, power=sure), SURE),
    }


def safe_s(plan: Flight, belief: Belief, unforeseen: Unforeseen = USUAL) -> float:
    """Safe turn-back time of a forecast from ``belief`` [s]."""
    maker = Forecaster(plan, members=1000, points=30, explain=False, unforeseen=unforeseen)
    return maker.run(belief).summary().numbers.turn_back_safe_s


def look(record: dict[str, Any]) -> dict[str, float]:
    """Gain of each doubt's absence, as a share of T*."""
    scenario = load(record["scenario"])
    plan = replace(load_flight(scenario.flight_path), alternates=())
    scenario, plan = stretch(scenario, plan)
    harness = Harness(scenario, record["seed"], plan=plan, members=20, points=5)
    while not harness.flight.done and harness.flight.t_s < SHARE * record["alert_s"]:
        harness.step()
    belief = harness.belief()
    usual = safe_s(plan, belief)
    gains = {name: safe_s(plan, *changed) - usual for name, changed in without(belief).items()}
    return {name: gain / record["t_star_s"] for name, gain in gains.items()}


def main() -> None:
    """One flight of each scenario that has a T*."""
    flights: dict[str, dict[str, Any]] = {}
    for line in (Path(sys.argv[1]) / "results.jsonl").read_text().splitlines():
        record = json.loads(line)["record"]
        if record["stretched"] and math.isfinite(record["t_star_s"] or math.inf):
            flights.setdefault(record["scenario"], record)
    looks = []
    for name, record in sorted(flights.items()):
        looks.append(look(record))
        print(f"{name:24}", " ".join(f"{k} {100 * v:.1f}" for k, v in looks[-1].items()))
    print("\nmedian, 5th and 95th percentile over the flights [% of T*]")
    for name in looks[0]:
        share = [100 * row[name] for row in looks if math.isfinite(row[name])]
        low, middle, high = np.quantile(share, (0.05, 0.5, 0.95))
        print(f"{name:28}{middle:6.1f}{low:8.1f}{high:8.1f}")


if __name__ == "__main__":
    main()
