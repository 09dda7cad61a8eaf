"""The aircraft on real sockets: asked for rates and the mission, flown fast, turned, landed."""

from __future__ import annotations

import asyncio
import math
import socket
import time
from itertools import pairwise
from typing import Any

import pytest
from patience import stretch
from pymavlink.dialects.v20 import common

from sim.endpoint import Endpoint, Leash, Pace
from sim.flight import Flight
from sim.ports import PortError, TcpPort, UdpPort, make_port
from sim.scenario import load
from sim.state import Phase
from sim.telemetry import Telemetry


class Client(asyncio.DatagramProtocol):
    """Asks like a ground program: on the first heartbeat a rate, then the mission."""

    def __init__(self, *, talks: bool = True) -> None:
        self.talks = talks
        self.parser = common.MAVLink(None)
        self.parser.robust_parsing = True
        self.link = common.MAVLink(None, srcSystem=255, srcComponent=190)
        self.heard: list[Any] = []
        self.items = 0
        self.transport: Any = None

    async def open(self) -> int:
        loop = asyncio.get_running_loop()
        self.transport, _ = await loop.create_datagram_endpoint(
            lambda: self, local_addr=("127.0.0.1", 0)
        )
        raw = self.transport.get_extra_info("socket")
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        port: int = raw.getsockname()[1]
        return port

    def datagram_received(self, data: bytes, address: tuple[str, int]) -> None:
        for message in self.parser.parse_buffer(data) or []:
            first = not self.heard
            self.heard.append(message)
            if self.talks:
                for answer in self.answers(message, first):
                    self.transport.sendto(answer.pack(self.link), address)

    def answers(self, message: Any, first: bool) -> list[Any]:
        if first:
            interval = common.MAVLink_command_long_message(1, 1, 511, 0, 33, 1e6, 0, 0, 0, 0, 0)
            return [interval, common.MAVLink_mission_request_list_message(1, 1, 0)]
        if message.get_type() == "MISSION_COUNT":
            self.count = message.count
            return [common.MAVLink_mission_request_int_message(1, 1, 0, 0)]
        if message.get_type() == "MISSION_ITEM_INT":
            self.items += 1
            if self.items == self.count:
                return [common.MAVLink_mission_ack_message(1, 1, 0, 0)]
            return [common.MAVLink_mission_request_int_message(1, 1, self.items, 0)]
        if message.get_type() == "SYSTEM_TIME":  # questions in flight, too
            return [common.MAVLink_command_long_message(1, 1, 512, 0, 242, 0, 0, 0, 0, 0, 0)]
        return []

    async def heard_all(self) -> None:
        """Wait until nothing more comes out of the socket."""
        count = -1
        while count != (count := len(self.heard)):
            for _ in range(50):
                await asyncio.sleep(0.002)

    def types(self) -> list[str]:
        return [m.get_type() for m in self.heard]


def endpoint(ports: list[Any], pace: Pace, **more: Any) -> Endpoint:
    scenario = load("estuary")
    return Endpoint(Flight(scenario, 1), Telemetry(scenario, 1), ports, pace, **more)


async def test_a_whole_short_flight_over_udp() -> None:
    client = Client()
    port = await client.open()
    fast = endpoint([UdpPort("127.0.0.1", port)], Pace(math.inf), turn_back_at_s=60.0)
    last = await fast.run()
    await client.heard_all()
    assert last.phase is Phase.LANDED
    types = client.types()
    # Nothing but heartbeats and answers before the mission was there: simulated time stood.
    asked = types.index("MISSION_ITEM_INT")
    assert set(types[:asked]) <= {"HEARTBEAT", "COMMAND_ACK", "MISSION_COUNT"}
    assert client.items == client.count
    # Nothing lost, doubled or out of order: sequence numbers run on, replies among them.
    assert types.count("HOME_POSITION") > 100
    numbers = [m.get_seq() for m in client.heard]
    gaps = [(b - a) % 256 for a, b in pairwise(numbers)]
    assert set(gaps) == {1}
    boots = [m.time_boot_ms for m in client.heard if m.get_type() == "GLOBAL_POSITION_INT"]
    assert boots == sorted(boots)
    assert {b - a for a, b in pairwise(boots)} == {1000}  # the rate asked for


async def test_nobody_asks_and_the_flight_begins_anyway() -> None:
    client = Client(talks=False)
    port = await client.open()
    fast = endpoint([UdpPort("127.0.0.1", port)], Pace(math.inf), wait_s=0.3, turn_back_at_s=60.0)
    await fast.run()
    await client.heard_all()
    assert "GLOBAL_POSITION_INT" in client.types()


