"""Who said it: signatures of what is heard, and our own below what we acknowledge.

Without a list of keys nothing can be checked, and the page says nothing about it. With one, what
is not genuine never replaces what is: see :func:`supervisor.watch.picture.fold`.
"""

from __future__ import annotations

import time
from pathlib import Path

from supervisor.edge.signatures import Signer, Verdict, Verifier, load_keyring
from supervisor.messages import Ack
from supervisor.watch.picture import Told, Trust


class Ring:
    """Public keys of aircraft and people, and the key of the person who watches."""

    def __init__(
        self, person: str, keys: dict[str, bytes] | None = None, signer: Signer | None = None
    ) -> None:
        self.person, self._signer = person, signer
        self._verifier = Verifier(keys) if keys is not None else None
        self._boot, self._order = int(time.time()), 0

    @staticmethod
    def of(keys: Path | None, sign: Path | None, person: str) -> Ring:
        """From files; InputError says what is wrong with them."""
        signer = Signer.from_file(sign) if sign else None
        ring = load_keyring(keys) if keys else None
        if ring is not None and signer is not None:
            ring = {person: signer.public_raw} | ring  # what we say ourselves is known to us
        return Ring(person, ring, signer)

    def opened(self, topic: str, payload: bytes, *, retained: bool) -> tuple[bytes, Trust, str]:
        """The message without its signature, what it is worth, and whose signature it bears."""
        if self._verifier is None:
            return payload, "unchecked", ""
        checked = self._verifier.check(topic, payload)
        # The broker hands out its retained message at every subscription: known, not replayed.
        known = checked.verdict is Verdict.REPEATED or (
            retained and checked.verdict is Verdict.REPLAYED
        )
        trust: Trust = "verified" if checked.genuine or known else "unverified"
        return checked.bare, trust, checked.by

    @staticmethod
    def fits(message: Told, by: str) -> bool:
        """A genuine signature counts only below what its owner may say."""
        return by == (message.by if isinstance(message, Ack) else message.aircraft)

    def sealed(self, topic: str, payload: bytes) -> bytes:
        """Ready to publish: signed when there is a key."""
        if self._signer is None:
            return payload
        self._order += 1
        return self._signer.sign(topic, payload, boot=self._boot, order=self._order)
