"""The route from the aircraft: a real socket, and an autopilot spoken by pymavlink."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from brokers import free_udp_port
from pymavlink.dialects.v20 import common

from sim.endpoint import Endpoint
from sim.flight import Flight
from sim.ports import make_port
from sim.scenario import load
from sim.telemetry import Telemetry
from supervisor.budget.download import download_route, to_rows
from supervisor.edge.plan_download import MissionItem
from supervisor.errors import InputError
from supervisor.flightfile import load_file, load_flight, to_flight

EXAMPLE = Path(__file__).parents[2] / "sim/scenarios/estuary/flight.toml"
ABOVE_HOME, ABOVE_SEA, TERRAIN = 6, 5, 11
# command, frame, param1, param2, lat, lon, height; item 0 is home
MISSION = [
    (16, ABOVE_SEA, 0, 0, 44.2000, -28.6000, 8.0),
    (84, ABOVE_HOME, 0, 0, 44.2000, -28.6000, 40.0),
    (178, ABOVE_HOME, 0, 19.5, 0.0, 0.0, 0.0),
    (16, ABOVE_HOME, 0, 0, 44.1950, -28.5300, 100.0),
    (19, ABOVE_SEA, 120, 0, 44.1800, -28.4400, 118.0),
    (93, ABOVE_HOME, 30, 0, 0.0, 0.0, 0.0),
    (20, ABOVE_HOME, 0, 0, 0.0, 0.0, 0.0),
    (16, ABOVE_HOME, 0, 0, 44.0, -28.0, 100.0),
]


class Autopilot(threading.Thread):
    """Sends heartbeats to a port and answers the mission protocol, in another implementation."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.port, self.stop = port, threading.Event()
        self.asked: list[str] = []

    def run(self) -> None:
        link = common.MAVLink(None, srcSystem=1, srcComponent=1)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.settimeout(0.05)
            while not self.stop.is_set():
                beat = common.MAVLink_heartbeat_message(22, 3, 81, 0, 4, 3)
                sock.sendto(beat.pack(link), ("127.0.0.1", self.port))
                try:
                    data, back = sock.recvfrom(4096)
                except (TimeoutError, ConnectionRefusedError):
                    continue
                for message in link.parse_buffer(data) or []:
                    for answer in self._answers(message):
                        sock.sendto(answer.pack(link), back)

    def _answers(self, message: common.MAVLink_message) -> Iterator[common.MAVLink_message]:
        kind, source = message.get_type(), (message.get_srcSystem(), message.get_srcComponent())
        self.asked.append(kind)
        if kind == "MISSION_REQUEST_LIST":
            yield common.MAVLink_mission_count_message(*source, len(MISSION), 0)
        elif kind == "MISSION_REQUEST_INT":
            command, frame, one, two, lat, lon, z = MISSION[message.seq]
            yield common.MAVLink_mission_item_int_message(
                *source, message.seq, frame, command, 0, 1, one, two, 0, 0,
                round(lat * 1e7), round(lon * 1e7), z, 0,
            )  # fmt: skip


def test_the_route_comes_from_the_aircraft() -> None:
    port = free_udp_port()
    autopilot = Autopilot(port)
    autopilot.start()
    try:
        rows = download_route(f"udp:127.0.0.1:{port}", EXAMPLE)
    finally:
        autopilot.stop.set()
        autopilot.join()
    assert "MISSION_ACK" in autopilot.asked
    assert [row["name"] for row in rows] == ["gauge 1", "gauge 2"]  # as the file has them there
    flight = to_flight(load_file(EXAMPLE, rows), EXAMPLE.parent, "flight.toml")
    first, second = flight.route
    assert (first.height_m, first.airspeed_mps) == (100.0, 19.5)
    assert second.height_m == 110.0  # 118 m above the sea, home at 8 m
    assert second.loiter_s == 150.0  # 120 s of loiter and 30 s of delay


