"""Radio behind high ground: what the scenario's ridges take from a cellular mast's signal.

The ground between mast and aircraft is the crest lines of the ridges, the same ones that spoil the
wind (``weather``). Each is a knife edge; of several the worst counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sim.geodesy import offset_m
from sim.state import AircraftState

if TYPE_CHECKING:
    from sim.scenario import Mast, Ridge

WAVELENGTH_M = 299_792_458.0 / 800e6  # cells that reach far into the country; common practice
EFFECTIVE_EARTH_M = 4.0 / 3.0 * 6_371_000.0  # bends with the ray in the standard atmosphere
Place = tuple[float, float, float]  # north, east, height above home [m]


def knife_edge_db(over_m: float, from_m: float, to_m: float) -> float:
    """Loss [dB] over an edge ``over_m`` above the straight line, so far from either end [m].

    nu = h sqrt(2/lambda (1/d1 + 1/d2)); J(nu) = 6.9 + 20 log10(sqrt((nu - 0.1)^2 + 1) + nu - 0.1)
    above nu = -0.78, else none. ITU-R P.526, single knife-edge obstacle (from memory).
    """
    nu = over_m * math.sqrt(2.0 / WAVELENGTH_M * (1.0 / from_m + 1.0 / to_m))
    if nu <= -0.78:
        return 0.0
    x = nu - 0.1
    return 6.9 + 20.0 * math.log10(math.sqrt(x * x + 1.0) + x)


class Skyline:
    """The masts and ridges of one scenario, on the map around home."""

    def __init__(
        self, masts: Sequence[Mast], ridges: Sequence[Ridge], home: tuple[float, float]
    ) -> None:
        self._home = home
        self._masts = [(*self._on_map(m.lat_deg, m.lon_deg), m.height_m) for m in masts]
        self._ridges = [(ridge, *self._on_map(ridge.lat_deg, ridge.lon_deg)) for ridge in ridges]

    def _on_map(self, lat_deg: float, lon_deg: float) -> tuple[float, float]:
        north, east, _ = offset_m(*self._home, math.radians(lat_deg), math.radians(lon_deg))
        return north, east

    def loss_db(self, state: AircraftState) -> float:
        """What the ground takes on the way to the mast that is seen best; 0 without masts."""
        aircraft = (*self._on_map(state.lat_deg, state.lon_deg), state.height_m)
        return min((self._behind_db(mast, aircraft) for mast in self._masts), default=0.0)

    def _behind_db(self, mast: Place, aircraft: Place) -> float:
        return max((_over_db(mast, aircraft, *r) for r in self._ridges), default=0.0)


def _over_db(mast: Place, aircraft: Place, ridge: Ridge, north_m: float, east_m: float) -> float:
    """Loss [dB] where the line from ``mast`` to ``aircraft`` crosses the crest, if it does.

    The crest falls away beyond its half length with the shape that its lee has.
    """
    axis = math.radians(ridge.axis_deg)
    along = (math.cos(axis), math.sin(axis))

    def before(place: Place) -> float:
        return along[0] * (place[1] - east_m) - along[1] * (place[0] - north_m)

    def lateral(place: Place) -> float:
        return along[0] * (place[0] - north_m) + along[1] * (place[1] - east_m)

    here, there = before(mast), before(aircraft)
    if here * there >= 0.0:  # both on one side
        return 0.0
    share = here / (here - there)
    length = math.hypot(aircraft[0] - mast[0], aircraft[1] - mast[1])
    from_m, to_m = share * length, (1.0 - share) * length
    beside = lateral(mast) + share * (lateral(aircraft) - lateral(mast))
    crest_m = ridge.height_m / (1.0 + (beside / ridge.half_length_m) ** 6)
    bulge_m = from_m * to_m / (2.0 * EFFECTIVE_EARTH_M)
    line_m = mast[2] + share * (aircraft[2] - mast[2])
    return knife_edge_db(crest_m + bulge_m - line_m, from_m, to_m)
