"""The flight on paper: the builder's figures and the forecast wind taken at their word.

A belief without any uncertainty, standing on the ground at home. The planned ledger is made from
it, and the "why" measures every loss against it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from supervisor.core.atmosphere import day_offset_k
from supervisor.core.belief import Array, Belief, FlownHabits, PackBelief, PowerBelief
from supervisor.core.events import Phase, Position
from supervisor.core.plan import Flight, Weather, WindRow

NAN = math.nan


@dataclass(frozen=True, slots=True)
class PaperWind:
    """The forecast wind, interpolated in time and height, the same everywhere on the map.

    ``start_s`` is how long after take-off "now" is. Rows that name a place are averaged with the
    others of their time and height: good enough for a plan's yardstick.
    """

    weather: Weather
    start_s: float = 0.0

    def at(self, height_m: Array, ahead_s: Array) -> tuple[Array, Array]:
        """(north, east) [m/s] at heights and times."""
        if not self.weather.wind:
            return np.zeros_like(height_m), np.zeros_like(height_m)
        times = sorted({row.after_s for row in self.weather.wind})
        by_time = np.array([self._profile(t, height_m) for t in times])  # (times, 2, Q)
        when = np.clip(ahead_s + self.start_s, times[0], times[-1])
        right = np.clip(np.searchsorted(times, when), 1, max(len(times) - 1, 1))
        if len(times) == 1:
            return by_time[0, 0], by_time[0, 1]
        left_s, right_s = np.array(times)[right - 1], np.array(times)[right]
        part = (when - left_s) / (right_s - left_s)
        columns = np.arange(len(height_m))
        before, after = by_time[right - 1, :, columns], by_time[right, :, columns]
        wind = before + part[:, None] * (after - before)
        return wind[:, 0], wind[:, 1]

    def _profile(self, time_s: float, height_m: Array) -> tuple[Array, Array]:
        rows: dict[float, list[WindRow]] = {}
        for row in self.weather.wind:
            if row.after_s == time_s:
                rows.setdefault(row.height_m, []).append(row)
        heights = sorted(rows)
        north = [float(np.mean([r.n_mps for r in rows[h]])) for h in heights]
        east = [float(np.mean([r.e_mps for r in rows[h]])) for h in heights]
        return np.interp(height_m, heights, north), np.interp(height_m, heights, east)

    def draw(
        self,
        rng: np.random.Generator,  # noqa: ARG002
        members: int,
        north_m: Array,  # noqa: ARG002
        east_m: Array,  # noqa: ARG002
        height_m: Array,
        ahead_s: Array,
    ) -> tuple[Array, Array]:
        """The same for every member: paper knows no doubt."""
        north, east = self.at(height_m, ahead_s)
        return np.tile(north, (members, 1)), np.tile(east, (members, 1))

    def draw_air(
        self,
        rng: np.random.Generator,
        members: int,
        north_m: Array,
        east_m: Array,
        height_m: Array,
        ahead_s: Array,
        cas_mps: float,  # noqa: ARG002
    ) -> tuple[Array, Array, Array]:
        """The same, with an airspeed that is told truly."""
        north, east = self.draw(rng, members, north_m, east_m, height_m, ahead_s)
        return north, east, np.ones(members)

    def mean_at(
        self, north_m: float, east_m: float, height_m: float, ahead_s: float
    ) -> tuple[float, float, float]:
        """(north, east, 0) [m/s]."""
        del north_m, east_m
        north, east = self.at(np.array([height_m]), np.array([ahead_s]))
        return float(north[0]), float(east[0]), 0.0


def paper_power(flight: Flight) -> PowerBelief:
    """All scales one, the mass as weighed."""
    craft = flight.aircraft
    return PowerBelief(np.zeros(5), np.zeros((5, 5)), craft.avionics_w, craft.mass_kg, 0.0)


def paper_pack(flight: Flight) -> PackBelief:
    """The pack as its file says."""
    pack = flight.pack
    mean = np.array([pack.initial_charge, 0.0, 0.0, math.log(pack.resistance_scale), 0.0, 0.0])
    return PackBelief(
        mean, np.zeros((6, 6)), pack.capacity_ah, pack.temperature_c, 0.0, 0.0, 0.0, 1.0, 0.0
    )


def paper_belief(flight: Flight) -> Belief:
    """On the ground at home, about to take off."""
    home = flight.home
    still = (0.0, 0.0, 0.0)
    place = Position(0.0, home.lat_rad, home.lon_rad, home.elevation_m, 0.0, *still, NAN)
    return Belief(
        t_s=0.0,
        phase=Phase.GROUND,
        airborne_s=0.0,
        position=place,
        north_m=0.0,
        east_m=0.0,
        mission_seq=0,
        cas_mps=0.0,
        day_offset_k=day_offset_k(flight.weather.temperature_c, home.elevation_m),
        wind=PaperWind(flight.weather),
        power=paper_power(flight),
        pack=paper_pack(flight),
        habits=FlownHabits(NAN, NAN, NAN, NAN),
    )
