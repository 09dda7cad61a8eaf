"""Scenarios: what is true, in files that a person can read.

``sim/scenarios/NAME/scenario.toml`` holds the truth (how the real aircraft differs from the
builder's figures, as ranges from which a seed draws; the weather; the faults; the link) and names
the flight file with what the builder believes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from sim.faults import KINDS
from sim.instruments import SENSOR_DEFAULTS, Range, Reports
from sim.plan import Plan, ScenarioError, Table, read_plan, read_table

FOLDER = Path(__file__).parent / "scenarios"
MASS_WITHIN_KG = 0.02
TRUTH_DEFAULTS: dict[str, tuple[float, float]] = {
    "hover_power": (1.0, 1.0),  # factors on the builder's aircraft
    "parasite_drag": (1.0, 1.0),
    "induced_drag": (1.0, 1.0),
    "pusher_power": (1.0, 1.0),
    "capacity": (1.0, 1.0),  # factors on the builder's pack
    "resistance": (1.0, 1.0),
    "age": (0.0, 0.0),  # 0 new .. 1 end of life
    # Factor on the cell's temperature exponents: the published set holds its electrolyte at one
    # temperature; real cells stiffen about twice as fast in the cold (from memory).
    "cold_sensitivity": (1.8, 2.4),
    "mass_error_kg": (0.0, 0.0),
    "pack_temperature_error_c": (0.0, 0.0),
    "initial_charge": (1.0, 1.0),  # factor on the charge the builder states
    "cell_capacity_sd": (0.008, 0.008),  # relative spread between cell groups
    "cell_resistance_sd": (0.04, 0.04),
    "airspeed_factor": (1.0, 1.0),  # indicated over true calibrated airspeed
    "landing_time": (1.0, 1.0),  # factor on the planned landing hover
    "avionics_w": (0.0, 0.0),  # more than the builder states
}
# How the pack's cells differ from their type, which the builder's table tells of.
CELL_DEFAULTS: dict[str, tuple[float, float]] = {
    "ocv_error_mv": (0.0, 0.0),  # rms over charge
    "slow_resistance": (1.0, 1.0),  # factor
}


@dataclass(frozen=True, slots=True)
class WindRow:
    """Mean wind at the reference height; blows FROM ``from_deg``."""

    after_s: float
    from_deg: float
    speed_mps: float


@dataclass(frozen=True, slots=True)
class Front:
    """A front that sweeps over the area: behind it the wind is turned and scaled."""

    reaches_home_s: float
    from_deg: float  # the direction it comes from
    moves_mps: float
    width_m: float
    wind_from_deg: float  # wind behind the front
    wind_mps: float


@dataclass(frozen=True, slots=True)
class Ridge:
    """High ground that spoils the wind behind it (lee) and speeds it up on top."""

    lat_deg: float
    lon_deg: float
    height_m: float
    half_length_m: float
    axis_deg: float  # direction of the crest line
    sink_mps_per_mps: float = 0.15
    shelter: float = 0.45
    gust_factor: float = 2.0


@dataclass(frozen=True, slots=True)
class Weather:
    """The true weather. Rows hold at ``reference_m``; the drift wanders and returns."""

    rows: tuple[WindRow, ...]
    reference_m: float = 100.0
    exponent: float = 0.143
    veer_deg_per_100m: float = 0.0
    drift_sd_mps: float = 1.3  # with its time as measured wind changes (tests/reference)
    drift_time_s: float = 2700.0
    gradient_per_km: tuple[float, float] = (0.0, 0.0)  # relative speed gained to the north, east
    gust_factor: float = 1.0
    temperature_c: float = 15.0
    speed_factor: tuple[float, float] = (1.0, 1.0)  # range of one draw over all speeds
    turn_deg: tuple[float, float] = (0.0, 0.0)  # range of one draw over all directions
    delay_s: tuple[float, float] = (0.0, 0.0)  # range of one draw over all times
    fronts: tuple[Front, ...] = ()
    ridges: tuple[Ridge, ...] = ()


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that goes wrong: ``kind``, when, how much. ``end_s`` inf: for good."""

    kind: str
    at_s: float = 0.0
    end_s: float = math.inf
    amount: float = math.nan
    ramp_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Outage:
    """Cellular data lost between two times, wherever the aircraft is."""

    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Mast:
    """A cellular mast; ``height_m`` of its top above home."""

    lat_deg: float
    lon_deg: float
    height_m: float


@dataclass(frozen=True, slots=True)
class Link:
    """Data link figures; the numbers are read by ``sim/link.py``.

    ``shadows``: (lat, lon, radius in m) of places without cellular coverage at low height, where
    no ridge is told. ``masts``: all there are within reach; behind the weather's ridges they fade.
    """

    latency_s: float = 0.08
    loss: float = 0.002
    good_below_m: float = 120.0
    loss_per_100m: float = 0.03
    radio_range_m: float = 10000.0
    outages: tuple[Outage, ...] = ()
    shadows: tuple[tuple[float, float, float], ...] = ()
    masts: tuple[Mast, ...] = ()


