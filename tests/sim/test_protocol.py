"""The aircraft's answers, asked and read with the reference library; two clients at once."""

from __future__ import annotations

from typing import Any

import pytest
from pymavlink.dialects.v20 import common
from true_states import CRUISING

from sim.scenario import load
from sim.telemetry import Telemetry
from sim.wire import SigningKey


class Client:
    """A client that packs and parses with pymavlink."""

    def __init__(self, telemetry: Telemetry, system: int = 255, component: int = 190) -> None:
        self.telemetry = telemetry
        self.link = common.MAVLink(None, srcSystem=system, srcComponent=component)
        self.parser = common.MAVLink(None)

    def ask(self, message: Any) -> list[Any]:
        replies = self.telemetry.handle(message.pack(self.link))
        return [m for r in replies for m in self.parser.parse_buffer(r) or []]

    def command(self, number: int, *params: float, system: int = 1) -> list[Any]:
        seven = [*params, *[0.0] * (7 - len(params))]
        return self.ask(common.MAVLink_command_long_message(system, 1, number, 0, *seven))

    def download(self, kind: int) -> list[Any]:
        (count,) = self.ask(common.MAVLink_mission_request_list_message(1, 1, kind))
        assert count.get_type() == "MISSION_COUNT"
        items = []
        for seq in range(count.count):
            request = common.MAVLink_mission_request_int_message(1, 1, seq, kind)
            (item,) = self.ask(request)
            assert item.get_type() == "MISSION_ITEM_INT"
            items.append(item)
        assert self.ask(common.MAVLink_mission_ack_message(1, 1, 0, kind)) == []
        return items


@pytest.fixture
def telemetry() -> Telemetry:
    telemetry = Telemetry(load("estuary"), 1)
    telemetry.begin(CRUISING)
    return telemetry


def test_mission_download_gives_the_route_of_the_flight_file(telemetry: Telemetry) -> None:
    items = Client(telemetry).download(0)
    assert [i.seq for i in items] == list(range(len(items)))
    assert items[0].command == common.MAV_CMD_NAV_VTOL_TAKEOFF
    assert items[-1].command == common.MAV_CMD_NAV_RETURN_TO_LAUNCH
    places = {(round(i.x * 1e-7, 4), round(i.y * 1e-7, 4), round(i.z)) for i in items}
    for point in load("estuary").plan.route:
        assert (point.lat_deg, point.lon_deg, point.height_m) in places
    assert telemetry.autopilot.mission_downloads == 1


def test_alternates_are_rally_points(telemetry: Telemetry) -> None:
    items = Client(telemetry).download(common.MAV_MISSION_TYPE_RALLY)
    assert [i.command for i in items] == [common.MAV_CMD_NAV_RALLY_POINT]
    # Farrow lighthouse pad: 15 m above the sea, home 8 m.
    assert (items[0].x, items[0].y, items[0].z) == (441330000, -281500000, 7.0)


def test_the_old_request_is_answered_too(telemetry: Telemetry) -> None:
    (item,) = Client(telemetry).ask(common.MAVLink_mission_request_message(1, 1, 0, 0))
    assert item.get_type() == "MISSION_ITEM_INT"


def test_wrong_sequence_and_fence_are_refused(telemetry: Telemetry) -> None:
    client = Client(telemetry)
    (ack,) = client.ask(common.MAVLink_mission_request_int_message(1, 1, 999, 0))
    assert (ack.get_type(), ack.type) == ("MISSION_ACK", common.MAV_MISSION_INVALID_SEQUENCE)
    (ack,) = client.ask(common.MAVLink_mission_request_list_message(1, 1, 1))
    assert (ack.get_type(), ack.type) == ("MISSION_ACK", common.MAV_MISSION_UNSUPPORTED)


def test_intervals_are_set_and_unknown_ones_refused(telemetry: Telemetry) -> None:
    client = Client(telemetry)
    (ack,) = client.command(common.MAV_CMD_SET_MESSAGE_INTERVAL, 33, 200_000)
    assert (ack.command, ack.result) == (511, common.MAV_RESULT_ACCEPTED)
    (ack,) = client.command(common.MAV_CMD_SET_MESSAGE_INTERVAL, 231, 1_000_000)
    assert ack.result == common.MAV_RESULT_UNSUPPORTED  # this aircraft sends no wind
    (ack,) = client.command(common.MAV_CMD_SET_MESSAGE_INTERVAL, 33, float("nan"))
    assert ack.result == common.MAV_RESULT_DENIED
    ack, interval = client.command(common.MAV_CMD_GET_MESSAGE_INTERVAL, 33)
    assert (interval.message_id, interval.interval_us) == (33, 200_000)


