"""``homeleg watch``: live advisories on a laptop, in the browser or in the terminal."""

from __future__ import annotations

import asyncio
import getpass
from pathlib import Path

import click

from supervisor.cli.ranges import Decimal
from supervisor.errors import InputError
from supervisor.extras import need


def _person(name: str | None) -> str:
    """Who acknowledges: as told, or whoever is logged in."""
    if name:
        return name
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "watcher"


@click.command("watch")
@click.option(
    "--broker", default="mqtt://127.0.0.1:1883", show_default=True, help="mqtt[s]://HOST:PORT"
)
@click.option("--ca", type=click.Path(path_type=Path), help="who vouches for the broker (PEM)")
@click.option("--certificate", type=click.Path(path_type=Path), help="shown to the broker (PEM)")
@click.option("--key", type=click.Path(path_type=Path), help="of the certificate (PEM)")
@click.option("--password", type=click.Path(path_type=Path), help="file with the broker's password")
@click.option("--aircraft", help="only this one; otherwise all that are heard")
@click.option("--keys", type=click.Path(path_type=Path), help="public keys of aircraft and people")
@click.option("--sign", type=click.Path(path_type=Path), help="your key, to sign acknowledgements")
@click.option("--name", "person", help="who acknowledges; by default who is logged in")
@click.option("--host", default="127.0.0.1", show_default=True, help="where the page is bound")
@click.option("--port", type=click.IntRange(0, 65535), default=0, show_default="a free one",
              help="page's port")  # fmt: skip
@click.option("--no-browser", is_flag=True, help="only print the page's address")
@click.option("--tiles", default="", help="tile server you may use: https://HOST/{z}/{x}/{y}.png")
@click.option("--units", type=click.Choice(["metric", "nautical"]), default="metric")
@click.option("--store", type=click.Path(path_type=Path), help="folder for what was heard")
@click.option("--forget", is_flag=True, help="keep nothing on disk")
@click.option("--terminal", is_flag=True, help="show it here instead of in a browser")
@click.option("--once", is_flag=True, help="one picture, then end (with --terminal or --json)")
@click.option("--json", "as_json", is_flag=True, help="views as JSON lines instead of a screen")
@click.option("--wait", type=Decimal(min=0.0), default=10.0, show_default=True,
              help="seconds to wait with --once")  # fmt: skip
def command(
    broker: str,
    ca: Path | None,
    certificate: Path | None,
    key: Path | None,
    password: Path | None,
    aircraft: str | None,
    keys: Path | None,
    sign: Path | None,
    person: str | None,
    host: str,
    port: int,
    no_browser: bool,
    tiles: str,
    units: str,
    store: Path | None,
    forget: bool,
    terminal: bool,
    once: bool,
    as_json: bool,
    wait: float,
) -> int:
    """Watch one aircraft or many from anywhere.

    Homeleg advises; the remote pilot decides. What you see is as old as the page says it is.
    """
    need("watch", "watch")
    from supervisor.edge.dial import BrokerAddress, Credentials
    from supervisor.watch.listener import Broker, Listener
    from supervisor.watch.store import Store, default_directory
    from supervisor.watch.trust import Ring

    place = Broker(
        BrokerAddress.parse(broker),
        Credentials(ca=ca, certificate=certificate, key=key, password=password),
    ).checked()
    folder = None if forget else (store or default_directory()) / place.folder
    ring = Ring.of(keys, sign, _person(person))

    async def everything() -> int:
        listener = Listener(place, Store(folder), ring, aircraft=aircraft)
        listener.remember()
        if once or as_json:
            from supervisor.watch import plain

            return await plain.run(listener, once=once, as_json=as_json, units=units, wait_s=wait)
        if terminal:
            from supervisor.watch import desk

            return await desk.run(listener, units=units)
        from supervisor.watch import serve

        return await serve.run(
            listener, host=host, port=port, tiles=tiles, units=units, browser=not no_browser
        )

    if tiles and not tiles.startswith(("http://", "https://")):
        raise InputError("--tiles", f"{tiles!r} is no address", allowed="https://HOST/{z}/{x}/{y}")
    try:
        return asyncio.run(everything())
    except KeyboardInterrupt:
        return 0
