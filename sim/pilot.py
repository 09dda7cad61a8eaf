"""The autopilot: flies the mission items, comes home as set, lands, goes around.

A stage is a method that writes an :class:`Order` and says, by the phase it sets, what the aircraft
is doing. Guidance looks at the true position (less the drift of dead reckoning while position is
lost) and the wind of the step before, as a good autopilot's ground-track loop in effect does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sim import mission as m
from sim.atmosphere import RHO0_KGPM3
from sim.guidance import (
    APPROACH_HEIGHT_M,
    Leg,
    Vector,
    circuit,
    orbit_course,
    track,
    turn_lead_m,
    vector,
    way_home,
    way_to_alternate,
)
from sim.mission import MissionItem
from sim.motion import Body, Order
from sim.plan import Plan
from sim.state import Phase

HOVER_CLIMB_MPS = 2.5
LAST_METRES_M = 8.0
LAST_DESCENT_MPS = 0.5
BRAKING_MPS2 = 1.4
COAST_MPS2 = 2.1  # mean braking by the air alone, from cruise to hover flight
HOVER_MPS, HEADWAY_MPS = 10.0, 2.5  # airspeed flown on the rotors; more only for headway in wind
GLIDE_GAINS = 1.4  # a long descent at idle gains speed: begin it that much earlier
SETTLE_S = 6.0
ABORT_HEIGHT_M = 12.0
HEIGHT_GAIN = 0.25  # metres per second of climb for a metre of height error
# The phase says climb or descent when the height is this far off, and level again when this near.
OFF_M, ON_M = 6.5, 3.0


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
        "done",
        "dropped_kg",
        "ground_until_s",
        "habits",
        "index",
        "items",
        "leg",
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
        "settled_at_s",
        "stage",
        "stuck",
    )

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
        self.leg: Leg | None = None
        self.returning = self.done = self.stuck = False
        self.aborts_left = aborts
        self.dropped_kg = 0.0
        self.settled_at_s = 0.0
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
        """Give up the mission and fly the return plan to home; before take-off: stay."""
        if self.returning or self.done:
            return
        if self.stage == "ground" and self.index == 0:
            self.returning = self.done = True
            self.phase = Phase.LANDED
        else:
            self._fly_instead(way_home(self.plan, self.passed))

    def divert(self, alternate: int) -> None:
        """Give up the mission, or the way home, and land at an alternate."""
        if not self.done:
            self._fly_instead(way_to_alternate(self.plan, alternate))

    def _fly_instead(self, items: tuple[MissionItem, ...]) -> None:
        self.returning = True
        self.items, self.index = items, 0
        if self.stage in ("back", "landing"):
            self.stage = "lift"
        self._begin_leg()

    # -- items --------------------------------------------------------------------------------

    def _begin_leg(self) -> None:
        """Aim at the item; whoever is in vertical flight or in transition finishes that first."""
        if not math.isnan(self.item.airspeed_mps):
            self.cas_mps = self.item.airspeed_mps
        self.leg = None
        self.next_stage = "approach" if self.item.command == m.NAV_VTOL_LAND else "route"
        if self.stage in ("route", "loiter", "approach"):
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

    def step(self, body: Body, t_s: float) -> None:
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
            self._back(body, t_s)
        elif self.stage == "landing":
            self._landing(body, t_s)
        else:
            self._ground(t_s)

    def _to_item(self, body: Body) -> Vector:
        return vector(body.lat, body.lon, self.item, self.nav_n, self.nav_e)

    def _ground(self, t_s: float) -> None:
        self.order.mode = "ground"
        self.phase = Phase.LANDED if self.done else Phase.GROUND
        if not self.done and t_s >= self.ground_until_s:
            self.stage = "lift"

    def _hover(self, vn: float, ve: float, climb: float) -> None:
        order = self.order
        order.mode, order.pushing = "lift", False
        order.vn_mps, order.ve_mps, order.climb_mps = vn, ve, climb

    def _lift(self, body: Body, t_s: float) -> None:
        self.phase = Phase.HOVER_CLIMB
        self._hover(0.0, 0.0, HOVER_CLIMB_MPS)
        if body.height_m - body.ground_m >= APPROACH_HEIGHT_M - 1.0:
            self.stage = "transition"
            if self.item.command == m.NAV_VTOL_TAKEOFF:
                self._next(t_s)
            self.order.nose_rad = self._to_item(body).here_rad

    def _transition(self, body: Body) -> None:
        order, aim = self.order, self.habits.transition_mps + 2.0
        order.mode, order.pushing = "lift", True
        self.phase = Phase.TRANSITION
        order.vn_mps = aim * math.cos(order.nose_rad) + body.wind_n
        order.ve_mps = aim * math.sin(order.nose_rad) + body.wind_e
        order.climb_mps = 0.3
        if body.tas * math.sqrt(body.density / RHO0_KGPM3) >= self.habits.transition_mps:
            self.stage, self.leg = self.next_stage, None

    def _wing(self, body: Body, course: float, height_m: float, turn_rate: float = 0.0) -> None:
        order, habits, back = self.order, self.habits, self.plan.return_plan
        climb = back.climb_mps if self.returning else habits.climb_mps
        descent = back.descent_mps if self.returning else habits.descent_mps
        order.mode, order.pushing = "wing", False
        order.course_rad, order.turn_rate = course, turn_rate
        order.cas_mps = self.cas_mps / habits.airspeed_factor
        error = height_m - body.height_m
        order.climb_mps = min(max(HEIGHT_GAIN * error, -descent), climb)
        level = self.phase in (Phase.CRUISE, Phase.LOITER)
        if abs(error) < (OFF_M if level else ON_M):
            self.phase = Phase.CRUISE
        else:
            self.phase = Phase.CLIMB if error > 0.0 else Phase.DESCENT

    def _along(self, body: Body) -> tuple[Vector, float, float]:
        """(vector to the item, distance ahead along the leg, course); the ground runs with it."""
        to = self._to_item(body)
        if self.leg is None:
            self.leg = Leg(to.there_rad, max(to.distance_m, 1.0), body.ground_m)
        leg, ground_m = self.leg, self.item.ground_m
        share = min(to.distance_m / leg.length_m, 1.0)
        body.ground_m = ground_m + share * (leg.ground_from_m - ground_m)
        return to, *track(leg, to)

    def _route(self, body: Body, t_s: float) -> None:
        item = self.item
        to, ahead, course = self._along(body)
        self._wing(body, course, item.height_m)
        if item.command == m.NAV_LOITER_TIME:
            if to.distance_m < item.params[2] + 30.0 or ahead < 0.0:
                self.stage, self.loiter_until_s = "loiter", t_s + item.params[0]
            return
        after = self.items[self.index + 1] if self.index + 1 < len(self.items) else item
        assert self.leg is not None
        lead = turn_lead_m(item, after, self.leg.course_rad, math.hypot(body.vn, body.ve))
        if ahead < lead and to.distance_m < 2000.0:
            self.passed.append((item.lat_deg, item.lon_deg))
            self._next(t_s)

    def _loiter(self, body: Body, t_s: float) -> None:
        item, to = self.item, self._to_item(body)
        radius = item.params[2]
        close = to.distance_m < 1.5 * radius
        rate = math.hypot(body.vn, body.ve) / radius if close else 0.0
        self._wing(body, orbit_course(to.north_m, to.east_m, radius), item.height_m, rate)
        if self.phase is Phase.CRUISE:
            self.phase = Phase.LOITER
        if t_s >= self.loiter_until_s:
            self.passed.append((item.lat_deg, item.lon_deg))
            self._next(t_s)

    def _approach(self, body: Body) -> None:
        item = self.item
        to, ahead, course = self._along(body)
        speed = math.hypot(body.vn, body.ve)
        floor_m = item.ground_m + APPROACH_HEIGHT_M
        descent = self.plan.return_plan.descent_mps
        glide_m = max(ahead - 400.0, 0.0) * descent / max(GLIDE_GAINS * speed, 1.0)
        self._wing(body, course, max(floor_m, min(item.height_m, floor_m + glide_m)))
        if ahead < _braking_m(body.tas, speed) + 15.0 and to.distance_m < 3000.0:
            self.stage = "back"

    def _back(self, body: Body, t_s: float) -> None:
        """Coast to hover flight, then speed along the remaining distance d is sqrt(2 a d)."""
        self.phase = Phase.BACK_TRANSITION
        to = self._to_item(body)
        d = to.distance_m
        speed = min(math.sqrt(2.0 * BRAKING_MPS2 * d), 0.5 * d + 0.2, 30.0)
        north, east = (speed / max(d, 0.01) * part for part in (to.north_m, to.east_m))
        floor_m = self.item.ground_m + APPROACH_HEIGHT_M
        climb = min(max(0.3 * (floor_m - body.height_m), -1.0), 1.0)
        self._hover(*_slow_enough(north, east, body), climb)
        if d < 4.0 and math.hypot(body.vn, body.ve) < 2.0:
            self.stage, self.settled_at_s = "landing", t_s + SETTLE_S
            body.ground_m = self.item.ground_m

    def _landing(self, body: Body, t_s: float) -> None:
        self.phase = Phase.HOVER_LANDING
        to, above = self._to_item(body), body.height_m - body.ground_m
        self._hover(0.4 * to.north_m, 0.4 * to.east_m, -self._sink(above, t_s))
        if self.aborts_left > 0 and above < ABORT_HEIGHT_M:
            self.aborts_left -= 1
            self._go_around(body)
        elif above <= 0.02:
            self._touch_down(body, t_s)

    def _sink(self, above_m: float, t_s: float) -> float:
        """Descent that takes the planned landing time, slow over the last metres."""
        if t_s < self.settled_at_s:
            return 0.0
        if above_m < LAST_METRES_M:
            return LAST_DESCENT_MPS
        left = self.habits.landing_hover_s - SETTLE_S - LAST_METRES_M / LAST_DESCENT_MPS
        return min(max((APPROACH_HEIGHT_M - LAST_METRES_M) / max(left, 8.0), 0.4), 2.0)

    def _go_around(self, body: Body) -> None:
        """Climb out, fly around by a point upwind, come back to the same landing."""
        again = circuit(self.item, body.wind_n, body.wind_e)
        self.items = (*self.items[: self.index], again, *self.items[self.index :])
        self.stage = "lift"
        self._begin_leg()

    def _touch_down(self, body: Body, t_s: float) -> None:
        body.height_m = body.ground_m
        body.vn = body.ve = body.climb = body.air_climb = body.tas = 0.0
        self.ground_until_s = t_s
        self.order.mode = "ground"  # nothing turns from here on
        if self.returning:
            self.done, self.phase = True, Phase.LANDED
        else:
            self.phase = Phase.GROUND
            self._next(t_s)
        self.stage = "ground"


def _braking_m(tas_mps: float, ground_mps: float) -> float:
    """Distance over ground [m] to a stop: the air brakes down to HOVER_MPS, the rotors after."""
    headwind, coast_s = tas_mps - ground_mps, (tas_mps - HOVER_MPS) / COAST_MPS2
    last_mps = max(HOVER_MPS - headwind, HEADWAY_MPS)
    coast_m = (0.5 * (tas_mps + HOVER_MPS) - headwind) * coast_s
    return max(coast_m, 0.0) + last_mps * last_mps / (2.0 * BRAKING_MPS2)


def _slow_enough(vn: float, ve: float, body: Body) -> tuple[float, float]:
    """Ground velocity [m/s] toward ``(vn, ve)`` at no more airspeed than the rotors fly well."""
    un, ue = vn - body.wind_n, ve - body.wind_e
    most = max(HOVER_MPS, math.hypot(body.wind_n, body.wind_e) + HEADWAY_MPS)
    share = min(most / max(math.hypot(un, ue), 0.01), 1.0)
    return share * un + body.wind_n, share * ue + body.wind_e
