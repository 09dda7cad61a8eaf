"""Clocks never go back."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.edge import wire
from supervisor.edge.clock import FakeClock, ReceiptClock, TelemetryClock
from supervisor.edge.frames import Frame, build, read_frame

MS = 1_000_000


def frame(boot_ms: int, msgid: int = wire.GLOBAL_POSITION_INT) -> Frame:
    payload = wire.pack(msgid, time_boot_ms=boot_ms)
    found = read_frame(build(msgid, payload, sysid=1, compid=1, seq=0))
    assert found
    return found


def test_receipt_time_is_monotonic_and_knows_no_date(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = ReceiptClock()
    monkeypatch.setattr(time, "time", lambda: 1e12)  # the computer's date jumps by millennia
    first = clock.now_ns()
    assert 0 <= first < 1e9
    assert clock.now_ns() >= first


def test_telemetry_time_starts_at_zero_and_follows_the_newest() -> None:
    clock = TelemetryClock()
    assert clock.now_ns() == 0
    for boot_ms, expected_ms in ((5000, 0), (5200, 200), (5100, 200), (65_000, 60_000)):
        clock.see(frame(boot_ms))
        assert clock.now_ns() == expected_ms * MS
    clock.see(frame(70_000, wire.SYSTEM_TIME))
    assert clock.now_ns() == 65_000 * MS


def test_frames_without_a_time_change_nothing() -> None:
    clock = TelemetryClock()
    heartbeat = read_frame(build(0, wire.pack(0), sysid=1, compid=1, seq=0))
    assert heartbeat
    clock.see(heartbeat)
    assert clock.now_ns() == 0


def test_a_rebooted_autopilot_continues_telemetry_time() -> None:
    clock = TelemetryClock()
    for boot_ms in (1_000, 101_000, 500, 1_500):
        clock.see(frame(boot_ms))
    assert clock.now_ns() == 101_000 * MS


@given(st.lists(st.integers(0, 2**32 - 1), max_size=30))
def test_telemetry_time_never_goes_back(times: list[int]) -> None:
    clock, last = TelemetryClock(), 0
    for boot_ms in times:
        clock.see(frame(boot_ms))
        assert clock.now_ns() >= last
        last = clock.now_ns()


def test_a_fake_clock_moves_only_when_told() -> None:
    clock = FakeClock()
    clock.advance(1.5)
    assert clock.now_ns() == 1_500_000_000
    with pytest.raises(ValueError, match="does not go back"):
        clock.advance(-1)
