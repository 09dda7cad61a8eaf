"""The plan as mission items, as an aircraft serves them over the mission protocol.

Commands are those of the open MAVLink common set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sim.plan import Plan, Waypoint

NAV_WAYPOINT = 16
NAV_LOITER_TIME = 19
NAV_RETURN_TO_LAUNCH = 20
NAV_VTOL_TAKEOFF = 84
NAV_VTOL_LAND = 85
NAV_DELAY = 93
DO_CHANGE_SPEED = 178
DO_GRIPPER = 211

LOITER_RADIUS_M = 150.0
TAKEOFF_HEIGHT_M = 40.0
Params = tuple[float, float, float, float]
_NONE: Params = (0.0, 0.0, 0.0, math.nan)


@dataclass(frozen=True, slots=True)
class MissionItem:
    """One item. ``height_m`` above home; ``params`` are param1 to param4 of the command.

    ``ground_m``: height of the ground above home at a take-off or landing (not transmitted).
    """

    seq: int
    command: int
    lat_deg: float
    lon_deg: float
    height_m: float
    params: Params = (0.0, 0.0, 0.0, math.nan)
    name: str = ""
    ground_m: float = 0.0
    airspeed_mps: float = math.nan
    drop_kg: float = 0.0


class _Items(list[MissionItem]):
    """The list as it grows; each item gets its number."""

    def put(self, item: MissionItem) -> None:
        self.append(replace(item, seq=len(self)))


def mission_of(plan: Plan) -> tuple[MissionItem, ...]:
    """Take-off, the route with its loiters, landings, drops and second take-offs, the return."""
    home, speed_mps = plan.home, plan.builder.cruise_mps
    items = _Items()
    items.put(
        MissionItem(
            0, NAV_VTOL_TAKEOFF, home.lat_deg, home.lon_deg, TAKEOFF_HEIGHT_M, name=home.name
        )
    )
    for point in plan.route:
        wanted = point.airspeed_mps
        if math.isnan(wanted):
            wanted = plan.builder.cruise_mps
        if wanted != speed_mps:
            items.put(_action(DO_CHANGE_SPEED, (0.0, wanted, -1.0, 0.0)))
            speed_mps = wanted
        there = MissionItem(
            0, NAV_WAYPOINT, point.lat_deg, point.lon_deg, point.height_m, name=point.name,
            ground_m=point.elevation_m - home.elevation_m, airspeed_mps=wanted,
        )  # fmt: skip
        if point.loiter_s > 0.0:
            params = (point.loiter_s, 0.0, LOITER_RADIUS_M, 0.0)
            there = replace(there, command=NAV_LOITER_TIME, params=params)
        if not point.land or point.loiter_s > 0.0:
            items.put(there)
        _on_the_ground(items, point, there)
    items.put(
        MissionItem(0, NAV_RETURN_TO_LAUNCH, 0.0, 0.0, plan.return_plan.height_m, name="return")
    )
    return tuple(items)


def _action(
    command: int, params: tuple[float, float, float, float], drop: float = 0.0
) -> MissionItem:
    return MissionItem(0, command, 0.0, 0.0, 0.0, params, drop_kg=drop)


def _on_the_ground(items: _Items, point: Waypoint, there: MissionItem) -> None:
    """What is done at a point once it is reached: land, release, wait, take off again."""
    if point.land:
        items.put(replace(there, command=NAV_VTOL_LAND, params=_NONE, height_m=point.height_m))
    if point.drop_kg > 0.0:
        items.put(_action(DO_GRIPPER, (1.0, 0.0, 0.0, 0.0), point.drop_kg))
    if point.land:
        if point.ground_s > 0.0:
            items.put(_action(NAV_DELAY, (point.ground_s, -1.0, -1.0, -1.0)))
        up_m = there.ground_m + TAKEOFF_HEIGHT_M
        items.put(replace(there, command=NAV_VTOL_TAKEOFF, params=_NONE, height_m=up_m))
