"""MAVLink against the reference library (pymavlink 2.4.50) and published check values.

The supervisor itself does not import that library; its table of messages is checked here, row by
row, and its frames and values against the library's on a long mixed stream.
"""

from __future__ import annotations

import random
import struct
from typing import Any

import pytest
from fastcrc.crc16 import mcrf4xx
from pymavlink.dialects.v20 import common

from supervisor.edge import wire
from supervisor.edge.frame_signing import Signer, Verdict, Verifier, signature
from supervisor.edge.frames import Frame, Splitter, build

# Absent from the library's dialect; layout from the open common set's definition (id 334,
# 10 bytes, CRC seed 72).
ABSENT = {wire.CELLULAR_STATUS}

# Frames made by the reference library's own generator, system 1, component 1, sequence 0.
HEARTBEAT_2 = bytes.fromhex("fd090000000101000000000000000203510403e71e")
HEARTBEAT_1 = bytes.fromhex("fe09000101000000000002035104037ddd")
FLYING = bytes.fromhex("fd020000000101f5000003021a2c")
ALL_ZERO = bytes.fromhex("fd010000000101f5000000ac20")
BATTERY = bytes.fromhex(
    "fd24000000010193000088130000ffffffffc4093c0f320f280f1e0f140f0a0fffffffffffffffffd204000103494958"
)
WIND = bytes.fromhex(
    "fd280000000101e7000040420f000000000000004040000080c00000003f0000803ecdcccc3d0000f0420000003f"
    "0000003fc7bc"
)
SIGNED = bytes.fromhex("fd09010000010100000000000000020351040300e607e8030000000048a4c257c5ab")
KEY = bytes(range(32))
CODES = {
    "uint8_t": "B", "int8_t": "b", "uint16_t": "H", "int16_t": "h", "uint32_t": "I",
    "int32_t": "i", "uint64_t": "Q", "float": "f", "char": "c",
}  # fmt: skip


def reference(msgid: int) -> Any:
    return common.mavlink_map[msgid]


def test_crc_check_value() -> None:
    # CRC-16/MCRF4XX of "123456789": catalogue of parametrised CRC algorithms.
    assert mcrf4xx(b"123456789") == 0x6F91


@pytest.mark.parametrize("msgid", sorted(set(wire.ROWS) - ABSENT))
def test_row_is_the_reference_s(msgid: int) -> None:
    row, theirs = wire.ROWS[msgid], reference(msgid)
    assert row.name == theirs.msgname
    assert row.crc_extra == theirs.crc_extra
    assert row.layout.format.lstrip("<") == theirs.unpacker.format.lstrip("<")
    assert [name for name, _ in row.fields] == list(theirs.ordered_fieldnames)
    lengths = [0 if isinstance(kind, str) else int(kind) for kind in theirs.array_lengths]
    ours = [length or (50 if name == "text" else 0) for name, length in row.fields]
    assert ours == lengths


@pytest.mark.parametrize("msgid", sorted(wire.CARRIERS))
def test_carrier_s_seed_is_the_reference_s(msgid: int) -> None:
    assert wire.CARRIERS[msgid] == reference(msgid).crc_extra


def test_base_sizes_are_the_published_lengths_without_extensions() -> None:
    # From memory of the open common set: payload lengths in MAVLink 1, which knows no extensions.
    published = {
        0: 9, 1: 31, 2: 12, 24: 30, 29: 14, 30: 28, 33: 28, 42: 2, 44: 4, 47: 3, 73: 37, 74: 20,
        76: 33, 77: 3, 109: 9, 147: 36, 231: 40, 242: 52, 245: 2, 253: 51,
    }  # fmt: skip
    assert {msgid: wire.ROWS[msgid].base_size for msgid in published} == published


def only(data: bytes) -> Frame:
    (frame,) = Splitter().feed(data)
    return frame


def test_reference_frames_are_read() -> None:
    heart = {
        "type": 2, "autopilot": 3, "base_mode": 81, "custom_mode": 0, "system_status": 4,
        "mavlink_version": 3,
    }  # fmt: skip
    for raw in (HEARTBEAT_2, HEARTBEAT_1):
        frame = only(raw)
        assert frame[:5] == (raw, 0, 1, 1, 0)
        assert wire.named(0, frame.payload) == heart
    assert wire.unpack(245, only(FLYING).payload) == (3, 2)
    assert only(ALL_ZERO).payload == b"\0"  # one zero byte is kept
    assert wire.unpack(245, only(ALL_ZERO).payload) == (0, 0)
    battery = wire.named(147, only(BATTERY).payload)
    assert battery["voltages"] == (3900, 3890, 3880, 3870, 3860, 3850, *[0xFFFF] * 4)
    assert battery["current_battery"] == 1234
    assert battery["voltages_ext"] == (0, 0, 0, 0)
    wind = wire.named(231, only(WIND).payload)
    assert (wind["wind_x"], wind["wind_y"], wind["wind_z"]) == (3.0, -4.0, 0.5)


