"""The autopilot: flies the mission items, comes home as set, lands, goes around.

A stage is a method that writes an :class:`Order` and says, by the phase it sets, what the aircraft
is doing. Guidance looks at the true position (less the drift of dead reckoning while position is
lost) and the wind of the step before, as a good autopilot's ground-track loop in effect does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sim import mission as m
from sim.atmosphere import G0_MPS2
from sim.geodesy import offset_m
from sim.mission import MissionItem
from sim.motion import Body, Order
from sim.plan import Plan
from sim.state import Phase

TURN_BANK_RAD = math.radians(22.0)
APPROACH_HEIGHT_M = 40.0  # above the ground, where the transition back begins
HOVER_CLIMB_MPS = 2.5
LAST_METRES_M = 8.0
LAST_DESCENT_MPS = 0.5
BRAKING_MPS2 = 1.4
GLIDE_GAINS = 1.4  # a long descent at idle gains speed: begin it that much earlier
SETTLE_S = 6.0
ABORT_HEIGHT_M = 12.0
CIRCUIT_M = 500.0


@dataclass(frozen=True, slots=True)
class Habits:
    """Figures of this aircraft's autopilot in this flight."""

    cruise_mps: float
    climb_mps: float
    descent_mps: float
    transition_mps: float  # calibrated airspeed at which the wing takes over
    landing_hover_s: float
    airspeed_factor: float  # indicated over true


