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
from supervisor.core.conclusions import Phase
from supervisor.core.estimate.forecast_wind import ForecastWind, forecast_wind
from supervisor.core.events import Position
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight

NAN = math.nan


@dataclass(frozen=True, slots=True)
class ForecastOnly:
    """The forecast wind taken at its word, as a ``WindBelief``."""

    wind: ForecastWind

    def draw(
        self,
        rng: np.random.Generator,  # noqa: ARG002
        members: int,
        north_m: Array,
        east_m: Array,
        height_m: Array,
        ahead_s: Array,
    ) -> tuple[Array, Array]:
        """The same for every member."""
        both = self.wind.at(north_m, east_m, height_m, ahead_s)
        return np.tile(both[:, 0], (members, 1)), np.tile(both[:, 1], (members, 1))

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
        """The same, with an airspeed sensor that is right."""
        n, e = self.draw(rng, members, north_m, east_m, height_m, ahead_s)
        return n, e, np.ones(members)

    def means(self, north_m: Array, east_m: Array, height_m: Array, ahead_s: Array) -> Array:
        """The forecast's own, (Q, 2) [m/s]."""
        return self.wind.at(north_m, east_m, height_m, ahead_s)

    def mean_at(
        self, north_m: float, east_m: float, height_m: float, ahead_s: float
    ) -> tuple[float, float, float]:
        """(north, east, 0) [m/s]."""
        both = self.wind.at(*(np.array([v]) for v in (north_m, east_m, height_m, ahead_s)))
        return float(both[0, 0]), float(both[0, 1]), 0.0


def paper_power(flight: Flight) -> PowerBelief:
    """All scales one, the mass as weighed."""
    craft = flight.aircraft
    return PowerBelief(np.zeros(6), np.zeros((6, 6)), craft.avionics_w, craft.mass_kg, 0.0)


def paper_pack(flight: Flight) -> PackBelief:
    """The pack as its file says."""
    pack = flight.pack
    mean = np.zeros(7)
    mean[0], mean[3] = pack.initial_charge, math.log(pack.resistance_scale)
    return PackBelief(
        mean, np.zeros((7, 7)), pack.capacity_ah, pack.temperature_c, 0.0, 0.0, 0.0, 1.0, 0.0
    )


def paper_belief(flight: Flight) -> Belief:
    """On the ground at home, about to take off."""
    home = flight.home
    chart = LocalMap(home.lat_rad, home.lon_rad)
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
        wind=ForecastOnly(forecast_wind(flight.weather, chart.to_map)),
        power=paper_power(flight),
        pack=paper_pack(flight),
        habits=FlownHabits(NAN, NAN, NAN, NAN),
    )
