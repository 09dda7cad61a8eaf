"""What the wind filter knows at a moment: the evidence, and the field that follows from it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from supervisor.core.estimate import gusts, wind_change
from supervisor.core.estimate.forecast_wind import ForecastWind
from supervisor.core.estimate.wind_kernel import Kernel
from supervisor.core.estimate.windfield import Evidence, Field, posterior

Array = NDArray[np.float64]
NAN = math.nan

# Prior 1-sigma of the sensors' errors: scale, bias [m/s], compass [rad], assumed speed. Common
# practice for small aircraft, no source; a flight's turns replace them within minutes.
SENSOR_SD = (0.015, 0.25, 0.025, 0.08)
SENSORS = len(SENSOR_SD)
SENSOR_VAR: Array = np.square(np.array(SENSOR_SD))
NO_WIND: Array = np.zeros(2)
UNMOVED: Array = np.zeros(2 + SENSORS)
ANCHOR_S = 180.0  # a change is looked for over three to six minutes


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


class WindState(NamedTuple):
    """Evidence so far; the open stretch is its last entry. ``sensor_var`` (4,): a priori."""

    forecast: ForecastWind
    kernel: Kernel
    take_off_s: float
    evidence: tuple[Evidence, ...] = ()
    last_s: float = -math.inf
    heading_rad: float = NAN  # at the last sample
    gusts: gusts.Gusts = gusts.Gusts()
    sensor_var: Array = SENSOR_VAR
    report_odd: int = 0
    change: wind_change.Change = wind_change.start()
    steady_mps: float = NAN  # slow mean of the true airspeed
    held: Held | None = None
    solved: Field | None = None
    solved_s: float = -math.inf
    here: Expected | None = None  # at the last solve, for there and then
    foreseen: Expected | None = None  # the same from the anchor
    anchor: Past | None = None  # a belief of ANCHOR_S to twice that ago, to be compared with
    next_anchor: Past | None = None
    moved: Array = UNMOVED  # what was foreseen from the anchor before, less what is from this one
    forecast_here: Array = NO_WIND
    sensors_s: float = -math.inf  # when a sensor was last found changed
    refuted_s: float = -math.inf  # when the airspeed was last found to be none
    by_power_s: float = 0.0  # how long the power has told an airspeed that is far away
    power_away_mps: float = 0.0  # slow mean of the airspeed by power, less the one shown
    assumed: bool = False  # whether the last sample went without

    @property
    def refuted(self) -> bool:
        """Whether the last sample has shown the airspeed to be none."""
        return self.refuted_s == self.last_s > -math.inf


def start(forecast: ForecastWind, kernel: Kernel, t_s: float) -> WindState:
    """Nothing but the forecast."""
    return refreshed(WindState(forecast, kernel, t_s), place_at((), t_s))


def refreshed(state: WindState, place: Array) -> WindState:
    """The field worked out anew, and what it and its older self expect here and now."""
    solved = solve(state, float(place[3]))
    before, following = state.anchor, state.next_anchor
    anchor, moved = before, state.moved
    if following is None or solved.now_s - following.field.now_s >= ANCHOR_S:
        now = Past(solved, state.change)
        anchor, following = following or now, now
    foreseen = _expected(anchor.field if anchor else solved, place)
    if before is not None and anchor is not before:
        moved = moved + _expected(before.field, place).mean - foreseen.mean
    north, east, height, t_s = place[:, None]
    return state._replace(
        solved=solved,
        solved_s=solved.now_s,
        here=_expected(solved, place),
        foreseen=foreseen,
        anchor=anchor,
        next_anchor=following,
        moved=moved,
        forecast_here=state.forecast.at(north, east, height, t_s - state.take_off_s)[0],
    )


def begun_anew(state: WindState, place: Array) -> WindState:
    """The same after something has changed: what was foreseen before is no measure any more."""
    still = gusts.surprised_by_nothing(state.gusts)
    return refreshed(state._replace(anchor=None, next_anchor=None, gusts=still), place)


def _expected(solved: Field, place: Array) -> Expected:
    north, east, height, t_s = place[:, None]
    return Expected(*solved.with_sensors(north, east, height, t_s - solved.now_s))


def took_off(state: WindState, t_s: float) -> WindState:
    """The forecast's time counts from take-off."""
    return state._replace(take_off_s=t_s)


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


def place_at(evidence: tuple[Evidence, ...], t_s: float) -> Array:
    """Where the last evidence is from, at ``t_s``; over home when there is none yet."""
    where = evidence[-1].place[:3] if evidence else np.array([0.0, 0.0, 50.0])
    return np.append(where, t_s)
