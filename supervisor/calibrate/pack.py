"""Fits the pack: resistance and capacity, from voltage, current and temperature.

Per mean cell, with the table's curves (core/cells.py), z0 for each flight, z = z0 - Q/C e^-c:

    V = OCV(z) - e^(r + b(z)) [ I R0(z) h(T) + R1 F1(I) + e^(s + l (z - 1/2)) R2 F2(I) ]

F are the current filtered with the two relaxation times, reckoned once. A table is never the pack:
over the charge its resistance may bend (b, straight between a few charges, 0 at half charge) and
its slow relaxation lean (l). Left out, a difference in shape is taken for charge, and 3 % of
capacity were made of it. A slow error of the voltage (an Ornstein-Uhlenbeck process, as in
core/estimate/pack.py) is in the noise, so that many readings of one flight do not look like many
flights. What is told is the resistance at half charge, and the capacity over all that fit
(_along_capacity).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from supervisor.calibrate.leastsquares import Fit, Prior, Residuals, fit, huber_cost
from supervisor.core.belief import Array
from supervisor.core.cells import ocv_v, temperature_factor
from supervisor.core.estimate.kalman import decay
from supervisor.core.plan import Cell, Pack

BIN_S = 10.0
WHITE_V, SLOW_V, SLOW_TAU_S = 0.006, 0.012, 1800.0
PRIOR_SD = {
    "resistance": 0.4,
    "capacity": 0.15,
    "slow": 0.5,
    "slow_lean": 0.5,
    "shape": 0.1,
    "charge": 0.03,
}
# Not in the readings: the current sensor's gain, and how far a cell is from its table.
# Two tables fitted to one published cell differ in what they make of the same voltages by 2 % of
# capacity and 3 % of resistance (ours and the simulator's); real cells surely by more.
GAIN_SD, TABLE_R_SD, TABLE_C_SD = 0.012, 0.06, 0.015
OFFSET_A = 0.06  # what is left of the current sensor's zero error
RESISTANCE, CAPACITY, SLOW, SLOW_LEAN, SHAPE = 0, 1, 2, 3, 4
# The resistance's factor is straight between these charges; each number is a step on from HALF.
SHAPE_FROM = (0.5, 0.7, 0.85, 0.5, 0.3, 0.15)
SHAPE_TO = (0.7, 0.85, 1.0, 0.3, 0.15, 0.0)
FIRST_CHARGE = SHAPE + len(SHAPE_FROM)
# The search along the capacity, in logarithms: over a dip, until the cost is so much more.
CAPACITY_STEP, CAPACITY_DIP, CAPACITY_RANGE, HELD_SD, FAR = 0.015, 0.06, 0.25, 1e-5, 5.0
ENOUGH = 1e-4  # of the cost: half a unit of cost is one sigma
CORNER = 0.02  # of the charge
HALF, PULSE_S = 0.5, 30.0  # where and after how long the pack's resistance is told


@dataclass(frozen=True, slots=True)
class PackSeries:
    """One flight's readings in bins: mean cell's voltage, cell current, charge drawn, filters."""

    t_s: Array
    voltage_v: Array
    current_a: Array
    drawn_ah: Array
    fast_a: Array  # current through the fast relaxation, times h(T)
    slow_a: Array
    hot: Array
    charge0: float


@dataclass(frozen=True, slots=True)
class PackFit:
    """Scales on a new cell's resistance and the stated capacity; ``residual_v`` by flight."""

    fit: Fit
    resistance: float
    resistance_sd: float
    pulse_ohm: float  # of the whole pack, after PULSE_S of load at half charge and 25 degC
    capacity_ah: float
    capacity_sd_ah: float
    depth: float  # largest share of the capacity used in one flight
    residual_v: tuple[Array, ...]


def binned(
    pack: Pack, t_s: Array, pack_v: Array, current_a: Array, temperature_c: Array
) -> PackSeries:
    """From the monitor's reports of one flight."""
    cell = pack.cell
    edges = np.arange(t_s[0], t_s[-1] + BIN_S, BIN_S)
    grid = np.arange(t_s[0], t_s[-1], 1.0)
    now = np.interp(grid, t_s, current_a) / pack.parallel
    warm = np.where(np.isfinite(temperature_c), temperature_c, pack.temperature_c)
    hot_grid = temperature_factor(cell, np.interp(grid, t_s, warm))
    fast = _filtered(now * hot_grid, cell.tau1_s)
    slow = _filtered(now * hot_grid, cell.tau2_s)
    drawn = np.concatenate([[0.0], np.cumsum(0.5 * (now[1:] + now[:-1]))]) / 3600.0
    which: NDArray[np.intp] = np.digitize(t_s, edges)
    at: NDArray[np.intp] = np.digitize(grid, edges)
    bins = np.array([b for b in np.unique(which) if np.any(at == b)])

    def mean(values: Array, place: NDArray[np.intp]) -> Array:
        return np.array([values[place == b].mean() for b in bins])

    return PackSeries(
        t_s=mean(t_s, which),
        voltage_v=mean(pack_v, which) / pack.series,
        current_a=mean(current_a, which) / pack.parallel,
        drawn_ah=mean(drawn, at),
        fast_a=mean(fast, at),
        slow_a=mean(slow, at),
        hot=mean(hot_grid, at),
        charge0=pack.initial_charge,
    )