def test_a_point_that_the_file_does_not_have_keeps_its_item_number(tmp_path: Path) -> None:
    port, flight = free_udp_port(), tmp_path / "flight.toml"
    text = EXAMPLE.read_text(encoding="utf-8").replace("-28.5300, ", "-28.5200, drop_kg = 0.2, ")
    flight.write_text(text.replace("-28.4400, ", "-28.4400, drop_kg = 0.4, "))
    autopilot = Autopilot(port)
    autopilot.start()
    try:
        first, second = download_route(f"udp:127.0.0.1:{port}", flight)
    finally:
        autopilot.stop.set()
        autopilot.join()
    assert (first["name"], first.get("drop_kg")) == ("item 3", None)  # 800 m from the file's point
    assert (second["name"], second["drop_kg"]) == ("gauge 2", 0.4)


def mission_of(*items: tuple[int, float, float, float]) -> tuple[MissionItem, ...]:
    """From (command, lat, lon, height)."""
    none = (0.0, 0.0, 0.0, 0.0)
    return tuple(
        MissionItem(i, ABOVE_HOME, command, none, lat, lon, z)
        for i, (command, lat, lon, z) in enumerate(items)
    )


def test_what_the_mission_leaves_open_is_the_file_s(tmp_path: Path) -> None:
    """No speed command came: the file's [route] says it. A landing is flown to at the height of
    the point before it, or of the file's own point there."""
    path = tmp_path / "flight.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    path.write_text(text.replace("[route]\n", "[route]\nheight_m = 90.0\nairspeed_mps = 19.0\n"))
    mission = mission_of((16, 44.2, -28.6, 0.0), (16, 44.19, -28.53, 120.0), (85, 44.18, -28.44, 0))
    rows = tuple(to_rows(mission, "udp", 8.0))
    first, landing = to_flight(load_file(path, rows), tmp_path, str(path)).route
    assert (first.height_m, first.airspeed_mps) == (120.0, 19.0)
    assert (landing.height_m, landing.airspeed_mps, landing.land) == (120.0, 19.0, True)


def test_the_delivery_s_own_mission_is_its_own_plan() -> None:
    """What the simulator's autopilot tells of the high site is, with the file, the same route."""
    path = EXAMPLE.parents[1] / "highsite/flight.toml"
    where = f"udp:127.0.0.1:{free_udp_port()}"

    async def told_by_the_aircraft() -> tuple[dict[str, Any], ...]:
        scenario = load("highsite")
        aircraft = Endpoint(
            Flight(scenario, 1), Telemetry(scenario, 1), [make_port(where)], wait_s=60.0
        )
        flying = asyncio.create_task(aircraft.run())
        try:
            return await asyncio.to_thread(download_route, where, path, timeout_s=60.0)
        finally:
            flying.cancel()

    told = to_flight(load_file(path, asyncio.run(told_by_the_aircraft())), path.parent, "f").route
    own = load_flight(path).route
    assert [p.name for p in told] == [p.name for p in own]
    for one, other in zip(told, own, strict=True):
        assert (one.lat_rad, one.lon_rad) == pytest.approx((other.lat_rad, other.lon_rad), abs=2e-9)
        assert one.height_m == pytest.approx(other.height_m, abs=0.01)
        assert (one.land, one.drop_kg, one.ground_s) == (other.land, other.drop_kg, other.ground_s)
        assert one.ground_m == pytest.approx(other.ground_m, nan_ok=True)


def test_silence_is_said_in_words() -> None:
    with pytest.raises(InputError, match="no aircraft was heard within"):
        download_route(f"udp:127.0.0.1:{free_udp_port()}", EXAMPLE, timeout_s=0.3)


def test_heights_above_terrain_are_refused() -> None:
    item = MissionItem(1, TERRAIN, 16, (0.0, 0.0, 0.0, 0.0), 44.1, -28.5, 100.0)
    with pytest.raises(InputError, match="frame 11"):
        list(to_rows((item, item), "udp", 0.0))
