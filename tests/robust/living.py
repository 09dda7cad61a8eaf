"""Rows about a daemon that lives through it: silence, kills, a day of flight, guided fuzzing."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from aboard import FLIGHT as FLIGHT_FILE
from aboard import Daemon
from airframe import Airframe
from killing import kills
from table_row import Row

from supervisor.core.decide.rules import STALE_S
from supervisor.daemonfile import ForecastSection
from supervisor.edge.intake import Intake
from supervisor.flightfile import load_flight
from supervisor.line import NS_PER_S, Line
from supervisor.messages import Advisory

ROOT = Path(__file__).resolve().parents[2]
LIGHT = ForecastSection(members=50, points=8)
GROWTH_MB = 2.0  # the limit of a day's growth after its first hour
SAID_S = 2.0  # after it counts as stale, silence must be said within one keen look


def silences(count: int, draw: random.Random) -> Row:
    """Telemetry falls silent in flight: said at once each time, and taken back when it is over."""
    line, intake, airframe = Line(load_flight(FLIGHT_FILE), "f", LIGHT), Intake(), Airframe()
    airframe.turn_s, airframe.cruise_a = 600.0, 2.0
    said: list[Advisory] = []
    begun: list[float] = []
    t_s = 0.0
    for _ in range(count):
        for _ in range(draw.randint(100, 200)):
            t_s += 1.0
            for frame in intake.feed(b"".join(airframe.frames(t_s))):
                said += _advisories(line.frame(frame, round(t_s * NS_PER_S)))
        begun.append(t_s)
        end_s = t_s + draw.uniform(STALE_S + SAID_S, 300.0)
        while (due_ns := line.next_ns() or 0) < end_s * NS_PER_S:
            said += _advisories(line.tick(due_ns))
        t_s = float(round(end_s))
    stale = [a for a in said if a.condition == "telemetry-stale" and a.level != "normal"]
    for at_s in begun:
        delays = [a.t + 1.0 - at_s for a in stale if a.t + 1.0 >= at_s]
        assert delays, f"silence from {at_s} s on was not said"
        assert min(delays) <= STALE_S + SAID_S, (at_s, min(delays))
    return Row("silences of telemetry in flight", count, f"each said within {STALE_S + SAID_S:g} s")


def _advisories(concluded: list[object]) -> list[Advisory]:
    return [message for message in concluded if isinstance(message, Advisory)]


def killed(count: int) -> Row:
    """kill -9 of `homeleg run`."""
    with tempfile.TemporaryDirectory() as folder:
        return Row("kill -9 of the daemon in flight", count, kills(Path(folder), count))


def by_tests(subject: str, names: tuple[str, ...]) -> Row:
    """What tests of their own look at in detail; they may be skipped where nobody is root."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *names]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout
    return Row(subject, len(names), run.stdout.strip().splitlines()[-1].partition(" in ")[0])


def fuzzed(runs: int) -> Row:
    """Coverage-guided fuzzing of all readers, where its engine is installed."""
    script = str(Path(__file__).with_name("fuzz_readers.py"))
    subject = "inputs to all readers, guided by coverage"
    try:
        import atheris  # type: ignore[import-not-found]  # noqa: F401
    except ImportError:
        return Row(subject, 0, "not run: atheris is not installed here")
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, script, f"-runs={runs}", "-max_total_time=3600"]
        run = subprocess.run(command, cwd=folder, capture_output=True, text=True, env=os.environ)
        assert run.returncode == 0, run.stderr[-3000:]
    done = [words for words in run.stderr.splitlines() if words.startswith("Done ")]
    return Row(subject, int(done[-1].split()[1]), "0 faults")


class Endless(Airframe):
    """To and fro on a trickle of current: a day in the air."""

    cruise_a = 0.7
    turn_s = 900.0


def day(hours: int) -> Row:
    """A daemon flown by telemetry time; its memory after the first hour and at the end."""
    airframe = Endless()
    with tempfile.TemporaryDirectory() as folder, Daemon(Path(folder)) as daemon:
        first_mb = last_mb = 0.0
        begun = time.monotonic()
        for hour in range(hours):
            for second in range(3600):
                daemon.fly(airframe, [hour * 3600.0 + second], pause_s=0.0)
                if second % 20 == 0:
                    frames = daemon.metrics()["link_frames"]  # also waits until it has kept up
            last_mb = daemon.metrics()["process_resident_mb"]
            first_mb = first_mb or last_mb
        took_s = time.monotonic() - begun
        lost = daemon.metrics()["link_lost"]
        daemon.stop()
    grown_mb = last_mb - first_mb
    held = "" if grown_mb < GROWTH_MB else f" (more than {GROWTH_MB:g} MB grown: NOT held)"
    outcome = f"{first_mb:.1f} MB after 1 h, {last_mb:.1f} MB at the end{held}; {frames:.0f} frames"
    return Row(f"hours of flight in {took_s:.0f} s", hours, f"{outcome}, {lost:.0f} lost")
