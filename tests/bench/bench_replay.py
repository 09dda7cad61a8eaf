"""A recording of 2.5 h through the whole line, against only reading the file with mcap."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

from sim import scenario
from sim.flight import Flight
from sim.telemetry import Telemetry
from supervisor.edge.mcap_format import chunk_record, message_record
from supervisor.edge.recorder import opening
from tests.bench.row import Aim, Form, Growth, Row, python, ran, ran_in_turns

NAME = "inspection"  # still flying after 2.5 h
FLIGHT = scenario.FOLDER / NAME / "flight.toml"
HOURS = (0.625, 1.25, 2.5)
TIMES_REAL = 2000.0
EFFORTS = ((400, 40, "as shipped"), (50, 8, "least"))

READ = """
import sys
from mcap.reader import NonSeekingReader
with open(sys.argv[1], "rb") as file:
    try:
        for _ in NonSeekingReader(file).iter_messages(log_time_order=False):
            pass
    except Exception:
        pass  # it raises where the file ends without a summary
"""

REPLAY = """
import sys
from pathlib import Path
from supervisor.daemonfile import ForecastSection
from supervisor.edge.recording import Recording
from supervisor.flightfile import load_flight
from supervisor.replay import replay
path, flight, members, points = sys.argv[1:]
effort = ForecastSection(members=int(members), points=int(points))
print(sum(1 for _ in replay(Recording(Path(path)), load_flight(Path(flight)), effort)))
"""


@dataclass(frozen=True, slots=True)
class Replayed:
    """Processor seconds, largest memory and statuses of one replay."""

    cpu_s: float
    peak_mb: float
    said: int


def rows(form: Form) -> list[Row]:
    """Each replay is a process of its own, so that its memory is its own."""
    hours = form.pick((0.02, 0.04), HOURS)
    with tempfile.TemporaryDirectory() as place:
        paths = [Path(place) / f"{h}.mcap" for h in hours]
        record(paths, hours)
        read = ran_in_turns(python("-c", READ, paths[-1]), rounds=3)[0]
        found = []
        for members, points, name in form.pick(EFFORTS[-1:], EFFORTS):
            replays = [_replayed(path, members, points) for path in paths]
            found.append(_row(hours, replays, read.cpu_s, f"{name}: {members} x {points}"))
        found.append(_memory(hours, replays, read.peak_mb))
        return found


def _replayed(path: Path, members: int, points: int) -> Replayed:
    run = ran(python("-c", REPLAY, path, FLIGHT, str(members), str(points)))
    assert int(run.out) > 0, "nothing was concluded"
    return Replayed(run.cpu_s, run.peak_mb, int(run.out))


def _row(hours: tuple[float, ...], replays: list[Replayed], read_s: float, name: str) -> Row:
    last = replays[-1]
    return Row(
        f"replay of {hours[-1]} h, {name}",
        last.cpu_s,
        "CPU s",
        read_s,
        "reading the same file with mcap alone, interpreter included",
        Aim("ours", hours[-1] * 3600.0 / TIMES_REAL),
        Growth("hours", hours, tuple(r.cpu_s for r in replays)),
        f"{hours[-1] * 3600.0 / last.cpu_s:,.0f} times real time; "
        f"{', '.join(str(r.said) for r in replays)} forecasts",
    )


def _memory(hours: tuple[float, ...], replays: list[Replayed], read_mb: float) -> Row:
    return Row(
        "replay, memory at the most",
        replays[-1].peak_mb,
        "MB",
        read_mb,
        "reading with mcap",
        growth=Growth("hours", hours, tuple(r.peak_mb for r in replays)),
        note="the file itself is held in memory",
    )


def record(paths: list[Path], hours: tuple[float, ...]) -> None:
    """One flight, with the telemetry that a common link carries, cut at these lengths."""
    world = scenario.load(NAME)
    flight, telemetry = Flight(world, 1), Telemetry(world, 1)
    telemetry.begin(flight.state)
    files = [path.open("wb") for path in paths]
    for file in files:
        file.write(opening({"flight": "bench"})[0])
    number, next_s, waiting = 0, 0.4, list[tuple[int, bytes]]()
    while flight.t_s < hours[-1] * 3600.0 and not flight.done:
        waiting += [(round(t_s * 1e9), raw) for t_s, raw in telemetry.frames(flight.step())]
        if flight.t_s >= next_s and waiting:
            next_s = flight.t_s + 0.4
            records = b"".join(
                message_record(1, number + i, t_ns, raw) for i, (t_ns, raw) in enumerate(waiting)
            )
            chunk = chunk_record(records, waiting[0][0], waiting[-1][0])
            for file, h in zip(files, hours, strict=True):
                if flight.t_s <= h * 3600.0:
                    file.write(chunk)
            number, waiting = number + len(waiting), []
    for file in files:
        file.close()
