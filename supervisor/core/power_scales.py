"""What the aircraft really draws, over what the builder's figures say: scales learned in flight.

State (6): natural logarithms of the scales of hover, climb, cruise, descent and avionics, and the
mass [kg]. An extended Kalman filter on electrical power, one scalar at a time:

    P = exp(l_regime) P_model(m, speed, density, climb) + exp(l_avionics) P_avionics

Power is as the pack monitor measures it; the gain of its current sensor is the pack filter's
business, and the forecast multiplies it in (``PackMembers.current_gain``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from supervisor.core.belief import PowerBelief
from supervisor.core.constants import G0_MPS2
from supervisor.core.events import Phase
from supervisor.core.kalman import update
from supervisor.core.plan import Aircraft

Array = NDArray[np.float64]

HOVER, CLIMB, CRUISE, DESCENT, AVIONICS, MASS = range(6)
REGIME: dict[Phase, int] = {
    Phase.HOVER_CLIMB: HOVER,
    Phase.HOVER_LANDING: HOVER,
    Phase.CLIMB: CLIMB,
    Phase.CRUISE: CRUISE,
    Phase.LOITER: CRUISE,
    Phase.DESCENT: DESCENT,
}

# Prior spreads, beyond what climb and descent share with cruise (polar, propulsion); ours.
CLIMB_OWN_SD, DESCENT_OWN_SD, AVIONICS_SD, MASS_SD = 0.05, 0.15, 0.15, 0.015
# A scale may wander by this much in an hour: rain, dirt, a warming motor.
WANDER_PER_ROOT_H = 0.02
# Power fluctuates with the gusts and the autopilot's own control for about this long.
FLUCTUATION_S = 8.0
START_NOISE = {HOVER: 0.05, CLIMB: 0.10, CRUISE: 0.12, DESCENT: 0.25}
REFERENCE_FLOOR_W = (
    40.0  # noise is relative to no less than this: a descent may draw next to nothing
)


@dataclass(frozen=True, slots=True)
class Regime:
    """How much power fluctuates in a regime (relative variance), and the two change detectors."""

    noise_var: float
    up: float = 0.0
    down: float = 0.0
    block_sum: float = 0.0
    block_var: float = 0.0
    block_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Scales:
    """The power filter's state. ``changed_s``: when a sudden change was last found."""

    x: Array
    p: Array
    regimes: tuple[Regime, ...]
    last_s: float = -math.inf
    changed_s: float = -math.inf
    changed: int = -1


def start(
    aircraft: Aircraft, log_mean: Array | None = None, log_cov: Array | None = None
) -> Scales:
    """Prior from the builder's trust in his figures, or from earlier flights (5,), (5, 5)."""
    x, p = np.zeros(6), np.zeros((6, 6))
    x[MASS] = aircraft.mass_kg
    shared = aircraft.cruise_sd**2
    p[CLIMB : DESCENT + 1, CLIMB : DESCENT + 1] = shared
    own = (aircraft.hover_sd, CLIMB_OWN_SD, 0.0, DESCENT_OWN_SD, AVIONICS_SD)
    p[range(5), range(5)] += np.square(own)
    if log_mean is not None and log_cov is not None:
        x[:5], p[:5, :5] = log_mean, log_cov
    p[MASS, MASS] = (MASS_SD * aircraft.mass_kg) ** 2
    regimes = tuple(Regime(START_NOISE[i] ** 2) for i in range(4))
    return Scales(x, p, regimes)


@dataclass(frozen=True, slots=True)
class PowerSample:
    """Measured power and the motion that goes with it; ``tas_mps`` only on the wing."""

    t_s: float
    phase: Phase
    power_w: float
    density: float
    tas_mps: float
    climb_mps: float
    load_factor: float = 1.0


def model_w(aircraft: Aircraft, sample: PowerSample, mass_kg: float) -> tuple[float, float]:
    """Propulsion power [W] of core/power.py in floats, and its derivative by mass [W/kg]."""
    weight_n = mass_kg * G0_MPS2
    if REGIME[sample.phase] == HOVER:
        inflow = math.sqrt(weight_n / (2.0 * sample.density * aircraft.disk_area_m2))
        half_x = max(sample.climb_mps, 0.0) / inflow / 2.0
        factor = half_x + math.sqrt(half_x * half_x + 1.0)
        power = weight_n * inflow * factor / aircraft.hover_efficiency
        return power, 1.5 * power / mass_kg
    v, area = max(sample.tas_mps, 5.0), aircraft.wing_area_m2
    parasite = 0.5 * sample.density * v**3 * area * aircraft.cd0
    lift = weight_n * sample.load_factor
    induced = 2.0 * aircraft.k * lift * lift / (sample.density * v * area)
    rise = weight_n * sample.climb_mps
    power = max(parasite + induced + rise, 0.0) / aircraft.cruise_efficiency
    return power, (2.0 * induced + rise) / mass_kg / aircraft.cruise_efficiency


