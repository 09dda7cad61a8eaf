"""Everything known before take-off, as the core reads it: frozen, SI, radians.

The flight file (``supervisor/flightfile.py``) is validated at the edge and turned into one
:class:`Flight`. Heights are above home, elevations above mean sea level.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum


@dataclass(frozen=True, slots=True)
class Site:
    """A place to land: home or an alternate."""

    name: str
    lat_rad: float
    lon_rad: float
    elevation_m: float


@dataclass(frozen=True, slots=True)
class Waypoint:
    """One point of the route. ``land``: touch down, wait ``ground_s``, take off again.

    ``ground_m``: the ground there, above home; NaN where the flight file does not tell.
    """

    name: str
    lat_rad: float
    lon_rad: float
    height_m: float
    airspeed_mps: float
    loiter_s: float = 0.0
    land: bool = False
    drop_kg: float = 0.0
    ground_s: float = 0.0
    ground_m: float = float("nan")


class ReturnStyle(Enum):
    """How the autopilot is set to come home."""

    DIRECT = "direct"
    RETRACE = "retrace"
    CORRIDOR = "corridor"


# From the wing to the ground over the landing hover that the flight file states, which begins where
# the back-transition ends: that takes some seconds on the rotors, and a descent comes out slower
# more often than quicker. Ours: 20 simulated landings of autopilots that keep their hover within
# -15 to +30 % took 1.19 of the stated time, and 1.11 of the energy that it costs in still air.
LANDING_TIME = 1.15


@dataclass(frozen=True, slots=True)
class ReturnPlan:
    """The home leg as the autopilot will really fly it. ``via`` only for a corridor (lat, lon)."""

    style: ReturnStyle
    height_m: float
    airspeed_mps: float
    climb_mps: float
    descent_mps: float
    landing_hover_s: float
    via: tuple[tuple[float, float], ...] = ()

    @property
    def landing_s(self) -> float:
        """Expected time on the rotors of a whole landing, its back-transition included [s]."""
        return LANDING_TIME * self.landing_hover_s


@dataclass(frozen=True, slots=True)
class Aircraft:
    """The builder's figures, reduced to the coefficients of the power model (core/power.py).

    ``hover_efficiency``: figure of merit times motor and controller efficiency, so that electrical
    hover power = thrust^1.5 / sqrt(2 rho disk_area) / hover_efficiency.
    ``cd0``, ``k``, ``cruise_efficiency``: drag polar (Traub 2011 eq. 4) and the propulsion chain.
    ``*_sd``: 1-sigma relative trust in each, as it was measured or guessed.
    ``gust_cost``: share of the power on the wing that 10 m/s of wind adds by its gusts, where the
    figures are for smooth air; 0: they are taken as they are, with the gusts of their own day.
    """

    aircraft_id: str
    name: str
    mass_kg: float
    payload_kg: float
    wing_area_m2: float
    wing_span_m: float
    stall_mps: float
    cruise_mps: float
    climb_mps: float
    descent_mps: float
    disk_area_m2: float
    hover_efficiency: float
    cd0: float
    k: float
    cruise_efficiency: float
    avionics_w: float
    hover_climb_mps: float = 2.5
    hover_descent_mps: float = 1.0
    transition_s: float = 12.0
    transition_height_m: float = 40.0
    bank_rad: float = 0.436  # 25 degrees
    hover_sd: float = 0.06
    cruise_sd: float = 0.08
    gust_cost: float = 0.0


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell type. Grids run over charge 0..1; resistance at 25 degC, new.

    Two relaxation times: seconds and hundreds of seconds (a model with short pulses alone reads
    far too high under sustained load). ``resistance_temperature_k``: Arrhenius-like, so that
    R(T) = R(25) exp(resistance_temperature_k (1/T - 1/298.15)).
    """

    name: str
    capacity_ah: float
    charge_grid: tuple[float, ...]
    ocv_v: tuple[float, ...]
    r0_ohm: tuple[float, ...]
    r1_ohm: float
    tau1_s: float
    r2_ohm: float
    tau2_s: float
    resistance_temperature_k: float
    cold_capacity_per_k: float  # relative capacity lost per kelvin below 25 degC
    heat_capacity_jpk: float
    cooling_wpk: float
    max_v: float
    source: str


@dataclass(frozen=True, slots=True)
class Pack:
    """The pack on board. ``capacity_ah`` is the whole pack's, as last measured."""

    pack_id: str
    cell: Cell
    series: int
    parallel: int
    capacity_ah: float
    resistance_scale: float
    initial_charge: float
    temperature_c: float
    capacity_sd: float = 0.02
    resistance_sd: float = 0.15

    @property
    def nameplate_wh(self) -> float:
        """Open-circuit energy of the full pack, as the cell's curve and the capacity give it."""
        grid, ocv = self.cell.charge_grid, self.cell.ocv_v
        mean_v = sum(
            0.5 * (ocv[i] + ocv[i + 1]) * (grid[i + 1] - grid[i]) for i in range(len(grid) - 1)
        )
        return mean_v * self.series * self.capacity_ah


@dataclass(frozen=True, slots=True)
class ReturnRequest:
    """When an unacknowledged turn-back-now may lead to a request for the autopilot's return."""

    after_s: float
    countdown_s: float


@dataclass(frozen=True, slots=True)
class Policy:
    """How sure, how much is kept, how long a person needs."""

    final_reserve_wh: float
    contingency: float
    alternate_wh: float
    missed_landings: int
    confidence: float
    min_cell_v: float
    reaction_s: float
    soon_lead_s: float
    return_request: ReturnRequest | None = None  # None: never, which is the default


@dataclass(frozen=True, slots=True)
class WindRow:
    """Forecast wind, blowing toward; ``lat_rad``/``lon_rad`` NaN when it holds everywhere."""

    after_s: float
    height_m: float
    n_mps: float
    e_mps: float
    lat_rad: float = float("nan")
    lon_rad: float = float("nan")


@dataclass(frozen=True, slots=True)
class Weather:
    """The forecast: wind rows, trust in them (1 sigma a component), and temperature at home."""

    wind: tuple[WindRow, ...]
    wind_sd_mps: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class Flight:
    """One planned flight."""

    name: str
    aircraft: Aircraft
    pack: Pack
    policy: Policy
    home: Site
    alternates: tuple[Site, ...]
    route: tuple[Waypoint, ...]
    return_plan: ReturnPlan
    weather: Weather
    guessed: tuple[str, ...] = field(default=())  # figures the builder did not give
    terrain: tuple[Site, ...] = field(default=())  # spot heights of the ground along the way
