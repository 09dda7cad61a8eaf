"""When a sensor has changed, or was worse than sensors are: the wind's belief begun anew.

Which of compass, airspeed and wind it was is told by what explains the evidence best, or by a turn.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from supervisor.core.estimate import wind_change
from supervisor.core.estimate.wind_kernel import Jump, Kernel
from supervisor.core.estimate.wind_state import (
    ANCHOR_S,
    SENSORS,
    WindState,
    begun_anew,
    place_at,
)
from supervisor.core.estimate.windfield import Evidence, log_evidence

Array = NDArray[np.float64]

WIDER, WIDEST_SD = 6.0, (0.3, 6.0, 0.6, 0.3)  # after a sensor has changed
WITHOUT_SD = 0.10  # of the airspeed that the power tells, once the tube is not believed
FELT_S = 90.0  # a change is found about so long after it began
BETTER, EVEN = 1.5, 1.0  # in log-likelihood: four times as likely; no less likely


def without_airspeed(state: WindState, t_s: float) -> WindState:
    """The tube shows no airspeed: what it made of the last minutes is forgotten, a livelier wind
    and a front too, and the airspeed assumed from here on (see ``Sample``) is as sure as the power
    can tell it.
    """
    since, change = t_s - ANCHOR_S, state.change
    if state.anchor:
        since, change = state.anchor.field.now_s, state.anchor.change
    kept = tuple(e for e in state.evidence if e.place[3] <= since)
    jumps = tuple(j for j in state.kernel.jumps if j.found_s <= since)
    var = state.sensor_var.copy()
    var[3] = WITHOUT_SD**2
    place = place_at(state.evidence, t_s)
    state = state._replace(
        evidence=kept, sensor_var=var, held=None,
        change=change._replace(block=None, before=None),
        kernel=replace(state.kernel, lively=change.lively, jumps=jumps),
    )  # fmt: skip
    return begun_anew(state, place)._replace(refuted_s=t_s, by_power_s=0.0, assumed=True)


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
    seen = state.evidence
    compass = explains(state, state.kernel, seen, var)
    usual = explains(state, state.kernel, seen, state.sensor_var)
    wind = explains(state, state.kernel.with_jump(Jump(since_s)), seen, state.sensor_var)
    two = tuple(of_two(e, later=e.place[3] > since_s) for e in seen)
    knocked = explains(state, state.kernel, two, np.concatenate([state.sensor_var, var]))
    if compass < max(usual + BETTER, wind + BETTER, knocked - EVEN):
        return None
    state = state._replace(sensor_var=var, sensors_s=t_s)
    return begun_anew(state, place_at(seen, t_s))


def wider(var: Array) -> Array:
    """The sensors' variances once one of them has changed."""
    return np.minimum(var * WIDER**2, np.square(WIDEST_SD))


def explains(state: WindState, kernel: Kernel, evidence: tuple[Evidence, ...], var: Array) -> float:
    """``log_evidence`` of all of it."""
    return log_evidence(state.forecast, kernel, evidence, var, state.take_off_s)


def of_two(e: Evidence, *, later: bool) -> Evidence:
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
    jumped = state.kernel.with_jump(Jump(t_s, found_s=t_s))
    kernel = replace(jumped, lively=change.lively)
    var = np.where([airspeed, airspeed, True, airspeed], wider(state.sensor_var), state.sensor_var)
    state = state._replace(evidence=tuple(kept), change=change, kernel=kernel, sensor_var=var)
    return begun_anew(state, place_at(state.evidence, t_s))._replace(sensors_s=t_s)
