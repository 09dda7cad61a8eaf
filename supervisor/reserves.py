"""Reserves in whatever unit they are given, as open-circuit watt-hours of the pack.

"Energy left" is counted as open-circuit energy (``core/cells.pack_energy_wh``). Minutes of hover
are energy at the motors; what the pack itself then loses in its resistance is added, so that the
reserve really holds that many minutes.
"""

from __future__ import annotations

from supervisor.core import geodesy
from supervisor.core.atmosphere import day_offset_k, density_kgpm3, tas_per_cas
from supervisor.core.cells import current_at_power_a, ocv_v, r0_ohm
from supervisor.core.plan import Aircraft, Pack, ReturnPlan, Site
from supervisor.core.power import hover_w, wing_w
from supervisor.flightmodels import Reserve

RESERVE_CHARGE = 0.20  # where on the curve a reserve is drawn, for the pack's own loss


def pack_draw_w(pack: Pack, power_w: float) -> float:
    """Open-circuit power [W] that leaves the pack's charge while it delivers ``power_w`` [W]."""
    cells = pack.series * pack.parallel
    cell = pack.cell
    source_v = float(ocv_v(cell, RESERVE_CHARGE))
    ohm = float(r0_ohm(cell, RESERVE_CHARGE, pack.temperature_c)) + cell.r1_ohm + cell.r2_ohm
    current_a = float(current_at_power_a(source_v, ohm * pack.resistance_scale, power_w / cells))
    return source_v * current_a * cells


def reserve_wh(
    given: Reserve, aircraft: Aircraft, pack: Pack, elevation_m: float, temperature_c: float
) -> float:
    """The reserve [Wh]: minutes are flown at take-off mass in the air at home."""
    if given.energy_wh is not None:
        return given.energy_wh
    if given.nameplate_percent is not None:
        return given.nameplate_percent / 100.0 * pack.nameplate_wh
    density = density_kgpm3(elevation_m, day_offset_k(temperature_c, elevation_m))
    if given.hover_min is not None:
        power_w = float(hover_w(aircraft, aircraft.mass_kg, density))
        minutes = given.hover_min
    else:
        tas = aircraft.cruise_mps * tas_per_cas(density)
        power_w = float(wing_w(aircraft, aircraft.mass_kg, density, tas))
        minutes = given.cruise_min or 0.0
    return pack_draw_w(pack, power_w + aircraft.avionics_w) * minutes / 60.0


def alternate_leg_wh(
    aircraft: Aircraft,
    pack: Pack,
    home: Site,
    alternate: Site,
    return_plan: ReturnPlan,
    temperature_c: float,
) -> float:
    """From a go-around at home to a landing at the alternate, in still air [Wh].

    Climb to the return height, cruise at the return airspeed, landing hover. The contingency and
    the policy's confidence carry the wind.
    """
    density = density_kgpm3(home.elevation_m, day_offset_k(temperature_c, home.elevation_m))
    distance_m, _ = geodesy.inverse(
        home.lat_rad, home.lon_rad, alternate.lat_rad, alternate.lon_rad
    )
    tas = return_plan.airspeed_mps * tas_per_cas(density)
    mass = aircraft.mass_kg
    cruise_w = pack_draw_w(pack, float(wing_w(aircraft, mass, density, tas)) + aircraft.avionics_w)
    climb_w = pack_draw_w(
        pack,
        float(wing_w(aircraft, mass, density, tas, return_plan.climb_mps)) + aircraft.avionics_w,
    )
    land_w = pack_draw_w(pack, float(hover_w(aircraft, mass, density)) + aircraft.avionics_w)
    climb_s = return_plan.height_m / return_plan.climb_mps
    cruise_s = max(distance_m / tas - climb_s, 0.0)
    joules = climb_w * climb_s + cruise_w * cruise_s + land_w * return_plan.landing_hover_s
    return joules / 3600.0
