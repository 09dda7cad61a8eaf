"""The one task that talks to the broker: hears, remembers, tells who waits, acknowledges."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import aiomqtt
import structlog
from pydantic import ValidationError

from supervisor.errors import InputError
from supervisor.messages import TOPIC_ROOT, Ack, topic
from supervisor.watch.picture import Heard, Picture, Told, Trust, fold
from supervisor.watch.store import MODELS, Store

log = structlog.get_logger(__name__)

RECONNECT_S = (0.2, 0.5, 1.0, 2.0, 4.0)
MOST_BYTES = 256 * 1024  # nothing of ours is near this size


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is, and how to be let in; secrets only by path."""

    host: str
    port: int
    tls: bool
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    user: str | None = None
    password: Path | None = None

    @staticmethod
    def at(address: str) -> Broker:
        """From ``mqtt://[user@]HOST[:PORT]`` or ``mqtts://...``."""
        parts = urlsplit(address if "//" in address else f"mqtt://{address}")
        try:
            port = parts.port
        except ValueError:
            port = -1
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or port == -1:
            raise InputError("--broker", f"{address!r} is no broker", allowed="mqtt[s]://HOST:PORT")
        tls = parts.scheme == "mqtts"
        return Broker(parts.hostname, port or (8883 if tls else 1883), tls, user=parts.username)

    def client(self) -> aiomqtt.Client:
        """A client for this broker; it can be entered again after a loss."""
        secret = self.password.read_text(encoding="utf-8").strip() if self.password else None
        return aiomqtt.Client(
            self.host,
            self.port,
            username=self.user,
            password=secret,
            identifier=f"homeleg-watch-{secrets.token_hex(6)}",
            tls_context=self._tls(),
            keepalive=10,
            timeout=5,
        )

    def _tls(self) -> ssl.SSLContext | None:
        if not self.tls:
            return None
        context = ssl.create_default_context(cafile=self.ca)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.certificate:
            context.load_cert_chain(self.certificate, self.key)
        return context


class SteadyClock:
    """Seconds since 1970 that never jump: the date at the start, then the monotonic clock."""

    def __init__(self) -> None:
        self._offset_s = time.time() - time.monotonic()

    def __call__(self) -> float:
        return self._offset_s + time.monotonic()


class Listener:
    """Pictures of all aircraft that are heard, kept up to date."""

    def __init__(
        self,
        broker: Broker,
        store: Store,
        *,
        aircraft: str | None = None,
        person: str = "watcher",
        clock: Callable[[], float] | None = None,
    ) -> None:
        self.broker, self.store, self.person = broker, store, person
        self.only = aircraft
        self.clock = clock or SteadyClock()
        self.pictures: dict[str, Picture] = {}
        self.lost_s: float | None = self.clock()
        self.refused = 0
        self.version = 0
        self._changed = asyncio.Event()
        self._client: aiomqtt.Client | None = None

    # -- memory ------------------------------------------------------------------------------

    def remember(self) -> None:
        """Fold what earlier runs of this watcher kept."""
        for heard in self.store.last_flights(self.only):
            self._fold(heard)
        # Only what is heard from now on counts as live.
        self.pictures = {n: replace(p, live=False) for n, p in self.pictures.items()}

    def _fold(self, heard: Heard) -> None:
        name = heard.message.aircraft
        self.pictures[name] = fold(self.pictures.get(name, Picture(name)), heard)

    def _tell(self) -> None:
        self.version += 1
        self._changed.set()
        self._changed = asyncio.Event()

    async def change(self, seen: int, timeout_s: float) -> None:
        """Wait until there is something newer than version ``seen``, at most ``timeout_s``."""
        if self.version == seen:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait(), timeout_s)

    # -- broker ------------------------------------------------------------------------------

    async def run(self) -> None:
        """Stay connected for ever."""
        failures = 0
        client = self.broker.client()
        while True:
            try:
                async with client:
                    failures = 0
                    await self._listen(client)
            except (aiomqtt.MqttError, OSError) as error:
                log.warning("broker_lost", error=str(error))
            self._client = None
            self.lost_s = self.clock() if self.lost_s is None else self.lost_s
            self._tell()
            await asyncio.sleep(RECONNECT_S[min(failures, len(RECONNECT_S) - 1)])
            failures += 1

    async def _listen(self, client: aiomqtt.Client) -> None:
        who = self.only or "+"
        await client.subscribe([(f"{TOPIC_ROOT}/{who}/{leaf}", 1) for leaf in MODELS])
        self._client, self.lost_s = client, None
        self._tell()
        async for message in client.messages:
            payload = message.payload
            if isinstance(payload, bytes | bytearray):
                self.hear(str(message.topic), bytes(payload), retained=bool(message.retain))

    def hear(self, name: str, payload: bytes, *, retained: bool) -> None:
        """One message off the wire; what is not ours to understand is counted and dropped."""
        _, aircraft, leaf = name.rsplit("/", 2)
        message = parsed(leaf, payload)
        if message is None or message.aircraft != aircraft:
            self.refused += 1
            log.warning("message_refused", topic=name, bytes=len(payload))
            return
        trust: Trust = "unchecked"
        heard = Heard(self.clock(), message, retained, trust)
        if not (retained and self._known(leaf, message)):
            self.store.keep(leaf, heard)
        self._fold(heard)
        self._tell()

    def _known(self, leaf: str, message: Told) -> bool:
        """Whether a retained message says only what is already kept."""
        picture = self.pictures.get(message.aircraft)
        return picture is not None and getattr(picture, leaf, None) == message

    # -- acknowledge -------------------------------------------------------------------------

    async def acknowledge(self, aircraft: str, flight: str, seq: int) -> Ack:
        """Tell the aircraft (and every watcher) that advisory ``seq`` was read."""
        if self._client is None:
            raise ConnectionError("no broker: the acknowledgement was not sent")
        utc = datetime.fromtimestamp(time.time(), UTC).isoformat(timespec="seconds")
        ack = Ack(aircraft=aircraft, flight=flight, seq=seq, by=self.person, utc=utc)
        try:
            await self._client.publish(topic(aircraft, "ack"), ack.payload(), qos=1)
        except aiomqtt.MqttError as error:
            raise ConnectionError(f"the acknowledgement was not sent: {error}") from error
        return ack


def parsed(leaf: str, payload: bytes) -> Told | None:
    """The validated message, or None."""
    model = MODELS.get(leaf)
    if model is None or len(payload) > MOST_BYTES:
        return None
    try:
        return model.model_validate_json(payload)
    except ValidationError:
        return None
