"""Compact track and compression: nothing lost beyond what is said, and really smaller."""

from __future__ import annotations

import math
import random
import zlib
from contextlib import suppress

import pytest
from examples import advisory, plan, status
from hypothesis import given
from hypothesis import strategies as st

from supervisor.edge.squeeze import LARGEST, MARK, SqueezeError, _words, expand, squeeze
from supervisor.edge.track import OFF_LINE_M, Fix, TrackCoder, decode, encode
from supervisor.messages import Track


def flown(seconds: int) -> list[Fix]:
    """Straight legs and turns at 22 m/s, one position a second."""
    lat, lon, course, rows = -47.2, 12.1, 0.3, []
    for t in range(seconds):
        course += 0.1 if t % 200 > 180 else 0.0
        lat += 22.0 * math.cos(course) / 111_320.0
        lon += 22.0 * math.sin(course) / 111_320.0 / math.cos(math.radians(lat))
        rows.append(Fix(float(t), lat, lon, 120.0))
    return rows


def test_a_decoded_track_is_where_the_aircraft_was() -> None:
    truth = flown(1200)
    coder, seen = TrackCoder(), []
    for fix in truth:
        if coder.add(fix):
            message = coder.take("saltmere-1", "f1")
            assert message is not None
            seen += decode(Track.model_validate_json(message.payload()))
    times = [fix.t for fix in seen]
    assert times == sorted(times)
    worst = max(off_m(seen, fix) for fix in truth if fix.t <= times[-1])
    assert worst < OFF_LINE_M + 2.0  # and 1.1 m of rounding
    assert len(seen) < len(truth) / 5


def off_m(seen: list[Fix], fix: Fix) -> float:
    """Distance between the drawn line and a true position, at its time."""
    after = next(i for i, s in enumerate(seen) if s.t >= fix.t)
    a, b = seen[max(after - 1, 0)], seen[after]
    part = 0.0 if b.t == a.t else (fix.t - a.t) / (b.t - a.t)
    north = a.lat_deg + part * (b.lat_deg - a.lat_deg) - fix.lat_deg
    east = a.lon_deg + part * (b.lon_deg - a.lon_deg) - fix.lon_deg
    return math.hypot(north, east * math.cos(math.radians(fix.lat_deg))) * 111_320.0


@given(st.lists(st.tuples(st.floats(-89, 89), st.floats(-179, 179)), min_size=2, max_size=20))
def test_rounding_does_not_add_up(places: list[tuple[float, float]]) -> None:
    fixes = [Fix(float(n), lat, lon, 7.0) for n, (lat, lon) in enumerate(places)]
    for sent, got in zip(fixes, decode(encode("a", "f", fixes)), strict=True):
        assert abs(sent.lat_deg - got.lat_deg) <= 0.51e-5
        assert abs(sent.lon_deg - got.lon_deg) <= 0.51e-5


@pytest.mark.parametrize("message", [status(100.0), status(7.5, seed=3), plan(40)])
def test_squeezed_and_back(message: object) -> None:
    payload = message.payload()  # type: ignore[attr-defined]
    small = squeeze(payload)
    assert expand(small) == payload
    assert len(small) < 0.5 * len(payload)


def test_a_plain_payload_passes() -> None:
    payload = advisory(1).payload()
    assert expand(payload) == payload


def test_an_independent_inflate_reads_it() -> None:
    small = squeeze(status(1.0).payload())
    assert small[:1] == b"\x01"
    assert zlib.decompressobj(-15, _words()).decompress(small[1:]) == status(1.0).payload()


def test_the_word_list_never_changes() -> None:
    """Aircraft and laptops of different versions share it: a new list needs a new MARK."""
    assert MARK == b"\x01"
    assert zlib.crc32(_words()) == WORDS_CRC


WORDS_CRC = 0xA5B219D4


@given(st.binary(max_size=300))
def test_rubbish_is_an_error_of_ours(rubbish: bytes) -> None:
    with suppress(SqueezeError):
        expand(MARK + rubbish)


def test_a_bomb_is_refused() -> None:
    coder = zlib.compressobj(9, zlib.DEFLATED, -15, 9, zlib.Z_DEFAULT_STRATEGY, _words())
    bomb = MARK + coder.compress(bytes(LARGEST + 10)) + coder.flush()
    with pytest.raises(SqueezeError):
        expand(bomb)


def test_cut_or_flipped_squeezed_payloads() -> None:
    small = squeeze(status(1.0).payload())
    draw = random.Random(1)
    for _ in range(300):
        bad = bytearray(small)
        if draw.random() < 0.5:
            del bad[draw.randrange(1, len(bad)) :]
        else:
            bad[draw.randrange(1, len(bad))] ^= 1 << draw.randrange(8)
        with suppress(SqueezeError):
            expand(bytes(bad))
