"""Facts about this process and its disk, from the kernel; NaN or None where it does not tell."""

from __future__ import annotations

import ctypes
import errno
import gc
import os
import shutil
import time
from contextlib import suppress
from pathlib import Path

PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
_trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # glibc has it, others need not


class Process:
    """Memory, processor time and file descriptors of this process."""

    def __init__(self) -> None:
        self._began_s = time.monotonic()
        self._mark_s, self._mark_cpu_s = self._began_s, time.process_time()

    @property
    def uptime_s(self) -> float:
        """Since this object was made."""
        return time.monotonic() - self._began_s

    def cpu_percent(self) -> float:
        """Share of one core since the last question."""
        now_s, cpu_s = time.monotonic(), time.process_time()
        spent, passed = cpu_s - self._mark_cpu_s, now_s - self._mark_s
        self._mark_s, self._mark_cpu_s = now_s, cpu_s
        return 100.0 * spent / passed if passed > 0.0 else 0.0


def resident_mb() -> float | None:
    """Resident set size, proc(5) statm."""
    with suppress(OSError, ValueError, IndexError):
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        return pages * PAGE_BYTES / 1e6
    return None


def settle() -> None:
    """All is loaded: leave it out of later searches for garbage, which are then quick."""
    gc.collect()
    gc.freeze()


def give_back() -> None:
    """Collect garbage, and return the C library's free pages to the kernel, malloc_trim(3).

    Of themselves both keep some megabytes more every day: the collector waits until a quarter of
    everything may be garbage, the library keeps the holes that arrays of changing size leave.
    """
    gc.collect()
    if _trim is not None:
        _trim(0)


def open_handles() -> int | None:
    """Open file descriptors; None also when there is none left to count them with."""
    with suppress(OSError):
        return len(os.listdir("/proc/self/fd"))
    return None


def handles_exhausted() -> bool:
    """Whether nothing new can be opened, here or anywhere on this computer."""
    try:
        os.close(os.open(os.devnull, os.O_RDONLY))
    except OSError as error:
        return error.errno in (errno.EMFILE, errno.ENFILE)
    return False


def free_mb(folder: Path) -> float | None:
    """Space left for us on the disk of ``folder``, or of its nearest parent that is there."""
    for place in (folder, *folder.resolve().parents):
        with suppress(OSError):
            return shutil.disk_usage(place).free / 1e6
    return None


def writable(folder: Path) -> bool:
    """Whether ``folder`` is there and takes new files: not read-only, and ours."""
    return folder.is_dir() and os.access(folder, os.W_OK | os.X_OK)


def wall_unix_s() -> float:
    """The system's date, right or wrong. Only ever compared and shown, never counted with."""
    return time.time()
