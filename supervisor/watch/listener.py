"""The one task that talks to the broker: hears, remembers, tells who waits, acknowledges."""

from __future__ import annotations

import asyncio
import contextlib
import re
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import aiomqtt
import structlog
from pydantic import ValidationError

from supervisor.edge.delta import Unpacker
from supervisor.edge.dial import BrokerAddress, Credentials
from supervisor.edge.squeeze import SqueezeError
from supervisor.messages import TOPIC_ROOT, Ack, topic
from supervisor.watch.picture import Heard, Picture, Told, aircraft_date_s, fold
from supervisor.watch.store import MODELS, Store
from supervisor.watch.trust import Ring

log = structlog.get_logger(__name__)

# What must not be missed while this laptop sleeps is queued by the broker (QoS 1); the rest is
# only of interest when it is new.
QUEUED = {"advisory": 1, "ack": 1}
RECONNECT_S = (0.2, 0.5, 1.0, 2.0, 4.0)
AIRCRAFT = re.compile(r"[A-Za-z0-9_-]{1,64}")  # also a folder's name, so nothing else
MOST_BYTES = 256 * 1024  # nothing of ours is near this size


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is, and how to be let in."""

    address: BrokerAddress
    credentials: Credentials = field(default_factory=Credentials)

    @property
    def folder(self) -> str:
        """A folder name of its own for what is heard there."""
        return f"{self.address.host}-{self.address.port}".replace(":", "_")

    def checked(self) -> Broker:
        """Itself; InputError when a file that is named cannot be read."""
        self.credentials.password_text()
        if self.address.tls:
            self.credentials.context()
        return self

    def client(self, session: str) -> aiomqtt.Client:
        """A client for this broker; it can be entered again after a loss.

        ``session``: the name under which the broker queues for us; empty keeps nothing there.
        """
        return aiomqtt.Client(
            self.address.host,
            self.address.port,
            username=self.address.user or None,
            password=self.credentials.password_text(),
            identifier=session or f"homeleg-watch-{secrets.token_hex(6)}",
            clean_session=not session,
            tls_context=self.credentials.context() if self.address.tls else None,
            keepalive=10,
            timeout=5,
        )


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
        ring: Ring,
        *,
        aircraft: str | None = None,
        clock: Callable[[], float] | None = None,
    ) -> None:
        self.broker, self.store, self.ring = broker, store, ring
        self.only = aircraft
        self.clock = clock or SteadyClock()
        self.pictures: dict[str, Picture] = {}
        self.lost_s: float | None = self.clock()
        self.refused = 0
        self._unpacker = Unpacker()
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
        client = self.broker.client(self.store.session())
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
        await client.subscribe([(f"{TOPIC_ROOT}/{who}/{leaf}", QUEUED.get(leaf, 0))
                                for leaf in MODELS])  # fmt: skip
        self._client, self.lost_s = client, None
        self._tell()
        async for message in client.messages:
            payload = message.payload
            if isinstance(payload, bytes | bytearray):
                self.hear(str(message.topic), bytes(payload), retained=bool(message.retain))

    def hear(self, name: str, payload: bytes, *, retained: bool) -> None:
        """One message off the wire; what is not ours to understand is counted and dropped."""
        _, aircraft, leaf = name.rsplit("/", 2)
        message, trust = None, None
        if AIRCRAFT.fullmatch(aircraft) and len(payload) <= MOST_BYTES:
            with contextlib.suppress(SqueezeError):
                whole = self._unpacker.open(name, payload)
                bare, trust, by = self.ring.opened(name, whole, retained=retained)
                message = parsed(leaf, bare)
        if message is None or trust is None or message.aircraft != aircraft:
            self.refused += 1
            log.warning("message_refused", topic=name, bytes=len(payload))
            return
        if trust == "verified" and not self.ring.fits(message, by):
            trust = "unverified"
        heard = Heard(self.clock(), message, retained, trust)
        before = self.pictures.get(aircraft)
        self._fold(heard)
        if not (retained and self.pictures[aircraft] == before):  # it says what is kept already
            self.store.keep(leaf, heard)
        self._tell()

    # -- acknowledge -------------------------------------------------------------------------

    async def acknowledge(self, aircraft: str, flight: str, seq: int) -> Ack:
        """Tell the aircraft (and every watcher) that advisory ``seq`` was read."""
        if self._client is None:
            raise ConnectionError("no broker: the acknowledgement was not sent")
        picture, now_s = self.pictures.get(aircraft), self.clock()
        date_s = aircraft_date_s(picture, now_s) if picture else now_s
        utc = datetime.fromtimestamp(date_s, UTC).isoformat(timespec="seconds")
        ack = Ack(aircraft=aircraft, flight=flight, seq=seq, by=self.ring.person, utc=utc)
        try:
            where = topic(aircraft, "ack")
            await self._client.publish(where, self.ring.sealed(where, ack.payload()), qos=1)
        except aiomqtt.MqttError as error:
            raise ConnectionError(f"the acknowledgement was not sent: {error}") from error
        return ack


def parsed(leaf: str, payload: bytes) -> Told | None:
    """The validated message, or None. What a later version says beyond it is not understood."""
    model = MODELS.get(leaf)
    if model is None:
        return None
    try:
        return model.model_validate_json(payload, extra="ignore")
    except ValidationError:
        return None