def _filtered(current: Array, tau_s: float) -> Array:
    """dF/dt = (I - F)/tau, in steps of one second."""
    keep, state = decay(1.0, tau_s), 0.0
    result = np.empty_like(current)
    for k, value in enumerate(current.tolist()):
        state = keep * state + (1.0 - keep) * value
        result[k] = state
    return result


def model_v(
    cell: Cell, cell_ah: float, x: Array, charge0: float, s: PackSeries
) -> tuple[Array, Array]:
    """Voltage [V]; its derivatives by the parameters of all flights, and by this one's charge."""
    used = s.drawn_ah / cell_ah * math.exp(-x[CAPACITY])
    z = np.clip(charge0 - used, 0.0, 1.0)
    ocv, r0 = ocv_v(cell, z), np.interp(z, cell.charge_grid, cell.r0_ohm)
    steps, rise = shape(z)
    bends = x[SHAPE:FIRST_CHARGE]
    scale = np.exp(x[RESISTANCE] + steps @ bends)
    slow = scale * np.exp(x[SLOW] + x[SLOW_LEAN] * (z - HALF)) * cell.r2_ohm * s.slow_a
    drop = scale * (s.current_a * r0 * s.hot + cell.r1_ohm * s.fast_a) + slow
    leaning = scale * s.current_a * s.hot * _slope(cell, cell.r0_ohm, z) + (rise @ bends) * drop
    leaning += x[SLOW_LEAN] * slow
    by_charge = _slope(cell, cell.ocv_v, z) - leaning
    by_shape = -drop[:, None] * steps
    columns = [-drop, by_charge * used, -slow, -slow * (z - HALF), by_shape, by_charge]
    return ocv - drop, np.column_stack(columns)


def shape(charge: Array) -> tuple[Array, Array]:
    """How far each step of the resistance's shape is done at ``charge``, 0..1, and its slope."""
    start, end = np.array(SHAPE_FROM), np.array(SHAPE_TO)
    done = (charge[:, None] - start) / (end - start)
    inside = (done > 0.0) & (done < 1.0)
    return np.clip(done, 0.0, 1.0), np.where(inside, 1.0 / (end - start), 0.0)


def pulse_ohm(pack: Pack, resistance: float, slow: float = 1.0) -> float:
    """The pack's voltage drop per ampere after PULSE_S of load, at half charge and 25 degC [ohm].

    ``resistance``, ``slow``: factors on the table's cell, and on its slow relaxation.
    """
    cell = pack.cell
    r0 = float(np.interp(HALF, cell.charge_grid, cell.r0_ohm))
    fast = cell.r1_ohm * (1.0 - math.exp(-PULSE_S / cell.tau1_s))
    late = slow * cell.r2_ohm * (1.0 - math.exp(-PULSE_S / cell.tau2_s))
    return pack.series / pack.parallel * resistance * (r0 + fast + late)


def _slope(cell: Cell, values: tuple[float, ...], charge: Array) -> Array:
    """Slope by charge of a curve that is straight between the table's knots, its corners rounded.

    With the slope of the piece itself the search for the best fit would stop at the first corner.
    """
    low, high = np.maximum(charge - CORNER, 0.0), np.minimum(charge + CORNER, 1.0)
    rise = np.interp(high, cell.charge_grid, values) - np.interp(low, cell.charge_grid, values)
    result: Array = rise / (high - low)
    return result


def fit_pack(pack: Pack, flights: list[PackSeries]) -> PackFit:
    """All flights of one pack together."""
    cell_ah = pack.capacity_ah / pack.parallel
    first, fits, share = _along_capacity(_problem(pack, flights), _prior(flights))
    found = fits[int(np.argmax(share))]
    x = share @ np.array([f.x for f in fits])
    apart = np.sqrt(share @ np.square([f.x - x for f in fits]))
    # a valley narrower than the row's steps shows its width in the search that was not held
    own = np.maximum(np.hypot(apart, np.sqrt(np.diag(found.cov))), np.sqrt(np.diag(first.cov)))
    table_c = math.hypot(TABLE_C_SD, GAIN_SD, _offset_share(pack, flights))
    capacity = pack.capacity_ah * math.exp(x[CAPACITY])
    resistance = math.exp(x[RESISTANCE])
    return PackFit(
        fit=found,
        resistance=resistance,
        resistance_sd=resistance * math.hypot(own[RESISTANCE], TABLE_R_SD, GAIN_SD),
        pulse_ohm=pulse_ohm(pack, resistance, math.exp(x[SLOW])),
        capacity_ah=capacity,
        capacity_sd_ah=capacity * math.hypot(own[CAPACITY], table_c),
        depth=max(float(s.drawn_ah[-1]) / cell_ah for s in flights),
        residual_v=tuple(
            model_v(pack.cell, cell_ah, found.x, float(found.x[FIRST_CHARGE + k]), s)[0]
            - s.voltage_v
            for k, s in enumerate(flights)
        ),
    )


