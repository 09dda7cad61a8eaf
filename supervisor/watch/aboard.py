"""How the aircraft's own computer is, in the few words that a person needs before and in flight."""

from __future__ import annotations

from supervisor.messages import Status
from supervisor.watch.picture import Picture, missing

ON_GROUND = ("ground", "unknown")
RETURN = {
    "unarmed": "allowed by the flight file, not armed",
    "armed": "armed by {}: should a turn-back-now stay unanswered, it asks for the return itself",
    "counting": "counting down, armed by {}; acknowledging anything stops it",
    "stopped": "stopped for this flight by {}",
    "asked": "the autopilot was asked to return, once, armed by {}",
}
SPOKEN_UP = ("armed", "counting", "asked")


def return_words(status: Status | None) -> str:
    """The state of the optional return request; empty where the policy does not allow it."""
    if status is None or not status.return_request:
        return ""
    return RETURN[status.return_request].format(status.return_by or "somebody")


def aboard(picture: Picture) -> tuple[str, ...]:
    """Sentences to be seen at once: not ready, troubles, what waits, a request that is armed."""
    health, presence, status = picture.health, picture.presence, picture.status
    said = []
    if health is not None and health.flight == (picture.flight or health.flight):
        on_ground = status is None or status.phase in ON_GROUND
        over = status is not None and status.landed is not None
        if on_ground and not over and not health.ready:
            said.append(f"Not ready for take-off: {'; '.join(health.not_ready)}.")
    else:
        health = None
    troubles = [*(health.troubles if health else ()), *(presence.troubles if presence else ())]
    if troubles:
        said.append(f"Trouble aboard: {'; '.join(dict.fromkeys(troubles))}.")
    if presence is not None and presence.waiting and missing(picture):
        count = presence.waiting
        said.append(f"{count} {'advisories wait' if count > 1 else 'advisory waits'} aboard.")
    if status is not None and status.return_request in SPOKEN_UP:
        said.append(f"Return request: {return_words(status)}.")
    return tuple(said)
