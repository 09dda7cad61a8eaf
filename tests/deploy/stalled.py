"""``homeleg`` whose core stops concluding after a while, though its loop goes on turning."""

from __future__ import annotations

import sys
import time
from typing import Any

from supervisor.cli import main
from supervisor.core.monitor import Monitor

GOOD_S = 12.0

look, begun_s = Monitor._look, time.monotonic()


def stalling(monitor: Monitor, t_s: float) -> Any:
    if time.monotonic() - begun_s < GOOD_S:
        return look(monitor, t_s)
    raise RuntimeError("stalled on purpose")


Monitor._look = stalling  # type: ignore[method-assign]
sys.exit(main())
