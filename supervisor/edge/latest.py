"""What coalesces on its way out: of statuses, plans and health only the newest counts.

Statuses go at the pace of :mod:`supervisor.edge.rates`, whole or as differences; a plan goes once
for as long as the broker knows us, tracks one after the other. Nothing here is ever waited for by
an advisory.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from supervisor.edge.clock import loop_s
from supervisor.edge.envelope import Envelope
from supervisor.edge.rates import CALM_S, StatusPacer
from supervisor.edge.session import Session
from supervisor.edge.track import Fix, TrackCoder
from supervisor.messages import Health, History, Message, Plan, Status

STATUS_EXPIRY_S = 3600
LOOK_S = 1.0
PILE_BYTES = 8_000  # statuses wait while so much is unanswered


class Latest:
    """Holds what has not gone out yet; :meth:`send` is one connection's part of the work.

    ``pacer`` None: bytes cost nothing, every status goes. ``cost`` gives the bytes on the wire
    since it was last asked.
    """

    def __init__(
        self, envelope: Envelope, pacer: StatusPacer | None, cost: Callable[[Session], int]
    ) -> None:
        self.statuses = 0
        self._envelope = envelope
        self._pacer = pacer
        self._cost = cost
        self._track = TrackCoder()
        self._news = asyncio.Event()
        self._status: Status | None = None
        self._plan: Plan | None = None
        self._history: History | None = None
        # What the broker was given by this very process. That it still knows our name says only
        # that it keeps something: after a restart that is an earlier flight's.
        self._plan_given: Plan | None = None
        self._history_given: History | None = None
        self._health: Health | None = None
        self._tracks: deque[Message] = deque(maxlen=20)

    def status(self, status: Status) -> None:
        """Replaces one that has not gone out yet."""
        self._status = status
        self._news.set()

    def plan(self, plan: Plan) -> None:
        """Kept, and sent again to a broker that has lost it."""
        self._plan = plan
        self._news.set()

    def history(self, history: History) -> None:
        """As a plan."""
        self._history = history
        self._news.set()

    def health(self, health: Health) -> None:
        """Replaces one that has not gone out yet."""
        self._health = health
        self._news.set()

    def fix(self, fix: Fix, flight: str) -> None:
        """One position; goes out with others in a compact track message."""
        if self._track.add(fix):
            message = self._track.take(self._envelope.aircraft, flight)
            if message is not None:
                self._tracks.append(message)
                self._news.set()

    def begin(self) -> None:
        """Who reads may know nothing: the next status goes whole, and at once."""
        if self._pacer is not None:
            self._pacer.begin()
        self._news.set()

    async def send(self, session: Session) -> None:
        """Send what there is, and what comes; ends only by cancellation or with the session."""
        if not session.resumed:
            self._plan_given = self._history_given = None
        while True:
            self._news.clear()
            await self._put_what_is_kept(session)
            health, self._health = self._health, None
            if health is not None:
                await self._put(session, "health", health, retain=True)
            while self._tracks:
                await self._put(session, "track", self._tracks.popleft())
            wait_s = await self._status_if_due(session)
            # Not wait_for: before Python 3.12 it can swallow the cancellation that ends us.
            with suppress(asyncio.TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._news.wait()

    async def _put_what_is_kept(self, session: Session) -> None:
        """Plan and history, unless the broker was given these; noted once they are on their way."""
        plan, history = self._plan, self._history
        if plan is not None and plan is not self._plan_given:
            await self._put(session, "plan", plan, qos=1, retain=True)
            self._plan_given = plan
        if history is not None and history is not self._history_given:
            await self._put(session, "history", history, retain=True)
            self._history_given = history

    async def _status_if_due(self, session: Session) -> float | None:
        """Send the status when its time has come; else how long until then (None: no status)."""
        status, pacer = self._status, self._pacer
        if status is None:
            return None
        if session.unsent_bytes() > PILE_BYTES:
            return 1.0
        now_s = loop_s()
        if pacer is not None and (due_s := pacer.due_s(now_s, status)) > 0.0:
            return due_s  # news may come before; then this is asked again
        self._status = None
        within_s = pacer.next_within_s(now_s) if pacer is not None else _next_look_s(status)
        promised = status.model_copy(update={"next_s": within_s})
        whole = await self._put_status(session, promised, pacer is None or pacer.whole_due(now_s))
        self.statuses += 1
        cost = self._cost(session)
        if pacer is not None:
            pacer.sent(now_s, status, cost, whole=whole)
        return None

    async def _put_status(self, session: Session, status: Status, whole: bool) -> bool:
        """Differences are not retained: who comes late could not read them."""
        payload, whole = self._envelope.status(status, whole=whole)
        expiry_s = STATUS_EXPIRY_S if whole else None
        where = self._envelope.topic("status")
        await session.publish(where, payload, retain=whole, expiry_s=expiry_s)
        return whole

    async def _put(
        self, session: Session, leaf: str, message: Message, *, qos: int = 0, retain: bool = False
    ) -> None:
        payload = self._envelope.packed(leaf, message)
        await session.publish(self._envelope.topic(leaf), payload, qos=qos, retain=retain)


def _next_look_s(status: Status) -> float:
    """Where every look is sent: until the next, and a second for a slow computer to make it."""
    return CALM_S if status.next_s is None else status.next_s + LOOK_S
