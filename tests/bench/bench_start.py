"""Start: the command's help, the daemon to its first forecast, and what reading MAVLink weighs."""

from __future__ import annotations

import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.feed import FLIGHT, frames_at, free_udp_port
from tests.bench.row import ROOT, Aim, Form, Row, python, ran_in_turns

NUMPY = python("-c", "import numpy")


def rows(form: Form) -> list[Row]:
    """Cold caches are not asked for: the second start of the day is what is timed."""
    rounds = form.pick(1, 7)
    helped, imported, numpy = ran_in_turns(
        python("-m", "supervisor", "--help"), python("-c", "import supervisor.service"), NUMPY,
        rounds=rounds,
    )  # fmt: skip
    ready_s, forecast_s, bare_s = _daemon(form)
    against = "a bare interpreter that imports numpy"
    return [
        Row("homeleg --help", helped.wall_s, "s", numpy.wall_s, against, Aim("ours", 0.25),
            note=f"{helped.cpu_s:.2f} s of processor time"),
        Row("all that the daemon imports", imported.cpu_s, "CPU s", numpy.cpu_s, against,
            note=f"peak {imported.peak_mb:.0f} MB against {numpy.peak_mb:.0f} MB"),
        Row("daemon, start to ready", ready_s, "s", bare_s, against, Aim("ours", 1.5)),
        Row("daemon, start to first forecast", forecast_s, "s", bare_s, against,
            note="the core looks first 2 s after the first observation, by design"),
        *_mavlink(rounds),
    ]  # fmt: skip


def _daemon(form: Form) -> tuple[float, float, float]:
    """Wall seconds to readiness, to the first status with numbers, and of the bare interpreter."""
    runs = []
    for _ in range(form.pick(1, 5)):
        start = time.perf_counter()
        subprocess.run([str(word) for word in NUMPY], check=True)
        bare_s = time.perf_counter() - start
        with tempfile.TemporaryDirectory() as place:
            runs.append((*_one_start(Path(place)), bare_s))
    ready, forecast, bare = zip(*runs, strict=True)
    return statistics.median(ready), statistics.median(forecast), statistics.median(bare)


def _one_start(folder: Path) -> tuple[float, float]:
    """Frames are on the link from the start on, as aboard; the log and the health tell the rest."""
    port = free_udp_port()
    config = folder / "daemon.toml"
    config.write_text(
        f'log = "json"\n[link]\naddress = "udp:127.0.0.1:{port}"\n'
        f'[storage]\ndirectory = "{folder}"\n[health]\nperiod_s = 1\n',
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "supervisor", "run", "--flight", str(FLIGHT)]
    start = time.perf_counter()
    recording = folder / "flight.mcap"
    process = subprocess.Popen(
        [*command, "--config", str(config), "--recording", str(recording)],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )
    assert process.stderr is not None
    try:
        for line in process.stderr:
            if json.loads(line)["event"] == "daemon_ready":
                break
        ready_s = time.perf_counter() - start
        _feed_until_forecast(port, recording)
        return ready_s, time.perf_counter() - start
    finally:
        process.kill()
        process.wait()


def _feed_until_forecast(port: int, recording: Path) -> None:
    """Real-time telemetry of a flight under way, until the recording has numbers."""
    from supervisor.edge.recording import Recording

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        begin = time.perf_counter()
        for t_s, frame in frames_at(60.0, 15.0):
            time.sleep(max(begin + t_s - time.perf_counter(), 0.0))
            sender.sendto(frame, ("127.0.0.1", port))
            if t_s < 1.9 or not recording.exists():
                continue
            said = Recording(recording).messages({"status"})
            if any(json.loads(data)["numbers"] for _, _, data in said):
                return
    raise AssertionError("no forecast in 15 s of telemetry")


_COST = """
import hashlib, json, pathlib, time
import supervisor.core.events  # there in any case
def resident_kb():
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))
before, start = resident_kb(), time.process_time()
import {module}
print(time.process_time() - start, resident_kb() - before)
"""


def _mavlink(rounds: int) -> list[Row]:
    """A table of the messages used against the whole generated library."""
    modules = "supervisor.edge.intake, supervisor.edge.decoder", "pymavlink.dialects.v20.common"
    runs = ran_in_turns(*(python("-c", _COST.format(module=m)) for m in modules), rounds=rounds)
    (ours_s, ours_kb), (theirs_s, theirs_kb) = (map(float, run.out.split()) for run in runs)
    against = "pymavlink's whole common dialect"
    return [
        Row("import of what reads MAVLink", ours_s, "CPU s", theirs_s, against, Aim("ratio", 1.0)),
        Row("memory of what reads MAVLink", ours_kb / 1024.0, "MB", theirs_kb / 1024.0, against,
            Aim("ratio", 1.0)),
    ]  # fmt: skip
