"""Reserves in whatever unit they are given, as open-circuit watt-hours of the pack.

"Energy left" is counted as open-circuit energy (``core/cells.pack_energy_wh``). Minutes of hover
are energy at the motors; what the pack itself then loses in its resistance is added, so that the
reserve really holds that many minutes.
"""

from __future__ import annotations

import math
from dataclasses import replace

from supervisor.core import geodesy
from supervisor.core.atmosphere import day_offset_k, density_kgpm3, tas_per_cas
from supervisor.core.cells import current_at_power_a, ocv_v, r0_ohm, temperature_factor
from supervisor.core.plan import Aircraft, Flight, Pack, Policy, ReturnPlan, Site, WindRow
from supervisor.core.power import hover_w, in_gusts, wing_w
from supervisor.flightmodels import PolicySection, Reserve

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
    wind: tuple[WindRow, ...] = (),
) -> float:
    """From a go-around at home to a landing at the alternate [Wh].

    Climb to the return height, cruise at the return airspeed, landing; the wind is the row of
    the forecast that is worst for this leg, since nobody knows when it would be flown.
    """
    density = density_kgpm3(home.elevation_m, day_offset_k(temperature_c, home.elevation_m))
    distance_m, course_rad = geodesy.inverse(
        home.lat_rad, home.lon_rad, alternate.lat_rad, alternate.lon_rad
    )
    tas = return_plan.airspeed_mps * tas_per_cas(density)
    mass = aircraft.mass_kg
    climb_s = return_plan.height_m / return_plan.climb_mps
    ground_mps = min((_ground_mps(tas, course_rad, row) for row in wind), default=tas)
    cruise_s = max(distance_m / ground_mps - climb_s, 0.0)
    land_s = return_plan.landing_s

    def joules(bare_w: float, seconds: float) -> float:
        return pack_draw_w(pack, bare_w + aircraft.avionics_w, seconds) * seconds

    strongest_mps = max((math.hypot(row.n_mps, row.e_mps) for row in wind), default=0.0)
    gusts = float(in_gusts(aircraft, strongest_mps))
    climb_w, cruise_w = (
        gusts * float(wing_w(aircraft, mass, density, tas, mps))
        for mps in (return_plan.climb_mps, 0.0)
    )
    climb_j, cruise_j = joules(climb_w, climb_s), joules(cruise_w, cruise_s)
    land_j = joules(float(hover_w(aircraft, mass, density)), land_s)
    return (climb_j + cruise_j + land_j) / 3600.0


def renewed(given: PolicySection, flight: Flight) -> Flight:
    """``flight`` with its reserve and the alternate's leg reckoned anew from what the file asks.

    For a flight that was changed after it was read: more wind makes the leg dearer, minutes of
    hover weigh more with more payload.
    """
    home, weather, policy = flight.home, flight.weather, flight.policy
    craft, pack = flight.aircraft, flight.pack
    kept_wh = reserve_wh(given.final_reserve, craft, pack, home.elevation_m, weather.temperature_c)
    policy = replace(policy, final_reserve_wh=kept_wh)
    for site in flight.alternates:
        if site.name == given.alternate:
            leg_wh = alternate_leg_wh(
                craft, pack, home, site, flight.return_plan, weather.temperature_c, weather.wind
            )
            policy = replace(policy, alternate_wh=leg_wh)
    return replace(flight, policy=policy)


def _ground_mps(tas_mps: float, course_rad: float, wind: WindRow) -> float:
    """Along the course [m/s]; at least a tenth of the airspeed, which no pack can pay for."""
    along = wind.n_mps * math.cos(course_rad) + wind.e_mps * math.sin(course_rad)
    across = wind.e_mps * math.cos(course_rad) - wind.n_mps * math.sin(course_rad)
    ahead = math.sqrt(max(tas_mps**2 - across**2, 0.0)) + along
    return max(ahead, 0.1 * tas_mps)


def kept_at_home_wh(policy: Policy) -> float:
    """What a plan must hold after landing at home: final reserve and the alternate's leg [Wh].

    Before the flight only. In flight the alternate's leg may be spent, as a fuel scheme has it: it
    is planned for, and what is protected to the end is the final reserve (CAT.OP.MPA.181, .185).
    """
    return policy.final_reserve_wh + policy.alternate_wh
