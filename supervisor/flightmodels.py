"""The flight file's sections, as a builder writes them: degrees, percent, minutes, hours.

Only shapes and bounds live here. ``flightfile.py`` reads files and makes the core's
:class:`~supervisor.core.plan.Flight`; ``reduction.py`` turns figures into coefficients.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, Strict, model_validator

# Strict: true is no mass of one kilogram, "12" no number. A whole number passes for a decimal one.
Number = Annotated[float, Strict()]
Count = Annotated[int, Strict()]
Positive = Annotated[Number, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[Number, Field(ge=0, allow_inf_nan=False)]
LatDeg = Annotated[Number, Field(ge=-90, le=90)]
LonDeg = Annotated[Number, Field(ge=-180, le=180)]
MassKg = Annotated[Number, Field(gt=0.3, le=150)]
AirspeedMps = Annotated[Number, Field(ge=4, le=60)]
ElevationM = Annotated[Number, Field(ge=-430, le=9000)]  # Dead Sea shore to the highest summit
TemperatureC = Annotated[Number, Field(ge=-40, le=60)]
Percent = Annotated[Number, Field(ge=0, le=100)]


class Section(BaseModel):
    """Common ground: immutable, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class MeasuredHover(Section):
    """One steady hover, out of ground effect; power of the whole aircraft."""

    power_w: Annotated[Number, Field(ge=20, le=60000)]
    mass_kg: MassKg
    temperature_c: TemperatureC = 15.0
    elevation_m: ElevationM = 0.0


class CruisePoint(Section):
    """One level, steady speed; calibrated airspeed, power of the whole aircraft."""

    airspeed_mps: AirspeedMps
    power_w: Annotated[Number, Field(ge=5, le=20000)]


class MeasuredCruise(Section):
    """Level flight at a few airspeeds."""

    points: tuple[CruisePoint, ...] = Field(min_length=1)
    mass_kg: MassKg
    temperature_c: TemperatureC = 15.0
    elevation_m: ElevationM = 0.0
    gust_cost_percent: Annotated[
        Number,
        Field(
            ge=0,
            le=30,
            description="more power in the gusts of 10 m/s of wind, of points for smooth air",
        ),
    ] = 0.0


class Polar(Section):
    """The drag polar, when the builder has one: CD = cd0 + k CL^2."""

    cd0: Annotated[Number, Field(gt=0.003, lt=0.3)]
    k: Annotated[Number, Field(gt=0.005, lt=0.5)]
    efficiency: Annotated[Number, Field(gt=0.1, lt=0.95, description="battery to thrust")]


class AircraftSection(Section):
    """What a scale, a ruler and two short test flights give."""

    id: str = Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")
    name: str = ""
    mass_kg: MassKg
    payload_kg: NotNegative = 0.0
    wing_area_m2: Annotated[Number, Field(gt=0.02, le=20)]
    wing_span_m: Annotated[Number, Field(gt=0.3, le=15)]
    stall_mps: Annotated[Number, Field(gt=3, le=40)]
    cruise_mps: AirspeedMps
    climb_mps: Annotated[Number, Field(gt=0, le=15)] = 2.5
    descent_mps: Annotated[Number, Field(gt=0, le=15)] = 2.5
    rotors: Annotated[Count, Field(ge=1, le=24)]
    rotor_diameter_m: Annotated[Number, Field(gt=0.05, le=4)]
    avionics_w: Annotated[Number, Field(ge=0, le=1000)] | None = None
    measured_hover: MeasuredHover | None = None
    measured_cruise: MeasuredCruise | None = None
    polar: Polar | None = None
    hover_climb_mps: Annotated[Number, Field(gt=0, le=10)] = 2.5
    hover_descent_mps: Annotated[Number, Field(gt=0, le=5)] = 1.0
    transition_s: Annotated[Number, Field(ge=0, le=120)] = 12.0
    transition_height_m: Annotated[Number, Field(gt=0, le=200)] = 40.0
    bank_deg: Annotated[Number, Field(ge=5, le=60)] = 25.0


