"""How old the knowledge is, and where the chain from aircraft to watcher is broken.

Five different silences look alike on a page that only shows a number; each needs another remedy,
so each is told apart and said in words.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from supervisor.watch.picture import Picture

State = Literal["live", "waiting", "kept", "no-broker", "offline", "silent", "late", "telemetry"]

# A message is missed when it is this much later than promised; and nothing is called stale
# before LEAST_S, so that a stream of one message a second says so within five seconds of silence.
GRACE_S, LEAST_S = 2.0, 4.0
# The daemon's own limit for telemetry (it hears a heartbeat every second).
TELEMETRY_S = 5.0
LONGEST_PERIOD_S = 30.0
OFFLINE = {
    "": "The aircraft's computer is offline: its link or the daemon is down.",
    "lost": "The aircraft's computer was lost: its link or the daemon is down.",
    "stopped": "The daemon aboard was stopped in good order.",
}


@dataclass(frozen=True, slots=True)
class Freshness:
    """``stale``: do not trust the figures as they stand. ``age_s``: None when nobody knows."""

    state: State
    stale: bool
    age_s: float | None
    silence_s: float | None
    due_s: float
    next_s: float | None  # until the next status is due; None when nobody knows
    sentence: str


def due(picture: Picture) -> float:
    """Within how many seconds the next status should come: promised, or else as it used to."""
    status = picture.status
    if status is not None and status.next_s is not None:
        return max(status.next_s, 0.0)
    return min(max(picture.gaps_s, default=1.0), LONGEST_PERIOD_S)


def _silence_limit_s(picture: Picture, due_s: float) -> float:
    """A status is due, or a beat if that was promised sooner."""
    presence = picture.presence
    beats = presence is not None and not math.isnan(picture.presence_at_s)
    if presence is not None and beats and presence.next_s is not None:
        due_s = min(due_s, presence.next_s)
    return max(LEAST_S, due_s + GRACE_S)


def freshness(picture: Picture, now_s: float, broker_lost_s: float | None) -> Freshness:
    """``broker_lost_s``: since when the watcher has no broker; None while it has one."""
    due_s = due(picture)
    limit_s = max(LEAST_S, due_s + GRACE_S)
    silence_s = _since(picture.heard_at_s, now_s)
    since_s = _since(picture.status_at_s, now_s)
    status = picture.status
    age_s = None if status is None or since_s is None else since_s + status.telemetry_age_s
    state, sentence = _chain(picture, now_s, broker_lost_s, limit_s)
    # A lost broker is said at once, but the figures are good until the next ones are overdue.
    fresh = state == "live" or (state == "no-broker" and since_s is not None and since_s <= limit_s)
    next_s = None if since_s is None else max(due_s - since_s, 0.0)
    return Freshness(state, not fresh, age_s, silence_s, due_s, next_s, sentence)


def _since(at_s: float, now_s: float) -> float | None:
    return None if math.isnan(at_s) else max(now_s - at_s, 0.0)


def _chain(
    picture: Picture, now_s: float, broker_lost_s: float | None, limit_s: float
) -> tuple[State, str]:
    """Walk from the watcher to the aircraft and name the first broken link."""
    silence_s = _since(picture.heard_at_s, now_s)
    since_s = _since(picture.status_at_s, now_s)
    quiet_s = _silence_limit_s(picture, due(picture))
    status, presence = picture.status, picture.presence
    if broker_lost_s is not None:
        return "no-broker", f"This watcher lost the broker {spell(now_s - broker_lost_s)} ago."
    if presence is not None and presence.state == "offline":
        return "offline", OFFLINE[presence.reason]
    if status is None:
        return "waiting", "Waiting for the aircraft's first word."
    if since_s is None or not picture.live:
        return "kept", "The broker kept these figures; no new ones have been heard yet."
    if silence_s is None or silence_s > quiet_s:
        return "silent", f"Nothing heard from the aircraft for {spell(silence_s or since_s)}."
    if since_s > limit_s:
        return "late", f"The daemon is alive, but its last figures are {spell(since_s)} old."
    telemetry_s = status.telemetry_age_s + since_s
    if status.telemetry_age_s > TELEMETRY_S:
        return "telemetry", f"The daemon hears no telemetry, for {spell(telemetry_s)}."
    return "live", "Live."


def spell(seconds: float) -> str:
    """``"8 s"``, ``"3 min 05 s"``, ``"2 h 10 min"``, ``"3 days"``."""
    whole = int(max(seconds, 0.0))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    if whole < 48 * 3600:
        return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
    return f"{whole // 86400} days"
