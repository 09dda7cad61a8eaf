"""``--from LINK``: the route as it stands in the autopilot, by the mission protocol.

Only the `common` set's position commands are read. What a budget cannot know from a mission (home,
pack, policy, the return as it is set; the name of a point and what is dropped there) stays with
the flight file.
"""

from __future__ import annotations

import asyncio
import math
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from supervisor.core.geodesy import inverse
from supervisor.edge.clock import NS_PER_S, ReceiptClock
from supervisor.edge.intake import Intake
from supervisor.edge.link import make_link
from supervisor.edge.outgoing import Outgoing
from supervisor.edge.plan_download import MissionItem
from supervisor.edge.requests import Requests
from supervisor.errors import InputError

TIMEOUT_S = 20.0
POLL_S = 0.1
# MAV_CMD of the common set
WAYPOINT, LOITER_TURNS, LOITER_TIME, RETURN, LAND = 16, 18, 19, 20, 21
SPLINE, VTOL_LAND, DELAY, CHANGE_SPEED = 82, 85, 93, 178
POINTS = (WAYPOINT, LOITER_TURNS, LOITER_TIME, SPLINE)
# MAV_FRAME: heights above mean sea level, and relative to home
ABOVE_SEA, ABOVE_HOME = (0, 5), (3, 6)
SAME_PLACE_M = 20.0
NOT_IN_A_MISSION = ("name", "drop_kg", "ground_s", "ground_elevation_m")
NOT_OF_A_LANDING = ("height_m",)  # its item says where the ground is, not how high it is flown to


def download_route(
    address: str, flight: Path, timeout_s: float = TIMEOUT_S
) -> tuple[dict[str, Any], ...]:
    """Waypoint rows for the flight file, downloaded from the aircraft on ``address``."""
    items = asyncio.run(_download(address, timeout_s))
    file = _as_it_stands(flight)
    rows = tuple(to_rows(items, address, _home_elevation_m(file)))
    if not rows:
        raise InputError(address, f"the mission ({len(items)} items) has no route point")
    return tuple(_as_in_file(row, file) for row in rows)


class _Caller:
    """Listens until the aircraft is known, then asks it for its mission."""

    def __init__(self, address: str) -> None:
        self.clock = ReceiptClock()
        self.intake = Intake()
        self.requests: Requests | None = None
        self.link = make_link(address, self._on_bytes, self.clock)

    def now_s(self) -> float:
        return self.clock.now_ns() / NS_PER_S

    def _on_bytes(self, _t_ns: int, data: bytes) -> bool:
        frames = self.intake.feed(data)
        for frame in frames:
            if self.requests is None and self.intake.system_id is not None:
                sender = Outgoing(self.intake.system_id)
                self.requests = Requests(sender, rates=False, plan=True)
            if self.requests is not None:
                for answer in self.requests.handle(frame, self.now_s()):
                    self.link.send(answer)
        return bool(frames)


async def _download(address: str, timeout_s: float) -> tuple[MissionItem, ...]:
    caller = _Caller(address)
    await caller.link.open()
    try:
        while caller.requests is None or caller.requests.plan is None:
            if caller.now_s() > timeout_s:
                heard = "no aircraft was heard" if caller.requests is None else "no mission came"
                raise InputError(address, f"{heard} within {timeout_s:.0f} s")
            for question in caller.requests.due(caller.now_s()) if caller.requests else ():
                caller.link.send(question)
            await asyncio.sleep(POLL_S)
        return caller.requests.plan
    finally:
        await caller.link.close()


def _as_it_stands(flight: Path) -> dict[str, Any]:
    """The flight file, not validated: load_file says later what is wrong with it."""
    try:
        return tomllib.loads(flight.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return {}


def _home_elevation_m(file: dict[str, Any]) -> float:
    try:
        return float(file["home"]["elevation_m"])
    except (KeyError, TypeError, ValueError):
        return 0.0


def _as_in_file(row: dict[str, Any], file: dict[str, Any]) -> dict[str, Any]:
    """``row`` with what a mission does not carry, from the file's own point at the same place."""
    for known in file.get("route", {}).get("waypoints", []):
        try:
            angles = (row["lat_deg"], row["lon_deg"], known["lat_deg"], known["lon_deg"])
            apart_m, _ = inverse(*(math.radians(angle) for angle in angles))
        except (KeyError, TypeError, ValueError):
            continue
        if apart_m < SAME_PLACE_M:
            keys = NOT_IN_A_MISSION + (NOT_OF_A_LANDING if row.get("land") else ())
            return row | {key: known[key] for key in keys if key in known}
    return row


def to_rows(
    items: tuple[MissionItem, ...], where: str, home_elevation_m: float
) -> Iterator[dict[str, Any]]:
    """Route points of a mission; item 0 is home by the protocol's custom, a return ends it."""
    row: dict[str, Any] | None = None
    speed_mps: float | None = None
    for item in items[1:]:
        if item.command == RETURN:
            break
        if item.command == CHANGE_SPEED and item.params[0] == 0 and item.params[1] > 0.0:
            speed_mps = item.params[1]
        elif item.command == DELAY and row is not None and item.params[0] > 0.0:
            row["loiter_s"] = row.get("loiter_s", 0.0) + item.params[0]
        elif item.command in (*POINTS, LAND, VTOL_LAND):
            before = row or {}
            if row is not None:
                yield row
            row = _row(item, where, home_elevation_m, speed_mps)
            if "height_m" in before:  # a landing is flown to at the height of the point before it
                row.setdefault("height_m", before["height_m"])
    if row is not None:
        yield row


def _row(
    item: MissionItem, where: str, home_elevation_m: float, speed_mps: float | None
) -> dict[str, Any]:
    lands = item.command in (LAND, VTOL_LAND)
    row: dict[str, Any] = {
        "name": f"item {item.seq}",
        "lat_deg": item.lat_deg,
        "lon_deg": item.lon_deg,
    }
    if item.frame in ABOVE_HOME:
        height_m = item.z_m
    elif item.frame in ABOVE_SEA:
        height_m = item.z_m - home_elevation_m
    else:
        raise InputError(
            where,
            f"mission item {item.seq} gives its height in frame {item.frame}",
            allowed="above home (3, 6) or above sea level (0, 5)",
        )
    if not lands:
        row["height_m"] = height_m
    if speed_mps is not None:
        row["airspeed_mps"] = speed_mps
    stay_s = item.params[0] if item.command in (WAYPOINT, LOITER_TIME) else 0.0
    if stay_s > 0.0:
        row["loiter_s"] = stay_s
    return row | ({"land": True} if lands else {})
