"""How long tests wait, and how a promise in seconds is judged on a machine that has other work.

A wait ends as soon as what must come has come, so it may be long: how long says nothing of what
is tested. Where seconds are themselves the promise they are measured and held against
:func:`allowed`, which is the promise itself on an idle machine.
"""

from __future__ import annotations

import time

PATIENCE_S = 120.0


def stretch() -> float:
    """How many times its processor time a piece of work takes here and now; 1.0 when idle.

    The worst of three, each 50 ms of processor time.
    """
    found = 1.0
    for _ in range(3):
        wall_s, own_s = time.monotonic(), time.thread_time()
        while (spent_s := time.thread_time() - own_s) < 0.05:
            pass
        found = max(found, (time.monotonic() - wall_s) / spent_s)
    return found


def allowed(waits_s: float, works_s: float) -> float:
    """Seconds that a promise of ``waits_s + works_s`` may take here and now.

    What is waited for by the clock (back-off, silence, the link) takes no longer on a busy machine;
    what must be reckoned does. Asked right after what is judged.
    """
    return waits_s + works_s * stretch()
