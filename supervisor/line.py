"""The one straight line, from frame to message, without any I/O.

The daemon, a replay and the campaign all drive this same object: frames with their times go in,
published messages come out. Nothing in it knows where they come from or go to.
"""

from __future__ import annotations

import math

from supervisor import messages
from supervisor.core.conclusions import Advisory, ReturnAsked, Status, Text
from supervisor.core.estimate.prior import Lessons, Prior
from supervisor.core.events import Acknowledged, PackReport, ReturnWish, Wish
from supervisor.core.monitor import Monitor, Output
from supervisor.core.plan import Flight
from supervisor.daemonfile import ForecastSection
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import Frame
from supervisor.publish import Publisher

NS_PER_S = 1_000_000_000

Concluded = messages.Advisory | messages.Status | Text | ReturnAsked


class Line:
    """Frames to messages for one flight; time is nanoseconds of the recording."""

    def __init__(
        self,
        flight: Flight,
        flight_id: str,
        forecast: ForecastSection | None = None,
        prior: Prior | None = None,
    ) -> None:
        effort = forecast or ForecastSection()
        self.publisher = Publisher(flight.aircraft.aircraft_id, flight_id)
        self._decoder = Decoder()
        self._monitor = Monitor(
            flight, seed=effort.seed, members=effort.members, points=effort.points, prior=prior
        )
        self._first_ns: int | None = None
        self._lowest_cell_v = math.inf

    def frame(self, frame: Frame, t_ns: int) -> list[Concluded]:
        """What this frame, received at ``t_ns``, leads to."""
        if self._first_ns is None:
            self._first_ns = t_ns
        observation = self._decoder.decode(frame, self._seconds(t_ns))
        if observation is None:
            return self.tick(t_ns)
        if isinstance(observation, PackReport):
            self._lowest_cell_v = min((self._lowest_cell_v, *observation.cell_v))
        outputs = self._monitor.handle(observation)
        return self._publish(outputs) if outputs else []  # nearly always none

    def acknowledge(self, seq: int, by: str, t_ns: int) -> list[Concluded]:
        """A person, authenticated at the edge, has read advisory ``seq``."""
        return self._publish(self._monitor.handle(Acknowledged(self._seconds(t_ns), seq, by)))

    def wish(self, wish: str, by: str, t_ns: int) -> list[Concluded]:
        """A person, authenticated at the edge, armed or stopped the optional return request."""
        return self._publish(self._monitor.handle(ReturnWish(self._seconds(t_ns), Wish(wish), by)))

    def tick(self, t_ns: int) -> list[Concluded]:
        """What was due up to ``t_ns``."""
        return self._publish(self._monitor.tick(self._seconds(t_ns)))

    def reflect(self) -> None:
        """What the last look left for later; to be called when it has been published."""
        self._monitor.reflect()

    def next_ns(self) -> int | None:
        """When :meth:`tick` next has something to do; None before the first frame."""
        deadline_s = self._monitor.next_deadline()
        return self._nanoseconds(deadline_s) if math.isfinite(deadline_s) else None

    def lessons(self) -> Lessons:
        """What this flight has taught so far, for the next one."""
        return self._monitor.lessons()

    def take_lowest_cell_v(self) -> float:
        """The lowest voltage told of any cell since this was last asked; inf: of none."""
        lowest_v, self._lowest_cell_v = self._lowest_cell_v, math.inf
        return lowest_v

    def unix_s(self, t_ns: int) -> float:
        """The aircraft's own date at ``t_ns``; NaN while its autopilot does not know it."""
        return self._monitor.unix_s(self._seconds(t_ns))

    def _seconds(self, t_ns: int) -> float:
        return (t_ns - (self._first_ns or 0)) / NS_PER_S

    def _nanoseconds(self, t_s: float) -> int:
        # A microsecond late rather than a rounding early: early would find nothing due yet.
        return math.ceil(t_s * NS_PER_S) + 1000 + (self._first_ns or 0)

    def _publish(self, outputs: list[Output]) -> list[Concluded]:
        return [self._message(output) for output in outputs]

    def _message(self, output: Output) -> Concluded:
        match output:
            case Advisory():
                return self.publisher.advisory(output, self._monitor.unix_s(output.t_s))
            case Status():
                return self.publisher.status(output)
            case Text() | ReturnAsked():
                return output
