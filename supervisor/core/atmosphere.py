"""The standard troposphere with a day's own temperature.

Source of the formulas: ISO 2533 (International Standard Atmosphere), geopotential altitude.
Valid from 500 m below to 11 000 m above sea level.
"""

from __future__ import annotations

import math

from supervisor.core.constants import G0_MPS2, LAPSE_KPM, P0_PA, R_AIR_JPKGK, RHO0_KGPM3, T0_K

_EXPONENT = G0_MPS2 / (R_AIR_JPKGK * LAPSE_KPM)  # 5.2559


def pressure_pa(alt_m: float) -> float:
    """Standard static pressure [Pa] at geopotential altitude ``alt_m`` [m]."""
    return P0_PA * math.pow(1.0 - LAPSE_KPM * alt_m / T0_K, _EXPONENT)


def density_kgpm3(alt_m: float, offset_k: float = 0.0) -> float:
    """Density [kg/m^3] at ``alt_m`` [m] on a day ``offset_k`` [K] warmer than standard.

    The pressure stays standard and the temperature is shifted: the usual performance convention.
    """
    return pressure_pa(alt_m) / (R_AIR_JPKGK * (T0_K - LAPSE_KPM * alt_m + offset_k))


def day_offset_k(temperature_c: float, alt_m: float) -> float:
    """How much warmer [K] than standard it is, when ``temperature_c`` was read at ``alt_m``."""
    return temperature_c + 273.15 - (T0_K - LAPSE_KPM * alt_m)


def tas_per_cas(density: float) -> float:
    """True over calibrated airspeed [-] at ``density`` [kg/m^3], incompressible (below 100 m/s)."""
    return math.sqrt(RHO0_KGPM3 / density)
