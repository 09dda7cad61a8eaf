"""Every kind of fault leaves its mark in the telemetry: decoded by the reference
library, beside the same flight without it. Still air, the builder's own aircraft, one seed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from statistics import fmean
from typing import Any

import pytest
import still
from pymavlink.dialects.v20 import common

from sim.faults import KINDS
from sim.flight import Flight
from sim.scenario import Fault
from sim.telemetry import Telemetry

SLOW_MESSAGES = (24, 30, 33, 74, 147)  # once a second will do
AT_S, END_S, UNTIL_S = 300.0, 400.0, 700.0
Told = dict[str, list[tuple[float, Any]]]


@cache
def told(
    kind: str = "", amount: float = math.nan, at_s: float = AT_S, until_s: float = UNTIL_S
) -> Told:
    """All messages by name, of a line out over the sea with one landing after 3 km."""
    base = still.scenario()
    pad = still.waypoint(base.plan, 3e3, 0.0, land=True, drop_kg=0.6, ground_s=20.0)
    far = still.waypoint(base.plan, 60e3, 0.0)
    end_s = END_S if kind in ("gps-loss", "telemetry-dropout") else math.inf
    faults = (Fault(kind, at_s, end_s, amount),) if kind else ()
    scenario = replace(base, plan=replace(base.plan, route=(pad, far)), faults=faults)
    flight, telemetry, parser = Flight(scenario, 1), Telemetry(scenario, 1), common.MAVLink(None)
    telemetry.begin(flight.state)
    for message in SLOW_MESSAGES:
        telemetry.set_interval(message, 1_000_000)
    heard: Told = {}
    while flight.t_s < until_s:
        for t_s, frame in telemetry.frames(flight.step()):
            for message in parser.parse_buffer(frame) or []:
                heard.setdefault(message.get_type(), []).append((t_s, message))
    return heard


def mean(heard: Told, name: str, of: Callable[[Any], float], from_s: float, to_s: float) -> float:
    return fmean(of(m) for t, m in heard[name] if from_s <= t < to_s)


def amperes(heard: Told, from_s: float, to_s: float) -> float:
    return mean(heard, "BATTERY_STATUS", lambda m: m.current_battery / 100.0, from_s, to_s)


def cells(heard: Told, from_s: float, to_s: float) -> list[float]:
    rows = [m.voltages for t, m in heard["BATTERY_STATUS"] if from_s <= t < to_s]
    return [fmean(row[i] for row in rows) / 1000.0 for i in range(10)]


CRUISE, LATE = (500.0, 700.0), (650.0, 700.0)
HOVER = (3.0, 14.0)  # the first climb


def second_climb_a(heard: Told) -> float:
    """Greatest current after the stop at the pad."""
    return max(m.current_battery for t, m in heard["BATTERY_STATUS"] if 200.0 < t < 400.0) / 100.0


def test_a_weak_cell_group_stands_apart() -> None:
    well, ill = cells(told(), *LATE), cells(told("weak-cell", 0.6, 0.0), *LATE)
    assert max(well) - min(well) < 0.005
    assert max(ill) - min(ill) > 0.03


def test_a_cold_pack_says_so_and_sags() -> None:
    ill = told("cold-soak", -15.0, 0.0, 30.0)
    kelvin = mean(told(), "BATTERY_STATUS", lambda m: m.temperature / 100.0, 0.0, 10.0)
    cold = mean(ill, "BATTERY_STATUS", lambda m: m.temperature / 100.0, 0.0, 10.0)
    assert kelvin - cold == pytest.approx(15.0, abs=1.0)
    assert fmean(cells(told(), *HOVER)) - fmean(cells(ill, *HOVER)) > 0.03


def test_an_aged_pack_sags() -> None:
    ill = told("ageing", 0.9, 0.0, 30.0)
    assert fmean(cells(told(), *HOVER)) - fmean(cells(ill, *HOVER)) > 0.05


def test_drag_takes_current_from_when_it_comes() -> None:
    ill = told("drag-rise", 1.5)
    assert amperes(ill, 0.0, 200.0) == pytest.approx(amperes(told(), 0.0, 200.0))
    assert 1.2 < amperes(ill, *CRUISE) / amperes(told(), *CRUISE) < 1.5


def test_a_poor_pusher_takes_current_in_proportion() -> None:
    """0.8 of the efficiency: 1.25 times the shaft's share of 360 W, of which 25 W are avionics."""
    ratio = amperes(told("pusher", 0.8), *CRUISE) / amperes(told(), *CRUISE)
    assert ratio == pytest.approx(1.25, abs=0.04)


