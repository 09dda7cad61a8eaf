"""What Homeleg publishes: pydantic models, from which the JSON Schemas are generated.

Times: ``t`` is seconds since the first frame of this flight, the order of everything; ``utc`` is
the aircraft's own date when its autopilot knows it, else null. Angles in degrees here: this is
the edge. Numbers are rounded once, here, so that one belief has one spelling.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA: Literal[1] = 1
TOPIC_ROOT = "homeleg/v1"

LevelName = Literal["normal", "advisory", "caution", "warning"]
Percentiles = Annotated[
    tuple[float | None, float | None, float | None], Field(description="5, 50, 95 %")
]


class Message(BaseModel):
    """Common ground: immutable, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def payload(self) -> bytes:
        """The UTF-8 JSON that goes on the wire and into the recording."""
        unsigned = {"signature"} if getattr(self, "signature", None) is None else None
        return self.model_dump_json(exclude=unsigned).encode()


class Signature(Message):
    """Last member of a signed message; covers topic, ``boot``, ``order`` and the bytes before it.

    A watcher that does not check it can ignore it: the message is the same JSON without.
    """

    key: str = Field(description="first 16 hex digits of SHA-256 of the signer's public key")
    boot: int = Field(ge=0, description="counts the signer's power-ups")
    order: int = Field(ge=0, description="counts up by one a message; advisories: never reset")
    value: str = Field(description="Ed25519, URL-safe base64 without padding")


class Signed(Message):
    """A message that can carry a signature; absent (not null) when it has none."""

    signature: Signature | None = Field(
        default=None, description="last member of the object when present"
    )


class Stamped(Signed):
    """Every message names its schema, aircraft, flight and time."""

    schema_version: Literal[1] = SCHEMA
    aircraft: str = Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")
    flight: str = Field(description="identifies one power-up of one aircraft")
    t: float = Field(description="seconds since the first frame")
    utc: str | None = Field(default=None, description="RFC 3339, when the aircraft knows the date")


class Numbers(Message):
    """The four numbers. Energies in Wh; null where not within the plan (no turn-back needed)."""

    landing_energy_wh: Percentiles
    above_reserve_wh: Percentiles
    turn_back_min: Percentiles
    turn_back_safe_min: float | None = Field(description="at the policy's confidence; act on this")
    completion: float = Field(ge=0, le=1)
    hover_cell_v: Percentiles
    hover_holds: float = Field(ge=0, le=1)
    covered: float = Field(ge=0, le=1, description="turn now: lands with reserve, voltage held")


class Advisory(Stamped):
    """One condition, begun, changed or ended (level normal)."""

    seq: int = Field(ge=1)
    condition: str
    level: LevelName
    sentence: str
    numbers: Numbers | None
    why_wh: dict[str, float] = Field(description="what ate the margin since take-off; sums to it")


class Where(Message):
    """Where the aircraft is."""

    lat_deg: float
    lon_deg: float
    height_m: float
    alt_m: float
    groundspeed_mps: float
    track_deg: float
    airspeed_mps: float | None


class TurnBackPlace(Message):
    """Where on the plan it must turn."""

    lat_deg: float
    lon_deg: float
    along_km: float
    distance_home_km: float


class Wind(Message):
    """Where from and how strong, with one sigma a component."""

    from_deg: float
    speed_mps: float
    sd_mps: float
    headwind_home_mps: float


class Pack(Message):
    """Charge and what the monitor reports."""

    charge_percent: float
    charge_sd_percent: float
    energy_wh: float
    pack_v: float | None
    weakest_cell_v: float | None
    current_a: float | None
    temperature_c: float | None


class Alternate(Message):
    """Chance that a diversion started now lands there with the reserve."""

    name: str
    covered: float
    landing_energy_wh: Percentiles


class Active(Message):
    """A condition that holds now, and who acknowledged it."""

    seq: int
    condition: str
    level: LevelName
    since_t: float
    acked_by: str | None


class Landed(Message):
    """The flight is over: where it ended, in words, and what is left in the pack [Wh]."""

    place: str
    energy_wh: Percentiles
    above_reserve_wh: Percentiles


class Status(Stamped):
    """The latest belief and the four numbers; retained."""

    phase: str
    level: LevelName
    sentence: str
    where: Where | None
    numbers: Numbers | None
    turn_back_place: TurnBackPlace | None
    ledger_wh: dict[str, float]
    planned_wh: dict[str, float]
    why_wh: dict[str, float]
    wind: Wind | None
    pack: Pack | None
    alternates: list[Alternate]
    active: list[Active]
    advice: dict[str, float]
    telemetry_age_s: float
    homeward: bool = Field(default=False, description="on the way home: no turn is left to time")
    next_s: float | None = Field(
        default=None, description="the next status is due within; silence beyond it is stale"
    )
    ledger_sd_wh: dict[str, float] = Field(
        default_factory=dict, description="one sigma of each ledger term; absent where not known"
    )
    return_request: Literal["", "unarmed", "armed", "counting", "stopped", "asked"] = Field(
        default="", description="the optional return request; empty: the policy does not allow it"
    )
    return_by: str = Field(default="", description="who armed or stopped the return request")
    ahead: list[tuple[float, float, float, float]] = Field(
        default_factory=list,
        description="rows [minutes from now, P5, P50, P95 Wh above the reserve if turned then]",
    )
    footprint_km: list[float] = Field(
        default_factory=list,
        description="how far from home the home leg is still covered in this wind, at evenly "
        "spaced bearings from home, the first one north, clockwise",
    )
    landed: Landed | None = Field(
        default=None, description="the flight is over: nothing is foreseen or advised any more"
    )