def _problem(pack: Pack, flights: list[PackSeries]) -> Residuals:
    """Whitened residuals of all flights, one below the other."""
    cell_ah = pack.capacity_ah / pack.parallel
    whiten = [np.linalg.inv(np.linalg.cholesky(_noise(s.t_s))) for s in flights]
    size = FIRST_CHARGE + len(flights)

    def function(x: Array) -> tuple[Array, Array]:
        residuals, jacobians = [], []
        for k, (s, w) in enumerate(zip(flights, whiten, strict=True)):
            volts, by = model_v(pack.cell, cell_ah, x, float(x[FIRST_CHARGE + k]), s)
            jacobian = np.zeros((len(volts), size))
            jacobian[:, :FIRST_CHARGE] = by[:, :FIRST_CHARGE]
            jacobian[:, FIRST_CHARGE + k] = by[:, FIRST_CHARGE]
            residuals.append(w @ (volts - s.voltage_v))
            jacobians.append(w @ jacobian)
        return np.concatenate(residuals), np.vstack(jacobians)

    return function


def _prior(flights: list[PackSeries]) -> Prior:
    """The table as it is, but for a slow relaxation that is rather larger than it says."""
    bends = [0.0] * len(SHAPE_FROM)
    mean = [0.0, 0.0, 0.25, 0.0, *bends, *(s.charge0 for s in flights)]
    sd = [PRIOR_SD[name] for name in ("resistance", "capacity", "slow", "slow_lean")]
    sd += [PRIOR_SD["shape"]] * len(bends) + [PRIOR_SD["charge"]] * len(flights)
    return Prior(np.array(mean), np.array(sd))


def _along_capacity(function: Residuals, prior: Prior) -> tuple[Fit, list[Fit], Array]:
    """A first fit; the best fit at each of a row of capacities, and how likely each is (sum 1).

    The open-circuit curve has bends and nearly flat stretches, so two capacities may fit equally
    well with a dip between them. One search ends in either; what is known is their mean and spread.
    """
    first = fit(function, prior.mean, prior, enough=ENOUGH)
    scale = max(first.scale, 1.0)
    found = {0: (_cost(first, prior), first)}
    for way in (1, -1):
        at, least = 0, found[0][0]
        while abs(at) * CAPACITY_STEP < CAPACITY_RANGE:
            cost, last = found[at]
            least = min(least, cost)
            if cost > least + FAR * scale**2 and abs(at) * CAPACITY_STEP > CAPACITY_DIP:
                break
            at += way
            held = first.x[CAPACITY] + at * CAPACITY_STEP
            one = fit(function, _with(last.x, held), _held(prior, held), enough=ENOUGH)
            found[at] = _cost(one, prior), one
    costs = np.array([found[k][0] for k in sorted(found)])
    share = np.exp(-(costs - costs.min()) / scale**2)
    return first, [found[k][1] for k in sorted(found)], share / share.sum()


def _cost(found: Fit, prior: Prior) -> float:
    """What the search made least: Huber's cost and the prior's."""
    return huber_cost(found.residuals) + 0.5 * float(
        np.square((found.x - prior.mean) / prior.sd).sum()
    )


def _with(x: Array, capacity: float) -> Array:
    return np.concatenate([x[:CAPACITY], [capacity], x[CAPACITY + 1 :]])


def _held(prior: Prior, capacity: float) -> Prior:
    """The same, with the capacity as good as given."""
    return Prior(_with(prior.mean, capacity), _with(prior.sd, HELD_SD))


def zero_w(pack: Pack) -> float:
    """What the current sensor's zero error makes of a power [W], one sigma, at half charge."""
    return OFFSET_A * pack.series * float(ocv_v(pack.cell, HALF))


def _offset_share(pack: Pack, flights: list[PackSeries]) -> float:
    """What the current sensor's zero error makes of the charge drawn [-]."""
    mean_a = min(float(s.current_a.mean()) for s in flights) * pack.parallel
    return OFFSET_A / max(mean_a, OFFSET_A)


def _noise(t_s: Array) -> Array:
    """Covariance of the bins: white plus slow."""
    apart = np.abs(t_s[:, None] - t_s[None, :])
    slow: Array = SLOW_V**2 * np.exp(-apart / SLOW_TAU_S)
    return slow + WHITE_V**2 * np.eye(len(t_s))
