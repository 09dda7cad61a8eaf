"""Has the wind changed as behind a front? Asked of all the evidence, with each stretch of flight.

The watch of gusts.py finds a change that minutes show. One that takes a quarter of an hour passes
below it: no minute of it is beyond what a lively wind does, and such a wind is of its own place. So
the evidence is asked as a whole: does it become likelier by more than ``FOUND`` (the logarithm)
if from some moment on all wind has a part that wind before it has not (``Kernel.jumps``)? The
likelihood has the price of that freedom in it; ``FOUND`` is the price of its being seldom. When a
front that was found began is asked again as more of it is seen.

A sensor that has changed can look the same on one heading: where that explains it as well, nothing
is said here, and the watch will.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from supervisor.core.estimate.wind_kernel import Jump, Kernel
from supervisor.core.estimate.wind_sensors import EVEN, explains, of_two, wider
from supervisor.core.estimate.wind_state import SENSORS, WindState, begun_anew, place_at
from supervisor.core.estimate.windfield import Evidence

# When it may have begun: what is quicker is the watch's, which knows a tube from a wind by power.
AGO_S = (240.0, 420.0, 660.0, 960.0, 1320.0)
# It is found here because it is slow: one that is flown along with, and done elsewhere before.
RISE_S = 900.0
APART_S = 300.0  # after the last front, or the take-off
# One flight hour in ten meets one (ours), and in an hour there are some fifteen moments that could
# be told apart: odds of one in 150.
FOUND = 5.0
TUBE, COMPASS = np.array([1.0, 1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0, 0.0])


def met(state: WindState, t_s: float) -> WindState:
    """(belief) -> belief, of which a front is a part if the evidence asks for one."""
    if state.assumed:
        return state
    jumps = state.kernel.jumps
    usual = explains(state, state.kernel, state.evidence, state.sensor_var)
    if jumps and jumps[-1].rise_s == RISE_S and t_s - jumps[-1].since_s < AGO_S[-1]:
        before = replace(state.kernel, jumps=jumps[:-1])
        likely, kernel = _likeliest(state, before, t_s, jumps[-1].found_s)
        if likely > usual + EVEN:
            usual, state = likely, _with(state, kernel, t_s)
    likely, kernel = _likeliest(state, state.kernel, t_s, t_s)
    if likely < usual + FOUND or _sensors(state, kernel.jumps[-1].since_s) > likely - EVEN:
        return state
    return _with(state, kernel, t_s)


def _with(state: WindState, kernel: Kernel, t_s: float) -> WindState:
    return begun_anew(state._replace(kernel=kernel), place_at(state.evidence, t_s))


def _likeliest(
    state: WindState, before: Kernel, t_s: float, found_s: float
) -> tuple[float, Kernel]:
    """``before`` and the one front more that explains the most; and how well."""
    since_s = (before.jumps[-1].since_s if before.jumps else state.take_off_s) + APART_S
    best = -np.inf, before
    for moment in (t_s - ago_s for ago_s in AGO_S if t_s - ago_s > since_s):
        kernel = before.with_jump(Jump(moment, RISE_S, found_s))
        likely = explains(state, kernel, state.evidence, state.sensor_var)
        best = max(best, (likely, kernel), key=lambda found: found[0])
    return best


def _sensors(state: WindState, moment: float) -> float:
    """How well it is explained by the tube or the compass having changed then; the better one."""
    seen = tuple(
        _changed(e) if e.place[3] > moment else of_two(e, later=False) for e in state.evidence
    )
    more = wider(state.sensor_var)
    return max(
        explains(state, state.kernel, seen, np.concatenate([state.sensor_var, more * which]))
        for which in (TUBE, COMPASS)
    )


def _changed(e: Evidence) -> Evidence:
    """The same evidence where only the sum of the sensors' errors and their change is seen."""
    at = np.r_[0 : 2 + SENSORS, 2 : 2 + SENSORS]
    return Evidence(e.place, e.seconds, e.j[np.ix_(at, at)], e.y[at])
