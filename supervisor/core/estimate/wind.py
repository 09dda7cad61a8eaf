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
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from supervisor.core.estimate import gusts, wind_change
from supervisor.core.estimate.forecast_wind import ForecastWind, profile
from supervisor.core.estimate.windfield import Evidence, Field, Kernel, log_evidence, posterior

Array = NDArray[np.float64]
NAN = math.nan

# Prior 1-sigma of the sensors' errors: scale, bias [m/s], compass [rad], assumed speed. Common
# practice for small aircraft, no source; a flight's turns replace them within minutes.
SENSOR_SD = (0.015, 0.25, 0.025, 0.08)
WIDER, WIDEST_SD = 6.0, (0.3, 6.0, 0.6, 0.3)  # after a sensor has changed
SENSORS = len(SENSOR_SD)
STRETCH_S, STRETCH_M = 45.0, 1200.0  # one node of memory at least this often
MAX_NODES = 32
JUMPS_KEPT = 3
WITHOUT_SD = 0.10  # of the airspeed that the power tells, once the tube is not believed
# The power must tell the change of airspeed that the ground speed tells, within these factors; the
# ground speed is a mean over a minute and lags behind, and the power wanders.
LIKE_MPS, LIKE = 1.5, (0.4, 4.0)
# A lull moves the speed that the power tells by two; so far from what is shown, for so long, the
# ground speed is asked even where it has found no change.
LULL_MPS, BY_POWER_MPS, BY_POWER_S = 3.0, 4.0, 20.0
FELT_S = 90.0  # a change is found about so long after it began
BETTER, EVEN = 1.5, 1.0  # in log-likelihood: four times as likely; no less likely
ALONG_SIGMA = 2.0  # a change of less than this along the nose is none of the airspeed's
# A mean over STEADY_S of gusts that last 13 s moves by 0.4 of them: three sigma of that are no new
# airspeed.
STEADY_S, HELD_MPS, HELD_GUSTS = 60.0, 1.0, 1.2
HELD_RAD, NOSE_GUSTS = 0.2, 6.0  # gusts and noise of the heading turn the nose by less
ANCHOR_S = 180.0  # a change is looked for over three to six minutes
SOLVE_S = 15.0  # how often the field is worked out anew; belief() does it for its own moment
GUST_LENGTH_M = 270.0  # Dryden L_u at 100..120 m, MIL-F-8785C form (262.8..275.0 m)


class Sample(NamedTuple):
    """One moment in winged flight. ``assumed``: no airspeed sensor, ``tas_mps`` is the set one, or
    the one that the power tells; ``power_mps``: that one, NaN where it is not known."""

    t_s: float
    north_m: float
    east_m: float
    height_m: float
    vn_mps: float
    ve_mps: float
    vd_mps: float
    heading_rad: float
    tas_mps: float
    tas_per_cas: float
    assumed: bool = False
    power_mps: float = NAN


class Expected(NamedTuple):
    """Wind at one point together with the sensors' errors: (6,) and (6, 6)."""

    mean: Array
    cov: Array


class Held(NamedTuple):
    """Airspeed and heading that are held: gusts alone do not move them."""

    tas_mps: float
    heading_rad: float


class Past(NamedTuple):
    """What was believed some minutes ago."""

    field: Field
    change: wind_change.Change


