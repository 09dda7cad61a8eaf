"""The calibration in a terminal of 100 columns, and as JSON."""

from __future__ import annotations

import json
import math
import textwrap
from dataclasses import asdict

import click

from supervisor.budget.text import WIDTH
from supervisor.calibrate.figures import Calibration, Figure
from supervisor.calibrate.pack import PRIOR_SD

ADVICE = (
    "Figures are for airspeeds as indicated, and hold for the weights that were flown. Powers on "
    "the wing are for smooth air; what gusts add is told apart, and grows with the wind's square. "
    "Check them before they replace yours; a new figure moves every budget."
)


def render(c: Calibration) -> str:
    """The whole page."""
    flights = "one flight" if c.flights == 1 else f"{c.flights} flights"
    head = click.style(f"{c.flight.aircraft.name}, pack {c.flight.pack.pack_id}", bold=True)
    lines = [f"{head}: figures from {flights}", ""]
    lines.append(f"  {'figure':36} {'old':>9} {'new':>9}   95 % interval")
    lines += [_line(f) for f in c.figures]
    doubts = [(f.name, f.doubt) for f in c.figures if f.doubt]
    if doubts:
        lines += ["", click.style("Not determined by these flights", bold=True)]
        lines += [f"  {name}: {doubt}" for name, doubt in doubts]
    lines += ["", *_outliers(c)]
    for words in (beside_debriefs(c), ADVICE):
        lines += ["", *textwrap.wrap(words, WIDTH)]
    return "\n".join(lines)


def beside_debriefs(c: Calibration) -> str:
    """Why the capacity here is not the mean of what the flights' debriefs say."""
    stated, freely = 100.0 * c.flight.pack.capacity_sd, 100.0 * PRIOR_SD["capacity"]
    return (
        f"A debrief's capacity is another estimate: its one flight's filter leans on the flight "
        f"file's figure (within {stated:.0f} %) and tells one sigma; here all readings are fitted "
        f"with that figure left open (within {freely:.0f} %), and the 95 % have the current "
        "sensor's gain and the cell table's own error in them."
    )


def _line(f: Figure) -> str:
    digits = digits_of(f)
    mark = "?" if f.doubt else "*" if not f.low <= f.old <= f.high else " "
    return (
        f"{mark} {f.name:36} {f.old:9.{digits}f} {f.new:9.{digits}f}   "
        f"{f.low:.{digits}f} .. {f.high:.{digits}f} {f.unit}"
    )


def digits_of(f: Figure) -> int:
    """Decimals that show about a tenth of the spread."""
    spread = max(f.sd, 1e-6 * abs(f.new), 1e-9)
    return min(max(1 - math.floor(math.log10(spread)), 0), 5)


def _outliers(c: Calibration) -> list[str]:
    weights = c.power.fit.weights
    odd = int((weights < 0.5).sum())
    told = f"{len(weights)} blocks of steady flight"
    if odd:
        told += f", {odd} of them outliers that count for less than half"
    return textwrap.wrap(f"{told}. * : the old figure lies outside the interval.", WIDTH)


def to_json(c: Calibration) -> str:
    """For machines: the figures with their intervals."""
    rows = [asdict(f) | {"low": f.low, "high": f.high} for f in c.figures]
    return json.dumps(
        {
            "schema_version": 1,
            "aircraft": c.flight.aircraft.aircraft_id,
            "pack_id": c.flight.pack.pack_id,
            "flights": c.flights,
            "blocks": len(c.power.fit.weights),
            "figures": rows,
        },
        indent=2,
    )
