"""The daemon's parts, made from its two files: outbox, recorder, uplink."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import structlog

from supervisor import __version__, messages
from supervisor.core.estimate.prior import Prior
from supervisor.core.plan import Flight
from supervisor.daemonfile import DaemonFile
from supervisor.edge.broker import Uplink
from supervisor.edge.dial import BrokerAddress, Credentials
from supervisor.edge.outbox import Outbox
from supervisor.edge.recorder import Recorder
from supervisor.edge.signatures import Signer, load_keyring
from supervisor.edge.uplinkoptions import UplinkOptions
from supervisor.errors import InputError
from supervisor.learned import prior_for
from supervisor.priors import prior_text

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Setup:
    """What the daemon is started with. ``inside``: the flight file as a recording carries it."""

    flight: Flight
    inside: Mapping[str, str]
    daemon: DaemonFile
    recording: Path | None = None  # None: named after aircraft and flight, in the storage folder


def open_outbox(daemon: DaemonFile) -> Outbox:
    """The advisories' store; a disk that refuses is its own to report and live with."""
    folder = daemon.storage.directory
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    return Outbox(
        folder / "outbox.sqlite",
        on_trouble=lambda why: log.error("outbox_in_memory", reason=why),
    )


def learned_prior(setup: Setup) -> tuple[Prior, str]:
    """What earlier flights taught, and why it is not used (``""``: it is).

    A file that is spoilt or out of bounds must not keep an aircraft on the ground, nor mislead it:
    the flight then starts from its flight file alone, and says so.
    """
    storage = setup.daemon.storage
    if not storage.learn:
        return Prior(), ""
    try:
        return prior_for(storage.directory, setup.flight), ""
    except InputError as error:
        return Prior(), f"what was learned is not used: {error}"


def open_recorder(setup: Setup, flight_id: str, prior: Prior) -> Recorder | None:
    """The flight's recording, never over another one; None when none is wanted."""
    if not setup.daemon.storage.record:
        return None
    path = setup.recording or setup.daemon.storage.directory / f"{flight_id}.mcap"
    metadata = {
        "flight": flight_id,
        "aircraft": setup.flight.aircraft.aircraft_id,
        "version": __version__,
        "forecast": setup.daemon.forecast.model_dump_json(),
        **setup.inside,
        "prior": prior_text(prior, setup.flight),
    }
    return Recorder(_unused(path), metadata)


def make_uplink(
    daemon: DaemonFile,
    name: tuple[str, str],
    outbox: Outbox,
    *,
    on_ack: Callable[[messages.Ack], None],
    on_wish: Callable[[messages.ReturnWish], None] | None,
    telemetry_age_s: Callable[[], float],
    unix_s: Callable[[], float],
) -> Uplink | None:
    """The way to the broker; None when there is none. ``name``: aircraft and flight."""
    section = daemon.broker
    if not section.address:
        return None
    options = UplinkOptions(
        address=BrokerAddress.parse(section.address),
        aircraft=name[0],
        flight=name[1],
        credentials=Credentials(section.ca, section.certificate, section.key, section.password),
        signer=Signer.from_file(section.signing_key) if section.signing_key else None,
        people=load_keyring(section.people) if section.people else None,
        budget_kb_per_hour=section.budget_kb_per_hour,
        compress=section.compress,
        version=__version__,
    )
    return Uplink(
        options,
        outbox,
        on_ack=on_ack,
        on_wish=on_wish,
        on_event=lambda event, fields: log.info(event, **fields),
        telemetry_age_s=telemetry_age_s,
        unix_s=unix_s,
    )


def _unused(path: Path) -> Path:
    """``path``, or the same with a number when a file of that name is there already."""
    candidate, number = path, 1
    while candidate.exists():
        number += 1
        candidate = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return candidate
