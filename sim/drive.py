"""A motor with its speed controller: electrical power in for shaft power out.

Three losses, as on a test bench: the iron and bearing loss that is there at any load, the copper
loss that grows with the square of the load (current is nearly proportional to shaft power), and
the controller, which is worst at part throttle. Shares are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Drive:
    """One motor and controller. ``rated_w`` is the continuous shaft power [W]."""

    rated_w: float
    idle_share: float = 0.03
    copper_share: float = 0.17
    controller_low: float = 0.935
    controller_gain: float = 0.045
    overload: float = 1.6  # of rated, for half a minute: the limit of what is ever asked for

    def electrical_w(self, shaft_w: float) -> float:
        """Electrical power [W] for ``shaft_w`` [W]; a motor at rest takes nothing."""
        if shaft_w <= 0.0:
            return 0.0
        load = shaft_w / self.rated_w
        motor_w = self.rated_w * (self.idle_share + load * (1.0 + self.copper_share * load))
        return motor_w / (self.controller_low + self.controller_gain * min(load, 1.0))

    def shaft_w(self, electrical_w: float) -> float:
        """Shaft power [W] from ``electrical_w`` [W]; by bisection, not for the inner loop."""
        low, high = 0.0, self.rated_w * 4.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            if self.electrical_w(middle) < electrical_w:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    @property
    def max_shaft_w(self) -> float:
        """Highest shaft power [W] the controller lets through."""
        return self.rated_w * self.overload
