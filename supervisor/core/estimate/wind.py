"""Wind from the wind triangle: samples of flight become evidence about the wind field.

Ground velocity = air velocity + wind. With calibrated airspeed turned into true by density, flown
along the heading, the sensors' own errors are part of the unknowns:

    v_ground = ((1 + s) V + b r) (cos(psi + o), sin(psi + o)) + w

``s`` airspeed scale, ``b`` airspeed bias [m/s, calibrated; r = true over calibrated], ``o`` compass
offset [rad], and, when there is no airspeed, V is what the aircraft is set to fly and ``a`` its
relative error. On a straight leg only the sum w + V(o, s) is seen; a turn separates them. Both
follow from the information matrix, without any rule. Samples are correlated through the gusts, so
each counts only as much as it is independent of the one before.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from supervisor.core.estimate import gusts, wind_change, wind_front
from supervisor.core.estimate.forecast_wind import profile
from supervisor.core.estimate.wind_kernel import Jump, Kernel
from supervisor.core.estimate.wind_sensors import another_compass, new_sensors, without_airspeed
from supervisor.core.estimate.wind_state import (
    SENSORS,
    UNMOVED,
    Expected,
    Held,
    Sample,
    WindState,
    refreshed,
)
from supervisor.core.estimate.windfield import Evidence

Array = NDArray[np.float64]

STRETCH_S, STRETCH_M = 45.0, 1200.0  # one node of memory at least this often
MAX_NODES = 32
# The power must tell the change of airspeed that the ground speed tells, within these factors; the
# ground speed is a mean over a minute and lags behind, and the power wanders.
LIKE_MPS, LIKE = 1.5, (0.4, 4.0)
# A lull moves the speed that the power tells by two; so far from what is shown, for so long, the
# ground speed is asked even where it has found no change.
LULL_MPS, BY_POWER_MPS, BY_POWER_S = 3.0, 4.0, 20.0
ALONG_SIGMA = 2.0  # a change of less than this along the nose is none of the airspeed's
# A mean over STEADY_S of gusts that last 13 s moves by 0.4 of them: three sigma of that are no new
# airspeed.
STEADY_S, HELD_MPS, HELD_GUSTS = 60.0, 1.0, 1.2
HELD_RAD, NOSE_GUSTS = 0.2, 6.0  # gusts and noise of the heading turn the nose by less
SOLVE_S = 15.0  # how often the field is worked out anew; belief() does it for its own moment
GUST_LENGTH_M = 270.0  # Dryden L_u at 100..120 m, MIL-F-8785C form (262.8..275.0 m)


def _against(expected: Expected | None, z: Array, h: Array) -> gusts.Residual:
    """Measurement less expectation: z - H x, covariance H P H'."""
    assert expected is not None
    return gusts.Residual(z - h @ expected.mean, h @ expected.cov @ h.T)


def rows(sample: Sample, sensors: Array, held: Held) -> tuple[Array, Array]:
    """Measurement (2,) and its matrix (2, 2 + sensors), linear about the ``sensors`` believed.

    From v = (1 + s) V u(psi + o) + b r u(psi + o) + w, with u the unit vector along the nose. The
    matrix uses airspeed and heading as they are held: a gust moves V, the nose and the residual
    together, and a regression on what it moves would take it for a scale that is far too small
    (errors in variables).
    """
    # what is flown is along the path: its horizontal part, the vertical wind neglected
    v = math.sqrt(max(sample.tas_mps**2 - sample.vd_mps**2, 1.0))
    scale, bias, offset, assumed = sensors
    nose, along = sample.heading_rad + offset, held.heading_rad + offset
    c, s = math.cos(along), math.sin(along)
    on, off = (0.0, 1.0) if sample.assumed else (1.0, 0.0)
    r = on * sample.tas_per_cas
    now = (1.0 + on * scale + off * assumed) * v + r * bias
    even = now + held.tas_mps - sample.tas_mps
    h = np.array(
        [
            [1.0, 0.0, on * held.tas_mps * c, r * c, -even * s, off * held.tas_mps * c],
            [0.0, 1.0, on * held.tas_mps * s, r * s, even * c, off * held.tas_mps * s],
        ]
    )
    # z = v_ground - h(x0) + H x0, so that y = H' z / r holds for the absolute state
    air = np.array([now * math.cos(nose), now * math.sin(nose)])
    z = np.array([sample.vn_mps, sample.ve_mps]) - air + h[:, 2:] @ sensors
    return z, h


