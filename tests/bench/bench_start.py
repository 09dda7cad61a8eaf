"""Start: the command's help, the daemon to its first forecast, and what reading MAVLink weighs."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from statistics import median

import psutil

from tests.bench.feed import FLIGHT, frames_at, free_udp_port
from tests.bench.row import ROOT, Aim, Form, Row, python, ran_in_turns

NUMPY = python("-c", "import numpy")


def rows(form: Form) -> list[Row]:
    """Processor time: what a start takes where nothing else runs. Wall time stands beside it.

    Cold caches are not asked for: the second start of the day is what is timed.
    """
    rounds = form.pick(1, 7)
    helped, imported, numpy = ran_in_turns(
        python("-m", "supervisor", "--help"), python("-c", "import supervisor.service"), NUMPY,
        rounds=rounds,
    )  # fmt: skip
    starts = [_start() for _ in range(form.pick(1, 5))]
    ready_s, wall_s, forecast_s = (median(each) for each in zip(*starts, strict=True))
    against = "a bare interpreter that imports numpy"
    return [
        Row("homeleg --help", helped.cpu_s, "CPU s", numpy.cpu_s, against, Aim("ours", 0.25),
            note=f"wall {helped.wall_s:.2f} s against {numpy.wall_s:.2f} s"),
        Row("all that the daemon imports", imported.cpu_s, "CPU s", numpy.cpu_s, against,
            note=f"peak {imported.peak_mb:.0f} MB against {numpy.peak_mb:.0f} MB"),
        Row("daemon, start to ready", ready_s, "CPU s", numpy.cpu_s, against, Aim("ours", 1.5),
            note=f"wall {wall_s:.2f} s; first forecast after {forecast_s:.2f} s, "
            "of which 2 s are waited for by design"),
        *_mavlink(rounds),
    ]  # fmt: skip


def _start() -> tuple[float, float, float]:
    """Processor and wall seconds to readiness; wall seconds to the first status with numbers.

    Frames are on the link from then on, as aboard.
    """
    with tempfile.TemporaryDirectory() as place:
        port, config = free_udp_port(), Path(place) / "daemon.toml"
        config.write_text(
            f'log = "json"\n[link]\naddress = "udp:127.0.0.1:{port}"\n'
            f'[storage]\ndirectory = "{place}"\n',
            encoding="utf-8",
        )
        recording = Path(place) / "flight.mcap"
        words = python("-m", "supervisor", "run", "--flight", FLIGHT, "--config", config)
        start = time.perf_counter()
        process = subprocess.Popen(
            [str(word) for word in (*words, "--recording", recording)],
            cwd=ROOT,
            stderr=subprocess.PIPE,
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )
        assert process.stderr is not None
        try:
            for line in process.stderr:
                if json.loads(line)["event"] == "daemon_ready":
                    break
            wall_s, used = time.perf_counter() - start, psutil.Process(process.pid).cpu_times()
            _feed_until_forecast(port, recording)
            return used.user + used.system, wall_s, time.perf_counter() - start
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
        Row("import of what reads MAVLink", ours_s, "CPU s", theirs_s, against),
        Row("memory of what reads MAVLink", ours_kb / 1024.0, "MB", theirs_kb / 1024.0, against,
            Aim("ratio", 1.0)),
    ]  # fmt: skip
