"""The pack as its monitor tells of it, and while that is silent or frozen, as the power model does.

Joins the cleaned reports (pack_monitor.py) to the filter (pack.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from supervisor.core.belief import PackBelief
from supervisor.core.estimate import pack, pack_monitor
from supervisor.core.estimate.prior import PackPrior
from supervisor.core.estimate.senses import FRESH_S
from supervisor.core.events import PackReport
from supervisor.core.plan import Pack

NAN = math.nan
SILENT_S = 5.0
UNLIKE_S = 300.0  # how long that the voltage fitted no pack is worth a doubt
USUAL_CELL_V = 3.7
SMOOTHING = 0.4  # share of a new reading in the power that phases are told by


class PackWatch:
    """Fed the monitor's reports; asked for what is in the pack at any moment not before the last.

    ``expected_w`` and ``air_c`` are asked for what the model would draw now, in watts, and for the
    air's temperature.
    """

    def __init__(
        self, spec: Pack, prior: PackPrior | None, expected_w: Callable[[], float],
        air_c: Callable[[], float],
    ) -> None:  # fmt: skip
        self._spec, self._prior = spec, prior
        self._expected_w, self._air_c = expected_w, air_c
        self._curves = pack.Curves(spec.cell)
        self._state: pack.PackState | None = None
        self._monitor = pack_monitor.MonitorState()
        self._power_w = NAN
        self._powered_s = -math.inf

    @property
    def frozen(self) -> bool:
        """Whether the monitor repeats itself to the digit in the air."""
        return self._monitor.frozen

    @property
    def above_full(self) -> bool:
        """Whether its voltage is not believed any more: it was above a full pack's."""
        return self._monitor.above_full

    def unlike_any(self, t_s: float) -> bool:
        """Whether the voltage has lately asked for a pack that cannot be."""
        return self._state is not None and t_s - self._state.beyond_s < UNLIKE_S

    def observe(self, report: PackReport, airborne: bool) -> float:
        """Take a report in; power drawn since the last one [W], NaN where it does not tell that."""
        self._monitor, sample = pack_monitor.read(self._monitor, report, self._spec, airborne)
        if sample is None:
            return NAN
        if self._state is None:
            self._state = self._start(report.t_s - 1.0)
        if sample.current_a != sample.current_a or sample.now_a != sample.now_a:
            stand_in = self._stand_in_a(sample.voltage_v)
            mean = sample.current_a if sample.current_a == sample.current_a else stand_in
            sample = sample._replace(current_a=mean, now_a=stand_in, stand_in=True)
        air_c = self._air_c()
        self._state = pack.observe(self._state, self._spec, self._curves, sample, air_c)
        if sample.stand_in or sample.voltage_v != sample.voltage_v:
            return NAN
        pack_v = sample.voltage_v * self._spec.series
        power, old = sample.now_a * pack_v, self._power_w
        self._powered_s = report.t_s
        self._power_w = power if old != old else old + SMOOTHING * (power - old)
        return sample.current_a * pack_v

    def power_w(self, t_s: float) -> float:
        """Power drawn [W], of the last second; NaN when the monitor is silent or frozen."""
        return NAN if self.frozen or t_s - self._powered_s > FRESH_S else self._power_w

    def bridge(self, t_s: float) -> None:
        """While nothing is told, the power model's current empties the pack."""
        if self._state is not None:
            self._state = self.at(t_s)

    def at(self, t_s: float) -> pack.PackState:
        """The filter's state at ``t_s``, bridged over a silence."""
        state = self._state or self._start(t_s)
        if t_s - state.t_s <= SILENT_S:
            return state
        return pack.predict(
            state, self._spec, self._curves, t_s, self._stand_in_a(NAN), self._air_c(),
            stand_in=True,
        )  # fmt: skip

    def belief(self, t_s: float) -> PackBelief:
        """What the forecast draws from."""
        return pack.belief(self.at(t_s), self._spec)

    def last(self) -> pack.PackState:
        """The state as the last report left it."""
        return self._state or self._start(0.0)

    def _start(self, t_s: float) -> pack.PackState:
        return pack.start(self._spec, t_s, self._air_c(), self._prior)

    def _stand_in_a(self, cell_v: float) -> float:
        """Pack current [A] that the power model expects now."""
        volts = cell_v if cell_v == cell_v else USUAL_CELL_V
        return self._expected_w() / (volts * self._spec.series)