def observe(state: WindState, sample: Sample) -> WindState:
    """(belief, sample) -> belief; a sample at most once a second."""
    dt_s = min(sample.t_s - state.last_s, 5.0)
    if dt_s < 0.9 or state.solved is None:
        return state
    steady, held = _held(state, sample, dt_s)
    z, h = rows(sample, state.solved.sensor_mean, held)
    moment = _moment(state, sample, dt_s)
    now, foreseen = _against(state.here, z, h), _against(state.foreseen, z, h)
    before = _rebased(state, h, moment.nose)
    gust, counts, changed = gusts.watch(before, now, foreseen, moment)
    state = state._replace(
        last_s=sample.t_s, heading_rad=sample.heading_rad, gusts=gust, steady_mps=steady,
        held=held, assumed=sample.assumed, moved=UNMOVED,
    )  # fmt: skip
    state = _asked_power(state, sample, dt_s)
    asked = (changed or state.by_power_s >= BY_POWER_S) and not sample.assumed
    if asked and _alike(before.on_nose, sample.power_mps - sample.tas_mps):
        return without_airspeed(state, sample.t_s)
    if changed:
        sure = math.sqrt(float(moment.nose @ foreseen.cov @ moment.nose) + gust.var)
        return _changed(state, sample.t_s, airspeed=abs(before.on_nose) > ALONG_SIGMA * sure)
    return _told(state, sample, (z, h), moment) if counts else state


def _moment(state: WindState, sample: Sample, dt_s: float) -> gusts.Moment:
    nose = np.array([math.cos(sample.heading_rad), math.sin(sample.heading_rad)])
    late = gusts.late_var(sample.heading_rad, state.heading_rad, dt_s, sample.tas_mps)
    tau_s = GUST_LENGTH_M / max(sample.tas_mps, 5.0)
    return gusts.Moment(nose, tau_s, dt_s, late, state.kernel.wander(sample.tas_mps))


def _rebased(state: WindState, h: Array, nose: Array) -> gusts.Gusts:
    """The slow means as they are against a new anchor: until now they were against the old one."""
    if state.moved is UNMOVED:
        return state.gusts
    step = h @ state.moved
    on_nose = state.gusts.on_nose + float(nose @ step)
    return state.gusts._replace(foreseen=state.gusts.foreseen + step, on_nose=on_nose)


def _changed(state: WindState, t_s: float, *, airspeed: bool) -> WindState:
    compass = another_compass(state, t_s)
    return compass if compass is not None else new_sensors(state, t_s, airspeed=airspeed)


def _told(
    state: WindState, sample: Sample, measured: tuple[Array, Array], moment: gusts.Moment
) -> WindState:
    """What a sample, measurement and its matrix, says about wind and sensors joins the evidence."""
    assert state.solved is not None
    z, h = measured
    along_var, across_var = state.gusts.lasting(moment.gust_s, moment.dt_s, moment.late_var)
    more = 1.0 / along_var - 1.0 / across_var
    weight = h.T @ (gusts.UNIT / across_var + more * np.outer(moment.nose, moment.nose))
    place = np.array([sample.north_m, sample.east_m, sample.height_m, sample.t_s])
    seen = Evidence(place, moment.dt_s, weight @ h, weight @ z)
    change = wind_change.add(
        state.change, state.kernel, seen, sample.heading_rad, state.solved.sensor_mean,
        state.forecast_here, moment.gust_s,
    )  # fmt: skip
    kernel = state.kernel
    if change.lively != kernel.lively:
        kernel = replace(kernel, lively=change.lively)
    told = _add(state, seen, change, kernel)
    if told.evidence[-1] is not seen:
        return told
    # Another stretch is done. Faster over ground and by power is a tube's doing, and no front.
    tube = min(state.gusts.on_nose, state.power_away_mps) > LIKE_MPS
    return told if tube else wind_front.met(told, sample.t_s)


def _held(state: WindState, sample: Sample, dt_s: float) -> tuple[float, Held]:
    """The slow mean of the airspeed; and what is held until that, or the nose, moves on."""
    if state.held is None:
        return sample.tas_mps, Held(sample.tas_mps, sample.heading_rad)
    steady = state.steady_mps + min(dt_s / STEADY_S, 1.0) * (sample.tas_mps - state.steady_mps)
    tas, heading = state.held
    gust = math.sqrt(state.gusts.var)
    if abs(steady - tas) > max(HELD_MPS, HELD_GUSTS * gust):
        tas = steady
    turned = abs(math.remainder(sample.heading_rad - heading, math.tau))
    if turned > max(HELD_RAD, NOSE_GUSTS * gust / max(sample.tas_mps, 5.0)):
        heading = sample.heading_rad
    return steady, Held(tas, heading)


