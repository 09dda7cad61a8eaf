"""Is the airspeed tube blocked? A blocked one is an altimeter.

With the total pressure trapped and the static port open, the dynamic pressure shown changes with
height as static pressure does: dq/dh = +rho g, 12 Pa a metre; a climb of ten metres makes 21 m/s
read 25. A free tube in flight shows the opposite sign when the aircraft trades speed for height
(dq/dh = -rho g), and no slope when the autopilot holds the airspeed. The slope of q on height over
the last minute therefore tells the two apart.

In level flight a blocked tube shows nothing odd. Then ground speed and power, which both change
when the autopilot has lost its airspeed, refute it (wind.py, speed_by_power.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from supervisor.core.constants import G0_MPS2, RHO0_KGPM3

WINDOW_S = 60.0
SLOPE = 0.5 * RHO0_KGPM3 * G0_MPS2  # half way between blocked and held airspeed [Pa/m]
CORRELATION = 0.75
HEIGHT_SD_M = 2.0  # with less vertical motion noise looks like a slope now and then
PERSIST_S = 20.0
AGREES = 0.12  # a refuted tube is believed again when it shows what the power says, within this
AGREE_S = 60.0
# Once the ground speed is as sure of the airspeed as this, and the power tells that much more, it
# is the drag that has grown, and the tube was right.
DRAG, DRAG_SURE = 0.07, 0.035


@dataclass(frozen=True, slots=True)
class Pitot:
    """Exponentially forgetting first and second moments of (height, q), and the verdicts."""

    t_s: float = -math.inf
    mean_h: float = 0.0
    mean_q: float = 0.0
    hh: float = 0.0
    hq: float = 0.0
    qq: float = 0.0
    odd_since_s: float = math.inf
    blocked: bool = False
    refuted: bool = False
    agrees_s: float = 0.0

    @property
    def usable(self) -> bool:
        """Whether what it shows may be believed."""
        return not (self.blocked or self.refuted)


def refute(pitot: Pitot) -> Pitot:
    """What it shows contradicts ground speed and power."""
    return replace(pitot, refuted=True, agrees_s=0.0)


def agree(pitot: Pitot, shown_mps: float, power_mps: float, dt_s: float) -> Pitot:
    """A refuted tube that has shown for a minute what the power says is free again."""
    alike = abs(shown_mps - power_mps) < AGREES * power_mps
    agrees_s = pitot.agrees_s + dt_s if alike else 0.0
    return replace(pitot, agrees_s=agrees_s, refuted=agrees_s < AGREE_S)


def by_drag(pitot: Pitot, error: float, error_sd: float) -> Pitot:
    """A refuted tube is believed again when the ground speed denies the airspeed that the power
    tells: ``error`` of that (relative, 1 sigma ``error_sd``), as found since."""
    wrong = error < -DRAG and error_sd < DRAG_SURE
    return replace(pitot, refuted=False) if pitot.refuted and wrong else pitot


def watch(pitot: Pitot, t_s: float, cas_mps: float, height_m: float) -> Pitot:
    """(belief, airspeed and height) -> belief, in winged flight."""
    if cas_mps != cas_mps:
        return pitot
    q = 0.5 * RHO0_KGPM3 * cas_mps * cas_mps
    dt_s = t_s - pitot.t_s
    if dt_s > WINDOW_S:
        return Pitot(t_s, height_m, q, blocked=pitot.blocked, refuted=pitot.refuted)
    a = 1.0 - math.exp(-dt_s / WINDOW_S)
    dh, dq = height_m - pitot.mean_h, q - pitot.mean_q
    keep = 1.0 - a
    hh = keep * (pitot.hh + a * dh * dh)
    hq = keep * (pitot.hq + a * dh * dq)
    qq = keep * (pitot.qq + a * dq * dq)
    since, blocked = pitot.odd_since_s, pitot.blocked
    if hh >= HEIGHT_SD_M**2:
        odd = hq > SLOPE * hh and hq > CORRELATION * math.sqrt(hh * qq)
        since = min(since, t_s) if odd else math.inf
        # freed when speed and height trade again
        blocked = (blocked and hq > 0.0) or t_s - since >= PERSIST_S
    mean_h, mean_q = pitot.mean_h + a * dh, pitot.mean_q + a * dq
    return Pitot(t_s, mean_h, mean_q, hh, hq, qq, since, blocked, pitot.refuted, pitot.agrees_s)
