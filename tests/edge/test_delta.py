"""Differences stand for the text to the byte, or are not made; rubbish is refused."""

from __future__ import annotations

import json
import random

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from examples import status
from hypothesis import example, given, settings
from hypothesis import strategies as st

from supervisor.edge import delta
from supervisor.edge.signatures import Signer
from supervisor.edge.squeeze import SqueezeError, squeeze
from supervisor.messages import Status

SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
TOPIC = "homeleg/v1/saltmere-1/status"


def signed(t: float, order: int) -> bytes:
    return SIGNER.sign(TOPIC, status(t).payload(), boot=3, order=order)


@pytest.mark.parametrize("number", range(40))
def test_a_status_comes_back_to_the_byte(number: int) -> None:
    whole, later = signed(10.0, 1), signed(10.0 + 7.3 * number, 2 + number)
    told = delta.encode(whole, later)
    assert told is not None
    assert delta.decode(whole, told) == later
    assert len(told) < 0.6 * len(squeeze(later))


def test_unsigned_ones_too() -> None:
    whole, later = status(10.0).payload(), status(20.0).payload()
    told = delta.encode(whole, later)
    assert told is not None
    assert delta.decode(whole, told) == later


def test_what_needs_other_words_goes_whole() -> None:
    whole = status(10.0).payload()
    assert delta.encode(whole, status(20.0, level="caution").payload()) is None
    assert delta.encode(whole, signed(20.0, 1)) is None
    numbers = status(20.0).model_copy(update={"numbers": None})
    assert delta.encode(whole, numbers.payload()) is None


def test_the_format_is_as_it_is_described() -> None:
    """By hand from the text of the module, so that another reader can be written from it."""
    import zlib

    whole = b'{"a":1.5,"b":-3,"c":"08:59","d":2.25}'
    later = b'{"a":1.4,"b":-3,"c":"09:01","d":300}'
    #        -1 -> 1 ; 0 ; 8 -> 9 filled, 59 -> 01 is -58 -> 115 filled ; no decimals: 300 - 2
    zigzag = 2 * (300 - 2)
    entries = bytes([1, 0, 254, 2, 254, 115, 255, 0, 239 + 2]) + zigzag.to_bytes(2, "big")
    coder = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = coder.compress(entries) + coder.flush()
    told = b"\x02" + zlib.crc32(later).to_bytes(4, "big") + body
    assert delta.decode(whole, told) == later
    assert delta.encode(whole, later) == told


FEW = st.one_of(
    st.integers(-(10**12), 10**12),
    st.integers(-10, 10),
    st.floats(-1e5, 1e5).map(lambda x: round(x, 3)),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([0.0, -0.0, 1e-7, 1e22, -1.0, 0.1]),
)
ROWS = st.lists(st.tuples(FEW, FEW), min_size=1, max_size=20)


@settings(max_examples=300)
@given(ROWS)
@example([(0.0, -0.0)])
@example([(1e-7, 1e22)])
def test_any_numbers_come_back_or_go_whole(rows: list[tuple[float, float]]) -> None:
    whole = json.dumps([a for a, _ in rows]).encode()
    later = json.dumps([b for _, b in rows]).encode()
    told = delta.encode(whole, later)
    assert told is None or delta.decode(whole, told) == later


def test_cut_changed_and_foreign_ones_are_refused() -> None:
    whole, later, other = signed(10.0, 1), signed(20.0, 2), signed(30.0, 3)
    told = delta.encode(whole, later)
    assert told is not None
    with pytest.raises(SqueezeError):
        delta.decode(other, told)
    draw = random.Random(5)
    for cut in range(len(told)):
        with pytest.raises(SqueezeError):
            delta.decode(whole, told[:cut])
    signature = range(5, 5 + delta.SIGNATURE_BYTES)
    for _ in range(500):
        at = draw.randrange(1, len(told))
        bad = bytearray(told)
        bad[at] ^= draw.randrange(1, 256)
        try:
            got = delta.decode(whole, bytes(bad))
        except SqueezeError:
            continue
        assert at not in signature
        assert got == later  # bits of deflate that mean nothing


@settings(max_examples=200)
@given(st.binary(max_size=300))
def test_rubbish_is_refused(rubbish: bytes) -> None:
    with pytest.raises(SqueezeError):
        delta.decode(signed(10.0, 1), delta.MARK + rubbish)


def test_a_reader_that_missed_the_whole_one_waits_for_the_next() -> None:
    whole, later = signed(10.0, 1), signed(20.0, 2)
    told = delta.encode(whole, later)
    assert told is not None
    reader = delta.Unpacker()
    with pytest.raises(SqueezeError, match="not heard"):
        reader.open(TOPIC, told)
    assert reader.open(TOPIC, squeeze(whole)) == whole
    assert reader.open(TOPIC, told) == later
    assert reader.open(TOPIC, told) == later  # as often as it comes
    with pytest.raises(SqueezeError):
        reader.open(TOPIC.replace("saltmere-1", "farrow-2"), told)
    Status.model_validate_json(later)


def test_a_reader_remembers_a_bounded_number_of_topics() -> None:
    reader = delta.Unpacker()
    for n in range(3 * delta.KNOWN_TOPICS):
        reader.open(f"homeleg/v1/a{n}/status", b"{}")
    assert len(reader._whole) == delta.KNOWN_TOPICS
