"""The end of a flight: told from a stop on the way, quiet, and with what is left in the pack."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from supervisor.core.belief import Belief
from supervisor.core.cells import pack_energy_wh
from supervisor.core.conclusions import Advisory, FlightEnd, Level, Phase, Spread, Status
from supervisor.core.decide.landing import Landing, energy_left_wh, watch
from supervisor.core.decide.rules import RULES, Alerts, decide
from supervisor.core.decide.wording import headline, sentence
from supervisor.core.events import Heartbeat, Observation
from supervisor.core.monitor import Monitor
from supervisor.core.paper.paper import paper_belief
from supervisor.core.plan import Site, Waypoint
from tests.core.flights import flight, position, report
from tests.core.test_decide import CALM, levels, run
from tests.core.test_delivery import hill

ALOFT = Landing(up_s=0.0)
END = FlightEnd("at the box", Spread(120.0, 138.0, 156.0), Spread(-18.0, 0.4, 18.0))


def standing(place: Site | Waypoint, north_m: float = 0.0, **more: object) -> Belief:
    """On the ground that far north of a place of the hill flight, after half an hour in the air."""
    chart = Monitor(hill(), members=2, points=2, explain=False)._forecaster.chart
    north, east = chart.to_map(place.lat_rad, place.lon_rad)
    facts = {"phase": Phase.GROUND, "t_s": 1800.0} | more
    return replace(paper_belief(hill()), north_m=north + north_m, east_m=east, **facts)  # type: ignore[arg-type]


def test_at_home_and_at_an_alternate_the_flight_is_over() -> None:
    for site in (hill().home, *hill().alternates):
        state = watch(ALOFT, hill(), standing(site, 40.0), armed=True)
        assert (state.place, state.stopped) == (f"at {site.name}", False)


def test_a_planned_stop_is_not_the_end_whether_disarmed_or_not() -> None:
    (stop,) = (point for point in hill().route if point.land)
    for armed in (True, False):
        state = watch(ALOFT, hill(), standing(stop, 40.0), armed)
        assert (state.place, state.stopped) == ("", True)


def test_elsewhere_it_is_over_when_the_motors_are_disarmed() -> None:
    somewhere = standing(hill().home, 5000.0)
    state = watch(ALOFT, hill(), somewhere, armed=True)
    assert state.stopped
    state = watch(state, hill(), somewhere, armed=False)
    assert "away from every planned site" in state.place


def test_before_the_take_off_nothing_has_ended() -> None:
    before = standing(hill().home)
    assert watch(Landing(), hill(), before, armed=False) == Landing()
    unknown = replace(before, phase=Phase.UNKNOWN, t_s=0.0)
    assert watch(Landing(), hill(), unknown, armed=True) == Landing()


def test_motors_tried_on_the_ground_are_no_flight() -> None:
    tried = watch(Landing(), hill(), standing(hill().home, phase=Phase.TRANSITION), armed=True)
    assert tried == Landing(up_s=1800.0)
    assert watch(tried, hill(), standing(hill().home, t_s=1850.0), armed=True) == Landing()


def test_a_take_off_or_arming_anew_opens_it_again() -> None:
    home = standing(hill().home)
    over = watch(watch(ALOFT, hill(), home, armed=True), hill(), home, armed=False)
    assert over.place
    rising = replace(home, phase=Phase.HOVER_CLIMB)
    assert watch(over, hill(), rising, armed=True) == Landing(up_s=1800.0)
    again = watch(over, hill(), home, armed=True)
    assert not again.place
    assert not watch(again, hill(), home, armed=True).place  # and not ended by standing there


def test_the_energy_left_and_its_spread_are_those_of_the_belief() -> None:
    """Against 200,000 draws of charge and capacity, each through the open-circuit table."""
    pack = replace(
        paper_belief(hill()).pack,
        mean=np.array([0.31, 0.0, 0.0, 0.0, -0.05, 0.0, 0.0]),
        cov=np.diag(np.square([0.02, 0.0, 0.0, 0.0, 0.03, 0.0, 0.0])),
    )
    rng = np.random.default_rng(7)
    charge, log_c = rng.normal(0.31, 0.02, 200_000), rng.normal(-0.05, 0.03, 200_000)
    drawn = pack_energy_wh(hill().pack, charge, pack.capacity_ah * np.exp(log_c))
    told = energy_left_wh(hill().pack, pack)
    expected = np.quantile(drawn, [0.05, 0.5, 0.95])
    assert (told.p05, told.p50, told.p95) == pytest.approx(tuple(expected), rel=0.01)


def test_the_end_ends_every_condition_at_once_and_raises_none() -> None:
    worst = {
        "turn_back_safe_s": -60.0, "covered": 0.02, "best_alternate_covered": 0.01,
        "overrun_wh": 472.0, "completion": 0.0, "hover_holds": 0.3, "pack_capacity": 0.7,
    }  # fmt: skip
    alerts, said = run(200, **worst)
    raised = {c.condition for c in said if c.level is not Level.NORMAL}
    assert {"home-not-covered", "turn-back-now", "budget-overrun", "pack-weak"} <= raised
    end = worst | {"airborne": False, "landed": END, "telemetry_age_s": 900.0}
    alerts, said = run(1, alerts, start=200, **end)
    assert {c.condition for c in said} == raised
    assert {c.level for c in said} == {Level.NORMAL}
    assert alerts.worst() is Level.NORMAL
    _, said = run(1200, alerts, start=201, **end)
    assert said == []


def test_every_end_by_landing_says_where() -> None:
    over = replace(CALM, airborne=False, landed=END)
    for rule in RULES:
        text = sentence(rule.condition, Level.NORMAL, over, None)
        assert text.endswith("(landed at the box).")
    assert headline(over, None, "") == (
        "Landed: at the box with 138 Wh (120 to 156), 0 Wh above the reserve."
    )


def test_on_a_stop_the_way_home_still_counts_and_no_turn_is_timed() -> None:
    poor = {"covered": 0.3, "turn_back_safe_s": -60.0, "airborne": False, "stopped": True}
    alerts, said = run(60, **poor)
    assert levels(said, "home-not-covered") == [Level.WARNING]
    assert not levels(said, "turn-back-now")
    # What was raised in the air holds on the ground of a stop, and its end has its own reason.
    _, said = run(90, alerts, start=60, airborne=False, stopped=True)
    assert levels(said, "home-not-covered") == [Level.NORMAL]
    calm = replace(CALM, airborne=False, stopped=True)
    assert "home is covered" in sentence("home-not-covered", Level.NORMAL, calm, None)
    assert "on the ground" in sentence("turn-back-now", Level.NORMAL, calm, None)


def test_before_the_take_off_home_is_not_in_doubt() -> None:
    assert decide(Alerts(), replace(CALM, airborne=False, covered=0.3))[1] == []
    assert not levels(run(60, airborne=False, covered=0.3)[1], "home-not-covered")


def _hop() -> Iterator[Observation]:
    """Ninety seconds of hover over home, then two minutes on its ground with the motors off."""
    for t in range(90):
        yield Heartbeat(float(t), True, 4)
        yield report(float(t), power_w=1500.0, cell_v=3.5)
        yield position(float(t), height_m=20.0, velocity=(0.0, 0.0, 0.0))
    for t in range(90, 210):
        yield Heartbeat(float(t), t < 100, 3)
        yield report(float(t), power_w=12.0, cell_v=3.6)
        yield position(float(t), height_m=0.0, velocity=(0.0, 0.0, 0.0))


def test_after_the_landing_at_home_the_monitor_says_what_is_left_and_nothing_else() -> None:
    monitor = Monitor(flight(), members=20, points=5)
    out = [said for observation in _hop() for said in monitor.handle(observation)]
    last = [said for said in out if isinstance(said, Status)][-1]
    assert last.phase is Phase.GROUND
    assert last.landed is not None
    assert last.pack is not None
    # the mean cell holds a little beyond the weakest: some Wh of a whole pack's
    beyond_wh = last.pack.energy_wh - last.landed.energy_wh.p50
    assert 0.0 < beyond_wh < 0.02 * flight().pack.nameplate_wh
    assert last.sentence.startswith(f"Landed: at {flight().home.name} with ")
    assert last.numbers is None
    assert not last.ledger_wh
    assert (last.level, last.active) == (Level.NORMAL, ())
    late = [said for said in out if isinstance(said, Advisory) and said.t_s > 120.0]
    assert [said.level for said in late if said.level is not Level.NORMAL] == []
    # Silence afterwards is the pilot's switch, not an alarm.
    silent = monitor.tick(1000.0)
    assert not [said for said in silent if isinstance(said, Advisory)]
    assert math.isfinite(monitor.next_deadline())
