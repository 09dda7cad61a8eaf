"""Certificates and signing keys for one fleet, made by one command into one folder.

::

    DIR/ca/        ca.pem  ca.key  crl.pem        keep ca.key off every machine that flies
    DIR/server/    server.pem  server.key  ca.pem  crl.pem  acl     -> the shore broker
    DIR/aircraft/NAME/  client.pem client.key ca.pem signing.pem people.toml  -> aboard
    DIR/people/NAME/    client.pem client.key ca.pem signing.pem aircraft.toml -> the laptop
    DIR/aircraft.toml  DIR/people.toml            public signing keys, copied to the other side

TLS: ECDSA on P-256, a certificate each; the broker takes its common name as the user name, on
which the access list is built. Signatures from end to end: Ed25519, a key each, unknown to the
broker. What exists is never overwritten; running it again adds what is missing and writes the
access list and the key lists anew.
"""

from __future__ import annotations

import datetime
import ipaddress
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from supervisor.edge.signatures import Signer, keyring_line
from supervisor.errors import InputError

NAME = re.compile(r"[A-Za-z0-9_-]{1,64}\Z")
PERSON = "person."  # before a person's name, so that no person can be an aircraft to the broker
CA_DAYS, LEAF_DAYS, CRL_DAYS = 3650, 825, 825
AIRCRAFT_WRITES = (
    "status", "advisory", "plan", "track", "presence", "history", "health", "bridge",
)  # fmt: skip
PEOPLE_WRITE = ("ack", "return")  # signed from end to end; the aircraft judges what counts
# Its own advisories come back to it where the broker cannot say no (MQTT 3.1.1).
AIRCRAFT_READS = ("ack", "return", "advisory")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Who gets keys."""

    servers: tuple[str, ...] = ()  # names and addresses of the shore broker
    aircraft: tuple[str, ...] = ()
    people: tuple[str, ...] = ()


class Fleet:
    """The folder of one fleet."""

    def __init__(self, folder: Path, *, now: datetime.datetime | None = None) -> None:
        self.folder = folder
        self._now = now or datetime.datetime.now(datetime.UTC)
        self.made: list[Path] = []

    def make(self, wanted: Wanted) -> None:
        """Make what is missing; InputError for a name that cannot be used."""
        for name in (*wanted.aircraft, *wanted.people):
            if not NAME.match(name):
                raise InputError("name", repr(name), allowed="letters, digits, - and _")
        try:
            self._authority()
            if wanted.servers:
                self._server(wanted.servers)
            for name in wanted.aircraft:
                self._party("aircraft", name, name)
            for name in wanted.people:
                self._party("people", name, PERSON + name)
            self._lists()
        except OSError as error:
            raise InputError(str(self.folder), f"cannot be written: {error}") from None

    def revoke(self, certificate: Path) -> None:
        """Put a certificate on the revocation list that the broker reads."""
        try:
            leaf = x509.load_pem_x509_certificate(certificate.read_bytes())
        except (OSError, ValueError) as error:
            raise InputError(str(certificate), f"is no certificate: {error}") from None
        self._write_crl([*self._revoked(), leaf.serial_number])
        self._lists()

    # --- certificates --------------------------------------------------------------------------

    def _authority(self) -> None:
        if (self.folder / "ca" / "ca.key").exists():
            return
        key = ec.generate_private_key(ec.SECP256R1())
        name = _name("homeleg fleet authority")
        builder = self._builder(name, name, key.public_key(), CA_DAYS)
        certificate = (
            builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(_usage(ca=True), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False)
            .sign(key, hashes.SHA256())
        )
        self._secret("ca/ca.key", _pem(key))
        self._public("ca/ca.pem", certificate.public_bytes(serialization.Encoding.PEM))
        self._write_crl([])

    def _server(self, names: tuple[str, ...]) -> None:
        san = x509.SubjectAlternativeName([_general(name) for name in names])
        self._leaf("server/server", names[0], ExtendedKeyUsageOID.SERVER_AUTH, san)

    def _party(self, kind: str, name: str, common_name: str) -> None:
        folder = f"{kind}/{name}"
        self._leaf(f"{folder}/client", common_name, ExtendedKeyUsageOID.CLIENT_AUTH, None)
        if not (self.folder / folder / "signing.pem").exists():
            self._secret(f"{folder}/signing.pem", _pem(ed25519.Ed25519PrivateKey.generate()))

    def _leaf(
        self,
        stem: str,
        common_name: str,
        purpose: x509.ObjectIdentifier,
        san: x509.SubjectAlternativeName | None,
    ) -> None:
        if (self.folder / f"{stem}.pem").exists():
            return
        ca_key, ca = self._load_authority()
        key = ec.generate_private_key(ec.SECP256R1())
        builder = self._builder(_name(common_name), ca.subject, key.public_key(), LEAF_DAYS)
        builder = builder.add_extension(x509.BasicConstraints(False, None), critical=True)
        builder = builder.add_extension(_usage(ca=False), critical=True)
        builder = builder.add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
        issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(ca_key.public_key())
        builder = builder.add_extension(issuer, critical=False)
        if san is not None:
            builder = builder.add_extension(san, critical=False)
        certificate = builder.sign(ca_key, hashes.SHA256())
        self._secret(f"{stem}.key", _pem(key))
        self._public(f"{stem}.pem", certificate.public_bytes(serialization.Encoding.PEM))

    def _builder(
        self, subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, days: int
    ) -> x509.CertificateBuilder:
        # From an hour ago: a computer without a clock battery is often a little behind.
        start = self._now - datetime.timedelta(hours=1)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer)
            .public_key(key)
            .serial_number(x509.random_serial_number())
            .not_valid_before(start)
            .not_valid_after(self._now + datetime.timedelta(days=days))
        )

    def _load_authority(self) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
        key = serialization.load_pem_private_key(self._read("ca/ca.key"), password=None)
        if not isinstance(key, ec.EllipticCurvePrivateKey):
            raise InputError(str(self.folder / "ca/ca.key"), "holds another kind of key")
        return key, x509.load_pem_x509_certificate(self._read("ca/ca.pem"))

    def _revoked(self) -> list[int]:
        crl = x509.load_pem_x509_crl(self._read("ca/crl.pem"))
        return [entry.serial_number for entry in crl]

    def _write_crl(self, serials: Iterable[int]) -> None:
        key, ca = self._load_authority()
        builder = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(ca.subject)
            .last_update(self._now - datetime.timedelta(hours=1))
            .next_update(self._now + datetime.timedelta(days=CRL_DAYS))
        )
        for serial in dict.fromkeys(serials):
            entry = x509.RevokedCertificateBuilder().serial_number(serial)
            builder = builder.add_revoked_certificate(entry.revocation_date(self._now).build())
        crl = builder.sign(key, hashes.SHA256())
        self._public("ca/crl.pem", crl.public_bytes(serialization.Encoding.PEM))

    # --- lists ---------------------------------------------------------------------------------

    def _lists(self) -> None:
        aircraft, people = self._parties("aircraft"), self._parties("people")
        self._keyring("aircraft", aircraft, [f"people/{name}" for name in people])
        self._keyring("people", people, [f"aircraft/{name}" for name in aircraft])
        ca = self._read("ca/ca.pem")
        for folder in [f"aircraft/{n}" for n in aircraft] + [f"people/{n}" for n in people]:
            self._public(f"{folder}/ca.pem", ca)
        if (self.folder / "server").is_dir():
            self._public("server/ca.pem", ca)
            self._public("server/crl.pem", self._read("ca/crl.pem"))
            self._public("server/acl", access_list(aircraft, people).encode())

    def _parties(self, kind: str) -> list[str]:
        return sorted(path.parent.name for path in (self.folder / kind).glob("*/signing.pem"))

    def _keyring(self, kind: str, names: list[str], readers: list[str]) -> None:
        lines = ["[keys]\n"]
        for name in names:
            signer = Signer.from_file(self.folder / kind / name / "signing.pem")
            lines.append(keyring_line(name, signer.public_raw))
        text = "".join(lines).encode()
        for place in (".", *readers):
            self._public(f"{place}/{kind}.toml", text)

    # --- files ---------------------------------------------------------------------------------

    def _read(self, name: str) -> bytes:
        return (self.folder / name).read_bytes()

    def _secret(self, name: str, content: bytes) -> None:
        """Readable by its owner only from the first moment on; never overwrites."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        self.made.append(path)

    def _public(self, name: str, content: bytes) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.read_bytes() == content:
            return
        path.write_bytes(content)
        self.made.append(path)


def access_list(aircraft: Iterable[str], people: Iterable[str]) -> str:
    """mosquitto's ``acl_file``: an aircraft writes below its own topic; a person reads and acks."""
    parts = ["# Written by `homeleg keys`. What is not allowed here is refused.\n"]
    for name in aircraft:
        parts.append(f"\nuser {name}\n")
        parts += [f"topic write homeleg/v1/{name}/{leaf}\n" for leaf in AIRCRAFT_WRITES]
        parts += [f"topic read homeleg/v1/{name}/{leaf}\n" for leaf in AIRCRAFT_READS]
    for name in people:
        parts.append(f"\nuser {PERSON}{name}\n")
        parts.append("topic read homeleg/v1/#\n")
        parts += [f"topic write homeleg/v1/+/{leaf}\n" for leaf in PEOPLE_WRITE]
    return "".join(parts)


def _name(common_name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)])


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _usage(*, ca: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not ca,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=ca,
        crl_sign=ca,
        encipher_only=False,
        decipher_only=False,
    )


def _pem(key: ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
