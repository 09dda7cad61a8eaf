"""Links: where they hold, how often they lose, that one seed is one fate."""

from __future__ import annotations

from dataclasses import replace

import pytest
from true_states import CRUISING

from sim.flight import Flight
from sim.link import Kind, LossyLink
from sim.plan import Site
from sim.scenario import Fault, Link, Outage, load
from sim.state import AircraftState, Phase

HOME = Site("home", 44.2, -28.6, 8.0)
M_PER_DEG_LAT = 111_120.0  # at 44 to 45 deg N, WGS 84 meridian


def at(north_km: float = 0.0, **changes: float) -> AircraftState:
    """A state so far north of home."""
    lat = HOME.lat_deg + 1000.0 * north_km / M_PER_DEG_LAT
    return replace(CRUISING, lat_deg=lat, lon_deg=HOME.lon_deg, **changes)


def delivered(link: LossyLink, state: AircraftState, count: int = 4000) -> int:
    """How many of ``count`` frames arrive at all, doubles not counted."""
    for i in range(count):
        link.put(float(i), i.to_bytes(4, "little"), state)
    return len({frame for _, frame in link.take(1e9)})


def test_cellular_loss_by_height() -> None:
    # 0.2 % below 120 m; 10 % more for each 100 m above: 220 m is 10.2 %. 4 000 frames: sd 19.
    figures = Link(loss=0.002, loss_per_100m=0.1, good_below_m=120.0)
    assert delivered(LossyLink(figures, HOME, 1), at(above_ground_m=100.0)) >= 3970
    high = delivered(LossyLink(figures, HOME, 1), at(above_ground_m=220.0))
    assert high == pytest.approx(4000 * (1 - 0.102), abs=100)


def test_cellular_shadow_only_low() -> None:
    figures = Link(shadows=((HOME.lat_deg, HOME.lon_deg, 2000.0),))
    link = LossyLink(figures, HOME, 1)
    assert link.quality(at(1.0, above_ground_m=30.0)).loss > 0.9
    assert link.quality(at(1.0, above_ground_m=100.0)).loss < 0.01
    assert link.quality(at(3.0, above_ground_m=30.0)).loss < 0.01


def test_the_saddle_behind_the_ridge_has_no_coverage_and_the_way_there_has() -> None:
    """Ground is as high as the landing: 80 m above it the mast beyond the ridge is hardly seen."""
    scenario = load("highsite")
    link = LossyLink(scenario.link, scenario.plan.home, 1, ridges=scenario.weather.ridges)
    flight, worst = Flight(scenario, 1), 0.0
    while flight.state.phase is not Phase.HOVER_LANDING:
        state = flight.step()
        if flight.distance_home_m < 37_000.0:  # 3 km and more before the site
            worst = max(worst, link.quality(state).loss)
    assert worst < 0.15  # high above the valley, no more
    assert flight.state.height_m > 600.0
    assert link.quality(flight.state).loss > 0.9


def test_without_its_ridges_the_scenario_s_link_would_hold() -> None:
    scenario = load("highsite")
    flight = Flight(scenario, 1)
    while flight.state.phase is not Phase.HOVER_LANDING:
        flight.step()
    link = LossyLink(scenario.link, scenario.plan.home, 1)
    assert link.quality(flight.state).loss < 0.01


def test_outage_is_total_and_ends() -> None:
    link = LossyLink(Link(outages=(Outage(100.0, 200.0),)), HOME, 1)
    assert not link.quality(at(t_s=150.0)).up
    assert link.quality(at(t_s=200.0)).up
    for t in range(300):
        link.put(float(t), bytes([t % 256]), at(t_s=float(t)))
    assert 95 <= link.lost <= 110


def test_local_radio_ends_at_its_range() -> None:
    # Common practice, no source: about 10 km.
    link = LossyLink(Link(radio_range_m=10_000.0, loss=0.0), HOME, 1, Kind.RADIO)
    assert link.quality(at(8.0)).loss == 0.0
    assert 0.2 < link.quality(at(9.2)).loss < 0.8
    assert not link.quality(at(10.1)).up
    assert link.quality(at(10.1)).loss == 1.0


def test_frames_arrive_late_and_in_order_of_arrival() -> None:
    link = LossyLink(Link(latency_s=0.2, loss=0.0), HOME, 1)
    for i in range(1000):
        link.put(0.02 * i, i.to_bytes(4, "little"), at())
    assert link.take(0.19) == []
    arrived = link.take(1e9)
    times = [t for t, _ in arrived]
    assert times == sorted(times)
    delays = [t - 0.02 * int.from_bytes(f, "little") for t, f in arrived]
    assert min(delays) >= 0.2
    # fixed part plus an exponential of mean 0.6 of it: 0.32 s, standard error 0.004 s
    assert sum(delays) / len(delays) == pytest.approx(0.32, abs=0.02)
    order = [int.from_bytes(f, "little") for _, f in arrived]
    assert order != sorted(order)  # some were overtaken


def test_some_arrive_twice() -> None:
    link = LossyLink(Link(loss=0.0), HOME, 2)
    for i in range(20_000):
        link.put(float(i), i.to_bytes(4, "little"), at())
    # 0.05 % of 20 000 is 10, sd 3.2
    assert 1 <= len(link.take(1e9)) - 20_000 <= 25


def test_dropout_fault_lets_no_question_pass() -> None:
    """What the aircraft sends is lost before the link; what is sent to it is lost here."""
    faults = (Fault("telemetry-dropout", at_s=0.0, end_s=2000.0),)
    link = LossyLink(Link(loss=0.0), HOME, 1, faults=faults)
    assert sum(link.passes(at(t_s=float(t))) for t in range(4000)) == 2000


def test_one_seed_one_fate() -> None:
    def fate(seed: int) -> list[tuple[float, bytes]]:
        link = LossyLink(Link(loss=0.2), HOME, seed)
        for i in range(500):
            link.put(0.1 * i, i.to_bytes(4, "little"), at())
        return link.take(1e9)

    assert fate(4) == fate(4)
    assert fate(4) != fate(5)
