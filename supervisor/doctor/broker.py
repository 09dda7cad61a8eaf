"""Whether the broker is reached, lets us in, and may be spoken to and listened to."""

from __future__ import annotations

import asyncio
import secrets
import time

import aiomqtt

from supervisor.daemonfile import BrokerSection
from supervisor.doctor.finding import Finding, bad, doubt, good
from supervisor.edge.dial import BrokerAddress, Credentials, refusal
from supervisor.errors import HomelegError
from supervisor.messages import topic

LIMIT_S = 10.0
SLOW_S = 3.0


async def broker(section: BrokerSection, aircraft: str) -> list[Finding]:
    """Connect as the daemon would and subscribe to our own acknowledgements; nothing is sent."""
    if not section.address:
        return []
    began_s = time.monotonic()
    try:
        address = BrokerAddress.parse(section.address)
        async with asyncio.timeout(LIMIT_S), _client(section, address) as client:
            granted = await client.subscribe(topic(aircraft, "ack"), qos=1)
            took_s = time.monotonic() - began_s
    except TimeoutError:
        return [bad("broker", f"no answer in {LIMIT_S:.0f} s", "is the modem up? a firewall?")]
    except (aiomqtt.MqttError, OSError, HomelegError) as error:
        words = _words(error)
        return [bad("broker", words, "address, certificate and name: see `homeleg keys --help`")]
    if granted and getattr(granted[0], "value", granted[0]) >= 0x80:
        fix = "copy the access list of `homeleg keys` to the broker, send it a SIGHUP"
        return [bad("broker", "it lets us in but not to our topics", fix)]
    says = f"{address} answers in {took_s:.2f} s"
    if took_s > SLOW_S:
        return [doubt("broker", says, "a slow link: expect statuses seldom")]
    return [good("broker", says)]


def _client(section: BrokerSection, address: BrokerAddress) -> aiomqtt.Client:
    credentials = Credentials(section.ca, section.certificate, section.key, section.password)
    return aiomqtt.Client(
        address.host,
        address.port,
        username=address.user or None,
        password=credentials.password_text(),
        identifier=f"homeleg-doctor-{secrets.token_hex(4)}",
        tls_context=credentials.context() if address.tls else None,
        timeout=LIMIT_S,
    )


def _words(error: BaseException) -> str:
    origin = error.__cause__ or error.__context__
    return (refusal(origin) if origin else "") or refusal(error) or str(error)
