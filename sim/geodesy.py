"""Distances and azimuths on the WGS 84 ellipsoid, the simulator's own.

Two tools for two jobs: Vincenty's iteration for legs as they are planned (any length up to
continents), and the mid-latitude formula for the inner loop (a few hundred kilometres, a handful
of trigonometric calls). Latitude and longitude in radians, azimuths clockwise from north.
"""

from __future__ import annotations

import math

A_M = 6378137.0  # semi-major axis, WGS 84
F = 1.0 / 298.257223563  # flattening, WGS 84
B_M = A_M * (1.0 - F)
E2 = F * (2.0 - F)


def radii_m(lat_rad: float) -> tuple[float, float]:
    """Radii of curvature [m] in the meridian and in the prime vertical at ``lat_rad``."""
    s = math.sin(lat_rad)
    w2 = 1.0 - E2 * s * s
    normal = A_M / math.sqrt(w2)
    return normal * (1.0 - E2) / w2, normal


def offset_m(lat1: float, lon1: float, lat2: float, lon2: float) -> tuple[float, float, float]:
    """(north [m], east [m], half convergence [rad]) from point 1 to point 2, mid-latitude form.

    Gauss's mid-latitude formula, first order: north = M dlat, east = N cos(lat_m) dlon, with the
    radii at the middle. hypot(north, east) is within 0.01 % of the geodesic below 150 km and
    60 degrees of latitude. The azimuth atan2(east, north) is the one at the middle of the line; the
    azimuth at point 2 is larger, at point 1 smaller, by the half convergence.
    """
    mid = 0.5 * (lat1 + lat2)
    s = math.sin(mid)
    w2 = 1.0 - E2 * s * s
    normal = A_M / math.sqrt(w2)
    dlon = math.remainder(lon2 - lon1, math.tau)
    north = normal * (1.0 - E2) / w2 * (lat2 - lat1)
    return north, normal * math.sqrt(1.0 - s * s) * dlon, 0.5 * dlon * s


def moved(lat: float, lon: float, north_m: float, east_m: float) -> tuple[float, float]:
    """Position after a short step of ``north_m`` and ``east_m`` [m] (below a kilometre)."""
    meridian, normal = radii_m(lat)
    return lat + north_m / meridian, lon + east_m / (normal * math.cos(lat))


def _series(cos2_alpha: float) -> tuple[float, float]:
    """Vincenty's A and B (1975, eqs. 3 and 4) from cos^2 of the equatorial azimuth."""
    u2 = cos2_alpha * (A_M * A_M - B_M * B_M) / (B_M * B_M)
    big_a = 1.0 + u2 / 16384.0 * (4096.0 + u2 * (-768.0 + u2 * (320.0 - 175.0 * u2)))
    big_b = u2 / 1024.0 * (256.0 + u2 * (-128.0 + u2 * (74.0 - 47.0 * u2)))
    return big_a, big_b


def _delta_sigma(big_b: float, sin_s: float, cos_s: float, cos_2m: float) -> float:
    """Vincenty 1975, eq. 6."""
    inner = cos_s * (2.0 * cos_2m**2 - 1.0)
    outer = big_b / 6.0 * cos_2m * (4.0 * sin_s**2 - 3.0) * (4.0 * cos_2m**2 - 3.0)
    return big_b * sin_s * (cos_2m + big_b / 4.0 * (inner - outer))


def _longitude_term(sin_alpha: float, cos2_alpha: float, sigma: float, cos_2m: float) -> float:
    """Difference between longitude on the sphere and on the ellipsoid (1975, eqs. 10, 11)."""
    c = F / 16.0 * cos2_alpha * (4.0 + F * (4.0 - 3.0 * cos2_alpha))
    bracket = cos_2m + c * math.cos(sigma) * (2.0 * cos_2m**2 - 1.0)
    return (1.0 - c) * F * sin_alpha * (sigma + c * math.sin(sigma) * bracket)


def inverse(lat1: float, lon1: float, lat2: float, lon2: float) -> tuple[float, float, float]:
    """(distance [m], azimuth at 1 [rad], azimuth at 2 [rad]) of the geodesic from 1 to 2.

    T. Vincenty, Survey Review XXIII (176), 1975: good to a millimetre; it does not converge for
    nearly antipodal points, which is an error here (nobody flies there).
    """
    u1, u2 = math.atan((1.0 - F) * math.tan(lat1)), math.atan((1.0 - F) * math.tan(lat2))
    su1, cu1, su2, cu2 = math.sin(u1), math.cos(u1), math.sin(u2), math.cos(u2)
    dlon = math.remainder(lon2 - lon1, math.tau)
    lam = dlon
    for _ in range(100):
        sl, cl = math.sin(lam), math.cos(lam)
        x, y = cu2 * sl, cu1 * su2 - su1 * cu2 * cl
        sin_s, cos_s = math.hypot(x, y), su1 * su2 + cu1 * cu2 * cl
        if sin_s == 0.0:
            return 0.0, 0.0, 0.0
        sigma = math.atan2(sin_s, cos_s)
        sin_a = cu1 * cu2 * sl / sin_s
        cos2_a = 1.0 - sin_a * sin_a
        cos_2m = cos_s - 2.0 * su1 * su2 / cos2_a if cos2_a > 1e-12 else 0.0
        previous, lam = lam, dlon + _longitude_term(sin_a, cos2_a, sigma, cos_2m)
        if abs(lam - previous) < 1e-13:
            big_a, big_b = _series(cos2_a)
            distance = B_M * big_a * (sigma - _delta_sigma(big_b, sin_s, cos_s, cos_2m))
            return distance, math.atan2(x, y), math.atan2(cu1 * sl, -su1 * cu2 + cu1 * su2 * cl)
    raise ValueError(f"points nearly antipodal: {lat1}, {lon1} and {lat2}, {lon2} [rad]")


def direct(lat1: float, lon1: float, azimuth: float, distance_m: float) -> tuple[float, float]:
    """Point (latitude, longitude [rad]) at ``distance_m`` along ``azimuth`` from point 1."""
    u1 = math.atan((1.0 - F) * math.tan(lat1))
    su1, cu1, sa, ca = math.sin(u1), math.cos(u1), math.sin(azimuth), math.cos(azimuth)
    sigma1 = math.atan2(su1, cu1 * ca)
    sin_alpha = cu1 * sa
    cos2_alpha = 1.0 - sin_alpha * sin_alpha
    big_a, big_b = _series(cos2_alpha)
    sigma = first = distance_m / (B_M * big_a)
    for _ in range(100):
        cos_2m = math.cos(2.0 * sigma1 + sigma)
        step = _delta_sigma(big_b, math.sin(sigma), math.cos(sigma), cos_2m)
        previous, sigma = sigma, first + step
        if abs(sigma - previous) < 1e-13:
            break
    ss, cs = math.sin(sigma), math.cos(sigma)
    across = math.hypot(sin_alpha, su1 * ss - cu1 * cs * ca)
    lat2 = math.atan2(su1 * cs + cu1 * ss * ca, (1.0 - F) * across)
    lam = math.atan2(ss * sa, cu1 * cs - su1 * ss * ca)
    cos_2m = math.cos(2.0 * sigma1 + sigma)
    lon2 = lon1 + lam - _longitude_term(sin_alpha, cos2_alpha, sigma, cos_2m)
    return lat2, math.remainder(lon2, math.tau)
