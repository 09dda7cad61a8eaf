"""What is in the pack: a sigma-point filter on its voltage and current.

State (8), per mean cell: charge z, fast and slow polarisation v1, v2 [V], logarithms of the scales
of resistance, capacity and current-sensor gain, the model's own error e [V], a slowly wandering
difference between this table's cell and the real one, and the logarithm of the slow resistance's
own scale. The last two keep the filter honest: a table is never the pack (tables from short pulses
miss most of what a long load adds), and without them the charge would look surer than it is.

    dz/dt  = -i g / (3600 C c)                   g = exp(lg), c = exp(lc), r = exp(lr)
    dv/dt  = (i g R r h(T) - v) / tau            (fast, slow; the slow one times exp(ls))
    V      = OCV(z) - v1 - v2 - i g R0(z) r h(T) + e

A step of time is linear but for exponentials of logarithms that are known to a few per cent: their
derivatives do. The voltage bends with charge and with ln(r g), and over what these may be it is
taken by sigma points: no charge lies above full, so a pack said to be full is so, or less.

What a cell gives less in the cold is mostly voltage, and that is in h(T) already; whether charge
is lost as well is left open by a wider prior on c, not taken off.

The prior on r and c is wide enough for a pack older than it was said to be; how likely that is, and
what the state is by that, is asked of ageing.py whenever somebody wants the belief.

Time runs with the reports. Without current the power model's stands in; without voltage nothing is
corrected; without both the belief only drifts and widens.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from supervisor.core import cells
from supervisor.core.belief import PackBelief
from supervisor.core.constants import KELVIN
from supervisor.core.estimate import ageing, weak_cell
from supervisor.core.estimate.kalman import Updated, decay, ou_growth, update
from supervisor.core.estimate.prior import PackPrior
from supervisor.core.estimate.sigma_points import Line, line
from supervisor.core.plan import Cell, Pack

Array = NDArray[np.float64]

CHARGE, FAST, SLOW, RESISTANCE, CAPACITY, GAIN, ERROR, SLOW_SCALE = range(8)
STATES = 8
UNIT: Array = np.eye(STATES)
BELIEVED = [CHARGE, FAST, SLOW, RESISTANCE, CAPACITY, GAIN, SLOW_SCALE]  # as PackBelief has them
LEARNED = [RESISTANCE, CAPACITY, GAIN, SLOW_SCALE]  # what the next flight starts from

# Prior spreads; ours, after what differs between a table and a pack.
CHARGE_SD, UNKNOWN_CHARGE_SD, GAIN_SD = 0.03, 0.30, 0.02
ERROR_SD_V, ERROR_TAU_S, ERROR_CHARGE = 0.018, 3600.0, 0.10
SLOW_SD = 0.4  # logarithm: tables from short pulses miss much of it
COLD_SHARE = 0.3  # of the tabulated loss of capacity in the cold that may be real loss of charge
COLD_STIFF = 0.2  # of the tabulated rise of resistance in the cold (logarithm) that is not known
# How the slow states may wander, per root hour.
RESISTANCE_WANDER, CAPACITY_WANDER, GAIN_WANDER = 0.06, 0.004, 0.004
STAND_IN_SD, STAND_IN_S = 0.08, 1800.0  # relative error of a current from the power model
READING_SD_V = 0.005
FAST_ODD, SLOW_ODD = 0.25, 0.15  # of each relaxation: real ones are not single exponentials
# What a steady current drops the table's error would drop as well, for hours: resistance is learned
# only while the current is far from its own mean, in a hover and shortly after.
STEADY_S, STEADY_SHARE = 60.0, 0.25
MISMATCH, MISMATCH_S = 0.05, 20.0  # of the ohmic and fast drop, and how long it lasts
CELLS_S = 1.9  # how often the single cells are looked at
LOST_SINCE = 0.01  # of the capacity since it was last measured: packs only fade (ours)
# What no pack is: scales of resistance and capacity beyond these (ours). A voltage that asks for it
# is none of a pack's, and what it says of the one must not be carried over to the other.
LEAST_RESISTANCE, MOST_RESISTANCE = math.log(0.4), math.log(6.0)
LEAST_CAPACITY, MOST_CAPACITY = math.log(0.3), math.log(1.2)
STEPS = 400


class Curves:
    """The cell's curves on an even grid: a look-up in plain floats, for a filter at 10 Hz."""

    def __init__(self, cell: Cell) -> None:
        grid = np.linspace(0.0, 1.0, STEPS + 1)
        self.ocv_grid: Array = cells.ocv_v(cell, grid)
        self.ocv: list[float] = self.ocv_grid.tolist()
        self.r0: list[float] = np.interp(grid, cell.charge_grid, cell.r0_ohm).tolist()

    def at(self, charge: float) -> tuple[float, float]:
        """OCV [V] and R0 at 25 degC [ohm]."""
        x = min(max(charge, 0.0), 1.0) * STEPS
        i = min(int(x), STEPS - 1)
        f = x - i
        ocv, r0 = self.ocv, self.r0
        return ocv[i] + f * (ocv[i + 1] - ocv[i]), r0[i] + f * (r0[i + 1] - r0[i])