@dataclass(frozen=True, slots=True)
class WindState:
    """Evidence so far; the open stretch is its last entry. ``sensor_var`` (4,): a priori."""

    forecast: ForecastWind
    kernel: Kernel
    take_off_s: float
    evidence: tuple[Evidence, ...] = ()
    last_s: float = -math.inf
    heading_rad: float = NAN  # at the last sample
    gusts: gusts.Gusts = field(default_factory=gusts.Gusts)
    sensor_var: Array = field(default_factory=lambda: np.square(np.array(SENSOR_SD)))
    report_odd: int = 0
    change: wind_change.Change = field(default_factory=wind_change.start)
    steady_mps: float = NAN  # slow mean of the true airspeed
    held: Held | None = None
    solved: Field | None = None
    solved_s: float = -math.inf
    here: Expected | None = None  # at the last solve, for there and then
    foreseen: Expected | None = None  # the same from the anchor
    anchor: Past | None = None  # a belief of ANCHOR_S to twice that ago, to be compared with
    next_anchor: Past | None = None
    forecast_here: Array = field(default_factory=lambda: np.zeros(2))
    sensors_s: float = -math.inf  # when a sensor was last found changed
    refuted_s: float = -math.inf  # when the airspeed was last found to be none
    by_power_s: float = 0.0  # how long the power has told another airspeed
    assumed: bool = False  # whether the last sample went without

    @property
    def refuted(self) -> bool:
        """Whether the last sample has shown the airspeed to be none."""
        return self.refuted_s == self.last_s > -math.inf


def start(forecast: ForecastWind, kernel: Kernel, t_s: float) -> WindState:
    """Nothing but the forecast."""
    return _refreshed(WindState(forecast, kernel, t_s), _place_at((), t_s))


def replace_sensors(state: WindState, sd: tuple[float, ...]) -> WindState:
    """The same with other prior spreads of the sensors' errors."""
    state = replace(state, sensor_var=np.square(np.array(sd)))
    return _refreshed(state, _place_at((), state.solved_s))


def _refreshed(state: WindState, place: Array) -> WindState:
    """The field worked out anew, and what it and its older self expect here and now."""
    solved = solve(state, float(place[3]))
    anchor, following = state.anchor, state.next_anchor
    if following is None or solved.now_s - following.field.now_s >= ANCHOR_S:
        now = Past(solved, state.change)
        anchor, following = following or now, now
    north, east, height, t_s = place[:, None]
    return replace(
        state,
        solved=solved,
        solved_s=solved.now_s,
        here=_expected(solved, place),
        foreseen=_expected(anchor.field if anchor else solved, place),
        anchor=anchor,
        next_anchor=following,
        forecast_here=state.forecast.at(north, east, height, t_s - state.take_off_s)[0],
    )


def _expected(solved: Field, place: Array) -> Expected:
    north, east, height, t_s = place[:, None]
    return Expected(*solved.with_sensors(north, east, height, t_s - solved.now_s))


def _against(expected: Expected | None, z: Array, h: Array) -> gusts.Residual:
    """Measurement less expectation: z - H x, covariance H P H'."""
    assert expected is not None
    return gusts.Residual(z - h @ expected.mean, h @ expected.cov @ h.T)


def took_off(state: WindState, t_s: float) -> WindState:
    """The forecast's time counts from take-off."""
    return replace(state, take_off_s=t_s)


