"""Joins the return request to the monitor: from alerts and forecast to its facts and its words."""

from __future__ import annotations

import math
from dataclasses import dataclass

from supervisor.core.conclusions import Level, Phase, ReturnState
from supervisor.core.decide.return_request import Facts, Memory, Step, bar, step
from supervisor.core.decide.rules import STALE_S, Alerts, Held, Situation
from supervisor.core.events import ReturnWish, Wish
from supervisor.core.plan import ReturnRequest

CONDITION = "return-request"
WARNING = "turn-back-now"
ANNOUNCEMENT = (
    "Nobody answers: in {:.0f} s Homeleg asks the autopilot to return home. Acknowledge or stop "
    "it to prevent that."
)
REQUEST = (
    "Homeleg has asked the autopilot to return home, this once. The remote pilot decides what "
    "it does now."
)


@dataclass(frozen=True, slots=True)
class Said:
    """An advisory about the request; ``ask``: and the request itself, now."""

    level: Level
    sentence: str
    ask: bool = False


class ReturnWatch:
    """One flight's wish, countdown and request. Does nothing at all without rules."""

    def __init__(self, rules: ReturnRequest | None) -> None:
        self._rules = rules
        self._memory = Memory()
        self._armed_by = self._stopped_by = ""
        self._read_s = -math.inf

    @property
    def state(self) -> tuple[ReturnState, str]:
        """In one word, and whose doing it is.

        ``""``: the flight file does not allow it; ``unarmed``, ``armed``, ``counting`` (down to the
        request), ``stopped`` by a person, ``asked``.
        """
        if self._rules is None:
            return "", ""
        if self._memory.counting:
            return "counting", self._armed_by
        if self._stopped_by:
            return "stopped", self._stopped_by
        if self._memory.spent:
            return "asked", self._armed_by
        return ("armed", self._armed_by) if self._armed_by else ("unarmed", "")

    def wish(self, said: ReturnWish) -> None:
        """A person, authenticated at the edge, armed or stopped it."""
        if said.wish is Wish.ARM:
            self._armed_by = self._armed_by or said.by
        else:
            self._stopped_by = said.by

    def acknowledged(self, t_s: float) -> None:
        """Reading anything, the announcement too, shows that somebody is there and decides."""
        self._read_s = t_s

    def look(self, s: Situation, alerts: Alerts, phase: Phase) -> Said | None:
        """What is to be said and done, if the table says that something is due."""
        if self._rules is None:
            return None
        facts = self._facts(s, alerts, phase)
        why_not = bar(self._rules, self._memory, facts)
        self._memory, due = step(self._rules, self._memory, facts)
        match due:
            case Step.ANNOUNCE:
                return Said(Level.WARNING, ANNOUNCEMENT.format(self._rules.countdown_s))
            case Step.CANCEL:
                return Said(Level.NORMAL, f"No return is asked for: {why_not}.")
            case Step.ASK:
                return Said(Level.WARNING, REQUEST, ask=True)
            case Step.NOTHING:
                return None

    def _facts(self, s: Situation, alerts: Alerts, phase: Phase) -> Facts:
        held = alerts.held.get(WARNING, Held())
        holds = held.level is Level.WARNING
        fresh = s.telemetry_age_s <= STALE_S and s.position_age_s <= STALE_S and s.fix_ok
        return Facts(
            t_s=s.t_s,
            armed=bool(self._armed_by),
            stopped=bool(self._stopped_by),
            warned_s=held.since_s if holds else math.nan,
            acknowledged=bool(held.acked_by) or self._read_s >= held.since_s,
            phase=phase,
            homeward=s.homeward,
            trusted=fresh and not s.doubts and math.isfinite(s.turn_back_safe_s),
        )