def _asked_power(state: WindState, sample: Sample, dt_s: float) -> WindState:
    """How far the power tells another airspeed than the one shown, in the mean, and for how long it
    has told one that is far away; NaN tells nothing."""
    away = sample.power_mps - sample.tas_mps
    if away != away:
        return state._replace(by_power_s=0.0)
    mean = state.power_away_mps + min(dt_s / STEADY_S, 1.0) * (away - state.power_away_mps)
    far = away > BY_POWER_MPS
    return state._replace(power_away_mps=mean, by_power_s=state.by_power_s + dt_s if far else 0.0)


def _alike(along_mps: float, power_mps: float) -> bool:
    """Whether ground speed and power tell that it flies faster than is shown: no wind does that.

    Slower is not asked: at the least power a lull says nothing of the speed any more.
    """
    low, high = LIKE
    told = along_mps > LIKE_MPS and power_mps > LULL_MPS
    return told and low < power_mps / along_mps < high


def _add(state: WindState, seen: Evidence, change: wind_change.Change, kernel: Kernel) -> WindState:
    """The sample's information joins the open stretch, or opens the next."""
    place, dt_s = seen.place, seen.seconds
    evidence = state.evidence
    if not evidence or _full(evidence[-1], place, kernel.jumps):
        evidence = _thinned((*evidence, seen), kernel)
    else:
        old = evidence[-1]
        seconds = old.seconds + dt_s
        middle = old.place + (place - old.place) * (dt_s / seconds)
        evidence = (*evidence[:-1], Evidence(middle, seconds, old.j + seen.j, old.y + seen.y))
    state = state._replace(evidence=evidence, change=change, kernel=kernel)
    return refreshed(state, place) if place[3] - state.solved_s >= SOLVE_S else state


def _full(last: Evidence, place: Array, jumps: tuple[Jump, ...]) -> bool:
    if any(last.place[3] <= jump.since_s for jump in jumps):
        return True
    way_m = 2.0 * math.hypot(place[0] - last.place[0], place[1] - last.place[1])
    return last.seconds >= STRETCH_S or way_m > STRETCH_M or abs(place[2] - last.place[2]) > 30.0


def _thinned(evidence: tuple[Evidence, ...], kernel: Kernel) -> tuple[Evidence, ...]:
    """Not more than MAX_NODES: the two neighbours that are most alike, and old, become one."""
    if len(evidence) <= MAX_NODES:
        return evidence
    place = np.array([e.place for e in evidence])
    step = np.abs(np.diff(place, axis=0))
    way_m = np.hypot(step[:, 0], step[:, 1])
    log_h = np.abs(np.diff(np.log(profile(place[:, 2]))))
    apart = step[:, 3] / kernel.vary_s + way_m / kernel.vary_m + 5.0 * log_h
    for moment, *_ in kernel.jumps:
        apart[(place[:-1, 3] <= moment) & (place[1:, 3] > moment)] = np.inf
    age = place[-1, 3] - place[:-1, 3]
    i = int(np.argmin((apart / (age + 600.0))[:-2]))
    a, b = evidence[i], evidence[i + 1]
    share = b.seconds / (a.seconds + b.seconds)
    middle = a.place + share * (b.place - a.place)
    both = Evidence(middle, a.seconds + b.seconds, a.j + b.j, a.y + b.y)
    return (*evidence[:i], both, *evidence[i + 2 :])


REPORT_ODD_CHI2 = 25.0
REPORT_TAU_S = 120.0  # another filter's estimate repeats itself: one independent value in this time


def observe_report(
    state: WindState, place: Array, wind_n_mps: float, wind_e_mps: float, accuracy_mps: float
) -> WindState:
    """(belief, WIND_COV) -> belief. It is built on the same airspeed, so it counts seldom.

    A report that contradicts what was found (5 sigma) is left out and counted.
    """
    if state.solved is None:
        return state
    sd_mps = max(accuracy_mps if accuracy_mps == accuracy_mps else 1.5, 1.0)
    assert state.here is not None
    away = np.array([wind_n_mps, wind_e_mps]) - state.here.mean[:2]
    cov = state.here.cov[:2, :2] + sd_mps**2 * np.eye(2)
    chi2 = float(away @ np.linalg.solve(cov, away))
    if chi2 > REPORT_ODD_CHI2:
        return state._replace(report_odd=min(state.report_odd + 1, 50))
    j, y = np.zeros((2 + SENSORS, 2 + SENSORS)), np.zeros(2 + SENSORS)
    info = 1.0 / (sd_mps**2 * REPORT_TAU_S)
    j[0, 0] = j[1, 1] = info
    y[0], y[1] = wind_n_mps * info, wind_e_mps * info
    state = state._replace(report_odd=max(state.report_odd - 1, 0))
    seen = Evidence(place, 0.0 if state.evidence else 1.0, j, y)
    return _add(state, seen, state.change, state.kernel)
