"""The airspeed: as the tube tells it while that is believed, else by the power drawn, else as set.

Joins what is known of the tube (pitot.py) to the airspeed by power (speed_by_power.py).
"""

from __future__ import annotations

import math
from enum import Enum

from supervisor.core import events as ev
from supervisor.core.estimate import pitot, speed_by_power
from supervisor.core.estimate.power_blocks import PowerSample
from supervisor.core.estimate.power_scales import Scales
from supervisor.core.estimate.senses import Senses
from supervisor.core.estimate.wind_state import WindState
from supervisor.core.plan import Flight

NAN = math.nan


class Tube(Enum):
    """What a second has changed about it."""

    NONE = "none"
    LOST = "lost"
    BACK = "back"


class Airspeed:
    """Watched once a second on the wing; speeds in m/s, ``ratio`` is true over calibrated."""

    def __init__(self, flight: Flight, senses: Senses) -> None:
        self._flight, self._senses = flight, senses
        self._pitot = pitot.Pitot()
        self._by_power = speed_by_power.SpeedByPower()

    @property
    def by_power_mps(self) -> float:
        """True airspeed that the power drawn tells; NaN while it tells none."""
        return self._by_power.tas_mps

    @property
    def held(self) -> Scales | None:
        """The power scales as they were when the tube was lost, while it is."""
        return self._by_power.held

    def told_mps(self, t_s: float) -> float:
        """Calibrated airspeed when there is a believable one, else NaN."""
        return self._senses.cas_mps(t_s) if self._pitot.usable else NAN

    def assumed_mps(self, ratio: float) -> float:
        """True airspeed without a sensor: by the power once that was learned, else as set."""
        known = self.held is not None and self.by_power_mps == self.by_power_mps
        return self.by_power_mps if known else self._flight.return_plan.airspeed_mps * ratio

    def flown_mps(self, t_s: float, ratio: float, wind: WindState | None) -> float:
        """True airspeed believed: told, or assumed and set right by the ground speed."""
        cas = self.told_mps(t_s)
        if cas == cas:
            return cas * ratio
        return self.assumed_mps(ratio) * (1.0 + assumed_error(wind)[0])

    def watch(self, fix: ev.Position, ratio: float, dt_s: float, wind: WindState | None) -> Tube:
        """Believe the tube, or not."""
        air, before = self._senses.fresh(ev.AirData, fix.t_s), self._pitot.usable
        cas = air.cas_mps if air else NAN
        self._pitot = pitot.watch(self._pitot, fix.t_s, cas, fix.height_m)
        if wind is not None and wind.refuted:
            self._pitot = pitot.refute(self._pitot)
        elif self._pitot.refuted:
            self._pitot = pitot.agree(self._pitot, cas * ratio, self.by_power_mps, dt_s)
            self._pitot = pitot.by_drag(self._pitot, *assumed_error(wind))
        if before == self._pitot.usable:
            return Tube.NONE
        change = speed_by_power.hold if before else speed_by_power.free
        self._by_power = change(self._by_power)
        return Tube.LOST if before else Tube.BACK

    def learn(self, scales: Scales, sample: PowerSample) -> None:
        """Take in what is drawn at the speed that is believed."""
        self._by_power = speed_by_power.watch(self._by_power, self._flight.aircraft, scales, sample)


def assumed_error(wind: WindState | None) -> tuple[float, float]:
    """Relative error of the assumed airspeed, and 1 sigma of it."""
    solved = wind.solved if wind else None
    if solved is None:
        return 0.0, math.inf
    return float(solved.sensor_mean[3]), math.sqrt(float(solved.sensor_cov[3, 3]))
