"""What must hold for every plan: worse is never better, and still air has no direction."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.budget import variants
from supervisor.budget.as_learned import as_learned
from supervisor.budget.chance import odds
from supervisor.budget.layout import lay_out, margin_on_paper
from supervisor.core.estimate.prior import PowerPrior, Prior
from supervisor.core.paper.budget_line import budget_line
from supervisor.core.plan import Flight, ReturnStyle, Weather, WindRow
from supervisor.flightfile import parse_flight

PATH = Path(__file__).parents[2] / "sim/scenarios/estuary/flight.toml"
TEXT = PATH.read_text(encoding="utf-8")
EXAMPLE = parse_flight(TEXT, str(PATH))
SHORT = replace(EXAMPLE, route=EXAMPLE.route[:4])
few = settings(max_examples=25, deadline=None)


def in_wind(flight: Flight, from_deg: float, mps: float) -> Flight:
    toward = math.radians(from_deg + 180.0)
    row = WindRow(0.0, 100.0, mps * math.cos(toward), mps * math.sin(toward))
    return replace(flight, weather=Weather((row,), 2.5, 14.0))


def landing_wh(flight: Flight) -> float:
    return float(lay_out(flight).home.landing_wh[-1])


def cruise_wh(flight: Flight) -> float:
    """Energy that leaves the pack in level flight, out and home."""
    plan = lay_out(flight)
    level = np.array([s.phase == "cruise" for s in plan.whole.steps])
    return float((-np.diff(plan.whole.energy_wh) * level).sum())


@few
@given(from_deg=st.floats(0, 359), a=st.floats(0, 7), b=st.floats(0, 7))
def test_more_wind_on_the_way_home_never_leaves_more(from_deg: float, a: float, b: float) -> None:
    """Along a straight line out and home any stronger wind costs (the classic of the textbook).

    Within 1 Wh: the climb is made on the way, and its wind is met at another height.
    """
    straight = replace(EXAMPLE, route=EXAMPLE.route[3:4])
    low, high = sorted((a, b))
    assert landing_wh(in_wind(straight, from_deg, high)) <= (
        landing_wh(in_wind(straight, from_deg, low)) + 1.0
    )


@few
@given(a=st.floats(0, 3), b=st.floats(0, 3))
def test_more_mass_never_leaves_more(a: float, b: float) -> None:
    low, high = sorted((a, b))
    heavy, light = variants.heavier(SHORT, high), variants.heavier(SHORT, low)
    assert landing_wh(heavy) <= landing_wh(light) + 1e-6


@few
@given(a=st.floats(0.6, 1.1), b=st.floats(0.6, 1.1))
def test_less_capacity_never_gives_more_margin_anywhere(a: float, b: float) -> None:
    low, high = sorted((a, b))
    small = margin_on_paper(lay_out(variants.smaller_pack(SHORT, low)))
    large = margin_on_paper(lay_out(variants.smaller_pack(SHORT, high)))
    assert np.all(small <= large + 0.01)  # Wh: steps of the pack's tables


@few
@given(a=st.floats(0, 25), b=st.floats(0, 25))
def test_a_colder_day_never_raises_the_hover_voltage(a: float, b: float) -> None:
    low, high = sorted((a, b))
    cold, warm = variants.colder(SHORT, high), variants.colder(SHORT, low)
    cold_v, warm_v = (float(lay_out(f).home.hover_v[-1]) for f in (cold, warm))
    assert cold_v <= warm_v + 1e-6


@few
@given(order=st.permutations([0, 1, 2, 3]))
def test_a_route_reversed_in_still_air_costs_the_same_cruise(order: list[int]) -> None:
    """All at one height and speed, so that only the way counts (and, below 0.1 %, when on the way
    the climb to the first point ends and the pack's voltage is lower)."""
    level = [replace(EXAMPLE.route[i], height_m=100.0, loiter_s=0.0) for i in order]
    calm = in_wind(EXAMPLE, 0.0, 0.0)
    there = replace(calm, route=tuple(level))
    back = replace(calm, route=tuple(reversed(level)))
    assert cruise_wh(there) == pytest.approx(cruise_wh(back), rel=1e-3)


@few
@given(
    from_deg=st.integers(0, 359),
    mps=st.floats(1.0, 40.0),
    lat_deg=st.floats(-80.0, 80.0),
    lon_deg=st.floats(-179.0, 179.0),
    percent=st.floats(5.0, 60.0),
)
def test_units_come_back_as_they_were_given(
    from_deg: int, mps: float, lat_deg: float, lon_deg: float, percent: float
) -> None:
    """Degrees, "from" and percent in the file; radians, "toward" and Wh inside; and back."""
    moved = re.sub(r"lat_deg = 44\.\d+", f"lat_deg = {lat_deg!r}", TEXT)
    moved = re.sub(r"lon_deg = -28\.\d+", f"lon_deg = {lon_deg!r}", moved)
    moved = moved.replace("from_deg = 270.0", f"from_deg = {from_deg}")
    moved = moved.replace("speed_mps = 4.0", f"speed_mps = {mps!r}")
    flight = parse_flight(moved.replace("hover_min = 3.0", f"nameplate_percent = {percent!r}"), "x")
    wind, home = flight.weather.wind[0], flight.home
    back = math.degrees(math.atan2(-wind.e_mps, -wind.n_mps))
    assert math.remainder(back - from_deg, 360.0) == pytest.approx(0.0, abs=1e-9)
    assert math.hypot(wind.n_mps, wind.e_mps) == pytest.approx(mps)
    assert (math.degrees(home.lat_rad), math.degrees(home.lon_rad)) == pytest.approx(
        (lat_deg, lon_deg)
    )
    reserve_wh = flight.policy.final_reserve_wh
    assert 100.0 * reserve_wh / flight.pack.nameplate_wh == pytest.approx(percent)
    again = parse_flight(TEXT.replace("hover_min = 3.0", f"energy_wh = {reserve_wh!r}"), "x")
    assert again.policy.final_reserve_wh == pytest.approx(reserve_wh)


def test_out_and_home_agree_with_the_forecast_s_way_home() -> None:
    """Stretch by stretch, and in the few big steps the forecast takes: the same landing, 0.5 %."""
    plan = lay_out(SHORT)
    assert plan.whole.energy_wh[-1] == pytest.approx(plan.home.landing_wh[-1], rel=0.005)
    home_s = plan.whole.t_s[-1] - plan.out.t_s[-1]
    assert home_s == pytest.approx(plan.home.seconds[-1], rel=0.005)


def test_a_retraced_return_follows_the_route_back() -> None:
    retrace = replace(SHORT.return_plan, style=ReturnStyle.RETRACE)
    direct_m = lay_out(SHORT).home.distance_m[-1]
    retraced_m = lay_out(replace(SHORT, return_plan=retrace)).home.distance_m[-1]
    out_m = lay_out(SHORT).out.along_m[-1]
    assert direct_m < retraced_m == pytest.approx(out_m, rel=1e-3)


def test_a_planned_missed_landing_costs_a_hover_and_a_circuit() -> None:
    """1.57 kW for 60 s and the climb back, 60 s on the wing: 35..50 Wh."""
    again = replace(SHORT, policy=replace(SHORT.policy, missed_landings=1))
    assert 35.0 < landing_wh(SHORT) - landing_wh(again) < 50.0


def test_a_drop_on_the_way_saves_energy() -> None:
    first = replace(SHORT.route[1], land=True, ground_s=60.0)
    kept = replace(SHORT, route=(SHORT.route[0], first, *SHORT.route[2:]))
    dropped = replace(kept, route=(SHORT.route[0], replace(first, drop_kg=0.6), *SHORT.route[2:]))
    assert landing_wh(dropped) > landing_wh(kept) + 3.0
    assert landing_wh(kept) < landing_wh(SHORT) - 25.0  # a landing and a take-off more


@pytest.mark.parametrize("leg", [0, 2, 3])
def test_the_planned_line_is_the_sortie_s_own(leg: int) -> None:
    """At the end of a leg: energy there, and a home leg that adds up to what the return needs."""
    line, plan = budget_line(SHORT), lay_out(SHORT)
    k = plan.out.end_of(leg)
    planned = line.at(leg, 0.0, staying=True)
    assert planned is not None
    assert planned.energy_wh == pytest.approx(plan.out.energy_wh[k], abs=0.1)
    ledger = dict(planned.ledger_wh)
    arrived = line.at(leg, 0.0)
    assert arrived is not None
    home = sum(ledger[name] for name in ("turn", "climb", "cruise", "descent", "landing"))
    assert home == pytest.approx(plan.home.needed_wh[k], rel=0.02)
    assert sum(dict(arrived.ledger_wh).values()) == pytest.approx(arrived.energy_wh)


def test_the_planned_line_ends_with_the_plan() -> None:
    line = budget_line(SHORT)
    assert line.at(len(SHORT.route), 100.0) is None
    far, near = line.at(1, 5000.0), line.at(1, 1000.0)
    assert far is not None
    assert near is not None
    assert far.energy_wh > near.energy_wh
    assert far.t_s < near.t_s


def test_what_earlier_flights_taught_counts_on_paper_and_in_the_odds() -> None:
    """A tenth more power in cruise: about a tenth of 300 Wh of cruising is gone at landing."""
    log_mean = np.array([0.0, 0.0, math.log(1.1), 0.0, 0.0])
    prior = Prior(power=PowerPrior(log_mean, np.diag([1e-4] * 5)))
    taught = landing_wh(as_learned(SHORT, prior))
    assert landing_wh(SHORT) - taught == pytest.approx(30.0, abs=8.0)
    plain, known = odds(SHORT), odds(SHORT, prior)
    assert known.chances.landing_wh.p50 < plain.chances.landing_wh.p50 - 15.0
    wide = plain.chances.landing_wh
    assert known.chances.landing_wh.p95 - known.chances.landing_wh.p05 < wide.p95 - wide.p05


def test_a_learned_slope_counts_where_another_speed_is_flown() -> None:
    """The way home at 27 m/s takes (27/21)^0.15 of the power there, on paper and in the odds alike;
    on paper with the polar bent for it, which a tenth of the difference is allowed for."""
    log_mean, cov = np.array([0.0] * 5 + [0.15]), np.diag([1e-4] * 5 + [1e-6])
    sloped, level = Prior(PowerPrior(log_mean, cov)), Prior(PowerPrior(0.0 * log_mean, cov))
    assert landing_wh(as_learned(SHORT, sloped)) == pytest.approx(landing_wh(SHORT), abs=0.5)
    home = replace(SHORT.return_plan, airspeed_mps=27.0)
    fast = replace(SHORT, return_plan=home)
    paper = landing_wh(fast) - landing_wh(as_learned(fast, sloped))
    known = [odds(fast, prior).chances.landing_wh.p50 for prior in (level, sloped)]
    assert paper > 3.0
    assert known[0] - known[1] == pytest.approx(paper, rel=0.2)
