"""From a builder's figures to the coefficients of the power model.

A scale, a ruler, one hover and a few level speeds do not say everything. What they cannot say is
taken on the safe side, named in ``guessed`` and given a wider spread, so that the forecast knows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from supervisor.core.atmosphere import day_offset_k, density_kgpm3, tas_per_cas
from supervisor.core.constants import G0_MPS2
from supervisor.errors import InputError
from supervisor.flightmodels import AircraftSection, CruisePoint, MeasuredCruise

# The polar and the chain's efficiency appear in cruise power only as cd0/efficiency and
# k/efficiency: level flights alone cannot tell them apart. Climbs could, and the aircraft learns
# its climb scale in flight. Until then the chain is taken as 60 % (our convention).
CONVENTION_EFFICIENCY = 0.60
OSWALD = 0.80  # span efficiency of a plain wing with a fuselage; texts give 0.7 .. 0.9
# Without any measured cruise: draggy (rotors standing in the stream), and a poor chain.
GUESS_CD0, GUESS_OSWALD, GUESS_CRUISE_EFFICIENCY = 0.050, 0.70, 0.50
# Without a measured hover: small rotors, figure of merit 0.6, motor and controller 0.75.
GUESS_HOVER_EFFICIENCY = 0.45
GUESS_AVIONICS_W = 25.0
SPREAD_OF_SPEEDS = 1.15  # fastest over slowest, below which points do not show a curve
K_RANGE = (0.5, 2.5)  # a fitted k must lie within this of the span's own


@dataclass(frozen=True, slots=True)
class Reduced:
    """Coefficients for :class:`supervisor.core.plan.Aircraft`, and what had to be guessed."""

    hover_efficiency: float
    cd0: float
    k: float
    cruise_efficiency: float
    avionics_w: float
    hover_sd: float
    cruise_sd: float
    guessed: tuple[str, ...]


def span_k(area_m2: float, span_m: float, oswald: float = OSWALD) -> float:
    """Induced-drag factor k = 1/(pi e AR) [-]; AR = span^2/area."""
    return area_m2 / (math.pi * oswald * span_m * span_m)


def disk_area_m2(aircraft: AircraftSection) -> float:
    """Area swept by all rotors [m^2]."""
    return aircraft.rotors * math.pi / 4.0 * aircraft.rotor_diameter_m**2


def reduce_figures(aircraft: AircraftSection, where: str) -> Reduced:
    """Everything the power model needs, from what the builder gave."""
    guessed: list[str] = []
    avionics_w = aircraft.avionics_w
    if avionics_w is None:
        avionics_w = GUESS_AVIONICS_W
        guessed.append(f"aircraft.avionics_w: {avionics_w:g} W")
    hover, hover_sd = _hover(aircraft, avionics_w, where, guessed)
    cd0, k, chain, cruise_sd = _cruise(aircraft, avionics_w, where, guessed)
    return Reduced(hover, cd0, k, chain, avionics_w, hover_sd, cruise_sd, tuple(guessed))


def _hover(
    aircraft: AircraftSection, avionics_w: float, where: str, guessed: list[str]
) -> tuple[float, float]:
    """Hover efficiency = ideal power / electrical power; ideal = W^1.5 / sqrt(2 rho A)."""
    measured = aircraft.measured_hover
    if measured is None:
        guessed.append(f"aircraft.measured_hover: hover efficiency {GUESS_HOVER_EFFICIENCY:g}")
        return GUESS_HOVER_EFFICIENCY, 0.15
    density = _density(measured.elevation_m, measured.temperature_c)
    weight_n = measured.mass_kg * G0_MPS2
    ideal_w = weight_n**1.5 / math.sqrt(2.0 * density * disk_area_m2(aircraft))
    electrical_w = measured.power_w - avionics_w
    efficiency = ideal_w / electrical_w if electrical_w > 0.0 else math.inf
    if not 0.15 <= efficiency <= 0.90:
        raise InputError(
            where,
            f"aircraft.measured_hover.power_w = {measured.power_w:g}: with {measured.mass_kg:g} kg "
            f"on {disk_area_m2(aircraft):.3g} m2 of rotors even ideal ones need {ideal_w:.0f} W; "
            "watts, kilograms, metres?",
            allowed=f"{ideal_w / 0.90 + avionics_w:.0f}..{ideal_w / 0.15 + avionics_w:.0f}",
        )
    return efficiency, 0.05


def _cruise(
    aircraft: AircraftSection, avionics_w: float, where: str, guessed: list[str]
) -> tuple[float, float, float, float]:
    """(cd0, k, efficiency, spread)."""
    if aircraft.polar is not None:
        given = aircraft.polar
        return given.cd0, given.k, given.efficiency, 0.10
    if aircraft.measured_cruise is None:
        guessed.append(
            f"aircraft.measured_cruise: CD0 {GUESS_CD0:g}, efficiency {GUESS_CRUISE_EFFICIENCY:g}"
        )
        k = span_k(aircraft.wing_area_m2, aircraft.wing_span_m, GUESS_OSWALD)
        return GUESS_CD0, k, GUESS_CRUISE_EFFICIENCY, 0.20
    return _fit(aircraft, aircraft.measured_cruise, avionics_w, where, guessed)


def _fit(
    aircraft: AircraftSection,
    measured: MeasuredCruise,
    avionics_w: float,
    where: str,
    guessed: list[str],
) -> tuple[float, float, float, float]:
    """Least squares of (P - avionics) eta = a cd0 + b k over the points (Traub 2011, eq. 4).

    a = 1/2 rho V^3 S and b = 2 W^2/(rho V S). Errors are weighted as relative ones. When the points
    lie too close together to show a curve, k is the span's own and only cd0 is fitted.
    """
    least_w = min(p.power_w for p in measured.points)
    if least_w <= avionics_w:
        raise InputError(
            where,
            f"aircraft.measured_cruise.points: {least_w:g} W with aircraft.avionics_w = "
            f"{avionics_w:g}",
            allowed="power of the whole aircraft, avionics included",
        )
    shaft_w, rows = _rows(aircraft, measured, avionics_w)
    wing_k = span_k(aircraft.wing_area_m2, aircraft.wing_span_m)
    speeds = [p.airspeed_mps for p in measured.points]
    k = wing_k
    if max(speeds) / min(speeds) >= SPREAD_OF_SPEEDS:
        solution = np.linalg.lstsq(rows / shaft_w[:, None], np.ones(len(shaft_w)), rcond=None)[0]
        if solution[0] > 0.0 and K_RANGE[0] * wing_k <= solution[1] <= K_RANGE[1] * wing_k:
            k = float(solution[1])
    if k == wing_k:
        guessed.append(f"induced drag: k {wing_k:.4f} from span and area (points do not show it)")
    left = (shaft_w - rows[:, 1] * k) / rows[:, 0]
    weight = (rows[:, 0] / shaft_w) ** 2
    cd0 = float((left * weight).sum() / weight.sum())
    if not 0.004 < cd0 < 0.25:
        raise InputError(
            where,
            f"aircraft.measured_cruise.points: they would mean CD0 = {cd0:.3g} at an efficiency of "
            f"{CONVENTION_EFFICIENCY:g}; watts of the whole aircraft, metres per second?",
            allowed="CD0 0.004..0.25",
        )
    residual = (rows @ np.array([cd0, k])) / shaft_w - 1.0
    misfit = float(np.sqrt(np.mean(residual**2)))
    spread = max(0.05 if len(speeds) > 2 else 0.08, misfit)
    return cd0, k, CONVENTION_EFFICIENCY, spread


def _rows(
    aircraft: AircraftSection, measured: MeasuredCruise, avionics_w: float
) -> tuple[np.ndarray, np.ndarray]:
    density = _density(measured.elevation_m, measured.temperature_c)
    weight_n = measured.mass_kg * G0_MPS2

    def row(point: CruisePoint) -> tuple[float, float]:
        tas = point.airspeed_mps * tas_per_cas(density)
        dynamic = 0.5 * density * tas**3 * aircraft.wing_area_m2
        return dynamic, 2.0 * weight_n**2 / (density * tas * aircraft.wing_area_m2)

    shaft = [(p.power_w - avionics_w) * CONVENTION_EFFICIENCY for p in measured.points]
    return np.array(shaft), np.array([row(p) for p in measured.points])


def _density(elevation_m: float, temperature_c: float) -> float:
    return density_kgpm3(elevation_m, day_offset_k(temperature_c, elevation_m))