@dataclass(frozen=True, slots=True)
class Sorties:
    """Several flights from a box: recharge to ``charge`` and the ageing from one to the next."""

    count: int = 1
    every_s: float = 0.0
    charge: float = 1.0
    age_per_sortie: float = 0.0
    warm_start_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """One scenario as read from its file."""

    name: str
    title: str
    description: str
    plan: Plan
    seeds: tuple[int, ...]
    truth: dict[str, tuple[float, float]]
    weather: Weather
    faults: tuple[Fault, ...] = ()
    link: Link = field(default_factory=Link)
    sorties: Sorties = field(default_factory=Sorties)
    aborted_landings: int = 0
    sensors: dict[str, Range] = field(default_factory=dict)
    cell: dict[str, tuple[float, float]] = field(default_factory=CELL_DEFAULTS.copy)
    telemetry: Reports = field(default_factory=Reports)
    masses_kg: dict[str, float] = field(default_factory=dict)  # what the take-off mass is made of

    @property
    def flight_path(self) -> Path:
        """The flight file that goes with this scenario."""
        return self.plan.path


def names() -> list[str]:
    """All scenarios that ship, sorted."""
    return sorted(p.parent.name for p in FOLDER.glob("*/scenario.toml"))


def load(name: str) -> Scenario:
    """The scenario ``name``; :class:`ScenarioError` says what is wrong with its file."""
    path = FOLDER / name / "scenario.toml"
    if not path.is_file():
        raise ScenarioError(path, "file", f"no such scenario; there are: {', '.join(names())}")
    return read_scenario(path)


def read_scenario(path: Path) -> Scenario:
    """The scenario file at ``path``, with the flight file it names."""
    root = read_table(path)
    root.refuse_others(
        "title", "description", "flight", "seeds", "aborted_landings",
        "truth", "cell", "weather", "fault", "link", "sorties", "sensors", "telemetry", "masses_kg",
    )  # fmt: skip
    plan = read_plan(path.parent / root.text("flight", "flight.toml"))
    return Scenario(
        name=path.parent.name,
        title=root.text("title"),
        description=root.text("description", "").strip(),
        plan=plan,
        seeds=tuple(int(s) for s in root.content.get("seeds", [1])),
        truth=_ranges(root.table("truth"), TRUTH_DEFAULTS),
        weather=_weather(root.table("weather")),
        faults=tuple(_fault(row) for row in root.tables("fault")),
        link=_link(root.table("link")),
        sorties=_sorties(root.table("sorties")),
        aborted_landings=int(root.number("aborted_landings", 0)),
        sensors=_sensors(root.table("sensors")),
        cell=_ranges(root.table("cell"), CELL_DEFAULTS),
        telemetry=_reports(root.table("telemetry")),
        masses_kg=_masses(root.table("masses_kg"), plan.builder.mass_kg),
    )


def _range(table: Table, key: str, default: tuple[float, float]) -> tuple[float, float]:
    """One number, or ``{ low = .., high = .. }``."""
    value: Any = table.content.get(key)
    if value is None:
        return default
    if isinstance(value, dict):
        both = table.table(key)
        return both.number("low"), both.number("high")
    return table.number(key), table.number(key)


