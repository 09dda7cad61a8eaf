"""``homeleg calibrate``: the builder's figures from flights."""

from __future__ import annotations

import time
from pathlib import Path

import click

from supervisor.errors import InputError
from supervisor.extras import need


@click.command(short_help="the builder's figures from one flight or many")
@click.argument("recordings", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.option("--flight", "flight_file", type=click.Path(path_type=Path), metavar="FLIGHT.toml",
              help="the figures to compare with [default: of the first recording]")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="the figures for machines")
@click.option("--html", type=click.Path(path_type=Path), metavar="FILE.html",
              help="write a page with residual plots")  # fmt: skip
@click.option("--write", type=click.Path(path_type=Path), metavar="FILE.toml",
              help="write the new figures as sections of a flight file")  # fmt: skip
@click.option("--learn", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="keep what each flight taught, for the next one's prior")  # fmt: skip
def command(
    recordings: tuple[Path, ...],
    flight_file: Path | None,
    as_json: bool,
    html: Path | None,
    write: Path | None,
    learn: Path | None,
) -> None:
    """Fit hover, polar, propulsion, airspeed, resistance and capacity, old against new.

    All recordings must be of one aircraft with one pack. Nothing is changed unless --write or
    --learn asks for it.
    """
    from supervisor.calibrate.figures import calibrate
    from supervisor.calibrate.text import render, to_json
    from supervisor.debrief.flown import read_flight
    from supervisor.debrief.readings import observations
    from supervisor.edge.recording import Recording
    from supervisor.flightfile import load_flight
    from supervisor.flightinside import TEXT, flight_inside

    if html is not None:
        need("--html", "report")
    opened = [Recording(path) for path in recordings]
    if flight_file is None:
        if not opened[0].metadata.get(TEXT):
            raise click.UsageError(f"{recordings[0]} carries no flight file; give one: --flight")
        flight = flight_inside(opened[0].metadata, str(recordings[0]))
    else:
        flight = load_flight(flight_file)
    flights = [read_flight(flight, observations(recording)) for recording in opened]
    for path, flown in zip(recordings, flights, strict=True):
        if flown.take_off_s != flown.take_off_s or len(flown.pack.t_s) < 60:
            raise InputError(str(path), "no flight with pack readings in it")
    found = calibrate(flight, flights)
    click.echo(to_json(found) if as_json else render(found))
    if html is not None:
        from supervisor.calibrate.html import to_html

        _write(html, to_html(found))
    if write is not None:
        from supervisor.calibrate.section import to_toml

        _write(write, to_toml(found))
    if learn is not None:
        from supervisor.learned import keep

        for flown in flights:
            keep(learn, flight, flown.lessons, time.time(), flown.pack.least_cell_v)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error.strerror}") from None
