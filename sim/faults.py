"""What can go wrong, and how much of it acts at a given time.

Kinds that change the aircraft are read here by the flight; kinds that change only what sensors or
links say are read by the sensors and the link. ``amount`` means what the table says.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.scenario import Fault

# kind: (default amount, meaning of the amount)
PHYSICAL: dict[str, tuple[float, str]] = {
    "weak-cell": (0.85, "capacity of one cell group relative to the others"),
    "cold-soak": (-12.0, "kelvin added to the pack's temperature before take-off"),
    "ageing": (0.8, "age of the pack, 0 new to 1 end of life"),
    "drag-rise": (1.35, "factor on parasite drag (ice, damage)"),
    "lift-motor": (0.75, "efficiency of one lift motor relative to the others"),
    "pusher": (0.85, "efficiency of the pusher relative to before"),
    "airspeed-blocked": (1.0, "the tube holds the pressure it had; the autopilot flies by thrust"),
    "compass-offset": (20.0, "degrees added to the heading that is told"),
    "gps-loss": (1.0, "no position fix; the aircraft flies on by dead reckoning"),
    "payload-stuck": (1.0, "the payload does not leave when released"),
}
TOLD: dict[str, tuple[float, str]] = {
    "battery-frozen": (1.0, "the battery monitor repeats its last values"),
    "current-gain": (0.9, "factor on the current that is told"),
    "clock-jump": (120.0, "seconds added to the aircraft's clock"),
    "telemetry-dropout": (1.0, "share of frames lost while it lasts"),
}
KINDS = PHYSICAL | TOLD


def amount_of(fault: Fault) -> float:
    """The fault's amount, or the default of its kind."""
    return KINDS[fault.kind][0] if math.isnan(fault.amount) else fault.amount


def share(fault: Fault, t_s: float) -> float:
    """How much of the fault acts at ``t_s``: 0 none .. 1 all, over its ramp."""
    if t_s < fault.at_s or t_s >= fault.end_s:
        return 0.0
    if fault.ramp_s <= 0.0:
        return 1.0
    return min((t_s - fault.at_s) / fault.ramp_s, 1.0)


def factor(faults: Iterable[Fault], kind: str, t_s: float) -> float:
    """Product over all faults of ``kind`` of a factor that grows from 1 to the amount."""
    product = 1.0
    for fault in faults:
        if fault.kind == kind:
            product *= 1.0 + share(fault, t_s) * (amount_of(fault) - 1.0)
    return product


def active(faults: Iterable[Fault], kind: str, t_s: float) -> bool:
    """Whether a fault of ``kind`` acts at ``t_s``."""
    return any(fault.kind == kind and share(fault, t_s) > 0.0 for fault in faults)
