"""What the aircraft really draws, over what the builder's figures say: scales learned in flight.

State (8): natural logarithms of the scales of hover, climb, cruise, descent and avionics, the slope
s of the cruise's over airspeed (core/cruise_scale.py), the mass [kg], and by how much this hover's
power is another than the aircraft's hovers are on average, d. An extended Kalman filter on
electrical power, one scalar at a time:

    P = exp(l_regime + s v + d) P_model(m, speed, density, climb) + exp(l_avionics) P_avionics

with v = ln(V / V_ref) in cruise. In climb and descent v is nil: the weight that is lifted there is
more of the power than the polar, both are flown at one airspeed, and each has a scale of its own.
d is of hovers only, and free again in each: its blocks have wind, ground effect and rate of descent
in common, and ten of them tell little more of the next hover than one.

Power is as the pack monitor measures it; the gain of its current sensor is the pack filter's
business, and the forecast multiplies it in (``PackMembers.current_gain``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from supervisor.core.atmosphere import tas_per_cas
from supervisor.core.belief import PowerBelief
from supervisor.core.conclusions import Phase
from supervisor.core.constants import G0_MPS2
from supervisor.core.cruise_scale import log_speed, slope_sd
from supervisor.core.estimate import hovers, power_blocks, power_noise
from supervisor.core.estimate.hovers import Hover
from supervisor.core.estimate.kalman import Updated, update
from supervisor.core.estimate.power_blocks import (
    CLIMB,
    CRUISE,
    DESCENT,
    HOVER,
    REGIME,
    PowerSample,
)
from supervisor.core.estimate.power_noise import Regime
from supervisor.core.estimate.prior import PowerPrior
from supervisor.core.plan import Aircraft
from supervisor.core.power import INDUCED_FACTOR, INDUCED_SHARE, hover_drag

Array = NDArray[np.float64]

AVIONICS, SLOPE, MASS, THIS_HOVER = range(4, 8)  # after the regimes' scales
STATES = 8
LEARNED = slice(HOVER, MASS)  # what the next flight starts from
# Prior spreads, beyond what climb and descent share with cruise (polar, propulsion); ours. In a
# climb the propeller works at another point: simulated ones take 9 % more than told there, +- 6 %.
CLIMB_OWN_SD, DESCENT_OWN_SD, AVIONICS_SD, MASS_SD = 0.08, 0.15, 0.15, 0.015
# A scale may wander by this much in an hour: rain, dirt, a warming motor.
WANDER_PER_ROOT_H = 0.02
# Airspeed within 3 % of what it was is the same speed, held in gusts: power follows none of them,
# and a slope learned from them would be the polar's own with the sign turned round.
SAME_SPEED = 0.03
SLOWEST_MPS = 5.0  # slower than any wing flies, whatever the tube says
CALM = Hover()


@dataclass(frozen=True, slots=True)
class Scales:
    """The power filter's state.

    ``block``: the samples being averaged. ``changed_s``: when a sudden change was last found, and
    ``changed`` in which regime.
    """

    x: Array
    p: Array
    regimes: tuple[Regime, ...]
    block: tuple[PowerSample, ...] = ()
    last_s: float = -math.inf
    seen: Updated | None = None
    gust_w: float = 0.0  # 1 sigma of cruise power over a minute's lull, from the blocks' spread
    changed_s: float = -math.inf
    changed: int = -1
    fast: float = math.nan  # ln(V / V_ref) of the cruise, as it was last seen to change


def start(aircraft: Aircraft, prior: PowerPrior | None = None) -> Scales:
    """Prior from the builder's trust in his figures, or from earlier flights."""
    x, p = np.zeros(STATES), np.zeros((STATES, STATES))
    x[MASS] = aircraft.mass_kg
    shared = aircraft.cruise_sd**2
    p[CLIMB : DESCENT + 1, CLIMB : DESCENT + 1] = shared
    own = (aircraft.hover_sd, CLIMB_OWN_SD, 0.0, DESCENT_OWN_SD, AVIONICS_SD)
    p[range(5), range(5)] += np.square(own)
    p[SLOPE, SLOPE] = slope_sd(aircraft) ** 2
    if prior is not None:
        told = len(prior.log_mean)  # five by a version that knew no slope
        x[:told], p[:told, :told] = prior.log_mean, prior.log_cov
        # flights at one speed leave it unseen: what lies between them makes it no less sure
        known = min(slope_sd(aircraft) / math.sqrt(p[SLOPE, SLOPE]), 1.0)
        p[SLOPE] *= known
        p[:, SLOPE] *= known
    p[MASS, MASS] = (MASS_SD * aircraft.mass_kg) ** 2
    p[THIS_HOVER, THIS_HOVER] = CALM.own_var
    return Scales(x, p, power_noise.untaught())


