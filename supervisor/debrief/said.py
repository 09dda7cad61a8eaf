"""What was said in flight: statuses, advisories and acknowledgements of a recording.

A recording of the daemon carries them. One of frames alone (the simulator's) is first run through
the core, with a smaller ensemble than in flight: a debrief need not be byte for byte.
"""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import ValidationError

from supervisor import messages
from supervisor.core.plan import Flight
from supervisor.daemonfile import ForecastSection
from supervisor.edge.recording import Recording
from supervisor.replay import recorded_effort, replay

REPLAY_MEMBERS, REPLAY_POINTS = 80, 12
NS_PER_S = 1e9


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """Who read which advisory, when."""

    t_s: float
    seq: int
    by: str


@dataclass(frozen=True, slots=True)
class Said:
    """In order of time. ``replayed``: made afterwards, from frames alone."""

    statuses: tuple[messages.Status, ...]
    advisories: tuple[messages.Advisory, ...]
    acks: tuple[Acknowledgement, ...]
    replayed: bool


def hear_again(recording: Recording, flight: Flight) -> Said:
    """The recording's own messages, or those that its frames lead to."""
    statuses: list[messages.Status] = []
    advisories: list[messages.Advisory] = []
    acks: list[Acknowledgement] = []
    first_ns: int | None = None
    for topic, t_ns, data in recording.messages():
        first_ns = t_ns if first_ns is None else first_ns
        try:
            if topic == "status":
                statuses.append(messages.Status.model_validate_json(data))
            elif topic == "advisory":
                advisories.append(messages.Advisory.model_validate_json(data))
            elif topic == "ack":
                ack = messages.Ack.model_validate_json(data)
                acks.append(Acknowledgement((t_ns - first_ns) / NS_PER_S, ack.seq, ack.by))
        except ValidationError:
            continue  # of another edition, or damaged: the frames still count
    if statuses:
        return Said(tuple(statuses), tuple(advisories), tuple(acks), replayed=False)
    asked = recorded_effort(recording).model_dump()
    least = {"members": REPLAY_MEMBERS, "points": REPLAY_POINTS}
    effort = ForecastSection(**asked | {k: min(asked[k], v) for k, v in least.items()})
    for message in replay(recording, flight, effort):
        if isinstance(message, messages.Status):
            statuses.append(message)
        else:
            advisories.append(message)
    return Said(tuple(statuses), tuple(advisories), tuple(acks), replayed=True)