def test_one_message_on_request(telemetry: Telemetry) -> None:
    ack, home = Client(telemetry).command(common.MAV_CMD_REQUEST_MESSAGE, 242)
    assert (ack.result, home.get_type()) == (0, "HOME_POSITION")
    assert (home.latitude, home.longitude, home.altitude) == (442000000, -286000000, 8000)
    (ack,) = Client(telemetry).command(common.MAV_CMD_REQUEST_MESSAGE, 9)
    assert ack.result == common.MAV_RESULT_UNSUPPORTED


def test_replies_are_addressed_to_who_asked(telemetry: Telemetry) -> None:
    for system, component in ((255, 190), (1, 191)):
        (ack,) = Client(telemetry, system, component).command(511, 33, 500_000)
        assert (ack.target_system, ack.target_component) == (system, component)
        assert (ack.get_srcSystem(), ack.get_srcComponent()) == (1, 1)


def test_two_clients_download_at_once(telemetry: Telemetry) -> None:
    one, two = Client(telemetry, 255), Client(telemetry, 1, 191)
    request = common.MAVLink_mission_request_int_message
    pairs = [
        (one.ask(request(1, 1, seq, 0))[0], two.ask(request(1, 1, seq, 0))[0]) for seq in range(5)
    ]
    for first, second in pairs:
        assert (first.x, first.y, first.seq) == (second.x, second.y, second.seq)


def test_return_and_divert_reach_the_flight(telemetry: Telemetry) -> None:
    client, asked = Client(telemetry), []
    (ack,) = client.command(common.MAV_CMD_NAV_RETURN_TO_LAUNCH)
    assert ack.result == common.MAV_RESULT_TEMPORARILY_REJECTED  # on the ground
    telemetry.autopilot.on_return = lambda: asked.append("home") is None
    telemetry.autopilot.on_divert = lambda index: asked.append(index) is None
    (ack,) = client.command(common.MAV_CMD_NAV_RETURN_TO_LAUNCH)
    assert ack.result == 0
    divert = common.MAVLink_command_int_message(
        1, 1, 3, common.MAV_CMD_NAV_VTOL_LAND, 0, 0, 0, 0, 0, 0, 441330000, -281500000, 0
    )
    (ack,) = client.ask(divert)
    assert (ack.result, asked) == (0, ["home", 0])
    (ack,) = client.command(common.MAV_CMD_NAV_LAND, 0, 0, 0, 0, 10.0, 10.0)
    assert ack.result == common.MAV_RESULT_DENIED


def test_what_is_not_for_us_is_ignored(telemetry: Telemetry) -> None:
    client = Client(telemetry)
    assert client.command(common.MAV_CMD_NAV_RETURN_TO_LAUNCH, system=2) == []
    assert client.ask(common.MAVLink_heartbeat_message(6, 8, 0, 0, 4, 3)) == []
    (ack,) = client.command(common.MAV_CMD_REQUEST_MESSAGE, float("nan"))
    assert ack.result == common.MAV_RESULT_UNSUPPORTED
    assert client.ask(common.MAVLink_vfr_hud_message(20, 20, 90, 40, 100, 0)) == []
    assert telemetry.handle(b"\xfd\x09garbage" * 20) == []
    assert telemetry.handle(bytes(range(256))) == []
    assert client.command(common.MAV_CMD_SET_MESSAGE_INTERVAL, 33, 200_000)  # still alive


def test_unknown_command_is_unsupported(telemetry: Telemetry) -> None:
    (ack,) = Client(telemetry).command(common.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    assert ack.result == common.MAV_RESULT_UNSUPPORTED


def test_with_a_key_unsigned_questions_go_unheard() -> None:
    key = SigningKey(b"q" * 32)
    telemetry = Telemetry(load("estuary"), 1, key)
    telemetry.begin(CRUISING)
    stranger, friend = Client(telemetry), Client(telemetry)
    assert stranger.command(511, 33, 500_000) == []
    friend.link.signing.secret_key = key.secret
    friend.link.signing.sign_outgoing = True
    (ack,) = friend.command(511, 33, 500_000)
    assert ack.result == 0
    assert ack.get_header().incompat_flags == 1  # signed
