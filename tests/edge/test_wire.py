"""Packing and unpacking. Rows are checked against the reference library in tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.edge import wire


@given(st.sampled_from(sorted(wire.ROWS)), st.binary(max_size=255))
def test_any_payload_is_unpacked_and_cut_zeros_make_no_difference(msgid: int, data: bytes) -> None:
    values = wire.unpack(msgid, data)
    assert repr(wire.unpack(msgid, data.rstrip(b"\0"))) == repr(values)
    assert repr(wire.unpack(msgid, data + bytes(3))) == repr(values)
    assert len(wire.named(msgid, data)) == len(wire.ROWS[msgid].fields)


@pytest.mark.parametrize("msgid", sorted(wire.ROWS))
def test_nothing_packs_to_one_zero_byte(msgid: int) -> None:
    assert wire.pack(msgid) == b"\0"


def test_a_field_that_there_is_not_is_our_fault() -> None:
    with pytest.raises(TypeError, match="HEARTBEAT has no field hearbeat"):
        wire.pack(wire.HEARTBEAT, hearbeat=1)


def test_text_ends_at_its_first_zero() -> None:
    payload = wire.pack(wire.STATUSTEXT, severity=4, text=b"low\0rest")
    assert wire.named(wire.STATUSTEXT, payload)["text"] == "low"