def test_reference_frames_are_written() -> None:
    heart = wire.pack(0, type=2, autopilot=3, base_mode=81, system_status=4, mavlink_version=3)
    assert build(0, heart, sysid=1, compid=1, seq=0) == HEARTBEAT_2
    state = wire.pack(245, vtol_state=3, landed_state=2)
    assert build(245, state, sysid=1, compid=1, seq=0) == FLYING
    assert build(245, wire.pack(245), sysid=1, compid=1, seq=0) == ALL_ZERO
    battery = wire.pack(
        147, battery_function=1, type=3, temperature=2500, current_battery=1234,
        voltages=(3900, 3890, 3880, 3870, 3860, 3850, *[0xFFFF] * 4), current_consumed=5000,
        energy_consumed=-1, battery_remaining=73,
    )  # fmt: skip
    assert build(147, battery, sysid=1, compid=1, seq=0) == BATTERY


def test_untrimmed_frames_are_read_too() -> None:
    # A receiver must also accept frames whose zeros were not cut (developer guide).
    raw = build(245, b"\x03\x00", sysid=1, compid=1, seq=0)
    assert wire.unpack(245, only(raw).payload) == (3, 0)


def test_reference_signature() -> None:
    assert signature(KEY, SIGNED[:-6]) == SIGNED[-6:]
    assert Verifier(KEY).check(only(SIGNED)) is Verdict.GOOD
    heart = wire.pack(0, type=2, autopilot=3, base_mode=81, system_status=4, mavlink_version=3)
    unsigned = build(0, heart, sysid=1, compid=1, seq=0, signed=True)
    assert Signer(KEY, link=7, newest=999).sign(unsigned) == SIGNED


def test_reference_library_believes_our_signatures() -> None:
    mav = common.MAVLink(None)
    mav.robust_parsing = True
    mav.signing.secret_key = KEY
    mav.signing.timestamp = 1
    signer = Signer(KEY, link=2, newest=10)
    raw = build(42, wire.pack(42, seq=9), sysid=1, compid=191, seq=3, signed=True)
    (message,) = mav.parse_buffer(signer.sign(raw))
    assert message.get_type() == "MISSION_CURRENT"
    assert message.get_signed()
    forged = Signer(bytes(32), link=2, newest=20).sign(raw)
    (refused,) = mav.parse_buffer(forged)
    assert refused.get_type() == "BAD_DATA"


def random_field(rng: random.Random, code: str) -> Any:
    if code in "fd":
        return struct.unpack("<f", struct.pack("<f", rng.uniform(-1e3, 1e3)))[0]
    size = struct.calcsize(code)
    signed = code.islower()
    low, high = (
        (-(1 << 8 * size - 1), (1 << 8 * size - 1) - 1) if signed else (0, (1 << 8 * size) - 1)
    )
    return rng.choice((0, 0, low, high, rng.randint(low, high)))


def reference_stream(count: int, seed: int) -> list[bytes]:
    """Random valid frames of the rows in our table, packed by the reference library."""
    rng = random.Random(seed)
    mav = common.MAVLink(None, srcSystem=1, srcComponent=1)
    kinds = sorted(set(wire.ROWS) - ABSENT)
    frames = []
    for _ in range(count):
        theirs = reference(rng.choice(kinds))
        kind_of = dict(zip(theirs.fieldnames, theirs.fieldtypes, strict=True))
        values: dict[str, Any] = {}
        for name, length in zip(theirs.ordered_fieldnames, theirs.array_lengths, strict=True):
            code = CODES[kind_of[name]]
            if code == "c":
                values[name] = "".join(rng.choices("abc XYZ", k=rng.randint(0, 50))).encode()
            elif length:
                values[name] = [random_field(rng, code) for _ in range(length)]
            else:
                values[name] = random_field(rng, code)
        frames.append(bytes(theirs(**values).pack(mav)))
        mav.seq = (mav.seq + 1) % 256
    return frames


def test_values_are_the_reference_s_on_a_long_stream() -> None:
    frames = reference_stream(5_000, seed=4)
    mav = common.MAVLink(None)
    mav.robust_parsing = True
    theirs = mav.parse_buffer(b"".join(frames))
    ours = Splitter().feed(b"".join(frames))
    assert len(theirs) == len(ours) == len(frames)
    for frame, message, raw in zip(ours, theirs, frames, strict=True):
        assert (frame.raw, frame.msgid, frame.seq) == (raw, message.get_msgId(), message.get_seq())
        for name, value in wire.named(frame.msgid, frame.payload).items():
            reference_value = getattr(message, name)
            if isinstance(value, tuple):
                assert list(value) == list(reference_value), name
            else:
                assert value == reference_value, name


def test_our_packing_is_the_reference_s() -> None:
    frames = reference_stream(2_000, seed=5)
    for raw in frames:
        frame = only(raw)
        fields = wire.named(frame.msgid, frame.payload)
        if "text" in fields:
            fields["text"] = fields["text"].encode()
        again = build(
            frame.msgid, wire.pack(frame.msgid, **fields), sysid=1, compid=1, seq=frame.seq
        )
        assert again == raw