class PackState(NamedTuple):
    """The filter's state at ``t_s``. ``cells``: how the single cells differ from the mean one."""

    t_s: float
    x: Array
    p: Array
    current_a: float
    steady_a: float  # slow mean of the current
    temperature_c: float
    temperature_var: float
    cells: weak_cell.CellSpread
    told: ageing.Told  # of LEARNED, before this flight
    cells_s: float = -math.inf  # when they were last looked at
    used_ah: float = 0.0
    last: Updated | None = None
    beyond_s: float = -math.inf  # when the voltage last asked for what no pack is


class PackSample(NamedTuple):
    """One report of the monitor, cleaned. ``stand_in``: the current comes from the power model."""

    t_s: float
    voltage_v: float  # mean cell
    cell_v: tuple[float, ...]
    current_a: float  # pack, mean since the last report where a counter tells
    now_a: float  # pack, at this moment
    temperature_c: float
    stand_in: bool = False


def start(pack: Pack, t_s: float, air_c: float, prior: PackPrior | None = None) -> PackState:
    """Prior from the flight file, or from the pack's own history."""
    warm = pack.temperature_c if pack.temperature_c == pack.temperature_c else air_c
    cold = COLD_SHARE * (1.0 - float(cells.capacity_factor(pack.cell, warm)))
    stiff = max(math.log(resistance_factor(pack.cell, warm)), 0.0)
    capacity_sd = math.hypot(pack.capacity_sd, cold)
    x = np.array(
        [pack.initial_charge, 0, 0, math.log(pack.resistance_scale), -LOST_SINCE, 0, 0, 0.0]
    )
    sd = [CHARGE_SD, 0.003, 0.008, pack.resistance_sd, capacity_sd, GAIN_SD, ERROR_SD_V, SLOW_SD]
    p = np.diag(np.square(sd))
    if prior is not None:
        told = LEARNED[: len(prior.log_mean)]
        x[told] = prior.log_mean
        p[np.ix_(told, told)] = prior.log_cov
        p[CAPACITY, CAPACITY] += cold**2  # the day's cold is no less open than without a prior
    p[RESISTANCE, RESISTANCE] += (COLD_STIFF * stiff) ** 2
    learned = np.ix_(LEARNED, LEARNED)
    odds = ageing.ODDS if prior is None else ageing.KNOWN_ODDS
    heard = ageing.Told(x[LEARNED], p[learned].copy(), odds)
    p[learned] += ageing.OPEN
    return PackState(t_s, x, p, 0.0, 0.0, warm, 4.0, weak_cell.start(pack.series), heard)