class Pilot:
    """State of the guidance; knows the plan, not the truth of the weather."""

    __slots__ = (
        "aborts_left",
        "cas_mps",
        "course_in",
        "done",
        "dropped_kg",
        "ground_from_m",
        "ground_until_s",
        "habits",
        "index",
        "items",
        "leg_m",
        "loiter_until_s",
        "nav_e",
        "nav_n",
        "next_stage",
        "order",
        "passed",
        "phase",
        "plan",
        "returning",
        "seq",
        "settled_s",
        "stage",
        "stuck",
    )  # fmt: skip

    def __init__(
        self, plan: Plan, items: tuple[MissionItem, ...], habits: Habits, aborts: int
    ) -> None:
        self.plan, self.items, self.habits = plan, items, habits
        self.index, self.seq = 0, 0
        self.order = Order()
        self.phase = Phase.GROUND
        self.stage, self.next_stage = "ground", "route"
        self.ground_until_s = 5.0
        self.loiter_until_s = math.inf
        self.cas_mps = habits.cruise_mps
        self.course_in, self.leg_m, self.ground_from_m = math.nan, 1.0, 0.0
        self.returning = self.done = self.stuck = False
        self.aborts_left = aborts
        self.dropped_kg = 0.0
        self.settled_s = 0.0
        self.passed: list[tuple[float, float]] = []
        self.nav_n = self.nav_e = 0.0

    def copy(self) -> Pilot:
        """An independent copy."""
        twin = object.__new__(Pilot)
        for name in Pilot.__slots__:
            setattr(twin, name, getattr(self, name))
        twin.order = replace(self.order)
        twin.passed = self.passed[:]
        return twin

    @property
    def item(self) -> MissionItem:
        """The item being flown."""
        return self.items[self.index]

    # -- commands -----------------------------------------------------------------------------

    def return_home(self) -> None:
        """Give up the mission and fly the return plan to home."""
        if self.returning or self.done:
            return
        back = self.plan.return_plan
        via = {"retrace": self.passed[::-1], "corridor": list(back.via)}.get(back.style, [])
        home = self.plan.home
        self._divert_along(via, home.lat_deg, home.lon_deg, 0.0, home.name)

    def divert(self, alternate: int) -> None:
        """Give up the mission and land at an alternate."""
        site = self.plan.alternates[alternate]
        ground_m = site.elevation_m - self.plan.home.elevation_m
        self._divert_along([], site.lat_deg, site.lon_deg, ground_m, site.name)

    def _divert_along(
        self, via: list[tuple[float, float]], lat: float, lon: float, ground_m: float, name: str
    ) -> None:
        back = self.plan.return_plan
        height_m = max(back.height_m, ground_m + APPROACH_HEIGHT_M)
        legs = [
            MissionItem(i, m.NAV_WAYPOINT, a, b, height_m, airspeed_mps=back.airspeed_mps)
            for i, (a, b) in enumerate(via)
        ]
        legs.append(
            MissionItem(
                len(legs), m.NAV_VTOL_LAND, lat, lon, height_m, (0.0,) * 4, name, ground_m,
                back.airspeed_mps,
            )
        )  # fmt: skip
        self.returning = True
        self.items, self.index = tuple(legs), 0
        self.cas_mps = back.airspeed_mps
        if self.stage in ("route", "loiter", "approach"):
            self._begin_leg()
        elif self.stage in ("back", "landing"):
            self.stage = "lift"
        self.next_stage = self._leg_stage()

    # -- items --------------------------------------------------------------------------------

    def _leg_stage(self) -> str:
        return "approach" if self.item.command == m.NAV_VTOL_LAND else "route"

    def _begin_leg(self) -> None:
        item = self.item
        if not math.isnan(item.airspeed_mps):
            self.cas_mps = item.airspeed_mps
        self.course_in = math.nan
        self.next_stage = self._leg_stage()
        if self.stage not in ("lift", "ground"):
            self.stage = self.next_stage

    def _next(self, t_s: float) -> None:
        """Go to the next item and do those that take no time."""
        while True:
            self.index += 1
            item = self.item
            if not self.returning:
                self.seq = item.seq
            if item.command == m.NAV_RETURN_TO_LAUNCH:
                self.return_home()
                return
            if item.command == m.DO_GRIPPER:
                self.dropped_kg += 0.0 if self.stuck else item.drop_kg
            elif item.command == m.NAV_DELAY:
                self.ground_until_s = t_s + item.params[0]
            elif item.command == m.NAV_VTOL_TAKEOFF:
                self.stage = "ground"
                return
            elif item.command != m.DO_CHANGE_SPEED:
                self._begin_leg()
                return

    # -- stages -------------------------------------------------------------------------------

    def step(self, body: Body, t_s: float, dt: float) -> None:
        """Write the order for the next step."""
        if self.stage == "route":
            self._route(body, t_s)
        elif self.stage == "approach":
            self._approach(body)
        elif self.stage == "loiter":
            self._loiter(body, t_s)
        elif self.stage == "lift":
            self._lift(body, t_s)
        elif self.stage == "transition":
            self._transition(body)
        elif self.stage == "back":
            self._back(body)
        elif self.stage == "landing":
            self._landing(body, t_s, dt)
        else:
            self._ground(t_s)

    def _vector(self, body: Body, item: MissionItem) -> tuple[float, float, float]:
        """(north, east, azimuth here) to ``item``, as the navigation believes."""
        north, east, half = offset_m(
            body.lat, body.lon, math.radians(item.lat_deg), math.radians(item.lon_deg)
        )
        north, east = north - self.nav_n, east - self.nav_e
        return north, east, math.atan2(east, north) - half

    def _ground(self, t_s: float) -> None:
        self.order.mode = "ground"
        self.phase = Phase.LANDED if self.done else Phase.GROUND
        if not self.done and t_s >= self.ground_until_s:
            self.stage = "lift"

    def _lift(self, body: Body, t_s: float) -> None:
        order = self.order
        order.mode, order.pushing = "lift", False
        self.phase = Phase.HOVER_CLIMB
        order.climb_mps = HOVER_CLIMB_MPS
        order.vn_mps = order.ve_mps = 0.0
        if body.height_m - body.ground_m >= APPROACH_HEIGHT_M - 1.0:
            self.stage = "transition"
            if self.item.command == m.NAV_VTOL_TAKEOFF:
                self._next_after_takeoff(t_s)
            item = self.item
            order.nose_rad = self._vector(body, item)[2]

    def _next_after_takeoff(self, t_s: float) -> None:
        self.stage = "lift"  # keeps _begin_leg from leaving the vertical flight early
        self._next(t_s)
        self.stage = "transition"

    def _transition(self, body: Body) -> None:
        order = self.order
        order.mode, order.pushing = "lift", True
        self.phase = Phase.TRANSITION
        nose, aim = order.nose_rad, self.habits.transition_mps + 2.0
        order.vn_mps = aim * math.cos(nose) + body.wind_n
        order.ve_mps = aim * math.sin(nose) + body.wind_e
        order.climb_mps = 0.3
        if body.tas * math.sqrt(body.density / 1.225) >= self.habits.transition_mps:
            self.stage = self.next_stage
            self.course_in = math.nan

    def _wing(self, body: Body, course: float, height_m: float, turn_rate: float = 0.0) -> None:
        order, habits = self.order, self.habits
        back = self.plan.return_plan
        climb = back.climb_mps if self.returning else habits.climb_mps
        descent = back.descent_mps if self.returning else habits.descent_mps
        order.mode, order.pushing = "wing", False
        order.course_rad, order.turn_rate = course, turn_rate
        order.cas_mps = self.cas_mps / habits.airspeed_factor
        error = height_m - body.height_m
        order.climb_mps = min(max(0.25 * error, -descent), climb)
        if error > 6.0:
            self.phase = Phase.CLIMB
        elif error < -6.0:
            self.phase = Phase.DESCENT
        else:
            self.phase = Phase.CRUISE

    def _track(self, body: Body, item: MissionItem) -> tuple[float, float, float]:
        """(distance, distance still ahead along the leg, course) toward ``item``.

        The leg is the geodesic through the item with the azimuth it had when the leg began; the
        course closes a cross-track error e by atan(e/250 m), at most 45 degrees.
        """
        north, east, azimuth = self._vector(body, item)
        distance = math.hypot(north, east)
        if self.course_in != self.course_in:
            self.course_in = azimuth + self._convergence(body, item)
            self.leg_m, self.ground_from_m = max(distance, 1.0), body.ground_m
        share = min(distance / self.leg_m, 1.0)
        body.ground_m = item.ground_m + share * (self.ground_from_m - item.ground_m)
        at_item = azimuth + self._convergence(body, item)
        off = at_item - self.course_in
        across = distance * math.sin(off)
        correction = min(max(math.atan(across / 250.0), -0.78), 0.78)
        return distance, distance * math.cos(off), azimuth - off + correction

    @staticmethod
    def _convergence(body: Body, item: MissionItem) -> float:
        lon = math.radians(item.lon_deg)
        return (lon - body.lon) * math.sin(0.5 * (body.lat + math.radians(item.lat_deg)))

    def _route(self, body: Body, t_s: float) -> None:
        item = self.item
        distance, ahead, course = self._track(body, item)
        self._wing(body, course, item.height_m)
        speed = math.hypot(body.vn, body.ve)
        if item.command == m.NAV_LOITER_TIME:
            if distance < item.params[2] + 30.0 or ahead < 0.0:
                self.stage, self.loiter_until_s = "loiter", t_s + item.params[0]
            return
        if ahead < self._turn_lead(item, speed) or (ahead < 0.0 and distance < 2000.0):
            self.passed.append((item.lat_deg, item.lon_deg))
            self._next(t_s)

    def _turn_lead(self, item: MissionItem, speed: float) -> float:
        """Distance [m] before the point at which a fly-by turn begins: R tan(change/2)."""
        radius = speed * speed / (G0_MPS2 * math.tan(TURN_BANK_RAD))
        after = self.items[self.index + 1] if self.index + 1 < len(self.items) else item
        if after.command not in (m.NAV_WAYPOINT, m.NAV_LOITER_TIME, m.NAV_VTOL_LAND):
            return 30.0
        out = offset_m(
            math.radians(item.lat_deg), math.radians(item.lon_deg),
            math.radians(after.lat_deg), math.radians(after.lon_deg),
        )  # fmt: skip
        change = abs(math.remainder(math.atan2(out[1], out[0]) - self.course_in, math.tau))
        return max(30.0, radius * math.tan(0.5 * min(change, 2.2)))

    def _loiter(self, body: Body, t_s: float) -> None:
        item = self.item
        north, east, _ = self._vector(body, item)
        distance = math.hypot(north, east)
        radius = item.params[2]
        speed = math.hypot(body.vn, body.ve)
        from_centre = math.atan2(-east, -north)
        course = from_centre + 0.5 * math.pi + math.atan((distance - radius) / 60.0)
        close = distance < 1.5 * radius
        self._wing(body, course, item.height_m, speed / radius if close else 0.0)
        if self.phase is Phase.CRUISE:
            self.phase = Phase.LOITER
        if t_s >= self.loiter_until_s:
            self.passed.append((item.lat_deg, item.lon_deg))
            self._next(t_s)

    def _approach(self, body: Body) -> None:
        item = self.item
        distance, ahead, course = self._track(body, item)
        speed = math.hypot(body.vn, body.ve)
        floor_m = item.ground_m + APPROACH_HEIGHT_M
        descent = self.plan.return_plan.descent_mps
        glide_m = max(ahead - 400.0, 0.0) * descent / max(GLIDE_GAINS * speed, 1.0)
        self._wing(body, course, max(floor_m, min(item.height_m, floor_m + glide_m)))
        if ahead < speed * speed / (2.0 * BRAKING_MPS2) + 15.0 and distance < 3000.0:
            self.stage = "back"

    def _back(self, body: Body) -> None:
        """Brake toward the pad: speed along the remaining distance d is sqrt(2 a d)."""
        order = self.order
        order.mode, order.pushing = "lift", False
        self.phase = Phase.BACK_TRANSITION
        north, east, _ = self._vector(body, self.item)
        distance = math.hypot(north, east)
        speed = min(math.sqrt(2.0 * BRAKING_MPS2 * distance), 0.5 * distance + 0.2, 30.0)
        scale = speed / max(distance, 0.01)
        order.vn_mps, order.ve_mps = scale * north, scale * east
        floor_m = self.item.ground_m + APPROACH_HEIGHT_M
        order.climb_mps = min(max(0.3 * (floor_m - body.height_m), -1.0), 1.0)
        if distance < 4.0 and math.hypot(body.vn, body.ve) < 2.0:
            self.stage, self.settled_s = "landing", 0.0
            body.ground_m = self.item.ground_m

    def _landing(self, body: Body, t_s: float, dt: float) -> None:
        order = self.order
        self.phase = Phase.HOVER_LANDING
        self.settled_s += dt
        north, east, _ = self._vector(body, self.item)
        order.vn_mps, order.ve_mps = 0.4 * north, 0.4 * east
        above = body.height_m - body.ground_m
        order.climb_mps = -self._sink(above)
        if self.aborts_left > 0 and above < ABORT_HEIGHT_M:
            self.aborts_left -= 1
            self._go_around(body)
        elif above <= 0.02:
            self._touch_down(body, t_s)

    def _sink(self, above_m: float) -> float:
        """Descent that takes the planned landing time, slow over the last metres."""
        if self.settled_s < SETTLE_S:
            return 0.0
        if above_m < LAST_METRES_M:
            return LAST_DESCENT_MPS
        left = self.habits.landing_hover_s - SETTLE_S - LAST_METRES_M / LAST_DESCENT_MPS
        return min(max((APPROACH_HEIGHT_M - LAST_METRES_M) / max(left, 8.0), 0.4), 2.0)

    def _go_around(self, body: Body) -> None:
        """Climb out, fly a circuit point upwind, come back to the same landing."""
        item = self.item
        wind = math.hypot(body.wind_n, body.wind_e)
        un, ue = (-body.wind_n / wind, -body.wind_e / wind) if wind > 0.5 else (1.0, 0.0)
        lat = item.lat_deg + math.degrees(CIRCUIT_M * un / 6.37e6)
        lon = item.lon_deg + math.degrees(
            CIRCUIT_M * ue / (6.38e6 * math.cos(math.radians(item.lat_deg)))
        )
        height_m = item.ground_m + APPROACH_HEIGHT_M + 10.0
        circuit = MissionItem(item.seq, m.NAV_WAYPOINT, lat, lon, height_m, name="circuit")
        self.items = (*self.items[: self.index], circuit, *self.items[self.index :])
        self.stage, self.next_stage = "lift", "route"

    def _touch_down(self, body: Body, t_s: float) -> None:
        body.height_m = body.ground_m
        body.vn = body.ve = body.climb = body.tas = 0.0
        self.stage = "ground"
        self.phase = Phase.GROUND
        self.ground_until_s = t_s
        if self.returning:
            self.done = True
            self.phase = Phase.LANDED
        else:
            self._next(t_s)
            self.stage = "ground"
