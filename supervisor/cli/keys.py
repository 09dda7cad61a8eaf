"""``homeleg keys``: certificates, signing keys and the broker's access list by one command."""

from __future__ import annotations

from pathlib import Path

import click

from supervisor.extras import need


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--server", "servers", multiple=True, help="Name or address of the shore broker.")
@click.option("--aircraft", multiple=True, help="Name of an aircraft. Repeat for more.")
@click.option("--person", "people", multiple=True, help="Who watches and acknowledges. Repeat.")
@click.option(
    "--revoke",
    type=click.Path(path_type=Path, dir_okay=False),
    multiple=True,
    help="A certificate that the broker shall refuse from now on.",
)
def command(
    folder: Path,
    servers: tuple[str, ...],
    aircraft: tuple[str, ...],
    people: tuple[str, ...],
    revoke: tuple[Path, ...],
) -> None:
    """Make what is missing in FOLDER; never overwrite a key.

    Copy FOLDER/server to the shore broker, FOLDER/aircraft/NAME to that aircraft and
    FOLDER/people/NAME to that person's laptop. Keep FOLDER/ca away from all of them.
    """
    need("keys", "keys")
    from supervisor.keys import Fleet, Wanted

    fleet = Fleet(folder)
    fleet.make(Wanted(servers, aircraft, people))
    for certificate in revoke:
        fleet.revoke(certificate)
    for path in dict.fromkeys(fleet.made):
        click.echo(path)
    if not fleet.made:
        click.echo(f"{folder}: nothing to do")
