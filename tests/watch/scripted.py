"""A scripted flight along the invented estuary, as published messages: out, warned, home.

Its energies are a plausible story, not a model: what is tested with it is whether the watcher
shows what was published.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from supervisor.messages import (
    Active,
    Advisory,
    Alternate,
    Health,
    Landed,
    LevelName,
    LinkHealth,
    Numbers,
    Pack,
    Plan,
    PlannedPoint,
    Presence,
    ProcessHealth,
    Site,
    Status,
    StorageHealth,
    Track,
    TurnBackPlace,
    Where,
    Wind,
)

HOME = (44.2000, -28.6000)
ALTERNATE = (44.1330, -28.1500)
ROUTE = [
    ("gauge 1", 44.1950, -28.5300),
    ("gauge 2", 44.1800, -28.4400),
    ("gauge 3", 44.1550, -28.3200),
    ("mouth", 44.1400, -28.2000),
    ("Farrow", 44.1300, -28.0000),
    ("outer 1", 44.1300, -27.8000),
    ("outer 2", 44.1500, -27.6500),
]
M_PER_DEG = 111_195.0
GROUNDSPEED_MPS = 24.0
TURN_T = 2700.0  # the moment at which this story's aircraft must turn
START = datetime(2031, 5, 14, 13, 20, tzinfo=UTC)


def _metres(a: tuple[float, float], b: tuple[float, float]) -> float:
    north = (b[0] - a[0]) * M_PER_DEG
    east = (b[1] - a[1]) * M_PER_DEG * math.cos(math.radians(a[0]))
    return math.hypot(north, east)


def _along(metres: float) -> tuple[float, float, float]:
    """Latitude, longitude and track at a distance along the route from home."""
    points = [HOME, *((lat, lon) for _, lat, lon in ROUTE)]
    for a, b in pairwise(points):
        leg = _metres(a, b)
        if metres <= leg:
            share = metres / leg
            east = (b[1] - a[1]) * math.cos(math.radians(a[0]))
            track = math.degrees(math.atan2(east, b[0] - a[0])) % 360
            return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), track
        metres -= leg
    return (*points[-1], 90.0)


class Story:
    """The messages of one aircraft at any time ``t`` of its flight."""

    def __init__(self, aircraft: str = "heron-1", flight: str = "f1", *, lead_s: float = 0.0):
        self.aircraft, self.flight = aircraft, flight
        self.turn_t = TURN_T + lead_s

    def utc(self, t: float) -> str:
        return (START + timedelta(seconds=t)).isoformat()

    def plan(self) -> Plan:
        route = [
            PlannedPoint(name=n, lat_deg=lat, lon_deg=lon, height_m=110.0) for n, lat, lon in ROUTE
        ]
        return Plan(
            aircraft=self.aircraft,
            flight=self.flight,
            t=0.0,
            name="Saltmere gauge round",
            home=Site(name="Saltmere box", lat_deg=HOME[0], lon_deg=HOME[1], elevation_m=8.0),
            alternates=[
                Site(
                    name="Farrow lighthouse pad",
                    lat_deg=ALTERNATE[0],
                    lon_deg=ALTERNATE[1],
                    elevation_m=15.0,
                )
            ],
            route=route,
            return_style="direct",
            return_height_m=100.0,
            final_reserve_wh=84.0,
            confidence=0.99,
            nameplate_wh=865.0,
            budget_wh={"trip": 640.0, "contingency": 32.0, "final-reserve": 84.0},
        )

    def presence(self, beat: int = 1) -> Presence:
        return Presence(
            aircraft=self.aircraft,
            state="online",
            flight=self.flight,
            beat=beat,
            telemetry_age_s=0.2,
        )

    def health(
        self, *, not_ready: list[str] | None = None, troubles: list[str] | None = None
    ) -> Health:
        """How the daemon is; well when nothing is named."""
        return Health(
            aircraft=self.aircraft, flight=self.flight, t=1.0, version="1", ready=not not_ready,
            not_ready=not_ready or [], troubles=troubles or [],
            link=LinkHealth(up=True, age_s=0.1, frames=9500, lost=12, doubled=0, foreign=3,
                            refused=0, damaged=1),
            storage=StorageHealth(recording="f1.mcap", recorded=9500, recording_dropped=0, fault="",
                                  waiting=0, outbox_dropped=0, outbox_trouble="", free_mb=21000.0),
            process=ProcessHealth(uptime_s=900.0, resident_mb=78.0, cpu_percent=6.0, looks=120,
                                  slowest_look_ms=210.0, handles=18),
            broker="connected",
        )  # fmt: skip

    # -- the story's numbers ----------------------------------------------------------------------

    def margin_wh(self, t: float) -> tuple[float, float, float]:
        """Above the reserve if it turned at ``t``: zero at the 99 % end when it must turn."""
        mid = 18.0 + (self.turn_t - t) * 0.135 + 6.0 * math.sin(t / 170.0)
        half = 10.0 + 0.011 * max(self.turn_t - t, 0.0)
        return round(mid - half, 1), round(mid, 1), round(mid + half, 1)

    def safe_min(self, t: float) -> float:
        return round((self.turn_t - t) / 60.0, 2)

    def level(self, t: float) -> LevelName:
        left = self.safe_min(t)
        return "warning" if left <= 0 else "caution" if left < 5 else "normal"

    def sentence(self, t: float) -> str:
        left, margin = self.safe_min(t), self.margin_wh(t)
        tail = (
            f" Turning now would land {margin[1]:.0f} Wh above the reserve "
            f"({margin[0]:+.0f} to {margin[2]:+.0f})."
        )
        if left <= 0:
            words = (
                "Turn back now: going on takes the chance to land at home with reserve and voltage "
                "below 99 %."
            )
        elif left < 5:
            words = (
                f"Be ready to turn back in {left:.0f} min: then the chance to land at home with "
                "reserve and voltage falls below 99 %."
            )
        else:
            words = f"Fine: {left:.0f} min until it must turn."
        return words + tail

    def active(self, t: float, acked_by: str | None = None) -> list[Active]:
        if self.level(t) == "normal":
            return []
        warning = self.level(t) == "warning"
        return [
            Active(
                seq=3 if warning else 2,
                condition="turn-back-now" if warning else "turn-back-soon",
                level=self.level(t),
                since_t=self.turn_t if warning else self.turn_t - 300.0,
                acked_by=acked_by,
            )
        ]

    def advisories(self, t: float) -> list[Advisory]:
        """Everything that was said up to ``t``."""
        said: list[tuple[int, float, str, LevelName, str]] = [
            (1, 900.0, "headwind-home", "caution", "The wind against the way home is 4 m/s "
             "stronger than forecast and costs about 46 Wh."),
            (2, self.turn_t - 300.0, "turn-back-soon", "caution", self.sentence(self.turn_t - 290)),
            (3, self.turn_t, "turn-back-now", "warning", self.sentence(self.turn_t + 1)),
        ]  # fmt: skip
        return [
            Advisory(
                aircraft=self.aircraft, flight=self.flight, t=at, utc=self.utc(at), seq=seq,
                condition=condition, level=level, sentence=sentence,
                numbers=self.numbers(at), why_wh=self.why(at),
            )
            for seq, at, condition, level, sentence in said
            if at <= t
        ]  # fmt: skip

    def why(self, t: float) -> dict[str, float]:
        share = min(t / self.turn_t, 1.1)
        return {
            "wind": round(46 * share, 1), "climb": round(6 * share, 1),
            "drag": round(12 * share, 1), "pack": round(9 * share, 1), "cold": 4.0,
            "delay": round(-7 * share, 1),
        }  # fmt: skip

    def numbers(self, t: float) -> Numbers:
        low, mid, high = self.margin_wh(t)
        left = self.safe_min(t)
        return Numbers(
            landing_energy_wh=(low + 84, mid + 84, high + 84),
            above_reserve_wh=(low, mid, high),
            turn_back_min=(round(left + 0.8, 2), round(left + 3.1, 2), round(left + 6.2, 2)),
            turn_back_safe_min=left,
            completion=0.61,
            hover_cell_v=(3.05, 3.14, 3.21),
            hover_holds=0.996,
            covered=0.999 if left > 0 else 0.98,
        )

    def status(
        self, t: float, *, acked_by: str | None = None, next_s: float | None = None
    ) -> Status:
        lat, lon, track = _along(max(t - 60.0, 0.0) * GROUNDSPEED_MPS)
        home_km = _metres((lat, lon), HOME) / 1000.0
        turn_at = _along((self.turn_t - 60.0) * GROUNDSPEED_MPS)
        low, mid, high = self.margin_wh(t)
        cruise = round(12.0 + 6.0 * home_km, 1)
        ahead = [
            (float(m), *self.margin_wh(t + 60 * m)) for m in range(0, 45, 2) if self.safe_min(t) > 0
        ]
        return Status(
            aircraft=self.aircraft, flight=self.flight, t=t, utc=self.utc(t), phase="cruise",
            level=self.level(t), sentence=self.sentence(t),
            where=Where(
                lat_deg=round(lat, 6), lon_deg=round(lon, 6), height_m=110.0, alt_m=118.0,
                groundspeed_mps=GROUNDSPEED_MPS, track_deg=round(track, 1), airspeed_mps=21.0,
            ),
            numbers=self.numbers(t),
            turn_back_place=TurnBackPlace(
                lat_deg=turn_at[0], lon_deg=turn_at[1],
                along_km=round(max(self.turn_t - t, 0) * GROUNDSPEED_MPS / 1000, 2),
                distance_home_km=round(_metres(turn_at[:2], HOME) / 1000, 2),
            ),
            ledger_wh={
                "turn": 4.0, "climb": 0.0, "cruise": cruise, "descent": 11.0, "landing": 29.0,
                "contingency": 21.0, "alternate": 0.0, "final-reserve": 84.0,
                "extra": round(mid - 21.0, 1),
            },
            planned_wh={
                "turn": 4.0, "climb": 0.0, "cruise": round(0.86 * cruise, 1), "descent": 11.0,
                "landing": 27.0, "contingency": 19.0, "alternate": 0.0, "final-reserve": 84.0,
                "extra": round(mid + 24.0, 1),
            },
            ledger_sd_wh={
                "cruise": round(0.05 * cruise, 1), "landing": 3.0, "descent": 2.0,
                "extra": round((high - low) / 3.3, 1),
            },
            why_wh=self.why(t),
            wind=Wind(from_deg=262.0, speed_mps=8.2, sd_mps=1.1, headwind_home_mps=7.9),
            pack=Pack(
                charge_percent=round(96 - t * 0.0185, 1), charge_sd_percent=1.4,
                energy_wh=round(830 - t * 0.16, 1), pack_v=44.1, weakest_cell_v=3.62,
                current_a=8.4, temperature_c=24.0,
            ),
            alternates=[
                Alternate(
                    name="Farrow lighthouse pad", covered=0.97,
                    landing_energy_wh=(120.0, 160.0, 190.0),
                )
            ],
            active=self.active(t, acked_by), advice={"best-return-airspeed-mps": 23.4},
            telemetry_age_s=0.2, next_s=next_s, ahead=ahead,
            footprint_km=[
                round(46.0 - 15.0 * math.cos(math.radians(b - 262.0)), 1) for b in range(0, 360, 15)
            ],
        )  # fmt: skip

    def landed(self, t: float) -> Status:
        """At home again, the motors off, with 96 Wh: nothing is foreseen any more."""
        end = Landed(
            place="at Saltmere box",
            energy_wh=(88.2, 96.4, 104.6),
            above_reserve_wh=(4.2, 12.4, 20.6),
        )
        flying = self.status(t)
        assert flying.where is not None
        where = flying.where.model_copy(
            update={"lat_deg": HOME[0], "lon_deg": HOME[1], "height_m": 0.0, "groundspeed_mps": 0.0}
        )
        nothing: dict[str, object] = {
            "numbers": None, "turn_back_place": None, "ledger_wh": {}, "planned_wh": {},
            "ledger_sd_wh": {}, "why_wh": {}, "alternates": [], "active": [], "advice": {},
            "ahead": [], "footprint_km": [],
        }  # fmt: skip
        sentence = "Landed: at Saltmere box with 96 Wh (88 to 105), 12 Wh above the reserve."
        told = {"phase": "ground", "level": "normal", "sentence": sentence, "landed": end}
        return flying.model_copy(update=nothing | told | {"where": where})

    def ended(self, t: float) -> Advisory:
        """The landing ends the warning."""
        return self.advisories(self.turn_t)[-1].model_copy(update={
            "seq": 4, "t": t, "level": "normal",
            "sentence": "Ended: turn back now (landed at Saltmere box).",
        })  # fmt: skip

    def track(self, t: float) -> Track:
        """Positions of the minute before ``t``."""
        t0 = math.floor(max(t - 60.0, 0.0))
        fixes = [
            (round(lat / 1e-5), round(lon / 1e-5), 110)
            for lat, lon, _ in (
                _along(max(s - 60.0, 0.0) * GROUNDSPEED_MPS) for s in range(t0, int(t) + 1, 10)
            )
        ]
        rows = [(0, 0, 0, 0)] + [
            (10, b[0] - a[0], b[1] - a[1], b[2] - a[2]) for a, b in pairwise(fixes)
        ]
        lat, lon, height = fixes[0]
        return Track(
            aircraft=self.aircraft, flight=self.flight, t=t, t0=float(t0),
            origin=(lat * 1e-5, lon * 1e-5, float(height)), points=rows,
        )  # fmt: skip
