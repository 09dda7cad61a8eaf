"""How fast the air goes by, told by the power: for when the airspeed tube cannot be believed.

In level flight the power is that of the polar, P = s(V) (a V^3 + b / V) + avionics, with the scale
s(V) learned while the tube was good (core/cruise_scale.py). Faster than the speed of least power
this has one solution, so the power drawn says the airspeed; near the best-range speed P goes about
as V, and a scale known to 2 % gives a speed known to 2 %. Ice on the wing would be taken for speed:
the ground speed tells those apart (wind.py), and what is told here is only where that starts from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from supervisor.core.atmosphere import tas_per_cas
from supervisor.core.constants import G0_MPS2
from supervisor.core.cruise_scale import log_speed
from supervisor.core.estimate import power_blocks, power_scales
from supervisor.core.estimate.power_blocks import PowerSample
from supervisor.core.estimate.power_scales import Scales
from supervisor.core.plan import Aircraft

NAN = math.nan
MEAN_S = 20.0  # a gust moves the speed for some ten seconds
KEEP_EVERY_S, KEEP_S = 60.0, 360.0  # what was learned in the last minutes may be learned from a lie
KNOWN_SD = 0.03  # of the scale's logarithm: before it is learned, power tells no speed
# Newton's method: from the right of a convex function it never overshoots, and (V / V_ref)^s times
# the polar is one for any slope below one. A last step from a milliwatt is exact to a millionth.
STEPS, CLOSE_W = 12, 1e-3


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
    regime = power_blocks.REGIME.get(sample.phase)
    if regime == power_blocks.HOVER:  # a landing may have changed the mass: what was kept is old
        return replace(speed, power_w=NAN, kept=())
    if regime != power_blocks.CRUISE:
        return replace(speed, power_w=NAN)
    power, climb = sample.power_w, sample.climb_mps
    gain = min((sample.t_s - speed.t_s) / MEAN_S, 1.0)
    if gain < 1.0 and speed.power_w == speed.power_w:
        power = speed.power_w + gain * (power - speed.power_w)
        climb = speed.climb_mps + gain * (climb - speed.climb_mps)
    kept = speed.kept if speed.held is not None else _kept(speed.kept, sample.t_s, scales)
    known, told = speed.held or (kept[0][1] if kept else None), NAN
    if known is not None:
        mean = sample._replace(power_w=power, climb_mps=climb)
        told = tas_mps(aircraft, known, mean)
        if not power_scales.cruise_var(known, aircraft, told, sample.density) <= KNOWN_SD**2:
            told = NAN
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
    ``core/power.py``: s(V) (a V^3 + b / V + W w) = eta P (level flight, climb rate w).
    """
    _, _, scale, _, avionics, slope, mass, _ = scales.x.tolist()
    weight_n = mass * G0_MPS2
    at_ref_w = sample.power_w - math.exp(avionics) * aircraft.avionics_w
    at_ref_w *= aircraft.cruise_efficiency * math.exp(-scale)
    rise_w = weight_n * sample.climb_mps
    per_cas = tas_per_cas(sample.density)
    a = 0.5 * sample.density * aircraft.wing_area_m2 * aircraft.cd0
    lift_n = weight_n * sample.load_factor
    b = 2.0 * aircraft.k * lift_n * lift_n / (sample.density * aircraft.wing_area_m2)
    least = math.sqrt(math.sqrt(b * (1.0 - slope) / (a * (3.0 + slope))))  # level: d/dV = 0
    given_w = at_ref_w * math.exp(-slope * log_speed(aircraft, least / per_cas))
    if not given_w - rise_w > a * least**3 + b / least:
        return least
    v = math.cbrt((given_w - rise_w) / a)
    for _ in range(STEPS):
        given_w = at_ref_w * math.exp(-slope * log_speed(aircraft, v / per_cas))
        off_w = a * v * v * v + b / v + rise_w - given_w
        v -= off_w / (3.0 * a * v * v + (slope * given_w - b / v) / v)
        if -CLOSE_W < off_w < CLOSE_W:
            break
    return v
