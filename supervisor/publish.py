"""From the core's conclusions to the published messages: degrees, rounding, null for unknown.

Rounding happens here and only here, so that one belief has one spelling, live and in a replay.
"""

from __future__ import annotations

import datetime
import math

from supervisor import messages
from supervisor.core import conclusions
from supervisor.core.plan import Flight, Site


def known(value: float, digits: int) -> float | None:
    """``value`` rounded, or None when it is not a finite number. Nothing is ever -0.0."""
    return round(value, digits) + 0.0 if math.isfinite(value) else None


def _or_zero(value: float, digits: int) -> float:
    return known(value, digits) or 0.0


def _chance(value: float) -> float:
    return min(max(_or_zero(value, 4), 0.0), 1.0)


def _spread(
    spread: conclusions.Spread, digits: int, scale: float = 1.0
) -> tuple[float | None, float | None, float | None]:
    return (
        known(spread.p05 * scale, digits),
        known(spread.p50 * scale, digits),
        known(spread.p95 * scale, digits),
    )


def _terms(terms: tuple[tuple[str, float], ...], digits: int = 1) -> dict[str, float]:
    return {name: _or_zero(value, digits) for name, value in terms if math.isfinite(value)}


def utc_text(unix_s: float) -> str | None:
    """RFC 3339 in UTC to the millisecond, or None when the date is not known."""
    if not math.isfinite(unix_s):
        return None
    moment = datetime.datetime.fromtimestamp(round(unix_s, 3), datetime.UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Publisher:
    """Turns conclusions into messages of one aircraft and one flight."""

    def __init__(self, aircraft: str, flight_id: str) -> None:
        self.aircraft = aircraft
        self.flight_id = flight_id

    def advisory(self, advisory: conclusions.Advisory, unix_s: float) -> messages.Advisory:
        """The advisory as published; ``unix_s`` NaN when the date is not known."""
        return messages.Advisory(
            aircraft=self.aircraft,
            flight=self.flight_id,
            t=round(advisory.t_s, 3),
            utc=utc_text(unix_s),
            seq=advisory.seq,
            condition=advisory.condition,
            level=advisory.level.value,
            sentence=advisory.sentence,
            numbers=_numbers(advisory.numbers),
            why_wh=_terms(advisory.why_wh),
        )

    def status(self, status: conclusions.Status) -> messages.Status:
        """The status as published."""
        return messages.Status(
            aircraft=self.aircraft,
            flight=self.flight_id,
            t=round(status.t_s, 3),
            utc=utc_text(status.unix_s),
            phase=status.phase.value,
            level=status.level.value,
            sentence=status.sentence,
            where=_where(status),
            numbers=_numbers(status.numbers),
            turn_back_place=_place(status.turn_back_place),
            ledger_wh=_terms(status.ledger_wh),
            planned_wh=_terms(status.planned_wh),
            why_wh=_terms(status.why_wh),
            wind=_wind(status.wind),
            pack=_pack(status.pack),
            alternates=[_alternate(site) for site in status.alternates],
            active=[_active(condition) for condition in status.active],
            advice=_terms(status.advice),
            telemetry_age_s=_or_zero(status.telemetry_age_s, 1),
            homeward=status.homeward,
            ahead=[
                (round(t / 60.0, 1), round(low, 0), round(middle, 0), round(high, 0))
                for t, low, middle, high in status.ahead
            ],
            footprint_km=[round(metres / 1000.0, 1) for metres in status.footprint_m],
            ledger_sd_wh=_terms(status.ledger_sd_wh),
            return_request=status.return_request,
            return_by=status.return_by,
            next_s=known(status.next_look_s, 1),
            landed=_landed(status.landed),
        )

    def plan(self, flight: Flight, budget_wh: dict[str, float]) -> messages.Plan:
        """The plan as published once, retained."""
        return messages.Plan(
            aircraft=self.aircraft,
            flight=self.flight_id,
            t=0.0,
            name=flight.name,
            home=_site(flight.home),
            alternates=[_site(site) for site in flight.alternates],
            route=[
                messages.PlannedPoint(
                    name=point.name,
                    lat_deg=round(math.degrees(point.lat_rad), 6),
                    lon_deg=round(math.degrees(point.lon_rad), 6),
                    height_m=point.height_m,
                )
                for point in flight.route
            ],
            return_style=flight.return_plan.style.value,
            return_height_m=flight.return_plan.height_m,
            final_reserve_wh=round(flight.policy.final_reserve_wh, 1),
            confidence=flight.policy.confidence,
            nameplate_wh=round(flight.pack.nameplate_wh, 1),
            budget_wh=budget_wh,
        )


def _numbers(n: conclusions.FourNumbers | None) -> messages.Numbers | None:
    if n is None:
        return None
    return messages.Numbers(
        landing_energy_wh=_spread(n.landing_energy_wh, 1),
        above_reserve_wh=_spread(n.above_reserve_wh, 1),
        turn_back_min=_spread(n.turn_back_s, 2, 1.0 / 60.0),
        turn_back_safe_min=known(n.turn_back_safe_s / 60.0, 2),
        completion=_chance(n.completion),
        hover_cell_v=_spread(n.hover_cell_v, 3),
        hover_holds=_chance(n.hover_holds),
        covered=_chance(n.covered),
    )


def _landed(end: conclusions.FlightEnd | None) -> messages.Landed | None:
    if end is None:
        return None
    return messages.Landed(
        place=end.place,
        energy_wh=_spread(end.energy_wh, 1),
        above_reserve_wh=_spread(end.above_reserve_wh, 1),
    )


def _where(status: conclusions.Status) -> messages.Where | None:
    p = status.position
    if p is None:
        return None
    return messages.Where(
        lat_deg=round(math.degrees(p.lat_rad), 6),
        lon_deg=round(math.degrees(p.lon_rad), 6),
        height_m=_or_zero(p.height_m, 1),
        alt_m=_or_zero(p.alt_m, 1),
        groundspeed_mps=round(math.hypot(p.vn_mps, p.ve_mps), 1),
        track_deg=round(math.degrees(math.atan2(p.ve_mps, p.vn_mps)) % 360.0, 1) % 360.0,
        airspeed_mps=known(status.airspeed_mps, 1),
    )


def _place(place: conclusions.PlaceAhead | None) -> messages.TurnBackPlace | None:
    if place is None:
        return None
    return messages.TurnBackPlace(
        lat_deg=round(math.degrees(place.lat_rad), 5),
        lon_deg=round(math.degrees(place.lon_rad), 5),
        along_km=round(place.along_m / 1000.0, 2),
        distance_home_km=round(place.distance_home_m / 1000.0, 2),
    )


def _wind(wind: conclusions.WindNow | None) -> messages.Wind | None:
    if wind is None:
        return None
    toward = math.degrees(math.atan2(wind.e_mps, wind.n_mps))
    return messages.Wind(
        from_deg=round((toward + 180.0) % 360.0, 0) % 360.0,
        speed_mps=round(math.hypot(wind.n_mps, wind.e_mps), 1),
        sd_mps=_or_zero(wind.sd_mps, 2),
        headwind_home_mps=_or_zero(wind.headwind_home_mps, 1),
    )


def _pack(pack: conclusions.PackNow | None) -> messages.Pack | None:
    if pack is None:
        return None
    return messages.Pack(
        charge_percent=round(100.0 * pack.charge, 1),
        charge_sd_percent=round(100.0 * pack.charge_sd, 2),
        energy_wh=round(pack.energy_wh, 1),
        pack_v=known(pack.pack_v, 2),
        weakest_cell_v=known(pack.weakest_cell_v, 3),
        current_a=known(pack.current_a, 1),
        temperature_c=known(pack.temperature_c, 1),
    )


def _alternate(site: conclusions.SiteChance) -> messages.Alternate:
    return messages.Alternate(
        name=site.name,
        covered=_chance(site.covered),
        landing_energy_wh=_spread(site.landing_energy_wh, 1),
    )


def _active(condition: conclusions.ActiveCondition) -> messages.Active:
    return messages.Active(
        seq=condition.seq,
        condition=condition.condition,
        level=condition.level.value,
        since_t=round(condition.since_t_s, 1),
        acked_by=condition.acked_by or None,
    )


def _site(site: Site) -> messages.Site:
    return messages.Site(
        name=site.name,
        lat_deg=round(math.degrees(site.lat_rad), 6),
        lon_deg=round(math.degrees(site.lon_rad), 6),
        elevation_m=site.elevation_m,
    )
