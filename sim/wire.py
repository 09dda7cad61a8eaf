"""MAVLink 2 frames, packed fast.

The field layouts (format, order, CRC_EXTRA) are data taken from the message classes of the open
``common`` set; the packing is our own because a flight is several hundred thousand frames.
Tests compare every message sent here with the reference library's bytes.

Frame layout and truncation rule: https://mavlink.io/en/guide/serialization.html
Signature: https://mavlink.io/en/guide/message_signing.html
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from struct import Struct
from typing import Any

from fastcrc.crc16 import mcrf4xx
from pymavlink.dialects.v20 import common

MAGIC = 0xFD
HEADER_LEN = 10
CRC_LEN = 2
SIGNATURE_LEN = 13
SIGNED = 0x01
SIGNING_EPOCH_UNIX_S = 1420070400  # 2015-01-01, the zero of signing time stamps
SIGNING_TICKS_PER_S = 100_000  # 10 us each

# length, incompatible flags, compatible flags, sequence, system, component, id low 16, id high 8
_HEAD = Struct("<BBBBBBHB")
_CRC = Struct("<H")


@dataclass(frozen=True, slots=True)
class Shape:
    """How one message lies on the wire; ``fields`` in wire order, arrays flattened by ``pack``."""

    name: str
    id: int
    crc_extra: bytes
    payload: Struct
    fields: tuple[str, ...]


def shape(name: str) -> Shape:
    """The layout of message ``name`` (``"HEARTBEAT"``) of the common set."""
    kind: Any = getattr(common, f"MAVLink_{name.lower()}_message")
    return Shape(
        name, kind.id, bytes([kind.crc_extra]), kind.unpacker, tuple(kind.ordered_fieldnames)
    )


# In the open common set, but in no dialect of the installed library: layout written out.
CELLULAR_STATUS = Shape(
    "CELLULAR_STATUS",
    334,
    bytes([72]),
    Struct("<HHHBBBB"),
    ("mcc", "mnc", "lac", "status", "failure_reason", "type", "quality"),
)


@dataclass(frozen=True, slots=True)
class SigningKey:
    """Secret (32 bytes) and link id of signed frames."""

    secret: bytes
    link_id: int = 0


class Framer:
    """Turns values into frames of one sender: sequence numbers and, with a key, signatures."""

    def __init__(self, system: int = 1, component: int = 1, key: SigningKey | None = None) -> None:
        self.system = system
        self.component = component
        self._key = key
        self.unix_s = 0.0  # dates the signatures
        self._seq = 0
        self._stamp = 0

    def frame(self, layout: Shape, *values: Any) -> bytes:
        """One frame of ``values`` in wire order, arrays flattened."""
        payload = layout.payload.pack(*values).rstrip(b"\0") or b"\0"  # the first byte stays
        seq = self._seq
        self._seq = (seq + 1) & 0xFF
        body = (
            _HEAD.pack(
                len(payload),
                SIGNED if self._key else 0,
                0,
                seq,
                self.system,
                self.component,
                layout.id & 0xFFFF,
                layout.id >> 16,
            )
            + payload
        )
        out = b"\xfd" + body + _CRC.pack(mcrf4xx(body + layout.crc_extra))
        return out + self._signature(self._key, out) if self._key else out

    def _signature(self, key: SigningKey, frame: bytes) -> bytes:
        """Link id, time stamp (strictly rising), first 48 bits of SHA-256 over all of it."""
        ticks = round((self.unix_s - SIGNING_EPOCH_UNIX_S) * SIGNING_TICKS_PER_S)
        self._stamp = max(self._stamp + 1, ticks)
        tail = bytes([key.link_id]) + self._stamp.to_bytes(6, "little")
        return tail + hashlib.sha256(key.secret + frame + tail).digest()[:6]


def split_frames(data: bytes) -> tuple[list[bytes], bytes]:
    """Whole MAVLink 2 frames in ``data`` and the rest; bytes between frames are skipped.

    Checks the framing only; whoever reads a frame checks its CRC.
    """
    frames: list[bytes] = []
    at = data.find(MAGIC)
    while at >= 0:
        if len(data) - at < HEADER_LEN:
            return frames, data[at:]
        signature = SIGNATURE_LEN if data[at + 2] & SIGNED else 0
        end = at + HEADER_LEN + data[at + 1] + CRC_LEN + signature
        if end > len(data):
            return frames, data[at:]
        frames.append(data[at:end])
        at = data.find(MAGIC, end)
    return frames, b""


def message_id(frame: bytes) -> int:
    """Message id of a whole frame."""
    return int.from_bytes(frame[7:10], "little")


def joined(frames: Iterable[bytes], limit: int = 1200) -> list[bytes]:
    """Frames packed into datagrams of at most ``limit`` bytes, none of them cut."""
    out: list[bytes] = []
    current: list[bytes] = []
    size = 0
    for frame in frames:
        if current and size + len(frame) > limit:
            out.append(b"".join(current))
            current, size = [], 0
        current.append(frame)
        size += len(frame)
    if current:
        out.append(b"".join(current))
    return out
