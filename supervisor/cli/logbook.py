"""``homeleg logbook``: packs over their flights, and the next sortie."""

from __future__ import annotations

import json
import math
import textwrap
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from supervisor.cli.ranges import Decimal
from supervisor.errors import InputError

if TYPE_CHECKING:
    from supervisor.core.plan import Flight
    from supervisor.learned import PackLearned
    from supervisor.logbook import Health, Next, Trend


@click.command(short_help="packs over their flights: fit, derate, retire; is the next sortie on?")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--pack", "pack_id", metavar="ID", help="one pack, with every flight")
@click.option("--next", "flight_file", type=click.Path(path_type=Path), metavar="FLIGHT.toml",
              help="is this sortie on? (exit status 1: no)")  # fmt: skip
@click.option("--charge", type=Decimal(1.0, 100.0), default=100.0, show_default=True,
              help="with --next: charge in percent")  # fmt: skip
@click.option("--temperature", type=Decimal(-30.0, 70.0),
              help="with --next: the pack's, in °C [default: the flight file's]")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="for machines")
def command(
    folder: Path,
    pack_id: str | None,
    flight_file: Path | None,
    charge: float,
    temperature: float | None,
    as_json: bool,
) -> int:
    """Read the pack files in FOLDER, where flights leave what they learned.

    Homeleg advises: a pack that is swollen, hot or damaged is not flown, whatever stands here.
    """
    if flight_file is not None:
        return _next(folder, flight_file, charge / 100.0, temperature, as_json)
    from supervisor.learned import load_pack
    from supervisor.logbook import health

    names = [pack_id] if pack_id else sorted(p.stem[5:] for p in folder.glob("pack-*.json"))
    packs = [kept for name in names if (kept := load_pack(folder, name)) and kept.logbook]
    if not packs:
        raise InputError(str(folder), f"no logbook of {pack_id}" if pack_id else "no pack files")
    if as_json:
        click.echo(json.dumps([_plain(health(p)) for p in packs], indent=2))
        return 0
    for kept in packs:
        click.echo(_about(health(kept)))
        if pack_id:
            click.echo(_flights(kept))
    return 0


def _plain(h: Health) -> dict[str, object]:
    data = asdict(h) | {"state": h.state.value}
    if math.isinf(h.cycles_left):
        data["cycles_left"] = None
    for name in ("capacity_trend", "resistance_trend"):
        if math.isnan(data[name]["per_cycle"]):
            data[name] = None
    return data


COLOURS = {"fit": "green", "derate": "yellow", "retire": "red"}


def _about(h: Health) -> str:
    word = click.style(h.state.value.upper(), fg=COLOURS[h.state.value], bold=True)
    flights = "1 flight" if h.flights == 1 else f"{h.flights} flights"
    lines = [
        f"{click.style(h.pack_id, bold=True)}  {word}  {flights}, {h.cycles:.1f} full "
        f"cycles, {h.capacity_ah:.2f} ± {h.capacity_sd_ah:.2f} Ah "
        f"({100 * h.capacity_share:.0f} % of its first)",
        f"    capacity {_slope(h.capacity_trend)}, resistance {_slope(h.resistance_trend)}",
    ]
    if math.isfinite(h.cycles_left):
        lines.append(f"    about {h.cycles_left:.0f} cycles to 80 % at this pace")
    lines.append(f"    last flight: {_last(h)}")
    lines += [f"    {reason}" for reason in h.reasons]
    if h.state.value == "derate" and len(h.reasons) > h.sagged:  # aged, too
        lines.append(f"    put capacity_ah = {h.capacity_ah:.2f} into its flight files")
    return "\n".join(lines)


def _last(h: Health) -> str:
    """What the last flight did to the pack."""
    words = f"{h.used_ah:.1f} Ah used, {100 * h.rest_charge:.0f} % left"
    if h.lowest_cell_v is None:
        return f"{words}, cells not told"
    wanted = f" ({h.min_cell_v:g} V wanted)" if h.min_cell_v is not None else ""
    return f"{words}, lowest cell {h.lowest_cell_v:.2f} V{wanted}"