def resistance_factor(cell: Cell, temperature_c: float) -> float:
    """``cells.temperature_factor`` in floats."""
    return math.exp(cell.resistance_temperature_k * (1.0 / (temperature_c + KELVIN) - 1.0 / 298.15))


def predict(
    state: PackState, pack: Pack, curves: Curves, t_s: float, current_a: float, air_c: float,
    stand_in: bool = False,
) -> PackState:  # fmt: skip
    """(belief, current) -> belief at ``t_s``: the mean current since then has flowed."""
    dt_s = t_s - state.t_s
    if dt_s <= 0.0:
        return state
    cell = pack.cell
    charge, fast_v, slow_v, log_r, log_c, log_g, error_v, log_s = state.x.tolist()
    hot = resistance_factor(cell, state.temperature_c) * math.exp(log_r)
    gain = math.exp(log_g)
    i_cell = current_a * gain / pack.parallel
    full_ah = pack.capacity_ah * math.exp(log_c)
    used = current_a * gain * dt_s / 3600.0 / full_ah
    a1, a2 = decay(dt_s, cell.tau1_s), decay(dt_s, cell.tau2_s)
    to1 = (1.0 - a1) * i_cell * cell.r1_ohm * hot
    slow_ohm = cell.r2_ohm * hot * math.exp(log_s)
    to2 = (1.0 - a2) * i_cell * slow_ohm
    # the table's error belongs to a place on the curve as much as to an hour
    age = dt_s / ERROR_TAU_S + abs(used) / ERROR_CHARGE
    ae = decay(age, 1.0)
    new = np.array(
        [charge - used, a1 * fast_v + to1, a2 * slow_v + to2, log_r, log_c, log_g, ae * error_v,
         log_s]
    )  # fmt: skip
    f = UNIT.copy()
    f[CHARGE, CAPACITY], f[CHARGE, GAIN] = used, -used
    f[FAST, FAST], f[FAST, RESISTANCE], f[FAST, GAIN] = a1, to1, to1
    f[SLOW, SLOW], f[SLOW, RESISTANCE], f[SLOW, GAIN] = a2, to2, to2
    f[SLOW, SLOW_SCALE] = to2
    f[ERROR, ERROR] = ae
    p = f.dot(state.p).dot(f.T)
    p.reshape(-1)[:: STATES + 1] += _noise(
        dt_s, used, i_cell, cell, hot, stand_in, age, abs(fast_v), abs(slow_v)
    )
    heat = _heated(state, pack, curves, i_cell, hot, dt_s, air_c)
    grown = state.temperature_var + 1.0 * dt_s / 600.0
    return state._replace(
        t_s=t_s,
        x=new,
        p=p,
        temperature_c=heat,
        temperature_var=grown,
        used_ah=state.used_ah + current_a * gain * dt_s / 3600.0,
    )


def _noise(
    dt_s: float, used: float, i_cell: float, cell: Cell, hot: float, stand_in: bool,
    age: float, fast_v: float, slow_v: float,
) -> list[float]:  # fmt: skip
    """Diagonal of Q for one step. A relaxation is as uncertain as the greater of where it is and
    where it goes: after a hover it comes back along another path than the table's."""
    hours = dt_s / 3600.0
    # a stand-in's error lasts: the white equivalent has 2 tau / dt times its variance
    lasting = max(2.0 * STAND_IN_S / dt_s, 1.0)
    odd = (STAND_IN_SD * used) ** 2 * lasting if stand_in else (0.01 * used) ** 2
    return [
        odd + (2e-4) ** 2 * dt_s / 60.0,
        ou_growth(FAST_ODD * max(cell.r1_ohm * hot * i_cell, fast_v) + 1e-4, dt_s, cell.tau1_s),
        ou_growth(SLOW_ODD * max(cell.r2_ohm * hot * i_cell, slow_v) + 1e-4, dt_s, cell.tau2_s),
        RESISTANCE_WANDER**2 * hours,
        CAPACITY_WANDER**2 * hours,
        GAIN_WANDER**2 * hours,
        ou_growth(ERROR_SD_V, age, 1.0),
        RESISTANCE_WANDER**2 * hours,
    ]


