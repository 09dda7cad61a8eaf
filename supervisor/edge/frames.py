"""Bytes to frames and back: MAVLink 2 (and 1) framing, with no input or output of its own.

A frame is (developer guide, *Serialization*)::

    0xFD  length  incompat  compat  seq  system  component  id(3)  payload  crc(2)  [signature(13)]
    0xFE  length                    seq  system  component  id(1)  payload  crc(2)

Rule 1: a length is believed only after its CRC was right. Where it is wrong, or cannot be checked
because the id is not in our tables, the search goes on at the very next byte: garbage never
swallows a good frame, and an unused message costs a look at its header.

Rule 2: what is found depends on the bytes alone, never on how they were cut into pieces.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from typing import NamedTuple

from fastcrc.crc16 import mcrf4xx

from supervisor.edge.wire import CARRIERS, ROWS

MAGIC_2, MAGIC_1 = 0xFD, 0xFE
SIGNED = 0x01  # the only incompatibility flag there is; frames with others must be dropped
HEADER_2, HEADER_1, SIGNATURE, CRC = 10, 6, 13, 2
_MAGIC = re.compile(rb"[\xfd\xfe]")
_HEAD_2 = struct.Struct("<BBBBBBBHB")  # id as low 16 bits and high 8

# CRC seed by id, as the one byte that is run through the CRC after the frame; carriers too.
_SEEDS = {msgid: bytes([row.crc_extra]) for msgid, row in ROWS.items()} | {
    msgid: bytes([seed]) for msgid, seed in CARRIERS.items()
}


class Frame(NamedTuple):
    """One frame whose CRC was right; or, with empty ``raw``, the header of one we do not use."""

    raw: bytes
    msgid: int
    sysid: int
    compid: int
    seq: int
    payload: bytes

    @property
    def signed(self) -> bool:
        """Whether it carries a signature (not whether that is right)."""
        return self.raw[:1] == b"\xfd" and bool(self.raw[2] & SIGNED)


@dataclass(slots=True)
class SplitCounts:
    """What became of the bytes."""

    frames: int = 0  # with a right CRC
    unread: int = 0  # headers of ids outside our tables
    damaged: int = 0  # headers of ids we know whose CRC was wrong
    stray_bytes: int = 0  # skipped in search of the next frame: garbage, damaged or unread frames


class Splitter:
    """Collects bytes, gives frames."""

    def __init__(self) -> None:
        self.counts = SplitCounts()
        self._rest = b""

    def feed(self, data: bytes) -> list[Frame]:
        """Every frame completed by these bytes, in order, unused ones as headers. Never raises."""
        data = self._rest + data if self._rest else data
        found: list[Frame] = []
        counts = self.counts
        at = 0
        while True:
            magic = _MAGIC.search(data, at)
            if magic is None:
                counts.stray_bytes += len(data) - at
                self._rest = b""
                break
            counts.stray_bytes += magic.start() - at
            at = magic.start()
            frame, used = _frame_at(data, at, counts)
            if used == 0:
                self._rest = data[at:]
                break
            if frame is not None:
                found.append(frame)
            at += used
        return found


def _frame_at(data: bytes, at: int, counts: SplitCounts) -> tuple[Frame | None, int]:
    """The frame at a magic byte and its size; ``(None, 1)`` is none, ``(None, 0)`` needs more."""
    left = len(data) - at
    if data[at] == MAGIC_2:
        if left < HEADER_2:
            return None, 0
        _, size, flags, _, seq, sysid, compid, low, high = _HEAD_2.unpack_from(data, at)
        msgid, start = low | high << 16, at + HEADER_2
        if flags & ~SIGNED:
            return None, 1
        tail = SIGNATURE if flags else 0
    else:
        if left < HEADER_1:
            return None, 0
        _, size, seq, sysid, compid, msgid = data[at : at + HEADER_1]
        start, tail = at + HEADER_1, 0
    seed = _SEEDS.get(msgid)
    if seed is None:
        counts.unread += 1
        return Frame(b"", msgid, sysid, compid, seq, b""), 1
    check = start + size
    end = check + CRC + tail
    if data[at] == MAGIC_1 and msgid in ROWS and size != ROWS[msgid].base_size:
        return None, 1
    if end > len(data):
        return None, 0
    right = mcrf4xx(seed, mcrf4xx(data[at + 1 : check]))
    if right != data[check] | data[check + 1] << 8:
        counts.damaged += 1
        return None, 1
    counts.frames += 1
    return Frame(data[at:end], msgid, sysid, compid, seq, data[start:check]), end - at


def build(msgid: int, payload: bytes, *, sysid: int, compid: int, seq: int) -> bytes:
    """An unsigned MAVLink 2 frame."""
    return seal(msgid, payload, sysid=sysid, compid=compid, seq=seq, flags=0)


def seal(msgid: int, payload: bytes, *, sysid: int, compid: int, seq: int, flags: int) -> bytes:
    """Header, payload and CRC; the signature, if ``flags`` announce one, is the caller's."""
    head = struct.pack(
        "<BBBBBBBHB", MAGIC_2, len(payload), flags, 0, seq & 0xFF, sysid, compid,
        msgid & 0xFFFF, msgid >> 16,
    )  # fmt: skip
    right = mcrf4xx(_SEEDS[msgid], mcrf4xx(head[1:] + payload))
    return head + payload + right.to_bytes(CRC, "little")
