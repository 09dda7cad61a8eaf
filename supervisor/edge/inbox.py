"""What the broker tells us: acknowledgements, wishes, our own advisories, the bridge aboard."""

from __future__ import annotations

from collections.abc import Callable

from supervisor.edge.acks import AckGate, AckRefused
from supervisor.edge.clock import loop_s
from supervisor.edge.delivery import Delivery
from supervisor.edge.failures import ConnectionFailed
from supervisor.edge.session import Session
from supervisor.edge.uplinkoptions import Event, UplinkCounts, UplinkOptions
from supervisor.edge.wishes import LEAF as WISH_LEAF
from supervisor.edge.wishes import WishGate
from supervisor.messages import Ack, ReturnWish, topic


class Inbox:
    """``on_wish`` None: wishes are not even listened to. ``on_bridge``: the shore is reached again.

    What an acknowledgement must be to count is the gate's business (:mod:`supervisor.edge.acks`).
    """

    def __init__(
        self,
        options: UplinkOptions,
        delivery: Delivery,
        counts: UplinkCounts,
        *,
        on_ack: Callable[[Ack], None],
        on_wish: Callable[[ReturnWish], None] | None,
        on_bridge: Callable[[], None],
        on_event: Event,
        unix_s: Callable[[], float],
    ) -> None:
        self.gate = AckGate(options.aircraft, options.flight, options.people)
        self.bridge_up: bool | None = None  # None: no bridge aboard, as far as we know
        self._options, self._delivery, self._counts = options, delivery, counts
        self._wishes = WishGate(options.aircraft, options.flight, options.people)
        self._on_ack, self._on_wish, self._on_bridge = on_ack, on_wish, on_bridge
        self._on_event, self._unix_s = on_event, unix_s

    async def subscribe(self, session: Session) -> None:
        """ConnectionFailed when the broker does not let us read what we must."""
        needed = ["ack"] if self._on_wish is None else ["ack", WISH_LEAF]
        useful = ["bridge"] if self._options.address.loopback else []
        if not self._delivery.proof.given:
            useful.append("advisory")
        wanted = [topic(self._options.aircraft, leaf) for leaf in (*needed, *useful)]
        for where in await session.subscribe(wanted):
            if where.rsplit("/", 1)[-1] in needed:
                raise ConnectionFailed(f"the broker does not let us read {where}", refused=True)

    async def receive(self, session: Session) -> None:
        """Hear what comes; ends only by cancellation or with the session."""
        hear = {"ack": self._hear_ack, WISH_LEAF: self._hear_wish, "bridge": self._hear_bridge}
        async for where, payload in session.incoming():
            leaf = where.rsplit("/", 1)[-1]
            if leaf == "advisory":
                self._delivery.came_back()
                continue
            try:
                hear[leaf](where, payload)
            except AckRefused as refused:
                self._counts.acks_refused += 1
                self._on_event("ack_refused", {"why": str(refused)})

    def _hear_ack(self, where: str, payload: bytes) -> None:
        ack = self.gate.judge(where, payload, loop_s(), self._unix_s())
        self._counts.acks += 1
        self._on_ack(ack)

    def _hear_wish(self, where: str, payload: bytes) -> None:
        wish = self._wishes.judge(where, payload)
        if self._on_wish is not None:
            self._on_wish(wish)

    def _hear_bridge(self, _where: str, payload: bytes) -> None:
        """mosquitto's own notification: 1 or 0. The shore may have missed statuses meanwhile."""
        up = payload == b"1"
        if up is not self.bridge_up:
            waiting = len(self._delivery.outbox)
            self._on_event("bridge_up" if up else "bridge_down", {"waiting": waiting})
        self.bridge_up = up
        if up:
            self._on_bridge()
