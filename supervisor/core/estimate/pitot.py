"""Is the airspeed tube blocked? A blocked one is an altimeter.

With the total pressure trapped and the static port open, the dynamic pressure shown changes with
height as static pressure does: dq/dh = +rho g, 12 Pa a metre; a climb of ten metres makes 21 m/s
read 25. A free tube in flight shows the opposite sign when the aircraft trades speed for height
(dq/dh = -rho g), and no slope when the autopilot holds the airspeed. The slope of q on height over
the last minute therefore tells the two apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from supervisor.core.constants import G0_MPS2, RHO0_KGPM3

WINDOW_S = 60.0
SLOPE = 0.5 * RHO0_KGPM3 * G0_MPS2  # half way between blocked and held airspeed [Pa/m]
CORRELATION = 0.75
HEIGHT_SD_M = 0.5  # with less vertical motion there is nothing to see
PERSIST_S = 20.0


@dataclass(frozen=True, slots=True)
class Pitot:
    """Exponentially forgetting first and second moments of (height, q), and the verdict."""

    t_s: float = -math.inf
    mean_h: float = 0.0
    mean_q: float = 0.0
    hh: float = 0.0
    hq: float = 0.0
    qq: float = 0.0
    odd_since_s: float = math.inf
    blocked: bool = False


def watch(pitot: Pitot, t_s: float, cas_mps: float, height_m: float) -> Pitot:
    """(belief, airspeed and height) -> belief, in winged flight."""
    if cas_mps != cas_mps:
        return pitot
    q = 0.5 * RHO0_KGPM3 * cas_mps * cas_mps
    dt_s = t_s - pitot.t_s
    if dt_s > WINDOW_S:
        return Pitot(t_s, height_m, q, blocked=pitot.blocked)
    a = 1.0 - math.exp(-dt_s / WINDOW_S)
    dh, dq = height_m - pitot.mean_h, q - pitot.mean_q
    keep = 1.0 - a
    hh = keep * (pitot.hh + a * dh * dh)
    hq = keep * (pitot.hq + a * dh * dq)
    qq = keep * (pitot.qq + a * dq * dq)
    moved = replace(
        pitot, t_s=t_s, mean_h=pitot.mean_h + a * dh, mean_q=pitot.mean_q + a * dq,
        hh=hh, hq=hq, qq=qq,
    )  # fmt: skip
    if hh < HEIGHT_SD_M**2:
        return moved
    odd = hq > SLOPE * hh and hq > CORRELATION * math.sqrt(hh * qq)
    since = min(pitot.odd_since_s, t_s) if odd else math.inf
    blocked = pitot.blocked if hq > 0.0 else False  # freed when speed and height trade again
    return replace(moved, odd_since_s=since, blocked=blocked or t_s - since >= PERSIST_S)
