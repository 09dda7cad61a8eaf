"""The uplink: what the daemon says goes to the broker, whatever the link does.

::

    submit_advisory -> outbox (disk) -> QoS 1, in order, deleted when the broker has it
    submit_status   -> latest only   -> paced by change, link and budget; see latest.py
    submit_plan     -> latest only   -> retained
    submit_track    -> rows          -> now and then
    presence        -> retained, with last will and a beat
    .../ack         -> checked       -> on_ack
    .../bridge      -> aboard only   -> whether the broker aboard reaches the shore

``submit_*`` are plain calls that never wait for the network and never raise. :meth:`Uplink.run`
is the one coroutine; it goes on for ever and ends only by cancellation, saying goodbye first.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Literal

import aiomqtt

from supervisor.edge.clock import loop_s
from supervisor.edge.delivery import Delivery
from supervisor.edge.dial import Dialer
from supervisor.edge.envelope import Envelope
from supervisor.edge.failures import ENDED, ConnectionFailed
from supervisor.edge.inbox import Inbox
from supervisor.edge.latest import Latest
from supervisor.edge.outbox import Outbox
from supervisor.edge.proof import UNPROVEN
from supervisor.edge.rates import CALM_S, Budget, StatusPacer
from supervisor.edge.redial import DEAD_AFTER_S, Redial
from supervisor.edge.session import (
    Hello,
    Protocol,
    Session,
    connected,
    ended,
)
from supervisor.edge.track import Fix
from supervisor.edge.uplinkoptions import Event, UplinkCounts, UplinkOptions
from supervisor.errors import HomelegError
from supervisor.messages import (
    Ack,
    Advisory,
    Health,
    History,
    Plan,
    Presence,
    ReturnWish,
    Status,
)

BEAT_S = 110.0  # below the keepalive, so that it stands in for the protocol's own ping
LOCAL_BEAT_S = 2.0  # on loopback bytes cost nothing
KEEPALIVE_S = 120
TELL_AGAIN_S = 60.0
SLOW_S = 1.5  # an answer later than this makes the link a slow one
ADDRESS_CHECK_S = 1.0
BRIDGE_BYTES = 50  # what the bridge aboard adds to a segment of ours: TLS, the topic in full


def _no_event(_name: str, _fields: dict[str, Any]) -> None:
    return None


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
        self._on_event = on_event or _no_event
        self._telemetry_age_s = telemetry_age_s or (lambda: math.nan)
        self._dialer = Dialer(options.address)
        squeezed = options.costly and options.compress != "never"
        self._envelope = Envelope(options.aircraft, options.signer, outbox.boot, squeezed)
        self._topic = self._envelope.topic
        self._budget = Budget(options.budget_kb_per_hour * 1000.0)
        self._pacer = StatusPacer(self._budget)
        paced = options.pace if options.pace is not None else options.costly
        self._latest = Latest(self._envelope, self._pacer if paced else None, self._count_wire)
        self._delivery = Delivery(
            outbox,
            self._envelope,
            self.counts,
            on_event=self._on_event,
            on_answer=self._answered_in,
        )
        self._inbox = Inbox(
            options,
            self._delivery,
            self.counts,
            on_ack=on_ack or (lambda _ack: None),
            on_wish=on_wish,
            on_bridge=self._latest.begin,
            on_event=self._on_event,
            unix_s=unix_s or (lambda: math.nan),
        )
        self._session: Session | None = None
        self._told = ("", 0.0)  # what was last said of a failure, and when
        self._redial = Redial(options.address.loopback)
        self._beat = 0
        self._said_poor = False
        self._wire_seen = 0

    # --- what the daemon calls -----------------------------------------------------------------

    @property
    def is_connected(self) -> bool:
        """Whether the shore is reached right now, as far as can be known here."""
        return self._session is not None and self._inbox.bridge_up is not False

    @property
    def protocol(self) -> Protocol:
        """The version of MQTT that is spoken, or tried."""
        return self._redial.protocol

    @property
    def statuses(self) -> int:
        """How many were sent."""
        return self._latest.statuses

    @property
    def troubles(self) -> list[str]:
        """What is wrong with the way to the shore, in words without changing figures."""
        found = []
        if self._session is not None and self._inbox.bridge_up is False:
            found.append("the broker aboard has no link to the shore")
        if self._delivery.unproven:
            found.append(UNPROVEN)
        return found

    def submit_advisory(self, advisory: Advisory) -> None:
        """Durable when this returns; sent as soon as the link lets it."""
        try:
            self._inbox.gate.raised(advisory.seq, loop_s())
            self._delivery.put(advisory)
        except Exception as error:  # a daemon that warns must not die of warning
            self._fault("advisory", error)

    def submit_status(self, status: Status) -> None:
        """Replaces a status that has not gone out yet."""
        self._latest.status(status)

    def submit_plan(self, plan: Plan) -> None:
        """Kept, and sent again to a broker that has lost it."""
        self._latest.plan(plan)

    def submit_history(self, history: History) -> None:
        """Kept, and sent again to a broker that has lost it."""
        self._latest.history(history)

    def submit_health(self, health: Health) -> None:
        """Replaces one that has not gone out yet."""
        self._latest.health(health)

    def submit_track(self, t: float, lat_deg: float, lon_deg: float, height_m: float) -> None:
        """One position; goes out with others in a compact track message."""
        try:
            self._latest.fix(Fix(t, lat_deg, lon_deg, height_m), self.options.flight)
        except Exception as error:
            self._fault("track", error)

    def poor_link(self, poor: bool) -> None:
        """Said by whoever reads the modem: statuses go seldom. Slow answers say it too."""
        self._said_poor = poor
        self._pacer.poor = poor or self._redial.slow

    async def drained(self, timeout_s: float) -> bool:
        """Wait until the broker has every advisory; False when time is up."""
        return await self._delivery.drained(timeout_s)

    async def run(self) -> None:
        """Connect, send, and connect again; for ever."""
        if self.options.people is None and not self.options.address.loopback:
            self._on_event("acknowledgements_unsigned", {"why": "no list of people is set"})
        while True:
            began_s = loop_s()
            try:
                await self._connected_once()
            except ConnectionFailed as ended:
                failure = ended
            except Exception as error:  # whatever it is, the daemon goes on
                self._fault("connection", error)
                failure = ConnectionFailed(str(error), refused=True)
            self._tell(failure)
            await asyncio.sleep(self._redial.failed(failure, loop_s() - began_s))

    def _tell(self, failure: ConnectionFailed) -> None:
        """Say it, but an outage of an hour fills no log: the same again once a minute."""
        self.counts.failures += 1
        before, told_s = self._told
        if str(failure) == before and loop_s() - told_s < TELL_AGAIN_S:
            return
        self._told = (str(failure), loop_s())
        name = "broker_silent" if failure.silent else "broker_lost"
        self._on_event(name, {"why": str(failure), "waiting": len(self.outbox)})

    # --- one connection ------------------------------------------------------------------------

    async def _connected_once(self) -> None:
        options = self.options
        began_s = loop_s()
        try:
            tls = options.credentials.context() if options.address.tls else None
            hello = self._hello()
        except HomelegError as error:  # a file was taken away or is being renewed
            raise ConnectionFailed(str(error), refused=True) from None
        async with connected(self._dialer, hello, self.protocol, tls) as session:
            self._greet(session, loop_s() - began_s)
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
        return Hello(
            client_id=f"homeleg-{options.aircraft}{self._redial.suffix}",
            user=options.address.user,
            password=options.credentials.password_text(),
            will_topic=self._topic("presence"),
            will_payload=self._presence("offline", "lost").payload(),
            keepalive_s=KEEPALIVE_S,
            timeout_s=self._redial.attempt_s,
            dead_after_s=self._redial.dead_after_s,
            silence_tells=self._redial.silence_tells,
        )

    def _greet(self, session: Session, took_s: float) -> None:
        self._session = session
        self._redial.connected()
        self._told = ("", 0.0)
        self._inbox.bridge_up = None
        self._delivery.begin(session)
        self._latest.begin()
        self._answered_in(took_s / 3.0)  # TCP, TLS and MQTT each wait for one answer
        self._wire_seen = 0
        self.counts.connects += 1
        self._on_event(
            "broker_connected",
            {"broker": str(self.options.address), "mqtt": session.protocol, "took_s": took_s},
        )

    async def _converse(self, session: Session) -> None:
        """All that goes on while the connection stands; ends with the first failure."""
        parts = (
            self._inbox.subscribe,  # not awaited: on a slow link advisories would wait a round trip
            self._delivery.send,
            self._delivery.await_proof,
            self._latest.send,
            self._keep_beating,
            self._inbox.receive,
            self._watch_address,
        )
        tasks = [asyncio.create_task(part(session)) for part in parts]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            results = await ended(tasks)
        failures = [r for r in results if isinstance(r, Exception)]
        raise failures[0] if failures else ConnectionFailed(ENDED)

    async def _keep_beating(self, session: Session) -> None:
        while True:
            began_s = loop_s()
            await self._say_presence(session, self._presence("online"))
            self._answered_in(loop_s() - began_s)
            await asyncio.sleep(self._beat_s())
            self._count_wire(session)

    async def _say_presence(
        self, session: Session, presence: Presence, timeout_s: float = 30.0
    ) -> None:
        where, payload = self._topic("presence"), self._envelope.packed("presence", presence)
        await session.publish(where, payload, qos=1, retain=True, timeout_s=timeout_s)

    def _answered_in(self, seconds: float) -> None:
        """The broker's answer took so long: what statuses may cost depends on it."""
        slow = self._redial.slow = seconds > SLOW_S
        if self._session is not None:
            self._session.patience(DEAD_AFTER_S[slow])
        self._pacer.poor = self._said_poor or slow

    async def _watch_address(self, session: Session) -> None:
        while True:
            await asyncio.sleep(ADDRESS_CHECK_S)
            if session.stranded():
                raise ConnectionFailed("our address has changed")

    async def _farewell(self, session: Session) -> None:
        with suppress(aiomqtt.MqttError, ConnectionFailed, asyncio.TimeoutError, OSError):
            await self._say_presence(session, self._presence("offline", "stopped"), 1.5)

    # --- smaller things ------------------------------------------------------------------------

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
            next_s=self._next_beat_s() if state == "online" else None,
            waiting=len(self.outbox),
            troubles=[text for text in (self.outbox.trouble, *self.troubles) if text],
        )

    def _beat_s(self) -> float:
        return BEAT_S if self.options.costly else LOCAL_BEAT_S

    def _next_beat_s(self) -> float:
        return self._beat_s() + (CALM_S if self.options.costly else 0.0)

    def _count_wire(self, session: Session) -> int:
        """Bytes on the wire since the last count, taken from the budget."""
        wire = session.wire()
        if wire is None:
            return 0
        total = wire.total
        if self.options.address.loopback:
            total += wire.segments * BRIDGE_BYTES
        new = total - self._wire_seen
        self._wire_seen = total
        self.counts.wire_bytes += new
        self._budget.spend(loop_s(), new)
        return new

    def _fault(self, what: str, error: Exception) -> None:
        self._on_event("uplink_fault", {"what": what, "error": f"{type(error).__name__}: {error}"})