class Site(Message):
    """A landing site of the plan."""

    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float


class PlannedPoint(Message):
    """A waypoint with what the budget foresees there."""

    name: str
    lat_deg: float
    lon_deg: float
    height_m: float
    eta_min: float | None = None
    energy_left_wh: float | None = None
    home_leg_wh: float | None = None


class Plan(Stamped):
    """What was planned; retained, so that a late watcher can draw it."""

    name: str
    home: Site
    alternates: list[Site]
    route: list[PlannedPoint]
    return_style: str
    return_height_m: float
    final_reserve_wh: float
    confidence: float
    nameplate_wh: float
    budget_wh: dict[str, float] = Field(
        description="the planned energy ledger, take-off to landing"
    )


class Track(Stamped):
    """Recent positions, oldest first, as deltas: see ``points`` for the coding.

    ``points`` rows are ``[dt_s, dlat_1e-5deg, dlon_1e-5deg, dheight_m]``; the first row is counted
    from ``t0`` and ``origin``.
    """

    t0: float
    origin: tuple[float, float, float]
    points: list[tuple[int, int, int, int]]


class Before(Message):
    """An advisory of this flight, in short, and who has acknowledged it: ``[by, utc]``."""

    seq: int
    t: float
    condition: str
    level: LevelName
    sentence: str
    acked: list[tuple[str, str]]


class History(Stamped):
    """The flight so far, coarse and retained, for whoever comes late.

    ``points`` rows, oldest first, are whole numbers counted from the row before, the first from
    zero: ``[dt_s, P5, P50, P95 in Wh above the reserve if turned then, lat and lon in 1e-4 deg,
    height in m]``.
    """

    points: list[tuple[int, int, int, int, int, int, int]]
    before: list[Before] = Field(description="the latest advisories, oldest first")


class Presence(Signed):
    """Retained; the last will says offline. Silence of a beat past ``next_s``: the link is down.

    ``telemetry_age_s`` tells a silent aircraft from a silent link; ``beat`` counting on after a
    gap tells that the daemon lived through it, a new ``flight`` that it did not.
    """

    schema_version: Literal[1] = SCHEMA
    aircraft: str
    state: Literal["online", "offline"]
    flight: str | None = None
    version: str = ""
    beat: int = Field(default=0, description="counts up while the daemon lives")
    telemetry_age_s: float | None = None
    reason: Literal["", "stopped", "lost"] = Field(
        default="", description="offline: stopped in good order, or lost (last will)"
    )
    next_s: float | None = Field(default=None, description="the next beat is due within")
    waiting: int = Field(default=0, description="advisories not yet taken over by the broker")
    troubles: list[str] = Field(default_factory=list, description="faults of the bridge itself")


class LinkHealth(Message):
    """The telemetry link since the start."""

    up: bool
    age_s: float | None = Field(description="since a good frame was heard; null: never")
    frames: int
    lost: int = Field(description="numbers that never came")
    doubled: int = Field(description="repeats and late arrivals, dropped")
    foreign: int = Field(description="of other systems or components, not for us")
    refused: int = Field(description="unsigned, wrongly signed or replayed")
    damaged: int = Field(description="frames whose checksum was wrong")


class StorageHealth(Message):
    """Recording, outbox and the disk under them."""

    recording: str = Field(description="file name; empty: none is kept")
    recorded: int
    recording_dropped: int
    fault: str = Field(description="what keeps the recorder from writing; empty: nothing")
    waiting: int = Field(description="advisories that the broker has not taken over")
    outbox_dropped: int
    outbox_trouble: str
    free_mb: float | None


class ProcessHealth(Message):
    """The daemon itself."""

    uptime_s: float
    resident_mb: float | None
    cpu_percent: float = Field(description="of one core, since the last report")
    looks: int = Field(description="forecasts concluded")
    slowest_look_ms: float = Field(description="since the last report")
    handles: int | None = Field(description="open file descriptors")


class Health(Stamped):
    """Retained: how the daemon is, and whether it is fit for a take-off.

    ``not_ready`` is the pre-flight gate: empty means that everything the daemon needs was heard,
    fits and is fresh. ``troubles`` are faults of the daemon's own surroundings, in words.
    """

    version: str
    ready: bool
    not_ready: list[str]
    troubles: list[str]
    link: LinkHealth
    storage: StorageHealth
    process: ProcessHealth
    broker: str = Field(description="connected, away, or none")
    clock_step_s: float | None = Field(
        default=None, description="the system's date less the aircraft's; null: not known"
    )


class Ack(Signed):
    """From a person to the aircraft: this advisory was read."""

    schema_version: Literal[1] = SCHEMA
    aircraft: str
    flight: str
    seq: int
    by: str
    utc: str


class ReturnWish(Signed):
    """From a person to the aircraft: arm the optional return request for this flight, or stop it.

    Counts only when it is rightly signed and the flight file's policy allows the request.
    """

    schema_version: Literal[1] = SCHEMA
    aircraft: str
    flight: str
    wish: Literal["arm", "stop"]
    by: str
    utc: str


def topic(aircraft: str, leaf: str) -> str:
    """``homeleg/v1/<aircraft>/<leaf>``."""
    return f"{TOPIC_ROOT}/{aircraft}/{leaf}"
