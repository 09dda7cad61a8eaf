"""``homeleg arm``: arm the optional return request for one flight, or stop it. Signed."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from pathlib import Path
from time import time
from typing import TYPE_CHECKING

import click

from supervisor.errors import InputError

if TYPE_CHECKING:
    from supervisor.edge.dial import BrokerAddress, Credentials
    from supervisor.edge.signatures import Signer
    from supervisor.messages import ReturnWish

WAIT_S = 15.0


@click.command(short_help="arm or stop the optional return request of one flight")
@click.option("--broker", required=True, metavar="URL", help="mqtt://HOST:PORT or mqtts://...")
@click.option("--aircraft", required=True, metavar="ID")
@click.option("--as", "person", required=True, metavar="NAME", help="your name in people.toml")
@click.option("--keys", "folder", required=True, metavar="DIR",
              type=click.Path(path_type=Path, exists=True, file_okay=False),
              help="your folder of `homeleg keys`")  # fmt: skip
@click.option("--stop", is_flag=True, help="stop it, for the whole flight")
@click.option("--yes", is_flag=True, help="do not ask back")
def command(broker: str, aircraft: str, person: str, folder: Path, stop: bool, yes: bool) -> None:
    """Arm the request for the flight that AIRCRAFT is on now, or stop it.

    Armed, and allowed by the flight file: when a turn-back-now stays unacknowledged, the daemon
    announces a countdown and then asks the autopilot once for its own return. Whoever
    acknowledges anything, or stops it, prevents that. Have the autopilot's return set up and tried.
    """
    from supervisor.edge.dial import BrokerAddress, Credentials
    from supervisor.edge.signatures import Signer

    address = BrokerAddress.parse(broker)
    tls = address.tls
    credentials = Credentials(
        folder / "ca.pem" if tls else None,
        folder / "client.pem" if tls else None,
        folder / "client.key" if tls else None,
    )
    signer = Signer.from_file(folder / "signing.pem")
    if not stop and not yes:
        click.confirm(f"Arm the return request of {aircraft} for its present flight?", abort=True)
    wish = asyncio.run(_send(address, credentials, signer, (aircraft, person, stop)))
    click.echo(f"{wish.wish}: sent to {aircraft} for flight {wish.flight}")


async def _send(
    address: BrokerAddress,
    credentials: Credentials,
    signer: Signer,
    who: tuple[str, str, bool],
) -> ReturnWish:
    """Learn the flight from the aircraft's presence, then say the wish."""
    import aiomqtt

    from supervisor.edge.wishes import LEAF
    from supervisor.messages import ReturnWish, topic

    aircraft, person, stop = who
    client = aiomqtt.Client(
        address.host,
        address.port,
        username=address.user or None,
        tls_context=credentials.context() if address.tls else None,
        timeout=WAIT_S,
    )
    try:
        async with asyncio.timeout(WAIT_S), client:
            await client.subscribe(topic(aircraft, "presence"), qos=1)
            flight = _flight(bytes((await anext(aiter(client.messages))).payload), aircraft)
            utc = datetime.now(UTC).isoformat(timespec="seconds")
            wish = ReturnWish(
                aircraft=aircraft,
                flight=flight,
                wish="stop" if stop else "arm",
                by=person,
                utc=utc,
            )
            where = topic(aircraft, LEAF)
            # Milliseconds order one person's wishes, whichever laptop they come from.
            signed = signer.sign(where, wish.payload(), boot=0, order=int(time() * 1000))
            await client.publish(where, signed, qos=1)
    except TimeoutError:
        raise InputError(aircraft, f"nothing heard of it in {WAIT_S:.0f} s at {address}") from None
    except aiomqtt.MqttError as error:
        raise InputError(str(address), str(error)) from None
    return wish


def _flight(payload: bytes, aircraft: str) -> str:
    from supervisor.edge.signatures import split
    from supervisor.messages import Presence

    presence = Presence.model_validate_json(split(payload)[0])
    if presence.flight is None or presence.state != "online":
        raise InputError(aircraft, "is not online")
    return presence.flight
