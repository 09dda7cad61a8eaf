"""The standard atmosphere of ISO 2533 with a warm or cold day laid over it."""

from __future__ import annotations

import math

G0_MPS2 = 9.80665  # ISO 2533
R_AIR_JPKGK = 287.05287  # ISO 2533, dry air
T0_K = 288.15  # ISO 2533, sea level
P0_PA = 101325.0  # ISO 2533, sea level
RHO0_KGPM3 = 1.225  # ISO 2533, sea level
LAPSE_KPM = 0.0065  # ISO 2533, troposphere
EARTH_M = 6356766.0  # nominal radius of ISO 2533, for geopotential altitude
KELVIN_K = 273.15
_EXPONENT = G0_MPS2 / (R_AIR_JPKGK * LAPSE_KPM)
_SUTHERLAND_K = 110.4  # ISO 2533
_BETA = 1.458e-6  # kg/(m s K^0.5), ISO 2533


def geopotential_m(alt_m: float) -> float:
    """Geopotential altitude [m] from geometric altitude ``alt_m`` [m]: H = r h / (r + h)."""
    return EARTH_M * alt_m / (EARTH_M + alt_m)


def air(alt_m: float, offset_k: float = 0.0) -> tuple[float, float, float]:
    """(temperature [K], pressure [Pa], density [kg/m3]) at geometric ``alt_m`` [m], below 11 km.

    p = p0 (T_std/T0)^(g0/(R L)); an offset day keeps the standard pressure at every altitude and
    shifts the temperature, so that rho = p/(R T).
    """
    standard_k = T0_K - LAPSE_KPM * geopotential_m(alt_m)
    pressure_pa = P0_PA * (standard_k / T0_K) ** _EXPONENT
    temperature_k = standard_k + offset_k
    return temperature_k, pressure_pa, pressure_pa / (R_AIR_JPKGK * temperature_k)


def offset_for(temperature_c: float, alt_m: float) -> float:
    """Offset [K] of the day on which ``temperature_c`` [degC] is measured at ``alt_m`` [m]."""
    return temperature_c + KELVIN_K - (T0_K - LAPSE_KPM * geopotential_m(alt_m))


def viscosity_pas(temperature_k: float) -> float:
    """Dynamic viscosity [Pa s] by Sutherland's law, beta T^1.5/(T + S) (ISO 2533)."""
    return _BETA * temperature_k * math.sqrt(temperature_k) / (temperature_k + _SUTHERLAND_K)
