"""``homeleg budget``: before the flight."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

import click

from supervisor.errors import InputError
from supervisor.extras import need


@click.command("budget")
@click.argument("flight", type=click.Path(path_type=Path), required=False)
@click.option("--json", "as_json", is_flag=True, help="The whole answer for machines.")
@click.option("--html", type=click.Path(path_type=Path), help="Write a report to print (A4).")
@click.option("--geojson", type=click.Path(path_type=Path), help="Write route and footprint.")
@click.option("--from", "source", metavar="LINK", help="Take the route from the aircraft.")
@click.option(
    "--learned",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Start from what earlier flights taught (the daemon's storage folder).",
)
@click.option("--new", is_flag=True, help="Write a commented starting file to FLIGHT.")
@click.option(
    "--set",
    "answers",
    multiple=True,
    metavar="KEY=VALUE",
    help="With --new: answer a question without being asked (an unknown KEY lists them).",
)
def command(
    flight: Path | None,
    as_json: bool,
    html: Path | None,
    geojson: Path | None,
    source: str | None,
    learned: Path | None,
    new: bool,
    answers: tuple[str, ...],
) -> int:
    """Does the plan, with the way home, fit the pack in the forecast wind?

    Exit status: 0 go (also with conditions), 1 no-go, 2 the file is wrong.
    """
    if new:
        from supervisor.budget.starter import write_starter

        write_starter(flight, answers)
        return 0
    if flight is None:
        raise click.UsageError("give a flight file, or --new")
    if html is not None:
        need("--html", "report")
    budget = _budget(flight, source, learned)
    if as_json:
        from supervisor.budget.as_json import to_json

        click.echo(to_json(budget))
    else:
        from supervisor.budget.text import render

        click.echo(render(budget))
    if geojson is not None:
        from supervisor.budget.as_geojson import to_geojson

        _write(geojson, to_geojson(budget))
    if html is not None:
        from supervisor.budget.html import to_html

        _write(html, to_html(budget))
    from supervisor.budget.answer import Verdict

    return 1 if budget.verdict is Verdict.NO_GO else 0


def _budget(path: Path, source: str | None, learned: Path | None) -> Any:
    from supervisor.budget.compute import make_budget
    from supervisor.flightfile import load_file, to_flight

    route: tuple[dict[str, Any], ...] = ()
    if source is not None:
        from supervisor.budget.download import download_route
        from supervisor.edge.logs import configure

        configure("console", logging.WARNING)
        route = download_route(source, path)
    file = load_file(path, route)
    flight = to_flight(file, path.parent, str(path))
    if learned is None:
        return make_budget(file, flight)
    from supervisor.learned import prior_for

    return make_budget(file, flight, prior_for(learned, flight))


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error.strerror}") from None
