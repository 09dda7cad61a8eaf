"""One simulated flight over real links, in real time, faster, or as fast as it will go.

Before take-off simulated time stands still and only heartbeats leave, until a client has asked
for what it needs (or nobody did within the waiting time), so that a supervisor misses nothing of
an accelerated flight. Then frames leave when their simulated time has come.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace

from sim.flight import Flight
from sim.link import LossyLink
from sim.ports import Port
from sim.state import AircraftState, Phase
from sim.telemetry import Telemetry

Hold = Callable[[float], Awaitable[None]]  # called with simulated time; returns when it may go on

TICK_S = 0.02  # wall time between looks at the clock
LONGEST_HELD_S = 2.0  # simulated time sent in one go when something may hold us
LONGEST_CHUNK_S = 1.0  # simulated time sent in one go when there is no rate
BEHIND_S = 0.5  # wall time behind which the schedule is given up rather than caught up
BEAT_S = 0.5  # heartbeats before take-off, wall time
QUIET_S = 2.0  # a client that asked for rates and then nothing more wants no mission


@dataclass(slots=True)
class Pace:
    """How fast simulated time runs: ``rate`` over wall time (inf: as fast as possible).

    ``hold`` may delay progress, for example so that a supervisor keeps up.
    """

    rate: float = 1.0
    hold: Hold | None = None


def carried(
    link: LossyLink | None, telemetry: Telemetry, state: AircraftState
) -> list[tuple[float, bytes]]:
    """The frames up to ``state`` as the far end of ``link`` gets them (None: a wire)."""
    frames = telemetry.frames(state)
    if link is None:
        return frames
    telemetry.messages.link_quality = 1.0 - link.quality(state).loss
    for t_s, frame in frames:
        link.put(t_s, frame, state)
    return link.take(state.t_s)


class Leash:
    """A hold: simulated time runs at most ``ahead_s`` before what a follower has ``seen``.

    A follower that says nothing for ``patience_s`` of wall time is no longer waited for.
    """

    def __init__(self, ahead_s: float, patience_s: float = 20.0) -> None:
        self._ahead_s, self._patience_s = ahead_s, patience_s
        self._seen_s = -math.inf
        self._moved = asyncio.Event()
        self.broken = False

    def seen(self, t_s: float) -> None:
        """The follower has got as far as ``t_s``."""
        self._seen_s = max(self._seen_s, t_s)
        self._moved.set()

    async def __call__(self, t_s: float) -> None:
        """Wait until ``t_s`` is within reach of the follower."""
        while not self.broken and t_s > self._seen_s + self._ahead_s:
            self._moved.clear()
            try:
                async with asyncio.timeout(self._patience_s):
                    await self._moved.wait()
            except TimeoutError:
                self.broken = True


class Endpoint:
    """A flight, its telemetry and the ports it speaks through."""

    def __init__(
        self,
        flight: Flight,
        telemetry: Telemetry,
        ports: Sequence[Port],
        pace: Pace | None = None,
        *,
        wait_s: float = 10.0,
        linger_s: float = 10.0,
        turn_back_at_s: float = math.inf,
        link: LossyLink | None = None,
        watch: Callable[[AircraftState, list[tuple[float, bytes]]], None] | None = None,
    ) -> None:
        self.flight, self.telemetry = flight, telemetry
        self._ports, self._pace = ports, pace or Pace()
        self._wait_s, self._linger_s, self._turn_back_at_s = wait_s, linger_s, turn_back_at_s
        self._watch, self._link = watch, link
        self._pending: deque[tuple[float, bytes]] = deque()
        self._after_s = 0.0
        telemetry.autopilot.on_return = self.command_return
        telemetry.autopilot.on_divert = self.command_divert

    # --- commands, from the links or from the caller ---

    def _flying(self) -> bool:
        return self.flight.state.phase not in (Phase.GROUND, Phase.LANDED, Phase.LOST)

    def command_return(self) -> bool:
        """Turn for home; False on the ground."""
        if self._flying() and not self.flight.state.returning:
            self.flight.command_return()
        return self._flying()

    def turn_back_at(self, t_s: float) -> None:
        """Turn for home at simulated time ``t_s``, unless that is past: then at once."""
        self._turn_back_at_s = t_s

    def command_divert(self, alternate: int) -> bool:
        """Land at an alternate; False on the ground."""
        if self._flying():
            self.flight.command_divert(alternate)
        return self._flying()

    def _receive(self, data: bytes) -> None:
        """A client's frames, if the link brings them up to the aircraft.

        Replies queue behind the frames already numbered: a receiver of signed frames takes what is
        older than the newest for a replay.
        """
        if self._link is None or self._link.passes(self.flight.state):
            replies = self.telemetry.handle(data)
            self._pending.extend((self._now_s(), reply) for reply in replies)

    # --- the run ---

    async def run(self) -> AircraftState:
        """Fly to the end and a little beyond; returns the last true state."""
        try:
            for port in self._ports:
                await port.open(self._receive)
            self.telemetry.begin(self.flight.state)
            if self._wait_s > 0.0:
                await self._pre_roll()
            await self._fly()
        finally:
            for port in self._ports:
                await port.close()
        return self.flight.state

    async def _pre_roll(self) -> None:
        """Heartbeats only, until a client has what it wants or the waiting time is over."""
        loop, autopilot = asyncio.get_running_loop(), self.telemetry.autopilot
        end, beat = loop.time() + self._wait_s, -math.inf
        questions, asked_at = autopilot.questions, loop.time()
        while loop.time() < end:
            if loop.time() - beat >= BEAT_S:
                beat = loop.time()
                beat_frame = self.telemetry.heartbeat(self.flight.state)
                self._pending.append((self.flight.t_s, beat_frame))
            await self._send(self._due(math.inf))
            await asyncio.sleep(TICK_S)
            if autopilot.questions != questions:
                questions, asked_at = autopilot.questions, loop.time()
            content = autopilot.mission_downloads > 0 or loop.time() - asked_at > QUIET_S
            if autopilot.asked_intervals and content and loop.time() - asked_at > 2 * BEAT_S:
                return

    async def _fly(self) -> None:
        loop, pace = asyncio.get_running_loop(), self._pace
        zero_wall, zero_sim, sent_s = loop.time(), self.flight.t_s, self.flight.t_s
        while self._after_s < self._linger_s:
            if pace.hold is not None:
                before = loop.time()
                await pace.hold(sent_s)
                zero_wall += loop.time() - before  # time held is not caught up afterwards
            if math.isinf(pace.rate):
                until_s = sent_s + LONGEST_CHUNK_S
            else:
                until_s = zero_sim + (loop.time() - zero_wall) * pace.rate
                if until_s - sent_s > BEHIND_S * pace.rate:  # this machine is too slow: slip
                    until_s = sent_s + BEHIND_S * pace.rate
                    zero_wall, zero_sim = loop.time(), until_s
            if pace.hold is not None and until_s > sent_s + LONGEST_HELD_S:
                # Whoever holds us decides in small steps, or a busy machine would leap past it.
                until_s = sent_s + LONGEST_HELD_S
                zero_wall, zero_sim = loop.time(), until_s
            await self._send(self._frames_until(until_s))
            sent_s = until_s
            await asyncio.sleep(0.0 if math.isinf(pace.rate) else TICK_S)

    def _frames_until(self, until_s: float) -> list[bytes]:
        """Step the flight far enough and take the frames whose time has come."""
        pending = self._pending
        while self._now_s() < until_s and self._after_s < self._linger_s:
            state = self._step()
            frames = carried(self._link, self.telemetry, state)
            pending.extend(frames)
            if self._watch is not None:
                self._watch(state, frames)
        return self._due(until_s)

    def _due(self, until_s: float) -> list[bytes]:
        """The frames whose time has come, taken out of the queue."""
        out = []
        while self._pending and self._pending[0][0] <= until_s:
            out.append(self._pending.popleft()[1])
        return out

    def _now_s(self) -> float:
        return self.flight.t_s + self._after_s

    def _step(self) -> AircraftState:
        """One step; after the end the aircraft stays as it is and time goes on."""
        flight = self.flight
        if flight.done:
            self._after_s += 0.5
            return self._parked()
        if flight.t_s >= self._turn_back_at_s:
            self.command_return()
        return flight.step()

    def _parked(self) -> AircraftState:
        """After the last step: standing still, only the avionics still draw."""
        last, avionics_w = self.flight.state, self.flight.craft.avionics_w
        return replace(
            last,
            t_s=self._now_s(),
            vn_mps=0.0,
            ve_mps=0.0,
            vd_mps=0.0,
            roll_rad=0.0,
            pitch_rad=0.0,
            throttle=0.0,
            power_w=avionics_w,
            current_a=avionics_w / last.pack_v,
        )

    async def _send(self, frames: list[bytes]) -> None:
        if frames:
            for port in self._ports:
                await port.send(frames)
