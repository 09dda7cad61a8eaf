"""The aircraft as it really is, fitted to the builder's measurements and then bent by the draws.

The builder measured one hover and a few cruise points. The simulator's own, richer components are
first fitted to those figures (so that with all factors 1 it flies exactly as measured), then each
component is scaled by what the scenario's seed drew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.atmosphere import G0_MPS2, RHO0_KGPM3, air, offset_for, viscosity_pas
from sim.drive import Drive
from sim.plan import Builder
from sim.polar import Polar
from sim.pusher import Pusher
from sim.rotors import Rotors

ROTOR_RATED_W_PER_KG = 230.0  # shaft power of all lift motors per kg of take-off mass, rated
PUSHER_RATED_W_PER_KG = 48.0
PUSHER_DIAMETER_M = 0.43  # 17 inch
OSWALD_FLOOR, OSWALD_CEILING = 0.45, 0.95  # what a fitted induced drag may say


@dataclass(frozen=True, slots=True)
class Aircraft:
    """Components and limits of one real aircraft."""

    mass_kg: float
    polar: Polar
    rotors: Rotors
    pusher: Pusher
    avionics_w: float
    hover_scale: float  # on rotor shaft power
    parasite_scale: float
    induced_scale: float
    pusher_scale: float  # on pusher shaft power
    level_cl: float  # lift coefficient at the pitch of level cruise: how the wing is rigged
    hover_drag_area_m2: float = 0.20  # wing nose-down and booms in hover flight, C_D S
    rotor_drag_area_m2: float = 0.05  # of the running rotors in forward flight, C_D S
    bank_limit_rad: float = math.radians(30.0)
    stall_margin: float = 1.2  # lowest airspeed the autopilot flies, over stall


def _density(temperature_c: float, elevation_m: float) -> tuple[float, float]:
    """(density, viscosity) where the builder measured."""
    t_k, _, density = air(elevation_m, offset_for(temperature_c, elevation_m))
    return density, viscosity_pas(t_k)


def fit_rotors(builder: Builder) -> Rotors:
    """Rotors whose hover takes the measured power: the figure of merit is solved for."""
    disk_m2 = builder.rotors * math.pi * (0.5 * builder.rotor_diameter_m) ** 2
    drive = Drive(ROTOR_RATED_W_PER_KG * builder.mass_kg / builder.rotors)
    density, _ = _density(builder.hover_temperature_c, builder.hover_elevation_m)
    thrust_n = builder.hover_mass_kg * G0_MPS2
    ideal_w = thrust_n**1.5 / math.sqrt(2.0 * density * disk_m2)
    rotor_w = builder.hover_power_w - builder.avionics_w
    shaft_w = builder.rotors * drive.shaft_w(rotor_w / builder.rotors)
    profile = shaft_w / ideal_w - 1.15
    if profile <= 0.02:
        raise ValueError(
            f"hover of {builder.hover_power_w} W is better than momentum theory allows"
        )
    return Rotors(builder.rotors, disk_m2, profile, drive)


def _thrust_for(pusher: Pusher, electrical_w: float, tas_mps: float, density: float) -> float:
    """Thrust [N] that takes ``electrical_w`` [W]; bisection."""
    low, high = 0.0, 200.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        if pusher.drive.electrical_w(pusher.shaft_w(middle, tas_mps, density)) < electrical_w:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def fit_wing(builder: Builder, pusher: Pusher) -> Polar:
    """Polar through the measured cruise points: least squares of D = q S cd0 + k W^2/(q S).

    Falls back on an Oswald factor of 0.7 when the points alone would give one that no wing has.
    """
    density, viscosity = _density(builder.cruise_temperature_c, builder.cruise_elevation_m)
    weight_n = builder.cruise_mass_kg * G0_MPS2
    aspect = builder.wing_span_m**2 / builder.wing_area_m2
    chord_m = builder.wing_area_m2 / builder.wing_span_m
    cl_max = (2.0 * builder.mass_kg * G0_MPS2) / (
        RHO0_KGPM3 * builder.wing_area_m2 * builder.stall_mps**2
    )
    reynolds_ref = density * builder.cruise_mps * chord_m / viscosity
    shape = Polar(builder.wing_area_m2, builder.wing_span_m, 0.0, 0.0, cl_max, reynolds_ref)
    rows = []
    for cas_mps, power_w in builder.cruise_points:
        tas_mps = cas_mps * math.sqrt(RHO0_KGPM3 / density)
        drag_n = _thrust_for(pusher, power_w - builder.avionics_w, tas_mps, density)
        qs = 0.5 * density * tas_mps**2 * builder.wing_area_m2
        reynolds = density * tas_mps * chord_m / viscosity
        skin = qs * (reynolds_ref / reynolds) ** shape.reynolds_exponent
        stall_n = qs * shape.cd(weight_n / qs, reynolds)  # the stall rise alone: cd0 and k are 0
        rows.append((skin, weight_n**2 / qs, drag_n - stall_n))
    cd0, k = _least_squares(rows)
    k_high = 1.0 / (math.pi * aspect * OSWALD_FLOOR)
    k_low = 1.0 / (math.pi * aspect * OSWALD_CEILING)
    if len(rows) < 2 or not k_low <= k <= k_high or cd0 <= 0.0:
        k = 1.0 / (math.pi * aspect * 0.7)
        cd0 = max(sum((d - k * b) / a for a, b, d in rows) / len(rows), 0.01)
    return Polar(builder.wing_area_m2, builder.wing_span_m, cd0, k, cl_max, reynolds_ref)


def _level_cl(builder: Builder) -> float:
    """Lift coefficient at the cruise speed: C_L = 2 W/(rho0 V_cas^2 S)."""
    weight_n = builder.mass_kg * G0_MPS2
    return 2.0 * weight_n / (RHO0_KGPM3 * builder.cruise_mps**2 * builder.wing_area_m2)


def _least_squares(rows: list[tuple[float, float, float]]) -> tuple[float, float]:
    """(x, y) of a x + b y = d in the least-squares sense; zeros when the rows do not tell."""
    aa = sum(a * a for a, _, _ in rows)
    bb = sum(b * b for _, b, _ in rows)
    ab = sum(a * b for a, b, _ in rows)
    ad = sum(a * d for a, _, d in rows)
    bd = sum(b * d for _, b, d in rows)
    det = aa * bb - ab * ab
    if det <= 1e-9 * aa * bb:
        return 0.0, 0.0
    return (ad * bb - bd * ab) / det, (aa * bd - ab * ad) / det


def fit(builder: Builder, draw: dict[str, float]) -> Aircraft:
    """The real aircraft: the builder's figures reproduced, then scaled by ``draw``."""
    pusher = Pusher(PUSHER_DIAMETER_M, Drive(PUSHER_RATED_W_PER_KG * builder.mass_kg))
    return Aircraft(
        mass_kg=builder.mass_kg + draw["mass_error_kg"],
        polar=fit_wing(builder, pusher),
        rotors=fit_rotors(builder),
        pusher=pusher,
        avionics_w=builder.avionics_w + draw["avionics_w"],
        hover_scale=draw["hover_power"],
        parasite_scale=draw["parasite_drag"],
        induced_scale=draw["induced_drag"],
        pusher_scale=draw["pusher_power"],
        level_cl=_level_cl(builder),
    )
