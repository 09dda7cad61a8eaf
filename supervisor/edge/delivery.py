"""Advisories from the outbox to the broker: QoS 1, in order, several under way at once.

A slow link must not cost a round trip for each, so as many are unanswered at once as the broker
allows (:attr:`Session.most_under_way`). They stay in order all the same: one connection carries
them in the order in which they were given to it, and a connection that is lost begins again with
the oldest that has not been answered (MQTT 5.0 section 4.6; the reader drops the doubles).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection
from contextlib import suppress
from itertools import islice

from supervisor.edge.clock import loop_s
from supervisor.edge.envelope import Envelope
from supervisor.edge.outbox import Held, Outbox
from supervisor.edge.proof import ECHO_S, UNPROVEN, Proof
from supervisor.edge.session import Session
from supervisor.edge.uplinkoptions import Event, UplinkCounts
from supervisor.messages import Advisory

OTHERS = 2  # a beat and a plan may be under way beside the advisories


class Delivery:
    """``on_answer`` hears how many seconds each answer of the broker took."""

    def __init__(
        self,
        outbox: Outbox,
        envelope: Envelope,
        counts: UplinkCounts,
        *,
        on_event: Event,
        on_answer: Callable[[float], None],
    ) -> None:
        self.outbox = outbox
        self.unproven = False  # the broker acknowledges, but nothing comes back
        self.proof = Proof(given=True)
        self._envelope = envelope
        self._counts = counts
        self._on_event, self._on_answer = on_event, on_answer
        self._to_send = asyncio.Event()
        self._empty = asyncio.Event()
        self._acknowledged: set[int] = set()  # on this connection; they are still in the outbox

    def put(self, advisory: Advisory) -> None:
        """Durable when this returns; sent as soon as the link lets it."""
        payload = self._envelope.advisory(advisory, self.outbox.next_order())
        self.outbox.put(advisory.seq, payload)
        self._empty.clear()
        self._to_send.set()

    async def drained(self, timeout_s: float) -> bool:
        """Wait until the broker has every advisory; False when time is up."""
        if len(self.outbox) == 0:
            return True
        with suppress(asyncio.TimeoutError):
            await asyncio.wait_for(self._empty.wait(), timeout_s)
        return len(self.outbox) == 0

    def begin(self, session: Session) -> None:
        """A new connection: nothing has been answered on it."""
        self.proof = Proof(given=session.protocol == 5)
        self._acknowledged.clear()
        self._to_send.set()

    def came_back(self) -> None:
        """An advisory of ours was handed to us: what is acknowledged is delivered."""
        self.proof.came_back()
        self._to_send.set()

    async def send(self, session: Session) -> None:
        """Send what there is, and what comes; ends only by cancellation or with the session."""
        under_way: dict[int, asyncio.Task[None]] = {}
        window = max(session.most_under_way - OTHERS, 1)
        try:
            while True:
                self._to_send.clear()
                async with session.together():
                    for held in self._next(window - len(under_way), under_way):
                        under_way[held.order] = asyncio.create_task(self._send(session, held))
                self._settle()  # after what is next has gone: the disk may be slow
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

    async def await_proof(self, _session: Session) -> None:
        """Under MQTT 3.1.1: say so when nothing comes back of what is acknowledged."""
        while not await self.proof.within(ECHO_S):
            if self._acknowledged and not self.unproven:
                self.unproven = True
                self._on_event("broker_hands_nothing_on", {"why": UNPROVEN})
        self.unproven = False

    def _next(self, count: int, under_way: Collection[int]) -> list[Held]:
        """The oldest that this connection has not been given."""
        given = self._acknowledged.union(under_way)
        waiting = (held for held in self.outbox.pending() if held.order not in given)
        return list(islice(waiting, count))

    async def _send(self, session: Session, held: Held) -> None:
        began_s = loop_s()
        await session.publish(self._envelope.topic("advisory"), held.payload, qos=1)
        self._on_answer(loop_s() - began_s)
        self._acknowledged.add(held.order)

    def _settle(self) -> None:
        """Forget what is delivered, all in one commit: acknowledged, and proven if need be."""
        if not self._acknowledged or not self.proof.given:
            return
        self.outbox.delete(*self._acknowledged)
        self._counts.advisories += len(self._acknowledged)
        self._acknowledged.clear()
        if len(self.outbox) == 0:
            self._empty.set()
