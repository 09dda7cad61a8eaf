"""A recording through the line: the same code, the same times, the same advisories."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import ValidationError

from supervisor import messages
from supervisor.core.estimate.prior import Prior
from supervisor.core.plan import Flight
from supervisor.daemonfile import ForecastSection
from supervisor.edge.frames import read_frame
from supervisor.edge.recorder import MAVLINK
from supervisor.edge.recording import Recording
from supervisor.errors import InputError
from supervisor.line import Concluded, Line
from supervisor.priors import prior_of


def recorded_effort(recording: Recording) -> ForecastSection:
    """The forecast's settings with which the flight was flown."""
    try:
        return ForecastSection.model_validate_json(recording.metadata.get("forecast", "{}"))
    except ValidationError:
        return ForecastSection()


def recorded_prior(recording: Recording, flight: Flight) -> Prior:
    """What earlier flights had taught when this one began, and it therefore started from."""
    try:
        return prior_of(recording.metadata.get("prior", ""), flight, "prior")
    except InputError:  # damaged; a daemon starts from none that is unfit
        return Prior()


def replay(
    recording: Recording, flight: Flight, effort: ForecastSection
) -> Iterator[messages.Advisory | messages.Status]:
    """All advisories and statuses that the recording leads to, in order.

    Frames and acknowledgements are fed with the times at which they came; the statuses and
    advisories recorded in flight only tell how long the daemon went on looking.
    """
    prior = recorded_prior(recording, flight)
    line = Line(flight, recording.metadata.get("flight", ""), effort, prior)
    for topic, t_ns, data in recording.messages():
        if topic == MAVLINK:
            frame = read_frame(data)
            concluded = line.frame(frame, t_ns) if frame is not None else None
            if concluded:  # seldom
                yield from _published(concluded)
        elif topic == "ack":
            yield from _acknowledge(line, data, t_ns)
        else:
            yield from _published(line.tick(t_ns))


def _acknowledge(
    line: Line, data: bytes, t_ns: int
) -> Iterator[messages.Advisory | messages.Status]:
    if b'"wish":' in data:
        yield from _wish(line, data, t_ns)
        return
    try:
        ack = messages.Ack.model_validate_json(data)
    except ValidationError:
        return
    yield from _published(line.acknowledge(ack.seq, ack.by, t_ns))


def _wish(line: Line, data: bytes, t_ns: int) -> Iterator[messages.Advisory | messages.Status]:
    try:
        said = messages.ReturnWish.model_validate_json(data)
    except ValidationError:
        return
    yield from _published(line.wish(said.wish, said.by, t_ns))


def _published(concluded: list[Concluded]) -> Iterator[messages.Advisory | messages.Status]:
    for message in concluded:
        if isinstance(message, messages.Advisory | messages.Status):
            yield message


def clock_text(t_s: float) -> str:
    """``1:02:03`` of flight."""
    whole = int(t_s)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def pretty(message: messages.Advisory | messages.Status) -> str:
    """One line for a person."""
    kind = message.condition if isinstance(message, messages.Advisory) else message.phase
    return f"{clock_text(message.t)}  {message.level.upper():8}  {kind:17} {message.sentence}"
