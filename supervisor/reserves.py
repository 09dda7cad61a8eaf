"""Reserves in whatever unit they are given, as open-circuit watt-hours of the pack.

"Energy left" is counted as open-circuit energy (``core/cells.pack_energy_wh``). Minutes of hover
are energy at the motors; what the pack itself then loses in its resistance is added, so that the
reserve really holds that many minutes.
"""

from __future__ import annotations

import math

from supervisor.core import geodesy
from supervisor.core.atmosphere import day_offset_k, density_kgpm3, tas_per_cas
from supervisor.core.cells import current_at_power_a, ocv_v, r0_ohm, temperature_factor
from supervisor.core.plan import Aircraft, Pack, ReturnPlan, Site
from supervisor.core.power import hover_w, wing_w
from supervisor.flightmodels import Reserve

RESERVE_CHARGE = 0.20  # where on the curve a reserve is drawn, for the pack's own loss


def pack_draw_w(pack: Pack, power_w: float, seconds: float = math.inf) -> float:
    """Open-circuit power [W] that leaves the pack while it delivers ``power_w`` [W] for so long.

    The relaxations grow into the load: their mean share over ``seconds`` from rest counts.
    """
    cells = pack.series * pack.parallel
    cell = pack.cell
    source_v = float(ocv_v(cell, RESERVE_CHARGE))
    ohm = float(r0_ohm(cell, RESERVE_CHARGE, 25.0))
    ohm += _grown(cell.tau1_s, seconds) * cell.r1_ohm + _grown(cell.tau2_s, seconds) * cell.r2_ohm
    ohm *= pack.resistance_scale * float(temperature_factor(cell, pack.temperature_c))
    current_a = float(current_at_power_a(source_v, ohm, power_w / cells))
    return source_v * current_a * cells


def _grown(tau_s: float, seconds: float) -> float:
    """Mean of 1 - exp(-t/tau) over a load that lasts ``seconds``."""
    x = seconds / tau_s
    if math.isinf(x):
        return 1.0
    return 1.0 - (1.0 - math.exp(-x)) / x if x > 0.0 else 0.0


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
    return pack_draw_w(pack, power_w + aircraft.avionics_w, 60.0 * minutes) * minutes / 60.0


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
    climb_s = return_plan.height_m / return_plan.climb_mps
    cruise_s = max(distance_m / tas - climb_s, 0.0)
    land_s = return_plan.landing_hover_s

    def joules(bare_w: float, seconds: float) -> float:
        return pack_draw_w(pack, bare_w + aircraft.avionics_w, seconds) * seconds

    climb_j = joules(float(wing_w(aircraft, mass, density, tas, return_plan.climb_mps)), climb_s)
    cruise_j = joules(float(wing_w(aircraft, mass, density, tas)), cruise_s)
    land_j = joules(float(hover_w(aircraft, mass, density)), land_s)
    return (climb_j + cruise_j + land_j) / 3600.0
