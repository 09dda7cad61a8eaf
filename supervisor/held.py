"""How much the pack holds, as the monitor believes it, with its range; the debrief and a CI's gate.

A status tells two energies. ``pack.energy_wh`` is all that its mean cell holds. The landing energy
is what can be taken out before the weakest cell is empty, over all that is not known about that:
once the aircraft stands nothing is left to be flown, and it is what the pack holds, by the
definition of every reserve. So flight, debrief and gate say the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from supervisor.messages import Status

TOUCHED_M = 8.0  # a recording that ends in the landing hover, lower than this, ends on the ground
P95_SD = 1.645  # of a Gaussian: where its 95th percentile lies


@dataclass(frozen=True, slots=True)
class Held:
    """Open-circuit energy [Wh]: 5th percentile, median and 95th.

    ``beyond_wh``: what the mean cell holds beyond the median, when the weakest one is empty.
    """

    low_wh: float
    middle_wh: float
    high_wh: float
    beyond_wh: float = 0.0


def on_ground(status: Status) -> bool:
    """Whether it stands, or is about to touch down."""
    low = status.where is not None and status.where.height_m < TOUCHED_M
    return status.phase == "ground" or (status.phase == "hover-landing" and low)


def _landing_wh(status: Status) -> tuple[float | None, float | None, float | None] | None:
    """Of a flight that is over, or of a landing now while it stands before that is told."""
    if status.landed is not None:
        return status.landed.energy_wh
    if status.numbers is not None and on_ground(status):
        return status.numbers.landing_energy_wh
    return None


def held(status: Status) -> Held | None:
    """Believed at that moment; None where nothing is known of the pack."""
    pack = status.pack
    if (told := _landing_wh(status)) is not None:
        low, middle, high = told
        if low is not None and middle is not None and high is not None:
            return Held(low, middle, high, pack.energy_wh - middle if pack else 0.0)
    if pack is None:
        return None
    sd = pack.charge_sd_percent / pack.charge_percent if pack.charge_percent > 0.0 else 0.0
    off = P95_SD * sd * pack.energy_wh
    return Held(max(pack.energy_wh - off, 0.0), pack.energy_wh, pack.energy_wh + off)
