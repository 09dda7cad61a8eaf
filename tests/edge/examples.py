"""Messages as the daemon publishes them, for the bridge's tests."""

from __future__ import annotations

import random
from typing import Any

from supervisor import messages

PHASES = (
    "turn", "climb", "cruise", "descent", "landing", "contingency", "alternate", "final-reserve",
    "extra",
)  # fmt: skip
WHY = ("wind", "climb", "drag", "hover", "pack", "cold", "delay", "payload")


def advisory(seq: int, flight: str = "f1", aircraft: str = "saltmere-1") -> messages.Advisory:
    """An advisory of honest size (about 0.9 kB)."""
    numbers = messages.Numbers(
        landing_energy_wh=(181.2, 214.9, 246.0),
        above_reserve_wh=(31.2, 64.9, 96.0),
        turn_back_min=(1.2, 3.4, 5.6),
        turn_back_safe_min=1.1,
        completion=0.41,
        hover_cell_v=(3.31, 3.38, 3.44),
        hover_holds=0.998,
        covered=0.93,
    )
    return messages.Advisory(
        aircraft=aircraft,
        flight=flight,
        t=10.0 * seq,
        seq=seq,
        condition="turn-back-soon",
        level="caution",
        sentence="Turn back within 1 min: the headwind on the way home has grown to 9 m/s.",
        numbers=numbers,
        why_wh={"wind": -41.2, "climb": -3.0, "drag": 0.4, "pack": -8.8, "cold": 0.0},
    )


def status(t: float, *, seed: int = 0, level: Any = "normal") -> messages.Status:
    """A full status with numbers that wander as in calm cruise."""
    draw = random.Random(f"{seed}-{t}")

    def near(value: float, digits: int = 1) -> float:
        return round(value * draw.uniform(0.98, 1.02), digits)

    def spread(value: float, digits: int = 1) -> tuple[float, float, float]:
        return (near(0.9 * value, digits), near(value, digits), near(1.1 * value, digits))

    left = 800.0 - 0.1 * t
    return messages.Status(
        aircraft="saltmere-1",
        flight="f1",
        t=round(t, 3),
        utc="2026-06-01T08:16:42.000Z",
        phase="cruise",
        level=level,
        sentence=f"Home is covered: {left:.0f} Wh above the reserve if it turned now.",
        where=messages.Where(
            lat_deg=round(-47.2 + t * 1e-5, 6),
            lon_deg=round(12.1 + t * 2e-5, 6),
            height_m=near(120.0),
            alt_m=near(131.0),
            groundspeed_mps=near(21.0),
            track_deg=near(61.0),
            airspeed_mps=near(22.0),
        ),
        numbers=messages.Numbers(
            landing_energy_wh=(round(left, 1), round(left + 60, 1), round(left + 120, 1)),
            above_reserve_wh=(round(left - 150, 1), round(left - 90, 1), round(left - 30, 1)),
            turn_back_min=spread(20.0, 2),
            turn_back_safe_min=near(16.0, 2),
            completion=round(draw.uniform(0.985, 0.995), 4),
            hover_cell_v=spread(3.5, 3),
            hover_holds=1.0,
            covered=round(draw.uniform(0.995, 1.0), 4),
        ),
        turn_back_place=messages.TurnBackPlace(
            lat_deg=-47.10001, lon_deg=12.31234, along_km=near(24.0, 2), distance_home_km=19.21
        ),
        ledger_wh={name: near(40.0) for name in PHASES},
        planned_wh={name: near(40.0) for name in PHASES},
        why_wh={name: near(-5.0) for name in WHY},
        wind=messages.Wind(
            from_deg=271.0, speed_mps=near(6.0), sd_mps=near(0.61, 2), headwind_home_mps=near(5.0)
        ),
        pack=messages.Pack(
            charge_percent=near(71.0),
            charge_sd_percent=near(1.2, 2),
            energy_wh=near(820.0),
            pack_v=near(46.1, 2),
            weakest_cell_v=near(3.81, 3),
            current_a=near(11.0),
            temperature_c=near(24.0),
        ),
        alternates=[
            messages.Alternate(name="north spit", covered=1.0, landing_energy_wh=spread(300.0))
        ],
        active=[],
        advice={
            "station_left_s": near(2714.0),
            "best_return_airspeed_mps": near(22.7),
            "best_return_airspeed_saves_wh": near(2.2),
            "best_return_height_m": 60.0,
        },
        telemetry_age_s=0.1,
        ahead=[
            (near(4.5 * m), near(397 - 80 * m, 0), near(442 - 75 * m, 0), near(489 - 70 * m, 0))
            for m in range(9)
        ],
        footprint_km=[near(80.0) for _ in range(24)],
    )


def plan(points: int = 12) -> messages.Plan:
    site = messages.Site(name="quay", lat_deg=-47.2, lon_deg=12.1, elevation_m=3.0)
    return messages.Plan(
        aircraft="saltmere-1",
        flight="f1",
        t=0.0,
        name="tide gauges",
        home=site,
        alternates=[site],
        route=[
            messages.PlannedPoint(
                name=f"gauge {n}", lat_deg=-47.2 + n / 100, lon_deg=12.1, height_m=120.0
            )
            for n in range(points)
        ],
        return_style="direct",
        return_height_m=120.0,
        final_reserve_wh=150.0,
        confidence=0.95,
        nameplate_wh=1000.0,
        budget_wh={"trip": 700.0, "contingency": 35.0, "final-reserve": 150.0},
    )


def health(t: float) -> messages.Health:
    """How a daemon in flight tells of itself."""
    return messages.Health(
        aircraft="saltmere-1",
        flight="f1",
        t=round(t, 3),
        utc="2026-06-01T08:16:42.000Z",
        version="1.0.0",
        ready=True,
        not_ready=[],
        troubles=[],
        link=messages.LinkHealth(
            up=True, age_s=0.1, frames=round(26 * t), lost=12, doubled=3, foreign=0, refused=0,
            damaged=1,
        ),
        storage=messages.StorageHealth(
            recording="saltmere-1-00017.mcap", recorded=round(27 * t), recording_dropped=0,
            fault="", waiting=0, outbox_dropped=0, outbox_trouble="", free_mb=21_034.2,
        ),
        process=messages.ProcessHealth(
            uptime_s=round(t, 1), resident_mb=118.4, cpu_percent=9.3, looks=round(t / 5),
            slowest_look_ms=311.7, handles=23,
        ),
        broker="connected",
        clock_step_s=0.2,
    )  # fmt: skip