def solve(state: WindState, t_s: float) -> Field:
    """The wind field as believed at ``t_s``."""
    return posterior(
        state.forecast,
        state.kernel,
        state.evidence,
        state.sensor_var,
        t_s,
        state.take_off_s,
        state.assumed,
    )


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
    sensors = state.solved.sensor_mean
    steady, held = _held(state, sample, dt_s)
    z, h = rows(sample, sensors, held)
    tau_s = GUST_LENGTH_M / max(sample.tas_mps, 5.0)
    late = gusts.late_var(sample.heading_rad, state.heading_rad, dt_s, sample.tas_mps)
    now, foreseen = _against(state.here, z, h), _against(state.foreseen, z, h)
    nose = np.array([math.cos(sample.heading_rad), math.sin(sample.heading_rad)])
    gust, counts, changed = gusts.watch(state.gusts, now, foreseen, nose, tau_s, dt_s, late)
    before = state.gusts
    state = replace(
        state, last_s=sample.t_s, heading_rad=sample.heading_rad, gusts=gust, steady_mps=steady,
        held=held, assumed=sample.assumed,
    )  # fmt: skip
    along = float(nose @ before.foreseen)
    state = _asked_power(state, sample, dt_s)
    asked = (changed or state.by_power_s >= BY_POWER_S) and not sample.assumed
    if asked and _alike(along, sample.power_mps - sample.tas_mps):
        return without_airspeed(state, sample.t_s)
    if changed:
        sure = math.sqrt(float(nose @ _against(state.foreseen, z, h).cov @ nose) + gust.var)
        compass = another_compass(state, sample.t_s)
        if compass is not None:
            return compass
        return new_sensors(state, sample.t_s, airspeed=abs(along) > ALONG_SIGMA * sure)
    if not counts:
        return state
    along_var, across_var = gust.lasting(tau_s, dt_s, late)
    more = 1.0 / along_var - 1.0 / across_var
    weight = h.T @ (gusts.UNIT / across_var + more * np.outer(nose, nose))
    place = np.array([sample.north_m, sample.east_m, sample.height_m, sample.t_s])
    seen = Evidence(place, dt_s, weight @ h, weight @ z)
    change = wind_change.add(
        state.change, state.kernel, seen, sample.heading_rad, sensors, state.forecast_here
    )
    kernel = state.kernel
    if change.lively != kernel.lively:
        kernel = replace(kernel, lively=change.lively)
    return _add(state, seen, change, kernel)


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
    """How long the power has told an airspeed that is far from the one shown; NaN tells nothing."""
    away = sample.power_mps - sample.tas_mps > BY_POWER_MPS
    if not away and not state.by_power_s:
        return state
    return replace(state, by_power_s=state.by_power_s + dt_s if away else 0.0)


def _alike(along_mps: float, power_mps: float) -> bool:
    """Whether ground speed and power tell that it flies faster than is shown: no wind does that.

    Slower is not asked: at the least power a lull says nothing of the speed any more.
    """
    low, high = LIKE
    told = along_mps > LIKE_MPS and power_mps > LULL_MPS
    return told and low < power_mps / along_mps < high


def without_airspeed(state: WindState, t_s: float) -> WindState:
    """The tube shows no airspeed: what it made of the last minutes is forgotten, a livelier wind
    too, and the airspeed assumed from here on (see ``Sample``) is as sure as the power can tell it.
    """
    since, change = t_s - ANCHOR_S, state.change
    if state.anchor:
        since, change = state.anchor.field.now_s, state.anchor.change
    kept = tuple(e for e in state.evidence if e.place[3] <= since)
    var = state.sensor_var.copy()
    var[3] = WITHOUT_SD**2
    place = _place_at(state.evidence, t_s)
    state = replace(
        state, evidence=kept, sensor_var=var, anchor=None, next_anchor=None, held=None,
        change=replace(change, block=None, before=None),
        kernel=replace(state.kernel, lively=change.lively),
    )  # fmt: skip
    return replace(_refreshed(state, place), refuted_s=t_s, by_power_s=0.0, assumed=True)


def another_compass(state: WindState, t_s: float) -> WindState | None:
    """All along the compass was worse than compasses are: the belief with that, if it explains what
    was seen better than nothing and a change of wind do, and no worse than a compass just knocked.

    A turn shows an error that straight flight hides.
    """
    var = state.sensor_var.copy()
    var[2] = min(WIDER * math.sqrt(var[2]), WIDEST_SD[2]) ** 2
    if var[2] <= state.sensor_var[2]:
        return None
    since_s = t_s - FELT_S
    jumped = replace(state.kernel, jumps=(*state.kernel.jumps, since_s)[-JUMPS_KEPT:])
    seen = state.evidence
    compass = _explains(state, state.kernel, seen, var)
    usual = _explains(state, state.kernel, seen, state.sensor_var)
    wind = _explains(state, jumped, seen, state.sensor_var)
    two = tuple(_of_two(e, e.place[3] > since_s) for e in seen)
    knocked = _explains(state, state.kernel, two, np.concatenate([state.sensor_var, var]))
    if compass < max(usual + BETTER, wind + BETTER, knocked - EVEN):
        return None
    state = replace(state, sensor_var=var, anchor=None, next_anchor=None, sensors_s=t_s)
    return _refreshed(state, _place_at(seen, t_s))