def _slope(t: Trend) -> str:
    if t.per_cycle != t.per_cycle:
        return "trend not known yet"
    return f"{1000 * t.per_cycle:+.1f} ± {1000 * t.sd:.1f} % in 10 cycles"


def _flights(kept: PackLearned) -> str:
    from supervisor.logbook import cycles_of

    lines = ["    date         cycles   min   used Ah  left %  capacity Ah    resistance     °C"]
    for row, cycles in zip(kept.logbook, cycles_of(kept), strict=True):
        day = datetime.fromtimestamp(row.unix_s, UTC).date().isoformat()
        lines.append(
            f"    {day} {cycles:8.1f} {row.airborne_s / 60:5.0f} {row.used_ah:9.2f} "
            f"{100 * row.rest_charge:7.0f} {row.capacity_ah:7.2f} ± {row.capacity_sd_ah:.2f} "
            f"{row.resistance:7.2f} ± {row.resistance_sd:.2f} {row.temperature_c:6.0f}"
        )
    return "\n".join(lines)


def _next(
    folder: Path, flight_file: Path, charge: float, temperature: float | None, as_json: bool
) -> int:
    from supervisor.budget.answer import Verdict
    from supervisor.budget.compute import make_budget
    from supervisor.budget.text import safe_words
    from supervisor.flightfile import load_file, to_flight
    from supervisor.learned import load_pack, prior_for
    from supervisor.logbook import Judged, health, next_sortie

    file = load_file(flight_file)
    flight = to_flight(file, flight_file.parent, str(flight_file))
    prior = prior_for(folder, flight)

    def judge(planned: Flight) -> Judged:
        budget = make_budget(file, planned, prior)
        go = budget.verdict is not Verdict.NO_GO
        against = () if go else budget.reasons
        chance = budget.chances.completion
        return Judged(
            go, budget.verdict.value, chance, safe_words(budget), budget.conditions, against
        )

    pack_c = flight.pack.temperature_c if temperature is None else temperature
    answer = next_sortie(flight, charge, pack_c, judge)
    kept = load_pack(folder, flight.pack.pack_id)
    if as_json:
        data = asdict(answer)
        if math.isnan(answer.least_charge):
            data["least_charge"] = None
        click.echo(json.dumps(data, indent=2))
    else:
        click.echo(_sentence(flight, charge, pack_c, answer))
        if kept and kept.logbook:
            click.echo(_about(health(kept)))
    return 0 if answer.go else 1


def _sentence(flight: Flight, charge: float, pack_c: float, n: Next) -> str:
    """The answer, and under it, in the budget's own words, on what it hangs."""
    from supervisor.budget.judge import percent
    from supervisor.budget.text import WIDTH

    text, colour = ("ON", "green") if n.go else ("NOT ON", "red")
    text, colour = ("ON, WITH CONDITIONS", "yellow") if n.conditions else (text, colour)
    lines = [
        f"{flight.name}: {click.style(text, fg=colour, bold=True)}: {100 * charge:.0f} % in "
        f"{flight.pack.pack_id} at {pack_c:.0f} °C, whole plan {percent(n.completion)}"
    ]
    if n.go:
        sure = f"at {100 * flight.policy.confidence:g} %, reaction kept"
        lines.append(f"    turn back by ({sure}): {n.turn_back}")
    for words in (*n.conditions, *n.against):
        lines += textwrap.wrap(words, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    if not n.go:
        least = n.least_charge
        known = least == least
        full = "It is not even with a full pack."
        lines.append(f"    It would be on from {100 * least:.0f} % on." if known else f"    {full}")
    return "\n".join([*lines, *(f"    {words}" for words in n.cautions)])
