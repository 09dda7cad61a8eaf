"""When a flight's lessons are written down: once, after it has landed.

The next flight starts from them. A kill or a power cut in the air leaves what the last landing
wrote; a disk that refuses is told of, and asked again at every look on the ground.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from supervisor.core.conclusions import Phase
from supervisor.core.estimate.prior import Lessons
from supervisor.core.plan import Flight
from supervisor.edge.health import wall_unix_s
from supervisor.errors import InputError
from supervisor.learned import keep

STANDING = (Phase.GROUND.value, Phase.UNKNOWN.value)
LEAST_AIRBORNE_S = 120.0  # ours: a hop teaches less than it would fill the logbook


class LessonKeeper:
    """Watches the phase; ``folder`` None: nothing is kept."""

    def __init__(self, folder: Path | None, flight: Flight) -> None:
        self.trouble = ""  # why what was learned could not be kept, in words
        self.kept = 0  # flights written down
        self._folder, self._flight = folder, flight
        self._flew = False
        self._lowest_cell_v = math.inf  # since the last flight was written down
        self._noted_ah = 0.0  # of the charge used, what earlier landings have accounted for

    def look(
        self,
        phase: str,
        lessons: Callable[[], Lessons],
        unix_s: float,
        lowest_cell_v: float = math.inf,
    ) -> None:
        """The aircraft is in ``phase`` at the date ``unix_s`` (NaN: not known).

        ``lowest_cell_v``: told since the last look; inf where cells are not told.
        """
        if self._folder is None:
            return
        self._lowest_cell_v = min(self._lowest_cell_v, lowest_cell_v)
        if phase not in STANDING:
            self._flew = True
        elif self._flew and phase == Phase.GROUND.value:
            self._write(self._folder, lessons(), unix_s)

    def _write(self, folder: Path, taught: Lessons, unix_s: float) -> None:
        if taught.airborne_s < LEAST_AIRBORNE_S:
            self._flew = False
            return
        date_s = unix_s if math.isfinite(unix_s) else wall_unix_s()
        own = replace(taught, used_ah=taught.used_ah - self._noted_ah)
        try:
            keep(folder, self._flight, own, date_s, self._lowest_cell_v)
        except OSError as error:
            self.trouble = f"what was learned cannot be kept: {error.strerror}"
            return  # asked again at the next look
        except InputError as error:
            self.trouble = f"what this flight taught is not kept: {error.problem}"
        else:
            self.trouble = ""
            self.kept += 1
            self._noted_ah = taught.used_ah
        self._flew, self._lowest_cell_v = False, math.inf
