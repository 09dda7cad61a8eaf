"""``homeleg run``: the daemon aboard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click


@click.command(short_help="the daemon aboard")
@click.option("--flight", "flight_file", required=True, metavar="FLIGHT.toml",
              type=click.Path(path_type=Path), help="the flight file")  # fmt: skip
@click.option("--config", metavar="DAEMON.toml", type=click.Path(path_type=Path),
              help="the daemon file; what is given below overrides it. Every key of it, "
                   "with its default, stands in deploy/homeleg.toml")  # fmt: skip
@click.option(
    "--link", metavar="ADDRESS", help="udp:HOST:PORT, udp-out:..., tcp:..., serial:DEV:BAUD"
)
@click.option("--broker", metavar="URL", help="mqtt://HOST:PORT or mqtts://HOST:PORT")
@click.option(
    "--storage", type=click.Path(path_type=Path), metavar="DIR", help="recordings, outbox"
)
@click.option("--recording", type=click.Path(path_type=Path), metavar="FILE.mcap")
@click.option(
    "--clock", type=click.Choice(["receipt", "telemetry"]), help="telemetry: simulation only"
)
@click.option(
    "--log", type=click.Choice(["console", "json"]), help="how logs look on standard error"
)
def command(flight_file: Path, config: Path | None, recording: Path | None, **given: Any) -> None:
    """Watch one aircraft's telemetry against its flight file and publish advisories.

    Listens on the link, asks for the message rates it needs, records what it hears, and never sends
    anything that moves the aircraft. Stops in good order on SIGTERM or Ctrl-C.
    """
    from supervisor.assembly import Setup
    from supervisor.daemonfile import DaemonFile, load_daemon_file, parse_daemon
    from supervisor.edge.logs import configure
    from supervisor.flightfile import load_flight
    from supervisor.flightinside import packed
    from supervisor.service import serve

    daemon = load_daemon_file(config) if config else DaemonFile()
    daemon = parse_daemon(overridden(daemon.model_dump(), given), "command line")
    flight = load_flight(flight_file)
    configure(daemon.log)
    serve(Setup(flight, packed(flight_file), daemon, recording))


def overridden(data: dict[str, Any], given: dict[str, Any]) -> dict[str, Any]:
    """The daemon file's data with the command line's values in their places."""
    places = {
        "link": ("link", "address"),
        "broker": ("broker", "address"),
        "storage": ("storage", "directory"),
    }
    for name, value in given.items():
        if value is None:
            continue
        if name in places:
            section, key = places[name]
            data[section][key] = value
        else:
            data[name] = value
    return data
