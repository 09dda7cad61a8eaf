"""``homeleg replay``: a recording through the same core, fast; the same advisories come out."""

from __future__ import annotations

from pathlib import Path

import click

from supervisor.daemonfile import ForecastSection


@click.command(short_help="a recording through the same core, fast")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--flight", "flight_file", type=click.Path(path_type=Path), metavar="FLIGHT.toml",
              help="another flight file than the one in the recording")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="one JSON object a line")
@click.option("--status", is_flag=True, help="also one status each 10 s of flight")
@click.option("--members", type=int, help="ensemble size (default: as recorded)")
@click.option("--seed", type=int, help="seed of the ensemble (default: as recorded)")
def command(
    file: Path,
    flight_file: Path | None,
    as_json: bool,
    status: bool,
    members: int | None,
    seed: int | None,
) -> None:
    """Run recording FILE through the core and print the advisories it leads to.

    With the recording's own flight file (kept inside it) these are, byte for byte, the advisories
    that were published in flight. Another flight file answers "what if".
    """
    from supervisor.edge.recording import Recording
    from supervisor.flightfile import load_flight, parse_flight
    from supervisor.messages import Status
    from supervisor.replay import pretty, recorded_effort, replay

    recording = Recording(file)
    if flight_file is not None:
        flight = load_flight(flight_file)
    else:
        text = recording.metadata.get("flight_file", "")
        if not text:
            raise click.UsageError(f"{file} carries no flight file; give one with --flight")
        flight = parse_flight(text, f"{file} (flight file inside)")
    effort = recorded_effort(recording)
    changes = {"members": members, "seed": seed}
    effort = ForecastSection(
        **effort.model_dump() | {k: v for k, v in changes.items() if v is not None}
    )
    next_status_s = 0.0
    for message in replay(recording, flight, effort):
        if isinstance(message, Status):
            if not status or message.t < next_status_s:
                continue
            next_status_s = message.t - message.t % 10.0 + 10.0
        click.echo(message.payload().decode() if as_json else pretty(message))
    if recording.damaged or not recording.complete:
        click.echo(
            f"homeleg: {file}: cut off or damaged in {recording.damaged} places; "
            "everything readable was used",
            err=True,
        )
