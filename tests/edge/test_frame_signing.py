"""Signatures: streams, replays, keys on disk. Published bytes are checked in tests/reference."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.edge import wire
from supervisor.edge.frame_signing import (
    Signer,
    Verdict,
    Verifier,
    load_key,
    load_newest,
    save_newest,
)
from supervisor.edge.frames import Frame, build, read_frame
from supervisor.edge.outgoing import Outgoing
from supervisor.errors import InputError

KEY = bytes(range(32))


def signed(signer: Signer, compid: int = 1) -> Frame:
    raw = build(42, wire.pack(42, seq=1), sysid=1, compid=compid, seq=0, signed=True)
    frame = read_frame(signer.sign(raw))
    assert frame
    return frame


def test_each_stream_has_its_own_count() -> None:
    verifier = Verifier(KEY)
    ahead, behind = Signer(KEY, newest=1000), Signer(KEY, newest=500)
    assert verifier.check(signed(ahead)) is Verdict.GOOD
    assert verifier.check(signed(behind)) is Verdict.REPLAYED  # same component and link
    assert verifier.check(signed(behind, compid=180)) is Verdict.GOOD
    assert verifier.check(signed(Signer(KEY, newest=500, link=3))) is Verdict.GOOD
    assert verifier.newest == 1001


@given(st.integers(0, 600))
def test_a_changed_bit_anywhere_is_noticed(bit: int) -> None:
    """In the frame the CRC sees it, in link, timestamp and signature the signature does."""
    raw = bytearray(signed(Signer(KEY, newest=7)).raw)
    bit %= 8 * len(raw)
    raw[bit // 8] ^= 1 << bit % 8
    frame = read_frame(bytes(raw))
    assert frame is None or Verifier(KEY).check(frame) is not Verdict.GOOD


def test_looking_does_not_remember() -> None:
    verifier, frame = Verifier(KEY), signed(Signer(KEY))
    assert verifier.would_pass(frame)
    assert verifier.would_pass(frame)
    assert verifier.check(frame) is Verdict.GOOD
    assert not verifier.would_pass(frame)


def test_ours_are_never_behind_what_was_heard() -> None:
    verifier = Verifier(KEY)
    verifier.check(signed(Signer(KEY, newest=10**9)))
    ours = Outgoing(1, signer=Signer(KEY, heard=verifier))
    stamps = [int.from_bytes(ours.heartbeat()[-12:-6], "little") for _ in range(3)]
    assert stamps == [10**9 + 2, 10**9 + 3, 10**9 + 4]


def test_key_files(tmp_path: Path) -> None:
    path = tmp_path / "key"
    path.write_text(KEY.hex() + "\n")
    assert load_key(path) == KEY
    for text in ("", "abcd", KEY.hex()[:-1], "zz" * 32, KEY.hex() * 2):
        path.write_text(text)
        with pytest.raises(InputError, match="is not a signing key"):
            load_key(path)
    path.write_bytes(bytes([0xFF] * 32))  # the key itself instead of its digits
    with pytest.raises(InputError, match="is not a signing key"):
        load_key(path)
    with pytest.raises(InputError, match="cannot be read"):
        load_key(tmp_path / "none")


def test_the_newest_timestamp_outlives_the_daemon(tmp_path: Path) -> None:
    path = tmp_path / "newest"
    assert load_newest(path) == 0
    save_newest(path, 123_456)
    assert load_newest(path) == 123_456
    path.write_bytes(b"\xff\x00 damaged")
    assert load_newest(path) == 0
