"""The computer: disk space and speed, the date and where it comes from."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Iterator
from pathlib import Path

from supervisor.doctor.finding import Finding, bad, doubt, good, skipped
from supervisor.edge.health import free_mb, wall_unix_s

# A flight of 24 h records about 0.4 GB at the rates asked for (measured, tests/robust).
SPACE_MB, LITTLE_MB = 1000.0, 200.0
TRIAL_BYTES, TRIAL_SYNCS = 2_000_000, 10
SLOW_MBPS, SLOW_SYNC_S = 0.2, 0.5  # ours: the recorder syncs each 0.4 s
SANE_UNIX_S = 1_764_028_800.0  # 2025-11-25: this program did not exist before
STEP_S = 30.0


def disk(folder: Path) -> Iterator[Finding]:
    """Room for the flight, and whether it can be written as fast as it comes."""
    free = free_mb(folder)
    if free is None:
        yield skipped("disk space", f"{folder} cannot be asked")
    elif free < LITTLE_MB:
        yield bad("disk space", f"{free:.0f} MB left", f"move old recordings away from {folder}")
    elif free < SPACE_MB:
        yield doubt("disk space", f"{free:.0f} MB left", "enough for hours; make room")
    else:
        yield good("disk space", f"{free / 1000.0:.1f} GB left")
    try:
        speed_mbps, slowest_s = _trial(folder)
    except OSError as error:
        fix = f"may this user write to {folder}? is the disk full or read-only?"
        yield bad("disk writing", f"{folder}: {error.strerror}", fix)
        return
    says = f"{speed_mbps:.1f} MB/s with a sync each 0.2 MB, the slowest {slowest_s * 1e3:.0f} ms"
    if speed_mbps < SLOW_MBPS or slowest_s > SLOW_SYNC_S:
        yield doubt("disk writing", says, "a worn or slow card: use another one")
    else:
        yield good("disk writing", says)


def _trial(folder: Path) -> tuple[float, float]:
    """MB/s of written and synced bytes, and the slowest sync in seconds."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f".doctor-{os.getpid()}"
    block, slowest_s = os.urandom(TRIAL_BYTES // TRIAL_SYNCS), 0.0
    began_s = time.monotonic()
    try:
        with path.open("wb", buffering=0) as file:
            for _ in range(TRIAL_SYNCS):
                file.write(block)
                mark_s = time.monotonic()
                os.fsync(file.fileno())
                slowest_s = max(slowest_s, time.monotonic() - mark_s)
    finally:
        path.unlink(missing_ok=True)
    return TRIAL_BYTES / 1e6 / max(time.monotonic() - began_s, 1e-6), slowest_s


def date(aircraft_unix_s: float) -> Iterator[Finding]:
    """This computer's date. Flying does not need it; certificates and file names do."""
    now_s = wall_unix_s()
    step_s = now_s - aircraft_unix_s
    if math.isfinite(step_s) and abs(step_s) > STEP_S:
        says = f"this computer is {abs(step_s):.0f} s {'ahead of' if step_s > 0 else 'behind'} GPS"
        yield doubt("date", says, "broker certificates may be refused: let it synchronise")
    elif math.isfinite(step_s):
        yield good("date", f"{abs(step_s):.1f} s from GPS time")


def clock_source(root: Path = Path("/")) -> Iterator[Finding]:
    """Where this computer has its date from, before the aircraft tells."""
    if wall_unix_s() < SANE_UNIX_S:
        fix = "connect to the internet or set it; advisories take their date from GPS meanwhile"
        yield doubt("date", "this computer's date is before this program was written", fix)
    clock = any((root / "sys/class/rtc").glob("rtc*"))
    synced = (root / "run/systemd/timesync/synchronized").exists()
    text = " and ".join(
        [
            "a hardware clock" if clock else "no hardware clock",
            "network time" if synced else "no network time yet",
        ]
    )
    if clock or synced:
        yield good("clock source", text)
    else:
        yield doubt(
            "clock source", text, "the date is unknown after each power-up until GPS has it"
        )