def _heated(
    state: PackState, pack: Pack, curves: Curves, i_cell: float, hot: float, dt_s: float,
    air_c: float,
) -> float:  # fmt: skip
    """C dT/dt = i^2 R - k (T - T_air), exactly over the step at constant current."""
    cell = pack.cell
    r = (curves.at(float(state.x[CHARGE]))[1] + cell.r1_ohm + cell.r2_ohm) * hot
    settled = air_c + i_cell * i_cell * r / cell.cooling_wpk
    keep = math.exp(-dt_s * cell.cooling_wpk / cell.heat_capacity_jpk)
    return settled + keep * (state.temperature_c - settled)


def correct(
    state: PackState, pack: Pack, curves: Curves, sample: PackSample, dt_s: float
) -> PackState:
    """(belief, voltage) -> belief."""
    if sample.voltage_v != sample.voltage_v:
        return state._replace(current_a=sample.now_a)
    x = state.x
    charge, fast_v, slow_v, log_r, _, log_g, error_v, _ = x.tolist()
    told = _terminal(state, pack, curves, sample.now_a)
    expected = told.mean - fast_v - slow_v + error_v
    h = np.array([told.by_x, -1.0, -1.0, told.by_y, 0.0, told.by_y, 1.0, 0.0])
    ohm = curves.at(charge)[1] * resistance_factor(pack.cell, state.temperature_c) * math.exp(log_r)
    drop = sample.now_a * math.exp(log_g) / pack.parallel * ohm
    # voltage and current are not read at the same instant: a step between two reports blurs both
    blur = 0.5 * (sample.now_a - state.current_a) / pack.parallel * ohm
    lasting = max(2.0 * MISMATCH_S / max(dt_s, 0.1), 1.0)
    r = READING_SD_V**2 + told.residual_var + (MISMATCH * drop) ** 2 * lasting + blur * blur
    if sample.stand_in:
        r += (STAND_IN_SD * drop) ** 2 * lasting
    away_a = abs(sample.now_a - state.steady_a)
    steady = away_a < STEADY_SHARE * max(abs(sample.now_a), state.steady_a)
    keep = RESISTANCE if steady else None
    seen = update(x, state.p, sample.voltage_v - expected, h, r, keep)
    if seen.nis > 16.0 and abs(sample.now_a) < 0.05 * pack.capacity_ah:
        # at rest and 4 sigma off: the pack is not charged as planned; the voltage decides
        p = state.p.copy()
        p[CHARGE, CHARGE] += UNKNOWN_CHARGE_SD**2
        seen = update(x, p, sample.voltage_v - expected, h, r)
    new = seen.x
    beyond_s = state.t_s if _held_within(new) else state.beyond_s
    mean_a = state.steady_a + min(dt_s / STEADY_S, 1.0) * (sample.now_a - state.steady_a)
    each, each_s, since_s = state.cells, state.cells_s, state.t_s - state.cells_s
    if sample.cell_v and since_s >= CELLS_S:
        sag = drop + float(new[FAST] + new[SLOW])
        each_v = np.array(sample.cell_v)
        each = weak_cell.observe(
            each, each_v, float(new[CHARGE]), sag, curves.ocv_grid, min(since_s, 60.0)
        )
        each_s = state.t_s
    return state._replace(
        x=new, p=seen.p, current_a=sample.now_a, steady_a=mean_a, last=seen,
        cells=each, cells_s=each_s, beyond_s=beyond_s,
    )  # fmt: skip


