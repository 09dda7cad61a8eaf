"""Ed25519 signatures from end to end, so that a broker need not be trusted.

A signed message is the same JSON object with one more member, always the last::

    {"schema_version":1, ... ,"signature":{"key":"…","boot":3,"order":17,"value":"…"}}

What is signed is the *bytes* of the object without that member, preceded by the topic, ``boot``
and ``order``, so no canonical form of JSON is needed and nothing can be moved to another topic.
A broker that was taken over can then still withhold, but no longer invent, change, replay or
reorder unseen: a :class:`Verifier` says so.

Ed25519: RFC 8032. The library is `cryptography`, loaded only when a key is used.
"""

from __future__ import annotations

import base64
import hashlib
import re
import tomllib
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.errors import InputError
from supervisor.extras import how_to_get
from supervisor.messages import Signature

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

RECENT = 512  # numbers remembered to tell a repeated message from a replayed one

_MEMBER = re.compile(
    rb',"signature":(\{"key":"[0-9a-f]{16}","boot":\d{1,18},"order":\d{1,18},'
    rb'"value":"[A-Za-z0-9_-]{86}"\})\}\Z'
)


def split(payload: bytes) -> tuple[bytes, Signature | None]:
    """The message as it was before signing, and its signature if it has one."""
    found = _MEMBER.search(payload)
    if found is None:
        return payload, None
    return payload[: found.start()] + b"}", Signature.model_validate_json(found[1])


def _covered(topic: str, boot: int, order: int, bare: bytes) -> bytes:
    return b"homeleg/v1\n%s\n%d\n%d\n%s" % (topic.encode(), boot, order, bare)


def key_id(public_raw: bytes) -> str:
    """Short name of a public key: 16 hex digits of its SHA-256."""
    return hashlib.sha256(public_raw).hexdigest()[:16]


class Signer:
    """Signs what one aircraft or one person sends."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.public_raw = key.public_key().public_bytes_raw()
        self.key_id = key_id(self.public_raw)

    @classmethod
    def from_file(cls, path: Path) -> Signer:
        """Read a PEM key made by ``homeleg keys``; InputError says what is wrong."""
        ed25519, serialization = _library(str(path))
        try:
            key = serialization.load_pem_private_key(path.read_bytes(), password=None)
        except (OSError, ValueError, TypeError) as error:
            raise InputError(str(path), f"is no readable private key: {error}") from None
        if not isinstance(key, ed25519.Ed25519PrivateKey):
            raise InputError(str(path), "holds another kind of key", allowed="Ed25519")
        return cls(key)

    def sign(self, topic: str, payload: bytes, *, boot: int, order: int) -> bytes:
        """The payload with its signature as last member."""
        bare, _ = split(payload)
        value = base64.urlsafe_b64encode(self._key.sign(_covered(topic, boot, order, bare)))
        signature = Signature(
            key=self.key_id, boot=boot, order=order, value=value.rstrip(b"=").decode()
        )
        return bare[:-1] + b',"signature":' + signature.model_dump_json().encode() + b"}"


class Verdict(Enum):
    """What is known of a received message. Only GENUINE may be shown without a mark."""

    GENUINE = "genuine"
    UNSIGNED = "unsigned"
    UNKNOWN_KEY = "unknown-key"  # invented, or a key that nobody gave us
    FORGED = "forged"  # invented or changed on the way
    REPEATED = "repeated"  # the very message seen before: QoS 1 may; nothing new, drop it
    REPLAYED = "replayed"  # genuine once, but older than one seen: replayed or reordered


@dataclass(frozen=True, slots=True)
class Checked:
    """One received message, checked. ``missing`` counts numbers skipped just before it."""

    verdict: Verdict
    bare: bytes
    by: str = ""
    signature: Signature | None = None
    missing: int = 0

    @property
    def genuine(self) -> bool:
        """Whether it may be believed."""
        return self.verdict is Verdict.GENUINE


@dataclass(slots=True)
class Verifier:
    """Checks one side's messages. Keep one a reader; its memory tells replayed from new.

    ``keys``: name to raw public key of those who may sign. ``gapless`` topics' leaf names have
    an ``order`` that goes up by one for ever, so a gap there means: withheld, or still to come.
    """

    keys: Mapping[str, bytes]
    gapless: frozenset[str] = frozenset({"advisory"})
    latest: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    recent: dict[tuple[str, str], deque[tuple[int, int]]] = field(default_factory=dict)

    def check(self, topic: str, payload: bytes) -> Checked:
        """Judge a message; one that is genuine moves the memory on."""
        bare, signature = split(payload)
        if signature is None:
            return Checked(Verdict.UNSIGNED, payload)
        by = next((n for n, raw in self.keys.items() if key_id(raw) == signature.key), "")
        if not by:
            return Checked(Verdict.UNKNOWN_KEY, bare, "", signature)
        if not _valid(self.keys[by], signature, topic, bare):
            return Checked(Verdict.FORGED, bare, by, signature)
        return self._in_time(topic, bare, by, signature)

    def _in_time(self, topic: str, bare: bytes, by: str, signature: Signature) -> Checked:
        gapless = topic.rsplit("/", 1)[-1] in self.gapless
        # A gapless number outlives restarts; any other begins again with each power-up.
        now = (0, signature.order) if gapless else (signature.boot, signature.order)
        stream = (signature.key, topic)
        last = self.latest.get(stream)
        recent = self.recent.setdefault(stream, deque(maxlen=RECENT))
        if last is not None and now <= last:
            verdict = Verdict.REPEATED if now in recent else Verdict.REPLAYED
            return Checked(verdict, bare, by, signature)
        self.latest[stream] = now
        recent.append(now)
        missing = now[1] - last[1] - 1 if gapless and last is not None else 0
        return Checked(Verdict.GENUINE, bare, by, signature, missing)


def _valid(public_raw: bytes, signature: Signature, topic: str, bare: bytes) -> bool:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    public: Ed25519PublicKey = Ed25519PublicKey.from_public_bytes(public_raw)
    try:
        value = base64.urlsafe_b64decode(signature.value + "==")
        public.verify(value, _covered(topic, signature.boot, signature.order, bare))
    except (InvalidSignature, ValueError):
        return False
    return True


def load_keyring(path: Path) -> dict[str, bytes]:
    """Public keys by name from a TOML file with one table ``keys``: name = "base64"."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(str(path), f"is no readable key list: {error}") from None
    names = table.get("keys")
    if not isinstance(names, dict) or set(table) != {"keys"}:
        raise InputError(str(path), "wants exactly one table", allowed="[keys]")
    ring: dict[str, bytes] = {}
    for name, text in names.items():
        try:
            raw = base64.b64decode(str(text), validate=True)
        except ValueError:
            raw = b""
        if len(raw) != 32:
            raise InputError(str(path), f"keys.{name} is no public key", allowed="32 bytes, base64")
        ring[name] = raw
    return ring


def keyring_line(name: str, public_raw: bytes) -> str:
    """One line of a key list."""
    return f'"{name}" = "{base64.b64encode(public_raw).decode()}"\n'


def _library(where: str) -> tuple[Any, Any]:
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise InputError(where, f"signing needs cryptography: {how_to_get('keys')}") from None
    return ed25519, serialization