async def test_rate_is_kept() -> None:
    client = Client(talks=False)
    port = await client.open()
    run = endpoint([UdpPort("127.0.0.1", port)], Pace(50.0), wait_s=0.0)
    began = time.monotonic()
    task = asyncio.create_task(run.run())
    await asyncio.sleep(1.0)
    task.cancel()
    took = time.monotonic() - began
    boots = [m.time_boot_ms for m in client.heard if m.get_type() == "SYSTEM_TIME"]
    # 50 s in a second, less what start-up took; a machine that is too slow lets it slip.
    flown = (boots[-1] - boots[0]) / 1000.0
    assert 25.0 * took / stretch() <= flown <= 50.0 * took + 1.0


async def test_return_command_over_the_link_turns_the_aircraft() -> None:
    client = Client(talks=False)
    port = await client.open()
    run = endpoint([UdpPort("127.0.0.1", port)], Pace(math.inf), wait_s=0.0)
    turned = []

    def watch(state: Any, _frames: Any) -> None:
        if state.t_s >= 90.0 and not turned:
            turned.append(state.t_s)
            raw = run._ports[0]._transport
            command = common.MAVLink_command_long_message(1, 1, 20, 0, 0, 0, 0, 0, 0, 0, 0)
            client.transport.sendto(command.pack(client.link), ("127.0.0.1", local_port(raw)))

    run._watch = watch
    last = await run.run()
    assert last.phase is Phase.LANDED
    assert last.t_s < 600.0
    assert "Returning" in [m.text for m in client.heard if m.get_type() == "STATUSTEXT"]


def local_port(transport: Any) -> int:
    number: int = transport.get_extra_info("socket").getsockname()[1]
    return number


async def test_two_tcp_clients_get_the_same_stream() -> None:
    port = TcpPort("127.0.0.1", 0)

    async def both_are_there(_t_s: float) -> None:
        while len(port._writers) < 2:
            await asyncio.sleep(0.005)

    pace = Pace(math.inf, both_are_there)
    run = endpoint([port], pace, wait_s=0.0, turn_back_at_s=60.0, linger_s=1.0)
    task = asyncio.create_task(run.run())
    while port._server is None:
        await asyncio.sleep(0.005)
    streams = [await asyncio.open_connection("127.0.0.1", port.bound_port) for _ in range(2)]
    first, second = await asyncio.gather(*(reader.read(-1) for reader, _ in streams))
    await task
    assert len(first) > 50_000
    assert first == second


async def test_a_leash_holds_until_the_follower_is_near() -> None:
    leash, passed = Leash(ahead_s=10.0, patience_s=60.0), []

    async def runner() -> None:
        for t in range(0, 50, 5):
            await leash(float(t))
            passed.append(t)

    leash.seen(0.0)
    task = asyncio.create_task(runner())
    for _ in range(20):  # turns of the loop, not seconds
        await asyncio.sleep(0)
    assert passed == [0, 5, 10]
    leash.seen(20.0)
    for _ in range(20):
        await asyncio.sleep(0)
    assert passed[-1] == 30
    leash.seen(100.0)
    await task
    assert not leash.broken


async def test_a_silent_follower_breaks_the_leash() -> None:
    leash = Leash(ahead_s=1.0, patience_s=0.05)
    await leash(1000.0)
    assert leash.broken


async def test_held_time_is_not_caught_up() -> None:
    client = Client(talks=False)
    port = await client.open()
    held = []

    async def hold(t_s: float) -> None:
        if t_s > 20.0 and not held:
            held.append(t_s)
            await asyncio.sleep(0.5)

    run = endpoint([UdpPort("127.0.0.1", port)], Pace(50.0, hold), wait_s=0.0)
    began = time.monotonic()
    task = asyncio.create_task(run.run())
    await asyncio.sleep(1.2)
    task.cancel()
    took = time.monotonic() - began
    assert held
    assert run.flight.t_s < 50.0 * (took - 0.5) + 7.0  # 0.7 s of running at 50, not 1.2 s


@pytest.mark.parametrize(
    "address", ["udp:14550", "carrier-pigeon:1:2", "udp:127.0.0.1:99999", "udp:h:x", "tcp:h:5760"]
)
def test_bad_addresses_are_named(address: str) -> None:
    with pytest.raises(PortError, match=address.split(":")[0]):
        make_port(address)


async def test_a_taken_port_is_named() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        number = taken.getsockname()[1]
        with pytest.raises(PortError, match=str(number)):
            await make_port(f"tcp-listen:127.0.0.1:{number}").open(lambda _data: None)
