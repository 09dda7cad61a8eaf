"""The plan beside the flight: leg by leg, and on the way home."""

from __future__ import annotations

from dataclasses import replace

import pytest

from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.forecast.beside import Beside, PlanBeside
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.legs import mission_layout
from supervisor.core.forecast.why import Explainer, Turned
from tests.core.as_planned import arrived, margin_wh, planned
from tests.core.flights import flight

TRIP = ("turn", "climb", "cruise", "descent", "landing")


def homeward(turned: Belief, share: float, seconds: float, height_m: float = 100.0) -> Belief:
    """Straight home from ``turned``, with ``share`` of the way still to fly."""
    north, east = share * turned.north_m, share * turned.east_m
    lat, lon = planned().chart.to_place(north, east)
    way = (turned.north_m**2 + turned.east_m**2) ** 0.5
    speed = (1.0 - share) * way / seconds
    vn, ve = -speed * turned.north_m / way, -speed * turned.east_m / way
    t_s = turned.t_s + seconds
    fix = replace(
        turned.position, t_s=t_s, lat_rad=lat, lon_rad=lon, height_m=height_m, vn_mps=vn, ve_mps=ve
    )
    return replace(
        turned, t_s=t_s, airborne_s=turned.airborne_s + seconds, north_m=north, east_m=east,
        position=fix, homeward=True,
    )  # fmt: skip


def test_on_the_plan_it_is_the_budget() -> None:
    belief = arrived(planned())
    _, here = PlanBeside(flight()).look(Beside(), belief, 600.0)
    assert here is not None
    ledger = dict(here.ledger_wh)
    # The builder's 360 W at 21 m/s (18 to 25 over ground) for 29 to 33 km, pack losses on top.
    assert 360.0 / 25.0 * 29.0 / 3.6 < ledger["cruise"] < 1.1 * 360.0 / 16.0 * 33.0 / 3.6
    assert sum(ledger.values()) == pytest.approx(here.energy_wh)


def test_homeward_it_is_the_budgets_return_less_what_is_flown() -> None:
    beside, turned = PlanBeside(flight()), arrived(planned())
    memory, there = beside.look(Beside(), turned, 600.0)
    assert there is not None
    half = homeward(turned, 0.5, 900.0)
    memory, now = beside.look(memory, half, 500.0)
    assert now is not None
    before, after = dict(there.ledger_wh), dict(now.ledger_wh)
    assert after["turn"] == 0.0
    assert after["landing"] == before["landing"]
    # The last 24 s and 500 m of the way are the descent's: half the way is a little under half
    # of the cruise.
    assert after["cruise"] / before["cruise"] == pytest.approx(0.49, abs=0.01)
    gone = sum(before[k] - after[k] for k in TRIP)
    assert now.energy_wh == pytest.approx(there.energy_wh - gone)
    assert sum(after.values()) == pytest.approx(now.energy_wh)
    assert after["extra"] == pytest.approx(before["extra"] + 0.05 * gone)  # contingency freed

    _, landed = beside.look(
        memory, replace(homeward(turned, 0.0, 1800.0, 0.0), phase=Phase.GROUND), 0
    )
    assert landed is not None
    assert sum(dict(landed.ledger_wh)[k] for k in TRIP) == pytest.approx(0.0)
    assert landed.energy_wh == pytest.approx(there.energy_wh - sum(before[k] for k in TRIP))


def test_started_on_the_way_home_it_has_nothing_to_compare_with() -> None:
    belief = homeward(arrived(planned()), 0.5, 900.0)
    assert PlanBeside(flight()).look(Beside(), belief, 500.0)[1] is None


def test_the_overrun_is_told_leg_by_leg() -> None:
    beside, there = PlanBeside(flight()), arrived(planned())
    seq = mission_layout(flight())
    memory = Beside()
    lost = {0: 2.0, 1: 12.0, 2: 15.0, 3: 60.0}  # more than planned, up to each leg
    for leg, wh in lost.items():
        on_leg = replace(there, mission_seq=seq.index(leg))
        memory, plan = beside.look(memory, on_leg, 0.0)
        assert plan is not None
        memory, _ = beside.look(memory, on_leg, plan.energy_wh - wh)
    rows = memory.by_leg(flight())
    assert [name for name, _ in rows] == [
        "the leg to gauge 1", "the leg to gauge 2", "the leg to gauge 3", "the leg to mouth",
    ]  # fmt: skip
    assert [wh for _, wh in rows] == pytest.approx([2.0, 10.0, 3.0, 45.0])


def test_circles_on_the_way_home_are_time_lost() -> None:
    """Twenty minutes straight home, of which five in circles, at one ground speed."""
    beside, turned = PlanBeside(flight()), arrived(planned())
    memory, _ = beside.look(Beside(), turned, 600.0)
    for k in range(1, 241):  # every five seconds
        straight_s = min(5.0 * k, 600.0) + max(5.0 * k - 900.0, 0.0)
        share = 1.0 - straight_s / 1600.0
        belief = homeward(turned, share, 5.0 * k)
        way = (turned.north_m**2 + turned.east_m**2) ** 0.5
        fix = replace(belief.position, vn_mps=way / 1600.0, ve_mps=0.0)
        memory, _ = beside.look(memory, replace(belief, position=fix), 500.0)
    assert memory.detour_s == pytest.approx(300.0, rel=0.02)


def test_homeward_the_reasons_start_from_the_plan_at_the_turn() -> None:
    """Nothing lost at the turn, then five minutes of circles: that is delay, and all of it."""
    plan, turned = flight(), arrived(planned())
    at_turn = margin_wh(turned)
    wasted = 360.0 * 300.0 / 3600.0  # the builder's level power
    later = homeward(turned, 0.5, 900.0)
    turn = Turned(turned, detour_s=300.0)
    # As long under way as the same half of the way takes without the circles, and those.
    maker = Forecaster(plan, members=3, points=5, explain=False)
    whole_s, half_s = (float(maker.run(b).landings[0].seconds[0]) for b in (turned, later))
    later = replace(later, airborne_s=turned.airborne_s + 300.0 + whole_s - half_s)
    terms = dict(Explainer(plan).why_home(later, at_turn - wasted, turn))
    assert terms["delay"] == pytest.approx(wasted, rel=0.02)
    assert sum(terms.values()) == pytest.approx(wasted, abs=0.01 * wasted + 0.7)
    for name, wh in terms.items():
        if name != "delay":
            assert wh == pytest.approx(0.0, abs=2.0), name
