"""Who may arm or stop the optional return request: known people, by signature, for this flight.

Without a list of people nothing counts here, on a bench neither: what may move the aircraft is
never taken unsigned. Stopping needs the same proof as arming; acknowledging stops it as well.
"""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import ValidationError

from supervisor.edge.acks import LARGEST, AckRefused
from supervisor.edge.signatures import Verifier
from supervisor.messages import ReturnWish

LEAF = "return"


class WishGate:
    """Judges wishes for one aircraft and one flight."""

    def __init__(self, aircraft: str, flight: str, people: Mapping[str, bytes] | None) -> None:
        self._ours = (aircraft, flight)
        # A list of nobody refuses everybody.
        self._verifier = Verifier(people or {}, gapless=frozenset())

    def judge(self, topic: str, payload: bytes) -> ReturnWish:
        """The wish, if it counts; else AckRefused says why not."""
        if len(payload) > LARGEST:
            raise AckRefused("too long")
        checked = self._verifier.check(topic, payload)
        if not checked.genuine:
            raise AckRefused(checked.verdict.value)
        try:
            wish = ReturnWish.model_validate_json(checked.bare)
        except ValidationError:
            raise AckRefused("not a wish") from None
        if wish.by != checked.by:
            raise AckRefused("signed by another person than it names")
        if (wish.aircraft, wish.flight) != self._ours:
            raise AckRefused("for another aircraft or flight")
        return wish
