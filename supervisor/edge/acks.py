"""Who may acknowledge what, and when: the gate for messages that come *to* the aircraft.

An acknowledgement counts when a known person signed it for this aircraft, this flight and one
advisory that was really raised, within a time window, and once. The window is counted on the
aircraft's own monotonic clock from the moment the advisory was raised; when the aircraft knows
the date the signed date must fit as well.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from pydantic import ValidationError

from supervisor.edge.signatures import Verifier
from supervisor.messages import Ack

WINDOW_S = 1800.0  # after an advisory was raised
DATE_SLACK_S = 600.0  # clocks of laptops and links that hold messages back
LARGEST = 4096  # bytes


class AckRefused(Exception):  # noqa: N818 - an outcome, not a fault of ours
    """Why an acknowledgement does not count."""


@dataclass(slots=True)
class AckGate:
    """Judges acknowledgements of one aircraft and one flight.

    ``people``: name to raw public key; None takes unsigned ones too (bench and demo only).
    """

    aircraft: str
    flight: str
    people: Mapping[str, bytes] | None
    window_s: float = WINDOW_S
    _raised_s: dict[int, float] = field(default_factory=dict)
    _seen: set[tuple[int, str]] = field(default_factory=set)
    _verifier: Verifier | None = None

    def __post_init__(self) -> None:
        if self.people is not None:
            self._verifier = Verifier(self.people, gapless=frozenset())

    def raised(self, seq: int, now_s: float) -> None:
        """An advisory went out: from now on it can be acknowledged."""
        self._raised_s[seq] = now_s
        while len(self._raised_s) > 1000:
            del self._raised_s[next(iter(self._raised_s))]

    def judge(self, topic: str, payload: bytes, now_s: float, unix_s: float) -> Ack:
        """The acknowledgement, if it counts; else AckRefused says why not.

        ``unix_s`` is NaN while the date is not known.
        """
        if len(payload) > LARGEST:
            raise AckRefused("too long")
        by = ""
        bare = payload
        if self._verifier is not None:
            checked = self._verifier.check(topic, payload)
            if not checked.genuine:
                raise AckRefused(checked.verdict.value)
            by, bare = checked.by, checked.bare
        try:
            ack = Ack.model_validate_json(bare)
        except ValidationError:
            raise AckRefused("not an acknowledgement") from None
        self._check(ack, by, now_s, unix_s)
        self._seen.add((ack.seq, ack.by))
        return ack

    def _check(self, ack: Ack, by: str, now_s: float, unix_s: float) -> None:
        if self.people is not None and ack.by != by:
            raise AckRefused("signed by another person than it names")
        if (ack.aircraft, ack.flight) != (self.aircraft, self.flight):
            raise AckRefused("for another aircraft or flight")
        raised_s = self._raised_s.get(ack.seq)
        if raised_s is None:
            raise AckRefused("for an advisory that was not raised")
        if now_s - raised_s > self.window_s:
            raise AckRefused("too late")
        if math.isfinite(unix_s) and abs(_unix_s(ack.utc) - unix_s) > self.window_s + DATE_SLACK_S:
            raise AckRefused("its date is outside the window")
        if (ack.seq, ack.by) in self._seen:
            raise AckRefused("already acknowledged")


def _unix_s(utc: str) -> float:
    try:
        moment = datetime.datetime.fromisoformat(utc)
    except ValueError:
        raise AckRefused("its date cannot be read") from None
    if moment.tzinfo is None:
        raise AckRefused("its date has no time zone")
    return moment.timestamp()
