"""The uplink: what the daemon says goes to the broker, whatever the link does.

::

    submit_advisory -> outbox (disk) -> QoS 1, in order, deleted when the broker has it
    submit_status   -> latest only   -> retained, paced by change, link and budget
    submit_plan     -> latest only   -> retained
    submit_track    -> rows          -> now and then
    presence        -> retained, with last will and a beat
    .../ack         -> checked       -> on_ack

``submit_*`` are plain calls that never wait for the network and never raise. :meth:`Uplink.run`
is the one coroutine; it goes on for ever and ends only by cancellation, saying goodbye first.
"""

from __future__ import annotations

import asyncio
import math
import random
import secrets
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Literal

import aiomqtt

from supervisor.edge.acks import AckGate, AckRefused
from supervisor.edge.dial import BrokerAddress, Credentials, Dialer
from supervisor.edge.outbox import Held, Outbox
from supervisor.edge.rates import CALM_S, Budget, StatusPacer
from supervisor.edge.session import ConnectionFailed, Hello, Protocol, Session, connected
from supervisor.edge.signatures import Signer
from supervisor.edge.squeeze import squeeze
from supervisor.edge.track import Fix, TrackCoder
from supervisor.edge.wishes import LEAF as WISH_LEAF
from supervisor.edge.wishes import WishGate
from supervisor.errors import HomelegError
from supervisor.messages import (
    Ack,
    Advisory,
    Health,
    Message,
    Plan,
    Presence,
    ReturnWish,
    Status,
    topic,
)

IN_FLIGHT = 20  # advisories under way at once: a slow link does not cost a round trip each
BEAT_S = 110.0  # below the keepalive, so that it stands in for the protocol's own ping
LOCAL_BEAT_S = 10.0  # on loopback bytes cost nothing
KEEPALIVE_S = 120
STATUS_EXPIRY_S = 3600
ATTEMPT_S = (4.0, 10.0)  # limits of connection attempts, in turn: quick links, slow ones
LOCAL_ATTEMPT_S = 1.5  # a broker on this machine that knows no MQTT 5 says nothing at all
BACKOFF_FIRST_S, BACKOFF_MOST_S, BACKOFF_REFUSED_S = 0.2, 1.5, 5.0
DEAD_AFTER_S = (8.0, 30.0)  # unanswered bytes end the connection: quick link, slow link
SLOW_S = 1.5  # an answer later than this makes the link a slow one
ADDRESS_CHECK_S = 1.0
QUICK_LOSS_S, QUICK_LOSSES = 5.0, 4  # so many connections thrown out at once: a double name
PILE_BYTES = 8_000  # statuses wait while so much is unanswered

Event = Callable[[str, dict[str, Any]], None]


def _no_event(_name: str, _fields: dict[str, Any]) -> None:
    return None


@dataclass(slots=True)
class UplinkCounts:
    """What happened so far; for the health topic and the tests."""

    connects: int = 0
    failures: int = 0
    advisories: int = 0
    statuses: int = 0
    acks: int = 0
    acks_refused: int = 0
    wire_bytes: int = 0


@dataclass(frozen=True, slots=True)
class UplinkOptions:
    """All that is settable; the defaults suit a bench."""

    address: BrokerAddress
    aircraft: str
    flight: str
    credentials: Credentials = field(default_factory=Credentials)
    signer: Signer | None = None
    people: Mapping[str, bytes] | None = None  # None: acknowledgements need no signature
    budget_kb_per_hour: float = 300.0
    compress: Literal["auto", "always", "never"] = "auto"  # auto: not on loopback
    pace: bool | None = None  # None: not on loopback, where every status goes
    version: str = ""


@dataclass(slots=True)
class _Latest:
    """What coalesces: only the newest counts."""

    status: Status | None = None
    plan: Plan | None = None
    health: Health | None = None
    tracks: deque[Message] = field(default_factory=lambda: deque(maxlen=20))


