"""The two files, each for itself and against each other; keys and certificates they name."""

from __future__ import annotations

import datetime
import stat
from collections.abc import Iterator
from pathlib import Path

from supervisor.core.plan import Flight
from supervisor.daemonfile import BrokerSection, DaemonFile
from supervisor.doctor.finding import Finding, bad, doubt, good, skipped
from supervisor.edge.dial import BrokerAddress, Credentials
from supervisor.edge.frame_signing import load_key
from supervisor.edge.signatures import Signer, load_keyring
from supervisor.errors import InputError
from supervisor.extras import how_to_get
from supervisor.learned import prior_for

FEW_DAYS = 30


def flight_file(flight: Flight) -> Iterator[Finding]:
    """What a valid flight file still leaves open."""
    aircraft, pack = flight.aircraft, flight.pack
    yield good("flight file", f"{flight.name}: {aircraft.name} with pack {pack.pack_id}")
    for text in flight.guessed:
        yield doubt("flight file", f"guessed, {text}", "measure it and write it down")
    if not flight.alternates:
        says = "no alternate: if home is out of reach there is nowhere to send it"
        yield doubt("alternates", says, "add [[alternate]] places that you judged fit to land on")


def daemon_file(daemon: DaemonFile) -> Iterator[Finding]:
    """Settings that work and are still not what anybody wants in flight."""
    if daemon.clock == "telemetry":
        fix = 'remove clock = "telemetry" from the daemon file'
        yield bad("clock", "time follows the telemetry: for simulation only", fix)
    if not daemon.storage.record:
        yield doubt("recording", "nothing is recorded", "set storage.record = true")
    if daemon.link.signing_key:
        yield _readable("link key", lambda: load_key(_given(daemon.link.signing_key)))
        yield from _private(daemon.link.signing_key)
    yield from _broker_settings(daemon.broker)


def learned(folder: Path, flight: Flight) -> Iterator[Finding]:
    """What earlier flights left of this aircraft and this pack."""
    try:
        prior = prior_for(folder, flight)
    except InputError as error:
        fix = "it is set aside at the next landing; or mend it, or move it away"
        yield doubt("learned files", f"not used: {error}", fix)
        return
    known = [name for name in ("power", "pack") if getattr(prior, name) is not None]
    says = f"{' and '.join(known)} as earlier flights taught" if known else "nothing yet"
    yield good("learned files", says)


def _broker_settings(section: BrokerSection) -> Iterator[Finding]:
    if not section.address:
        fix = "set broker.address; without it nobody ashore is warned"
        yield doubt("broker address", "no broker is set", fix)
        return
    try:
        address = BrokerAddress.parse(section.address)
    except InputError as error:
        yield bad("broker address", str(error), "mqtts://HOST:8883")
        return
    if not address.tls and not address.loopback:
        says = f"{address} is not encrypted and proves nothing about who answers"
        yield doubt("broker address", says, "use mqtts:// and `homeleg keys`")
    if not section.people:
        says = "no list of people: anybody who reaches the broker can acknowledge"
        yield doubt("people", says, "set broker.people to people.toml of `homeleg keys`")
    else:
        yield _readable("people", lambda: load_keyring(_given(section.people)))
    if section.signing_key:
        yield _readable("signing key", lambda: Signer.from_file(_given(section.signing_key)))
    for path in (section.key, section.signing_key, section.password):
        yield from _private(path)


def _given(path: Path | None) -> Path:
    assert path is not None
    return path


def _readable(check: str, read: object) -> Finding:
    assert callable(read)
    try:
        read()
    except InputError as error:
        return bad(check, str(error), "copy the folder that `homeleg keys` made for this aircraft")
    return good(check, "readable")


def _private(path: Path | None) -> Iterator[Finding]:
    """Whether a secret is kept from the other users of this computer."""
    if path is None or not path.exists():
        return
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & 0o077:
        yield doubt(
            f"secret {path.name}", f"others may read it (mode {mode:o})", f"chmod 600 {path}"
        )


def certificates(
    section: BrokerSection, aircraft_id: str, now: datetime.datetime
) -> Iterator[Finding]:
    """Days left, and whether the client certificate is this aircraft's."""
    if section.ca is None and section.certificate is None:
        return
    try:
        from cryptography import x509
    except ImportError:
        yield skipped("certificates", "the extra is missing", how_to_get("keys"))
        return
    for path in (section.ca, section.certificate):
        if path is None:
            continue
        try:
            found = x509.load_pem_x509_certificate(path.read_bytes())
        except (OSError, ValueError) as error:
            yield bad("certificate", f"{path}: {error}", "copy it anew from `homeleg keys`")
            continue
        yield _days_left(path, found.not_valid_before_utc, found.not_valid_after_utc, now)
        if path == section.certificate:
            names = found.subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)
            yield from _same_name(str(names[0].value) if names else "", aircraft_id)
    yield from _pair(section)


def _days_left(
    path: Path, begins: datetime.datetime, ends: datetime.datetime, now: datetime.datetime
) -> Finding:
    check, days = f"certificate {path.name}", (ends - now).days
    if now < begins:
        fix = "set this computer's date (no clock battery?), then look again"
        return bad(check, f"not valid before {begins:%Y-%m-%d}, and here it is {now:%Y-%m-%d}", fix)
    if now >= ends:
        return bad(check, f"expired on {ends:%Y-%m-%d}", "delete it, run `homeleg keys` again")
    if days < FEW_DAYS:
        return doubt(check, f"{days} days left", "renew it: delete it, run `homeleg keys` again")
    return good(check, f"{days} days left")


def _same_name(common_name: str, aircraft_id: str) -> Iterator[Finding]:
    if common_name != aircraft_id:
        says = f"it is {common_name!r}'s, the flight file's aircraft is {aircraft_id!r}"
        yield bad("certificate name", f"{says}: the broker will refuse its topics", "use its own")


def _pair(section: BrokerSection) -> Iterator[Finding]:
    try:
        Credentials(section.ca, section.certificate, section.key).context()
    except InputError as error:
        yield bad("certificate and key", str(error), "do they belong together?")
