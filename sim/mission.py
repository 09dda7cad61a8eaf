"""The plan as mission items, as an aircraft serves them over the mission protocol.

Commands are those of the open MAVLink common set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.plan import Plan

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
    params: tuple[float, float, float, float] = (0.0, 0.0, 0.0, math.nan)
    name: str = ""
    ground_m: float = 0.0
    airspeed_mps: float = math.nan
    drop_kg: float = 0.0


def mission_of(plan: Plan) -> tuple[MissionItem, ...]:
    """Take-off, the route with its loiters, landings, drops and second take-offs, the return."""
    home, cruise = plan.home, plan.builder.cruise_mps
    items: list[MissionItem] = []

    def add(command: int, lat: float, lon: float, height: float, **more: object) -> None:
        items.append(MissionItem(len(items), command, lat, lon, height, **more))  # type: ignore[arg-type]

    add(NAV_VTOL_TAKEOFF, home.lat_deg, home.lon_deg, TAKEOFF_HEIGHT_M, name=home.name)
    speed_mps = cruise
    for point in plan.route:
        where = (point.lat_deg, point.lon_deg)
        wanted = cruise if math.isnan(point.airspeed_mps) else point.airspeed_mps
        if wanted != speed_mps:
            add(DO_CHANGE_SPEED, 0.0, 0.0, 0.0, params=(0.0, wanted, -1.0, 0.0))
            speed_mps = wanted
        ground_m = point.elevation_m - home.elevation_m
        shared = {"name": point.name, "airspeed_mps": wanted, "ground_m": ground_m}
        if point.land:
            _landing(add, where, point.height_m, point.ground_s, point.drop_kg, shared)
        elif point.loiter_s > 0.0:
            params = (point.loiter_s, 0.0, LOITER_RADIUS_M, 0.0)
            add(NAV_LOITER_TIME, *where, point.height_m, params=params, **shared)
        else:
            add(NAV_WAYPOINT, *where, point.height_m, **shared)
        if point.drop_kg > 0.0 and not point.land:
            add(DO_GRIPPER, 0.0, 0.0, 0.0, params=(1.0, 0.0, 0.0, 0.0), drop_kg=point.drop_kg)
    add(NAV_RETURN_TO_LAUNCH, 0.0, 0.0, plan.return_plan.height_m, name="return")
    return tuple(items)


def _landing(
    add: object,
    where: tuple[float, float],
    height_m: float,
    ground_s: float,
    drop_kg: float,
    shared: dict[str, object],
) -> None:
    """Fly there, land, release, wait, take off again."""
    assert callable(add)
    add(NAV_WAYPOINT, *where, height_m, **shared)
    ground_m = shared["ground_m"]
    assert isinstance(ground_m, float)
    add(NAV_VTOL_LAND, *where, ground_m, **shared)
    if drop_kg > 0.0:
        add(DO_GRIPPER, 0.0, 0.0, 0.0, params=(1.0, 0.0, 0.0, 0.0), drop_kg=drop_kg)
    if ground_s > 0.0:
        add(NAV_DELAY, 0.0, 0.0, 0.0, params=(ground_s, -1.0, -1.0, -1.0))
    add(NAV_VTOL_TAKEOFF, *where, ground_m + TAKEOFF_HEIGHT_M, **shared)
