"""How often the truth lies in calibrate's 95 % intervals, by figure, over long simulated flights.

python tests/bench/calibration_coverage.py survey 25
python tests/bench/calibration_coverage.py estuary 25 2000     # turned back after 2000 s
"""

from __future__ import annotations

import math
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

from sim import scenario
from supervisor.calibrate.figures import calibrate
from supervisor.flightfile import load_flight

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))
from true_figures import fly_and_read, true_figure


def main(name: str, flights: int, turn_s: float) -> None:
    """Print a line a figure: bias, spread, stated sigma, how many inside."""
    truth = scenario.load(name)
    plan = load_flight(truth.flight_path)
    rows: dict[str, list[tuple[float, float, bool]]] = defaultdict(list)
    for seed in range(1, flights + 1):
        true_of = true_figure(truth, seed)
        for f in calibrate(plan, [fly_and_read(plan, truth, seed, turn_s)]).figures:
            true = true_of(f.name)
            if true is not None and not f.doubt:
                inside = f.low <= true <= f.high
                rows[f.name].append((f.new / true - 1.0, f.sd / f.new, inside))
    for figure, found in rows.items():
        off, sd, inside = np.array(found).T
        print(
            f"{figure:32} bias {100 * off.mean():+6.2f} %  spread {100 * off.std():5.2f} %  "
            f"stated {100 * sd.mean():5.2f} %  inside {int(inside.sum())}/{len(inside)}"
        )
    everything = [row[2] for found in rows.values() for row in found]
    print(f"all: {sum(everything)}/{len(everything)}")


if __name__ == "__main__":
    late = float(sys.argv[3]) if len(sys.argv) > 3 else math.inf
    main(sys.argv[1], int(sys.argv[2]), late)
