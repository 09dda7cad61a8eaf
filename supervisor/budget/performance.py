"""Level flight in still air: the figures that a builder can check by hand."""

from __future__ import annotations

from supervisor.budget.answer import Performance
from supervisor.core.atmosphere import day_offset_k, density_kgpm3, tas_per_cas
from supervisor.core.cells import capacity_factor, pack_energy_wh
from supervisor.core.plan import Flight
from supervisor.core.power import best_range_speed_mps, hover_w, wing_w
from supervisor.reserves import pack_draw_w

LEAST_POWER = 3.0**-0.25  # V_mp / V_md of a parabolic polar (Traub 2011, eq. 4, derived)


def performance(flight: Flight) -> Performance:
    """At take-off mass, at the return height."""
    craft, pack, home = flight.aircraft, flight.pack, flight.home
    offset = day_offset_k(flight.weather.temperature_c, home.elevation_m)
    low = density_kgpm3(home.elevation_m, offset)
    high = density_kgpm3(home.elevation_m + flight.return_plan.height_m, offset)
    ratio = tas_per_cas(high)
    tas = craft.cruise_mps * ratio
    cruise_w = float(wing_w(craft, craft.mass_kg, high, tas)) + craft.avionics_w
    best = best_range_speed_mps(craft, craft.mass_kg, high) / ratio
    cold = float(capacity_factor(pack.cell, pack.temperature_c))
    full_wh = float(pack_energy_wh(pack, pack.initial_charge, pack.capacity_ah * cold))
    spare_j = 3600.0 * (full_wh - flight.policy.final_reserve_wh)
    endurance_s = spare_j / pack_draw_w(pack, cruise_w)
    return Performance(
        density_home_kgpm3=low,
        density_return_kgpm3=high,
        hover_w=float(hover_w(craft, craft.mass_kg, low)) + craft.avionics_w,
        cruise_w=cruise_w,
        cruise_tas_mps=tas,
        least_power_cas_mps=LEAST_POWER * best,
        best_range_cas_mps=best,
        endurance_s=endurance_s,
        range_m=endurance_s * tas,
    )