def model_w(aircraft: Aircraft, sample: PowerSample, mass_kg: float) -> tuple[float, float]:
    """Propulsion power [W] of core/power.py in floats, and its derivative by mass [W/kg]."""
    weight_n = mass_kg * G0_MPS2
    if REGIME[sample.phase] == HOVER:
        inflow = hovers.inflow_mps(aircraft, mass_kg, sample.density)
        # power.hover_climb and hover_relief in floats
        up = max(sample.climb_mps, 0.0) / inflow
        induced = math.sqrt(0.25 * up * up + 1.0) - 0.5 * up
        factor = 1.0 + INDUCED_SHARE * (induced - 1.0 + up / INDUCED_FACTOR)
        power = weight_n * inflow * factor / aircraft.hover_efficiency
        x = sample.tas_mps / inflow
        half = 0.5 * x * x
        induced = math.sqrt(math.sqrt(half * half + 1.0) - half)
        power *= INDUCED_SHARE * induced + 1.0 - INDUCED_SHARE + hover_drag(aircraft) * x * x * x
        return power, 1.5 * power / mass_kg
    v, area = max(sample.tas_mps, SLOWEST_MPS), aircraft.wing_area_m2
    parasite = 0.5 * sample.density * v**3 * area * aircraft.cd0
    lift = weight_n * sample.load_factor
    induced = 2.0 * aircraft.k * lift * lift / (sample.density * v * area)
    rise = weight_n * sample.climb_mps
    if parasite + induced + rise <= 0.0:
        return 0.0, 0.0
    power = (parasite + induced + rise) / aircraft.cruise_efficiency
    return power, (2.0 * induced + rise) / mass_kg / aircraft.cruise_efficiency


def observe(scales: Scales, aircraft: Aircraft, sample: PowerSample) -> Scales:
    """(belief, sample) -> belief: samples of one phase are averaged, a full block is taken in."""
    block, full = power_blocks.grown(scales.block, sample)
    scales = scales if block is scales.block else replace(scales, block=block)
    return take(scales, aircraft, power_blocks.mean(full)) if full else scales


class Expected(NamedTuple):
    """A block's power [W] as foreseen, its derivatives by the state, and the variance [W^2] that is
    not the block's own noise: the mass's where that is not corrected, the wind's in a hover."""

    power_w: float
    h: Array
    beside_var: float