class Uplink:
    """See the module's text."""

    def __init__(
        self,
        options: UplinkOptions,
        outbox: Outbox,
        *,
        on_ack: Callable[[Ack], None] | None = None,
        on_wish: Callable[[ReturnWish], None] | None = None,
        on_event: Event | None = None,
        telemetry_age_s: Callable[[], float] | None = None,
        unix_s: Callable[[], float] | None = None,
    ) -> None:
        self.options = options
        self.outbox = outbox
        self.counts = UplinkCounts()
        self.protocol: Protocol = 5
        self._on_ack = on_ack or (lambda _ack: None)
        self._on_wish = on_wish  # None: wishes are not even listened to
        self._on_event = on_event or _no_event
        self._telemetry_age_s = telemetry_age_s or (lambda: math.nan)
        self._unix_s = unix_s or (lambda: math.nan)
        self._gate = AckGate(options.aircraft, options.flight, options.people)
        self._wishes = WishGate(options.aircraft, options.flight, options.people)
        self._dialer = Dialer(options.address)
        local = options.address.loopback
        self._squeezed = options.compress == "always" or (options.compress == "auto" and not local)
        self._paced = options.pace if options.pace is not None else not local
        self._budget = Budget(options.budget_kb_per_hour * 1000.0)
        self._pacer = StatusPacer(self._budget)
        self._track = TrackCoder()
        self._latest = _Latest()
        self._orders: dict[str, int] = {}
        self._to_send = asyncio.Event()
        self._news = asyncio.Event()
        self._empty = asyncio.Event()
        self._session: Session | None = None
        self._beat = 0
        self._tries = 0
        self._suffix = ""
        self._quick_losses = 0
        self._stood = False
        self._slow = False
        self._said_poor = False
        self._wire_seen = 0

    # --- what the daemon calls -----------------------------------------------------------------

    @property
    def is_connected(self) -> bool:
        """Whether the broker is reached right now."""
        return self._session is not None

    def submit_advisory(self, advisory: Advisory) -> None:
        """Durable when this returns; sent as soon as the link lets it."""
        try:
            self._gate.raised(advisory.seq, _now_s())
            order = self.outbox.next_order()
            payload = self._signed("advisory", advisory.payload(), order)
            self.outbox.put(advisory.seq, payload)
            self._empty.clear()
            self._to_send.set()
        except Exception as error:  # a daemon that warns must not die of warning
            self._fault("advisory", error)

    def submit_status(self, status: Status) -> None:
        """Replaces a status that has not gone out yet."""
        self._latest.status = status
        self._news.set()

    def submit_plan(self, plan: Plan) -> None:
        """Kept, and sent again to a broker that has lost it."""
        self._latest.plan = plan
        self._news.set()

    def submit_health(self, health: Health) -> None:
        """Replaces one that has not gone out yet."""
        self._latest.health = health
        self._news.set()

    def submit_track(self, t: float, lat_deg: float, lon_deg: float, height_m: float) -> None:
        """One position; goes out with others in a compact track message."""
        try:
            if not self._track.add(Fix(t, lat_deg, lon_deg, height_m)):
                return
            message = self._track.take(self.options.aircraft, self.options.flight)
            if message is not None:
                self._latest.tracks.append(message)
                self._news.set()
        except Exception as error:
            self._fault("track", error)

    def poor_link(self, poor: bool) -> None:
        """Said by whoever reads the modem: statuses go seldom. Slow answers say it too."""
        self._said_poor = poor
        self._pacer.poor = poor or self._slow

    async def drained(self, timeout_s: float) -> bool:
        """Wait until the broker has every advisory; False when time is up."""
        if len(self.outbox) == 0:
            return True
        with suppress(asyncio.TimeoutError):
            await asyncio.wait_for(self._empty.wait(), timeout_s)
        return len(self.outbox) == 0

    async def run(self) -> None:
        """Connect, send, and connect again; for ever."""
        if self.options.people is None and not self.options.address.loopback:
            self._on_event("acknowledgements_unsigned", {"why": "no list of people is set"})
        while True:
            began_s = _now_s()
            try:
                await self._connected_once()
            except ConnectionFailed as ended:
                failure = ended
            except Exception as error:  # whatever it is, the daemon goes on
                self._fault("connection", error)
                failure = ConnectionFailed(str(error), refused=True)
            self._failed(failure, _now_s() - began_s)
            await asyncio.sleep(self._pause_s(failure))

    # --- one connection ------------------------------------------------------------------------

    async def _connected_once(self) -> None:
        options = self.options
        began_s = _now_s()
        try:
            tls = options.credentials.context() if options.address.tls else None
            hello = self._hello()
        except HomelegError as error:  # a file was taken away or is being renewed
            raise ConnectionFailed(str(error), refused=True) from None
        async with connected(self._dialer, hello, self.protocol, tls) as session:
            self._greet(session, _now_s() - began_s)
            try:
                await self._converse(session)
            except asyncio.CancelledError:
                await self._farewell(session)
                raise
            finally:
                self._count_wire(session)
                self._session = None

    def _hello(self) -> Hello:
        options = self.options
        local = options.address.loopback
        long = (self._tries + self._slow) % 2 == 1
        limit_s = ATTEMPT_S[long]
        self._tries += 1
        return Hello(
            client_id=f"homeleg-{options.aircraft}{self._suffix}",
            user=options.address.user,
            password=options.credentials.password_text(),
            will_topic=self._topic("presence"),
            will_payload=self._presence("offline", "lost").payload(),
            keepalive_s=KEEPALIVE_S,
            timeout_s=LOCAL_ATTEMPT_S if local and self.protocol == 5 else limit_s,
            dead_after_s=DEAD_AFTER_S[long],
        )

    def _greet(self, session: Session, took_s: float) -> None:
        self._session = session
        self._stood = True
        self._pacer.begin()
        self._answered_in(took_s / 3.0)  # TCP, TLS and MQTT each wait for one answer
        self._tries = 0
        self._wire_seen = 0
        self.counts.connects += 1
        self._on_event(
            "broker_connected",
            {"broker": str(self.options.address), "mqtt": session.protocol, "took_s": took_s},
        )

    async def _converse(self, session: Session) -> None:
        """All that goes on while the connection stands; ends with the first failure."""
        await session.subscribe(self._topic("ack"))
        if self._on_wish is not None:
            await session.subscribe(self._topic(WISH_LEAF))
        self._to_send.set()
        self._news.set()
        parts = (
            self._send_advisories,
            self._send_latest,
            self._keep_beating,
            self._receive,
            self._watch_address,
        )
        tasks = [asyncio.create_task(part(session)) for part in parts]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            results = await _ended(tasks)
        failures = [r for r in results if isinstance(r, Exception)]
        raise failures[0] if failures else ConnectionFailed("the connection ended")

    async def _send_advisories(self, session: Session) -> None:
        under_way: dict[int, asyncio.Task[None]] = {}
        try:
            while True:
                self._to_send.clear()
                for held in self.outbox.pending():
                    if len(under_way) >= IN_FLIGHT:
                        break
                    if held.order not in under_way:
                        under_way[held.order] = asyncio.create_task(self._send(session, held))
                waker = asyncio.create_task(self._to_send.wait())
                waiting = {waker, *under_way.values()}
                done, _ = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
                waker.cancel()
                for order in [o for o, task in under_way.items() if task in done]:
                    under_way.pop(order).result()
        finally:
            for task in under_way.values():
                task.cancel()
            await asyncio.gather(*under_way.values(), return_exceptions=True)

    async def _send(self, session: Session, held: Held) -> None:
        began_s = _now_s()
        await session.publish(self._topic("advisory"), held.payload, qos=1)
        self._answered_in(_now_s() - began_s)
        self.outbox.delete(held.order)
        self.counts.advisories += 1
        if len(self.outbox) == 0:
            self._empty.set()

    async def _send_latest(self, session: Session) -> None:
        plan_sent: Plan | None = self._latest.plan if session.resumed else None
        while True:
            self._news.clear()
            if self._latest.plan is not None and self._latest.plan is not plan_sent:
                plan_sent = self._latest.plan
                await self._put(session, "plan", plan_sent, qos=1, retain=True)
            health, self._latest.health = self._latest.health, None
            if health is not None:
                await self._put(session, "health", health, retain=True)
            while self._latest.tracks:
                await self._put(session, "track", self._latest.tracks.popleft())
            wait_s = await self._status_if_due(session)
            # Not wait_for: before Python 3.12 it can swallow the cancellation that ends us.
            with suppress(asyncio.TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._news.wait()

    async def _status_if_due(self, session: Session) -> float | None:
        """Send the status when its time has come; else how long until then (None: no status)."""
        status = self._latest.status
        if status is None:
            return None
        if session.unsent_bytes() > PILE_BYTES:
            return 1.0
        now_s = _now_s()
        due_s = self._pacer.due_s(now_s, status) if self._paced else 0.0
        if due_s > 0.0:
            # News may come before; then this is asked again.
            return due_s
        self._latest.status = None
        within_s = self._pacer.next_within_s(now_s) if self._paced else CALM_S
        dressed = self._pacer.dressed(now_s, status) if self._paced else status
        promised = dressed.model_copy(update={"next_s": within_s})
        await self._put(session, "status", promised, retain=True, expiry_s=STATUS_EXPIRY_S)
        self.counts.statuses += 1
        cost = self._count_wire(session)
        self._pacer.sent(now_s, status, cost)
        return None

    async def _keep_beating(self, session: Session) -> None:
        while True:
            presence = self._presence("online")
            began_s = _now_s()
            await self._put(session, "presence", presence, qos=1, retain=True)
            self._answered_in(_now_s() - began_s)
            await asyncio.sleep(self._beat_s())
            self._count_wire(session)

    def _answered_in(self, seconds: float) -> None:
        """The broker's answer took so long: what statuses may cost depends on it."""
        self._slow = seconds > SLOW_S
        if self._session is not None:
            self._session.patience(DEAD_AFTER_S[self._slow])
        self._pacer.poor = self._said_poor or self._slow

    async def _watch_address(self, session: Session) -> None:
        while True:
            await asyncio.sleep(ADDRESS_CHECK_S)
            if session.stranded():
                raise ConnectionFailed("our address has changed")

    async def _receive(self, session: Session) -> None:
        async for where, payload in session.incoming():
            try:
                if where == self._topic(WISH_LEAF):
                    self._hear_wish(where, payload)
                    continue
                ack = self._gate.judge(where, payload, _now_s(), self._unix_s())
            except AckRefused as refused:
                self.counts.acks_refused += 1
                self._on_event("ack_refused", {"why": str(refused)})
                continue
            self.counts.acks += 1
            self._on_ack(ack)

    def _hear_wish(self, where: str, payload: bytes) -> None:
        wish = self._wishes.judge(where, payload)
        if self._on_wish is not None:
            self._on_wish(wish)

    async def _farewell(self, session: Session) -> None:
        with suppress(aiomqtt.MqttError, ConnectionFailed, asyncio.TimeoutError, OSError):
            gone = self._signed("presence", self._presence("offline", "stopped").payload())
            await session.publish(self._topic("presence"), gone, qos=1, retain=True, timeout_s=1.5)

    # --- smaller things ------------------------------------------------------------------------

    async def _put(
        self,
        session: Session,
        leaf: str,
        message: Message,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> None:
        payload = self._signed(leaf, message.payload())
        if self._squeezed and leaf != "presence":
            payload = squeeze(payload)
        await session.publish(self._topic(leaf), payload, qos=qos, retain=retain, expiry_s=expiry_s)

    def _signed(self, leaf: str, payload: bytes, order: int | None = None) -> bytes:
        signer = self.options.signer
        if signer is None:
            return payload
        if order is None:
            order = self._orders[leaf] = self._orders.get(leaf, 0) + 1
        return signer.sign(self._topic(leaf), payload, boot=self.outbox.boot, order=order)

    def _presence(
        self, state: Literal["online", "offline"], reason: Literal["", "stopped", "lost"] = ""
    ) -> Presence:
        self._beat += 1
        age_s = self._telemetry_age_s()
        return Presence(
            aircraft=self.options.aircraft,
            state=state,
            flight=self.options.flight,
            version=self.options.version,
            beat=self._beat,
            telemetry_age_s=round(age_s, 1) if math.isfinite(age_s) else None,
            reason=reason,
            next_s=self._beat_s() + CALM_S if state == "online" else None,
            waiting=len(self.outbox),
            troubles=[self.outbox.trouble] if self.outbox.trouble else [],
        )

    def _beat_s(self) -> float:
        return LOCAL_BEAT_S if self.options.address.loopback else BEAT_S

    def _topic(self, leaf: str) -> str:
        return topic(self.options.aircraft, leaf)

    def _count_wire(self, session: Session) -> int:
        """Bytes on the wire since the last count, taken from the budget."""
        wire = session.wire()
        if wire is None:
            return 0
        new = wire.total - self._wire_seen
        self._wire_seen = wire.total
        self.counts.wire_bytes += new
        self._budget.spend(_now_s(), new)
        return new

    def _failed(self, failure: ConnectionFailed, lasted_s: float) -> None:
        self.counts.failures += 1
        if failure.silent:
            self.protocol = 4 if self.protocol == 5 else 5
        stood = self._stood
        self._stood = False
        if stood and not failure.refused:
            self._quick_losses = self._quick_losses + 1 if lasted_s < QUICK_LOSS_S else 0
        if failure.taken_over or self._quick_losses >= QUICK_LOSSES:
            # Somebody else uses our name (few brokers say so). Fighting over it would stop both.
            self._suffix = f"-{secrets.token_hex(2)}"
            self._quick_losses = 0
        name = "broker_silent" if failure.silent else "broker_lost"
        self._on_event(name, {"why": str(failure), "waiting": len(self.outbox)})

    def _pause_s(self, failure: ConnectionFailed) -> float:
        if failure.silent and self._tries <= 2:
            return 0.0  # the other version of the protocol is tried at once
        most_s = BACKOFF_REFUSED_S if failure.refused else BACKOFF_MOST_S
        pause_s = min(BACKOFF_FIRST_S * 2.0 ** min(self._tries, 10), most_s)
        return pause_s * random.uniform(0.5, 1.0)

    def _fault(self, what: str, error: Exception) -> None:
        self._on_event("uplink_fault", {"what": what, "error": f"{type(error).__name__}: {error}"})


def _now_s() -> float:
    """Monotonic seconds of the running loop; 0 outside one (a submit before the start)."""
    try:
        return asyncio.get_running_loop().time()
    except RuntimeError:
        return 0.0


async def _ended(tasks: list[asyncio.Task[None]]) -> list[BaseException | None]:
    """Cancel all and wait for it; how each ended.

    Asked again until it works: before Python 3.12 ``wait_for``, which the library publishes with,
    swallows a cancellation that comes together with its result.
    """
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=0.2)
    return [None if task.cancelled() else task.exception() for task in tasks]