class PackSection(Section):
    """The pack on board."""

    id: str
    cell: str | None = None
    curve: Path | None = Field(default=None, description="own discharge curve of one cell, CSV")
    curve_current_a: NotNegative = Field(default=0.0, description="of the cell; 0: at rest")
    series: Annotated[Count, Field(ge=1, le=32)]
    parallel: Annotated[Count, Field(ge=1, le=64)] = 1
    capacity_ah: Annotated[Number, Field(gt=0.1, le=400)] | None = None
    resistance_scale: Annotated[Number, Field(gt=0.3, le=5)] = 1.0
    initial_charge_percent: Annotated[Number, Field(gt=0, le=100)] = 100.0
    temperature_c: TemperatureC | None = None

    @model_validator(mode="after")
    def _cell_or_curve(self) -> Self:
        if self.cell is None and self.curve is None:
            raise ValueError("give cell (from the built-in table), or curve, or both")
        return self


class Reserve(Section):
    """An amount of energy in exactly one unit."""

    energy_wh: NotNegative | None = None
    nameplate_percent: Percent | None = None
    hover_min: Annotated[Number, Field(ge=0, le=120)] | None = None
    cruise_min: Annotated[Number, Field(ge=0, le=600)] | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        if len(self.model_fields_set) != 1:
            raise ValueError(
                "give exactly one of energy_wh, nameplate_percent, hover_min, cruise_min"
            )
        return self


class ReturnRequestSection(Section):
    """Off unless it is written. Even then a person must arm it for each flight, signed."""

    after_s: Annotated[Number, Field(ge=30, le=3600)] = 120.0
    countdown_s: Annotated[Number, Field(ge=20, le=600)] = 60.0


class PolicySection(Section):
    """How much is kept, and how sure is sure enough."""

    final_reserve: Reserve
    contingency_percent: Annotated[Number, Field(ge=0, le=50)] = 5.0
    alternate: str | None = Field(default=None, description="its leg from home is kept on top")
    missed_landings: Annotated[Count, Field(ge=0, le=5)] = 0
    confidence: Annotated[Number, Field(ge=0.5, le=0.9999)] = 0.99
    min_cell_v: Annotated[Number, Field(ge=1.5, le=4.2)]
    reaction_s: Annotated[
        Number, Field(ge=0, le=600, description="of the pilot, the link's delay included")
    ] = 30.0
    soon_lead_min: Annotated[Number, Field(ge=0, le=60)] = 5.0
    return_request: ReturnRequestSection | None = None


RULED_PAIRS = (
    ("min_height_m", "max_height_m"),
    ("min_above_ground_m", "max_above_ground_m"),
    ("coverage_min_height_m", "coverage_max_height_m"),
)


class RulesSection(Section):
    """Limits that the user states from his local rules, licence and network; checked, not known."""

    min_final_reserve: Reserve | None = None
    max_height_m: Positive | None = None
    min_height_m: NotNegative | None = None
    min_above_ground_m: NotNegative | None = None
    max_above_ground_m: Positive | None = None
    coverage_min_height_m: NotNegative | None = None
    coverage_max_height_m: Positive | None = None
    max_distance_home_m: Positive | None = None
    corridor_half_width_m: Positive | None = None
    max_mass_kg: Positive | None = None

    @model_validator(mode="after")
    def _low_below_high(self) -> Self:
        for low, high in RULED_PAIRS:
            least, most = getattr(self, low), getattr(self, high)
            if least is not None and most is not None and least > most:
                raise ValueError(f"{low} = {least:g} lies above {high} = {most:g}")
        return self


class Place(Section):
    """A landing site."""

    name: str
    lat_deg: LatDeg
    lon_deg: LonDeg
    elevation_m: ElevationM = 0.0


