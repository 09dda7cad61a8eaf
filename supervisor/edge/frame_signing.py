"""Signatures of MAVLink 2 frames: checked on what comes in, put on what goes out.

Developer guide, *Message signing*: the first 48 bits of SHA-256(key + header + payload + CRC +
link id + timestamp). Timestamps count 10 us since 2015-01-01 UTC and must rise strictly for each
(system, component, link). A companion computer often starts with a wrong date, so "now" is
the newest timestamp ever verified (kept over restarts by the caller), not the computer's clock.
"""

from __future__ import annotations

import hashlib
import hmac
from enum import Enum
from pathlib import Path

from supervisor.edge.frames import SIGNATURE, Frame
from supervisor.errors import InputError

TICKS_PER_S = 100_000
NEW_STREAM_LAG = 60 * TICKS_PER_S  # a new stream may be at most one minute behind
KEY_BYTES = 32


class Verdict(Enum):
    """What a check found."""

    GOOD = "good"
    UNSIGNED = "unsigned"
    WRONG = "wrong"
    REPLAYED = "replayed"


class Verifier:
    """Checks signatures against one key and remembers the timestamps."""

    def __init__(self, key: bytes, newest: int = 0) -> None:
        self._key = key
        self.newest = newest
        self._last: dict[tuple[int, int, int], int] = {}

    def check(self, frame: Frame) -> Verdict:
        """Whether the frame is signed with the key and newer than its stream's last."""
        verdict = self._judge(frame)
        if verdict is Verdict.GOOD:
            stamp = _stamp(frame)
            self._last[_stream(frame)] = stamp
            self.newest = max(self.newest, stamp)
        return verdict

    def would_pass(self, frame: Frame) -> bool:
        """The same without remembering it."""
        return self._judge(frame) is Verdict.GOOD

    def _judge(self, frame: Frame) -> Verdict:
        if not frame.signed:
            return Verdict.UNSIGNED
        raw = frame.raw
        if not hmac.compare_digest(signature(self._key, raw[:-6]), raw[-6:]):
            return Verdict.WRONG
        oldest = self._last.get(_stream(frame), self.newest - NEW_STREAM_LAG - 1)
        return Verdict.GOOD if _stamp(frame) > oldest else Verdict.REPLAYED


class Signer:
    """Puts signatures on frames, each with a later timestamp than the one before.

    ``heard`` tells the newest timestamp received, so that ours are not behind the aircraft's.
    """

    def __init__(
        self, key: bytes, *, link: int = 0, newest: int = 0, heard: Verifier | None = None
    ) -> None:
        self._key = key
        self._link = link
        self._heard = heard
        self.newest = newest

    def sign(self, frame: bytes) -> bytes:
        """The frame (built with the signed flag) with its 13 bytes of signature."""
        heard = self._heard.newest if self._heard is not None else 0
        self.newest = max(self.newest, heard) + 1
        body = frame + bytes([self._link]) + self.newest.to_bytes(6, "little")
        return body + signature(self._key, body)


def _stamp(frame: Frame) -> int:
    return int.from_bytes(frame.raw[-12:-6], "little")


def _stream(frame: Frame) -> tuple[int, int, int]:
    return frame.sysid, frame.compid, frame.raw[-SIGNATURE]


def signature(key: bytes, body: bytes) -> bytes:
    """First 48 bits of SHA-256 over the key and everything up to the timestamp."""
    return hashlib.sha256(key + body).digest()[:6]


def load_key(path: Path) -> bytes:
    """32 bytes, written as 64 hexadecimal digits; InputError says what is wrong with the file."""
    try:
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except OSError as error:
        raise InputError(str(path), f"cannot be read: {error.strerror}") from None
    except ValueError:
        key = b""
    if len(key) != KEY_BYTES:
        raise InputError(str(path), "is not a signing key", allowed="64 hexadecimal digits")
    return key


def load_newest(path: Path) -> int:
    """The newest timestamp that earlier runs verified; 0 if there is no such note."""
    try:
        return int(path.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return 0


def save_newest(path: Path, newest: int) -> None:
    """Note it, so that frames recorded before are not taken for new after a restart."""
    beside = path.with_suffix(".new")
    beside.write_text(str(newest), encoding="ascii")
    beside.replace(path)