def test_a_poor_lift_motor_takes_current_in_hover_only() -> None:
    """A quarter of the thrust at 0.6 of the efficiency: 1 + (1/0.6 - 1)/4 = 1.17."""
    ill = told("lift-motor", 0.6, 0.0)
    assert amperes(ill, *HOVER) / amperes(told(), *HOVER) == pytest.approx(1.17, abs=0.04)
    assert amperes(ill, *CRUISE) == pytest.approx(amperes(told(), *CRUISE), rel=0.01)


def test_a_blocked_tube_tells_one_airspeed_while_the_aircraft_flies_another() -> None:
    ill = told("airspeed-blocked", at_s=500.0)
    ground = [mean(h, "VFR_HUD", lambda m: m.groundspeed, *LATE) for h in (told(), ill)]
    air = [mean(h, "VFR_HUD", lambda m: m.airspeed, *LATE) for h in (told(), ill)]
    assert ground[1] - ground[0] > 0.3
    assert air[1] - air[0] < 0.5 * (ground[1] - ground[0])


def test_a_compass_offset_parts_heading_from_course() -> None:
    def apart(heard: Told) -> float:
        heading = mean(heard, "VFR_HUD", lambda m: (m.heading + 180) % 360, *CRUISE)
        course = mean(heard, "GPS_RAW_INT", lambda m: (m.cog / 100.0 + 180) % 360, *CRUISE)
        return heading - course

    assert apart(told("compass-offset", 20.0)) - apart(told()) == pytest.approx(20.0, abs=1.0)


def test_a_lost_position_has_no_fix_while_it_lasts() -> None:
    fixes = [(t, m.fix_type >= 3) for t, m in told("gps-loss")["GPS_RAW_INT"]]
    assert {good for t, good in fixes if AT_S + 1.0 < t < END_S} == {False}
    assert {good for t, good in fixes if t < AT_S or t > END_S + 1.0} == {True}


def test_a_frozen_monitor_repeats_itself() -> None:
    rows = [
        (m.current_battery, m.current_consumed, tuple(m.voltages))
        for t, m in told("battery-frozen")["BATTERY_STATUS"]
        if t > AT_S + 2.0
    ]
    assert len(rows) > 100
    assert len(set(rows)) == 1


def test_a_current_gain_is_seen_against_the_voltage() -> None:
    ill = told("current-gain", 0.88, 0.0)
    assert amperes(ill, *CRUISE) / amperes(told(), *CRUISE) == pytest.approx(0.88, abs=0.005)
    assert fmean(cells(ill, *CRUISE)) == pytest.approx(fmean(cells(told(), *CRUISE)), abs=0.002)


def test_a_clock_jump_shifts_the_date() -> None:
    def offset_s(heard: Told) -> list[float]:
        return [m.time_unix_usec / 1e6 - m.time_boot_ms / 1e3 for _, m in heard["SYSTEM_TIME"]]

    shifts = [b - a for a, b in zip(offset_s(told()), offset_s(told("clock-jump")), strict=True)]
    assert shifts[0] == pytest.approx(0.0, abs=0.01)
    assert shifts[-1] == pytest.approx(120.0, abs=0.01)


def test_a_dropout_is_silence() -> None:
    beats = [t for t, _ in told("telemetry-dropout")["HEARTBEAT"]]
    assert not [t for t in beats if AT_S < t < END_S]
    assert [t for t in beats if t > END_S]


def test_a_payload_that_stayed_weighs_on_the_second_climb() -> None:
    """Hover power goes with mass^1.5: (12.2 / 11.6)^1.5 = 1.079."""
    ratio = second_climb_a(told("payload-stuck", at_s=0.0)) / second_climb_a(told())
    assert ratio == pytest.approx(1.079, abs=0.03)


def test_no_kind_is_left_out() -> None:
    here = {
        "weak-cell", "cold-soak", "ageing", "drag-rise", "pusher", "lift-motor", "compass-offset",
        "airspeed-blocked", "gps-loss", "battery-frozen", "current-gain", "clock-jump",
        "telemetry-dropout", "payload-stuck",
    }  # fmt: skip
    assert here == set(KINDS)