def _held_within(x: Array) -> bool:
    """Brings ``x`` to what a pack can be, in place; whether it was elsewhere (but for the charge,
    of which a full pack's estimate often is)."""
    charge, log_r, log_c = x.item(CHARGE), x.item(RESISTANCE), x.item(CAPACITY)
    x[CHARGE] = min(max(charge, 0.0), 1.0)
    if LEAST_RESISTANCE < log_r < MOST_RESISTANCE and LEAST_CAPACITY < log_c < MOST_CAPACITY:
        return False
    x[RESISTANCE] = min(max(log_r, LEAST_RESISTANCE), MOST_RESISTANCE)
    x[CAPACITY] = min(max(log_c, LEAST_CAPACITY), MOST_CAPACITY)
    return True


def _terminal(state: PackState, pack: Pack, curves: Curves, now_a: float) -> Line:
    """OCV(z) - i g R0(z) r h(T) as a line of charge and of ln(r g): where the voltage bends."""
    x, p = state.x, state.p.item
    charge, log_rg = x.item(CHARGE), x.item(RESISTANCE) + x.item(GAIN)
    amps = now_a / pack.parallel * resistance_factor(pack.cell, state.temperature_c)

    def volts(z: float, y: float) -> float:
        ocv, r0 = curves.at(z)
        return ocv - amps * math.exp(y) * r0

    both = p(RESISTANCE, RESISTANCE) + 2.0 * p(RESISTANCE, GAIN) + p(GAIN, GAIN)
    across = p(CHARGE, RESISTANCE) + p(CHARGE, GAIN)
    return line(volts, charge, log_rg, p(CHARGE, CHARGE), across, both)


def warmed(state: PackState, reading_c: float) -> PackState:
    """(belief, temperature) -> belief: the sensor sits on one cell's skin, 2 K of the mean."""
    if reading_c != reading_c:
        return state
    gain = state.temperature_var / (state.temperature_var + 4.0 * 30.0)
    return state._replace(
        temperature_c=state.temperature_c + gain * (reading_c - state.temperature_c),
        temperature_var=state.temperature_var * (1.0 - gain),
    )


def observe(
    state: PackState, pack: Pack, curves: Curves, sample: PackSample, air_c: float
) -> PackState:
    """(belief, report) -> belief: predict to the report's time, then correct."""
    dt_s = sample.t_s - state.t_s
    if dt_s <= 0.0:
        return state
    state = predict(state, pack, curves, sample.t_s, sample.current_a, air_c, sample.stand_in)
    state = correct(state, pack, curves, sample, dt_s)
    return warmed(state, sample.temperature_c)


def weighed(state: PackState) -> ageing.Weighed:
    """What is believed: the state whether or not the pack has aged, each as likely as it is."""
    return ageing.weighed(state.x, state.p, state.told, LEARNED)


def posterior(state: PackState) -> PackPrior:
    """What was learned, for the pack's next flight."""
    now = weighed(state)
    return PackPrior(now.x[LEARNED], now.p[np.ix_(LEARNED, LEARNED)])


def belief(state: PackState, pack: Pack) -> PackBelief:
    """What the forecast draws from."""
    weak, now = weak_cell.weakest(state.cells), weighed(state)
    return PackBelief(
        mean=now.x[BELIEVED],
        cov=now.p[np.ix_(BELIEVED, BELIEVED)],
        capacity_ah=pack.capacity_ah,
        temperature_c=state.temperature_c,
        temperature_sd_c=math.sqrt(state.temperature_var),
        # the model's own error is a voltage too: what is missing counts, what is over is a doubt
        weak_v=max(-float(now.x[ERROR]), 0.0),
        weak_v_sd=math.hypot(0.003, math.sqrt(now.p[ERROR, ERROR])),
        weak_r=1.0 + weak.resistance,
        weak_r_sd=weak.resistance_sd,
        weak_capacity=weak.capacity,
        weak_capacity_sd=weak.capacity_sd,
    )
