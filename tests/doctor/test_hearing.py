"""What is heard, judged: rates, units, the flight file. The frames are the reference library's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from airframe import ELEVATION_M, LAT_DEG, LON_DEG, Airframe

from sim import scenario
from supervisor.core.plan import Flight
from supervisor.doctor.finding import Finding, Verdict
from supervisor.doctor.hearing import Hearing
from supervisor.edge.intake import Intake
from supervisor.flightfile import load_flight

FLIGHT = load_flight(scenario.FOLDER / "estuary" / "flight.toml")
Alter = Callable[[Airframe], list[bytes]]


def nothing(_airframe: Airframe) -> list[bytes]:
    return []


def heard(
    alter: Alter = nothing, flight: Flight = FLIGHT, *, without: str = "", seconds: int = 15
) -> dict[str, Finding]:
    """Findings by check after a while on the ground; ``alter`` sends the last word."""
    hearing, intake, airframe = Hearing(asks=False), Intake(), Airframe()
    for tick in range(seconds * 5):
        frames = airframe.frames(tick / 5)
        for frame in intake.feed(b"".join(frames)):
            if frame.msgid != _ids().get(without):
                hearing.frame(frame, tick / 5)
    for frame in intake.feed(b"".join(alter(airframe))):
        hearing.frame(frame, float(seconds))
    found = hearing.findings(flight, float(seconds))
    return {f.check: f for f in sorted(found, key=lambda f: f.verdict is Verdict.BAD)}


def _ids() -> dict[str, int]:
    from supervisor.edge.wire import ROWS

    return {row.name: row.msgid for row in ROWS.values()}


def test_a_good_aircraft_has_nothing_bad() -> None:
    found = heard()
    assert not [f for f in found.values() if f.verdict is Verdict.BAD]
    assert found["heartbeat"].says.startswith("HEARTBEAT 1.")
    assert found["pack voltage"].verdict is Verdict.GOOD


def test_silence_is_bad_and_says_what_to_look_at() -> None:
    (only,) = Hearing(asks=True).findings(FLIGHT, 10.0)
    assert only.verdict is Verdict.BAD
    assert "baud" in only.fix


@pytest.mark.parametrize(
    "name", ["GLOBAL_POSITION_INT", "VFR_HUD", "EXTENDED_SYS_STATE", "GPS_RAW_INT"]
)
def test_each_needed_message_is_missed(name: str) -> None:
    finding = heard(without=name)[f"rate of {name}"]
    assert finding.verdict is Verdict.BAD
    assert "request_rates" in finding.fix


def test_who_asks_already_is_not_told_to_ask() -> None:
    hearing, intake, airframe = Hearing(asks=True), Intake(), Airframe()
    for tick in range(75):
        for frame in intake.feed(b"".join(airframe.frames(tick / 5))):
            if frame.msgid != _ids()["VFR_HUD"]:
                hearing.frame(frame, tick / 5)
    (missing,) = [f for f in hearing.findings(FLIGHT, 15.0) if f.verdict is Verdict.BAD]
    assert missing.check == "rate of VFR_HUD"
    assert "request_rates" not in missing.fix
    assert "asked for" in missing.fix


def test_silence_after_the_flight_is_said_once_not_message_by_message() -> None:
    hearing, intake, airframe = Hearing(asks=True), Intake(), Airframe()
    for tick in range(75):
        for frame in intake.feed(b"".join(airframe.frames(tick / 5))):
            hearing.frame(frame, tick / 5)
    assert not hearing.silent(19.0)
    for later_s in (21.0, 40.0, 4000.0):
        (only,) = hearing.findings(FLIGHT, later_s)
        assert (only.verdict, only.says) == (
            Verdict.BAD, "nothing is heard from the autopilot any more",
        )  # fmt: skip


def test_a_message_that_stops_is_missed_within_half_a_minute() -> None:
    hearing, intake, airframe = Hearing(asks=False), Intake(), Airframe()
    for tick in range(300):
        for frame in intake.feed(b"".join(airframe.frames(tick / 5))):
            if tick < 150 or frame.msgid != _ids()["VFR_HUD"]:
                hearing.frame(frame, tick / 5)
    assert hearing.rate_hz(_ids()["VFR_HUD"], 60.0) < 1.0
    assert hearing.rate_hz(_ids()["GLOBAL_POSITION_INT"], 60.0) == pytest.approx(5.0, abs=0.5)


def position(lat_deg: float, lon_deg: float, alt_m: float) -> Alter:
    e7 = (round(lat_deg * 1e7), round(lon_deg * 1e7))
    return lambda a: [
        a.packed("global_position_int", 15_000, *e7, round(alt_m * 1e3), 0, 0, 0, 0, 0)
    ]


def battery(cells: int, mv: int, current_a: float) -> Alter:
    first = [mv] * min(cells, 10) + [65_535] * (10 - min(cells, 10))
    more = [mv] * (cells - 10) + [0] * (14 - cells) if cells > 10 else [0] * 4
    return lambda a: [
        a.packed(
            "battery_status", 0, 1, 1, 2000, first, round(current_a * 100), 10, -1, 98, 0, 1, more
        )
    ]


@pytest.mark.parametrize(
    ("alter", "check", "verdict", "word"),
    [
        (position(LAT_DEG + 0.1, LON_DEG, 8.0), "position", Verdict.BAD, "11.1 km"),
        # 26 ft are 8 m: a home given in feet stands 18 m off; 300 ft would be seen.
        (position(LAT_DEG, LON_DEG, 300.0), "elevation", Verdict.DOUBT, "feet"),
        (battery(6, 4100, 1.0), "cells", Verdict.BAD, "6 cells"),
        (battery(12, 2000, 1.0), "pack voltage", Verdict.BAD, "2.00 V each"),
        (battery(12, 4100, 0.0), "current", Verdict.DOUBT, "connected"),
        (battery(12, 4100, 300.0), "current", Verdict.DOUBT, "milliamperes"),
    ],
)
def test_what_is_not_believable_is_said(
    alter: Alter, check: str, verdict: Verdict, word: str
) -> None:
    finding = heard(alter)[check]
    assert finding.verdict is verdict
    assert word in finding.says + finding.fix


def test_no_fix_and_no_home_are_bad() -> None:
    def poor(a: Airframe) -> list[bytes]:
        return [
            a.packed("gps_raw_int", 1, 1, 0, 0, 0, 999, 999, 0, 0, 3),
            a.packed(
                "home_position", round((LAT_DEG + 0.01) * 1e7), round(LON_DEG * 1e7),
                round(ELEVATION_M * 1000), 0, 0, 0, [1, 0, 0, 0], 0, 0, 0,
            ),
        ]  # fmt: skip

    found = heard(poor)
    assert found["GPS"].verdict is Verdict.BAD
    assert found["home"].verdict is Verdict.BAD
    # One hundredth of a degree of latitude is 1112 m on a sphere of 6371 km.
    assert "1112 m" in found["home"].says


def test_a_flight_file_of_another_pack_is_noticed() -> None:
    small = replace(FLIGHT, pack=replace(FLIGHT.pack, series=6))
    assert heard(flight=small)["cells"].verdict is Verdict.BAD