def _ranges(
    table: Table, defaults: dict[str, tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    table.refuse_others(*defaults)
    return {key: _range(table, key, default) for key, default in defaults.items()}


def _sensors(table: Table) -> dict[str, Range]:
    table.refuse_others(*SENSOR_DEFAULTS)
    return {key: _range(table, key, SENSOR_DEFAULTS[key]) for key in table.content}


def _reports(table: Table) -> Reports:
    known = {f.name for f in fields(Reports)}
    table.refuse_others(*known)
    for key, value in table.content.items():
        if not isinstance(value, bool):
            raise table.error(key, "true or false is needed")
    return Reports(**table.content)


def _masses(table: Table, total_kg: float) -> dict[str, float]:
    """The breakdown of the take-off mass, which must add up to it; empty when absent."""
    masses = {key: table.number(key) for key in table.content}
    if masses and abs(sum(masses.values()) - total_kg) > MASS_WITHIN_KG:
        raise table.error("sum", f"{sum(masses.values()):.2f}, but the aircraft is {total_kg:.2f}")
    return masses


def _minutes(table: Table, key: str, default: float | None = None) -> float:
    return 60.0 * table.number(key, default)


def _front(row: Table) -> Front:
    row.refuse_others(
        "reaches_home_min", "from_deg", "moves_mps", "width_m", "wind_from_deg", "wind_mps"
    )
    return Front(
        reaches_home_s=_minutes(row, "reaches_home_min"),
        from_deg=row.number("from_deg"),
        moves_mps=row.number("moves_mps"),
        width_m=row.number("width_m", 4000.0),
        wind_from_deg=row.number("wind_from_deg"),
        wind_mps=row.number("wind_mps"),
    )


def _ridge(row: Table) -> Ridge:
    row.refuse_others(
        "lat_deg", "lon_deg", "height_m", "half_length_m", "axis_deg", "sink_mps_per_mps",
        "shelter", "gust_factor",
    )  # fmt: skip
    return Ridge(
        lat_deg=row.number("lat_deg"),
        lon_deg=row.number("lon_deg"),
        height_m=row.number("height_m"),
        half_length_m=row.number("half_length_m"),
        axis_deg=row.number("axis_deg"),
        sink_mps_per_mps=row.number("sink_mps_per_mps", 0.15),
        shelter=row.number("shelter", 0.45),
        gust_factor=row.number("gust_factor", 2.0),
    )


def _weather(table: Table) -> Weather:
    table.refuse_others(
        "wind", "reference_m", "exponent", "veer_deg_per_100m", "drift_sd_mps", "drift_time_min",
        "gradient_per_km", "gust_factor", "temperature_c", "speed_factor", "turn_deg",
        "delay_min", "front", "ridge",
    )  # fmt: skip
    if not table.tables("wind"):
        raise table.error("wind", "at least one row is needed")
    gradient = table.table("gradient_per_km")
    low, high = _range(table, "delay_min", (0.0, 0.0))
    return Weather(
        rows=tuple(
            WindRow(_minutes(r, "after_min", 0.0), r.number("from_deg"), r.number("speed_mps"))
            for r in table.tables("wind")
        ),
        reference_m=table.number("reference_m", 100.0),
        exponent=table.number("exponent", 0.143),
        veer_deg_per_100m=table.number("veer_deg_per_100m", 0.0),
        drift_sd_mps=table.number("drift_sd_mps", 1.3),
        drift_time_s=_minutes(table, "drift_time_min", 45.0),
        gradient_per_km=(gradient.number("north", 0.0), gradient.number("east", 0.0)),
        gust_factor=table.number("gust_factor", 1.0),
        temperature_c=table.number("temperature_c", 15.0),
        speed_factor=_range(table, "speed_factor", (1.0, 1.0)),
        turn_deg=_range(table, "turn_deg", (0.0, 0.0)),
        delay_s=(60.0 * low, 60.0 * high),
        fronts=tuple(_front(row) for row in table.tables("front")),
        ridges=tuple(_ridge(row) for row in table.tables("ridge")),
    )


def _fault(row: Table) -> Fault:
    row.refuse_others("kind", "at_min", "end_min", "amount", "ramp_min")
    if row.text("kind") not in KINDS:
        raise row.error("kind", f"unknown; known are: {', '.join(sorted(KINDS))}")
    return Fault(
        kind=row.text("kind"),
        at_s=_minutes(row, "at_min", 0.0),
        end_s=_minutes(row, "end_min", math.inf),
        amount=row.number("amount", math.nan),
        ramp_s=_minutes(row, "ramp_min", 0.0),
    )


def _link(table: Table) -> Link:
    default = Link()
    table.refuse_others(
        "latency_s", "loss", "good_below_m", "loss_per_100m", "radio_range_m", "outage", "shadow",
        "mast",
    )  # fmt: skip
    return Link(
        latency_s=table.number("latency_s", default.latency_s),
        loss=table.number("loss", default.loss),
        good_below_m=table.number("good_below_m", default.good_below_m),
        loss_per_100m=table.number("loss_per_100m", default.loss_per_100m),
        radio_range_m=table.number("radio_range_m", default.radio_range_m),
        outages=tuple(
            Outage(_minutes(r, "from_min", 0.0), _minutes(r, "to_min", 0.0))
            for r in table.tables("outage")
        ),
        shadows=tuple(
            (r.number("lat_deg"), r.number("lon_deg"), r.number("radius_m"))
            for r in table.tables("shadow")
        ),
        masts=tuple(
            Mast(r.number("lat_deg"), r.number("lon_deg"), r.number("height_m"))
            for r in table.tables("mast")
        ),
    )


def _sorties(table: Table) -> Sorties:
    table.refuse_others("count", "every_h", "charge_percent", "age_per_sortie", "warm_start_c")
    return Sorties(
        count=int(table.number("count", 1)),
        every_s=3600.0 * table.number("every_h", 0.0),
        charge=table.number("charge_percent", 100.0) / 100.0,
        age_per_sortie=table.number("age_per_sortie", 0.0),
        warm_start_c=table.number("warm_start_c", 0.0),
    )