def take(scales: Scales, aircraft: Aircraft, mean: PowerSample) -> Scales:
    """(belief, block mean) -> belief."""
    regime = REGIME[mean.phase]
    if regime == HOVER:
        scales = _hovering(scales, aircraft, mean)
    dt_s = min(max(mean.t_s - scales.last_s, 0.0), 600.0)
    p = scales.p.copy()
    # Q: random walk of the logarithms
    p[range(4), range(4)] += WANDER_PER_ROOT_H**2 * dt_s / 3600.0
    fast = _fast(aircraft, mean)
    if regime == CRUISE and abs(fast - scales.fast) < SAME_SPEED:
        fast = scales.fast
    expected = _expected(scales, aircraft, mean, fast)
    reference = max(expected.power_w, 0.5 * _level_w(aircraft, mean, float(scales.x[MASS])))
    noise = scales.regimes[regime]
    r = power_noise.expected_var(noise) * reference**2
    innovation = mean.power_w - expected.power_w
    seen = update(scales.x, p, innovation, expected.h, r + expected.beside_var)
    least, most = power_noise.LEAST_NOISE[regime], power_noise.MOST_NOISE[regime]
    noise = power_noise.learned(noise, seen, r, least, most)
    noise, changed = power_noise.watched(noise, seen)
    scales = replace(
        scales, x=seen.x, p=seen.p, last_s=mean.t_s, seen=seen,
        regimes=tuple(noise if i == regime else old for i, old in enumerate(scales.regimes)),
    )  # fmt: skip
    if regime == CRUISE:
        # a block of half a minute shows sqrt(60 / 90) of a lull that lasts a minute
        gust_w = math.sqrt(1.5 * noise.noise_var) * expected.power_w
        scales = replace(scales, gust_w=gust_w, fast=fast)
    return _freed(scales, regime) if changed else scales


def _expected(scales: Scales, aircraft: Aircraft, mean: PowerSample, fast: float) -> Expected:
    x, regime = scales.x, REGIME[mean.phase]
    model, by_mass = model_w(aircraft, mean, float(x[MASS]))
    scale = math.exp(_log_scale(x, regime, fast))
    avionics = math.exp(x[AVIONICS]) * aircraft.avionics_w
    h = np.zeros(STATES)
    h[regime], h[SLOPE], h[AVIONICS] = scale * model, fast * scale * model, avionics
    if regime == HOVER:
        h[MASS], h[THIS_HOVER] = scale * by_mass, scale * model
        air = mean.tas_mps / hovers.inflow_mps(aircraft, float(x[MASS]), mean.density)
        beside_var = (scale * model) ** 2 * hovers.windy_var(air)
    else:
        # on the wing the polar is less sure than the mass: it is considered, not corrected
        beside_var = (scale * by_mass) ** 2 * float(scales.p[MASS, MASS])
    return Expected(scale * model + avionics, h, beside_var)


def _log_scale(x: Array, regime: int, fast: float) -> float:
    own = x[THIS_HOVER] if regime == HOVER else 0.0
    return float(x[regime] + fast * x[SLOPE] + own)


def in_hover(scales: Scales, t_s: float) -> bool:
    """Whether the hover at ``t_s`` is the one of the last block."""
    return t_s - scales.regimes[HOVER].seen_s <= hovers.APART_S


def _hovering(scales: Scales, aircraft: Aircraft, mean: PowerSample) -> Scales:
    """(belief, block mean of a hover) -> belief: what is this hover's own is free in a new one."""
    noise = scales.regimes[HOVER]
    if not in_hover(scales, mean.t_s):
        noise = replace(noise, up=0.0, down=0.0)
        x, p = scales.x.copy(), scales.p.copy()
        x[THIS_HOVER] = p[THIS_HOVER] = p[:, THIS_HOVER] = 0.0
        inflow = hovers.inflow_mps(aircraft, float(x[MASS]), mean.density)
        hover = hovers.hover_in(aircraft, inflow, mean.tas_mps, mean.air_sd_mps)
        p[THIS_HOVER, THIS_HOVER] = hover.own_var
        scales = replace(scales, x=x, p=p)
    return replace(scales, regimes=(replace(noise, seen_s=mean.t_s), *scales.regimes[1:]))


def _fast(aircraft: Aircraft, sample: PowerSample) -> float:
    """ln(V / V_ref) in cruise; nil in the other regimes."""
    if REGIME[sample.phase] != CRUISE:
        return 0.0
    return log_speed(aircraft, max(sample.tas_mps, SLOWEST_MPS) / tas_per_cas(sample.density))