def observe(scales: Scales, aircraft: Aircraft, sample: PowerSample) -> Scales:
    """(belief, sample) -> belief, in steady phases; at most once a second."""
    regime = REGIME.get(sample.phase)
    dt_s = min(sample.t_s - scales.last_s, 10.0)
    if regime is None or dt_s < 0.9:
        return scales
    x, p = scales.x, scales.p.copy()
    # Q: random walk of the logarithms
    p[range(4), range(4)] += WANDER_PER_ROOT_H**2 * dt_s / 3600.0
    model, by_mass = model_w(aircraft, sample, float(x[MASS]))
    scale, avionics = math.exp(x[regime]), math.exp(x[AVIONICS]) * aircraft.avionics_w
    h = np.zeros(6)
    h[regime], h[AVIONICS], h[MASS] = scale * model, avionics, scale * by_mass
    expected = scale * model + avionics
    innovation = sample.power_w - expected
    reference = max(expected, REFERENCE_FLOOR_W)
    noise = scales.regimes[regime]
    # white-equivalent variance of correlated noise: sigma^2 2 tau / dt
    r = noise.noise_var * reference**2 * max(2.0 * FLUCTUATION_S / dt_s, 1.0)
    seen = update(x, p, innovation, h, r)
    noise = _noise(noise, innovation / reference, seen.variance - r, reference, dt_s)
    scales = replace(scales, x=seen.x, p=seen.p, last_s=sample.t_s)
    return _watch(scales, regime, noise, innovation / reference, seen.variance - r, reference, dt_s)


def _noise(noise: Regime, relative: float, spread: float, reference: float, dt_s: float) -> Regime:
    """The fluctuation learned from the innovations, less what the state's own spread explains."""
    expected = noise.noise_var + spread / reference**2
    share = noise.noise_var / expected
    seen = share * share * min(relative * relative, 9.0 * expected)
    seen += (1.0 - share) * noise.noise_var
    gain = dt_s / 180.0
    return replace(noise, noise_var=max(noise.noise_var + gain * (seen - noise.noise_var), 1e-4))


# --- sudden change -------------------------------------------------------------------------------

# Two-sided CUSUM (Page 1954) on block means, standardised; allowance k, threshold h. By Siegmund's
# formula ARL = (exp(2 k b) - 2 k b - 1) / (2 k^2), b = h + 1.166, one false alarm in 9600 blocks
# (two-sided; 53 h of flight), and a shift of two standard deviations is found in 6 blocks (2 min).
BLOCK_S, ALLOWANCE, THRESHOLD = 20.0, 0.5, 8.0
CHANGE_SD = 0.20  # how much a scale may have changed when the detector fires


def cusum(up: float, down: float, value: float) -> tuple[float, float]:
    """One step: S+ = max(0, S+ + z - k), S- = max(0, S- - z - k)."""
    return max(0.0, up + value - ALLOWANCE), max(0.0, down - value - ALLOWANCE)


def _watch(
    scales: Scales,
    regime: int,
    noise: Regime,
    relative: float,
    spread: float,
    reference: float,
    dt_s: float,
) -> Scales:
    """Feed the block; at its end, feed the detector; when it fires, let the scale be free again."""
    block_s = noise.block_s + dt_s
    noise = replace(noise, block_sum=noise.block_sum + relative * dt_s, block_s=block_s)
    p, changed_s, changed = scales.p, scales.changed_s, scales.changed
    if block_s >= BLOCK_S:
        var = noise.noise_var * min(2.0 * FLUCTUATION_S / block_s, 1.0) + spread / reference**2
        up, down = cusum(noise.up, noise.down, noise.block_sum / block_s / math.sqrt(var))
        if max(up, down) > THRESHOLD:
            up = down = 0.0
            p = p.copy()
            p[regime, regime] += CHANGE_SD**2
            changed_s, changed = scales.last_s, regime
        noise = replace(noise, up=up, down=down, block_sum=0.0, block_s=0.0)
    regimes = tuple(noise if i == regime else r for i, r in enumerate(scales.regimes))
    return replace(scales, p=p, regimes=regimes, changed_s=changed_s, changed=changed)


def dropped(scales: Scales, drop_kg: float) -> Scales:
    """The payload was to be released here: it probably was; hover power will tell."""
    x, p = scales.x.copy(), scales.p.copy()
    x[MASS] -= drop_kg
    p[MASS, MASS] += (0.3 * drop_kg) ** 2
    return replace(scales, x=x, p=p)


def belief(scales: Scales, aircraft: Aircraft) -> PowerBelief:
    """What the forecast draws from."""
    return PowerBelief(
        log_mean=scales.x[:5],
        log_cov=scales.p[:5, :5],
        avionics_w=aircraft.avionics_w,
        mass_kg=float(scales.x[MASS]),
        mass_sd_kg=math.sqrt(scales.p[MASS, MASS]),
    )


def expected_w(scales: Scales, aircraft: Aircraft, sample: PowerSample) -> float:
    """Power [W] believed for this motion: stands in when the pack monitor is silent."""
    if sample.phase not in REGIME:
        return math.nan
    model, _ = model_w(aircraft, sample, float(scales.x[MASS]))
    avionics = math.exp(scales.x[AVIONICS]) * aircraft.avionics_w
    return math.exp(scales.x[REGIME[sample.phase]]) * model + avionics


def hover_reference_w(aircraft: Aircraft, density: float) -> float:
    """Hover power [W] of the whole aircraft by the builder's figures: what phases compare with."""
    sample = PowerSample(0.0, Phase.HOVER_LANDING, math.nan, density, 0.0, 0.0)
    return model_w(aircraft, sample, aircraft.mass_kg)[0] + aircraft.avionics_w
