"""How often the truth lies in calibrate's 95 % intervals, by figure, over simulated flights.

python tests/calibrate/intervals.py  # 100 flights each of two scenarios, an hour
python tests/calibrate/intervals.py survey 25
python tests/calibrate/intervals.py estuary 25 2000      # turned back after 2000 s

Truth: the simulator's own aircraft, pack and sensors (``true_figures.py``), whose physics is not
the calibration's. Figures that the flights do not determine, by the calibration's own word, are
left out.
"""

from __future__ import annotations

import math
import sys
from collections import defaultdict
from typing import NamedTuple

import numpy as np
from true_figures import fly_and_read, true_figure

from sim import scenario
from sim.scenario import Scenario
from supervisor.calibrate.figures import calibrate
from supervisor.flightfile import load_flight

# Two hours along parallel lines; and out and home along one line, in a wind that grows.
LONG = (("survey", 100, math.inf), ("estuary", 100, 2000.0))


class Case(NamedTuple):
    """One figure of one flight: told over true less one, sigma as a share, whether inside."""

    seed: int
    off: float
    sd: float
    inside: bool


def cases(truth: Scenario, flights: int, turn_s: float = math.inf) -> dict[str, list[Case]]:
    """Each flight calibrated alone; cases by figure."""
    plan = load_flight(truth.flight_path)
    found: dict[str, list[Case]] = defaultdict(list)
    for seed in range(1, flights + 1):
        true_of = true_figure(truth, seed)
        for f in calibrate(plan, [fly_and_read(plan, truth, seed, turn_s)]).figures:
            true = true_of(f.name)
            if true is not None and not f.doubt:
                inside = f.low <= true <= f.high
                # slow and fast power are told at each flight's own speeds
                name = f.name.split(" at ")[0]
                found[name].append(Case(seed, f.new / true - 1.0, f.sd / f.new, inside))
    return found


def told(found: dict[str, list[Case]]) -> str:
    """A line a figure: mean error, its spread, the stated sigma, how many inside."""
    lines = []
    for figure, rows in found.items():
        _, off, sd, inside = np.array(rows).T
        lines.append(
            f"{figure:32} bias {100 * off.mean():+6.2f} %  spread {100 * off.std():5.2f} %  "
            f"stated {100 * sd.mean():5.2f} %  inside {int(inside.sum())}/{len(inside)}"
        )
    return "\n".join(lines)


def main(name: str, flights: int, turn_s: float) -> None:
    """One scenario's table."""
    print(f"{name}, {flights} flights", told(cases(scenario.load(name), flights, turn_s)), sep="\n")


if __name__ == "__main__":
    asked = sys.argv[1:]
    if asked:
        main(asked[0], int(asked[1]), float(asked[2]) if len(asked) > 2 else math.inf)
    else:
        for one in LONG:
            main(*one)
