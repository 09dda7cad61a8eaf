"""``homeleg debrief``: after the flight."""

from __future__ import annotations

from pathlib import Path

import click

from supervisor.errors import InputError
from supervisor.extras import need


@click.command(short_help="after the flight: planned against flown")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--flight", "flight_file", type=click.Path(path_type=Path), metavar="FLIGHT.toml",
              help="another flight file than the one in the recording")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="the whole answer for machines")
@click.option("--html", type=click.Path(path_type=Path), metavar="FILE.html",
              help="write a report to read and print (A4)")  # fmt: skip
def command(recording: Path, flight_file: Path | None, as_json: bool, html: Path | None) -> int:
    """What was planned, what was flown, and where the difference came from.

    Exit status: 0 landed with the final reserve, 1 not, 2 the recording or flight file is wrong.
    """
    from supervisor.debrief.compute import make_debrief
    from supervisor.edge.recording import Recording
    from supervisor.flightfile import load_flight
    from supervisor.flightinside import TEXT, flight_inside

    if html is not None:
        need("--html", "report")
    read = Recording(recording)
    if flight_file is None and not read.metadata.get(TEXT):
        raise click.UsageError(f"{recording} carries no flight file; give one with --flight")
    flight = (
        load_flight(flight_file) if flight_file else flight_inside(read.metadata, str(recording))
    )
    debrief = make_debrief(read, flight, str(recording))
    if as_json:
        from supervisor.debrief.as_json import to_json

        click.echo(to_json(debrief))
    else:
        from supervisor.debrief.text import render

        click.echo(render(debrief))
    if html is not None:
        from supervisor.debrief.html import to_html

        try:
            html.write_text(to_html(debrief), encoding="utf-8")
        except OSError as error:
            raise InputError(str(html), f"cannot be written: {error.strerror}") from None
    return 0 if debrief.above_reserve_wh >= 0.0 else 1
