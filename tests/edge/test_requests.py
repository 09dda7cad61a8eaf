"""Rates, home and plan, asked from an autopilot that the reference library speaks for."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import pytest
from pymavlink.dialects.v20 import common

from supervisor.edge import wire
from supervisor.edge.intake import Intake
from supervisor.edge.outgoing import Outgoing
from supervisor.edge.requests import RATES_HZ, Requests

COMMANDS_ALLOWED = {511, 512}  # MAV_CMD_SET_MESSAGE_INTERVAL, MAV_CMD_REQUEST_MESSAGE
MESSAGES_ALLOWED = {
    "HEARTBEAT", "COMMAND_LONG", "MISSION_REQUEST_LIST", "MISSION_REQUEST_INT", "MISSION_ACK",
}  # fmt: skip


@dataclass
class Autopilot:
    """Answers as the open mission and command protocols say; may lose or refuse."""

    items: int = 5
    loss: float = 0.0
    refuse: set[int] = field(default_factory=set)
    other_station: bool = False  # another ground station talks to it at the same time
    heard: list[Any] = field(default_factory=list)
    rates: dict[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.rng = random.Random(1)
        self.mav = common.MAVLink(None, srcSystem=1, srcComponent=1)
        self.ear = common.MAVLink(None)

    def pack(self, message: Any) -> bytes:
        return bytes(message.pack(self.mav))

    def answer(self, data: bytes) -> list[bytes]:
        out: list[Any] = []
        for message in self.ear.parse_buffer(data) or []:
            self.heard.append(message)
            if self.rng.random() < self.loss:
                continue
            kind = message.get_type()
            if kind == "COMMAND_LONG":
                out += self.command(message)
            elif kind == "MISSION_REQUEST_LIST":
                out.append(self.count(message.get_srcSystem(), message.get_srcComponent()))
            elif kind == "MISSION_REQUEST_INT":
                out.append(self.item(message.seq))
        if self.other_station:
            out.append(common.MAVLink_command_ack_message(511, 4, target_system=255))
            out.append(self.count(255, 190, self.items + 3))
        frames = []
        for one in out:
            raw = self.pack(one)
            self.mav.seq = (self.mav.seq + 1) % 256
            if self.rng.random() >= self.loss:
                frames.append(raw)
        return frames

    def command(self, message: Any) -> list[Any]:
        wanted = int(message.param1)
        if message.command == 511 and wanted not in self.refuse:
            self.rates[wanted] = 1e6 / message.param2
        result = 3 if wanted in self.refuse else 0  # MAV_RESULT_UNSUPPORTED
        ack = common.MAVLink_command_ack_message(message.command, result)
        home = common.MAVLink_home_position_message(1, 2, 3, 0, 0, 0, [1, 0, 0, 0], 0, 0, 0)
        return [ack, home] if message.command == 512 else [ack]

    def count(self, system: int, component: int, count: int | None = None) -> Any:
        return common.MAVLink_mission_count_message(
            system, component, self.items if count is None else count
        )

    def item(self, seq: int) -> Any:
        return common.MAVLink_mission_item_int_message(
            1, 191, seq, 6, 16, 0, 1, 0, 0, 0, 0, 442_000_000 + seq, -286_000_000 - seq, 100.0 + seq
        )  # MAV_FRAME_GLOBAL_RELATIVE_ALT_INT, MAV_CMD_NAV_WAYPOINT

    def boot_time(self, boot_ms: int) -> bytes:
        raw = self.pack(common.MAVLink_system_time_message(0, boot_ms))
        self.mav.seq = (self.mav.seq + 1) % 256
        return raw


def converse(
    requests: Requests, autopilot: Autopilot, start_s: float, seconds: float, period_s: float = 0.2
) -> float:
    """Let both talk over a perfect clock; returns when everything was settled (or never)."""
    intake = Intake(system_id=1)
    settled_s = float("inf")
    for step in range(round(seconds / period_s)):
        t_s = start_s + step * period_s
        waiting = requests.due(t_s)
        while waiting:
            heard = [f for data in waiting for a in autopilot.answer(data) for f in intake.feed(a)]
            waiting = [reply for frame in heard for reply in requests.handle(frame, t_s)]
        if requests.settled:
            settled_s = min(settled_s, t_s - start_s)
    return settled_s


def test_all_rates_home_and_plan_are_had_at_once_on_a_good_link() -> None:
    requests, autopilot = Requests(Outgoing(1), plan=True), Autopilot(items=5)
    assert converse(requests, autopilot, 100.0, 5.0) < 1.0
    assert autopilot.rates == pytest.approx(RATES_HZ)
    assert requests.plan is not None
    assert [item.seq for item in requests.plan] == [0, 1, 2, 3, 4]
    first = requests.plan[0]
    assert (first.frame, first.command, first.z_m) == (6, 16, 100.0)
    assert (first.lat_deg, first.lon_deg) == pytest.approx((44.2, -28.6))
    assert [m.get_type() for m in autopilot.heard].count("MISSION_ACK") == 1


@pytest.mark.parametrize("loss", [0.2, 0.5])
def test_a_bad_link_only_takes_longer(loss: float) -> None:
    requests, autopilot = Requests(Outgoing(1), plan=True), Autopilot(items=10, loss=loss)
    assert converse(requests, autopilot, 0.0, 300.0) < 300.0
    assert requests.plan is not None
    assert [item.seq for item in requests.plan] == list(range(10))


def test_a_late_acknowledgement_is_made_good_when_the_message_stays_away() -> None:
    """An ack that belonged to a repeated question settles the next one; silence tells."""
    requests = Requests(Outgoing(1))
    autopilot = Autopilot()
    converse(requests, autopilot, 0.0, 2.0)
    autopilot.rates.clear()  # as if none had really been set: nothing is heard
    converse(requests, autopilot, 2.0, 40.0)
    assert autopilot.rates == pytest.approx(RATES_HZ)


def test_what_is_refused_is_reported_and_asked_seldom() -> None:
    refused = {wire.WIND_COV, wire.SCALED_PRESSURE}
    requests, autopilot = Requests(Outgoing(1)), Autopilot(refuse=refused)
    assert converse(requests, autopilot, 0.0, 20.0) < 2.0
    assert set(requests.refused) == refused
    asked = [m for m in autopilot.heard if getattr(m, "param1", -1) == wire.WIND_COV]
    assert len(asked) == 1


def test_a_reboot_starts_it_all_again() -> None:
    requests, autopilot = Requests(Outgoing(1), plan=True), Autopilot()
    converse(requests, autopilot, 0.0, 5.0)
    autopilot.rates.clear()
    intake = Intake(system_id=1)
    for boot_ms in (60_000, 61_000, 60_900):  # a frame out of order is no reboot
        for frame in intake.feed(autopilot.boot_time(boot_ms)):
            requests.handle(frame, 6.0)
    assert requests.settled
    for frame in intake.feed(autopilot.boot_time(2_000)):
        requests.handle(frame, 7.0)
    assert not requests.settled
    converse(requests, autopilot, 7.0, 5.0)
    assert autopilot.rates == pytest.approx(RATES_HZ)
    assert requests.settled


def test_answers_to_another_station_are_not_ours() -> None:
    requests, autopilot = Requests(Outgoing(1), plan=True), Autopilot(items=4, other_station=True)
    assert converse(requests, autopilot, 0.0, 10.0) < 3.0
    assert requests.refused == []
    assert requests.plan is not None
    assert len(requests.plan) == 4


def test_a_plan_that_shrinks_meanwhile_is_begun_again() -> None:
    requests, autopilot = Requests(Outgoing(1), plan=True), Autopilot(items=8)
    real = autopilot.item

    def shrunk(seq: int) -> Any:
        if seq < 4:
            return real(seq)
        autopilot.items = 4
        return common.MAVLink_mission_ack_message(1, 191, 13)  # MAV_MISSION_INVALID_SEQUENCE

    autopilot.item = shrunk  # type: ignore[method-assign]
    converse(requests, autopilot, 0.0, 20.0)
    assert requests.plan is not None
    assert len(requests.plan) == 4


def test_an_item_that_never_comes_does_not_hold_it_up_for_ever() -> None:
    requests, autopilot = Requests(Outgoing(1), plan=True), Autopilot(items=8)
    real = autopilot.item

    def silent(seq: int) -> Any:
        if seq < 4:
            return real(seq)
        autopilot.items = 4
        return real(0)  # an answer to nothing we asked

    autopilot.item = silent  # type: ignore[method-assign]
    converse(requests, autopilot, 0.0, 60.0)
    assert requests.plan is not None
    assert len(requests.plan) == 4


def test_an_empty_plan_is_a_plan() -> None:
    requests, autopilot = Requests(Outgoing(1), plan=True), Autopilot(items=0)
    converse(requests, autopilot, 0.0, 3.0)
    assert requests.plan == ()


def test_a_silent_autopilot_is_asked_steadily_and_not_flooded() -> None:
    requests = Requests(Outgoing(1), plan=True)
    sent = sum(len(requests.due(step * 0.2)) for step in range(300))  # a minute
    assert 120 <= sent <= 180  # a heartbeat and a question a second, the list every five


def test_nothing_sent_can_move_the_aircraft() -> None:
    requests = Requests(Outgoing(1), plan=True)
    autopilot = Autopilot(items=6, loss=0.3, refuse={wire.WIND_COV}, other_station=True)
    converse(requests, autopilot, 0.0, 120.0)
    assert {m.get_type() for m in autopilot.heard} <= MESSAGES_ALLOWED
    commands = [m for m in autopilot.heard if m.get_type() == "COMMAND_LONG"]
    assert {m.command for m in commands} == COMMANDS_ALLOWED
    assert all((m.target_system, m.target_component) == (1, 1) for m in commands)


def test_rates_can_be_left_alone() -> None:
    requests, autopilot = Requests(Outgoing(1), rates=False), Autopilot()
    converse(requests, autopilot, 0.0, 3.0)
    assert autopilot.rates == {}


def test_our_heartbeat_says_onboard_computer() -> None:
    (beat,) = common.MAVLink(None).parse_buffer(Outgoing(7).heartbeat())
    assert (beat.get_srcSystem(), beat.get_srcComponent()) == (7, 191)
    assert (beat.type, beat.autopilot) == (18, 8)  # MAV_TYPE_ONBOARD_CONTROLLER, INVALID


@pytest.mark.parametrize("text", ["", "turn back now", "x" * 50, "x" * 51, "x" * 100, "ü" * 60])
def test_text_arrives_whole(text: str) -> None:
    # STATUSTEXT: "text: Status text message, without null termination character", chunked by id
    # and chunk_seq; a line ends with a chunk that holds a zero byte.
    frames = Outgoing(1).text(4, text)
    messages = common.MAVLink(None).parse_buffer(b"".join(frames))
    assert all(m.severity == 4 for m in messages)
    assert b"".join(bytes(m._text_raw).rstrip(b"\0") for m in messages).decode() == text
    if len(messages) > 1:
        assert {m.id for m in messages} == {1}
        assert [m.chunk_seq for m in messages] == list(range(len(messages)))
        assert len(messages[-1].text) < 50