def cruise_var(scales: Scales, aircraft: Aircraft, tas_mps: float, density: float) -> float:
    """Variance of the logarithm of the cruise scale at a true airspeed [m/s]."""
    fast, p = log_speed(aircraft, tas_mps / tas_per_cas(density)), scales.p.item
    return p(CRUISE, CRUISE) + fast * (2.0 * p(CRUISE, SLOPE) + fast * p(SLOPE, SLOPE))


def _level_w(aircraft: Aircraft, mean: PowerSample, mass_kg: float) -> float:
    """Power [W] of the same flight, level: what a descent's fluctuation is measured against."""
    return model_w(aircraft, mean._replace(climb_mps=max(mean.climb_mps, 0.0)), mass_kg)[0]


CHANGE_SD = 0.20  # how much a scale may have changed when the detector fires


def _freed(scales: Scales, regime: int) -> Scales:
    """After a sudden change the scale is free again."""
    return replace(_wider(scales, regime), changed_s=scales.last_s, changed=regime)


def doubted(scales: Scales) -> Scales:
    """Nothing was learned on the wing for a while: what is drawn there may have changed since."""
    return _wider(scales, CRUISE)


def _wider(scales: Scales, regime: int) -> Scales:
    p = scales.p.copy()
    p[regime, regime] += CHANGE_SD**2
    return replace(scales, p=p)


DROP_DOUBT = 0.5  # so wide that hover power alone can say that the payload is still there


def dropped(scales: Scales, drop_kg: float) -> Scales:
    """The payload was to be released here: it probably was; hover power will tell."""
    x, p = scales.x.copy(), scales.p.copy()
    x[MASS] -= drop_kg
    p[MASS, MASS] += (DROP_DOUBT * drop_kg) ** 2
    return replace(scales, x=x, p=p)


def posterior(scales: Scales) -> PowerPrior:
    """What was learned, for the next flight."""
    return PowerPrior(scales.x[LEARNED].copy(), scales.p[LEARNED, LEARNED].copy())


def belief(
    scales: Scales, aircraft: Aircraft, landing: Hover = CALM, landing_now: bool = False
) -> PowerBelief:
    """What the forecast draws from.

    The hover's scale is learned for calm air and for hovers on average; ``landing`` makes it that
    of the landing to come, or of the one that is flown now and is known by its blocks.
    """
    log_mean, log_cov = scales.x[LEARNED].copy(), scales.p[LEARNED, LEARNED].copy()
    log_mean[HOVER] += math.log(landing.relief)
    if landing_now:
        log_mean[HOVER] += scales.x[THIS_HOVER]
        common = scales.p[THIS_HOVER, LEARNED]
        log_cov[HOVER] += common
        log_cov[:, HOVER] += common
    own_var = scales.p[THIS_HOVER, THIS_HOVER] if landing_now else landing.own_var
    log_cov[HOVER, HOVER] += own_var
    return PowerBelief(
        log_mean=log_mean,
        log_cov=log_cov,
        avionics_w=aircraft.avionics_w,
        mass_kg=float(scales.x[MASS]),
        mass_sd_kg=math.sqrt(scales.p[MASS, MASS]),
        gust_w_sd=scales.gust_w,
    )


def expected_w(scales: Scales, aircraft: Aircraft, sample: PowerSample) -> float:
    """Power [W] believed for this motion: stands in when the pack monitor is silent."""
    if sample.phase not in REGIME:
        return math.nan
    model, _ = model_w(aircraft, sample, float(scales.x[MASS]))
    avionics = math.exp(scales.x[AVIONICS]) * aircraft.avionics_w
    log_scale = _log_scale(scales.x, REGIME[sample.phase], _fast(aircraft, sample))
    return math.exp(log_scale) * model + avionics


def hover_reference_w(aircraft: Aircraft, density: float) -> float:
    """Hover power [W] of the whole aircraft by the builder's figures: what phases compare with."""
    sample = PowerSample(0.0, Phase.HOVER_LANDING, math.nan, density, 0.0, 0.0)
    return model_w(aircraft, sample, aircraft.mass_kg)[0] + aircraft.avionics_w