def _place_at(evidence: tuple[Evidence, ...], t_s: float) -> Array:
    """Where the last evidence is from, at ``t_s``; over home when there is none yet."""
    where = evidence[-1].place[:3] if evidence else np.array([0.0, 0.0, 50.0])
    return np.append(where, t_s)


def _explains(
    state: WindState, kernel: Kernel, evidence: tuple[Evidence, ...], var: Array
) -> float:
    return log_evidence(state.forecast, kernel, evidence, var, state.take_off_s)


def _of_two(e: Evidence, later: bool) -> Evidence:
    """The same evidence about the earlier or the later of two sets of sensors' errors."""
    first = 2 + SENSORS if later else 2
    at = np.r_[0:2, first : first + SENSORS]
    j, y = np.zeros((2 + 2 * SENSORS, 2 + 2 * SENSORS)), np.zeros(2 + 2 * SENSORS)
    j[np.ix_(at, at)], y[at] = e.j, e.y
    return Evidence(e.place, e.seconds, j, y)


def new_sensors(state: WindState, t_s: float, *, airspeed: bool = True) -> WindState:
    """A sensor has changed (compass knocked, tube iced), or a front was crossed: which, only a turn
    can tell. The sensors' errors are unknown again, and wider; the wind may be of the lively kind,
    and from here on another than what was met before, here and on the way home alike. Without
    ``airspeed`` the change is across the nose: then the pitot is as good as it was.

    What the stretches said about the wind is kept, with the old errors integrated out (Schur's
    complement of the joint information); what they said about the errors no longer holds.
    """
    if state.solved is None:
        return state
    mean, inverse = state.solved.sensor_mean, np.linalg.inv(state.solved.sensor_cov)
    kept = []
    for e in state.evidence:
        # y is on absolute errors: move to deviations from their mean, then integrate out
        mix = e.j[:2, 2:] @ np.linalg.inv(e.j[2:, 2:] + inverse)
        y = e.y - e.j[:, 2:] @ mean
        j_new, y_new = np.zeros_like(e.j), np.zeros_like(e.y)
        j_new[:2, :2] = e.j[:2, :2] - mix @ e.j[2:, :2]
        y_new[:2] = y[:2] - mix @ y[2:]
        kept.append(Evidence(e.place, e.seconds, j_new, y_new))
    change = wind_change.anything()
    jumps = (*state.kernel.jumps, t_s)[-JUMPS_KEPT:]
    kernel = replace(state.kernel, lively=change.lively, jumps=jumps)
    wider = np.minimum(state.sensor_var * WIDER**2, np.square(WIDEST_SD))
    var = np.where([airspeed, airspeed, True, airspeed], wider, state.sensor_var)
    state = replace(state, evidence=tuple(kept), change=change, kernel=kernel, sensor_var=var)
    return replace(_refreshed(state, _place_at(state.evidence, t_s)), sensors_s=t_s)


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
    state = replace(state, evidence=evidence, change=change, kernel=kernel)
    return _refreshed(state, place) if place[3] - state.solved_s >= SOLVE_S else state


def _full(last: Evidence, place: Array, jumps: tuple[float, ...]) -> bool:
    if any(last.place[3] <= moment for moment in jumps):
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
    for moment in kernel.jumps:
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
        return replace(state, report_odd=min(state.report_odd + 1, 50))
    j, y = np.zeros((2 + SENSORS, 2 + SENSORS)), np.zeros(2 + SENSORS)
    info = 1.0 / (sd_mps**2 * REPORT_TAU_S)
    j[0, 0] = j[1, 1] = info
    y[0], y[1] = wind_n_mps * info, wind_e_mps * info
    state = replace(state, report_odd=max(state.report_odd - 1, 0))
    seen = Evidence(place, 0.0 if state.evidence else 1.0, j, y)
    return _add(state, seen, state.change, state.kernel)
