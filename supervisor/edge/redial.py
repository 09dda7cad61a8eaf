"""When to connect again: how soon, how patiently, by which name, in which version of MQTT.

No clock in here, and no socket: each attempt's outcome goes in, the next one's settings come out.
"""

from __future__ import annotations

import random
import secrets
from dataclasses import dataclass

from supervisor.edge.failures import ConnectionFailed
from supervisor.edge.session import Protocol

ATTEMPT_S = (4.5, 10.0)  # limits of connection attempts, in turn: quick links, slow ones
DEAD_AFTER_S = (8.0, 30.0)  # unanswered bytes end the connection: quick link, slow link
LOCAL_ATTEMPT_S = 1.5  # a broker on this machine that knows no MQTT 5 says nothing at all
BACKOFF_FIRST_S, BACKOFF_MOST_S, BACKOFF_REFUSED_S = 0.2, 1.5, 5.0
QUICK_LOSS_S, QUICK_LOSSES = 5.0, 4  # so many connections thrown out at once: a double name


@dataclass(slots=True)
class Redial:
    """``local``: the broker is on this machine. ``slow``: the last answers came late."""

    local: bool
    protocol: Protocol = 5
    suffix: str = ""  # to our name, when somebody else uses it
    slow: bool = False
    tries: int = 0  # since a connection stood
    _stood: bool = False
    _quick_losses: int = 0

    @property
    def patient(self) -> bool:
        """Whether this attempt is one for slow links: every other one is."""
        return (self.tries + self.slow) % 2 == 1

    @property
    def attempt_s(self) -> float:
        """How long this attempt may wait for an answer."""
        if self.local and self.protocol == 5:
            return LOCAL_ATTEMPT_S
        return ATTEMPT_S[self.patient]

    @property
    def dead_after_s(self) -> float:
        """How long sent bytes may stay unanswered."""
        return DEAD_AFTER_S[self.patient]

    @property
    def silence_tells(self) -> bool:
        """Whether no answer means that the broker speaks another version, not that it is far."""
        return self.local or self.patient

    def connected(self) -> None:
        """This attempt stood."""
        self._stood, self.tries = True, 0

    def failed(self, failure: ConnectionFailed, lasted_s: float) -> float:
        """It ended; seconds to wait before the next one."""
        self.tries += 1
        stood, self._stood = self._stood, False
        if stood and not failure.refused:
            self._quick_losses = self._quick_losses + 1 if lasted_s < QUICK_LOSS_S else 0
        if failure.taken_over or self._quick_losses >= QUICK_LOSSES:
            # Somebody else uses our name (few brokers say so). Fighting over it would stop both.
            self.suffix = f"-{secrets.token_hex(2)}"
            self._quick_losses = 0
        if failure.silent:
            self.protocol = 4 if self.protocol == 5 else 5
            if self.tries <= 2:
                return 0.0  # the other version is tried at once
        most_s = BACKOFF_REFUSED_S if failure.refused else BACKOFF_MOST_S
        pause_s = min(BACKOFF_FIRST_S * 2.0 ** min(self.tries, 10), most_s)
        return pause_s * random.uniform(0.5, 1.0)
