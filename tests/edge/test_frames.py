"""Framing: any split, any garbage, any damage."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.edge import wire
from supervisor.edge.frames import Frame, Splitter, build, read_frame

TUNNEL = 385
KNOWN = sorted(wire.ROWS)


def frame(seq: int = 0, msgid: int = wire.MISSION_CURRENT, payload: bytes = b"\x01\x02") -> bytes:
    return build(msgid, payload, sysid=1, compid=1, seq=seq)


def read(frames: list[Frame]) -> list[bytes]:
    return [frame.raw for frame in frames if frame.raw]


pieces = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from([b"\xfd", b"\xfe", b"\xfd\x09\0\0", b"\xfd\xff\0\0\0\x01\x01\0\0\0"]),
        st.builds(
            build,
            st.sampled_from(KNOWN),
            st.binary(min_size=1, max_size=60),
            sysid=st.integers(0, 255),
            compid=st.integers(0, 255),
            seq=st.integers(0, 255),
        ),
    ),
    max_size=12,
)


@given(pieces, st.lists(st.integers(1, 30), min_size=1))
def test_any_split_gives_the_same(parts: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(parts)
    whole = Splitter()
    expected = whole.feed(stream)
    split, got, at = Splitter(), [], 0
    while at < len(stream):
        size = cuts[at % len(cuts)]
        got += split.feed(stream[at : at + size])
        at += size
    assert got == expected
    assert split.counts == whole.counts


@given(st.binary(max_size=300), st.integers(1, 20), st.binary(max_size=300))
def test_garbage_never_swallows_good_frames(before: bytes, count: int, after: bytes) -> None:
    good = [frame(seq) for seq in range(count)]
    found = read(Splitter().feed(before + b"".join(good) + after + bytes(300)))
    # All good frames, in order; a frame that garbage makes by chance may stand among them.
    rest = iter(found)
    assert all(raw in rest for raw in good)


@given(st.binary(max_size=600))
def test_garbage_never_raises_and_is_not_kept(data: bytes) -> None:
    splitter = Splitter()
    splitter.feed(data)
    splitter.feed(bytes(300))  # zeros end whatever was still hoped for
    assert splitter.counts.bytes == len(data) + 300
    assert len(splitter._rest) < 12


@settings(max_examples=300)
@given(st.data())
def test_a_damaged_frame_is_not_believed_and_its_neighbours_are(data: st.DataObject) -> None:
    payload = data.draw(st.binary(min_size=1, max_size=60))
    victim = frame(1, payload=payload)
    at = data.draw(st.integers(0, len(victim) - 1))
    flip = data.draw(st.integers(1, 255))
    damaged = bytearray(victim)
    damaged[at] ^= flip
    stream = frame(0) + bytes(damaged) + frame(2) + bytes(300)
    found = read(Splitter().feed(stream))
    compatible = at == 3  # any compatibility flag is allowed, but it is under the CRC
    assert found == [frame(0), frame(2)], compatible


def test_a_cut_off_frame_costs_only_itself() -> None:
    for size in range(1, len(frame())):
        found = read(Splitter().feed(frame(0)[:size] + frame(1) + frame(2) + bytes(300)))
        assert found == [frame(1), frame(2)], size


def test_unused_messages_cost_no_good_frame() -> None:
    # A private id, whose CRC cannot be checked, announcing more than there is.
    private = b"\xfd\xff\x00\x00\x05\x01\x01\x39\x30\x00" + b"\x11" * 40
    splitter = Splitter()
    found = splitter.feed(frame(4) + private + frame(6))
    assert read(found) == [frame(4), frame(6)]
    assert [f.seq for f in found] == [4, 5, 6]  # its number was seen in passing
    assert splitter.counts.unread == 1


def test_a_frame_inside_a_carrier_is_not_taken_for_one() -> None:
    payload = b"\0\0\1\1" + bytes([len(frame(77))]) + frame(77)
    carrier = build(TUNNEL, payload, sysid=1, compid=1, seq=1)
    found = Splitter().feed(frame(0) + carrier + frame(2))
    assert [(f.msgid, f.seq) for f in found] == [(42, 0), (TUNNEL, 1), (42, 2)]


def test_unknown_incompatibility_flags_are_dropped_and_compatibility_flags_are_not() -> None:
    # Developer guide, Serialization: the first must be discarded, the second still handled.
    from fastcrc.crc16 import mcrf4xx

    def flagged(place: int) -> bytes:
        raw = bytearray(frame(9))
        raw[place] = 0x40
        crc = mcrf4xx(bytes([wire.ROWS[42].crc_extra]), mcrf4xx(bytes(raw[1:-2])))
        return bytes(raw[:-2]) + crc.to_bytes(2, "little")

    assert read(Splitter().feed(flagged(2))) == []
    assert read(Splitter().feed(flagged(3))) == [flagged(3)]


def test_mavlink_1_must_have_its_fixed_length() -> None:
    from fastcrc.crc16 import mcrf4xx

    def first(payload: bytes) -> bytes:
        head = bytes([len(payload), 0, 1, 1, 42])
        crc = mcrf4xx(bytes([wire.ROWS[42].crc_extra]), mcrf4xx(head + payload))
        return b"\xfe" + head + payload + crc.to_bytes(2, "little")

    assert read(Splitter().feed(first(b"\x07\x00"))) == [first(b"\x07\x00")]
    assert read(Splitter().feed(first(b"\x07"))) == []


def test_a_long_damaged_stream() -> None:
    """Two megabytes with one byte in 300 wrong: every undamaged frame is found, none invented."""
    rng = random.Random(7)
    sent: set[bytes] = set()
    stream = bytearray()
    for number in range(40_000):
        payload = rng.randbytes(rng.randint(1, 60))
        raw = bytearray(build(rng.choice(KNOWN), payload, sysid=1, compid=1, seq=number))
        if rng.random() < 0.15:
            raw[rng.randrange(len(raw))] ^= rng.randint(1, 255)
        else:
            sent.add(bytes(raw))
        stream += raw
    found = set(read(Splitter().feed(bytes(stream) + bytes(300))))
    assert sent <= found
    # A random match of a 16-bit CRC is possible, but rare.
    assert len(found - sent) <= 2


def test_one_frame_alone() -> None:
    whole = Splitter().feed(frame(5))[0]
    assert read_frame(frame(5)) == whole
    for wrong in (b"", b"\xfd", frame(5)[:-1], frame(5) + b"\0", b"\0" + frame(5)[1:], bytes(12)):
        assert read_frame(wrong) is None
    private = b"\xfd\x01\x00\x00\x05\x01\x01\x39\x30\x00\x11\x22\x33"
    assert read_frame(private) is None
