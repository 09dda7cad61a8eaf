"""``homeleg doctor``: everything a tired person forgets, in one command."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from supervisor.cli.ranges import Decimal

if TYPE_CHECKING:
    from supervisor.doctor.finding import Finding

MARKS = {"good": "ok ", "doubt": " ? ", "bad": "BAD", "skipped": " - "}


@click.command(short_help="checks files, link, messages, disk, broker, keys, clock")
@click.option("--flight", "flight_file", required=True, metavar="FLIGHT.toml",
              type=click.Path(path_type=Path), help="the flight file")  # fmt: skip
@click.option("--config", metavar="DAEMON.toml", type=click.Path(path_type=Path),
              help="the daemon file; what is given below overrides it")  # fmt: skip
@click.option("--link", metavar="ADDRESS", help="as for `homeleg run`")
@click.option("--broker", metavar="URL", help="as for `homeleg run`")
@click.option("--storage", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--seconds", type=Decimal(0.0, 600.0), default=15.0, show_default=True,
              help="how long to listen; 0 touches neither link nor broker")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="machine output")
def command(
    flight_file: Path, config: Path | None, seconds: float, as_json: bool, **given: object
) -> int:
    """Check what a tired person forgets, and say how to mend it.

    Run it with the daemon stopped; while it runs, the same gate stands on its health topic. Exit
    status 0: nothing is bad; 1: do not take off like this; 2: a file given here cannot be used.
    """
    from supervisor.cli.run import overridden
    from supervisor.daemonfile import DaemonFile, load_daemon_file, parse_daemon
    from supervisor.doctor.examine import Patient, examine
    from supervisor.doctor.finding import fit
    from supervisor.edge.logs import configure

    configure("console", level=40)
    daemon = load_daemon_file(config) if config else DaemonFile()
    daemon = parse_daemon(overridden(daemon.model_dump(), given), "command line")
    found = asyncio.run(examine(Patient(flight_file, daemon, seconds)))
    ready = fit(found)
    if as_json:
        click.echo(json.dumps({"ready": ready, "findings": [f.as_json() for f in found]}, indent=1))
    else:
        _print(found, ready)
    return 0 if ready else 1


def _print(found: list[Finding], ready: bool) -> None:
    colours = {"good": "green", "doubt": "yellow", "bad": "red", "skipped": None}
    for finding in found:
        name = finding.verdict.value
        mark = click.style(MARKS[name], fg=colours[name], bold=name == "bad")
        click.echo(f"{mark} {finding.check}: {finding.says}", color=sys.stdout.isatty())
        if finding.fix:
            click.echo(f"      -> {finding.fix}")
    click.echo()
    click.echo("Nothing bad was found." if ready else "Do not take off like this.")
    click.echo("Homeleg advises. The remote pilot decides; local rules and the licence bind.")
