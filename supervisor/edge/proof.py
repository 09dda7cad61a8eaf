"""Whether the broker really hands on what it acknowledges. MQTT 3.1.1 cannot say no.

A broker that must not take a publish answers it under 3.1.1 as if it had ([MQTT-3.3.5-2] of that
standard leaves only this or hanging up), so an advisory would look delivered and be gone. There
we therefore listen to our own advisories: one that comes back proves the way for its connection.
Until then what is acknowledged stays in the outbox and goes again with the next connection.
MQTT 5 says no in its acknowledgement and needs none of this.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress

ECHO_S = 10.0  # two and a half round trips of the slowest link that we are tested on

UNPROVEN = (
    "the broker acknowledges advisories and does not hand them on, or does not let us read them "
    "back: check its access list; they are kept aboard"
)


class Proof:
    """Of one connection."""

    def __init__(self, *, given: bool) -> None:
        self._given = asyncio.Event()
        if given:
            self._given.set()

    @property
    def given(self) -> bool:
        """Whether acknowledged means delivered."""
        return self._given.is_set()

    def came_back(self) -> None:
        """An advisory of ours was handed to us."""
        self._given.set()

    async def within(self, seconds: float) -> bool:
        """Wait for it; whether it was given."""
        with suppress(asyncio.TimeoutError):
            async with asyncio.timeout(seconds):
                await self._given.wait()
        return self.given
