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
HEADER_2, HEADER_1, CRC, SIGNATURE = 10, 6, 2, 13
SMALLEST_2, SMALLEST_1 = HEADER_2 + CRC, HEADER_1 + CRC
ID_MASK = 0xFFFFFF

_MAGIC = re.compile(rb"[\xfd\xfe]")
# From the length on; the three bytes of the id are read as four, of which the last is not its.
_HEAD_2 = struct.Struct("<BBBBBBI")
_HEAD_1 = struct.Struct("<BBBBB")
_BUILD_2 = struct.Struct("<BBBBBBBHB")

# CRC seed by id, as the one byte that is run through the CRC after the frame.
_SEEDS = {msgid: bytes([row.crc_extra]) for msgid, row in ROWS.items()} | {
    msgid: bytes([seed]) for msgid, seed in CARRIERS.items()
}
_FIXED_SIZE = {msgid: row.base_size for msgid, row in ROWS.items() if msgid < 256}


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


_new = tuple.__new__  # makes a Frame in half the time of its own constructor


@dataclass(slots=True)
class SplitCounts:
    """What became of the bytes."""

    bytes: int = 0
    frames: int = 0  # with a right CRC
    unread: int = 0  # headers of ids outside our tables
    damaged: int = 0  # headers of ids we know whose CRC was wrong


_UNCOUNTED = SplitCounts()  # where nobody looks


class Splitter:
    """Collects bytes, gives frames."""

    def __init__(self) -> None:
        self.counts = SplitCounts()
        self._rest = b""

    def feed(self, data: bytes) -> list[Frame]:
        """Every frame completed by these bytes, in order, unused ones as headers. Never raises."""
        self.counts.bytes += len(data)
        if self._rest:
            data = self._rest + data
        found: list[Frame] = []
        at, size, counts = 0, len(data), self.counts
        while at < size:
            magic = data[at]
            if magic == MAGIC_2:
                step = _take_2(data, at, found, counts)
            elif magic == MAGIC_1:
                step = _take_1(data, at, found, counts)
            else:
                step = 1
            if step == 0:
                break
            at += step
            if step == 1:
                mark = _MAGIC.search(data, at)
                at = mark.start() if mark else size
        self._rest = data[at:]
        return found


def _take_2(data: bytes, at: int, found: list[Frame], counts: SplitCounts) -> int:
    """Append the frame at ``at``; returns its size, 1 if there is none, 0 to see more."""
    if len(data) - at < SMALLEST_2:
        return 0
    length: int
    length, flags, _, seq, sysid, compid, msgid = _HEAD_2.unpack_from(data, at + 1)
    msgid &= ID_MASK
    seed = _SEEDS.get(msgid)
    if seed is None:
        counts.unread += 1
        found.append(_new(Frame, (b"", msgid, sysid, compid, seq, b"")))
        return 1
    if flags & ~SIGNED:
        return 1
    check = at + HEADER_2 + length
    end = check + (CRC + SIGNATURE if flags else CRC)
    if end > len(data):
        return 0
    if mcrf4xx(data[at + 1 : check] + seed) != data[check] | data[check + 1] << 8:
        counts.damaged += 1
        return 1
    counts.frames += 1
    payload = data[at + HEADER_2 : check]
    found.append(_new(Frame, (data[at:end], msgid, sysid, compid, seq, payload)))
    return end - at


def _take_1(data: bytes, at: int, found: list[Frame], counts: SplitCounts) -> int:
    """The same for MAVLink 1, whose payloads are never trimmed nor extended."""
    if len(data) - at < SMALLEST_1:
        return 0
    length: int
    length, seq, sysid, compid, msgid = _HEAD_1.unpack_from(data, at + 1)
    if msgid not in _FIXED_SIZE:
        counts.unread += 1
        found.append(_new(Frame, (b"", msgid, sysid, compid, seq, b"")))
        return 1
    check = at + HEADER_1 + length
    if length != _FIXED_SIZE[msgid]:
        return 1
    if check + CRC > len(data):
        return 0
    right = mcrf4xx(data[at + 1 : check] + _SEEDS[msgid])
    if right != data[check] | data[check + 1] << 8:
        counts.damaged += 1
        return 1
    counts.frames += 1
    payload = data[at + HEADER_1 : check]
    found.append(Frame(data[at : check + CRC], msgid, sysid, compid, seq, payload))
    return check + CRC - at


def read_frame(raw: bytes) -> Frame | None:
    """The frame that these bytes are: one of those a recording or a simulation hands over."""
    found: list[Frame] = []
    take = _TAKE.get(raw[0]) if raw else None
    step = take(raw, 0, found, _UNCOUNTED) if take is not None else 0
    return found[0] if found and step == len(raw) else None


_TAKE = {MAGIC_2: _take_2, MAGIC_1: _take_1}


def build(
    msgid: int, payload: bytes, *, sysid: int, compid: int, seq: int, signed: bool = False
) -> bytes:
    """A MAVLink 2 frame; if ``signed``, one that announces the signature still to be added."""
    flags = SIGNED if signed else 0
    low, high = msgid & 0xFFFF, msgid >> 16
    head = _BUILD_2.pack(MAGIC_2, len(payload), flags, 0, seq & 0xFF, sysid, compid, low, high)
    right = mcrf4xx(head[1:] + payload + _SEEDS[msgid])
    return head + payload + right.to_bytes(CRC, "little")
