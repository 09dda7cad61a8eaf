"""How fast the air goes by, told by the power: for when the airspeed tube cannot be believed.

In level flight the power is that of the polar, P = s (a V^3 + b / V) + avionics, with the scale s
learned while the tube was good. Faster than the speed of least power this has one solution, so the
power drawn says the airspeed; near the best-range speed P goes about as V, and a scale known to 2 %
gives a speed known to 2 %. Ice on the wing would be taken for speed: the ground speed tells those
apart (wind.py), and what is told here is only where that starts from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from supervisor.core.constants import G0_MPS2
from supervisor.core.estimate import power_scales
from supervisor.core.estimate.power_scales import PowerSample, Scales
from supervisor.core.plan import Aircraft

NAN = math.nan
MEAN_S = 20.0  # a gust moves the speed for some ten seconds
KEEP_EVERY_S, KEEP_S = 60.0, 360.0  # what was learned in the last minutes may be learned from a lie
KNOWN_SD = 0.03  # of the scale's logarithm: before it is learned, power tells no speed
STEPS = 12  # of Newton's method; from the right of a convex function it never overshoots


@dataclass(frozen=True, slots=True)
class SpeedByPower:
    """Slow means of level power [W], climb [m/s] and density; the scales of some minutes ago.

    ``kept``: (time, scales), oldest first. ``held``: those in force since the tube is not believed.
    ``tas_mps``: true airspeed by the power; NaN until it is known.
    """

    t_s: float = -math.inf
    power_w: float = NAN
    climb_mps: float = 0.0
    tas_mps: float = NAN
    kept: tuple[tuple[float, Scales], ...] = ()
    held: Scales | None = None


def watch(
    speed: SpeedByPower, aircraft: Aircraft, scales: Scales, sample: PowerSample
) -> SpeedByPower:
    """(belief, power in level flight) -> belief. ``scales``: as learned up to now."""
    regime = power_scales.REGIME.get(sample.phase)
    if regime == power_scales.HOVER:  # a landing may have changed the mass: what was kept is old
        return replace(speed, power_w=NAN, kept=())
    if regime != power_scales.CRUISE:
        return replace(speed, power_w=NAN)
    power, climb = sample.power_w, sample.climb_mps
    gain = min((sample.t_s - speed.t_s) / MEAN_S, 1.0)
    if gain < 1.0 and speed.power_w == speed.power_w:
        power = speed.power_w + gain * (power - speed.power_w)
        climb = speed.climb_mps + gain * (climb - speed.climb_mps)
    kept = speed.kept if speed.held is not None else _kept(speed.kept, sample.t_s, scales)
    known, told = speed.held or (kept[0][1] if kept else None), NAN
    if known is not None and known.p[power_scales.CRUISE, power_scales.CRUISE] <= KNOWN_SD**2:
        mean = sample._replace(power_w=power, climb_mps=climb)
        told = tas_mps(aircraft, known, mean)
    return SpeedByPower(sample.t_s, power, climb, told, kept, speed.held)


def _kept(
    kept: tuple[tuple[float, Scales], ...], t_s: float, scales: Scales
) -> tuple[tuple[float, Scales], ...]:
    if kept and t_s - kept[-1][0] < KEEP_EVERY_S:
        return kept
    return (*(k for k in kept if k[0] >= t_s - KEEP_S), (t_s, scales))


def hold(speed: SpeedByPower) -> SpeedByPower:
    """From now on the tube is not believed, nor what was learned with it in the last minutes."""
    return replace(speed, held=speed.kept[0][1] if speed.kept else None)


def free(speed: SpeedByPower) -> SpeedByPower:
    """The tube is believed again."""
    return replace(speed, held=None, kept=())


def tas_mps(aircraft: Aircraft, scales: Scales, sample: PowerSample) -> float:
    """True airspeed [m/s] on the fast side of the power curve at ``sample``'s power and climb.

    The speed of least power where the power is less than that; the polar is that of
    ``core/power.py``: a V^3 + b / V + W w = eta P (level flight, climb rate w).
    """
    mass = float(scales.x[power_scales.MASS])
    weight_n = mass * G0_MPS2
    avionics = math.exp(float(scales.x[power_scales.AVIONICS])) * aircraft.avionics_w
    scale = math.exp(float(scales.x[power_scales.CRUISE]))
    thrust_w = (sample.power_w - avionics) * aircraft.cruise_efficiency / scale
    thrust_w -= weight_n * sample.climb_mps
    a = 0.5 * sample.density * aircraft.wing_area_m2 * aircraft.cd0
    lift_n = weight_n * sample.load_factor
    b = 2.0 * aircraft.k * lift_n * lift_n / (sample.density * aircraft.wing_area_m2)
    least = math.sqrt(math.sqrt(b / (3.0 * a)))
    if not thrust_w > a * least**3 + b / least:
        return least
    v = math.cbrt(thrust_w / a)
    for _ in range(STEPS):
        v -= (a * v**3 + b / v - thrust_w) / (3.0 * a * v * v - b / (v * v))
    return v
