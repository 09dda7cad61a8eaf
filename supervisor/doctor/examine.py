"""The whole examination, in the order in which a person would mend things."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path

from supervisor.core.plan import Flight
from supervisor.daemonfile import DaemonFile
from supervisor.doctor import files, machine
from supervisor.doctor.broker import broker
from supervisor.doctor.finding import Finding, bad, skipped
from supervisor.doctor.listen import telemetry
from supervisor.errors import InputError
from supervisor.flightfile import load_flight


@dataclass(frozen=True, slots=True)
class Patient:
    """What is examined. ``seconds`` on the link; 0: neither link nor broker is touched."""

    flight_file: Path
    daemon: DaemonFile
    seconds: float


async def examine(patient: Patient) -> list[Finding]:
    """Every finding; a flight file that cannot be used ends what rests on it."""
    daemon = patient.daemon
    found = [*files.daemon_file(daemon), *machine.disk(daemon.storage.directory)]
    found += machine.clock_source()
    try:
        flight = load_flight(patient.flight_file)
    except InputError as error:
        return [bad("flight file", str(error), "mend it: `homeleg budget` reads it too"), *found]
    found = [*files.flight_file(flight), *found]
    if daemon.storage.learn:
        found += files.learned(daemon.storage.directory, flight)
    now = datetime.datetime.now(datetime.UTC)
    found += files.certificates(daemon.broker, flight.aircraft.aircraft_id, now)
    return found + await _outside(patient, flight)


async def _outside(patient: Patient, flight: Flight) -> list[Finding]:
    if patient.seconds <= 0.0:
        return [skipped("link and broker", "not touched, as asked")]
    found = await telemetry(flight, patient.daemon, patient.seconds)
    return found + await broker(patient.daemon.broker, flight.aircraft.aircraft_id)
