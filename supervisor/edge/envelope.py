"""How a message becomes bytes on a topic: signed, and squeezed where bytes cost something."""

from __future__ import annotations

from dataclasses import dataclass, field

from supervisor.edge import delta
from supervisor.edge.signatures import Signer
from supervisor.edge.squeeze import squeeze
from supervisor.messages import Advisory, Message, topic


@dataclass(slots=True)
class Envelope:
    """One aircraft's messages in one life of the daemon (``boot``)."""

    aircraft: str
    signer: Signer | None
    boot: int
    squeezed: bool
    _orders: dict[str, int] = field(default_factory=dict)
    _whole: bytes = b""  # the last status that went whole

    def topic(self, leaf: str) -> str:
        """Where it goes."""
        return topic(self.aircraft, leaf)

    def advisory(self, advisory: Advisory, order: int) -> bytes:
        """Never squeezed, so that any tool can read what matters most."""
        return self._signed("advisory", advisory.payload(), order)

    def plain(self, leaf: str, message: Message) -> bytes:
        """Signed, numbered within this boot."""
        order = self._orders[leaf] = self._orders.get(leaf, 0) + 1
        return self._signed(leaf, message.payload(), order)

    def packed(self, leaf: str, message: Message) -> bytes:
        """Signed and squeezed."""
        payload = self.plain(leaf, message)
        return squeeze(payload) if self.squeezed else payload

    def status(self, status: Message, *, whole: bool) -> tuple[bytes, bool]:
        """The payload, and whether it is whole: differences from the last whole one if it may."""
        payload = self.plain("status", status)
        if not self.squeezed:
            return payload, True
        told = None if whole or not self._whole else delta.encode(self._whole, payload)
        if told is not None:
            return told, False
        self._whole = payload
        return squeeze(payload), True

    def _signed(self, leaf: str, payload: bytes, order: int) -> bytes:
        if self.signer is None:
            return payload
        return self.signer.sign(self.topic(leaf), payload, boot=self.boot, order=order)