class GroundSpot(Section):
    """Ground read off a map; above mean sea level."""

    name: str = ""
    lat_deg: LatDeg
    lon_deg: LonDeg
    elevation_m: ElevationM


class TerrainSection(Section):
    """The ground along the way, as far as the builder knows it: spot heights, checked against."""

    points: tuple[GroundSpot, ...] = ()
    near_m: Annotated[
        Number, Field(gt=0, le=5000, description="so far beside the line flown a spot counts")
    ] = 300.0


class LatLon(Section):
    """A point of a corridor."""

    lat_deg: LatDeg
    lon_deg: LonDeg


class WaypointRow(Section):
    """One point of the route; height above home."""

    name: str = ""
    lat_deg: LatDeg
    lon_deg: LonDeg
    height_m: Annotated[Number, Field(ge=0, le=4000)] | None = None
    airspeed_mps: AirspeedMps | None = None
    loiter_s: Annotated[Number, Field(ge=0, le=36000)] = 0.0
    land: bool = False
    drop_kg: NotNegative = 0.0
    ground_s: Annotated[Number, Field(ge=0, le=86400)] = 0.0
    ground_elevation_m: ElevationM | None = Field(default=None, description="terrain below it")


class RouteSection(Section):
    """The route: listed here, or the first LineString of a GeoJSON file (RFC 7946)."""

    waypoints: tuple[WaypointRow, ...] = ()
    geojson: Path | None = None
    third_coordinate: Literal["ignore", "height", "elevation"] = "ignore"
    height_m: Annotated[Number, Field(ge=0, le=4000)] = 100.0
    airspeed_mps: AirspeedMps | None = None

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if bool(self.waypoints) == (self.geojson is not None):
            raise ValueError("give either waypoints (at least one) or geojson")
        return self


class ReturnSection(Section):
    """The return as the autopilot is set to fly it."""

    style: Literal["direct", "retrace", "corridor"] = "direct"
    height_m: Annotated[Number, Field(ge=0, le=4000)]
    airspeed_mps: AirspeedMps | None = None
    climb_mps: Annotated[Number, Field(gt=0, le=15)] | None = None
    descent_mps: Annotated[Number, Field(gt=0, le=15)] | None = None
    landing_hover_s: Annotated[Number, Field(ge=0, le=900)] = 60.0
    via: tuple[LatLon, ...] = ()

    @model_validator(mode="after")
    def _via_for_corridor(self) -> Self:
        if (self.style == "corridor") != bool(self.via):
            raise ValueError("style = 'corridor' and via go together")
        return self


class WindForecastRow(Section):
    """Forecast wind at one time and height, and at one place when that is given."""

    after_h: NotNegative = 0.0
    height_m: Annotated[Number, Field(ge=0, le=4000)] = 100.0
    from_deg: Annotated[Number, Field(ge=0, le=360)]
    speed_mps: Annotated[Number, Field(ge=0, le=45)]
    lat_deg: LatDeg | None = None
    lon_deg: LonDeg | None = None

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.lat_deg is None) != (self.lon_deg is None):
            raise ValueError("lat_deg and lon_deg go together")
        return self


class WeatherSection(Section):
    """The forecast."""

    temperature_c: TemperatureC
    wind: tuple[WindForecastRow, ...] = ()
    wind_sd_mps: Annotated[Number, Field(gt=0, le=15)] | None = None


class FlightFile(Section):
    """The whole file. ``schema`` is the version of this format."""

    version: Literal[1] = Field(alias="schema")
    name: str
    aircraft: AircraftSection
    pack: PackSection
    policy: PolicySection
    rules: RulesSection = RulesSection()
    home: Place
    alternate: tuple[Place, ...] = ()
    terrain: TerrainSection = TerrainSection()
    route: RouteSection
    return_: ReturnSection = Field(alias="return")
    weather: WeatherSection
