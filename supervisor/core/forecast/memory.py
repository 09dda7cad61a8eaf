"""The memory of one look is kept for the next.

A look fills and frees some megabytes of arrays. The C library would give them back to the system
each time, and get them again page by page, emptied by the kernel: a seventh of a forecast's time.
"""

from __future__ import annotations

import numpy as np

KEPT_BYTES = 4 << 20  # more than the arrays of a batch of members take together


def keep_memory() -> None:
    """Have the process keep what it frees, up to twice ``KEPT_BYTES``, for the next look.

    What glibc keeps grows with the largest block that was ever freed, used or not (mallopt(3),
    M_MMAP_THRESHOLD: the thresholds are dynamic). With another C library this does nothing.
    """
    np.empty(KEPT_BYTES, np.uint8)
