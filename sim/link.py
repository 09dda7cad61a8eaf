"""Data links between the aircraft and the world, as they really are: late, lossy, sometimes gone.

Two kinds, after common practice (no source): cellular data, good near the ground, worse above
about 120 m, behind ridges (``shadow``) and in holes of the net; and a local radio that ends at
about 10 km. What is carried may be lost, delayed, doubled or overtaken; one seed gives one fate to
every frame.

Published trials disagree on whether height helps a cellular link (higher gives better signal but
more interference), so the height from which it gets worse and how fast are the scenario's.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from random import Random
from typing import TYPE_CHECKING

from sim.faults import amount_of, share
from sim.geodesy import offset_m
from sim.shadow import Skyline
from sim.state import AircraftState

if TYPE_CHECKING:
    from sim.plan import Site
    from sim.scenario import Fault, Link, Ridge

SHADOW_BELOW_M = 80.0  # above ground: from here on the aircraft sees over the edge of a shadow
SHADOW_LOSS = 0.97
MARGIN_DB, FADE_DB = 20.0, 6.0  # what the ground may take: half is lost at it, none a fade below
RADIO_EDGE = 0.15  # share of the range over which the local radio fades out
RADIO_LATENCY_S = 0.03
JITTER = 0.6  # mean of the exponential part of the delay, of the fixed part
DOUBLED = 0.0005  # share of frames that arrive twice


class Kind(Enum):
    """Which link carries."""

    CELLULAR = "cellular"
    RADIO = "radio"


@dataclass(frozen=True, slots=True)
class Quality:
    """What a link is worth where the aircraft is: chance of loss 0..1 and fixed delay [s]."""

    loss: float
    latency_s: float

    @property
    def up(self) -> bool:
        """Whether anything gets through."""
        return self.loss < 1.0


class LossyLink:
    """One direction of one link. ``put`` frames in as they are sent, ``take`` what has arrived."""

    def __init__(
        self,
        figures: Link,
        home: Site,
        seed: int | str,
        kind: Kind = Kind.CELLULAR,
        faults: Sequence[Fault] = (),
        ridges: Sequence[Ridge] = (),
    ) -> None:
        self._figures, self._kind = figures, kind
        self._home = (math.radians(home.lat_deg), math.radians(home.lon_deg))
        self._skyline = Skyline(figures.masts, ridges, self._home)
        self._dropouts = tuple(f for f in faults if f.kind == "telemetry-dropout")
        self._random = Random(f"{seed} link {kind.value}")
        self._upward = Random(f"{seed} link {kind.value} upward")
        self._flying: list[tuple[float, int, bytes]] = []  # heap: arrival, number, frame
        self._number = 0
        self.lost = 0

    def quality(self, state: AircraftState) -> Quality:
        """The link for an aircraft in ``state``."""
        if self._kind is Kind.RADIO:
            return Quality(self._radio_loss(state), RADIO_LATENCY_S)
        return Quality(self._cellular_loss(state), self._figures.latency_s)

    def _radio_loss(self, state: AircraftState) -> float:
        """Base loss, rising straight to one over the last part of the range."""
        figures = self._figures
        share_of_range = self._distance_m(state, *self._home) / figures.radio_range_m
        fade = max(0.0, (share_of_range - (1.0 - RADIO_EDGE)) / RADIO_EDGE)
        return min(1.0, figures.loss + fade)

    def _cellular_loss(self, state: AircraftState) -> float:
        figures, t_s = self._figures, state.t_s
        if any(outage.from_s <= t_s < outage.to_s for outage in figures.outages):
            return 1.0
        too_high_m = max(0.0, state.above_ground_m - figures.good_below_m)
        loss = figures.loss + figures.loss_per_100m * too_high_m / 100.0
        if state.above_ground_m < SHADOW_BELOW_M and any(
            self._distance_m(state, math.radians(lat), math.radians(lon)) < radius_m
            for lat, lon, radius_m in figures.shadows
        ):
            loss = max(loss, SHADOW_LOSS)
        faded = (self._skyline.loss_db(state) - (MARGIN_DB - FADE_DB)) / (2.0 * FADE_DB)
        return min(1.0, max(loss, SHADOW_LOSS * min(max(faded, 0.0), 1.0)))

    @staticmethod
    def _distance_m(state: AircraftState, lat_rad: float, lon_rad: float) -> float:
        north, east, _ = offset_m(
            math.radians(state.lat_deg), math.radians(state.lon_deg), lat_rad, lon_rad
        )
        return math.hypot(north, east)

    def put(self, t_s: float, frame: bytes, state: AircraftState) -> None:
        """Send ``frame`` at ``t_s``. Draws the same numbers whatever its fate.

        A dropout fault is in the aircraft's transmitter and has already had its share.
        """
        random = self._random
        luck, again = random.random(), random.random()
        jitter, second_jitter = random.expovariate(1.0), random.expovariate(1.0)
        quality = self.quality(state)
        if luck < quality.loss:
            self.lost += 1
            return
        fixed_s = quality.latency_s
        self._fly(t_s + fixed_s * (1.0 + JITTER * jitter), frame)
        if again < DOUBLED:
            self._fly(t_s + fixed_s * (1.0 + JITTER * second_jitter), frame)

    def passes(self, state: AircraftState) -> bool:
        """Whether one frame the other way gets through now; its delay is neglected."""
        return self._upward.random() >= max(self.quality(state).loss, self._dropped(state.t_s))

    def _dropped(self, t_s: float) -> float:
        return max((amount_of(f) * share(f, t_s) for f in self._dropouts), default=0.0)

    def _fly(self, arrival_s: float, frame: bytes) -> None:
        heapq.heappush(self._flying, (arrival_s, self._number, frame))
        self._number += 1

    def take(self, t_s: float) -> list[tuple[float, bytes]]:
        """What has arrived by ``t_s``, in order of arrival, with the times."""
        out = []
        while self._flying and self._flying[0][0] <= t_s:
            arrival_s, _, frame = heapq.heappop(self._flying)
            out.append((arrival_s, frame))
        return out
