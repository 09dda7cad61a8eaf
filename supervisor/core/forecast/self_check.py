"""The forecast checks itself: what was foreseen for now, ten, twenty and thirty minutes ago.

Every minute of flight along the plan the forecast notes, for each horizon, the margin with which it
expects to be able to turn back then (mean and spread over its members). When that time has come,
the margin foreseen then is compared with the margin found. A miss is counted in units of the spread
that was stated. The last misses of all horizons together say how far the forecast can be trusted:
members are independent guesses at one truth, so that their misses should have a mean square of one.
Only one in a thousand of a true forecast's misses is beyond ``LIMITS``: then the forecast is
unsure, and its spread is widened to cover what was missed, on the side that it was missed on. A
lower limit, looked at every minute, finds doubts in flights that have none, and turns those home
early.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

HORIZONS_S = (600.0, 1200.0, 1800.0)
NOTE_EVERY_S = 60.0
KEPT_S = 600.0  # misses older than this are forgiven: the belief has learned since
# Root mean square of one, two, three misses to one side, in stated spreads, beyond which the
# forecast is unsure: sqrt(q / n), q the 99.9 % points of chi-square (10.83, 13.82, 16.27).
LIMITS = (3.29, 2.63, 2.33)
# What the stated spread is worth as evidence about itself, in misses: one miss says little against
# it, three say more (scaled inverse chi-square prior of that many degrees; how many is ours).
TRUSTED = 8.0
WIDEST = 3.0
FLOOR_WH = 5.0  # a spread is taken as no less: nobody knows a pack better


@dataclass(frozen=True, slots=True)
class Prediction:
    """The margin [Wh] foreseen for ``for_s``."""

    for_s: float
    horizon_s: float
    mean_wh: float
    sd_wh: float


@dataclass(frozen=True, slots=True)
class Miss:
    """How far one prediction was off, in its own spreads; negative: worse than foreseen."""

    t_s: float
    horizon_s: float
    z: float


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """Predictions still open, and the misses of late."""

    open: tuple[Prediction, ...] = field(default=())
    misses: tuple[Miss, ...] = field(default=())
    noted_s: float = -math.inf

    @property
    def rms(self) -> float:
        """Root mean square miss, the newest of each horizon; NaN before any has come due."""
        return _rms(self._newest)

    @property
    def unsure(self) -> bool:
        """Whether the forecast missed more than it may."""
        return max(self.widen) > 1.0

    @property
    def widen(self) -> tuple[float, float]:
        """Factors on the spread below and above the middle, 1 while the misses are as they should
        be: having found more margin than foreseen is no reason to fear less."""
        newest = self._newest
        return _widen([z for z in newest if z < 0.0]), _widen([z for z in newest if z >= 0.0])

    def wants(self, t_s: float) -> bool:
        """Whether new predictions are to be noted at ``t_s``."""
        return t_s - self.noted_s >= NOTE_EVERY_S

    @property
    def _newest(self) -> list[float]:
        return list({miss.horizon_s: miss.z for miss in self.misses}.values())

    @property
    def sentence(self) -> str:
        """The doubt in words; empty when there is none."""
        if not self.unsure:
            return ""
        worst = max(self.misses, key=lambda miss: abs(miss.z))
        side = "less" if worst.z < 0.0 else "more"
        ago = f"{worst.horizon_s / 60:.0f} min ago"
        return f"much {side} margin than foreseen {ago} ({abs(worst.z):.1f} spreads)"


def _rms(misses: list[float]) -> float:
    return math.sqrt(sum(z * z for z in misses) / len(misses)) if misses else math.nan


def _widen(misses: list[float]) -> float:
    """Posterior root mean square of the misses, where they are beyond ``LIMITS``."""
    count = len(misses)
    if not count or _rms(misses) <= LIMITS[count - 1]:
        return 1.0
    square = (TRUSTED + sum(z * z for z in misses)) / (TRUSTED + count)
    return min(math.sqrt(square), WIDEST)


def due(check: SelfCheck, t_s: float, margin_wh: float) -> SelfCheck:
    """The check after the predictions for up to ``t_s`` have met the margin found now."""
    ripe = [p for p in check.open if p.for_s <= t_s]
    new = [Miss(t_s, p.horizon_s, (margin_wh - p.mean_wh) / p.sd_wh) for p in ripe]
    kept = [m for m in (*check.misses, *new) if t_s - m.t_s <= KEPT_S]
    return replace(check, open=tuple(p for p in check.open if p.for_s > t_s), misses=tuple(kept))


def note(check: SelfCheck, t_s: float, foreseen: dict[float, tuple[float, float]]) -> SelfCheck:
    """The check with new predictions: horizon [s] to (mean, standard deviation) [Wh]."""
    if not check.wants(t_s):
        return check
    new = [
        Prediction(t_s + horizon, horizon, mean, max(sd, FLOOR_WH))
        for horizon, (mean, sd) in foreseen.items()
    ]
    return replace(check, open=(*check.open, *new), noted_s=t_s)
