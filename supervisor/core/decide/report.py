"""From belief, forecast and alerts to the status that is published."""

from __future__ import annotations

import math
from dataclasses import dataclass

from supervisor.core.atmosphere import density_kgpm3, tas_per_cas
from supervisor.core.belief import Belief
from supervisor.core.cells import pack_energy_wh
from supervisor.core.conclusions import (
    ActiveCondition,
    FourNumbers,
    Level,
    PackNow,
    Phase,
    Status,
    WindNow,
)
from supervisor.core.decide.rules import Alerts, Situation
from supervisor.core.decide.situation import Heard
from supervisor.core.forecast.footprint import covered_m
from supervisor.core.forecast.run import Forecast
from supervisor.core.plan import Flight, Pack

NAN = math.nan
AHEAD_ROWS = 10


@dataclass(frozen=True, slots=True)
class View:
    """Everything that one look has come to."""

    flight: Flight
    heard: Heard
    belief: Belief | None
    forecast: Forecast | None
    situation: Situation
    alerts: Alerts


def numbers(view: View) -> FourNumbers | None:
    """The four numbers, when there is a forecast."""
    return view.forecast.numbers if view.forecast else None


def status(view: View, sentence: str) -> Status:
    """The whole status of one look."""
    forecast, situation, belief = view.forecast, view.situation, view.belief
    return Status(
        t_s=situation.t_s,
        unix_s=situation.t_s + view.heard.unix_offset_s,
        phase=belief.phase if belief else Phase.UNKNOWN,
        level=view.alerts.worst(),
        sentence=sentence,
        position=view.heard.position,
        airspeed_mps=_true_airspeed(belief),
        numbers=numbers(view),
        turn_back_place=forecast.turn_back_place if forecast else None,
        ledger_wh=forecast.ledger_wh if forecast else (),
        planned_wh=forecast.planned_wh if forecast else (),
        why_wh=forecast.why_wh if forecast else (),
        wind=_wind(belief, forecast),
        pack=_pack(view.flight.pack, belief, view.heard),
        alternates=forecast.alternates if forecast else (),
        active=_active(view.alerts),
        advice=forecast.advice if forecast else (),
        telemetry_age_s=situation.telemetry_age_s,
        landed=situation.landed,
        homeward=situation.homeward,
        ahead=_ahead(forecast),
        footprint_m=_footprint(view),
        ledger_sd_wh=forecast.ledger_sd_wh if forecast else (),
    )


def _true_airspeed(belief: Belief | None) -> float:
    if belief is None:
        return NAN
    density = density_kgpm3(belief.position.alt_m, belief.day_offset_k)
    return belief.cas_mps * tas_per_cas(density)


def _wind(belief: Belief | None, forecast: Forecast | None) -> WindNow | None:
    if belief is None:
        return None
    height = belief.position.height_m
    north, east, sd = belief.wind.mean_at(belief.north_m, belief.east_m, height, 0.0)
    return WindNow(north, east, sd, forecast.headwind_home_mps if forecast else NAN)


def _pack(spec: Pack, belief: Belief | None, heard: Heard) -> PackNow | None:
    if belief is None:
        return None
    pack, seen = belief.pack, heard.pack
    charge = min(max(float(pack.mean[0]), 0.0), 1.0)
    capacity_ah = pack.capacity_ah * math.exp(float(pack.mean[4]))
    return PackNow(
        charge=charge,
        charge_sd=math.sqrt(max(float(pack.cov[0, 0]), 0.0)),
        energy_wh=float(pack_energy_wh(spec, charge, capacity_ah)),
        pack_v=seen.pack_v if seen else NAN,
        weakest_cell_v=min(seen.cell_v) if seen and seen.cell_v else NAN,
        current_a=seen.current_a if seen else NAN,
        temperature_c=seen.temperature_c if seen else NAN,
    )


def _ahead(forecast: Forecast | None) -> tuple[tuple[float, float, float, float], ...]:
    """The margin still to come, thinned: it is drawn, not computed with."""
    if forecast is None or len(forecast.ahead_s) < 2:
        return ()
    every = max(1, -(-len(forecast.ahead_s) // AHEAD_ROWS))
    low, middle, high = forecast.margin_wh
    rows = zip(forecast.ahead_s, low, middle, high, strict=True)
    return tuple((float(t), float(a), float(b), float(c)) for t, a, b, c in rows)[::every]


def _footprint(view: View) -> tuple[float, ...]:
    if view.belief is None or view.forecast is None or not view.situation.airborne:
        return ()
    return covered_m(view.flight, view.belief, view.forecast)


def _active(alerts: Alerts) -> tuple[ActiveCondition, ...]:
    return tuple(
        ActiveCondition(held.seq, name, held.level, held.since_s, held.acked_by)
        for name, held in alerts.held.items()
        if held.level is not Level.NORMAL
    )
